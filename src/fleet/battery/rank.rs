//! How often each pack gave up, against how often it had to work.
//!
//! Counts and exposures by pack and month in, a [`Ranking`] out. Pure. Does not know vehicles, dates or SQL.
//!
//! Timeouts of a pack are taken as Poisson about its rate times its exposure, and the packs' rates as gamma: gamma-Poisson
//! empirical Bayes, see [`gamma_poisson`]. Two things are seen to first. Batteries give up more often in the cold, and a
//! pack that was fitted in spring has seen no winter: each month's exposure is weighted by how hard the month was on the
//! whole fleet. And timeouts come in clusters (a pack that gives up on a hill gives up again behind it), and months differ
//! from pack to pack: where a pack's months vary more than Poisson counts do, they are evidence of as much less
//! (quasi-likelihood: P. McCullagh and J.A. Nelder, Generalized Linear Models, 2nd ed. 1989, chapter 9). How much more is
//! taken from the pack's own months, drawn towards what is usual for packs of as many timeouts.

use crate::fleet::stats::gamma_poisson;

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
    /// How much more timeouts vary within a pack than Poisson counts do; 1 where they do not. The middle of packs that had
    /// some.
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
    /// How much more its timeouts vary from month to month than Poisson counts do.
    pub clustering: f64,
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
/// Rates, weights and clustering are at rest after a few.
const PASSES: usize = 4;
/// A pack's own months tell of its clustering as far as they are more than these.
const MONTHS_USUAL: f64 = 4.0;
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
    let fitted = Months::fit(cells, packs, months);
    let counted = || cells.iter().zip(&fitted.evidence);
    let trends = trends(counted().map(|(cell, own)| (cell, fitted.weights[cell.month], *own)), packs);
    let mut sums = vec![Sum::default(); packs];
    let mut lately = vec![Sum::default(); packs];
    for (cell, evidence) in counted() {
        if cell.month >= since {
            sums[cell.pack].add(cell, fitted.weights[cell.month], *evidence);
        }
        if cell.month + LATELY >= months {
            lately[cell.pack].add(cell, fitted.weights[cell.month], *evidence);
        }
    }
    let weighed: f64 = sums.iter().map(|sum| sum.weighed).sum();
    let fleet_rate = ratio(sums.iter().map(|sum| sum.timeouts as f64).sum(), weighed);
    let fit = gamma_poisson::fit(
        &sums.iter().map(|sum| sum.evidence_count()).collect::<Vec<_>>(),
        &sums.iter().map(|sum| sum.evidence_exposure).collect::<Vec<_>>(),
    );
    let among = fit.as_ref().map_or_else(|| vec![0.0; packs], |fit| among_worst(fit, &sums, in_service, worst));
    let standings = (0..packs).map(|pack| {
        let sum = &sums[pack];
        let mut own = Standing {
            timeouts: sum.timeouts,
            exposure: sum.exposure,
            expected: sum.weighed * fleet_rate,
            clustering: fitted.clustering[pack],
            rate: ratio(sum.timeouts as f64, sum.weighed),
            low: f64::NAN,
            high: f64::NAN,
            among_worst: among[pack],
            trend: trends[pack],
            ..Standing::default()
        };
        if let Some(fit) = &fit {
            let posterior = fit.posterior(sum.evidence_count(), sum.evidence_exposure);
            (own.rate, own.rate_sd) = (posterior.mean(), posterior.sd());
            (own.low, own.high) = (posterior.quantile(0.05), posterior.quantile(0.95));
            (own.now, own.now_sd) = (own.rate, own.rate_sd);
            let recent = fit.posterior(lately[pack].evidence_count(), lately[pack].evidence_exposure);
            if own.trend.rises() && recent.mean() > own.rate {
                (own.now, own.now_sd) = (recent.mean(), recent.sd());
            }
        } else {
            own.now = own.rate;
        }
        own
    });
    Ranking {
        packs: standings.collect(),
        fleet_rate,
        month_weights: fitted.weights,
        clustering: usual_clustering(&sums, &fitted.clustering),
        compared: fit.is_some(),
    }
}

fn among_worst(fit: &gamma_poisson::Fit, sums: &[Sum], in_service: &[bool], worst: usize) -> Vec<f64> {
    let mut among = vec![0.0; sums.len()];
    let serving: Vec<usize> = (0..sums.len()).filter(|&pack| in_service[pack]).collect();
    let posteriors: Vec<_> =
        serving.iter().map(|&pack| fit.posterior(sums[pack].evidence_count(), sums[pack].evidence_exposure)).collect();
    // Among as many as there are says nothing.
    if worst < serving.len() {
        for (&pack, probability) in serving.iter().zip(gamma_poisson::worst(&posteriors, worst, DRAWS, SEED)) {
            among[pack] = probability;
        }
    }
    among
}

/// The middle clustering of packs with timeouts; 1 of none.
fn usual_clustering(sums: &[Sum], clustering: &[f64]) -> f64 {
    let with_timeouts = sums.iter().zip(clustering).filter(|(sum, _)| sum.timeouts >= TIMEOUTS_LEAST);
    middle(with_timeouts.map(|(_, clustering)| *clustering).collect()).unwrap_or(1.0)
}

fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

fn ratio(above: f64, below: f64) -> f64 {
    if below > 0.0 { above / below } else { 0.0 }
}

/// What a pack did over some months.
#[derive(Debug, Clone, Default)]
struct Sum {
    timeouts: u64,
    exposure: f64,
    /// Exposure, each month's weighted by how hard it was.
    weighed: f64,
    /// Timeouts and weighted exposure, each month's as far as it is evidence.
    evidence: f64,
    evidence_exposure: f64,
}

impl Sum {
    fn add(&mut self, cell: &Cell, weight: f64, evidence: f64) {
        self.timeouts += cell.timeouts;
        self.exposure += cell.exposure;
        self.weighed += cell.exposure * weight;
        self.evidence += cell.timeouts as f64 * evidence;
        self.evidence_exposure += cell.exposure * weight * evidence;
    }

    fn evidence_count(&self) -> u64 {
        self.evidence.round() as u64
    }
}

/// How hard months were, and how much evidence a month is.
struct Months {
    weights: Vec<f64>,
    /// By cell: 1 for a Poisson count, less the more its pack's months vary.
    evidence: Vec<f64>,
    /// By pack.
    clustering: Vec<f64>,
}

impl Months {
    /// Packs' rates, months' weights and the variance are fitted in turn. Rates and weights are drawn towards the common
    /// value by their own spread, so that one bad pack in a thin month does not make it a hard month.
    fn fit(cells: &[Cell], packs: usize, months: usize) -> Self {
        let mut fitted =
            Self { weights: vec![1.0; months], evidence: vec![1.0; cells.len()], clustering: vec![1.0; packs] };
        for _ in 0..PASSES {
            if fitted.pass(cells, packs).is_none() {
                break;
            }
        }
        fitted
    }

    fn pass(&mut self, cells: &[Cell], packs: usize) -> Option<()> {
        let rates = by(cells, packs, |cell| (cell.pack, self.weights[cell.month]), &self.evidence)?;
        let next = by(cells, self.weights.len(), |cell| (cell.month, rates[cell.pack]), &self.evidence)?;
        let total: f64 = cells.iter().map(|cell| cell.exposure).sum();
        let mean = ratio(cells.iter().map(|cell| cell.exposure * next[cell.month]).sum(), total);
        if !(mean > 0.0 && mean.is_finite()) {
            return None;
        }
        self.weights = next.into_iter().map(|weight| weight / mean).collect();
        self.clustering = clustering(cells, packs, &self.weights);
        self.evidence = cells.iter().map(|cell| 1.0 / self.clustering[cell.pack]).collect();
        Some(())
    }
}

/// By pack: Pearson's squares of its months about its own rate, over the mean; drawn towards what is usual for its mean.
fn clustering(cells: &[Cell], packs: usize, weights: &[f64]) -> Vec<f64> {
    let mut own = vec![(0.0, 0.0); packs];
    for cell in cells {
        own[cell.pack].0 += cell.timeouts as f64;
        own[cell.pack].1 += cell.exposure * weights[cell.month];
    }
    // Squares, months, and the mean of a month.
    let mut seen = vec![(0.0, 0.0, 0.0); packs];
    for cell in cells {
        let (timeouts, exposure) = own[cell.pack];
        let mean = cell.exposure * weights[cell.month] * ratio(timeouts, exposure);
        if mean > 0.0 {
            let (squares, months, sum) = &mut seen[cell.pack];
            *squares += (cell.timeouts as f64 - mean).powi(2) / mean;
            *months += 1.0;
            *sum += mean;
        }
    }
    // More than one for a mean of one: the middle of packs that say something.
    let telling = seen.iter().zip(&own).filter(|(seen, own)| own.0 >= TIMEOUTS_LEAST as f64 && seen.1 > 1.0);
    let excess = |(squares, months, sum): &(f64, f64, f64)| (squares / (months - 1.0) - 1.0) / (sum / months);
    let usual = middle(telling.map(|(seen, _)| excess(seen)).collect()).unwrap_or(0.0).max(0.0);
    let drawn = |(squares, months, sum): &(f64, f64, f64)| {
        let expected = 1.0 + usual * ratio(*sum, *months);
        let free = (months - 1.0).max(0.0);
        let found = (MONTHS_USUAL * expected + squares) / (MONTHS_USUAL + free);
        if found.is_finite() && found > CLUSTERING_LEAST { found } else { 1.0 }
    };
    seen.iter().map(drawn).collect()
}

/// Rates of packs, or of months: `of` gives a cell's number, and what its exposure is multiplied by.
fn by(cells: &[Cell], count: usize, of: impl Fn(&Cell) -> (usize, f64), evidence: &[f64]) -> Option<Vec<f64>> {
    let mut sums = vec![Sum::default(); count];
    for (cell, evidence) in cells.iter().zip(evidence) {
        let (number, factor) = of(cell);
        sums[number].add(cell, factor, *evidence);
    }
    let counts: Vec<u64> = sums.iter().map(Sum::evidence_count).collect();
    let exposures: Vec<f64> = sums.iter().map(|sum| sum.evidence_exposure).collect();
    let fit = gamma_poisson::fit(&counts, &exposures)?;
    Some(counts.iter().zip(&exposures).map(|(&count, &exposure)| fit.posterior(count, exposure).mean()).collect())
}

/// Each pack's trend against the fleet's months. `cells` with their month's weight and their evidence.
fn trends<'a>(cells: impl Iterator<Item = (&'a Cell, f64, f64)>, packs: usize) -> Vec<Trend> {
    let mut of_pack: Vec<Vec<Point>> = vec![Vec::new(); packs];
    for (cell, weight, evidence) in cells {
        if cell.exposure > 0.0 {
            let point = Point {
                years: cell.month as f64 / 12.0,
                timeouts: cell.timeouts,
                evidence: cell.timeouts as f64 * evidence,
                exposure: cell.exposure * weight * evidence,
            };
            of_pack[cell.pack].push(point);
        }
    }
    let mut trends = vec![Trend::TooFew; packs];
    let mut tested = Vec::new();
    for (pack, months) in of_pack.iter().enumerate() {
        if let Some((slope, error, p)) = slope(months) {
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

/// A pack's month.
#[derive(Debug, Clone)]
struct Point {
    years: f64,
    timeouts: u64,
    evidence: f64,
    exposure: f64,
}

/// Given how many timeouts a pack had: in which of its months they fell. The slope of the logarithm of its rate a year,
/// its standard error, and the probability of a slope so steep by chance (the score test, which needs no fit). The
/// likelihood is that of a Poisson regression, given the sum.
fn slope(months: &[Point]) -> Option<(f64, f64, f64)> {
    let count: u64 = months.iter().map(|month| month.timeouts).sum();
    if count < TIMEOUTS_LEAST || months.len() < MONTHS_LEAST {
        return None;
    }
    let n: f64 = months.iter().map(|month| month.evidence).sum();
    let seen = months.iter().map(|month| month.evidence * month.years).sum::<f64>() / n;
    // Where timeouts would fall with a slope: mean and variance of their time.
    let at = |slope: f64| {
        let (mut all, mut first, mut second) = (0.0, 0.0, 0.0);
        for month in months {
            let share = month.exposure * libm::exp((slope * (month.years - seen)).clamp(-50.0, 50.0));
            all += share;
            first += share * (month.years - seen);
            second += share * (month.years - seen).powi(2);
        }
        (first / all, second / all - (first / all).powi(2))
    };
    let (mean, variance) = at(0.0);
    let z = -mean * (n / variance).sqrt();
    if !z.is_finite() {
        return None;
    }
    let p = libm::erfc(z.abs() / std::f64::consts::SQRT_2);
    let mut slope = 0.0;
    for _ in 0..50 {
        let (mean, variance) = at(slope);
        let step = (-mean / variance).clamp(-1.0, 1.0);
        if !step.is_finite() {
            return None;
        }
        slope += step;
        if step.abs() < 1e-9 {
            break;
        }
    }
    let error = (1.0 / (n * at(slope).1)).sqrt();
    (slope.is_finite() && error.is_finite()).then_some((slope, error, p))
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
