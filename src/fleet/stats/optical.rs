//! Optical power, as a link's receiver sees it.

/// Decibels over one milliwatt. Input: µW. `None` for no power, and for what is no number: a trend cannot take it.
pub fn dbm(microwatts: f64) -> Option<f64> {
    (microwatts.is_finite() && microwatts > 0.0).then(|| 10.0 * (microwatts / 1000.0).log10())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_milliwatt_is_zero() {
        // By definition: 10·log₁₀(P / 1 mW).
        let table = [(120.0, -9.2082), (100.0, -10.0), (40.0, -13.9794), (20.0, -16.9897), (1.0, -30.0), (1000.0, 0.0)];
        for (microwatts, wanted) in table {
            assert!((dbm(microwatts).unwrap() - wanted).abs() < 5.1e-5);
        }
        assert!((dbm(120.0).unwrap() - dbm(40.0).unwrap() - 4.7712).abs() < 5.1e-5);
        assert!([0.0, -3.0, f64::NAN, f64::INFINITY].into_iter().all(|power| dbm(power).is_none()));
    }
}
