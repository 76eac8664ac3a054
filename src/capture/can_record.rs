//! The CAN record inside a captured packet (LINKTYPE_CAN_SOCKETCAN, and the same behind a cooked header) to a row of a
//! [`FrameBlock`]. Source: tcpdump.org, `LINKTYPE_CAN_SOCKETCAN` and `LINKTYPE_LINUX_SLL`; Linux `linux/can.h`.
//!
//! Pure. Does not know files.

use super::CaptureTally;
use crate::frame::{CanId, DATA_BYTES_MAX, FLAG_BRS, FLAG_ESI, FrameBlock, Kind, Meta, TimeUs, word_of};

/// Bytes of a CAN record before its data.
pub(super) const HEADER_BYTES: usize = 8;
/// A record as long as this is CAN FD, whatever its flags say: writers before the flag existed filled it up.
const FD_RECORD_BYTES: u32 = 72;
/// A classical record is at most this long.
const CLASSICAL_RECORD_BYTES_MAX: u32 = 16;
/// In the length byte: a CAN XL frame, whose header is another one.
const XL: u8 = 0x80;
/// In the flags byte: a CAN FD frame.
pub(super) const FDF: u8 = 0x04;
/// The flag bits that mean something.
const FLAGS_DEFINED: u8 = FDF | FLAG_ESI | FLAG_BRS;

/// Bytes of the cooked header (LINKTYPE_LINUX_SLL).
const COOKED_HEADER_BYTES: usize = 16;
/// Device type of CAN in a cooked header (ARPHRD_CAN), heavier byte first.
const COOKED_DEVICE_CAN: [u8; 2] = [0x01, 0x18];

/// pcap and pcapng link types that carry CAN.
pub(super) const LINKTYPE_CAN_SOCKETCAN: u16 = 227;
/// Linux "cooked" capture, of any device.
pub(super) const LINKTYPE_LINUX_SLL: u16 = 113;

/// How the packets of an interface hold CAN frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Link {
    /// Whether a cooked header stands before the record.
    cooked: bool,
    /// Whether the identifier's lighter byte stands first.
    id_little: bool,
}

impl Link {
    /// How packets of `link_type` are read in a file or section of the given byte order; none if they are not CAN.
    ///
    /// Behind a cooked header the identifier has the byte order of the capturing host, which is the file's; otherwise
    /// it is big-endian always. `swap_ids` turns that round, for files whose writer had it wrong.
    pub(super) fn of(link_type: u16, file_little: bool, swap_ids: bool) -> Option<Self> {
        match link_type {
            LINKTYPE_CAN_SOCKETCAN => Some(Self { cooked: false, id_little: swap_ids }),
            LINKTYPE_LINUX_SLL => Some(Self { cooked: true, id_little: file_little != swap_ids }),
            _ => None,
        }
    }

    /// Whether the fast path for plain records may take it.
    pub(super) fn is_plain(self) -> bool {
        self == Self { cooked: false, id_little: false }
    }
}

/// What a packet is, besides the record in it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Packet<'a> {
    pub(super) time_us: TimeUs,
    pub(super) channel: u16,
    pub(super) link: Link,
    /// Length on the bus, as the capturing side saw it.
    pub(super) original_bytes: u32,
    pub(super) bytes: &'a [u8],
}

/// Appends the packet's frame, or counts why there is none.
pub(super) fn push(packet: Packet<'_>, block: &mut FrameBlock, tally: &mut CaptureTally) {
    if packet.link.cooked { push_cooked(packet, block, tally) } else { push_record(packet, None, block, tally) }
}

/// What a cooked header says about the frame.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Said {
    Classical,
    Fd,
}

fn push_cooked(packet: Packet<'_>, block: &mut FrameBlock, tally: &mut CaptureTally) {
    let Some((&[_, _, device_high, device_low, .., protocol_high, protocol_low], record)) =
        packet.bytes.split_first_chunk::<COOKED_HEADER_BYTES>()
    else {
        tally.skipped.malformed += 1;
        return;
    };
    if [device_high, device_low] != COOKED_DEVICE_CAN {
        tally.skipped.not_can += 1;
        return;
    }
    let said = match u16::from_be_bytes([protocol_high, protocol_low]) {
        0x000C => Said::Classical,
        0x000D => Said::Fd,
        0x000E => {
            tally.skipped.can_xl += 1;
            return;
        }
        _ => {
            tally.skipped.not_can += 1;
            return;
        }
    };
    let original_bytes = packet.original_bytes.saturating_sub(COOKED_HEADER_BYTES as u32);
    push_record(Packet { bytes: record, original_bytes, ..packet }, Some(said), block, tally);
}

fn push_record(packet: Packet<'_>, said: Option<Said>, block: &mut FrameBlock, tally: &mut CaptureTally) {
    let Some((&[a, b, c, d, length, flags, _, dlc], data)) = packet.bytes.split_first_chunk::<HEADER_BYTES>() else {
        tally.skipped.malformed += 1;
        return;
    };
    if length & XL != 0 {
        tally.skipped.can_xl += 1;
        return;
    }
    let id = if packet.link.id_little { u32::from_le_bytes([a, b, c, d]) } else { u32::from_be_bytes([a, b, c, d]) };
    let original_bytes = packet.original_bytes;
    let undefined_flags = flags & !FLAGS_DEFINED != 0;
    let fd = match said {
        Some(said) => said == Said::Fd,
        None if original_bytes == FD_RECORD_BYTES => true,
        // Classical frames have been seen with leftovers in the flags byte (0x7F); they are not FD frames.
        None if flags & FDF != 0 => length > 8 || !undefined_flags,
        // Longer than any classical record, and not filled up to 72 bytes: an FD frame whose writer knew no flag.
        None => original_bytes > CLASSICAL_RECORD_BYTES_MAX && length > 8,
    };

    if fd {
        let len = usize::from(length);
        if len > DATA_BYTES_MAX {
            tally.skipped.malformed += 1;
            return;
        }
        let Some(data) = data.get(..len) else {
            tally.skipped.snapped += 1;
            return;
        };
        // Neither remote nor error frames exist in FD.
        let misplaced = id & (CanId::REMOTE | CanId::ERROR) != 0;
        tally.odd.flags += u64::from(undefined_flags || misplaced);
        let id = CanId(id & !(CanId::REMOTE | CanId::ERROR));
        count_odd_id(id, tally);
        let meta = Meta::new(packet.channel, Kind::Fd, flags & (FLAG_BRS | FLAG_ESI), length, 0);
        if len > 8 {
            block.push_long(packet.time_us, id, meta, data);
        } else {
            block.push_short(packet.time_us, id, meta, word_of(data));
        }
        tally.frames += 1;
        return;
    }

    // Length codes 9 to 15 mean 8 bytes in a classical frame (ISO 11898-1); some writers put them where the length goes.
    let (len, raw_dlc) = match length {
        0..8 => (length, 0),
        8 if (9..=15).contains(&dlc) => (8, dlc),
        8 => (8, 0),
        9..=15 => {
            tally.odd.length += 1;
            (8, length)
        }
        _ => {
            tally.skipped.malformed += 1;
            return;
        }
    };
    tally.odd.flags += u64::from(flags != 0);
    let kind = Kind::of_classical(CanId(id));
    // A remote frame has a length and no data.
    let wanted = if kind == Kind::Remote { 0 } else { usize::from(len) };
    let Some(data) = data.get(..wanted) else {
        // The data is not there because it was not captured, or because it never was.
        if u32::try_from(HEADER_BYTES + wanted).is_ok_and(|bytes| bytes <= original_bytes) {
            tally.skipped.snapped += 1;
        } else {
            tally.skipped.malformed += 1;
        }
        return;
    };
    // Both marks on one frame: the error is what counts.
    let both = CanId::ERROR | CanId::REMOTE;
    let id = if id & both == both {
        tally.odd.flags += 1;
        CanId(id & !CanId::REMOTE)
    } else {
        CanId(id)
    };
    count_odd_id(id, tally);
    let raw_dlc = if kind == Kind::Error { 0 } else { raw_dlc };
    block.push_short(packet.time_us, id, Meta::new(packet.channel, kind, 0, len, raw_dlc), word_of(data));
    tally.frames += 1;
}

/// Bits above an 11-bit identifier, or above every class of error, mostly tell of a writer with the wrong byte order.
fn count_odd_id(id: CanId, tally: &mut CaptureTally) {
    let is_error = id.0 & CanId::ERROR != 0;
    tally.odd.id += u64::from((is_error || !id.is_extended()) && id.bits() > CanId::STANDARD_BITS);
}

/// Whether the record of an ordinary classical data frame stands in these words: identifier (big-endian), and the
/// length, flags, reserved and length-code bytes as one little-endian word.
#[inline(always)]
pub(super) fn is_common(id: u32, head: u32) -> bool {
    (head <= 8)
        & (id & (CanId::REMOTE | CanId::ERROR) == 0)
        & ((id & CanId::EXTENDED != 0) | (id <= CanId::STANDARD_BITS))
}

/// What of eight data bytes belongs to a frame of so many, byte 1 lightest. Any index of four bits is in range.
const DATA_MASKS: [u64; 16] = {
    let mut masks = [u64::MAX; 16];
    let mut len = 0;
    while len < 8 {
        masks[len] = (1 << (8 * len)) - 1;
        len += 1;
    }
    masks
};

/// The data word of a common record, zero behind the length.
#[inline(always)]
pub(super) fn common_word(head: u32, data: u64) -> u64 {
    data & DATA_MASKS[(head & 0xF) as usize]
}
