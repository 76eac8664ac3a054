//! A bounded-influence fit with group effects that are shrunk.
//!
//! An MM-estimate: a start that half of the rows may not spoil (see `start`), the scale of what that leaves, then Tukey's
//! biweight with that scale held (V.J. Yohai, Ann. Statist. 15 (1987) 642–656).
//!
//! Each pass replaces the rows by pseudo-values, the fit plus a bounded residual, and fits these by a linear mixed model
//! whose group effects are normal: at rest the estimating equations are the robust ones, and the mixed model's errors are
//! Huber's (P.J. Huber, Robust Statistics, 1981, sections 7.6 and 7.10; A. Welsh and A. Richardson, Handbook of Statistics
//! 15 (1997) 343–384). What is not known of the effects' own spread is part of their standard errors.

use super::ordinary::Design;
use super::start::{scale_of, start};
use super::within::{Mixed, MixedFit};

/// What one group lies above or below the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// In the unit of `y`.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// A robust fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Robust {
    /// One a column.
    pub coefficients: Vec<f64>,
    /// One a column.
    pub standard_errors: Vec<f64>,
    /// One a group; a group without rows has value 0 and the groups' own spread as error.
    pub effects: Vec<Effect>,
    /// Standard deviation of the groups' effects.
    pub spread: f64,
    /// Standard deviation of a sound row about the fit; up to a third too great where one row in seven is wild.
    pub scale: f64,
    /// How far each row was believed, 0 to 1.
    pub weights: Vec<f64>,
}

/// Tukey's biweight: 95 % as good as least squares where all rows are sound.
const BIWEIGHT: f64 = 4.685;
const PASSES_MAX: usize = 200;

/// Fits `y` on columns `x` with an effect for each of `groups` groups; `group` names the group of each row. With
/// `groups` 0, `group` is empty and there are no effects. No constant is added: effects are about the columns' fit, so a
/// column of ones should be among them.
///
/// `None` when lengths differ, a group is out of range, there are not more rows than columns, a column follows from
/// others, or a value is no number.
pub fn robust(x: &[Vec<f64>], y: &[f64], group: &[usize], groups: usize) -> Option<Robust> {
    let rows = y.len();
    if rows <= x.len() || y.iter().any(|value| !value.is_finite()) {
        return None;
    }
    if groups == 0 && !group.is_empty() || groups > 0 && group.len() != rows || group.iter().any(|&g| g >= groups) {
        return None;
    }
    // Only to see that every column is its own.
    Design::new(x, rows)?;
    let mixed = Mixed::new(x, group, groups)?;

    // Fitted values with the groups' medians, as far as groups are large enough to have one.
    let mut fitted = start(x, y)?;
    let medians = add_medians(&mut fitted, y, group, groups);
    // Rows that lie on the fit: whatever is smaller than this is rounding.
    let least = (1e-9 * y.iter().fold(0.0, |a: f64, b| a.max(b.abs()))).max(f64::MIN_POSITIVE);
    let mut used = (x.len() + medians) as f64;
    let mut fit = None;
    let mut scale = least;
    // With groups, medians are a rough start: the scale is taken once more from what the first fit leaves.
    for _ in 0..if groups > 0 { 3 } else { 1 } {
        scale = scale_of(y, &fitted, used).max(least);
        let settled = settle(&mixed, y, &mut fitted, scale)?;
        used = settled.degrees_used;
        fit = Some(settled);
    }
    let fit = fit?;
    let weights = y.iter().zip(&fitted).map(|(y, f)| weight((y - f) / scale)).collect();
    let robust = Robust {
        coefficients: fit.coefficients,
        standard_errors: fit.standard_errors,
        effects: fit.effects.into_iter().map(|(value, error)| Effect { value, standard_error: error }).collect(),
        spread: fit.spread,
        scale,
        weights,
    };
    let numbers = robust.coefficients.iter().chain(&robust.standard_errors).chain([&robust.spread, &robust.scale]);
    let effects = robust.effects.iter().flat_map(|effect| [&effect.value, &effect.standard_error]);
    let finite = numbers.chain(effects).all(|value| value.is_finite());
    finite.then_some(robust)
}

/// Passes until the fit is at rest.
fn settle(mixed: &Mixed, y: &[f64], fitted: &mut [f64], scale: f64) -> Option<MixedFit> {
    let mut passes = 0;
    loop {
        let fit = mixed.fit(&pseudo_values(y, fitted, scale)?)?;
        let moved = fit.fitted.iter().zip(fitted.iter()).fold(0.0, |a: f64, (new, old)| a.max((new - old).abs()));
        fitted.copy_from_slice(&fit.fitted);
        passes += 1;
        if moved < 1e-9 * scale || passes == PASSES_MAX {
            return Some(fit);
        }
    }
}

/// A bounded residual and its derivative, of a residual in scales.
fn biweight(u: f64) -> (f64, f64) {
    let v = u / BIWEIGHT;
    let left = 1.0 - v * v;
    if left <= 0.0 { (0.0, 0.0) } else { (u * left * left, left * (1.0 - 5.0 * v * v)) }
}

fn weight(u: f64) -> f64 {
    let left = 1.0 - (u / BIWEIGHT).powi(2);
    if left <= 0.0 { 0.0 } else { left * left }
}

/// What rows would have to be for least squares to give the robust fit.
fn pseudo_values(y: &[f64], fitted: &[f64], scale: f64) -> Option<Vec<f64>> {
    let pairs: Vec<(f64, f64)> = y.iter().zip(fitted).map(|(y, f)| biweight((y - f) / scale)).collect();
    let mean = pairs.iter().map(|(_, derivative)| derivative).sum::<f64>() / pairs.len() as f64;
    // Half of the rows may be wild; with a mean derivative below this it is more, and no fit.
    if mean < 0.05 {
        return None;
    }
    Some(pairs.iter().zip(fitted).map(|((bounded, _), f)| f + scale * bounded / mean).collect())
}

/// Adds to the fitted values the median of what is left of each group that has 5 rows or more. Gives the number of these.
fn add_medians(fitted: &mut [f64], y: &[f64], group: &[usize], groups: usize) -> usize {
    let mut left: Vec<Vec<f64>> = vec![vec![]; groups];
    for (index, &of) in group.iter().enumerate() {
        left[of].push(y[index] - fitted[index]);
    }
    let large = left.iter().filter(|values| values.len() >= 5).count();
    let medians: Vec<f64> = left
        .into_iter()
        .map(|mut values| {
            let middle = values.len() / 2;
            if values.len() < 5 { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
        })
        .collect();
    for (fitted, &of) in fitted.iter_mut().zip(group) {
        *fitted += medians[of];
    }
    large
}
