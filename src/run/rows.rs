//! What comes out: a row for each run, a row for each event.

use crate::frame::TimeUs;

/// Why a run is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ended {
    /// Not in use for so long as the rules say.
    OutOfUse,
    /// No frame for longer than the rules' `gap`.
    Silence,
    /// The recording's clock stepped back.
    ClockStep,
    /// The recording ended; the run may have gone on.
    EndOfRecording,
}

/// Why everything starts afresh.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CutReason {
    /// No frame for longer than the rules' `gap`.
    Silence,
    /// The recording's clock stepped back.
    ClockStep,
    /// The recording ended.
    EndOfRecording,
}

impl From<CutReason> for Ended {
    fn from(reason: CutReason) -> Self {
        match reason {
            CutReason::Silence => Self::Silence,
            CutReason::ClockStep => Self::ClockStep,
            CutReason::EndOfRecording => Self::EndOfRecording,
        }
    }
}

/// What a counter came to over one run, in the counter's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CounterValue {
    /// Of `mean`, `integral`, `time` (s) and `distance` (km).
    Number(f64),
    /// Of `count`.
    Count(u64),
    /// Of `growth`.
    Growth {
        /// How much it grew.
        amount: f64,
        /// How often it began anew.
        resets: u64,
    },
    /// Of `peak` and `low`.
    Extreme {
        /// The value.
        value: f64,
        /// When it had been held long enough, the first time.
        at_us: TimeUs,
    },
}

/// One run.
#[derive(Debug, Clone, PartialEq)]
pub struct RunRow {
    /// When use began.
    pub start_us: TimeUs,
    /// When use ended; where it had not, the last frame.
    pub end_us: TimeUs,
    /// Why it is over.
    pub ended_by: Ended,
    /// In the order of the rules' counters; none where what a counter rests on was never known during the run.
    pub values: Vec<Option<CounterValue>>,
    /// Occurrences that are counted but have no event, because the run had more than [`super::EVENTS_MAX`].
    pub events_left_out: u64,
}

/// One occurrence that was counted.
#[derive(Debug, Clone, PartialEq)]
pub struct EventRow {
    /// When it was counted.
    pub time_us: TimeUs,
    /// When the condition ceased; none where it had not when the run ended, and for growth.
    pub end_us: Option<TimeUs>,
    /// Start of its run, which names the run.
    pub run_start_us: TimeUs,
    /// Index among the rules' counters.
    pub counter: usize,
    /// 1, or how much a counter grew, in its unit.
    pub amount: f64,
    /// Degrees, where the position was known at that time.
    pub latitude: Option<f64>,
    /// Degrees, where the position was known at that time.
    pub longitude: Option<f64>,
    /// Values of the counter's `keep`, in its order, as they stood: flags 0 and 1, labels their raw value. None where
    /// there was no value, or none to be believed.
    pub kept: Vec<Option<f64>>,
}
