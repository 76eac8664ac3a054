//! What people write down, in files that a spreadsheet writes: which battery pack was in which vehicle, readings by hand,
//! duties, limits, collector heads and carbon inserts; the overhead as GeoJSON.
//!
//! A folder of files in, lists out, with every problem by file, row and remedy. Columns that are not known are kept.
//! Knows nothing of the store.

mod across;
mod cell;
mod columns;
mod geo;
mod grid;
mod limits;
mod load;
mod measure;
mod problem;
mod rows;
mod table;
mod template;
mod text;
mod write;

pub use load::{RecordsError, load, overhead};
pub use problem::{Grade, Place, Problem};
pub use template::{Templates, templates};
pub use write::write;

use std::collections::BTreeMap;

use jiff::civil::{Date, DateTime};

use crate::defs::unit;

/// Columns that are not known, by name.
pub type More = BTreeMap<String, String>;

/// All that was written down, checked. A file that is missing is an empty list.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Records {
    /// `vehicles.csv`: which vehicles there are.
    pub vehicles: Vec<Vehicle>,
    /// `packs.csv`: off-wire battery packs, fitted and removed; by vehicle, then day.
    pub packs: Vec<Fitting>,
    /// `heads.csv`: collector heads, likewise.
    pub heads: Vec<Fitting>,
    /// `inserts.csv`: carbon inserts, likewise.
    pub inserts: Vec<Fitting>,
    /// `readings.csv`: values measured by hand; by vehicle, channel, then day.
    pub readings: Vec<Reading>,
    /// `duties.csv`: who drove what where; by vehicle, then start.
    pub duties: Vec<Duty>,
    /// `limits.toml`: channels and their limits.
    pub channels: Vec<Channel>,
    /// `overhead.geojson`.
    pub overhead: Overhead,
}

/// A vehicle on the books.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Vehicle {
    /// Fleet number.
    pub vehicle: String,
    /// Kind, in the agency's words.
    pub kind: String,
    /// First day in service, if it is known.
    pub from: Option<Date>,
    /// Last day in service, if it has one.
    pub to: Option<Date>,
    /// Where it is parked, in the agency's words.
    pub yard: String,
    /// Other columns.
    pub more: More,
}

/// A part, fitted to a vehicle and perhaps removed again.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Fitting {
    /// The part's own number: of a pack, a head, an insert.
    pub part: String,
    /// Fleet number.
    pub vehicle: String,
    /// `left` or `right`; empty where there is one a vehicle.
    pub side: String,
    /// From this day.
    pub fitted: Date,
    /// To this day; not yet, where there is none.
    pub removed: Option<Date>,
    /// Why it was removed, in the agency's words.
    pub reason: String,
    /// The supplier's batch.
    pub batch: String,
    /// Thickness when fitted. Unit: mm. Carbon inserts only.
    pub thickness_fitted_mm: Option<f64>,
    /// Thickness when removed. Unit: mm. Carbon inserts only.
    pub thickness_removed_mm: Option<f64>,
    /// Collector head that it sits in. Carbon inserts only.
    pub head: String,
    /// Other columns.
    pub more: More,
}

/// A value measured by hand at an inspection.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Reading {
    /// When it was measured.
    pub day: Date,
    /// Fleet number.
    pub vehicle: String,
    /// Which channel, as `limits.toml` names it.
    pub channel: String,
    /// In the channel's unit.
    pub value: f64,
    /// What was seen besides.
    pub note: String,
    /// Other columns.
    pub more: More,
}

/// Who drove what where. Times are on the agency's clocks.
#[derive(Debug, Clone, PartialEq)]
pub struct Duty {
    /// Fleet number.
    pub vehicle: String,
    /// Start.
    pub from: DateTime,
    /// End.
    pub to: DateTime,
    /// Pseudonym; may be empty.
    pub operator: String,
    /// Line.
    pub line: String,
    /// Other columns.
    pub more: More,
}

/// Something that is measured, and how far it may go.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Channel {
    /// As readings name it: `link-3`, `insulation-minus`.
    pub name: String,
    /// What it is.
    pub about: String,
    /// UCUM code of its values.
    pub unit: String,
    /// Whether it is a power, whose drift is reckoned in dB.
    pub decibels: bool,
    /// Whether lower is worse (else higher is).
    pub falls: bool,
    /// What a new one reads.
    pub new: Option<f64>,
    /// From here it is suspect.
    pub suspect: Option<f64>,
    /// From here it is measured again, and replaced if that holds: the recheck limit.
    pub recheck: Option<f64>,
    /// From here it may fail any day.
    pub marginal: Option<f64>,
    /// Days from one reading to the next.
    pub every_days: Option<u32>,
    /// Vehicles that have it, by kind; empty: all.
    pub kinds: Vec<String>,
}

impl Channel {
    /// Whether vehicles of a kind have it.
    pub fn is_of(&self, kind: &str) -> bool {
        self.kinds.is_empty() || self.kinds.iter().any(|own| own.trim().to_lowercase() == kind.trim().to_lowercase())
    }
}

/// The overhead.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Overhead {
    /// Lines: their wires' way.
    pub ways: Vec<Way>,
    /// Special work.
    pub special: Vec<SpecialWork>,
}

/// The way of a line, or of a wire.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Way {
    /// Line, as duties name it; or a name.
    pub line: String,
    /// Whether wires hang above it.
    pub wired: bool,
    /// Latitude and longitude. Unit: degrees.
    pub points: Vec<(f64, f64)>,
}

/// A piece of special work.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpecialWork {
    /// Its number on the overhead plan.
    pub id: String,
    /// `switch`, `coast_switch`, `power_switch`, `crossing`, `curve`, `section_gap`, …
    pub kind: String,
    /// In words.
    pub name: String,
    /// Latitude. Unit: degrees.
    pub latitude: f64,
    /// Longitude. Unit: degrees.
    pub longitude: f64,
    /// Lines that pass it; empty: those whose way comes within 25 m.
    pub lines: Vec<String>,
}

#[cfg(test)]
mod tests;
