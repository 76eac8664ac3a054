//! Exact limits of a Poisson count, and of observed over expected.
//!
//! F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437–442.

use statrs::distribution::{ChiSquared, ContinuousCDF};

/// Limits that hold the mean behind `count` with probability `level` at least: `(lower, upper)`.
///
/// A `level` outside 0 to 1 is taken as 0.9.
pub fn poisson_limits(count: u64, level: f64) -> (f64, f64) {
    let level = sound_level(level);
    let outside = (1.0 - level) / 2.0;
    let half_chi_squared = |degrees: f64, p: f64| ChiSquared::new(degrees).map_or(0.0, |chi| chi.inverse_cdf(p) / 2.0);
    let twice = 2.0 * count as f64;
    let lower = if count == 0 { 0.0 } else { half_chi_squared(twice, outside) };
    (lower, half_chi_squared(twice + 2.0, 1.0 - outside))
}

/// Limits of observed over expected. `None` when nothing was expected.
pub fn ratio_limits(observed: u64, expected: f64, level: f64) -> Option<(f64, f64)> {
    if !expected.is_finite() || expected <= 0.0 {
        return None;
    }
    let (lower, upper) = poisson_limits(observed, level);
    Some((lower / expected, upper / expected)).filter(|(_, upper)| upper.is_finite())
}

/// `level`, or 0.9 where it is no probability that an interval can have.
pub(super) fn sound_level(level: f64) -> f64 {
    if level > 0.0 && level < 1.0 { level } else { 0.9 }
}
