//! Kilometres driven, by vehicle, line, operator and month; and so how often whom passed what.
//!
//! Runs and duties in, by SQL; legs out. Does not know what happened on the way.
//!
//! A run's distance is shared out among the duties that overlap it, by time. What no duty covers is driven 'at large'.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::places::{Network, Place};
use super::sheet::Query;
use super::{FleetError, Question, span};

/// Kilometres of one vehicle on one line in one month.
#[derive(Debug, Clone, PartialEq)]
pub struct Leg {
    /// Fleet number.
    pub vehicle: String,
    /// Line; none where no duty says.
    pub line: Option<String>,
    /// Pseudonym; always none where operators are off.
    pub operator: Option<String>,
    /// Such as `2026-03`.
    pub month: String,
    /// Unit: km.
    pub km: f64,
}

/// All legs, and where they come from.
#[derive(Debug, Clone, Default)]
pub struct Travel {
    /// In no particular order.
    pub legs: Vec<Leg>,
    /// How they were asked for.
    pub queries: Vec<Query>,
    /// What is missing, in sentences.
    pub notes: Vec<String>,
}

/// Less than this is rounding. Unit: km.
const LEAST_KM: f64 = 0.5;

/// Asks for all kilometres of the days in question.
///
/// # Errors
/// The engine cannot answer.
pub fn ask(question: &Question) -> Result<Travel, FleetError> {
    let Question { engine, records, terms } = *question;
    let mut travel = Travel::default();
    if !engine.has("runs", &terms.names.distance) {
        travel.notes.push(format!(
            "The store has no counter '{}', so nothing is known of kilometres; counts are compared without them.",
            terms.names.distance
        ));
        return Ok(travel);
    }
    let distance = span::column(&terms.names.distance);
    let days = span::days(terms);
    let of_vehicles = Query {
        id: "km-months",
        title: "Kilometres by vehicle and month",
        sql: format!(
            "SELECT vehicle, month, SUM({distance}) AS km\nFROM runs\nWHERE {days} AND {distance} > 0\n\
             GROUP BY vehicle, month\nORDER BY vehicle, month"
        ),
    };
    let answer = engine.ask(&of_vehicles)?;
    let (vehicles, months, km) = (answer.texts("vehicle")?, answer.texts("month")?, answer.numbers("km")?);
    let mut left: BTreeMap<(String, String), f64> = BTreeMap::new();
    for ((vehicle, month), km) in vehicles.into_iter().zip(months).zip(km) {
        if let (Some(vehicle), Some(month), Some(km)) = (vehicle, month, km.filter(|km| km.is_finite())) {
            left.insert((vehicle, month), km);
        }
    }
    travel.queries.push(of_vehicles);
    if records.duties.is_empty() {
        travel.notes.push(
            "There are no duties on record, so lines are not known: vehicles are taken to pass all places in proportion \
             to their kilometres."
                .to_owned(),
        );
    } else {
        let of_duties = duties_query(&distance, &days, terms.operators);
        let answer = engine.ask(&of_duties)?;
        let (vehicles, months, km) = (answer.texts("vehicle")?, answer.texts("month")?, answer.numbers("km")?);
        let lines = answer.texts("line")?;
        let operators = if terms.operators { answer.texts("operator")? } else { vec![None; lines.len()] };
        for ((((vehicle, month), km), line), operator) in
            vehicles.into_iter().zip(months).zip(km).zip(lines).zip(operators)
        {
            let (Some(vehicle), Some(month), Some(km)) = (vehicle, month, km.filter(|km| km.is_finite() && *km > 0.0))
            else {
                continue;
            };
            let said = |word: Option<String>| word.filter(|word| !word.is_empty());
            *left.entry((vehicle.clone(), month.clone())).or_default() -= km;
            travel.legs.push(Leg { vehicle, month, line: said(line), operator: said(operator), km });
        }
        travel.queries.push(of_duties);
        let at_large: f64 = left.values().filter(|km| **km > LEAST_KM).sum();
        let covered: f64 = travel.legs.iter().map(|leg| leg.km).sum();
        if at_large > 0.02 * (at_large + covered) {
            travel.notes.push(format!(
                "{} of the kilometres are in no duty; they are taken to be driven on all lines alike.",
                super::words::percent(at_large / (at_large + covered))
            ));
        }
    }
    let rest = left.into_iter().filter(|(_, km)| *km > LEAST_KM);
    travel.legs.extend(rest.map(|((vehicle, month), km)| Leg { vehicle, line: None, operator: None, month, km }));
    Ok(travel)
}

/// Runs and duties of a vehicle meet on a day, so that each run is held against a handful of duties and not against all
/// of its vehicle's. A duty stands under the date on which it begins and under the one before, since a service day goes
/// on after midnight; a run has one service day, and so meets it once.
fn duties_query(distance: &str, days: &str, operators: bool) -> Query {
    let operator = if operators { ", d.operator AS operator" } else { "" };
    Query {
        id: "km-duties",
        title: "Kilometres by vehicle, line and month, each run shared out among its duties by time",
        sql: shared_out(
            distance,
            days,
            &format!("r.month AS month, d.line AS line{operator}"),
            if operators { 4 } else { 3 },
        ),
    }
}

/// SQL of kilometres by vehicle and `columns`, so many with the vehicle.
fn shared_out(distance: &str, days: &str, columns: &str, count: usize) -> String {
    let by = (1..=count).map(|at| at.to_string()).collect::<Vec<_>>().join(", ");
    let duties = "SELECT vehicle, line, operator, starts, ends, CAST(starts_local AS DATE)";
    format!(
        "SELECT r.vehicle AS vehicle, {columns},\n  \
         SUM(r.km * (CAST(EXTRACT(EPOCH FROM LEAST(r.\"end\", d.ends)) AS DOUBLE)\n    \
         - CAST(EXTRACT(EPOCH FROM GREATEST(r.start, d.starts)) AS DOUBLE)) / r.duration_s) AS km\n\
         FROM (SELECT vehicle, month, service_day, start, \"end\", duration_s, {distance} AS km FROM runs\n  \
         WHERE {days} AND {distance} > 0 AND duration_s > 0) r\n\
         JOIN ({duties} AS day FROM duties\n  UNION ALL {duties} - INTERVAL '1 day' AS day FROM duties) d\n  \
         ON d.vehicle = r.vehicle AND d.day = r.service_day AND d.starts < r.\"end\" AND d.ends > r.start\n\
         GROUP BY {by}\nORDER BY {by}"
    )
}

/// Kilometres of each vehicle: day since 1970-01-01, line, km; by day.
pub type ByDay = HashMap<String, Vec<(f64, String, f64)>>;

/// Asks for kilometres by vehicle, day and line. Nothing without duties or distances.
///
/// # Errors
/// The engine cannot answer.
pub fn by_day(question: &Question, queries: &mut Vec<Query>) -> Result<ByDay, FleetError> {
    let Question { engine, records, terms } = *question;
    let mut by_day = ByDay::new();
    if records.duties.is_empty() || !engine.has("runs", &terms.names.distance) {
        return Ok(by_day);
    }
    let distance = span::column(&terms.names.distance);
    let query = Query {
        id: "km-line-days",
        title: "Kilometres by vehicle, day and line, each run shared out among its duties by time",
        sql: shared_out(&distance, &span::days(terms), "r.service_day AS service_day, d.line AS line", 3),
    };
    let answer = engine.ask(&query)?;
    queries.push(query);
    let (days, km) = (answer.numbers("service_day")?, answer.numbers("km")?);
    let lines = answer.texts("line")?;
    for (row, vehicle) in answer.texts("vehicle")?.into_iter().enumerate() {
        let Some(km) = km[row].filter(|km| km.is_finite() && *km > 0.0) else { continue };
        if let (Some(vehicle), Some(day), Some(line)) = (vehicle, days[row], lines[row].clone()) {
            by_day.entry(vehicle).or_default().push((day, line, km));
        }
    }
    Ok(by_day)
}

impl Travel {
    /// Unit: km.
    pub fn km(&self) -> f64 {
        self.legs.iter().map(|leg| leg.km).sum()
    }

    /// Kilometres by vehicle.
    pub fn km_by_vehicle(&self) -> BTreeMap<&str, f64> {
        let mut sums = BTreeMap::new();
        for leg in &self.legs {
            *sums.entry(leg.vehicle.as_str()).or_default() += leg.km;
        }
        sums
    }

    /// Lines that duties name and nobody drew.
    pub fn lines_not_drawn(&self, network: &Network) -> Vec<String> {
        let lines: BTreeSet<&String> = self.legs.iter().filter_map(|leg| leg.line.as_ref()).collect();
        lines.into_iter().filter(|line| !network.knows(line)).cloned().collect()
    }

    /// How often whom passed what.
    pub fn passages(&self, network: &Network, places: &[Place]) -> Passages {
        let lines: Vec<Option<String>> =
            self.legs.iter().map(|leg| leg.line.clone()).collect::<BTreeSet<_>>().into_iter().collect();
        let line_index: HashMap<&Option<String>, usize> =
            lines.iter().enumerate().map(|(at, line)| (line, at)).collect();
        let a_km = network.passages_a_km(places, &lines);
        let mut km: BTreeMap<(String, Option<String>), Vec<f64>> = BTreeMap::new();
        for leg in &self.legs {
            let whom = (leg.vehicle.clone(), leg.operator.clone());
            let by_line = km.entry(whom).or_insert_with(|| vec![0.0; lines.len()]);
            by_line[line_index[&leg.line]] += leg.km;
        }
        let mut passages = Passages { whom: Vec::new(), of: Vec::new() };
        for (whom, km) in km {
            let of_place = |place: usize| km.iter().zip(&a_km).map(|(km, a_km)| km * a_km[place]).sum();
            passages.of.push((0..places.len()).map(of_place).collect());
            passages.whom.push(whom);
        }
        passages
    }
}

/// How often whom passed what.
#[derive(Debug, Clone)]
pub struct Passages {
    /// Vehicle and operator, in order.
    pub whom: Vec<(String, Option<String>)>,
    /// Passages of each place, one entry each of `whom`.
    pub of: Vec<Vec<f64>>,
}

impl Passages {
    /// Passages of each place by vehicle, operators together: vehicles in order, and for each the places.
    pub fn by_vehicle(&self) -> (Vec<String>, Vec<Vec<f64>>) {
        let mut sums: BTreeMap<&String, Vec<f64>> = BTreeMap::new();
        for ((vehicle, _), passages) in self.whom.iter().zip(&self.of) {
            let sum = sums.entry(vehicle).or_insert_with(|| vec![0.0; passages.len()]);
            sum.iter_mut().zip(passages).for_each(|(sum, passages)| *sum += passages);
        }
        sums.into_iter().map(|(vehicle, sum)| (vehicle.clone(), sum)).unzip()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{Overhead, Way};

    fn leg(vehicle: &str, line: Option<&str>, operator: Option<&str>, km: f64) -> Leg {
        let word = |word: Option<&str>| word.map(str::to_owned);
        Leg { vehicle: vehicle.into(), line: word(line), operator: word(operator), month: "2026-03".into(), km }
    }

    #[test]
    fn legs_add_up_to_passages_by_vehicle_and_operator() {
        let ways =
            vec![Way { line: "1".into(), wired: true, points: vec![(44.3, 13.9), (44.3 + 2000.0 / 111_112.0, 13.9)] }];
        let overhead = Overhead { ways, special: Vec::new() };
        let network = Network::new(&overhead);
        let located = network.locate(&[Some((44.3 + 1000.0 / 111_112.0, 13.9)); 3], &[]);
        let legs = vec![
            leg("7", Some("1"), Some("a"), 10.0),
            leg("7", Some("1"), Some("b"), 20.0),
            leg("8", Some("x"), None, 2.0),
        ];
        let travel = Travel { legs, ..Travel::default() };
        let passages = travel.passages(&network, &located.places);
        assert_eq!(passages.whom.len(), 3);
        let (vehicles, by_vehicle) = passages.by_vehicle();
        assert_eq!(vehicles, ["7", "8"]);
        assert!((by_vehicle[0][0] - 15.0).abs() < 0.05, "30 km over 2 km: {}", by_vehicle[0][0]);
        assert!((by_vehicle[1][0] - 1.0).abs() < 0.05, "at large");
        assert_eq!(travel.lines_not_drawn(&network), ["x"]);
        assert_eq!(travel.km_by_vehicle()["7"], 30.0);
    }
}
