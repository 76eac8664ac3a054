//! Theil–Sen slope with its interval.
//!
//! P.K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63 (1968) 1379–1389.

use statrs::distribution::{ContinuousCDF, Normal};

use super::super::exact::sound_level;
use super::mann_kendall::score_variance;

/// A robust straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Units of `y` for one of `x`.
    pub slope: f64,
    /// Height at `x` = 0: the median of what the slope leaves.
    pub intercept: f64,
    /// Lower end of the slope's interval. Of 3 readings no interval holds more than two thirds.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// More points are first gathered into this many blocks, by medians: slopes of all pairs would fill the memory.
const POINTS_MAX: usize = 1500;

/// Median of the slopes between all pairs of points. `None` for fewer than 3 points, columns of different length,
/// fewer than 2 different `x`, or what is no number.
pub fn theil_sen(x: &[f64], y: &[f64], level: f64) -> Option<Slope> {
    let points = points(x, y, POINTS_MAX)?;
    let mut slopes = vec![];
    for (index, (x0, y0)) in points.iter().enumerate() {
        slopes.extend(points[index + 1..].iter().filter(|(x1, _)| x1 > x0).map(|(x1, y1)| (y1 - y0) / (x1 - x0)));
    }
    if slopes.is_empty() || slopes.iter().any(|slope| !slope.is_finite()) {
        return None;
    }
    slopes.sort_by(f64::total_cmp);
    let slope = median_sorted(&slopes)?;
    let mut left: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    let (below, above) = ranks(&points, slopes.len(), sound_level(level));
    let fit = Slope { slope, intercept: median(&mut left)?, low: slopes[below], high: slopes[above] };
    fit.intercept.is_finite().then_some(fit)
}

/// Which of the sorted slopes are the ends of the interval: Sen's, by the normal approximation of Kendall's score.
fn ranks(points: &[(f64, f64)], slopes: usize, level: f64) -> (usize, usize) {
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let reach = Normal::standard().inverse_cdf((1.0 + level) / 2.0) * score_variance(&x, &y).sqrt();
    let below = (((slopes as f64 - reach) / 2.0).round().max(1.0) as usize).saturating_sub(1).min((slopes - 1) / 2);
    (below, slopes - 1 - below)
}

/// Points in the order of `x`, at most so many.
pub(super) fn points(x: &[f64], y: &[f64], most: usize) -> Option<Vec<(f64, f64)>> {
    if x.len() < 3 || x.len() != y.len() || x.iter().chain(y).any(|value| !value.is_finite()) {
        return None;
    }
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    if points.len() <= most {
        return Some(points);
    }
    let size = points.len().div_ceil(most);
    let block = |block: &[(f64, f64)]| {
        let x = block.iter().map(|(x, _)| x).sum::<f64>() / block.len() as f64;
        Some((x, median(&mut block.iter().map(|(_, y)| *y).collect::<Vec<_>>())?))
    };
    points.chunks(size).map(block).collect()
}

/// The median. `None` of nothing.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    median_sorted(values)
}

fn median_sorted(values: &[f64]) -> Option<f64> {
    let upper = *values.get(values.len() / 2)?;
    Some(if values.len() % 2 == 1 { upper } else { f64::midpoint(values[values.len() / 2 - 1], upper) })
}
