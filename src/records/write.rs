//! [`Records`] → files, as the reader takes them.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::Path;

use csv::{Terminator, WriterBuilder};

use super::columns::{DUTIES, HEADS, INSERTS, Layout, PACKS, READINGS, VEHICLES};
use super::{Fitting, More, Records, geo, limits};
use crate::durable;

/// Writes all files of the records into a folder; what is there under their names is replaced. Lists that are empty give
/// no file.
///
/// # Errors
/// The folder or a file cannot be written.
pub fn write(folder: &Path, records: &Records) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let day = |day: Option<jiff::civil::Date>| day.map_or_else(String::new, |day| day.to_string());
    let number = |number: Option<f64>| number.map_or_else(String::new, |number| number.to_string());
    rows(
        folder,
        &VEHICLES,
        &records.vehicles,
        |v| &v.more,
        |v, column| match column {
            "vehicle" => v.vehicle.clone(),
            "kind" => v.kind.clone(),
            "from" => day(v.from),
            "to" => day(v.to),
            _ => v.yard.clone(),
        },
    )?;
    let fitting = |fitting: &Fitting, column: &str| match column {
        "vehicle" => fitting.vehicle.clone(),
        "side" => fitting.side.clone(),
        "fitted" => fitting.fitted.to_string(),
        "removed" => day(fitting.removed),
        "reason" => fitting.reason.clone(),
        "batch" => fitting.batch.clone(),
        "thickness_fitted_mm" => number(fitting.thickness_fitted_mm),
        "thickness_removed_mm" => number(fitting.thickness_removed_mm),
        _ => fitting.part.clone(),
    };
    rows(folder, &PACKS, &records.packs, |f| &f.more, fitting)?;
    rows(folder, &HEADS, &records.heads, |f| &f.more, fitting)?;
    rows(
        folder,
        &INSERTS,
        &records.inserts,
        |f| &f.more,
        |insert, column| match column {
            "head" => insert.head.clone(),
            column => fitting(insert, column),
        },
    )?;
    rows(
        folder,
        &READINGS,
        &records.readings,
        |r| &r.more,
        |r, column| match column {
            "day" => r.day.to_string(),
            "vehicle" => r.vehicle.clone(),
            "channel" => r.channel.clone(),
            "value" => r.value.to_string(),
            // Values are in the channel's unit.
            "unit" => String::new(),
            _ => r.note.clone(),
        },
    )?;
    rows(
        folder,
        &DUTIES,
        &records.duties,
        |d| &d.more,
        |d, column| match column {
            "vehicle" => d.vehicle.clone(),
            "from" => d.from.to_string(),
            "to" => d.to.to_string(),
            "operator" => d.operator.clone(),
            _ => d.line.clone(),
        },
    )?;
    if !records.channels.is_empty() {
        let text = limits::written(&records.channels).map_err(io::Error::other)?;
        durable::replace(&folder.join(limits::FILE), |out| out.write_all(text.as_bytes()))?;
    }
    let overhead = &records.overhead;
    if !overhead.ways.is_empty() || !overhead.special.is_empty() {
        let text = geo::written(overhead).to_string();
        durable::replace(&folder.join(geo::FILE), |out| out.write_all(text.as_bytes()))?;
    }
    Ok(())
}

fn rows<T>(
    folder: &Path,
    layout: &Layout,
    list: &[T],
    more: fn(&T) -> &More,
    cell: impl Fn(&T, &str) -> String,
) -> io::Result<()> {
    if list.is_empty() {
        return Ok(());
    }
    let others: BTreeSet<&String> = list.iter().flat_map(|row| more(row).keys()).collect();
    durable::replace(&folder.join(layout.file), |out| {
        let mut writer = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(out);
        let own = layout.columns.iter().map(|column| column.name);
        writer.write_record(own.chain(others.iter().map(|name| name.as_str())))?;
        for row in list {
            let own = layout.columns.iter().map(|column| cell(row, column.name));
            let others = others.iter().map(|name| more(row).get(*name).cloned().unwrap_or_default());
            writer.write_record(own.chain(others))?;
        }
        writer.flush()
    })
}
