//! What every page has: heading, navigation, cautions, and what the morning was made of.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::book::{Book, Holds, Page};
use super::section::{Leaf, named};
use super::{queries, vehicles, work};
use crate::board::CAUTION;

/// Said on every page, in every PDF.
pub(super) const CAUTIONS: [&str; 2] =
    [CAUTION, "What stands here is where to look first, not what is wrong. It is no protection and no alarm system."];

/// A page as HTML.
pub(super) fn page(book: &Book<'_>, page: &Page<'_>) -> String {
    let up = page.up();
    let mut leaf = Leaf::new(book, page);
    let body = match page.holds {
        Holds::Work(sheet) => work::body(&mut leaf, sheet),
        Holds::Sheet(sheet) => html! {
            (lead(&sheet.lead))
            (leaf.sections(&sheet.sections))
        },
        Holds::Vehicles => vehicles::all(&mut leaf),
        Holds::Vehicle(vehicle, sections) => vehicles::one(&mut leaf, vehicle, sections),
        Holds::Queries => queries::body(book),
    };
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (named(&page.title)) " – yardtap" }
                link rel="icon" href="data:,";
                link rel="stylesheet" href={ (up) "morning.css" };
                script src={ (up) "morning.js" } defer {}
            }
            body {
                a.skip href="#content" { "To the content" }
                header {
                    (poles())
                    p.name { a href={ (up) "index.html" } { "yardtap" } @if let Some(until) = book.morning.until { " " span { "service day " (until) } } }
                    (navigation(book, page))
                }
                main id="content" tabindex="-1" {
                    h1 { (named(&page.title)) }
                    p.made { (made(book)) }
                    (beside(page))
                    section.caution aria-label="Cautions" { @for caution in CAUTIONS { p { (caution) } } }
                    (body)
                }
                footer { p { "yardtap " (env!("CARGO_PKG_VERSION")) } }
            }
        }
    };
    without_controls(whole.into_string())
}

/// What a sheet says first.
pub(super) fn lead(sentences: &[String]) -> Markup {
    html! {
        @for (index, sentence) in sentences.iter().enumerate() {
            p.lead[index == 0] { (sentence) }
        }
    }
}

/// Two poles, which reach up to the two wires over the page.
fn poles() -> Markup {
    PreEscaped(
        "<svg class=\"poles\" aria-hidden=\"true\" viewBox=\"0 0 150 44\" width=\"150\" height=\"44\">\
         <path d=\"M6 3L128 43M18 10L140 43\"/><path class=\"heads\" d=\"M1 3H12M13 10H24\"/></svg>"
            .into(),
    )
}

fn navigation(book: &Book<'_>, page: &Page<'_>) -> Markup {
    let up = page.up();
    let is_vehicle = |page: &Page<'_>| matches!(page.holds, Holds::Vehicle(..));
    html! {
        nav aria-label="Pages" {
            ul {
                @for other in book.pages.iter().filter(|other| !is_vehicle(other)) {
                    @let current = other.path == page.path;
                    @let within = is_vehicle(page) && matches!(other.holds, Holds::Vehicles);
                    li {
                        a href={ (up) (other.path) }
                            aria-current=[if current { Some("page") } else { within.then_some("true") }] { (named(&other.title)) }
                    }
                }
            }
        }
    }
}

/// The same page in other forms.
fn beside(page: &Page<'_>) -> Markup {
    html! {
        @if let Some(pdf) = &page.pdf {
            p.forms { a href={ (page.up()) (pdf) } { "This page as PDF" } }
        }
    }
}

/// Of which days, from which store, by which definitions, and when.
pub(super) fn made(book: &Book<'_>) -> String {
    let morning = book.morning;
    let days = match (morning.from, morning.until) {
        (Some(from), Some(until)) => format!("Service days {from} to {until}."),
        (None, Some(until)) => format!("Up to service day {until}."),
        (_, None) => "The store holds no service day yet.".into(),
    };
    let sets: Vec<String> = morning
        .definitions
        .iter()
        .map(|set| {
            let hash: String = set.hash.chars().take(12).collect();
            if set.name.is_empty() { hash } else { format!("{} ({hash})", set.name) }
        })
        .collect();
    let sets = match sets.len() {
        0 => String::new(),
        1 => format!(", decoded by definition set {}", sets[0]),
        _ => format!(", decoded by definition sets {}", sets.join(", ")),
    };
    let zone = morning.made.time_zone().iana_name().unwrap_or("UTC");
    let clock = morning.made.strftime("%Y-%m-%d %H:%M");
    format!("{days} Made {clock} ({zone}) from the store {}{sets}.", morning.store)
}

/// HTML takes no control characters; some texts come from a bus.
fn without_controls(html: String) -> String {
    let is_bad = |letter: char| letter.is_control() && letter != '\n' && letter != '\t';
    if html.contains(is_bad) { html.replace(is_bad, "\u{fffd}") } else { html }
}
