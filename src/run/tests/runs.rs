//! When runs begin and end, and what belongs to them.

use super::*;

const FED: &str = r#"
[[condition]]
name = "fed"
all = [ { signal = "line.volts", above = 400 } ]
[[counter]]
name = "feeds"
count = "fed"
[[counter]]
name = "fed_s"
time = "fed"
"#;

fn spans(rows: &[RunRow]) -> Vec<(i64, i64, Ended)> {
    rows.iter().map(|row| (row.start_us / 1000, row.end_us / 1000, row.ended_by)).collect()
}

#[test]
fn a_run_ends_when_use_ended_not_when_that_became_certain() {
    let mut bench = Bench::new("");
    bench.key(500, false);
    bench.key(1000, true);
    bench.key(5000, false);
    bench.key(9000, false);
    bench.key(10_000, true);
    bench.key(11_000, true);
    assert_eq!(spans(&bench.end()), [(1000, 5000, Ended::OutOfUse), (10_000, 11_000, Ended::EndOfRecording)]);
}

#[test]
fn a_short_pause_is_part_of_the_run_with_all_that_is_counted_in_it() {
    let mut bench = Bench::new(FED);
    bench.key(1000, true);
    bench.volts(1000, 0.0);
    bench.key(5000, false);
    bench.volts(5500, 600.0);
    bench.key(7000, true);
    bench.key(8000, true);
    let outcome = bench.outcome();
    assert_eq!(spans(std::slice::from_ref(&outcome.row)), [(1000, 8000, Ended::EndOfRecording)]);
    assert_eq!(outcome.count("feeds"), 1);
    outcome.near("fed_s", 0.3);
    assert_eq!(bench.event_times_ms(), [5500]);
}

#[test]
fn what_comes_after_use_ended_is_not_counted_where_the_run_was_over() {
    for next_ms in [7001, 60_000] {
        let mut bench = Bench::new(FED);
        bench.key(1000, true);
        bench.volts_over(1000, 3000, 0.0);
        bench.volts_over(3100, 4900, 600.0);
        bench.key(5000, false);
        bench.volts_over(5000, 5900, 600.0);
        bench.volts(6000, 0.0);
        bench.volts(6100, 600.0);
        bench.key(next_ms, false);
        let outcome = bench.outcome();
        assert_eq!(spans(std::slice::from_ref(&outcome.row)), [(1000, 5000, Ended::OutOfUse)]);
        assert_eq!(outcome.count("feeds"), 1);
        outcome.near("fed_s", 1.9);
        let events = bench.engine.take_events();
        assert_eq!(events.len(), 1);
        assert_eq!(events[0].end_us, None, "it ceased only after the run");
    }
}

#[test]
fn a_run_too_short_is_dropped_with_its_events() {
    let text = format!("{MESSAGES}{RUN}{FED}").replace("shortest = \"1ms\"", "shortest = \"3s\"");
    let mut bench = Bench::with(&text, &[]);
    for (on, off) in [(1000, 3999), (10_000, 13_000)] {
        bench.key(on, true);
        bench.volts(on + 100, 0.0);
        bench.volts(on + 200, 600.0);
        bench.key(off, false);
    }
    bench.key(20_000, false);
    assert_eq!(spans(&bench.end()), [(10_000, 13_000, Ended::OutOfUse)]);
    assert_eq!(bench.event_times_ms(), [10_200]);
}

#[test]
fn silence_ends_a_run_with_its_last_frame() {
    let mut bench = Bench::new(FED);
    bench.key(1000, true);
    bench.volts(2000, 0.0);
    bench.volts(2100, 600.0);
    bench.engine.alive(2_200_000);
    bench.key(62_201, true);
    bench.key(70_000, true);
    let rows = bench.end();
    assert_eq!(spans(&rows), [(1000, 2200, Ended::Silence), (62_201, 70_000, Ended::EndOfRecording)]);
    assert_eq!(rows[0].values[1], Some(CounterValue::Number(0.1)));
    assert_eq!(rows[1].values, [None, None], "nothing is known over a silence");
}

#[test]
fn frames_that_rules_do_not_look_at_keep_a_run_going() {
    let mut bench = Bench::new("");
    bench.key(0, true);
    bench.engine.alive(60_000_000);
    bench.engine.alive(120_000_000);
    bench.key(180_000, true);
    assert_eq!(spans(&bench.end()), [(0, 180_000, Ended::EndOfRecording)]);
}

#[test]
fn use_that_goes_stale_in_a_silence_ended_when_it_did() {
    let text = format!("{MESSAGES}{RUN}").replace("id = 0x100\nperiod = \"1h\"", "id = 0x100\nperiod = \"1s\"");
    let mut bench = Bench::with(&text, &[]);
    bench.key(0, true);
    bench.key(1000, true);
    bench.key(90_000, true);
    bench.engine.cut(CutReason::Silence);
    let expected = [(0, 4000, Ended::OutOfUse), (90_000, 93_000, Ended::OutOfUse)];
    assert_eq!(spans(&bench.engine.take_runs()), expected);
}

#[test]
fn a_cut_forgets_what_was_said() {
    let mut bench = Bench::new(FED);
    bench.key(5000, true);
    bench.volts(5000, 0.0);
    bench.engine.cut(CutReason::ClockStep);
    bench.key(1000, true);
    bench.volts(1100, 600.0);
    bench.key(1200, true);
    let rows = bench.end();
    assert_eq!(spans(&rows), [(1000, 1200, Ended::EndOfRecording)], "the first has no length");
    assert_eq!(rows[0].values[0], Some(CounterValue::Count(1)), "unknown before, and then true");
}

#[test]
fn a_run_that_is_out_of_use_when_cut_ended_when_use_did() {
    let mut bench = Bench::new("");
    bench.key(1000, true);
    bench.key(5000, false);
    bench.engine.alive(6_000_000);
    assert_eq!(bench.engine.open_run(), Some(1_000_000));
    bench.engine.cut(CutReason::ClockStep);
    assert_eq!(spans(&bench.engine.take_runs()), [(1000, 5000, Ended::ClockStep)]);
    assert_eq!(bench.engine.open_run(), None);
}

#[test]
fn what_began_before_the_run_is_context_not_an_occurrence() {
    let mut bench = Bench::new(FED);
    bench.volts(900, 600.0);
    bench.key(1000, true);
    bench.volts(1100, 0.0);
    bench.volts(1200, 600.0);
    let outcome = bench.outcome();
    assert_eq!(outcome.count("feeds"), 1);
    outcome.near("fed_s", 0.1);
}

#[test]
fn a_step_back_without_a_cut_is_taken_for_the_same_instant() {
    let mut bench = Bench::new(FED);
    bench.key(1000, true);
    bench.volts(1000, 600.0);
    bench.volts(500, 0.0);
    bench.volts(1200, 600.0);
    bench.outcome().near("fed_s", 0.0);
}

#[test]
fn a_condition_that_flickers_fills_its_run_with_events_up_to_a_limit() {
    let mut bench = Bench::new(FED);
    bench.key(0, true);
    for at in 0..200_100 {
        bench.volts(at, if at % 2 == 0 { 0.0 } else { 600.0 });
    }
    let outcome = bench.outcome();
    assert_eq!(outcome.count("feeds"), 100_050);
    assert_eq!(outcome.row.events_left_out, 50);
    assert_eq!(bench.engine.take_events().len(), EVENTS_MAX);
}

/// Anything at all: times out of order, messages that do not exist, lengths beyond the payload.
#[test]
fn no_input_makes_it_panic() {
    let all = r#"
[[condition]]
name = "fed"
any = [ { signal = "line.volts", above = 400, for = "1s" }, { signal = "cells.hottest", missing = true, lingers = "1s" } ]
[[counter]]
name = "a"
count = "fed"
unless_within = [ { special_work = "section_gap", metres = 15 } ]
within = [ { special_work = "switch", metres = 15 } ]
keep = ["inverter.celsius"]
[[counter]]
name = "b"
growth = "drive.timeouts"
[[counter]]
name = "c"
peak = "inverter.celsius"
[[counter]]
name = "d"
integral = ["line.volts", "line.amperes"]
unit = "J"
[[counter]]
name = "e"
distance = "fed"
"#;
    use proptest::prelude::*;
    let text = format!("{MESSAGES}{RUN}{all}");
    let time = prop_oneof![any::<i64>(), 0..100_000_000_i64, Just(i64::MAX), Just(i64::MIN)];
    let frame = (time, 0..8_usize, any::<u64>(), any::<u8>(), 0..20_u8);
    proptest!(|(frames in prop::collection::vec(frame, 0..200))| {
        let mut engine = Bench::with(&text, &[]).engine;
        for (time, message, word, len, what) in frames {
            match what {
                0 => engine.cut(CutReason::Silence),
                1 => engine.cut(CutReason::ClockStep),
                2 => engine.alive(time),
                3..6 => engine.long_frame(time, message, &[word as u8; 64], len),
                6 => engine.frame(time, 0, 1, 1),
                _ => engine.frame(time, message, word, len),
            }
        }
        engine.cut(CutReason::EndOfRecording);
        for row in engine.take_runs() {
            prop_assert!(row.end_us >= row.start_us);
        }
    });
}
