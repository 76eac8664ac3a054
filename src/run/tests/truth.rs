//! Conditions: tests, delays, three-valued logic, staleness.

use super::*;

const LOST: &str = r#"
[[condition]]
name = "lost"
all = [ { signal = "line.volts", below = 100, back_above = 300 } ]
for = "400ms"
[[counter]]
name = "losses"
count = "lost"
[[counter]]
name = "lost_s"
time = "lost"
"#;

#[test]
fn what_holds_long_enough_comes_true_at_its_own_instant_whenever_the_next_frame_is() {
    for next_ms in [1500, 1600, 20_000] {
        let mut bench = Bench::new(&LOST.replace("400ms", "250ms"));
        bench.key(0, true);
        bench.volts(900, 600.0);
        bench.volts(1000, 50.0);
        bench.key(next_ms, true);
        // 50 V is stale 300 ms after its frame.
        let outcome = bench.outcome();
        assert_eq!(outcome.count("losses"), 1);
        outcome.near("lost_s", 0.05);
        assert_eq!(bench.event_times_ms(), [1250]);
    }
}

#[test]
fn what_ceases_at_the_instant_it_would_have_held_has_not_held() {
    let mut bench = Bench::new(LOST);
    bench.key(0, true);
    bench.volts(0, 600.0);
    bench.volts_over(100, 400, 50.0);
    bench.volts(500, 600.0);
    bench.volts_over(600, 1000, 50.0);
    assert_eq!(bench.outcome().count("losses"), 1, "an instant's frames come before what is due at it");
    let mut bench = Bench::new(LOST);
    bench.key(0, true);
    bench.volts_over(600, 900, 50.0);
    bench.volts(1000, 600.0);
    assert_eq!(bench.outcome().count("losses"), 0);
}

#[test]
fn hysteresis_keeps_a_threshold_passed_until_the_other_is() {
    let mut bench = Bench::new(&LOST.replace("for = \"400ms\"", ""));
    bench.key(0, true);
    for (at, volts) in [(0, 200.0), (100, 99.0), (200, 300.0), (300, 301.0), (400, 100.0), (500, 99.0)] {
        bench.volts(at, volts);
    }
    bench.volts(600, 301.0);
    let outcome = bench.outcome();
    assert_eq!(outcome.count("losses"), 2);
    outcome.near("lost_s", 0.3);
}

#[test]
fn a_threshold_passed_is_forgotten_when_the_value_is() {
    let mut bench = Bench::new(&LOST.replace("for = \"400ms\"", ""));
    bench.key(0, true);
    bench.volts(0, 600.0);
    bench.volts(100, 50.0);
    bench.volts(200, 65535.0);
    bench.volts(300, 200.0);
    bench.volts(400, 200.0);
    bench.outcome().near("lost_s", 0.1);
}

#[test]
fn holding_starts_anew_after_it_was_unknown() {
    for gap in [65535.0, 65534.0, 2000.0] {
        let mut bench = Bench::new(LOST);
        bench.key(0, true);
        bench.volts_over(100, 300, 50.0);
        bench.volts(400, gap);
        bench.volts_over(500, 1000, 50.0);
        let outcome = bench.outcome();
        assert_eq!(outcome.count("losses"), 1);
        outcome.near("lost_s", 0.1);
        assert_eq!(bench.event_times_ms(), [900]);
    }
}

#[test]
fn lingering_outlasts_the_unknown_for_its_own_length_only() {
    let mut bench = Bench::new(&LOST.replace("for = \"400ms\"", "lingers = \"2s\""));
    bench.key(0, true);
    bench.volts(1000, 50.0);
    bench.key(10_000, true);
    // Stale at 1.3 s, lingers to 3.3 s.
    bench.outcome().near("lost_s", 2.3);
}

#[test]
fn lingering_goes_on_when_it_comes_true_again() {
    let mut bench = Bench::new(&LOST.replace("for = \"400ms\"", "lingers = \"250ms\""));
    bench.key(0, true);
    bench.volts(900, 600.0);
    for (at, volts) in [(1000, 50.0), (1100, 600.0), (1200, 50.0), (1300, 600.0), (1400, 600.0), (1500, 600.0)] {
        bench.volts(at, volts);
    }
    bench.volts(1600, 600.0);
    let outcome = bench.outcome();
    assert_eq!(outcome.count("losses"), 1);
    outcome.near("lost_s", 0.55);
}

#[test]
fn nothing_is_concluded_from_silence_not_even_the_contrary() {
    let mut bench = Bench::new(
        r#"
[[condition]]
name = "fed"
all = [ { signal = "line.volts", above = 400 } ]
[[condition]]
name = "unfed"
all = [ { condition = "fed", is = false } ]
[[condition]]
name = "other"
all = [ { signal = "line.volts", is_not = 600 } ]
[[condition]]
name = "either"
any = [ { condition = "unfed" }, { signal = "key.on", is = true } ]
[[counter]]
name = "unfed_s"
time = "unfed"
[[counter]]
name = "other_s"
time = "other"
[[counter]]
name = "either_s"
time = "either"
"#,
    );
    bench.key(0, true);
    bench.volts(1000, 600.0);
    bench.volts(5000, 50.0);
    bench.key(10_000, true);
    let outcome = bench.outcome();
    outcome.near("unfed_s", 0.3);
    outcome.near("other_s", 0.3);
    outcome.near("either_s", 10.0);
}

#[test]
fn what_was_never_known_is_not_counted_as_nothing() {
    let mut bench = Bench::new(LOST);
    bench.key(0, true);
    bench.key(10_000, true);
    let outcome = bench.outcome();
    assert_eq!((outcome.value("losses"), outcome.value("lost_s")), (None, None));
}

#[test]
fn a_value_is_stale_after_three_periods_and_a_frame_at_that_instant_keeps_it() {
    let fed = r#"
[[condition]]
name = "fed"
all = [ { signal = "line.volts", above = 400 } ]
[[counter]]
name = "fed_s"
time = "fed"
[[counter]]
name = "feeds"
count = "fed"
"#;
    let mut bench = Bench::new(fed);
    bench.key(0, true);
    bench.volts(100, 600.0);
    bench.volts(400, 600.0);
    bench.volts(701, 600.0);
    bench.key(5000, true);
    let outcome = bench.outcome();
    outcome.near("fed_s", 0.9);
    assert_eq!(outcome.count("feeds"), 2);
}

#[test]
fn without_a_period_a_value_is_stale_after_ten_seconds() {
    let text = format!("{MESSAGES}{RUN}").replace("id = 0x101\nperiod = \"100ms\"", "id = 0x101");
    let mut bench =
        Bench::with(&format!("{text}[[counter]]\nname = \"v\"\nintegral = \"line.volts\"\nunit = \"V.s\""), &[]);
    bench.key(0, true);
    bench.volts(1000, 2.0);
    bench.key(30_000, true);
    bench.outcome().near("v", 20.0);
}

#[test]
fn missing_is_said_not_concluded() {
    let mut bench = Bench::new(
        r#"
[[condition]]
name = "blind"
all = [ { signal = "line.volts", missing = true } ]
[[counter]]
name = "blind_s"
time = "blind"
"#,
    );
    bench.key(0, true);
    bench.volts(1000, 65535.0);
    bench.volts(1100, 65534.0);
    bench.volts(1200, 600.0);
    bench.volts(1300, 2000.0);
    bench.volts(1400, 65534.0);
    // The payload ends before the signal does; stale 300 ms later.
    let line = bench.defs.message("line").unwrap();
    bench.bytes(1500, line, &[0]);
    bench.key(9000, true);
    bench.outcome().near("blind_s", 0.2 + 0.4);
}

#[test]
fn a_frame_of_another_page_leaves_a_value_and_its_age_alone() {
    let mut bench = Bench::new("[[counter]]\nname = \"h\"\nintegral = \"cells.hottest\"\nunit = \"s\"");
    bench.key(0, true);
    let cells = bench.defs.message("cells").unwrap();
    bench.bytes(1000, cells, &[1, 5]);
    for at in (1100..4000).step_by(100) {
        bench.bytes(at, cells, &[2, 90]);
    }
    // Three pages: stale after nine periods.
    bench.outcome().near("h", 4.5);
}

#[test]
fn both_values_of_a_page_list_are_pages_of_the_signal() {
    let mut bench = Bench::new("[[counter]]\nname = \"c\"\nintegral = \"cells.coldest\"\nunit = \"s\"");
    bench.key(0, true);
    let cells = bench.defs.message("cells").unwrap();
    bench.bytes(0, cells, &[2, 5]);
    bench.bytes(500, cells, &[3, 6]);
    bench.bytes(1000, cells, &[1, 7]);
    bench.bytes(1100, cells, &[2]);
    bench.key(2000, true);
    bench.outcome().near("c", 2.5 + 3.6);
}

#[test]
fn labels_flags_and_decimals_are_equal_to_what_is_written() {
    let mut bench = Bench::new(
        r#"
[[condition]]
name = "going"
all = [ { signal = "drive.gear", is = ["forward", 2] }, { signal = "drive.speed", is = [0.3, 12.3] } ]
[[counter]]
name = "going_s"
time = "going"
"#,
    );
    bench.key(0, true);
    for (at, gear, speed) in [(0, 1.0, 0.3), (1000, 0.0, 0.3), (2000, 2.0, 12.3), (3000, 2.0, 12.4)] {
        bench.say(at, "drive", &[("gear", gear), ("speed", speed)]);
    }
    bench.key(4000, true);
    bench.outcome().near("going_s", 2.0);
}

#[test]
fn long_payloads_are_read_and_short_ones_in_their_place_are_short() {
    let mut bench = Bench::new(
        "[[condition]]\nname = \"hot\"\nall = [ { signal = \"inverter.celsius\", above = 80.5 } ]\n[[counter]]\nname = \"hot_s\"\ntime = \"hot\"",
    );
    bench.key(0, true);
    bench.say(1000, "inverter", &[("celsius", 81.0)]);
    bench.say(2000, "inverter", &[("celsius", 81.0)]);
    let inverter = bench.defs.message("inverter").unwrap();
    bench.bytes(3000, inverter, &[0; 8]);
    bench.say(4000, "inverter", &[("celsius", f64::NAN)]);
    bench.say(5000, "inverter", &[("celsius", 80.5)]);
    bench.say(6000, "inverter", &[("celsius", 90.0)]);
    bench.key(7000, true);
    bench.outcome().near("hot_s", 3.0);
}

#[test]
fn only_messages_that_rules_look_at_are_wanted() {
    let bench = Bench::new(LOST);
    let wanted: Vec<_> = ["key", "line", "drive", "gnss", "cells", "inverter"]
        .map(|name| bench.engine.wants(bench.defs.message(name).unwrap()))
        .into();
    assert_eq!(wanted, [true, true, false, true, false, false], "the position goes with events");
    assert!(!bench.engine.wants(usize::MAX));
}
