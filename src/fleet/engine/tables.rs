//! The tables of the store, declared in one place: their names, where their files lie, and their columns.
//!
//! Columns are taken from what writes them (`table`) and the definition sets that the store keeps, and not from
//! whichever file a listing meets first. Where sets differ, a table has the columns of all, the newest set's first.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use datafusion::arrow::datatypes::{DataType, Field, Schema, SchemaRef};

use crate::defs::Definitions;
use crate::defs::rules::Rules;
use crate::store::summary;
use crate::table::{ABOUT_KEY, UNIT_KEY, field, health, raw, runs, signals};

/// Schema of the summary tables, of `raw`, and of the records: the one that names without a schema are looked for in.
pub(super) const FLEET: &str = "fleet";
/// Schema of the signals tables: `signals.line_input`.
pub(super) const SIGNALS: &str = "signals";

/// A table whose rows lie in the store.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(super) enum StoreTable {
    Runs,
    Events,
    BusHealth,
    MessageHealth,
    Raw,
    /// Of a message.
    Signals(String),
}

/// Those that every store has.
pub(super) const ALWAYS: [StoreTable; 5] =
    [StoreTable::Runs, StoreTable::Events, StoreTable::BusHealth, StoreTable::MessageHealth, StoreTable::Raw];

impl StoreTable {
    /// Its name within its schema.
    pub(super) fn name(&self) -> &str {
        match self {
            Self::Runs => runs::RUNS,
            Self::Events => runs::EVENTS,
            Self::BusHealth => health::BUSES,
            Self::MessageHealth => health::MESSAGES,
            Self::Raw => raw::NAME,
            Self::Signals(message) => message,
        }
    }

    /// What a row is.
    pub(super) fn about(&self) -> &'static str {
        match self {
            Self::Runs => "One row a run, with one column a counter.",
            Self::Events => "One row an occurrence that a counter counted.",
            Self::BusHealth => "One row a bus and hour.",
            Self::MessageHealth => "One row a message and hour.",
            Self::Raw => "One row a frame that no definition knows, remote frame or error frame.",
            Self::Signals(_) => "One row a frame of the message.",
        }
    }

    /// The folder of its files.
    pub(super) fn folder(&self, root: &Path) -> PathBuf {
        match self {
            Self::Signals(message) => root.join("signals").join(format!("message={message}")),
            other => root.join(other.name()),
        }
    }

    /// The column that tells which of its folders a row lies in: the one that prunes.
    pub(super) fn partition(&self) -> Field {
        match self {
            Self::Raw | Self::Signals(_) => {
                field("date", DataType::Date32, false, "", "Service day. Says which files are looked at.")
            }
            _ => {
                let about = "Month of the service day, such as 2026-03. Says which files are looked at.";
                field("month", DataType::Utf8View, false, "", about)
            }
        }
    }

    /// Whether its files are few, so that a look at each month's is cheap.
    pub(super) fn is_summary(&self) -> bool {
        !matches!(self, Self::Raw | Self::Signals(_))
    }

    /// Its columns as a definition set has them; none where the set has no such table.
    pub(super) fn columns(&self, defs: &Definitions) -> Option<SchemaRef> {
        let of = |batch| summary::with_recordings(&batch, Vec::new()).schema();
        let nothing = no_rules();
        let rules = defs.rules.as_ref().unwrap_or(&nothing);
        Some(match self {
            Self::Runs => of(runs::runs(defs, rules, "", &[], &[])),
            Self::Events => of(runs::events(defs, rules, "", &[], &[])),
            Self::BusHealth => of(health::buses(defs, "", &[], &days())),
            Self::MessageHealth => of(health::messages(defs, "", &[], &days())),
            Self::Raw => raw::schema(),
            Self::Signals(name) => signals::schema(&defs.messages[defs.message(name)?]),
        })
    }

    /// The columns that it has whatever is counted: of a store that has counted nothing yet.
    pub(super) fn base(&self) -> SchemaRef {
        let none = Definitions {
            name: String::new(),
            hash: String::new(),
            buses: Vec::new(),
            messages: Vec::new(),
            modules: Vec::new(),
            rules: None,
            sources: Vec::new(),
        };
        self.columns(&none).unwrap_or_else(|| {
            let both = [
                field("time", crate::table::time_type(), false, "", "Receive time."),
                field("vehicle", crate::table::word_type(), false, "", "Fleet number."),
            ];
            Arc::new(Schema::new(both.to_vec()))
        })
    }
}

fn no_rules() -> Rules {
    Rules {
        in_use: 0,
        ends_after_us: 0,
        gap_us: 0,
        shortest_us: 0,
        distance: None,
        position: None,
        conditions: Vec::new(),
        counters: Vec::new(),
    }
}

/// No row is made, so it makes no difference which.
fn days() -> crate::day::ServiceDays {
    crate::day::ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::Time::MIN)
}

/// Columns of a table over all that writes it.
#[derive(Debug, Clone)]
pub(super) struct Declared {
    /// As queries see them, without the partition.
    pub(super) columns: SchemaRef,
    /// Columns that are left out, because their types have nothing in common: name and types.
    pub(super) left_out: Vec<(String, String)>,
}

/// Joins what several sets say of one table, the newest first. Types are widened until they hold all values; text of any
/// kind is plain text; every column may be null, since a file may lack it.
pub(super) fn joined(schemas: &[SchemaRef]) -> Declared {
    let mut names: Vec<&str> = Vec::new();
    let mut found: HashMap<&str, Option<Field>> = HashMap::new();
    let mut left_out: Vec<(String, String)> = Vec::new();
    for next in schemas.iter().flat_map(|schema| schema.fields()) {
        let data_type = plain(next.data_type());
        let Some(known) = found.get_mut(next.name().as_str()) else {
            names.push(next.name());
            let column = Field::new(next.name(), data_type, true).with_metadata(next.metadata().clone());
            found.insert(next.name(), Some(column));
            continue;
        };
        let Some(column) = known else { continue };
        match wider(column.data_type(), &data_type) {
            Some(wide) => {
                let noted = noting_unit(column, next);
                *column = column.clone().with_data_type(wide).with_metadata(noted);
            }
            None => {
                left_out.push((next.name().clone(), format!("{} and {data_type}", column.data_type())));
                *known = None;
            }
        }
    }
    let columns: Vec<Field> = names.into_iter().filter_map(|name| found.remove(name).flatten()).collect();
    Declared { columns: Arc::new(Schema::new(columns)), left_out }
}

/// A column's metadata; where sets measure it in different units, its description says so.
fn noting_unit(column: &Field, other: &Field) -> HashMap<String, String> {
    let mut metadata = column.metadata().clone();
    let unit = |field: &Field| field.metadata().get(UNIT_KEY).cloned().unwrap_or_default();
    let (ours, theirs) = (unit(column), unit(other));
    if ours != theirs {
        let shown = |unit: &str| if unit.is_empty() { "no unit".to_owned() } else { unit.to_owned() };
        let note = format!("Caution: rows of an older definition set are in {}.", shown(&theirs));
        let about = metadata.entry(ABOUT_KEY.to_owned()).or_default();
        if !about.contains(&note) {
            *about = format!("{about} {note}").trim().to_owned();
        }
    }
    metadata
}

/// The type that queries see.
fn plain(data_type: &DataType) -> DataType {
    match data_type {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => DataType::Utf8View,
        DataType::Dictionary(_, values) => plain(values),
        other => other.clone(),
    }
}

/// The narrowest type that holds the values of both; none where there is none.
fn wider(one: &DataType, other: &DataType) -> Option<DataType> {
    use DataType::{Boolean, Decimal128, Float32, Float64, Int64, UInt64, Utf8View};
    let is_value = |data_type: &DataType| data_type.is_numeric() || *data_type == Boolean;
    if one == other {
        return Some(one.clone());
    }
    if (*one == Utf8View && is_value(other)) || (*other == Utf8View && is_value(one)) {
        return Some(Utf8View);
    }
    if !is_value(one) || !is_value(other) {
        return None;
    }
    let of = |wanted: &dyn Fn(&DataType) -> bool| wanted(one) || wanted(other);
    if of(&|t| matches!(t, Float32 | Float64)) {
        // A whole number of more than 53 bits is rounded; no signal of a scaled kind has so many.
        return Some(Float64);
    }
    if of(&|t| matches!(t, Decimal128(..))) || (of(&|t| *t == UInt64) && of(&|t| t.is_signed_integer())) {
        return Some(Decimal128(20, 0));
    }
    if of(&|t| t.is_signed_integer()) {
        return Some(Int64);
    }
    Some(UInt64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn schema(columns: &[(&str, DataType, &str)]) -> SchemaRef {
        let fields: Vec<Field> =
            columns.iter().map(|(name, kind, unit)| field(name, kind.clone(), true, unit, "")).collect();
        Arc::new(Schema::new(fields))
    }

    #[test]
    fn a_table_has_the_columns_of_all_sets_widened() {
        let newer =
            schema(&[("a", DataType::UInt8, ""), ("v", DataType::Float64, "V"), ("t", crate::table::word_type(), "")]);
        let older = schema(&[
            ("b", DataType::Boolean, ""),
            ("a", DataType::Int16, ""),
            ("v", DataType::Float32, "kV"),
            ("t", DataType::UInt8, ""),
        ]);
        let declared = joined(&[newer, older]);
        let types: Vec<_> =
            declared.columns.fields().iter().map(|f| (f.name().as_str(), f.data_type().clone())).collect();
        let wanted =
            [("a", DataType::Int64), ("v", DataType::Float64), ("t", DataType::Utf8View), ("b", DataType::Boolean)];
        assert_eq!(types, wanted);
        assert!(declared.left_out.is_empty());
        let volts = declared.columns.field(1).metadata();
        assert_eq!(
            (volts["unit"].as_str(), volts["about"].as_str()),
            ("V", "Caution: rows of an older definition set are in kV.")
        );
    }

    #[test]
    fn a_column_of_types_that_have_nothing_in_common_is_left_out_and_told() {
        let newer = schema(&[("rest", DataType::Binary, ""), ("x", DataType::UInt64, "")]);
        let older = schema(&[("rest", DataType::UInt64, ""), ("x", DataType::Int8, "")]);
        let declared = joined(&[newer, older]);
        assert_eq!(declared.left_out, [("rest".to_owned(), "Binary and UInt64".to_owned())]);
        assert_eq!(declared.columns.fields().len(), 1);
        // Neither the highest of the one nor the lowest of the other is lost.
        assert_eq!(declared.columns.field(0).data_type(), &DataType::Decimal128(20, 0));
    }
}
