//! Laplace's approximation to the likelihood of the factors' spreads: rows to a number, and the likeliest effects on the way.
//!
//! The effects of one factor never meet in a row, so their block of the second derivatives is diagonal: the largest factor
//! is eliminated first, and only what is left is factored.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::mixed::Row;

/// Rows with the same levels together; levels that have rows, numbered from 0 in each factor.
pub(super) struct Counts {
    count: Vec<f64>,
    exposure: Vec<f64>,
    /// One entry a combination and factor: the level's place in the parameters of its factor.
    of: Vec<u32>,
    factors: usize,
    /// One a factor: number of each level, where it has rows.
    pub(super) place: Vec<Vec<Option<usize>>>,
    /// One a factor: how many levels have rows.
    pub(super) sizes: Vec<usize>,
    pooled: f64,
}

const NONE: u32 = u32::MAX;
/// Beyond this a rate is out of all reason, and its exponential soon no number.
const LOG_MAX: f64 = 300.0;

/// A step that gains less log likelihood is the last.
const GAIN_MIN: f64 = 1e-4;

impl Counts {
    pub(super) fn new(rows: &[Row], sizes: &[usize]) -> Option<Self> {
        let factors = sizes.len();
        let mut together: BTreeMap<Vec<u32>, (f64, f64)> = BTreeMap::new();
        let mut place: Vec<Vec<Option<usize>>> = sizes.iter().map(|&size| vec![None; size]).collect();
        for row in rows {
            if row.levels.len() != factors {
                return None;
            }
            if row.levels.iter().zip(sizes).any(|(level, &size)| level.is_some_and(|level| level >= size)) {
                return None;
            }
            if !row.exposure.is_finite() || row.exposure <= 0.0 {
                continue;
            }
            let key = row.levels.iter().map(|level| level.map_or(NONE, |level| level as u32)).collect();
            let sums = together.entry(key).or_default();
            sums.0 += row.count as f64;
            sums.1 += row.exposure;
            for (places, level) in place.iter_mut().zip(&row.levels) {
                if let Some(level) = *level {
                    places[level] = Some(0);
                }
            }
        }
        let mut present = vec![];
        for places in &mut place {
            let mut next = 0;
            for place in places.iter_mut().flatten() {
                *place = next;
                next += 1;
            }
            present.push(next);
        }
        let (count, exposure): (Vec<f64>, Vec<f64>) = together.values().copied().unzip();
        let numbered = |key: &Vec<u32>| -> Vec<u32> {
            let of = |(level, places): (&u32, &Vec<Option<usize>>)| {
                places.get(*level as usize).copied().flatten().map_or(NONE, |place| place as u32)
            };
            key.iter().zip(&place).map(of).collect()
        };
        let of = together.keys().flat_map(numbered).collect();
        let (all, over): (f64, f64) = (count.iter().sum(), exposure.iter().sum());
        if all <= 0.0 || !over.is_finite() {
            return None;
        }
        Some(Self { count, exposure, of, factors, place, sizes: present, pooled: (all / over).ln() })
    }
}

/// Logarithm of the usual rate, and effects of each factor.
#[derive(Clone)]
pub(super) struct Effects {
    pub(super) intercept: f64,
    pub(super) of: Vec<Vec<f64>>,
}

/// The model at one set of spreads.
pub(super) struct At {
    /// Logarithm of the marginal likelihood, but for what no spread changes.
    pub(super) log_likelihood: f64,
    pub(super) effects: Effects,
    blocks: Blocks,
    factor: Cholesky<f64, Dyn>,
}

/// Second derivatives: the largest factor's diagonal, and the rest.
struct Blocks {
    /// Which factor is eliminated; none in a model of the intercept alone.
    eliminated: Option<usize>,
    /// First parameter of each factor in the rest.
    begin: Vec<usize>,
    diagonal: DVector<f64>,
    /// One row an eliminated level, over its diagonal's root.
    across: DMatrix<f64>,
}

impl Counts {
    /// Effects of none, at the rate of all rows together.
    pub(super) fn none(&self) -> Effects {
        Effects { intercept: self.pooled, of: self.sizes.iter().map(|&size| vec![0.0; size]).collect() }
    }

    /// The likeliest effects at these spreads (a factor of spread 0 is left out), from a start nearby.
    pub(super) fn at(&self, spreads: &[f64], start: &Effects) -> Option<At> {
        let active: Vec<usize> = (0..self.factors).filter(|&f| spreads[f] > 0.0 && self.sizes[f] > 0).collect();
        let eliminated = active.iter().copied().max_by_key(|&f| (self.sizes[f], std::cmp::Reverse(f)));
        let mut effects = start.clone();
        for f in (0..self.factors).filter(|f| !active.contains(f)) {
            effects.of[f].fill(0.0);
        }
        let mut begin = vec![usize::MAX; self.factors];
        let mut rest = 1;
        for &f in active.iter().filter(|&&f| Some(f) != eliminated) {
            begin[f] = rest;
            rest += self.sizes[f];
        }
        let (mut height, mut means) = self.height(&effects, spreads, &active);
        for _ in 0..100 {
            let mut slope = DVector::<f64>::zeros(rest);
            let mut slope_eliminated = DVector::<f64>::zeros(eliminated.map_or(0, |f| self.sizes[f]));
            let mut curve = DMatrix::<f64>::zeros(rest, rest);
            let mut diagonal = DVector::<f64>::zeros(slope_eliminated.len());
            let mut across = DMatrix::<f64>::zeros(slope_eliminated.len(), rest);
            for (row, &mean) in means.iter().enumerate() {
                let of = &self.of[row * self.factors..(row + 1) * self.factors];
                let left = self.count[row] - mean;
                slope[0] += left;
                curve[(0, 0)] += mean;
                let at_eliminated =
                    eliminated.map(|f| of[f]).filter(|&level| level != NONE).map(|level| level as usize);
                if let Some(level) = at_eliminated {
                    slope_eliminated[level] += left;
                    diagonal[level] += mean;
                    across[(level, 0)] += mean;
                }
                for (index, &f) in active.iter().enumerate() {
                    if Some(f) == eliminated || of[f] == NONE {
                        continue;
                    }
                    let here = begin[f] + of[f] as usize;
                    slope[here] += left;
                    curve[(here, here)] += mean;
                    curve[(here, 0)] += mean;
                    if let Some(level) = at_eliminated {
                        across[(level, here)] += mean;
                    }
                    for &g in active[..index].iter().filter(|&&g| Some(g) != eliminated && of[g] != NONE) {
                        curve[(here, begin[g] + of[g] as usize)] += mean;
                    }
                }
            }
            for &f in &active {
                let precision = 1.0 / (spreads[f] * spreads[f]);
                for (level, effect) in effects.of[f].iter().enumerate() {
                    if Some(f) == eliminated {
                        slope_eliminated[level] -= precision * effect;
                        diagonal[level] += precision;
                    } else {
                        slope[begin[f] + level] -= precision * effect;
                        curve[(begin[f] + level, begin[f] + level)] += precision;
                    }
                }
            }
            for (level, mut row) in across.row_iter_mut().enumerate() {
                row /= diagonal[level].sqrt();
            }
            let root = diagonal.map(f64::sqrt);
            let scaled = slope_eliminated.component_div(&root);
            curve.gemm(-1.0, &across.transpose(), &across, 1.0);
            let right = &slope - across.tr_mul(&scaled);
            let factor = curve.cholesky()?;
            let step = factor.solve(&right);
            let step_eliminated = (&scaled - &across * &step).component_div(&root);
            let gain = 0.5 * (step.dot(&slope) + step_eliminated.dot(&slope_eliminated));
            let mut part = 1.0;
            let mut next;
            loop {
                next = self.moved(&effects, &active, eliminated, &begin, &step, &step_eliminated, part);
                let (there, means_there) = self.height(&next, spreads, &active);
                if there >= height - 1e-9 * height.abs() || part < 1e-6 {
                    (height, means) = (there, means_there);
                    break;
                }
                part /= 2.0;
            }
            effects = next;
            if gain.abs() < GAIN_MIN {
                let log_determinant = 2.0 * factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>()
                    + diagonal.iter().map(|d| d.ln()).sum::<f64>();
                let spread: f64 = active.iter().map(|&f| self.sizes[f] as f64 * spreads[f].ln()).sum();
                let log_likelihood = height - spread - 0.5 * log_determinant;
                let blocks = Blocks { eliminated, begin, diagonal, across };
                return log_likelihood.is_finite().then_some(At { log_likelihood, effects, blocks, factor });
            }
        }
        None
    }

    #[expect(clippy::too_many_arguments, reason = "one step, in the parts in which it was found")]
    fn moved(
        &self,
        effects: &Effects,
        active: &[usize],
        eliminated: Option<usize>,
        begin: &[usize],
        step: &DVector<f64>,
        step_eliminated: &DVector<f64>,
        part: f64,
    ) -> Effects {
        let mut next = effects.clone();
        next.intercept += part * step[0];
        for &f in active {
            for (level, effect) in next.of[f].iter_mut().enumerate() {
                let by = if Some(f) == eliminated { step_eliminated[level] } else { step[begin[f] + level] };
                *effect += part * by;
            }
        }
        next
    }

    fn log_rate(&self, of: &[u32], effects: &Effects, active: &[usize]) -> f64 {
        let known = active.iter().filter(|&&f| of[f] != NONE).map(|&f| effects.of[f][of[f] as usize]);
        (effects.intercept + known.sum::<f64>()).clamp(-LOG_MAX, LOG_MAX)
    }

    /// Log likelihood of the counts and the effects together, but for what neither changes; and the rows' expected counts.
    fn height(&self, effects: &Effects, spreads: &[f64], active: &[usize]) -> (f64, Vec<f64>) {
        let mut height = 0.0;
        let mut means = Vec::with_capacity(self.count.len());
        for row in 0..self.count.len() {
            let log_rate = self.log_rate(&self.of[row * self.factors..(row + 1) * self.factors], effects, active);
            let mean = self.exposure[row] * log_rate.exp();
            height += self.count[row] * log_rate - mean;
            means.push(mean);
        }
        for &f in active {
            height -= effects.of[f].iter().map(|u| u * u).sum::<f64>() / (2.0 * spreads[f] * spreads[f]);
        }
        (height, means)
    }
}

impl At {
    /// Variances of the intercept and of each factor's effects.
    pub(super) fn variances(&self) -> Effects {
        let inverse = self.factor.inverse();
        let through = &self.blocks.across * &inverse;
        let of = |(f, effects): (usize, &Vec<f64>)| -> Vec<f64> {
            let variance = |level: usize| {
                if Some(f) == self.blocks.eliminated {
                    let rest = through.row(level).dot(&self.blocks.across.row(level));
                    (1.0 + rest) / self.blocks.diagonal[level]
                } else if self.blocks.begin[f] == usize::MAX {
                    0.0
                } else {
                    let at = self.blocks.begin[f] + level;
                    inverse[(at, at)]
                }
            };
            (0..effects.len()).map(variance).collect()
        };
        Effects { intercept: inverse[(0, 0)], of: self.effects.of.iter().enumerate().map(of).collect() }
    }
}
