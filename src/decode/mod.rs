//! Decoding by columns: many frames of one message in, a column of values per signal out.
//!
//! Pure. Does not know where frames come from or where columns go. What the values cannot give back is set apart, so
//! that the frames can be rebuilt bit for bit; [`rebuild`](mod@rebuild) is the way back.

mod columns;
pub mod rebuild;
mod router;

pub use columns::{Columns, Valued, Values, decode};
pub use router::{Route, Router};

use crate::defs::{Matching, Message};
use crate::frame::{CanId, DATA_BYTES_MAX, FLAG_BRS, Kind, Meta, TimeUs};
use crate::j1939;

/// Frames of one message, a column each; all of one vehicle.
#[derive(Debug, Default, Clone)]
pub struct MessageFrames {
    /// Receive times.
    pub time_us: Vec<TimeUs>,
    /// Identifiers, of messages whose identifier varies; else empty.
    pub id: Vec<CanId>,
    /// Channel, kind, length.
    pub meta: Vec<Meta>,
    /// Data of up to 8 bytes, byte 1 lightest, zero behind the length; of longer frames the place in `long`.
    pub word: Vec<u64>,
    /// Data of frames longer than 8 bytes.
    pub long: Vec<[u8; DATA_BYTES_MAX]>,
}

impl MessageFrames {
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
        self.word.clear();
        self.long.clear();
    }

    /// The payload of frame `row`, zero behind its length.
    pub fn payload(&self, row: usize) -> [u8; DATA_BYTES_MAX] {
        if self.meta[row].len > 8 {
            self.long[self.word[row] as usize]
        } else {
            let mut data = [0; DATA_BYTES_MAX];
            data[..8].copy_from_slice(&self.word[row].to_le_bytes());
            data
        }
    }
}

/// What is ordinary for frames of a message, and need not be stored.
#[derive(Debug, Clone, Copy)]
pub struct Ordinary {
    /// Kind, flags and length; the channel is 0.
    pub meta: Meta,
    /// Identifier; of a J1939 group from any source, that of source 0.
    pub id: CanId,
    /// What bits without a signal hold.
    pub fill: u8,
}

impl Ordinary {
    /// What is ordinary for `message`.
    pub fn of(message: &Message) -> Self {
        let meta = if message.is_fd() {
            Meta::new(0, Kind::Fd, FLAG_BRS, message.length, 0)
        } else {
            Meta::data(0, message.length)
        };
        let id = match message.matching {
            Matching::Exactly(id) => id,
            Matching::Group { pgn, source } => j1939::identifier(j1939::PRIORITY, pgn, source.unwrap_or(0)),
        };
        Self { meta, id, fill: message.fill }
    }

    /// The ordinary identifier with the source address of `id`.
    pub fn id_from(self, id: CanId) -> CanId {
        CanId(self.id.0 & !0xFF | id.0 & 0xFF)
    }

    /// Whether kind, flags and length are as ever.
    pub fn is_meta(self, meta: Meta) -> bool {
        meta.len == self.meta.len && meta.marks == self.meta.marks
    }
}
