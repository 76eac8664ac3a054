//! Keeps the truth of one vehicle-day while it happens.

use super::World;
use super::fleet::Sensor;
use super::nuisance::Sort;
use super::rolling::{Energy, Rolling, STEP_S, STEP_US};
use super::shift::{Event, Shift};
use super::truth::{CounterJump, Happening, OffWireChange, RunTruth, SensorOutage, Span, VehicleTruth};
use super::weather::Weather;
use crate::frame::TimeUs;

/// A gap in what is kept longer than this ends a run, as the run rules have it. Unit: µs.
const GAP_US: i64 = 600_000_000;

/// The truth so far.
pub(crate) struct Record {
    truth: VehicleTruth,
    run: Option<RunTruth>,
    /// Sums at the step before: energy and odometer.
    before: (Energy, f64),
    last_us: TimeUs,
    was_out: [bool; 3],
    was_dropped: bool,
    was_apart: bool,
    dropped_just_now: bool,
    in_stretch: bool,
    kept: bool,
    gap_since: Option<usize>,
}

impl Record {
    pub(crate) fn new(vehicle: String) -> Self {
        Self {
            truth: VehicleTruth { vehicle, ..VehicleTruth::default() },
            run: None,
            before: (Energy::default(), 0.0),
            last_us: i64::MIN,
            was_out: [false; 3],
            was_dropped: false,
            was_apart: false,
            dropped_just_now: false,
            in_stretch: false,
            kept: false,
            gap_since: None,
        }
    }

    /// Begins a step: opens and closes runs. Then come its events, then [`Self::sum`].
    pub(crate) fn open(&mut self, kept: bool, time_us: TimeUs, shift: &Shift, machine: &Rolling) {
        let gap = kept && self.run.is_some() && time_us - self.last_us > GAP_US;
        if self.run.is_some() && (kept && !shift.orders.active || gap) {
            self.end_run();
        }
        self.kept = kept;
        let running = kept && shift.orders.active;
        if running && self.run.is_none() {
            self.run = Some(RunTruth { start_us: time_us, ..RunTruth::default() });
            self.was_out = [false; 3];
            self.in_stretch = false;
        }
        let dropped = machine.input.is_dropped_out();
        self.dropped_just_now = dropped && !self.was_dropped;
        self.was_dropped = dropped;
        if running {
            self.last_us = time_us;
        }
    }

    /// Ends a step: takes in the machine.
    pub(crate) fn sum(
        &mut self,
        time_us: TimeUs,
        shift: &Shift,
        machine: &Rolling,
        weather: &Weather,
        missing: &[Option<bool>; 3],
    ) {
        let before = std::mem::replace(&mut self.before, (machine.energy, machine.odometer_m));
        if !self.kept || !shift.orders.active {
            return;
        }
        let Some(run) = &mut self.run else { return };
        // What is still going on lasts to the end of this step at least.
        let lasts_us = time_us + STEP_US;
        run.end_us = time_us;
        let (trip, line) = shift.on_line();
        if trip > 0 {
            run.line = line;
        }
        if let Some(piece) = shift.present_piece() {
            run.operator = piece.operator;
        }
        let (energy, odometer_m) = &before;
        let km = (machine.odometer_m - odometer_m) / 1_000.0;
        let stretch = shift.orders.stretch;
        run.km += km;
        let kwh = |now: f64, before: f64| (now - before) / 3.6e6;
        run.line_kwh += kwh(machine.energy.line_out, energy.line_out);
        run.back_kwh += kwh(machine.energy.line_back, energy.line_back);
        run.battery_out_kwh += kwh(machine.energy.battery_out, energy.battery_out);
        run.battery_in_kwh += kwh(machine.energy.battery_in, energy.battery_in);
        if stretch {
            run.off_wire_km += km;
            if !self.in_stretch {
                // Kept from the middle of a stretch on.
                let at = here(time_us, shift, machine);
                let charge = 100.0 * machine.battery.charge;
                run.off_wire_changes.push(OffWireChange {
                    at,
                    charge_percent: (charge, charge),
                    begun_before: true,
                    ..OffWireChange::default()
                });
            }
            if let Some(change) = run.off_wire_changes.last_mut() {
                change.km += km;
                change.at.duration_ms = (lasts_us - change.at.time_us) / 1_000;
                change.charge_percent.1 = (100.0 * machine.battery.charge).max(0.0);
            }
        }
        self.in_stretch = stretch;
        let values = [weather.air_c, machine.motor_c, machine.battery.temperature_c];
        let peaks = [&mut run.ambient_peak, &mut run.motor_peak, &mut run.battery_peak];
        for ((peak, value), missing) in peaks.into_iter().zip(values).zip(missing) {
            if missing.is_none() {
                RunTruth::raise(peak, value, time_us);
            }
        }
        if machine.is_connected() {
            RunTruth::lower(&mut run.line_low, machine.line_v, time_us);
            RunTruth::raise(&mut run.line_peak, machine.line_v, time_us);
        }
        if machine.speed_ms * 3.6 > 3.0 && shift.orders.power <= 0.0 && machine.line_a > 40.0 {
            run.coasting_under_current_s += STEP_S;
        }
        if shift.is_parked(&machine.poles) {
            run.parked_poles_down_s += STEP_S;
        }
        for (index, sensor) in Sensor::ALL.into_iter().enumerate() {
            let out = missing[index];
            if let Some(as_error) = out {
                if self.was_out[index] {
                    if let Some(outage) = run.sensor_outages.iter_mut().rev().find(|o| o.sensor == sensor) {
                        outage.span.to_us = lasts_us;
                    }
                } else {
                    let span = Span { from_us: time_us, to_us: lasts_us };
                    run.sensor_outages.push(SensorOutage { sensor, span, as_error });
                }
            }
            self.was_out[index] = out.is_some();
        }
        if machine.input.is_dropped_out() {
            if self.dropped_just_now {
                run.contactor_dropouts.push(here(time_us, shift, machine));
            } else if let Some(dropout) = run.contactor_dropouts.last_mut() {
                dropout.duration_ms = (lasts_us - dropout.time_us) / 1_000;
            }
        }
        if let Some(dip_v) = machine.dip_v {
            run.flashes.push(Happening { volts: Some(dip_v), ..here(time_us, shift, machine) });
        }
        let apart = machine.poles.are_apart();
        if apart && !self.was_apart {
            run.collectors_apart.push(here(time_us, shift, machine));
        } else if let Some(spell) = run.collectors_apart.last_mut().filter(|_| apart) {
            spell.duration_ms = (lasts_us - spell.time_us) / 1_000;
        }
        self.was_apart = apart;
        if shift.is_in_yard() && machine.poles.are_up() {
            run.parked_poles_up_s += STEP_S;
            run.charged_parked_kwh += kwh(machine.energy.battery_in, energy.battery_in);
        }
        if let Some(shown_v) = machine.input.collapsed_v {
            run.phantom_voltages.push(Happening { volts: Some(shown_v), ..here(time_us, shift, machine) });
        }
        if let Some(index) = self.gap_since {
            if shift.is_live() {
                self.gap_since = None;
            } else if let Some(gap) = run.section_gaps.get_mut(index) {
                gap.duration_ms = (lasts_us - gap.time_us) / 1_000;
            }
        }
    }

    /// Takes in what the driver met.
    pub(crate) fn event(&mut self, event: &Event, time_us: TimeUs, world: &World, shift: &Shift, machine: &Rolling) {
        let Some(run) = self.run.as_mut().filter(|_| self.kept) else { return };
        let mut at = here(time_us, shift, machine);
        let mut at_work = |index: usize| {
            let work = &world.town.special_work[index];
            at.special_work = Some(work.id.clone());
            at.place = format!("{}: {}", work.kind.word(), work.name);
            (at.latitude, at.longitude) = work.degrees;
        };
        match event {
            Event::PoleOff { work, cause } => {
                if let Some(work) = work {
                    at_work(*work);
                }
                at.cause = Some(cause);
                run.pole_offs.push(at);
            }
            Event::Gap { work } => {
                at_work(*work);
                self.gap_since = Some(run.section_gaps.len());
                run.section_gaps.push(at);
            }
            Event::StretchBegins => {
                let charge = 100.0 * machine.battery.charge;
                self.in_stretch = true;
                run.off_wire_changes.push(OffWireChange {
                    at,
                    charge_percent: (charge, charge),
                    ..OffWireChange::default()
                });
            }
            Event::Work { .. } | Event::Arc { .. } | Event::StretchEnds => {}
        }
    }

    pub(crate) fn timeout(&mut self, time_us: TimeUs, shift: &Shift, machine: &Rolling) {
        if let Some(run) = self.run.as_mut().filter(|_| self.kept) {
            run.battery_timeouts
                .push(Happening { volts: Some(machine.battery.volts), ..here(time_us, shift, machine) });
        }
    }

    pub(crate) fn jump(&mut self, time_us: TimeUs, kind: &'static str, from: u8, to: u8) {
        if let Some(run) = self.run.as_mut().filter(|_| self.kept) {
            run.counter_jumps.push(CounterJump { time_us, kind, from, to });
        }
    }

    pub(crate) fn silence(&mut self, from_us: TimeUs, to_us: TimeUs) {
        if self.kept {
            self.truth.bus_gaps.push(Span { from_us, to_us });
        }
    }

    /// Whether the contactor has fallen open in this step.
    pub(crate) fn dropped_out_just_now(&self) -> bool {
        self.dropped_just_now
    }

    pub(crate) fn frame(&mut self, sort: Sort) {
        self.truth.frames += 1;
        match sort {
            Sort::Known => {}
            Sort::Unknown => self.truth.unknown_frames += 1,
            Sort::Remote => self.truth.remote_frames += 1,
            Sort::Error => self.truth.error_frames += 1,
        }
    }

    fn end_run(&mut self) {
        self.gap_since = None;
        self.truth.runs.extend(self.run.take());
    }

    /// The truth, all in.
    pub(crate) fn finish(mut self) -> VehicleTruth {
        self.end_run();
        self.truth
    }
}

fn here(time_us: TimeUs, shift: &Shift, machine: &Rolling) -> Happening {
    let (latitude, longitude) = shift.route().degrees(shift.at_m);
    Happening {
        time_us,
        latitude,
        longitude,
        place: shift.route().street_name(shift.at_m),
        speed_kmh: machine.speed_ms * 3.6,
        ..Happening::default()
    }
}
