//! The modules' voices: which message says what of the machine, and when.
//!
//! A message comes every so many steps of 50 ms, at its own moment within the step, with some jitter, so that frames
//! come out in order of time without being kept longer than a step.

use super::chance::Chance;
use super::encode::{Encoder, Said, VoiceError};
use super::nuisance::Nuisances;
use super::rolling::Rolling;
use super::shift::Shift;
use super::weather::Weather;
use crate::defs::Definitions;
use crate::frame::{DATA_BYTES_MAX, Frame, TimeUs};

/// Channel of the traction bus, and of the body bus.
pub const TRACTION: u16 = 0;
/// Channel of the body bus.
pub const BODY: u16 = 1;
/// Time between the moments of two messages within a step. Unit: µs.
const MOMENT_US: i64 = 1_900;
/// Modules answer later than usual now and then, at most by this. Unit: µs.
const LATE_US: u64 = 1_400;

/// Everything that is there to be said at one step.
pub(crate) struct Moment<'a> {
    pub(crate) time_us: TimeUs,
    pub(crate) step: u64,
    pub(crate) machine: &'a Rolling,
    pub(crate) shift: &'a Shift<'a>,
    /// As the vehicle's sensor has it.
    pub(crate) weather: &'a Weather,
    /// The detection distance that the poles' gear is set to. Unit: m.
    pub(crate) detection_m: f64,
    /// Optical links that receive so much. Unit: µW.
    pub(crate) links: &'a [(u8, f64)],
    pub(crate) fleet_number: u16,
    pub(crate) articulated: bool,
    pub(crate) offset_s: i32,
    /// Odometers. Unit: m.
    pub(crate) total_m: f64,
    pub(crate) trip_m: f64,
    /// The battery manager's counters.
    pub(crate) timeouts: u8,
    pub(crate) stretches: u32,
    pub(crate) throughput_ah: f64,
    pub(crate) health: f64,
    /// The converter's. Unit: kWh.
    pub(crate) driven_kwh: f64,
    pub(crate) braked_kwh: f64,
    pub(crate) heating_kwh: f64,
    /// Sensors that are missing now (true: as 'error'): ambient, motor, battery.
    pub(crate) missing: [Option<bool>; 3],
    /// The battery manager is restarting and says nothing.
    pub(crate) manager_silent: bool,
    /// The traction bus is silent.
    pub(crate) traction_silent: bool,
    /// Where the vehicle believes it is. Unit: degrees.
    pub(crate) degrees: (f64, f64),
    /// Active trouble of line input and battery: SPN, FMI and occurrence count.
    pub(crate) trouble: [Option<(u32, u8, u8)>; 2],
    pub(crate) door_cycles: u32,
    pub(crate) saloon_c: f64,
}

type Say = fn(&Moment, &mut Chance, u64, &mut Vec<Option<Said>>);

struct Spoken {
    name: &'static str,
    channel: u16,
    /// In steps of 50 ms.
    every: u64,
    signals: &'static [&'static str],
    say: Say,
}

#[rustfmt::skip]
const SPOKEN: &[Spoken] = &[
    Spoken { name: "line_input", channel: TRACTION, every: 1, say: line_input, signals: &["line_voltage", "line_current",
        "filter_voltage", "contactor_command", "contactor_feedback", "precharging", "state"] },
    Spoken { name: "poles", channel: TRACTION, every: 2, say: poles, signals: &["left_raised", "right_raised",
        "left_contact", "right_contact", "left_swing", "right_swing", "off_wire_request", "command", "left_force",
        "right_force", "gear_pressure", "detection_distance", "spread"] },
    Spoken { name: "traction_drive", channel: TRACTION, every: 2, say: traction_drive, signals: &["motor_torque",
        "motor_speed", "motor_temperature", "inverter_temperature", "drive_mode", "torque_limited", "wheel_slip",
        "resistor_current"] },
    Spoken { name: "motion", channel: TRACTION, every: 2, say: motion, signals: &["parking_brake", "speed",
        "brake_switch"] },
    Spoken { name: "driver", channel: TRACTION, every: 4, say: driver, signals: &["power_pedal", "brake_pedal",
        "direction", "vehicle_active", "front_door_open", "middle_door_open", "rear_door_open", "stop_requested",
        "steering_angle", "turn_indicator"] },
    Spoken { name: "off_wire_battery", channel: TRACTION, every: 4, say: off_wire_battery, signals: &["voltage",
        "current", "temperature_highest", "state_of_charge", "state", "stretch_active", "contactor_closed"] },
    Spoken { name: "battery_modules", channel: TRACTION, every: 4, say: battery_modules, signals: &["module",
        "temperature", "cell_voltage_lowest", "cell_voltage_highest", "module_voltage", "hottest_module",
        "weakest_module", "cell_spread", "insulation"] },
    Spoken { name: "brakes", channel: TRACTION, every: 10, say: brakes, signals: &["front_pressure",
        "drive_axle_pressure", "halt_brake", "anti_lock_active", "lining_left", "lining_right"] },
    Spoken { name: "battery_counters", channel: TRACTION, every: 20, say: battery_counters, signals: &["timeouts",
        "off_wire_stretches", "charge_throughput", "health"] },
    Spoken { name: "traction_energy", channel: TRACTION, every: 20, say: traction_energy, signals: &["energy_driven",
        "energy_braked"] },
    Spoken { name: "auxiliaries", channel: TRACTION, every: 20, say: auxiliaries, signals: &["auxiliary_power",
        "heating_power", "low_voltage", "air_pressure", "converter_temperature", "compressor_running", "state"] },
    Spoken { name: "optical_links", channel: TRACTION, every: 20, say: optical_links, signals: &["link",
        "received_power", "receiver_temperature", "locked", "frame_errors"] },
    Spoken { name: "propulsion_temperatures", channel: TRACTION, every: 20, say: propulsion_temperatures, signals: &[
        "winding_1", "winding_2", "winding_3", "gear_oil", "filter_choke", "brake_resistor"] },
    Spoken { name: "distance", channel: TRACTION, every: 20, say: distance, signals: &["total_distance",
        "trip_distance"] },
    Spoken { name: "ambient", channel: TRACTION, every: 20, say: ambient, signals: &["barometric_pressure",
        "cab_temperature", "ambient_temperature"] },
    Spoken { name: "position", channel: TRACTION, every: 20, say: position, signals: &["latitude", "longitude"] },
    Spoken { name: "clock", channel: TRACTION, every: 200, say: clock, signals: &["second", "minute", "hour", "month",
        "day", "year", "local_minutes", "local_hours"] },
    Spoken { name: "vehicle_identity", channel: BODY, every: 20, say: vehicle_identity, signals: &["fleet_number",
        "line_number", "duty", "operator_code", "trip"] },
    Spoken { name: "body_motion", channel: BODY, every: 4, say: body_motion, signals: &["longitudinal_acceleration",
        "lateral_acceleration", "yaw_rate", "pitch", "sensor_faulty"] },
    Spoken { name: "doors", channel: BODY, every: 10, say: doors, signals: &["front_door", "middle_door", "rear_door",
        "boarded", "alighted", "front_door_cycles"] },
    Spoken { name: "axle_loads", channel: BODY, every: 20, say: axle_loads, signals: &["front_axle_load",
        "drive_axle_load", "trailing_axle_load", "height_correction"] },
    Spoken { name: "saloon_climate", channel: BODY, every: 20, say: saloon_climate, signals: &["saloon_temperature",
        "saloon_humidity", "carbon_dioxide", "set_temperature", "fan_stage", "climate_mode", "heater_output",
        "floor_temperature", "heating_energy"] },
];

/// The messages found once in a definition set, to be spoken by any number of vehicles.
#[derive(Debug)]
pub struct Voices {
    encoders: Vec<Encoder>,
}

impl Voices {
    /// Finds every message that the simulated modules speak.
    ///
    /// # Errors
    /// The definition set lacks a message or signal of the demo fleet's.
    pub fn new(defs: &Definitions) -> Result<Self, VoiceError> {
        let encoders = SPOKEN.iter().map(|spoken| Encoder::new(defs, spoken.name, spoken.signals));
        Ok(Self { encoders: encoders.collect::<Result<_, _>>()? })
    }
}

/// One vehicle speaking: noise and jitter of its own.
pub(crate) struct Speaker<'v> {
    voices: &'v Voices,
    noise: Chance,
    jitter: Chance,
    nuisances: Nuisances,
    said: Vec<Option<Said>>,
    frames: Vec<Frame>,
}

impl<'v> Speaker<'v> {
    pub(crate) fn new(voices: &'v Voices, noise: Chance, jitter: Chance, nuisances: Chance) -> Self {
        Self {
            voices,
            noise,
            jitter,
            nuisances: Nuisances::new(nuisances),
            said: Vec::new(),
            frames: Vec::with_capacity(48),
        }
    }

    /// The frames of one step, in order of time.
    pub(crate) fn speak(&mut self, moment: &Moment) -> &[Frame] {
        self.frames.clear();
        let mut payload = [0; DATA_BYTES_MAX];
        for (index, spoken) in SPOKEN.iter().enumerate() {
            let phase = index as u64 * 7 % spoken.every;
            if moment.step % spoken.every != phase {
                continue;
            }
            self.said.clear();
            (spoken.say)(moment, &mut self.noise, moment.step / spoken.every, &mut self.said);
            let late_us = self.lateness_us();
            let battery = spoken.name.starts_with("battery") || spoken.name == "off_wire_battery";
            if battery && moment.manager_silent || spoken.channel == TRACTION && moment.traction_silent {
                continue;
            }
            let (id, len) = self.voices.encoders[index].encode(&self.said, &mut payload);
            let time_us = moment.time_us + 250 + index as i64 * MOMENT_US + late_us;
            self.frames.push(Frame::data(time_us, spoken.channel, id, &payload[..len]));
        }
        self.nuisances.add(moment, &mut self.frames);
        self.frames.sort_by_key(|frame| (frame.time_us, frame.channel));
        &self.frames
    }

    fn lateness_us(&mut self) -> i64 {
        let usual = self.jitter.below(24) + self.jitter.below(24);
        let late = if self.jitter.happens(0.015) { self.jitter.below(LATE_US) } else { 0 };
        (usual + late) as i64
    }
}

fn number(value: f64) -> Option<Said> {
    Some(Said::Number(value))
}

fn flag(value: bool) -> Option<Said> {
    Some(Said::Flag(value))
}

fn line_input(m: &Moment, noise: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let input = &m.machine.input;
    let live = if m.machine.line_v > 20.0 { 0.6 } else { 0.3 };
    let flowing = if input.is_connected() { 0.25 } else { 0.0 };
    said.extend([
        number((m.machine.dip_v.unwrap_or(m.machine.line_v) + live * noise.bell() + 1.2).max(0.0)),
        number(m.machine.line_a + flowing * noise.bell()),
        number((input.filter_v + 0.15 * noise.bell()).max(0.0)),
        flag(input.command()),
        flag(input.feedback()),
        flag(input.precharging()),
        number(input.state_raw().into()),
    ]);
}

fn poles(m: &Moment, noise: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let poles = &m.machine.poles;
    let [left, right] = poles.contact();
    let sway = if m.machine.speed_ms > 0.5 { 0.3 } else { 0.0 };
    let mut force = |contact: bool| {
        let shake = if m.machine.speed_ms > 0.5 { 2.0 } else { 0.0 };
        number(if contact { 95.0 + shake * noise.bell() } else { 0.0 })
    };
    let forces = [force(left), force(right)];
    said.extend([
        flag(poles.raised()),
        flag(poles.raised()),
        flag(left),
        flag(right),
        number(poles.swing_deg[0] + sway * noise.bell()),
        number(poles.swing_deg[1] + sway * noise.bell()),
        flag(m.shift.off_wire_request),
        number(poles.command_raw().into()),
        forces[0],
        forces[1],
        number(poles.pressure_kpa),
        number(m.detection_m),
        number(poles.spread_deg()),
    ]);
}

fn traction_drive(m: &Moment, noise: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let machine = m.machine;
    let mode = if !m.shift.orders.active {
        0
    } else if machine.torque_nm > 5.0 {
        if machine.limited { 6 } else { 2 }
    } else if machine.torque_nm < -5.0 {
        if machine.resistor_a > 5.0 { 5 } else { 4 }
    } else if machine.speed_ms > 0.5 {
        3
    } else {
        1
    };
    let motor = missing(m.missing[1], machine.motor_c);
    let turning = if machine.speed_ms > 0.5 { 0.6 } else { 0.0 };
    said.extend([
        number(machine.torque_nm + turning * noise.bell()),
        number(machine.motor_per_min),
        motor,
        number(machine.inverter_c),
        number(mode.into()),
        flag(machine.limited),
        flag(false),
        number(machine.resistor_a),
    ]);
}

fn missing(missing: Option<bool>, value: f64) -> Option<Said> {
    match missing {
        Some(true) => Some(Said::Error),
        Some(false) => Some(Said::Unavailable),
        None => number(value),
    }
}

fn motion(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let standing = m.machine.speed_ms < 0.05;
    said.extend([
        flag(standing && !m.shift.doors_open() && m.shift.orders.braking_ms2 > 0.0),
        number(m.machine.speed_ms * 3.6),
        flag(m.shift.orders.braking_ms2 > 0.05),
    ]);
}

fn driver(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let orders = &m.shift.orders;
    let open = m.shift.doors_open();
    said.extend([
        number(100.0 * orders.power),
        number((100.0 * orders.braking_ms2 / 2.2).min(100.0)),
        number(if orders.active { 1.0 } else { 0.0 }),
        flag(orders.active),
        flag(open),
        flag(open),
        flag(open && m.articulated),
        flag(!open && m.shift.passengers > 3 && (m.step / 700).is_multiple_of(2)),
        number((m.shift.bend() * 420.0 / 5.0).round() * 5.0),
        number(match m.shift.turns() {
            turn if turn > 0.0 => 1.0,
            turn if turn < 0.0 => 2.0,
            _ => 0.0,
        }),
    ]);
}

fn off_wire_battery(m: &Moment, noise: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let battery = &m.machine.battery;
    let flowing = if battery.amperes.abs() > 0.5 { 0.15 } else { 0.0 };
    said.extend([
        number(battery.volts),
        number(battery.amperes + flowing * noise.bell()),
        missing(m.missing[2], battery.temperature_c + 0.012 * noise.bell()),
        number((100.0 * battery.charge).max(0.0)),
        number(battery.state.raw().into()),
        flag(m.shift.orders.stretch),
        flag(m.shift.orders.active),
    ]);
}

fn battery_modules(m: &Moment, _: &mut Chance, turn: u64, said: &mut Vec<Option<Said>>) {
    let modules = super::battery::MODULES as u64;
    let page = turn % (modules + 1);
    let battery = &m.machine.battery;
    said.push(number(page as f64));
    if page == 0 {
        let (low, high) = battery.cells(7);
        said.extend([None, None, None, None]);
        said.extend([number(5.0), number(8.0), number(high - low), number(2_400.0)]);
    } else {
        let module = page as usize - 1;
        let (low, high) = battery.cells(module);
        said.extend([
            number(battery.module_c(module)),
            number(low),
            number(high),
            number(battery.volts / modules as f64),
        ]);
        said.extend([None, None, None, None]);
    }
}

fn brakes(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let standing = m.machine.speed_ms < 0.05;
    let pressure = if standing { 250.0 } else { 40.0 * m.shift.orders.braking_ms2 };
    said.extend([
        number(pressure),
        number(0.9 * pressure),
        flag(m.shift.doors_open()),
        flag(false),
        number(72.8),
        number(71.2),
    ]);
}

fn battery_counters(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    said.extend([
        number(m.timeouts.into()),
        number((m.stretches % 65_536).into()),
        number(m.throughput_ah),
        number(100.0 * m.health),
    ]);
}

fn traction_energy(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    said.extend([number(m.driven_kwh), number(m.braked_kwh)]);
}

fn auxiliaries(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let machine = m.machine;
    let state = if !m.shift.orders.active {
        0
    } else if machine.is_connected() {
        1
    } else if machine.auxiliary_w < 2_000.0 {
        3
    } else {
        2
    };
    // The compressor fills up by turns.
    let turn = m.step % 3_600;
    let running = m.shift.orders.active && turn < 700;
    let pressure = if running { 760.0 + 0.3 * turn as f64 } else { 968.0 - 0.07 * (turn as f64 - 700.0) };
    said.extend([
        number(machine.auxiliary_w / 1_000.0),
        number(machine.heating_w / 1_000.0),
        number(if m.shift.orders.active { 27.6 } else { 25.4 }),
        number(pressure),
        number(0.5 * (machine.inverter_c + machine.choke_c)),
        flag(running),
        number(state.into()),
    ]);
}

fn optical_links(m: &Moment, noise: &mut Chance, turn: u64, said: &mut Vec<Option<Said>>) {
    let link = turn % 6;
    // Each link of each vehicle has its own level; nothing ages within a day.
    let own = m.links.iter().find(|own| u64::from(own.0) == link + 1).map(|own| own.1);
    let usual = 70.0 + (u64::from(m.fleet_number) * 37 + link * 53) as f64 % 60.0;
    said.extend([
        number(link as f64 + 1.0),
        number(own.unwrap_or(usual) + 0.15 * noise.bell()),
        number(m.machine.inverter_c + 3.0),
        flag(true),
        number((u64::from(m.fleet_number) % 40 + link) as f64),
    ]);
}

fn propulsion_temperatures(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let machine = m.machine;
    said.extend([
        missing(m.missing[1], machine.motor_c),
        number(machine.motor_c - 2.0),
        number(machine.motor_c - 1.0),
        number(machine.gear_c),
        number(machine.choke_c),
        number(machine.resistor_c),
    ]);
}

fn distance(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    // An odometer shows what is complete.
    said.extend([number((m.total_m / 5.0).floor() * 5.0), number((m.trip_m / 5.0).floor() * 5.0)]);
}

fn ambient(m: &Moment, noise: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let cab_c = if m.shift.orders.active { 0.5 * (m.saloon_c + 21.0) } else { m.saloon_c };
    said.extend([number(98.5), number(cab_c), missing(m.missing[0], m.weather.air_c + 0.02 * noise.bell())]);
}

fn position(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    said.extend([number(m.degrees.0), number(m.degrees.1)]);
}

fn clock(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let seconds = m.time_us.div_euclid(1_000_000);
    let day_s = seconds.rem_euclid(86_400);
    let (year, month, day) = civil(seconds.div_euclid(86_400));
    let quarter = (m.time_us.rem_euclid(1_000_000) / 250_000) as f64 * 0.25;
    // The day is counted in quarters that end with it.
    let part_of_day = (day_s / 21_600) as f64;
    said.extend([
        number((day_s % 60) as f64 + quarter),
        number((day_s / 60 % 60) as f64),
        number((day_s / 3_600) as f64),
        number(f64::from(month)),
        number(f64::from(day) - 0.75 + 0.25 * part_of_day),
        number(f64::from(year)),
        number(f64::from(m.offset_s / 60 % 60)),
        number(f64::from(m.offset_s / 3_600)),
    ]);
}

/// Year, month and day of so many days since 1970-01-01, by the usual shift of the year to March.
fn civil(days: i64) -> (i32, u8, u8) {
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let of_era = shifted.rem_euclid(146_097);
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_shifted = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month_shifted + 2) / 5 + 1;
    let month = if month_shifted < 10 { month_shifted + 3 } else { month_shifted - 9 };
    ((year_of_era + era * 400) as i32 + i32::from(month <= 2), month as u8, day as u8)
}

fn vehicle_identity(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let (trip, line) = m.shift.on_line();
    let piece = m.shift.present_piece().filter(|_| m.shift.orders.active);
    said.extend([
        number(m.fleet_number.into()),
        number(line.into()),
        number(piece.map_or(0, |piece| piece.duty).into()),
        number(piece.map_or(0, |piece| piece.operator).into()),
        number(trip.into()),
    ]);
}

fn body_motion(m: &Moment, noise: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let speed = m.machine.speed_ms;
    let shake = if speed > 0.5 { 0.02 } else { 0.0 };
    let route = m.shift.route();
    let grade = route.legs.get(route.leg_at(m.shift.at_m)).map_or(0.0, |leg| leg.grade);
    let yaw = m.shift.bend() * speed / 14.0;
    said.extend([
        number(m.machine.acceleration_ms2 + shake * noise.bell()),
        number(yaw * speed + shake * noise.bell()),
        number(yaw.to_degrees()),
        number(grade.to_degrees() - 0.4 * m.machine.acceleration_ms2),
        flag(false),
    ]);
}

fn doors(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let state = if m.shift.doors_open() { 2.0 } else { 0.0 };
    said.extend([
        number(state),
        number(state),
        number(if m.articulated { state } else { 0.0 }),
        number(m.shift.boarded.into()),
        number(m.shift.alighted.into()),
        number((m.door_cycles % 65_536).into()),
    ]);
}

fn axle_loads(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let mass = m.machine.mass_kg(f64::from(m.shift.passengers) * 70.0);
    let parts = if m.articulated { [0.27, 0.40, 0.33] } else { [0.36, 0.64, 0.0] };
    said.extend([
        number(parts[0] * mass),
        number(parts[1] * mass),
        if m.articulated { number(parts[2] * mass) } else { Some(Said::Unavailable) },
        number(-(f64::from(m.shift.passengers) / 8.0)),
    ]);
}

fn saloon_climate(m: &Moment, _: &mut Chance, _: u64, said: &mut Vec<Option<Said>>) {
    let active = m.shift.orders.active;
    let heating = m.machine.heating_w > 200.0;
    // Sensors of limited fineness: sixteenths, so that a float says no more than they know.
    let sixteenth = |value: f64| number((value * 16.0).round() / 16.0);
    said.extend([
        sixteenth(m.saloon_c),
        sixteenth(44.0 + 0.3 * f64::from(m.shift.passengers)),
        number((430.0 + 14.0 * f64::from(m.shift.passengers)).round()),
        number(19.0),
        number(if active { 4.0 } else { 0.0 }),
        number(match (active, heating) {
            (true, true) => 2.0,
            (true, false) => 1.0,
            _ => 0.0,
        }),
        sixteenth(m.machine.heating_w / 1_000.0),
        sixteenth(m.saloon_c - 2.5),
        number((m.heating_kwh * 64.0).round() / 64.0),
    ]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_since_1970_are_dates() {
        assert_eq!(civil(0), (1970, 1, 1));
        assert_eq!(civil(20_501), (2026, 2, 17));
        assert_eq!(civil(19_782), (2024, 2, 29));
    }

    #[test]
    fn all_moments_fit_into_a_step() {
        let last = 250 + (SPOKEN.len() as i64 - 1) * MOMENT_US + 48 + LATE_US as i64;
        assert!(last < 50_000, "{last} µs");
    }
}
