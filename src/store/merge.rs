//! Many sorted files of one table → one, sorted by vehicle, then time; rows that overlapping captures share, once.
//!
//! Memory is a few batches a file, however long the files are.

use std::cmp::Ordering;
use std::collections::BinaryHeap;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Int32Type, TimestampMicrosecondType};
use arrow_array::{Array, RecordBatch};
use arrow_schema::SchemaRef;
use arrow_select::interleave::interleave_record_batch;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::error::{StoreError, io_error, parquet_error};
use super::file::{CHUNK_ROWS, TableFile};
use crate::table::signals::words;

/// Rows read at once of each file.
const READ_ROWS: usize = 2 * 1024;

/// How many rows went in and out of a merge.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Merged {
    /// Rows written.
    pub rows: u64,
    /// Rows that several sources had.
    pub shared: u64,
}

/// Merges files into `out`. Each of `sources` is one account of what was on the bus, in several files; a row that n
/// sources have, m times at most in one of them, is written m times.
///
/// # Errors
/// A file cannot be read, or the result not be written.
pub fn merge(sources: &[Vec<PathBuf>], out: &mut TableFile) -> Result<Merged, StoreError> {
    let mut cursors = Vec::new();
    for (source, files) in sources.iter().enumerate() {
        for path in files {
            if let Some(cursor) = Cursor::open(path, source)? {
                cursors.push(cursor);
            }
        }
    }
    let mut heap: BinaryHeap<Next> = BinaryHeap::new();
    for (index, cursor) in cursors.iter().enumerate() {
        heap.push(cursor.next(index));
    }
    let mut merged = Merged::default();
    let mut chunk = Chunk::default();
    let mut same: Vec<(usize, Row)> = Vec::new();
    let mut cut_rows = CutRows { waiting: Vec::new(), waiting_rows: 0 };
    while let Some(first) = heap.peek().map(|next| (next.vehicle.clone(), next.time)) {
        // All rows of this vehicle and instant, source by source.
        same.clear();
        while heap.peek().is_some_and(|next| next.vehicle == first.0 && next.time == first.1) {
            let Some(next) = heap.pop() else { break };
            let cursor = &mut cursors[next.cursor];
            same.push((cursor.source, chunk.row(next.cursor, cursor)));
            if cursor.advance()? {
                chunk.forget(next.cursor);
            }
            if !cursor.is_at_end() {
                heap.push(cursor.next(next.cursor));
            }
        }
        if sources.len() > 1 && same.iter().any(|(source, _)| *source != same[0].0) {
            merged.shared += chunk.drop_shared(&mut same);
        }
        merged.rows += same.len() as u64;
        chunk.picked.extend(same.iter().map(|(_, row)| (row.batch, row.row)));
        if chunk.picked.len() >= CHUNK_ROWS {
            let batch = chunk.take(out.path())?;
            cut_rows.push(batch, out)?;
        }
    }
    if !chunk.picked.is_empty() {
        let batch = chunk.take(out.path())?;
        cut_rows.push(batch, out)?;
    }
    cut_rows.finish(out)?;
    Ok(merged)
}

/// Hands rows on in chunks of exactly [`CHUNK_ROWS`], so that the bytes do not depend on how they came.
struct CutRows {
    waiting: Vec<RecordBatch>,
    waiting_rows: usize,
}

impl CutRows {
    fn push(&mut self, batch: RecordBatch, out: &mut TableFile) -> Result<(), StoreError> {
        self.waiting_rows += batch.num_rows();
        self.waiting.push(batch);
        while self.waiting_rows >= CHUNK_ROWS {
            let all = self.joined(out.path())?;
            out.write(&all.slice(0, CHUNK_ROWS))?;
            self.waiting_rows = all.num_rows() - CHUNK_ROWS;
            self.waiting.push(all.slice(CHUNK_ROWS, self.waiting_rows));
        }
        Ok(())
    }

    fn finish(&mut self, out: &mut TableFile) -> Result<(), StoreError> {
        if self.waiting_rows > 0 {
            let all = self.joined(out.path())?;
            out.write(&all)?;
        }
        Ok(())
    }

    fn joined(&mut self, path: &Path) -> Result<RecordBatch, StoreError> {
        let batches = std::mem::take(&mut self.waiting);
        if let [one] = batches.as_slice() {
            return Ok(one.clone());
        }
        let schema = batches[0].schema();
        arrow_select::concat::concat_batches(&schema, &batches).map_err(|error| parquet_error(path)(error.into()))
    }
}

/// A place in a batch that the chunk at hand refers to.
#[derive(Debug, Clone, Copy)]
struct Row {
    batch: usize,
    row: usize,
}

/// Rows picked from batches, not yet copied.
#[derive(Default)]
struct Chunk {
    batches: Vec<RecordBatch>,
    /// Cursor → the chunk's number of its current batch.
    current: std::collections::HashMap<usize, usize>,
    picked: Vec<(usize, usize)>,
}

impl Chunk {
    fn row(&mut self, index: usize, cursor: &Cursor) -> Row {
        let batch = *self.current.entry(index).or_insert_with(|| {
            self.batches.push(cursor.batch.clone());
            self.batches.len() - 1
        });
        Row { batch, row: cursor.row }
    }

    /// The cursor went on to another batch.
    fn forget(&mut self, index: usize) {
        self.current.remove(&index);
    }

    /// Of equal rows, keeps as many as the source that has most of them. Gives the number dropped.
    fn drop_shared(&self, same: &mut Vec<(usize, Row)>) -> u64 {
        let mut kept: Vec<(usize, Row)> = Vec::new();
        let before = same.len();
        let sources: std::collections::BTreeSet<usize> = same.iter().map(|(source, _)| *source).collect();
        for source in sources {
            // Each row kept so far answers for one row of this source.
            let mut free: Vec<bool> = vec![true; kept.len()];
            for (_, row) in same.iter().filter(|(of, _)| *of == source) {
                let twin = kept
                    .iter()
                    .enumerate()
                    .position(|(at, (_, k))| free.get(at).copied().unwrap_or(false) && self.equal(*k, *row));
                match twin {
                    Some(at) => free[at] = false,
                    None => kept.push((source, *row)),
                }
            }
        }
        *same = kept;
        (before - same.len()) as u64
    }

    fn equal(&self, one: Row, other: Row) -> bool {
        let (a, b) = (&self.batches[one.batch], &self.batches[other.batch]);
        a.columns()
            .iter()
            .zip(b.columns())
            .all(|(a, b)| a.slice(one.row, 1).to_data() == b.slice(other.row, 1).to_data())
    }

    fn take(&mut self, path: &Path) -> Result<RecordBatch, StoreError> {
        let batches: Vec<&RecordBatch> = self.batches.iter().collect();
        let taken = interleave_record_batch(&batches, &self.picked).map_err(|e| parquet_error(path)(e.into()))?;
        self.batches.clear();
        self.current.clear();
        self.picked.clear();
        Ok(taken)
    }
}

/// The next row of a file, for the heap: earliest first, then by file.
#[derive(PartialEq, Eq)]
struct Next {
    vehicle: Arc<str>,
    time: i64,
    cursor: usize,
}

impl Ord for Next {
    fn cmp(&self, other: &Self) -> Ordering {
        let key = |next: &Self| (next.time, next.cursor);
        other.vehicle.cmp(&self.vehicle).then_with(|| key(other).cmp(&key(self)))
    }
}

impl PartialOrd for Next {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// A place in a sorted file.
struct Cursor {
    path: PathBuf,
    source: usize,
    reader: ParquetRecordBatchReader,
    batch: RecordBatch,
    vehicles: Vec<Arc<str>>,
    row: usize,
}

impl Cursor {
    /// Opens a file at its first row; none where it has no rows.
    fn open(path: &Path, source: usize) -> Result<Option<Self>, StoreError> {
        let (schema, reader) = open_batches(path, READ_ROWS)?;
        let batch = RecordBatch::new_empty(schema);
        let mut cursor = Self { path: path.to_owned(), source, reader, batch, vehicles: Vec::new(), row: 0 };
        cursor.load()?;
        Ok((!cursor.is_at_end()).then_some(cursor))
    }

    fn load(&mut self) -> Result<(), StoreError> {
        self.row = 0;
        loop {
            match self.reader.next() {
                None => {
                    self.batch = self.batch.slice(0, 0);
                    return Ok(());
                }
                Some(batch) => self.batch = batch.map_err(|error| parquet_error(&self.path)(error.into()))?,
            }
            if self.batch.num_rows() > 0 {
                self.vehicles = vehicles_of(&self.batch);
                return Ok(());
            }
        }
    }

    /// Goes to the next row; true when that is in another batch.
    fn advance(&mut self) -> Result<bool, StoreError> {
        self.row += 1;
        if self.row < self.batch.num_rows() {
            return Ok(false);
        }
        self.load()?;
        Ok(true)
    }

    fn is_at_end(&self) -> bool {
        self.row >= self.batch.num_rows()
    }

    fn next(&self, cursor: usize) -> Next {
        let times = self.batch.column(0).as_primitive_opt::<TimestampMicrosecondType>();
        let time = times.map_or(0, |times| times.value(self.row));
        Next { vehicle: self.vehicles[self.row].clone(), time, cursor }
    }
}

/// The vehicle of each row: one allocation a word, not a row.
fn vehicles_of(batch: &RecordBatch) -> Vec<Arc<str>> {
    let column = batch.column(1);
    if let Some(dictionary) = column.as_dictionary_opt::<Int32Type>()
        && let Some(values) = dictionary.values().as_string_opt::<i32>()
    {
        let names: Vec<Arc<str>> = values.iter().map(|name| Arc::from(name.unwrap_or_default())).collect();
        return dictionary.keys().values().iter().map(|key| names[*key as usize].clone()).collect();
    }
    words(column).unwrap_or_default().into_iter().map(Arc::from).collect()
}

/// A file's columns and its batches.
pub(super) fn open_batches(path: &Path, rows: usize) -> Result<(SchemaRef, ParquetRecordBatchReader), StoreError> {
    let file = File::open(path).map_err(io_error(path, "opening"))?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(parquet_error(path))?;
    let schema = builder.schema().clone();
    let reader = builder.with_batch_size(rows).build().map_err(parquet_error(path))?;
    Ok((schema, reader))
}
