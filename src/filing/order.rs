//! What the tables cannot give back by themselves: the order of frames that do not follow time.
//!
//! The tables' own order is by time, at one instant by table (messages by name, raw last), within a table as the frames
//! came. A frame that stands behind one which that order puts later is *late*; its position is kept.

use crate::defs::Definitions;
use crate::frame::{CanId, Meta, TimeUs};

/// Rank of each message's table at one instant, and of the raw table, which is the last.
pub(crate) fn ranks(defs: &Definitions) -> Vec<u32> {
    let mut names: Vec<usize> = (0..defs.messages.len()).collect();
    names.sort_by(|a, b| defs.messages[*a].name.cmp(&defs.messages[*b].name));
    let mut ranks = vec![0; defs.messages.len() + 1];
    for (rank, message) in names.into_iter().enumerate() {
        ranks[message] = rank as u32;
    }
    ranks[defs.messages.len()] = defs.messages.len() as u32;
    ranks
}

/// A late frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Late {
    /// Position among the vehicle's frames of the capture.
    pub(crate) position: u64,
    /// Its time.
    pub(crate) time_us: TimeUs,
    /// Rank of its table.
    pub(crate) rank: u32,
}

/// Watches one vehicle's frames go by.
#[derive(Debug, Clone)]
pub(crate) struct OrderWatch {
    highest: (TimeUs, u32),
    /// Frames so far.
    pub(crate) frames: u64,
    /// A running hash over the frames in their order.
    hash: u64,
    /// A sum over the frames, whatever their order.
    sum: u64,
    /// Late frames, by position.
    pub(crate) late: Vec<Late>,
}

impl Default for OrderWatch {
    fn default() -> Self {
        Self { highest: (TimeUs::MIN, 0), frames: 0, hash: 0, sum: 0, late: Vec::new() }
    }
}

impl OrderWatch {
    /// The next frame. `bus` tells its bus, whatever the channel's number.
    #[inline]
    pub(crate) fn frame(&mut self, time_us: TimeUs, rank: u32, id: CanId, meta: Meta, bus: u64, data: &[u8]) {
        let word = crate::frame::word_of(data);
        self.word(time_us, rank, id, meta, bus, word);
        let mut place = 0;
        for more in data.chunks(8).skip(1) {
            let more = crate::frame::word_of(more);
            self.mix(more);
            place += 1;
            self.sum = self.sum.wrapping_add(scattered(more ^ (time_us as u64).rotate_left(place)));
        }
    }

    /// The next frame, of up to 8 bytes.
    #[inline]
    pub(crate) fn word(&mut self, time_us: TimeUs, rank: u32, id: CanId, meta: Meta, bus: u64, word: u64) {
        let key = (time_us, rank);
        if key < self.highest {
            self.late.push(Late { position: self.frames, time_us, rank });
        } else {
            self.highest = key;
        }
        self.frames += 1;
        // Multiplications by odd constants that do not wait for each other; then one step that does.
        let head = u64::from(id.0) | u64::from(meta.marks) << 32 | u64::from(meta.len) << 40 | bus << 48;
        let mixed = (time_us as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)
            ^ word.wrapping_mul(0xC2B2_AE3D_27D4_EB4F)
            ^ head.wrapping_mul(0x1656_67B1_9E37_79F9);
        self.mix(mixed);
        self.sum = self.sum.wrapping_add(scattered(mixed));
    }

    #[inline]
    fn mix(&mut self, value: u64) {
        self.hash = (self.hash.rotate_left(23) ^ value).wrapping_mul(0x2545_F491_4F6C_DD1D);
    }

    /// The sum over all frames so far: that of two captures together is the sum of theirs.
    pub(crate) fn sum(&self) -> u64 {
        self.sum
    }

    /// The hash over all frames so far.
    pub(crate) fn hash(&self) -> String {
        format!("{:016x}", self.hash ^ self.hash >> 32)
    }
}

/// Spreads every bit over the whole word, so that sums of different frames differ.
#[inline]
fn scattered(value: u64) -> u64 {
    let value = (value ^ value >> 32).wrapping_mul(0xD6E8_FEB8_6659_FD93);
    value ^ value >> 32
}
