//! Seeded chance: the same key gives the same numbers on every machine.
//!
//! A stream belongs to a key (what is being drawn, for whom, on which day), so that drawing more of one thing never
//! changes another. The generator is SplitMix64 (Steele, Lea and Flood, OOPSLA 2014): a page of integer arithmetic,
//! statistically good enough for weather and drivers.

/// One stream of numbers.
#[derive(Debug, Clone)]
pub(crate) struct Chance {
    state: u64,
}

const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;

fn mixed(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Chance {
    /// The stream of `subject` (a word naming what is drawn) under `seed`, for whatever `key` tells apart.
    pub(crate) fn of(seed: u64, subject: &str, key: &[u64]) -> Self {
        let mut state = mixed(seed ^ GOLDEN);
        for byte in subject.bytes() {
            state = mixed(state ^ u64::from(byte)).wrapping_add(GOLDEN);
        }
        for &part in key {
            state = mixed(state ^ part).wrapping_add(GOLDEN);
        }
        Self { state }
    }

    /// Another stream, which this one's state and a word tell apart; this one goes on as if nothing had been.
    pub(crate) fn branch(&self, subject: &str) -> Self {
        Self::of(self.state, subject, &[])
    }

    /// The next 64 bits.
    pub(crate) fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GOLDEN);
        mixed(self.state)
    }

    /// Evenly from 0 up to, but not, 1.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly between two numbers.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number below `count`.
    pub(crate) fn below(&mut self, count: u64) -> u64 {
        if count == 0 { 0 } else { self.bits() % count }
    }

    /// Whether something of this probability happens.
    pub(crate) fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Bell-shaped about 0 with standard deviation 1, never beyond 3.5: the sum of four even numbers.
    pub(crate) fn bell(&mut self) -> f64 {
        let sum = self.unit() + self.unit() + self.unit() + self.unit();
        (sum - 2.0) * 1.732_050_807_568_877_2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_always_gives_the_same_numbers() {
        let mut one = Chance::of(7, "weather", &[3, 4]);
        let mut two = Chance::of(7, "weather", &[3, 4]);
        let mut other = Chance::of(7, "weather", &[4, 3]);
        let first: Vec<u64> = (0..8).map(|_| one.bits()).collect();
        assert_eq!(first, (0..8).map(|_| two.bits()).collect::<Vec<_>>());
        assert_ne!(first, (0..8).map(|_| other.bits()).collect::<Vec<_>>());
    }

    #[test]
    fn the_bell_has_mean_0_and_deviation_1() {
        let mut chance = Chance::of(1, "bell", &[]);
        let draws: Vec<f64> = (0..20_000).map(|_| chance.bell()).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let variance = draws.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / draws.len() as f64;
        assert!(mean.abs() < 0.03, "mean {mean}");
        assert!((variance - 1.0).abs() < 0.03, "variance {variance}");
    }
}
