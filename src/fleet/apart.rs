//! A place that sees more of something than it should: is it the place, or one of those who pass it?
//!
//! Counts and expected counts by vehicle (and by operator) in, how probable each cause is out. Pure.
//!
//! Four explanations are compared by how well they foretold the counts: nothing special, places of this kind differ by so
//! much; the place, which raises everybody's rate by one factor beyond that; one of those who pass, whose rate alone is
//! raised here; both. The factor is not known
//! beforehand: what an explanation foretold is averaged over factors from 1.5 to a million, evenly in the logarithm. So an
//! explanation that could fit anything pays for it (Bayes factors: Kass and Raftery, J. Am. Stat. Assoc. 90, 1995,
//! 773–795; the method from memory). With few counts no explanation wins, and that is the answer.

use statrs::function::gamma::{gamma_lr, gamma_ur, ln_gamma};

/// Before anything is seen: nothing special, the place, one of those who pass (all together), both.
const BEFOREHAND: [f64; 4] = [0.4, 0.3, 0.25, 0.05];
/// From this probability on a cause is named.
pub const NAMED_FROM: f64 = 0.9;
/// Where a cause acts, it raises the rate at least so much, and at most so much.
const FACTOR_LEAST: f64 = 1.5;
const FACTOR_MOST: f64 = 1e6;

/// The counts of a place, split by those who passed it: vehicles, or operators.
#[derive(Debug, Clone, Default)]
pub struct Split {
    /// How often it happened to each.
    pub counts: Vec<u64>,
    /// How often it would at the ordinary rate, the faults that each shows elsewhere included; 0 for who never passes.
    pub expected: Vec<f64>,
}

/// A rate of so many times the others' is one's own: vehicles differ somewhat for reasons that nobody knows, such as the
/// season in which they passed.
const BEYOND: f64 = 3.0;
/// A place is seen by so many who pass, at least; two may each have a fault of their own.
const SEEN_BY: usize = 3;

/// How probable each cause is, given the counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Causes {
    /// Whether there are more than ordinary places, by their rates' differences, would have: the factor from which on a
    /// cause is looked for.
    pub raised: bool,
    /// How many of those in the first split had any.
    pub seen_by: usize,
    /// Nothing special: what happens here happens everywhere.
    pub ordinary: f64,
    /// The place raises everybody's rate.
    pub place: f64,
    /// One of those who pass, one entry a split.
    pub one: Vec<One>,
}

/// One of those who pass.
#[derive(Debug, Clone, PartialEq)]
pub struct One {
    /// Any one of them, and nothing else.
    pub alone: f64,
    /// The place, and any one of them beyond it.
    pub both: f64,
    /// The most probable, by its index.
    pub which: Option<usize>,
    /// How probable it is that it is this one, alone or beyond the place.
    pub this_one: f64,
}

/// What to say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// No more than elsewhere.
    Ordinary,
    /// The overhead here.
    Place,
    /// One of those who pass: which split, and which in it.
    One(usize, usize),
    /// The overhead here, and one beyond it.
    Both(usize, usize),
    /// Cannot be told apart.
    Untold,
}

impl Causes {
    /// What can be said with [`NAMED_FROM`], and how probable that is.
    pub fn verdict(&self) -> (Verdict, f64) {
        if self.ordinary >= 0.5 || !self.raised {
            return (Verdict::Ordinary, self.ordinary);
        }
        let place = self.place + self.one.iter().map(|one| one.both).sum::<f64>();
        let likeliest = self.one.iter().enumerate().max_by(|a, b| a.1.this_one.total_cmp(&b.1.this_one));
        let named = likeliest.and_then(|(split, one)| Some((split, one.which?, one)));
        if place >= NAMED_FROM {
            return match named {
                _ if self.seen_by < SEEN_BY => (Verdict::Untold, place),
                Some((split, which, one)) if one.both >= NAMED_FROM => (Verdict::Both(split, which), one.both),
                _ => (Verdict::Place, place),
            };
        }
        match named {
            Some((split, which, one)) if one.this_one >= NAMED_FROM => (Verdict::One(split, which), one.this_one),
            _ => (Verdict::Untold, self.one.iter().map(|one| one.alone).fold(place, f64::max)),
        }
    }
}

/// Compares the explanations. `splits` are the same counts, split in one or more ways. `looked_at`: out of how many
/// alike this place was picked for its counts; 1 for one that was looked at anyway. `alike`: how much ordinary places of
/// its kind are alike, as the shape of a gamma distribution of their rates; their rates differ by a standard deviation
/// of `1 / sqrt(alike)`.
///
/// `None` where nothing is expected, or a split is no such thing.
pub fn compare(splits: &[Split], looked_at: f64, alike: f64) -> Option<Causes> {
    let sound = |split: &Split| {
        let total: f64 = split.expected.iter().sum();
        split.counts.len() == split.expected.len()
            && split.expected.iter().all(|value| value.is_finite() && *value >= 0.0)
            && total > 0.0
    };
    let first = splits.first()?;
    if !splits.iter().all(sound) {
        return None;
    }
    let total = first.counts.iter().sum::<u64>() as f64;
    let total_expected: f64 = first.expected.iter().sum();

    let alike = if alike.is_finite() { alike.clamp(0.1, 1000.0) } else { 1.0 };
    let picked = if looked_at.is_finite() { looked_at.max(1.0) } else { 1.0 };
    let ordinary = (BEFOREHAND[0] * picked).ln() + differing(total, total_expected, alike);
    let place = BEFOREHAND[1].ln() + raised(total, total_expected);
    let mut alone: Vec<Vec<f64>> = Vec::new();
    let mut both: Vec<Vec<f64>> = Vec::new();
    let passing: Vec<Vec<usize>> = splits
        .iter()
        .map(|split| (0..split.counts.len()).filter(|&at| split.expected[at] > 0.0 || split.counts[at] > 0).collect())
        .collect();
    for (split, passing) in splits.iter().zip(&passing) {
        let among = passing.len().max(1) as f64;
        // One that was seen here without being expected at all passes now and then: a thousandth of the others' mean.
        let least = total_expected / 1000.0 / among;
        let own = |at: usize| (split.counts[at] as f64, split.expected[at].max(least));
        let prior = |share: f64| (share / splits.len() as f64 / among).ln();
        let others = |at: usize| {
            let (count, expected) = own(at);
            (total - count, (total_expected - expected).max(least))
        };
        // Only who stands out among the others can be the one.
        let stands_out = |at: usize| {
            let ((count, expected), (others, others_expected)) = (own(at), others(at));
            count / expected >= BEYOND * others / others_expected
        };
        let alone_of = |&at: &usize| {
            let ((count, expected), (others, others_expected)) = (own(at), others(at));
            if count < 1.0 || !stands_out(at) {
                return f64::NEG_INFINITY;
            }
            prior(BEFOREHAND[2]) + differing(others, others_expected, alike) + raised(count, expected)
        };
        let both_of = |&at: &usize| {
            let ((count, expected), (others, others_expected)) = (own(at), others(at));
            if count < 2.0 || !stands_out(at) {
                return f64::NEG_INFINITY;
            }
            prior(BEFOREHAND[3]) + raised(others, others_expected) + raised(count, expected)
        };
        alone.push(passing.iter().map(alone_of).collect());
        both.push(passing.iter().map(both_of).collect());
    }
    let all: Vec<f64> = [ordinary, place]
        .into_iter()
        .chain(alone.iter().flatten().copied())
        .chain(both.iter().flatten().copied())
        .collect();
    let all = log_sum(&all);
    let share = |part: f64| (part - all).exp();
    let one = |((alone, both), passing): ((&Vec<f64>, &Vec<f64>), &Vec<usize>)| {
        let this = |at: usize| share(alone[at]) + share(both[at]);
        let best = (0..passing.len()).max_by(|&a, &b| this(a).total_cmp(&this(b)));
        One {
            alone: alone.iter().map(|&part| share(part)).sum(),
            both: both.iter().map(|&part| share(part)).sum(),
            which: best.map(|at| passing[at]),
            this_one: best.map_or(0.0, this),
        }
    };
    let one = alone.iter().zip(&both).zip(&passing).map(one).collect();
    Some(Causes {
        raised: total >= FACTOR_LEAST * total_expected,
        seen_by: first.counts.iter().filter(|count| **count > 0).count(),
        ordinary: share(ordinary),
        place: share(place),
        one,
    })
}

/// Logarithm of how much likelier a count becomes when rates differ from place to place as a gamma distribution of mean 1
/// and this shape: the negative binomial.
fn differing(count: f64, expected: f64, alike: f64) -> f64 {
    expected + alike * alike.ln() + ln_gamma(alike + count)
        - ln_gamma(alike)
        - (alike + count) * (alike + expected).ln()
}

/// Logarithm of how much likelier a count becomes when its rate is raised by a factor that is not known.
///
/// The mean of `k^n exp(-(k-1)E)` over factors `k`, evenly in `ln k`: an incomplete gamma integral for `n` above 0.
fn raised(count: f64, expected: f64) -> f64 {
    let width = (FACTOR_MOST / FACTOR_LEAST).ln();
    let (from, to) = (FACTOR_LEAST * expected, FACTOR_MOST * expected);
    if count < 0.5 {
        const STEPS: u32 = 60;
        let at = |step: u32| expected - from * ((f64::from(step) + 0.5) / f64::from(STEPS) * width).exp();
        return log_sum(&(0..STEPS).map(at).collect::<Vec<_>>()) - f64::from(STEPS).ln();
    }
    // From whichever side loses nothing: both ends lie in one tail where the factor is nowhere near the counts'.
    let part = if from > count {
        gamma_ur(count, from) - gamma_ur(count, to)
    } else {
        gamma_lr(count, to) - gamma_lr(count, from)
    };
    if part <= 0.0 || part.is_nan() {
        return f64::NEG_INFINITY;
    }
    expected + ln_gamma(count) - count * expected.ln() + part.ln() - width.ln()
}

/// Logarithm of the sum of exponentials, without overflow.
fn log_sum(values: &[f64]) -> f64 {
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + values.iter().map(|value| (value - most).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Small numbers from a fixed sequence, so that the tests are the same every time.
    struct Sequence(u64);

    impl Sequence {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        }

        fn poisson(&mut self, mean: f64) -> u64 {
            let (mut count, mut product) = (0, self.uniform());
            while product > (-mean).exp() {
                product *= self.uniform();
                count += 1;
            }
            count
        }
    }

    fn verdict(counts: &[u64], expected: &[f64]) -> (Verdict, f64) {
        compare(&[Split { counts: counts.to_vec(), expected: expected.to_vec() }], 1.0, 1000.0).unwrap().verdict()
    }

    #[test]
    fn many_vehicles_are_the_place_and_one_is_the_vehicle() {
        let expected = vec![0.02; 60];
        let mut many = vec![0; 60];
        many[..9].fill(1);
        assert_eq!(verdict(&many, &expected).0, Verdict::Place);
        let mut one = vec![0; 60];
        one[17] = 7;
        assert_eq!(verdict(&one, &expected).0, Verdict::One(0, 17));
        let mut both = many.clone();
        both[17] = 14;
        assert_eq!(verdict(&both, &expected).0, Verdict::Both(0, 17));
    }

    #[test]
    fn where_one_vehicle_passes_alone_it_cannot_be_told() {
        let mut expected = vec![0.0; 60];
        expected[3] = 1.0;
        let mut counts = vec![0; 60];
        counts[3] = 12;
        let (said, _) = verdict(&counts, &expected);
        assert_eq!(said, Verdict::Untold);
        assert_eq!(verdict(&[12], &[1.0]).0, Verdict::Untold, "a fleet of one");
    }

    #[test]
    fn an_ordinary_place_is_seldom_blamed() {
        let mut sequence = Sequence(7);
        let expected = vec![0.05; 60];
        let blamed = (0..500)
            .filter(|_| {
                let counts: Vec<u64> = expected.iter().map(|&mean| sequence.poisson(mean)).collect();
                matches!(verdict(&counts, &expected).0, Verdict::Place | Verdict::One(..) | Verdict::Both(..))
            })
            .count();
        assert!(blamed <= 10, "{blamed} of 500 ordinary places blamed");
    }

    #[test]
    fn named_causes_are_right_as_often_as_they_claim() {
        let mut sequence = Sequence(11);
        let (mut named, mut right, mut claimed) = (0.0, 0.0, 0.0);
        for round in 0..600 {
            let expected: Vec<f64> = (0..60).map(|_| 0.01 + 0.05 * sequence.uniform()).collect();
            let factor = 4.0 + 30.0 * sequence.uniform();
            let culprit = (sequence.uniform() * 60.0) as usize;
            let is_place = round % 2 == 0;
            let counts: Vec<u64> = (0..60)
                .map(|at| {
                    sequence.poisson(if is_place || at == culprit { factor * expected[at] } else { expected[at] })
                })
                .collect();
            let (said, probability) = verdict(&counts, &expected);
            let truth = if is_place { Verdict::Place } else { Verdict::One(0, culprit) };
            if matches!(said, Verdict::Place | Verdict::One(..)) {
                named += 1.0;
                claimed += probability;
                right += f64::from(u8::from(said == truth));
            }
        }
        assert!(named > 200.0, "{named} of 600 named");
        assert!(right / named > claimed / named - 0.03, "{right} right of {named}, claimed {claimed}");
    }

    #[test]
    fn one_operator_in_many_vehicles_is_told_from_one_vehicle() {
        let vehicles = Split { counts: vec![1, 1, 1, 1, 1, 1, 0, 0], expected: vec![0.03; 8] };
        let operators = Split { counts: vec![0, 6, 0, 0, 0, 0, 0, 0], expected: vec![0.03; 8] };
        assert_eq!(compare(&[vehicles.clone(), operators], 1.0, 1000.0).unwrap().verdict().0, Verdict::One(1, 1));
        let spread = Split { counts: vec![1, 1, 1, 1, 1, 1, 0, 0], expected: vec![0.03; 8] };
        assert_eq!(compare(&[vehicles, spread], 1.0, 1000.0).unwrap().verdict().0, Verdict::Place);
    }

    #[test]
    fn who_looks_at_many_places_finds_some_that_happen_to_have_more() {
        let split = Split { counts: vec![1, 1, 1, 0, 0, 0], expected: vec![0.05; 6] };
        let anyway = compare(std::slice::from_ref(&split), 1.0, 1000.0).unwrap();
        let picked = compare(&[split], 1000.0, 1000.0).unwrap();
        assert!(picked.ordinary > anyway.ordinary * 5.0, "{} after {}", picked.ordinary, anyway.ordinary);
    }

    #[test]
    fn where_like_places_differ_by_as_much_a_place_is_ordinary() {
        let split = Split { counts: vec![2; 50], expected: vec![1.0; 50] };
        assert_eq!(compare(std::slice::from_ref(&split), 1.0, 1000.0).unwrap().verdict().0, Verdict::Place);
        assert_eq!(compare(std::slice::from_ref(&split), 1.0, 2.0).unwrap().verdict().0, Verdict::Ordinary);
        let bad = Split { counts: vec![18; 50], expected: vec![1.0; 50] };
        assert_eq!(compare(&[bad], 1.0, 2.0).unwrap().verdict().0, Verdict::Place);
    }

    #[test]
    fn what_differs_adds_up_to_one() {
        // The negative binomial of mean 3 and shape 2 over all counts, times what Poisson foretells.
        let (expected, alike) = (3.0_f64, 2.0);
        let sum: f64 = (0..200)
            .map(|count| {
                let count = f64::from(count);
                (differing(count, expected, alike) + count * expected.ln() - expected - ln_gamma(count + 1.0)).exp()
            })
            .sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    }

    #[test]
    fn the_mean_over_factors_is_that_of_plain_summing() {
        for (count, expected) in [(0.0, 0.3), (1.0, 0.02), (7.0, 0.4), (40.0, 60.0), (400.0, 90.0), (3.0, 1e-6)] {
            let width = (FACTOR_MOST / FACTOR_LEAST).ln();
            let steps = 400_000;
            let terms: Vec<f64> = (0..steps)
                .map(|step| {
                    let factor = FACTOR_LEAST * ((f64::from(step) + 0.5) / f64::from(steps) * width).exp();
                    count * factor.ln() - (factor - 1.0) * expected
                })
                .collect();
            let summed = log_sum(&terms) - f64::from(steps).ln();
            let reckoned = raised(count, expected);
            assert!(
                (reckoned - summed).abs() < 2e-3 * summed.abs().max(1.0),
                "{count} of {expected}: {reckoned}, {summed}"
            );
        }
        assert!(raised(5.0, 1e9) == f64::NEG_INFINITY, "where it is out of the question");
    }

    #[test]
    fn nothing_is_said_about_nothing() {
        let of = |counts: &[u64], expected: &[f64]| {
            compare(&[Split { counts: counts.to_vec(), expected: expected.to_vec() }], 1.0, 1000.0)
        };
        assert_eq!(compare(&[], 1.0, 1000.0), None);
        assert_eq!(of(&[], &[]), None);
        assert_eq!(of(&[1], &[0.0]), None);
        assert_eq!(of(&[1], &[f64::NAN]), None);
        assert_eq!(of(&[1], &[1.0, 2.0]), None);
        assert_eq!(verdict(&[0, 0], &[1.0, 1.0]).0, Verdict::Ordinary);
    }
}
