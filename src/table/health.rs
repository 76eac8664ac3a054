//! Bus health: one row a bus and hour, and one a message and hour. By vehicle, then time.

use arrow_array::RecordBatch;

use super::runs::Assembly;
use super::{field, same_word, word_type};
use crate::day::ServiceDays;
use crate::defs::Definitions;
use crate::health::{BusRow, MessageRow};

/// Name of the table of buses.
pub const BUSES: &str = "bus_health";
/// Name of the table of messages.
pub const MESSAGES: &str = "message_health";

/// Rows of one vehicle's buses as a batch.
pub fn buses(defs: &Definitions, vehicle: &str, rows: &[BusRow], days: &ServiceDays) -> RecordBatch {
    let mut table = Assembly::default();
    table.times("hour", "Start of the hour, UTC.", rows.iter().map(|row| Some(row.hour_start_us)));
    table.add(field("vehicle", word_type(), true, "", "Fleet number."), same_word(vehicle, rows.len()));
    table.dates(
        "service_day",
        "Service day in which the hour began.",
        rows.iter().map(|row| days.of(row.hour_start_us).date),
    );
    let bus = |row: &BusRow| defs.buses.get(row.bus).map(|bus| bus.name.as_str());
    table.words("bus", "Its name.", rows.iter().map(bus));
    table.times("first", "First frame.", rows.iter().map(|row| Some(row.first_us)));
    table.times("last", "Last frame.", rows.iter().map(|row| Some(row.last_us)));
    let seconds = |us: i64| Some(us as f64 / 1e6);
    table.numbers(
        "recorded_s",
        "s",
        "Time between frames without silences.",
        rows.iter().map(|r| seconds(r.recorded_us)),
    );
    table.counts("frames", "All but error frames.", rows.iter().map(|row| Some(row.frames)));
    table.counts("remote_frames", "Remote frames.", rows.iter().map(|row| Some(row.remote_frames)));
    table.counts("unknown_frames", "Frames that no definition knows.", rows.iter().map(|row| Some(row.unknown_frames)));
    table.counts("error_frames", "Error frames.", rows.iter().map(|row| Some(row.error_frames)));
    type Class = (&'static str, &'static str, fn(&BusRow) -> u64);
    let classes: [Class; 6] = [
        ("errors_bus_off", "Error frames that tell of a node off the bus.", |row| row.errors.bus_off),
        ("errors_passive", "Of an error-passive controller.", |row| row.errors.passive),
        ("errors_warning", "Of an error count above the warning limit.", |row| row.errors.warning),
        ("errors_overflow", "Of a controller's overflow: frames were lost.", |row| row.errors.overflow),
        ("errors_no_acknowledge", "Of a frame that nobody acknowledged.", |row| row.errors.no_acknowledge),
        ("errors_protocol", "Of a protocol violation.", |row| row.errors.protocol),
    ];
    for (name, about, count) in classes {
        table.counts(name, about, rows.iter().map(|row| Some(count(row))));
    }
    table.numbers(
        "load_percent",
        "%",
        "Share of recorded time in which the bus carried bits.",
        rows.iter().map(BusRow::load_percent),
    );
    let peak = rows.iter().map(|row| Some(row.load_percent_peak));
    table.numbers("load_percent_peak", "%", "The same in the busiest second.", peak);
    table.counts("silences", "Silences of more than a second.", rows.iter().map(|row| Some(row.silences)));
    table.numbers("silence_s_max", "s", "The longest.", rows.iter().map(|row| seconds(row.silence_us_max)));
    table.counts("steps_back", "Steps back of the clock.", rows.iter().map(|row| Some(row.steps_back)));
    table.batch()
}

/// Rows of one vehicle's messages as a batch.
pub fn messages(defs: &Definitions, vehicle: &str, rows: &[MessageRow], days: &ServiceDays) -> RecordBatch {
    let mut table = Assembly::default();
    table.times("hour", "Start of the hour, UTC.", rows.iter().map(|row| Some(row.hour_start_us)));
    table.add(field("vehicle", word_type(), true, "", "Fleet number."), same_word(vehicle, rows.len()));
    table.dates(
        "service_day",
        "Service day in which the hour began.",
        rows.iter().map(|row| days.of(row.hour_start_us).date),
    );
    let message = |row: &MessageRow| defs.messages.get(row.message).map(|message| message.name.as_str());
    table.words("message", "Its name.", rows.iter().map(message));
    table.counts("source", "J1939 source address, where it varies.", rows.iter().map(|row| row.source.map(u64::from)));
    table.counts("frames", "Frames.", rows.iter().map(|row| Some(row.frames)));
    table.counts("missing", "Expected frames that did not come.", rows.iter().map(|row| Some(row.missing)));
    let longest = rows.iter().map(|row| Some(row.interval_us_max as f64 / 1e6));
    table.numbers("interval_s_max", "s", "Longest time between two frames.", longest);
    let jitter = rows.iter().map(|row| row.jitter_us().map(|us| us / 1e6));
    table.numbers("jitter_s", "s", "Mean deviation of the interval from the expected period.", jitter);
    table.batch()
}
