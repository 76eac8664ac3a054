//! How good the data are: vehicles that do not report, days that are missing, sensors that lie or drop out, frames that
//! are missing, clocks that step.
//!
//! Runs, bus health and message health by SQL, and the vehicles on the books (records), in; what is missing or
//! doubtful out. Whoever reads the other sheets should know this one.

mod told;

use std::collections::{BTreeMap, BTreeSet};

use jiff::ToSpan;
use jiff::civil::Date;

use super::sheet::{Query, Section, Sheet, WorkLine};
use super::{FleetError, Question, span};

/// A vehicle that has not reported for so many days, while the store has days, has stopped.
const STOPPED_AFTER_DAYS: i64 = 7;
/// Neighbours on a day, to compare a sensor with.
const NEIGHBOURS_LEAST: u32 = 5;
/// Days, to say that a sensor lies.
const DAYS_LEAST: u64 = 10;
/// Further off its neighbours in the mean, an ambient sensor lies. Unit: K.
const OFF_LEAST: f64 = 3.0;
/// Missing for a larger share of the time in use, a sensor drops out.
const OUT_LEAST: f64 = 0.01;
/// Missing a larger share of its frames, a message is not to be trusted.
const FRAMES_LEAST: f64 = 0.02;

/// What was found of the data.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// Vehicles that reported or should have, in order.
    pub vehicles: Vec<Reports>,
    /// Days within the first and the last of the store, without any run.
    pub missing_days: Vec<Date>,
    /// Silences of a week and more of vehicles that report again: vehicle, last day before, first day after.
    pub gaps: Vec<(String, Date, Date)>,
    /// Vehicles that reported, by day.
    pub by_day: Vec<(Date, u64)>,
    /// Sensors that are missing now and then.
    pub outages: Vec<Outage>,
    /// Ambient sensors against their neighbours.
    pub ambient: Vec<Ambient>,
    /// Buses with steps of the clock, error frames or silences; worst first.
    pub buses: Vec<Bus>,
    /// Messages of which frames are missing; worst first.
    pub messages: Vec<Message>,
    today: Option<Date>,
    on_books: bool,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// How a vehicle reports.
#[derive(Debug, Clone, PartialEq)]
pub struct Reports {
    /// Fleet number.
    pub vehicle: String,
    /// First and last service day with a run.
    pub days: Option<(Date, Date)>,
    /// Days with a run.
    pub reported: u64,
    /// Days that others reported, while it was in service.
    pub expected: u64,
    /// Unit: km.
    pub km: f64,
    /// How it stands.
    pub state: State,
}

/// How a vehicle stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// On the books and in service, but nothing ever came.
    Never,
    /// It reported once, and has stopped.
    Stopped,
    /// It reports less than half of the days of others.
    Seldom,
    /// It reports, but is not on the books.
    NotOnBooks,
    /// It reports.
    Reports,
    /// It is not in service any more, or not yet.
    OutOfService,
}

/// A sensor that is missing now and then.
#[derive(Debug, Clone, PartialEq)]
pub struct Outage {
    /// Fleet number.
    pub vehicle: String,
    /// Which sensor.
    pub sensor: &'static str,
    /// Unit: s.
    pub missing_s: f64,
    /// Of the time in use.
    pub share: f64,
    /// The same in the middle of the fleet.
    pub fleet: f64,
    /// Days with an outage.
    pub days: u64,
}

/// An ambient sensor against the middle of its neighbours.
#[derive(Debug, Clone, PartialEq)]
pub struct Ambient {
    /// Fleet number.
    pub vehicle: String,
    /// Mean difference. Unit: K.
    pub off: f64,
    /// Standard deviation of the difference from day to day. Unit: K.
    pub spread: f64,
    /// Days compared.
    pub days: u64,
    /// Whether it showed the same on all days.
    pub stuck: bool,
}

impl Ambient {
    /// Whether it lies: always off, or stuck.
    pub fn lies(&self) -> bool {
        self.days >= DAYS_LEAST && (self.off.abs() >= OFF_LEAST || self.stuck)
    }
}

/// A bus.
#[derive(Debug, Clone, PartialEq)]
pub struct Bus {
    /// Fleet number.
    pub vehicle: String,
    /// Its name.
    pub bus: String,
    /// Last service day on which it was heard.
    pub last: Option<Date>,
    /// Unit: h.
    pub recorded_h: f64,
    /// Steps back of the clock.
    pub steps_back: u64,
    /// Error frames.
    pub errors: u64,
    /// Silences of more than a second.
    pub silences: u64,
}

/// A message of a vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// Fleet number.
    pub vehicle: String,
    /// Its name.
    pub message: String,
    /// Frames that came.
    pub frames: u64,
    /// Frames that did not.
    pub missing: u64,
}

impl Message {
    /// Share of its frames that did not come.
    pub fn share(&self) -> f64 {
        self.missing as f64 / (self.frames + self.missing).max(1) as f64
    }
}

/// Studies the data.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { engine, records, terms } = *question;
    let mut study = Study { today: Some(terms.today), on_books: !records.vehicles.is_empty(), ..Study::default() };
    if engine.has("runs", "service_day") {
        reporting(question, &mut study)?;
        outages(question, &mut study)?;
        ambient(question, &mut study)?;
    } else {
        study.notes.push("The store has no runs.".to_owned());
    }
    if engine.has("bus_health", "steps_back") {
        buses(question, &mut study)?;
    }
    if engine.has("message_health", "missing") {
        messages(question, &mut study)?;
    }
    if !study.on_books {
        study.notes.push("There are no vehicles on record: which ones never reported cannot be told.".to_owned());
    }
    Ok(study)
}

/// Who reported when, against the books.
fn reporting(question: &Question, study: &mut Study) -> Result<(), FleetError> {
    let Question { engine, records, terms } = *question;
    let days = span::days(terms);
    let by_day = Query {
        id: "reports-days",
        title: "Vehicles that reported, by day",
        sql: format!(
            "SELECT service_day, COUNT(DISTINCT vehicle) AS vehicles\nFROM runs\nWHERE {days}\nGROUP BY service_day\n\
             ORDER BY service_day"
        ),
    };
    let answer = engine.ask(&by_day)?;
    study.queries.push(by_day);
    let (service_days, vehicles) = (answer.numbers("service_day")?, answer.numbers("vehicles")?);
    for (day, count) in service_days.into_iter().zip(vehicles) {
        if let (Some(day), Some(count)) = (day.and_then(span::day_of), count) {
            study.by_day.push((day, count as u64));
        }
    }
    study.missing_days = missing_days(&study.by_day, terms.today);
    let km = if engine.has("runs", &terms.names.distance) {
        let distance = span::column(&terms.names.distance);
        format!("SUM(CASE WHEN {distance} > 0 THEN {distance} END)")
    } else {
        "CAST(NULL AS DOUBLE)".to_owned()
    };
    let by_vehicle = Query {
        id: "reports-vehicles",
        title: "First and last day, days with a run, and kilometres by vehicle",
        sql: format!(
            "SELECT vehicle, MIN(service_day) AS first_day, MAX(service_day) AS last_day, COUNT(DISTINCT service_day) AS days, \
             {km} AS km\nFROM runs\nWHERE {days}\nGROUP BY vehicle\nORDER BY vehicle"
        ),
    };
    let answer = engine.ask(&by_vehicle)?;
    study.queries.push(by_vehicle);
    let vehicles = answer.texts("vehicle")?;
    let (first, last) = (answer.numbers("first_day")?, answer.numbers("last_day")?);
    let (counts, km) = (answer.numbers("days")?, answer.numbers("km")?);
    let mut seen: BTreeMap<String, (Date, Date, u64, f64)> = BTreeMap::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let ends = first[row].and_then(span::day_of).zip(last[row].and_then(span::day_of));
        if let (Some(vehicle), Some((first, last))) = (vehicle, ends) {
            let count = counts[row].unwrap_or(0.0).max(0.0) as u64;
            seen.insert(vehicle, (first, last, count, km[row].filter(|km| km.is_finite()).unwrap_or(0.0)));
        }
    }
    study.vehicles = against_the_books(&seen, &records.vehicles, &study.by_day);
    let gaps = Query {
        id: "reports-gaps",
        title: "Vehicles that were silent for a week or more, and report again",
        sql: format!(
            "SELECT vehicle, before, service_day\nFROM (SELECT vehicle, service_day, LAG(service_day) OVER (PARTITION BY vehicle \
             ORDER BY service_day) AS before\n  FROM (SELECT DISTINCT vehicle, service_day FROM runs WHERE {days}))\n\
             WHERE before < service_day - INTERVAL '7 days'\nORDER BY vehicle, service_day"
        ),
    };
    let answer = engine.ask(&gaps)?;
    study.queries.push(gaps);
    let (before, after) = (answer.numbers("before")?, answer.numbers("service_day")?);
    for (row, vehicle) in answer.texts("vehicle")?.into_iter().enumerate() {
        let ends = before[row].and_then(span::day_of).zip(after[row].and_then(span::day_of));
        if let (Some(vehicle), Some((before, after))) = (vehicle, ends) {
            study.gaps.push((vehicle, before, after));
        }
    }
    Ok(())
}

/// Days between the first day and the last one asked for on which nobody reported.
fn missing_days(by_day: &[(Date, u64)], today: Date) -> Vec<Date> {
    let Some(&(first, _)) = by_day.first() else { return Vec::new() };
    let known: BTreeSet<Date> = by_day.iter().map(|(day, _)| *day).collect();
    first.series(1.day()).take_while(|day| *day <= today).filter(|day| !known.contains(day)).collect()
}

/// Each vehicle's state.
fn against_the_books(
    seen: &BTreeMap<String, (Date, Date, u64, f64)>,
    books: &[crate::records::Vehicle],
    by_day: &[(Date, u64)],
) -> Vec<Reports> {
    let last_day = by_day.last().map(|(day, _)| *day);
    let on_books: BTreeMap<&str, &crate::records::Vehicle> =
        books.iter().map(|vehicle| (vehicle.vehicle.as_str(), vehicle)).collect();
    let names: BTreeSet<&str> = seen.keys().map(String::as_str).chain(on_books.keys().copied()).collect();
    names
        .into_iter()
        .map(|name| {
            let (book, own) = (on_books.get(name), seen.get(name));
            // In service from what the books say; else from its first day on.
            let from = book.and_then(|book| book.from).or(if book.is_some() { None } else { own.map(|own| own.0) });
            let to = book.and_then(|book| book.to);
            let in_service = |day: Date| from.is_none_or(|from| from <= day) && to.is_none_or(|to| day <= to);
            let expected = by_day.iter().filter(|(day, _)| in_service(*day)).count() as u64;
            let reported = own.map_or(0, |own| own.2);
            let still = last_day.is_some_and(in_service);
            let state = match own {
                _ if !still => State::OutOfService,
                None => State::Never,
                Some(own) if last_day.is_some_and(|last| own.1 < last.saturating_sub(STOPPED_AFTER_DAYS.days())) => {
                    State::Stopped
                }
                Some(_) if reported * 2 < expected => State::Seldom,
                Some(_) if book.is_none() && !books.is_empty() => State::NotOnBooks,
                Some(_) => State::Reports,
            };
            Reports {
                vehicle: name.to_owned(),
                days: own.map(|own| (own.0, own.1)),
                reported,
                expected,
                km: own.map_or(0.0, |own| own.3),
                state,
            }
        })
        .collect()
}

/// Sensors that are missing while the vehicle is in use.
fn outages(question: &Question, study: &mut Study) -> Result<(), FleetError> {
    let Question { engine, terms, .. } = *question;
    let names = &terms.names;
    let sensors = [
        ("ambient sensor", &names.ambient_missing_time, "sensor-ambient"),
        ("motor temperature sensor", &names.motor_missing_time, "sensor-motor"),
        ("battery temperature sensor", &names.battery_missing_time, "sensor-battery"),
    ];
    for (sensor, counter, id) in sensors {
        if !engine.has("runs", counter) {
            study.notes.push(format!("The store has no counter '{counter}': outages of the {sensor} are not known."));
            continue;
        }
        let counter = span::column(counter);
        let query = Query {
            id,
            title: "Seconds in use without a sensor's value, by vehicle",
            sql: format!(
                "SELECT vehicle, SUM({counter}) AS missing_s, SUM(duration_s) AS used_s,\n  \
                 COUNT(DISTINCT CASE WHEN {counter} > 0 THEN service_day END) AS days\n\
                 FROM runs\nWHERE {}\nGROUP BY vehicle\nORDER BY vehicle",
                span::days(terms)
            ),
        };
        let answer = engine.ask(&query)?;
        study.queries.push(query);
        let vehicles = answer.texts("vehicle")?;
        let (missing, used) = (answer.numbers("missing_s")?, answer.numbers("used_s")?);
        let days = answer.numbers("days")?;
        let share = |row: usize| match (missing[row], used[row]) {
            (Some(missing), Some(used)) if used > 0.0 && missing.is_finite() => Some((missing / used).clamp(0.0, 1.0)),
            _ => None,
        };
        let mut shares: Vec<f64> = (0..vehicles.len()).filter_map(share).collect();
        shares.sort_by(f64::total_cmp);
        let fleet = shares.get(shares.len() / 2).copied().unwrap_or(0.0);
        for (row, vehicle) in vehicles.into_iter().enumerate() {
            let (Some(vehicle), Some(share)) = (vehicle, share(row)) else { continue };
            if share >= OUT_LEAST && share > 3.0 * fleet {
                let days = days[row].unwrap_or(0.0).max(0.0) as u64;
                let missing_s = missing[row].unwrap_or(0.0);
                study.outages.push(Outage { vehicle, sensor, missing_s, share, fleet, days });
            }
        }
    }
    study.outages.sort_by(|a, b| b.share.total_cmp(&a.share).then_with(|| a.vehicle.cmp(&b.vehicle)));
    Ok(())
}

/// Ambient sensors, each against the middle of all on the same day.
fn ambient(question: &Question, study: &mut Study) -> Result<(), FleetError> {
    let Question { engine, terms, .. } = *question;
    let name = &terms.names.ambient_mean;
    if !engine.has("runs", name) {
        study.notes.push(format!("The store has no counter '{name}': ambient sensors are not compared."));
        return Ok(());
    }
    let ambient = span::column(name);
    let query = Query {
        id: "ambient-neighbours",
        title: "Each vehicle's ambient temperature against the middle of the fleet on the same day",
        sql: format!(
            "WITH own AS (SELECT vehicle, service_day, AVG({ambient}) AS ambient FROM runs\n  WHERE {} AND {ambient} IS NOT NULL \
             GROUP BY vehicle, service_day),\nfleet AS (SELECT service_day, MEDIAN(ambient) AS ambient FROM \
             own\n  GROUP BY service_day HAVING COUNT(*) >= {NEIGHBOURS_LEAST})\n\
             SELECT o.vehicle AS vehicle, AVG(o.ambient - f.ambient) AS off, STDDEV(o.ambient - f.ambient) AS spread,\n  \
             STDDEV(o.ambient) AS own_spread, STDDEV(f.ambient) AS fleet_spread, COUNT(*) AS days\n\
             FROM own o JOIN fleet f ON o.service_day = f.service_day\nGROUP BY o.vehicle\nORDER BY vehicle",
            span::days(terms)
        ),
    };
    let answer = engine.ask(&query)?;
    study.queries.push(query);
    let vehicles = answer.texts("vehicle")?;
    let (off, spread) = (answer.numbers("off")?, answer.numbers("spread")?);
    let (own, fleet) = (answer.numbers("own_spread")?, answer.numbers("fleet_spread")?);
    let days = answer.numbers("days")?;
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let (Some(vehicle), Some(off)) = (vehicle, off[row].filter(|off| off.is_finite())) else { continue };
        // Hardly moves over days on which the fleet's moved by degrees.
        let stuck = matches!((own[row], fleet[row]), (Some(own), Some(fleet)) if fleet > 1.0 && own < 0.05 * fleet);
        study.ambient.push(Ambient {
            vehicle,
            off,
            spread: spread[row].filter(|spread| spread.is_finite()).unwrap_or(0.0),
            days: days[row].unwrap_or(0.0).max(0.0) as u64,
            stuck,
        });
    }
    Ok(())
}

fn buses(question: &Question, study: &mut Study) -> Result<(), FleetError> {
    let query = Query {
        id: "bus-health",
        title: "Clock steps, error frames and silences by vehicle and bus",
        sql: format!(
            "SELECT vehicle, bus, SUM(recorded_s) / 3600 AS recorded_h, SUM(steps_back) AS steps_back,\n  \
             SUM(error_frames) AS errors, SUM(silences) AS silences, MAX(service_day) AS last_day\nFROM bus_health\nWHERE {}\nGROUP BY vehicle, bus\n\
             ORDER BY vehicle, bus",
            span::days(question.terms)
        ),
    };
    let answer = question.engine.ask(&query)?;
    study.queries.push(query);
    let (vehicles, names) = (answer.texts("vehicle")?, answer.texts("bus")?);
    let recorded = answer.numbers("recorded_h")?;
    let last = answer.numbers("last_day")?;
    let [steps, errors, silences] =
        [answer.numbers("steps_back")?, answer.numbers("errors")?, answer.numbers("silences")?];
    let count = |value: Option<f64>| value.unwrap_or(0.0).max(0.0) as u64;
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let Some(vehicle) = vehicle else { continue };
        study.buses.push(Bus {
            vehicle,
            bus: names[row].clone().unwrap_or_default(),
            last: last[row].and_then(span::day_of),
            recorded_h: recorded[row].filter(|hours| hours.is_finite()).unwrap_or(0.0),
            steps_back: count(steps[row]),
            errors: count(errors[row]),
            silences: count(silences[row]),
        });
    }
    study.buses.sort_by(|a, b| {
        (b.steps_back, b.errors, b.silences)
            .cmp(&(a.steps_back, a.errors, a.silences))
            .then_with(|| a.vehicle.cmp(&b.vehicle))
    });
    Ok(())
}

fn messages(question: &Question, study: &mut Study) -> Result<(), FleetError> {
    let query = Query {
        id: "message-health",
        title: "Messages of which more than one frame in fifty is missing",
        sql: format!(
            "SELECT vehicle, message, SUM(frames) AS frames, SUM(missing) AS missing\nFROM message_health\nWHERE {}\n\
             GROUP BY vehicle, message\nHAVING SUM(missing) > {FRAMES_LEAST} * (SUM(frames) + SUM(missing))\n\
             ORDER BY vehicle, message",
            span::days(question.terms)
        ),
    };
    let answer = question.engine.ask(&query)?;
    study.queries.push(query);
    let (vehicles, names) = (answer.texts("vehicle")?, answer.texts("message")?);
    let (frames, missing) = (answer.numbers("frames")?, answer.numbers("missing")?);
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let count = |value: Option<f64>| value.unwrap_or(0.0).max(0.0) as u64;
        if let (Some(vehicle), Some(message)) = (vehicle, names[row].clone()) {
            study.messages.push(Message { vehicle, message, frames: count(frames[row]), missing: count(missing[row]) });
        }
    }
    study.messages.sort_by(|a, b| {
        b.share().total_cmp(&a.share()).then_with(|| (&a.vehicle, &a.message).cmp(&(&b.vehicle, &b.message)))
    });
    Ok(())
}

impl Study {
    /// The sheet `data-quality`.
    pub fn sheet(&self) -> Sheet {
        told::sheet(self)
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        told::work(self)
    }

    /// Buses that are not heard any more though their vehicle reports: the bus, and the vehicle's last day.
    fn silent_buses(&self) -> impl Iterator<Item = (&Bus, Date)> {
        self.buses.iter().filter_map(|bus| {
            let own = self.vehicles.iter().find(|own| own.vehicle == bus.vehicle)?;
            let last = own.days?.1;
            (bus.last? < last.saturating_sub(STOPPED_AFTER_DAYS.days())).then_some((bus, last))
        })
    }

    /// What is doubtful about a vehicle's data.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        told::of_vehicle(self, vehicle)
    }
}

#[cfg(test)]
mod tests;
