//! How fast it is; run by hand.

use std::time::Instant;

use super::*;

const RULES: &str = r#"
[[condition]]
name = "fed"
all = [ { signal = "line.volts", above = 400, back_below = 300, for = "400ms" } ]
[[condition]]
name = "lost"
all = [ { signal = "line.volts", below = 100, back_above = 300, for = "400ms" }, { signal = "drive.gear", is = "forward" } ]
lingers = "2s"
[[condition]]
name = "going"
all = [ { signal = "drive.speed", above = 3, back_below = 1 } ]
[[condition]]
name = "off_wire"
all = [ { condition = "fed", is = false }, { condition = "going" } ]
for = "1s"
[[counter]]
name = "losses"
count = "lost"
while = "going"
rearm = "5s"
keep = ["drive.speed", "line.amperes"]
[[counter]]
name = "off_wire_s"
time = "off_wire"
[[counter]]
name = "off_wire_km"
distance = "off_wire"
[[counter]]
name = "km"
distance = "run"
[[counter]]
name = "out_kwh"
integral = ["line.volts", "line.amperes"]
side = "positive"
unit = "kW.h"
[[counter]]
name = "back_kwh"
integral = ["line.volts", "line.amperes"]
side = "negative"
unit = "kW.h"
[[counter]]
name = "volts_mean"
mean = "line.volts"
while = "going"
[[counter]]
name = "volts_peak"
peak = "line.volts"
[[counter]]
name = "hottest"
peak = "cells.hottest"
[[counter]]
name = "timeouts"
growth = "drive.timeouts"
"#;

/// Eight million frames of a vehicle that drives: a quarter of the line (every value new), a quarter of the drive
/// (every other value new), an eighth of cells by page, an eighth of the key and the position, a quarter that the rules
/// do not look at.
#[test]
#[ignore = "measures time: cargo test --release --lib run::tests::speed -- --ignored --nocapture"]
fn eight_million_frames() {
    let text = format!("{MESSAGES}{RUN}{RULES}").replace("\"1h\"", "\"100ms\"");
    let mut bench = Bench::with(&text, &[]);
    let at = |name: &str| bench.defs.message(name).unwrap();
    let messages = [at("line"), at("drive"), at("cells"), at("key"), at("gnss"), at("inverter")];
    let mut random = 1_u64;
    let frames: Vec<(i64, usize, u64)> = (0..8_000_000_u64)
        .map(|index| {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = random >> 60;
            let speed = if (index >> 18) & 1 == 0 { 300 + (random >> 61) } else { 0 };
            let (message, word) = match index % 16 {
                0 | 4 | 8 | 12 => (0, ((100 + (random >> 52 & 255)) << 16) | (600 + noise)),
                1 | 5 | 9 | 13 => (1, ((speed & 0xFF) << 8) | (speed >> 8) | (1 << 16)),
                2 | 10 => (2, (1 + index / 16 % 3) | ((20 + (random >> 63)) << 8)),
                6 => (3, 1),
                14 => (4, (500_000_000 + index / 16) | ((80_000_000 + index / 16) << 32)),
                _ => (5, random),
            };
            (index as i64 * 2000, messages[message], word)
        })
        .collect();
    let wanted = frames.iter().filter(|(_, message, _)| bench.engine.wants(*message)).count();
    let start = Instant::now();
    for (time, message, word) in &frames {
        if bench.engine.wants(*message) {
            bench.engine.frame(*time, *message, *word, 8);
        } else {
            bench.engine.alive(*time);
        }
    }
    let all = start.elapsed();
    let rows = bench.end();
    let start = Instant::now();
    for (time, ..) in &frames {
        bench.engine.alive(*time);
    }
    let alive = start.elapsed();
    let each = |elapsed: std::time::Duration, count: usize| elapsed.as_nanos() as f64 / count as f64;
    println!(
        "{} frames, {wanted} wanted: {:.1} ns a frame, {:.1} ns a wanted one; alive {:.2} ns; {rows:#?}",
        frames.len(),
        each(all, frames.len()),
        each(all, wanted),
        each(alive, frames.len())
    );
}
