//! `filed/<id>.order.parquet`: the frames of a capture that do not stand in the tables' order, and where they stood.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::builder::StringDictionaryBuilder;
use arrow_array::cast::AsArray;
use arrow_array::types::{Int32Type, TimestampMicrosecondType, UInt64Type};
use arrow_array::{RecordBatch, TimestampMicrosecondArray, UInt64Array};
use arrow_schema::{DataType, Schema};

use super::{Change, Store, StoreError, summary};
use crate::frame::TimeUs;
use crate::table::signals::{TableError, words};
use crate::table::{field, time_type, word_type};

/// A frame that stood elsewhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LateFrame {
    /// Its vehicle.
    pub vehicle: String,
    /// Position among the vehicle's frames of the capture, from 0.
    pub position: u64,
    /// Its time.
    pub time_us: TimeUs,
    /// Its table.
    pub table: String,
}

fn path(store: &Store, id: &str) -> PathBuf {
    store.root().join("filed").join(format!("{id}.order.parquet"))
}

/// Keeps a capture's late frames, if it has any.
///
/// # Errors
/// The file cannot be written.
pub fn put(store: &Store, change: &mut Change, id: &str, late: &[LateFrame]) -> Result<(), StoreError> {
    if late.is_empty() {
        return Ok(());
    }
    let schema = Arc::new(Schema::new(vec![
        field("time", time_type(), false, "", "Receive time."),
        field("vehicle", word_type(), false, "", "Fleet number."),
        field("position", DataType::UInt64, false, "1", "Position among the vehicle's frames of the capture."),
        field("table", word_type(), false, "", "Message, or raw."),
    ]));
    let mut vehicles = StringDictionaryBuilder::<Int32Type>::new();
    let mut tables = StringDictionaryBuilder::<Int32Type>::new();
    for frame in late {
        vehicles.append_value(&frame.vehicle);
        tables.append_value(&frame.table);
    }
    let times = TimestampMicrosecondArray::from_iter_values(late.iter().map(|frame| frame.time_us));
    let batch = RecordBatch::try_new(schema, vec![
        Arc::new(times.with_timezone("UTC")),
        Arc::new(vehicles.finish()),
        Arc::new(UInt64Array::from_iter_values(late.iter().map(|frame| frame.position))),
        Arc::new(tables.finish()),
    ])
    // Columns and schema stand side by side above.
    .unwrap_or_else(|error| panic!("the order's columns do not fit their schema: {error}"));
    let written = summary::write(store, "order", &batch)?;
    change.put(store, &written.path, &path(store, id));
    Ok(())
}

/// The late frames of a capture, by vehicle and position.
///
/// # Errors
/// The file cannot be read.
pub fn read(store: &Store, id: &str) -> Result<Vec<LateFrame>, StoreError> {
    let path = path(store, id);
    if !path.exists() {
        return Ok(Vec::new());
    }
    let batch = summary::read(&path)?;
    late_frames(&batch).ok_or_else(|| wrong(&path))
}

fn wrong(path: &Path) -> StoreError {
    StoreError::Table { path: path.to_owned(), source: TableError::Column { column: "position".into() } }
}

fn late_frames(batch: &RecordBatch) -> Option<Vec<LateFrame>> {
    let times = batch.column_by_name("time")?.as_primitive_opt::<TimestampMicrosecondType>()?;
    let positions = batch.column_by_name("position")?.as_primitive_opt::<UInt64Type>()?;
    let vehicles = words(batch.column_by_name("vehicle")?)?;
    let tables = words(batch.column_by_name("table")?)?;
    let rows = times.values().iter().zip(positions.values()).zip(vehicles).zip(tables);
    let frame = |(((time_us, position), vehicle), table): (((&i64, &u64), String), String)| LateFrame {
        vehicle,
        position: *position,
        time_us: *time_us,
        table,
    };
    Some(rows.map(frame).collect())
}
