//! The battery study over small stores: planted weak packs, records and none, and input that is not as it should be.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::{Date, date};

use super::{Study, Verdict, beside};
use crate::fleet::planted::{self, FIRST, Run};
use crate::fleet::stats::chance::Stream;
use crate::fleet::{Question, heat};
use crate::records::{Fitting, Records};

/// Vehicles 201, 202, …, a run a day; what each counts by vehicle and day.
fn runs(vehicles: usize, days: i64, mut counters: impl FnMut(usize, i64) -> Vec<(&'static str, f64)>) -> Vec<Run> {
    let mut runs = Vec::new();
    for vehicle in 0..vehicles {
        for day in 0..days {
            runs.push(Run {
                vehicle: format!("{}", 201 + vehicle),
                day: FIRST + day.days(),
                from_hour: 6.0,
                hours: 9.0,
                counters: counters(vehicle, day).into_iter().collect::<BTreeMap<_, _>>(),
            });
        }
    }
    runs
}

fn study(runs: &[Run], records: &Records) -> (Study, tempfile::TempDir) {
    let folder = planted::store(runs);
    let engine = planted::engine(folder.path(), records);
    let last = runs.iter().map(|run| run.day).max().unwrap_or(FIRST);
    let terms = planted::terms(FIRST, last);
    let question = Question { engine: &engine, records, terms: &terms };
    let heat = heat::study(&question).unwrap();
    let study = beside(&question, &heat).unwrap();
    let work: Vec<_> = study.work().into_iter().chain(heat.work()).collect();
    planted::must_be_sound(&[study.sheet(), heat.sheet()], &work, &engine);
    let queries = |sheet: crate::fleet::sheet::Sheet| sheet.queries.iter().map(|query| query.id).collect::<Vec<_>>();
    let ids = queries(study.sheet()).into_iter().chain(queries(heat.sheet())).collect();
    for vehicle in ["201", "202", "999"] {
        for section in study.of_vehicle(vehicle).iter().chain(&heat.of_vehicle(vehicle)) {
            planted::must_be_whole(section, &ids);
        }
    }
    (study, folder)
}

/// Twenty changes a day; a weak vehicle gives up ten times as often.
fn with_weak(weak: usize) -> Vec<Run> {
    let mut chance = Stream::new(1);
    runs(30, 300, move |vehicle, _| {
        let rate = if vehicle == weak { 0.2 } else { 0.02 };
        let timeouts = if chance.unit() < rate { 1.0 } else { 0.0 };
        vec![("battery_timeouts", timeouts), ("off_wire_changes", 20.0), ("off_wire_distance", 9.0)]
    })
}

fn fitting(part: &str, vehicle: &str, fitted: Date, removed: Option<Date>) -> Fitting {
    Fitting { part: part.into(), vehicle: vehicle.into(), fitted, removed, ..Fitting::default() }
}

fn lead(study: &Study) -> String {
    study.sheet().lead.join(" ")
}

#[test]
fn a_weak_pack_comes_first_with_its_reason_and_is_replaced_first() {
    let (study, _folder) = study(&with_weak(4), &Records::default());
    let packs = study.packs.as_ref().unwrap();
    assert_eq!(packs.packs[study.order[0]].vehicle, "205");
    let work = study.work();
    assert_eq!((work.len(), work[0].vehicle.as_deref()), (1, Some("205")));
    assert!(work[0].reason.contains(" in 6000 off-wire changes, "), "{}", work[0].reason);
    let plans = study.plan.as_ref().unwrap();
    assert_eq!(plans.seats[plans.own().unwrap().years[0].replaced[0].seat], study.order[0]);
    assert!(lead(&study).contains("No record tells which pack is in which vehicle"), "{}", lead(&study));
    assert_eq!(study.of_vehicle("205").len(), 1);
    assert!(study.of_vehicle("999").is_empty());
}

#[test]
fn a_pack_that_was_replaced_starts_anew_and_a_pack_that_moved_keeps_its_past() {
    // The weak one left 205 in the middle; 206's went to 207 then, and 207's away.
    let middle = FIRST + 150.days();
    let weak_until = |runs: Vec<Run>| -> Vec<Run> {
        let quiet = |mut run: Run| {
            if run.vehicle == "205" && run.day > middle {
                run.counters.insert("battery_timeouts", 0.0);
            }
            run
        };
        runs.into_iter().map(quiet).collect()
    };
    let early = date(2022, 5, 1);
    let mut records = Records::default();
    for vehicle in 201..=230 {
        let name = vehicle.to_string();
        let gone = matches!(vehicle, 205..=207).then_some(middle);
        records.packs.push(fitting(&format!("P{vehicle}"), &name, early, gone));
    }
    records.packs.push(fitting("P301", "205", middle + 1.day(), None));
    records.packs.push(fitting("P302", "206", middle + 1.day(), None));
    records.packs.push(fitting("P206", "207", middle + 1.day(), None));
    let (study, _folder) = study(&weak_until(with_weak(4)), &records);
    let packs = study.packs.as_ref().unwrap();
    let of = |name: &str| packs.packs.iter().position(|pack| pack.name == name).unwrap();
    assert!(!packs.packs[of("P205")].in_service && packs.packs[of("P301")].in_service);
    assert!(study.ranking.packs[of("P205")].timeouts >= 15);
    assert_eq!((study.ranking.packs[of("P301")].timeouts, study.ranking.packs[of("P301")].exposure), (0, 149.0 * 20.0));
    assert!(study.work().iter().all(|line| line.vehicle.as_deref() != Some("205")));
    let moved = &packs.packs[of("P206")];
    assert_eq!((moved.vehicle.as_str(), moved.fitted, moved.in_service), ("207", Some(early), true));
    assert_eq!(study.ranking.packs[of("P206")].exposure, 300.0 * 20.0);
    assert!(!packs.packs[of("P207")].in_service);
    assert_eq!(packs.without_records, 0);
}

#[test]
fn two_packs_at_once_and_a_removal_before_the_fitting_count_no_day_twice() {
    let mut records = Records::default();
    records.packs.push(fitting("A", "201", date(2025, 1, 1), None));
    records.packs.push(fitting("B", "201", date(2026, 2, 1), Some(date(2025, 12, 1))));
    records.packs.push(fitting("C", "201", date(2026, 3, 1), None));
    records.packs.push(fitting("D", "201", date(2026, 3, 1), None));
    let (study, _folder) = study(&with_weak(4), &records);
    let packs = study.packs.as_ref().unwrap();
    let all: f64 = packs.cells.iter().map(|cell| cell.exposure).sum();
    assert!((all - 30.0 * 300.0 * 20.0).abs() < 1e-6, "{all}");
    let serving = packs.packs.iter().filter(|pack| pack.in_service && pack.vehicle == "201").count();
    assert!(serving <= 1, "{serving}");
}

#[test]
fn without_changes_km_are_exposure_and_without_km_months() {
    let without = |names: &[&str]| {
        let mut runs = with_weak(4);
        for run in &mut runs {
            run.counters.retain(|name, _| !names.contains(name));
        }
        study(&runs, &Records::default()).0
    };
    let by_km = without(&["off_wire_changes"]);
    assert!(lead(&by_km).contains("timeouts are set against km off the wire"), "{}", lead(&by_km));
    assert!(by_km.work()[0].reason.contains("in 2700 km off the wire"), "{}", by_km.work()[0].reason);
    let by_month = without(&["off_wire_changes", "off_wire_distance"]);
    assert!(by_month.work()[0].reason.contains("in 9.9 months"), "{}", by_month.work()[0].reason);
    let nothing = without(&["off_wire_changes", "off_wire_distance", "battery_timeouts"]);
    assert!(nothing.work().is_empty());
    assert!(lead(&nothing).contains("The store has no counter 'battery_timeouts'"), "{}", lead(&nothing));
}

#[test]
fn no_timeouts_one_vehicle_and_an_empty_store_each_give_a_clear_word() {
    let quiet = |_, _| vec![("battery_timeouts", 0.0), ("off_wire_changes", 20.0)];
    let (none, _folder) = study(&runs(5, 60, quiet), &Records::default());
    assert!(lead(&none).starts_with("No battery timed out from 2026-01-01 to 2026-03-01"), "{}", lead(&none));
    assert!(none.work().is_empty() && none.plan.is_none());

    let often = |_, day| vec![("battery_timeouts", f64::from(day % 7 == 0)), ("off_wire_changes", 20.0)];
    let (one, _folder) = study(&runs(1, 60, often), &Records::default());
    assert!(lead(&one).contains("only one pack has run"), "{}", lead(&one));
    assert_eq!(one.of_vehicle("201").len(), 1);

    let (empty, _folder) = study(&[], &Records::default());
    assert!(lead(&empty).starts_with("The store has no runs from"), "{}", lead(&empty));
    assert!(empty.sheet().sections.is_empty());
}

#[test]
fn holes_and_odd_values_are_passed_over() {
    let mut chance = Stream::new(3);
    let mut runs = with_weak(4);
    runs.retain(|_| chance.unit() < 0.7);
    for (n, run) in runs.iter_mut().enumerate() {
        match n % 11 {
            0 => drop(run.counters.remove("off_wire_changes")),
            1 => drop(run.counters.remove("battery_timeouts")),
            2 => drop(run.counters.insert("battery_temperature_peak", f64::NAN)),
            3 => drop(run.counters.insert("battery_temperature_peak", -273.0)),
            4 => drop(run.counters.insert("off_wire_distance", -50.0)),
            5 => drop(run.counters.insert("ambient_temperature_mean", f64::INFINITY)),
            _ => {}
        }
    }
    let (study, _folder) = study(&runs, &Records::default());
    assert_eq!(study.packs.as_ref().unwrap().packs[study.order[0]].vehicle, "205");
    assert!(lead(&study).contains("timeouts are left out") || study.packs.as_ref().unwrap().left_out == 0);
}

#[test]
fn heat_and_timeouts_of_different_packs_are_not_taken_for_one_matter() {
    let mut chance = Stream::new(5);
    let all = runs(40, 200, |vehicle, day| {
        let timeouts = f64::from(chance.unit() < 0.01 * (1 + vehicle % 5) as f64);
        let town = 12.0 - 11.0 * (day as f64 / 58.0).cos();
        let own = if vehicle % 7 == 0 { 6.0 } else { 0.0 };
        vec![
            ("battery_timeouts", timeouts),
            ("off_wire_changes", 20.0),
            ("battery_temperature_peak", 8.0 + town + own + chance.normal()),
            ("ambient_temperature_mean", town + 0.3 * chance.normal()),
        ]
    });
    let (study, _folder) = study(&all, &Records::default());
    let found = study.with_heat.unwrap();
    assert_eq!(found.packs, 40);
    assert_ne!(found.verdict, Verdict::Goes);
    assert!(study.heat_words().contains("over 40 packs"), "{}", study.heat_words());
}
