//! What drifts towards its limit: hand readings, and optical links by what they report themselves.
//!
//! Readings (records) and daily medians (SQL) in; one judgement a vehicle and channel, with the date of crossing the
//! recheck limit and its interval, out. Carbon inserts, insulation and whatever else is measured go the same way; only
//! powers are reckoned in dB. Readings that are due are told too.

mod judged;
mod told;

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::Date;
use rayon::prelude::*;

pub use judged::{Judged, Limits, Moves, Standing, Stepped};

use super::sheet::{Query, Section, Sheet, WorkLine};
use super::{FleetError, Question, span};
use crate::records::{Channel, Fitting};
use judged::OPTICAL;

/// What was found of drifts.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// By vehicle, then channel.
    pub series: Vec<Series>,
    /// Readings that are due: vehicle, channel, and the day of the last one.
    pub due: Vec<Due>,
    today: Option<Date>,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// Readings of one channel of one vehicle.
#[derive(Debug, Clone)]
pub struct Series {
    /// Fleet number.
    pub vehicle: String,
    /// As `limits.toml` names it, or the link's own number.
    pub channel: String,
    /// What it is.
    pub about: String,
    /// UCUM code.
    pub unit: String,
    /// Whether people read it; else the bus tells it.
    pub by_hand: bool,
    /// Its limits.
    pub limits: Limits,
    /// Days from one reading to the next, where that is laid down.
    pub every_days: Option<f64>,
    /// Days since 1970-01-01, and values; in order.
    pub points: Vec<(f64, f64)>,
    /// What it comes to.
    pub judged: Judged,
}

/// A reading that is due.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// Fleet number.
    pub vehicle: String,
    /// Channel.
    pub channel: String,
    /// The last one, if there ever was one.
    pub last: Option<Date>,
    /// Since when it is due; none: never read.
    pub since: Option<Date>,
}

/// Studies all drifts.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { records, terms, .. } = *question;
    let mut study = Study { today: Some(terms.today), ..Study::default() };
    let mut by_channel: BTreeMap<(String, String), Vec<(f64, f64)>> = BTreeMap::new();
    // All readings that there are, also those before the days that are asked about: a drift is long.
    for reading in records.readings.iter().filter(|reading| reading.day <= terms.today) {
        let fitted = insert_fitted(&records.inserts, &reading.vehicle, &reading.channel, terms.today);
        // What was read on the day of a change, was read before it.
        if fitted.is_some_and(|fitted| reading.day <= fitted) {
            continue;
        }
        let key = (reading.vehicle.clone(), reading.channel.clone());
        by_channel.entry(key).or_default().push((span::number_of(reading.day), reading.value));
    }
    let of_hand = by_channel.into_par_iter().filter_map(|((vehicle, name), points)| {
        let channel = records.channels.iter().find(|channel| channel.name == name);
        series(vehicle, name, channel, true, points)
    });
    study.series = of_hand.collect();
    if records.readings.is_empty() {
        study.notes.push("There are no hand readings on record.".to_owned());
    }
    links(question, &mut study)?;
    study.series.sort_by(|a, b| (&a.vehicle, &a.channel).cmp(&(&b.vehicle, &b.channel)));
    study.due = due(question);
    Ok(study)
}

/// Since when the carbon insert is in that a channel measures; none where it measures something else. Such a channel's
/// name has `insert` and the side in it: `insert-left`.
fn insert_fitted(inserts: &[Fitting], vehicle: &str, channel: &str, today: Date) -> Option<Date> {
    let side =
        channel.contains("insert").then(|| ["left", "right"].into_iter().find(|side| channel.contains(side)))??;
    // By vehicle, then day.
    let from = inserts.partition_point(|insert| insert.vehicle.as_str() < vehicle);
    let own = inserts[from..].iter().take_while(|insert| insert.vehicle == vehicle);
    own.filter(|insert| insert.side == side && insert.fitted <= today).map(|insert| insert.fitted).max()
}

fn series(
    vehicle: String,
    name: String,
    channel: Option<&Channel>,
    by_hand: bool,
    mut points: Vec<(f64, f64)>,
) -> Option<Series> {
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let is_light = !by_hand || channel.is_some_and(|channel| channel.decibels && channel.unit == "uW");
    let own = channel.map(|channel| Limits {
        decibels: channel.decibels,
        falls: channel.falls,
        new: channel.new,
        suspect: channel.suspect,
        recheck: channel.recheck,
        marginal: channel.marginal,
    });
    let limits = match own {
        // Whatever the records leave open is common practice.
        Some(own) if is_light && own.falls => Limits {
            new: own.new.or(OPTICAL.new),
            suspect: own.suspect.or(OPTICAL.suspect),
            recheck: own.recheck.or(OPTICAL.recheck),
            marginal: own.marginal.or(OPTICAL.marginal),
            ..own
        },
        Some(own) => own,
        None if is_light => OPTICAL,
        None => Limits { falls: true, ..Limits::default() },
    };
    let judged = judged::judge(&points, &limits)?;
    let unit = channel.map_or(if is_light { "uW" } else { "" }, |channel| channel.unit.as_str()).to_owned();
    let about = channel.map(|channel| channel.about.clone()).unwrap_or_default();
    let every_days = channel.filter(|_| by_hand).and_then(|channel| channel.every_days).map(f64::from);
    Some(Series { vehicle, channel: name, about, unit, by_hand, limits, every_days, points, judged })
}

/// Optical links by what they report: a median a day, so that a link that was dark for a minute is not mistaken for a
/// weak one.
fn links(question: &Question, study: &mut Study) -> Result<(), FleetError> {
    let Question { engine, records, terms } = *question;
    let message = &terms.names.optical_message;
    let table = format!("signals.{message}");
    if !engine.has(&table, "link") || !engine.has(&table, "received_power") {
        study.notes.push(format!("No optical link reports its power: the store has no message '{message}' with it."));
        return Ok(());
    }
    let query = Query {
        id: "optical-links",
        title: "Received power of each optical link: a median a day",
        sql: format!(
            "SELECT vehicle, link, date, approx_median(received_power) AS power\nFROM signals.{}\n\
             WHERE date BETWEEN DATE '{}' AND DATE '{}' AND received_power IS NOT NULL\n\
             GROUP BY vehicle, link, date\nORDER BY vehicle, link, date",
            span::column(message),
            terms.from,
            terms.today
        ),
    };
    let answer = engine.ask(&query)?;
    study.queries.push(query);
    let vehicles = answer.texts("vehicle")?;
    let (links, days, powers) = (answer.numbers("link")?, answer.numbers("date")?, answer.numbers("power")?);
    let mut by_link: BTreeMap<(String, i64), Vec<(f64, f64)>> = BTreeMap::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        if let (Some(vehicle), Some(link), Some(day), Some(power)) = (vehicle, links[row], days[row], powers[row]) {
            by_link.entry((vehicle, link as i64)).or_default().push((day, power));
        }
    }
    let of_bus = by_link.into_par_iter().filter_map(|((vehicle, link), points)| {
        let name = format!("link-{link}");
        let channel = records.channels.iter().find(|channel| channel.name == name);
        series(vehicle, format!("{name}, by the bus"), channel, false, points)
    });
    let of_bus: Vec<Series> = of_bus.collect();
    study.series.extend(of_bus);
    Ok(())
}

/// Readings that are due by the last day, or were never taken.
fn due(question: &Question) -> Vec<Due> {
    let Question { records, terms, .. } = *question;
    let mut last: BTreeMap<(&str, &str), Date> = BTreeMap::new();
    for reading in records.readings.iter().filter(|reading| reading.day <= terms.today) {
        let day = last.entry((&reading.vehicle, &reading.channel)).or_insert(reading.day);
        *day = reading.day.max(*day);
    }
    let mut due = Vec::new();
    let in_service = |vehicle: &&crate::records::Vehicle| {
        vehicle.from.is_none_or(|from| from <= terms.today) && vehicle.to.is_none_or(|to| to >= terms.today)
    };
    for vehicle in records.vehicles.iter().filter(in_service) {
        for channel in &records.channels {
            let has_it = channel.kinds.is_empty() || channel.kinds.contains(&vehicle.kind);
            let Some(every) = channel.every_days.filter(|_| has_it) else { continue };
            let last = last.get(&(vehicle.vehicle.as_str(), channel.name.as_str())).copied();
            let next = last.map(|last| last.saturating_add(i64::from(every.min(100_000)).days()));
            if next.is_none_or(|next| next <= terms.today) {
                due.push(Due { vehicle: vehicle.vehicle.clone(), channel: channel.name.clone(), last, since: next });
            }
        }
    }
    due
}

impl Study {
    /// The sheet `readings`.
    pub fn sheet(&self) -> Sheet {
        told::sheet(self)
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        told::work(self)
    }

    /// A vehicle's readings.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        told::of_vehicle(self, vehicle)
    }
}
