//! An evaluator that is slow and plain: every condition at every millisecond, from the words of the format description.
//!
//! Frames lie on whole milliseconds, no two at one. Each millisecond has two steps: after its frame, and after what is
//! due at it. The second is how things stand until the next millisecond.

use proptest::prelude::*;

use super::*;

/// What is so at each step, `None` unknown.
type Course<T> = Vec<Option<T>>;

#[derive(Debug, Clone)]
enum Say {
    Key(bool),
    /// Volts; unavailable, implausible.
    Line(f64),
    Cells(u8, u8),
}

const VOLTS: [f64; 6] = [0.0, 90.0, 200.0, 350.0, 65535.0, 2000.0];

fn frames() -> impl Strategy<Value = Vec<(usize, Say)>> {
    let say = prop_oneof![
        1 => prop::bool::weighted(0.7).prop_map(Say::Key),
        4 => prop::sample::select(&VOLTS[..]).prop_map(Say::Line),
        2 => (1..=3_u8, 0..4_u8).prop_map(|(module, value)| Say::Cells(module, value)),
    ];
    // Mostly close together, now and then far enough apart for staleness and the end of a run.
    let step = prop_oneof![6 => 1..60_usize, 3 => 60..350_usize, 1 => 350..3000_usize];
    prop::collection::vec((step, say), 1..80).prop_map(|steps| {
        let mut at = 0;
        steps
            .into_iter()
            .map(|(step, say)| {
                at += step;
                (at, say)
            })
            .collect()
    })
}

/// Milliseconds of `for`, `lingers` and the like, often equal to other intervals.
fn delays() -> impl Strategy<Value = [usize; 5]> {
    prop::array::uniform5(prop_oneof![Just(50), Just(100), Just(300), 1..700_usize])
}

fn rules([hold, linger, term_hold, term_linger, rearm]: [usize; 5], ends_after: usize) -> String {
    let run = RUN.replace("ends_after = \"2s\"", &format!("ends_after = \"{ends_after}ms\""));
    format!(
        r#"{MESSAGES}{run}
[[condition]]
name = "lost"
all = [ {{ signal = "line.volts", below = 100, back_above = 300 }} ]
for = "{hold}ms"
lingers = "{linger}ms"
[[condition]]
name = "cold"
any = [ {{ signal = "cells.coldest", is = [1, 2], for = "{term_hold}ms" }},
        {{ signal = "line.volts", missing = true, lingers = "{term_linger}ms" }} ]
[[condition]]
name = "odd"
all = [ {{ condition = "lost", is = false }}, {{ condition = "cold" }} ]
[[counter]]
name = "losses"
count = "lost"
rearm = "{rearm}ms"
while = "cold"
[[counter]]
name = "odds"
count = "odd"
[[counter]]
name = "lost_s"
time = "lost"
[[counter]]
name = "cold_s"
time = "cold"
[[counter]]
name = "odd_s"
time = "odd"
[[counter]]
name = "volt_s"
integral = "line.volts"
unit = "V.s"
while = "odd"
"#
    )
}

/// The value in force at each step: that of the last frame, until `stale` after it.
fn course<T: Copy>(frames: &[(usize, Say)], end: usize, stale: usize, of: impl Fn(&Say) -> Option<T>) -> Course<T> {
    let mut last = None;
    let mut course = Course::new();
    for now in 0..=end {
        last = frames.iter().filter(|(at, _)| *at == now).find_map(|(_, say)| Some((now, of(say)?))).or(last);
        course.push(last.filter(|(at, _)| now <= at + stale).map(|(_, value)| value));
        course.push(last.filter(|(at, _)| now < at + stale).map(|(_, value)| value));
    }
    course
}

/// Whether an instant that many milliseconds after `from` is reached at a step: at the second step of its millisecond.
fn reached(step: usize, from: usize, after: usize) -> bool {
    step > 2 * (from + after)
}

fn delayed(input: &Course<bool>, hold: usize, linger: usize) -> Course<bool> {
    let (mut since, mut ceased, mut held) = (None, None, None);
    let mut course = Course::new();
    for (step, now) in input.iter().copied().enumerate() {
        let before = held;
        since = if now == Some(true) { since.or(Some(step / 2)) } else { None };
        held = since.map_or(now, |since| Some(hold == 0 || reached(step, since, hold)));
        if before == Some(true) && held != before {
            ceased = Some(step / 2);
        }
        let lingering = ceased.is_some_and(|ceased| linger > 0 && !reached(step, ceased, linger));
        course.push(if lingering { Some(true) } else { held });
    }
    course
}

fn and(a: Option<bool>, b: Option<bool>) -> Option<bool> {
    match (a, b) {
        (Some(false), _) | (_, Some(false)) => Some(false),
        (Some(true), Some(true)) => Some(true),
        _ => None,
    }
}

fn or(a: Option<bool>, b: Option<bool>) -> Option<bool> {
    and(a.map(|a| !a), b.map(|b| !b)).map(|truth| !truth)
}

/// A run's start, end, and counters as the rules above name them; times in seconds, counts as numbers.
#[derive(Debug, PartialEq)]
struct Plain {
    start: usize,
    end: usize,
    values: Vec<Option<f64>>,
    losses_at: Vec<usize>,
}

fn plainly(frames: &[(usize, Say)], delays: [usize; 5], ends_after: usize) -> Vec<Plain> {
    let [hold, linger, term_hold, term_linger, rearm] = delays;
    let end = frames.last().map_or(0, |(at, _)| *at);
    let key = course(frames, end, usize::MAX / 2, |say| if let Say::Key(on) = say { Some(*on) } else { None });
    let said = course(frames, end, 300, |say| if let Say::Line(volts) = say { Some(*volts) } else { None });
    let volts: Course<f64> = said.iter().map(|volts| volts.filter(|volts| *volts <= 1000.0)).collect();
    let missing: Course<bool> = said.iter().map(|volts| volts.map(|volts| volts == 65535.0)).collect();
    let coldest = course(frames, end, 900, |say| if let Say::Cells(2 | 3, value) = say { Some(*value) } else { None });
    let mut below = Course::new();
    for volts in &volts {
        let before = below.last() == Some(&Some(true));
        below.push(volts.map(|volts| if before { volts <= 300.0 } else { volts < 100.0 }));
    }
    let lost = delayed(&below, hold, linger);
    let is_cold: Course<bool> = coldest.iter().map(|value| value.map(|value| value == 1 || value == 2)).collect();
    let (is_cold, missing) = (delayed(&is_cold, term_hold, 0), delayed(&missing, 0, term_linger));
    let cold: Course<bool> = is_cold.iter().zip(&missing).map(|(a, b)| or(*a, *b)).collect();
    let odd: Course<bool> = lost.iter().zip(&cold).map(|(lost, cold)| and(lost.map(|lost| !lost), *cold)).collect();

    let mut runs = Vec::new();
    let mut now = 0;
    while now <= end {
        if key[2 * now] != Some(true) {
            now += 1;
            continue;
        }
        let start = now;
        let mut last_used = start;
        while now <= end && now <= last_used + ends_after + 1 {
            if key[2 * now] == Some(true) {
                last_used = now;
            }
            now += 1;
        }
        let stop = (last_used + 1).min(end);
        // The recording's last instant has no length, but what becomes true at it has become so.
        let steps = if last_used == end { 2 * start..2 * end + 2 } else { 2 * start..2 * stop };
        let rises = |course: &Course<bool>| -> Vec<usize> {
            steps.clone().skip(1).filter(|s| course[*s] == Some(true) && course[s - 1] != Some(true)).collect()
        };
        let stands = |course: &Course<bool>, ms: usize| course[2 * ms + 1] == Some(true);
        let seconds = |course: &Course<bool>| (start..stop).filter(|t| stands(course, *t)).count() as f64 / 1000.0;
        let armed = |step: usize| {
            let ceased = (1..step).rev().find(|s| lost[*s] != Some(true) && lost[s - 1] == Some(true));
            ceased.is_none_or(|ceased| step / 2 - ceased / 2 >= rearm)
        };
        let losses = rises(&lost).into_iter().filter(|s| cold[*s] == Some(true) && armed(*s));
        let losses_at: Vec<usize> = losses.map(|step| step / 2).collect();
        let known = |is: &dyn Fn(usize) -> bool| steps.clone().any(is);
        let volt_s: f64 = (start..stop).filter(|t| stands(&odd, *t)).filter_map(|t| volts[2 * t + 1]).sum();
        let values = vec![
            known(&|s| lost[s].is_some() && cold[s].is_some()).then_some(losses_at.len() as f64),
            known(&|s| odd[s].is_some()).then_some(rises(&odd).len() as f64),
            known(&|s| lost[s].is_some()).then_some(seconds(&lost)),
            known(&|s| cold[s].is_some()).then_some(seconds(&cold)),
            known(&|s| odd[s].is_some()).then_some(seconds(&odd)),
            known(&|s| odd[s].is_some() && volts[s].is_some()).then_some(volt_s / 1000.0),
        ];
        if stop > start {
            runs.push(Plain { start, end: stop, values, losses_at });
        }
    }
    runs
}

fn feed(bench: &mut Bench, (at, say): &(usize, Say)) {
    let at = *at as i64;
    match say {
        Say::Key(on) => bench.key(at, *on),
        Say::Line(volts) => bench.volts(at, *volts),
        Say::Cells(module, value) => {
            let cells = bench.defs.message("cells").unwrap();
            bench.bytes(at, cells, &[*module, *value]);
        }
    }
}

fn plain_rows(bench: &mut Bench) -> Vec<Plain> {
    let rows = bench.end();
    let events = bench.engine.take_events();
    let plain = |row: RunRow| Plain {
        start: (row.start_us / 1000) as usize,
        end: (row.end_us / 1000) as usize,
        values: row
            .values
            .iter()
            .map(|value| match value {
                Some(CounterValue::Number(number)) => Some(*number),
                Some(CounterValue::Count(count)) => Some(*count as f64),
                _ => None,
            })
            .collect(),
        losses_at: events
            .iter()
            .filter(|event| event.counter == 0 && event.run_start_us == row.start_us)
            .map(|event| (event.time_us / 1000) as usize)
            .collect(),
    };
    rows.into_iter().map(plain).collect()
}

fn alike(a: &[Plain], b: &[Plain]) -> bool {
    let close = |a: &Option<f64>, b: &Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() < 1e-9 * a.abs().max(1.0),
        (None, None) => true,
        _ => false,
    };
    a.len() == b.len()
        && a.iter().zip(b).all(|(a, b)| {
            (a.start, a.end, &a.losses_at) == (b.start, b.end, &b.losses_at)
                && a.values.iter().zip(&b.values).all(|(a, b)| close(a, b))
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn the_engine_and_the_plain_evaluator_agree(
        frames in frames(), delays in delays(), ends_after in prop_oneof![Just(300), 1..2000_usize],
    ) {
        let mut bench = Bench::with(&rules(delays, ends_after), &[]);
        frames.iter().for_each(|frame| feed(&mut bench, frame));
        let (found, expected) = (plain_rows(&mut bench), plainly(&frames, delays, ends_after));
        prop_assert!(alike(&found, &expected), "{found:#?}\nexpected {expected:#?}");
    }

    /// Frames of other messages, frames that say the same again, and rows taken at any time.
    #[test]
    fn frames_that_say_nothing_new_change_nothing(
        frames in frames(), delays in delays(), extra in prop::collection::vec((0..80_usize, 0..3_u8), 0..40),
    ) {
        let mut bench = Bench::with(&rules(delays, 500), &[]);
        let mut other = Bench::with(&rules(delays, 500), &[]);
        let (mut runs, mut events) = (Vec::new(), Vec::new());
        for (index, frame) in frames.iter().enumerate() {
            feed(&mut bench, frame);
            feed(&mut other, frame);
            let here = |what: u8| extra.contains(&(index, what));
            if here(0) {
                feed(&mut other, frame);
            }
            if here(1) {
                other.say(frame.0 as i64, "inverter", &[]);
                runs.append(&mut other.engine.take_runs());
                events.append(&mut other.engine.take_events());
            }
            if here(2) {
                other.engine.alive(frame.0 as i64 * 1000 + 500);
            }
        }
        // A frame later than the last would lengthen the recording.
        let end = frames.last().map_or(0, |(at, _)| *at as i64 * 1000 + 500);
        bench.engine.alive(end);
        other.engine.alive(end);
        runs.append(&mut other.end());
        events.append(&mut other.engine.take_events());
        prop_assert_eq!(bench.end(), runs);
        prop_assert_eq!(bench.engine.take_events(), events);
    }
}
