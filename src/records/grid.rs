//! A text with separated values → rows of cells, numbered as the spreadsheet numbers them. Pure.

use csv::{ReaderBuilder, StringRecord};

use super::problem::{Place, Wrong, shown};

/// Cells of a row that are read. No record has so many columns.
const CELLS_MAX: usize = 1000;

/// A row of cells.
#[derive(Debug)]
pub(super) struct GridRow {
    /// As the spreadsheet numbers it, from 1.
    pub(super) number: u64,
    /// From left to right, as they were written.
    pub(super) cells: StringRecord,
}

impl GridRow {
    fn is_blank(&self) -> bool {
        self.cells.iter().all(|cell| cell.trim().is_empty())
    }
}

/// The rows of a text that hold anything, the heading among them; and what is wrong with it as such.
///
/// `score` tells how many of the first row's cells are headings that are looked for: the separator is the one that gives
/// most of them.
pub(super) fn rows(text: &str, score: impl Fn(&StringRecord) -> usize) -> (Vec<GridRow>, Vec<(Place, Wrong)>) {
    let (text, told) = separator_line(text);
    let separator = told.unwrap_or_else(|| {
        let found = |separator: &u8| {
            let first = read(text, *separator, true).0.into_iter().next();
            first.map_or((0, 0), |row| (score(&row.cells), row.cells.len()))
        };
        // Of equals the last: a comma.
        b"\t;,".iter().copied().max_by_key(found).unwrap_or(b',')
    });
    read(text, separator, false)
}

/// Some spreadsheets name the separator in a first line of their own, `sep=;`, which is no row.
fn separator_line(text: &str) -> (&str, Option<u8>) {
    let Some((first, rest)) = text.split_once('\n') else { return (text, None) };
    match first.trim_end_matches('\r').strip_prefix("sep=").map(str::as_bytes) {
        Some([separator @ (b',' | b';' | b'\t')]) => (rest, Some(*separator)),
        _ => (text, None),
    }
}

fn read(text: &str, separator: u8, only_first: bool) -> (Vec<GridRow>, Vec<(Place, Wrong)>) {
    let mut reader =
        ReaderBuilder::new().delimiter(separator).has_headers(false).flexible(true).from_reader(text.as_bytes());
    let (mut rows, mut wrong) = (Vec::new(), Vec::new());
    let mut number = 0;
    let mut cells = StringRecord::new();
    loop {
        let start = reader.position().byte() as usize;
        match reader.read_record(&mut cells) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                // It is text, so this cannot be; if it is, it must not go unseen.
                wrong.push((
                    Place::Row(number + 1),
                    Wrong::new("row", error.to_string(), "save the sheet as CSV again"),
                ));
                break;
            }
        }
        number += 1 + blank_lines(text, start);
        let end = reader.position().byte() as usize;
        if end >= text.len() && open_quote(text.get(start..).unwrap_or_default(), separator) {
            let what = format!(
                "a quotation mark in this row is not closed, so that all behind it is one cell: '{}'",
                shown(cells.iter().max_by_key(|cell| cell.len()).unwrap_or_default())
            );
            wrong.push((Place::Row(number), Wrong::new("quote", what, "close it, or take it out")));
            break;
        }
        if cells.len() > CELLS_MAX {
            let what = format!("this row has {} cells, more than any record", cells.len());
            wrong
                .push((Place::Row(number), Wrong::new("cells", what, format!("at most {CELLS_MAX} columns are read"))));
            continue;
        }
        let row = GridRow { number, cells: cells.clone() };
        if !row.is_blank() {
            rows.push(row);
            if only_first {
                break;
            }
        }
    }
    (rows, wrong)
}

/// Empty lines from a place on. The reader passes over them; the spreadsheet numbers them.
fn blank_lines(text: &str, start: usize) -> u64 {
    let bytes = text.as_bytes();
    let mut at = start;
    // The reader takes a line end of two bytes in two steps.
    if at > 0 && bytes.get(at) == Some(&b'\n') && bytes[at - 1] == b'\r' {
        at += 1;
    }
    let mut count = 0;
    loop {
        match (bytes.get(at), bytes.get(at + 1)) {
            (Some(b'\r'), Some(b'\n')) => at += 2,
            (Some(b'\r' | b'\n'), _) => at += 1,
            _ => return count,
        }
        count += 1;
    }
}

/// Whether the text ends within a quoted cell. A quotation mark opens one only at the beginning of a cell.
fn open_quote(text: &str, separator: u8) -> bool {
    let (mut quoted, mut at_start) = (false, true);
    let mut bytes = text.bytes().peekable();
    while let Some(byte) = bytes.next() {
        if quoted {
            // Two are one that is meant.
            if byte == b'"' && bytes.next_if_eq(&b'"').is_none() {
                quoted = false;
            }
        } else {
            quoted = byte == b'"' && at_start;
            at_start = byte == separator || byte == b'\n' || byte == b'\r';
        }
    }
    quoted
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plain(text: &str) -> Vec<(u64, Vec<String>)> {
        let known = |cells: &StringRecord| cells.iter().filter(|cell| ["a", "b", "c"].contains(cell)).count();
        let (rows, wrong) = rows(text, known);
        assert!(wrong.is_empty(), "{wrong:?}");
        rows.iter().map(|row| (row.number, row.cells.iter().map(str::to_owned).collect())).collect()
    }

    fn row(number: u64, cells: &[&str]) -> (u64, Vec<String>) {
        (number, cells.iter().map(|cell| (*cell).to_owned()).collect())
    }

    #[test]
    fn the_separator_is_the_one_that_gives_the_headings() {
        for text in ["a,b\n1,2\n", "a;b\r\n1;2\r\n", "a\tb\n1\t2", "sep=;\na;b\n1;2\n", "\"a\";\"b\"\r1;2\r"] {
            assert_eq!(plain(text), [row(1, &["a", "b"]), row(2, &["1", "2"])], "{text:?}");
        }
        assert_eq!(plain("a;b;x,y,z,w\n1;2;3"), [row(1, &["a", "b", "x,y,z,w"]), row(2, &["1", "2", "3"])]);
        assert_eq!(plain("a\n1,5\n")[1], row(2, &["1", "5"]), "one column: a comma separates");
    }

    #[test]
    fn rows_are_numbered_as_the_spreadsheet_numbers_them() {
        assert_eq!(
            plain("\n\na,b\n\n1,2\n , \n3,4\n\n\n5,6"),
            [row(3, &["a", "b"]), row(5, &["1", "2"]), row(7, &["3", "4"]), row(10, &["5", "6"]),]
        );
        assert_eq!(plain("\r\na,b\r\n\r\n1,2\r\n\r\n\r\n3,4\r\n").last(), Some(&row(7, &["3", "4"])));
        assert_eq!(plain("a,b\r\n1,\"two\r\nlines\"\r\n3,4\r\n").last(), Some(&row(3, &["3", "4"])));
    }

    #[test]
    fn a_quotation_mark_that_is_not_closed_is_told() {
        let (rows, wrong) = rows("a,b\n1,2\n3,\"4\n5,6\n7,8\n", |_| 1);
        assert_eq!(rows.len(), 2);
        assert_eq!(wrong[0].0, Place::Row(3));
        assert!(wrong[0].1.what.contains("'4·5,6·7,8'"), "{wrong:?}");
        assert_eq!(plain("a,b\n5\" pipe,\"he said \"\"no\"\"\"")[1], row(2, &["5\" pipe", "he said \"no\""]));
    }

    proptest! {
        /// Rows of one line each: the number is that of the line, whatever is empty between.
        #[test]
        fn numbers_are_those_of_the_lines(lines in prop::collection::vec("[a-z0-9;, ]{0,6}", 0..12), end in prop::sample::select(vec!["\n", "\r\n", "\r"])) {
            let text = lines.join(end);
            let (rows, wrong) = rows(&text, |_| 1);
            prop_assert!(wrong.is_empty());
            let filled = |line: &&String| line.chars().any(|c| !matches!(c, ' ' | ',' | ';')) ;
            let numbers: Vec<u64> = rows.iter().map(|row| row.number).collect();
            let lines_with: Vec<u64> = lines.iter().enumerate().filter(|(_, line)| filled(line)).map(|(at, _)| at as u64 + 1).collect();
            // A line of other separators alone is a row too.
            prop_assert!(lines_with.iter().all(|line| numbers.contains(line)), "{:?} {:?}", lines_with, numbers);
            prop_assert!(numbers.iter().all(|row| !lines[*row as usize - 1].trim().is_empty()), "{:?}", numbers);
        }
    }
}
