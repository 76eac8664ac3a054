//! Tapes: every way of the town driven once and again at full depth, and what it took written down in pieces of some
//! seconds.
//!
//! Driver and machine of the day-depth simulator drive them, so that a year at summary depth rests on the same town,
//! timetable and machine. On a tape is what the traction needs, not who gives it: battery, heating and weather are
//! those of the day on which it is played.

use std::collections::HashMap;

use rayon::prelude::*;

use super::super::battery::Battery;
use super::super::chance::Chance;
use super::super::fleet::{Build, Duty, Fault, Vehicle, pseudonym};
use super::super::rolling::{DRIVE_EFFICIENCY, Rolling, STEP_S, limits};
use super::super::route::Route;
use super::super::shift::{Event, SOILING_S, Shift};
use super::super::supply::Offer;
use super::super::town::{Line, Town};
use super::super::weather::Weather;

/// Longest piece under wires, and on the battery. Unit: s.
const PIECE_S: f64 = 10.0;
const STRETCH_PIECE_S: f64 = 4.0;
/// A line is driven to and fro for so long. Unit: s.
const SAMPLE_S: f64 = 2.2 * 3_600.0;
/// Drives of each way, at least.
const DRIVES: u64 = 3;
/// Operators whose manner the drives have: an even choice.
const MANNERS: u64 = 41;

/// What the traction needed over some seconds.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Load {
    /// How long. Unit: s.
    pub(super) s: f64,
    /// Drawn on the direct-current side, mean. Unit: W.
    pub(super) driven_w: f64,
    /// Given back there, mean. Unit: W.
    pub(super) back_w: f64,
}

/// Some seconds of a way.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Piece {
    /// How long. Unit: s.
    pub(super) s: f64,
    /// Moved. Unit: m.
    pub(super) m: f64,
    /// Where on the way it began. Unit: m.
    pub(super) at_m: f64,
    /// On the battery, as the driver asked for.
    pub(super) stretch: bool,
    /// Part of the time in which the line was connected.
    pub(super) connected: f64,
    /// The most power held over a second, then the rest of the time under power or at rest, then coasting, then braking.
    pub(super) loads: [Load; 4],
    /// At the wheel, mean of driving and braking. Unit: W.
    pub(super) wheel_w: f64,
    /// Mean square of the share of the most force.
    pub(super) effort_2: f64,
    /// What the line offered while connected, mean.
    pub(super) offer: Offer,
    /// Fastest. Unit: m/s.
    pub(super) fastest_ms: f64,
    /// Above 3 km/h, power pedal released, not braking. Unit: s.
    pub(super) coasting_s: f64,
    /// Under power. Unit: s.
    pub(super) powered_s: f64,
    /// Above 2 m/s. Unit: s.
    pub(super) shaken_s: f64,
}

/// Something met on a way.
#[derive(Debug, Clone, Copy)]
pub(super) enum Met {
    /// Special work, by its index in the town.
    Work { work: usize, dead: bool, turns: bool },
    /// A stop long enough for dirt to come between collector and wire.
    Stop,
    /// The battery takes over.
    StretchBegins,
}

/// What was met, and where.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    /// Index of the piece.
    pub(super) piece: usize,
    /// Into it. Unit: s.
    pub(super) s: f64,
    /// On the way. Unit: m.
    pub(super) at_m: f64,
    pub(super) met: Met,
    /// Unit: km/h.
    pub(super) speed_kmh: f64,
    /// Power pedal. Unit: 1.
    pub(super) pedal: f64,
    /// The most drawn for traction within the last quarter of a second. Unit: W.
    pub(super) driven_w: f64,
    /// Whether the battery may be charged.
    pub(super) charges: bool,
}

/// One drive of a way, from leaving its first place to arriving at its last.
#[derive(Debug, Clone, Default)]
pub(super) struct Tape {
    pub(super) pieces: Vec<Piece>,
    pub(super) marks: Vec<Mark>,
    /// Unit: m.
    pub(super) length_m: f64,
}

/// A way and all its drives.
#[derive(Debug)]
pub(super) struct Way {
    pub(super) route: Route,
    pub(super) drives: Vec<Tape>,
}

/// Tapes of every way, by its places, by build.
#[derive(Debug, Default)]
pub(super) struct Tapes {
    ways: HashMap<(Vec<usize>, Build), Way>,
}

impl Tapes {
    /// Drives every way of the town.
    pub(super) fn record(seed: u64, town: &Town) -> Self {
        // Nobody loses a pole on a tape: chances are drawn when it is played.
        let mut calm = town.clone();
        calm.special_work.iter_mut().for_each(|work| {
            work.pole_off_probability = 0.0;
            work.out_of_true = false;
        });
        // Both ways of each line several times, and out of the yard to each terminal and home.
        let mut jobs = Vec::new();
        for line in &town.lines {
            for build in [Build::Rigid, Build::Articulated] {
                for drive in 0..DRIVES {
                    jobs.push(Job { line, terminal: 0, build, drive, until_s: SAMPLE_S });
                    jobs.extend([0, 1].map(|terminal| Job { line, terminal, build, drive, until_s: 0.0 }));
                }
            }
        }
        let drive = |job: &Job| -> Vec<(Vec<usize>, Build, Tape)> {
            let sampled = sample(seed, &calm, job);
            sampled.into_iter().map(|(places, tape)| (places, job.build, tape)).collect()
        };
        let recorded: Vec<_> = jobs.par_iter().map(drive).collect();
        let mut tapes = Self::default();
        for (places, build, tape) in recorded.into_iter().flatten() {
            let way = tapes
                .ways
                .entry((places.clone(), build))
                .or_insert_with(|| Way { route: Route::over(town, &places, true), drives: Vec::new() });
            way.drives.push(tape);
        }
        tapes
    }

    /// The drives of a way; none where nobody has driven it.
    pub(super) fn of(&self, places: &[usize], build: Build) -> Option<&Way> {
        self.ways.get(&(places.to_vec(), build))
    }
}

/// Something to be driven.
struct Job<'t> {
    line: &'t Line,
    terminal: usize,
    build: Build,
    drive: u64,
    /// No trip departs later, but the one home. Unit: s.
    until_s: f64,
}

/// Drives a piece of work, and gives a tape for every trip.
fn sample(seed: u64, town: &Town, job: &Job) -> Vec<(Vec<usize>, Tape)> {
    let Job { line, terminal, build, drive, until_s } = *job;
    let key = u64::from(line.number) * 100 + terminal as u64 * 10 + drive + if until_s > 0.0 { 10_000 } else { 0 };
    let vehicle = Vehicle {
        number: 0,
        build,
        battery_years: 1.0,
        line: Some(line.number),
        // As good as none on plain wire.
        faults: vec![Fault::BadCollector { factor: 1e-12 }],
    };
    let stream = |subject: &str| Chance::of(seed, subject, &[key, build as u64]);
    let operator = pseudonym(stream("tape operator").below(MANNERS) as u16);
    let duty = Duty::sample(line, terminal, operator, until_s);
    let trips = duty.pieces.first().map(|piece| duty.trips(town, piece)).unwrap_or_default();
    let battery = Battery::new(build == Build::Articulated, 1.0, 1.0, 1.0);
    let mut machine = Rolling::new(build, vehicle.empty_kg(), battery, stream("tape line"), stream("tape poles"));
    let mut shift = Shift::new(town, &vehicle, &duty, stream("tape shift"));
    let weather = Weather { air_c: 10.0, wet: false, ice: false };
    let mut recorder = Recorder::new(build);
    let mut tapes: Vec<(Vec<usize>, Tape)> = Vec::new();
    let (mut events, mut step, mut trip) = (Vec::new(), 0_u64, None);
    while !shift.is_over() {
        let now_s = step as f64 * STEP_S;
        events.clear();
        shift.step(now_s, &mut machine, &weather, &mut events);
        let before = machine.energy;
        machine.step(&shift.orders, &shift.around(&weather));
        let under_way = shift.under_way();
        if under_way != trip {
            if let Some(ended) = trip {
                let tape = recorder.finish();
                tapes.extend(trips.get(ended).map(|trip| (trip.places.clone(), tape)));
            }
            trip = under_way;
        }
        if trip.is_some() {
            let driven_w = (machine.energy.driven - before.driven) / STEP_S;
            let back_w = (machine.energy.braked - before.braked) / STEP_S;
            recorder.step(&shift, &machine, &events, driven_w, back_w);
        }
        step += 1;
    }
    tapes
}

struct Recorder {
    build: Build,
    tape: Tape,
    /// Driven and given back at each step of the piece that is being recorded, and whether the vehicle coasted.
    steps: Vec<(f64, f64, bool)>,
    piece: Piece,
    offers: f64,
    stood_at: Option<usize>,
    stood_s: f64,
}

impl Recorder {
    fn new(build: Build) -> Self {
        let (tape, piece) = (Tape::default(), Piece::default());
        Self { build, tape, steps: Vec::new(), piece, offers: 0.0, stood_at: None, stood_s: 0.0 }
    }

    fn step(&mut self, shift: &Shift, machine: &Rolling, events: &[Event], driven_w: f64, back_w: f64) {
        let stretch = shift.orders.stretch;
        let longest_s = if stretch { STRETCH_PIECE_S } else { PIECE_S };
        if !self.steps.is_empty() && (self.piece.stretch != stretch || self.piece.s + 0.5 * STEP_S > longest_s) {
            self.cut();
        }
        let piece = &mut self.piece;
        if self.steps.is_empty() {
            (piece.stretch, piece.at_m) = (stretch, shift.at_m);
        }
        for event in events {
            let met = match event {
                Event::Work { work, dead, turns } => Met::Work { work: *work, dead: *dead, turns: *turns },
                Event::StretchBegins => Met::StretchBegins,
                Event::Gap { .. } | Event::Arc { .. } | Event::PoleOff { .. } | Event::StretchEnds => continue,
            };
            let (piece, s, at_m) = (self.tape.pieces.len(), self.piece.s, shift.at_m);
            let (speed_kmh, pedal, charges) = (machine.speed_ms * 3.6, shift.orders.power, shift.orders.charge);
            let lately = self.steps.iter().rev().take(5).fold(driven_w, |most, step| most.max(step.0));
            self.tape.marks.push(Mark { piece, s, at_m, met, speed_kmh, pedal, driven_w: lately, charges });
        }
        let stands_at = shift.stands_at();
        self.stood_s = if stands_at.is_some() && stands_at == self.stood_at { self.stood_s + STEP_S } else { 0.0 };
        self.stood_at = stands_at;
        // Once a stop, where it has got long enough.
        if self.stood_s >= SOILING_S && self.stood_s < SOILING_S + STEP_S && machine.is_connected() {
            let (piece, s, at_m) = (self.tape.pieces.len(), self.piece.s, shift.at_m);
            let met = Met::Stop;
            let mark = Mark { piece, s, at_m, met, speed_kmh: 0.0, pedal: 0.0, driven_w: 0.0, charges: true };
            self.tape.marks.push(mark);
        }
        let piece = &mut self.piece;
        self.steps.push((driven_w, back_w, !shift.orders.charge));
        piece.s += STEP_S;
        piece.m += machine.speed_ms * STEP_S;
        piece.wheel_w += driven_w * DRIVE_EFFICIENCY + back_w / DRIVE_EFFICIENCY;
        piece.effort_2 += machine.effort_2;
        piece.fastest_ms = piece.fastest_ms.max(machine.speed_ms);
        if machine.is_connected() {
            self.offers += 1.0;
            piece.connected += 1.0;
            piece.offer.open_v += machine.offer.open_v;
            piece.offer.ohm += machine.offer.ohm;
            piece.offer.receptive_a += machine.offer.receptive_a;
        }
        let kmh = machine.speed_ms * 3.6;
        if kmh > 3.0 && shift.orders.power <= 0.0 && back_w <= 500.0 {
            piece.coasting_s += STEP_S;
        }
        if shift.orders.power > 0.0 {
            piece.powered_s += STEP_S;
        }
        if machine.speed_ms > 2.0 {
            piece.shaken_s += STEP_S;
        }
        self.tape.length_m = self.tape.length_m.max(shift.at_m);
    }

    fn cut(&mut self) {
        let mut piece = std::mem::take(&mut self.piece);
        let steps = std::mem::take(&mut self.steps);
        let count = steps.len() as f64;
        piece.wheel_w /= count;
        piece.effort_2 /= count;
        piece.connected /= count;
        if self.offers > 0.0 {
            piece.offer.open_v /= self.offers;
            piece.offer.ohm /= self.offers;
            piece.offer.receptive_a /= self.offers;
        }
        self.offers = 0.0;
        piece.loads = loads(&steps, limits(self.build).0);
        self.tape.pieces.push(piece);
    }

    fn finish(&mut self) -> Tape {
        if !self.steps.is_empty() {
            self.cut();
        }
        (self.stood_at, self.stood_s) = (None, 0.0);
        std::mem::take(&mut self.tape)
    }
}

/// The second of most power, the rest without braking, and braking.
fn loads(steps: &[(f64, f64, bool)], most_w: f64) -> [Load; 4] {
    const SECOND: usize = (1.0 / STEP_S) as usize;
    let sum = |range: &[(f64, f64, bool)]| range.iter().map(|step| step.0).sum::<f64>();
    let at = (0..=steps.len().saturating_sub(SECOND))
        .max_by(|&a, &b| {
            let of = |at: usize| sum(&steps[at..(at + SECOND).min(steps.len())]);
            of(a).total_cmp(&of(b))
        })
        .unwrap_or(0);
    let until = (at + SECOND).min(steps.len());
    let mean = |steps: &mut dyn Iterator<Item = &(f64, f64, bool)>| {
        let (mut load, mut count) = (Load::default(), 0_u32);
        for (driven_w, back_w, _) in steps {
            load.driven_w += driven_w;
            load.back_w += back_w;
            count += 1;
        }
        if count > 0 {
            load.s = f64::from(count) * STEP_S;
            load.driven_w = (load.driven_w / f64::from(count)).min(2.0 * most_w);
            load.back_w /= f64::from(count);
        }
        load
    };
    let rest = || steps[..at].iter().chain(&steps[until..]);
    [
        mean(&mut steps[at..until].iter()),
        mean(&mut rest().filter(|step| step.1 <= 0.0 && !step.2)),
        mean(&mut rest().filter(|step| step.1 <= 0.0 && step.2)),
        mean(&mut rest().filter(|step| step.1 > 0.0)),
    ]
}
