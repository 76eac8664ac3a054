//! Carbon inserts and collector heads: how fast inserts wear by vehicle, line, supplier's batch and head, and whether frost
//! has to do with it; and the two collectors out of step.
//!
//! Inserts that were fitted and removed (records), kilometres and frost by day (SQL) in; wear in mm for 1000 km, with what
//! each vehicle, line, batch and head adds to it, out.
//!
//! Each is reckoned by `stats::linear::robust`, one after the other on what the ones before leave: frost and batch, then
//! line, then vehicle and head. So a head is not blamed for its batch. Vehicle and head can not always be told apart, as a
//! head stays in its vehicle. Rain is not known: neither records nor signals tell it.

mod told;

use std::collections::{BTreeMap, HashMap};

use jiff::civil::Date;

use super::rates::{self, Rates};
use super::sheet::{Query, Section, Sheet, WorkLine};
use super::stats::linear::robust;
use super::travel::{self, ByDay};
use super::{FleetError, Question, span};
use crate::records::Fitting;

/// An insert that ran less tells no rate. Unit: km.
const LEAST_KM: f64 = 500.0;
/// Fewer inserts tell nothing of a group: so few that are all worn fast look to a robust fit like wrong readings.
const GROUP_LEAST: usize = 5;
/// Fewer inserts in all tell nothing.
const ALL_LEAST: usize = 8;
/// A day is one of frost where the middle of all ambient temperatures is below it. Unit: °C.
const FROST_BELOW: f64 = 0.0;

/// What was found of collectors.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// Inserts whose wear is known.
    pub worn: Vec<Worn>,
    /// Wear of the fleet without frost. Unit: mm for 1000 km.
    pub usual: Option<f64>,
    /// What days of frost add, with its standard error, were all days such. Unit: mm for 1000 km.
    pub frost: Option<(f64, f64)>,
    /// Effects, by what is grouped.
    pub groups: Vec<Grouped>,
    /// Collectors out of step; none where it is not counted.
    pub apart: Option<Rates>,
    days: f64,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// An insert's wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Worn {
    /// The insert's own number.
    pub part: String,
    /// Fleet number.
    pub vehicle: String,
    /// `left` or `right`.
    pub side: String,
    /// Supplier's batch.
    pub batch: String,
    /// Head it sat in.
    pub head: String,
    /// Share of its kilometres on each line, of those whose line is known.
    pub lines: BTreeMap<String, f64>,
    /// Unit: km.
    pub km: f64,
    /// Share of these on days of frost; none where temperatures are not known.
    pub frost: Option<f64>,
    /// Unit: mm.
    pub wear_mm: f64,
}

impl Worn {
    /// The line with most kilometres.
    pub fn line(&self) -> &str {
        self.lines.iter().max_by(|a, b| a.1.total_cmp(b.1)).map_or("", |(line, _)| line)
    }

    /// Unit: mm for 1000 km.
    pub fn rate(&self) -> f64 {
        self.wear_mm / self.km * 1000.0
    }
}

/// What the members of a group add to the wear.
#[derive(Debug, Clone)]
pub struct Grouped {
    /// `batch`, `line`, `vehicle`, `head`.
    pub by: &'static str,
    /// By name.
    pub members: Vec<Member>,
}

/// A member of a group.
#[derive(Debug, Clone)]
pub struct Member {
    /// Its name; heads and vehicles have the fleet number beside.
    pub name: String,
    /// Fleet number, where it is of one vehicle.
    pub vehicle: Option<String>,
    /// How many inserts.
    pub inserts: usize,
    /// What it adds, drawn towards 0. Unit: mm for 1000 km.
    pub adds: f64,
    /// Standard error of it.
    pub error: f64,
    /// Probability that it adds anything.
    pub above: f64,
}

/// Studies collectors.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { records, terms, .. } = *question;
    let mut study = Study { days: span::length_days(terms), ..Study::default() };
    let counter = &terms.names.collectors_apart;
    study.apart = rates::ask(
        question,
        counter,
        "collectors-apart",
        "Collectors spread or out of step, and kilometres, by vehicle",
        &mut study.queries,
    )?;
    if study.apart.is_none() {
        study.notes.push(format!("The store has no counter '{counter}': collectors out of step are not known."));
    }
    if records.inserts.is_empty() {
        study.notes.push("There are no carbon inserts on record.".to_owned());
        return Ok(study);
    }
    let Some(driven) = driven(question, &mut study)? else { return Ok(study) };
    let lines = travel::by_day(question, &mut study.queries)?;
    let worn = records.inserts.iter().filter_map(|insert| wear(insert, &driven, &lines, terms.from)).collect();
    if !driven.has_frost {
        study.notes.push("Ambient temperatures are not known: frost is not looked at.".to_owned());
    }
    study.notes.push("Rain is not looked at: neither records nor signals tell it.".to_owned());
    reckon(&mut study, worn);
    Ok(study)
}

/// Kilometres up to the end of each day, by vehicle.
struct Driven {
    /// Day, km until then, km on days of frost until then.
    by_vehicle: HashMap<String, Vec<(f64, f64, f64)>>,
    has_frost: bool,
}

fn driven(question: &Question, study: &mut Study) -> Result<Option<Driven>, FleetError> {
    let Question { engine, terms, .. } = *question;
    if !engine.has("runs", &terms.names.distance) {
        study.notes.push(format!("The store has no counter '{}': wear has no kilometres.", terms.names.distance));
        return Ok(None);
    }
    let distance = span::column(&terms.names.distance);
    let has_frost = engine.has("runs", &terms.names.ambient_mean);
    let days = span::days(terms);
    let query = if has_frost {
        let ambient = span::column(&terms.names.ambient_mean);
        Query {
            id: "km-days",
            title: "Kilometres by vehicle and day, and whether the day was one of frost in the middle of the fleet",
            sql: format!(
                "WITH own AS (SELECT vehicle, service_day, SUM(CASE WHEN {distance} > 0 THEN {distance} END) AS km,\n  \
                 AVG({ambient}) AS ambient FROM runs WHERE {days} GROUP BY vehicle, service_day),\n\
                 fleet AS (SELECT service_day, MEDIAN(ambient) AS ambient FROM own\n  \
                 WHERE ambient IS NOT NULL GROUP BY service_day)\n\
                 SELECT o.vehicle AS vehicle, o.service_day AS service_day, o.km AS km,\n  \
                 CASE WHEN f.ambient < {FROST_BELOW:.1} THEN 1 ELSE 0 END AS frost\n\
                 FROM own o LEFT JOIN fleet f ON o.service_day = f.service_day\nORDER BY vehicle, service_day"
            ),
        }
    } else {
        Query {
            id: "km-days",
            title: "Kilometres by vehicle and day",
            sql: format!(
                "SELECT vehicle, service_day, SUM(CASE WHEN {distance} > 0 THEN {distance} END) AS km, 0 AS frost\n\
                 FROM runs\nWHERE {days}\nGROUP BY vehicle, service_day\nORDER BY vehicle, service_day"
            ),
        }
    };
    let answer = engine.ask(&query)?;
    study.queries.push(query);
    let (vehicles, days) = (answer.texts("vehicle")?, answer.numbers("service_day")?);
    let (km, frost) = (answer.numbers("km")?, answer.numbers("frost")?);
    let mut by_vehicle: HashMap<String, Vec<(f64, f64, f64)>> = HashMap::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let (Some(vehicle), Some(day)) = (vehicle, days[row]) else { continue };
        let km = km[row].filter(|km| km.is_finite()).unwrap_or(0.0);
        let sums = by_vehicle.entry(vehicle).or_default();
        let last = sums.last().copied().unwrap_or((0.0, 0.0, 0.0));
        let cold = if frost[row] == Some(1.0) { km } else { 0.0 };
        sums.push((day, last.1 + km, last.2 + cold));
    }
    Ok(Some(Driven { by_vehicle, has_frost }))
}

impl Driven {
    /// Kilometres, and those of them on days of frost, from one day to before another.
    fn between(&self, vehicle: &str, from: Date, to: Date) -> (f64, f64) {
        let Some(sums) = self.by_vehicle.get(vehicle) else { return (0.0, 0.0) };
        let until = |day: Date| {
            let next = sums.partition_point(|sum| sum.0 < span::number_of(day));
            next.checked_sub(1).map_or((0.0, 0.0), |at| (sums[at].1, sums[at].2))
        };
        let (from, to) = (until(from), until(to));
        ((to.0 - from.0).max(0.0), (to.1 - from.1).max(0.0))
    }
}

/// The wear of an insert that was fitted and removed within the days that are known.
fn wear(insert: &Fitting, driven: &Driven, lines: &ByDay, known_from: Date) -> Option<Worn> {
    let removed = insert.removed?;
    let wear_mm = insert.thickness_fitted_mm? - insert.thickness_removed_mm?;
    if insert.fitted < known_from || !wear_mm.is_finite() || wear_mm < 0.0 {
        return None;
    }
    let (km, cold) = driven.between(&insert.vehicle, insert.fitted, removed);
    if km < LEAST_KM {
        return None;
    }
    let (first, last) = (span::number_of(insert.fitted), span::number_of(removed));
    let mut by_line: BTreeMap<String, f64> = BTreeMap::new();
    let days = lines.get(&insert.vehicle).map_or(&[][..], Vec::as_slice);
    for (_, line, km) in days.iter().filter(|(day, ..)| first <= *day && *day < last) {
        *by_line.entry(line.clone()).or_default() += km;
    }
    let on_lines: f64 = by_line.values().sum();
    by_line.values_mut().for_each(|km| *km /= on_lines);
    Some(Worn {
        part: insert.part.clone(),
        vehicle: insert.vehicle.clone(),
        side: insert.side.clone(),
        batch: insert.batch.clone(),
        head: insert.head.clone(),
        lines: by_line,
        km,
        frost: driven.has_frost.then_some(cold / km),
        wear_mm,
    })
}

/// Reckons the wear: frost and batch first, then line, then vehicle and head on what these leave.
fn reckon(study: &mut Study, worn: Vec<Worn>) {
    if worn.len() < ALL_LEAST {
        study.notes.push(format!(
            "Only {} inserts were fitted and removed with both thicknesses on record and kilometres in the store: too few to \
             compare wear.",
            worn.len()
        ));
        study.worn = worn;
        return;
    }
    let rates: Vec<f64> = worn.iter().map(Worn::rate).collect();
    let frost: Vec<f64> = worn.iter().map(|worn| worn.frost.unwrap_or(0.0)).collect();
    let varies = frost.iter().any(|share| (share - frost[0]).abs() > 0.02);
    let ones = vec![1.0; worn.len()];
    let columns = if varies { vec![ones.clone(), frost.clone()] } else { vec![ones.clone()] };
    let named = |by: &'static str| -> Vec<&str> {
        worn.iter()
            .map(|worn| match by {
                "batch" => worn.batch.as_str(),
                "vehicle" => worn.vehicle.as_str(),
                _ => worn.head.as_str(),
            })
            .collect()
    };
    let mut left = rates.clone();
    let first = grouped("batch", &named("batch"), &columns, &left, &worn);
    if let Some((group, taken, coefficients)) = first {
        study.usual = coefficients.first().map(|coefficient| coefficient.0);
        study.frost = coefficients.get(1).copied();
        left = taken;
        study.groups.extend(group);
    }
    // What frost and batch explain is taken out; from here on, a constant is left.
    if let Some((group, taken)) = by_line(&left, &worn) {
        left = taken;
        study.groups.push(group);
    }
    for by in ["vehicle", "head"] {
        // Vehicle and head are looked at side by side: a head stays in its vehicle.
        if let Some((group, _, coefficients)) = grouped(by, &named(by), std::slice::from_ref(&ones), &left, &worn) {
            if study.usual.is_none() {
                study.usual = coefficients.first().map(|coefficient| coefficient.0);
            }
            study.groups.extend(group);
        }
    }
    study.worn = worn;
}

/// Fits the rates on the share of kilometres on each line: what each line adds to the mean of all, and the rates without
/// it. Nothing where fewer than two lines have a part worth speaking of. A vehicle changes lines from day to day, so its
/// inserts saw several.
fn by_line(rates: &[f64], worn: &[Worn]) -> Option<(Grouped, Vec<f64>)> {
    let mut km: BTreeMap<&str, f64> = BTreeMap::new();
    for worn in worn {
        for (line, share) in &worn.lines {
            *km.entry(line).or_default() += share * worn.km;
        }
    }
    let all: f64 = km.values().sum();
    let lines: Vec<(&str, f64)> =
        km.into_iter().map(|(line, km)| (line, km / all)).filter(|(_, part)| *part >= 0.02).collect();
    let known: Vec<usize> = (0..worn.len()).filter(|&row| !worn[row].lines.is_empty()).collect();
    if lines.len() < 2 || known.len() < ALL_LEAST {
        return None;
    }
    let share = |row: usize, line: &str| worn[row].lines.get(line).copied().unwrap_or(0.0);
    let columns: Vec<Vec<f64>> =
        lines.iter().map(|(line, _)| known.iter().map(|&row| share(row, line)).collect()).collect();
    let y: Vec<f64> = known.iter().map(|&row| rates[row]).collect();
    let fit = robust(&columns, &y, &[], 0)?;
    let mean: f64 = lines.iter().zip(&fit.coefficients).map(|((_, part), wear)| part * wear).sum();
    let adds: Vec<f64> = fit.coefficients.iter().map(|wear| wear - mean).collect();
    let left = (0..worn.len())
        .map(|row| rates[row] - lines.iter().zip(&adds).map(|((line, _), adds)| share(row, line) * adds).sum::<f64>())
        .collect();
    let members = lines
        .iter()
        .zip(adds.iter().zip(&fit.standard_errors))
        .map(|((line, _), (&adds, &error))| Member {
            name: (*line).to_owned(),
            vehicle: None,
            inserts: known.iter().filter(|&&row| worn[row].lines.contains_key(*line)).count(),
            adds,
            error,
            above: above(adds, error),
        })
        .collect();
    Some((Grouped { by: "line", members }, left))
}

type Step = (Option<Grouped>, Vec<f64>, Vec<(f64, f64)>);

/// Fits one grouping: the group's members, what is left of the rates (with the constant), and the coefficients with
/// their standard errors. Members without a name are not grouped.
fn grouped(by: &'static str, names: &[&str], columns: &[Vec<f64>], rates: &[f64], worn: &[Worn]) -> Option<Step> {
    let mut members: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (row, name) in names.iter().enumerate() {
        members.entry(name).or_default().push(row);
    }
    let index: HashMap<&str, usize> = members.keys().enumerate().map(|(at, name)| (*name, at)).collect();
    let group: Vec<usize> = names.iter().map(|name| index[name]).collect();
    let is_grouped = members.len() >= 2 && members.len() < names.len();
    let fit = if is_grouped { robust(columns, rates, &group, members.len()) } else { robust(columns, rates, &[], 0) }?;
    let coefficients = fit.coefficients.iter().copied().zip(fit.standard_errors.iter().copied()).collect();
    let left = rates
        .iter()
        .enumerate()
        .map(|(row, rate)| {
            let beyond: f64 = fit.coefficients.iter().zip(columns).skip(1).map(|(c, column)| c * column[row]).sum();
            rate - beyond - if is_grouped { fit.effects[group[row]].value } else { 0.0 }
        })
        .collect();
    let of_one = |rows: &[usize]| {
        let vehicle = &worn[rows[0]].vehicle;
        (by != "batch" && rows.iter().all(|&row| worn[row].vehicle == *vehicle)).then(|| vehicle.clone())
    };
    let group = is_grouped.then(|| Grouped {
        by,
        members: members
            .iter()
            .zip(&fit.effects)
            .filter(|((name, rows), _)| !name.is_empty() && rows.len() >= GROUP_LEAST)
            .map(|((name, rows), effect)| Member {
                name: (*name).to_owned(),
                vehicle: of_one(rows),
                inserts: rows.len(),
                adds: effect.value,
                error: effect.standard_error,
                above: above(effect.value, effect.standard_error),
            })
            .collect(),
    });
    Some((group, left, coefficients))
}

/// Probability that an effect is above 0.
fn above(value: f64, error: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    if error > 0.0 && value.is_finite() { Normal::standard().cdf(value / error) } else { 0.5 }
}

impl Study {
    /// The sheet `collectors`.
    pub fn sheet(&self) -> Sheet {
        told::sheet(self)
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        told::work(self)
    }

    /// A vehicle's collectors.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        told::of_vehicle(self, vehicle)
    }
}

#[cfg(test)]
mod tests;
