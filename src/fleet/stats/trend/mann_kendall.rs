//! Mann's test of a trend by Kendall's score.
//!
//! M.G. Kendall, Rank Correlation Methods, 4th edition 1970; R.O. Gilbert, Statistical Methods for Environmental
//! Pollution Monitoring, 1987, section 16.4.

use statrs::distribution::{ContinuousCDF, Normal};

/// A test of a trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise less pairs that fall.
    pub s: i64,
    /// Variance of `s` without a trend, ties allowed for.
    pub variance: f64,
    /// Score in standard deviations, with continuity correction.
    pub z: f64,
    /// Probability of a score as far from 0, either way, without a trend.
    pub p: f64,
}

/// Up to this many values without ties all orders are counted.
const EXACT_MAX: usize = 10;

/// Tests values, in the order of time, for a trend. `None` for fewer than 3, or what is no number.
pub fn mann_kendall(y: &[f64]) -> Option<MannKendall> {
    if y.len() < 3 || y.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let sign = |(a, b): (&f64, &f64)| i64::from(b > a) - i64::from(b < a);
    let s: i64 = (0..y.len()).map(|i| y[i + 1..].iter().map(|later| sign((&y[i], later))).sum::<i64>()).sum();
    let order: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
    let variance = score_variance(&order, y);
    let z = if variance > 0.0 && s != 0 { (s - s.signum()) as f64 / variance.sqrt() } else { 0.0 };
    let ties = tie_sizes(y).iter().any(|&size| size > 1.0);
    let p =
        if y.len() <= EXACT_MAX && !ties { exact(y.len(), s) } else { (2.0 * Normal::standard().sf(z.abs())).min(1.0) };
    Some(MannKendall { s, variance, z, p })
}

fn exact(n: usize, s: i64) -> f64 {
    let counts = exact_counts(n);
    let pairs = (n * (n - 1) / 2) as i64;
    let far = |inversions: usize| (pairs - 2 * inversions as i64).abs() >= s.abs();
    let beyond: f64 = counts.iter().enumerate().filter(|(inversions, _)| far(*inversions)).map(|(_, c)| c).sum();
    beyond / counts.iter().sum::<f64>()
}

/// How many orders of `n` values have 0, 1, 2 … falling pairs.
pub(super) fn exact_counts(n: usize) -> Vec<f64> {
    let mut counts = vec![1.0];
    for size in 2..=n {
        let mut next = vec![0.0; counts.len() + size - 1];
        for (inversions, count) in counts.iter().enumerate() {
            next[inversions..inversions + size].iter_mut().for_each(|sum| *sum += count);
        }
        counts = next;
    }
    counts
}

/// Variance of Kendall's score between two columns that have nothing to do with each other, with ties in one of them.
pub(super) fn score_variance(x: &[f64], y: &[f64]) -> f64 {
    let part = |size: f64| size * (size - 1.0) * (2.0 * size + 5.0);
    let tied = |values: &[f64]| tie_sizes(values).into_iter().map(part).sum::<f64>();
    ((part(x.len() as f64) - tied(x) - tied(y)) / 18.0).max(0.0)
}

fn tie_sizes(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a == b).map(|group| group.len() as f64).collect()
}
