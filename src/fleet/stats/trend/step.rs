//! A sudden step against slow drift.
//!
//! For every place between two readings a line with a step there is compared with a line alone, over residuals of which
//! wild ones are pulled in; the best of all places is judged against the best after the residuals were put into random
//! order (D.W.K. Andrews, Econometrica 61 (1993) 821–856, for the statistic; F. Pesarin, Multivariate Permutation Tests, 2001,
//! for its judging). The size is then taken by a robust fit.

use super::super::chance::Stream;
use super::super::linear::robust;
use super::theil_sen::{median, points, theil_sen};

/// A sudden step in readings that otherwise drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Middle between the last reading before it and the first after.
    pub at: f64,
    /// Units of `y` that it went up; negative: down.
    pub size: f64,
    /// Standard error of the size.
    pub standard_error: f64,
    /// Probability that drift and scatter alone look as much like a step, anywhere in the readings. At least 0.001.
    pub p: f64,
    /// Units of `y` for one of `x` that the readings drift beside the step.
    pub drift: f64,
}

/// Fewer cannot show a step beside a drift.
const READINGS_MIN: usize = 6;
/// More are first gathered into this many blocks, by medians: a step shows all the same.
const READINGS_MAX: usize = 240;
/// One wild reading at either end is no step.
const SIDE_MIN: usize = 2;
/// Orders tried, the readings' own among them.
const ORDERS: usize = 1000;
/// Where residuals are pulled in, in standard deviations.
const PULLED_IN: f64 = 3.0;

/// Looks for the one likeliest step. `None` for fewer than 6 readings, fewer than 4 different `x`, columns of different
/// length, or what is no number.
pub fn step(x: &[f64], y: &[f64]) -> Option<Step> {
    if x.len() < READINGS_MIN {
        return None;
    }
    let points = points(x, y, READINGS_MAX)?;
    let x: Vec<f64> = points.iter().map(|(x, _)| *x).collect();
    let y: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
    let splits = Splits::new(&x)?;
    let line = theil_sen(&x, &y, 0.9)?;
    let mut left: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - line.intercept - line.slope * x).collect();
    let mut sizes: Vec<f64> = left.iter().map(|r| r.abs()).collect();
    let reach = PULLED_IN * median(&mut sizes)? / 0.674_489_750_196_081_7;
    let largest = y.iter().fold(0.0, |a: f64, b| a.max(b.abs()));
    if reach > 1e-9 * largest {
        left.iter_mut().for_each(|r| *r = r.clamp(-reach, reach));
    }
    if left.iter().all(|r| r.abs() <= 1e-9 * largest) {
        // On the line, every one.
        return None;
    }
    let (before, own) = splits.best(&left)?;
    let mut chance = Stream::new(0x57E9);
    let as_good = (1..ORDERS).filter(|_| {
        chance.shuffle(&mut left);
        splits.best(&left).is_some_and(|(_, gain)| gain >= own * (1.0 - 1e-12))
    });
    let p = (1 + as_good.count()) as f64 / ORDERS as f64;

    let middle = x[before];
    let columns = vec![
        vec![1.0; x.len()],
        x.iter().map(|x| x - middle).collect(),
        (0..x.len()).map(|i| if i > before { 1.0 } else { 0.0 }).collect(),
    ];
    let fit = robust(&columns, &y, &[], 0)?;
    Some(Step {
        at: f64::midpoint(x[before], x[before + 1]),
        size: fit.coefficients[2],
        standard_error: fit.standard_errors[2],
        p,
        drift: fit.coefficients[1],
    })
}

/// Where a step can be, and what of a step's column a constant and a slope do not explain.
struct Splits {
    x: Vec<f64>,
    /// Middle of `x`, and the sum of squares about it.
    middle: f64,
    spread: f64,
    /// Last reading before the step, the step's covariance with `x`, and what is its own.
    places: Vec<(usize, f64, f64)>,
}

impl Splits {
    fn new(x: &[f64]) -> Option<Self> {
        let n = x.len() as f64;
        let middle = x.iter().sum::<f64>() / n;
        let spread: f64 = x.iter().map(|x| (x - middle) * (x - middle)).sum();
        let mut places = vec![];
        let mut with_x = 0.0;
        for (before, pair) in x.windows(2).enumerate() {
            with_x -= pair[0] - middle;
            let after = (x.len() - 1 - before) as f64;
            let own = after * (n - after) / n - with_x * with_x / spread;
            let sides = before + 1 >= SIDE_MIN && after as usize >= SIDE_MIN;
            // Two readings at one x cannot have a step between them.
            if sides && pair[1] > pair[0] && own > 1e-9 * n {
                places.push((before, with_x, own));
            }
        }
        let sound = spread.is_finite() && spread > 0.0 && !places.is_empty();
        sound.then(|| Self { x: x.to_vec(), middle, spread, places })
    }

    /// The place where a step takes most from the squares that a line leaves, and its F ratio.
    fn best(&self, y: &[f64]) -> Option<(usize, f64)> {
        let n = y.len() as f64;
        let mean = y.iter().sum::<f64>() / n;
        let with_x: f64 = self.x.iter().zip(y).map(|(x, y)| (x - self.middle) * (y - mean)).sum();
        let whole: f64 = y.iter().map(|y| (y - mean) * (y - mean)).sum();
        let left = whole - with_x * with_x / self.spread;
        let mut so_far = 0.0;
        let mut until = 0;
        let mut best: Option<(usize, f64)> = None;
        for &(before, step_with_x, own) in &self.places {
            while until <= before {
                so_far -= y[until] - mean;
                until += 1;
            }
            let with_step = so_far - step_with_x * with_x / self.spread;
            let taken = with_step * with_step / own;
            if best.is_none_or(|(_, most)| taken > most) {
                best = Some((before, taken));
            }
        }
        let (before, taken) = best?;
        let rest = (left - taken).max(1e-12 * left.abs()).max(f64::MIN_POSITIVE);
        Some((before, taken / rest))
    }
}
