//! The pcap file format: bytes behind the file header in, rows of a [`FrameBlock`] out.
//! Source: draft-ietf-opsawg-pcap, and libpcap's `sf-pcap.c` for the magic numbers.
//!
//! Pure: works on slices, says how many bytes it used and what it needs to go on.

use super::can_record::{self, Link, Packet, common_word, is_common};
use super::{CaptureTally, Channel, DamageCause, ReadOptions, Search, Step, Stop};
use crate::frame::{CanId, FrameBlock, Meta, TimeUs};

/// Bytes of the file header.
pub(super) const HEADER_BYTES: usize = 24;

/// Bytes of a record's header.
const RECORD_HEADER_BYTES: usize = 16;

/// Longest record. 262 144 bytes is the largest snapshot length that libpcap writes; a longer claim is damage.
const RECORD_BYTES_MAX: u32 = 262_144;

/// The common record: header, CAN header and eight bytes of data.
const COMMON_RECORD_BYTES: usize = 32;

/// Records handled column by column at a time: they and their columns stay in the innermost cache.
const RUN_RECORDS_MAX: usize = 256;

/// Records that must follow each other before reading goes on behind a damaged place.
const SEARCH_RECORDS: usize = 4;

/// Longest record believed while searching: a CAN XL frame behind a cooked header has 2 076 bytes.
const SEARCH_RECORD_BYTES_MAX: u32 = 4096;

/// Furthest that a record's time may lie from the last good one, to be believed while searching.
const SEARCH_SECONDS_MAX: u32 = 7 * 86_400;

/// What the file header says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) little: bool,
    pub(super) nanoseconds: bool,
    pub(super) major: u16,
    pub(super) minor: u16,
    pub(super) link_type: u16,
}

impl Header {
    /// Reads a file header; none if the magic is not one of the four.
    pub(super) fn parse(bytes: &[u8; HEADER_BYTES]) -> Option<Self> {
        let (little, nanoseconds) = match bytes {
            [0xD4, 0xC3, 0xB2, 0xA1, ..] => (true, false),
            [0x4D, 0x3C, 0xB2, 0xA1, ..] => (true, true),
            [0xA1, 0xB2, 0xC3, 0xD4, ..] => (false, false),
            [0xA1, 0xB2, 0x3C, 0x4D, ..] => (false, true),
            _ => return None,
        };
        let &[_, _, _, _, a, b, c, d, .., e, f, g, h] = bytes;
        let half = |pair| if little { u16::from_le_bytes(pair) } else { u16::from_be_bytes(pair) };
        // The lighter half of the last word is the link type; the heavier one tells of frame check sequences.
        let link_type = if little { half([e, f]) } else { half([g, h]) };
        Some(Self { little, nanoseconds, major: half([a, b]), minor: half([c, d]), link_type })
    }

    /// Whether this is the one version that was ever current.
    pub(super) fn is_current(&self) -> bool {
        (self.major, self.minor) == (2, 4)
    }
}

/// A pcap file being read.
pub(super) struct Pcap {
    little: bool,
    nanoseconds: bool,
    link: Link,
    channel: Channel,
    options: ReadOptions,
    /// Time of the last frame whose two lengths agreed.
    last_seconds: Option<u32>,
}

/// A record's header.
struct RecordHeader {
    seconds: u32,
    fraction: u32,
    captured_bytes: u32,
    original_bytes: u32,
}

impl Pcap {
    /// Behind `header`; none if its link type is not CAN.
    pub(super) fn new(header: &Header, options: ReadOptions) -> Option<Self> {
        let link = Link::of(header.link_type, header.little, options.swap_ids)?;
        let &Header { little, nanoseconds, link_type, .. } = header;
        let channel = Channel { name: None, link_type };
        Some(Self { little, nanoseconds, link, channel, options, last_seconds: None })
    }

    /// The one channel there is.
    pub(super) fn channel(&self) -> &Channel {
        &self.channel
    }

    fn fraction_limit(&self) -> u32 {
        if self.nanoseconds { 1_000_000_000 } else { 1_000_000 }
    }

    /// Appends up to `room` frames.
    pub(super) fn take(
        &mut self,
        bytes: &[u8],
        mut room: usize,
        block: &mut FrameBlock,
        tally: &mut CaptureTally,
    ) -> Step {
        let mut used = 0;
        loop {
            let rest = bytes.get(used..).unwrap_or_default();
            if room == 0 {
                return Step { used, stop: Stop::Full };
            }
            if self.link.is_plain() {
                let taken = match (self.little, self.nanoseconds) {
                    (true, true) => take_common::<true, 1000>(rest, room, block),
                    (true, false) => take_common::<true, 1>(rest, room, block),
                    (false, true) => take_common::<false, 1000>(rest, room, block),
                    (false, false) => take_common::<false, 1>(rest, room, block),
                };
                if let Some((count, last_seconds)) = taken {
                    self.last_seconds = Some(last_seconds);
                    tally.frames += count as u64;
                    used += count * COMMON_RECORD_BYTES;
                    room -= count;
                    continue;
                }
            }
            let Some((head, behind)) = rest.split_first_chunk() else {
                return Step { used, stop: Stop::Need(RECORD_HEADER_BYTES) };
            };
            let header = self.record_header(head);
            if let Some(next_file) = self.header_between(rest, &header) {
                match next_file {
                    Some(next) => *self = next,
                    None => return Step { used, stop: Stop::Need(HEADER_BYTES) },
                }
                tally.sections += 1;
                used += HEADER_BYTES;
                continue;
            }
            let captured_bytes = header.captured_bytes;
            // No more can be captured than there was. Where a writer left the second length out it never holds; where it
            // held before, this is damage, and believing it would put all that follows askew.
            let contradicts = captured_bytes > header.original_bytes
                && (self.last_seconds.is_some() || self.is_record_behind(behind, header.original_bytes));
            if captured_bytes > RECORD_BYTES_MAX || contradicts {
                return Step { used, stop: Stop::Corrupt(DamageCause::RecordLength { claimed_bytes: captured_bytes }) };
            }
            let captured = captured_bytes as usize;
            let Some(record) = behind.get(..captured) else {
                return Step { used, stop: Stop::Need(RECORD_HEADER_BYTES + captured) };
            };
            let before = tally.frames;
            let packet = Packet {
                time_us: self.time_us(&header),
                channel: 0,
                link: self.link,
                original_bytes: header.original_bytes,
                bytes: record,
            };
            can_record::push(packet, block, tally);
            if tally.frames > before {
                room -= 1;
                tally.odd.time_fraction += u64::from(header.fraction >= self.fraction_limit());
                if captured_bytes <= header.original_bytes {
                    self.last_seconds = Some(header.seconds);
                }
            }
            used += RECORD_HEADER_BYTES + captured;
        }
    }

    fn record_header(&self, bytes: &[u8; RECORD_HEADER_BYTES]) -> RecordHeader {
        let order = |word| if self.little { u32::from_le_bytes(word) } else { u32::from_be_bytes(word) };
        let &[a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p] = bytes;
        RecordHeader {
            seconds: order([a, b, c, d]),
            fraction: order([e, f, g, h]),
            captured_bytes: order([i, j, k, l]),
            original_bytes: order([m, n, o, p]),
        }
    }

    /// Unsigned seconds and fraction as microseconds: at most some 4 295 million seconds, far from overflow.
    fn time_us(&self, header: &RecordHeader) -> TimeUs {
        let fraction_us = if self.nanoseconds { header.fraction / 1000 } else { header.fraction };
        i64::from(header.seconds) * 1_000_000 + i64::from(fraction_us)
    }

    /// Capture files put one behind the other: the second one's file header stands where a record should. As a record
    /// it would be of no bytes, in the year 2055. Gives `Some(None)` if more bytes are needed to tell.
    fn header_between(&self, rest: &[u8], record: &RecordHeader) -> Option<Option<Self>> {
        let looks_like_one = matches!(
            rest,
            [0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, ..]
                | [0x4D, 0x3C, 0xB2, 0xA1, 2, 0, 4, 0, ..]
                | [0xA1, 0xB2, 0xC3, 0xD4, 0, 2, 0, 4, ..]
                | [0xA1, 0xB2, 0x3C, 0x4D, 0, 2, 0, 4, ..]
        );
        if !looks_like_one || record.captured_bytes != 0 {
            return None;
        }
        let Some(head) = rest.first_chunk() else { return Some(None) };
        let next = Self::new(&Header::parse(head)?, self.options)?;
        Some(Some(next))
    }

    /// Looks for a place behind a damaged one where several whole CAN records follow each other.
    pub(super) fn search(&self, bytes: &[u8], at_end: bool) -> Search {
        let mut at = 0;
        while let Some(rest) = bytes.get(at..) {
            if rest.len() < RECORD_HEADER_BYTES {
                break;
            }
            match self.is_chain(rest, at_end) {
                Some(true) => return Search::Found { used: at },
                Some(false) => at += 1,
                None => return Search::Need { used: at },
            }
        }
        if at_end { Search::Nothing } else { Search::Need { used: at } }
    }

    /// Whether records follow each other behind so many bytes, as far as can be seen.
    fn is_record_behind(&self, bytes: &[u8], count: u32) -> bool {
        bytes.get(count as usize..).is_some_and(|bytes| self.is_chain(bytes, true) == Some(true))
    }

    /// Whether records follow each other from here; none if more bytes are needed to tell.
    fn is_chain(&self, bytes: &[u8], at_end: bool) -> Option<bool> {
        let mut rest = bytes;
        for found in 0..SEARCH_RECORDS {
            let Some((head, behind)) = rest.split_first_chunk() else {
                // Fewer will do if they end exactly where the file does.
                return at_end.then_some(found > 0 && rest.is_empty());
            };
            let header = self.record_header(head);
            let near = self.last_seconds.is_none_or(|last| header.seconds.abs_diff(last) <= SEARCH_SECONDS_MAX);
            let plausible = near
                && header.fraction < self.fraction_limit()
                && header.captured_bytes >= can_record::HEADER_BYTES as u32
                && header.captured_bytes <= header.original_bytes
                && header.original_bytes <= SEARCH_RECORD_BYTES_MAX;
            if !plausible {
                return Some(false);
            }
            match behind.get(header.captured_bytes as usize..) {
                Some(behind) => rest = behind,
                None => return at_end.then_some(false),
            }
        }
        Some(true)
    }
}

/// Four bytes of a record as a word.
#[inline(always)]
fn word<const LITTLE: bool, const AT: usize>(record: &[u8; COMMON_RECORD_BYTES]) -> u32 {
    let bytes = [record[AT], record[AT + 1], record[AT + 2], record[AT + 3]];
    if LITTLE { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) }
}

/// Appends the leading run of common records, at most `room` or [`RUN_RECORDS_MAX`]: ordinary classical data frames,
/// captured in 16 bytes. Gives their number and the last one's second, or none if the first is not one.
///
/// `DIVISOR` is the number of the file's time units in a microsecond.
#[inline]
fn take_common<const LITTLE: bool, const DIVISOR: u32>(
    bytes: &[u8],
    room: usize,
    block: &mut FrameBlock,
) -> Option<(usize, u32)> {
    let (records, _) = bytes.as_chunks::<COMMON_RECORD_BYTES>();
    let records = records.get(..records.len().min(room).min(RUN_RECORDS_MAX)).unwrap_or_default();
    let count = records
        .iter()
        .take_while(|record| {
            (word::<LITTLE, 4>(record) < 1_000_000 * DIVISOR)
                & (word::<LITTLE, 8>(record) == 16)
                & (word::<LITTLE, 12>(record) == 16)
                & is_common(word::<false, 16>(record), word::<true, 20>(record))
        })
        .count();
    let records = records.get(..count).unwrap_or_default();
    let last_seconds = word::<LITTLE, 0>(records.last()?);

    block.time_us.extend(records.iter().map(|record| {
        i64::from(word::<LITTLE, 0>(record)) * 1_000_000 + i64::from(word::<LITTLE, 4>(record) / DIVISOR)
    }));
    block.id.extend(records.iter().map(|record| CanId(word::<false, 16>(record))));
    // A common record's first word is its length, at most 8.
    block.meta.extend(records.iter().map(|record| Meta::data(0, record[20])));
    block.data.extend(records.iter().map(|record| {
        let data = u64::from(word::<true, 24>(record)) | u64::from(word::<true, 28>(record)) << 32;
        common_word(word::<true, 20>(record), data)
    }));
    Some((count, last_seconds))
}
