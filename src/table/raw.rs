//! The raw table: one row a frame that no definition knows, remote frame or error frame; by vehicle, then time.

use std::sync::Arc;

use arrow_array::builder::{BinaryBuilder, StringDictionaryBuilder};
use arrow_array::cast::AsArray;
use arrow_array::types::{Int32Type, TimestampMicrosecondType, UInt8Type, UInt32Type};
use arrow_array::{BooleanArray, RecordBatch, TimestampMicrosecondArray, UInt8Array, UInt32Array};
use arrow_schema::{DataType, Schema, SchemaRef};

use super::signals::{TableError, words};
use super::{field, time_type, word_type};
use crate::frame::{CanId, FrameBlock, Kind, Meta};

/// The table's name.
pub const NAME: &str = "raw";

/// The table's columns.
pub fn schema() -> SchemaRef {
    Arc::new(Schema::new(vec![
        field("time", time_type(), false, "", "Receive time."),
        field("vehicle", word_type(), false, "", "Fleet number."),
        field("bus", word_type(), false, "", "Name of the bus, or of the channel where no bus is known."),
        field("id", DataType::UInt32, false, "", "Identifier; of an error frame, its class."),
        field("extended", DataType::Boolean, false, "", "Whether the identifier has 29 bits."),
        field("kind", word_type(), false, "", "data, remote, error or fd."),
        field("flags", DataType::UInt8, false, "", "CAN FD: 1 bit rate switch, 2 sender error passive."),
        field("length", DataType::UInt8, false, "", "Data bytes; of a remote frame, those asked for."),
        field("raw_dlc", DataType::UInt8, false, "", "Length code 9 to 15 of a classical frame of 8 bytes, else 0."),
        field("payload", DataType::Binary, false, "", "Data."),
    ]))
}

const KINDS: [(Kind, &str); 4] =
    [(Kind::Data, "data"), (Kind::Remote, "remote"), (Kind::Error, "error"), (Kind::Fd, "fd")];

/// Rows as a batch. `vehicle` tells that of each row of the block; `buses` are the names by channel.
pub fn batch<'a>(
    vehicle: &dyn Fn(usize) -> &'a str,
    buses: &[String],
    block: &FrameBlock,
    range: std::ops::Range<usize>,
) -> RecordBatch {
    let schema = schema();
    let ids = &block.id[range.clone()];
    let metas = &block.meta[range.clone()];
    let mut names = StringDictionaryBuilder::<Int32Type>::new();
    let mut bus = StringDictionaryBuilder::<Int32Type>::new();
    let mut kind = StringDictionaryBuilder::<Int32Type>::new();
    let mut payload = BinaryBuilder::new();
    let mut scratch = [0; 8];
    for (row, meta) in range.clone().zip(metas) {
        names.append_value(vehicle(row));
        bus.append_value(buses.get(usize::from(meta.channel)).map_or("", String::as_str));
        kind.append_value(KINDS.iter().find(|(kind, _)| *kind == meta.kind()).map_or("", |(_, word)| *word));
        payload.append_value(block.bytes(row, &mut scratch));
    }
    let bytes = |of: &dyn Fn(&Meta) -> u8| Arc::new(UInt8Array::from_iter_values(metas.iter().map(of)));
    let time = TimestampMicrosecondArray::from(block.time_us[range].to_vec()).with_timezone("UTC");
    RecordBatch::try_new(
        schema,
        vec![
            Arc::new(time),
            Arc::new(names.finish()),
            Arc::new(bus.finish()),
            Arc::new(UInt32Array::from_iter_values(ids.iter().map(|id| id.bits()))),
            Arc::new(BooleanArray::from_iter(ids.iter().map(|id| Some(id.is_extended())))),
            Arc::new(kind.finish()),
            bytes(&|meta| meta.flags()),
            bytes(&|meta| meta.len),
            bytes(&|meta| meta.raw_dlc()),
            Arc::new(payload.finish()),
        ],
    )
    // Columns and schema stand side by side above.
    .unwrap_or_else(|error| panic!("the raw columns do not fit their schema: {error}"))
}

/// Reads a batch back: its frames, and the vehicle and bus of each. Channels are 0.
///
/// # Errors
/// The batch is not of this table.
pub fn rows(batch: &RecordBatch) -> Result<(FrameBlock, Vec<String>, Vec<String>), TableError> {
    let wrong = |name: &str| TableError::Column { column: name.to_owned() };
    let column = |name: &str| batch.column_by_name(name).ok_or_else(|| wrong(name));
    let bytes = |name: &str| column(name)?.as_primitive_opt::<UInt8Type>().ok_or_else(|| wrong(name));
    let time = column("time")?.as_primitive_opt::<TimestampMicrosecondType>().ok_or_else(|| wrong("time"))?;
    let vehicle = words(column("vehicle")?).ok_or_else(|| wrong("vehicle"))?;
    let bus = words(column("bus")?).ok_or_else(|| wrong("bus"))?;
    let id = column("id")?.as_primitive_opt::<UInt32Type>().ok_or_else(|| wrong("id"))?;
    let extended = column("extended")?.as_boolean_opt().ok_or_else(|| wrong("extended"))?;
    let kind = words(column("kind")?).ok_or_else(|| wrong("kind"))?;
    let payload = column("payload")?.as_binary_opt::<i32>().ok_or_else(|| wrong("payload"))?;
    let (flags, length, raw_dlc) = (bytes("flags")?, bytes("length")?, bytes("raw_dlc")?);
    let mut block = FrameBlock::with_capacity(batch.num_rows());
    for row in 0..batch.num_rows() {
        let kind = KINDS.iter().find(|(_, word)| *word == kind[row]).ok_or_else(|| wrong("kind"))?.0;
        let flag = match kind {
            Kind::Remote => CanId::REMOTE,
            Kind::Error => CanId::ERROR,
            Kind::Data | Kind::Fd => 0,
        };
        let wide = if extended.value(row) { CanId::EXTENDED } else { 0 };
        let id = CanId(id.value(row) & CanId::EXTENDED_BITS | wide | flag);
        let meta = Meta::new(0, kind, flags.value(row), length.value(row), raw_dlc.value(row));
        let data = payload.value(row);
        if data.len() > 8 {
            block.push_long(time.value(row), id, meta, data);
        } else {
            block.push_short(time.value(row), id, meta, crate::frame::word_of(data));
        }
    }
    debug_assert_eq!(block.len(), batch.num_rows(), "a row is a frame");
    Ok((block, vehicle, bus))
}
