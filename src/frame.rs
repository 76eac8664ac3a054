//! One CAN frame (ISO 11898-1), classical or FD: the value everything starts from.
//!
//! Pure. Does not know captures, sockets or definitions.

use std::fmt;

/// Most data bytes of one frame: CAN FD's.
pub const DATA_BYTES_MAX: usize = 64;

/// Microseconds since 1970-01-01T00:00:00Z; one bit time at 1 Mbit/s. Finer stamps are rounded down.
pub type TimeUs = i64;

/// What kind of frame the bus carried.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Classical data frame, 0 to 8 bytes.
    Data,
    /// Classical remote frame: a length without bytes.
    Remote,
    /// Error frame as SocketCAN reports it: the identifier holds the error class, 8 bytes of detail.
    Error,
    /// CAN FD data frame, 0 to 64 bytes.
    Fd,
}

/// Identifier with the bits that tell how to read it, in SocketCAN's layout (Linux `linux/can.h`).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct CanId(pub u32);

impl CanId {
    /// 29-bit identifier.
    pub const EXTENDED: u32 = 0x8000_0000;
    /// Remote frame.
    pub const REMOTE: u32 = 0x4000_0000;
    /// Error frame.
    pub const ERROR: u32 = 0x2000_0000;
    /// The bits of a 29-bit identifier, or of an error class.
    pub const EXTENDED_BITS: u32 = 0x1FFF_FFFF;
    /// The bits of an 11-bit identifier.
    pub const STANDARD_BITS: u32 = 0x7FF;

    /// An 11-bit identifier; heavier bits are dropped.
    pub const fn standard(id: u32) -> Self {
        Self(id & Self::STANDARD_BITS)
    }

    /// A 29-bit identifier; heavier bits are dropped.
    pub const fn extended(id: u32) -> Self {
        Self(id & Self::EXTENDED_BITS | Self::EXTENDED)
    }

    /// Whether it has 29 bits.
    pub const fn is_extended(self) -> bool {
        self.0 & Self::EXTENDED != 0
    }

    /// The identifier's own bits, without the flags.
    pub const fn bits(self) -> u32 {
        self.0 & Self::EXTENDED_BITS
    }
}

impl fmt::Display for CanId {
    /// Three hexadecimal digits for 11 bits, eight for 29.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_extended() { write!(f, "{:08X}", self.bits()) } else { write!(f, "{:03X}", self.bits()) }
    }
}

impl fmt::Debug for CanId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "CanId({self})")
    }
}

/// FD frame: sent with the bit rate switched for the data phase.
pub const FLAG_BRS: u8 = 0x01;
/// FD frame: its sender is error passive.
pub const FLAG_ESI: u8 = 0x02;

/// One frame with its time and the channel it came in by.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// When it was received.
    pub time_us: TimeUs,
    /// Interface index within its source.
    pub channel: u16,
    /// Identifier and its flags; `REMOTE` and `ERROR` agree with `kind`.
    pub id: CanId,
    /// What kind of frame.
    pub kind: Kind,
    /// `FLAG_BRS` and `FLAG_ESI` of FD frames, else 0.
    pub flags: u8,
    /// Number of data bytes; of a remote frame, the number asked for.
    pub len: u8,
    /// Classical frames of 8 bytes whose length code was 9 to 15 keep it here, else 0.
    pub raw_dlc: u8,
    /// Data, zero behind `len`.
    pub data: [u8; DATA_BYTES_MAX],
}

impl Frame {
    /// A data frame: classical up to 8 bytes, FD with bit rate switch above. At most 64 bytes are taken.
    pub fn data(time_us: TimeUs, channel: u16, id: CanId, bytes: &[u8]) -> Self {
        let len = bytes.len().min(DATA_BYTES_MAX);
        let mut data = [0; DATA_BYTES_MAX];
        data[..len].copy_from_slice(&bytes[..len]);
        let fd = len > 8;
        Self {
            time_us,
            channel,
            id,
            kind: if fd { Kind::Fd } else { Kind::Data },
            flags: if fd { FLAG_BRS } else { 0 },
            len: len as u8,
            raw_dlc: 0,
            data,
        }
    }

    /// The data bytes; none for a remote frame.
    pub fn bytes(&self) -> &[u8] {
        if self.kind == Kind::Remote { &[] } else { &self.data[..usize::from(self.len)] }
    }
}

impl fmt::Debug for Frame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}us ch{} {:?} {} [{}]", self.time_us, self.channel, self.kind, self.id, self.len)?;
        self.bytes().iter().try_for_each(|byte| write!(f, " {byte:02X}"))
    }
}
