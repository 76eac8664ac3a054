//! What is wrong with a record: file, row and column as the spreadsheet shows them, the text, what would be right.

use std::collections::HashMap;
use std::fmt;

use serde::Serialize;

/// Problems of one kind in one file that are told one by one; the others are counted.
const ALIKE_MAX: u64 = 20;
/// Letters of a cell that are shown.
const SHOWN_MAX: usize = 60;

/// What became of the row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// It is left out: nothing is reckoned with it.
    LeftOut,
    /// It is used all the same.
    Warning,
}

/// Where in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// The file as a whole.
    Whole,
    /// A row, as the spreadsheet numbers it: the heading is mostly row 1.
    Row(u64),
    /// A line of text, from 1.
    Line(u64),
    /// A feature of GeoJSON, from 1.
    Feature(u64),
}

/// One thing that is wrong, or odd.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// What became of the row.
    pub grade: Grade,
    /// File name: `packs.csv`.
    pub file: &'static str,
    /// Where in it.
    pub place: Place,
    /// The column, by its letter and heading: `C (removed)`. Empty: the row as a whole.
    pub column: String,
    /// What stands there, cut short. Empty where it must not be repeated, or nothing stands there.
    pub text: String,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub remedy: String,
    /// How many rows it stands for: above 1 where many are alike.
    pub rows: u64,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        match self.place {
            Place::Whole => {}
            Place::Row(row) => write!(f, ", row {row}")?,
            Place::Line(line) => write!(f, ", line {line}")?,
            Place::Feature(number) => write!(f, ", feature {number}")?,
        }
        if !self.column.is_empty() {
            write!(f, ", column {}", self.column)?;
        }
        write!(f, ": {}", self.what)?;
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

/// A mistake in a cell, before its place is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Wrong {
    /// Problems of one kind have one.
    pub(super) kind: &'static str,
    pub(super) what: String,
    pub(super) remedy: String,
}

impl Wrong {
    pub(super) fn new(kind: &'static str, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { kind, what: what.into(), remedy: remedy.into() }
    }
}

/// Where, before anything is said about it.
#[derive(Debug, Clone)]
pub(super) struct Spot {
    pub(super) file: &'static str,
    pub(super) place: Place,
    pub(super) column: String,
    pub(super) text: String,
}

impl Spot {
    pub(super) fn new(file: &'static str, place: Place) -> Self {
        Self { file, place, column: String::new(), text: String::new() }
    }

    pub(super) fn column(mut self, column: impl Into<String>, text: &str) -> Self {
        self.column = column.into();
        self.text = shown(text);
        self
    }
}

/// Problems as they are found.
#[derive(Debug, Default)]
pub(super) struct Book {
    list: Vec<Problem>,
    alike: HashMap<(&'static str, &'static str, Grade), u64>,
}

impl Book {
    pub(super) fn left_out(&mut self, spot: Spot, wrong: Wrong) {
        self.add(Grade::LeftOut, spot, wrong);
    }

    pub(super) fn warn(&mut self, spot: Spot, wrong: Wrong) {
        self.add(Grade::Warning, spot, wrong);
    }

    fn add(&mut self, grade: Grade, spot: Spot, wrong: Wrong) {
        let count = self.alike.entry((spot.file, wrong.kind, grade)).or_default();
        *count += 1;
        if *count <= ALIKE_MAX {
            let Spot { file, place, column, text } = spot;
            let Wrong { what, remedy, .. } = wrong;
            self.list.push(Problem { grade, file, place, column, text, what, remedy, rows: 1 });
        }
    }

    /// All of them, by file and place; what is left out before what is odd.
    pub(super) fn into_list(mut self) -> Vec<Problem> {
        self.list.sort_by_key(|problem| (problem.grade, problem.file, problem.place));
        let mut more: Vec<_> = self.alike.into_iter().filter(|(_, count)| *count > ALIKE_MAX).collect();
        more.sort_unstable();
        for ((file, kind, grade), count) in more {
            let rows = count - ALIKE_MAX;
            self.list.push(Problem {
                grade,
                file,
                place: Place::Whole,
                column: String::new(),
                text: String::new(),
                what: format!("{rows} more of the kind '{kind}' are not told one by one"),
                remedy: format!("correct the {ALIKE_MAX} that are, and check again"),
                rows,
            });
        }
        self.list
    }
}

/// A text as it is repeated in a message: on one line, cut short.
pub(super) fn shown(text: &str) -> String {
    let mut short: String = text.trim().chars().take(SHOWN_MAX).map(|c| if c.is_control() { '·' } else { c }).collect();
    if text.trim().chars().nth(SHOWN_MAX).is_some() {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_of_a_kind_are_counted_and_others_are_still_told() {
        let mut book = Book::default();
        for row in 2..5002 {
            book.left_out(Spot::new("packs.csv", Place::Row(row)), Wrong::new("day", "no date", "write one"));
        }
        book.warn(Spot::new("packs.csv", Place::Row(9)), Wrong::new("other", "odd", "look at it"));
        let list = book.into_list();
        assert_eq!(list.len() as u64, ALIKE_MAX + 2);
        assert_eq!(list.iter().filter(|p| p.grade == Grade::LeftOut).map(|p| p.rows).sum::<u64>(), 5000);
        assert_eq!(list[ALIKE_MAX as usize].to_string(), "packs.csv, row 9: odd; look at it");
    }

    #[test]
    fn a_long_cell_is_cut_and_put_on_one_line() {
        assert_eq!(shown(" a\r\nb "), "a··b");
        assert_eq!(shown(&"x".repeat(500)).chars().count(), SHOWN_MAX + 1);
    }
}
