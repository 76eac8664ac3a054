//! A linear mixed model with one random intercept a group: rows to coefficients and shrunk effects.
//!
//! D.A. Harville, JASA 72 (1977) 320–340: restricted likelihood in the ratio of the two variances, the rest in closed form.
//! The ratio is not taken as known: all results are means over what the restricted likelihood allows.

use nalgebra::{DMatrix, DVector};

/// The columns and groups, summed up as far as they do not depend on the values.
pub(super) struct Mixed {
    /// One row of numbers a row.
    columns: DMatrix<f64>,
    lengths: Vec<f64>,
    group: Vec<usize>,
    /// Rows of each group.
    sizes: Vec<f64>,
    /// Columns' sums within each group.
    sums: DMatrix<f64>,
    products: DMatrix<f64>,
}

/// What comes out.
pub(super) struct MixedFit {
    pub(super) coefficients: Vec<f64>,
    pub(super) standard_errors: Vec<f64>,
    /// Value and standard error.
    pub(super) effects: Vec<(f64, f64)>,
    pub(super) spread: f64,
    pub(super) fitted: Vec<f64>,
    /// How many parameters the fit is worth.
    pub(super) degrees_used: f64,
}

/// Logarithms of the ratio of variances, groups' over rows', that are looked at, beside none.
const RATIOS: (f64, f64) = (-12.0, 12.0);
const RATIO_STEP: f64 = 0.5;

/// The model at one ratio.
struct At {
    weight: f64,
    ratio: f64,
    variance: f64,
    coefficients: DVector<f64>,
    /// What the coefficients leave of each group's sum.
    group_left: DVector<f64>,
    /// Covariance of the coefficients, over `variance`.
    covariance: DMatrix<f64>,
}

/// What least squares without groups leaves.
struct Rest {
    coefficients: DVector<f64>,
    with_columns: DVector<f64>,
    /// Sum of squares.
    square: f64,
    /// Sum within each group.
    groups: Vec<f64>,
    /// A sum of squares that is rounding.
    least: f64,
}

impl Mixed {
    pub(super) fn new(x: &[Vec<f64>], group: &[usize], groups: usize) -> Option<Self> {
        let rows = x.first()?.len();
        let lengths: Vec<f64> = x.iter().map(|column| column.iter().map(|v| v * v).sum::<f64>().sqrt()).collect();
        let columns = DMatrix::from_fn(rows, x.len(), |i, j| x[j][i] / lengths[j]);
        let mut sizes = vec![0.0; groups];
        let mut sums = DMatrix::zeros(groups, x.len());
        for (index, &of) in group.iter().enumerate() {
            sizes[of] += 1.0;
            for j in 0..x.len() {
                sums[(of, j)] += columns[(index, j)];
            }
        }
        let products = columns.tr_mul(&columns);
        Some(Self { columns, lengths, group: group.to_vec(), sizes, sums, products })
    }

    pub(super) fn fit(&self, y: &[f64]) -> Option<MixedFit> {
        let rest = self.rest(y)?;
        let mut all = vec![];
        // One group cannot tell a spread.
        if self.sizes.iter().filter(|size| **size > 0.0).count() > 1 {
            let mut log_ratio = RATIOS.0;
            while log_ratio <= RATIOS.1 {
                all.extend(self.at(log_ratio.exp(), &rest));
                log_ratio += RATIO_STEP;
            }
        }
        if all.is_empty() {
            all.push(self.at(0.0, &rest)?);
        }
        let best = all.iter().map(|at| at.weight).fold(f64::NEG_INFINITY, f64::max);
        if !best.is_finite() {
            return None;
        }
        all.iter_mut().for_each(|at| at.weight = (at.weight - best).exp());
        all.retain(|at| at.weight > 1e-6);
        let sum: f64 = all.iter().map(|at| at.weight).sum();
        all.iter_mut().for_each(|at| at.weight /= sum);
        Some(self.averaged(&all))
    }

    /// Least squares without groups, and sums over what it leaves: from there on, no row is looked at again.
    fn rest(&self, y: &[f64]) -> Option<Rest> {
        let factor = self.products.clone().cholesky()?;
        let mut left = DVector::from_column_slice(y);
        let mut coefficients = DVector::zeros(self.lengths.len());
        // Twice, as the first solution of normal equations is a rough one.
        for _ in 0..2 {
            let step = factor.solve(&self.columns.tr_mul(&left));
            left -= &self.columns * &step;
            coefficients += step;
        }
        let mut groups = vec![0.0; self.sizes.len()];
        for (index, &of) in self.group.iter().enumerate() {
            groups[of] += left[index];
        }
        let least = (f64::EPSILON * y.iter().fold(0.0, |a: f64, b| a.max(b.abs()))).powi(2) * y.len() as f64;
        Some(Rest {
            with_columns: self.columns.tr_mul(&left),
            square: left.norm_squared(),
            coefficients,
            groups,
            least,
        })
    }

    /// The model at one ratio. The weight is the logarithm of restricted likelihood times prior.
    fn at(&self, ratio: f64, rest: &Rest) -> Option<At> {
        let (rows, columns) = self.columns.shape();
        let mut inner = self.products.clone();
        let mut right = rest.with_columns.clone();
        let mut log_determinant = 0.0;
        for (group, &size) in self.sizes.iter().enumerate().filter(|(_, size)| **size > 0.0) {
            let shrunk = ratio / (1.0 + size * ratio);
            let sums = self.sums.row(group).transpose();
            inner.ger(-shrunk, &sums, &sums, 1.0);
            right.axpy(-shrunk * rest.groups[group], &sums, 1.0);
            log_determinant += (size * ratio).ln_1p();
        }
        let factor = inner.cholesky()?;
        let step = factor.solve(&right);
        let group_left = DVector::from_column_slice(&rest.groups) - &self.sums * &step;
        let taken: f64 =
            group_left.iter().zip(&self.sizes).map(|(sum, size)| ratio / (1.0 + size * ratio) * sum * sum).sum();
        let square = rest.square - 2.0 * step.dot(&rest.with_columns) + step.dot(&(&self.products * &step));
        let degrees = (rows - columns) as f64;
        let quadratic = (square - taken).max(rest.least).max(f64::MIN_POSITIVE);
        let log_inner: f64 = 2.0 * factor.l_dirty().diagonal().iter().map(|d| d.abs().ln()).sum::<f64>();
        // Prior: the spread's ratio to the rows' scale is half Cauchy (A. Gelman, Bayesian Analysis 1 (2006) 515–533).
        let prior = if ratio > 0.0 { ratio.ln() / 2.0 - ratio.ln_1p() } else { 0.0 };
        Some(At {
            weight: -0.5 * (log_determinant + log_inner + degrees * (quadratic / degrees).ln()) + prior,
            ratio,
            variance: quadratic / degrees,
            coefficients: &rest.coefficients + step,
            group_left,
            covariance: factor.inverse(),
        })
    }

    fn averaged(&self, all: &[At]) -> MixedFit {
        let columns = self.lengths.len();
        let mean = |of: &dyn Fn(&At) -> f64| all.iter().map(|at| at.weight * of(at)).sum::<f64>();
        let spread_about = |of: &dyn Fn(&At) -> (f64, f64)| {
            let middle = mean(&|at| of(at).0);
            let variance = mean(&|at| of(at).1 + (of(at).0 - middle).powi(2));
            (middle, variance.max(0.0).sqrt())
        };
        let of_columns: Vec<(f64, f64)> = (0..columns)
            .map(|j| spread_about(&|at| (at.coefficients[j], at.variance * at.covariance[(j, j)])))
            .collect();
        let effects: Vec<(f64, f64)> = (0..self.sizes.len())
            .map(|group| {
                let sums = self.sums.row(group).transpose();
                spread_about(&|at| {
                    let shrunk = at.ratio / (1.0 + self.sizes[group] * at.ratio);
                    let value = shrunk * at.group_left[group];
                    let of_fit = shrunk * shrunk * sums.dot(&(&at.covariance * &sums));
                    (value, at.variance * (shrunk + of_fit))
                })
            })
            .collect();
        let coefficients = DVector::from_iterator(columns, of_columns.iter().map(|(value, _)| *value));
        let mut fitted: Vec<f64> = (&self.columns * &coefficients).iter().copied().collect();
        for (fitted, &of) in fitted.iter_mut().zip(&self.group) {
            *fitted += effects[of].0;
        }
        let used = mean(&|at| {
            self.sizes.iter().map(|size| size * at.ratio / (1.0 + size * at.ratio)).sum::<f64>() + columns as f64
        });
        MixedFit {
            coefficients: coefficients.iter().zip(&self.lengths).map(|(value, length)| value / length).collect(),
            standard_errors: of_columns.iter().zip(&self.lengths).map(|((_, error), length)| error / length).collect(),
            effects,
            spread: mean(&|at| (at.ratio * at.variance).sqrt()),
            fitted,
            degrees_used: used.min(self.columns.nrows() as f64 - 1.0),
        }
    }
}
