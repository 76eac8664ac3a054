//! A service day's end: its runs counted, its files merged, what was merged read back and compared with what was filed,
//! and only then the many files freed.
//!
//! A day that does not read back as it was filed stays as it is, and is told.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use rayon::prelude::*;

use super::counting::gap_us;
use super::file::{Desk, Due};
use super::order::OrderWatch;
use super::restore::Reorder;
use super::{BLOCK_FRAMES, FilingError, mark_of};
use crate::frame::{Frame, FrameBlock, Meta, TimeUs};
use crate::store::read::{FrameReader, Instead, dated_folders, parquet_files};
use crate::store::records::Part;
use crate::store::retention::{GivenUp, Room, Rules, plan};
use crate::store::{Change, Closed, StoreError, VehicleFiled, order};

/// How far captures that lie over each other, one after another, are followed beyond the day.
const REACH_US: i64 = 86_400_000_000;

/// What a day's end did.
#[derive(Debug, Default, Clone)]
pub struct DayEnd {
    /// Days that were closed, by date.
    pub days: Vec<ClosedDay>,
    /// Days that do not read back as they were filed, and what is wrong: they stay as they are.
    pub left_open: Vec<(Date, String)>,
    /// Files of summaries before and after.
    pub months: Closed,
    /// Records that went into the files of their months.
    pub packed: usize,
}

/// A day that was closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosedDay {
    /// Its date.
    pub date: Date,
    /// Files before.
    pub files_before: usize,
    /// Files after.
    pub files_after: usize,
    /// What was read back.
    pub checked: Checked,
}

/// What was read back, and is as it was filed.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Checked {
    /// Captures that come back frame for frame, in their order.
    pub exact: usize,
    /// Captures that lie over others: their frames are all there, and no other.
    pub together: usize,
    /// Captures of which that cannot be told: some of their frames were given up, they lie over
    /// each other for days on end, or they were filed before sums were kept.
    pub unknown: usize,
    /// Frames read.
    pub frames: u64,
}

impl Desk<'_> {
    /// Closes all service days before a date that are open. `progress` is told the date at work.
    ///
    /// Asked to stop, it ends after the day at work or gives it up; days closed before stay closed.
    ///
    /// # Errors
    /// The store cannot be read or written, or somebody asked for an end.
    pub fn close_before(
        &self,
        date: Date,
        now_us: TimeUs,
        progress: &mut dyn FnMut(Date),
    ) -> Result<DayEnd, FilingError> {
        let until_us = self.settings.days.on(date).start_us;
        self.count_due(Due::Before { now_us, until_us })?;
        self.store.recover()?;
        let mut end = DayEnd::default();
        let mut open: BTreeMap<Date, Vec<PathBuf>> = BTreeMap::new();
        for (of, folder) in dated_folders(self.store)? {
            if of < date && parquet_files(&folder)?.iter().any(|path| !is_merged(path)) {
                open.entry(of).or_default().push(folder);
            }
        }
        for (of, folders) in open {
            progress(of);
            let closed = self.close_one(of, &folders);
            if closed.is_err() {
                let _left_for_the_next_opening = self.store.clear_incoming();
            }
            match closed? {
                Ok(day) => end.days.push(day),
                Err(why) => end.left_open.push((of, why)),
            }
        }
        self.go_on()?;
        end.months = self.store.close_months()?;
        end.packed = self.store.pack_records(until_us)?;
        Ok(end)
    }

    /// Closes a day, or tells why it stays open.
    fn close_one(&self, date: Date, folders: &[PathBuf]) -> Result<Result<ClosedDay, String>, FilingError> {
        let (mut change, mut closed, mut instead) = (Change::default(), Closed::default(), Instead::new());
        let merge = |folder: &PathBuf| {
            let (mut change, mut closed) = (Change::default(), Closed::default());
            let files = self.store.merge_day(folder, &mut change, &mut closed, self.stop)?;
            Ok((folder.clone(), files, change, closed))
        };
        // One at a time a thread: each has its row group in memory.
        let merged: Result<Vec<_>, StoreError> = folders.par_iter().with_max_len(1).map(merge).collect();
        for (folder, files, of_folder, counts) in merged? {
            instead.insert(folder, files);
            change.append(of_folder);
            closed.files_before += counts.files_before;
            closed.files_after += counts.files_after;
        }
        match self.read_back(date, &instead)? {
            Ok(checked) => {
                self.go_on()?;
                self.store.commit(&change)?;
                let Closed { files_before, files_after } = closed;
                Ok(Ok(ClosedDay { date, files_before, files_after, checked }))
            }
            Err(why) => {
                self.store.clear_incoming()?;
                Ok(Err(why))
            }
        }
    }

    /// Looks at what is to be given up, and gives it up. `today`: the service day in which frames come now.
    ///
    /// # Errors
    /// The store cannot be read or written; then nothing was given up.
    pub fn keep_room(
        &self,
        today: Date,
        room: Room,
        rules: &Rules,
        now_us: TimeUs,
    ) -> Result<Vec<GivenUp>, FilingError> {
        let days = self.store.days_by_class(&self.settings.days, gap_us(self.defs))?;
        Ok(self.store.give_up(&plan(&days, today, room, rules), &self.settings.days, now_us)?)
    }

    /// Reads back every capture that has frames of a day.
    fn read_back(&self, date: Date, instead: &Instead) -> Result<Result<Checked, String>, FilingError> {
        let day = self.settings.days.on(date);
        let span = day.start_us..=day.end_us.saturating_sub(1);
        let vehicles: Vec<String> = self.store.with_index(|index| index.vehicles().map(str::to_owned).collect())?;
        let mut checked = Checked::default();
        let given_up = self.store.given_up()?;
        for vehicle in vehicles {
            // A capture over the day's border is read whole; so is what lies over it in turn.
            let clusters = self.store.with_index(|index| {
                let mut clusters: Vec<Cluster> = Vec::new();
                for part in index.near(&vehicle, &span, 0) {
                    if clusters.last().is_none_or(|last| part.first_us > last.until_us) {
                        let stretch = index.stretch(&vehicle, part.first_us..=part.last_us, 0);
                        let (first_us, last_us) = (*stretch.span.start(), *stretch.span.end());
                        let is_gone = given_up.iter().any(|gone| gone.meets(first_us, last_us));
                        let is_endless = first_us < day.start_us.saturating_sub(REACH_US)
                            || last_us > day.end_us.saturating_add(REACH_US);
                        // Of one that cannot be compared, the day's own frames are read.
                        let cannot_tell = is_gone || is_endless;
                        let span = if cannot_tell {
                            first_us.max(*span.start())..=last_us.min(*span.end())
                        } else {
                            stretch.span
                        };
                        clusters.push(Cluster { span, until_us: last_us, parts: stretch.parts, cannot_tell });
                    }
                }
                clusters
            })?;
            if let Err(why) = self.read_back_vehicle(&vehicle, &clusters, instead, &mut checked)? {
                return Ok(Err(why));
            }
        }
        Ok(Ok(checked))
    }

    fn read_back_vehicle(
        &self,
        vehicle: &str,
        clusters: &[Cluster],
        instead: &Instead,
        checked: &mut Checked,
    ) -> Result<Result<(), String>, FilingError> {
        let (Some(first), Some(last)) = (clusters.first(), clusters.last()) else { return Ok(Ok(())) };
        let span = *first.span.start()..=*last.span.end();
        let mut reader = FrameReader::open_with(self.store, vehicle, span, Some(instead))?;
        let tables = reader.tables();
        let mut clusters = clusters.iter();
        let mut at = None;
        let (mut block, mut ranks, mut marks) = (FrameBlock::default(), Vec::new(), Vec::new());
        loop {
            self.go_on()?;
            block.clear();
            ranks.clear();
            let more = reader.fill(&mut block, &mut ranks, BLOCK_FRAMES)?;
            let new_buses = reader.buses()[marks.len()..].iter();
            marks.extend(new_buses.map(|bus| mark_of(bus)));
            for (index, rank) in ranks.iter().enumerate() {
                let frame = block.frame(index);
                while at.as_ref().is_none_or(|check: &Check| *check.cluster.span.end() < frame.time_us) {
                    if let Some(Err(why)) = at.take().map(|check: Check| check.finish(vehicle, &marks, checked)) {
                        return Ok(Err(why));
                    }
                    match clusters.next() {
                        Some(cluster) => at = Some(self.check(vehicle, cluster)?),
                        None => return Ok(Err(stray(vehicle, frame.time_us))),
                    }
                }
                let Some(check) = at.as_mut() else { continue };
                if frame.time_us < *check.cluster.span.start() {
                    return Ok(Err(stray(vehicle, frame.time_us)));
                }
                check.take(&frame, &tables[*rank as usize], &marks);
            }
            if !more {
                break;
            }
        }
        while let Some(check) = at.take() {
            if let Err(why) = check.finish(vehicle, &marks, checked) {
                return Ok(Err(why));
            }
            if let Some(cluster) = clusters.next() {
                at = Some(self.check(vehicle, cluster)?);
            }
        }
        // A vehicle whose frames are all gone has not even begun.
        Ok(clusters.find(|cluster| !cluster.cannot_tell).map_or(Ok(()), |cluster| {
            Err(format!("vehicle {vehicle}: no frame from {} on is there", shown(*cluster.span.start())))
        }))
    }

    fn check<'c>(&self, vehicle: &str, cluster: &'c Cluster) -> Result<Check<'c>, FilingError> {
        let mut wanted = Vec::new();
        for part in cluster.parts.iter().filter(|_| !cluster.cannot_tell) {
            if let Some(record) = self.store.record(&part.capture.to_string())? {
                wanted.extend(record.vehicles.into_iter().find(|entry| entry.vehicle == vehicle));
            }
        }
        let late = match cluster.parts.as_slice() {
            [one] => order::read(self.store, &one.capture.to_string())?,
            _ => Vec::new(),
        };
        let late = late.into_iter().filter(|frame| frame.vehicle == vehicle).collect::<Vec<_>>();
        Ok(Check { cluster, wanted, reorder: Reorder::new(&late), watch: OrderWatch::default() })
    }
}

/// Captures of a vehicle that lie over each other.
struct Cluster {
    span: RangeInclusive<TimeUs>,
    /// Last instant of all of them.
    until_us: TimeUs,
    parts: Vec<Part>,
    /// Some of it was given up, or it goes on for days: then there is nothing to compare with.
    cannot_tell: bool,
}

/// A cluster being read back.
struct Check<'c> {
    cluster: &'c Cluster,
    wanted: Vec<VehicleFiled>,
    reorder: Reorder,
    watch: OrderWatch,
}

impl Check<'_> {
    fn take(&mut self, frame: &Frame, table: &str, marks: &[u64]) {
        let Self { reorder, watch, .. } = self;
        let taken = reorder.take(frame, table, &mut |frame| {
            watched(watch, frame, marks);
            Ok(())
        });
        assert!(taken.is_ok(), "looking at a frame cannot fail");
    }

    /// Compares what came with what was filed.
    fn finish(mut self, vehicle: &str, marks: &[u64], checked: &mut Checked) -> Result<(), String> {
        let Self { reorder, watch, .. } = &mut self;
        let ended = reorder.finish(&mut |frame| {
            watched(watch, frame, marks);
            Ok(())
        });
        assert!(ended.is_ok(), "looking at a frame cannot fail");
        checked.frames += self.watch.frames;
        let captures = self.cluster.parts.len();
        if self.cluster.cannot_tell {
            checked.unknown += captures;
            return Ok(());
        }
        let from = shown(*self.cluster.span.start());
        if let [only] = self.wanted.as_slice()
            && captures == 1
        {
            if only.known_frames == 0 && only.frames_hash == self.watch.hash() && only.frames == self.watch.frames {
                checked.exact += 1;
                return Ok(());
            }
            let (there, filed) = (self.watch.frames, only.frames);
            return Err(format!(
                "vehicle {vehicle}, capture from {from}: {there} frames read back, {filed} filed, and they are not the same"
            ));
        }
        let frames: u64 = self.wanted.iter().map(|part| part.frames.saturating_sub(part.known_frames)).sum();
        let sums: Option<Vec<u64>> = self.wanted.iter().map(|part| sum_of(part.frames_sum.as_deref()?)).collect();
        let sum = sums.map(|sums| sums.into_iter().fold(0, u64::wrapping_add));
        if self.wanted.len() != captures || frames != self.watch.frames {
            let there = self.watch.frames;
            return Err(format!(
                "vehicle {vehicle}, {captures} captures from {from}: {there} frames read back, {frames} filed"
            ));
        }
        match sum {
            Some(sum) if sum != self.watch.sum() => Err(format!(
                "vehicle {vehicle}, {captures} captures from {from}: the {frames} frames read back are not those filed"
            )),
            Some(_) => {
                checked.together += captures;
                Ok(())
            }
            None => {
                checked.unknown += captures;
                Ok(())
            }
        }
    }
}

fn sum_of(text: &str) -> Option<u64> {
    u64::from_str_radix(text, 16).ok()
}

fn stray(vehicle: &str, time_us: TimeUs) -> String {
    format!("vehicle {vehicle}: a frame of {} is of no capture", shown(time_us))
}

fn shown(time_us: TimeUs) -> String {
    jiff::Timestamp::from_microsecond(time_us).map_or_else(|_| format!("{time_us} µs"), |at| at.to_string())
}

fn is_merged(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("merged"))
}

fn watched(watch: &mut OrderWatch, frame: &Frame, marks: &[u64]) {
    let meta = Meta::new(0, frame.kind, frame.flags, frame.len, frame.raw_dlc);
    let mark = marks.get(usize::from(frame.channel)).copied().unwrap_or_default();
    watch.frame(frame.time_us, 0, frame.id, meta, mark, frame.bytes());
}
