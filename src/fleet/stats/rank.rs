//! Spearman's rank correlation.
//!
//! M. Hollander and D.A. Wolfe, Nonparametric Statistical Methods, 1973, section 8.5.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// A rank correlation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// From −1 to 1.
    pub rho: f64,
    /// Probability of a correlation as strong, either way, when there is none.
    pub p: f64,
}

/// Up to this many pairs without ties all orders are counted.
const EXACT_MAX: usize = 10;

/// Correlates ranks; ties get the mean of their ranks. `None` for fewer than 3 pairs, for columns of different length,
/// for a column that is constant or holds what is no number.
pub fn spearman(x: &[f64], y: &[f64]) -> Option<Correlation> {
    let n = x.len();
    if n < 3 || n != y.len() || x.iter().chain(y).any(|value| !value.is_finite()) {
        return None;
    }
    let ((x, x_ties), (y, y_ties)) = (ranks(x), ranks(y));
    let middle = (n as f64 + 1.0) / 2.0;
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - middle) * (b - middle)).sum::<f64>();
    let spread = product(&x, &x) * product(&y, &y);
    if spread <= 0.0 {
        return None;
    }
    let rho = (product(&x, &y) / spread.sqrt()).clamp(-1.0, 1.0);
    let p = if n <= EXACT_MAX && !x_ties && !y_ties { exact(&x, &y) } else { approximate(rho, n) };
    Some(Correlation { rho, p })
}

/// Ranks from 1, and whether any were tied.
pub(super) fn ranks(values: &[f64]) -> (Vec<f64>, bool) {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut ties = false;
    let mut begin = 0;
    for group in order.chunk_by(|&a, &b| values[a] == values[b]) {
        ties |= group.len() > 1;
        let rank = begin as f64 + (group.len() as f64 + 1.0) / 2.0;
        for &index in group {
            ranks[index] = rank;
        }
        begin += group.len();
    }
    (ranks, ties)
}

/// How many orders have each sum of squared differences of ranks, over all orders, counted by the set of ranks given
/// away so far.
fn exact(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len();
    let observed: f64 = x.iter().zip(y).map(|(a, b)| (a - b) * (a - b)).sum();
    let most = n * (n * n - 1) / 3;
    let mut ways = vec![vec![]; 1 << n];
    ways[0] = vec![0u64; most + 1];
    ways[0][0] = 1;
    for set in 0..ways.len() - 1 {
        let from = std::mem::take(&mut ways[set]);
        let place = set.count_ones() as usize;
        for rank in (0..n).filter(|rank| set & (1 << rank) == 0) {
            let cost = rank.abs_diff(place).pow(2);
            let to = &mut ways[set | (1 << rank)];
            to.resize(most + 1, 0);
            for (sum, &count) in from.iter().enumerate().filter(|(_, count)| **count > 0) {
                to[sum + cost] += count;
            }
        }
    }
    let Some(last) = ways.last() else { return 1.0 };
    // rho is 1 − 2·sum/most: as far from 0 as the sum is from most/2.
    let far = (2.0 * observed - most as f64).abs() - 1e-6;
    let total: u64 = last.iter().sum();
    let beyond: u64 =
        last.iter().enumerate().filter(|(sum, _)| (2.0 * *sum as f64 - most as f64).abs() >= far).map(|(_, c)| c).sum();
    beyond as f64 / total as f64
}

fn approximate(rho: f64, n: usize) -> f64 {
    let degrees = n as f64 - 2.0;
    let left = 1.0 - rho * rho;
    if left <= 0.0 {
        return 0.0;
    }
    let t = rho.abs() * (degrees / left).sqrt();
    StudentsT::new(0.0, 1.0, degrees).map_or(1.0, |students| 2.0 * students.sf(t))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, wanted: f64, tolerance: f64) {
        assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted} within {tolerance}");
    }

    #[test]
    fn tuna_of_the_textbook() {
        // M. Hollander and D.A. Wolfe 1973, p. 187; rho and the one-sided 0.0484 as in R's cor.test example.
        let x = [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1];
        let y = [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8];
        let test = spearman(&x, &y).unwrap();
        near(test.rho, 0.6, 1e-12);
        near(test.p, 2.0 * 0.0484, 1.1e-4);
    }

    #[test]
    fn ten_pairs_and_their_rank_correlation() {
        // A much printed example of ten pairs (from memory): −29/165.
        let x = [106.0, 100.0, 86.0, 101.0, 99.0, 103.0, 97.0, 113.0, 112.0, 110.0];
        let y = [7.0, 27.0, 2.0, 50.0, 28.0, 29.0, 20.0, 12.0, 6.0, 17.0];
        near(spearman(&x, &y).unwrap().rho, -29.0 / 165.0, 1e-12);
    }

    #[test]
    fn all_orders_of_few_pairs_are_counted() {
        // Of 3! orders one is as good as this, and one as bad.
        near(spearman(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0]).unwrap().p, 2.0 / 6.0, 1e-12);
        near(spearman(&[1.0, 2.0, 3.0, 4.0], &[4.0, 3.0, 2.0, 1.0]).unwrap().p, 2.0 / 24.0, 1e-12);
    }

    #[test]
    fn what_has_no_order_gives_none() {
        assert!(spearman(&[1.0, 2.0], &[1.0, 2.0]).is_none());
        assert!(spearman(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_none());
        assert!(spearman(&[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0]).is_none());
        assert!(spearman(&[1.0, 2.0, 3.0], &[1.0, 2.0]).is_none());
        let many: Vec<f64> = (0..40).map(f64::from).collect();
        assert_eq!(spearman(&many, &many), Some(Correlation { rho: 1.0, p: 0.0 }));
    }
}
