//! The runs table, one row a run; and the events table, one row an occurrence that a counter counted. By vehicle, then
//! time.

use std::sync::Arc;

use arrow_array::builder::StringDictionaryBuilder;
use arrow_array::types::Int32Type;
use arrow_array::{
    ArrayRef, BooleanArray, Date32Array, Float64Array, RecordBatch, StringArray, TimestampMicrosecondArray, UInt64Array,
};
use arrow_schema::{DataType, Field, Schema};
use jiff::civil::{Date, date};

use super::{field, same_word, time_type, word_type};
use crate::defs::rules::{CounterKind, Rules};
use crate::defs::{Column, Definitions, SignalRef};
use crate::frame::TimeUs;
use crate::run::{CounterValue, Ended, EventRow, RunRow};

/// Name of the runs table.
pub const RUNS: &str = "runs";
/// Name of the events table.
pub const EVENTS: &str = "events";

/// Days since 1970-01-01, as Arrow counts dates.
pub fn days_since_epoch(day: Date) -> i32 {
    // A civil date is at most 7.3 million days off.
    (day - date(1970, 1, 1)).get_days()
}

/// Columns that come one by one.
#[derive(Default)]
pub(super) struct Assembly {
    fields: Vec<Field>,
    arrays: Vec<ArrayRef>,
}

impl Assembly {
    pub(super) fn add(&mut self, field: Field, array: ArrayRef) {
        self.fields.push(field);
        self.arrays.push(array);
    }

    pub(super) fn words<'a>(&mut self, name: &str, about: &str, words: impl Iterator<Item = Option<&'a str>>) {
        let mut builder = StringDictionaryBuilder::<Int32Type>::new();
        words.for_each(|word| builder.append_option(word));
        self.add(field(name, word_type(), true, "", about), Arc::new(builder.finish()));
    }

    pub(super) fn numbers(&mut self, name: &str, unit: &str, about: &str, values: impl Iterator<Item = Option<f64>>) {
        self.add(field(name, DataType::Float64, true, unit, about), Arc::new(Float64Array::from_iter(values)));
    }

    pub(super) fn counts(&mut self, name: &str, about: &str, values: impl Iterator<Item = Option<u64>>) {
        self.add(field(name, DataType::UInt64, true, "1", about), Arc::new(UInt64Array::from_iter(values)));
    }

    pub(super) fn times(&mut self, name: &str, about: &str, values: impl Iterator<Item = Option<TimeUs>>) {
        let array = TimestampMicrosecondArray::from_iter(values).with_timezone("UTC");
        self.add(field(name, time_type(), true, "", about), Arc::new(array));
    }

    pub(super) fn dates(&mut self, name: &str, about: &str, values: impl Iterator<Item = Date>) {
        let array = Date32Array::from_iter_values(values.map(days_since_epoch));
        self.add(field(name, DataType::Date32, true, "", about), Arc::new(array));
    }

    pub(super) fn batch(self) -> RecordBatch {
        RecordBatch::try_new(Arc::new(Schema::new(self.fields)), self.arrays)
            // Each array came with its own field.
            .unwrap_or_else(|error| panic!("columns of one table differ: {error}"))
    }
}

/// A word for why a run is over.
pub fn ended_word(ended: Ended) -> &'static str {
    match ended {
        Ended::OutOfUse => "out of use",
        Ended::Silence => "silence",
        Ended::ClockStep => "clock step",
        Ended::EndOfRecording => "end of recording",
    }
}

/// Runs of one vehicle as a batch; `days` are the service days in which they began.
pub fn runs(defs: &Definitions, rules: &Rules, vehicle: &str, runs: &[RunRow], days: &[Date]) -> RecordBatch {
    let mut table = Assembly::default();
    table.times("start", "When use began.", runs.iter().map(|run| Some(run.start_us)));
    let names = same_word(vehicle, runs.len());
    table.add(field("vehicle", word_type(), true, "", "Fleet number."), names);
    table.dates("service_day", "Service day in which it began.", days.iter().copied());
    table.times("end", "When use ended; where it had not, the last frame.", runs.iter().map(|run| Some(run.end_us)));
    let seconds = runs.iter().map(|run| Some((run.end_us - run.start_us) as f64 / 1e6));
    table.numbers("duration_s", "s", "Length.", seconds);
    table.words("ended_by", "Why it is over.", runs.iter().map(|run| Some(ended_word(run.ended_by))));
    for (index, counter) in rules.counters.iter().enumerate() {
        let value = |run: &RunRow| run.values.get(index).copied().flatten();
        let about = counter.about.as_str();
        match &counter.kind {
            CounterKind::Count { .. } => table.counts(
                &counter.name,
                about,
                runs.iter().map(|run| match value(run) {
                    Some(CounterValue::Count(count)) => Some(count),
                    _ => None,
                }),
            ),
            _ => table.numbers(
                &counter.name,
                &counter.unit,
                about,
                runs.iter().map(|run| match value(run) {
                    Some(CounterValue::Number(number)) => Some(number),
                    Some(CounterValue::Growth { amount, .. }) => Some(amount),
                    Some(CounterValue::Extreme { value, .. }) => Some(value),
                    _ => None,
                }),
            ),
        }
        match &counter.kind {
            CounterKind::Extreme { .. } => {
                let at = runs.iter().map(|run| match value(run) {
                    Some(CounterValue::Extreme { at_us, .. }) => Some(at_us),
                    _ => None,
                });
                table.times(&format!("{}_at", counter.name), "When it had been held long enough.", at);
            }
            CounterKind::Growth { .. } => {
                let resets = runs.iter().map(|run| match value(run) {
                    Some(CounterValue::Growth { resets, .. }) => Some(resets),
                    _ => None,
                });
                table.counts(&format!("{}_resets", counter.name), "How often it began anew.", resets);
            }
            _ => {}
        }
    }
    let left_out = runs.iter().map(|run| Some(run.events_left_out));
    table.counts("events_left_out", "Occurrences counted without an event.", left_out);
    let hashes = StringArray::from_iter_values(runs.iter().map(|_| defs.hash.as_str()));
    table.add(field("definitions", DataType::Utf8, true, "", "Hash of the definition set."), Arc::new(hashes));
    table.batch()
}

/// Events of one vehicle as a batch; `days` are the service days in which their runs began.
pub fn events(defs: &Definitions, rules: &Rules, vehicle: &str, events: &[EventRow], days: &[Date]) -> RecordBatch {
    let mut table = Assembly::default();
    table.times("time", "When it was counted.", events.iter().map(|event| Some(event.time_us)));
    let names = same_word(vehicle, events.len());
    table.add(field("vehicle", word_type(), true, "", "Fleet number."), names);
    table.dates("service_day", "Service day in which its run began.", days.iter().copied());
    let counter = |event: &EventRow| rules.counters.get(event.counter);
    table.words("counter", "What counted it.", events.iter().map(|e| counter(e).map(|c| c.name.as_str())));
    table.numbers("amount", "", "1, or how much a counter grew.", events.iter().map(|event| Some(event.amount)));
    table.times("end", "When the condition ceased.", events.iter().map(|event| event.end_us));
    table.times("run_start", "Start of its run.", events.iter().map(|event| Some(event.run_start_us)));
    table.numbers("latitude", "deg", "Where, if known.", events.iter().map(|event| event.latitude));
    table.numbers("longitude", "deg", "Where, if known.", events.iter().map(|event| event.longitude));
    let mut kept: Vec<SignalRef> = rules.counters.iter().flat_map(|counter| counter.keep.iter().copied()).collect();
    kept.sort_by_key(|place| defs.path(*place));
    kept.dedup();
    for place in kept {
        let value = |event: &EventRow| {
            let at = counter(event)?.keep.iter().position(|kept| *kept == place)?;
            event.kept.get(at).copied().flatten()
        };
        let (name, signal) = (defs.path(place), defs.at(place));
        match signal.column {
            Column::Label => {
                let words: Vec<Option<String>> = events
                    .iter()
                    .map(|event| {
                        let raw = value(event)? as u64;
                        Some(signal.label(raw).map_or_else(|| raw.to_string(), str::to_owned))
                    })
                    .collect();
                table.words(&name, &signal.about, words.iter().map(Option::as_deref));
            }
            Column::Flag => {
                let flags = BooleanArray::from_iter(events.iter().map(|event| value(event).map(|flag| flag == 1.0)));
                table.add(field(&name, DataType::Boolean, true, "", &signal.about), Arc::new(flags));
            }
            _ => table.numbers(&name, &signal.unit, &signal.about, events.iter().map(value)),
        }
    }
    table.batch()
}
