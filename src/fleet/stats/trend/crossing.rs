//! When a trend reaches a limit.
//!
//! The trend is the Theil–Sen line; its height amid the readings is Hodges and Lehmann's. The interval is E.C. Fieller's
//! (J. R. Statist. Soc. B 16 (1954) 175–185): all `x` at which the line may be at the limit.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::super::exact::sound_level;
use super::theil_sen::{median, points, theil_sen};

/// When a trend reaches a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crossing {
    /// It is expected there.
    At {
        /// Earliest `x` that the readings allow. May lie before the last reading.
        earliest: f64,
        /// The expected one, after the last reading.
        expected: f64,
        /// The latest; `None` when they allow that it never comes.
        latest: Option<f64>,
    },
    /// The trend does not lead there.
    Never,
    /// The trend is already at it, or beyond it, at the last reading.
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

/// Fewer readings than this show no trend with an interval.
const READINGS_MIN: usize = 4;
/// The most points: means of all pairs are looked at.
const POINTS_MAX: usize = 400;

/// When the readings cross `limit`, with an interval that holds the crossing of the true line with probability `level`.
///
/// The good side is taken to be the one on which the trend begins: whoever knows it asks [`crossing_from`].
pub fn crossing(x: &[f64], y: &[f64], limit: f64, level: f64) -> Crossing {
    let Some(line) = Line::new(x, y, limit, level) else { return Crossing::Unknown };
    line.crossing(if line.at(line.first) >= limit { Good::Above } else { Good::Below })
}

/// When the readings leave the good side of `limit`.
pub fn crossing_from(x: &[f64], y: &[f64], limit: f64, good: Good, level: f64) -> Crossing {
    Line::new(x, y, limit, level).map_or(Crossing::Unknown, |line| line.crossing(good))
}

/// A line about the middle of the readings, where its height and its slope know nothing of each other.
struct Line {
    limit: f64,
    first: f64,
    last: f64,
    middle: f64,
    height: f64,
    slope: f64,
    /// Half widths of the two intervals.
    height_reach: f64,
    slope_reach: f64,
}

impl Line {
    fn new(x: &[f64], y: &[f64], limit: f64, level: f64) -> Option<Self> {
        if x.len() < READINGS_MIN || !limit.is_finite() {
            return None;
        }
        let points = points(x, y, POINTS_MAX)?;
        let n = points.len() as f64;
        let x: Vec<f64> = points.iter().map(|(x, _)| *x).collect();
        let y: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
        let slope = theil_sen(&x, &y, level)?.slope;
        let middle = x.iter().sum::<f64>() / n;
        let spread: f64 = x.iter().map(|x| (x - middle) * (x - middle)).sum();
        let left: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - slope * (x - middle)).collect();
        let mut means = vec![];
        for (index, a) in left.iter().enumerate() {
            means.extend(left[index..].iter().map(|b| f64::midpoint(*a, *b)));
        }
        let height = median(&mut means)?;
        let scale = scale(&left, height);
        let t = StudentsT::new(0.0, 1.0, n - 2.0).ok()?.inverse_cdf((1.0 + sound_level(level)) / 2.0);
        // Both are 3/π as good as least squares where the scatter is normal, and better where it is not.
        let reach = t * scale / (3.0 / std::f64::consts::PI).sqrt();
        let line = Self {
            limit,
            first: *x.first()?,
            last: *x.last()?,
            middle,
            height,
            slope,
            height_reach: reach / n.sqrt(),
            slope_reach: reach / spread.sqrt(),
        };
        let numbers = [line.middle, line.height, line.slope, line.height_reach, line.slope_reach];
        numbers.iter().all(|value| value.is_finite()).then_some(line)
    }

    fn at(&self, x: f64) -> f64 {
        self.height + self.slope * (x - self.middle)
    }

    fn crossing(&self, good: Good) -> Crossing {
        // As if the good side were above: distance to go, and how fast it goes.
        let sign = if good == Good::Above { 1.0 } else { -1.0 };
        if sign * (self.at(self.last) - self.limit) <= 0.0 {
            return Crossing::Already;
        }
        let away = sign * (self.height - self.limit);
        let fall = -sign * self.slope;
        if fall <= 0.0 {
            return Crossing::Never;
        }
        let expected = self.middle + away / fall;
        // (away − fall·t)² ≤ reach² (1/n + t²/spread): a quadratic in t.
        let a = fall * fall - self.slope_reach * self.slope_reach;
        let b = away * fall;
        let c = away * away - self.height_reach * self.height_reach;
        let root = (b * b - a * c).max(0.0).sqrt();
        // Stable forms: b is positive after the last reading, and c/(b + root) does not cancel.
        let earliest = self.middle + c / (b + root);
        let latest = (a > 0.0).then(|| self.middle + (b + root) / a);
        if !expected.is_finite() || !earliest.is_finite() || b <= 0.0 {
            return Crossing::Unknown;
        }
        Crossing::At {
            earliest: earliest.min(expected),
            expected,
            latest: latest.filter(|latest| latest.is_finite()).map(|latest| latest.max(expected)),
        }
    }
}

/// Standard deviation about the line: of what is left, with what lies beyond three robust standard deviations pulled in.
/// Few readings need every one.
fn scale(left: &[f64], height: f64) -> f64 {
    let n = left.len() as f64;
    let mut sizes: Vec<f64> = left.iter().map(|r| (r - height).abs()).collect();
    sizes.sort_by(f64::total_cmp);
    // With few readings the middle size is too small: two parameters were fitted to them.
    let robust = sizes[sizes.len() / 2] / 0.674_489_750_196_081_7 * (n / (n - 2.0)).sqrt();
    let reach = if robust > 0.0 && left.len() >= 10 { 3.0 * robust } else { f64::INFINITY };
    (sizes.iter().map(|r| r.min(reach).powi(2)).sum::<f64>() / (n - 2.0)).sqrt()
}
