//! Tables on paper: columns as wide as they need, their heading again on every sheet.

use super::super::drawing::{Dashes, Ink};
use super::super::letters::width_of;
use super::super::words::{heading, is_numeric, shown};
use super::paper::{Paper, SIDE, Style, lines};
use crate::fleet::sheet::{Cell, Table};

/// Rows on paper; all are in the CSV.
const ROWS_MAX: usize = 500;
/// Rows by which widths are reckoned.
const LOOKED_AT: usize = 200;
/// Lines of a cell.
const LINES_MAX: usize = 30;
/// Letters of a cell.
const LETTERS_MAX: usize = 600;
const SIZE: f64 = 8.0;
const STEP: f64 = SIZE * 1.25;
/// Between columns.
const GAP: f64 = 8.0;
/// A column of words is no narrower than this, and wants no more than this.
const WORDS_LEAST: f64 = 60.0;
const WORDS_MOST: f64 = 220.0;

/// A column as it is set.
struct Set {
    index: usize,
    numeric: bool,
    least: f64,
    natural: f64,
    width: f64,
}

/// Whether a table is better set across the long side of the sheet.
pub(super) fn wants_room(table: &Table) -> bool {
    let columns = columns(table);
    columns.iter().map(|column| column.least.max(column.natural * 0.6) + GAP).sum::<f64>() > 515.0
}

/// Sets a table; its caption is kept with it.
pub(super) fn set(paper: &mut Paper, table: &Table) {
    paper.keep(60.0);
    paper.text(&table.caption, Style::Caption);
    if table.rows.is_empty() || table.columns.is_empty() {
        paper.text("There are no rows.", Style::Small);
        return;
    }
    let rows = &table.rows[..table.rows.len().min(ROWS_MAX)];
    for columns in divided(columns(table), paper.width()) {
        head(paper, table, &columns);
        for row in rows {
            let cells: Vec<Vec<String>> =
                columns.iter().map(|column| cell_lines(row.get(column.index), column)).collect();
            let height = cells.iter().map(Vec::len).max().unwrap_or(1).max(1) as f64 * STEP + 3.0;
            if paper.keep(height) {
                head(paper, table, &columns);
            }
            put_row(paper, &columns, &cells, false);
            let boxes =
                columns.iter().enumerate().filter(|(_, column)| matches!(row.get(column.index), Some(Cell::Box)));
            boxes.for_each(|(place, _)| empty_box(paper, &columns, place));
            paper.space(height);
            line_below(paper, &columns, Ink::Rule, 0.5);
            paper.space(1.0);
        }
        paper.space(4.0);
    }
    if rows.len() < table.rows.len() {
        let text = format!("The first {} of {} rows stand here; all are in the CSV.", rows.len(), table.rows.len());
        paper.text(&text, Style::Small);
    }
}

fn head(paper: &mut Paper, table: &Table, columns: &[Set]) {
    let names: Vec<Vec<String>> =
        columns.iter().map(|column| lines(&heading(&table.columns[column.index]), column.width, SIZE, true)).collect();
    let height = names.iter().map(Vec::len).max().unwrap_or(1).max(1) as f64 * STEP + 3.0;
    paper.keep(height + STEP);
    put_row(paper, columns, &names, true);
    paper.space(height);
    line_below(paper, columns, Ink::Quiet, 0.8);
    paper.space(2.0);
}

/// A line as wide as the table.
fn line_below(paper: &mut Paper, columns: &[Set], ink: Ink, thick: f64) {
    let width = columns.iter().map(|column| column.width + GAP).sum::<f64>() - GAP;
    let y = paper.mark();
    paper.line(&[(SIDE, y), (SIDE + width, y)], ink, thick, Dashes::None);
}

/// A box to write into, in a column.
fn empty_box(paper: &mut Paper, columns: &[Set], place: usize) {
    let left = SIDE + columns[..place].iter().map(|column| column.width + GAP).sum::<f64>();
    let (right, top) = (left + columns[place].width, paper.mark() + 1.0);
    let bottom = top + SIZE + 1.5;
    let corners = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
    paper.line(&corners, Ink::Quiet, 0.7, Dashes::None);
}

fn put_row(paper: &mut Paper, columns: &[Set], cells: &[Vec<String>], bold: bool) {
    let top = paper.mark();
    let mut left = SIDE;
    for (column, cell) in columns.iter().zip(cells) {
        for (index, line) in cell.iter().enumerate() {
            let x = if column.numeric { left + column.width - width_of(line, bold) * SIZE } else { left };
            paper.put((x, top + SIZE + STEP * index as f64), line, SIZE, bold, Ink::Words);
        }
        left += column.width + GAP;
    }
}

fn cell_text(cell: Option<&Cell>) -> String {
    let shown = shown(cell.unwrap_or(&Cell::Missing("")));
    let text = if shown.why.is_empty() { shown.text } else { format!("{} {}", shown.text, shown.why) };
    match text.char_indices().nth(LETTERS_MAX) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text,
    }
}

fn cell_lines(cell: Option<&Cell>, column: &Set) -> Vec<String> {
    let mut set = lines(&cell_text(cell), column.width, SIZE, false);
    if set.len() > LINES_MAX {
        set.truncate(LINES_MAX);
        set.push("…".into());
    }
    set
}

fn columns(table: &Table) -> Vec<Set> {
    // Room to write by hand.
    let hand = |index: usize| table.rows.iter().any(|row| matches!(row.get(index), Some(Cell::Box)));
    let widest = |texts: &mut dyn Iterator<Item = String>, bold: bool| {
        texts.map(|text| width_of(&text, bold) * SIZE).fold(0.0, f64::max)
    };
    let of = |index: usize| {
        let numeric = is_numeric(&table.rows, index);
        let name = heading(&table.columns[index]);
        let word = widest(&mut name.split_whitespace().map(str::to_owned), true);
        let cells = || table.rows.iter().take(LOOKED_AT).map(|row| cell_text(row.get(index)));
        let natural = widest(&mut cells(), false).max(word).max(if hand(index) { 70.0 } else { 20.0 }) + 1.0;
        if numeric {
            // Figures are not broken; why one is missing may be.
            let figures = table.rows.iter().take(LOOKED_AT).filter_map(|row| row.get(index));
            let figures = figures.map(|cell| shown(cell).text);
            let least = widest(&mut figures.into_iter(), false).max(word).max(20.0) + 1.0;
            return Set { index, numeric, least, natural: least.max(natural.min(least + 30.0)), width: 0.0 };
        }
        let natural = natural.min(WORDS_MOST);
        Set { index, numeric, least: natural.min(WORDS_LEAST.max(word + 1.0)), natural, width: 0.0 }
    };
    (0..table.columns.len()).map(of).collect()
}

/// Columns in as few blocks as fit; each begins with the first column, which names the row.
fn divided(columns: Vec<Set>, width: f64) -> Vec<Vec<Set>> {
    let again = |column: &Set| Set { ..*column };
    let mut blocks: Vec<Vec<Set>> = Vec::new();
    let mut used = f64::INFINITY;
    let first = columns.first().map(again);
    for column in columns {
        let needs = column.least.min(width * 0.6) + GAP;
        if used + needs > width + GAP {
            let mut block = Vec::new();
            used = 0.0;
            if let Some(first) = first.as_ref().filter(|first| first.index != column.index) {
                used = first.least.min(width * 0.3) + GAP;
                block.push(again(first));
            }
            blocks.push(block);
        }
        used += needs;
        if let Some(block) = blocks.last_mut() {
            block.push(column);
        }
    }
    blocks.iter_mut().for_each(|block| share_out(block, width));
    blocks
}

/// Every column gets its least, and of the rest what it wants.
fn share_out(block: &mut [Set], width: f64) {
    let gaps = GAP * block.len().saturating_sub(1) as f64;
    let room = width - gaps;
    let least: f64 = block.iter().map(|column| column.least).sum();
    let natural: f64 = block.iter().map(|column| column.natural).sum();
    let part = if natural <= room {
        1.0
    } else if natural > least {
        ((room - least) / (natural - least)).clamp(0.0, 1.0)
    } else {
        0.0
    };
    // Where even the least is too much, all are narrower alike.
    let narrower = if least > room { room / least } else { 1.0 };
    for column in block {
        column.width = (column.least + (column.natural - column.least) * part) * narrower;
    }
}
