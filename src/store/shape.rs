//! How each table is written: its columns, how they are packed, what the footer says. One way for whoever writes it, so
//! that the same rows give the same bytes.

use std::path::PathBuf;

use arrow_schema::SchemaRef;

use super::error::StoreError;
use super::file::{CHUNK_ROWS, Packing, ROW_GROUP_ROWS, TableFile, packing_of, properties};
use super::{BUS_KEY, DEFINITIONS_KEY, SET_KEY, TABLE_KEY};
use crate::defs::{Column, Definitions, Signal};
use crate::table::{Meaning, raw, signals};

/// What a vehicle's day may take in memory while its rows wait to become row groups, all tables together, bytes.
const WAITING_BYTES: usize = 56 << 20;

/// A table's files.
pub(crate) struct Shape {
    schema: SchemaRef,
    packing: Vec<Packing>,
    meanings: Vec<Option<Meaning>>,
    footer: Vec<(&'static str, String)>,
    group_rows: usize,
}

impl Shape {
    /// Of a message's table; `vehicles` tells what the patterns of that column stand for.
    pub(crate) fn signals(
        defs: &Definitions,
        message: usize,
        vehicles: Meaning,
        footer: Vec<(&'static str, String)>,
    ) -> Self {
        let described = &defs.messages[message];
        let schema = signals::schema(described);
        let packing = signals_packing(&schema, &described.signals);
        let meanings = signals::meanings(described, vehicles);
        Self { packing, meanings, schema, footer, group_rows: group_rows(defs, Some(message)) }
    }

    /// Of the raw table.
    pub(crate) fn raw(defs: &Definitions, footer: Vec<(&'static str, String)>) -> Self {
        let schema = raw::schema();
        let packing = schema.fields().iter().map(|field| packing_of(field.data_type())).collect();
        let meanings = vec![None; schema.fields().len()];
        Self { schema, packing, meanings, footer, group_rows: group_rows(defs, None) }
    }

    /// Begins a file.
    pub(crate) fn create(&self, path: PathBuf) -> Result<TableFile, StoreError> {
        let properties = properties(&self.schema, &self.packing, &self.footer);
        TableFile::create_coded(path, &self.schema, properties, &self.meanings, self.group_rows)
    }
}

/// Rows of a table's row groups, of a message or raw. The more tables a definition set has, the fewer, so that all of
/// them fit in memory. It depends on nothing but the set: the same rows give the same groups, whoever writes them.
pub(crate) fn group_rows(defs: &Definitions, message: Option<usize>) -> usize {
    /// Time, and what is mostly null.
    const ROW_BYTES: usize = 8;
    /// Identifier, length, payload.
    const RAW_BYTES: usize = 32;
    let bytes_of = |signal: &Signal| match signal.column {
        _ if signal.is_coded() => size_of::<u16>(),
        Column::Flag => 1,
        _ => size_of::<u64>(),
    };
    let own = message.map_or(RAW_BYTES, |message| defs.messages[message].signals.iter().map(bytes_of).sum());
    let rows = WAITING_BYTES / (defs.messages.len() + 1) / (ROW_BYTES + own);
    (rows / CHUNK_ROWS * CHUNK_ROWS).clamp(CHUNK_ROWS, ROW_GROUP_ROWS)
}

/// What the footer of a table says; the raw table has no bus.
pub(crate) fn footer(defs: &Definitions, message: Option<usize>) -> Vec<(&'static str, String)> {
    let described = message.map(|message| &defs.messages[message]);
    let table = described.map_or(raw::NAME, |message| &message.name);
    let mut footer =
        vec![(TABLE_KEY, table.to_owned()), (SET_KEY, defs.name.clone()), (DEFINITIONS_KEY, defs.hash.clone())];
    footer.extend(described.map(|message| (BUS_KEY, defs.buses[message.bus].name.clone())));
    footer
}

/// How a signals table's columns are packed.
fn signals_packing(schema: &SchemaRef, signals: &[Signal]) -> Vec<Packing> {
    let of = |name: &str| signals.iter().find(|signal| signal.name == name);
    schema
        .fields()
        .iter()
        .map(|field| match of(field.name()) {
            Some(signal) => match signal.column {
                // A dictionary holds every value of 16 bits; wider ones hardly repeat.
                Column::Real if signal.field.bits <= 16 => Packing::Dictionary,
                Column::Real | Column::Real32 | Column::Real64 => Packing::Split,
                Column::Flag => Packing::Plain,
                Column::Label => Packing::Dictionary,
                Column::Whole { .. } if signal.field.bits <= 6 => Packing::Dictionary,
                Column::Whole { .. } => Packing::Delta,
            },
            None if field.name() == "rest" || field.name() == "can_id" => Packing::Dictionary,
            None => packing_of(field.data_type()),
        })
        .collect()
}
