//! A signals table: one row a frame of one message, sorted by vehicle, then time.
//!
//! Columns: `time`, `vehicle`, `source` (messages from any J1939 source address), one per signal, then what makes the
//! table lossless: `status`, `can_id` (messages whose identifier varies), `rest`, `whole`.

use std::collections::BTreeMap;
use std::sync::Arc;

use arrow_array::builder::BinaryBuilder;
use arrow_array::cast::AsArray;
use arrow_array::types::{
    Float32Type, Float64Type, Int8Type, Int16Type, Int32Type, Int64Type, TimestampMicrosecondType, UInt8Type,
    UInt16Type, UInt32Type, UInt64Type,
};
use arrow_array::{
    Array, ArrayRef, ArrowPrimitiveType, BooleanArray, DictionaryArray, PrimitiveArray, RecordBatch, StringArray,
    TimestampMicrosecondArray, UInt32Array, UInt64Array,
};
use arrow_buffer::NullBuffer;
use arrow_schema::{DataType, Schema, SchemaRef};

use super::{CodeValue, ColumnData, Meaning, field, sparse_bytes, sparse_text, time_type, word_type};
use crate::decode::{Columns, MessageFrames, Valued, Values};
use crate::defs::{Column, Matching, Message, Signal};
use crate::frame::{CanId, TimeUs};

/// Why a batch is not of the table.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// A column is missing or of another type.
    #[error("column '{column}' is missing or of another type than this version writes")]
    Column {
        /// Its name.
        column: String,
    },
    /// A label that the definition does not have.
    #[error("column '{column}' holds '{label}', which its definition does not know")]
    Label {
        /// Its name.
        column: String,
        /// The text.
        label: String,
    },
}

/// Whether the table tells the J1939 source address of each row.
pub fn has_source(message: &Message) -> bool {
    matches!(message.matching, Matching::Group { source: None, .. })
}

/// The table's columns.
pub fn schema(message: &Message) -> SchemaRef {
    let mut fields = vec![
        field("time", time_type(), false, "", "Receive time."),
        field("vehicle", word_type(), false, "", "Fleet number."),
    ];
    if has_source(message) {
        fields.push(field("source", DataType::UInt8, false, "", "J1939 source address."));
    }
    for signal in &message.signals {
        fields.push(field(&signal.name, data_type(signal), true, &signal.unit, &signal.about));
    }
    fields.push(field("status", DataType::Utf8, true, "", "Signals in error, reserved, not a number or implausible."));
    if message.id_varies() {
        fields.push(field("can_id", DataType::UInt32, true, "", "29-bit identifier, where it is not the usual one."));
    }
    let rest = if message.is_fd() { DataType::Binary } else { DataType::UInt64 };
    fields.push(field("rest", rest, true, "", "Bits that no signal covers, where they are not the usual filling."));
    fields.push(field(
        "whole",
        DataType::Binary,
        true,
        "",
        "Kind, length and data, where the values do not give them back.",
    ));
    Arc::new(Schema::new(fields))
}

/// Arrow type of a signal's column.
pub fn data_type(signal: &Signal) -> DataType {
    match signal.column {
        Column::Real | Column::Real64 => DataType::Float64,
        Column::Real32 => DataType::Float32,
        Column::Flag => DataType::Boolean,
        Column::Label => word_type(),
        Column::Whole { bits: 8, signed: true } => DataType::Int8,
        Column::Whole { bits: 8, signed: false } => DataType::UInt8,
        Column::Whole { bits: 16, signed: true } => DataType::Int16,
        Column::Whole { bits: 16, signed: false } => DataType::UInt16,
        Column::Whole { bits: 32, signed: true } => DataType::Int32,
        Column::Whole { bits: 32, signed: false } => DataType::UInt32,
        Column::Whole { signed: true, .. } => DataType::Int64,
        Column::Whole { signed: false, .. } => DataType::UInt64,
    }
}

/// Decoded rows of one vehicle as they go to a file, in the schema's order. `frames` and `range` are what `columns` was
/// decoded from.
pub fn columns(
    message: &Message,
    frames: &MessageFrames,
    range: std::ops::Range<usize>,
    columns: Columns,
) -> Vec<ColumnData> {
    let rows = range.len();
    let time = TimestampMicrosecondArray::from(frames.time_us[range.clone()].to_vec()).with_timezone("UTC");
    // The vehicle is one word in all rows: pattern 0 of its column.
    let mut data = vec![ColumnData::Array(Arc::new(time)), ColumnData::Codes(vec![0; rows], None)];
    if has_source(message) {
        data.push(ColumnData::Codes(frames.id[range].iter().map(|id| id.0 as u16 & 0xFF).collect(), None));
    }
    for (signal, valued) in message.signals.iter().zip(columns.signals) {
        data.push(match valued.values {
            Values::Code(codes) => ColumnData::Codes(codes, valued.valid),
            _ => ColumnData::Array(array_of(signal, valued)),
        });
    }
    data.push(ColumnData::Array(sparse_text(&columns.status, rows)));
    if message.id_varies() {
        let mut ids = vec![None; if columns.id.is_empty() { 0 } else { rows }];
        columns.id.iter().for_each(|(row, id)| ids[*row] = Some(id.bits()));
        let array = if ids.is_empty() { UInt32Array::new_null(rows) } else { UInt32Array::from(ids) };
        data.push(ColumnData::Array(Arc::new(array)));
    }
    let mut is_whole = vec![false; rows];
    columns.whole.iter().for_each(|(row, _)| is_whole[*row] = true);
    data.push(ColumnData::Array(if message.is_fd() {
        let mut rests = BinaryBuilder::new();
        for (rest, whole) in columns.long_rest.iter().zip(&is_whole) {
            rests.append_option((!rest.is_empty() && !whole).then_some(rest));
        }
        Arc::new(rests.finish())
    } else if columns.rest.iter().zip(&is_whole).all(|(rest, whole)| *rest == 0 || *whole) {
        Arc::new(UInt64Array::new_null(rows))
    } else {
        let rests = columns.rest.iter().zip(&is_whole).map(|(rest, whole)| (*rest != 0 && !whole).then_some(*rest));
        Arc::new(UInt64Array::from_iter(rests))
    }));
    data.push(ColumnData::Array(sparse_bytes(&columns.whole, rows)));
    data
}

/// Place of the vehicle among the columns.
pub const VEHICLE_COLUMN: usize = 1;

/// The meaning of the vehicle's column where all rows are of one.
pub fn one_vehicle(vehicle: &str) -> Meaning {
    let vehicle = vehicle.to_owned();
    Arc::new(move |_| CodeValue::Text(vehicle.clone()))
}

/// What the patterns of each column stand for, in the schema's order; none where the column is stored as it is.
pub fn meanings(message: &Message, vehicles: Meaning) -> Vec<Option<Meaning>> {
    let mut meanings: Vec<Option<Meaning>> = vec![None, Some(vehicles)];
    if has_source(message) {
        meanings.push(Some(Arc::new(|code| CodeValue::Whole(i32::from(code)))));
    }
    meanings.extend(message.signals.iter().map(|signal| signal.is_coded().then(|| meaning(signal))));
    meanings.resize_with(schema(message).fields().len(), || None);
    meanings
}

fn meaning(signal: &Signal) -> Meaning {
    let signal = signal.clone();
    match signal.column {
        Column::Label => Arc::new(move |code| {
            let raw = u64::from(code);
            CodeValue::Text(signal.label(raw).map_or_else(|| raw.to_string(), str::to_owned))
        }),
        Column::Whole { .. } => {
            Arc::new(move |code| CodeValue::Whole((signal.raw_number(u64::from(code)) + signal.offset as i128) as i32))
        }
        _ => Arc::new(move |code| CodeValue::Real(signal.physical(u64::from(code)))),
    }
}

fn nulls(valid: Option<Vec<bool>>) -> Option<NullBuffer> {
    valid.map(NullBuffer::from)
}

fn array_of(signal: &Signal, valued: Valued) -> ArrayRef {
    let nulls = nulls(valued.valid);
    match valued.values {
        Values::Code(_) => unreachable!("codes go to the file as they are"),
        Values::Real(values) => Arc::new(PrimitiveArray::<Float64Type>::new(values.into(), nulls)),
        Values::Real32(values) => Arc::new(PrimitiveArray::<Float32Type>::new(values.into(), nulls)),
        Values::Flag(values) => Arc::new(BooleanArray::new(values.into(), nulls)),
        Values::Whole64(values) => Arc::new(PrimitiveArray::<UInt64Type>::new(values.into(), nulls)),
        Values::Whole(values) => match data_type(signal) {
            // Every width holds its column's numbers: `column_of` chose it by their limits.
            DataType::Int8 => narrowed::<Int8Type>(&values, nulls, |v| v as i8),
            DataType::UInt8 => narrowed::<UInt8Type>(&values, nulls, |v| v as u8),
            DataType::Int16 => narrowed::<Int16Type>(&values, nulls, |v| v as i16),
            DataType::UInt16 => narrowed::<UInt16Type>(&values, nulls, |v| v as u16),
            DataType::Int32 => narrowed::<Int32Type>(&values, nulls, |v| v as i32),
            DataType::UInt32 => narrowed::<UInt32Type>(&values, nulls, |v| v as u32),
            _ => narrowed::<Int64Type>(&values, nulls, |v| v),
        },
        Values::Label(raws) => labelled(signal, &raws, nulls),
    }
}

fn narrowed<T: ArrowPrimitiveType>(
    values: &[i64],
    nulls: Option<NullBuffer>,
    cast: impl Fn(i64) -> T::Native,
) -> ArrayRef {
    let values: Vec<T::Native> = values.iter().map(|value| cast(*value)).collect();
    Arc::new(PrimitiveArray::<T>::new(values.into(), nulls))
}

/// Labels in the order of their raw values, then numbers without a label as they come.
fn labelled(signal: &Signal, raws: &[u64], nulls: Option<NullBuffer>) -> ArrayRef {
    let mut words: Vec<String> = signal.labels.iter().map(|(_, label)| label.clone()).collect();
    let mut others: BTreeMap<u64, i32> = BTreeMap::new();
    let mut last = None;
    let keys: Vec<i32> = raws
        .iter()
        .map(|raw| match last {
            Some((of, key)) if of == *raw => key,
            _ => {
                let key = signal.labels.binary_search_by_key(raw, |(value, _)| *value).map_or_else(
                    |_| {
                        *others.entry(*raw).or_insert_with(|| {
                            words.push(raw.to_string());
                            words.len() as i32 - 1
                        })
                    },
                    |at| at as i32,
                );
                last = Some((*raw, key));
                key
            }
        })
        .collect();
    let keys = PrimitiveArray::<Int32Type>::new(keys.into(), nulls);
    Arc::new(DictionaryArray::new(keys, Arc::new(StringArray::from(words))))
}

/// Rows of a signals table as they were decoded, and what tells them apart.
#[derive(Debug)]
pub struct Rows {
    /// Receive times.
    pub time_us: Vec<TimeUs>,
    /// Vehicle of each row.
    pub vehicle: Vec<String>,
    /// J1939 source address of each row, where the table tells it.
    pub source: Vec<u8>,
    /// The columns.
    pub columns: Columns,
}

/// Reads a batch back.
///
/// # Errors
/// The batch is not of this message's table.
pub fn rows(message: &Message, batch: &RecordBatch) -> Result<Rows, TableError> {
    let column = |name: &str| batch.column_by_name(name).ok_or_else(|| TableError::Column { column: name.to_owned() });
    let wrong = |name: &str| TableError::Column { column: name.to_owned() };
    let time = column("time")?.as_primitive_opt::<TimestampMicrosecondType>().ok_or_else(|| wrong("time"))?;
    let vehicle = words(column("vehicle")?).ok_or_else(|| wrong("vehicle"))?;
    let mut source = Vec::new();
    if has_source(message) {
        let array = column("source")?.as_primitive_opt::<UInt8Type>().ok_or_else(|| wrong("source"))?;
        source = array.values().to_vec();
    }
    let mut signals = Vec::new();
    for signal in &message.signals {
        signals.push(valued_of(signal, column(&signal.name)?)?);
    }
    let status = column("status")?.as_string_opt::<i32>().ok_or_else(|| wrong("status"))?;
    let status = status.iter().enumerate().filter_map(|(row, text)| Some((row, text?.to_owned()))).collect();
    let mut id = Vec::new();
    if message.id_varies() {
        let array = column("can_id")?.as_primitive_opt::<UInt32Type>().ok_or_else(|| wrong("can_id"))?;
        id = array.iter().enumerate().filter_map(|(row, id)| Some((row, CanId::extended(id?)))).collect();
    }
    let (mut rest, mut long_rest) = (Vec::new(), Vec::new());
    if message.is_fd() {
        let array = column("rest")?.as_binary_opt::<i32>().ok_or_else(|| wrong("rest"))?;
        long_rest = array.iter().map(|bytes| bytes.unwrap_or_default().to_vec()).collect();
    } else {
        let array = column("rest")?.as_primitive_opt::<UInt64Type>().ok_or_else(|| wrong("rest"))?;
        rest = array.iter().map(Option::unwrap_or_default).collect();
    }
    let whole = column("whole")?.as_binary_opt::<i32>().ok_or_else(|| wrong("whole"))?;
    let whole = whole.iter().enumerate().filter_map(|(row, bytes)| Some((row, bytes?.to_vec()))).collect();
    let columns = Columns { signals, status, id, rest, long_rest, whole };
    Ok(Rows { time_us: time.values().to_vec(), vehicle, source, columns })
}

/// Texts of a dictionary or plain text column; nothing where a row has none.
pub fn words(array: &ArrayRef) -> Option<Vec<String>> {
    if let Some(dictionary) = array.as_dictionary_opt::<Int32Type>() {
        let values = dictionary.values().as_string_opt::<i32>()?;
        let text = |key: Option<i32>| key.map_or(String::new(), |key| values.value(key as usize).to_owned());
        return Some(dictionary.keys().iter().map(text).collect());
    }
    let texts = array.as_string_opt::<i32>()?;
    Some(texts.iter().map(|text| text.unwrap_or_default().to_owned()).collect())
}

fn valued_of(signal: &Signal, array: &ArrayRef) -> Result<Valued, TableError> {
    let wrong = || TableError::Column { column: signal.name.clone() };
    if array.data_type() != &data_type(signal) {
        return Err(wrong());
    }
    let valid = array.nulls().filter(|nulls| nulls.null_count() > 0).map(|nulls| nulls.iter().collect::<Vec<bool>>());
    let values = match data_type(signal) {
        DataType::Float64 => Values::Real(array.as_primitive::<Float64Type>().values().to_vec()),
        DataType::Float32 => Values::Real32(array.as_primitive::<Float32Type>().values().to_vec()),
        DataType::Boolean => Values::Flag(array.as_boolean().values().iter().collect()),
        DataType::UInt64 => Values::Whole64(array.as_primitive::<UInt64Type>().values().to_vec()),
        DataType::Int8 => widened::<Int8Type>(array),
        DataType::UInt8 => widened::<UInt8Type>(array),
        DataType::Int16 => widened::<Int16Type>(array),
        DataType::UInt16 => widened::<UInt16Type>(array),
        DataType::Int32 => widened::<Int32Type>(array),
        DataType::UInt32 => widened::<UInt32Type>(array),
        DataType::Int64 => widened::<Int64Type>(array),
        _ => {
            let dictionary = array.as_dictionary::<Int32Type>();
            let words = dictionary.values().as_string_opt::<i32>().ok_or_else(wrong)?;
            let raw_of = |label: &str| {
                let known = signal.labels.iter().find(|(_, text)| text == label).map(|(raw, _)| *raw);
                known.or_else(|| label.parse().ok())
            };
            let by_key: Vec<Option<u64>> = words.iter().map(|word| raw_of(word.unwrap_or_default())).collect();
            let mut raws = Vec::with_capacity(array.len());
            for key in dictionary.keys() {
                match key {
                    None => raws.push(0),
                    Some(key) => raws.push(by_key[key as usize].ok_or_else(|| TableError::Label {
                        column: signal.name.clone(),
                        label: words.value(key as usize).to_owned(),
                    })?),
                }
            }
            Values::Label(raws)
        }
    };
    Ok(Valued { values, valid })
}

fn widened<T: ArrowPrimitiveType>(array: &ArrayRef) -> Values
where
    T::Native: Into<i64>,
{
    Values::Whole(array.as_primitive::<T>().values().iter().map(|value| (*value).into()).collect())
}
