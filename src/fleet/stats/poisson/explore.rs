//! Which spreads of the factors the counts allow: the likeliest ones, and a grid over all that are likely.
//!
//! The grid is that of H. Rue, S. Martino and N. Chopin, J. R. Statist. Soc. B 71 (2009) 319–392, section 3.1: from the
//! top to all sides, as far as it is likely.

use std::collections::BTreeSet;

use super::laplace::{Counts, Effects};

/// Natural logarithm of the least and the greatest spread looked at: a hundredth is nothing, and a factor of e⁵ from level to
/// level more than any cause makes.
pub(super) const LOG_SPREAD: (f64, f64) = (-4.605_170_185_988_091, 1.609_437_912_434_100_3);
/// What is this much less likely than the likeliest is left out.
const LEFT_OUT: f64 = 5.0;
/// Steps of the grid in standard deviations: the sum is still as good as the integral.
const STEP: f64 = 1.3;
/// Where the grid begins when the likeliest spread is less: a tenth.
const LOG_MIDDLE_MIN: f64 = -std::f64::consts::LN_10;
/// More than three factors would make the grid endless.
const NODES_MAX: usize = 500;

/// One set of spreads.
pub(super) struct Node {
    /// Place in the grid.
    pub(super) place: Vec<i32>,
    pub(super) log_spreads: Vec<f64>,
    /// Logarithm of likelihood times prior.
    pub(super) log_weight: f64,
    pub(super) effects: Effects,
}

/// All sets of spreads that are likely.
pub(super) struct Grid {
    pub(super) nodes: Vec<Node>,
    /// Steps of each factor's log spread.
    pub(super) steps: Vec<f64>,
}

/// What is believed of one spread before: half Student's t with 4 degrees and scale 1, over the log spread.
pub(super) fn log_prior(log_spread: f64) -> f64 {
    let spread = log_spread.exp();
    -2.5 * (spread * spread / 4.0).ln_1p() + log_spread
}

fn spreads(log_spreads: &[f64], left_out: &[bool]) -> Vec<f64> {
    log_spreads.iter().zip(left_out).map(|(log, &out)| if out { 0.0 } else { log.exp() }).collect()
}

/// The greatest likelihood without the factors left out, and where it is.
pub(super) struct Top {
    pub(super) log_likelihood: f64,
    pub(super) log_spreads: Vec<f64>,
    pub(super) effects: Effects,
}

/// Climbs to the greatest likelihood, one spread after the other by parabolas.
pub(super) fn climb(counts: &Counts, from: &Top, left_out: &[bool]) -> Option<Top> {
    let height_at = |log_spreads: &[f64], start: &Effects| {
        let at = counts.at(&spreads(log_spreads, left_out), start)?;
        Some((at.log_likelihood, at.effects))
    };
    let mut log_spreads = from.log_spreads.clone();
    let (mut height, mut effects) = height_at(&log_spreads, &from.effects)?;
    let mut reach: Vec<f64> = counts.sizes.iter().map(|&size| (2.0 / (size as f64).sqrt()).clamp(0.15, 0.8)).collect();
    for _ in 0..12 {
        let before = height;
        for f in (0..log_spreads.len()).filter(|&f| !left_out[f]) {
            let middle = log_spreads[f];
            let mut tried = vec![];
            for by in [-reach[f], reach[f]] {
                log_spreads[f] = (middle + by).clamp(LOG_SPREAD.0, LOG_SPREAD.1);
                tried.extend(height_at(&log_spreads, &effects).map(|(there, e)| (log_spreads[f], there, e)));
            }
            if let [(left, at_left, _), (right, at_right, _)] = &tried[..] {
                let top = parabola((*left, *at_left), (middle, height), (*right, *at_right));
                if let Some(top) = top {
                    log_spreads[f] =
                        top.clamp(middle - 2.0 * reach[f], middle + 2.0 * reach[f]).clamp(LOG_SPREAD.0, LOG_SPREAD.1);
                    tried.extend(height_at(&log_spreads, &effects).map(|(there, e)| (log_spreads[f], there, e)));
                }
            }
            log_spreads[f] = middle;
            for (there, at, e) in tried {
                if at > height {
                    (log_spreads[f], height, effects) = (there, at, e);
                }
            }
            let moved = (log_spreads[f] - middle).abs();
            reach[f] = if moved >= 0.9 * reach[f] { (reach[f] * 1.8).min(1.5) } else { (reach[f] * 0.5).max(0.05) };
        }
        if height - before < 0.02 {
            break;
        }
    }
    Some(Top { log_likelihood: height, log_spreads, effects })
}

/// Top of the parabola through three points; `None` where they do not bend down.
fn parabola(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> Option<f64> {
    let (left, right) = ((b.1 - a.1) / (b.0 - a.0), (c.1 - b.1) / (c.0 - b.0));
    let bend = (right - left) / (c.0 - a.0);
    (bend.is_finite() && bend < -1e-9).then(|| f64::midpoint(a.0, b.0) - left / (2.0 * bend))
}

/// Everything likely, from the likeliest on.
pub(super) fn grid(counts: &Counts, likeliest: &Top) -> Option<Grid> {
    let factors = likeliest.log_spreads.len();
    // A likeliest spread of nothing is no middle: with what is believed before, the weight falls off to it.
    let middle: Vec<f64> = likeliest.log_spreads.iter().map(|log| log.max(LOG_MIDDLE_MIN)).collect();
    let none_left_out = vec![false; factors];
    let weigh = |log_spreads: &[f64], start: &Effects| {
        let at = counts.at(&spreads(log_spreads, &none_left_out), start)?;
        Some((at.log_likelihood + log_spreads.iter().map(|log| log_prior(*log)).sum::<f64>(), at.effects))
    };
    let (at_top, effects) = weigh(&middle, &likeliest.effects)?;
    let mut steps = vec![];
    for (f, &size) in counts.sizes.iter().enumerate() {
        let by = (1.5 / (size as f64).sqrt()).clamp(0.1, 0.6);
        let beside = |sign: f64| {
            let mut log_spreads = middle.clone();
            log_spreads[f] += sign * by;
            weigh(&log_spreads, &effects).map(|(weight, _)| weight)
        };
        let bend = (2.0 * at_top - beside(-1.0)? - beside(1.0)?) / (by * by);
        let sd = if bend > 0.0 { 1.0 / bend.sqrt() } else { 1.0 };
        steps.push(STEP * sd.clamp(0.04, 0.6));
    }
    let place = vec![0; factors];
    let mut seen = BTreeSet::from([place.clone()]);
    let mut nodes = vec![Node { place, log_spreads: middle.clone(), log_weight: at_top, effects }];
    let mut best = at_top;
    let mut edge = vec![0];
    while !edge.is_empty() && nodes.len() < NODES_MAX {
        let mut wanted: Vec<(Vec<i32>, usize)> = vec![];
        for &from in edge.iter().filter(|&&from| nodes[from].log_weight > best - LEFT_OUT) {
            for f in 0..factors {
                for by in [-1, 1] {
                    let mut place = nodes[from].place.clone();
                    place[f] += by;
                    let log_spread = middle[f] + steps[f] * f64::from(place[f]);
                    if (LOG_SPREAD.0..=LOG_SPREAD.1).contains(&log_spread) && seen.insert(place.clone()) {
                        wanted.push((place, from));
                    }
                }
            }
        }
        let log_spreads_of =
            |place: &[i32]| -> Vec<f64> { (0..factors).map(|f| middle[f] + steps[f] * f64::from(place[f])).collect() };
        // Each depends on its parent alone: the same whatever the number of threads.
        let known = &nodes;
        let found = side_by_side(&wanted, |(place, from)| {
            let log_spreads = log_spreads_of(place);
            let (log_weight, effects) = weigh(&log_spreads, &known[*from].effects)?;
            Some(Node { place: place.clone(), log_spreads, log_weight, effects })
        });
        edge.clear();
        for node in found.into_iter().flatten() {
            best = best.max(node.log_weight);
            edge.push(nodes.len());
            nodes.push(node);
        }
    }
    nodes.retain(|node| node.log_weight > best - LEFT_OUT - 1.0);
    nodes.iter_mut().for_each(|node| node.log_weight -= best);
    let sum: f64 = nodes.iter().map(|node| node.log_weight.exp()).sum();
    nodes.iter_mut().for_each(|node| node.log_weight -= sum.ln());
    Some(Grid { nodes, steps })
}

/// One result a thing, in their order, on as many threads as the machine has.
pub(super) fn side_by_side<T: Sync, R: Send>(things: &[T], of: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let share = things.len().div_ceil(threads).max(1);
    if things.len() < 2 || threads < 2 {
        return things.iter().map(of).collect();
    }
    std::thread::scope(|scope| {
        let of = &of;
        let started: Vec<_> =
            things.chunks(share).map(|part| scope.spawn(move || part.iter().map(of).collect::<Vec<R>>())).collect();
        started
            .into_iter()
            .flat_map(|thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    })
}
