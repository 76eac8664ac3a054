//! How each table is written: its columns, how they are packed, what the footer says. One way for whoever writes it, so
//! that the same rows give the same bytes.

use std::path::PathBuf;

use arrow_schema::SchemaRef;

use super::error::StoreError;
use super::file::{Packing, TableFile, packing_of, properties};
use super::{BUS_KEY, DEFINITIONS_KEY, SET_KEY, TABLE_KEY};
use crate::defs::{Column, Definitions, Message, Signal};
use crate::table::{Meaning, raw, signals};

/// A table's files.
pub(crate) struct Shape {
    schema: SchemaRef,
    packing: Vec<Packing>,
    meanings: Vec<Option<Meaning>>,
    footer: Vec<(&'static str, String)>,
}

impl Shape {
    /// Of a message's table; `vehicles` tells what the patterns of that column stand for.
    pub(crate) fn signals(message: &Message, vehicles: Meaning, footer: Vec<(&'static str, String)>) -> Self {
        let schema = signals::schema(message);
        let packing = signals_packing(&schema, &message.signals);
        Self { packing, meanings: signals::meanings(message, vehicles), schema, footer }
    }

    /// Of the raw table.
    pub(crate) fn raw(footer: Vec<(&'static str, String)>) -> Self {
        let schema = raw::schema();
        let packing = schema.fields().iter().map(|field| packing_of(field.data_type())).collect();
        let meanings = vec![None; schema.fields().len()];
        Self { schema, packing, meanings, footer }
    }

    /// Begins a file.
    pub(crate) fn create(&self, path: PathBuf) -> Result<TableFile, StoreError> {
        let properties = properties(&self.schema, &self.packing, &self.footer);
        TableFile::create_coded(path, &self.schema, properties, &self.meanings)
    }
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
