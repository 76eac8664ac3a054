//! Wire lengths of one message's frames, measured one by one at first and one in seventeen later.
//!
//! Stuff bits depend on every bit of a frame, and counting them costs more than decoding it. Over thousands of frames of
//! one layout every seventeenth tells the mean as well as all of them: the load of a busy hour is off by less than a
//! thousandth of itself. Up to [`MEASURED_FRAMES`] frames of a message, load is exact.

use super::Heard;
use crate::frame::Meta;
use crate::wire::{Memo, WireBits};

/// Frames of a message that are measured before a part of them stands for the rest: about a minute of a busy one.
pub(super) const MEASURED_FRAMES: u32 = 4096;
/// From then on, one frame in so many is measured, and its length taken for those up to the next. A prime, so that
/// rolling counters of a few bits come to all their values among the measured ones.
const MEASURED_ONE_IN: u32 = 17;

/// What is remembered of a message.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Lengths {
    last: WireBits,
    /// Of the frame that was measured last.
    last_meta: Option<Meta>,
    /// Frames for which its length stands.
    stands_for: u32,
    measured: u32,
    memo: Memo,
}

impl Lengths {
    /// The length of the message's next frame, where another one stands for it.
    #[inline]
    pub(super) fn by_another(&mut self, meta: Meta) -> Option<WireBits> {
        let stands = self.stands_for > 0 && self.last_meta == Some(meta);
        self.stands_for -= u32::from(stands);
        stands.then_some(self.last)
    }

    /// The length of the message's next frame.
    #[inline]
    pub(super) fn of(&mut self, heard: &Heard<'_>) -> WireBits {
        if let Some(bits) = self.by_another(heard.meta) {
            return bits;
        }
        self.last = self.memo.wire_bits(heard.id, heard.meta, heard.payload);
        self.last_meta = Some(heard.meta);
        let all = self.measured < MEASURED_FRAMES;
        self.measured += u32::from(all);
        self.stands_for = if all { 0 } else { MEASURED_ONE_IN - 1 };
        self.last
    }
}
