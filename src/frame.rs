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

impl Kind {
    /// Of a classical frame, by the marks of its identifier. Both on one frame: the error is what counts.
    pub const fn of_classical(id: CanId) -> Self {
        if id.0 & CanId::ERROR != 0 {
            Self::Error
        } else if id.0 & CanId::REMOTE != 0 {
            Self::Remote
        } else {
            Self::Data
        }
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

/// What a frame is besides time, identifier and data, in four bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Meta {
    /// Interface index within the source.
    pub channel: u16,
    /// Bits 0–1: kind; 2: BRS; 3: ESI; 4–7: raw DLC where it is kept.
    pub marks: u8,
    /// Number of data bytes; of a remote frame, the number asked for.
    pub len: u8,
}

impl Meta {
    /// An ordinary classical data frame.
    pub const fn data(channel: u16, len: u8) -> Self {
        Self { channel, marks: 0, len }
    }

    /// From a frame's parts. `raw_dlc` above 15 is cut to four bits.
    pub const fn new(channel: u16, kind: Kind, flags: u8, len: u8, raw_dlc: u8) -> Self {
        let kind = match kind {
            Kind::Data => 0,
            Kind::Remote => 1,
            Kind::Error => 2,
            Kind::Fd => 3,
        };
        Self { channel, marks: kind | (flags & 0x03) << 2 | raw_dlc << 4, len }
    }

    /// What kind of frame.
    pub const fn kind(self) -> Kind {
        match self.marks & 0x03 {
            0 => Kind::Data,
            1 => Kind::Remote,
            2 => Kind::Error,
            _ => Kind::Fd,
        }
    }

    /// `FLAG_BRS` and `FLAG_ESI`.
    pub const fn flags(self) -> u8 {
        self.marks >> 2 & 0x03
    }

    /// Length code 9 to 15 of a classical frame of 8 bytes, else 0.
    pub const fn raw_dlc(self) -> u8 {
        self.marks >> 4
    }
}

/// Many frames, a column each: what the hot path works on.
///
/// Row `i` is `time_us[i]`, `id[i]`, `meta[i]`, `data[i]`. Up to 8 data bytes lie in `data[i]`, byte 1 lightest, zero
/// behind the length; of a longer frame `data[i]` is its place in `long`.
#[derive(Debug, Default, Clone)]
pub struct FrameBlock {
    /// Receive times.
    pub time_us: Vec<TimeUs>,
    /// Identifiers with their flags.
    pub id: Vec<CanId>,
    /// Channel, kind, length.
    pub meta: Vec<Meta>,
    /// Data of up to 8 bytes, or the index into `long`.
    pub data: Vec<u64>,
    /// Data of frames longer than 8 bytes, zero behind the length.
    pub long: Vec<[u8; DATA_BYTES_MAX]>,
}

impl FrameBlock {
    /// An empty block with room for `frames`.
    pub fn with_capacity(frames: usize) -> Self {
        Self {
            time_us: Vec::with_capacity(frames),
            id: Vec::with_capacity(frames),
            meta: Vec::with_capacity(frames),
            data: Vec::with_capacity(frames),
            long: Vec::new(),
        }
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.time_us.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.time_us.is_empty()
    }

    /// Drops all frames and keeps the room.
    pub fn clear(&mut self) {
        self.time_us.clear();
        self.id.clear();
        self.meta.clear();
        self.data.clear();
        self.long.clear();
    }

    /// Appends a frame of up to 8 data bytes, given as its word (byte 1 lightest, zero behind `meta.len`).
    #[inline]
    pub fn push_short(&mut self, time_us: TimeUs, id: CanId, meta: Meta, word: u64) {
        self.time_us.push(time_us);
        self.id.push(id);
        self.meta.push(meta);
        self.data.push(word);
    }

    /// Appends a frame of more than 8 data bytes.
    pub fn push_long(&mut self, time_us: TimeUs, id: CanId, meta: Meta, bytes: &[u8]) {
        let mut data = [0; DATA_BYTES_MAX];
        let len = bytes.len().min(DATA_BYTES_MAX);
        data[..len].copy_from_slice(&bytes[..len]);
        self.push_short(time_us, id, meta, self.long.len() as u64);
        self.long.push(data);
    }

    /// Appends any frame.
    pub fn push(&mut self, frame: &Frame) {
        let meta = Meta::new(frame.channel, frame.kind, frame.flags, frame.len, frame.raw_dlc);
        if frame.len > 8 {
            self.push_long(frame.time_us, frame.id, meta, frame.bytes());
        } else {
            self.push_short(frame.time_us, frame.id, meta, word_of(frame.bytes()));
        }
    }

    /// The data bytes of frame `index`, written into `scratch` where they lie in the column.
    pub fn bytes<'a>(&'a self, index: usize, scratch: &'a mut [u8; 8]) -> &'a [u8] {
        let meta = self.meta[index];
        let len = usize::from(meta.len);
        if meta.kind() == Kind::Remote {
            &[]
        } else if len > 8 {
            &self.long[self.data[index] as usize][..len]
        } else {
            *scratch = self.data[index].to_le_bytes();
            &scratch[..len]
        }
    }

    /// Frame `index` as a value of its own.
    pub fn frame(&self, index: usize) -> Frame {
        let meta = self.meta[index];
        let mut data = [0; DATA_BYTES_MAX];
        if meta.len > 8 {
            data = self.long[self.data[index] as usize];
        } else {
            data[..8].copy_from_slice(&self.data[index].to_le_bytes());
        }
        Frame {
            time_us: self.time_us[index],
            channel: meta.channel,
            id: self.id[index],
            kind: meta.kind(),
            flags: meta.flags(),
            len: meta.len,
            raw_dlc: meta.raw_dlc(),
            data,
        }
    }
}

/// Up to 8 bytes as one word, byte 1 lightest, zero behind them.
#[inline]
pub fn word_of(bytes: &[u8]) -> u64 {
    let mut word = [0; 8];
    let len = bytes.len().min(8);
    word[..len].copy_from_slice(&bytes[..len]);
    u64::from_le_bytes(word)
}
