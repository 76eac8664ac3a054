//! `runs`: the summary tables of a store.

use std::io::{self, BufWriter, Write};

use anyhow::Result;
use arrow_array::{BooleanArray, RecordBatch};
use jiff::civil::Time;
use jiff::tz::TimeZone;

use super::{Done, quiet_pipe, say};
use crate::cli::{Runs, Shape, Summary};
use crate::day::ServiceDays;
use crate::defs::Definitions;
use crate::report;
use crate::store::{Filed, Store, summary};
use crate::table::signals::words;

pub(super) fn runs(options: &Runs) -> Result<Done> {
    let store = Store::open_to_read(&options.store)?;
    let table = match options.table {
        Summary::Runs => "runs",
        Summary::Events => "events",
        Summary::BusHealth => "bus_health",
        Summary::MessageHealth => "message_health",
    };
    let Some(batch) = summary::whole_table(&store, table)? else {
        if !options.shape.json && !options.shape.csv {
            say(&format!("the store has no {table}"))?;
        }
        return Ok(Done::Whole);
    };
    let batch = select(&batch, options)?;
    if options.table != Summary::Runs {
        show(&batch, options.shape)?;
        return Ok(Done::Whole);
    }
    let newest = newest_record(&store)?;
    let defs = newest.as_ref().map(|record| store.definitions(&record.definitions, &options.store)).transpose()?;
    // Times are shown on the agency's clocks, wherever this computer stands.
    show_runs(&batch, defs.as_ref(), &ServiceDays::new(zone_of(newest), Time::MIN), options.shape)?;
    Ok(Done::Whole)
}

/// The agency's zone, as the newest capture was filed in it.
pub(super) fn zone(store: &Store) -> Result<TimeZone> {
    Ok(zone_of(newest_record(store)?))
}

fn zone_of(record: Option<Filed>) -> TimeZone {
    record.and_then(|record| TimeZone::get(&record.zone?).ok()).unwrap_or(TimeZone::UTC)
}

/// The record of the newest capture.
fn newest_record(store: &Store) -> Result<Option<Filed>> {
    let records = store.filed()?;
    let last = |record: &Filed| record.vehicles.iter().map(|part| part.last_us).max();
    Ok(records.into_values().max_by_key(last))
}

fn select(batch: &RecordBatch, options: &Runs) -> Result<RecordBatch> {
    let vehicles = batch.column_by_name("vehicle").and_then(words).unwrap_or_default();
    let wanted_day = options.day.map(crate::table::runs::days_since_epoch);
    let days = batch.column_by_name("service_day").and_then(|column| {
        arrow_array::cast::AsArray::as_primitive_opt::<arrow_array::types::Date32Type>(column)
            .map(|days| days.values().to_vec())
    });
    let keep: BooleanArray = (0..batch.num_rows())
        .map(|row| {
            let vehicle = options.vehicle.as_ref().is_none_or(|wanted| vehicles.get(row) == Some(wanted));
            let day = wanted_day.is_none_or(|day| days.as_ref().is_some_and(|days| days.get(row) == Some(&day)));
            Some(vehicle && day)
        })
        .collect();
    Ok(arrow_select::filter::filter_record_batch(batch, &keep)?)
}

/// Shows runs in the form asked for.
pub(super) fn show_runs(
    batch: &RecordBatch,
    defs: Option<&Definitions>,
    days: &ServiceDays,
    shape: Shape,
) -> Result<()> {
    if shape.json || shape.csv {
        return show(batch, shape);
    }
    say(&report::runs(batch, defs.and_then(|defs| defs.rules.as_ref()), days))
}

fn show(batch: &RecordBatch, shape: Shape) -> Result<()> {
    let mut out = BufWriter::new(io::stdout().lock());
    let written = if shape.json { report::json_lines(batch, &mut out) } else { report::csv(batch, &mut out) };
    quiet_pipe(written.and_then(|()| out.flush()))
}
