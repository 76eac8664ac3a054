//! What the demo's captures are counted to be, against what the simulator knows.
//!
//! Tolerances are those at the head of `src/simulate/truth.rs`.

use std::path::Path;
use std::sync::OnceLock;

use serde_json::Value;

use super::support::*;

struct Demo {
    truth: Value,
    runs: Vec<Value>,
    events: Vec<Value>,
}

/// The demo replayed once by the program, and its truth.
fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = folder();
        let store = folder.path().join("store");
        let store = store.to_str().unwrap();
        run(&["replay", "demo-captures", "--store", store]).expect(0, &[]);
        let rows = |table: &str| {
            let told = run(&["runs", "--store", store, "--table", table, "--json"]);
            told.expect(0, &[]);
            told.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
        };
        let truth = std::fs::read_to_string(Path::new("demo-captures/truth.json")).unwrap();
        Demo { truth: serde_json::from_str(&truth).unwrap(), runs: rows("runs"), events: rows("events") }
    })
}

fn time(value: &Value) -> i64 {
    us(value.as_str().unwrap_or_else(|| panic!("{value} is no time")))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// Every run of the truth with the run that was counted.
fn runs() -> Vec<(String, &'static Value, &'static Value)> {
    let demo = demo();
    let truths: Vec<(String, &Value)> = demo.truth["vehicles"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|vehicle| {
            let number = vehicle["vehicle"].as_str().unwrap().to_owned();
            vehicle["runs"].as_array().unwrap().iter().map(move |run| (number.clone(), run))
        })
        .collect();
    assert_eq!(truths.len(), demo.runs.len());
    assert!(truths.len() >= 4);
    let pairs = truths.into_iter().map(|(vehicle, truth)| {
        let start_us = truth["start_us"].as_i64().unwrap();
        let near =
            |run: &&Value| run["vehicle"] == vehicle.as_str() && (time(&run["start"]) - start_us).abs() < 600 * SECOND;
        let run = demo.runs.iter().find(near).unwrap_or_else(|| panic!("no run of {vehicle} at {start_us}"));
        (vehicle, truth, run)
    });
    pairs.collect()
}

/// Events of a run that a counter counted.
fn events(vehicle: &str, run: &Value, counter: &str) -> Vec<&'static Value> {
    let of = |event: &&Value| {
        event["vehicle"] == vehicle && event["counter"] == counter && event["run_start"] == run["start"]
    };
    demo().events.iter().filter(of).collect()
}

fn near(what: &str, vehicle: &str, found: f64, wanted: f64, allowed: f64) {
    assert!((found - wanted).abs() <= allowed, "{what} of {vehicle}: {found}, in truth {wanted} ± {allowed}");
}

#[test]
fn runs_begin_and_end_when_they_did() {
    for (vehicle, truth, run) in runs() {
        let seconds = |value: &Value| time(value) as f64 / 1e6;
        let micros = |key: &str| truth[key].as_f64().unwrap() / 1e6;
        near("start", &vehicle, seconds(&run["start"]), micros("start_us"), 0.3);
        // Where hours of silence follow, use ends when its signal has grown stale: three of its periods of 200 ms later.
        let stale_s = if run["ended_by"] == "out of use" { 0.6 } else { 0.0 };
        near("end", &vehicle, seconds(&run["end"]), micros("end_us"), 0.3 + stale_s);
        assert_eq!(run["service_day"], demo().truth["service_day"]);
    }
}

#[test]
fn kilometres_are_what_was_driven() {
    for (vehicle, truth, run) in runs() {
        for (counter, fact) in [("distance", "km"), ("off_wire_distance", "off_wire_km")] {
            let wanted = number(&truth[fact]);
            near(counter, &vehicle, number(&run[counter]), wanted, 0.005 * wanted + 0.02);
        }
    }
}

#[test]
fn kilowatt_hours_are_what_was_drawn_and_fed_back() {
    for (vehicle, truth, run) in runs() {
        for (counter, fact, share) in [
            ("energy_from_line", "line_kwh", 0.01),
            ("energy_to_line", "back_kwh", 0.01),
            ("energy_from_battery", "battery_out_kwh", 0.03),
            ("energy_into_battery", "battery_in_kwh", 0.03),
        ] {
            let wanted = number(&truth[fact]);
            near(counter, &vehicle, number(&run[counter]), wanted, share * wanted + 0.05);
        }
    }
}

#[test]
fn peaks_are_as_hot_as_it_was() {
    for (vehicle, truth, run) in runs() {
        for (counter, fact, allowed) in [
            ("battery_temperature_peak", "battery_peak", 0.15),
            ("ambient_temperature_peak", "ambient_peak", 0.15),
            ("motor_temperature_peak", "motor_peak", 1.0),
        ] {
            near(counter, &vehicle, number(&run[counter]), number(&truth[fact]["value"]), allowed);
        }
    }
}

#[test]
fn every_pole_off_timeout_dropout_and_phantom_is_counted_at_its_time_and_no_other() {
    let mut counted = 0;
    for (vehicle, truth, run) in runs() {
        for (counter, fact, allowed_s) in [
            ("pole_offs", "pole_offs", 0.4 + 0.3),
            ("battery_timeouts", "battery_timeouts", 0.6),
            ("contactor_dropouts", "contactor_dropouts", 0.2 + 0.3),
            ("phantom_voltages", "phantom_voltages", 0.3),
            ("flashes", "flashes", 0.2),
            ("collectors_apart", "collectors_apart", 3.0),
        ] {
            let wanted = truth[fact].as_array().unwrap();
            let found = events(&vehicle, run, counter);
            assert_eq!(number(&run[counter]) as usize, found.len(), "{counter} of {vehicle}: an event for each");
            assert_eq!(found.len(), wanted.len(), "{counter} of {vehicle}");
            for (event, happening) in found.iter().zip(wanted) {
                let (at, truly) = (time(&event["time"]) as f64 / 1e6, number(&happening["time_us"]) / 1e6);
                near(counter, &vehicle, at, truly, allowed_s);
            }
            counted += found.len();
        }
    }
    assert!(counted >= 20, "{counted} events are no proof");
}

#[test]
fn section_gaps_of_200_ms_and_more_are_all_counted_and_nothing_else_is() {
    for (vehicle, truth, run) in runs() {
        let wanted = truth["section_gaps"].as_array().unwrap();
        let found = events(&vehicle, run, "section_gaps");
        let close = |event: &Value, gap: &Value| {
            let late_us = time(&event["time"]) - gap["time_us"].as_i64().unwrap();
            (-300_000..=410_000).contains(&late_us)
        };
        for gap in wanted.iter().filter(|gap| gap["duration_ms"].as_i64().unwrap() >= 200) {
            assert!(found.iter().any(|event| close(event, gap)), "{vehicle} passed a gap that was not counted: {gap}");
        }
        for event in &found {
            assert!(wanted.iter().any(|gap| close(event, gap)), "{vehicle} passed no gap at {}", event["time"]);
        }
    }
}

#[test]
fn the_battery_manager_s_counter_grows_by_its_timeouts_over_roll_over_and_reset() {
    let mut jumps = 0;
    for (vehicle, truth, run) in runs() {
        let timeouts = truth["battery_timeouts"].as_array().unwrap().len();
        assert_eq!(number(&run["battery_timeouts_by_manager"]) as usize, timeouts, "{vehicle}");
        let of =
            |kind: &str| truth["counter_jumps"].as_array().unwrap().iter().filter(|jump| jump["kind"] == kind).count();
        assert_eq!(number(&run["battery_timeouts_by_manager_resets"]) as usize, of("reset"), "{vehicle}");
        jumps += of("reset") + of("roll_over");
    }
    assert!(jumps >= 2, "the demo shows a roll-over and a reset");
}

#[test]
fn sensor_outages_are_counted_with_their_length() {
    for (vehicle, truth, run) in runs() {
        for (sensor, counter, held_s) in
            [("motor", "motor_sensor_missing_time", 0.5), ("ambient", "ambient_sensor_missing_time", 3.0)]
        {
            let outages =
                truth["sensor_outages"].as_array().unwrap().iter().filter(|outage| outage["sensor"] == sensor);
            let lengths: Vec<f64> =
                outages.map(|outage| (number(&outage["to_us"]) - number(&outage["from_us"])) / 1e6).collect();
            let wanted: f64 = lengths.iter().map(|length| (length - held_s).max(0.0)).sum();
            // A reader sees an outage begin and end with a frame, once a second at the slowest.
            near(counter, &vehicle, number(&run[counter]), wanted, 1.5 * lengths.len() as f64 + 0.3);
        }
    }
}

#[test]
fn seconds_under_way_with_the_pedal_released_and_parked_with_poles_down_are_the_true_ones() {
    for (vehicle, truth, run) in runs() {
        let wanted = number(&truth["coasting_under_current_s"]);
        // Each time the pedal is released it is told up to 0.1 s before or after the current.
        near("coasting", &vehicle, number(&run["coasting_under_current_time"]), wanted, 0.03 * wanted + 6.0);
        let parked = number(&truth["parked_poles_down_s"]);
        let spells = number(&run["parkings_poles_down"]).max(1.0);
        near("parked", &vehicle, number(&run["parked_poles_down_time"]), parked, 30.0 * spells + 2.0);
    }
}
