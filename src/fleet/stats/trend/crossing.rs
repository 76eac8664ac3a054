//! When a trend reaches a limit.

/// When a trend reaches a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crossing {
    /// It is expected there.
    At {
        /// Earliest `x` that the readings allow.
        earliest: f64,
        /// The expected one.
        expected: f64,
        /// The latest; `None` when they allow that it never comes.
        latest: Option<f64>,
    },
    /// The trend does not lead there.
    Never,
    /// The trend is already beyond it at the last reading.
    Already,
    /// Too few readings to say.
    Unknown,
}

/// Which side of a limit is the good one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Good {
    /// Above it: light, insulation.
    Above,
    /// Below it: wear, resistance.
    Below,
}

/// When the readings cross `limit`. The good side is taken to be the one on which they begin.
pub fn crossing(x: &[f64], y: &[f64], limit: f64, level: f64) -> Crossing {
    // Follows.
    let _ = (x, y, limit, level);
    Crossing::Unknown
}

/// When the readings leave the good side of `limit`.
pub fn crossing_from(x: &[f64], y: &[f64], limit: f64, good: Good, level: f64) -> Crossing {
    let _ = (x, y, limit, good, level);
    Crossing::Unknown
}
