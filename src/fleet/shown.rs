//! Columns, axes and tables of a sheet, in one line each.

use super::sheet::{Axis, Cell, Column, Table};

/// A column: heading, UCUM code, and what it means.
pub(crate) fn column(name: &str, unit: &str, about: &str) -> Column {
    Column { name: name.to_owned(), unit: unit.to_owned(), about: about.to_owned() }
}

/// A scale.
pub(crate) fn axis(name: &str, unit: &str) -> Axis {
    Axis { name: name.to_owned(), unit: unit.to_owned(), days: false }
}

/// A scale of days.
pub(crate) fn days_axis() -> Axis {
    Axis { name: "day".to_owned(), unit: String::new(), days: true }
}

/// A table; each row has a cell a column.
pub(crate) fn table(
    id: &str,
    caption: &str,
    columns: Vec<Column>,
    rows: Vec<Vec<Cell>>,
    query: Option<&'static str>,
) -> Table {
    debug_assert!(rows.iter().all(|row| row.len() == columns.len()), "{id}: a row is as long as the columns");
    Table { id: id.to_owned(), caption: caption.to_owned(), columns, rows, query }
}
