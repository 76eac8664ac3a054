//! Theil–Sen slope with its interval.
//!
//! P.K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63 (1968) 1379–1389.

use statrs::distribution::{ContinuousCDF, Normal};

use super::super::exact::sound_level;
use super::mann_kendall::{exact_counts, score_variance};

/// A robust straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Units of `y` for one of `x`.
    pub slope: f64,
    /// Height at `x` = 0: the median of what the slope leaves.
    pub intercept: f64,
    /// Lower end of the slope's interval.
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

/// Which of the sorted slopes are the ends of the interval.
fn ranks(points: &[(f64, f64)], slopes: usize, level: f64) -> (usize, usize) {
    let n = points.len();
    let tied = slopes < n * (n - 1) / 2 || {
        let mut y: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
        y.sort_by(f64::total_cmp);
        y.windows(2).any(|pair| pair[0] == pair[1])
    };
    let most = if n <= super::mann_kendall::EXACT_MAX && !tied {
        // The interval leaves out those slopes beyond which Kendall's score would be too rare.
        let counts = exact_counts(n);
        let total: f64 = counts.iter().sum();
        let mut beyond = 0.0;
        let fits = |(_, count): &(usize, &f64)| {
            beyond += **count / total;
            beyond <= (1.0 - level) / 2.0 + 1e-9
        };
        let left_out = counts.iter().enumerate().take_while(fits).count();
        // Inversions up to `left_out − 1` are too rare: the slope of rank `left_out` (from 1) is the end.
        left_out.saturating_sub(1)
    } else {
        let x: Vec<f64> = points.iter().map(|(x, _)| *x).collect();
        let y: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
        let z = Normal::standard().inverse_cdf((1.0 + level) / 2.0);
        let reach = z * score_variance(&x, &y).sqrt();
        (((slopes as f64 - reach) / 2.0).round().max(1.0) as usize).saturating_sub(1)
    };
    let below = most.min((slopes - 1) / 2);
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
