//! Wire lengths of one message's frames, measured one by one at first and one in four later.
//!
//! Stuff bits depend on every bit of a frame, and counting them costs more than decoding it. Over thousands of frames of
//! one layout every fourth tells the mean as well as all of them: the load of a busy hour is off by less than a
//! thousandth of itself. Up to [`MEASURED_FRAMES`] frames of a message, load is exact.

use super::Heard;
use crate::frame::Meta;
use crate::wire::{Memo, WireBits};

/// Frames of a message that are measured before a part of them stands for the rest: about a minute of a busy one.
pub(super) const MEASURED_FRAMES: u32 = 4096;
/// From then on, one frame in so many is measured, and its length taken for those up to the next.
const MEASURED_ONE_IN: u32 = 4;

/// What is remembered of a message.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Lengths {
    frames: u32,
    memo: Memo,
    last: WireBits,
    last_meta: Option<Meta>,
}

impl Lengths {
    /// The length of the message's next frame.
    #[inline]
    pub(super) fn of(&mut self, heard: &Heard<'_>) -> WireBits {
        self.frames = self.frames.wrapping_add(1);
        let stands_for_others = self.frames > MEASURED_FRAMES && !self.frames.is_multiple_of(MEASURED_ONE_IN);
        if stands_for_others && self.last_meta == Some(heard.meta) {
            return self.last;
        }
        self.last = self.memo.wire_bits(heard.id, heard.meta, heard.payload);
        self.last_meta = Some(heard.meta);
        self.last
    }
}
