//! A file's text → its rows, cell by cell, by the columns that are known. Pure.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use super::More;
use super::cell::{self, Comma, Order};
use super::columns::{Column, Kind, Layout, letter, plain_heading};
use super::grid::{self, GridRow};
use super::problem::{Book, Place, Spot, Wrong, shown};

/// Rows under a heading.
pub(super) struct Table {
    layout: &'static Layout,
    /// For each column of the layout, where it stands and what its cells tell together.
    places: Vec<Option<Standing>>,
    /// Columns that are not known.
    more: Vec<(usize, String)>,
    width: usize,
    rows: Vec<GridRow>,
}

struct Standing {
    index: usize,
    label: String,
    order: Order,
    comma: Comma,
}

impl Table {
    /// Reads a text. None, with the problem told, where it has no usable heading.
    pub(super) fn read(layout: &'static Layout, text: &str, book: &mut Book) -> Option<Self> {
        let known = |cell: &str| {
            let plain = plain_heading(cell);
            layout
                .columns
                .iter()
                .position(|column| column.name == plain)
                .or_else(|| layout.columns.iter().position(|column| column.also == plain))
        };
        let (mut rows, wrong) = grid::rows(text, |cells| cells.iter().filter(|cell| known(cell).is_some()).count());
        for (place, wrong) in wrong {
            book.left_out(Spot::new(layout.file, place), wrong);
        }
        if rows.is_empty() {
            return None;
        }
        let heading = rows.remove(0);
        let mut places: Vec<Option<Standing>> = layout.columns.iter().map(|_| None).collect();
        let mut more: Vec<(usize, String)> = Vec::new();
        for (index, cell) in heading.cells.iter().enumerate() {
            let name = cell.trim_matches(|c: char| c.is_whitespace() || c == '\u{FEFF}');
            let spot = || {
                Spot::new(layout.file, Place::Row(heading.number))
                    .column(format!("{} ({})", letter(index), shown(name)), name)
            };
            match known(cell) {
                Some(at) if places[at].is_none() => {
                    let kind = layout.columns[at].kind;
                    let cells = || rows.iter().filter_map(|row| row.cells.get(index));
                    let dated = matches!(kind, Kind::Day | Kind::Time);
                    places[at] = Some(Standing {
                        index,
                        label: format!("{} ({})", letter(index), shown(name)),
                        order: if dated { Order::of(cells()) } else { Order::Untold },
                        comma: if kind == Kind::Number { Comma::of(cells()) } else { Comma::Untold },
                    });
                }
                Some(_) => {
                    let what = format!("column '{}' is there twice", shown(name));
                    book.warn(spot(), Wrong::new("heading", what, "the first is used; take one out"));
                }
                None => {
                    let filled =
                        rows.iter().any(|row| row.cells.get(index).is_some_and(|cell| !cell.trim().is_empty()));
                    if name.is_empty() && !filled {
                        continue;
                    }
                    let mut own = if name.is_empty() { format!("column {}", letter(index)) } else { name.to_owned() };
                    if more.iter().any(|(_, other)| *other == own) {
                        own = format!("{own} ({})", letter(index));
                    }
                    more.push((index, own));
                }
            }
        }
        let missing: Vec<&str> = layout
            .columns
            .iter()
            .zip(&places)
            .filter(|(column, place)| column.needed && place.is_none())
            .map(|(column, _)| column.name)
            .collect();
        if !missing.is_empty() {
            let found: Vec<String> = heading.cells.iter().map(shown).filter(|cell| !cell.is_empty()).take(12).collect();
            let what = format!("the heading has no column '{}'; it has: {}", missing.join("', '"), found.join(", "));
            let names: Vec<&str> = layout.columns.iter().map(|column| column.name).collect();
            let remedy = format!("its first row names the columns: {}", names.join(", "));
            book.left_out(Spot::new(layout.file, Place::Row(heading.number)), Wrong::new("heading", what, remedy));
            return None;
        }
        Some(Self { layout, places, more, width: heading.cells.len(), rows })
    }

    /// A column as problems name it.
    pub(super) fn label(&self, name: &str) -> String {
        let standing = self.standing(name);
        standing.map_or_else(|| name.to_owned(), |standing| standing.label.clone())
    }

    fn standing(&self, name: &str) -> Option<&Standing> {
        let at = self.layout.columns.iter().position(|column| column.name == name);
        at.and_then(|at| self.places[at].as_ref())
    }

    /// Reads all rows: what `read` gives of each, with its number; nothing of those that have a mistake.
    pub(super) fn each<T>(&self, book: &mut Book, mut read: impl FnMut(&mut Row<'_>) -> T) -> Vec<(u64, T)> {
        let mut list = Vec::with_capacity(self.rows.len());
        for grid in &self.rows {
            let mut row = Row { table: self, grid, book, sound: true };
            row.check_width();
            let value = read(&mut row);
            if row.sound {
                list.push((grid.number, value));
            }
        }
        list
    }
}

/// A row that is being read. Mistakes in it are told as they are met.
pub(super) struct Row<'a> {
    table: &'a Table,
    grid: &'a GridRow,
    book: &'a mut Book,
    sound: bool,
}

impl Row<'_> {
    fn check_width(&mut self) {
        let beyond = self.grid.cells.iter().skip(self.table.width).any(|cell| !cell.trim().is_empty());
        if beyond {
            let what = format!("this row has {} cells, and the heading {}", self.grid.cells.len(), self.table.width);
            let remedy =
                "a cell with a comma, such as 12,5, stands in quotation marks; or save with semicolons between cells";
            self.sound = false;
            let spot = Spot::new(self.table.layout.file, Place::Row(self.grid.number));
            self.book.left_out(spot, Wrong::new("cells", what, remedy));
        }
    }

    fn cell(&self, name: &str) -> &str {
        let cell = self.table.standing(name).and_then(|standing| self.grid.cells.get(standing.index));
        cell.unwrap_or_default().trim_matches(|c: char| c.is_whitespace() || c == '\u{FEFF}')
    }

    fn spot(&self, name: &str) -> Spot {
        let spot = Spot::new(self.table.layout.file, Place::Row(self.grid.number));
        spot.column(self.table.label(name), self.cell(name))
    }

    /// Tells a mistake in a cell: the row is left out.
    pub(super) fn wrong(&mut self, name: &str, wrong: Wrong) {
        self.sound = false;
        let spot = self.spot(name);
        self.book.left_out(spot, wrong);
    }

    /// Tells what is odd about a cell.
    pub(super) fn odd(&mut self, name: &str, wrong: Wrong) {
        let spot = self.spot(name);
        self.book.warn(spot, wrong);
    }

    /// A text; empty where there is none. Told where it is needed.
    pub(super) fn text(&mut self, name: &'static str) -> String {
        let text = self.cell(name).to_owned();
        if text.is_empty() && self.is_needed(name) {
            self.nothing(name);
        }
        text
    }

    /// A day; none where there is none. Told where it is needed, or wrong.
    pub(super) fn day(&mut self, name: &'static str) -> Option<Date> {
        self.read(name, |cell, standing| cell::day(cell, standing.order))
    }

    /// A number, likewise.
    pub(super) fn number(&mut self, name: &'static str) -> Option<f64> {
        self.read(name, |cell, standing| cell::number(cell, standing.comma))
    }

    /// A time, likewise.
    pub(super) fn time(&mut self, name: &'static str, zone: &TimeZone) -> Option<DateTime> {
        let (time, odd) = self.read(name, |cell, standing| cell::time(cell, standing.order, zone))?;
        if let Some(odd) = odd {
            self.odd(name, odd);
        }
        Some(time)
    }

    fn read<T>(&mut self, name: &'static str, read: impl Fn(&str, &Standing) -> Result<T, Wrong>) -> Option<T> {
        let cell = self.cell(name);
        let standing = self.table.standing(name);
        match standing.filter(|_| !cell.is_empty()).map(|standing| read(cell, standing)) {
            Some(Ok(value)) => Some(value),
            Some(Err(wrong)) => {
                self.wrong(name, wrong);
                None
            }
            None => {
                if self.is_needed(name) {
                    self.nothing(name);
                }
                None
            }
        }
    }

    fn column(&self, name: &str) -> Option<&'static Column> {
        self.table.layout.columns.iter().find(|column| column.name == name)
    }

    fn is_needed(&self, name: &str) -> bool {
        self.column(name).is_some_and(|column| column.needed)
    }

    fn nothing(&mut self, name: &'static str) {
        let example = self.column(name).map_or("", |column| column.example);
        let what = format!("nothing stands in '{name}'");
        self.wrong(name, Wrong::new("empty cell", what, format!("write it, such as {example}, or take the row out")));
    }

    /// Cells of columns that are not known.
    pub(super) fn more(&self) -> More {
        let cell = |index: usize| self.grid.cells.get(index).unwrap_or_default().trim();
        let filled = self.table.more.iter().filter(|(index, _)| !cell(*index).is_empty());
        filled.map(|(index, name)| (name.clone(), cell(*index).to_owned())).collect()
    }
}
