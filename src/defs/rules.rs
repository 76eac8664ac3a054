//! Run rules as used: references resolved, conditions in an order in which each needs only earlier ones.

use super::{Side, SignalRef};

/// What a run is and what is counted over it.
#[derive(Debug, Clone)]
pub struct Rules {
    /// Index of the condition that is true while the vehicle is in use.
    pub in_use: usize,
    /// So long not in use ends a run, µs.
    pub ends_after_us: i64,
    /// So long without a frame ends a run, µs.
    pub gap_us: i64,
    /// Shorter runs are dropped, µs.
    pub shortest_us: i64,
    /// Where kilometres come from.
    pub distance: Option<Distance>,
    /// Latitude and longitude.
    pub position: Option<(SignalRef, SignalRef)>,
    /// Conditions; terms refer to earlier ones only.
    pub conditions: Vec<Condition>,
    /// Counters, in the order of their columns.
    pub counters: Vec<Counter>,
}

/// Where kilometres come from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Distance {
    /// A speed, integrated over time; kilometres per unit and second.
    Speed(SignalRef, f64),
    /// An odometer, by its growth; kilometres per unit.
    Odometer(SignalRef, f64),
}

/// Something that is true for a while.
#[derive(Debug, Clone)]
pub struct Condition {
    /// Its name.
    pub name: String,
    /// Whether every term is asked for, or one.
    pub all: bool,
    /// What it rests on.
    pub terms: Vec<Term>,
    /// When it comes true and ceases.
    pub timing: Timing,
    /// One sentence, or nothing.
    pub about: String,
}

/// Delays of a condition or a term.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Timing {
    /// True only once it has held so long, µs.
    pub holds_us: i64,
    /// Stays true so long after it has ceased, µs.
    pub lingers_us: i64,
}

/// One term of a condition.
#[derive(Debug, Clone)]
pub struct Term {
    /// What is tested.
    pub test: Test,
    /// When it comes true and ceases.
    pub timing: Timing,
}

/// What a term tests. Values are physical; flags are 0 and 1, labels their raw values.
#[derive(Debug, Clone, PartialEq)]
pub enum Test {
    /// Goes above `enter`, is over when below `leave`.
    Above {
        /// The signal.
        signal: SignalRef,
        /// True above it.
        enter: f64,
        /// Over below it.
        leave: f64,
    },
    /// Goes below `enter`, is over when above `leave`.
    Below {
        /// The signal.
        signal: SignalRef,
        /// True below it.
        enter: f64,
        /// Over above it.
        leave: f64,
    },
    /// Equals one of the values (`wanted`), or none of them.
    OneOf {
        /// The signal.
        signal: SignalRef,
        /// The values.
        values: Vec<f64>,
        /// Whether it should equal one, or none.
        wanted: bool,
    },
    /// Its frames arrive without a value.
    Missing {
        /// The signal.
        signal: SignalRef,
    },
    /// Another condition stands so.
    Stands {
        /// Index of the condition.
        condition: usize,
        /// True or false.
        wanted: bool,
    },
}

impl Test {
    /// The signal it looks at, if it looks at one.
    pub fn signal(&self) -> Option<SignalRef> {
        match self {
            Self::Above { signal, .. } | Self::Below { signal, .. } | Self::OneOf { signal, .. } => Some(*signal),
            Self::Missing { signal } => Some(*signal),
            Self::Stands { .. } => None,
        }
    }
}

/// Something counted over a run.
#[derive(Debug, Clone)]
pub struct Counter {
    /// Its column.
    pub name: String,
    /// What is counted.
    pub kind: CounterKind,
    /// Counts only while this condition is true.
    pub gate: Option<usize>,
    /// Signals kept with each event.
    pub keep: Vec<SignalRef>,
    /// Heading in the table of runs.
    pub heading: Option<String>,
    /// UCUM code of its column.
    pub unit: String,
    /// One sentence, or nothing.
    pub about: String,
}

/// Kinds of counter.
#[derive(Debug, Clone, PartialEq)]
pub enum CounterKind {
    /// Times a condition becomes true.
    Count {
        /// Index of the condition.
        condition: usize,
        /// Only after so long untrue, µs.
        rearm_us: i64,
        /// Kind of special work and metres: not there.
        unless_within: Vec<(String, f64)>,
        /// Kind of special work and metres: only there; empty: everywhere.
        within: Vec<(String, f64)>,
    },
    /// Growth of a module's own counter.
    Growth {
        /// The counter.
        signal: SignalRef,
        /// Most it grows between two frames, in raw steps.
        step_max: u64,
    },
    /// Highest or lowest value held.
    Extreme {
        /// The signal.
        signal: SignalRef,
        /// Highest, or lowest.
        highest: bool,
        /// How long it must be held, µs.
        held_us: i64,
    },
    /// Mean over time.
    Mean {
        /// The signal.
        signal: SignalRef,
    },
    /// Integral over time of a signal or a product of two.
    Integral {
        /// First factor.
        signal: SignalRef,
        /// Second factor.
        times: Option<SignalRef>,
        /// Which part.
        side: Side,
        /// Result per product and second.
        factor: f64,
    },
    /// Seconds a condition is true.
    Time {
        /// Index of the condition.
        condition: usize,
    },
    /// Kilometres while a condition is true; none: all of the run's.
    Distance {
        /// Index of the condition.
        condition: Option<usize>,
    },
}
