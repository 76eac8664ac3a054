//! The overhead, by what vehicles see of it: pole-offs, phantom voltage, flashes, current under section gaps, switches
//! passed with too much or too little current.
//!
//! Events, put to squares of some 10 m by SQL, and passages in; for each kind the places with their counts and what
//! was to be expected, and whether it is the place or one vehicle, out. Judged as pole-offs are (`apart`).

mod told;

use std::collections::{BTreeMap, HashMap};

use jiff::civil::Date;

use super::apart::{self, Causes, Split, Verdict};
use super::places::{Kind, Network, Place, Position, usable, usual};
use super::sheet::{Query, Section, Sheet, WorkKind, WorkLine};
use super::stats::exact::ratio_limits;
use super::stats::gamma_poisson;
use super::terms::Names;
use super::travel::{self, Travel};
use super::{FleetError, Question, span};

/// More than this under a section gap draws an arc that burns the insulator. Unit: A.
const GAP_CURRENT_A: f64 = 20.0;
const LINE_CURRENT: &str = "line_input.line_current";
/// Fewer are not judged.
const JUDGED_FROM: u64 = 3;
/// Level of exact limits.
const LEVEL: f64 = 0.95;
const RECENT_DAYS: f64 = 90.0;

/// A kind of event that is looked for.
#[derive(Debug, Clone)]
pub struct Sought {
    /// For ids: `flashes`.
    pub id: &'static str,
    /// Heading.
    pub heading: &'static str,
    /// `flash`, `flashes`.
    pub one: &'static str,
    /// Of many.
    pub many: &'static str,
    /// What it means, and what is done about it.
    pub about: &'static str,
    /// What it is where one vehicle has it: kind of work, and subject.
    pub own: (WorkKind, &'static str),
    /// How often one of them is the loss of a vehicle's service. A judgement, only to put work in an order.
    pub loss: f64,
    counter: String,
}

fn sought(names: &Names) -> Vec<Sought> {
    vec![
        Sought {
            id: "pole-offs",
            heading: "Pole-offs",
            one: "pole-off",
            many: "pole-offs",
            about: "A collector left its wire unintendedly.",
            own: (WorkKind::Collector, "collectors"),
            loss: 1.0,
            counter: names.pole_offs.clone(),
        },
        Sought {
            id: "phantom",
            heading: "Phantom voltage",
            one: "phantom voltage",
            many: "phantom voltages",
            about: "A line voltage that was there until current was drawn: it comes through dirt, ice or a bad splice. Many \
                    vehicles at a place: the wire or its insulators there. One vehicle everywhere: its own transducer or roof \
                    insulators.",
            own: (WorkKind::Sensor, "line voltage transducer and roof insulators"),
            loss: 0.02,
            counter: names.phantom_voltages.clone(),
        },
        Sought {
            id: "flashes",
            heading: "Flashes under the collectors",
            one: "flash",
            many: "flashes",
            about: "Short dips of voltage under current with both collectors in contact. Many vehicles: a hard spot, a clamp or a \
                    worn wire. One vehicle: its inserts, heads or contact force.",
            own: (WorkKind::Collector, "collector heads and inserts"),
            loss: 0.01,
            counter: names.arcing.clone(),
        },
        Sought {
            id: "gap-current",
            heading: "Current taken under section gaps",
            one: "section gap under current",
            many: "section gaps under current",
            about: "Current was drawn as the collectors came to a section gap: the arc burns the insulator. Where all do it, the place \
                    is badly marked or hard to coast through; where one vehicle does, its heating or charging draws on.",
            own: (WorkKind::Module, "current drawn while coasting"),
            loss: 0.003,
            counter: names.gap_current.clone(),
        },
        Sought {
            id: "coast-switches",
            heading: "Coast switches passed under current",
            one: "coast switch under current",
            many: "coast switches under current",
            about: "A switch that is set by coasting was passed with enough current to throw it.",
            own: (WorkKind::Module, "current drawn while coasting"),
            loss: 0.05,
            counter: names.coast_switch_current.clone(),
        },
        Sought {
            id: "power-switches",
            heading: "Power switches starved",
            one: "power switch starved",
            many: "power switches starved",
            about: "A switch that is set by current was passed with too little to set it.",
            own: (WorkKind::Module, "current drawn at power switches"),
            loss: 0.05,
            counter: names.power_switch_current.clone(),
        },
    ]
}

/// What was found of the overhead.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// One a kind that the store knows, in a fixed order.
    pub kinds: Vec<OfKind>,
    /// Days that were looked at.
    days: f64,
    has_ways: bool,
    ways: Vec<(String, Vec<Position>)>,
    /// All special work.
    special: Vec<Place>,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// All events of a kind.
#[derive(Debug, Clone)]
pub struct OfKind {
    /// Which.
    pub sought: Sought,
    /// How many there were.
    pub total: u64,
    /// Those whose place is not known.
    pub unknown: u64,
    /// Places with some, most first.
    pub places: Vec<AtPlace>,
    /// Vehicles, in order.
    pub vehicles: Vec<OfVehicle>,
}

/// Events of a kind at a place.
#[derive(Debug, Clone)]
pub struct AtPlace {
    /// Where.
    pub place: Place,
    /// How many.
    pub count: u64,
    /// Of those, in the last 90 days.
    pub recent: u64,
    /// Passages by all vehicles.
    pub passages: f64,
    /// At the rate that is usual for its kind.
    pub expected: f64,
    /// By vehicle, most first.
    pub vehicles: Vec<(String, u64)>,
    /// How probable each cause is; none where it is not judged.
    pub causes: Option<Causes>,
    /// The cause, with the vehicle if it is one, and how sure it is.
    pub verdict: Option<(Told, f64)>,
}

/// Whose it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// No more than its like.
    Ordinary,
    /// Many vehicles have it here.
    Many,
    /// This one.
    One(String),
    /// Many, and this one beyond them.
    Both(String),
    /// It cannot be told apart.
    Untold,
}

/// Events of a kind of one vehicle.
#[derive(Debug, Clone)]
pub struct OfVehicle {
    /// Fleet number.
    pub vehicle: String,
    /// How many.
    pub count: u64,
    /// Of those, in the last 90 days.
    pub recent: u64,
    /// Had it the fleet's rate at each place it passed.
    pub expected: f64,
    /// Exact limits of the ratio.
    pub limits: Option<(f64, f64)>,
    /// Its own factor, drawn towards 1 as far as data are thin.
    pub factor: f64,
}

/// Events of one kind, vehicle and square.
#[derive(Debug, Clone, PartialEq)]
struct Cell {
    vehicle: String,
    at: Option<Position>,
    count: u64,
    recent: u64,
}

/// Studies the overhead.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { engine, records, terms } = *question;
    let network = Network::new(&records.overhead);
    let mut study = Study {
        days: span::length_days(terms),
        has_ways: network.has_ways(),
        ways: network.ways(),
        special: network.locate(&[], &[]).places.into_iter().filter(Place::is_spot).collect(),
        ..Study::default()
    };
    if !engine.has("events", "counter") {
        study.notes.push("The store has no events yet.".to_owned());
        return Ok(study);
    }
    let travel = travel::ask(question)?;
    study.notes.extend(travel.notes.iter().cloned());
    study.queries.extend(travel.queries.iter().cloned());
    let mut wanted = Vec::new();
    for mut sought in sought(&terms.names) {
        // A set that does not count gaps under current may keep the current at every gap.
        let by_current = sought.id == "gap-current" && !engine.has("runs", &sought.counter);
        if by_current && engine.has("events", LINE_CURRENT) {
            sought.counter.clone_from(&terms.names.section_gaps);
        }
        if !engine.has("runs", &sought.counter) {
            study.notes.push(format!("{}: the store has no counter '{}'.", sought.heading, sought.counter));
        } else {
            wanted.push(sought);
        }
    }
    let query = cells_query(&wanted, question);
    let answer = engine.ask(&query)?;
    study.queries.push(query);
    let (counters, vehicles) = (answer.texts("counter")?, answer.texts("vehicle")?);
    let (latitudes, longitudes) = (answer.numbers("latitude")?, answer.numbers("longitude")?);
    let (counts, recents) = (answer.numbers("times")?, answer.numbers("recent")?);
    let mut cells: HashMap<String, Vec<Cell>> = HashMap::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let (Some(counter), Some(vehicle), Some(count)) = (counters[row].clone(), vehicle, counts[row]) else {
            continue;
        };
        let at = latitudes[row].zip(longitudes[row]).filter(|&at| usable(at));
        let recent = recents[row].unwrap_or(0.0) as u64;
        cells.entry(counter).or_default().push(Cell { vehicle, at, count: count as u64, recent });
    }
    for sought in wanted {
        let own = cells.remove(&sought.counter).unwrap_or_default();
        study.kinds.push(reckon(sought, &own, &network, &travel));
    }
    Ok(study)
}

/// Events by kind, vehicle and square of 0.0001°: 11 m from north to south.
fn cells_query(wanted: &[Sought], question: &Question) -> Query {
    let terms = question.terms;
    let counters: Vec<String> = wanted.iter().map(|sought| span::text(&sought.counter)).collect();
    let counters = if counters.is_empty() { "''".to_owned() } else { counters.join(", ") };
    let under_current = if wanted.iter().any(|sought| sought.counter == terms.names.section_gaps) {
        let gaps = span::text(&terms.names.section_gaps);
        format!("\n  AND (counter <> {gaps} OR {} > {GAP_CURRENT_A})", span::column(LINE_CURRENT))
    } else {
        String::new()
    };
    let recent: Date = span::day_of(span::number_of(terms.today) - RECENT_DAYS).unwrap_or(terms.from);
    Query {
        id: "overhead-events",
        title: "Events of the overhead by kind, vehicle and square of 0.0001 degrees",
        sql: format!(
            "SELECT counter, vehicle, ROUND(latitude * 10000) / 10000 AS latitude, ROUND(longitude * 10000) / 10000 AS longitude,\n  \
             COUNT(*) AS times, SUM(CASE WHEN service_day > DATE '{recent}' THEN 1 ELSE 0 END) AS recent\nFROM events\n\
             WHERE {} AND counter IN ({counters}){under_current}\nGROUP BY 1, 2, 3, 4\nORDER BY 1, 2, 3, 4",
            span::days(terms)
        ),
    }
}

/// Puts the events of a kind to places and judges these.
fn reckon(sought: Sought, cells: &[Cell], network: &Network, travel: &Travel) -> OfKind {
    // One position a square, however many vehicles were there.
    let mut squares: BTreeMap<(i64, i64), (Position, u64)> = BTreeMap::new();
    let key = |at: Position| ((at.0 * 1e4).round() as i64, (at.1 * 1e4).round() as i64);
    for cell in cells {
        if let Some(at) = cell.at {
            squares.entry(key(at)).or_insert((at, 0)).1 += cell.count;
        }
    }
    let positions: Vec<Option<Position>> =
        squares.values().map(|(at, _)| Some(*at)).chain(std::iter::once(None)).collect();
    let times: Vec<u64> = squares.values().map(|(_, count)| *count).chain(std::iter::once(0)).collect();
    let located = network.locate(&positions, &times);
    let place_of: HashMap<(i64, i64), usize> = squares.keys().copied().zip(located.of.iter().copied()).collect();
    let nowhere = located.of.last().copied().unwrap_or(0);
    let (mut vehicles, mut passed) = travel.passages(network, &located.places).by_vehicle();
    for cell in cells {
        if let Err(at) = vehicles.binary_search(&cell.vehicle) {
            vehicles.insert(at, cell.vehicle.clone());
            passed.insert(at, vec![0.0; located.places.len()]);
        }
    }
    let mut counts = vec![vec![0_u64; vehicles.len()]; located.places.len()];
    let mut recent = vec![vec![0_u64; vehicles.len()]; located.places.len()];
    for cell in cells {
        let place = cell.at.and_then(|at| place_of.get(&key(at)).copied()).unwrap_or(nowhere);
        if let Ok(vehicle) = vehicles.binary_search(&cell.vehicle) {
            counts[place][vehicle] += cell.count;
            recent[place][vehicle] += cell.recent;
            // Who was seen has passed, whatever the duties say.
            passed[vehicle][place] = passed[vehicle][place].max(1.0);
        }
    }
    let sums: Vec<(u64, f64)> = (0..located.places.len())
        .map(|place| (counts[place].iter().sum(), passed.iter().map(|passed| passed[place]).sum()))
        .collect();
    let of_vehicles = of_vehicles(&vehicles, &counts, &recent, &passed, &sums);
    let factors: Vec<f64> = of_vehicles.iter().map(|own| own.factor).collect();
    let judged = judge(&located.places, &counts, &passed, &sums, &factors, network);
    let mut places: Vec<AtPlace> = Vec::new();
    for (place, (expected, causes)) in judged.into_iter().enumerate().filter(|(place, _)| sums[*place].0 > 0) {
        let mut here: Vec<(String, u64)> =
            vehicles.iter().cloned().zip(counts[place].iter().copied()).filter(|(_, count)| *count > 0).collect();
        here.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
        let verdict = causes.as_ref().map(|causes| {
            let (verdict, sure) = causes.verdict();
            let name = |which: usize| vehicles[which].clone();
            let told = match verdict {
                Verdict::Ordinary => Told::Ordinary,
                Verdict::Place => Told::Many,
                Verdict::One(_, which) => Told::One(name(which)),
                Verdict::Both(_, which) => Told::Both(name(which)),
                Verdict::Untold => Told::Untold,
            };
            (told, sure)
        });
        places.push(AtPlace {
            place: located.places[place].clone(),
            count: sums[place].0,
            recent: recent[place].iter().sum(),
            passages: sums[place].1,
            expected,
            vehicles: here,
            causes,
            verdict,
        });
    }
    places.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.place.id.cmp(&b.place.id)));
    OfKind {
        total: cells.iter().map(|cell| cell.count).sum(),
        unknown: cells.iter().filter(|cell| cell.at.is_none()).map(|cell| cell.count).sum(),
        sought,
        places,
        vehicles: of_vehicles,
    }
}

fn of_vehicles(
    vehicles: &[String],
    counts: &[Vec<u64>],
    recent: &[Vec<u64>],
    passed: &[Vec<f64>],
    sums: &[(u64, f64)],
) -> Vec<OfVehicle> {
    let rate = |place: usize| if sums[place].1 > 0.0 { sums[place].0 as f64 / sums[place].1 } else { 0.0 };
    let expected: Vec<f64> = passed
        .iter()
        .map(|passed| passed.iter().enumerate().map(|(place, passed)| passed * rate(place)).sum())
        .collect();
    let own: Vec<u64> = (0..vehicles.len()).map(|at| counts.iter().map(|counts| counts[at]).sum()).collect();
    let fit = gamma_poisson::fit(&own, &expected);
    vehicles
        .iter()
        .enumerate()
        .map(|(at, vehicle)| OfVehicle {
            vehicle: vehicle.clone(),
            count: own[at],
            recent: recent.iter().map(|recent| recent[at]).sum(),
            expected: expected[at],
            limits: ratio_limits(own[at], expected[at], LEVEL),
            factor: match &fit {
                Some(fit) if expected[at] > 0.0 => fit.posterior(own[at], expected[at]).mean(),
                _ => 1.0,
            },
        })
        .collect()
}

/// Expected counts and causes by place; what is usual is reckoned without what stands out, in two rounds.
fn judge(
    places: &[Place],
    counts: &[Vec<u64>],
    passed: &[Vec<f64>],
    sums: &[(u64, f64)],
    factors: &[f64],
    network: &Network,
) -> Vec<(f64, Option<Causes>)> {
    let clusters = places.iter().filter(|place| place.kind == Kind::Wire).count().max(1);
    let picked = network.pieces().max(1.0) / clusters as f64;
    let mut stands_out = vec![false; places.len()];
    let mut judged = vec![(0.0, None); places.len()];
    for _ in 0..2 {
        let before = stands_out.clone();
        for place in (0..places.len()).filter(|&place| sums[place].0 > 0) {
            let usual = usual(places, place, sums, &before, network.pieces());
            let expected: Vec<f64> =
                passed.iter().zip(factors).map(|(passed, factor)| passed[place] * usual.rate * factor).collect();
            let total = expected.iter().sum();
            let is_judged = places[place].is_spot() && sums[place].0 >= JUDGED_FROM;
            let looked_at = if places[place].kind == Kind::Wire { picked } else { 1.0 };
            let split = Split { counts: counts[place].clone(), expected };
            let causes = if is_judged { apart::compare(&[split], looked_at, usual.alike) } else { None };
            stands_out[place] = causes.as_ref().is_some_and(|causes| causes.verdict().0 != Verdict::Ordinary);
            judged[place] = (total, causes);
        }
    }
    judged
}

impl Study {
    /// The sheet `overhead`.
    pub fn sheet(&self) -> Sheet {
        told::sheet(self)
    }

    /// What to look at. Pole-offs are left to the study of their causes.
    pub fn work(&self) -> Vec<WorkLine> {
        told::work(self)
    }

    /// What a vehicle sees more often than others.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        told::of_vehicle(self, vehicle)
    }
}

#[cfg(test)]
mod tests;
