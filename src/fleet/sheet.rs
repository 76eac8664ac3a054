//! What a study found, for people: sheets of sections, tables and pictures, and lines of the worklist.
//!
//! Plain data. Does not know where it came from, nor how it is shown: pages, CSV and PDF are made from the same.

use jiff::civil::Date;

/// One page of findings.
#[derive(Debug, Clone, Default)]
pub struct Sheet {
    /// Short name, for file names and links: `battery-plan`.
    pub id: String,
    /// Its heading.
    pub title: String,
    /// What it says, in a few sentences; the first is the most important.
    pub lead: Vec<String>,
    /// In reading order.
    pub sections: Vec<Section>,
    /// The SQL that its numbers come from.
    pub queries: Vec<Query>,
}

/// A part of a sheet, or of a vehicle's page.
#[derive(Debug, Clone, Default)]
pub struct Section {
    /// Unique in its sheet, for links: `ranking`.
    pub id: String,
    /// Its heading.
    pub heading: String,
    /// Paragraphs.
    pub text: Vec<String>,
    /// Shown above the tables.
    pub pictures: Vec<Picture>,
    /// Tables.
    pub tables: Vec<Table>,
    /// Begins a page of its own in print: a sheet that is taken along to one vehicle.
    pub own_page: bool,
}

/// SQL that anyone can ask again with `yardtap sql`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Query {
    /// Unique among all sheets: `battery-months`.
    pub id: &'static str,
    /// What it asks, in words.
    pub title: &'static str,
    /// As it was asked, with the dates filled in.
    pub sql: String,
}

/// A table, to be read, sorted, and had as CSV.
#[derive(Debug, Clone, Default)]
pub struct Table {
    /// Unique in its sheet, for file names: `ranking`.
    pub id: String,
    /// What it shows.
    pub caption: String,
    /// From left to right; the first names the row.
    pub columns: Vec<Column>,
    /// Each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
    /// Id of the query that the numbers come from.
    pub query: Option<&'static str>,
}

/// A column of a [`Table`].
#[derive(Debug, Clone, Default)]
pub struct Column {
    /// Heading.
    pub name: String,
    /// UCUM code; empty where there is none.
    pub unit: String,
    /// What it means, in a sentence; may be empty.
    pub about: String,
}

/// One value. No number in it is infinite or not a number: make it with [`Cell::number`], which sees to that.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing, and why: `no reading`. May be empty.
    Missing(&'static str),
    /// Words.
    Text(String),
    /// A fleet number; leads to the vehicle's page.
    Vehicle(String),
    /// How many.
    Count(u64),
    /// A value, shown with so many decimals.
    Number {
        /// The value.
        value: f64,
        /// Decimals.
        decimals: u8,
    },
    /// From one value to another.
    Interval {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Decimals.
        decimals: u8,
    },
    /// A share or probability, 0 to 1; shown in percent.
    Share(f64),
    /// A day.
    Day(Date),
    /// An empty box, to be written into by hand on a printed page.
    Box,
}

impl Cell {
    /// A value; missing where it is not finite.
    pub fn number(value: f64, decimals: u8) -> Self {
        if value.is_finite() { Self::Number { value, decimals } } else { Self::Missing("") }
    }

    /// An interval; missing where an end is not finite.
    pub fn interval(low: f64, high: f64, decimals: u8) -> Self {
        if low.is_finite() && high.is_finite() { Self::Interval { low, high, decimals } } else { Self::Missing("") }
    }

    /// A share; missing where it is not finite.
    pub fn share(value: f64) -> Self {
        if value.is_finite() { Self::Share(value) } else { Self::Missing("") }
    }

    /// A value that may be missing.
    pub fn maybe(value: Option<f64>, decimals: u8, why_missing: &'static str) -> Self {
        match value {
            Some(value) if value.is_finite() => Self::Number { value, decimals },
            _ => Self::Missing(why_missing),
        }
    }
}

/// A drawing, with its data.
#[derive(Debug, Clone)]
pub struct Picture {
    /// Unique in its sheet: `ranking-picture`.
    pub id: String,
    /// What it shows.
    pub title: String,
    /// What is to be seen in it, in a sentence, for those who do not see it.
    pub says: String,
    /// What is drawn.
    pub drawn: Drawn,
    /// The data behind.
    pub table: Table,
}

/// What a picture draws. All numbers are finite.
#[derive(Debug, Clone)]
pub enum Drawn {
    /// One row a thing: a dot on its interval.
    Ladder {
        /// Along the scale.
        axis: Axis,
        /// From top to bottom.
        rows: Vec<Rung>,
        /// A value to compare with: the fleet's, a limit.
        level: Option<Level>,
    },
    /// Values over time, or over another quantity.
    Plot {
        /// Across.
        x: Axis,
        /// Upwards.
        y: Axis,
        /// Lines, dots and bands.
        traces: Vec<Trace>,
        /// Horizontal levels: limits.
        levels: Vec<Level>,
    },
    /// Stacked bars, one row a thing: how much each cause explains.
    Parts {
        /// Along the bars.
        axis: Axis,
        /// Names of the parts, in order.
        parts: Vec<String>,
        /// Label, and one value a part. Negative parts are drawn to the left of zero.
        rows: Vec<(String, Vec<f64>)>,
    },
    /// The overhead, and what happened where. Latitude and longitude in degrees.
    Map {
        /// Lines of the network: name, and corners.
        ways: Vec<(String, Vec<(f64, f64)>)>,
        /// Places.
        spots: Vec<Spot>,
    },
}

/// A scale.
#[derive(Debug, Clone, Default)]
pub struct Axis {
    /// What.
    pub name: String,
    /// UCUM code.
    pub unit: String,
    /// Values are days since 1970-01-01, and are shown as dates.
    pub days: bool,
}

/// A row of a ladder.
#[derive(Debug, Clone, Default)]
pub struct Rung {
    /// What it is.
    pub label: String,
    /// Leads to this vehicle's page.
    pub vehicle: Option<String>,
    /// Lower end.
    pub low: f64,
    /// The estimate.
    pub mid: f64,
    /// Upper end.
    pub high: f64,
    /// To be seen first.
    pub strong: bool,
}

/// A line across.
#[derive(Debug, Clone, Default)]
pub struct Level {
    /// Where.
    pub at: f64,
    /// What it is.
    pub name: String,
}

/// A line, dots, or a band.
#[derive(Debug, Clone)]
pub struct Trace {
    /// What it is.
    pub name: String,
    /// How it is drawn.
    pub mark: Mark,
    /// x, y; for a band x, low, high are in `points` and `upper`.
    pub points: Vec<(f64, f64)>,
    /// Upper edge of a band, at the same x.
    pub upper: Vec<f64>,
}

/// How a trace is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A line through the points.
    Line,
    /// A dashed line through the points: what is expected.
    Expected,
    /// One dot a point.
    Dots,
    /// Dots that matter.
    StrongDots,
    /// A filled band between `points` and `upper`.
    Band,
}

/// A place on a map.
#[derive(Debug, Clone)]
pub struct Spot {
    /// Degrees.
    pub latitude: f64,
    /// Degrees.
    pub longitude: f64,
    /// How many, or how much; the area of its mark follows it.
    pub weight: f64,
    /// What kind: of the same kind, the same sign.
    pub kind: SpotKind,
    /// What it is, in words.
    pub label: String,
}

/// Kinds of places on a map. Each is drawn by a shape of its own, not by colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpotKind {
    /// Special work where nothing was seen.
    Plain,
    /// Many vehicles have it here.
    ManyVehicles,
    /// One vehicle has it here.
    OneVehicle,
    /// It cannot be told.
    Untold,
}

/// What to look at: one line of the worklist.
#[derive(Debug, Clone)]
pub struct WorkLine {
    /// Fleet number; none where it is a place in the overhead.
    pub vehicle: Option<String>,
    /// What to look at: `off-wire battery`, `collector, left`, `overhead at S-14`.
    pub subject: String,
    /// What kind of work.
    pub kind: WorkKind,
    /// Why, in one sentence with its numbers.
    pub reason: String,
    /// How sure it is.
    pub sure: Sure,
    /// What it costs to leave it, in expected losses of service a month (timeouts, pole-offs, dropouts); what comes
    /// first has most. Not finite is 0.
    pub weight: f64,
    /// The evidence, in one picture.
    pub evidence: Option<Picture>,
    /// Where to read more: id of a sheet, and of a section in it.
    pub more: (String, String),
    /// What to be careful with, beyond the usual cautions; may be empty.
    pub caution: &'static str,
}

/// Kinds of work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum WorkKind {
    /// Off-wire battery.
    Battery,
    /// Poles, collector heads, carbon inserts.
    Collector,
    /// The overhead line.
    Overhead,
    /// Contactors, converters, other modules.
    Module,
    /// A sensor or transducer.
    Sensor,
    /// A hand reading or optical link that nears its limit.
    Reading,
    /// A reading that is due.
    Due,
    /// What a module announces itself (trouble codes).
    TroubleCode,
    /// A vehicle that does not report.
    Silent,
}

/// How sure a finding is: a probability where there is one, and always words.
#[derive(Debug, Clone, PartialEq)]
pub struct Sure {
    /// 0 to 1, of what `words` says.
    pub probability: Option<f64>,
    /// `97 % sure to be among the worst 5`.
    pub words: String,
}
