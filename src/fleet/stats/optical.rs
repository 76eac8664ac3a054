//! Optical power, as a link's receiver sees it.

/// Decibels over one milliwatt. Input: µW. `None` for no power, and for what is no number: a trend cannot take it.
pub fn dbm(microwatts: f64) -> Option<f64> {
    (microwatts.is_finite() && microwatts > 0.0).then(|| 10.0 * (microwatts / 1000.0).log10())
}
