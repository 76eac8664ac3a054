//! Sections, tables and pictures as HTML.

use maud::{Markup, PreEscaped, html};

use super::super::sheet::{Cell, Drawn, Picture, Section, Table};
use super::book::{Book, Page};
use super::drawing::draw;
use super::names::{Names, plain};
use super::svg::svg;
use super::words::{Key, NOTHING, is_numeric, shown, unit};

/// Rows of a table on a page; all are in its CSV.
const ROWS_MAX: usize = 2000;
/// Widths that pictures are drawn for: a page, and a phone or the margin of a line. Unit: CSS pixel.
const WIDE: f64 = 720.0;
const NARROW: f64 = 340.0;

/// A page while it is written: what its places are called, and which of its tables come next.
pub(super) struct Leaf<'b, 'a> {
    pub book: &'b Book<'a>,
    pub page: &'b Page<'a>,
    ids: Names,
    next_csv: usize,
}

/// How wide a picture is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Size {
    /// Over the page; on a phone, as wide as that is.
    Page,
    /// Beside words.
    Small,
}

impl<'b, 'a> Leaf<'b, 'a> {
    pub fn new(book: &'b Book<'a>, page: &'b Page<'a>) -> Self {
        let mut ids = Names::default();
        // Sections are linked to from elsewhere, so their names go first.
        ids.give("content");
        Self { book, page, ids, next_csv: 0 }
    }

    /// A path from the folder of pages, as this page links to it.
    pub fn to(&self, path: &str) -> String {
        format!("{}{path}", self.page.up())
    }

    /// A place's name, given once in this page.
    pub fn id(&mut self, text: &str) -> String {
        self.ids.give(text)
    }

    /// Sections, in order.
    pub fn sections(&mut self, sections: &[Section]) -> Markup {
        let ids: Vec<String> = sections.iter().map(|section| self.id(&section.id)).collect();
        html! {
            @if sections.len() > 3 {
                nav.contents aria-label="On this page" {
                    ul { @for (section, id) in sections.iter().zip(&ids) { li { a href={ "#" (id) } { (named(&section.heading)) } } } }
                }
            }
            @for (section, id) in sections.iter().zip(&ids) {
                section.own-page[section.own_page] aria-labelledby=(id) {
                    h2 id=(id) tabindex="-1" { (named(&section.heading)) }
                    @for text in &section.text { p { (text) } }
                    @for picture in &section.pictures { (self.picture(picture, Size::Page, true)) }
                    @for table in &section.tables { (self.table(table, true)) }
                }
            }
        }
    }

    /// A picture, with its data behind it.
    pub fn picture(&mut self, picture: &Picture, size: Size, has_csv: bool) -> Markup {
        let id = self.id(&format!("p-{}", picture.id));
        let told = (named(&picture.title), picture.says.as_str());
        let drawn = |width: f64, class: &str, id: &str| PreEscaped(svg(&draw(&picture.drawn, width), id, class, told));
        let pictures = match size {
            Size::Page => html! {
                (drawn(WIDE, "on-wide", &id))
                (drawn(NARROW, "on-narrow", &format!("{id}-n")))
            },
            Size::Small => drawn(NARROW, "small", &id),
        };
        html! {
            figure.drawn {
                figcaption { b { (named(&picture.title)) } " " span { (picture.says) } }
                (pictures)
                @if matches!(picture.drawn, Drawn::Map { .. }) {
                    p.note { "The area of a sign follows how much happened there. North is up." }
                }
                details {
                    summary { "The data of this picture" }
                    (self.table(&picture.table, has_csv))
                }
            }
        }
    }

    /// A table, with the way to its query and to its CSV.
    pub fn table(&mut self, table: &Table, has_csv: bool) -> Markup {
        let csv = if has_csv { self.page.csv.get(self.next_csv).cloned() } else { None };
        self.next_csv += usize::from(has_csv);
        let id = self.id(&format!("t-{}", table.id));
        let query = table.query.filter(|query| self.book.has_query(query));
        let classes: Vec<Option<&str>> = (0..table.columns.len()).map(|column| class_of(table, column)).collect();
        let class = |column: usize| classes.get(column).copied().flatten();
        let rows = &table.rows[..table.rows.len().min(ROWS_MAX)];
        let explained: Vec<_> = table.columns.iter().filter(|column| !column.about.is_empty()).collect();
        html! {
            figure.table {
                figcaption {
                    span id={ (id) "-c" } { (table.caption) }
                    span.behind {
                        @if let Some(query) = query {
                            " " a href={ (self.to("queries.html")) "#" (plain(query)) } { "query" span.unseen { " of " (table.caption) } }
                        }
                        @if let Some(csv) = &csv {
                            " " a href=(self.to(csv)) { "CSV" span.unseen { " of " (table.caption) } }
                        }
                    }
                }
                @if table.rows.is_empty() {
                    p.note { "There are no rows." }
                } @else {
                    div.wide role="region" aria-labelledby={ (id) "-c" } tabindex="0" {
                        table id=(id) aria-labelledby={ (id) "-c" } {
                            thead {
                                tr {
                                    @for (index, column) in table.columns.iter().enumerate() {
                                        th scope="col" class=[class(index)] {
                                            (column.name)
                                            @let unit = unit(&column.unit);
                                            @if !unit.is_empty() { " " span.unit { (unit) } }
                                        }
                                    }
                                }
                            }
                            tbody {
                                @for row in rows {
                                    tr {
                                        @for index in 0..table.columns.len() {
                                            (self.cell(row.get(index).unwrap_or(&Cell::Missing("")), index, class(index)))
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
                @if rows.len() < table.rows.len() {
                    p.note { "The first " (rows.len()) " of " (table.rows.len()) " rows stand here; all are in the CSV." }
                }
                @if !explained.is_empty() {
                    details {
                        summary { "What the columns mean" }
                        dl { @for column in explained { dt { (column.name) } dd { (column.about) } } }
                    }
                }
            }
        }
    }

    fn cell(&self, cell: &Cell, index: usize, class: Option<&str>) -> Markup {
        let shown = shown(cell);
        let key = match shown.key {
            Some(Key::Number(key)) => Some(format!("{key:e}")),
            _ => None,
        };
        let inner = html! {
            @match cell {
                Cell::Vehicle(vehicle) => (self.vehicle(vehicle)),
                Cell::Box => { span.to-fill {} span.unseen { "to be filled in" } },
                Cell::Day(_) => span.day { (shown.text) },
                _ if shown.key.is_none() => {
                    span aria-hidden="true" { (NOTHING) }
                    @if shown.why.is_empty() { span.unseen { "nothing" } } @else { " " small { (shown.why) } }
                },
                _ => (shown.text),
            }
        };
        let class = match (shown.key.is_none(), class) {
            (true, Some("number")) => Some("number missing"),
            (true, _) => Some("missing"),
            (false, class) => class,
        };
        html! {
            @if index == 0 { th scope="row" class=[class] data-k=[key] { (inner) } } @else { td class=[class] data-k=[key] { (inner) } }
        }
    }

    /// A fleet number that leads to its page.
    pub fn vehicle(&self, vehicle: &str) -> Markup {
        html! {
            @match self.link_of(vehicle) {
                Some(link) => a href=(link) { bdi { (named(vehicle)) } },
                None => bdi { (named(vehicle)) },
            }
        }
    }

    /// The way to a vehicle's page; none from that page itself.
    fn link_of(&self, vehicle: &str) -> Option<String> {
        let page = self.book.vehicle(vehicle)?;
        (page.path != self.page.path).then(|| self.to(&page.path))
    }
}

/// A column's class: figures are set to the right, sentences need room.
fn class_of(table: &Table, column: usize) -> Option<&'static str> {
    let is_long = |row: &Vec<Cell>| matches!(row.get(column), Some(Cell::Text(text)) if text.chars().count() > 40);
    if is_numeric(&table.rows, column) { Some("number") } else { table.rows.iter().any(is_long).then_some("words") }
}

/// What a link or a heading is called: nobody can follow what has no letters.
pub(super) fn named(text: &str) -> &str {
    let is_seen = |letter: char| !letter.is_whitespace() && !letter.is_control();
    if text.contains(is_seen) { text } else { "(without a name)" }
}
