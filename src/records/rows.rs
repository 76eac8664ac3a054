//! Rows → records, each looked at alone. What several rows say together is looked at in [`super::across`].

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::columns::plain_heading;
use super::measure::{self, Measured};
use super::problem::{Book, Wrong, shown};
use super::table::{Row, Table};
use super::{Channel, Duty, Fitting, Reading, Vehicle};

/// Thickest carbon insert that is taken for one. Unit: mm.
const THICKNESS_MM_MAX: f64 = 100.0;
/// Longest duty.
const DUTY_H_MAX: f64 = 24.0;

pub(super) fn vehicles(table: &Table, book: &mut Book) -> Vec<(u64, Vehicle)> {
    table.each(book, |row| {
        let vehicle = Vehicle {
            vehicle: row.text("vehicle"),
            kind: row.text("kind"),
            from: row.day("from"),
            to: row.day("to"),
            yard: row.text("yard"),
            more: row.more(),
        };
        in_order(row, ("from", vehicle.from), ("to", vehicle.to), "it left service before it entered it");
        look_at_more(row, &vehicle.more);
        vehicle
    })
}

/// Packs, heads and inserts; `part` names the column of the part's number.
pub(super) fn fittings(table: &Table, part: &'static str, today: Date, book: &mut Book) -> Vec<(u64, Fitting)> {
    let two_sided = part != "pack";
    table.each(book, |row| {
        let side = row.text("side");
        let fitted = row.day("fitted");
        let mut fitting = Fitting {
            part: row.text(part),
            vehicle: row.text("vehicle"),
            side: if two_sided { side_of(row, &side) } else { side },
            fitted: fitted.unwrap_or_default(),
            removed: row.day("removed"),
            reason: row.text("reason"),
            batch: row.text("batch"),
            more: row.more(),
            ..Fitting::default()
        };
        if part == "insert" {
            fitting.head = row.text("head");
            fitting.thickness_fitted_mm = thickness(row, "thickness_fitted_mm");
            fitting.thickness_removed_mm = thickness(row, "thickness_removed_mm");
            if let (Some(new), Some(worn)) = (fitting.thickness_fitted_mm, fitting.thickness_removed_mm)
                && worn > new
            {
                let what = format!("the insert was {worn} mm thick when removed, and {new} mm when fitted");
                row.wrong(
                    "thickness_removed_mm",
                    Wrong::new("thickness", what, "see which of both is right; empty where it is not known"),
                );
            }
        }
        in_order(row, ("fitted", fitted), ("removed", fitting.removed), "it was removed before it was fitted");
        not_to_come(row, "fitted", fitted, today);
        not_to_come(row, "removed", fitting.removed, today);
        look_at_more(row, &fitting.more);
        fitting
    })
}

fn side_of(row: &mut Row<'_>, text: &str) -> String {
    match text.to_lowercase().as_str() {
        "left" | "l" => "left".into(),
        "right" | "r" => "right".into(),
        "" => {
            let what = "no side is given, so that left and right cannot be told apart";
            row.odd("side", Wrong::new("side", what, "write left or right, in the direction of travel"));
            String::new()
        }
        _ => {
            let what = format!("'{}' is no side", shown(text));
            row.wrong("side", Wrong::new("side", what, "write left or right, in the direction of travel"));
            String::new()
        }
    }
}

fn thickness(row: &mut Row<'_>, name: &'static str) -> Option<f64> {
    let thickness = row.number(name)?;
    if thickness < 0.0 {
        let what = format!("{thickness} mm is thinner than nothing");
        row.wrong(name, Wrong::new("thickness", what, "write it in mm, such as 22.0; empty where it is not known"));
    } else if thickness > THICKNESS_MM_MAX {
        let what = format!("{thickness} mm is thicker than any carbon insert");
        row.odd(name, Wrong::new("thickness", what, "see whether it is in mm, and where the decimal point belongs"));
    }
    Some(thickness)
}

pub(super) fn readings(table: &Table, channels: &[Channel], today: Date, book: &mut Book) -> Vec<(u64, Reading)> {
    table.each(book, |row| {
        let day = row.day("day");
        let value = row.number("value");
        let mut reading = Reading {
            day: day.unwrap_or_default(),
            vehicle: row.text("vehicle"),
            channel: row.text("channel"),
            value: value.unwrap_or_default(),
            note: row.text("note"),
            more: row.more(),
        };
        let unit = row.text("unit");
        not_to_come(row, "day", day, today);
        look_at_more(row, &reading.more);
        // Without any limits the readings are kept; that there are none is told once.
        if channels.is_empty() {
            return reading;
        }
        let plain = plain_heading(&reading.channel);
        let Some(channel) = channels.iter().find(|channel| plain_heading(&channel.name) == plain) else {
            if !reading.channel.is_empty() {
                let what = format!("limits.toml has no channel '{}'", shown(&reading.channel));
                let names: Vec<&str> = channels.iter().map(|channel| channel.name.as_str()).take(12).collect();
                let more = if channels.len() > names.len() { ", …" } else { "" };
                row.wrong(
                    "channel",
                    Wrong::new("channel", what, format!("one of {}{more}; or add it there", names.join(", "))),
                );
            }
            return reading;
        };
        reading.channel.clone_from(&channel.name);
        match value.map(|value| measure::converted(value, &unit, &channel.unit)) {
            Some(Ok(value)) => {
                reading.value = value;
                match measure::judged(value, channel) {
                    Measured::Sound => {}
                    Measured::Odd(wrong) => row.odd("value", wrong),
                    Measured::Impossible(wrong) => row.wrong("value", wrong),
                }
            }
            Some(Err(wrong)) => row.wrong("unit", wrong),
            // It is told already.
            None => {}
        }
        reading
    })
}

pub(super) fn duties(table: &Table, zone: &TimeZone, book: &mut Book) -> Vec<(u64, Duty)> {
    table.each(book, |row| {
        let (from, to) = (row.time("from", zone), row.time("to", zone));
        let duty = Duty {
            vehicle: row.text("vehicle"),
            from: from.unwrap_or_default(),
            to: to.unwrap_or_default(),
            operator: row.text("operator"),
            line: row.text("line"),
            more: row.more(),
        };
        look_at_more(row, &duty.more);
        if let (Some(from), Some(to)) = (from, to) {
            // Hours on the clock: an hour more or less in a night of the change does not matter here.
            let hours = to.duration_since(from).as_secs_f64() / 3600.0;
            if hours <= 0.0 {
                let what = format!("the duty ends at {to}, and begins at {from}");
                row.wrong("to", Wrong::new("duty", what, "a duty over midnight ends on the next day"));
            } else if hours > DUTY_H_MAX {
                let what = format!("the duty is {hours:.0} hours long");
                row.wrong("to", Wrong::new("duty", what, "a duty is at most a day long; see the days of both times"));
            }
        }
        duty
    })
}

fn in_order(row: &mut Row<'_>, first: (&'static str, Option<Date>), last: (&'static str, Option<Date>), what: &str) {
    if let (Some(from), Some(to)) = (first.1, last.1)
        && to < from
    {
        let remedy = format!("'{}' is {from} and '{}' {to}: see which is right", first.0, last.0);
        row.wrong(last.0, Wrong::new("order of days", what, remedy));
    }
}

/// What is still to come cannot have been seen.
fn not_to_come(row: &mut Row<'_>, name: &'static str, day: Option<Date>, today: Date) {
    if let Some(day) = day.filter(|day| *day > today) {
        let what = format!("{day} is still to come: today is {today}");
        row.odd(name, Wrong::new("day to come", what, "see the year; it counts from that day on"));
    }
}

/// Columns that are not known are kept as they are, but a distance below zero is told.
fn look_at_more(row: &mut Row<'_>, more: &super::More) {
    for (name, text) in more {
        let plain = plain_heading(name);
        let is_distance = plain.split('_').any(|word| matches!(word, "km" | "odometer" | "mileage" | "kilometres"));
        if is_distance && text.starts_with(['-', '−']) && text.contains(|c: char| c.is_ascii_digit()) {
            let what = format!("'{}' in '{}' is a distance below zero", shown(text), shown(name));
            row.odd(
                "",
                Wrong::new("distance", what, "see the odometer; the cell is kept as it is, and not reckoned with"),
            );
        }
    }
}
