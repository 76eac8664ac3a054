//! The demo fleet, made up: an invented town, its vehicles, and what their buses say.
//!
//! ```text
//!  town ─┐
//!  fleet ┼─▶ duty ─▶ driver ─▶ machine ─┬─▶ voices ─▶ frames     (by the definition set)
//!  weather┘            ▲    faults ──┘   └─▶ truth
//! ```
//!
//! Pure and seeded: the same seed gives the same frames and the same truth on every machine. What is random is drawn
//! from streams keyed by what it is for; transcendental functions come from `libm`, not from the platform.
//!
//! ```no_run
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use yardtap::simulate::{ServiceDay, Voices, World, vehicle_day};
//!
//! let defs = yardtap::defs::Definitions::load(std::path::Path::new("signal-defs/velmora"))?;
//! let (world, voices) = (World::velmora(1, 24), Voices::new(&defs)?);
//! let day = ServiceDay::of("2026-02-17", "Europe/Vienna", 4)?;
//! for vehicle in &world.fleet.vehicles {
//!     let truth = vehicle_day(&world, &voices, vehicle, &day, &[], &[], |frame| {
//!         println!("{frame:?}");
//!         Ok::<(), std::io::Error>(())
//!     })?;
//!     println!("{}", truth.runs.len());
//! }
//! # Ok(())
//! # }
//! ```
//!
//! Two depths are built: every frame of a vehicle-day, and the runs and events of a [`year`], without frames.

mod battery;
mod chance;
mod day;
pub mod demo;
mod encode;
mod fleet;
mod geojson;
mod input;
mod nuisance;
mod poles;
mod record;
mod rolling;
mod route;
mod shift;
mod speak;
mod supply;
mod town;
pub mod truth;
mod weather;
pub mod year;

pub use day::vehicle_day;
pub use encode::VoiceError;
pub use fleet::{Build, Fault, Fleet, Sensor, Vehicle};
pub use geojson::overhead;
pub use speak::{BODY, TRACTION, Voices};
pub use supply::{HIGHEST_V, LOWEST_V, NOMINAL_V};
pub use town::{Line, ORIGIN, Place, SpecialKind, SpecialWork, Street, Town};
pub use weather::{Weather, weather};

use crate::frame::TimeUs;

/// Names of the channels, by index: the traction bus and the body bus.
pub const CHANNELS: [&str; 2] = ["can0", "can1"];

/// Town, fleet and seed: everything but the day.
#[derive(Debug, Clone)]
pub struct World {
    /// What everything random follows from.
    pub seed: u64,
    /// Streets, overhead and lines.
    pub town: Town,
    /// Vehicles and what is planted in them.
    pub fleet: Fleet,
}

impl World {
    /// Velmora with so many vehicles. Two dozen are enough for every planted fault to have its vehicle.
    pub fn velmora(seed: u64, vehicles: usize) -> Self {
        Self { seed, town: Town::velmora(), fleet: Fleet::velmora(seed, vehicles) }
    }
}

/// One day of the agency's, from a set local hour to the same hour of the next date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ServiceDay {
    date: jiff::civil::Date,
    start_us: TimeUs,
    offset_s: i32,
}

/// Why a service day cannot be told.
#[derive(Debug, thiserror::Error)]
#[error("service day {day} in {zone}: {source}")]
pub struct DayError {
    day: String,
    zone: String,
    source: jiff::Error,
}

impl ServiceDay {
    /// The service day of a date (`YYYY-MM-DD`) in a zone, beginning at a local hour.
    ///
    /// # Errors
    /// Not a date, not a zone, or not an hour.
    pub fn of(date: &str, zone: &str, hour: i8) -> Result<Self, DayError> {
        let told = || -> Result<Self, jiff::Error> {
            let date: jiff::civil::Date = date.parse()?;
            let time = jiff::civil::Time::new(hour, 0, 0, 0)?;
            let start = date.to_datetime(time).in_tz(zone)?;
            Ok(Self { date, start_us: start.timestamp().as_microsecond(), offset_s: start.offset().seconds() })
        };
        told().map_err(|source| DayError { day: date.into(), zone: zone.into(), source })
    }

    /// When it begins, UTC microseconds since 1970.
    pub fn start_us(&self) -> TimeUs {
        self.start_us
    }

    /// Its date, `YYYY-MM-DD`.
    pub fn date(&self) -> String {
        self.date.to_string()
    }

    /// What local time is ahead of UTC as it begins. Unit: s.
    pub(crate) fn offset_s(&self) -> i32 {
        self.offset_s
    }

    /// The local hour at which it begins.
    pub(crate) fn start_hour(&self) -> i32 {
        let start_s = self.start_us.div_euclid(1_000_000) + i64::from(self.offset_s);
        (start_s.rem_euclid(86_400) / 3_600) as i32
    }

    /// Its date in days since 1970-01-01.
    pub(crate) fn local_day(&self) -> i64 {
        let start_s = self.start_us.div_euclid(1_000_000) + i64::from(self.offset_s);
        start_s.div_euclid(86_400)
    }
}

/// Something made to happen, where chance would not surely bring it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Staged {
    /// Fleet number.
    pub vehicle: u16,
    /// From when on. Unit: s since the service day began.
    pub at_s: f64,
    /// What.
    pub what: Stage,
}

/// What can be made to happen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stage {
    /// A pole is lost at the next passage of the special work that is out of true.
    PoleOffAtBadSpot,
    /// A pole is lost at the next special work.
    PoleOff,
    /// Dirt comes between collector and wire at the next stop.
    PhantomVoltage,
    /// The input contactor falls open, if it is closed.
    ContactorDropOut,
    /// A sensor is missing for some seconds.
    SensorDropOut {
        /// Which.
        sensor: Sensor,
        /// How long.
        seconds: f64,
    },
    /// The battery manager restarts: its counter of timeouts begins at 0.
    BatteryManagerRestart,
    /// The traction bus is silent for some seconds.
    BusSilence,
}

#[cfg(test)]
mod tests;
