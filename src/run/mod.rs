//! Runs: one vehicle's frames, in the order of time, in; runs with their counters, and events, out.
//!
//! Pure. What counts is told in `signal-defs/README.md`, "Run rules". Does not know where frames come from, which
//! vehicle they are of, or how rows are stored.
//!
//! A value is in force from its frame until the next, or until it is stale: means and integrals hold it over that time
//! (steps, not trapezoids). A line between two frames would have to be drawn before the second is there, would
//! invent values that no module ever sent, and would make the result depend on a frame after the end of a run.

mod counters;
mod extreme;
mod growth;
mod place;
mod plan;
mod rows;
mod runs;
mod state;
mod truth;
mod value;

pub use place::{Place, haversine_m};
pub use rows::{CounterValue, CutReason, Ended, EventRow, RunRow};

use crate::defs::Definitions;
use crate::frame::{DATA_BYTES_MAX, TimeUs};
use plan::Plan;
use state::State;

/// Events of one run; a run with more is not a run but a condition that flickers. Further ones are counted only.
pub const EVENTS_MAX: usize = 100_000;

/// Follows one vehicle.
///
/// Tell it of every frame, in the order of time: by [`Self::frame`] or [`Self::long_frame`] where it
/// [wants](Self::wants) the message, else by [`Self::alive`]. The same frames give the same rows, however they are cut
/// into blocks and whenever rows are taken.
#[derive(Debug)]
pub struct Engine {
    plan: Plan,
    state: State,
}

impl Engine {
    /// An engine for a definition set's run rules; none where the set has none.
    pub fn new(defs: &Definitions, places: &[Place]) -> Option<Self> {
        let plan = Plan::new(defs, places)?;
        let state = State::new(&plan);
        Some(Self { plan, state })
    }

    /// Whether the rules look at a message.
    #[inline]
    pub fn wants(&self, message: usize) -> bool {
        self.plan.messages.get(message).is_some_and(|message| !message.streams.is_empty())
    }

    /// A frame of up to 8 bytes: byte 1 lightest, zero behind `len`.
    ///
    /// A time before that of the frame before it is taken for that one's; where the clock really stepped back, call
    /// [`Self::cut`] first.
    #[inline]
    pub fn frame(&mut self, time_us: TimeUs, message: usize, word: u64, len: u8) {
        let now = self.tell(time_us);
        self.state.short_frame(&self.plan, now, message, word, len);
    }

    /// A frame of up to 64 bytes, zero behind `len`.
    pub fn long_frame(&mut self, time_us: TimeUs, message: usize, data: &[u8; DATA_BYTES_MAX], len: u8) {
        let now = self.tell(time_us);
        self.state.long_frame(&self.plan, now, message, data, len);
    }

    /// Some frame was there. Keeps a run going over the rules' `gap`, and lets what is due happen.
    ///
    /// Calls may be left out where the frames told of lie within `gap` of each other all the same; the last frame
    /// before a cut has to be told of, for a run that is open ends with it.
    #[inline]
    pub fn alive(&mut self, time_us: TimeUs) {
        self.tell(time_us);
    }

    /// Ends the run that is open, and forgets everything but the rows.
    ///
    /// The engine sees a silence longer than `gap` by itself, with the next frame. [`CutReason::Silence`] is for who
    /// knows of it earlier.
    pub fn cut(&mut self, reason: CutReason) {
        self.state.cut(&self.plan, reason);
    }

    /// Runs that ended since the last call, in the order of time. Those too short are not among them.
    pub fn take_runs(&mut self) -> Vec<RunRow> {
        std::mem::take(&mut self.state.runs)
    }

    /// Events of the runs that ended since the last call, by run and time.
    pub fn take_events(&mut self) -> Vec<EventRow> {
        std::mem::take(&mut self.state.events)
    }

    /// Start of the run that is open, if there is one.
    pub fn open_run(&self) -> Option<TimeUs> {
        self.state.run.as_ref().map(runs::Run::start_us)
    }

    /// The common way costs one comparison.
    #[inline]
    fn tell(&mut self, time_us: TimeUs) -> TimeUs {
        let now = time_us.max(self.state.last_us);
        if now > self.state.next_due {
            self.time_passes(now);
        }
        self.state.last_us = now;
        now
    }

    #[cold]
    fn time_passes(&mut self, now: TimeUs) {
        let Self { plan, state } = self;
        if state.told && now.saturating_sub(state.last_us) > plan.gap_us {
            state.cut(plan, CutReason::Silence);
        }
        if state.told {
            state.catch_up(plan, now.saturating_sub(1));
        } else {
            (state.told, state.next_due) = (true, TimeUs::MAX);
        }
        state.next_due = state.next_due.min(now.saturating_add(plan.gap_us));
    }
}

#[cfg(test)]
mod tests;
