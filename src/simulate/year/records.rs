//! The records that people keep beside a year: files as a spreadsheet writes them.

use std::fmt::Write as _;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::DayLived;
use super::plan::Plan;
use super::upkeep::{LIMITS, Upkeep};
use crate::frame::TimeUs;
use crate::simulate::Build;

/// The date of a day since 1970-01-01.
pub(super) fn date(day: i64) -> Date {
    // Days of a plan lie within the calendar; beyond it, its last day.
    Date::constant(1970, 1, 1).saturating_add(day.days())
}

/// Writes all records into `folder`.
///
/// # Errors
/// The file that cannot be written, and why.
pub(super) fn write(
    folder: &Path,
    plan: &Plan,
    lived: &[Vec<DayLived>],
    upkeep: &Upkeep,
) -> Result<(), (PathBuf, io::Error)> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| (path, source)
    };
    fs::create_dir_all(folder).map_err(failed(folder))?;
    let (vehicles, packs, duties) = (vehicles(plan), packs(plan), duties(plan, lived));
    let files = [
        ("vehicles.csv", vehicles.as_str()),
        ("packs.csv", &packs),
        ("duties.csv", &duties),
        ("heads.csv", &upkeep.heads),
        ("inserts.csv", &upkeep.inserts),
        ("readings.csv", &upkeep.readings),
        ("limits.toml", LIMITS),
    ];
    for (name, text) in files {
        let path = folder.join(name);
        fs::write(&path, text).map_err(failed(&path))?;
    }
    Ok(())
}

/// A row of values without commas, quotes or line ends.
fn row<const N: usize>(text: &mut String, values: [&str; N]) {
    text.push_str(&values.join(","));
    text.push('\n');
}

fn optional(day: Option<i64>) -> String {
    day.map_or_else(String::new, |day| date(day).to_string())
}

fn vehicles(plan: &Plan) -> String {
    let mut text = String::new();
    row(&mut text, ["vehicle", "kind", "from", "to", "yard"]);
    for vehicle in &plan.vehicles {
        let (kind, from) = match vehicle.build {
            Build::Rigid => ("12 m", "2016-05-02"),
            Build::Articulated => ("18 m", "2018-09-03"),
        };
        row(&mut text, [&vehicle.number.to_string(), kind, from, "", "Yard"]);
    }
    text
}

fn packs(plan: &Plan) -> String {
    let mut text = String::new();
    row(&mut text, ["pack", "vehicle", "fitted", "removed", "reason"]);
    for vehicle in &plan.vehicles {
        for fitted in &vehicle.packs {
            // What lies beyond the year is not known yet.
            let removed = fitted.to.filter(|&to| to < plan.first + plan.days);
            if fitted.from >= plan.first + plan.days {
                continue;
            }
            let reason = if removed.is_some() { fitted.reason } else { "" };
            let number = vehicle.number.to_string();
            let from = date(fitted.from).to_string();
            row(&mut text, [&plan.packs[fitted.pack].id, &number, &from, &optional(removed), reason]);
        }
    }
    text
}

fn duties(plan: &Plan, lived: &[Vec<DayLived>]) -> String {
    let mut text = String::new();
    row(&mut text, ["vehicle", "from", "to", "operator", "line"]);
    let zone = TimeZone::get(super::ZONE).unwrap_or(TimeZone::UTC);
    let minute = |time_us: TimeUs| {
        let at = Timestamp::from_microsecond(time_us).unwrap_or(Timestamp::UNIX_EPOCH);
        zone.to_datetime(at).strftime("%Y-%m-%d %H:%M").to_string()
    };
    for (vehicle, days) in plan.vehicles.iter().zip(lived) {
        for drove in days.iter().flat_map(|day| &day.lived.drove) {
            // A String takes everything.
            let _infallible = writeln!(
                text,
                "{},{},{},{},{}",
                vehicle.number,
                minute(drove.from_us),
                minute(drove.to_us + 59_999_999),
                drove.operator,
                drove.line
            );
        }
    }
    text
}
