//! The year against the day: the same days at both depths; what is planted, and where nothing is.

use std::convert::Infallible;

use super::super::truth::VehicleTruth;
use super::super::{Voices, World};
use super::*;
use crate::run::CounterValue;

const SEED: u64 = 1;
/// 2025-01-01.
const FIRST: i64 = 20_089;

fn defs() -> Definitions {
    super::super::tests::defs()
}

/// Facts that both depths know, with how far their sums may lie apart, relatively. Line and battery at summary depth are
/// means over seconds, so what is fed back, which the other vehicles limit from moment to moment, comes out too high.
const FACTS: &[(&str, f64)] = &[
    ("distance", 0.01),
    ("off_wire_distance", 0.01),
    ("energy_from_line", 0.05),
    ("energy_to_line", 0.35),
    ("energy_from_battery", 0.10),
    ("energy_into_battery", 0.10),
    ("section_gaps", 0.02),
    ("off_wire_changes", 0.001),
    ("hours", 0.02),
    ("parked_poles_up_time", 0.15),
];

fn full(truth: &VehicleTruth) -> Vec<f64> {
    let sum = |of: &dyn Fn(&super::super::truth::RunTruth) -> f64| truth.runs.iter().map(of).sum::<f64>();
    vec![
        sum(&|run| run.km),
        sum(&|run| run.off_wire_km),
        sum(&|run| run.line_kwh),
        sum(&|run| run.back_kwh),
        sum(&|run| run.battery_out_kwh),
        sum(&|run| run.battery_in_kwh),
        sum(&|run| run.section_gaps.len() as f64),
        sum(&|run| run.off_wire_changes.len() as f64),
        sum(&|run| (run.end_us - run.start_us) as f64 / 3.6e9),
        sum(&|run| run.parked_poles_up_s),
    ]
}

fn short(lived: &Lived) -> Vec<f64> {
    let of = |name: &str| -> f64 {
        lived
            .runs
            .iter()
            .map(|run| {
                let value = run.values.iter().find(|value| value.0 == name).map(|value| value.1);
                match value {
                    Some(CounterValue::Number(number)) => number,
                    _ if name == "hours" => (run.end_us - run.start_us) as f64 / 3.6e9,
                    _ => run.occurrences.iter().filter(|occurrence| occurrence.counter == name).count() as f64,
                }
            })
            .sum()
    };
    FACTS.iter().map(|(name, _)| of(name)).collect()
}

#[test]
fn a_day_comes_to_the_same_at_both_depths() {
    let voices = Voices::new(&defs()).expect("the demo fleet's set");
    let plan = Plan::velmora(SEED, 60, FIRST, 365, true);
    let tapes = Tapes::record(SEED, &Town::velmora());
    // A working day in winter, a Sunday in summer.
    for day in [FIRST + 20, FIRST + 200] {
        let at = day_plan(&plan, records::date(day)).expect("a day");
        let world = World { seed: SEED, town: at.town.clone(), fleet: at.fleet.clone() };
        let (mut sums, mut others) = (vec![0.0; FACTS.len()], vec![0.0; FACTS.len()]);
        for number in [202, 206, 302, 304] {
            let vehicle = world.fleet.vehicle_numbered(number).expect("a vehicle");
            let sink = |_: &crate::frame::Frame| Ok::<(), Infallible>(());
            let Ok(truth) = super::super::vehicle_day(&world, &voices, vehicle, &at.day, &[], &[], sink);
            let lived = vehicle_day(&plan, &at, vehicle, &tapes);
            sums.iter_mut().zip(full(&truth)).for_each(|(sum, value)| *sum += value);
            others.iter_mut().zip(short(&lived)).for_each(|(sum, value)| *sum += value);
            let peaks = truth.runs.iter().filter_map(|run| run.battery_peak);
            let hottest = peaks.map(|peak| peak.value).fold(f64::NEG_INFINITY, f64::max);
            let off = (hottest - lived.hottest_c).abs();
            assert!(off < 5.0, "vehicle {number}: {hottest} °C at full depth, {} °C", lived.hottest_c);
        }
        for ((name, far), (full, short)) in FACTS.iter().zip(sums.iter().zip(&others)) {
            assert!((short - full).abs() <= far * full.abs() + 1e-9, "{name}: {full} at full depth, {short}");
        }
    }
}

#[test]
fn every_way_of_every_duty_was_driven() {
    let town = Town::velmora();
    let tapes = Tapes::record(SEED, &town);
    let plan = Plan::velmora(SEED, 24, FIRST, 365, false);
    for day in [FIRST, FIRST + 5, FIRST + 111] {
        let fleet = plan.fleet(day);
        let mut on_duty = Vec::new();
        for vehicle in &fleet.vehicles {
            let duty = fleet.duty(&town, vehicle, day);
            on_duty.extend(duty.pieces.iter().map(|piece| piece.operator));
            for trip in duty.pieces.iter().flat_map(|piece| duty.trips(&town, piece)) {
                let names: Vec<_> = trip.places.iter().map(|&place| town.places[place].name).collect();
                let way = tapes.of(&trip.places, vehicle.build).unwrap_or_else(|| panic!("{names:?}"));
                for tape in &way.drives {
                    let driven: f64 = tape.pieces.iter().map(|piece| piece.m).sum();
                    let planned = way.route.length_m;
                    assert!((driven - planned).abs() < 12.0, "{names:?}: {driven} m of {planned}");
                }
            }
        }
        let pieces = on_duty.len();
        on_duty.sort_unstable();
        on_duty.dedup();
        assert_eq!(on_duty.len(), pieces, "nobody drives two vehicles at once");
    }
}

/// A short year: its folder and truth.
fn made(folder: &Path, vehicles: usize, days: i64, planted: bool) -> YearTruth {
    let (from, to) = (records::date(FIRST), records::date(FIRST + days - 1));
    let options = YearOptions { seed: SEED, from, to, vehicles, planted };
    write(folder, &defs(), &options, &mut |_, _| {}).expect("a year")
}

fn files(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(at) = open.pop() {
        for entry in fs::read_dir(&at).expect("a folder").map(|entry| entry.expect("an entry").path()) {
            if entry.is_dir() {
                open.push(entry);
            } else {
                let name = entry.strip_prefix(folder).expect("below it").to_owned();
                found.push((name, fs::read(&entry).expect("a file")));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn the_same_options_give_the_same_bytes_and_a_store_like_any_other() {
    let folder = tempfile::tempdir().expect("a folder");
    let (one, two) = (folder.path().join("one"), folder.path().join("two"));
    made(&one, 9, 33, true);
    made(&two, 9, 33, true);
    assert!(files(&one) == files(&two));
    let store = Store::open_to_read(&one.join("store")).expect("a store");
    let runs = summary::whole_table(&store, "runs").expect("readable").expect("runs");
    // 33 days, 24 of them working days with two runs.
    let working = (0..33).filter(|day| (FIRST + day + 3).rem_euclid(7) < 5).count();
    assert_eq!(runs.num_rows(), 9 * (33 + working));
    let events = summary::whole_table(&store, "events").expect("readable").expect("events");
    assert!(events.num_rows() > 9 * 33 * 100);
    let names =
        |batch: &RecordBatch| batch.schema().fields().iter().map(|field| field.name().clone()).collect::<Vec<_>>();
    assert!(names(&runs).contains(&"charged_parked".to_owned()) && names(&events).contains(&"recording".to_owned()));
    assert!(matches!(
        write(
            &one,
            &defs(),
            &YearOptions {
                seed: SEED,
                from: records::date(FIRST),
                to: records::date(FIRST),
                vehicles: 1,
                planted: true,
            },
            &mut |_, _| {}
        ),
        Err(YearError::Exists { .. })
    ));
}

#[test]
fn a_healthy_year_plants_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let truth = made(&folder.path().join("year"), 12, 20, false);
    assert!(truth.faults.is_empty() && truth.silent.is_empty() && truth.bad_places.is_empty());
    assert!(truth.operator.is_none() && truth.silent_bus.is_none() && truth.upkeep.channels.is_empty());
    assert!(truth.packs.iter().all(|pack| pack.planted.is_empty() && pack.capacity.0 > 0.8));
    let causes: Vec<&str> = truth.pole_offs_by_cause.keys().copied().collect();
    assert!(causes.iter().all(|cause| ["chance", "ice", "speed"].contains(cause)), "{causes:?}");
}
