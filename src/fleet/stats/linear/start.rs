//! A start that half of the rows may not spoil: least trimmed squares from seeded subsets with concentration (P.J. Rousseeuw
//! and K. Van Driessen, Data Min. Knowl. Discov. 12 (2006) 29–45), made an S-estimate by steps that lower its scale
//! (M. Salibián-Barrera and V.J. Yohai, J. Comput. Graph. Statist. 15 (2006) 414–427).

use super::super::chance::Stream;
use super::ordinary::Design;

/// Rows looked at: more tell no more about a start.
const ROWS_MAX: usize = 1000;
const SUBSETS: usize = 300;
/// Subsets that are followed to the end.
const FOLLOWED: usize = 5;
/// The biweight of the scale, where half of the rows decide.
const HALF: f64 = 1.547_644_5;
/// The median of a standard normal's absolute value.
const NORMAL_MEDIAN: f64 = 0.674_489_750_196_081_7;

/// Fitted values of the S-estimate.
pub(super) fn start(x: &[Vec<f64>], y: &[f64]) -> Option<Vec<f64>> {
    let mut chance = Stream::new(0x9C0F_FEE5);
    let mut chosen: Vec<usize> = (0..y.len()).collect();
    if y.len() > ROWS_MAX {
        chance.shuffle(&mut chosen);
        chosen.truncate(ROWS_MAX);
        chosen.sort_unstable();
    }
    // Rare columns may be nothing among the chosen: then all rows it is.
    let best =
        among(x, y, &chosen, &mut chance).or_else(|| among(x, y, &(0..y.len()).collect::<Vec<_>>(), &mut chance))?;
    Some(fitted_by(x, &best))
}

/// Coefficients of the S-estimate of some rows.
fn among(x: &[Vec<f64>], y: &[f64], chosen: &[usize], chance: &mut Stream) -> Option<Vec<f64>> {
    let x: Vec<Vec<f64>> = x.iter().map(|column| chosen.iter().map(|&i| column[i]).collect()).collect();
    let y: Vec<f64> = chosen.iter().map(|&i| y[i]).collect();
    let half = (y.len() + x.len()).div_ceil(2).min(y.len());
    // All rows' own fit is one of the starts, and the only one where subsets are singular.
    let mut starts = vec![Design::new(&x, y.len())?.solve(&y)?];
    for _ in 0..SUBSETS {
        let mut subset: Vec<usize> = vec![];
        while subset.len() < x.len() {
            let row = chance.below(y.len());
            if !subset.contains(&row) {
                subset.push(row);
            }
        }
        starts.extend(solve_rows(&x, &y, &subset));
    }
    let mut tries: Vec<(f64, Vec<f64>)> = vec![];
    for coefficients in starts {
        let coefficients = concentrate(&x, &y, half, coefficients);
        tries.push((scale_of(&y, &fitted_by(&x, &coefficients), x.len() as f64), coefficients));
    }
    tries.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Many subsets end at one place.
    tries.dedup_by(|a, b| (a.0 - b.0).abs() <= 1e-9 * a.0);
    tries.truncate(FOLLOWED);
    let ended = tries.into_iter().map(|(scale, coefficients)| refine(&x, &y, scale, coefficients));
    ended.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, coefficients)| coefficients)
}

fn fitted_by(x: &[Vec<f64>], coefficients: &[f64]) -> Vec<f64> {
    let rows = x.first().map_or(0, Vec::len);
    (0..rows).map(|i| x.iter().zip(coefficients).map(|(column, b)| column[i] * b).sum()).collect()
}

/// Weighted least squares, again and again, as long as the scale falls.
fn refine(x: &[Vec<f64>], y: &[f64], mut scale: f64, mut coefficients: Vec<f64>) -> (f64, Vec<f64>) {
    for _ in 0..200 {
        if scale <= 0.0 {
            break;
        }
        let root = |(y, f): (&f64, &f64)| (1.0 - ((y - f) / (scale * HALF)).powi(2)).max(0.0);
        let roots: Vec<f64> = y.iter().zip(&fitted_by(x, &coefficients)).map(root).collect();
        let by_root =
            |values: &[f64]| values.iter().zip(&roots).map(|(value, root)| value * root).collect::<Vec<f64>>();
        let weighted: Vec<Vec<f64>> = x.iter().map(|column| by_root(column)).collect();
        let Some(next) = Design::new(&weighted, y.len()).and_then(|design| design.solve(&by_root(y))) else { break };
        let next_scale = scale_of(y, &fitted_by(x, &next), x.len() as f64);
        let gain = 1.0 - next_scale / scale;
        if gain <= 0.0 {
            break;
        }
        (scale, coefficients) = (next_scale, next);
        if gain < 1e-10 {
            break;
        }
    }
    (scale, coefficients)
}

/// The scale of what is left, whatever half of it is, for the parameters that the fit has used: the M-scale of the biweight
/// with breakdown point one half (P.J. Rousseeuw and V.J. Yohai, 1984: constant 1.5476).
pub(super) fn scale_of(y: &[f64], fitted: &[f64], used: f64) -> f64 {
    let mut sizes: Vec<f64> = y.iter().zip(fitted).map(|(y, f)| (y - f).abs()).collect();
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    let mut scale = *median / NORMAL_MEDIAN;
    if scale <= 0.0 {
        return 0.0;
    }
    let half = 0.5 * (y.len() as f64 - used).max(1.0);
    for _ in 0..100 {
        let share = |size: &f64| {
            let v = (size / (scale * HALF)).min(1.0).powi(2);
            v * (3.0 + v * (v - 3.0))
        };
        let factor = (sizes.iter().map(share).sum::<f64>() / half).sqrt();
        scale *= factor;
        if (factor - 1.0).abs() < 1e-10 || !(1e-300..1e300).contains(&scale) {
            break;
        }
    }
    scale
}

fn solve_rows(x: &[Vec<f64>], y: &[f64], rows: &[usize]) -> Option<Vec<f64>> {
    let columns: Vec<Vec<f64>> = x.iter().map(|column| rows.iter().map(|&i| column[i]).collect()).collect();
    let values: Vec<f64> = rows.iter().map(|&i| y[i]).collect();
    Design::new(&columns, rows.len())?.solve(&values)
}

/// Fits the half of the rows that lies closest to a fit, twice.
fn concentrate(x: &[Vec<f64>], y: &[f64], half: usize, mut coefficients: Vec<f64>) -> Vec<f64> {
    for _ in 0..2 {
        let fitted = fitted_by(x, &coefficients);
        let mut squares: Vec<(f64, usize)> = (0..y.len()).map(|i| ((y[i] - fitted[i]).powi(2), i)).collect();
        squares.select_nth_unstable_by(half - 1, |a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let mut rows: Vec<usize> = squares[..half].iter().map(|(_, i)| *i).collect();
        rows.sort_unstable();
        let Some(next) = solve_rows(x, y, &rows) else { break };
        coefficients = next;
    }
    coefficients
}
