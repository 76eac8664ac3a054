//! The worklist: what to look at first, each line with its reason, its evidence, and how sure it is.

use maud::{Markup, html};

use super::super::sheet::{Sheet, WorkKind, WorkLine};
use super::book::{KINDS, kind_name};
use super::section::{Leaf, Size, named};
use super::shell::lead;

/// Lines that are shown with their evidence; the others stand in the table below.
const SHOWN_MAX: usize = 60;

/// What the place of trouble codes says.
pub(super) const NO_CODES: &str = "None are read yet. What modules announce themselves (SAE J1939 DM1, CANopen EMCY) \
                                   will stand here.";

/// The worklist's page.
pub(super) fn body(leaf: &mut Leaf<'_, '_>, sheet: Option<&Sheet>) -> Markup {
    let work = leaf.book.work.clone();
    let (codes, lines): (Vec<_>, Vec<_>) =
        work.iter().enumerate().partition(|(_, line)| line.kind == WorkKind::TroubleCode);
    let shown = &lines[..lines.len().min(SHOWN_MAX)];
    html! {
        @if let Some(sheet) = sheet { (lead(&sheet.lead)) }
        (summary(&work))
        section aria-labelledby="lines" {
            h2 id=(leaf.id("lines")) { "What to look at first" }
            @if lines.is_empty() {
                p { "Nothing stands on the worklist. Data quality tells which vehicles reported at all." }
            } @else {
                p.note { "First stands what costs most to leave, in expected losses of service a month, times how sure it is." }
                ol.work {
                    @for (index, line) in shown { (one(leaf, *index + 1, line, true)) }
                }
                @if shown.len() < lines.len() {
                    p.note { "The first " (shown.len()) " of " (lines.len()) " lines are shown with their evidence; all stand in the table below." }
                }
            }
        }
        section aria-labelledby="trouble-codes" {
            h2 id=(leaf.id("trouble-codes")) { "Trouble codes" }
            @if codes.is_empty() {
                p { (NO_CODES) }
            } @else {
                ol.work { @for (index, line) in &codes { (one(leaf, *index + 1, line, true)) } }
            }
        }
        section.screen aria-labelledby="all-lines" {
            h2 id=(leaf.id("all-lines")) { "The worklist as a table" }
            (leaf.table(&leaf.book.work_table(), true))
        }
        @if let Some(sheet) = sheet { (leaf.sections(&sheet.sections)) }
    }
}

/// How many lines of each kind, in one look.
fn summary(work: &[&WorkLine]) -> Markup {
    let of = |kind: WorkKind| work.iter().filter(|line| line.kind == kind).count();
    html! {
        ul.kinds aria-label="Kinds of work" {
            @for kind in KINDS {
                @let count = of(kind);
                @if kind == WorkKind::TroubleCode && count == 0 {
                    li { a href="#trouble-codes" { "trouble codes" } " " span { "not read yet" } }
                } @else if count > 0 {
                    li data-kind=(kind_name(kind)) { span.what { (kind_name(kind)) } " " b { (count) } }
                }
            }
        }
    }
}

/// One line. Rank and vehicle, then why, then how sure, then the picture.
pub(super) fn one(leaf: &mut Leaf<'_, '_>, rank: usize, line: &WorkLine, names_vehicle: bool) -> Markup {
    let more = leaf.book.section(&line.more).map(|(page, section)| {
        let place = section.map_or(String::new(), |section| format!("#{section}"));
        (format!("{}{place}", leaf.to(&page.path)), page.title.clone(), page.path == leaf.page.path)
    });
    html! {
        li value=(rank) data-kind=(kind_name(line.kind)) {
            span.box aria-hidden="true" {}
            div.about {
                p.kind { (kind_name(line.kind)) }
                h3 {
                    span.rank { (rank) }
                    @if names_vehicle && let Some(vehicle) = &line.vehicle { (leaf.vehicle(vehicle)) ": " }
                    bdi { (named(&line.subject)) }
                }
                p.reason { (line.reason) }
                p.sure {
                    @if let Some(share) = line.sure.probability.filter(|share| share.is_finite()) { (bar(share)) " " }
                    (line.sure.words)
                }
                @if !line.caution.is_empty() { p.careful { b { "Be careful: " } (line.caution) } }
                @if let Some((link, title, false)) = &more { p.more { a href=(link) { "More: " (title) } } }
                p.done aria-hidden="true" { "Looked at by" span {} "on" span {} }
            }
            @if let Some(picture) = &line.evidence { (leaf.picture(picture, Size::Small, false)) }
        }
    }
}

/// A probability as a bar; the words beside it say it too.
fn bar(share: f64) -> Markup {
    let width = (share.clamp(0.0, 1.0) * 60.0).round();
    html! {
        svg.bar aria-hidden="true" viewBox="0 0 60 8" width="60" height="8" {
            rect class="around" x="0.5" y="0.5" width="59" height="7" {}
            rect class="within" x="0" y="0" width=(width) height="8" {}
        }
    }
}
