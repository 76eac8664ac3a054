//! What really happened: read off the simulated machine, never reckoned by a counter's rule.
//!
//! A reader of the frames sees rounded values at their moments, so a counter may differ from the truth. Expect:
//!
//! | fact | a counter may be off by |
//! | --- | --- |
//! | times | 0.3 s (0.6 s for what the battery says) |
//! | `km`, `off_wire_km` | 0.5 % and 20 m |
//! | energies | 1 % and 0.05 kWh: current is told to 0.1 A, 20 times a second (battery: 5 times, 3 %) |
//! | battery and ambient peaks | 0.15 K (0.03125 K a bit, and the sensor's noise) |
//! | motor peak | 1 K (1 K a bit) |
//! | `section_gaps` | those shorter than 200 ms can be missed between frames |
//! | sensor outages | those shorter than a rule's `for` |
//! | `coasting_under_current_s` | 3 % and 6 s: at each release, pedal and current are told up to 0.1 s apart |
//! | `parked_poles_down_s`, `parked_poles_up_s` | the rule's `for`, once for each spell |
//! | `flashes` | one frame long, so one in the frame that a section gap begins with can be missed |

use serde::Serialize;

use super::fleet::{Fault, Sensor};

/// Everything that is known of what was simulated.
#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    /// The town.
    pub town: String,
    /// Seed it all follows from.
    pub seed: u64,
    /// Service day, as `YYYY-MM-DD`.
    pub service_day: String,
    /// Special work that was planted out of true, by id.
    pub out_of_true: Vec<String>,
    /// What was planted in these vehicles.
    pub planted: Vec<Planted>,
    /// In order of fleet number.
    pub vehicles: Vec<VehicleTruth>,
}

/// One fault planted in a vehicle.
#[derive(Debug, Clone, Serialize)]
pub struct Planted {
    /// Fleet number.
    pub vehicle: String,
    /// What was planted.
    #[serde(flatten)]
    pub fault: Fault,
}

/// What one vehicle did on one service day, as far as its frames were kept.
#[derive(Debug, Clone, Default, Serialize)]
pub struct VehicleTruth {
    /// Fleet number.
    pub vehicle: String,
    /// Frames given out, of all kinds.
    pub frames: u64,
    /// Error frames among them.
    pub error_frames: u64,
    /// Remote frames among them.
    pub remote_frames: u64,
    /// Data frames among them that no definition knows.
    pub unknown_frames: u64,
    /// Silences of the traction bus, while the vehicle went on.
    pub bus_gaps: Vec<Span>,
    /// In order of time.
    pub runs: Vec<RunTruth>,
}

/// From one moment to another, in UTC microseconds since 1970.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Span {
    /// Start.
    pub from_us: i64,
    /// End.
    pub to_us: i64,
}

/// Something at a time and place.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Happening {
    /// UTC microseconds since 1970.
    pub time_us: i64,
    /// How long it lasted, where it lasts. Unit: ms.
    pub duration_ms: i64,
    /// Latitude. Unit: degrees.
    pub latitude: f64,
    /// Longitude. Unit: degrees.
    pub longitude: f64,
    /// The special work's id, where it happened at one.
    pub special_work: Option<String>,
    /// Street or special work, in words.
    pub place: String,
    /// Speed. Unit: km/h.
    pub speed_kmh: f64,
    /// Why, where that is known: `overhead`, `collector`, `ice`, `speed`, `chance`.
    pub cause: Option<&'static str>,
    /// What was shown, or under load, where that tells something. Unit: V.
    pub volts: Option<f64>,
}

/// A value's highest, and when.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Peak {
    /// In the signal's unit.
    pub value: f64,
    /// UTC microseconds since 1970.
    pub time_us: i64,
}

/// A planned stretch on the battery.
#[derive(Debug, Clone, Default, Serialize)]
pub struct OffWireChange {
    /// The poles are down and the battery moves the vehicle from here.
    #[serde(flatten)]
    pub at: Happening,
    /// Off-wire metres of this stretch. Unit: km.
    pub km: f64,
    /// Charge at its start and end, of what is usable. Unit: %.
    pub charge_percent: (f64, f64),
    /// Whether it had begun before the frames that were kept.
    pub begun_before: bool,
}

/// A sensor that was missing.
#[derive(Debug, Clone, Serialize)]
pub struct SensorOutage {
    /// Which.
    pub sensor: Sensor,
    /// When.
    #[serde(flatten)]
    pub span: Span,
    /// It said 'error' rather than 'not available'.
    pub as_error: bool,
}

/// A jump of the battery manager's 8-bit counter of timeouts.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct CounterJump {
    /// UTC microseconds since 1970.
    pub time_us: i64,
    /// `roll_over` or `reset`.
    pub kind: &'static str,
    /// Before it.
    pub from: u8,
    /// After it.
    pub to: u8,
}

/// One run.
#[derive(Debug, Clone, Default, Serialize)]
pub struct RunTruth {
    /// UTC microseconds since 1970: switched on, or the first frame kept.
    pub start_us: i64,
    /// Switched off, or the last frame kept.
    pub end_us: i64,
    /// The line; 0 before the first trip.
    pub line: u8,
    /// Operator's pseudonym.
    pub operator: u16,
    /// Driven.
    pub km: f64,
    /// Driven on off-wire stretches.
    pub off_wire_km: f64,
    /// Drawn from the line. Unit: kWh.
    pub line_kwh: f64,
    /// Fed back to it. Unit: kWh.
    pub back_kwh: f64,
    /// Out of the battery, at its terminals. Unit: kWh.
    pub battery_out_kwh: f64,
    /// Into it. Unit: kWh.
    pub battery_in_kwh: f64,
    /// Hottest module. Unit: °C. While its sensor was there.
    pub battery_peak: Option<Peak>,
    /// Motor winding, likewise.
    pub motor_peak: Option<Peak>,
    /// Air outside, likewise.
    pub ambient_peak: Option<Peak>,
    /// Lowest line voltage while it fed the vehicle. Unit: V.
    pub line_low: Option<Peak>,
    /// Highest, likewise. Unit: V.
    pub line_peak: Option<Peak>,
    /// Moving above 3 km/h with the power pedal released and more than 40 A from the line. Unit: s.
    pub coasting_under_current_s: f64,
    /// Standing with the poles down and no stretch on the battery. Unit: s.
    pub parked_poles_down_s: f64,
    /// Standing in the yard with the poles up. Unit: s.
    pub parked_poles_up_s: f64,
    /// Into the battery meanwhile. Unit: kWh.
    pub charged_parked_kwh: f64,
    /// Arcs that dipped the line voltage under current.
    pub flashes: Vec<Happening>,
    /// Times the collectors rode apart.
    pub collectors_apart: Vec<Happening>,
    /// Poles that left their wires.
    pub pole_offs: Vec<Happening>,
    /// Stretches that the driver asked for.
    pub off_wire_changes: Vec<OffWireChange>,
    /// Designed losses of line voltage passed under way.
    pub section_gaps: Vec<Happening>,
    /// Times the battery gave up.
    pub battery_timeouts: Vec<Happening>,
    /// Times the input contactor fell open.
    pub contactor_dropouts: Vec<Happening>,
    /// Times a shown line voltage collapsed as current was to come.
    pub phantom_voltages: Vec<Happening>,
    /// Sensors that were missing.
    pub sensor_outages: Vec<SensorOutage>,
    /// The counter of timeouts jumping.
    pub counter_jumps: Vec<CounterJump>,
}

impl RunTruth {
    /// Raises a peak, when this value is higher.
    pub(crate) fn raise(peak: &mut Option<Peak>, value: f64, time_us: i64) {
        if peak.is_none_or(|known| value > known.value) {
            *peak = Some(Peak { value, time_us });
        }
    }

    /// Lowers a low, when this value is lower.
    pub(crate) fn lower(low: &mut Option<Peak>, value: f64, time_us: i64) {
        if low.is_none_or(|known| value < known.value) {
            *low = Some(Peak { value, time_us });
        }
    }
}
