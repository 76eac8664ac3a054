//! `restore`: frames back out of a store.

use std::path::Path;

use anyhow::{Context, Result, bail};

use super::{Done, say};
use crate::capture::write::{PcapngWriter, open_writer};
use crate::cli::Restore;
use crate::filing::restore::{restore_capture, restore_span};
use crate::frame::Frame;
use crate::report;
use crate::store::{Filed, Store};

pub(super) fn restore(options: &Restore) -> Result<Done> {
    let store = Store::open_to_read(&options.store)?;
    let records: Vec<Filed> = store.filed()?.into_values().collect();
    if options.list {
        return list(records);
    }
    let Some(to) = &options.to else { bail!("where to? name a file with --to") };
    match (&options.capture, &options.vehicle) {
        (Some(wanted), _) => {
            let record = find(&records, wanted)?;
            let buses = record.vehicles.first().map(|part| part.buses.clone()).unwrap_or_default();
            let mut restored = Default::default();
            write(to, &buses, |out| {
                restored = restore_capture(&store, record, &mut |frame| out(frame))?;
                Ok(())
            })?;
            let exact = if restored.exact {
                "exactly the capture as it was filed"
            } else if restored.given_up {
                "not the whole capture: the store gave up frames of its days, for their age or for want of room"
            } else {
                "not exactly the capture: the store has other frames in its span, from captures that overlap it"
            };
            tracing::info!("{} frames, {exact}", restored.frames);
            if !restored.exact {
                tracing::warn!("{}: {exact}", record.source);
                return Ok(Done::InPart);
            }
            Ok(Done::Whole)
        }
        (None, Some(vehicle)) => {
            let mut buses: Vec<String> = records
                .iter()
                .flat_map(|r| &r.vehicles)
                .filter(|p| p.vehicle == *vehicle)
                .flat_map(|p| p.buses.clone())
                .collect();
            buses.sort();
            buses.dedup();
            if buses.is_empty() {
                bail!("nothing of vehicle {vehicle} was filed here; `yardtap restore --list` shows what was");
            }
            let from = options.from.map_or(i64::MIN, jiff::Timestamp::as_microsecond);
            let until = options.until.map_or(i64::MAX, jiff::Timestamp::as_microsecond);
            let mut frames = 0;
            write(to, &buses, |out| {
                frames = restore_span(&store, vehicle, from..=until, &buses, &mut |frame| out(frame))?;
                Ok(())
            })?;
            tracing::info!("{frames} frames");
            Ok(Done::Whole)
        }
        (None, None) => bail!("which frames? name --capture or --vehicle; --list shows what was filed"),
    }
}

type Out<'a> = &'a mut dyn FnMut(&Frame) -> Result<(), Box<dyn std::error::Error + Send + Sync>>;

/// Opens the file, lets `give` write frames, and closes it.
fn write(to: &Path, buses: &[String], give: impl FnOnce(Out<'_>) -> Result<()>) -> Result<()> {
    let names: Vec<Option<&str>> = buses.iter().map(|bus| Some(bus.as_str())).collect();
    if to.as_os_str() == "-" {
        let out = std::io::BufWriter::new(std::io::stdout().lock());
        let mut writer = PcapngWriter::new(out, &names)?;
        give(&mut |frame| Ok(writer.write(frame)?))?;
        writer.finish()?;
    } else {
        let mut writer = open_writer(to, &names, None)?;
        give(&mut |frame| Ok(writer.write(frame)?))?;
        let file = writer.finish()?.finish().with_context(|| format!("writing {}", to.display()))?;
        file.sync_all().with_context(|| format!("syncing {}", to.display()))?;
    }
    Ok(())
}

fn find<'a>(records: &'a [Filed], wanted: &str) -> Result<&'a Filed> {
    let matching: Vec<&Filed> =
        records.iter().filter(|record| record.id.starts_with(wanted) || record.source.ends_with(wanted)).collect();
    match matching.as_slice() {
        [one] => Ok(one),
        [] => bail!("no capture '{wanted}' was filed here; `yardtap restore --list` shows what was"),
        several => bail!("'{wanted}' could be {} captures; write more of the id", several.len()),
    }
}

fn list(mut records: Vec<Filed>) -> Result<Done> {
    records.sort_by_key(|record| record.vehicles.iter().map(|part| part.first_us).min());
    let headings = ["id", "capture", "vehicles", "from", "until", "frames"].map(str::to_owned);
    let time = |us: Option<i64>| {
        us.and_then(|us| jiff::Timestamp::from_microsecond(us).ok()).map_or(String::new(), |at| at.to_string())
    };
    let rows: Vec<Vec<String>> = records
        .iter()
        .map(|record| {
            let parts = &record.vehicles;
            vec![
                record.id.get(..12).unwrap_or(&record.id).to_owned(),
                record.source.clone(),
                parts.iter().map(|part| part.vehicle.as_str()).collect::<Vec<_>>().join(" "),
                time(parts.iter().map(|part| part.first_us).min()),
                time(parts.iter().map(|part| part.last_us).max()),
                parts.iter().map(|part| part.frames).sum::<u64>().to_string(),
            ]
        })
        .collect();
    say(&report::table(&headings, &rows, 5))?;
    Ok(Done::Whole)
}
