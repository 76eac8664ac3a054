//! Rows of a table as text: aligned for people, CSV and JSON for programs.

use std::io::{self, Write};

use arrow_array::cast::AsArray;
use arrow_array::types::{Date32Type, Float64Type, Int32Type, Int64Type, TimestampMicrosecondType, UInt64Type};
use arrow_array::{Array, ArrayRef, RecordBatch};
use arrow_schema::{DataType, Schema};
use comfy_table::{Attribute, Cell, CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};
use serde_json::{Map, Value};

use crate::day::ServiceDays;
use crate::defs::payload::tidy;
use crate::defs::rules::{CounterKind, Rules};

/// One value of a batch, null where there is none.
fn value(array: &ArrayRef, row: usize) -> Value {
    if array.is_null(row) {
        return Value::Null;
    }
    match array.data_type() {
        DataType::Float64 => Value::from(array.as_primitive::<Float64Type>().value(row)),
        DataType::UInt64 => Value::from(array.as_primitive::<UInt64Type>().value(row)),
        DataType::Int64 => Value::from(array.as_primitive::<Int64Type>().value(row)),
        DataType::Boolean => Value::from(array.as_boolean().value(row)),
        DataType::Utf8 => Value::from(array.as_string::<i32>().value(row)),
        DataType::Timestamp(..) => {
            let us = array.as_primitive::<TimestampMicrosecondType>().value(row);
            jiff::Timestamp::from_microsecond(us).map_or(Value::Null, |at| Value::from(at.to_string()))
        }
        DataType::Date32 => {
            let days = array.as_primitive::<Date32Type>().value(row);
            let date = jiff::civil::date(1970, 1, 1).checked_add(jiff::Span::new().days(days));
            date.map_or(Value::Null, |date| Value::from(date.to_string()))
        }
        DataType::Dictionary(..) => {
            let words = array.as_dictionary::<Int32Type>();
            let key = words.keys().value(row) as usize;
            words.values().as_string_opt::<i32>().map_or(Value::Null, |values| Value::from(values.value(key)))
        }
        // Summary tables hold no other types, and answers of SQL are brought to these first.
        _ => Value::Null,
    }
}

/// A row as a JSON object.
pub fn json_object(batch: &RecordBatch, row: usize) -> Map<String, Value> {
    let fields = batch.schema();
    let named = fields.fields().iter().zip(batch.columns());
    named.map(|(field, column)| (field.name().clone(), value(column, row))).collect()
}

/// One JSON object a line.
///
/// # Errors
/// They cannot be written.
pub fn json_lines(batch: &RecordBatch, out: &mut impl Write) -> io::Result<()> {
    (0..batch.num_rows()).try_for_each(|row| writeln!(out, "{}", Value::Object(json_object(batch, row))))
}

/// RFC 4180, with a heading.
///
/// # Errors
/// They cannot be written.
pub fn csv(batch: &RecordBatch, out: &mut impl Write) -> io::Result<()> {
    csv_heading(&batch.schema(), out)?;
    csv_rows(batch, out)
}

/// The heading of a CSV file whose rows come in several batches.
///
/// # Errors
/// It cannot be written.
pub fn csv_heading(schema: &Schema, out: &mut impl Write) -> io::Result<()> {
    let names: Vec<String> = schema.fields().iter().map(|field| quoted(field.name())).collect();
    write!(out, "{}\r\n", names.join(","))
}

/// Rows of a CSV file. NULL is empty; text that is empty is quoted.
///
/// # Errors
/// They cannot be written.
pub fn csv_rows(batch: &RecordBatch, out: &mut impl Write) -> io::Result<()> {
    for row in 0..batch.num_rows() {
        let cells: Vec<String> = batch
            .columns()
            .iter()
            .map(|column| match value(column, row) {
                Value::Null => String::new(),
                Value::String(text) => quoted(&text),
                other => other.to_string(),
            })
            .collect();
        write!(out, "{}\r\n", cells.join(","))?;
    }
    Ok(())
}

fn quoted(text: &str) -> String {
    if text.is_empty() || text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// The cells of a batch for people: numbers without the noise of binary fractions, – where there is nothing.
pub fn cells(batch: &RecordBatch) -> Vec<Vec<String>> {
    let cell = |column: &ArrayRef, row: usize| match value(column, row) {
        Value::Null => "–".to_owned(),
        Value::String(text) => text,
        Value::Number(number) if number.is_f64() => number.as_f64().map_or(String::new(), tidy),
        other => other.to_string(),
    };
    (0..batch.num_rows()).map(|row| batch.columns().iter().map(|column| cell(column, row)).collect()).collect()
}

/// Nothing but a rule between heading and rows.
const RULE_BELOW_HEADING: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));

/// A plain table: a heading of as many lines as its longest needs, a rule, and the rows. Columns from `numeric_from` on
/// are set to the right. Nothing is wrapped: a terminal too narrow shows all the same what a file would hold.
pub fn table(headings: &[String], rows: &[Vec<String>], numeric_from: usize) -> String {
    aligned(headings, rows, &|index| index >= numeric_from)
}

/// The same; `is_numeric` tells which columns are set to the right.
pub fn aligned(headings: &[String], rows: &[Vec<String>], is_numeric: &dyn Fn(usize) -> bool) -> String {
    let mut table = Table::new();
    table.load_style(RULE_BELOW_HEADING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(headings.iter().map(|heading| Cell::new(heading).add_attribute(Attribute::Bold)));
    for row in rows {
        table.add_row(row);
    }
    for index in (0..headings.len()).filter(|index| is_numeric(*index)) {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table.to_string()
}

/// A heading in lines: a line a word, so that columns stay narrow.
fn in_lines(heading: &str) -> String {
    heading.split(' ').collect::<Vec<_>>().join("\n")
}

/// The runs of a batch for people: times on the agency's clocks, counters that have a heading.
pub fn runs(batch: &RecordBatch, rules: Option<&Rules>, days: &ServiceDays) -> String {
    let column = |name: &str| batch.column_by_name(name);
    let text = |name: &str, row: usize| match column(name).map(|column| value(column, row)) {
        Some(Value::String(text)) => text,
        _ => String::new(),
    };
    let time = |name: &str, row: usize| {
        let times = column(name).and_then(|column| column.as_primitive_opt::<TimestampMicrosecondType>());
        times.map(|times| days.local(times.value(row)))
    };
    let mut headings: Vec<String> = ["vehicle", "day", "from", "to"].map(str::to_owned).to_vec();
    let shown: Vec<_> = rules.iter().flat_map(|rules| &rules.counters).filter(|c| c.heading.is_some()).collect();
    for counter in &shown {
        headings.push(in_lines(counter.heading.as_deref().unwrap_or_default()));
    }
    let mut rows = Vec::new();
    for row in 0..batch.num_rows() {
        let clock = |name: &str| time(name, row).map_or(String::new(), |at| at.strftime("%H:%M").to_string());
        let ended = text("ended_by", row);
        let mark = if ended == "out of use" { "" } else { "…" };
        let mut cells =
            vec![text("vehicle", row), text("service_day", row), clock("start"), format!("{}{mark}", clock("end"))];
        for counter in &shown {
            let number = column(&counter.name).map_or(Value::Null, |column| value(column, row));
            cells.push(match (&counter.kind, number) {
                (_, Value::Null) => "–".into(),
                (CounterKind::Count { .. } | CounterKind::Growth { .. }, number) => {
                    number.as_f64().map_or(String::new(), tidy)
                }
                (_, number) => number.as_f64().map_or(String::new(), |number| rounded(number, &counter.unit)),
            });
        }
        rows.push(cells);
    }
    table(&headings, &rows, 4)
}

fn rounded(number: f64, unit: &str) -> String {
    match unit {
        "Cel" | "s" | "V" | "A" => format!("{number:.0}"),
        _ => format!("{number:.1}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    use arrow_array::{Float64Array, StringArray};

    #[test]
    fn csv_quotes_what_would_break_it() {
        let batch = RecordBatch::try_from_iter([
            ("a,b", Arc::new(StringArray::from(vec![Some("say \"no\""), None, Some("")])) as ArrayRef),
            ("x", Arc::new(Float64Array::from(vec![Some(0.1), None, Some(f64::NAN)])) as ArrayRef),
        ]);
        let mut out = Vec::new();
        csv(&batch.unwrap(), &mut out).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "\"a,b\",x\r\n\"say \"\"no\"\"\",0.1\r\n,\r\n\"\",\r\n");
    }
}
