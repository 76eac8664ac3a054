//! Which packs there are, and what each did in each month.
//!
//! The store's runs and the records of packs in, by SQL; [`Packs`] out. A vehicle, or its time, of which no record tells
//! is taken to have had one pack of unknown number.

use std::collections::{BTreeMap, HashMap, HashSet};

use jiff::civil::Date;

use super::ask;
use super::rank::Cell;
use crate::fleet::sheet::Query;
use crate::fleet::{FleetError, Question, span};

/// Days of a month, on average: with neither off-wire changes nor km, exposure is months.
const DAYS_A_MONTH: f64 = 365.2425 / 12.0;
/// A vehicle that did not report for so many days has no pack to plan for.
const SILENT_DAYS: f64 = 60.0;

/// What timeouts are counted against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exposure {
    /// Planned changes to the battery.
    Changes,
    /// Driven off the wire.
    Kilometres,
    /// With runs.
    Months,
}

impl Exposure {
    /// In a sentence: `240 off-wire changes`.
    pub fn of(self, amount: f64) -> String {
        match self {
            Self::Changes => format!("{amount:.0} off-wire changes"),
            Self::Kilometres => format!("{amount:.0} km off the wire"),
            Self::Months => format!("{amount:.1} months"),
        }
    }

    /// So much of it that rates are numbers one can read: timeouts in 100 off-wire changes.
    pub fn per(self) -> (f64, &'static str) {
        match self {
            Self::Changes => (100.0, "100 off-wire changes"),
            Self::Kilometres => (100.0, "100 km off the wire"),
            Self::Months => (1.0, "month"),
        }
    }

    /// As a heading.
    pub fn heading(self) -> (&'static str, &'static str, u8) {
        match self {
            Self::Changes => ("off-wire changes", "", 0),
            Self::Kilometres => ("off the wire", "km", 0),
            Self::Months => ("months with runs", "mo", 1),
        }
    }
}

/// A pack.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Pack {
    /// Its number; of one that no record tells of: `unknown, in 412`.
    pub name: String,
    /// Whether a record tells of it.
    pub known: bool,
    /// The vehicle that it is in, or was last.
    pub vehicle: String,
    /// When it was first fitted anywhere.
    pub fitted: Option<Date>,
    /// When it was taken out for good.
    pub removed: Option<Date>,
    /// Whether it is in a vehicle that runs.
    pub in_service: bool,
}

impl Pack {
    /// Years from its first fitting to a day.
    pub fn years(&self, at: f64) -> Option<f64> {
        self.fitted.map(|fitted| ((at - span::number_of(fitted)) / 365.2425).max(0.0))
    }
}

/// What a vehicle's pack is called of which no record tells.
pub(in crate::fleet) fn unknown(vehicle: &str) -> String {
    format!("unknown, in {vehicle}")
}

/// All packs that ran, and what they did.
#[derive(Debug, Clone)]
pub struct Packs {
    /// Each once.
    pub packs: Vec<Pack>,
    /// First days of the months, without gaps.
    pub months: Vec<Date>,
    /// What they did.
    pub cells: Vec<Cell>,
    /// What timeouts are counted against.
    pub exposure: Exposure,
    /// Exposure in a year to come, by vehicle: as in its last twelve months.
    pub a_year: HashMap<String, f64>,
    /// Driven off the wire, by pack. Unit: km.
    pub km: Vec<f64>,
    /// Timeouts in runs of which the exposure is not known: not used.
    pub left_out: u64,
    /// Vehicles with a pack of which no record tells.
    pub without_records: usize,
}

/// Asks for packs and months; none where the store has no runs in these days.
pub(super) fn find(question: &Question, queries: &mut Vec<Query>) -> Result<Option<Packs>, FleetError> {
    let query = months_query(question);
    let answer = question.engine.ask(&query)?;
    queries.push(query);
    let rows = Rows {
        pack: answer.texts("pack")?,
        vehicle: answer.texts("vehicle")?,
        month: answer.numbers("month")?,
        first: answer.numbers("first_day")?,
        last: answer.numbers("last_day")?,
        days: answer.numbers("days")?,
        changes: answer.numbers("changes")?,
        km: answer.numbers("km")?,
        timeouts: answer.numbers("timeouts")?,
        timeouts_by_changes: answer.numbers("timeouts_with_changes")?,
        timeouts_by_km: answer.numbers("timeouts_with_km")?,
    };
    Ok(rows.packs(question))
}

fn months_query(question: &Question) -> Query {
    let names = &question.terms.names;
    let column = |name: &str| ask::column(question.engine, "runs", name);
    let (timeouts, changes) = (column(&names.battery_timeouts), column(&names.off_wire_changes));
    let km = ask::km(question.engine, &names.off_wire_distance);
    let has_records = question.engine.has("packs", "part");
    let (with, pack, join) = if has_records {
        (format!("{},\n", ask::FITTED), "COALESCE(fitted.pack, '')", ask::in_it("days", "service_day"))
    } else {
        (String::new(), "''", String::new())
    };
    let sql = format!(
        "WITH {with}days AS (
  SELECT vehicle, service_day,
         SUM({timeouts}) AS timeouts,
         SUM(CASE WHEN {timeouts} IS NOT NULL THEN {changes} END) AS changes,
         SUM(CASE WHEN {changes} IS NOT NULL THEN {timeouts} END) AS timeouts_with_changes,
         SUM(CASE WHEN {timeouts} IS NOT NULL THEN {km} END) AS km,
         SUM(CASE WHEN {km} IS NOT NULL THEN {timeouts} END) AS timeouts_with_km
  FROM runs
  WHERE {within}
  GROUP BY vehicle, service_day)
SELECT {pack} AS pack, days.vehicle AS vehicle, CAST(date_trunc('month', days.service_day) AS DATE) AS month,
       MIN(days.service_day) AS first_day, MAX(days.service_day) AS last_day, COUNT(*) AS days,
       SUM(days.timeouts) AS timeouts,
       SUM(days.changes) AS changes, SUM(days.timeouts_with_changes) AS timeouts_with_changes,
       SUM(days.km) AS km, SUM(days.timeouts_with_km) AS timeouts_with_km
FROM days
{join}
GROUP BY 1, 2, 3
ORDER BY 1, 2, 3",
        within = span::days(question.terms)
    );
    Query { id: "battery-months", title: "Timeouts, off-wire changes and km of each pack, by month", sql }
}

struct Rows {
    pack: Vec<Option<String>>,
    vehicle: Vec<Option<String>>,
    month: Vec<Option<f64>>,
    first: Vec<Option<f64>>,
    last: Vec<Option<f64>>,
    days: Vec<Option<f64>>,
    changes: Vec<Option<f64>>,
    km: Vec<Option<f64>>,
    timeouts: Vec<Option<f64>>,
    timeouts_by_changes: Vec<Option<f64>>,
    timeouts_by_km: Vec<Option<f64>>,
}

impl Rows {
    fn packs(&self, question: &Question) -> Option<Packs> {
        let total = |values: &[Option<f64>]| values.iter().flatten().sum::<f64>();
        let exposure = if total(&self.changes) > 0.0 {
            Exposure::Changes
        } else if total(&self.km) > 0.0 {
            Exposure::Kilometres
        } else {
            Exposure::Months
        };
        let first_month = self.month.iter().flatten().copied().reduce(f64::min).and_then(span::day_of)?;
        let last_month = self.month.iter().flatten().copied().reduce(f64::max).and_then(span::day_of)?;
        let months: Vec<Date> =
            std::iter::successors(Some(first_month), |month| month.checked_add(jiff::Span::new().months(1)).ok())
                .take_while(|month| *month <= last_month)
                .collect();
        let month_number: HashMap<Date, usize> = months.iter().enumerate().map(|(n, month)| (*month, n)).collect();
        let mut found = Finder::new(question);
        let (mut cells, mut km): (BTreeMap<(usize, usize), Cell>, HashMap<usize, f64>) = Default::default();
        let (mut used, mut all) = (0.0, 0.0);
        let mut lately: HashMap<String, (f64, f64)> = HashMap::new();
        let a_year_ago = span::number_of(question.terms.today) - 365.0;
        for row in 0..self.month.len() {
            let (Some(vehicle), Some(month)) = (&self.vehicle[row], self.month[row].and_then(span::day_of)) else {
                continue;
            };
            let (Some(&month), Some(last)) = (month_number.get(&month), self.last[row]) else { continue };
            let number = found.number(self.pack[row].as_deref().unwrap_or(""), vehicle, last);
            let known = |values: &[Option<f64>]| values[row].unwrap_or(0.0).max(0.0);
            let (timeouts, own) = match exposure {
                Exposure::Changes => (known(&self.timeouts_by_changes), known(&self.changes)),
                Exposure::Kilometres => (known(&self.timeouts_by_km), known(&self.km)),
                // A month in which timeouts were not counted is no exposure.
                Exposure::Months if self.timeouts[row].is_some() => {
                    (known(&self.timeouts), known(&self.days) / DAYS_A_MONTH)
                }
                Exposure::Months => (0.0, 0.0),
            };
            used += timeouts;
            all += known(&self.timeouts);
            *km.entry(number).or_default() += known(&self.km);
            let cell = cells.entry((number, month)).or_insert(Cell { pack: number, month, timeouts: 0, exposure: 0.0 });
            cell.timeouts += timeouts as u64;
            cell.exposure += own;
            let first = self.first[row].unwrap_or(last);
            if last >= a_year_ago {
                let (amount, from) = lately.entry(vehicle.clone()).or_insert((0.0, first));
                *amount += own;
                *from = from.min(first.max(a_year_ago));
            }
        }
        let today = span::number_of(question.terms.today);
        // Of less than a month nothing is said about a year.
        let year_of = |(amount, from): (f64, f64)| {
            let seen = today + 1.0 - from;
            (seen >= DAYS_A_MONTH).then_some(amount * 365.2425 / seen)
        };
        let a_year = lately.into_iter().filter_map(|(vehicle, lately)| Some((vehicle, year_of(lately)?))).collect();
        let packs = found.packs(today);
        Some(Packs {
            km: (0..packs.len()).map(|pack| km.get(&pack).copied().unwrap_or(0.0)).collect(),
            without_records: packs.iter().filter(|pack| !pack.known && pack.in_service).count(),
            packs,
            months,
            cells: cells.into_values().collect(),
            exposure,
            a_year,
            left_out: (all - used).max(0.0) as u64,
        })
    }
}

/// Gives packs their numbers, and says which are in service.
struct Finder<'a> {
    question: &'a Question<'a>,
    numbers: HashMap<String, usize>,
    packs: Vec<Pack>,
    /// Last day with a run, by pack.
    last: Vec<f64>,
}

impl<'a> Finder<'a> {
    fn new(question: &'a Question<'a>) -> Self {
        Self { question, numbers: HashMap::new(), packs: Vec::new(), last: Vec::new() }
    }

    fn number(&mut self, pack: &str, vehicle: &str, last: f64) -> usize {
        let name = if pack.is_empty() { unknown(vehicle) } else { pack.to_owned() };
        let next = self.packs.len();
        let number = *self.numbers.entry(name.clone()).or_insert(next);
        if number == next {
            let pack = Pack { name, known: !pack.is_empty(), vehicle: vehicle.to_owned(), ..Pack::default() };
            self.packs.push(pack);
            self.last.push(last);
        } else if last >= self.last[number] {
            self.last[number] = last;
            vehicle.clone_into(&mut self.packs[number].vehicle);
        }
        number
    }

    fn packs(self, today: f64) -> Vec<Pack> {
        let records = self.question.records;
        let retired: HashSet<&str> = records
            .vehicles
            .iter()
            .filter(|vehicle| vehicle.to.is_some_and(|to| span::number_of(to) < today))
            .map(|vehicle| vehicle.vehicle.as_str())
            .collect();
        // The fitting that holds today, by vehicle.
        let mut fitted_now: HashMap<&str, &str> = HashMap::new();
        let mut first_fitted: HashMap<&str, Date> = HashMap::new();
        let mut removed: HashMap<&str, Option<Date>> = HashMap::new();
        let mut fittings: Vec<_> = records.packs.iter().filter(|own| span::number_of(own.fitted) <= today).collect();
        fittings.sort_by_key(|own| (own.fitted, &own.part));
        for own in fittings {
            fitted_now.insert(&own.vehicle, &own.part);
            first_fitted.entry(&own.part).or_insert(own.fitted);
            removed.insert(&own.part, own.removed.filter(|removed| span::number_of(*removed) < today));
        }
        let mut packs = self.packs;
        for (pack, last) in packs.iter_mut().zip(self.last) {
            let vehicle = pack.vehicle.as_str();
            let runs = last >= today - SILENT_DAYS && !retired.contains(vehicle);
            if pack.known {
                pack.fitted = first_fitted.get(pack.name.as_str()).copied();
                pack.removed = removed.get(pack.name.as_str()).copied().flatten();
                let here = fitted_now.get(vehicle) == Some(&pack.name.as_str());
                pack.in_service = runs && here && pack.removed.is_none();
            } else {
                // It is still there, unless a record tells of one that holds today.
                let other = fitted_now.get(vehicle).is_some_and(|part| removed.get(part).copied().flatten().is_none());
                pack.in_service = runs && !other;
            }
        }
        packs
    }
}
