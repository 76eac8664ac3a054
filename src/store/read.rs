//! The store's frames again: one vehicle's, over a span of time, in the tables' own order.
//!
//! That order is by time; at one instant by table (messages by name, raw last); within a table as the frames came.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BinaryHeap, HashMap};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::RecordBatch;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};
use parquet::file::metadata::{ParquetMetaData, RowGroupMetaData};
use parquet::file::statistics::Statistics;

use super::error::{StoreError, io_error, parquet_error};
use super::{BUS_KEY, DEFINITIONS_KEY, Store};
use crate::decode::rebuild::rebuild;
use crate::defs::{Definitions, Matching};
use crate::frame::{CanId, FrameBlock, Meta, TimeUs};
use crate::table::{raw, signals};

/// Rows rebuilt at once of each file.
const READ_ROWS: usize = 4 * 1024;
/// Microseconds of a day.
const DAY_US: i64 = 86_400_000_000;

/// Name of a merged file: all vehicles of a closed day, or month.
pub const MERGED: &str = "merged.parquet";

/// What file names begin with that hold only this vehicle's rows. Letters, digits and `-` stay; else hexadecimal.
pub fn file_prefix(vehicle: &str) -> String {
    let mut prefix = String::new();
    for byte in vehicle.bytes() {
        if byte.is_ascii_alphanumeric() {
            prefix.push(char::from(byte));
        } else {
            prefix.push_str(&format!("_{byte:02x}"));
        }
    }
    prefix.push('.');
    prefix
}

/// Parquet files of a folder that may hold rows of a vehicle, by name; none where there is no such folder.
///
/// # Errors
/// The folder cannot be read.
pub fn files_of(folder: &Path, vehicle: &str) -> Result<Vec<PathBuf>, StoreError> {
    let prefix = file_prefix(vehicle);
    let mut files = parquet_files(folder)?;
    files.retain(|path| {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        name.starts_with("merged") || name.starts_with(&prefix)
    });
    Ok(files)
}

/// All Parquet files of a folder, by name; none where there is no such folder.
///
/// # Errors
/// The folder cannot be read.
pub fn parquet_files(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut files = entries(folder)?;
    files.retain(|path| path.extension().is_some_and(|extension| extension == "parquet"));
    Ok(files)
}

/// What is in a folder, by name; nothing where there is no such folder.
pub(super) fn entries(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut paths = Vec::new();
    match fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(paths),
        Err(error) => return Err(io_error(folder, "reading")(error)),
        Ok(listing) => {
            for entry in listing {
                paths.push(entry.map_err(io_error(folder, "reading"))?.path());
            }
        }
    }
    paths.sort();
    Ok(paths)
}

/// One vehicle's frames over a span of time.
pub struct FrameReader<'s> {
    store: &'s Store,
    vehicle: String,
    span: std::ops::RangeInclusive<TimeUs>,
    tables: Vec<TableReader>,
    heap: BinaryHeap<Next>,
    /// Names of the buses; a frame's channel is an index into it.
    buses: Vec<String>,
    definitions: HashMap<String, Arc<Definitions>>,
}

/// One table, date by date; its rank is its place among the tables.
struct TableReader {
    name: String,
    /// Folders still to be read, last date first.
    folders: Vec<PathBuf>,
    open: Vec<FileReader>,
}

/// One file, batch by batch.
struct FileReader {
    path: PathBuf,
    definitions: Option<Arc<Definitions>>,
    bus: String,
    batches: ParquetRecordBatchReader,
    rows: Rebuilt,
    row: usize,
}

/// Rows of a batch that are of the vehicle and within the span, as frames.
#[derive(Default)]
struct Rebuilt {
    block: FrameBlock,
}

#[derive(PartialEq, Eq)]
struct Next {
    time_us: TimeUs,
    rank: usize,
    file: usize,
}

impl Ord for Next {
    fn cmp(&self, other: &Self) -> Ordering {
        (other.time_us, other.rank, other.file).cmp(&(self.time_us, self.rank, self.file))
    }
}

impl PartialOrd for Next {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl<'s> FrameReader<'s> {
    /// Opens a vehicle's frames from `span`'s first instant to its last.
    ///
    /// # Errors
    /// A file cannot be read.
    pub fn open(store: &'s Store, vehicle: &str, span: std::ops::RangeInclusive<TimeUs>) -> Result<Self, StoreError> {
        let mut tables = BTreeMap::new();
        for folder in entries(&store.root().join("signals"))? {
            let name = folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if let Some(message) = name.strip_prefix("message=") {
                tables.insert(message.to_owned(), folder);
            }
        }
        let mut readers = Vec::new();
        let raw = (raw::NAME.to_owned(), store.root().join("raw"));
        for (name, folder) in tables.into_iter().chain([raw]) {
            let mut folders = entries(&folder)?;
            folders.retain(|folder| date_within(folder, &span));
            folders.reverse();
            readers.push(TableReader { name, folders, open: Vec::new() });
        }
        let mut reader = Self {
            store,
            vehicle: vehicle.to_owned(),
            span,
            tables: readers,
            heap: BinaryHeap::new(),
            buses: Vec::new(),
            definitions: HashMap::new(),
        };
        for table in 0..reader.tables.len() {
            reader.next_date(table)?;
        }
        Ok(reader)
    }

    /// Names of the buses met so far; a frame's channel is an index into it.
    pub fn buses(&self) -> &[String] {
        &self.buses
    }

    /// Names of the tables by rank; raw is the last.
    pub fn tables(&self) -> Vec<String> {
        self.tables.iter().map(|table| table.name.clone()).collect()
    }

    /// Appends up to `frames_max` frames with the rank of the table of each. False at the end.
    ///
    /// # Errors
    /// A file cannot be read or made frames again.
    pub fn fill(
        &mut self,
        block: &mut FrameBlock,
        ranks: &mut Vec<u32>,
        frames_max: usize,
    ) -> Result<bool, StoreError> {
        for _ in 0..frames_max {
            let Some(next) = self.heap.pop() else { return Ok(false) };
            let file = &mut self.tables[next.rank].open[next.file];
            block.push(&file.rows.block.frame(file.row));
            ranks.push(next.rank as u32);
            file.row += 1;
            if file.row >= file.rows.block.len() {
                self.load(next.rank, next.file)?;
            }
            let table = &self.tables[next.rank];
            match table.open.get(next.file).and_then(|file| file.rows.block.time_us.get(file.row)) {
                Some(time_us) => self.heap.push(Next { time_us: *time_us, ..next }),
                None if table.open.iter().all(|file| file.row >= file.rows.block.len()) => self.next_date(next.rank)?,
                None => {}
            }
        }
        Ok(!self.heap.is_empty())
    }

    /// Opens the files of a table's next date that has frames.
    fn next_date(&mut self, table: usize) -> Result<(), StoreError> {
        self.tables[table].open.clear();
        while let Some(folder) = self.tables[table].folders.pop() {
            for path in files_of(&folder, &self.vehicle)? {
                if let Some(file) = self.open_file(&path)? {
                    self.tables[table].open.push(file);
                    self.load(table, self.tables[table].open.len() - 1)?;
                }
            }
            let open = &self.tables[table].open;
            for (file, reader) in open.iter().enumerate() {
                if let Some(time_us) = reader.rows.block.time_us.first() {
                    self.heap.push(Next { time_us: *time_us, rank: table, file });
                }
            }
            if open.iter().any(|file| !file.rows.block.is_empty()) {
                return Ok(());
            }
            self.tables[table].open.clear();
        }
        Ok(())
    }

    /// Opens a file's row groups that can hold frames of the span; none where there are none.
    fn open_file(&mut self, path: &Path) -> Result<Option<FileReader>, StoreError> {
        let file = File::open(path).map_err(io_error(path, "opening"))?;
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(parquet_error(path))?;
        let metadata = builder.metadata().clone();
        let wanted: Vec<usize> =
            (0..metadata.num_row_groups()).filter(|group| self.may_hold(metadata.row_group(*group))).collect();
        if wanted.is_empty() {
            return Ok(None);
        }
        let definitions = match footer_value(&metadata, DEFINITIONS_KEY) {
            None => None,
            Some(hash) => Some(match self.definitions.get(&hash) {
                Some(known) => known.clone(),
                None => {
                    let loaded = Arc::new(self.store.definitions(&hash, path)?);
                    self.definitions.insert(hash, loaded.clone());
                    loaded
                }
            }),
        };
        let bus = footer_value(&metadata, BUS_KEY).unwrap_or_default();
        let reader = builder.with_row_groups(wanted).with_batch_size(READ_ROWS);
        let batches = reader.build().map_err(parquet_error(path))?;
        Ok(Some(FileReader { path: path.to_owned(), definitions, bus, batches, rows: Rebuilt::default(), row: 0 }))
    }

    fn may_hold(&self, group: &RowGroupMetaData) -> bool {
        let time = match group.column(0).statistics() {
            Some(Statistics::Int64(times)) => times.min_opt().zip(times.max_opt()),
            _ => None,
        };
        let vehicle = match group.column(1).statistics() {
            Some(Statistics::ByteArray(names)) => names.min_opt().zip(names.max_opt()),
            _ => None,
        };
        let in_time = time.is_none_or(|(first, last)| first <= self.span.end() && last >= self.span.start());
        let name = self.vehicle.as_bytes();
        in_time && vehicle.is_none_or(|(lowest, highest)| lowest.data() <= name && name <= highest.data())
    }

    /// Reads a file's next rows that are wanted.
    fn load(&mut self, table: usize, file: usize) -> Result<(), StoreError> {
        let name = self.tables[table].name.clone();
        let file = &mut self.tables[table].open[file];
        file.row = 0;
        file.rows.block.clear();
        while file.rows.block.is_empty() {
            let Some(batch) = file.batches.next() else { return Ok(()) };
            let batch = batch.map_err(|error| parquet_error(&file.path)(error.into()))?;
            let mut keep = Keep { vehicle: &self.vehicle, span: &self.span, buses: &mut self.buses };
            if name == raw::NAME && file.bus.is_empty() {
                keep.raw(file, &batch)?;
            } else {
                keep.signals(file, &name, &batch)?;
            }
        }
        Ok(())
    }
}

/// What is taken of a batch.
struct Keep<'a> {
    vehicle: &'a str,
    span: &'a std::ops::RangeInclusive<TimeUs>,
    buses: &'a mut Vec<String>,
}

impl Keep<'_> {
    fn channel(&mut self, bus: &str) -> u16 {
        let at = self.buses.iter().position(|known| known == bus).unwrap_or_else(|| {
            self.buses.push(bus.to_owned());
            self.buses.len() - 1
        });
        at as u16
    }

    fn raw(&mut self, file: &mut FileReader, batch: &RecordBatch) -> Result<(), StoreError> {
        let path = &file.path;
        let (block, vehicles, buses) =
            raw::rows(batch).map_err(|source| StoreError::Table { path: path.clone(), source })?;
        for (row, (vehicle, bus)) in vehicles.iter().zip(buses).enumerate() {
            if vehicle == self.vehicle && self.span.contains(&block.time_us[row]) {
                let mut frame = block.frame(row);
                frame.channel = self.channel(&bus);
                file.rows.block.push(&frame);
            }
        }
        Ok(())
    }

    fn signals(&mut self, file: &mut FileReader, table: &str, batch: &RecordBatch) -> Result<(), StoreError> {
        let path = file.path.clone();
        let lost = || StoreError::DefinitionsLost { path: path.clone(), hash: "of no set".into() };
        let definitions = file.definitions.clone().ok_or_else(lost)?;
        let message = definitions.message(table).ok_or_else(lost)?;
        let message = &definitions.messages[message];
        let rows = signals::rows(message, batch).map_err(|source| StoreError::Table { path: path.clone(), source })?;
        let frames = rebuild(message, &rows.time_us, &rows.source, &rows.columns)
            .map_err(|source| StoreError::Rebuild { path: path.clone(), source })?;
        let channel = self.channel(&file.bus);
        let fixed = match message.matching {
            Matching::Exactly(id) => id,
            Matching::Group { .. } => CanId::default(),
        };
        for (row, vehicle) in rows.vehicle.iter().enumerate() {
            if vehicle != self.vehicle || !self.span.contains(&frames.time_us[row]) {
                continue;
            }
            let id = frames.id.get(row).copied().unwrap_or(fixed);
            let meta = Meta { channel, ..frames.meta[row] };
            if meta.len > 8 {
                let data = frames.payload(row);
                file.rows.block.push_long(frames.time_us[row], id, meta, &data[..usize::from(meta.len)]);
            } else {
                file.rows.block.push_short(frames.time_us[row], id, meta, frames.word[row]);
            }
        }
        Ok(())
    }
}

/// A value of a file's footer.
pub(super) fn footer_value(metadata: &ParquetMetaData, key: &str) -> Option<String> {
    let pairs = metadata.file_metadata().key_value_metadata()?;
    pairs.iter().find(|pair| pair.key == key).and_then(|pair| pair.value.clone())
}

/// Whether a `date=…` folder can hold instants of a span, whatever the zone and the hour at which days begin.
fn date_within(folder: &Path, span: &std::ops::RangeInclusive<TimeUs>) -> bool {
    let name = folder.file_name().unwrap_or_default().to_string_lossy();
    let Some(date) = name.strip_prefix("date=").and_then(|date| date.parse::<jiff::civil::Date>().ok()) else {
        return false;
    };
    // Beyond the calendar, all instants are of its first or last days.
    if !(-9_998..=9_998).contains(&date.year()) {
        return true;
    }
    let Ok(midnight) = jiff::tz::TimeZone::UTC.to_timestamp(date.to_datetime(jiff::civil::Time::MIN)) else {
        return false;
    };
    let noon = midnight.as_microsecond().saturating_add(DAY_US / 2);
    let near = 3 * DAY_US;
    noon.saturating_add(near) >= *span.start() && noon.saturating_sub(near) <= *span.end()
}
