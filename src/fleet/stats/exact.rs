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

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, wanted: f64, tolerance: f64) {
        assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted} within {tolerance}");
    }

    #[test]
    fn limits_are_those_of_the_printed_tables() {
        // F. Garwood 1936 at 95 % (printed tables from memory; each by the χ² formula).
        let table = [
            (0, 0.0, 3.6889),
            (1, 0.0253, 5.5716),
            (2, 0.2422, 7.2247),
            (3, 0.6187, 8.7673),
            (4, 1.0899, 10.2416),
            (5, 1.6235, 11.6683),
            (6, 2.2019, 13.0595),
            (7, 2.8144, 14.4227),
            (8, 3.4538, 15.7632),
            (9, 4.1154, 17.0848),
            (10, 4.7954, 18.3904),
            (15, 8.3954, 24.7402),
            (20, 12.2165, 30.8884),
            (30, 20.2409, 42.8269),
            (50, 37.1110, 65.9188),
            (100, 81.3640, 121.6268),
        ];
        for (count, lower, upper) in table {
            let limits = poisson_limits(count, 0.95);
            near(limits.0, lower, 5.1e-5);
            near(limits.1, upper, 5.1e-5);
        }
        // Prussian horse kicks, 196 deaths in 280 corps-years: the printed example of an R package.
        let (lower, upper) = poisson_limits(196, 0.95);
        near(lower / 280.0, 0.605_427_1, 6e-8);
        near(upper / 280.0, 0.805_157_0, 6e-8);
    }

    #[test]
    fn ratios_are_the_published_ones() {
        // Welsh nickel workers, 137 observed, 24.19893 expected: reference output of R's poisson.test.
        let (lower, upper) = ratio_limits(137, 24.19893, 0.95).unwrap();
        near(lower, 4.753_125, 6e-7);
        near(upper, 6.692_709, 6e-7);
        for (observed, expected, wanted) in
            [(4, 3.3, (0.3303, 3.1035)), (30, 20.0, (1.0120, 2.1413)), (0, 2.5, (0.0, 1.4756))]
        {
            let limits = ratio_limits(observed, expected, 0.95).unwrap();
            near(limits.0, wanted.0, 5.1e-5);
            near(limits.1, wanted.1, 5.1e-5);
        }
    }

    #[test]
    fn nothing_expected_gives_none_and_odd_levels_are_nine_tenths() {
        assert!(ratio_limits(3, 0.0, 0.9).is_none() && ratio_limits(3, f64::NAN, 0.9).is_none());
        assert_eq!(poisson_limits(3, 1.5), poisson_limits(3, 0.9));
        assert_eq!(poisson_limits(3, f64::NAN), poisson_limits(3, 0.9));
        let (lower, upper) = poisson_limits(2_000_000_000, 0.9);
        assert!(lower.is_finite() && lower < 2e9 && upper > 2e9 && upper.is_finite(), "{lower} {upper}");
    }
}
