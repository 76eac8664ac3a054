//! Summary tables (runs, events, bus and message health): small files by month, whose rows can be counted again.
//!
//! Every row says in `recording` from which stretch of recording it was counted: the first instant of that stretch.
//! Where late frames join a stretch, its rows are dropped and counted anew.

use std::fs::File;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::TimestampMicrosecondType;
use arrow_array::{BooleanArray, RecordBatch, TimestampMicrosecondArray, UInt64Array, new_null_array};
use arrow_schema::{Schema, SchemaRef};
use jiff::ToSpan;
use jiff::civil::Date;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::error::{StoreError, io_error, parquet_error};
use super::file::{CHUNK_ROWS, TableFile, Written, packing_of, properties};
use super::read::{entries, parquet_files};
use super::{Change, Store, TABLE_KEY};
use crate::frame::TimeUs;
use crate::table::signals::words;
use crate::table::{field, time_type};

/// Names of the summary tables.
pub const TABLES: [&str; 4] = ["runs", "events", "bus_health", "message_health"];
/// The column that says from which stretch of recording a row was counted.
pub const RECORDING: &str = "recording";

/// 0001-01-01: months of earlier years may have a sign.
const YEAR_1_US: TimeUs = -62_135_596_800_000_000;

/// Adds the recording of each row to a batch.
pub fn with_recordings(batch: &RecordBatch, recordings_us: Vec<TimeUs>) -> RecordBatch {
    let about = "First instant of the stretch of recording it was counted from.";
    let mut fields: Vec<_> = batch.schema().fields().iter().cloned().collect();
    fields.push(Arc::new(field(RECORDING, time_type(), true, "", about)));
    let mut columns = batch.columns().to_vec();
    let times = TimestampMicrosecondArray::from(recordings_us).with_timezone("UTC");
    columns.push(Arc::new(times));
    RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
        // One field, and one array with a value a row.
        .unwrap_or_else(|error| panic!("a column was added: {error}"))
}

/// Writes a summary file to its passing place.
///
/// # Errors
/// It cannot be written.
pub fn write(store: &Store, table: &str, batch: &RecordBatch) -> Result<Written, StoreError> {
    let schema = batch.schema();
    let packing: Vec<_> = schema.fields().iter().map(|field| packing_of(field.data_type())).collect();
    let footer = [(TABLE_KEY, table.to_owned())];
    let mut file = TableFile::create(store.incoming(), &schema, properties(&schema, &packing, &footer))?;
    for start in (0..batch.num_rows()).step_by(CHUNK_ROWS) {
        file.write(&batch.slice(start, CHUNK_ROWS.min(batch.num_rows() - start)))?;
    }
    file.finish()
}

/// A file's columns and its batches.
pub(super) fn open_batches(path: &Path, rows: usize) -> Result<(SchemaRef, ParquetRecordBatchReader), StoreError> {
    let file = File::open(path).map_err(io_error(path, "opening"))?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(parquet_error(path))?;
    let schema = builder.schema().clone();
    let reader = builder.with_batch_size(rows).build().map_err(parquet_error(path))?;
    Ok((schema, reader))
}

/// All rows of a summary file, as one batch.
///
/// # Errors
/// It cannot be read.
pub fn read(path: &Path) -> Result<RecordBatch, StoreError> {
    let (schema, reader) = open_batches(path, CHUNK_ROWS)?;
    let batches: Result<Vec<RecordBatch>, _> = reader.collect();
    let batches = batches.map_err(|error| parquet_error(path)(error.into()))?;
    arrow_select::concat::concat_batches(&schema, &batches).map_err(|error| parquet_error(path)(error.into()))
}

/// Months, as `month=…` folders of a table, that can hold summaries of a span.
fn month_folders(store: &Store, table: &str, span: &RangeInclusive<TimeUs>) -> Result<Vec<PathBuf>, StoreError> {
    let day = |time_us: TimeUs| -> Date {
        let nearest = if time_us < 0 { jiff::Timestamp::MIN } else { jiff::Timestamp::MAX };
        let at = jiff::Timestamp::from_microsecond(time_us).unwrap_or(nearest);
        jiff::tz::TimeZone::UTC.to_datetime(at).date()
    };
    let name = |date: Date| format!("month={:04}-{:02}", date.year(), date.month());
    let first = name(day(*span.start()).saturating_sub(2.days()));
    let last = name(day(*span.end()).saturating_add(2.days()));
    let mut folders = entries(&store.root().join(table))?;
    // Names before the year 1 do not follow time; such clocks are rare enough to look everywhere.
    if *span.start() < YEAR_1_US {
        return Ok(folders);
    }
    folders.retain(|folder| {
        let month = folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
        (first.as_str()..=last.as_str()).contains(&month.as_str())
    });
    Ok(folders)
}

/// Drops a vehicle's summary rows that were counted from recordings that began within `span`.
///
/// # Errors
/// A file cannot be read or written.
pub fn drop_rows(
    store: &Store,
    change: &mut Change,
    vehicle: &str,
    span: &RangeInclusive<TimeUs>,
) -> Result<(), StoreError> {
    for table in TABLES {
        for folder in month_folders(store, table, span)? {
            for path in super::read::files_of(&folder, vehicle)? {
                let batch = read(&path)?;
                let vehicles = batch.column_by_name("vehicle").and_then(words).unwrap_or_default();
                let recordings = batch
                    .column_by_name(RECORDING)
                    .and_then(|column| column.as_primitive_opt::<TimestampMicrosecondType>());
                let Some(recordings) = recordings else { continue };
                let kept: Vec<bool> = vehicles
                    .iter()
                    .zip(recordings.values())
                    .map(|(name, recording_us)| name != vehicle || !span.contains(recording_us))
                    .collect();
                if kept.iter().all(|kept| *kept) {
                    continue;
                }
                change.remove(store, &path);
                let rest = arrow_select::filter::filter_record_batch(&batch, &BooleanArray::from(kept))
                    .map_err(|error| parquet_error(&path)(error.into()))?;
                if rest.num_rows() > 0 {
                    let written = write(store, table, &rest)?;
                    change.put(store, &written.path, &path);
                }
            }
        }
    }
    Ok(())
}

/// Joins summary files into one batch, sorted by vehicle, time and recording. Columns that only some have are null elsewhere;
/// one whose type differs is told.
///
/// # Errors
/// A file cannot be read.
pub fn joined(paths: &[PathBuf]) -> Result<Option<RecordBatch>, StoreError> {
    let mut batches = Vec::new();
    for path in paths {
        batches.push((path, read(path)?));
    }
    let Some((first, _)) = batches.first() else { return Ok(None) };
    let schemas = batches.iter().map(|(_, batch)| batch.schema().as_ref().clone());
    let schema: SchemaRef = Arc::new(Schema::try_merge(schemas).map_err(|error| parquet_error(first)(error.into()))?);
    let widened: Result<Vec<RecordBatch>, _> = batches
        .iter()
        .map(|(_, batch)| {
            let column = |name: &str, data_type| {
                batch.column_by_name(name).cloned().unwrap_or_else(|| new_null_array(data_type, batch.num_rows()))
            };
            let columns = schema.fields().iter().map(|field| column(field.name(), field.data_type())).collect();
            RecordBatch::try_new(schema.clone(), columns)
        })
        .collect();
    let in_arrow = |error: arrow_schema::ArrowError| parquet_error(first)(error.into());
    let widened = widened.map_err(|error| parquet_error(first)(error.into()))?;
    let all = arrow_select::concat::concat_batches(&schema, &widened).map_err(in_arrow)?;
    let vehicles = all.column_by_name("vehicle").and_then(words).unwrap_or_default();
    let times = all.column(0).as_primitive_opt::<TimestampMicrosecondType>();
    let recordings =
        all.column_by_name(RECORDING).and_then(|column| column.as_primitive_opt::<TimestampMicrosecondType>());
    let mut order: Vec<u64> = (0..all.num_rows() as u64).collect();
    // Rows of one recording lie in one file, in their order; so which file comes first makes no difference.
    order.sort_by_key(|row| {
        let row = *row as usize;
        let at = |column: Option<&TimestampMicrosecondArray>| column.map(|column| column.value(row));
        (vehicles.get(row), at(times), at(recordings))
    });
    let order = UInt64Array::from(order);
    let sorted = arrow_select::take::take_record_batch(&all, &order);
    sorted.map(Some).map_err(|error| parquet_error(first)(error.into()))
}

/// All rows of a summary table, sorted; none where there are none.
///
/// # Errors
/// A file cannot be read.
pub fn whole_table(store: &Store, table: &str) -> Result<Option<RecordBatch>, StoreError> {
    let mut paths = Vec::new();
    for folder in entries(&store.root().join(table))? {
        paths.extend(parquet_files(&folder)?);
    }
    joined(&paths)
}

/// Files that can hold a summary table's rows of a span, in name order.
///
/// # Errors
/// A folder cannot be read.
pub fn files_within(store: &Store, table: &str, span: &RangeInclusive<TimeUs>) -> Result<Vec<PathBuf>, StoreError> {
    let mut paths = Vec::new();
    for folder in month_folders(store, table, span)? {
        paths.extend(parquet_files(&folder)?);
    }
    Ok(paths)
}
