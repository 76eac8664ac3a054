//! Likelihood of counts whose rates are gamma: negative binomial, each with its own exposure.

use statrs::function::gamma::ln_gamma;

/// How far, as a natural logarithm, the mean rate may lie from the pooled one; one standard deviation.
pub(super) const LOG_MEAN_SD: f64 = 3.0;
/// Below this, a ratio of gamma functions is a product.
const PRODUCT_MAX: f64 = 40.0;

pub(super) struct Likelihood {
    counts: Vec<f64>,
    exposures: Vec<f64>,
    /// How many have a count above 0, 1, 2 …, as far as products are taken: the ratio of gamma functions of all at once.
    above: Vec<f64>,
    large: Vec<f64>,
    total: f64,
    /// Natural logarithm of all counts over all exposure.
    pub(super) pooled: f64,
    /// What does not depend on the prior: factorials and powers of exposure.
    pub(super) constant: f64,
}

/// The likeliest mean for one shape.
pub(super) struct Ridge {
    pub(super) log_mean: f64,
    pub(super) sd: f64,
}

impl Likelihood {
    pub(super) fn new(counts: &[u64], exposures: &[f64]) -> Option<Self> {
        if counts.len() != exposures.len() {
            return None;
        }
        let sound = || counts.iter().zip(exposures).filter(|(_, exposure)| exposure.is_finite() && **exposure > 0.0);
        let exposures: Vec<f64> = sound().map(|(_, exposure)| *exposure).collect();
        let counts: Vec<f64> = sound().map(|(count, _)| *count as f64).collect();
        let (total, exposure): (f64, f64) = (counts.iter().sum(), exposures.iter().sum());
        if counts.len() < 2 || total <= 0.0 || !exposure.is_finite() {
            return None;
        }
        let constant = counts.iter().zip(&exposures).map(|(x, t)| x * t.ln() - ln_gamma(x + 1.0)).sum();
        let (small, large): (Vec<f64>, Vec<f64>) = counts.iter().partition(|x| **x <= PRODUCT_MAX);
        let most = small.iter().fold(0.0, |a: f64, b| a.max(*b)) as usize;
        let above = (0..most).map(|j| small.iter().filter(|x| **x > j as f64).count() as f64).collect();
        Some(Self { counts, exposures, above, large, total, pooled: (total / exposure).ln(), constant })
    }

    /// Log likelihood, less [`Self::constant`].
    pub(super) fn at(&self, log_shape: f64, log_mean: f64) -> f64 {
        let shape = log_shape.exp();
        let rate = (log_shape - log_mean).exp();
        let products: f64 = self.above.iter().enumerate().map(|(j, n)| n * (shape + j as f64).ln()).sum();
        let gammas: f64 = self.large.iter().map(|x| ln_gamma(x + shape) - ln_gamma(shape)).sum();
        let rest = |(x, t): (&f64, &f64)| -shape * (t / rate).ln_1p() - x * (rate + t).ln();
        products + gammas + self.counts.iter().zip(&self.exposures).map(rest).sum::<f64>()
    }

    /// The likeliest mean for one shape; with `held`, held to some powers of ten about the pooled one.
    pub(super) fn ridge(&self, log_shape: f64, start: f64, held: bool) -> Ridge {
        let shape = log_shape.exp();
        let hold = if held { 1.0 / (LOG_MEAN_SD * LOG_MEAN_SD) } else { 0.0 };
        let mut log_mean = start;
        let mut curvature = 1.0;
        for _ in 0..60 {
            let rate = (log_shape - log_mean).exp();
            // Derivatives by the log mean; the likelihood falls off on both sides of the one place where it is flat.
            let mut slope = self.total - hold * (log_mean - self.pooled);
            curvature = hold;
            for (x, t) in self.counts.iter().zip(&self.exposures) {
                let part = t / (rate + t);
                slope -= (shape + x) * part;
                curvature += (shape + x) * part * (1.0 - part);
            }
            let step = (slope / curvature.max(1e-300)).clamp(-2.0, 2.0);
            log_mean += step;
            if step.abs() < 1e-10 {
                break;
            }
        }
        Ridge { log_mean, sd: 1.0 / curvature.max(1e-12).sqrt() }
    }

    /// Log shape and log mean of the greatest likelihood: best of a scan, then golden section.
    pub(super) fn likeliest(&self, (least, greatest): (f64, f64), step: f64) -> (f64, f64) {
        let mut start = self.pooled;
        let mut height = |log_shape: f64| {
            start = self.ridge(log_shape, start, false).log_mean;
            self.at(log_shape, start)
        };
        let mut best = (greatest, height(greatest));
        let mut log_shape = greatest - step;
        while log_shape > least {
            let here = height(log_shape);
            if here > best.1 {
                best = (log_shape, here);
            }
            log_shape -= step;
        }
        let golden = (5f64.sqrt() - 1.0) / 2.0;
        let (mut low, mut high) = ((best.0 - step).max(least), (best.0 + step).min(greatest));
        while high - low > 1e-9 {
            let (left, right) = (high - golden * (high - low), low + golden * (high - low));
            if height(left) > height(right) { high = right } else { low = left }
        }
        let mut log_shape = f64::midpoint(low, high);
        // Where all are alike the likelihood only rises, and flat as it is there, the search stops anywhere.
        if height(greatest) >= height(log_shape) {
            log_shape = greatest;
        }
        (log_shape, self.ridge(log_shape, self.pooled, false).log_mean)
    }
}
