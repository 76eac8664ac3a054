//! A year of the invented town at summary depth: runs and events of every vehicle-day as a replay would have left
//! them, the records that people keep, and the truth.
//!
//! ```text
//!  town, driver, machine ─▶ tapes ─┐
//!  plan ─▶ fleet of the day ───────┼─▶ vehicle-day ─▶ rows ─▶ store: one file a table and month
//!  weather, duties ────────────────┘        └─▶ truth, records
//! ```
//!
//! Seeded: the same options and definition set give the same bytes. No frames are made, so the tables of signals stay
//! empty.

mod columns;
mod health;
mod live;
mod plan;
mod records;
mod tape;
mod told;
mod upkeep;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use arrow_array::RecordBatch;
use jiff::ToSpan;
use jiff::civil::Date;
use rayon::prelude::*;

pub use told::YearTruth;
pub use upkeep::{ChannelTruth, UpkeepTruth};

use super::fleet::{Fault, Fleet, Vehicle};
use super::{DayError, ServiceDay, Town, day};
use crate::day::ServiceDays;
use crate::defs::Definitions;
use crate::frame::TimeUs;
use crate::health::BusRow;
use crate::run::{EventRow, RunRow};
use crate::store::read::MERGED;
use crate::store::{Change, Store, StoreError, summary};
use crate::table::{health as table_health, runs};
use columns::Columns;
use live::{Lived, Today, live};
use plan::Plan;
use tape::Tapes;

/// The zone it is told in.
pub const ZONE: &str = super::demo::ZONE;
/// The local hour at which a service day begins.
pub const HOUR: i8 = super::demo::HOUR;
/// Recording begins so long before a vehicle is switched on. Unit: µs.
const BEFORE_US: i64 = 20_000_000;
/// And goes on for so long after it is switched off. Unit: µs.
const AFTER_US: i64 = 75_000_000;

/// What is to be made.
#[derive(Debug, Clone)]
pub struct YearOptions {
    /// What everything random follows from.
    pub seed: u64,
    /// First service day.
    pub from: Date,
    /// Last service day.
    pub to: Date,
    /// Vehicles of the fleet; with 60, everything that is planted has its vehicle.
    pub vehicles: usize,
    /// Whether anything is planted. If not, the same fleet lives through the same weather with nothing wrong.
    pub planted: bool,
}

/// Why a year cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum YearError {
    /// The clock's rules are missing.
    #[error(transparent)]
    Day(#[from] DayError),
    /// The store cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The definition set has no run rules.
    #[error("{set}: no run rules, so there is nothing to count; take a set with rules, such as signal-defs/velmora")]
    NoRules {
        /// Its name.
        set: String,
    },
    /// The last day is before the first.
    #[error("the year ends on {to}, before it begins on {from}")]
    Backwards {
        /// First day.
        from: Date,
        /// Last day.
        to: Date,
    },
    /// There is a store already.
    #[error("{}: is there already; take another folder, or remove it", path.display())]
    Exists {
        /// Where.
        path: PathBuf,
    },
    /// A file or folder cannot be written.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Batches do not fit together.
    #[error(transparent)]
    Table(#[from] arrow_schema::ArrowError),
}

/// One vehicle's month: its rows, and what was lived.
struct VehicleMonth {
    runs: Vec<RunRow>,
    run_days: Vec<Date>,
    run_recordings: Vec<TimeUs>,
    events: Vec<EventRow>,
    event_days: Vec<Date>,
    event_recordings: Vec<TimeUs>,
    buses: Vec<BusRow>,
    bus_recordings: Vec<TimeUs>,
    /// By day.
    lived: Vec<DayLived>,
}

/// One vehicle-day as the truth and the records want it.
pub(crate) struct DayLived {
    /// Days since 1970-01-01.
    day: i64,
    /// Index of the pack.
    pack: Option<usize>,
    /// Whether it reached the store.
    reported: bool,
    /// Hottest with a sound pack of the same age, where the pack is not one.
    hottest_sound_c: Option<f64>,
    lived: Lived,
}

/// A day's town and fleet.
struct DayPlan {
    date: Date,
    day: ServiceDay,
    town: Town,
    fleet: Fleet,
}

/// Makes a year in `folder`: `store`, `records`, `yardtap.toml` and `truth.json`. `progress` is told the months done and
/// their number.
///
/// # Errors
/// There is a store already, or something cannot be written.
pub fn write(
    folder: &Path,
    defs: &Definitions,
    options: &YearOptions,
    progress: &mut dyn FnMut(usize, usize),
) -> Result<YearTruth, YearError> {
    let rules = defs.rules.as_ref().ok_or_else(|| YearError::NoRules { set: defs.name.clone() })?;
    if options.to < options.from {
        return Err(YearError::Backwards { from: options.from, to: options.to });
    }
    let root = folder.join("store");
    if root.exists() {
        return Err(YearError::Exists { path: root });
    }
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| YearError::File { path, source }
    };
    fs::create_dir_all(folder).map_err(failed(folder))?;
    let store = Store::open(&root)?;
    store.keep_definitions(defs)?;
    let first = i64::from(runs::days_since_epoch(options.from));
    let days = i64::from((options.to - options.from).get_days()) + 1;
    let plan = Plan::velmora(options.seed, options.vehicles, first, days, options.planted);
    let tapes = Tapes::record(options.seed, &Town::velmora());
    let columns = Columns::new(defs, rules);
    let mut lived: Vec<Vec<DayLived>> = plan.vehicles.iter().map(|_| Vec::new()).collect();
    let months = months(options.from, options.to);
    for (done, dates) in months.iter().enumerate() {
        let day_plans = dates.iter().map(|&date| day_plan(&plan, date)).collect::<Result<Vec<DayPlan>, _>>()?;
        let made: Vec<VehicleMonth> = (0..plan.vehicles.len())
            .into_par_iter()
            .map(|index| vehicle_month(&plan, index, &day_plans, &tapes, &columns))
            .collect();
        write_month(&store, defs, &plan, dates, &made)?;
        for (all, month) in lived.iter_mut().zip(made) {
            all.extend(month.lived);
        }
        progress(done + 1, months.len());
    }
    let upkeep = upkeep::upkeep(&plan, &lived);
    records::write(&folder.join("records"), &plan, &lived, &upkeep)
        .map_err(|(path, source)| YearError::File { path, source })?;
    let truth = told::truth(&plan, &lived, upkeep.truth);
    let overhead = super::overhead(&Town::velmora());
    let written = [
        ("truth.json", serde_json::to_string_pretty(&truth)),
        ("records/overhead.geojson", serde_json::to_string_pretty(&overhead)),
        ("yardtap.toml", Ok(CONFIGURATION.to_owned())),
    ];
    for (name, text) in written {
        let path = folder.join(name);
        let text = text.map_err(|error| YearError::File { path: path.clone(), source: error.into() })?;
        fs::write(&path, text.trim_end().to_owned() + "\n").map_err(failed(&path))?;
    }
    Ok(truth)
}

/// `yardtap.toml` of the year.
const CONFIGURATION: &str = r#"# A year of the invented town. Paths are relative to this file.
store    = "store"
overhead = "records/overhead.geojson"

zone       = "Europe/Vienna"
day_starts = "04:00"

[channels]
can0 = "traction"
can1 = "body"
"#;

/// Days from a date to another, by month.
fn months(from: Date, to: Date) -> Vec<Vec<Date>> {
    let mut months: Vec<Vec<Date>> = Vec::new();
    let mut date = from;
    while date <= to {
        match months.last_mut() {
            Some(month) if month.first().is_some_and(|first| first.month() == date.month()) => month.push(date),
            _ => months.push(vec![date]),
        }
        let next = date.saturating_add(1.day());
        if next == date {
            break;
        }
        date = next;
    }
    months
}

fn day_plan(plan: &Plan, date: Date) -> Result<DayPlan, DayError> {
    let day = ServiceDay::of(&date.to_string(), ZONE, HOUR)?;
    Ok(DayPlan { date, day, town: plan.town(day.local_day()), fleet: plan.fleet(day.local_day()) })
}

fn vehicle_month(plan: &Plan, index: usize, days: &[DayPlan], tapes: &Tapes, columns: &Columns) -> VehicleMonth {
    let vehicle_plan = &plan.vehicles[index];
    let mut month = VehicleMonth {
        runs: Vec::new(),
        run_days: Vec::new(),
        run_recordings: Vec::new(),
        events: Vec::new(),
        event_days: Vec::new(),
        event_recordings: Vec::new(),
        buses: Vec::new(),
        bus_recordings: Vec::new(),
        lived: Vec::new(),
    };
    for at in days {
        let day = at.day.local_day();
        let Some(vehicle) = at.fleet.vehicles.get(index) else { continue };
        let mut lived = vehicle_day(plan, at, vehicle, tapes);
        let pack = plan.pack_on(vehicle_plan, day);
        let is_sick = pack.is_some_and(|pack| plan.packs[pack].resistance_on((day - plan.first) as f64) > 1.25);
        let hottest_sound_c = is_sick.then(|| {
            let mut sound = vehicle.clone();
            sound.faults.retain(|fault| !matches!(fault, Fault::SickBattery { .. }));
            vehicle_day(plan, at, &sound, tapes).hottest_c
        });
        let reported = Plan::reports(vehicle_plan, day);
        let recording_us = lived.runs.first().map_or(0, |run| run.start_us - BEFORE_US);
        for facts in lived.runs.drain(..).filter(|_| reported) {
            let span = (facts.start_us - BEFORE_US, facts.end_us + AFTER_US);
            let rows = health::rows(plan, columns.defs(), vehicle.number, day, span);
            month.bus_recordings.extend(rows.iter().map(|_| recording_us));
            month.buses.extend(rows);
            let (run, events) = columns.rows(&facts);
            month.event_days.extend(events.iter().map(|_| at.date));
            month.event_recordings.extend(events.iter().map(|_| recording_us));
            month.run_days.push(at.date);
            month.run_recordings.push(recording_us);
            month.runs.push(run);
            month.events.extend(events);
        }
        month.lived.push(DayLived { day, pack, reported, hottest_sound_c, lived });
    }
    month
}

fn vehicle_day(plan: &Plan, at: &DayPlan, vehicle: &Vehicle, tapes: &Tapes) -> Lived {
    let heaviness = |operator: u16| plan.heaviness(operator);
    let today = Today { seed: plan.seed, town: &at.town, tapes, day: at.day, heaviness: &heaviness };
    let duty = at.fleet.duty(&at.town, vehicle, at.day.local_day());
    live(&today, vehicle, &duty, day::pack(vehicle, &at.day))
}

fn service_days() -> ServiceDays {
    let zone = jiff::tz::TimeZone::get(ZONE).unwrap_or(jiff::tz::TimeZone::UTC);
    ServiceDays::new(zone, jiff::civil::Time::constant(HOUR, 0, 0, 0))
}

/// Puts a month's rows into the store: one file a table.
fn write_month(
    store: &Store,
    defs: &Definitions,
    plan: &Plan,
    dates: &[Date],
    made: &[VehicleMonth],
) -> Result<(), YearError> {
    let (Some(rules), Some(&date)) = (&defs.rules, dates.first()) else { return Ok(()) };
    let mut change = Change::default();
    let mut put = |table: &str, batches: &[RecordBatch]| -> Result<(), YearError> {
        let Some(first) = batches.iter().find(|batch| batch.num_rows() > 0) else { return Ok(()) };
        let all = arrow_select::concat::concat_batches(&first.schema(), batches)?;
        let written = summary::write(store, table, &all)?;
        change.put(store, &written.path, &store.month_folder(table, date).join(MERGED));
        Ok(())
    };
    let of_runs = |(vehicle, month): (&plan::VehiclePlan, &VehicleMonth)| {
        let batch = runs::runs(defs, rules, &vehicle.number.to_string(), &month.runs, &month.run_days);
        summary::with_recordings(&batch, month.run_recordings.clone())
    };
    let of_events = |(vehicle, month): (&plan::VehiclePlan, &VehicleMonth)| {
        let batch = runs::events(defs, rules, &vehicle.number.to_string(), &month.events, &month.event_days);
        summary::with_recordings(&batch, month.event_recordings.clone())
    };
    let batches: Vec<RecordBatch> = plan.vehicles.iter().zip(made).map(of_runs).collect();
    put(runs::RUNS, &batches)?;
    let batches: Vec<RecordBatch> = plan.vehicles.par_iter().zip(made).map(of_events).collect();
    put(runs::EVENTS, &batches)?;
    let days = service_days();
    let of_buses = |(vehicle, month): (&plan::VehiclePlan, &VehicleMonth)| {
        let batch = table_health::buses(defs, &vehicle.number.to_string(), &month.buses, &days);
        summary::with_recordings(&batch, month.bus_recordings.clone())
    };
    let batches: Vec<RecordBatch> = plan.vehicles.iter().zip(made).map(of_buses).collect();
    put(table_health::BUSES, &batches)?;
    Ok(store.commit(&change)?)
}

#[cfg(test)]
mod tests;
