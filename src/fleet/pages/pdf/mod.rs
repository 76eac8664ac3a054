//! A page as PDF: the same words, tables and pictures, set for A4.
//!
//! Text is text, in the fonts that every reader of PDF has; pictures are lines. Cautions stand at the head, and at the
//! foot of every sheet of paper.

mod paper;
mod table;

use super::super::sheet::{Picture, Section, WorkKind, WorkLine};
use super::book::{Book, Holds, Page, kind_name};
use super::drawing::draw;
use super::shell::{CAUTIONS, made};
use super::words::percent;
use super::work::NO_CODES;
use paper::{Paper, Style};

/// Lines of the worklist with their evidence; the others follow as a table.
const SHOWN_MAX: usize = 60;

/// A page of the book as a PDF document.
pub(super) fn document(book: &Book<'_>, page: &Page<'_>) -> Vec<u8> {
    let mut tables = page.sections().iter().flat_map(|section| &section.tables);
    let lies = tables.any(table::wants_room);
    let mut paper = Paper::new(&page.title, lies);
    paper.text(&page.title, Style::Title);
    paper.text(&made(book), Style::Small);
    paper.space(4.0);
    for caution in CAUTIONS {
        paper.text(caution, Style::Caution);
    }
    paper.space(6.0);
    match page.holds {
        Holds::Work(sheet) => {
            sheet.iter().flat_map(|sheet| &sheet.lead).for_each(|text| paper.text(text, Style::Text));
            worklist(&mut paper, book);
            sections(&mut paper, page.sections());
        }
        Holds::Sheet(sheet) => {
            sheet.lead.iter().for_each(|text| paper.text(text, Style::Text));
            sections(&mut paper, &sheet.sections);
        }
        Holds::Vehicle(vehicle, own) => {
            let lines = book.work_of(vehicle);
            paper.heading("On the worklist", Style::Heading);
            if lines.is_empty() {
                paper.text("Nothing about this vehicle stands on the worklist.", Style::Text);
            }
            lines.iter().for_each(|(rank, line)| work_line(&mut paper, *rank, line));
            sections(&mut paper, own);
        }
        Holds::Vehicles | Holds::Queries => {}
    }
    paper.finish()
}

fn worklist(paper: &mut Paper, book: &Book<'_>) {
    let ranked = book.work.iter().enumerate();
    let (codes, lines): (Vec<_>, Vec<_>) = ranked.partition(|(_, line)| line.kind == WorkKind::TroubleCode);
    paper.heading("What to look at first", Style::Heading);
    if lines.is_empty() {
        paper.text("Nothing stands on the worklist. Data quality tells which vehicles reported at all.", Style::Text);
    }
    for (index, line) in lines.iter().take(SHOWN_MAX) {
        work_line(paper, index + 1, line);
    }
    paper.heading("Trouble codes", Style::Heading);
    if codes.is_empty() {
        paper.text(NO_CODES, Style::Text);
    }
    for (index, line) in codes {
        work_line(paper, index + 1, line);
    }
    if lines.len() > SHOWN_MAX {
        paper.heading("The worklist as a table", Style::Heading);
        table::set(paper, &book.work_table());
    }
}

/// One line, with a box to tick.
fn work_line(paper: &mut Paper, rank: usize, line: &WorkLine) {
    let drawing = line.evidence.as_ref().map(|evidence| draw(&evidence.drawn, 300.0));
    let scale = 0.72;
    let beside = drawing.as_ref().map_or(0.0, |drawing| drawing.height * scale);
    // Words and picture stay together.
    paper.keep(beside.max(78.0) + 8.0);
    let top = paper.mark();
    let room = drawing.as_ref().map_or(0.0, |drawing| drawing.width * scale + 16.0);
    paper.indent(24.0, room);
    let vehicle = line.vehicle.as_ref().map_or(String::new(), |vehicle| format!("{vehicle}: "));
    paper.tick_box(top);
    paper.text(&format!("{rank}  {vehicle}{}", line.subject), Style::Line);
    paper.text(kind_name(line.kind), Style::Small);
    paper.text(&line.reason, Style::Text);
    let sure = match line.sure.probability.filter(|share| share.is_finite()) {
        Some(share) if line.sure.words.is_empty() => percent(share),
        _ => line.sure.words.clone(),
    };
    paper.text(&sure, Style::Text);
    if !line.caution.is_empty() {
        paper.text(&format!("Be careful: {}", line.caution), Style::Caution);
    }
    paper.text("Looked at by ____________________ on ______________", Style::Small);
    paper.indent(0.0, 0.0);
    if let (Some(drawing), Some(evidence)) = (drawing, &line.evidence) {
        paper.picture_beside(&drawing, top, scale, &evidence.title);
    }
    paper.space(4.0);
    paper.rule();
}

fn sections(paper: &mut Paper, sections: &[Section]) {
    for section in sections {
        if section.own_page {
            paper.new_sheet();
        }
        paper.heading(&section.heading, Style::Heading);
        section.text.iter().for_each(|text| paper.text(text, Style::Text));
        section.pictures.iter().for_each(|one| picture(paper, one));
        section.tables.iter().for_each(|one| table::set(paper, one));
    }
}

fn picture(paper: &mut Paper, picture: &Picture) {
    let drawing = draw(&picture.drawn, 600.0);
    paper.picture(&drawing, &picture.title, &picture.says);
}
