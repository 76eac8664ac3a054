//! What is known of one rate, and which are the worst.

use std::sync::Arc;

use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::checked_gamma_lr;

use super::super::chance::Stream;

/// One prior of the mixture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Prior {
    weight: f64,
    /// Weights of those before and of this one.
    until: f64,
    shape: f64,
    rate: f64,
}

/// Priors that weigh less than this part of the heaviest are left out.
const WEIGHT_MIN: f64 = 1e-5;

impl Prior {
    /// From nodes: log shape, log mean, logarithm of the weight.
    pub(super) fn mixture(nodes: &[(f64, f64, f64)]) -> Option<Arc<[Self]>> {
        let best = nodes.iter().map(|(_, _, log)| *log).fold(f64::NEG_INFINITY, f64::max);
        if !best.is_finite() {
            return None;
        }
        let weights =
            || nodes.iter().map(|(_, _, log)| (log - best).exp()).map(|w| if w < WEIGHT_MIN { 0.0 } else { w });
        let sum: f64 = weights().sum();
        let mut until = 0.0;
        let priors = nodes.iter().zip(weights()).filter(|(_, weight)| *weight > 0.0);
        Some(
            priors
                .map(|(&(log_shape, log_mean, _), weight)| {
                    until += weight / sum;
                    Self { weight: weight / sum, until, shape: log_shape.exp(), rate: (log_shape - log_mean).exp() }
                })
                .collect(),
        )
    }
}

/// What is known of one rate: a mixture of gammas.
#[derive(Debug, Clone)]
pub struct Posterior {
    priors: Arc<[Prior]>,
    count: f64,
    exposure: f64,
}

impl Posterior {
    pub(super) fn new(priors: Arc<[Prior]>, count: f64, exposure: f64) -> Self {
        Self { priors, count, exposure }
    }

    /// Weight, shape and rate of each gamma.
    fn gammas(&self) -> impl Iterator<Item = (f64, f64, f64)> {
        self.priors.iter().map(|prior| (prior.weight, prior.shape + self.count, prior.rate + self.exposure))
    }

    /// Expected rate: events for one of exposure.
    pub fn mean(&self) -> f64 {
        self.gammas().map(|(weight, shape, rate)| weight * shape / rate).sum()
    }

    /// Standard deviation.
    pub fn sd(&self) -> f64 {
        let mean = self.mean();
        let of =
            |(weight, shape, rate): (f64, f64, f64)| weight * (shape / (rate * rate) + (shape / rate - mean).powi(2));
        self.gammas().map(of).sum::<f64>().sqrt()
    }

    /// Probability of a rate below `rate`.
    pub fn below(&self, rate: f64) -> f64 {
        if rate.is_nan() || rate <= 0.0 {
            return 0.0;
        }
        self.gammas().map(|(weight, shape, inverse)| weight * gamma_below(shape, inverse * rate)).sum::<f64>().min(1.0)
    }

    /// The rate below which it lies with probability `p`. For `p` of 0 or less 0; of 1 or more as if almost 1.
    pub fn quantile(&self, p: f64) -> f64 {
        if p.is_nan() || p <= 0.0 {
            return 0.0;
        }
        let p = p.min(1.0 - 1e-9);
        let (mean, sd) = (self.mean(), self.sd());
        let (mut low, mut high) = (0.0, mean + 4.0 * sd);
        while self.below(high) < p && high < 1e300 {
            low = high;
            high *= 2.0;
        }
        // Illinois' false position, in the square root: a gamma's is nearly normal.
        let mut at_low = self.below(low) - p;
        let mut at_high = self.below(high) - p;
        let (mut low, mut high) = (low.sqrt(), high.sqrt());
        let mut side = 0;
        for _ in 0..200 {
            let width = high - low;
            if width <= 1e-9 * high {
                break;
            }
            let share = (at_low / (at_low - at_high)).clamp(0.01, 0.99);
            let middle = low + width * share;
            let here = self.below(middle * middle) - p;
            if here.abs() < 1e-10 {
                return middle * middle;
            }
            if here < 0.0 {
                (low, at_low) = (middle, here);
                if side == -1 {
                    at_high /= 2.0;
                }
                side = -1;
            } else {
                (high, at_high) = (middle, here);
                if side == 1 {
                    at_low /= 2.0;
                }
                side = 1;
            }
        }
        f64::midpoint(low, high).powi(2)
    }
}

/// Probability that a gamma of rate 1 is below `x`.
fn gamma_below(shape: f64, x: f64) -> f64 {
    if shape > 1000.0 {
        // Wilson and Hilferty, PNAS 17 (1931) 684–688: here good to 1e-6, where the series takes thousands of terms.
        let cube = ((x / shape).cbrt() - 1.0 + 1.0 / (9.0 * shape)) * 3.0 * shape.sqrt();
        return Normal::standard().cdf(cube);
    }
    checked_gamma_lr(shape, x).unwrap_or(if x > shape { 1.0 } else { 0.0 }).clamp(0.0, 1.0)
}

/// Probability of each being among the `k` highest, by `draws` draws: the same for the same `seed`.
///
/// Its standard error is at most `0.5 / √draws`. Posteriors of one fit are drawn with one prior at a time, as what is
/// not known of the prior is the same for all.
pub fn worst(posteriors: &[Posterior], k: usize, draws: u32, seed: u64) -> Vec<f64> {
    let n = posteriors.len();
    if k == 0 || k >= n || draws == 0 {
        return vec![if k == 0 || draws == 0 { 0.0 } else { 1.0 }; n];
    }
    let mut chance = Stream::new(seed);
    let mut among = vec![0u32; n];
    let mut drawn: Vec<(f64, usize)> = Vec::with_capacity(n);
    for _ in 0..draws {
        let which = chance.unit();
        drawn.clear();
        for (index, posterior) in posteriors.iter().enumerate() {
            let at = posterior.priors.partition_point(|prior| prior.until < which).min(posterior.priors.len() - 1);
            let prior = posterior.priors[at];
            let rate = chance.gamma(prior.shape + posterior.count) / (prior.rate + posterior.exposure);
            drawn.push((rate, index));
        }
        drawn.select_nth_unstable_by(k - 1, |a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        for (_, index) in &drawn[..k] {
            among[*index] += 1;
        }
    }
    among.into_iter().map(|count| f64::from(count) / f64::from(draws)).collect()
}
