//! One vehicle through one service day: the machine, its driver, its faults, its frames, and the truth about it.

use std::ops::Range;

use super::battery::Battery;
use super::chance::Chance;
use super::fleet::{Build, Fault, Sensor, Vehicle};
use super::nuisance::sort_of;
use super::record::Record;
use super::rolling::{Rolling, STEP_S, STEP_US};
use super::shift::{Event, Shift};
use super::speak::{Moment, Speaker, Voices};
use super::truth::VehicleTruth;
use super::weather::{Weather, sun, weather};
use super::{ServiceDay, Stage, Staged, World};
use crate::frame::{Frame, TimeUs};

/// The weather is looked at so often. Unit: steps.
const WEATHER_EVERY: u64 = 200;
/// A restarting battery manager says nothing for so long. Unit: s.
const RESTART_S: f64 = 2.6;
/// Length of the day's silence on the traction bus. Unit: s.
const SILENCE_S: f64 = 8.0;
/// The detection distance is doubled below the first, and set back above the second. Unit: °C.
const COLD_C: (f64, f64) = (3.5, 5.5);
/// Trouble codes stay active for so long. Unit: s.
const TROUBLE_S: f64 = 120.0;
/// Trouble codes of this fleet's own range: battery gave up, contactor not as commanded.
const BATTERY_TROUBLE: (u32, u8) = (520_200, 1);
const CONTACTOR_TROUBLE: (u32, u8) = (520_310, 7);

/// Faults that come and go while the vehicle runs.
struct Ailments {
    chance: Chance,
    /// Degrees and times an hour at which the collectors ride apart.
    apart: (f64, f64),
    dropouts_per_hour: f64,
    outages: Vec<(Sensor, f64)>,
    /// When each sensor is back, and how it says that it is away: ambient, motor, battery.
    away: [Option<(f64, bool)>; 3],
    resets: bool,
    silent_until_s: f64,
    manager_until_s: f64,
    /// The day's silence is still to come.
    silence_due: bool,
}

/// Runs one vehicle through one service day and hands its frames to `sink`, in order of time.
///
/// Frames and truth are kept only within `keep` (UTC microseconds, rising; empty: the whole day), but the vehicle lives
/// through the whole day, so the kept part does not depend on what is kept.
///
/// # Errors
/// Whatever `sink` fails with.
pub fn vehicle_day<E>(
    world: &World,
    voices: &Voices,
    vehicle: &Vehicle,
    day: &ServiceDay,
    staged: &[Staged],
    keep: &[Range<TimeUs>],
    mut sink: impl FnMut(&Frame) -> Result<(), E>,
) -> Result<VehicleTruth, E> {
    let stream = |subject: &str| Chance::of(world.seed, subject, &[vehicle.number.into(), day.local_day() as u64]);
    let (odometer_m, stretches_before) = world.fleet.before(&world.town, vehicle, day.local_day());
    let articulated = vehicle.build == Build::Articulated;
    let mut machine =
        Rolling::new(vehicle.build, vehicle.empty_kg(), pack(vehicle, day), stream("line"), stream("poles"));
    // The clock hour at which the day began, as its zone has it.
    let start_hour = f64::from(day.start_hour());
    let air = |now_s: f64| weather(world.seed, day.local_day(), start_hour + now_s / 3_600.0);
    let mut now = air(0.0);
    // Vehicles stand the night under a roof, a little warmer than the street.
    let garage_c = |now: &Weather| (now.air_c + 3.0).max(4.0);
    machine.rest(40_000.0, garage_c(&now));
    machine.battery.temperature_c = garage_c(&now) + 2.0;
    let health = machine.battery.capacity;
    let mut timeouts = vehicle.faults.iter().find_map(start_of_timeouts).unwrap_or(vehicle.number as u8 / 3);
    let mut stretches = stretches_before;
    let throughput_before = f64::from(stretches_before) * 9.0;
    let duty = world.fleet.duty(&world.town, vehicle, day.local_day());
    let mut whims = stream("whims");
    let mut shift = Shift::new(&world.town, vehicle, &duty, stream("shift"));
    let mut ailments = Ailments::of(vehicle, stream("ailments"));
    // A staged restart is the day's only one.
    ailments.resets &= !staged.iter().any(|s| s.vehicle == vehicle.number && s.what == Stage::BatteryManagerRestart);
    let mut speaker = Speaker::new(voices, stream("noise"), stream("jitter"), stream("nuisances"));
    let mut record = Record::new(vehicle.fleet_number());
    let mut staged: Vec<Staged> = staged.iter().filter(|s| s.vehicle == vehicle.number).copied().collect();
    staged.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut staged = staged.into_iter().peekable();
    let mut events = Vec::new();
    let mut trip_start_m = 0.0;
    let mut was_active = false;
    let mut doors = (false, u32::from(vehicle.number) * 131);
    let mut trouble: [(f64, u8); 2] = [(-1.0, 0); 2];
    let mut wander = (stream("position"), 0.0, 0.0);
    let mut saloon_c = garage_c(&now);
    let mut sensor = AirSensor::of(vehicle);
    let links = vehicle.faults.iter().filter_map(|fault| match fault {
        Fault::Link { link, microwatts } => Some((*link, *microwatts)),
        _ => None,
    });
    let links: Vec<(u8, f64)> = links.collect();
    let mut heating_j = 0.0;
    let mut step = 0_u64;

    while !shift.is_over() {
        let mut now_s = step as f64 * STEP_S;
        if let Some(wakes_s) = shift.wakes_s().filter(|wakes_s| wakes_s - now_s > 1.0) {
            now = air(wakes_s);
            machine.rest(wakes_s - now_s, garage_c(&now));
            saloon_c = garage_c(&now);
            step = (wakes_s / STEP_S) as u64 + 1;
            now_s = step as f64 * STEP_S;
        }
        let time_us = day.start_us() + step as i64 * STEP_US;
        if step.is_multiple_of(WEATHER_EVERY) {
            now = air(now_s);
        }
        while let Some(cue) = staged.next_if(|cue| cue.at_s <= now_s) {
            ailments.cue(cue, now_s, world, &mut shift, &mut machine, &mut timeouts, &mut record, time_us);
        }
        events.clear();
        shift.step(now_s, &mut machine, &now, &mut events);
        ailments.step(now_s, &shift, &mut machine, &mut timeouts, &mut record, time_us);
        let route = shift.route();
        let around = shift.around(&now);
        machine.step(&shift.orders, &around);
        heating_j += machine.heating_w * STEP_S;
        let warmth_c = if shift.orders.active { 19.0 } else { now.air_c };
        saloon_c += (warmth_c - saloon_c) * STEP_S / 900.0;

        if shift.orders.active && !was_active {
            trip_start_m = machine.odometer_m;
        }
        was_active = shift.orders.active;
        let open = shift.doors_open();
        doors = (open, doors.1 + u32::from(open && !doors.0));

        // The truth, first what changes the counters the vehicle itself keeps.
        if keep.last().is_some_and(|last| time_us >= last.end) {
            break;
        }
        let kept = keep.is_empty() || keep.iter().any(|range| range.contains(&time_us));
        record.open(kept, time_us, &shift, &machine);
        for event in &events {
            if *event == Event::StretchBegins {
                stretches += 1;
                machine.battery.begin_stretch(&mut whims);
            }
            record.event(event, time_us, world, &shift, &machine);
        }
        let sun = sensor.sun(world.seed, day, start_hour + now_s / 3_600.0);
        let said = Weather { air_c: now.air_c + sensor.kelvin * sun, ..now };
        let detection_m = sensor.detection_m(said.air_c);
        record.sum(time_us, &shift, &machine, &said, &ailments.missing());
        if machine.gave_up {
            record.timeout(time_us, &shift, &machine);
            if timeouts == u8::MAX {
                record.jump(time_us, "roll_over", timeouts, 0);
            }
            timeouts = timeouts.wrapping_add(1);
            trouble[1] = (now_s + TROUBLE_S, trouble[1].1.saturating_add(1));
        }
        if record.dropped_out_just_now() {
            trouble[0] = (now_s + TROUBLE_S, trouble[0].1.saturating_add(1));
        }

        if step.is_multiple_of(20) {
            wander.1 += (wander.0.bell() * 1.6 - wander.1) * 0.08;
            wander.2 += (wander.0.bell() * 1.6 - wander.2) * 0.08;
        }
        let (latitude, longitude) = route.degrees(shift.at_m);
        let active_trouble =
            |index: usize, (spn, fmi): (u32, u8)| (trouble[index].0 > now_s).then_some((spn, fmi, trouble[index].1));
        let energy = &machine.energy;
        let frames = speaker.speak(&Moment {
            time_us,
            step,
            machine: &machine,
            shift: &shift,
            weather: &said,
            detection_m,
            links: &links,
            fleet_number: vehicle.number,
            articulated,
            offset_s: day.offset_s(),
            total_m: odometer_m + machine.odometer_m,
            trip_m: machine.odometer_m - trip_start_m,
            timeouts,
            stretches,
            throughput_ah: throughput_before + machine.battery.drawn_ah,
            health,
            driven_kwh: odometer_m * 1.3e-3 + energy.driven / 3.6e6,
            braked_kwh: odometer_m * 0.35e-3 + energy.braked / 3.6e6,
            heating_kwh: odometer_m * 0.2e-3 + heating_j / 3.6e6,
            missing: ailments.missing(),
            manager_silent: ailments.manager_until_s > now_s,
            traction_silent: ailments.silent_until_s > now_s,
            degrees: (latitude + wander.1 / 111_320.0, longitude + wander.2 / 79_670.0),
            trouble: [active_trouble(0, CONTACTOR_TROUBLE), active_trouble(1, BATTERY_TROUBLE)],
            door_cycles: doors.1,
            saloon_c,
        });
        if kept && shift.wakes_s().is_none() {
            for frame in frames {
                record.frame(sort_of(frame));
                sink(frame)?;
            }
        }
        step += 1;
    }
    Ok(record.finish())
}

pub(crate) fn pack(vehicle: &Vehicle, day: &ServiceDay) -> Battery {
    let years = vehicle.battery_years + (day.local_day() - 20_454) as f64 / 365.25;
    let capacity = vehicle.faults.iter().find_map(|fault| match fault {
        Fault::WeakBattery { capacity } => Some(*capacity),
        _ => None,
    });
    let resistance = vehicle.faults.iter().find_map(|fault| match fault {
        Fault::SickBattery { resistance } => Some(*resistance),
        _ => None,
    });
    let articulated = vehicle.build == Build::Articulated;
    Battery::new(articulated, years.max(0.0), capacity.unwrap_or(1.0), resistance.unwrap_or(1.0))
}

/// The sensor of the ambient temperature, and what the poles' gear makes of it.
#[derive(Debug, Clone)]
pub(crate) struct AirSensor {
    /// Too much in full sun. Unit: K.
    pub(crate) kelvin: f64,
    fixed_m: Option<f64>,
    is_cold: bool,
    sun: (i64, f64),
}

impl AirSensor {
    pub(crate) fn of(vehicle: &Vehicle) -> Self {
        let kelvin = vehicle.faults.iter().find_map(|fault| match fault {
            Fault::SunnySensor { kelvin } => Some(*kelvin),
            _ => None,
        });
        let fixed_m = vehicle.faults.iter().find_map(|fault| match fault {
            Fault::FixedDetection { metres } => Some(*metres),
            _ => None,
        });
        Self { kelvin: kelvin.unwrap_or(0.0), fixed_m, is_cold: false, sun: (i64::MIN, 0.0) }
    }

    /// How much the sun shines on it; looked at every minute.
    pub(crate) fn sun(&mut self, seed: u64, day: &ServiceDay, hour: f64) -> f64 {
        let minute = (hour * 60.0) as i64;
        if self.kelvin != 0.0 && self.sun.0 != minute {
            self.sun = (minute, sun(seed, day.local_day(), hour));
        }
        self.sun.1
    }

    /// The detection distance that the gear sets: doubled in the cold, with some play.
    pub(crate) fn detection_m(&mut self, said_c: f64) -> f64 {
        self.is_cold = if self.is_cold { said_c < COLD_C.1 } else { said_c < COLD_C.0 };
        self.fixed_m.unwrap_or(if self.is_cold { 4.0 } else { 2.0 })
    }
}

fn start_of_timeouts(fault: &Fault) -> Option<u8> {
    match fault {
        Fault::CounterRollOver { start } | Fault::CounterReset { start } => Some(*start),
        _ => None,
    }
}

impl Ailments {
    fn of(vehicle: &Vehicle, chance: Chance) -> Self {
        let mut ailments = Self {
            chance,
            apart: (0.0, 0.0),
            dropouts_per_hour: 0.0,
            outages: Vec::new(),
            away: [None; 3],
            resets: false,
            silent_until_s: -1.0,
            manager_until_s: -1.0,
            silence_due: true,
        };
        for fault in &vehicle.faults {
            match fault {
                Fault::IntermittentContactor { per_hour } => ailments.dropouts_per_hour = *per_hour,
                Fault::SensorDropOut { sensor, per_hour } => ailments.outages.push((*sensor, *per_hour)),
                Fault::CounterReset { .. } => ailments.resets = true,
                Fault::CollectorsApart { degrees, per_hour } => ailments.apart = (*degrees, *per_hour),
                _ => {}
            }
        }
        ailments
    }

    /// Which sensors are missing, and whether as 'error': ambient, motor, battery.
    fn missing(&self) -> [Option<bool>; 3] {
        self.away.map(|away| away.map(|(_, as_error)| as_error))
    }

    fn step(
        &mut self,
        now_s: f64,
        shift: &Shift,
        machine: &mut Rolling,
        timeouts: &mut u8,
        record: &mut Record,
        time_us: TimeUs,
    ) {
        for away in &mut self.away {
            if away.is_some_and(|(until_s, _)| now_s >= until_s) {
                *away = None;
            }
        }
        if !shift.orders.active {
            return;
        }
        let an_hour = 3_600.0 / STEP_S;
        let shaken = machine.speed_ms > 2.0;
        let under_current = machine.is_connected() && shaken && machine.line_a.abs() > 30.0;
        // Of an hour on duty about a third is driving under current.
        let dropouts = 3.0 * self.dropouts_per_hour / an_hour;
        if dropouts > 0.0 && under_current && self.chance.happens(dropouts) {
            machine.input.drop_out(self.chance.between(0.4, 1.5));
        }
        let apart = 2.0 * self.apart.1 / an_hour;
        if apart > 0.0 && shaken && machine.poles.are_up() && self.chance.happens(apart) {
            machine.poles.ride_apart(self.apart.0, self.chance.between(12.0, 50.0));
        }
        for index in 0..self.outages.len() {
            let (sensor, per_hour) = self.outages[index];
            if shaken && self.chance.happens(2.0 * per_hour / an_hour) {
                let seconds = self.chance.between(5.0, 70.0);
                self.lose(sensor, now_s + seconds);
            }
        }
        // About once a day, at a layover, so that nothing but silence is missed.
        if self.silence_due && shift.is_idle(now_s) && self.chance.happens(0.15 / an_hour * 60.0) {
            self.silence(now_s, record, time_us);
        }
        if self.resets && !shift.orders.stretch && shaken && self.chance.happens(0.3 / an_hour) {
            self.restart(now_s, timeouts, record, time_us);
        }
    }

    fn lose(&mut self, sensor: Sensor, until_s: f64) {
        let as_error = self.chance.happens(0.4);
        let slot = &mut self.away[sensor.index()];
        if slot.is_none() {
            *slot = Some((until_s, as_error));
        }
    }

    fn silence(&mut self, now_s: f64, record: &mut Record, time_us: TimeUs) {
        self.silence_due = false;
        self.silent_until_s = now_s + SILENCE_S;
        record.silence(time_us, time_us + (SILENCE_S * 1e6) as i64);
    }

    fn restart(&mut self, now_s: f64, timeouts: &mut u8, record: &mut Record, time_us: TimeUs) {
        self.resets = false;
        self.manager_until_s = now_s + RESTART_S;
        record.jump(time_us, "reset", *timeouts, 0);
        *timeouts = 0;
    }

    #[expect(clippy::too_many_arguments, reason = "a cue may touch anything")]
    fn cue(
        &mut self,
        cue: Staged,
        now_s: f64,
        world: &World,
        shift: &mut Shift,
        machine: &mut Rolling,
        timeouts: &mut u8,
        record: &mut Record,
        time_us: TimeUs,
    ) {
        match cue.what {
            Stage::PoleOffAtBadSpot => {
                shift.lose_at = world.town.special_work.iter().position(|work| work.out_of_true).map(Some);
            }
            Stage::PoleOff => shift.lose_at = Some(None),
            Stage::PhantomVoltage => shift.soil_next = true,
            Stage::ContactorDropOut => machine.input.drop_out(0.9),
            Stage::SensorDropOut { sensor, seconds } => self.lose(sensor, now_s + seconds),
            Stage::BatteryManagerRestart => self.restart(now_s, timeouts, record, time_us),
            Stage::BusSilence => self.silence(now_s, record, time_us),
        }
    }
}
