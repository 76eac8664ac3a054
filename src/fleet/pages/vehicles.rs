//! All vehicles, and one vehicle.

use maud::{Markup, html};

use super::super::sheet::Section;
use super::section::Leaf;
use super::work;

/// The list of vehicles.
pub(super) fn all(leaf: &mut Leaf<'_, '_>) -> Markup {
    let table = leaf.book.vehicles_table();
    html! {
        @if table.rows.is_empty() {
            p { "There are no vehicles: the store has no runs, and the records name none." }
        } @else {
            (leaf.table(&table, true))
        }
    }
}

/// One vehicle: its lines of the worklist, then what each study says of it.
pub(super) fn one(leaf: &mut Leaf<'_, '_>, vehicle: &str, sections: &[Section]) -> Markup {
    let lines = leaf.book.work_of(vehicle);
    html! {
        section aria-labelledby="lines" {
            h2 id=(leaf.id("lines")) { "On the worklist" }
            @if lines.is_empty() {
                p { "Nothing about this vehicle stands on the worklist." }
            } @else {
                ol.work { @for (rank, line) in &lines { (work::one(leaf, *rank, line, false)) } }
            }
        }
        @if sections.is_empty() {
            p { "No study says more of this vehicle in these days." }
        } @else {
            (leaf.sections(sections))
        }
    }
}
