//! What counters count.

use super::*;

fn bench_with_distance(signal: &str, rules: &str) -> Bench {
    let run = RUN.replace("distance = \"drive.speed\"", &format!("distance = \"{signal}\""));
    Bench::with(&format!("{MESSAGES}{run}{rules}"), &[])
}

const FED: &str = r#"
[[condition]]
name = "fed"
all = [ { signal = "line.volts", above = 400 } ]
"#;

#[test]
fn means_and_integrals_hold_each_value_until_the_next() {
    let mut bench = Bench::new(
        r#"
[[counter]]
name = "mean"
mean = "line.volts"
[[counter]]
name = "out_j"
integral = ["line.volts", "line.amperes"]
side = "positive"
unit = "J"
[[counter]]
name = "back_j"
integral = ["line.volts", "line.amperes"]
side = "negative"
unit = "J"
[[counter]]
name = "both_kwh"
integral = ["line.volts", "line.amperes"]
unit = "kW.h"
[[counter]]
name = "charge"
integral = "line.amperes"
unit = "A.h"
"#,
    );
    bench.say(500, "line", &[("volts", 600.0), ("amperes", 10.0)]);
    bench.key(600, true);
    bench.say(700, "line", &[("volts", 700.0), ("amperes", -20.0)]);
    bench.say(800, "line", &[("volts", 65535.0), ("amperes", -20.0)]);
    bench.key(2000, true);
    let outcome = bench.outcome();
    outcome.near("mean", 650.0);
    outcome.near("out_j", 600.0);
    outcome.near("back_j", 1400.0);
    outcome.near("both_kwh", -800.0 / 3.6e6);
    outcome.near("charge", (1.0 - 2.0 - 6.0) / 3600.0);
}

#[test]
fn a_gate_opens_and_closes_at_its_own_instants() {
    let rules = r#"
[[counter]]
name = "mean"
mean = "drive.speed"
while = "late"
[[counter]]
name = "km"
distance = "late"
[[counter]]
name = "all_km"
distance = "run"
[[condition]]
name = "late"
all = [ { signal = "line.volts", above = 400, for = "150ms" } ]
"#;
    let mut bench = Bench::new(rules);
    bench.key(0, true);
    bench.say(0, "drive", &[("speed", 36.0)]);
    bench.volts(1000, 600.0);
    bench.say(1250, "drive", &[("speed", 72.0)]);
    bench.key(2000, true);
    // Open from 1.15 s to 1.3 s.
    let outcome = bench.outcome();
    outcome.near("mean", (36.0 * 0.1 + 72.0 * 0.05) / 0.15);
    outcome.near("km", (10.0 * 0.1 + 20.0 * 0.05) / 1000.0);
    outcome.near("all_km", (10.0 * 1.25 + 20.0 * 0.75) / 1000.0);
}

#[test]
fn an_odometer_counts_where_the_condition_stands_at_its_reading() {
    let rules = format!(
        "{FED}[[counter]]\nname = \"fed_km\"\ndistance = \"fed\"\n[[counter]]\nname = \"km\"\ndistance = \"run\""
    );
    let mut bench = bench_with_distance("drive.odometer", &rules);
    let read = |bench: &mut Bench, at, km| bench.say(at, "drive", &[("odometer", km)]);
    read(&mut bench, 0, 99.0);
    read(&mut bench, 10_000, 100.0);
    bench.key(10_500, true);
    read(&mut bench, 11_000, 100.01);
    bench.volts(11_900, 600.0);
    read(&mut bench, 12_000, 100.02);
    // A jump and the way back: neither is driven.
    read(&mut bench, 13_000, 900.0);
    read(&mut bench, 14_000, 100.03);
    read(&mut bench, 24_000, 100.43);
    read(&mut bench, 24_100, 100.44);
    let outcome = bench.outcome();
    outcome.near("km", 0.43);
    outcome.near("fed_km", 0.01);
}

#[test]
fn an_occurrence_counts_only_after_so_long_untrue() {
    let rules = format!("{FED}[[counter]]\nname = \"feeds\"\ncount = \"fed\"\nrearm = \"300ms\"");
    let mut bench = Bench::new(&rules);
    bench.key(0, true);
    for (at, volts) in
        [(0, 0.0), (100, 600.0), (200, 0.0), (300, 600.0), (400, 0.0), (500, 0.0), (600, 0.0), (700, 600.0)]
    {
        bench.volts(at, volts);
    }
    assert_eq!(bench.outcome().count("feeds"), 2);
    assert_eq!(bench.event_times_ms(), [100, 700]);
}

#[test]
fn an_occurrence_at_special_work_does_not_count_unless_the_position_is_unknown() {
    let rules = format!(
        "{MESSAGES}{RUN}{FED}[[counter]]\nname = \"feeds\"\ncount = \"fed\"\nkeep = [\"drive.speed\", \"drive.gear\", \"inverter.celsius\"]\nunless_within = [ {{ special_work = \"section_gap\", metres = 15 }} ]"
    );
    let place = Place { kind: "section_gap".into(), latitude: 50.0001, longitude: 8.0001 };
    let mut bench = Bench::with(&rules, &[place]);
    bench.key(0, true);
    bench.say(0, "drive", &[("speed", 12.5), ("gear", 1.0)]);
    let occur = |bench: &mut Bench, at| {
        bench.volts(at, 0.0);
        bench.volts(at + 100, 600.0);
        bench.volts(at + 200, 0.0);
    };
    occur(&mut bench, 1000);
    bench.say(2000, "gnss", &[("latitude", 50.0), ("longitude", 8.0)]);
    occur(&mut bench, 2500);
    bench.say(3000, "gnss", &[("latitude", 50.0), ("longitude", 8.0004)]);
    occur(&mut bench, 3500);
    bench.say(4000, "gnss", &[("latitude", 50.0), ("longitude", 8.0)]);
    occur(&mut bench, 8000);
    assert_eq!(bench.outcome().count("feeds"), 3);
    let events = bench.engine.take_events();
    assert_eq!(events.iter().map(|event| event.time_us / 1000).collect::<Vec<_>>(), [1100, 3600, 8100]);
    let event = &events[1];
    assert_eq!((event.run_start_us, event.end_us, event.counter, event.amount), (0, Some(3_700_000), 0, 1.0));
    assert_eq!(event.kept, [Some(12.5), Some(1.0), None]);
    assert!((event.longitude.unwrap() - 8.0004).abs() < 1e-9 && event.latitude == Some(50.0));
    assert_eq!((events[0].latitude, events[2].latitude), (None, None), "unknown, and stale");
}

#[test]
fn what_is_looked_for_at_special_work_counts_there_alone() {
    let rules = format!(
        "{MESSAGES}{RUN}{FED}[[counter]]\nname = \"feeds\"\ncount = \"fed\"\nwithin = [ {{ special_work = \"switch\", metres = 15 }}, {{ special_work = \"crossing\", metres = 15 }} ]"
    );
    let place = |kind: &str, longitude| Place { kind: kind.into(), latitude: 50.0, longitude };
    let counted = |places: &[Place], positions: &[Option<f64>]| {
        let mut bench = Bench::with(&rules, places);
        bench.key(0, true);
        let mut at = 1_000;
        for position in positions {
            if let Some(longitude) = position {
                bench.say(at, "gnss", &[("latitude", 50.0), ("longitude", *longitude)]);
            }
            bench.volts(at + 100, 0.0);
            bench.volts(at + 200, 600.0);
            bench.volts(at + 300, 0.0);
            // The position is stale by the next one.
            at += 5_000;
        }
        // So that there is a run, whatever was said in it.
        bench.key(at, true);
        (bench.outcome().value("feeds"), bench.event_times_ms())
    };
    let places = [place("switch", 8.0), place("crossing", 8.01), place("section_gap", 8.02)];
    let (value, times) = counted(&places, &[Some(8.0001), Some(8.0004), None, Some(8.01), Some(8.02)]);
    assert_eq!(value, Some(CounterValue::Count(2)));
    assert_eq!(times, [1_200, 16_200]);
    // Elsewhere it is known not to have been there; without a position, or a place on the plan, nobody knows.
    assert_eq!(counted(&places, &[None, Some(8.02)]).0, Some(CounterValue::Count(0)));
    assert_eq!(counted(&places, &[None, None]).0, None);
    assert_eq!(counted(&places[2..], &[Some(8.0), Some(8.02)]).0, None);
    assert_eq!(counted(&places, &[]).0, None, "nothing was ever said of the voltage");
}

#[test]
fn an_occurrence_counts_where_the_gate_is_open_at_that_instant() {
    let rules = format!(
        "{FED}[[condition]]\nname = \"going\"\nall = [ {{ signal = \"drive.speed\", above = 3 }} ]\n[[counter]]\nname = \"feeds\"\ncount = \"fed\"\nwhile = \"going\""
    );
    let mut bench = Bench::new(&rules);
    bench.key(0, true);
    bench.say(0, "drive", &[("speed", 0.0)]);
    bench.volts(0, 0.0);
    bench.volts(100, 600.0);
    bench.say(150, "drive", &[("speed", 10.0)]);
    bench.volts(200, 0.0);
    bench.volts(300, 600.0);
    bench.say(350, "drive", &[("speed", 65535.0 * 0.1)]);
    bench.volts(400, 0.0);
    bench.volts(500, 600.0);
    assert_eq!(bench.outcome().count("feeds"), 1);
}

fn growth_of(readings: &[f64]) -> (f64, u64, Vec<f64>) {
    let mut bench = Bench::new("[[counter]]\nname = \"timeouts\"\ngrowth = \"drive.timeouts\"");
    let mut readings = readings.iter().enumerate();
    // The first reading is before the run.
    if let Some((_, first)) = readings.next() {
        bench.say(0, "drive", &[("timeouts", *first)]);
    }
    bench.key(500, true);
    for (at, reading) in readings {
        bench.say(at as i64 * 1000, "drive", &[("timeouts", *reading)]);
    }
    let outcome = bench.outcome();
    let Some(CounterValue::Growth { amount, resets }) = outcome.value("timeouts") else { panic!() };
    (amount, resets, bench.engine.take_events().iter().map(|event| event.amount).collect())
}

#[test]
fn growth_goes_on_over_the_roll_over() {
    assert_eq!(growth_of(&[250.0, 252.0, 254.0, 1.0, 1.0, 4.0]), (10.0, 0, vec![2.0, 2.0, 3.0, 3.0]));
}

#[test]
fn a_counter_that_begins_anew_is_told_from_one_that_rolls_over() {
    assert_eq!(growth_of(&[100.0, 103.0, 2.0, 2.0, 3.0]), (6.0, 1, vec![3.0, 2.0, 1.0]));
    assert_eq!(growth_of(&[100.0, 0.0, 1.0]), (1.0, 1, vec![1.0]));
    assert_eq!(growth_of(&[100.0, 60.0, 61.0]), (1.0, 1, vec![1.0]), "more than it can have grown since");
}

#[test]
fn a_jump_upwards_is_a_reset_and_not_growth() {
    assert_eq!(growth_of(&[10.0, 100.0, 101.0]), (1.0, 1, vec![1.0]));
}

#[test]
fn one_wild_reading_is_no_reset() {
    assert_eq!(growth_of(&[100.0, 5.0, 101.0]), (1.0, 0, vec![1.0]));
    assert_eq!(growth_of(&[100.0, 200.0, 100.0, 100.0]), (0.0, 0, vec![]));
    assert_eq!(growth_of(&[100.0, 5.0]), (0.0, 0, vec![]), "not believed yet");
    assert_eq!(growth_of(&[100.0, 5.0, 200.0, 201.0]), (6.0, 2, vec![5.0, 1.0]), "two that follow from nothing");
}

#[test]
fn a_counter_first_heard_of_within_a_run_has_not_grown() {
    let mut bench = Bench::new("[[counter]]\nname = \"timeouts\"\ngrowth = \"drive.timeouts\"");
    bench.key(500, true);
    bench.say(1000, "drive", &[("timeouts", 20.0)]);
    bench.say(2000, "drive", &[("timeouts", 255.0)]);
    bench.say(3000, "drive", &[("timeouts", 21.0)]);
    let outcome = bench.outcome();
    assert_eq!(outcome.value("timeouts"), Some(CounterValue::Growth { amount: 1.0, resets: 0 }));
}

const PEAK: &str = "[[counter]]\nname = \"peak\"\npeak = \"line.volts\"\nheld = \"250ms\"\n[[counter]]\nname = \"low\"\nlow = \"line.volts\"\nheld = \"250ms\"";

/// A value and when it had been held.
type Held = Option<(f64, i64)>;

fn peak_and_low(frames: &[(i64, f64)]) -> (Held, Held) {
    let mut bench = Bench::new(PEAK);
    bench.key(0, true);
    frames.iter().for_each(|(at, volts)| bench.volts(*at, *volts));
    bench.key(frames.last().map_or(0, |(at, _)| at + 1000), true);
    let outcome = bench.outcome();
    let extreme = |name| match outcome.value(name) {
        Some(CounterValue::Extreme { value, at_us }) => Some((value, at_us / 1000)),
        None => None,
        other => panic!("{other:?}"),
    };
    (extreme("peak"), extreme("low"))
}

#[test]
fn a_peak_is_held_and_its_time_is_when_it_had_been_held() {
    let (peak, low) = peak_and_low(&[(0, 500.0), (100, 700.0), (200, 650.0), (300, 650.0), (400, 600.0), (500, 400.0)]);
    // 600 from 100 ms to 500 ms; 650 from 100 ms to 400 ms.
    assert_eq!(peak, Some((650.0, 350)));
    // 700 from 0 on, with all that follows; down to 600 from 400 ms, but only two frames; 650 from 200 ms.
    assert_eq!(low, Some((650.0, 450)));
}

#[test]
fn two_frames_are_a_spike_however_long() {
    assert_eq!(peak_and_low(&[(0, 900.0), (200, 900.0)]), (None, None));
    let (peak, _) = peak_and_low(&[(0, 900.0), (200, 900.0), (400, 900.0), (450, 100.0)]);
    assert_eq!(peak, Some((900.0, 400)), "the third frame came after it had been held");
}

#[test]
fn frames_that_say_the_same_count_too() {
    let (peak, low) = peak_and_low(&[(0, 600.0), (100, 600.0), (200, 600.0)]);
    assert_eq!((peak, low), (Some((600.0, 250)), Some((600.0, 250))));
}

#[test]
fn what_is_unknown_in_between_breaks_a_peak() {
    for gap in [65535.0, 2000.0] {
        let (peak, _) = peak_and_low(&[(0, 600.0), (100, 600.0), (200, gap), (300, 600.0), (400, 100.0)]);
        assert_eq!(peak, None);
    }
    let (peak, _) = peak_and_low(&[(0, 600.0), (100, 600.0), (401, 600.0), (450, 100.0)]);
    assert_eq!(peak, None, "stale in between");
}

#[test]
fn a_closed_gate_breaks_a_peak() {
    let rules = format!(
        "{}\n[[condition]]\nname = \"going\"\nall = [ {{ signal = \"drive.speed\", above = 3 }} ]",
        PEAK.replace("held = \"250ms\"", "held = \"250ms\"\nwhile = \"going\"")
    );
    let mut bench = Bench::new(&rules);
    bench.key(0, true);
    bench.say(0, "drive", &[("speed", 10.0)]);
    bench.volts_over(0, 200, 900.0);
    bench.say(240, "drive", &[("speed", 0.0)]);
    bench.volts_over(300, 500, 900.0);
    bench.say(550, "drive", &[("speed", 10.0)]);
    bench.volts_over(600, 700, 800.0);
    bench.volts_over(800, 1300, 750.0);
    let outcome = bench.outcome();
    // 900 V stood when it opened and was gone 50 ms later; 800 V stood for 250 ms, but in two frames.
    assert_eq!(outcome.value("peak"), Some(CounterValue::Extreme { value: 750.0, at_us: 800_000 }));
}

#[test]
fn a_rise_in_more_steps_than_are_kept_gives_nearly_its_peak() {
    let text = format!(
        "{MESSAGES}{RUN}[[counter]]\nname = \"peak\"\npeak = \"drive.speed\"\nheld = \"1h\"\n[[counter]]\nname = \"low\"\nlow = \"drive.speed\"\nheld = \"1h\""
    );
    let mut bench = Bench::with(&text.replace("gap = \"1min\"", "gap = \"4h\""), &[]);
    bench.key(0, true);
    for step in 0..5000 {
        bench.say(step, "drive", &[("speed", step as f64 * 0.1)]);
    }
    bench.say(3_602_000, "drive", &[("speed", 499.9)]);
    bench.say(3_603_000, "drive", &[("speed", 0.0)]);
    let Some(CounterValue::Extreme { value, .. }) = bench.outcome().value("peak") else { panic!() };
    // Held for an hour by the last frame is what was reached within the first three seconds.
    assert!((298.0..=300.0).contains(&value), "{value}");
}
