//! Sorted pieces and counted runs → one change of the store.
//!
//! Frames that the store has already, from captures that overlap, are written once. Where a capture joins a stretch of
//! recording that was counted before, that stretch is counted again from the store, not added to.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;

use super::counting::{Counted, Counting, routes_of};
use super::{BLOCK_FRAMES, FilingError, Sorted, Table, sort_capture};
use crate::capture::{self, Capture, ReadOptions};
use crate::day::ServiceDays;
use crate::decode::Router;
use crate::defs::Definitions;
use crate::frame::{FrameBlock, TimeUs};
use crate::run::Place;
use crate::store::read::{FrameReader, file_prefix, files_of};
use crate::store::{Change, Filed, Store, StoreError, VehicleFiled, order, summary};
use crate::table::{health, runs};

/// Everything that filing needs besides the capture.
pub struct Desk<'a> {
    /// Where it goes.
    pub store: &'a Store,
    /// What decodes it.
    pub defs: &'a Definitions,
    /// Whose it is.
    pub settings: &'a super::Settings,
    /// Special work of the overhead.
    pub places: &'a [Place],
}

/// What came of a capture.
#[derive(Debug)]
pub enum Outcome {
    /// It was filed.
    Filed(Filed),
    /// The very same capture was filed before; nothing was changed.
    Known(Filed),
}

impl Outcome {
    /// The record.
    pub fn record(&self) -> &Filed {
        match self {
            Self::Filed(record) | Self::Known(record) => record,
        }
    }
}

impl Desk<'_> {
    /// Files a capture file. `progress` is told the bytes read.
    ///
    /// # Errors
    /// It cannot be read, or the store not be written; then the store is as it was.
    pub fn file(&self, path: &Path, progress: &mut (dyn FnMut(u64) + Send)) -> Result<Outcome, FilingError> {
        let known = self.store.filed()?;
        let size = std::fs::metadata(path).map(|metadata| metadata.len()).unwrap_or(0);
        if known.values().any(|record| record.bytes == size)
            && let Some(record) = hash_of(path).and_then(|id| known.get(&id))
        {
            return Ok(Outcome::Known(record.clone()));
        }
        let mut capture = capture::open_with(path, ReadOptions { content_hash: true, ..ReadOptions::default() })?;
        self.file_capture(&mut capture, progress)
    }

    /// Files an opened capture; it must have been opened with its content hash asked for.
    ///
    /// # Errors
    /// It cannot be read, or the store not be written; then the store is as it was.
    pub fn file_capture(
        &self,
        capture: &mut Capture,
        progress: &mut (dyn FnMut(u64) + Send),
    ) -> Result<Outcome, FilingError> {
        self.count_what_is_due()?;
        let sorted = sort_capture(self, capture, progress)?;
        let hash = capture.content_hash()?.unwrap_or_default();
        let id = format!("{hash:032x}");
        let known = self.store.filed()?;
        if let Some(record) = known.get(&id) {
            for piece in &sorted.pieces {
                self.store.discard(&piece.file.path)?;
            }
            return Ok(Outcome::Known(record.clone()));
        }
        self.store.keep_definitions(self.defs)?;
        let mut filed = self.record(&id, capture, &sorted);
        let mut change = Change::default();
        let mut stretches = BTreeMap::new();
        for (vehicle, part) in &sorted.parts {
            let own = part.first_us..=part.last_us;
            let others: Vec<_> = parts_of(known.values(), vehicle).collect();
            let shares = others.iter().any(|other| meets(other, &own, 0));
            let shared = self.put_pieces(&mut change, &sorted, vehicle, &id, shares)?;
            if let Some(entry) = filed.vehicles.iter_mut().find(|entry| entry.vehicle == *vehicle) {
                entry.known_frames = shared;
            }
            let joined = self.stretch(&others, own.clone());
            if joined != own {
                stretches.insert(vehicle.clone(), joined);
            }
        }
        for (vehicle, counted) in &sorted.counted {
            let part = sorted.parts.get(vehicle).map(|part| part.first_us).unwrap_or_default();
            let several = sorted.parts.len() > 1;
            let told = |text: &String| if several { format!("vehicle {vehicle}: {text}") } else { text.clone() };
            filed.remarks.extend(counted.remarks.iter().map(told));
            filed.notes.extend(counted.notes.iter().map(told));
            if !stretches.contains_key(vehicle) {
                self.put_summaries(&mut change, vehicle, part, &id, counted)?;
            }
        }
        order::put(self.store, &mut change, &id, &sorted.late(self.defs))?;
        filed.counts_due = stretches.into_keys().collect();
        change.record(filed.clone());
        self.store.commit(&change)?;
        self.count_what_is_due()?;
        Ok(Outcome::Filed(filed))
    }

    fn record(&self, id: &str, capture: &Capture, sorted: &Sorted) -> Filed {
        let vehicles = sorted
            .parts
            .iter()
            .map(|(vehicle, part)| VehicleFiled {
                vehicle: vehicle.clone(),
                frames: part.order.frames,
                known_frames: 0,
                first_us: part.first_us,
                last_us: part.last_us,
                buses: sorted.buses.clone(),
                frames_hash: part.order.hash(),
            })
            .collect();
        Filed {
            id: id.to_owned(),
            source: capture.name().to_owned(),
            bytes: capture.bytes_read(),
            definition_set: self.defs.name.clone(),
            definitions: self.defs.hash.clone(),
            zone: self.settings.days.zone_name().map(str::to_owned),
            vehicles,
            remarks: capture.tally().remarks(),
            notes: Vec::new(),
            counts_due: Vec::new(),
        }
    }

    /// Puts one vehicle's pieces at their places. Gives the number of frames that the store had already.
    fn put_pieces(
        &self,
        change: &mut Change,
        sorted: &Sorted,
        vehicle: &str,
        id: &str,
        shares: bool,
    ) -> Result<u64, StoreError> {
        let mut places: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for piece in sorted.pieces.iter().filter(|piece| piece.key.vehicle == vehicle) {
            places.entry((piece.key.table, piece.key.date)).or_default().push(piece.file.path.clone());
        }
        let mut shared = 0;
        for ((table, date), pieces) in places {
            let folder = match table {
                Table::Message(message) => self.store.signals_folder(&self.defs.messages[message].name, date),
                Table::Raw => self.store.raw_folder(date),
            };
            let mut to = folder.join(format!("{}{}.parquet", file_prefix(vehicle), short(id)));
            let existing = if shares { files_of(&folder, vehicle)? } else { Vec::new() };
            match (pieces.as_slice(), existing.as_slice()) {
                ([one], []) => change.put(self.store, one, &to),
                (_, []) => {
                    let merged = self.store.merged(std::slice::from_ref(&pieces), false)?;
                    pieces.iter().try_for_each(|piece| self.store.discard(piece))?;
                    change.put(self.store, &merged.path, &to);
                }
                (_, existing) => {
                    self.store.check_definitions(existing, self.defs)?;
                    let sources = [existing.to_vec(), pieces];
                    let merged = self.store.merged(&sources, true)?;
                    sources[1].iter().try_for_each(|piece| self.store.discard(piece))?;
                    shared += merged.shared;
                    if let Some(merged_before) = existing.iter().find(|path| !is_own(path, vehicle)) {
                        to.clone_from(merged_before);
                    }
                    existing.iter().for_each(|path| change.remove(self.store, path));
                    change.put(self.store, &merged.path, &to);
                }
            }
        }
        Ok(shared)
    }

    /// The stretch of recording that `own` joins: all captures with no silence between them that ends a run.
    fn stretch(&self, others: &[&VehicleFiled], own: RangeInclusive<TimeUs>) -> RangeInclusive<TimeUs> {
        let gap_us = self.defs.rules.as_ref().map_or(0, |rules| rules.gap_us);
        let mut stretch = own;
        loop {
            let before = stretch.clone();
            for other in others.iter().filter(|other| meets(other, &before, gap_us)) {
                stretch = *stretch.start().min(&other.first_us)..=*stretch.end().max(&other.last_us);
            }
            if stretch == before {
                return stretch;
            }
        }
    }

    fn put_summaries(
        &self,
        change: &mut Change,
        vehicle: &str,
        recording_us: TimeUs,
        id: &str,
        counted: &Counted,
    ) -> Result<(), StoreError> {
        let days = &self.settings.days;
        let name = format!("{}{}.parquet", file_prefix(vehicle), short(id));
        let mut put = |table: &str, date, batch: arrow_array::RecordBatch| -> Result<(), StoreError> {
            let written = summary::write(self.store, table, &summary::with_recording(&batch, recording_us))?;
            let to = self.store.month_folder(table, date).join(&name);
            change.put(self.store, &written.path, &to);
            Ok(())
        };
        if let Some(rules) = &self.defs.rules {
            for (date, rows) in by_month(days, &counted.runs, |run| run.start_us) {
                let dates: Vec<_> = rows.iter().map(|run| days.of(run.start_us).date).collect();
                put(runs::RUNS, date, runs::runs(self.defs, rules, vehicle, &rows, &dates))?;
            }
            for (date, rows) in by_month(days, &counted.events, |event| event.run_start_us) {
                let dates: Vec<_> = rows.iter().map(|event| days.of(event.run_start_us).date).collect();
                put(runs::EVENTS, date, runs::events(self.defs, rules, vehicle, &rows, &dates))?;
            }
        }
        for (date, rows) in by_month(days, &counted.buses, |row| row.hour_start_us) {
            put(health::BUSES, date, health::buses(self.defs, vehicle, &rows, days))?;
        }
        for (date, rows) in by_month(days, &counted.messages, |row| row.hour_start_us) {
            put(health::MESSAGES, date, health::messages(self.defs, vehicle, &rows, days))?;
        }
        Ok(())
    }

    /// Counts the stretches again that late captures have joined. Goes on where a power cut left it.
    ///
    /// # Errors
    /// The store cannot be read or written.
    pub fn count_what_is_due(&self) -> Result<(), StoreError> {
        let records = self.store.filed()?;
        for record in records.values().filter(|record| !record.counts_due.is_empty()) {
            let mut change = Change::default();
            for vehicle in &record.counts_due {
                let others: Vec<_> = parts_of(records.values(), vehicle).collect();
                let Some(own) = record.vehicles.iter().find(|part| part.vehicle == *vehicle) else { continue };
                let stretch = self.stretch(&others, own.first_us..=own.last_us);
                tracing::info!(vehicle, "counting again, from the store, a stretch that a capture has joined");
                let counted = self.count_again(vehicle, stretch.clone())?;
                summary::drop_rows(self.store, &mut change, vehicle, &stretch)?;
                self.put_summaries(&mut change, vehicle, *stretch.start(), &record.id, &counted)?;
            }
            change.record(Filed { counts_due: Vec::new(), ..record.clone() });
            self.store.commit(&change)?;
        }
        Ok(())
    }

    /// Counts one vehicle's frames of a span as the store has them.
    fn count_again(&self, vehicle: &str, span: RangeInclusive<TimeUs>) -> Result<Counted, StoreError> {
        let mut reader = FrameReader::open(self.store, vehicle, span)?;
        let mut router = Router::new(self.defs, &[]);
        let mut channels = Vec::new();
        let mut counting = Counting::new(self.defs, self.places);
        let (mut block, mut ranks) = (FrameBlock::default(), Vec::new());
        loop {
            block.clear();
            ranks.clear();
            let more = reader.fill(&mut block, &mut ranks, BLOCK_FRAMES)?;
            for bus in &reader.buses()[router.channel_count()..] {
                let bus = self.defs.bus(bus);
                router.add_channel(bus);
                channels.push(bus);
            }
            let routes = routes_of(&mut router, self.defs, &block);
            counting.take(&block, &routes, &channels, 0..block.len());
            if !more {
                return Ok(counting.finish());
            }
        }
    }
}

/// Rows by the month of their service day, each with a date in it.
fn by_month<T: Clone>(days: &ServiceDays, rows: &[T], time: impl Fn(&T) -> TimeUs) -> Vec<(jiff::civil::Date, Vec<T>)> {
    let mut months: BTreeMap<(i16, i8), (jiff::civil::Date, Vec<T>)> = BTreeMap::new();
    for row in rows {
        let date = days.of(time(row)).date;
        months.entry((date.year(), date.month())).or_insert_with(|| (date, Vec::new())).1.push(row.clone());
    }
    months.into_values().collect()
}

fn parts_of<'a>(records: impl Iterator<Item = &'a Filed>, vehicle: &'a str) -> impl Iterator<Item = &'a VehicleFiled> {
    records.flat_map(|record| &record.vehicles).filter(move |part| part.vehicle == vehicle)
}

/// Whether a part lies within `near_us` of a span.
fn meets(part: &VehicleFiled, span: &RangeInclusive<TimeUs>, near_us: i64) -> bool {
    part.first_us <= span.end().saturating_add(near_us) && part.last_us.saturating_add(near_us) >= *span.start()
}

fn is_own(path: &Path, vehicle: &str) -> bool {
    path.file_name().unwrap_or_default().to_string_lossy().starts_with(&file_prefix(vehicle))
}

/// Enough of a hash to tell files of one vehicle and day apart.
fn short(id: &str) -> &str {
    id.get(..12).unwrap_or(id)
}

fn hash_of(path: &Path) -> Option<String> {
    let file = std::fs::File::open(path).ok()?;
    let mut reader = std::io::BufReader::with_capacity(1 << 20, file);
    let mut hasher = twox_hash::XxHash3_128::new();
    loop {
        let chunk = std::io::BufRead::fill_buf(&mut reader).ok()?;
        if chunk.is_empty() {
            return Some(format!("{:032x}", hasher.finish_128()));
        }
        let read = chunk.len();
        hasher.write(chunk);
        std::io::BufRead::consume(&mut reader, read);
    }
}
