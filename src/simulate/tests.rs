//! Whole vehicle-days: what was planted is in the truth, and in the frames.

use std::ops::Range;
use std::path::Path;

use super::truth::{RunTruth, VehicleTruth};
use super::*;
use crate::defs::Definitions;
use crate::defs::payload::Reading;
use crate::frame::{Frame, Kind};

const SEED: u64 = 1;

pub(super) fn defs() -> Definitions {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("signal-defs/velmora");
    Definitions::load(&folder).unwrap_or_else(|error| panic!("{error}"))
}

fn tuesday() -> ServiceDay {
    ServiceDay::of("2026-02-17", "Europe/Vienna", 4).expect("a date")
}

/// From and to, in hours since the service day began.
fn hours(day: &ServiceDay, from: f64, to: f64) -> Range<i64> {
    let at = |hours: f64| day.start_us() + (hours * 3.6e9) as i64;
    at(from)..at(to)
}

fn lived(number: u16, from: f64, to: f64, staged: &[Staged]) -> (VehicleTruth, Vec<Frame>) {
    let (defs, day, world) = (defs(), tuesday(), World::velmora(SEED, 24));
    let voices = Voices::new(&defs).expect("the demo fleet's set");
    let vehicle = world.fleet.vehicle_numbered(number).expect("a vehicle");
    let mut frames = Vec::new();
    let keep = [hours(&day, from, to)];
    let truth = vehicle_day(&world, &voices, vehicle, &day, staged, &keep, |frame| {
        frames.push(*frame);
        Ok::<(), std::convert::Infallible>(())
    });
    (truth.expect("a sink that never fails"), frames)
}

/// The values of one signal, with their times in µs.
fn values(defs: &Definitions, frames: &[Frame], path: &str) -> Vec<(i64, f64)> {
    let place = defs.signal_ref(path).expect("a signal");
    let message = &defs.messages[place.message];
    let of = |frame: &&Frame| match message.matching {
        crate::defs::Matching::Exactly(id) => frame.id == id,
        crate::defs::Matching::Group { pgn, source } => {
            frame.id.is_extended() && frame.id.bits() & 0x03FF_FFFF == pgn << 8 | u32::from(source.unwrap_or(0))
        }
    };
    frames
        .iter()
        .filter(|frame| matches!(frame.kind, Kind::Data | Kind::Fd))
        .filter(of)
        .filter_map(|frame| match message.read(place.signal, &frame.data, frame.len.into()) {
            Reading::Value { physical, .. } => Some((frame.time_us, physical)),
            _ => None,
        })
        .collect()
}

fn integral(values: &[(i64, f64)]) -> f64 {
    values.windows(2).map(|pair| pair[0].1 * (pair[1].0 - pair[0].0) as f64 / 1e6).sum()
}

fn only(truth: &VehicleTruth) -> &RunTruth {
    assert_eq!(truth.runs.len(), 1, "{truth:?}");
    &truth.runs[0]
}

#[test]
fn the_same_seed_gives_the_same_frames() {
    let (truth, frames) = lived(201, 1.5, 2.5, &[]);
    let (again, same) = lived(201, 1.5, 2.5, &[]);
    assert!(frames == same);
    assert_eq!(serde_json::to_string(&truth).ok(), serde_json::to_string(&again).ok());
    assert_eq!(truth.frames, frames.len() as u64);
    // What is kept does not change what is lived.
    let (_, later) = lived(201, 2.0, 2.5, &[]);
    assert!(!later.is_empty() && frames.ends_with(&later));
}

#[test]
fn frames_come_in_order_and_tell_the_truth() {
    let defs = defs();
    let (truth, frames) = lived(207, 2.5, 3.5, &[]);
    assert!(frames.windows(2).all(|pair| pair[0].time_us <= pair[1].time_us));
    let run = only(&truth);
    let km = integral(&values(&defs, &frames, "motion.speed")) / 3_600.0;
    assert!((km - run.km).abs() < 0.003 * run.km + 0.02, "{km} km by speed, {} km in truth", run.km);
    let odometer = values(&defs, &frames, "distance.total_distance");
    let grown = (odometer[odometer.len() - 1].1 - odometer[0].1) / 1_000.0;
    assert!((grown - run.km).abs() < 0.015, "{grown} km by odometer, {} km in truth", run.km);
    let volts = values(&defs, &frames, "line_input.line_voltage");
    let amperes = values(&defs, &frames, "line_input.line_current");
    let watts: Vec<(i64, f64)> = volts.iter().zip(&amperes).map(|(v, a)| (v.0, (v.1 * a.1).max(0.0))).collect();
    let kwh = integral(&watts) / 3.6e6;
    assert!((kwh - run.line_kwh).abs() < 0.01 * run.line_kwh + 0.05, "{kwh} kWh, {} in truth", run.line_kwh);
}

#[test]
fn line_voltage_stays_within_what_is_permitted() {
    for number in [201, 302] {
        let (truth, _) = lived(number, 1.0, 4.0, &[]);
        let run = only(&truth);
        let (low, peak) = (run.line_low.expect("a low").value, run.line_peak.expect("a peak").value);
        assert!(low > LOWEST_V && peak < HIGHEST_V, "{low} to {peak} V");
    }
}

#[test]
fn the_weak_battery_gives_up_and_its_counter_rolls_over() {
    let defs = defs();
    let (truth, frames) = lived(207, 1.0, 6.0, &[]);
    let run = only(&truth);
    assert!(run.battery_timeouts.len() > 3, "{} timeouts", run.battery_timeouts.len());
    assert_eq!(run.counter_jumps.first().map(|jump| (jump.kind, jump.from, jump.to)), Some(("roll_over", 255, 0)));
    let mut counts: Vec<f64> = values(&defs, &frames, "battery_counters.timeouts").iter().map(|v| v.1).collect();
    counts.dedup();
    assert!(counts.starts_with(&[254.0, 255.0, 0.0, 1.0]), "{counts:?}");
    assert_eq!(counts.len(), run.battery_timeouts.len() + 1);
    let exhausted = values(&defs, &frames, "off_wire_battery.state");
    let times = exhausted.windows(2).filter(|pair| pair[0].1 != 4.0 && pair[1].1 == 4.0).count();
    assert_eq!(times, run.battery_timeouts.len());
    // It does so without heat.
    assert!(run.battery_peak.expect("a peak").value < 30.0);
}

#[test]
fn a_sound_battery_lasts_on_the_same_line() {
    let (truth, _) = lived(302, 1.0, 5.0, &[]);
    let run = only(&truth);
    assert!(run.off_wire_changes.len() > 2 && run.off_wire_km > 3.0);
    assert!(run.battery_timeouts.is_empty(), "{:?}", run.battery_timeouts);
}

#[test]
fn a_phantom_voltage_shows_without_load_and_a_dropout_is_no_gap() {
    let staged = [
        Staged { vehicle: 305, at_s: 10_000.0, what: Stage::PhantomVoltage },
        Staged { vehicle: 305, at_s: 10_000.0, what: Stage::BatteryManagerRestart },
    ];
    let (truth, _) = lived(305, 2.0, 6.0, &staged);
    let run = only(&truth);
    assert!(!run.phantom_voltages.is_empty());
    assert!(run.phantom_voltages.iter().all(|at| at.volts.is_some_and(|volts| volts > 400.0)));
    assert!(!run.contactor_dropouts.is_empty());
    assert!(run.contactor_dropouts.iter().all(|at| at.duration_ms >= 200));
    assert!(run.counter_jumps.iter().any(|jump| jump.kind == "reset" && jump.from == 41));
}

#[test]
fn poles_are_lost_where_that_was_staged() {
    let staged = [Staged { vehicle: 211, at_s: 9_000.0, what: Stage::PoleOffAtBadSpot }];
    let (truth, _) = lived(211, 2.0, 5.0, &staged);
    let run = only(&truth);
    let bad = Town::velmora().bad_spot().map(|work| work.id.clone());
    assert!(run.pole_offs.iter().any(|off| off.special_work == bad && off.cause == Some("overhead")));
    assert!(!run.section_gaps.is_empty());
}
