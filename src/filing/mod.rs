//! READ FIRST. A capture's way into the store, on one screen: `sort_capture`.
//!
//! ```text
//!  capture ─▶ block ─▶ whose bus ─▶ service day ─▶ lane of its message ─▶ pieces ─┐
//!                          └──────▶ runs, counters, events, health ───────────────┴─▶ one change of the store
//! ```
//!
//! Batches follow each other: while one is read and sorted, the one before is decoded and encoded, and its runs are
//! counted. What is written does not depend on how many threads do it.

mod counting;
mod day_end;
mod file;
mod lane;
mod order;
pub mod restore;
mod sorter;
mod split;

use std::collections::BTreeMap;

use jiff::civil::Date;
use rayon::prelude::*;

use crate::capture::{Capture, CaptureError};
use crate::day::ServiceDays;
use crate::defs::Definitions;
use crate::identity::VinTable;
use crate::run::CutReason;
pub use crate::store::HeardLast;
use crate::store::file::Written;
use crate::store::order::LateFrame;
use crate::store::{Store, StoreError};
use crate::table::raw;
use counting::{Counted, Counting, Counts};
pub use day_end::{Checked, ClosedDay, DayEnd};
pub use file::{Count, Desk, Due, Outcome, Recounted, hash_of};
use lane::{Fill, Lane};
use sorter::{Batch, Sorter};

/// Frames of a block: two megabytes, and enough rows a message to be worth a batch.
pub const BLOCK_FRAMES: usize = 64 * 1024;
/// Lanes wait with at most so many bytes in unfinished row groups, whatever the definitions and the capture.
const WAITING_BYTES_MAX: usize = 80 << 20;
/// Vehicle-days that are written at the same time; a clock that jumps about reopens them as further pieces.
const VEHICLE_DAYS_OPEN_MAX: usize = 3;
/// Service days that one capture may touch.
const DAYS_MAX: usize = 400;

/// How captures are filed.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The agency's clock rule.
    pub days: ServiceDays,
    /// The vehicle, where it is known beforehand.
    pub vehicle: Option<String>,
    /// Vehicle of frames whose vehicle nothing tells.
    pub unknown_vehicle: String,
    /// Who was heard last in the capture that this one goes on from: its [`Filed::heard_last`](crate::store::Filed).
    pub vehicle_before: Option<HeardLast>,
    /// Fleet numbers by VIN.
    pub vins: VinTable,
    /// Bus by channel name.
    pub channels: BTreeMap<String, String>,
    /// Bus of channels without a name, or whose name says nothing.
    pub bus: Option<String>,
}

/// Why a capture was not filed.
#[derive(Debug, thiserror::Error)]
pub enum FilingError {
    /// The capture cannot be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// The store cannot be written.
    #[error(transparent)]
    Store(StoreError),
    /// Somebody asked for an end.
    #[error("stopped before it was done; the store is as it was")]
    Stopped,
}

impl From<StoreError> for FilingError {
    fn from(error: StoreError) -> Self {
        if matches!(error, StoreError::Stopped) { Self::Stopped } else { Self::Store(error) }
    }
}

/// A table that frames go to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Of a message, by index.
    Message(usize),
    /// Of frames that no definition knows.
    Raw,
}

/// What tells lanes apart.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct LaneKey {
    pub(crate) vehicle: String,
    pub(crate) date: Date,
    pub(crate) table: Table,
}

/// A sorted file on its way into the store.
#[derive(Debug)]
pub(crate) struct Piece {
    pub(crate) key: LaneKey,
    pub(crate) file: Written,
}

/// Everything of a capture that is not yet in the store.
pub(crate) struct Sorted {
    parts: BTreeMap<String, sorter::Part>,
    counted: BTreeMap<String, Counted>,
    pub(crate) pieces: Vec<Piece>,
    /// Bus names by channel.
    pub(crate) buses: Vec<String>,
    pub(crate) heard_last: Option<HeardLast>,
}

impl Sorted {
    /// Frames that do not stand in the tables' order.
    fn late(&self, defs: &Definitions) -> Vec<LateFrame> {
        let mut names = vec![String::new(); defs.messages.len() + 1];
        for (message, rank) in order::ranks(defs).into_iter().enumerate() {
            names[rank as usize] = defs.messages.get(message).map_or(raw::NAME.to_owned(), |m| m.name.clone());
        }
        let late = self.parts.iter().flat_map(|(vehicle, part)| {
            part.order.late.iter().map(|late| LateFrame {
                vehicle: vehicle.clone(),
                position: late.position,
                time_us: late.time_us,
                table: names[late.rank as usize].clone(),
            })
        });
        late.collect()
    }
}

/// Reads a capture to its end, writes its rows into pieces and counts its runs. `progress` is told the bytes read.
pub(crate) fn sort_capture(
    desk: &Desk<'_>,
    capture: &mut Capture,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Sorted, FilingError> {
    let Desk { store, defs, settings, places, .. } = *desk;
    let mut sorter = Sorter::new(defs, settings);
    let mut writer = Writer { store, defs, lanes: BTreeMap::new(), batches: 0, pieces: Vec::new() };
    let mut counts = Counts { defs, places, later: desk.count == Count::Later, by_vehicle: BTreeMap::new() };
    let mut batch = sorter.next(capture)?;
    while let Some(mut current) = batch {
        desk.go_on()?;
        progress(current.bytes_read);
        let fills = std::mem::take(&mut current.fills);
        let (next, (written, ())) = rayon::join(
            || sorter.next(capture),
            || rayon::join(|| writer.write(&current, fills), || counts.take(&current)),
        );
        written?;
        batch = next?;
        sorter.recycle(current.block);
    }
    let finish = |(vehicle, counting): (String, Counting<'_>)| (vehicle, counting.finish(CutReason::EndOfRecording));
    let counted = counts.by_vehicle.into_iter().map(finish).collect();
    let (buses, heard_last) = (sorter.buses(), sorter.heard_last());
    Ok(Sorted { pieces: writer.finish()?, parts: sorter.parts, counted, buses, heard_last })
}

/// Lanes, and what has left them.
struct Writer<'a> {
    store: &'a Store,
    defs: &'a Definitions,
    /// With the batch in which each was last written to.
    lanes: BTreeMap<LaneKey, (u64, Lane)>,
    batches: u64,
    pieces: Vec<Piece>,
}

impl Writer<'_> {
    fn write(&mut self, batch: &Batch, fresh: Vec<(LaneKey, Fill)>) -> Result<(), FilingError> {
        self.batches += 1;
        let (store, defs, batches) = (self.store, self.defs, self.batches);
        let buses: Vec<String> = batch.channels.iter().map(|(_, name)| name.clone()).collect();
        for (key, _) in &fresh {
            let (used, lane) = self.lanes.entry(key.clone()).or_insert_with(|| {
                let lane = match key.table {
                    Table::Message(message) => Lane::signals(defs, message, &key.vehicle),
                    Table::Raw => Lane::raw(defs, &buses, &key.vehicle),
                };
                (batches, lane)
            });
            *used = batches;
            lane.know_buses(&buses);
        }
        // A lane may be filled more than once in a batch, where time went to another day and back.
        let mut fills: BTreeMap<LaneKey, Vec<Fill>> = BTreeMap::new();
        for (key, fill) in fresh {
            fills.entry(key).or_default().push(fill);
        }
        let mut jobs: Vec<(&mut Lane, Vec<Fill>)> =
            self.lanes.iter_mut().filter_map(|(key, (_, lane))| fills.remove(key).map(|fills| (lane, fills))).collect();
        // Long ones first, so that no thread is left with a long one at the end.
        jobs.sort_by_key(|(_, fills)| std::cmp::Reverse(fills.iter().map(Fill::len).sum::<usize>()));
        jobs.into_par_iter().with_max_len(1).try_for_each(|(lane, fills)| {
            fills.into_iter().try_for_each(|mut fill| lane.take(store, defs, &mut fill))
        })?;
        self.limit_memory()?;
        self.close_idle()
    }

    /// Ends the largest row groups early where the definitions are so many that they would fill the memory.
    fn limit_memory(&mut self) -> Result<(), FilingError> {
        let mut waiting: Vec<(usize, &mut Lane)> =
            self.lanes.values_mut().map(|(_, lane)| (lane.waiting_bytes(), lane)).collect();
        let mut sum: usize = waiting.iter().map(|(bytes, _)| bytes).sum();
        waiting.sort_by_key(|(bytes, _)| std::cmp::Reverse(*bytes));
        for (bytes, lane) in waiting {
            if sum <= WAITING_BYTES_MAX {
                break;
            }
            lane.end_row_group()?;
            sum -= bytes;
        }
        Ok(())
    }

    /// Ends the lanes of vehicle-days that time has left.
    fn close_idle(&mut self) -> Result<(), FilingError> {
        let mut used: BTreeMap<(String, Date), u64> = BTreeMap::new();
        for (key, (batch, _)) in &self.lanes {
            let last = used.entry((key.vehicle.clone(), key.date)).or_default();
            *last = (*last).max(*batch);
        }
        let mut by_age: Vec<_> = used.into_iter().map(|(group, batch)| (batch, group)).collect();
        by_age.sort();
        let surplus = by_age.len().saturating_sub(VEHICLE_DAYS_OPEN_MAX);
        for (_, (vehicle, date)) in by_age.into_iter().take(surplus) {
            let (idle, kept) = std::mem::take(&mut self.lanes)
                .into_iter()
                .partition(|(key, _)| key.vehicle == vehicle && key.date == date);
            self.lanes = kept;
            self.end(idle)?;
        }
        Ok(())
    }

    fn end(&mut self, lanes: BTreeMap<LaneKey, (u64, Lane)>) -> Result<(), FilingError> {
        let (store, defs) = (self.store, self.defs);
        let ended: Result<Vec<Vec<Piece>>, StoreError> = lanes
            .into_par_iter()
            .map(|(key, (_, lane))| {
                let files = lane.finish(store, defs)?;
                Ok(files.into_iter().map(|file| Piece { key: key.clone(), file }).collect())
            })
            .collect();
        self.pieces.extend(ended?.into_iter().flatten());
        Ok(())
    }

    fn finish(mut self) -> Result<Vec<Piece>, FilingError> {
        let lanes = std::mem::take(&mut self.lanes);
        self.end(lanes)?;
        Ok(self.pieces)
    }
}

/// The bus of a channel, and what it is called: by the configuration, by its own name, by the only bus there is.
///
/// Two interfaces of one bus are one to the store: it keeps frames by bus.
pub fn bus_of_channel(
    defs: &Definitions,
    settings: &Settings,
    channel: usize,
    name: Option<&str>,
) -> (Option<usize>, String) {
    let bus = name
        .and_then(|name| settings.channels.get(name))
        .and_then(|bus| defs.bus(bus))
        .or_else(|| defs.bus(name?))
        .or_else(|| defs.bus(settings.bus.as_ref()?))
        // The first channel, or one without a name: a further one that is named is some other bus.
        .or_else(|| (defs.buses.len() == 1 && (channel == 0 || name.is_none())).then_some(0));
    let known = bus.map(|bus| defs.buses[bus].name.clone());
    let shown = known.or(name.map(str::to_owned)).unwrap_or_else(|| format!("channel {channel}"));
    (bus, shown)
}

/// A number that stands for a bus name.
pub(crate) fn mark_of(bus: &str) -> u64 {
    u64::from(twox_hash::XxHash3_128::oneshot(bus.as_bytes()) as u16)
}
