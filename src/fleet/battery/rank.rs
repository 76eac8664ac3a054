//! How often each pack gave up, against how often it had to work.
//!
//! Counts and exposures by pack and month in, a [`Ranking`] out. Pure. Does not know vehicles, dates or SQL.
//!
//! Timeouts of a pack are taken as Poisson about its rate times its exposure, and the packs' rates as gamma: gamma-Poisson
//! empirical Bayes, see [`gamma_poisson`]. Two things are seen to first. Batteries give up more often in the cold, and a
//! pack that was fitted in spring has seen no winter: each month's exposure is weighted by how hard the month was on the
//! whole fleet. And timeouts come in clusters (a pack that gives up on a hill gives up again behind it): where they vary
//! more than Poisson counts within a pack, the evidence is taken for as much less.

use std::collections::BTreeSet;

use crate::fleet::stats::{gamma_poisson, poisson};

/// What a pack did in a month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Number of the pack, from 0.
    pub pack: usize,
    /// Number of the month, from 0, without gaps.
    pub month: usize,
    /// Times it gave up.
    pub timeouts: u64,
    /// Off-wire changes, km or months.
    pub exposure: f64,
}

/// The packs, compared.
#[derive(Debug, Clone, Default)]
pub struct Ranking {
    /// In the order of their numbers.
    pub packs: Vec<Standing>,
    /// Timeouts a unit of exposure, over all packs.
    pub fleet_rate: f64,
    /// How hard each month was: the fleet's rate in it, against the fleet's rate over all months, drawn towards 1.
    pub month_weights: Vec<f64>,
    /// How much more timeouts vary within a pack than Poisson counts do; 1 where they do not. Pearson.
    pub clustering: f64,
    /// Whether packs differ at all by more than chance: without a fit they cannot be compared.
    pub compared: bool,
}

/// Where a pack stands.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    /// Times it gave up.
    pub timeouts: u64,
    /// Off-wire changes, km or months.
    pub exposure: f64,
    /// Timeouts to be expected of it at the fleet's rate, in the months it worked.
    pub expected: f64,
    /// Timeouts a unit of exposure, drawn towards the fleet's by how little is known of it.
    pub rate: f64,
    /// Standard deviation of `rate`.
    pub rate_sd: f64,
    /// Lower end of `rate`, 90 %.
    pub low: f64,
    /// Upper end of `rate`, 90 %.
    pub high: f64,
    /// Its rate now: `rate`, unless it is getting worse; then that of its last months, if it is higher.
    pub now: f64,
    /// Standard deviation of `now`.
    pub now_sd: f64,
    /// Probability that its rate is among the k highest of those in service.
    pub among_worst: f64,
    /// Whether it gets worse.
    pub trend: Trend,
}

/// Whether a pack gets worse, against the fleet in the same months.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Trend {
    /// Too few timeouts or months to tell.
    #[default]
    TooFew,
    /// A slope was reckoned.
    Slope {
        /// Its rate is multiplied by so much in a year.
        a_year: f64,
        /// Lower end, 90 %.
        low: f64,
        /// Upper end, 90 %.
        high: f64,
        /// Probability of such a slope, or a greater one, without any. Two-sided, of this pack alone.
        p: f64,
        /// The same, of all packs looked at: the share of false ones among those called rising at this level.
        false_share: f64,
    },
}

/// Called rising or falling where no more than this share of those called so is false. Benjamini and Hochberg's level.
pub const FALSE_SHARE: f64 = 0.10;
/// A pack with fewer timeouts, or fewer months with exposure, has no trend.
const TIMEOUTS_LEAST: u64 = 5;
const MONTHS_LEAST: usize = 4;
/// Below this, clustering is taken for chance.
const CLUSTERING_LEAST: f64 = 1.2;
/// What a pack that gets worse does now is judged by so many months.
const LATELY: usize = 3;
/// Random draws for the probability of being among the worst: ±0.5 % at most.
const DRAWS: u32 = 10_000;
/// The same answer every morning.
const SEED: u64 = 0x0077_1250;

impl Trend {
    /// Whether it gets worse.
    pub fn rises(&self) -> bool {
        matches!(self, Self::Slope { a_year, false_share, .. } if *a_year > 1.0 && *false_share <= FALSE_SHARE)
    }

    /// Whether it gets better.
    pub fn falls(&self) -> bool {
        matches!(self, Self::Slope { a_year, false_share, .. } if *a_year < 1.0 && *false_share <= FALSE_SHARE)
    }
}

/// Compares packs by what they did from month `since` on. `in_service` tells which of them can be among the `worst`; the
/// others only tell what packs are like. Trends and the months' weights are reckoned over all months.
pub fn rank(cells: &[Cell], in_service: &[bool], worst: usize, since: usize) -> Ranking {
    let packs = in_service.len();
    let months = cells.iter().map(|cell| cell.month + 1).max().unwrap_or(0);
    let month_weights = weigh_months(cells, packs, months);
    let weighed = |cell: &Cell| cell.exposure * month_weights[cell.month];
    let mut timeouts = vec![0; packs];
    let mut exposure = vec![0.0; packs];
    let mut plain = vec![0.0; packs];
    for cell in cells.iter().filter(|cell| cell.month >= since) {
        timeouts[cell.pack] += cell.timeouts;
        exposure[cell.pack] += weighed(cell);
        plain[cell.pack] += cell.exposure;
    }
    let all: u64 = timeouts.iter().sum();
    let fleet_rate = ratio(all as f64, exposure.iter().sum());
    let clustering = clustering(cells, packs, &month_weights);
    let trends = trends(cells, &month_weights, packs, clustering);

    let counts: Vec<u64> = timeouts.iter().map(|&count| (count as f64 / clustering).round() as u64).collect();
    let shown: Vec<f64> = exposure.iter().map(|exposure| exposure / clustering).collect();
    let fit = gamma_poisson::fit(&counts, &shown);
    let posteriors: Option<Vec<_>> =
        fit.as_ref().map(|fit| counts.iter().zip(&shown).map(|(&count, &shown)| fit.posterior(count, shown)).collect());
    let mut among = vec![0.0; packs];
    if let Some(posteriors) = &posteriors {
        let serving: Vec<usize> = (0..packs).filter(|&pack| in_service[pack]).collect();
        let theirs: Vec<_> = serving.iter().map(|&pack| posteriors[pack].clone()).collect();
        if worst < serving.len() {
            for (&pack, probability) in serving.iter().zip(gamma_poisson::worst(&theirs, worst, DRAWS, SEED)) {
                among[pack] = probability;
            }
        }
    }
    let packs = (0..packs)
        .map(|pack| {
            let own = ratio(timeouts[pack] as f64, exposure[pack]);
            let (rate, rate_sd, low, high) = match &posteriors {
                Some(all) => (all[pack].mean(), all[pack].sd(), all[pack].quantile(0.05), all[pack].quantile(0.95)),
                None => (own, 0.0, f64::NAN, f64::NAN),
            };
            let (mut now, mut now_sd) = (rate, rate_sd);
            if let Some(fit) = fit.as_ref().filter(|_| trends[pack].rises()) {
                let lately = cells.iter().filter(|cell| cell.pack == pack && cell.month + LATELY >= months);
                let (count, exposure) =
                    lately.fold((0, 0.0), |(count, sum), cell| (count + cell.timeouts, sum + weighed(cell)));
                let posterior = fit.posterior((count as f64 / clustering).round() as u64, exposure / clustering);
                if posterior.mean() > now {
                    (now, now_sd) = (posterior.mean(), posterior.sd());
                }
            }
            Standing {
                timeouts: timeouts[pack],
                exposure: plain[pack],
                expected: exposure[pack] * fleet_rate,
                rate,
                rate_sd,
                low,
                high,
                now,
                now_sd,
                among_worst: among[pack],
                trend: trends[pack],
            }
        })
        .collect();
    Ranking { packs, fleet_rate, month_weights, clustering, compared: posteriors.is_some() }
}

fn ratio(above: f64, below: f64) -> f64 {
    if below > 0.0 { above / below } else { 0.0 }
}

/// How hard each month was on the packs that worked in it. Packs' rates and months' weights are fitted in turn, each
/// drawn towards the common value by its own spread, so that one bad pack in a thin month does not make it a hard month.
fn weigh_months(cells: &[Cell], packs: usize, months: usize) -> Vec<f64> {
    let mut weights = vec![1.0; months];
    let total: f64 = cells.iter().map(|cell| cell.exposure).sum();
    for _ in 0..4 {
        let mut timeouts = vec![0; packs];
        let mut exposure = vec![0.0; packs];
        for cell in cells {
            timeouts[cell.pack] += cell.timeouts;
            exposure[cell.pack] += cell.exposure * weights[cell.month];
        }
        let Some(of_packs) = gamma_poisson::fit(&timeouts, &exposure) else { break };
        let rates: Vec<f64> = timeouts
            .iter()
            .zip(&exposure)
            .map(|(&count, &exposure)| of_packs.posterior(count, exposure).mean())
            .collect();
        let mut seen = vec![0; months];
        let mut expected = vec![0.0; months];
        for cell in cells {
            seen[cell.month] += cell.timeouts;
            expected[cell.month] += cell.exposure * rates[cell.pack];
        }
        let Some(of_months) = gamma_poisson::fit(&seen, &expected) else { break };
        let next: Vec<f64> =
            seen.iter().zip(&expected).map(|(&count, &expected)| of_months.posterior(count, expected).mean()).collect();
        let mean = ratio(cells.iter().map(|cell| cell.exposure * next[cell.month]).sum(), total);
        if !(mean > 0.0 && mean.is_finite()) {
            break;
        }
        weights = next.into_iter().map(|weight| weight / mean).collect();
    }
    weights
}

/// Pearson's dispersion of the cells about their pack's own rate.
fn clustering(cells: &[Cell], packs: usize, weights: &[f64]) -> f64 {
    let mut rates = vec![(0.0, 0.0); packs];
    for cell in cells {
        rates[cell.pack].0 += cell.timeouts as f64;
        rates[cell.pack].1 += cell.exposure * weights[cell.month];
    }
    let (mut squares, mut terms) = (0.0, 0);
    let mut fitted = BTreeSet::new();
    for cell in cells {
        let (timeouts, exposure) = rates[cell.pack];
        let expected = cell.exposure * weights[cell.month] * ratio(timeouts, exposure);
        if expected > 0.0 {
            squares += (cell.timeouts as f64 - expected).powi(2) / expected;
            terms += 1;
            fitted.insert(cell.pack);
        }
    }
    let free = terms - fitted.len() as i64 - weights.len() as i64 + 1;
    if free < 10 {
        return 1.0;
    }
    let found = squares / free as f64;
    if found < CLUSTERING_LEAST { 1.0 } else { found }
}

/// Each pack's trend against the fleet's months: given how many timeouts it had, in which of its months they fell (a
/// score test, which needs no fit), and by how much a year its rate is multiplied (a Poisson regression).
fn trends(cells: &[Cell], weights: &[f64], packs: usize, clustering: f64) -> Vec<Trend> {
    let mut of_pack: Vec<Vec<(f64, u64, f64)>> = vec![Vec::new(); packs];
    for cell in cells {
        let exposure = cell.exposure * weights[cell.month];
        if exposure > 0.0 {
            of_pack[cell.pack].push((cell.month as f64 / 12.0, cell.timeouts, exposure));
        }
    }
    let mut trends = vec![Trend::TooFew; packs];
    let mut tested = Vec::new();
    for (pack, months) in of_pack.iter().enumerate() {
        if let Some(p) = score_test(months, clustering)
            && let Some((slope, error)) = slope(months, clustering)
        {
            let e = |x: f64| libm::exp(x.clamp(-20.0, 20.0));
            trends[pack] = Trend::Slope {
                a_year: e(slope),
                low: e(slope - 1.645 * error),
                high: e(slope + 1.645 * error),
                p,
                false_share: 1.0,
            };
            tested.push((pack, p));
        }
    }
    let shares = false_shares(&tested.iter().map(|(_, p)| *p).collect::<Vec<_>>());
    for ((pack, _), share) in tested.iter().zip(shares) {
        if let Trend::Slope { false_share, .. } = &mut trends[*pack] {
            *false_share = share;
        }
    }
    trends
}

fn score_test(months: &[(f64, u64, f64)], clustering: f64) -> Option<f64> {
    let count: u64 = months.iter().map(|month| month.1).sum();
    let exposure: f64 = months.iter().map(|month| month.2).sum();
    if count < TIMEOUTS_LEAST || months.len() < MONTHS_LEAST {
        return None;
    }
    let n = count as f64;
    let mean = months.iter().map(|(time, _, own)| time * own / exposure).sum::<f64>();
    let variance = months.iter().map(|(time, _, own)| (time - mean).powi(2) * own / exposure).sum::<f64>();
    let score = months.iter().map(|(time, own, _)| (time - mean) * *own as f64).sum::<f64>();
    let z = score / (n * variance * clustering).sqrt();
    z.is_finite().then(|| libm::erfc(z.abs() / std::f64::consts::SQRT_2))
}

fn slope(months: &[(f64, u64, f64)], clustering: f64) -> Option<(f64, f64)> {
    let ones = vec![1.0; months.len()];
    let times: Vec<f64> = months.iter().map(|month| month.0).collect();
    let counts: Vec<u64> = months.iter().map(|month| month.1).collect();
    let offset: Vec<f64> = months.iter().map(|month| libm::log(month.2)).collect();
    let glm = poisson::glm(&[ones, times], &counts, &offset)?;
    let (slope, error) = (*glm.coefficients.get(1)?, *glm.standard_errors.get(1)? * clustering.sqrt());
    (slope.is_finite() && error.is_finite()).then_some((slope, error))
}

/// Probabilities of chance, made into shares of false findings: what is called a finding at each one's level or below
/// holds no more than this share of false ones. Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289–300.
pub fn false_shares(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut shares = vec![1.0; p.len()];
    let mut least: f64 = 1.0;
    for (rank, &index) in order.iter().enumerate().rev() {
        least = least.min(p[index] * p.len() as f64 / (rank + 1) as f64);
        shares[index] = least;
    }
    shares
}
