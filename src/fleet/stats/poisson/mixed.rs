//! Counts on several factors at once, whose levels' effects are shrunk towards none.
//!
//! A Poisson regression with normal effects of each factor on the logarithm of the rate: N.E. Breslow and D.G. Clayton,
//! JASA 88 (1993) 9–25. The spreads of the factors are found by Laplace's approximation to their likelihood; what is not
//! known of them goes into every error and interval (see `explore`). Rows are taken to be Poisson given the effects: what
//! else makes counts cluster, weather say, must be a factor to be seen.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::super::chance::Stream;
use super::super::linear::Effect;
use super::explore::{Grid, Top, climb, grid, side_by_side};
use super::laplace::Counts;

/// One combination of levels: how often it happened, over how much.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// How often.
    pub count: u64,
    /// Over how much: passages, km. Rows without exposure are left out.
    pub exposure: f64,
    /// One level a factor; `None` where it is not known.
    pub levels: Vec<Option<usize>>,
}

/// A number with what it may as well be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The number: a median.
    pub value: f64,
    /// Lower end of its 90 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What one factor does.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    /// Logarithm of each level's rate over the usual rate, shrunk; a level without rows has value 0 and the factor's own
    /// spread as error.
    pub effects: Vec<Effect>,
    /// Standard deviation of the levels' logarithms. Never quite 0: see `p` for whether it may be.
    pub sd: Estimate,
    /// Share of the variance between levels, of all factors together, that is this factor's: 0 to 1.
    pub share: Estimate,
    /// Probability of seeing this much of the factor, beyond what the others explain, when it does nothing.
    pub p: f64,
}

/// Counts on several factors.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixed {
    /// Logarithm of the usual rate.
    pub intercept: Effect,
    /// One a factor.
    pub factors: Vec<Factor>,
    /// Whether the data can tell which factor it is.
    pub told_apart: bool,
    /// Why.
    pub why: Why,
}

/// Why causes can, or cannot, be told apart. Factors are numbered as in [`Row::levels`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Why {
    /// These factors matter, each beyond what the others explain, and nothing else is seen.
    Matter(Vec<usize>),
    /// Nothing varies more than chance makes it.
    Nothing,
    /// These factors go together, so that it may be either.
    Together(Vec<usize>),
}

impl Why {
    /// In words, with a word for each factor.
    pub fn words(&self, names: &[&str]) -> String {
        let listed = |which: &[usize], last: &str| -> String {
            let names: Vec<&str> = which.iter().map(|&f| names.get(f).copied().unwrap_or("another cause")).collect();
            match &names[..] {
                [] => "nothing".into(),
                [one] => (*one).into(),
                [rest @ .., end] => format!("{} {last} {end}", rest.join(", ")),
            }
        };
        match self {
            Self::Matter(which) => format!("{}: beyond what the others explain", listed(which, "and")),
            Self::Nothing => "cannot be told apart: nothing varies more than chance makes it".into(),
            Self::Together(which) => {
                format!("cannot be told apart: it may be {}, which go together in these data", listed(which, "or"))
            }
        }
    }
}

/// A factor matters when this is rarer, divided by the number of factors, when it does nothing.
const RARE: f64 = 0.05;
/// Draws for the intervals of spreads and shares.
const DRAWS: usize = 8000;
/// Errors of effects are averaged over the likeliest spreads that together weigh this much.
const WEIGHT_OF_ERRORS: f64 = 0.9;

/// Fits counts on factors of these sizes.
///
/// `None`: no factor, a factor without levels, rows of other shape, no row with exposure, no count at all.
pub fn mixed(rows: &[Row], sizes: &[usize]) -> Option<Mixed> {
    let counts = Counts::new(rows, sizes)?;
    if sizes.is_empty() || counts.sizes.contains(&0) {
        return None;
    }
    let factors = sizes.len();
    let start = Top { log_likelihood: 0.0, log_spreads: vec![-1.0; factors], effects: counts.none() };
    let likeliest = climb(&counts, &start, &vec![false; factors])?;
    let without = |left_out: &[usize]| {
        let is_out: Vec<bool> = (0..factors).map(|f| left_out.contains(&f)).collect();
        // The others may have to make up for what is left out, and a climb from a spread of nothing would stay there.
        let lost: f64 = left_out.iter().map(|&f| (2.0 * likeliest.log_spreads[f]).exp()).sum();
        let log_spreads =
            likeliest.log_spreads.iter().map(|log| ((2.0 * log).exp() + lost).max(0.01).ln() / 2.0).collect();
        let start = Top { log_likelihood: 0.0, log_spreads, effects: likeliest.effects.clone() };
        climb(&counts, &start, &is_out).map(|top| top.log_likelihood)
    };
    let each: Vec<Vec<usize>> = (0..factors).map(|f| vec![f]).collect();
    let alone = side_by_side(&each, |left_out| without(left_out)).into_iter().collect::<Option<Vec<f64>>>()?;
    let p: Vec<f64> = alone.iter().map(|&less| rarity(likeliest.log_likelihood - less, 1)).collect();
    let why = verdict(&p, likeliest.log_likelihood, without)?;

    let grid = grid(&counts, &likeliest)?;
    let (intercept, effects) = effects(&counts, &grid)?;
    let (sds, shares) = spreads_and_shares(&grid, factors);
    let factors: Vec<Factor> = effects
        .into_iter()
        .zip(sds)
        .zip(shares)
        .zip(p)
        .map(|(((effects, sd), share), p)| Factor { effects, sd, share, p })
        .collect();
    Some(Mixed { intercept, factors, told_apart: matches!(why, Why::Matter(_)), why })
}

/// Probability of gaining this much log likelihood by `spreads` spreads that are all 0: S.G. Self and K.-Y. Liang, JASA 82
/// (1987) 605–610. Half of the time, a spread that is 0 is found to be 0.
fn rarity(gain: f64, spreads: usize) -> f64 {
    if gain <= 0.0 {
        return 1.0;
    }
    let mut ways = 1.0;
    let mut p = 0.0;
    for found in 1..=spreads {
        ways *= (spreads - found + 1) as f64 / found as f64;
        p += ways * ChiSquared::new(found as f64).map_or(1.0, |chi| chi.sf(2.0 * gain));
    }
    p / 2f64.powi(spreads as i32)
}

fn verdict(p: &[f64], full: f64, without: impl Fn(&[usize]) -> Option<f64>) -> Option<Why> {
    let rare = RARE / p.len() as f64;
    let (matter, rest): (Vec<usize>, Vec<usize>) = (0..p.len()).partition(|&f| p[f] < rare);
    if rest.len() >= 2 && rarity(full - without(&rest)?, rest.len()) < RARE {
        // Those are together of which both cannot be missed, though each can.
        let mut together = vec![];
        for (index, &f) in rest.iter().enumerate() {
            for &g in &rest[index + 1..] {
                if rest.len() == 2 || rarity(full - without(&[f, g])?, 2) < RARE {
                    together.extend([f, g]);
                }
            }
        }
        together.sort_unstable();
        together.dedup();
        return Some(Why::Together(if together.is_empty() { rest } else { together }));
    }
    Some(if matter.is_empty() { Why::Nothing } else { Why::Matter(matter) })
}

/// Effects and their errors, over all likely spreads.
fn effects(counts: &Counts, grid: &Grid) -> Option<(Effect, Vec<Vec<Effect>>)> {
    let weights: Vec<f64> = grid.nodes.iter().map(|node| node.log_weight.exp()).collect();
    let mut order: Vec<usize> = (0..weights.len()).collect();
    order.sort_by(|&a, &b| weights[b].total_cmp(&weights[a]));
    let mut so_far = 0.0;
    let enough = |index: &&usize| {
        let take = so_far < WEIGHT_OF_ERRORS;
        so_far += weights[**index];
        take
    };
    let heavy: Vec<usize> = order.iter().take_while(enough).copied().collect();
    let variances = side_by_side(&heavy, |&index| {
        let node = &grid.nodes[index];
        let spreads: Vec<f64> = node.log_spreads.iter().map(|log| log.exp()).collect();
        Some((weights[index], counts.at(&spreads, &node.effects)?.variances()))
    })
    .into_iter()
    .collect::<Option<Vec<_>>>()?;
    let heavy_weight: f64 = variances.iter().map(|(weight, _)| weight).sum();

    let of = |value: &dyn Fn(&super::laplace::Effects) -> f64| {
        let mean: f64 = grid.nodes.iter().zip(&weights).map(|(node, weight)| weight * value(&node.effects)).sum();
        let between = |(node, weight): (&super::explore::Node, &f64)| weight * (value(&node.effects) - mean).powi(2);
        let between: f64 = grid.nodes.iter().zip(&weights).map(between).sum();
        let within = variances.iter().map(|(weight, variance)| weight * value(variance)).sum::<f64>() / heavy_weight;
        let effect = Effect { value: mean, standard_error: (within + between).max(0.0).sqrt() };
        (effect.value.is_finite() && effect.standard_error.is_finite()).then_some(effect)
    };
    let intercept = of(&|effects| effects.intercept)?;
    let mut factors = vec![];
    for (f, places) in counts.place.iter().enumerate() {
        let unseen: f64 =
            grid.nodes.iter().zip(&weights).map(|(n, weight)| weight * (2.0 * n.log_spreads[f]).exp()).sum();
        let level = |place: &Option<usize>| match place {
            Some(place) => of(&|effects| effects.of[f][*place]),
            None => Some(Effect { value: 0.0, standard_error: unseen.sqrt() }),
        };
        factors.push(places.iter().map(level).collect::<Option<Vec<Effect>>>()?);
    }
    Some((intercept, factors))
}

/// Spreads and shares with their intervals, by draws between the nodes of the grid.
fn spreads_and_shares(grid: &Grid, factors: usize) -> (Vec<Estimate>, Vec<Estimate>) {
    let marginals: Vec<Marginal> = (0..factors).map(|f| Marginal::new(grid, f)).collect();
    let mut until = vec![];
    let mut sum = 0.0;
    for node in &grid.nodes {
        sum += node.log_weight.exp();
        until.push(sum);
    }
    let mut chance = Stream::new(0x5EED_0F5A);
    let mut draws: Vec<(f64, Vec<f64>)> = vec![];
    for _ in 0..DRAWS {
        let which = chance.unit() * sum;
        let node = &grid.nodes[until.partition_point(|&at| at < which).min(grid.nodes.len() - 1)];
        let mut log_weight = 0.0;
        let drawn = (0..factors).map(|f| {
            let by = chance.unit() - 0.5;
            log_weight += marginals[f].within(node.place[f], by);
            (node.log_spreads[f] + by * grid.steps[f]).exp()
        });
        let drawn: Vec<f64> = drawn.collect();
        draws.push((log_weight.exp(), drawn));
    }
    let of = |value: &dyn Fn(&[f64]) -> f64| {
        let mut values: Vec<(f64, f64)> = draws.iter().map(|(weight, drawn)| (value(drawn), *weight)).collect();
        values.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all: f64 = values.iter().map(|(_, weight)| weight).sum();
        let at = |p: f64| {
            let mut so_far = 0.0;
            let found = values.iter().find(|(_, weight)| {
                so_far += weight;
                so_far >= p * all
            });
            found.or(values.last()).map_or(0.0, |(value, _)| *value)
        };
        Estimate { value: at(0.5), low: at(0.05), high: at(0.95) }
    };
    let sds = (0..factors).map(|f| of(&|drawn| drawn[f])).collect();
    let share = |f: usize| of(&|drawn| drawn[f] * drawn[f] / drawn.iter().map(|sd| sd * sd).sum::<f64>());
    (sds, (0..factors).map(share).collect())
}

/// Logarithm of one spread's own weight at the places of the grid.
struct Marginal {
    first: i32,
    logs: Vec<f64>,
}

impl Marginal {
    fn new(grid: &Grid, f: usize) -> Self {
        let places = || grid.nodes.iter().map(|node| node.place[f]);
        let (first, last) = (places().min().unwrap_or(0), places().max().unwrap_or(0));
        let mut sums = vec![0.0; (last - first + 1) as usize];
        for node in &grid.nodes {
            sums[(node.place[f] - first) as usize] += node.log_weight.exp();
        }
        // Places next to a gap, or the end, fall off as steeply as what was left out at least.
        let logs = sums.iter().map(|sum: &f64| sum.max(1e-4).ln()).collect();
        Self { first, logs }
    }

    /// Logarithm of the weight part of a step beside a place, over that at the place, by the parabola through the neighbours.
    fn within(&self, place: i32, by: f64) -> f64 {
        let at = |place: i32| {
            let index = place - self.first;
            if index < 0 { None } else { self.logs.get(index as usize).copied() }
        };
        let (Some(here), before, after) = (at(place), at(place - 1), at(place + 1)) else { return 0.0 };
        let end = here - 3.0;
        let (before, after) = (before.unwrap_or(end), after.unwrap_or(end));
        let (slope, bend) = (f64::midpoint(after, -before), f64::midpoint(after, before) - here);
        // Where the neighbours' parabola opens upwards it is no more than a line.
        slope * by + bend.min(0.0) * by * by
    }
}
