//! Health of a vehicle's buses in a year: a row a bus and hour, as steady as the simulated modules speak.
//!
//! Frames and load are round figures of the day-depth simulator. Rows of single messages are not made.

use super::plan::Plan;
use crate::defs::Definitions;
use crate::frame::TimeUs;
use crate::health::{BusRow, ErrorClasses};
use crate::simulate::chance::Chance;

const HOUR_US: i64 = 3_600_000_000;
/// A bus by name, its frames a second, those of them that nobody has defined, and its load, mean and peak. Unit: %.
const BUSES: [(&str, f64, f64, f64, f64); 2] = [("traction", 81.5, 3.0, 4.6, 6.1), ("body", 10.6, 0.5, 0.9, 1.6)];
/// Mean time between two error frames of the traction bus. Unit: s.
const ERROR_EVERY_S: f64 = 450.0;
/// A vehicle whose traction bus falls silent now and then, from a day of the year on: how often an hour.
pub(super) const SILENT_BUS: (u16, i64, f64) = (234, 210, 1.5);

/// Rows of a recording from an instant to another.
pub(super) fn rows(plan: &Plan, defs: &Definitions, number: u16, day: i64, span: (TimeUs, TimeUs)) -> Vec<BusRow> {
    let (from_us, to_us) = span;
    let mut rows = Vec::new();
    let mut hour_start_us = from_us.div_euclid(HOUR_US) * HOUR_US;
    while hour_start_us <= to_us {
        let first_us = from_us.max(hour_start_us);
        let last_us = to_us.min(hour_start_us + HOUR_US - 1);
        let seconds = (last_us - first_us) as f64 / 1e6;
        for (name, frames, unknown, load, peak) in BUSES {
            let Some(bus) = defs.bus(name) else { continue };
            let key = [u64::from(number), hour_start_us as u64, bus as u64];
            let mut chance = Chance::of(plan.seed, "year bus", &key);
            let is_traction = name == "traction";
            let sick = plan.planted && is_traction && number == SILENT_BUS.0 && day - plan.first >= SILENT_BUS.1;
            let silences = if sick { drawn(&mut chance, SILENT_BUS.2 * seconds / 3_600.0) } else { 0 };
            let longest_s = if silences > 0 { chance.between(2.0, 25.0) } else { 0.0 };
            let silent_s = longest_s * (1.0 + 0.4 * silences.saturating_sub(1) as f64);
            let recorded_s = (seconds - silent_s).max(0.0);
            let errors = if is_traction { drawn(&mut chance, recorded_s / ERROR_EVERY_S) } else { 0 };
            let busy_us = (recorded_s * load * 1e4) as u64;
            let bitrate = defs.buses.get(bus).map_or(250_000.0, |bus| f64::from(bus.bitrate));
            rows.push(BusRow {
                bus,
                hour_start_us,
                first_us,
                last_us,
                recorded_us: (recorded_s * 1e6) as i64,
                frames: (recorded_s * frames) as u64,
                remote_frames: if is_traction { 0 } else { (recorded_s / 30.0) as u64 },
                unknown_frames: (recorded_s * unknown) as u64,
                error_frames: errors,
                errors: ErrorClasses { protocol: errors, bus_error: errors, ..ErrorClasses::default() },
                bits: (busy_us as f64 / 1e6 * bitrate) as u64,
                busy_us,
                load_percent_peak: peak + 0.2 * chance.unit(),
                silences,
                silence_us_max: (longest_s * 1e6) as i64,
                steps_back: 0,
                step_back_us_max: 0,
            });
        }
        hour_start_us += HOUR_US;
    }
    rows
}

/// A number of so many on average: Poisson, by Knuth's multiplication, for small means.
fn drawn(chance: &mut Chance, mean: f64) -> u64 {
    let (limit, mut product, mut count) = (libm::exp(-mean), chance.unit(), 0);
    while product > limit && count < 1_000 {
        product *= chance.unit();
        count += 1;
    }
    count
}
