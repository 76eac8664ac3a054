//! Seeded chance for what is reckoned by drawing: the same seed gives the same numbers on every machine.

use statrs::function::erf::erfc_inv;

/// A stream of numbers: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Stream {
    state: u64,
}

impl Stream {
    /// The stream of a seed.
    pub fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.state ^ (self.state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between 0 and 1, neither of them.
    pub fn unit(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// A whole number below `count`; 0 below none.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// Normal about 0 with standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        -std::f64::consts::SQRT_2 * erfc_inv(2.0 * self.unit())
    }

    /// Gamma with this shape and rate 1 (Marsaglia and Tsang, ACM Trans. Math. Softw. 26 (2000) 363–372).
    pub fn gamma(&mut self, shape: f64) -> f64 {
        if shape < 1.0 {
            // In logs: a small shape would underflow to 0, and ties would spoil a ranking less than 0/0 would.
            return self.gamma(shape + 1.0) * (self.unit().ln() / shape).exp();
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let z = self.normal();
            let v = (1.0 + c * z).powi(3);
            if v > 0.0 && self.unit().ln() < 0.5 * z * z + d - d * v + d * v.ln() {
                return d * v;
            }
        }
    }

    /// Poisson with this mean.
    pub fn poisson(&mut self, mean: f64) -> u64 {
        // A gamma splits a great mean (Ahrens and Dieter, Computing 12 (1974) 223–246); below, exponential waits are counted.
        let (mut left, mut count) = (mean, 0u64);
        while left > 30.0 {
            let part = (left * 7.0 / 8.0).floor();
            let at = self.gamma(part);
            if at > left {
                return count + (0..part as u64 - 1).filter(|_| self.unit() < left / at).count() as u64;
            }
            count += part as u64;
            left -= at;
        }
        let mut waited = -self.unit().ln();
        while waited < left {
            count += 1;
            waited -= self.unit().ln();
        }
        count
    }

    /// Puts `items` into a random order (Fisher and Yates).
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean_and_variance(mut draw: impl FnMut() -> f64) -> (f64, f64) {
        let drawn: Vec<f64> = (0..40_000).map(|_| draw()).collect();
        let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
        (mean, drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / drawn.len() as f64)
    }

    #[test]
    fn streams_have_the_means_and_variances_they_shall() {
        let mut chance = Stream::new(1);
        let is = |what: &str, (mean, variance): (f64, f64), wanted_mean: f64, wanted_variance: f64| {
            // Five standard errors of a mean; a tenth for the variance.
            assert!((mean - wanted_mean).abs() < 5.0 * (wanted_variance / 40_000.0).sqrt(), "{what}: mean {mean}");
            assert!((variance / wanted_variance - 1.0).abs() < 0.1, "{what}: variance {variance}");
        };
        is("normal", mean_and_variance(|| chance.normal()), 0.0, 1.0);
        for shape in [0.3, 1.0, 7.5] {
            is("gamma", mean_and_variance(|| chance.gamma(shape)), shape, shape);
        }
        for mean in [0.2, 4.0, 33.0, 900.0] {
            is("poisson", mean_and_variance(|| chance.poisson(mean) as f64), mean, mean);
        }
        is("below", mean_and_variance(|| chance.below(5) as f64), 2.0, 2.0);
    }

    #[test]
    fn a_seed_always_gives_the_same_numbers() {
        // The first two numbers of SplitMix64 from seed 0 (from memory; also in the tests of the Rust crate rand_xoshiro).
        let mut chance = Stream::new(0);
        assert_eq!([chance.bits(), chance.bits()], [0xE220_A839_7B1D_CDAF, 0x6E78_9E6A_A1B9_65F4]);
        let mut order: Vec<u32> = (0..20).collect();
        Stream::new(4).shuffle(&mut order);
        assert_ne!(order, (0..20).collect::<Vec<_>>());
        order.sort_unstable();
        assert_eq!(order, (0..20).collect::<Vec<_>>());
        assert_eq!(Stream::new(4).below(0), 0);
        assert_eq!(Stream::new(4).poisson(0.0), 0);
    }
}
