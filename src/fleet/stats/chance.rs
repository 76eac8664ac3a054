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
