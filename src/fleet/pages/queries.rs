//! Every query, with its SQL, so that anyone can ask again.

use maud::{Markup, html};

use super::book::{Book, Holds};
use super::names::{Names, plain};

/// The page of queries.
pub(super) fn body(book: &Book<'_>) -> Markup {
    // The first names of their kind are the plain ones that tables link to.
    let mut names = Names::default();
    html! {
        @if book.queries.is_empty() {
            p { "No study asked the store anything." }
        } @else {
            p.lead { "Every number on these pages comes from one of these queries, and from the statistics that its page names." }
            p {
                "Ask again by " code { "yardtap sql --store " (book.morning.store) " 'SELECT …'" }
                ", or with any other engine that reads Parquet."
            }
            ul.contents {
                @for query in &book.queries { li { a href={ "#" (plain(query.id)) } { (query.title) } } }
            }
        }
        @for query in &book.queries {
            section aria-labelledby=(plain(query.id)) {
                h2 id=(names.give(query.id)) tabindex="-1" { (query.title) }
                p.note {
                    code { (query.id) }
                    @for (path, title) in asked_by(book, query.id) { " · " a href=(path) { (title) } }
                }
                pre tabindex="0" role="region" aria-label={ "SQL: " (query.title) } { code { (query.sql) } }
            }
        }
    }
}

/// Pages, vehicles' apart, that show what a query gave.
fn asked_by<'b>(book: &'b Book<'_>, query: &str) -> Vec<(&'b str, &'b str)> {
    let shows = book.pages.iter().filter(|page| {
        let own = match page.holds {
            Holds::Sheet(sheet) | Holds::Work(Some(sheet)) => sheet.queries.iter().any(|own| own.id == query),
            _ => false,
        };
        let is_vehicle = matches!(page.holds, Holds::Vehicle(..));
        own || !is_vehicle && page.tables(book).iter().any(|table| table.query == Some(query))
    });
    shows.map(|page| (page.path.as_str(), page.title.as_str())).collect()
}
