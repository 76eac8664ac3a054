//! Many sorted files of one table → one, sorted by vehicle, then time; or the rows of a capture that others have not.
//!
//! Rows are read back as frames and written the way a capture's are, so that the same frames give the same bytes, in
//! however many files they came. Files are opened when their turn comes; of files that lie over each other no more
//! than `FILES_MAX` at a time, which bounds memory and handles.

use std::cmp::Ordering;
use std::collections::BinaryHeap;
use std::ops::{Range, RangeInclusive};
use std::path::PathBuf;
use std::sync::{Arc, RwLock};

use super::error::StoreError;
use super::file::{CHUNK_ROWS, TableFile, Written};
use super::rows::{BusNames, FileRows, Footer, Wanted};
use super::shape::{Shape, group_rows};
use super::{Store, TABLE_KEY};
use crate::decode::{MessageFrames, decode};
use crate::defs::Definitions;
use crate::frame::{Frame, FrameBlock, TimeUs};
use crate::stop::Stop;
use crate::table::signals::TableError;
use crate::table::{CodeValue, ColumnData, raw, signals};

/// Files that are read side by side.
const FILES_MAX: usize = 32;

/// Merges files of one table, decoded by one definition set, into a new one under its passing name.
///
/// Where rows of a vehicle have the same time, those of the file come first that begins earlier; then of that which
/// stands first in `files`.
///
/// # Errors
/// A file cannot be read, the result not be written, or somebody asked for an end.
pub(crate) fn merge(store: &Store, files: Vec<Footer>, stop: Option<&Stop>) -> Result<Written, StoreError> {
    let mut files = files;
    let first = |footer: &Footer| footer.times.map(|(first, _)| first);
    files.sort_by(|a, b| (&a.vehicles, first(a)).cmp(&(&b.vehicles, first(b))));
    // Rounds, as long as too many would be open at once.
    let mut passing: Vec<PathBuf> = Vec::new();
    while depth(&files) > FILES_MAX {
        let mut round = Vec::new();
        for group in files.chunks(FILES_MAX) {
            let merged = merge_at_once(store, group, stop)?;
            let footer = Footer::read(&merged.path)?;
            passing.push(merged.path);
            round.push(footer);
        }
        files = round;
    }
    let merged = merge_at_once(store, &files, stop)?;
    passing.iter().try_for_each(|path| store.discard(path))?;
    Ok(merged)
}

/// Most files that lie over one instant of one vehicle.
fn depth(files: &[Footer]) -> usize {
    let mut borders = Vec::new();
    for footer in files.iter().filter(|footer| footer.rows > 0) {
        let Some(((lowest, highest), (first, last))) = footer.vehicles.as_ref().zip(footer.times) else {
            return files.len();
        };
        // A file of several vehicles may reach over all times of those between.
        let (first, last) = if lowest == highest { (first, last) } else { (TimeUs::MIN, TimeUs::MAX) };
        borders.push(((lowest.as_slice(), first), 0, 1));
        borders.push(((highest.as_slice(), last), 1, -1));
    }
    borders.sort();
    let mut open = 0_i64;
    let most = borders.iter().map(|(_, _, step)| {
        open += step;
        open
    });
    most.max().unwrap_or(0) as usize
}

fn merge_at_once(store: &Store, files: &[Footer], stop: Option<&Stop>) -> Result<Written, StoreError> {
    let mut buses = BusNames::new();
    let mut out = RowsOut::new(store, files.first())?;
    let mut heap: BinaryHeap<Next> = BinaryHeap::new();
    let mut open: Vec<Option<FileRows>> = Vec::new();
    for (file, footer) in files.iter().enumerate() {
        open.push(None);
        let name = footer.vehicles.as_ref().map_or(&[][..], |(lowest, _)| lowest);
        let vehicle = Arc::from(String::from_utf8_lossy(name));
        let time_us = footer.times.map_or(TimeUs::MIN, |(first, _)| first);
        heap.push(Next { vehicle, time_us, since_us: TimeUs::MIN, file });
    }
    let mut steps = 0_u32;
    while let Some(next) = heap.pop() {
        let rows = match &mut open[next.file] {
            Some(rows) => rows,
            // Its turn has come: from now on its own rows say where it stands.
            fresh => {
                let mut rows = FileRows::open(store, &files[next.file].path, None, true)?;
                if rows.load(&mut buses)? {
                    push(&mut heap, &rows, next.file, None);
                    *fresh = Some(rows);
                }
                continue;
            }
        };
        steps = steps.wrapping_add(1);
        if steps.is_multiple_of(1024) && stop.is_some_and(Stop::is_set) {
            return Err(StoreError::Stopped);
        }
        // All rows up to where another file goes on.
        let end = rows.vehicle_end();
        let upto = match heap.peek() {
            Some(other) if other.vehicle == next.vehicle => {
                let first = |time_us: &TimeUs| {
                    let here = (*time_us, next.since_us, next.file);
                    here < (other.time_us, other.since_us, other.file)
                };
                rows.row + rows.block.time_us[rows.row..end].partition_point(first)
            }
            _ => end,
        };
        let upto = upto.max(rows.row + 1);
        out.take(&rows.block, rows.row..upto, &next.vehicle, &buses)?;
        rows.row = upto;
        if !rows.is_at_end() || rows.load(&mut buses)? {
            push(&mut heap, rows, next.file, Some(&next));
        } else {
            open[next.file] = None;
            // It is done, and is not opened again: it is not in the heap.
        }
    }
    out.finish()
}

fn push(heap: &mut BinaryHeap<Next>, rows: &FileRows, file: usize, before: Option<&Next>) {
    let Some((vehicle, time_us)) = rows.next() else { return };
    let since_us = before.filter(|before| before.vehicle == *vehicle).map_or(time_us, |before| before.since_us);
    heap.push(Next { vehicle: vehicle.clone(), time_us, since_us, file });
}

/// The next row of a file, for the heap: lowest vehicle, earliest time, then the file that begins earlier.
#[derive(PartialEq, Eq)]
struct Next {
    vehicle: Arc<str>,
    time_us: TimeUs,
    /// First time of this vehicle in the file.
    since_us: TimeUs,
    file: usize,
}

impl Ord for Next {
    fn cmp(&self, other: &Self) -> Ordering {
        let key = |next: &Self| (next.time_us, next.since_us, next.file);
        other.vehicle.cmp(&self.vehicle).then_with(|| key(other).cmp(&key(self)))
    }
}

impl PartialOrd for Next {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// Writes the rows of a capture's file that `known` files have not; a row that they have n times counts n times.
/// Gives the file, none where all are known; `tell` is told of those that are, and the name of their bus.
///
/// # Errors
/// A file cannot be read, or the result not be written.
pub(crate) fn without_known(
    store: &Store,
    fresh: &Footer,
    known: &[Footer],
    vehicle: &str,
    span: RangeInclusive<TimeUs>,
    tell: &mut dyn FnMut(&Frame, &str),
) -> Result<Option<Written>, StoreError> {
    let mut buses = BusNames::new();
    let mut out = RowsOut::new(store, Some(fresh))?;
    let name: Arc<str> = Arc::from(vehicle);
    let wanted = Wanted { vehicle: vehicle.to_owned(), span };
    let mut fresh = FileRows::open(store, &fresh.path, None, true)?;
    let mut others = Vec::new();
    for footer in known {
        let mut rows = FileRows::open(store, &footer.path, Some(wanted.clone()), known.len() <= FILES_MAX)?;
        if rows.load(&mut buses)? {
            others.push(rows);
        }
    }
    let mut kept = 0;
    // Frames that are there at the instant at hand, and are not yet found in the capture.
    let (mut there_at, mut there): (Option<TimeUs>, Vec<Frame>) = (None, Vec::new());
    while !fresh.is_at_end() || fresh.load(&mut buses)? {
        let time_us = fresh.block.time_us[fresh.row];
        if there_at != Some(time_us) {
            there_at = Some(time_us);
            there.clear();
            for rows in &mut others {
                while !rows.is_at_end() || rows.load(&mut buses)? {
                    match rows.block.time_us[rows.row].cmp(&time_us) {
                        Ordering::Greater => break,
                        Ordering::Equal => there.push(rows.block.frame(rows.row)),
                        Ordering::Less => {}
                    }
                    rows.row += 1;
                }
            }
        }
        let frame = fresh.block.frame(fresh.row);
        if let Some(twin) = there.iter().position(|other| *other == frame) {
            there.swap_remove(twin);
            tell(&frame, &buses[usize::from(frame.channel)]);
        } else {
            out.take(&fresh.block, fresh.row..fresh.row + 1, &name, &buses)?;
            kept += 1;
        }
        fresh.row += 1;
    }
    let written = out.finish()?;
    if kept > 0 {
        return Ok(Some(written));
    }
    store.discard(&written.path)?;
    Ok(None)
}

/// Whether a file is as merging it alone would leave it.
///
/// # Errors
/// Its definition set is lost.
pub(crate) fn is_merged_already(store: &Store, footer: &Footer) -> Result<bool, StoreError> {
    // No row group is smaller: the set need not be asked.
    if footer.is_regular(CHUNK_ROWS) && footer.rows <= CHUNK_ROWS as u64 {
        return Ok(true);
    }
    let (definitions, message) = table_of(store, footer)?;
    Ok(footer.is_regular(group_rows(&definitions, message)))
}

/// The definition set that decoded a file, and its message there; none: raw.
fn table_of(store: &Store, footer: &Footer) -> Result<(Arc<Definitions>, Option<usize>), StoreError> {
    let lost = || StoreError::DefinitionsLost { path: footer.path.clone(), hash: "of no set".into() };
    let hash = footer.definitions.as_ref().ok_or_else(lost)?;
    let definitions = store.known_definitions(hash, &footer.path)?;
    let table = footer.keys.iter().find(|(key, _)| *key == TABLE_KEY).map(|(_, table)| table.as_str());
    let of_bus = footer.keys.iter().any(|(key, _)| *key == super::BUS_KEY);
    let message = match table {
        Some(raw::NAME) if !of_bus => None,
        table => Some(table.and_then(|table| definitions.message(table)).ok_or_else(lost)?),
    };
    Ok((definitions, message))
}

/// A file being written out of rows that come in order.
struct RowsOut {
    definitions: Arc<Definitions>,
    /// Its message; none: raw.
    message: Option<usize>,
    file: TableFile,
    names: Arc<RwLock<Vec<Arc<str>>>>,
    buses: BusNames,
    frames: MessageFrames,
    raw: FrameBlock,
    /// Of each row that waits, its vehicle among the names.
    vehicles: Vec<u16>,
}

impl RowsOut {
    /// Begins a file like the one that `footer` is of.
    fn new(store: &Store, footer: Option<&Footer>) -> Result<Self, StoreError> {
        let Some(footer) = footer else { unreachable!("a merge has files") };
        let (definitions, message) = table_of(store, footer)?;
        let names: Arc<RwLock<Vec<Arc<str>>>> = Arc::default();
        let shape = match message {
            Some(message) => {
                let names = Arc::clone(&names);
                let meaning = move |code: u16| {
                    let names = names.read().unwrap_or_else(std::sync::PoisonError::into_inner);
                    CodeValue::Text(names.get(usize::from(code)).map_or(String::new(), |name| name.to_string()))
                };
                Shape::signals(&definitions, message, Arc::new(meaning), footer.keys.clone())
            }
            None => Shape::raw(&definitions, footer.keys.clone()),
        };
        let file = shape.create(store.incoming())?;
        let (frames, raw) = (MessageFrames::default(), FrameBlock::default());
        Ok(Self { definitions, message, file, names, buses: Vec::new(), frames, raw, vehicles: Vec::new() })
    }

    /// Appends rows of one vehicle.
    fn take(
        &mut self,
        block: &FrameBlock,
        range: Range<usize>,
        vehicle: &Arc<str>,
        buses: &BusNames,
    ) -> Result<(), StoreError> {
        let code = self.code_of(vehicle)?;
        let mut from = range.start;
        while from < range.end {
            let upto = range.end.min(from + CHUNK_ROWS - self.vehicles.len());
            self.vehicles.resize(self.vehicles.len() + (upto - from), code);
            match self.message {
                Some(message) => {
                    let varies = self.definitions.messages[message].id_varies();
                    append(&mut self.frames, block, from..upto, varies);
                }
                None => (from..upto).for_each(|row| self.raw.push(&block.frame(row))),
            }
            if self.vehicles.len() == CHUNK_ROWS {
                self.buses.clone_from(buses);
                self.write()?;
            }
            from = upto;
        }
        if self.buses.len() < buses.len() {
            self.buses.clone_from(buses);
        }
        Ok(())
    }

    fn code_of(&mut self, vehicle: &Arc<str>) -> Result<u16, StoreError> {
        let mut names = self.names.write().unwrap_or_else(std::sync::PoisonError::into_inner);
        if names.last() != Some(vehicle) {
            names.push(vehicle.clone());
        }
        // The column's patterns have 16 bits.
        u16::try_from(names.len() - 1).map_err(|_| StoreError::Table {
            path: self.file.path().to_owned(),
            source: TableError::Column { column: "vehicle".into() },
        })
    }

    /// Writes a chunk.
    fn write(&mut self) -> Result<(), StoreError> {
        let rows = self.vehicles.len();
        let data = match self.message {
            Some(message) => {
                let message = &self.definitions.messages[message];
                let columns = decode(message, &self.frames, 0..rows);
                let mut data = signals::columns(message, &self.frames, 0..rows, columns);
                data[signals::VEHICLE_COLUMN] = ColumnData::Codes(std::mem::take(&mut self.vehicles), None);
                self.frames.clear();
                data
            }
            None => {
                let names = self.names.read().unwrap_or_else(std::sync::PoisonError::into_inner);
                let vehicle = |row: usize| &*names[usize::from(self.vehicles[row])];
                let batch = raw::batch(&vehicle, &self.buses, &self.raw, 0..rows);
                self.raw.clear();
                batch.columns().iter().map(|array| ColumnData::Array(array.clone())).collect()
            }
        };
        self.vehicles.clear();
        self.file.write_columns(data, rows)
    }

    fn finish(mut self) -> Result<Written, StoreError> {
        if !self.vehicles.is_empty() {
            self.write()?;
        }
        self.file.finish()
    }
}

fn append(frames: &mut MessageFrames, block: &FrameBlock, range: Range<usize>, varies: bool) {
    frames.time_us.extend_from_slice(&block.time_us[range.clone()]);
    frames.meta.extend_from_slice(&block.meta[range.clone()]);
    if varies {
        frames.id.extend_from_slice(&block.id[range.clone()]);
    }
    for row in range {
        if block.meta[row].len > 8 {
            frames.word.push(frames.long.len() as u64);
            frames.long.push(block.long[block.data[row] as usize]);
        } else {
            frames.word.push(block.data[row]);
        }
    }
}
