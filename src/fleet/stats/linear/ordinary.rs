//! Ordinary least squares by Householder's QR decomposition of columns brought to one length.
//!
//! Å. Björck, Numerical Methods for Least Squares Problems, SIAM 1996, section 2.4.

use nalgebra::{DMatrix, DVector};

/// A fit by least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct Linear {
    /// One a column.
    pub coefficients: Vec<f64>,
    /// One a column; 0 where there are no more rows than columns.
    pub standard_errors: Vec<f64>,
    /// Standard deviation of a row about the fit; 0 where there are no more rows than columns.
    pub residual_sd: f64,
    /// Share of the spread that is explained: about the mean when there is a constant column, else about 0.
    pub r_squared: f64,
    /// Rows less columns.
    pub degrees: usize,
}

/// Fits `y` on columns `x`. `None` when there are fewer rows than columns, when a column follows from others, or a value
/// is no number.
pub fn ordinary(x: &[Vec<f64>], y: &[f64]) -> Option<Linear> {
    let design = Design::new(x, y.len())?;
    if y.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let coefficients = design.solve(y)?;
    let residuals = design.residuals(y, &coefficients);
    let degrees = y.len() - x.len();
    let left: f64 = residuals.iter().map(|r| r * r).sum();
    let residual_sd = if degrees == 0 { 0.0 } else { (left / degrees as f64).sqrt() };
    let middle = if x.iter().any(|column| is_constant(column)) { y.iter().sum::<f64>() / y.len() as f64 } else { 0.0 };
    let whole: f64 = y.iter().map(|y| (y - middle) * (y - middle)).sum();
    let linear = Linear {
        standard_errors: design.inverse_diagonal()?.iter().map(|d| residual_sd * d.sqrt()).collect(),
        coefficients,
        residual_sd,
        r_squared: if whole > 0.0 { (1.0 - left / whole).clamp(0.0, 1.0) } else { 0.0 },
        degrees,
    };
    let finite = linear.coefficients.iter().chain(&linear.standard_errors).all(|value| value.is_finite());
    (finite && linear.residual_sd.is_finite()).then_some(linear)
}

fn is_constant(column: &[f64]) -> bool {
    column.windows(2).all(|pair| pair[0] == pair[1])
}

/// Columns of one length, taken apart.
pub(super) struct Design<'a> {
    x: &'a [Vec<f64>],
    lengths: Vec<f64>,
    q: DMatrix<f64>,
    r: DMatrix<f64>,
}

/// A column of which less than this is its own follows from the others. NIST's hardest polynomial (Filip, degree 10)
/// leaves 2e-10 of its last column.
const OWN_PART_MIN: f64 = 1e-12;

impl<'a> Design<'a> {
    pub(super) fn new(x: &'a [Vec<f64>], rows: usize) -> Option<Self> {
        let finite = x.iter().all(|column| column.len() == rows && column.iter().all(|value| value.is_finite()));
        if x.is_empty() || !finite || rows < x.len() {
            return None;
        }
        let lengths: Vec<f64> = x.iter().map(|column| norm(column)).collect();
        if lengths.iter().any(|length| !length.is_finite() || *length == 0.0) {
            return None;
        }
        let (q, r) = DMatrix::from_fn(rows, x.len(), |i, j| x[j][i] / lengths[j]).qr().unpack();
        let independent = (0..x.len()).all(|j| r[(j, j)].abs() > OWN_PART_MIN);
        independent.then_some(Self { x, lengths, q, r })
    }

    pub(super) fn solve(&self, y: &[f64]) -> Option<Vec<f64>> {
        let projected = self.q.tr_mul(&DVector::from_column_slice(y));
        let scaled = self.r.solve_upper_triangular(&projected)?;
        Some(scaled.iter().zip(&self.lengths).map(|(value, length)| value / length).collect())
    }

    pub(super) fn residuals(&self, y: &[f64], coefficients: &[f64]) -> Vec<f64> {
        let fitted = |i: usize| self.x.iter().zip(coefficients).map(|(column, b)| column[i] * b).sum::<f64>();
        y.iter().enumerate().map(|(i, y)| y - fitted(i)).collect()
    }

    /// Diagonal of (X'X)⁻¹.
    fn inverse_diagonal(&self) -> Option<Vec<f64>> {
        let identity = DMatrix::identity(self.x.len(), self.x.len());
        let inverse = self.r.solve_upper_triangular(&identity)?;
        let of = |j: usize| inverse.row(j).iter().map(|v| v * v).sum::<f64>() / (self.lengths[j] * self.lengths[j]);
        Some((0..self.x.len()).map(of).collect())
    }
}

fn norm(column: &[f64]) -> f64 {
    let largest = column.iter().fold(0.0, |a: f64, b| a.max(b.abs()));
    if largest == 0.0 {
        return 0.0;
    }
    largest * column.iter().map(|v| (v / largest) * (v / largest)).sum::<f64>().sqrt()
}
