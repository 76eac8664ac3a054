//! What people wrote down, as tables: one a file of the records, and two of the overhead.
//!
//! Columns are documented here and nowhere else; `yardtap sql --tables` shows them. What was left empty is NULL. Columns
//! that nobody knows stand last, as text.

use std::collections::BTreeSet;
use std::sync::Arc;

use datafusion::arrow::array::{
    ArrayRef, BooleanArray, Date32Array, Float64Array, Int64Array, RecordBatch, StringViewArray,
    TimestampMicrosecondArray,
};
use datafusion::arrow::datatypes::{DataType, Field, Schema, TimeUnit};
use datafusion::catalog::TableProvider;
use datafusion::common::Result;
use datafusion::datasource::MemTable;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::records::{Fitting, More, Records};
use crate::table::runs::days_since_epoch;
use crate::table::{field, time_type};

/// Name of each table, and what a row is.
pub(super) const TABLES: [(&str, &str); 9] = [
    ("vehicles", "One row a vehicle on the books."),
    ("packs", "One row an off-wire battery pack that was fitted."),
    ("heads", "One row a collector head that was fitted."),
    ("inserts", "One row a carbon insert that was fitted."),
    ("readings", "One row a value measured by hand at an inspection."),
    ("duties", "One row a duty: who drove what, where and when."),
    ("channels", "One row a channel that is measured by hand, with its limits."),
    ("special_work", "One row a piece of special work in the overhead."),
    ("ways", "One row a point of a line's way, in order."),
];

/// The tables, in the order of [`TABLES`]. Local times become UTC by `zone`.
pub(super) fn tables(records: &Records, zone: &TimeZone) -> Result<Vec<(&'static str, Arc<dyn TableProvider>)>> {
    let batches = [
        vehicles(records)?,
        fittings(&records.packs)?,
        fittings(&records.heads)?,
        fittings(&records.inserts)?,
        readings(records)?,
        duties(records, zone)?,
        channels(records)?,
        special_work(records)?,
        ways(records)?,
    ];
    let mut tables: Vec<(&'static str, Arc<dyn TableProvider>)> = Vec::new();
    for ((name, _), batch) in TABLES.iter().zip(batches) {
        tables.push((name, Arc::new(MemTable::try_new(batch.schema(), vec![vec![batch]])?)));
    }
    Ok(tables)
}

fn vehicles(records: &Records) -> Result<RecordBatch> {
    let rows = &records.vehicles;
    let mut columns = Columns::default();
    columns.texts("vehicle", "Fleet number.", rows.iter().map(|row| row.vehicle.as_str()));
    columns.texts("kind", "Kind, in the agency's words.", rows.iter().map(|row| row.kind.as_str()));
    columns.days("in_service_from", "First day in service.", rows.iter().map(|row| row.from));
    columns.days("in_service_to", "Last day in service.", rows.iter().map(|row| row.to));
    columns.texts("yard", "Where it is parked.", rows.iter().map(|row| row.yard.as_str()));
    columns.more(rows.iter().map(|row| &row.more));
    columns.batch()
}

fn fittings(rows: &[Fitting]) -> Result<RecordBatch> {
    let mut columns = Columns::default();
    columns.texts("part", "Its own number.", rows.iter().map(|row| row.part.as_str()));
    columns.texts("vehicle", "Fleet number.", rows.iter().map(|row| row.vehicle.as_str()));
    columns.texts("side", "left or right.", rows.iter().map(|row| row.side.as_str()));
    columns.days("fitted", "From this day.", rows.iter().map(|row| Some(row.fitted)));
    columns.days("removed", "To this day; NULL: it is still in.", rows.iter().map(|row| row.removed));
    columns.texts("reason", "Why it was removed.", rows.iter().map(|row| row.reason.as_str()));
    columns.texts("batch", "The supplier's batch.", rows.iter().map(|row| row.batch.as_str()));
    let about = "Thickness when fitted; carbon inserts only.";
    columns.numbers("thickness_fitted_mm", "mm", about, rows.iter().map(|row| row.thickness_fitted_mm));
    let about = "Thickness when removed; carbon inserts only.";
    columns.numbers("thickness_removed_mm", "mm", about, rows.iter().map(|row| row.thickness_removed_mm));
    columns.texts(
        "head",
        "Collector head that it sits in; carbon inserts only.",
        rows.iter().map(|row| row.head.as_str()),
    );
    columns.more(rows.iter().map(|row| &row.more));
    columns.batch()
}

fn readings(records: &Records) -> Result<RecordBatch> {
    let rows = &records.readings;
    let mut columns = Columns::default();
    columns.days("day", "When it was measured.", rows.iter().map(|row| Some(row.day)));
    columns.texts("vehicle", "Fleet number.", rows.iter().map(|row| row.vehicle.as_str()));
    columns.texts("channel", "What was measured, as in channels.", rows.iter().map(|row| row.channel.as_str()));
    columns.numbers("value", "", "In the channel's unit.", rows.iter().map(|row| Some(row.value)));
    columns.texts("note", "What was seen besides.", rows.iter().map(|row| row.note.as_str()));
    columns.more(rows.iter().map(|row| &row.more));
    columns.batch()
}

fn duties(records: &Records, zone: &TimeZone) -> Result<RecordBatch> {
    let rows = &records.duties;
    let utc = |local: DateTime| zone.to_ambiguous_timestamp(local).compatible().ok().map(|at| at.as_microsecond());
    let mut columns = Columns::default();
    columns.texts("vehicle", "Fleet number.", rows.iter().map(|row| row.vehicle.as_str()));
    columns.times("starts", "Start, UTC.", rows.iter().map(|row| utc(row.from)));
    columns.times("ends", "End, UTC.", rows.iter().map(|row| utc(row.to)));
    columns.local_times("starts_local", "Start on the agency's clocks.", rows.iter().map(|row| row.from));
    columns.local_times("ends_local", "End on the agency's clocks.", rows.iter().map(|row| row.to));
    columns.texts("operator", "Pseudonym of who drove.", rows.iter().map(|row| row.operator.as_str()));
    columns.texts("line", "Line.", rows.iter().map(|row| row.line.as_str()));
    columns.more(rows.iter().map(|row| &row.more));
    columns.batch()
}

fn channels(records: &Records) -> Result<RecordBatch> {
    let rows = &records.channels;
    let mut columns = Columns::default();
    columns.texts("channel", "Its name, as in readings.", rows.iter().map(|row| row.name.as_str()));
    columns.texts("about", "What it is.", rows.iter().map(|row| row.about.as_str()));
    columns.texts("unit", "UCUM code of its values.", rows.iter().map(|row| row.unit.as_str()));
    let about = "Whether it is a power, whose drift is reckoned in dB.";
    columns.flags("decibels", about, rows.iter().map(|row| row.decibels));
    columns.flags("falls", "Whether lower is worse; else higher is.", rows.iter().map(|row| row.falls));
    columns.numbers("new", "", "What a new one reads.", rows.iter().map(|row| row.new));
    columns.numbers("suspect", "", "From here it is suspect.", rows.iter().map(|row| row.suspect));
    let about = "From here it is measured again, and replaced if that holds.";
    columns.numbers("recheck", "", about, rows.iter().map(|row| row.recheck));
    columns.numbers("marginal", "", "From here it may fail any day.", rows.iter().map(|row| row.marginal));
    let days = rows.iter().map(|row| row.every_days.map(i64::from));
    columns.counts("every_days", "d", "Days from one reading to the next.", days);
    let kinds: Vec<String> = rows.iter().map(|row| row.kinds.join(";")).collect();
    columns.texts(
        "kinds",
        "Kinds of vehicle that have it, with ; between; NULL: all.",
        kinds.iter().map(String::as_str),
    );
    columns.batch()
}

fn special_work(records: &Records) -> Result<RecordBatch> {
    let rows = &records.overhead.special;
    let mut columns = Columns::default();
    columns.texts("id", "Its number on the overhead plan.", rows.iter().map(|row| row.id.as_str()));
    columns.texts(
        "kind",
        "switch, coast_switch, power_switch, crossing, curve, section_gap, …",
        rows.iter().map(|row| row.kind.as_str()),
    );
    columns.texts("name", "In words.", rows.iter().map(|row| row.name.as_str()));
    columns.numbers("latitude", "deg", "", rows.iter().map(|row| Some(row.latitude)));
    columns.numbers("longitude", "deg", "", rows.iter().map(|row| Some(row.longitude)));
    let lines: Vec<String> = rows.iter().map(|row| row.lines.join(";")).collect();
    let about = "Lines that pass it, with ; between; NULL: those whose way comes near.";
    columns.texts("lines", about, lines.iter().map(String::as_str));
    columns.batch()
}

fn ways(records: &Records) -> Result<RecordBatch> {
    let ways = records.overhead.ways.iter().enumerate();
    let rows: Vec<_> = ways
        .flat_map(|(number, way)| way.points.iter().enumerate().map(move |(at, point)| (number, way, at, point)))
        .collect();
    let number = |number: usize| Some(i64::try_from(number).unwrap_or(i64::MAX));
    let mut columns = Columns::default();
    columns.counts("way", "1", "Number of the way, from 0.", rows.iter().map(|(way, ..)| number(*way)));
    columns.texts("line", "Line, as duties name it; or a name.", rows.iter().map(|(_, way, ..)| way.line.as_str()));
    columns.flags("wired", "Whether wires hang above it.", rows.iter().map(|(_, way, ..)| way.wired));
    columns.counts("point", "1", "Number of the point in its way, from 0.", rows.iter().map(|(.., at, _)| number(*at)));
    columns.numbers("latitude", "deg", "", rows.iter().map(|(.., point)| Some(point.0)));
    columns.numbers("longitude", "deg", "", rows.iter().map(|(.., point)| Some(point.1)));
    columns.batch()
}

/// Columns that come one by one.
#[derive(Default)]
struct Columns {
    fields: Vec<Field>,
    arrays: Vec<ArrayRef>,
}

impl Columns {
    fn add(&mut self, name: &str, data_type: DataType, unit: &str, about: &str, array: ArrayRef) {
        self.fields.push(field(name, data_type, true, unit, about));
        self.arrays.push(array);
    }

    fn texts<'a>(&mut self, name: &str, about: &str, texts: impl Iterator<Item = &'a str>) {
        let texts: StringViewArray = texts.map(|text| Some(text).filter(|text| !text.is_empty())).collect();
        self.add(name, DataType::Utf8View, "", about, Arc::new(texts));
    }

    fn numbers(&mut self, name: &str, unit: &str, about: &str, numbers: impl Iterator<Item = Option<f64>>) {
        let numbers: Float64Array = numbers.map(|number| number.filter(|number| number.is_finite())).collect();
        self.add(name, DataType::Float64, unit, about, Arc::new(numbers));
    }

    fn counts(&mut self, name: &str, unit: &str, about: &str, counts: impl Iterator<Item = Option<i64>>) {
        self.add(name, DataType::Int64, unit, about, Arc::new(counts.collect::<Int64Array>()));
    }

    fn flags(&mut self, name: &str, about: &str, flags: impl Iterator<Item = bool>) {
        let flags: BooleanArray = flags.map(Some).collect();
        self.add(name, DataType::Boolean, "", about, Arc::new(flags));
    }

    fn days(&mut self, name: &str, about: &str, days: impl Iterator<Item = Option<Date>>) {
        let days: Date32Array = days.map(|day| day.map(days_since_epoch)).collect();
        self.add(name, DataType::Date32, "", about, Arc::new(days));
    }

    fn times(&mut self, name: &str, about: &str, times: impl Iterator<Item = Option<i64>>) {
        let times = times.collect::<TimestampMicrosecondArray>().with_timezone("UTC");
        self.add(name, time_type(), "", about, Arc::new(times));
    }

    fn local_times(&mut self, name: &str, about: &str, times: impl Iterator<Item = DateTime>) {
        // As if the clocks showed UTC: a time without a zone.
        let times = times.map(|at| TimeZone::UTC.to_timestamp(at).ok().map(|at| at.as_microsecond()));
        let times: TimestampMicrosecondArray = times.collect();
        self.add(name, DataType::Timestamp(TimeUnit::Microsecond, None), "", about, Arc::new(times));
    }

    /// Columns that nobody knows, of all rows.
    fn more<'a>(&mut self, rows: impl Iterator<Item = &'a More> + Clone) {
        let names: BTreeSet<&String> = rows.clone().flat_map(More::keys).collect();
        for name in names {
            // One that is written like a known one, but for capitals, keeps its own name.
            if self.fields.iter().any(|field| field.name() == name) {
                continue;
            }
            let texts = rows.clone().map(|row| row.get(name).map_or("", String::as_str));
            self.texts(name, "A column of the file that yardtap does not know.", texts);
        }
    }

    fn batch(self) -> Result<RecordBatch> {
        Ok(RecordBatch::try_new(Arc::new(Schema::new(self.fields)), self.arrays)?)
    }
}
