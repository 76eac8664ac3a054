//! Which pages there are, what they are called, and what links where.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::super::morning::Morning;
use super::super::sheet::{Cell, Column, Query, Section, Sheet, Table, WorkKind, WorkLine};
use super::names::{Names, plain};

/// The morning as pages.
pub(super) struct Book<'a> {
    pub morning: &'a Morning,
    /// In the order of navigation; vehicles last.
    pub pages: Vec<Page<'a>>,
    /// All queries, by id, in the order of the sheets.
    pub queries: Vec<&'a Query>,
    /// The worklist's lines, first things first.
    pub work: Vec<&'a WorkLine>,
    /// A vehicle's page.
    vehicles: HashMap<&'a str, usize>,
    /// A sheet's page.
    sheets: HashMap<&'a str, usize>,
}

/// One page.
pub(super) struct Page<'a> {
    /// Its file, from the folder of pages: `vehicle/207.html`.
    pub path: String,
    /// Its heading.
    pub title: String,
    /// What is on it.
    pub holds: Holds<'a>,
    /// Its tables' files, in the order of [`Page::tables`].
    pub csv: Vec<String>,
    /// Its PDF.
    pub pdf: Option<String>,
}

/// What is on a page.
#[derive(Clone, Copy)]
pub(super) enum Holds<'a> {
    /// What to look at; and what its study says besides, if it does.
    Work(Option<&'a Sheet>),
    /// A sheet.
    Sheet(&'a Sheet),
    /// All vehicles.
    Vehicles,
    /// One vehicle.
    Vehicle(&'a str, &'a [Section]),
    /// All queries.
    Queries,
}

/// Id of the sheet that stands on the worklist's page.
const WORKLIST: &str = "worklist";

impl<'a> Book<'a> {
    pub fn new(morning: &'a Morning) -> Self {
        let mut book = Self {
            morning,
            pages: Vec::new(),
            queries: Vec::new(),
            work: morning.work.iter().collect(),
            vehicles: HashMap::new(),
            sheets: HashMap::new(),
        };
        let mut names = Names::default();
        for taken in ["index", "vehicles", "queries", "worklist"] {
            names.give(taken);
        }
        let worklist = morning.sheets.iter().find(|sheet| sheet.id == WORKLIST);
        let page = |path: &str, title: &str, holds, pdf: Option<&str>| Page {
            path: path.into(),
            title: title.into(),
            holds,
            csv: Vec::new(),
            pdf: pdf.map(str::to_owned),
        };
        book.sheets.insert(WORKLIST, 0);
        book.pages.push(page("index.html", "Worklist", Holds::Work(worklist), Some("worklist.pdf")));
        for sheet in morning.sheets.iter().filter(|sheet| sheet.id != WORKLIST) {
            let name = names.give(&sheet.id);
            book.sheets.entry(&sheet.id).or_insert(book.pages.len());
            let title = if sheet.title.is_empty() { &sheet.id } else { &sheet.title };
            book.pages.push(page(&format!("{name}.html"), title, Holds::Sheet(sheet), Some(&format!("{name}.pdf"))));
        }
        book.pages.push(page("vehicles.html", "Vehicles", Holds::Vehicles, None));
        book.pages.push(page("queries.html", "Queries", Holds::Queries, None));
        let mut names = Names::default();
        for (vehicle, sections) in book.all_vehicles() {
            let name = names.give(vehicle);
            book.vehicles.insert(vehicle, book.pages.len());
            let (html, pdf) = (format!("vehicle/{name}.html"), format!("vehicle/{name}.pdf"));
            book.pages.push(page(&html, &format!("Vehicle {vehicle}"), Holds::Vehicle(vehicle, sections), Some(&pdf)));
        }
        let mut seen = BTreeSet::new();
        let queries = morning.sheets.iter().flat_map(|sheet| &sheet.queries).chain(&morning.asked);
        book.queries = queries.filter(|query| seen.insert(query.id)).collect();
        book.name_tables();
        book
    }

    /// Vehicles that have a page: those of the morning, and any that the worklist names.
    fn all_vehicles(&self) -> BTreeMap<&'a str, &'a [Section]> {
        let named = self.morning.work.iter().filter_map(|line| line.vehicle.as_deref());
        let mut all: BTreeMap<&str, &[Section]> = named.map(|vehicle| (vehicle, [].as_slice())).collect();
        all.extend(self.morning.vehicles.iter().map(|(vehicle, sections)| (vehicle.as_str(), sections.as_slice())));
        all
    }

    fn name_tables(&mut self) {
        let mut names = Names::default();
        for index in 0..self.pages.len() {
            let page = &self.pages[index];
            let stem = match page.holds {
                Holds::Work(_) => "worklist".into(),
                _ => page.path.trim_end_matches(".html").replace('/', "-"),
            };
            let tables = page.tables(self);
            let given = tables.iter().map(|table| {
                let id = if table.id.is_empty() { "table" } else { &table.id };
                let joined = if id == stem { stem.clone() } else { format!("{stem}-{}", plain(id)) };
                format!("csv/{}.csv", names.give_plain(&joined))
            });
            let csv = given.collect();
            self.pages[index].csv = csv;
        }
    }

    /// A vehicle's page.
    pub fn vehicle(&self, vehicle: &str) -> Option<&Page<'a>> {
        self.pages.get(*self.vehicles.get(vehicle)?)
    }

    /// A sheet's page, and the place of a section in it, where they exist.
    pub fn section(&self, (sheet, section): &(String, String)) -> Option<(&Page<'a>, Option<String>)> {
        let page = self.pages.get(*self.sheets.get(sheet.as_str())?)?;
        let known = page.sections().iter().any(|one| one.id == *section);
        Some((page, known.then(|| plain(section))))
    }

    /// Whether there is a query.
    pub fn has_query(&self, id: &str) -> bool {
        self.queries.iter().any(|query| query.id == id)
    }

    /// The worklist's lines of a vehicle, with their ranks.
    pub fn work_of(&self, vehicle: &str) -> Vec<(usize, &'a WorkLine)> {
        let ranked = self.work.iter().enumerate();
        ranked
            .filter(|(_, line)| line.vehicle.as_deref() == Some(vehicle))
            .map(|(index, line)| (index + 1, *line))
            .collect()
    }

    /// The list of what there is, for programs.
    pub fn contents(&self) -> String {
        let morning = self.morning;
        let page = |page: &Page<'_>| serde_json::json!({ "page": page.path, "title": page.title, "csv": page.csv, "pdf": page.pdf });
        let sets = morning.definitions.iter().map(|set| serde_json::json!({ "name": set.name, "hash": set.hash }));
        let contents = serde_json::json!({
            "made_by": concat!("yardtap ", env!("CARGO_PKG_VERSION")),
            "made": morning.made.timestamp().to_string(),
            "store": morning.store,
            "from": morning.from.map(|day| day.to_string()),
            "until": morning.until.map(|day| day.to_string()),
            "definitions": sets.collect::<Vec<_>>(),
            "lines": self.work.len(),
            "pages": self.pages.iter().map(page).collect::<Vec<_>>(),
        });
        format!("{contents:#}\n")
    }

    /// The whole worklist as a table.
    pub fn work_table(&self) -> Table {
        let column = |name: &str, unit: &str| Column { name: name.into(), unit: unit.into(), about: String::new() };
        let columns = [
            column("rank", ""),
            column("vehicle", ""),
            column("look at", ""),
            column("kind of work", ""),
            column("reason", ""),
            column("probability", "1"),
            column("how sure", ""),
            column("losses of service a month", ""),
            column("be careful", ""),
        ];
        let row = |(index, line): (usize, &&WorkLine)| {
            vec![
                Cell::Count(index as u64 + 1),
                line.vehicle.clone().map_or(Cell::Missing("a place"), Cell::Vehicle),
                Cell::Text(line.subject.clone()),
                Cell::Text(kind_name(line.kind).into()),
                Cell::Text(line.reason.clone()),
                line.sure.probability.map_or(Cell::Missing(""), Cell::share),
                Cell::Text(line.sure.words.clone()),
                Cell::number(line.weight, 2),
                Cell::Text(line.caution.into()),
            ]
        };
        Table {
            id: WORKLIST.into(),
            caption: "All lines of the worklist".into(),
            columns: columns.into(),
            rows: self.work.iter().enumerate().map(row).collect(),
            query: None,
        }
    }

    /// All vehicles as a table.
    pub fn vehicles_table(&self) -> Table {
        let column = |name: &str, about: &str| Column { name: name.into(), unit: String::new(), about: about.into() };
        let row = |vehicle: &&str| {
            let lines = self.work_of(vehicle);
            let first = lines.first().map_or(Cell::Missing("nothing"), |(_, line)| Cell::Text(line.subject.clone()));
            let rank =
                lines.first().map_or(Cell::Missing("not on the worklist"), |(rank, _)| Cell::Count(*rank as u64));
            vec![Cell::Vehicle((**vehicle).to_owned()), Cell::Count(lines.len() as u64), rank, first]
        };
        let mut vehicles: Vec<&str> = self.all_vehicles().into_keys().collect();
        vehicles.sort_by(|a, b| super::by_number(a, b));
        Table {
            id: "vehicles".into(),
            caption: "All vehicles".into(),
            columns: vec![
                column("vehicle", ""),
                column("lines", "How many lines of the worklist are about it."),
                column("first rank", "Its first line's place in the worklist."),
                column("look at first", ""),
            ],
            rows: vehicles.iter().map(row).collect(),
            query: None,
        }
    }
}

impl<'a> Page<'a> {
    /// Its own sections.
    pub fn sections(&self) -> &'a [Section] {
        match self.holds {
            Holds::Work(sheet) => sheet.map_or(&[], |sheet| &sheet.sections),
            Holds::Sheet(sheet) => &sheet.sections,
            Holds::Vehicle(_, sections) => sections,
            Holds::Vehicles | Holds::Queries => &[],
        }
    }

    /// Its tables, in the order in which they stand: those that are made of other things first, then each section's
    /// pictures', then its own.
    pub fn tables(&self, book: &Book<'a>) -> Vec<std::borrow::Cow<'a, Table>> {
        use std::borrow::Cow;
        let own = match self.holds {
            Holds::Work(_) => vec![Cow::Owned(book.work_table())],
            Holds::Vehicles => vec![Cow::Owned(book.vehicles_table())],
            _ => Vec::new(),
        };
        let of = |section: &'a Section| {
            let behind = section.pictures.iter().map(|picture| &picture.table);
            behind.chain(&section.tables).map(Cow::Borrowed)
        };
        own.into_iter().chain(self.sections().iter().flat_map(of)).collect()
    }

    /// The way back to the folder of pages.
    pub fn up(&self) -> &'static str {
        if self.path.contains('/') { "../" } else { "" }
    }
}

/// A kind of work in words.
pub(super) fn kind_name(kind: WorkKind) -> &'static str {
    match kind {
        WorkKind::Battery => "off-wire battery",
        WorkKind::Collector => "collectors",
        WorkKind::Overhead => "overhead",
        WorkKind::Module => "modules",
        WorkKind::Sensor => "sensors",
        WorkKind::Reading => "readings near a limit",
        WorkKind::Due => "readings due",
        WorkKind::TroubleCode => "trouble codes",
        WorkKind::Silent => "not reporting",
    }
}

/// All kinds, in the order in which they are shown.
pub(super) const KINDS: [WorkKind; 9] = [
    WorkKind::Battery,
    WorkKind::Collector,
    WorkKind::Overhead,
    WorkKind::Module,
    WorkKind::Sensor,
    WorkKind::Reading,
    WorkKind::Due,
    WorkKind::Silent,
    WorkKind::TroubleCode,
];
