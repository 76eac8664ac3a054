//! Poisson regression with logarithmic link, by iteratively reweighted least squares.
//!
//! P. McCullagh and J.A. Nelder, Generalized Linear Models, 2nd edition 1989, section 2.5.

use nalgebra::{DMatrix, DVector};

/// A Poisson regression.
#[derive(Debug, Clone, PartialEq)]
pub struct Glm {
    /// One a column: logarithm of the factor that a step of one makes.
    pub coefficients: Vec<f64>,
    /// One a column, for counts that are Poisson.
    pub standard_errors: Vec<f64>,
    /// Twice the log likelihood that a perfect fit would have more.
    pub deviance: f64,
    /// Pearson's X².
    pub pearson: f64,
    /// Log likelihood, factorials included.
    pub log_likelihood: f64,
    /// Rows less columns.
    pub degrees: usize,
    /// Expected count of each row.
    pub expected: Vec<f64>,
}

const STEPS_MAX: usize = 60;

/// Fits counts on columns `x` with `offset` the logarithm of the exposure. No constant is added.
///
/// `None` when lengths differ, a value is no number, a column follows from others, or the fit runs away.
pub fn glm(x: &[Vec<f64>], counts: &[u64], offset: &[f64]) -> Option<Glm> {
    let rows = counts.len();
    let sound = |column: &Vec<f64>| column.len() == rows && column.iter().all(|value| value.is_finite());
    if x.is_empty() || rows < x.len() || offset.len() != rows || !x.iter().all(sound) {
        return None;
    }
    if offset.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let columns = DMatrix::from_fn(rows, x.len(), |i, j| x[j][i]);
    let offset = DVector::from_column_slice(offset);
    let count = DVector::from_fn(rows, |i, _| counts[i] as f64);
    // Where McCullagh and Nelder begin: each row at about its own count.
    let mut predicted = count.map(|y| (y + 0.1).ln());
    let mut deviance = f64::INFINITY;
    for _ in 0..STEPS_MAX {
        let mean = predicted.map(f64::exp);
        let working = DVector::from_fn(rows, |i, _| predicted[i] - offset[i] + (count[i] - mean[i]) / mean[i]);
        let root = mean.map(f64::sqrt);
        let weighted = DMatrix::from_fn(rows, x.len(), |i, j| columns[(i, j)] * root[i]);
        let (q, r) = weighted.qr().unpack();
        let largest = r.diagonal().amax();
        if !largest.is_finite() || r.diagonal().iter().any(|d| d.abs() <= 1e-11 * largest) {
            return None;
        }
        let coefficients = r.solve_upper_triangular(&q.tr_mul(&working.component_mul(&root)))?;
        predicted = &columns * &coefficients + &offset;
        if predicted.iter().any(|value| value.abs() > 600.0 || !value.is_finite()) {
            return None;
        }
        let before = std::mem::replace(&mut deviance, deviance_of(&count, &predicted));
        if (before - deviance).abs() > 1e-12 * (deviance.abs() + 0.1) {
            continue;
        }
        let inverse = r.solve_upper_triangular(&DMatrix::identity(x.len(), x.len()))?;
        let mean = predicted.map(f64::exp);
        return Some(Glm {
            coefficients: coefficients.iter().copied().collect(),
            standard_errors: inverse.row_iter().map(|row| row.norm()).collect(),
            deviance,
            pearson: (0..rows).map(|i| (count[i] - mean[i]).powi(2) / mean[i]).sum(),
            log_likelihood: (0..rows)
                .map(|i| count[i] * predicted[i] - mean[i] - statrs::function::gamma::ln_gamma(count[i] + 1.0))
                .sum(),
            degrees: rows - x.len(),
            expected: mean.iter().copied().collect(),
        });
    }
    None
}

fn deviance_of(count: &DVector<f64>, predicted: &DVector<f64>) -> f64 {
    let of = |(&y, &eta): (&f64, &f64)| {
        let surprise = if y > 0.0 { y * (y.ln() - eta) } else { 0.0 };
        2.0 * (surprise - (y - eta.exp()))
    };
    count.iter().zip(predicted).map(of).sum()
}
