//! Rates of many alike things, each with its own count and exposure, shrunk towards what is usual among them.
//!
//! Gamma-Poisson empirical Bayes: D.P. Gaver and I.G. O'Muircheartaigh, "Robust empirical Bayes analyses of event rates",
//! Technometrics 29 (1987) 1–15. The prior is fitted by marginal likelihood. What is known of one rate is a mixture over
//! all priors that the counts allow, so that the intervals of a small fleet, which hardly knows its own spread, are wide
//! enough: R.E. Kass and D. Steffey, JASA 84 (1989) 717–726.

mod likelihood;
mod posterior;
#[cfg(test)]
mod tests;

pub use posterior::{Posterior, worst};

use std::sync::Arc;

use likelihood::Likelihood;
use posterior::Prior;

/// Rates of alike things: `count ~ Poisson(exposure · rate)`, `rate ~ Gamma(shape, rate)`.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Shape that makes the counts likeliest. At most a million, which is as good as all alike.
    pub shape: f64,
    /// Rate (inverse scale) that goes with it; `shape / rate` is the mean of the rates.
    pub rate: f64,
    /// Log likelihood there, factorials included.
    pub log_likelihood: f64,
    /// What else the prior may be.
    priors: Arc<[Prior]>,
}

/// Natural logarithms of the least and the greatest shape that are looked at: from rates that lie a factor of e³⁰ apart
/// to rates that are alike to a thousandth.
const LOG_SHAPE: (f64, f64) = (-7.0, 13.815_510_557_964_274);
const LOG_SHAPE_STEP: f64 = 0.25;
/// Shapes over which the mixture is made.
const SHAPES: usize = 25;
/// What is this much less likely (natural logarithm) than the likeliest is left out.
const LEFT_OUT: f64 = 11.0;
/// Steps in the logarithm of the mean, in its standard deviations: the sum is then as good as the integral.
const MEAN_STEP: f64 = 0.7;
const MEAN_STEPS: i32 = 8;

/// Fits the prior by marginal likelihood. Those without a positive exposure are left out.
///
/// `None`: fewer than 2 with exposure, no count at all, or columns of different length.
pub fn fit(counts: &[u64], exposures: &[f64]) -> Option<Fit> {
    fit_with(counts, exposures, weakly_informative)
}

/// What is believed before: the rates' spread relative to their mean is most likely below 1, hardly above 3 (half
/// Student's t with 4 degrees); the mean is within some powers of ten of the counts' own. Natural logarithm of the
/// density over log shape and the log mean's distance from the pooled one.
fn weakly_informative(log_shape: f64, log_mean: f64, pooled: f64) -> f64 {
    let spread = (-log_shape / 2.0).exp();
    let away = (log_mean - pooled) / likelihood::LOG_MEAN_SD;
    -2.5 * (spread * spread / 4.0).ln_1p() - log_shape / 2.0 - away * away / 2.0
}

fn fit_with(counts: &[u64], exposures: &[f64], log_prior: impl Fn(f64, f64, f64) -> f64) -> Option<Fit> {
    let likelihood = Likelihood::new(counts, exposures)?;
    let steps = ((LOG_SHAPE.1 - LOG_SHAPE.0) / LOG_SHAPE_STEP).ceil() as usize;
    let step = (LOG_SHAPE.1 - LOG_SHAPE.0) / steps as f64;
    let mut start = likelihood.pooled;
    let mut scan = vec![];
    for index in 0..=steps {
        let log_shape = LOG_SHAPE.0 + step * index as f64;
        let ridge = likelihood.ridge(log_shape, start, true);
        start = ridge.log_mean;
        let prior = log_prior(log_shape, ridge.log_mean, likelihood.pooled);
        // Laplace's integral over the mean.
        scan.push((log_shape, likelihood.at(log_shape, ridge.log_mean) + prior + ridge.sd.ln()));
    }
    let best = scan.iter().map(|(_, log)| *log).fold(f64::NEG_INFINITY, f64::max);
    let kept = || scan.iter().filter(|(_, log)| *log > best - LEFT_OUT).map(|(log_shape, _)| *log_shape);
    let low = (kept().fold(f64::INFINITY, f64::min) - step).max(LOG_SHAPE.0);
    let high = (kept().fold(f64::NEG_INFINITY, f64::max) + step).min(LOG_SHAPE.1);

    let mut nodes = vec![];
    for index in 0..SHAPES {
        let log_shape = low + (high - low) * index as f64 / (SHAPES - 1) as f64;
        let ridge = likelihood.ridge(log_shape, start, true);
        start = ridge.log_mean;
        for along in -MEAN_STEPS..=MEAN_STEPS {
            let log_mean = ridge.log_mean + MEAN_STEP * ridge.sd * f64::from(along);
            let log = likelihood.at(log_shape, log_mean) + log_prior(log_shape, log_mean, likelihood.pooled);
            // The step in the mean is part of the weight: it differs from shape to shape.
            nodes.push((log_shape, log_mean, log + ridge.sd.ln()));
        }
    }
    let priors = Prior::mixture(&nodes)?;
    let (log_shape, log_mean) = likelihood.likeliest(LOG_SHAPE, LOG_SHAPE_STEP);
    let shape = log_shape.exp();
    let fit = Fit {
        shape,
        rate: shape / log_mean.exp(),
        log_likelihood: likelihood.at(log_shape, log_mean) + likelihood.constant,
        priors,
    };
    (fit.shape.is_finite() && fit.rate.is_finite() && fit.rate > 0.0 && fit.log_likelihood.is_finite()).then_some(fit)
}

impl Fit {
    /// What is known of the rate of one whose count and exposure these are. One of those that the prior was fitted to,
    /// or, with neither count nor exposure, a new one.
    pub fn posterior(&self, count: u64, exposure: f64) -> Posterior {
        let exposure = if exposure.is_finite() { exposure.max(0.0) } else { 0.0 };
        let count = if exposure > 0.0 { count as f64 } else { 0.0 };
        Posterior::new(Arc::clone(&self.priors), count, exposure)
    }
}
