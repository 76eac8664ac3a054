//! Tables as CSV (RFC 4180), in UTF-8, for spreadsheets and programs.
//!
//! Values are whole, not rounded; an interval is two columns, a share a fraction. Units stand in the heading by their
//! UCUM code. What is missing is empty.

use super::super::sheet::{Cell, Table};
use super::words::shown;

/// A table as CSV.
pub(super) fn csv(table: &Table) -> String {
    let wide: Vec<bool> = (0..table.columns.len()).map(|column| is_interval(table, column)).collect();
    let mut fields = Vec::new();
    for (column, wide) in table.columns.iter().zip(&wide) {
        let unit = if column.unit.is_empty() { String::new() } else { format!(" [{}]", column.unit) };
        if *wide {
            fields.extend(["low", "high"].map(|end| format!("{}, {end}{unit}", column.name)));
        } else {
            fields.push(format!("{}{unit}", column.name));
        }
    }
    let mut out = line(&fields);
    for row in &table.rows {
        let mut fields = Vec::with_capacity(row.len());
        for (index, wide) in wide.iter().enumerate() {
            let cell = row.get(index).unwrap_or(&Cell::Missing(""));
            match (wide, cell) {
                (true, Cell::Interval { low, high, .. }) => fields.extend([figures(*low), figures(*high)]),
                (true, other) => fields.extend([field(other), field(other)]),
                (false, other) => fields.push(field(other)),
            }
        }
        out += &line(&fields);
    }
    out
}

fn is_interval(table: &Table, column: usize) -> bool {
    table.rows.iter().any(|row| matches!(row.get(column), Some(Cell::Interval { .. })))
}

fn field(cell: &Cell) -> String {
    match cell {
        Cell::Missing(_) | Cell::Box => String::new(),
        Cell::Text(text) | Cell::Vehicle(text) => no_formula(text),
        Cell::Count(count) => count.to_string(),
        Cell::Number { value, .. } | Cell::Share(value) => figures(*value),
        // Never in a column that is not two.
        Cell::Interval { .. } => shown(cell).text,
        Cell::Day(day) => day.to_string(),
    }
}

fn figures(value: f64) -> String {
    if value.is_finite() { value.to_string() } else { String::new() }
}

/// A text that a spreadsheet takes for a formula gets an apostrophe before it: labels come from buses and from files
/// that others write.
fn no_formula(text: &str) -> String {
    let suspect = text.starts_with(['=', '+', '-', '@', '\t', '\r']) && text.parse::<f64>().is_err();
    if suspect { format!("'{text}") } else { text.to_owned() }
}

/// One line, quoted where it has to be.
fn line(fields: &[String]) -> String {
    let quoted = fields.iter().map(|field| {
        if field.contains([',', '"', '\n', '\r']) {
            format!("\"{}\"", field.replace('"', "\"\""))
        } else {
            field.clone()
        }
    });
    quoted.collect::<Vec<_>>().join(",") + "\r\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::sheet::Column;

    #[test]
    fn values_are_whole_and_texts_are_quoted() {
        let column = |name: &str, unit: &str| Column { name: name.into(), unit: unit.into(), about: String::new() };
        let table = Table {
            columns: vec![
                column("vehicle", ""),
                column("peak, mean", "Cel"),
                column("rate", "/mo"),
                column("sure", "1"),
            ],
            rows: vec![
                vec![
                    Cell::Vehicle("=1+1".into()),
                    Cell::number(1.0 / 3.0, 1),
                    Cell::interval(0.25, 12_345.5, 0),
                    Cell::Share(0.125),
                ],
                vec![
                    Cell::Text("say \"no\"\r\nor".into()),
                    Cell::Number { value: f64::NAN, decimals: 0 },
                    Cell::Missing("no run"),
                    Cell::Count(7),
                ],
                vec![Cell::Text("-12".into())],
            ],
            ..Table::default()
        };
        let expected = "vehicle,\"peak, mean [Cel]\",\"rate, low [/mo]\",\"rate, high [/mo]\",sure [1]\r\n\
                        '=1+1,0.3333333333333333,0.25,12345.5,0.125\r\n\
                        \"say \"\"no\"\"\r\nor\",,,,7\r\n-12,,,,\r\n";
        assert_eq!(csv(&table), expected);
    }

    #[test]
    fn a_reader_of_csv_gives_back_what_was_written() {
        let texts = ["plain", "a,b", "\"", "a\nb", " spaces ", "שלום", "<script>"];
        let table = Table {
            columns: vec![Column::default(), Column::default()],
            rows: texts.iter().map(|text| vec![Cell::Text((*text).into()), Cell::Count(1)]).collect(),
            ..Table::default()
        };
        let mut reader = csv::Reader::from_reader(std::io::Cursor::new(super::csv(&table)));
        let read: Vec<String> = reader.records().map(|record| record.unwrap()[0].to_owned()).collect();
        assert_eq!(read, texts);
    }
}
