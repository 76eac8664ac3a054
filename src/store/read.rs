//! The store's frames again: one vehicle's, over a span of time, in the tables' own order.
//!
//! That order is by time; at one instant by table (messages by name, raw last); within a table as the frames came.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BinaryHeap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

use super::Store;
use super::error::{StoreError, io_error};
use super::rows::{BusNames, FileRows, Footer, Wanted};
use crate::frame::{FrameBlock, TimeUs};
use crate::table::raw;

/// Tables whose files are held open; where there are more, each is opened for every reading.
const TABLES_HELD_MAX: usize = 256;
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

/// Name of the file of a vehicle's rows that a capture brought. By name, files follow the captures' own times.
pub(crate) fn piece_name(vehicle: &str, first_us: TimeUs, id: &str) -> String {
    let at = jiff::Timestamp::from_microsecond(first_us).map(|at| at.strftime("%Y%m%dT%H%M%S%6fZ").to_string());
    let short = id.get(..12).unwrap_or(id);
    format!("{}{}-{short}.parquet", file_prefix(vehicle), at.unwrap_or_else(|_| "astray".to_owned()))
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

/// Merged files of a folder. There is one a definition set.
pub(crate) fn merged_files(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut files = Vec::new();
    for number in 0.. {
        let path = folder.join(merged_name(number));
        if !path.exists() {
            break;
        }
        files.push(path);
    }
    Ok(files)
}

/// Name of a folder's merged files by number.
pub(super) fn merged_name(number: u32) -> String {
    if number == 0 { MERGED.to_owned() } else { format!("merged-{number}.parquet") }
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

/// Every table's folder of every service day, with its date.
///
/// # Errors
/// A folder cannot be read.
pub(crate) fn dated_folders(store: &Store) -> Result<Vec<(jiff::civil::Date, PathBuf)>, StoreError> {
    let mut tables = entries(&store.root().join("signals"))?;
    tables.push(store.root().join("raw"));
    let mut folders = Vec::new();
    for table in tables {
        folders.extend(entries(&table)?.into_iter().filter_map(|folder| Some((date_of(&folder)?, folder))));
    }
    Ok(folders)
}

/// The date that a folder is named after.
fn date_of(folder: &Path) -> Option<jiff::civil::Date> {
    folder.file_name()?.to_str()?.strip_prefix("date=")?.parse().ok()
}

/// One vehicle's frames over a span of time.
pub struct FrameReader<'s> {
    store: &'s Store,
    wanted: Wanted,
    tables: Vec<TableReader>,
    heap: BinaryHeap<Next>,
    /// Names of the buses; a frame's channel is an index into it.
    buses: BusNames,
    /// Files that stand in for those of a folder.
    instead: Option<&'s Instead>,
}

/// Folders, and the files to be read in place of what lies there.
pub(crate) type Instead = HashMap<PathBuf, Vec<PathBuf>>;

/// One table, date by date; its rank is its place among the tables.
struct TableReader {
    name: String,
    /// Folders still to be read, last date first.
    folders: Vec<PathBuf>,
    files: Vec<TableFile>,
    /// Files of the date at hand that are not at their end.
    unread: usize,
}

/// A file of the date at hand: opened when its turn comes.
enum TableFile {
    Closed(PathBuf),
    Open(Box<FileRows>),
    Done,
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
        Self::open_with(store, vehicle, span, None)
    }

    /// The same, of a store in which some folders hold other files.
    pub(crate) fn open_with(
        store: &'s Store,
        vehicle: &str,
        span: std::ops::RangeInclusive<TimeUs>,
        instead: Option<&'s Instead>,
    ) -> Result<Self, StoreError> {
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
            readers.push(TableReader { name, folders, files: Vec::new(), unread: 0 });
        }
        let wanted = Wanted { vehicle: vehicle.to_owned(), span };
        let (heap, buses) = (BinaryHeap::new(), BusNames::new());
        let mut reader = Self { store, wanted, tables: readers, heap, buses, instead };
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
        let mut filled = 0;
        while filled < frames_max {
            let Some(next) = self.heap.pop() else { return Ok(false) };
            let held = self.tables.len() <= TABLES_HELD_MAX;
            let table = &mut self.tables[next.rank];
            let file = &mut table.files[next.file];
            if let TableFile::Closed(path) = file {
                let rows = FileRows::open(self.store, path, Some(self.wanted.clone()), held)?;
                *file = TableFile::Open(Box::new(rows));
            } else if let TableFile::Open(rows) = file {
                block.push(&rows.block.frame(rows.row));
                ranks.push(next.rank as u32);
                rows.row += 1;
                filled += 1;
            }
            let TableFile::Open(rows) = file else { continue };
            if !rows.is_at_end() || rows.load(&mut self.buses)? {
                self.heap.push(Next { time_us: rows.block.time_us[rows.row], ..next });
                continue;
            }
            *file = TableFile::Done;
            table.unread -= 1;
            if table.unread == 0 {
                self.next_date(next.rank)?;
            }
        }
        Ok(!self.heap.is_empty())
    }

    /// Looks for the files of a table's next date that can hold frames.
    fn next_date(&mut self, rank: usize) -> Result<(), StoreError> {
        let table = &mut self.tables[rank];
        table.files.clear();
        while let Some(folder) = table.folders.pop() {
            let paths = match self.instead.and_then(|instead| instead.get(&folder)) {
                Some(paths) => paths.clone(),
                None => files_of(&folder, &self.wanted.vehicle)?,
            };
            let mut found = Vec::new();
            for path in paths {
                let footer = Footer::read(&path)?;
                if footer.rows > 0 && self.wanted.may_be_in_file(&footer) {
                    found.push((footer.times.map_or(TimeUs::MIN, |(first, _)| first), path));
                }
            }
            // Of files that have rows at the same instant, that one comes first which begins earlier.
            found.sort_by_key(|(first_us, _)| *first_us);
            for (file, (time_us, path)) in found.into_iter().enumerate() {
                self.heap.push(Next { time_us, rank, file });
                table.files.push(TableFile::Closed(path));
            }
            table.unread = table.files.len();
            if table.unread > 0 {
                return Ok(());
            }
        }
        Ok(())
    }
}

/// Whether a `date=…` folder can hold instants of a span, whatever the zone and the hour at which days begin.
fn date_within(folder: &Path, span: &std::ops::RangeInclusive<TimeUs>) -> bool {
    let Some(date) = date_of(folder) else { return false };
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
