//! One file of a signals or raw table: what its footer tells, and its rows as frames again, batch by batch.
//!
//! Does not know which rows are wanted in which order; that is for who merges them.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::RecordBatch;
use bytes::Bytes;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};
use parquet::file::metadata::{ParquetMetaData, ParquetMetaDataReader, RowGroupMetaData};
use parquet::file::reader::{ChunkReader, Length};
use parquet::file::statistics::Statistics;

use super::error::{StoreError, io_error, parquet_error};
use super::{BUS_KEY, DEFINITIONS_KEY, SET_KEY, Store, TABLE_KEY};
use crate::decode::rebuild::rebuild;
use crate::defs::{Definitions, Matching};
use crate::frame::{CanId, FrameBlock, Meta, TimeUs};
use crate::table::{raw, signals};

/// Rows rebuilt at once of each file.
const READ_ROWS: usize = 4 * 1024;

/// What a file's footer tells.
#[derive(Debug, Clone)]
pub(crate) struct Footer {
    pub(crate) path: PathBuf,
    /// Hash of the definition set that decoded it.
    pub(crate) definitions: Option<String>,
    /// Its keys and their values, so that a file made of it says the same.
    pub(crate) keys: Vec<(&'static str, String)>,
    pub(crate) rows: u64,
    /// Lowest vehicle, and highest; a long name may be cut short.
    pub(crate) vehicles: Option<(Vec<u8>, Vec<u8>)>,
    /// Earliest time and latest.
    pub(crate) times: Option<(TimeUs, TimeUs)>,
    /// Rows of each row group.
    groups: Vec<i64>,
}

impl Footer {
    /// Reads it; the file is closed again.
    pub(crate) fn read(path: &Path) -> Result<Self, StoreError> {
        let file = File::open(path).map_err(io_error(path, "opening"))?;
        let metadata = ParquetMetaDataReader::new().parse_and_finish(&file).map_err(parquet_error(path))?;
        Ok(Self::of(path, &metadata))
    }

    fn of(path: &Path, metadata: &ParquetMetaData) -> Self {
        let keys = [TABLE_KEY, SET_KEY, DEFINITIONS_KEY, BUS_KEY];
        let keys: Vec<_> = keys.into_iter().filter_map(|key| Some((key, footer_value(metadata, key)?))).collect();
        let groups = metadata.row_groups();
        let (mut vehicles, mut times) = (None::<(Vec<u8>, Vec<u8>)>, None::<(TimeUs, TimeUs)>);
        for group in groups {
            if let Some((low, high)) = names_of(group) {
                let (lowest, highest) = vehicles.get_or_insert_with(|| (low.to_vec(), high.to_vec()));
                if low < lowest.as_slice() {
                    *lowest = low.to_vec();
                }
                if high > highest.as_slice() {
                    *highest = high.to_vec();
                }
            }
            if let Some((first, last)) = times_of(group) {
                let (earliest, latest) = times.get_or_insert((first, last));
                (*earliest, *latest) = ((*earliest).min(first), (*latest).max(last));
            }
        }
        Self {
            path: path.to_owned(),
            definitions: keys.iter().find(|(key, _)| *key == DEFINITIONS_KEY).map(|(_, value)| value.clone()),
            keys,
            rows: u64::try_from(metadata.file_metadata().num_rows()).unwrap_or(0),
            vehicles,
            times,
            groups: groups.iter().map(RowGroupMetaData::num_rows).collect(),
        }
    }

    /// Whether its row groups end where they would in a file that is written in one go, with so many rows in each.
    pub(crate) fn is_regular(&self, group_rows: usize) -> bool {
        let group_rows = group_rows as i64;
        self.groups
            .split_last()
            .is_none_or(|(last, full)| *last <= group_rows && full.iter().all(|rows| *rows == group_rows))
    }
}

/// Lowest vehicle and highest of a row group, where it says.
fn names_of(group: &RowGroupMetaData) -> Option<(&[u8], &[u8])> {
    match group.columns().get(1)?.statistics()? {
        Statistics::ByteArray(names) => Some((names.min_opt()?.data(), names.max_opt()?.data())),
        _ => None,
    }
}

/// Earliest time and latest of a row group, where it says.
fn times_of(group: &RowGroupMetaData) -> Option<(TimeUs, TimeUs)> {
    match group.columns().first()?.statistics()? {
        Statistics::Int64(times) => Some((*times.min_opt()?, *times.max_opt()?)),
        _ => None,
    }
}

/// A value of a file's footer.
pub(super) fn footer_value(metadata: &ParquetMetaData, key: &str) -> Option<String> {
    let pairs = metadata.file_metadata().key_value_metadata()?;
    pairs.iter().find(|pair| pair.key == key).and_then(|pair| pair.value.clone())
}

/// Which rows are wanted.
#[derive(Debug, Clone)]
pub(crate) struct Wanted {
    pub(crate) vehicle: String,
    pub(crate) span: RangeInclusive<TimeUs>,
}

impl Wanted {
    fn may_be_in(&self, group: &RowGroupMetaData) -> bool {
        let in_time = times_of(group).is_none_or(|(first, last)| self.meets(first, last));
        let name = self.vehicle.as_bytes();
        in_time && names_of(group).is_none_or(|(lowest, highest)| lowest <= name && name <= highest)
    }

    fn meets(&self, first: TimeUs, last: TimeUs) -> bool {
        first <= *self.span.end() && last >= *self.span.start()
    }

    /// Whether a file can hold some.
    pub(crate) fn may_be_in_file(&self, footer: &Footer) -> bool {
        let name = self.vehicle.as_bytes();
        footer.times.is_none_or(|(first, last)| self.meets(first, last))
            && footer.vehicles.as_ref().is_none_or(|(lowest, highest)| &lowest[..] <= name && name <= &highest[..])
    }
}

/// Names of buses; a frame's channel is an index into them.
pub(crate) type BusNames = Vec<String>;

/// A file's rows, batch by batch.
pub(crate) struct FileRows {
    path: PathBuf,
    definitions: Option<Arc<Definitions>>,
    table: String,
    bus: String,
    batches: ParquetRecordBatchReader,
    wanted: Option<Wanted>,
    /// Rows of the batch at hand.
    pub(crate) block: FrameBlock,
    /// Vehicles of them: each with the row behind its last.
    pub(crate) vehicles: Vec<(Arc<str>, usize)>,
    /// The row that is next.
    pub(crate) row: usize,
}

impl FileRows {
    /// Opens a file before its first row. `wanted`: only these rows are given.
    pub(crate) fn open(store: &Store, path: &Path, wanted: Option<Wanted>, held: bool) -> Result<Self, StoreError> {
        let file = Source::open(path, held).map_err(io_error(path, "opening"))?;
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(parquet_error(path))?;
        let metadata = builder.metadata().clone();
        let groups: Vec<usize> = (0..metadata.num_row_groups())
            .filter(|group| wanted.as_ref().is_none_or(|wanted| wanted.may_be_in(metadata.row_group(*group))))
            .collect();
        let definitions = match footer_value(&metadata, DEFINITIONS_KEY) {
            None => None,
            Some(hash) => Some(store.known_definitions(&hash, path)?),
        };
        let batches =
            builder.with_row_groups(groups).with_batch_size(READ_ROWS).build().map_err(parquet_error(path))?;
        Ok(Self {
            path: path.to_owned(),
            definitions,
            table: footer_value(&metadata, TABLE_KEY).unwrap_or_default(),
            bus: footer_value(&metadata, BUS_KEY).unwrap_or_default(),
            batches,
            wanted,
            block: FrameBlock::default(),
            vehicles: Vec::new(),
            row: 0,
        })
    }

    /// Whether all rows of the batch at hand are taken.
    pub(crate) fn is_at_end(&self) -> bool {
        self.row >= self.block.len()
    }

    /// Reads the next batch that has a row; false at the end.
    pub(crate) fn load(&mut self, buses: &mut BusNames) -> Result<bool, StoreError> {
        self.row = 0;
        self.block.clear();
        self.vehicles.clear();
        while self.block.is_empty() {
            let Some(batch) = self.batches.next() else { return Ok(false) };
            let batch = batch.map_err(|error| parquet_error(&self.path)(error.into()))?;
            if self.table == raw::NAME && self.bus.is_empty() {
                self.raw(&batch, buses)?;
            } else {
                self.signals(&batch, buses)?;
            }
        }
        Ok(true)
    }

    /// Vehicle and time of the next row.
    pub(crate) fn next(&self) -> Option<(&Arc<str>, TimeUs)> {
        let time_us = *self.block.time_us.get(self.row)?;
        let (vehicle, _) = self.vehicles.iter().find(|(_, end)| self.row < *end)?;
        Some((vehicle, time_us))
    }

    /// Row behind the last one of the next row's vehicle.
    pub(crate) fn vehicle_end(&self) -> usize {
        self.vehicles.iter().map(|(_, end)| *end).find(|end| self.row < *end).unwrap_or(self.block.len())
    }

    fn wants(&self, vehicle: &str, time_us: TimeUs) -> bool {
        self.wanted.as_ref().is_none_or(|wanted| wanted.vehicle == vehicle && wanted.span.contains(&time_us))
    }

    fn raw(&mut self, batch: &RecordBatch, buses: &mut BusNames) -> Result<(), StoreError> {
        let (block, vehicles, names) =
            raw::rows(batch).map_err(|source| StoreError::Table { path: self.path.clone(), source })?;
        for (row, (vehicle, bus)) in vehicles.iter().zip(names).enumerate() {
            if self.wants(vehicle, block.time_us[row]) {
                let mut frame = block.frame(row);
                frame.channel = channel_of(buses, &bus);
                self.block.push(&frame);
                note(&mut self.vehicles, vehicle, self.block.len());
            }
        }
        Ok(())
    }

    fn signals(&mut self, batch: &RecordBatch, buses: &mut BusNames) -> Result<(), StoreError> {
        let path = self.path.clone();
        let lost = || StoreError::DefinitionsLost { path: path.clone(), hash: "of no set".into() };
        let definitions = self.definitions.clone().ok_or_else(lost)?;
        let message = definitions.message(&self.table).ok_or_else(lost)?;
        let message = &definitions.messages[message];
        let rows = signals::rows(message, batch).map_err(|source| StoreError::Table { path: path.clone(), source })?;
        let frames = rebuild(message, &rows.time_us, &rows.source, &rows.columns)
            .map_err(|source| StoreError::Rebuild { path: path.clone(), source })?;
        let channel = channel_of(buses, &self.bus);
        let fixed = match message.matching {
            Matching::Exactly(id) => id,
            Matching::Group { .. } => CanId::default(),
        };
        for (row, vehicle) in rows.vehicle.iter().enumerate() {
            if !self.wants(vehicle, frames.time_us[row]) {
                continue;
            }
            let id = frames.id.get(row).copied().unwrap_or(fixed);
            let meta = Meta { channel, ..frames.meta[row] };
            if meta.len > 8 {
                let data = frames.payload(row);
                self.block.push_long(frames.time_us[row], id, meta, &data[..usize::from(meta.len)]);
            } else {
                self.block.push_short(frames.time_us[row], id, meta, frames.word[row]);
            }
            note(&mut self.vehicles, vehicle, self.block.len());
        }
        Ok(())
    }
}

fn note(vehicles: &mut Vec<(Arc<str>, usize)>, vehicle: &str, end: usize) {
    match vehicles.last_mut() {
        Some((name, last)) if &**name == vehicle => *last = end,
        _ => vehicles.push((Arc::from(vehicle), end)),
    }
}

fn channel_of(buses: &mut BusNames, bus: &str) -> u16 {
    let at = buses.iter().position(|known| known == bus).unwrap_or_else(|| {
        buses.push(bus.to_owned());
        buses.len() - 1
    });
    at as u16
}

/// A file that is held open; or, where very many are read side by side, one that is opened for each reading.
enum Source {
    Held(File),
    Reopened { path: PathBuf, bytes: u64 },
}

impl Source {
    fn open(path: &Path, held: bool) -> io::Result<Self> {
        let file = File::open(path)?;
        if held {
            return Ok(Self::Held(file));
        }
        Ok(Self::Reopened { path: path.to_owned(), bytes: file.metadata()?.len() })
    }

    fn file(&self) -> io::Result<File> {
        match self {
            Self::Held(file) => file.try_clone(),
            Self::Reopened { path, .. } => File::open(path),
        }
    }
}

impl Length for Source {
    fn len(&self) -> u64 {
        match self {
            Self::Held(file) => Length::len(file),
            Self::Reopened { bytes, .. } => *bytes,
        }
    }
}

impl ChunkReader for Source {
    type T = io::BufReader<File>;

    fn get_read(&self, start: u64) -> parquet::errors::Result<Self::T> {
        let mut file = self.file()?;
        file.seek(SeekFrom::Start(start))?;
        Ok(io::BufReader::new(file))
    }

    fn get_bytes(&self, start: u64, length: usize) -> parquet::errors::Result<Bytes> {
        let mut file = self.file()?;
        file.seek(SeekFrom::Start(start))?;
        let mut bytes = vec![0; length];
        file.read_exact(&mut bytes)?;
        Ok(bytes.into())
    }
}
