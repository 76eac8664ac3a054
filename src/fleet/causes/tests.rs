//! Planted causes, found again.

use jiff::ToSpan;
use jiff::civil::{Date, date};

use super::reckoned::{Given, reckon};
use super::*;
use crate::fleet::travel::{Leg, Travel};
use crate::records::{Overhead, SpecialWork, Way};

const VEHICLES: usize = 30;

/// Line 1 goes north over 8 km, with four switches; line 2 goes east.
fn overhead() -> Overhead {
    let work = |id: &str, metres: f64| SpecialWork {
        id: id.into(),
        kind: "switch".into(),
        latitude: north(metres).0,
        longitude: 13.9,
        ..SpecialWork::default()
    };
    Overhead {
        ways: vec![
            Way { line: "1".into(), wired: true, points: (0..=8).map(|km| north(f64::from(km) * 1000.0)).collect() },
            Way { line: "2".into(), wired: true, points: vec![(44.45, 13.9), (44.45, 14.0)] },
        ],
        special: vec![work("S-1", 1000.0), work("S-2", 3000.0), work("S-3", 5000.0), work("S-4", 7000.0)],
    }
}

fn north(metres: f64) -> Position {
    (44.3 + metres / 111_112.0, 13.9)
}

fn name(vehicle: usize) -> String {
    format!("{}", 201 + vehicle)
}

/// Every vehicle drives 12,000 km on line 1, under an operator of its own or one that changes.
fn travel(operator: impl Fn(usize, usize) -> Option<String>) -> Travel {
    let legs = (0..VEHICLES)
        .flat_map(|vehicle| (0..12).map(move |month| (vehicle, month)))
        .map(|(vehicle, month)| Leg {
            vehicle: name(vehicle),
            line: Some("1".into()),
            operator: operator(vehicle, month),
            month: format!("2025-{:02}", month + 1),
            km: 1000.0,
        })
        .collect();
    Travel { legs, ..Travel::default() }
}

fn seen(vehicle: usize, at: Option<Position>, day: i64) -> Seen {
    Seen {
        vehicle: name(vehicle),
        operator: None,
        day: first().saturating_add((day % 365).days()),
        at,
        between: false,
        lost: (Some(true), Some(false)),
    }
}

fn first() -> Date {
    date(2025, 1, 1)
}

fn found(seen: &[Seen], travel: &Travel, operators: bool) -> Study {
    let overhead = overhead();
    let network = Network::new(&overhead);
    let given = Given { network: &network, travel, today: date(2025, 12, 31), operators, fewest: 3.0 };
    let findings = reckon(seen, given);
    Study { findings, days: 365.0, operators, fewest: 3.0, has_ways: true, ways: network.ways(), ..Study::default() }
}

/// One pole-off here and there, whoever comes by.
fn here_and_there() -> Vec<Seen> {
    (0..60).map(|n| seen(n * 7 % VEHICLES, Some(north(130.0 * n as f64 + 60.0)), 17 * n as i64)).collect()
}

/// No number on a sheet is no number.
fn assert_sound(sheet: &Sheet) {
    let cells = sheet.sections.iter().flat_map(|section| &section.tables).flat_map(|table| {
        assert!(table.rows.iter().all(|row| row.len() == table.columns.len()), "{}", table.id);
        table.rows.iter().flatten()
    });
    for cell in cells {
        let sound = match cell {
            crate::fleet::sheet::Cell::Number { value, .. } | crate::fleet::sheet::Cell::Share(value) => {
                value.is_finite()
            }
            crate::fleet::sheet::Cell::Interval { low, high, .. } => low.is_finite() && high.is_finite() && low <= high,
            crate::fleet::sheet::Cell::Text(text) => !text.contains("NaN") && !text.contains("inf"),
            _ => true,
        };
        assert!(sound, "{cell:?}");
    }
    for text in sheet.lead.iter().chain(sheet.sections.iter().flat_map(|section| &section.text)) {
        assert!(!text.contains("NaN") && !text.contains("unknown") && text.ends_with('.'), "{text}");
    }
}

fn cause<'a>(study: &'a Study, id: &str) -> Option<&'a Cause> {
    study.findings.places.iter().find(|place| place.place.id == id)?.verdict.as_ref().map(|(cause, _)| cause)
}

#[test]
fn a_bad_switch_is_told_from_a_bad_vehicle() {
    let mut all = here_and_there();
    all.extend((0..14).map(|n| seen(n * 2, Some(north(3004.0)), 25 * n as i64 + 3)));
    all.extend((0..12).map(|n| seen(10, Some(north(6003.0)), 30 * n + 5)));
    let study = found(&all, &travel(|_, _| None), false);
    assert_eq!(cause(&study, "S-2"), Some(&Cause::Overhead));
    assert_eq!(cause(&study, "line-1-6.00-km"), Some(&Cause::Vehicle("211".into())));
    let work = study.work();
    let overhead =
        work.iter().find(|line| line.subject == "overhead at S-2 (switch)").expect("the switch is on the worklist");
    assert!(overhead.reason.contains("14 vehicles lost the wire at S-2"), "{}", overhead.reason);
    assert!(overhead.vehicle.is_none() && overhead.weight > 0.0 && overhead.evidence.is_some());
    assert!(work.iter().any(|line| line.vehicle.as_deref() == Some("211")), "{work:?}");
    assert_sound(&study.sheet());
    assert!(!study.of_vehicle("211").is_empty());
    assert!(study.of_vehicle("999").is_empty(), "nobody knows it");
}

#[test]
fn a_vehicle_that_loses_poles_everywhere_is_named_and_its_places_are_not() {
    let mut all = here_and_there();
    all.extend((0..24).map(|n| seen(4, Some(north(310.0 * n as f64 + 20.0)), 15 * n as i64 + 2)));
    let study = found(&all, &travel(|_, _| None), false);
    let work = study.work();
    let vehicles: Vec<Option<&str>> = work.iter().map(|line| line.vehicle.as_deref()).collect();
    assert_eq!(vehicles, [Some("205")], "{work:?}");
    assert_eq!(work[0].subject, "collector, left", "{}", work[0].reason);
}

#[test]
fn nobody_had_a_pole_off() {
    let study = found(&[], &travel(|_, _| None), false);
    let sheet = study.sheet();
    assert_eq!(sheet.lead, ["No vehicle had a pole-off on 365 days: there is nothing to explain."]);
    assert_sound(&sheet);
    assert!(study.work().is_empty());
}

#[test]
fn a_fleet_of_one_cannot_tell_and_says_so() {
    let mut travel = travel(|_, _| None);
    travel.legs.retain(|leg| leg.vehicle == "201");
    let all: Vec<Seen> = (0..9).map(|n| seen(0, Some(north(3004.0)), 30 * n)).collect();
    let study = found(&all, &travel, false);
    assert_eq!(cause(&study, "S-2"), Some(&Cause::Untold));
    assert!(study.work().is_empty(), "nobody is sent out for what cannot be told");
    assert_sound(&study.sheet());
}

#[test]
fn without_kilometres_positions_and_duties_there_is_a_sensible_sheet() {
    let all: Vec<Seen> = (0..9).map(|n| seen(n, None, 30 * n as i64)).collect();
    let study = found(&all, &Travel::default(), false);
    assert_eq!(study.findings.unknown, 9);
    assert_sound(&study.sheet());
    let some: Vec<Seen> = (0..9).map(|n| seen(n, Some(north(3004.0)), 30 * n as i64)).collect();
    assert_sound(&found(&some, &Travel::default(), false).sheet());
}

#[test]
fn operators_are_shown_by_pseudonym_without_a_count_and_small_numbers_not_at_all() {
    let operator = |vehicle: usize, month: usize| Some(format!("op-{:02}", (vehicle + month) % 10));
    let mut all = here_and_there();
    for (n, seen) in all.iter_mut().enumerate() {
        seen.operator = Some(format!("op-{:02}", n % 10));
    }
    let mut travel = travel(operator);
    travel.legs.push(Leg {
        vehicle: "201".into(),
        line: Some("1".into()),
        operator: Some("op-zz".into()),
        month: "2025-01".into(),
        km: 10.0,
    });
    let study = found(&all, &travel, true);
    let names: Vec<&str> = study.findings.operators.iter().map(|operator| operator.operator.as_str()).collect();
    let mut sorted = names.clone();
    sorted.sort_unstable();
    assert_eq!(names, sorted);
    assert_eq!(names.len(), 10, "{names:?}");
    assert_eq!(study.findings.operators_left_out, 1);
    let sheet = study.sheet();
    assert_sound(&sheet);
    let section = sheet.sections.iter().find(|section| section.id == "operators").unwrap();
    assert_eq!(section.tables[0].columns.len(), 3, "pseudonym, expected, and whether chance explains it");
    assert!(study.work().iter().all(|line| !line.reason.contains("op-")), "nobody is on the worklist");
    assert_eq!(study.fair_use().id, "fair-use");
}

#[test]
fn operators_that_are_off_leave_no_trace() {
    let all = here_and_there();
    let study = found(&all, &travel(|_, _| None), false);
    assert!(study.findings.operators.is_empty());
    assert!(study.sheet().sections.iter().all(|section| section.id != "operators"));
    assert!(study.fair_use().lead[1].contains("switched off"));
}
