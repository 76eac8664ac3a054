//! Three-valued logic, tests of a value, and delays.
//!
//! Pure. Does not know which conditions there are.

use super::value::{State, Value};
use crate::frame::TimeUs;

/// A time that never comes.
pub(super) const NEVER: TimeUs = TimeUs::MAX;

/// True, false, or not known (Kleene's strong logic).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tri {
    False,
    Unknown,
    True,
}

impl Tri {
    pub(super) fn of(truth: bool) -> Self {
        if truth { Self::True } else { Self::False }
    }

    /// Whether it is what is wanted; not known stays not known.
    pub(super) fn stands(self, wanted: bool) -> Self {
        match (self, wanted) {
            (Self::Unknown, _) => Self::Unknown,
            (truth, true) => truth,
            (Self::True, false) => Self::False,
            (Self::False, false) => Self::True,
        }
    }

    pub(super) fn is_true(self) -> bool {
        self == Self::True
    }

    pub(super) fn is_known(self) -> bool {
        self != Self::Unknown
    }
}

/// All of them (the least), or any (the greatest): with false < unknown < true that is Kleene's logic.
pub(super) fn combined(all: bool, truths: impl Iterator<Item = Tri>) -> Tri {
    if all {
        truths.min_by_key(|truth| *truth as u8).unwrap_or(Tri::True)
    } else {
        truths.max_by_key(|truth| *truth as u8).unwrap_or(Tri::False)
    }
}

/// What a term tests, as used.
#[derive(Debug, Clone)]
pub(super) enum Check {
    /// Above `enter` until below `leave`.
    Above { enter: f64, leave: f64 },
    /// Below `enter` until above `leave`.
    Below { enter: f64, leave: f64 },
    /// Within one of the ranges, or in none.
    OneOf { ranges: Box<[(f64, f64)]>, wanted: bool },
    /// Said to be no value.
    Missing,
    /// Another condition's truth; set from there.
    Stands { wanted: bool },
}

impl Check {
    /// The test's truth; `latch` remembers that a threshold was passed and is forgotten with the value.
    #[inline]
    pub(super) fn of(&self, value: &Value, latch: &mut bool) -> Tri {
        if let Self::Missing = self {
            return match value.state {
                State::Unknown => Tri::Unknown,
                State::Short | State::Absent => Tri::True,
                State::Doubtful | State::Known => Tri::False,
            };
        }
        let Some(v) = value.known() else {
            *latch = false;
            return Tri::Unknown;
        };
        match self {
            Self::Above { enter, leave } => {
                *latch = if *latch { v >= *leave } else { v > *enter };
                Tri::of(*latch)
            }
            Self::Below { enter, leave } => {
                *latch = if *latch { v <= *leave } else { v < *enter };
                Tri::of(*latch)
            }
            Self::OneOf { ranges, wanted } => {
                Tri::of(ranges.iter().any(|(low, high)| *low <= v && v <= *high) == *wanted)
            }
            Self::Missing | Self::Stands { .. } => Tri::Unknown,
        }
    }
}

/// `for` and `lingers`: a truth that comes late and goes late.
#[derive(Debug, Clone)]
pub(super) struct Delay {
    holds_us: i64,
    lingers_us: i64,
    input: Tri,
    held: Tri,
    hold_due: TimeUs,
    linger_due: TimeUs,
}

impl Delay {
    pub(super) fn new(holds_us: i64, lingers_us: i64) -> Self {
        let input = Tri::Unknown;
        Self { holds_us, lingers_us, input, held: input, hold_due: NEVER, linger_due: NEVER }
    }

    /// Forgets everything.
    pub(super) fn reset(&mut self) {
        *self = Self::new(self.holds_us, self.lingers_us);
    }

    /// The truth after both delays. Before `for` is over it is false, for it is known not to have held so long.
    #[inline]
    pub(super) fn truth(&self) -> Tri {
        if self.linger_due != NEVER { Tri::True } else { self.held }
    }

    /// Whether this is what goes in already.
    #[inline]
    pub(super) fn says(&self, input: Tri) -> bool {
        self.input == input
    }

    /// When [`Self::fire`] has something to do.
    #[inline]
    pub(super) fn due(&self) -> TimeUs {
        self.hold_due.min(self.linger_due)
    }

    /// What goes in changes. What is due at this very instant waits for [`Self::fire`]: an instant's frames come first.
    #[inline]
    pub(super) fn set(&mut self, now: TimeUs, input: Tri) {
        if input == self.input {
            return;
        }
        self.input = input;
        if input.is_true() && self.holds_us > 0 {
            self.hold_due = now.saturating_add(self.holds_us);
            self.hold(now, Tri::False);
        } else {
            self.hold_due = NEVER;
            self.hold(now, input);
        }
    }

    fn hold(&mut self, now: TimeUs, held: Tri) {
        if held.is_true() {
            self.linger_due = NEVER;
        } else if self.held.is_true() && self.lingers_us > 0 {
            self.linger_due = now.saturating_add(self.lingers_us);
        }
        self.held = held;
    }

    /// Does what is due.
    pub(super) fn fire(&mut self, now: TimeUs) {
        if self.hold_due <= now {
            self.hold_due = NEVER;
            self.hold(now, Tri::True);
        }
        if self.linger_due <= now {
            self.linger_due = NEVER;
        }
    }
}
