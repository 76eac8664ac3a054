//! Pole-offs and passages in; for each place, vehicle and operator what was seen and what was to be expected, the share
//! of each cause, and the cause of each place's pole-offs out. Pure.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use jiff::civil::Date;
use statrs::distribution::{ContinuousCDF, Normal};

use super::found::{
    Against, Cause, Findings, LEVEL, Leaves, OperatorFinding, PlaceFinding, RECENT_DAYS, Seen, Shares, VehicleFinding,
};
use crate::fleet::apart::{self, Causes, Split, Verdict};
use crate::fleet::places::{Kind, Located, Network, Place, Position, Usual, usual};
use crate::fleet::span;
use crate::fleet::stats::exact::{poisson_limits, ratio_limits};
use crate::fleet::stats::gamma_poisson;
use crate::fleet::stats::poisson::{Estimate, Mixed, Row, Why, mixed};
use crate::fleet::travel::{Passages, Travel};

/// A vehicle, its operator, and what is expected of them at each place.
type Whom = (usize, Option<usize>, Vec<f64>);

/// A place with fewer pole-offs is not judged.
pub const JUDGED_FROM: u64 = 3;
/// More combinations of place, vehicle and operator than this are not taken into one model: places without a cluster
/// are put together first.
const ROWS_MOST: usize = 250_000;

/// What the reckoning needs besides what was seen.
#[derive(Debug, Clone, Copy)]
pub struct Given<'a> {
    /// The drawn overhead.
    pub network: &'a Network<'a>,
    /// Kilometres.
    pub travel: &'a Travel,
    /// The last day.
    pub today: Date,
    /// Whether operators are looked at.
    pub operators: bool,
    /// Fewest expected pole-offs of an operator who is shown.
    pub fewest: f64,
}

/// Reckons all of it.
pub fn reckon(seen: &[Seen], given: Given) -> Findings {
    let positions: Vec<Option<Position>> = seen.iter().map(|seen| seen.at).collect();
    let located = given.network.locate(&positions, &[]);
    let passages = given.travel.passages(given.network, &located.places);
    let mut table = Table::new(seen, &located, passages);
    let fitted = table.fit(given.operators);
    let mut findings = Findings {
        total: seen.len() as u64,
        between: seen.iter().filter(|seen| seen.between).count() as u64,
        unknown: located.of.iter().filter(|&&at| located.places[at].kind == Kind::Unknown).count() as u64,
        km: given.travel.km(),
        days: seen.iter().map(|seen| seen.day).min().zip(seen.iter().map(|seen| seen.day).max()),
        put_together: table.put_together,
        ..Findings::default()
    };
    findings.places = table.places(seen, &located, given);
    findings.vehicles = table.vehicles(seen, &located, given);
    if given.operators {
        (findings.operators, findings.operators_left_out) = table.operators(given.fewest);
    }
    findings.shares = fitted.map(|fitted| shares(&fitted, given.operators));
    findings
}

/// Counts and passages by place, vehicle and operator.
struct Table {
    places: Vec<Place>,
    vehicles: Vec<String>,
    operators: Vec<String>,
    /// Of each: vehicle, operator, passages by place.
    whom: Vec<Whom>,
    /// By place, and index in `whom`.
    counts: HashMap<(usize, usize), u64>,
    /// Factor of each vehicle in the joint model; 1 without one.
    vehicle_factor: Vec<f64>,
    vehicle_effect: Vec<Option<(Estimate, f64)>>,
    place_effect: Vec<Option<(Estimate, f64)>>,
    operator_factor: Vec<f64>,
    put_together: bool,
}

/// Who was seen somewhere without any kilometres has passed it once, at least.
const LEAST_PASSAGES: f64 = 1.0;

impl Table {
    fn new(seen: &[Seen], located: &Located, passages: Passages) -> Self {
        let own = |seen: &Seen| (seen.vehicle.clone(), seen.operator.clone());
        let pairs: BTreeSet<(String, Option<String>)> =
            passages.whom.iter().cloned().chain(seen.iter().map(own)).collect();
        let vehicles: Vec<String> =
            pairs.iter().map(|pair| pair.0.clone()).collect::<BTreeSet<_>>().into_iter().collect();
        let operators: Vec<String> =
            pairs.iter().filter_map(|pair| pair.1.clone()).collect::<BTreeSet<_>>().into_iter().collect();
        let vehicle_at: HashMap<&String, usize> = vehicles.iter().enumerate().map(|(at, v)| (v, at)).collect();
        let operator_at: HashMap<&String, usize> = operators.iter().enumerate().map(|(at, o)| (o, at)).collect();
        let passed: HashMap<&(String, Option<String>), &Vec<f64>> = passages.whom.iter().zip(&passages.of).collect();
        let none = vec![0.0; located.places.len()];
        let mut whom = Vec::new();
        let mut whom_at = HashMap::new();
        for pair in &pairs {
            whom_at.insert(pair.clone(), whom.len());
            let passed = passed.get(pair).map_or_else(|| none.clone(), |passed| (*passed).clone());
            whom.push((vehicle_at[&pair.0], pair.1.as_ref().map(|operator| operator_at[operator]), passed));
        }
        let mut counts: HashMap<(usize, usize), u64> = HashMap::new();
        for (seen, &place) in seen.iter().zip(&located.of) {
            let at = whom_at[&own(seen)];
            *counts.entry((place, at)).or_default() += 1;
            whom[at].2[place] = whom[at].2[place].max(LEAST_PASSAGES);
        }
        Self {
            vehicle_factor: vec![1.0; vehicles.len()],
            vehicle_effect: vec![None; vehicles.len()],
            place_effect: vec![None; located.places.len()],
            operator_factor: vec![1.0; operators.len()],
            places: located.places.clone(),
            vehicles,
            operators,
            whom,
            counts,
            put_together: false,
        }
    }

    fn count(&self, place: usize, whom: usize) -> u64 {
        self.counts.get(&(place, whom)).copied().unwrap_or(0)
    }

    /// Fits the joint model, and keeps its factors.
    fn fit(&mut self, operators: bool) -> Option<Mixed> {
        let mut of_place: Vec<u64> = vec![0; self.places.len()];
        for (&(place, _), &count) in &self.counts {
            of_place[place] += count;
        }
        // Places of few pole-offs, and those that are no spot, may have to share one level.
        self.put_together = self.whom.len() * self.places.len() > ROWS_MOST;
        let shared = self.places.iter().position(|place| place.kind == Kind::Elsewhere);
        let level = |place: usize| {
            let lone = self.put_together && of_place[place] < JUDGED_FROM;
            if lone { shared.unwrap_or(place) } else { place }
        };
        let levels: Vec<usize> = (0..self.places.len()).map(level).collect();
        let mut rows = Vec::new();
        for (at, (vehicle, operator, passed)) in self.whom.iter().enumerate() {
            let mut sums: BTreeMap<usize, (u64, f64)> = BTreeMap::new();
            for (place, &passed) in passed.iter().enumerate().filter(|(_, passed)| **passed > 0.0) {
                let sum = sums.entry(levels[place]).or_default();
                *sum = (sum.0 + self.count(place, at), sum.1 + passed);
            }
            for (place, (count, exposure)) in sums {
                let mut levels = vec![Some(place), Some(*vehicle)];
                if operators {
                    levels.push(*operator);
                }
                rows.push(Row { count, exposure, levels });
            }
        }
        let mut sizes = vec![self.places.len(), self.vehicles.len()];
        if operators {
            sizes.push(self.operators.len());
        }
        let Some(fitted) = mixed(&rows, &sizes) else {
            self.vehicles_alone();
            return None;
        };
        let factor = |effect: &crate::fleet::stats::linear::Effect| {
            let (value, error) = (effect.value, effect.standard_error);
            let at = |deviations: f64| (value + deviations * error).exp();
            let above = if error > 0.0 { normal(value / error) } else { 0.5 };
            let estimate = Estimate { value: at(0.0), low: at(-1.645), high: at(1.645) };
            (estimate.value.is_finite() && estimate.high.is_finite()).then_some((estimate, above))
        };
        let of = |index: usize| fitted.factors.get(index).map(|f| f.effects.iter().map(factor).collect::<Vec<_>>());
        if let Some(effects) = of(0) {
            self.place_effect = levels.iter().map(|&level| effects.get(level).copied().flatten()).collect();
        }
        if let Some(effects) = of(1) {
            self.vehicle_factor = effects.iter().map(|effect| effect.map_or(1.0, |(factor, _)| factor.value)).collect();
            self.vehicle_effect = effects;
        }
        if let Some(effects) = of(2) {
            self.operator_factor =
                effects.iter().map(|effect| effect.map_or(1.0, |(factor, _)| factor.value)).collect();
        }
        Some(fitted)
    }

    /// Without a joint model: each vehicle's factor at the places that it passed, by its own counts.
    fn vehicles_alone(&mut self) {
        let (counts, expected) = self.by_vehicle();
        if let Some(fit) = gamma_poisson::fit(&counts, &expected) {
            let factor = |(&count, &expected): (&u64, &f64)| {
                let mean = if expected > 0.0 { fit.posterior(count, expected).mean() } else { 1.0 };
                if mean.is_finite() { mean } else { 1.0 }
            };
            self.vehicle_factor = counts.iter().zip(&expected).map(factor).collect();
        }
    }

    /// By vehicle: pole-offs, and those expected had it the fleet's rate at each place.
    fn by_vehicle(&self) -> (Vec<u64>, Vec<f64>) {
        let sums = self.sums();
        let rate = |place: usize| if sums[place].1 > 0.0 { sums[place].0 as f64 / sums[place].1 } else { 0.0 };
        let mut counts = vec![0; self.vehicles.len()];
        let mut expected = vec![0.0; self.vehicles.len()];
        for (at, (vehicle, _, passed)) in self.whom.iter().enumerate() {
            for (place, passed) in passed.iter().enumerate() {
                expected[*vehicle] += passed * rate(place);
                counts[*vehicle] += self.count(place, at);
            }
        }
        (counts, expected)
    }

    /// By place: pole-offs and passages.
    fn sums(&self) -> Vec<(u64, f64)> {
        let mut sums = vec![(0, 0.0); self.places.len()];
        for (at, (_, _, passed)) in self.whom.iter().enumerate() {
            for (place, sum) in sums.iter_mut().enumerate() {
                *sum = (sum.0 + self.count(place, at), sum.1 + passed[place]);
            }
        }
        sums
    }

    /// Judges each place with pole-offs. What is usual for a kind is reckoned without the places that were found to
    /// stand out, in two rounds.
    fn places(&self, seen: &[Seen], located: &Located, given: Given) -> Vec<PlaceFinding> {
        let sums = self.sums();
        let clusters = self.places.iter().filter(|place| place.kind == Kind::Wire).count().max(1);
        let picked = given.network.pieces().max(1.0) / clusters as f64;
        let mut stands_out = vec![false; self.places.len()];
        let mut judged: Vec<Option<(Usual, Option<Causes>)>> = vec![None; self.places.len()];
        for _ in 0..2 {
            let before = stands_out.clone();
            for place in (0..self.places.len()).filter(|&place| sums[place].0 > 0) {
                let usual = usual(&self.places, place, &sums, &before, given.network.pieces());
                let is_judged = self.places[place].is_spot() && sums[place].0 >= JUDGED_FROM;
                let looked_at = if self.places[place].kind == Kind::Wire { picked } else { 1.0 };
                let causes = if is_judged { self.compare(place, usual, given.operators, looked_at) } else { None };
                stands_out[place] = causes.as_ref().is_some_and(|causes| causes.verdict().0 != Verdict::Ordinary);
                judged[place] = Some((usual, causes));
            }
        }
        let recent_from = span::number_of(given.today) - RECENT_DAYS;
        let mut findings: Vec<PlaceFinding> = judged
            .into_iter()
            .enumerate()
            .filter_map(|(place, judged)| {
                let (usual, causes) = judged?;
                let (observed, passages) = sums[place];
                let here = || seen.iter().zip(&located.of).filter(|(_, at)| **at == place).map(|(seen, _)| seen);
                let mut vehicles: BTreeMap<&str, u64> = BTreeMap::new();
                here().for_each(|seen| *vehicles.entry(&seen.vehicle).or_default() += 1);
                let mut vehicles: Vec<(String, u64)> = vehicles.into_iter().map(|(v, n)| (v.to_owned(), n)).collect();
                vehicles.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
                let expected = self.expected(place, usual.rate);
                let effect = self.place_effect[place];
                let against = Against {
                    observed,
                    expected,
                    limits: ratio_limits(observed, expected, LEVEL),
                    factor: effect.map(|effect| effect.0),
                    above: effect.map(|effect| effect.1),
                    recent: here().filter(|seen| span::number_of(seen.day) > recent_from).count() as u64,
                };
                let verdict = causes.as_ref().map(|causes| {
                    let (verdict, sure) = causes.verdict();
                    (self.cause(verdict), sure)
                });
                let last = here().map(|seen| seen.day).max();
                Some(PlaceFinding {
                    place: self.places[place].clone(),
                    against,
                    passages,
                    vehicles,
                    causes,
                    verdict,
                    last,
                })
            })
            .collect();
        findings.sort_by(|a, b| b.against.observed.cmp(&a.against.observed).then_with(|| a.place.id.cmp(&b.place.id)));
        findings
    }

    fn cause(&self, verdict: Verdict) -> Cause {
        match verdict {
            Verdict::Ordinary => Cause::Ordinary,
            Verdict::Place => Cause::Overhead,
            Verdict::One(0, which) => Cause::Vehicle(self.vehicles[which].clone()),
            Verdict::Both(0, which) => Cause::OverheadAndVehicle(self.vehicles[which].clone()),
            Verdict::One(..) => Cause::Driving,
            Verdict::Both(..) => Cause::Overhead,
            Verdict::Untold => Cause::Untold,
        }
    }

    /// Expected pole-offs at a place, had it this rate, with the vehicles' and operators' own faults.
    fn expected(&self, place: usize, rate: f64) -> f64 {
        self.whom.iter().map(|whom| whom.2[place] * rate * self.own_factor(whom)).sum()
    }

    fn own_factor(&self, whom: &Whom) -> f64 {
        self.vehicle_factor[whom.0] * whom.1.map_or(1.0, |operator| self.operator_factor[operator])
    }

    fn compare(&self, place: usize, usual: Usual, operators: bool, looked_at: f64) -> Option<Causes> {
        let split = |count: usize, of: &dyn Fn(&Whom) -> Option<usize>| {
            let mut split = Split { counts: vec![0; count], expected: vec![0.0; count] };
            for (at, whom) in self.whom.iter().enumerate() {
                if let Some(which) = of(whom) {
                    split.counts[which] += self.count(place, at);
                    split.expected[which] += whom.2[place] * usual.rate * self.own_factor(whom);
                }
            }
            split
        };
        let mut splits = vec![split(self.vehicles.len(), &|whom| Some(whom.0))];
        if operators && self.whom.iter().any(|whom| whom.1.is_some()) {
            splits.push(split(self.operators.len(), &|whom| whom.1));
        }
        apart::compare(&splits, looked_at, usual.alike)
    }

    fn vehicles(&self, seen: &[Seen], located: &Located, given: Given) -> Vec<VehicleFinding> {
        let (_, expected) = self.by_vehicle();
        let mut own: HashMap<&str, Vec<(&Seen, usize)>> = HashMap::new();
        for (seen, &place) in seen.iter().zip(&located.of) {
            own.entry(&seen.vehicle).or_default().push((seen, place));
        }
        let km = given.travel.km_by_vehicle();
        let recent_from = span::number_of(given.today) - RECENT_DAYS;
        self.vehicles
            .iter()
            .enumerate()
            .map(|(at, vehicle)| {
                let own = own.get(vehicle.as_str()).map_or(&[][..], Vec::as_slice);
                let observed = own.len() as u64;
                let mut places: BTreeMap<&str, u64> = BTreeMap::new();
                own.iter().for_each(|(_, place)| *places.entry(&self.places[*place].name).or_default() += 1);
                let mut places: Vec<(String, u64)> = places.into_iter().map(|(p, n)| (p.to_owned(), n)).collect();
                places.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
                let alone =
                    |which: (Option<bool>, Option<bool>)| own.iter().filter(|(s, _)| s.lost == which).count() as u64;
                let effect = self.vehicle_effect[at];
                VehicleFinding {
                    vehicle: vehicle.clone(),
                    km: km.get(vehicle.as_str()).copied().unwrap_or(0.0),
                    against: Against {
                        observed,
                        expected: expected[at],
                        limits: ratio_limits(observed, expected[at], LEVEL),
                        factor: effect.map(|effect| effect.0),
                        above: effect.map(|effect| effect.1),
                        recent: own.iter().filter(|(s, _)| span::number_of(s.day) > recent_from).count() as u64,
                    },
                    places,
                    sides: (alone((Some(true), Some(false))), alone((Some(false), Some(true)))),
                }
            })
            .collect()
    }

    /// Only whether an operator's pole-offs leave what chance, place and vehicle explain. The limits are widened so that
    /// of all operators together one in twenty agencies finds anybody outside where there is nothing to find.
    fn operators(&self, fewest: f64) -> (Vec<OperatorFinding>, usize) {
        let sums = self.sums();
        let mut against = vec![(0_u64, 0.0); self.operators.len()];
        // Expected by place and vehicle: the place's rate with its usual vehicles, times this vehicle's factor.
        let adjusted: Vec<f64> = (0..self.places.len())
            .map(|place| self.whom.iter().map(|whom| whom.2[place] * self.vehicle_factor[whom.0]).sum())
            .collect();
        for (at, (vehicle, operator, passed)) in self.whom.iter().enumerate() {
            let Some(operator) = *operator else { continue };
            for (place, passed) in passed.iter().enumerate().filter(|(place, _)| adjusted[*place] > 0.0) {
                let rate = sums[place].0 as f64 / adjusted[place];
                against[operator].1 += passed * rate * self.vehicle_factor[*vehicle];
                against[operator].0 += self.count(place, at);
            }
        }
        let shown: Vec<usize> = (0..against.len()).filter(|&at| against[at].1 >= fewest.max(1.0)).collect();
        let level = 1.0 - 0.05 / shown.len().max(1) as f64;
        let findings = shown
            .iter()
            .map(|&at| {
                let (observed, expected) = against[at];
                let (low, high) = poisson_limits(observed, level);
                let leaves = match expected {
                    expected if expected < low => Leaves::More,
                    expected if expected > high => Leaves::Fewer,
                    _ => Leaves::No,
                };
                OperatorFinding { operator: self.operators[at].clone(), expected, leaves }
            })
            .collect();
        (findings, self.operators.len() - shown.len())
    }
}

/// The standard normal distribution.
fn normal(deviations: f64) -> f64 {
    Normal::standard().cdf(deviations)
}

fn shares(fitted: &Mixed, operators: bool) -> Shares {
    let names: Vec<&'static str> =
        if operators { vec!["place", "vehicle", "operator"] } else { vec!["place", "vehicle"] };
    let called = |factors: &[usize]| -> String {
        let names: Vec<&str> = factors.iter().filter_map(|&at| names.get(at).copied()).collect();
        crate::fleet::words::list(&names, 3)
    };
    let why = match &fitted.why {
        Why::Matter(factors) if factors.len() == 1 => format!("The {} matters, beyond chance.", called(factors)),
        Why::Matter(factors) => format!("Each of {} matters, beyond what the others explain.", called(factors)),
        Why::Nothing => "Nothing differs more than chance makes it: there is no cause to tell.".to_owned(),
        Why::Together(factors) => format!(
            "Something differs beyond chance, but {} go together in these data: the causes cannot be told apart.",
            called(factors)
        ),
    };
    Shares {
        shares: fitted.factors.iter().map(|factor| factor.share).collect(),
        p: fitted.factors.iter().map(|factor| factor.p).collect(),
        told_apart: fitted.told_apart,
        why,
        names,
    }
}
