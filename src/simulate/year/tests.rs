//! The year against the day: the same days at both depths, and what was planted.

use std::path::Path;

use super::super::{Voices, World};
use super::*;

const SEED: u64 = 1;

fn defs() -> Definitions {
    super::super::tests::defs()
}

/// Vehicle-days at both depths: km, off-wire km, kWh from the line, back, out of the battery, into it, highest battery
/// temperature, section gaps, hours.
#[test]
#[ignore = "prints"]
fn compare() {
    let defs = defs();
    let voices = Voices::new(&defs).expect("voices");
    let first = 20_089;
    let plan = Plan::velmora(SEED, if std::env::var("ONLY").is_ok() { 60 } else { 12 }, first, 365, true);
    let town = Town::velmora();
    let begun = std::time::Instant::now();
    let tapes = Tapes::record(SEED, &town);
    println!("tapes {:?}", begun.elapsed());
    let rules = defs.rules.as_ref().expect("rules");
    let _columns = Columns::new(&defs, rules);
    let asked = std::env::var("DAYS").unwrap_or("20,110,200".into());
    let asked: Vec<i64> = asked.split(',').filter_map(|day| day.parse().ok()).map(|day: i64| first + day).collect();
    let only = std::env::var("ONLY").unwrap_or_default();
    for day in asked {
        let at = day_plan(&plan, records::date(day)).expect("a day");
        let mut sums = [[0.0; 14]; 2];
        for vehicle in at.fleet.vehicles.iter().filter(|v| only.is_empty() || only.contains(&v.fleet_number())) {
            let world = World { seed: SEED, town: at.town.clone(), fleet: at.fleet.clone() };
            let sink = |_: &crate::frame::Frame| Ok::<(), std::convert::Infallible>(());
            let full = super::super::vehicle_day(&world, &voices, vehicle, &at.day, &[], &[], sink).expect("a day");
            let begun = std::time::Instant::now();
            let short = vehicle_day(&plan, &at, vehicle, &tapes);
            let took = begun.elapsed();
            let hours = |from: i64, to: i64| (to - from) as f64 / 3.6e9;
            let mut line = [0.0; 14];
            for run in &full.runs {
                let of = [
                    run.km,
                    run.off_wire_km,
                    run.line_kwh,
                    run.back_kwh,
                    run.battery_out_kwh,
                    run.battery_in_kwh,
                    0.0,
                    run.section_gaps.len() as f64,
                    hours(run.start_us, run.end_us),
                    run.off_wire_changes.len() as f64,
                    run.battery_timeouts.len() as f64,
                    run.coasting_under_current_s,
                    run.pole_offs.len() as f64,
                    0.0,
                ];
                line.iter_mut().zip(of).for_each(|(sum, value)| *sum += value);
                line[6] = f64::max(line[6], run.battery_peak.map_or(0.0, |peak| peak.value));
                line[13] = f64::max(line[13], run.motor_peak.map_or(0.0, |peak| peak.value));
            }
            let mut other = [0.0; 14];
            for run in &short.runs {
                let value = |name: &str| {
                    run.values.iter().find(|value| value.0 == name).map_or(0.0, |value| match value.1 {
                        crate::run::CounterValue::Number(number) => number,
                        crate::run::CounterValue::Extreme { value, .. } => value,
                        _ => 0.0,
                    })
                };
                let count = |name: &str| run.occurrences.iter().filter(|o| o.counter == name).count() as f64;
                let of = [
                    value("distance"),
                    value("off_wire_distance"),
                    value("energy_from_line"),
                    value("energy_to_line"),
                    value("energy_from_battery"),
                    value("energy_into_battery"),
                    0.0,
                    count("section_gaps"),
                    hours(run.start_us, run.end_us),
                    count("off_wire_changes"),
                    count("battery_timeouts"),
                    value("coasting_under_current_time"),
                    count("pole_offs"),
                    0.0,
                ];
                other.iter_mut().zip(of).for_each(|(sum, value)| *sum += value);
                other[6] = f64::max(other[6], value("battery_temperature_peak"));
                other[13] = f64::max(other[13], value("motor_temperature_peak"));
            }
            println!("{} {took:?}", vehicle.number);
            println!("  {}", line.map(|v| format!("{v:8.2}")).join(" "));
            println!("  {}", other.map(|v| format!("{v:8.2}")).join(" "));
            for (sum, value) in sums[0].iter_mut().zip(line) {
                *sum += value / 12.0;
            }
            for (sum, value) in sums[1].iter_mut().zip(other) {
                *sum += value / 12.0;
            }
        }
        println!("mean {day}");
        println!("  {}", sums[0].map(|v| format!("{v:8.2}")).join(" "));
        println!("  {}", sums[1].map(|v| format!("{v:8.2}")).join(" "));
    }
}

/// A month, quickly looked at.
#[test]
#[ignore = "writes into a folder that is named"]
fn make() {
    let folder = std::env::var("YEAR_TO").expect("YEAR_TO");
    let defs = defs();
    let options = YearOptions {
        seed: 1,
        from: Date::constant(2025, 1, 1),
        to: Date::constant(2025, 12, 31),
        vehicles: 60,
        planted: true,
    };
    let begun = std::time::Instant::now();
    write(Path::new(&folder), &defs, &options, &mut |done, of| println!("{done}/{of} {:?}", begun.elapsed())).expect("a year");
    println!("{:?}", begun.elapsed());
}

#[test]
fn every_way_of_every_duty_was_driven() {
    let town = Town::velmora();
    let tapes = Tapes::record(SEED, &town);
    let plan = Plan::velmora(SEED, 24, 20_089, 365, false);
    for day in [20_089, 20_094, 20_200] {
        let fleet = plan.fleet(day);
        for vehicle in &fleet.vehicles {
            let duty = fleet.duty(&town, vehicle, day);
            for trip in duty.pieces.iter().flat_map(|piece| duty.trips(&town, piece)) {
                let names: Vec<_> = trip.places.iter().map(|&place| town.places[place].name).collect();
                let way = tapes.of(&trip.places, vehicle.build).unwrap_or_else(|| panic!("{names:?}"));
                for tape in &way.drives {
                    let driven: f64 = tape.pieces.iter().map(|piece| piece.m).sum();
                    assert!((driven - way.route.length_m).abs() < 12.0, "{names:?}: {driven} m of {}", way.route.length_m);
                }
            }
        }
    }
}

/// Timeouts by 1000 stretches, over usable charge, build and line.
#[test]
#[ignore = "prints"]
fn curve() {
    let town = Town::velmora();
    let tapes = Tapes::record(SEED, &town);
    let plan = Plan::velmora(SEED, 24, 20_089, 365, false);
    for number in [201_u16, 301] {
        for line in [1, 2, 3] {
            let mut told = format!("{number} line {line}:");
            for capacity in [0.9, 0.8, 0.7, 0.6, 0.5, 0.45, 0.4, 0.35, 0.3, 0.27, 0.24, 0.21, 0.18, 0.15] {
                let (mut stretches, mut timeouts, mut hottest) = (0, 0, 0.0_f64);
                for day in (20_089..20_454).step_by(9) {
                    let at = day_plan(&plan, records::date(day)).expect("a day");
                    let mut vehicle = at.fleet.vehicle_numbered(number).expect("a vehicle").clone();
                    vehicle.line = Some(line);
                    vehicle.faults.retain(|fault| !matches!(fault, Fault::WeakBattery { .. }));
                    vehicle.faults.push(Fault::WeakBattery { capacity });
                    let lived = vehicle_day(&plan, &at, &vehicle, &tapes);
                    stretches += lived.stretches;
                    timeouts += lived.timeouts;
                    hottest = hottest.max(lived.hottest_c);
                }
                told += &format!(" {capacity}: {:.1} ({hottest:.0})", 1_000.0 * timeouts as f64 / stretches as f64);
            }
            println!("{told}");
        }
    }
}
