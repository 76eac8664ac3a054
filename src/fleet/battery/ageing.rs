//! How packs age, what a new one is like, and whether heat goes with timeouts: three questions to the fleet.
//!
//! Packs with their counts, exposures, ages and heat in, numbers out. Pure.

use nalgebra::DMatrix;

use crate::fleet::plan::Ageing;
use crate::fleet::stats::{poisson, rank};

/// A pack, for these questions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Member {
    /// Times it gave up.
    pub timeouts: u64,
    /// Timeouts to be expected of it at the fleet's rate.
    pub expected: f64,
    /// Timeouts a unit of exposure, drawn towards the fleet's.
    pub rate: f64,
    /// Years since it was new, in the middle of the time looked at; none where no record tells.
    pub years: Option<f64>,
    /// How much hotter it is than weather and work explain; none where that is not known. Unit: K.
    pub heat: Option<f64>,
}

/// A factor, with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// The factor.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// How packs age in this fleet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// What a plan uses.
    pub ageing: Ageing,
    /// By how much a pack's timeouts are multiplied in a year; none where it cannot be told.
    pub a_year: Option<Factor>,
    /// Packs that a new pack's rate is taken from.
    pub young: usize,
    /// Whether those are young; else they are the better half of all.
    pub by_age: bool,
}

/// Whether hotter packs give up more often.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WithHeat {
    /// Packs compared.
    pub packs: usize,
    /// Rank correlation of a pack's rate of timeouts with how hot it is. Spearman.
    pub rho: Factor,
    /// By how much timeouts are multiplied for each K; their age is allowed for where it is known. None: no fit.
    pub a_kelvin: Option<Factor>,
    /// What it comes to.
    pub verdict: Verdict,
}

/// What a correlation comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Hotter packs give up more often.
    Goes,
    /// Hotter packs give up less often.
    Against,
    /// Neither, and a strong connection would have been seen.
    NoSign,
    /// The fleet is too small to tell.
    CannotTell,
}

/// Packs younger than this are called young. Unit: years.
pub const YOUNG_YEARS: f64 = 2.0;
const YOUNG_LEAST: usize = 3;
/// With fewer packs, or ages closer together, no ageing is reckoned.
const PACKS_LEAST: usize = 8;
const YEARS_APART_LEAST: f64 = 1.0;
/// A connection weaker than this is no help to anybody.
const STRONG: f64 = 0.4;
/// 90 %, two-sided.
const Z: f64 = 1.644_853_6;

/// Reckons ageing and what a new pack is like. `clustering` is that of a usual pack.
pub fn ageing(members: &[Member], clustering: f64) -> Found {
    let aged: Vec<(f64, u64, f64)> = members
        .iter()
        .filter(|member| member.expected > 0.0)
        .filter_map(|member| Some((member.years?, member.timeouts, member.expected)))
        .collect();
    let slope = slope_with_age(&aged);
    // Drawn towards no ageing by as much as it is uncertain, and never below: packs do not grow younger.
    let (growth, growth_sd) = match slope {
        Some((slope, error)) if slope > 0.0 => (slope * (1.0 - (error / slope).powi(2)).max(0.0), error),
        _ => (0.0, 0.0),
    };
    let growth_sd = if growth > 0.0 { growth_sd } else { 0.0 };
    let young: Vec<(f64, f64)> = members
        .iter()
        .filter(|member| member.expected > 0.0)
        .filter_map(|member| Some((member.years.filter(|years| *years < YOUNG_YEARS)?, member.rate)))
        .collect();
    let by_age = young.len() >= YOUNG_LEAST;
    let (new_rate, new_rate_sd, count) = if by_age {
        // Each brought back to the day it was new. The middle one: a young pack that is bad is a case for its maker, and
        // would be found by this ranking.
        middle(young.iter().map(|(years, rate)| rate * libm::exp(-growth * years)).collect())
    } else {
        better_half(members)
    };
    let a_year = slope.map(|(slope, error)| factor(slope, error));
    Found { ageing: Ageing { growth, growth_sd, new_rate, new_rate_sd, clustering }, a_year, young: count, by_age }
}

fn factor(log: f64, error: f64) -> Factor {
    let e = |x: f64| libm::exp(x.clamp(-20.0, 20.0));
    Factor { value: e(log), low: e(log - Z * error), high: e(log + Z * error) }
}

fn slope_with_age(aged: &[(f64, u64, f64)]) -> Option<(f64, f64)> {
    let years: Vec<f64> = aged.iter().map(|member| member.0).collect();
    let apart = years.iter().copied().fold(f64::MIN, f64::max) - years.iter().copied().fold(f64::MAX, f64::min);
    if aged.len() < PACKS_LEAST || apart < YEARS_APART_LEAST {
        return None;
    }
    let counts: Vec<u64> = aged.iter().map(|member| member.1).collect();
    let offset: Vec<f64> = aged.iter().map(|member| libm::log(member.2)).collect();
    slope(&[vec![1.0; aged.len()], years], &counts, &offset)
}

/// The second column's coefficient of a Poisson regression. Its error is taken from how far packs are off, whatever makes
/// them differ besides: J.G. MacKinnon and H. White's HC3, J. Econometrics 29 (1985) 305–325.
fn slope(x: &[Vec<f64>], counts: &[u64], offset: &[f64]) -> Option<(f64, f64)> {
    let glm = poisson::glm(x, counts, offset)?;
    let columns = DMatrix::from_fn(counts.len(), x.len(), |row, column| x[column][row]);
    let weighed = DMatrix::from_fn(counts.len(), x.len(), |row, column| x[column][row] * glm.expected[row]);
    let bread = (columns.transpose() * weighed).try_inverse()?;
    let mut meat = DMatrix::zeros(x.len(), x.len());
    for (row, (&count, &expected)) in counts.iter().zip(&glm.expected).enumerate() {
        let own = columns.row(row).transpose();
        let leverage = expected * (own.transpose() * &bread * &own)[(0, 0)];
        let off = (count as f64 - expected) / (1.0 - leverage).max(0.01);
        meat += &own * own.transpose() * (off * off);
    }
    let error = (&bread * meat * &bread)[(1, 1)].sqrt();
    let slope = *glm.coefficients.get(1)?;
    (slope.is_finite() && error.is_finite() && error > 0.0).then_some((slope, error))
}

/// The middle one, its standard error by the middle half, and how many there are.
fn middle(mut rates: Vec<f64>) -> (f64, f64, usize) {
    rates.sort_by(f64::total_cmp);
    let n = rates.len();
    let at = |share: f64| rates.get(((n - 1) as f64 * share).round() as usize).copied().unwrap_or(0.0);
    if n == 0 {
        return (0.0, 0.0, 0);
    }
    // Of a normal sample: the quartiles are 1.349 sd apart, and a median's error is 1.253 of a mean's.
    (at(0.5), 1.253 * (at(0.75) - at(0.25)) / 1.349 / (n as f64).sqrt(), n)
}

fn better_half(members: &[Member]) -> (f64, f64, usize) {
    let mut rates: Vec<f64> = members.iter().filter(|member| member.expected > 0.0).map(|member| member.rate).collect();
    rates.sort_by(f64::total_cmp);
    rates.truncate(rates.len().div_ceil(2));
    let n = rates.len().max(1) as f64;
    let mean = rates.iter().sum::<f64>() / n;
    let sd = (rates.iter().map(|rate| (rate - mean).powi(2)).sum::<f64>() / n).sqrt();
    (mean, sd, rates.len())
}

/// Whether hotter packs give up more often; none where too few packs are known.
pub fn with_heat(members: &[Member]) -> Option<WithHeat> {
    let known: Vec<(&Member, f64)> = members
        .iter()
        .filter(|member| member.expected > 0.0)
        .filter_map(|member| Some((member, member.heat?)))
        .collect();
    if known.len() < PACKS_LEAST {
        return None;
    }
    let heat: Vec<f64> = known.iter().map(|member| member.1).collect();
    let rates: Vec<f64> = known.iter().map(|member| member.0.rate).collect();
    let rho = rank::spearman(&heat, &rates)?.rho;
    if !rho.is_finite() {
        return None;
    }
    // Fisher's z, with the variance that ranks have: D.G. Bonett and T.A. Wright, Psychometrika 65 (2000) 23–28.
    let error = ((1.0 + rho * rho / 2.0) / (known.len() as f64 - 3.0)).sqrt();
    let z = libm::atanh(rho.clamp(-0.999_999, 0.999_999));
    let rho = Factor { value: rho, low: libm::tanh(z - Z * error), high: libm::tanh(z + Z * error) };
    let verdict = if rho.low > 0.0 {
        Verdict::Goes
    } else if rho.high < 0.0 {
        Verdict::Against
    } else if rho.low > -STRONG && rho.high < STRONG {
        Verdict::NoSign
    } else {
        Verdict::CannotTell
    };
    let counts: Vec<u64> = known.iter().map(|member| member.0.timeouts).collect();
    let offset: Vec<f64> = known.iter().map(|member| libm::log(member.0.expected)).collect();
    let mut x = vec![vec![1.0; known.len()], heat];
    if let Some(years) = known.iter().map(|member| member.0.years).collect::<Option<Vec<f64>>>() {
        x.push(years);
    }
    // Where all packs are of one age, age is no cause.
    let fitted = slope(&x, &counts, &offset).or_else(|| slope(&x[..2], &counts, &offset));
    let a_kelvin = fitted.map(|(slope, error)| factor(slope, error));
    Some(WithHeat { packs: known.len(), rho, a_kelvin, verdict })
}
