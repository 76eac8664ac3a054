//! Makes a big store of summaries: a fleet's runs and events over years, each month closed, with records beside it.
//!
//! ```text
//! make_store FOLDER [vehicles [months [seed]]]      250 vehicles, 36 months, seed 1
//!   FOLDER/store                                    as the program files it, by the definition set of Velmora
//!   FOLDER/records                                  vehicles.csv, packs.csv, duties.csv, overhead.geojson
//! ```
//!
//! For measuring only: values are of likely size and depend on season, vehicle and pack, but nothing is planted that a
//! report could be scored against. The same arguments give the same rows.

use std::error::Error;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;

use arrow_array::RecordBatch;
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use jiff::{ToSpan, Unit};
use rayon::prelude::*;
use yardtap::defs::rules::{Counter, CounterKind, Rules};
use yardtap::defs::{Column, Definitions};
use yardtap::run::{CounterValue, Ended, EventRow, RunRow};
use yardtap::simulate::{Town, overhead};
use yardtap::store::{Change, Store, summary};
use yardtap::table::runs;

const FIRST: Date = date(2023, 3, 1);
/// Years that a pack lasts, about.
const PACK_YEARS: f64 = 4.0;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let Some(folder) = arguments.first().map(Path::new) else {
        return Err("name a folder: make_store FOLDER [vehicles [months [seed]]]".into());
    };
    let number = |at: usize, usual: u64| arguments.get(at).map_or(Ok(usual), |text| text.parse());
    let (vehicles, months, seed) = (number(1, 250)?, number(2, 36)?, number(3, 1)?);
    let defs = Definitions::load(Path::new("signal-defs/velmora"))?;
    let rules = defs.rules.as_ref().ok_or("the set has no run rules")?;
    let store = Store::open(&folder.join("store"))?;
    store.keep_definitions(&defs)?;
    let fleet: Vec<Vehicle> = (0..vehicles).map(|number| Vehicle::of(seed, number, months)).collect();
    let places: Vec<(f64, f64)> = Town::velmora().special_work.iter().map(|work| work.degrees).collect();
    let (mut run_count, mut event_count) = (0, 0);
    for month in 0..months {
        let first = FIRST.saturating_add(i32::try_from(month)?.months());
        let made: Vec<Made> = fleet.par_iter().map(|vehicle| made(&defs, rules, vehicle, first, &places)).collect();
        let mut change = Change::default();
        for (table, batches) in [
            (runs::RUNS, made.iter().map(|made| &made.runs).collect::<Vec<_>>()),
            (runs::EVENTS, made.iter().map(|made| &made.events).collect()),
        ] {
            let batch = arrow_select::concat::concat_batches(&batches[0].schema(), batches)?;
            let written = summary::write(&store, table, &batch)?;
            change.put(&store, &written.path, &store.month_folder(table, first).join("merged.parquet"));
            *(if table == runs::RUNS { &mut run_count } else { &mut event_count }) += batch.num_rows();
        }
        store.commit(&change)?;
    }
    written(&folder.join("records"), &fleet, seed, months)?;
    println!("{vehicles} vehicles, {months} months: {run_count} runs, {event_count} events");
    Ok(())
}

/// A vehicle, and which packs it has had.
struct Vehicle {
    name: String,
    key: u64,
    /// Pack, the day it was fitted, and how weak it is: 1 is usual.
    packs: Vec<(String, Date, f64)>,
}

impl Vehicle {
    fn of(seed: u64, number: u64, months: u64) -> Self {
        let key = mixed(seed ^ (number << 20));
        let mut chance = Chance(key);
        let end = FIRST.saturating_add(i32::try_from(months).unwrap_or(i32::MAX).months());
        // The first pack was there before the first day.
        let mut fitted = FIRST.saturating_sub(chance.days(PACK_YEARS));
        let mut packs = Vec::new();
        while fitted < end {
            let weak = (0.6 * chance.bell()).exp();
            packs.push((format!("P{:05}", number * 10 + packs.len() as u64), fitted, weak));
            fitted = fitted.saturating_add(((0.6 * PACK_YEARS * 365.0) as i64).days());
            fitted = fitted.saturating_add(chance.days(PACK_YEARS));
        }
        Self { name: format!("{}", 1001 + number), key, packs }
    }

    fn pack(&self, day: Date) -> Option<&(String, Date, f64)> {
        self.packs.iter().rev().find(|(_, fitted, _)| *fitted <= day)
    }
}

/// A vehicle's month.
struct Made {
    runs: RecordBatch,
    events: RecordBatch,
}

fn made(defs: &Definitions, rules: &Rules, vehicle: &Vehicle, first: Date, places: &[(f64, f64)]) -> Made {
    let (mut rows, mut days, mut events, mut event_days) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut day = first;
    while day.first_of_month() == first {
        let number = u64::from(day.day_of_year().unsigned_abs()) + 1000 * u64::from(day.year().unsigned_abs());
        let mut chance = Chance(mixed(vehicle.key ^ number));
        let season = (f64::from(day.day_of_year()) - 15.0) / 365.25 * std::f64::consts::TAU;
        // All vehicles have the same weather.
        let air_c = 10.0 - 11.0 * season.cos() + 3.0 * Chance(mixed(number)).bell();
        let weak = vehicle.pack(day).map_or(1.0, |(_, fitted, weak)| {
            let days = fitted.until((Unit::Day, day)).map_or(0, |span| span.get_days());
            weak * (1.0 + f64::from(days) / 900.0)
        });
        // Some days in the yard, some with one run or three.
        for run in 0..chance.below(5).min(3) {
            let morning = TimeZone::UTC.to_timestamp(day.at(4, 30, 0, 0)).map_or(0, |at| at.as_microsecond());
            let start_us = morning + (run as i64 * 360 + chance.below(90) as i64) * 60_000_000;
            let end_us = start_us + (180 + chance.below(120) as i64) * 60_000_000;
            let drive = Drive { km: 70.0 + 20.0 * chance.bell(), air_c, weak, start_us, end_us };
            let begun = events.len();
            let values = counted(rules, &drive, &mut chance, places, &mut events);
            fill(defs, rules, &mut events[begun..], &mut chance);
            event_days.resize(events.len(), day);
            rows.push(RunRow { start_us, end_us, ended_by: Ended::OutOfUse, values, events_left_out: 0 });
            days.push(day);
        }
        day = day.saturating_add(1.day());
    }
    let starts = rows.iter().map(|row| row.start_us).collect();
    let of_events = events.iter().map(|event| event.run_start_us).collect();
    Made {
        runs: summary::with_recordings(&runs::runs(defs, rules, &vehicle.name, &rows, &days), starts),
        events: summary::with_recordings(&runs::events(defs, rules, &vehicle.name, &events, &event_days), of_events),
    }
}

/// What a run was like.
struct Drive {
    km: f64,
    air_c: f64,
    /// How weak its pack is.
    weak: f64,
    start_us: i64,
    end_us: i64,
}

/// How often a counter counts in a run, about. Together some twenty.
fn usual(counter: &Counter, drive: &Drive) -> f64 {
    match counter.name.as_str() {
        "pole_offs" => 0.004 * drive.km,
        "section_gaps" => 0.17 * drive.km,
        "off_wire_changes" => 0.03 * drive.km,
        "unknown_gaps" => 0.4,
        "phantom_voltages" => {
            if drive.air_c < 3.0 {
                1.2
            } else {
                0.1
            }
        }
        "contactor_dropouts" => 0.1,
        "battery_timeouts" => 0.02 * drive.weak,
        "parkings_poles_down" => 1.5,
        _ => 0.3,
    }
}

/// The value of each counter, and an event for each occurrence, in order of time.
fn counted(
    rules: &Rules,
    drive: &Drive,
    chance: &mut Chance,
    places: &[(f64, f64)],
    events: &mut Vec<EventRow>,
) -> Vec<Option<CounterValue>> {
    let begun = events.len();
    let instant = |chance: &mut Chance| drive.start_us + chance.below((drive.end_us - drive.start_us) as u64) as i64;
    let off_wire_km = (0.06 * drive.km * (1.0 + 0.3 * chance.bell())).max(0.0);
    let mut values = Vec::new();
    for (index, counter) in rules.counters.iter().enumerate() {
        let number = match counter.name.as_str() {
            "distance" => drive.km,
            "off_wire_distance" => off_wire_km,
            "energy_from_line" => drive.km * (1.6 + 0.02 * (15.0 - drive.air_c).abs()),
            "energy_to_line" => drive.km * 0.25,
            "energy_from_battery" => off_wire_km * 1.9,
            "battery_charge_drawn" => off_wire_km * 3.1,
            "battery_temperature_peak" => drive.air_c + 9.0 + 1.3 * off_wire_km + 2.0 * chance.bell(),
            "battery_temperature_mean" => drive.air_c + 6.0 + 0.6 * off_wire_km + chance.bell(),
            "ambient_temperature_peak" => drive.air_c + 3.0 + chance.bell(),
            "ambient_temperature_mean" => drive.air_c + chance.bell(),
            "motor_temperature_peak" => drive.air_c + 55.0 + 6.0 * chance.bell(),
            _ => (50.0 + 15.0 * chance.bell()).max(0.0),
        };
        values.push(Some(match &counter.kind {
            CounterKind::Count { .. } => {
                let count = chance.poisson(usual(counter, drive));
                for _ in 0..count {
                    let (latitude, longitude) = places[chance.below(places.len() as u64) as usize];
                    let near = |chance: &mut Chance, degrees: f64| Some(degrees + 1e-4 * chance.bell());
                    let time_us = instant(chance);
                    events.push(EventRow {
                        time_us,
                        end_us: Some(time_us + 1_000_000),
                        run_start_us: drive.start_us,
                        counter: index,
                        amount: 1.0,
                        latitude: near(chance, latitude),
                        longitude: near(chance, longitude),
                        kept: Vec::new(),
                    });
                }
                CounterValue::Count(count)
            }
            CounterKind::Growth { .. } => CounterValue::Growth { amount: chance.poisson(0.5) as f64, resets: 0 },
            CounterKind::Extreme { .. } => CounterValue::Extreme { value: number, at_us: instant(chance) },
            _ => CounterValue::Number(number),
        }));
    }
    events[begun..].sort_by_key(|event| event.time_us);
    values
}

/// Gives events the values that their counters keep.
fn fill(defs: &Definitions, rules: &Rules, events: &mut [EventRow], chance: &mut Chance) {
    for event in events {
        let kept = rules.counters[event.counter].keep.iter().map(|place| {
            let signal = defs.at(*place);
            Some(match (signal.name.as_str(), signal.column) {
                ("latitude", _) => return event.latitude,
                ("longitude", _) => return event.longitude,
                ("operator_code", _) => chance.below(400) as f64,
                (_, Column::Flag | Column::Label) => chance.below(2) as f64,
                _ => (30.0 + 10.0 * chance.bell()).round(),
            })
        });
        event.kept = kept.collect();
    }
}

/// The records that people keep.
fn written(folder: &Path, fleet: &[Vehicle], seed: u64, months: u64) -> Result<(), Box<dyn Error>> {
    fs::create_dir_all(folder)?;
    fs::write(folder.join("overhead.geojson"), overhead(&Town::velmora()).to_string())?;
    let create = |name: &str, heading: &str| -> Result<BufWriter<File>, std::io::Error> {
        let mut file = BufWriter::new(File::create(folder.join(name))?);
        writeln!(file, "{heading}")?;
        Ok(file)
    };
    let mut vehicles = create("vehicles.csv", "vehicle,kind,from,to,yard")?;
    let mut packs = create("packs.csv", "part,vehicle,side,fitted,removed,reason,batch")?;
    let mut duties = create("duties.csv", "vehicle,from,to,operator,line")?;
    let end = FIRST.saturating_add(i32::try_from(months)?.months());
    for vehicle in fleet {
        writeln!(vehicles, "{},solo,2019-05-01,,North", vehicle.name)?;
        for (at, (pack, fitted, _)) in vehicle.packs.iter().enumerate() {
            let removed = vehicle.packs.get(at + 1).map(|(_, next, _)| next.to_string()).unwrap_or_default();
            let reason = if removed.is_empty() { "" } else { "worn" };
            writeln!(packs, "{pack},{},,{fitted},{removed},{reason},B{}", vehicle.name, fitted.year())?;
        }
        let mut chance = Chance(mixed(seed ^ vehicle.key));
        let mut day = FIRST;
        while day < end {
            for (from, to) in [("04:00", "12:00"), ("12:00", "23:00")] {
                let (operator, line) = (chance.below(400), 1 + chance.below(5));
                writeln!(duties, "{},{day}T{from},{day}T{to},K{operator:03},{line}", vehicle.name)?;
            }
            day = day.saturating_add(1.day());
        }
    }
    for file in [&mut vehicles, &mut packs, &mut duties] {
        file.flush()?;
    }
    Ok(())
}

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014): the same numbers on every machine.
struct Chance(u64);

fn mixed(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Chance {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mixed(self.0)
    }

    /// Evenly from 0 up to, but not, 1.
    fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn below(&mut self, count: u64) -> u64 {
        self.bits() % count
    }

    /// Bell-shaped about 0 with standard deviation 1.
    fn bell(&mut self) -> f64 {
        (self.unit() + self.unit() + self.unit() + self.unit() - 2.0) * 3.0_f64.sqrt()
    }

    /// Poisson, by multiplication (Knuth): for small means.
    fn poisson(&mut self, mean: f64) -> u64 {
        let limit = (-mean).exp();
        let mut product = self.unit();
        let mut count = 0;
        while product > limit {
            product *= self.unit();
            count += 1;
        }
        count
    }

    /// A span of up to so many years.
    fn days(&mut self, years: f64) -> jiff::Span {
        ((years * 365.0 * self.unit()) as i64).days()
    }
}
