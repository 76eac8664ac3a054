//! What was filed: one record a capture, and an index of all of them in memory.
//!
//! A record is a file of its own, `filed/<id>.json`, until its day is closed; then it goes into its month's file,
//! `filed/month=2026-03.jsonl.zst`, a line each: years of captures are some dozens of files. The index holds what
//! filing asks at every capture: which are known, when each vehicle was recorded, what is still to be counted.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use super::error::{StoreError, io_error};
use super::{Change, Filed, Store, read};
use crate::frame::TimeUs;

/// Level of zstd for records: they are written once a day, and small.
const ZSTD_LEVEL: i32 = 3;

/// One vehicle's part of a capture, as the index knows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// The capture.
    pub capture: CaptureKey,
    /// First time, µs.
    pub first_us: TimeUs,
    /// Last time, µs.
    pub last_us: TimeUs,
    /// Frames of it in the capture.
    pub frames: u64,
    /// Whether its runs are still to be counted.
    pub due: bool,
}

/// A capture's id as a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CaptureKey(u128);

impl CaptureKey {
    /// Of an id in hexadecimal; of any other text, its hash.
    pub fn of(id: &str) -> Self {
        Self(u128::from_str_radix(id, 16).unwrap_or_else(|_| twox_hash::XxHash3_128::oneshot(id.as_bytes())))
    }
}

impl std::fmt::Display for CaptureKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:032x}", self.0)
    }
}

/// All records in short.
#[derive(Debug, Default)]
pub struct Index {
    /// Earliest time of each capture.
    captures: HashMap<CaptureKey, TimeUs>,
    sizes: HashSet<u64>,
    vehicles: BTreeMap<String, Parts>,
    due: BTreeSet<(String, TimeUs, CaptureKey)>,
}

/// One vehicle's parts, by their beginning.
#[derive(Debug, Default)]
struct Parts {
    by_start: BTreeMap<(TimeUs, CaptureKey), Part>,
    /// Length of the longest: how far back one may begin that reaches an instant.
    longest_us: i64,
}

impl Index {
    /// Takes a record in, in place of an earlier state of it.
    fn take(&mut self, filed: &Filed) {
        let capture = CaptureKey::of(&filed.id);
        let earliest = filed.vehicles.iter().map(|part| part.first_us).min().unwrap_or_default();
        self.captures.insert(capture, earliest);
        self.sizes.insert(filed.bytes);
        for part in &filed.vehicles {
            let due = filed.counts_due.contains(&part.vehicle);
            let (first_us, last_us, frames) = (part.first_us, part.last_us, part.frames);
            let parts = self.vehicles.entry(part.vehicle.clone()).or_default();
            parts.by_start.insert((first_us, capture), Part { capture, first_us, last_us, frames, due });
            parts.longest_us = parts.longest_us.max(last_us.saturating_sub(first_us));
            let key = (part.vehicle.clone(), first_us, capture);
            if due {
                self.due.insert(key);
            } else {
                self.due.remove(&key);
            }
        }
    }

    /// Captures filed.
    pub fn len(&self) -> usize {
        self.captures.len()
    }

    /// Whether nothing was filed.
    pub fn is_empty(&self) -> bool {
        self.captures.is_empty()
    }

    /// Whether a capture of so many bytes was filed.
    pub fn has_size(&self, bytes: u64) -> bool {
        self.sizes.contains(&bytes)
    }

    /// Parts of a vehicle that lie within `near_us` of a span, by their beginning.
    pub fn near(&self, vehicle: &str, span: &RangeInclusive<TimeUs>, near_us: i64) -> Vec<Part> {
        let Some(parts) = self.vehicles.get(vehicle) else { return Vec::new() };
        let from = span.start().saturating_sub(near_us).saturating_sub(parts.longest_us);
        let until = span.end().saturating_add(near_us);
        let within = parts.by_start.range((from, CaptureKey(0))..=(until, CaptureKey(u128::MAX)));
        within.map(|(_, part)| *part).filter(|part| part.last_us.saturating_add(near_us) >= *span.start()).collect()
    }

    /// The stretch of recording that `own` belongs to: all parts with no silence longer than `gap_us` between them.
    pub fn stretch(&self, vehicle: &str, own: RangeInclusive<TimeUs>, gap_us: i64) -> Stretch {
        let mut stretch = Stretch { span: own, parts: Vec::new() };
        let Some(parts) = self.vehicles.get(vehicle) else { return stretch };
        let (mut start, mut end) = stretch.span.into_inner();
        // Each way in one walk; a part found on the way back may reach beyond the end, so perhaps once more.
        loop {
            let before = (start, end);
            for (_, part) in parts.by_start.range(..(start, CaptureKey(0))).rev() {
                if part.first_us.saturating_add(parts.longest_us).saturating_add(gap_us) < start {
                    break;
                }
                if part.last_us.saturating_add(gap_us) >= start {
                    (start, end) = (part.first_us, end.max(part.last_us));
                }
            }
            for (_, part) in parts.by_start.range((start, CaptureKey(0))..) {
                if part.first_us > end.saturating_add(gap_us) {
                    break;
                }
                end = end.max(part.last_us);
            }
            if before == (start, end) {
                break;
            }
        }
        let within = parts.by_start.range((start, CaptureKey(0))..=(end, CaptureKey(u128::MAX)));
        stretch.parts = within.map(|(_, part)| *part).collect();
        stretch.span = start..=end;
        stretch
    }

    /// Parts that are still to be counted, by vehicle and beginning.
    pub fn due(&self) -> impl Iterator<Item = (&str, TimeUs, CaptureKey)> {
        self.due.iter().map(|(vehicle, first_us, capture)| (vehicle.as_str(), *first_us, *capture))
    }

    /// A part by its place.
    pub fn part(&self, vehicle: &str, first_us: TimeUs, capture: CaptureKey) -> Option<Part> {
        self.vehicles.get(vehicle)?.by_start.get(&(first_us, capture)).copied()
    }

    /// Vehicles of which something was filed.
    pub fn vehicles(&self) -> impl Iterator<Item = &str> {
        self.vehicles.keys().map(String::as_str)
    }
}

/// Captures of one vehicle without a silence between them that ends a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// From the first instant to the last.
    pub span: RangeInclusive<TimeUs>,
    /// The parts, by their beginning.
    pub parts: Vec<Part>,
}

impl Store {
    /// Asks the index, which is read the first time.
    ///
    /// # Errors
    /// A record cannot be read.
    pub fn with_index<T>(&self, ask: impl FnOnce(&Index) -> T) -> Result<T, StoreError> {
        let mut index = self.index.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if index.is_none() {
            let mut fresh = Index::default();
            self.each_record(&mut |filed| fresh.take(&filed))?;
            *index = Some(fresh);
        }
        Ok(ask(index.get_or_insert_default()))
    }

    /// Tells the index what a change left, if it is there.
    pub(super) fn index_takes<'a>(&self, records: impl Iterator<Item = &'a Filed>) {
        let mut index = self.index.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(index) = index.as_mut() {
            records.for_each(|filed| index.take(filed));
        }
    }

    /// Forgets the index: it is read again when it is asked next.
    pub(super) fn forget_index(&self) {
        *self.index.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = None;
    }

    /// Records of all captures filed here, by id.
    ///
    /// # Errors
    /// A record cannot be read.
    pub fn filed(&self) -> Result<BTreeMap<String, Filed>, StoreError> {
        let mut records = BTreeMap::new();
        self.each_record(&mut |filed| {
            records.insert(filed.id.clone(), filed);
        })?;
        Ok(records)
    }

    /// The record of one capture; none where it was not filed.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn record(&self, id: &str) -> Result<Option<Filed>, StoreError> {
        let key = CaptureKey::of(id);
        let Some(earliest) = self.with_index(|index| index.captures.get(&key).copied())? else { return Ok(None) };
        let path = self.record_path(id);
        match fs::read(&path) {
            Ok(text) => return parsed(&text, &path).map(Some),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(io_error(&path, "reading")(error)),
        }
        let mut found = None;
        each_line(&self.pack_path(earliest), &mut |filed| {
            if filed.id == id {
                found = Some(filed);
            }
        })?;
        Ok(found)
    }

    pub(super) fn record_path(&self, id: &str) -> PathBuf {
        self.root.join("filed").join(format!("{id}.json"))
    }

    /// File of the records of a month, by an instant in it, UTC.
    fn pack_path(&self, time_us: TimeUs) -> PathBuf {
        let nearest = if time_us < 0 { jiff::Timestamp::MIN } else { jiff::Timestamp::MAX };
        let at = jiff::Timestamp::from_microsecond(time_us).unwrap_or(nearest);
        let date = jiff::tz::TimeZone::UTC.to_datetime(at).date();
        self.root.join("filed").join(format!("month={:04}-{:02}.jsonl.zst", date.year(), date.month()))
    }

    /// Every record: those of packed months first, so that a record's own file has the last word.
    fn each_record(&self, take: &mut dyn FnMut(Filed)) -> Result<(), StoreError> {
        let (mut packs, mut singles) = (Vec::new(), Vec::new());
        for path in read::entries(&self.root.join("filed"))? {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            if name.ends_with(".jsonl.zst") {
                packs.push(path);
            } else if name.ends_with(".json") {
                singles.push(path);
            }
        }
        for path in packs {
            each_line(&path, take)?;
        }
        for path in singles {
            match fs::read(&path) {
                Ok(text) => take(parsed(&text, &path)?),
                // Another process has packed it in the meantime, into a file that was read before: once more.
                Err(error) if error.kind() == std::io::ErrorKind::NotFound && self.lock.is_none() => {
                    return self.each_record(take);
                }
                Err(error) => return Err(io_error(&path, "reading")(error)),
            }
        }
        Ok(())
    }

    /// Puts records of captures that ended before an instant, and of which nothing is to be counted, into the files of
    /// their months. Gives their number.
    ///
    /// # Errors
    /// The store cannot be read or written.
    pub fn pack_records(&self, before_us: TimeUs) -> Result<usize, StoreError> {
        let mut months: BTreeMap<PathBuf, Vec<(PathBuf, Filed)>> = BTreeMap::new();
        for path in read::entries(&self.root.join("filed"))? {
            if path.extension().is_none_or(|extension| extension != "json") {
                continue;
            }
            let filed = parsed(&fs::read(&path).map_err(io_error(&path, "reading"))?, &path)?;
            let over = filed.vehicles.iter().all(|part| part.last_us < before_us);
            // One without a frame has no month; there are few of them.
            let earliest = filed.vehicles.iter().map(|part| part.first_us).min();
            if let (true, true, Some(earliest)) = (over, filed.counts_due.is_empty(), earliest) {
                months.entry(self.pack_path(earliest)).or_default().push((path, filed));
            }
        }
        let mut packed = 0;
        for (pack, records) in months {
            let mut lines: BTreeMap<(TimeUs, String), Filed> = BTreeMap::new();
            let mut change = Change::default();
            let mut take = |filed: Filed| {
                let earliest = filed.vehicles.iter().map(|part| part.first_us).min().unwrap_or_default();
                lines.insert((earliest, filed.id.clone()), filed);
            };
            if pack.exists() {
                each_line(&pack, &mut take)?;
            }
            packed += records.len();
            for (path, filed) in records {
                change.remove(self, &path);
                take(filed);
            }
            let passing = self.incoming();
            write_lines(&passing, lines.values())?;
            change.put(self, &passing, &pack);
            self.commit(&change)?;
        }
        Ok(packed)
    }
}

fn parsed(text: &[u8], path: &Path) -> Result<Filed, StoreError> {
    serde_json::from_slice(text).map_err(|error| StoreError::Record { path: path.to_owned(), why: error.to_string() })
}

/// Every record of a month's file; nothing where there is none.
fn each_line(path: &Path, take: &mut dyn FnMut(Filed)) -> Result<(), StoreError> {
    let file = match fs::File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(io_error(path, "opening")(error)),
    };
    let decoder = zstd::stream::read::Decoder::new(file).map_err(io_error(path, "reading"))?;
    let mut reader = BufReader::with_capacity(1 << 17, decoder);
    let mut line = Vec::new();
    loop {
        line.clear();
        if reader.read_until(b'\n', &mut line).map_err(io_error(path, "reading"))? == 0 {
            return Ok(());
        }
        take(parsed(&line, path)?);
    }
}

fn write_lines<'a>(path: &Path, records: impl Iterator<Item = &'a Filed>) -> Result<(), StoreError> {
    let file = fs::File::create(path).map_err(io_error(path, "creating"))?;
    let mut out = zstd::stream::write::Encoder::new(file, ZSTD_LEVEL).map_err(io_error(path, "writing"))?;
    // A checksum, so that a damaged file is told, not read.
    out.include_checksum(true).map_err(io_error(path, "writing"))?;
    for record in records {
        let mut line = serde_json::to_vec(record)
            .map_err(|error| StoreError::Record { path: path.to_owned(), why: error.to_string() })?;
        line.push(b'\n');
        out.write_all(&line).map_err(io_error(path, "writing"))?;
    }
    out.finish().map(drop).map_err(io_error(path, "writing"))
}
