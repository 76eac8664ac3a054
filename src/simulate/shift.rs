//! One vehicle's working day as its driver lives it: making ready, trips, stops, poles up and down, going home.

use super::chance::Chance;
use super::fleet::{Duty, Fault, Piece, Trip, Vehicle};
use super::poles::Poles;
use super::rolling::{Around, Orders, Rolling, STEP_S};
use super::route::{Mark, PLANNED_BRAKING, Route, Wire};
use super::town::{SpecialKind, Town};
use super::weather::Weather;

/// The buses wake before the vehicle is switched on, and fall asleep after it is switched off. Unit: s.
const WAKING_S: f64 = 20.0;
const CLOSING_S: f64 = 75.0;
/// From switching on to raising the poles. Unit: s.
pub(crate) const POLES_UP_AFTER_S: f64 = 150.0;
/// Pole-offs on plain wire, per metre, for a sound collector in fair weather.
pub(crate) const PLAIN_WIRE_PER_M: f64 = 2.5e-7;
/// Poles stay up in the yard for so long after coming home. Unit: s.
pub(crate) const YARD_UP_S: (f64, f64) = (480.0, 900.0);
/// Before a switch that current sets, drivers mind it from here on; and how often they forget. Unit: m, 1.
const ORDER_M: f64 = 14.0;
const CARELESS: f64 = 0.04;
/// The indicator is set so far before a turn. Unit: m.
const INDICATE_M: f64 = 80.0;
/// Dwell that lets dirt come between collector and wire. Unit: s.
pub(crate) const SOILING_S: f64 = 9.0;

/// What happened in a step.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Event {
    /// A pole left its wire: where special work is to blame, its index.
    PoleOff { work: Option<usize>, cause: &'static str },
    /// This special work was passed with both collectors on their wires; some has dead wire in it.
    Work { work: usize, dead: bool, turns: bool },
    /// Under dead wire of this special work.
    Gap { work: usize },
    /// An arc at the collectors is to come.
    Arc { work: Option<usize>, volts: f64 },
    /// A planned stretch on the battery begins.
    StretchBegins,
    /// The line feeds the vehicle again.
    StretchEnds,
}

/// Arcs are drawn a moment after what causes them, clear of dead wire. Unit: s.
const ARC_AFTER_S: f64 = 0.6;

/// Probability of an arc that dips the line voltage, after a passage of special work.
pub(crate) fn arc_at_work(collector: f64, weather: &Weather, out_of_true: bool) -> f64 {
    let air = if weather.ice { 10.0 } else { 1.0 };
    (0.004 * collector.clamp(1.0, 15.0) * air * if out_of_true { 6.0 } else { 1.0 }).min(0.9)
}

/// The same by metre of plain wire.
pub(crate) fn arc_per_m(collector: f64, weather: &Weather) -> f64 {
    1e-5 * collector.clamp(1.0, 15.0) * if weather.ice { 60.0 } else { 1.0 }
}

/// Where in the town a fault loses poles, and how likely.
pub(crate) fn loses_at(town: &Town, fault: &Fault) -> Option<(usize, f64)> {
    let Fault::LosesAt { number, probability } = fault else { return None };
    let id = format!("VO-{number}");
    town.special_work.iter().position(|work| work.id == id).map(|work| (work, *probability))
}

/// How an operator drives.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Manner {
    /// Pedal when powering, 0 to 1.
    pub(crate) pedal: f64,
    /// Of the speed that is allowed.
    pub(crate) pace: f64,
    /// Times as many pole-offs.
    pub(crate) handling: f64,
}

impl Manner {
    /// Of a pseudonym; always the same.
    pub(crate) fn of(operator: u16) -> Self {
        let mut manner = Chance::of(u64::from(operator), "manner", &[]);
        Self { pedal: manner.between(0.55, 0.85), pace: manner.between(0.92, 1.03), handling: manner.between(0.7, 1.5) }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Doing {
    Asleep,
    Waking,
    MakingReady,
    Driving,
    /// At a stop, at lights or a terminal.
    Standing {
        since_s: f64,
        until_s: f64,
        mark: usize,
    },
    /// After a pole-off; `ready_s` once the vehicle stands.
    PoleLost {
        ready_s: Option<f64>,
    },
    /// In the yard, poles coming down, switched on.
    Parked {
        since_s: f64,
        until_s: f64,
    },
    Closing {
        until_s: f64,
    },
    Over,
}

/// Drives one vehicle through its duty.
pub(crate) struct Shift<'a> {
    town: &'a Town,
    duty: &'a Duty,
    chance: Chance,
    arcs: Chance,
    minding: Chance,
    doing: Doing,
    piece: usize,
    trips: Vec<Trip>,
    trip: usize,
    route: Route,
    /// Where on the route. Unit: m.
    pub(crate) at_m: f64,
    /// Dwell at each mark, where the vehicle stops there. Unit: s.
    dwells: Vec<Option<f64>>,
    next_stop: usize,
    next_special: usize,
    dead_until_m: f64,
    pub(crate) orders: Orders,
    /// The driver has asked to leave the wire.
    pub(crate) off_wire_request: bool,
    powering: bool,
    doors_open: bool,
    pub(crate) passengers: u32,
    pub(crate) boarded: u32,
    pub(crate) alighted: u32,
    collector: f64,
    phantom: f64,
    /// Pedal, speed and care of the present operator.
    pedal: f64,
    pace: f64,
    handling: f64,
    soil_at_s: Option<f64>,
    loses_at: Option<(usize, f64)>,
    charges_in_yard: bool,
    /// Poles stay up in the yard for so long. Unit: s.
    yard_up_s: f64,
    /// The switch ahead that current sets: index of its mark, and whether the driver minds it.
    switch: Option<(usize, bool)>,
    /// Up to where its order holds. Unit: m.
    switch_until: (f64, f64),
    /// Staged: lose a pole at the next passage of this special work, or of any.
    pub(crate) lose_at: Option<Option<usize>>,
    /// Staged: dirt at the next stop.
    pub(crate) soil_next: bool,
}

impl<'a> Shift<'a> {
    pub(crate) fn new(town: &'a Town, vehicle: &Vehicle, duty: &'a Duty, chance: Chance) -> Self {
        let collector = vehicle.faults.iter().find_map(|f| match f {
            Fault::BadCollector { factor } => Some(*factor),
            _ => None,
        });
        let phantom = vehicle.faults.iter().find_map(|f| match f {
            Fault::PhantomVoltage { probability } => Some(*probability),
            _ => None,
        });
        Self {
            town,
            duty,
            arcs: chance.branch("arcs"),
            minding: chance.branch("minding"),
            chance,
            doing: Doing::Asleep,
            piece: 0,
            trips: Vec::new(),
            trip: 0,
            route: Route::over(town, &[town.yard, town.way(town.yard, 1).get(1).copied().unwrap_or(0)], false),
            at_m: 0.0,
            dwells: Vec::new(),
            next_stop: 0,
            next_special: 0,
            dead_until_m: -1.0,
            orders: Orders::default(),
            off_wire_request: false,
            powering: false,
            doors_open: false,
            passengers: 0,
            boarded: 0,
            alighted: 0,
            collector: collector.unwrap_or(1.0),
            phantom: phantom.unwrap_or(0.0),
            pedal: 0.7,
            pace: 1.0,
            handling: 1.0,
            soil_at_s: None,
            loses_at: vehicle.faults.iter().find_map(|f| loses_at(town, f)),
            charges_in_yard: !vehicle.faults.contains(&Fault::NoYardCharge),
            yard_up_s: 0.0,
            switch: None,
            switch_until: (-1.0, 0.0),
            lose_at: None,
            soil_next: false,
        }
    }

    /// When the buses wake next, if they sleep now. Unit: s since the service day began.
    pub(crate) fn wakes_s(&self) -> Option<f64> {
        match self.doing {
            Doing::Asleep => self.present_piece().map(|piece| piece.active_s - WAKING_S),
            _ => None,
        }
    }

    pub(crate) fn is_over(&self) -> bool {
        self.doing == Doing::Over
    }

    pub(crate) fn present_piece(&self) -> Option<&'a Piece> {
        self.duty.pieces.get(self.piece)
    }

    /// The present trip, counted from 1, and the line, when on one.
    pub(crate) fn on_line(&self) -> (u8, u8) {
        match self.trips.get(self.trip) {
            Some(trip) if trip.serves => (self.trip as u8, self.duty.line),
            _ => (0, 0),
        }
    }

    /// Index of the present trip while it is driven: not before it, and not at its end.
    pub(crate) fn under_way(&self) -> Option<usize> {
        match self.doing {
            Doing::Driving | Doing::PoleLost { .. } => Some(self.trip),
            Doing::Standing { mark, .. } if mark + 1 < self.route.marks.len() => Some(self.trip),
            _ => None,
        }
    }

    /// Where the vehicle stands and since when, if it stands at a mark.
    pub(crate) fn stands_at(&self) -> Option<usize> {
        match self.doing {
            Doing::Standing { mark, .. } => Some(mark),
            _ => None,
        }
    }

    pub(crate) fn route(&self) -> &Route {
        &self.route
    }

    pub(crate) fn doors_open(&self) -> bool {
        self.doors_open
    }

    /// Standing at a layover of some length, nothing going on.
    pub(crate) fn is_idle(&self, now_s: f64) -> bool {
        matches!(self.doing, Doing::Standing { since_s, until_s, .. } if now_s - since_s > 40.0 && until_s - now_s > 25.0)
            && self.soil_at_s.is_none()
    }

    /// In the yard, switched on.
    pub(crate) fn is_in_yard(&self) -> bool {
        match self.doing {
            Doing::MakingReady | Doing::Parked { .. } => true,
            Doing::Standing { mark, .. } => mark + 1 == self.route.marks.len() && self.trip + 1 == self.trips.len(),
            _ => false,
        }
    }

    /// What is around the machine here.
    pub(crate) fn around(&self, weather: &Weather) -> Around {
        let leg = self.route.legs.get(self.route.leg_at(self.at_m));
        Around {
            grade: leg.map_or(0.0, |leg| leg.grade),
            feeder_m: self.route.feeder_m(self.at_m),
            live: self.is_live(),
            air_c: weather.air_c,
            wet: weather.wet,
            bend: self.bend(),
            load_kg: f64::from(self.passengers) * 70.0,
        }
    }

    /// Live wire above.
    pub(crate) fn is_live(&self) -> bool {
        // The wire reaches a little beyond the stop where poles go up and down.
        const REACH_M: f64 = 4.0;
        let wired = |at_m: f64| self.route.legs.get(self.route.leg_at(at_m)).is_some_and(|leg| leg.wired);
        let reach = matches!(
            self.doing,
            Doing::Standing { .. } | Doing::Parked { .. } | Doing::MakingReady | Doing::PoleLost { .. }
        );
        let wire = reach || [-REACH_M, 0.0, REACH_M].iter().any(|metres| wired(self.at_m + metres));
        wire && self.at_m >= self.dead_until_m
    }

    /// The next step: what the driver orders of the machine.
    pub(crate) fn step(&mut self, now_s: f64, machine: &mut Rolling, weather: &Weather, events: &mut Vec<Event>) {
        self.act(now_s, machine, weather, events);
        // The converter does not charge while the vehicle coasts: a coast switch must be passed with little current.
        let coasts = self.orders.power <= 0.0 && machine.speed_ms > 1.0;
        self.orders.charge = !coasts && (self.charges_in_yard || !self.is_in_yard());
        for event in events.iter() {
            if let Event::Arc { volts, .. } = event {
                machine.arc_soon(ARC_AFTER_S, *volts);
            }
        }
    }

    fn act(&mut self, now_s: f64, machine: &mut Rolling, weather: &Weather, events: &mut Vec<Event>) {
        match self.doing {
            Doing::Asleep => {
                if self.wakes_s().is_some_and(|wakes_s| now_s >= wakes_s) {
                    self.doing = Doing::Waking;
                }
            }
            Doing::Waking => self.wake(now_s),
            Doing::MakingReady => self.make_ready(now_s, machine),
            Doing::Driving => self.drive(now_s, machine, weather, events),
            Doing::Standing { since_s, until_s, mark } => {
                self.stand(now_s, (since_s, until_s, mark), machine, events);
            }
            Doing::PoleLost { ready_s } => self.put_back(now_s, ready_s, machine),
            Doing::Parked { since_s, until_s } => self.park(now_s, since_s, until_s, machine),
            Doing::Closing { until_s } => {
                self.orders = Orders::default();
                if now_s >= until_s {
                    self.piece += 1;
                    self.doing = if self.present_piece().is_some() { Doing::Asleep } else { Doing::Over };
                }
            }
            Doing::Over => {}
        }
    }

    fn wake(&mut self, now_s: f64) {
        let Some(piece) = self.present_piece() else { return };
        if now_s < piece.active_s {
            return;
        }
        self.trips = self.duty.trips(self.town, piece);
        self.trip = 0;
        let manner = Manner::of(piece.operator);
        (self.pedal, self.pace, self.handling) = (manner.pedal, manner.pace, manner.handling);
        (self.boarded, self.alighted, self.passengers) = (0, 0, 0);
        self.orders = Orders { active: true, braking_ms2: 1.0, ..Orders::default() };
        self.set_out();
        self.doing = Doing::MakingReady;
    }

    /// Lays out the present trip.
    fn set_out(&mut self) {
        let Some(trip) = self.trips.get(self.trip) else { return };
        let serves = trip.serves;
        self.route = Route::over(self.town, &trip.places, serves);
        self.at_m = 0.0;
        self.dead_until_m = -1.0;
        (self.switch, self.switch_until) = (None, (-1.0, 0.0));
        (self.next_stop, self.next_special) = (0, 0);
        let chance = &mut self.chance;
        self.dwells = self
            .route
            .marks
            .iter()
            .map(|(_, mark)| match mark {
                Mark::Stop { wire, .. } if *wire != Wire::Same => Some(chance.between(16.0, 26.0)),
                Mark::Stop { always: true, .. } => Some(20.0),
                Mark::Stop { always: false, .. } => {
                    chance.happens(0.82).then(|| 8.0 + 7.0 * chance.unit() + 9.0 * chance.unit())
                }
                Mark::Lights => chance.happens(0.4).then(|| chance.between(5.0, 32.0)),
                Mark::Special { .. } => None,
            })
            .collect();
    }

    fn make_ready(&mut self, now_s: f64, machine: &mut Rolling) {
        let active_s = self.present_piece().map_or(0.0, |piece| piece.active_s);
        self.orders.braking_ms2 = 1.0;
        if now_s - active_s > POLES_UP_AFTER_S {
            machine.poles.raise();
            self.orders.line_wanted = true;
        }
        let departs_s = self.trips.get(self.trip).map_or(0.0, |trip| trip.departs_s);
        if now_s >= departs_s && machine.is_connected() {
            self.doing = Doing::Driving;
        }
    }

    fn drive(&mut self, now_s: f64, machine: &mut Rolling, weather: &Weather, events: &mut Vec<Event>) {
        let before_m = self.at_m;
        self.at_m += machine.speed_ms * STEP_S;
        if machine.poles.are_up() && self.meet_overhead(before_m, machine, weather, events) {
            self.doing = Doing::PoleLost { ready_s: None };
            return;
        }
        let stop = (self.next_stop..self.dwells.len()).find(|&mark| self.dwells[mark].is_some());
        let stop_m = stop.map_or(self.route.length_m, |mark| self.route.marks[mark].0);
        let left_m = stop_m - self.at_m;
        let speed = machine.speed_ms;
        let arrived = left_m < 1.5 && speed < 0.15 || left_m <= 0.05;
        if let Some(mark) = stop.filter(|_| arrived) {
            self.halt(now_s, mark, machine);
            return;
        }
        let pace = if weather.ice { 0.88 } else { 1.0 } * self.pace;
        let allowed = self.route.allowed_ms(self.at_m + 0.5 * speed) * pace;
        let stopping = speed * speed / (2.0 * left_m.max(0.1));
        let ordered = self.switch_order();
        let braking = if stopping > 0.8 * PLANNED_BRAKING {
            stopping
        } else if ordered.is_some() && speed < allowed + 2.5 {
            0.0
        } else if speed > allowed + 0.25 {
            (0.25 + (speed - allowed) * 0.9).min(1.25)
        } else {
            0.0
        };
        if braking > 0.0 {
            self.powering = false;
        } else if speed < 0.86 * allowed || speed < 0.8 {
            self.powering = true;
        } else if speed > 0.985 * allowed {
            self.powering = false;
        }
        // Coming to rest short of the stop takes a little power.
        let worth_it = left_m > 25.0 || speed < 1.2;
        let uphill = self.route.legs.get(self.route.leg_at(self.at_m)).map_or(0.0, |leg| 6.0 * leg.grade.max(0.0));
        let wanted = if self.powering && worth_it {
            (if left_m < 12.0 { 0.2 } else { self.pedal } + uphill).min(1.0)
        } else {
            0.0
        };
        let wanted = ordered.unwrap_or(wanted);
        let ramp = STEP_S * if wanted > self.orders.power { 0.55 } else { 1.6 };
        let power = self.orders.power + (wanted - self.orders.power).clamp(-ramp, ramp);
        self.orders.power = if braking > 0.0 { 0.0 } else { power };
        let ramp = STEP_S * 1.4;
        self.orders.braking_ms2 += (braking.min(2.2) - self.orders.braking_ms2).clamp(-2.0 * ramp, ramp);
    }

    /// What a switch ahead asks of the power pedal.
    fn switch_order(&mut self) -> Option<f64> {
        let town = self.town;
        let marks = self.route.marks.iter().enumerate().skip(self.next_special);
        let ahead =
            marks.take_while(|(_, mark)| mark.0 - self.at_m < ORDER_M).find_map(|(at, &(at_m, mark))| match mark {
                Mark::Special { work, facing: true } => Some((at, at_m, &town.special_work[work])),
                _ => None,
            });
        if let Some((mark, at_m, work)) = ahead
            && work.kind.is_set_by_current()
        {
            let (kind, dead_m) = (work.kind, work.dead_m);
            if self.switch.is_none_or(|known| known.0 != mark) {
                self.switch = Some((mark, !self.minding.happens(CARELESS)));
            }
            let minds = self.switch.is_some_and(|known| known.1);
            let powers = (kind == SpecialKind::PowerSwitch && self.turns() != 0.0) == minds;
            self.switch_until = (at_m + dead_m, if powers { 0.45 } else { 0.0 });
        }
        (self.at_m < self.switch_until.0).then_some(self.switch_until.1)
    }

    /// Which way the vehicle is about to turn: left positive, right negative, 0: neither. The indicator shows it.
    pub(crate) fn turns(&self) -> f64 {
        if self.under_way().is_some() { self.route.turn_ahead(self.at_m, INDICATE_M) } else { 0.0 }
    }

    /// Special work and plain wire over this step; whether a pole has been lost.
    fn meet_overhead(
        &mut self,
        before_m: f64,
        machine: &mut Rolling,
        weather: &Weather,
        events: &mut Vec<Event>,
    ) -> bool {
        let speed_kmh = machine.speed_ms * 3.6;
        let air = if weather.ice { 3.0 } else { 1.0 } * if weather.wet { 1.2 } else { 1.0 };
        let vehicle = self.collector * air * self.handling;
        while let Some(&(at_m, mark)) = self.route.marks.get(self.next_special) {
            if at_m > self.at_m {
                break;
            }
            self.next_special += 1;
            let Mark::Special { work: index, facing } = mark else { continue };
            let work = &self.town.special_work[index];
            let haste = (speed_kmh / work.kind.advised_kmh()).clamp(0.5, 2.0);
            // Where the overhead itself throws collectors off, a worn one hardly adds to it.
            let vehicle = if work.out_of_true { vehicle / self.collector } else { vehicle };
            let own = self.loses_at.filter(|at| at.0 == index).map_or(0.0, |at| at.1);
            let chance = (work.pole_off_probability * vehicle * haste * haste + own).min(0.5);
            let staged = self.lose_at.is_some_and(|at| at.is_none_or(|wanted| wanted == index));
            if self.chance.happens(chance) || staged && speed_kmh > 6.0 {
                if staged {
                    self.lose_at = None;
                }
                let cause = if work.out_of_true {
                    "overhead"
                } else if own > 0.0 {
                    "this vehicle here"
                } else if self.collector > 5.0 {
                    "collector"
                } else if weather.ice {
                    "ice"
                } else if haste > 1.3 {
                    "speed"
                } else {
                    "chance"
                };
                self.lose_pole(machine, Some(index), cause, events);
                return true;
            }
            let dead = work.dead_m > 0.0 && (facing || !work.kind.is_set_by_current());
            events.push(Event::Work { work: index, dead, turns: self.turns() != 0.0 });
            if self.arcs.happens(arc_at_work(self.collector, weather, work.out_of_true)) {
                events.push(Event::Arc { work: Some(index), volts: self.arcs.between(180.0, 390.0) });
            }
            if dead {
                self.dead_until_m = at_m + work.dead_m;
                events.push(Event::Gap { work: index });
            }
        }
        if self.arcs.happens(arc_per_m(self.collector, weather) * (self.at_m - before_m)) {
            events.push(Event::Arc { work: None, volts: self.arcs.between(180.0, 390.0) });
        }
        let plain = PLAIN_WIRE_PER_M * (self.at_m - before_m) * vehicle;
        if speed_kmh > 8.0 && self.chance.happens(plain) {
            let cause = if self.collector > 5.0 { "collector" } else { "chance" };
            self.lose_pole(machine, None, cause, events);
            return true;
        }
        false
    }

    fn lose_pole(&mut self, machine: &mut Rolling, work: Option<usize>, cause: &'static str, events: &mut Vec<Event>) {
        // A worn collector is the right-hand one here.
        let side = if self.collector > 5.0 { 1 } else { self.chance.below(2) as usize };
        machine.poles.lose(side);
        self.orders.power = 0.0;
        events.push(Event::PoleOff { work, cause });
    }

    /// Brakes to a stand, walks round the vehicle, puts the poles back.
    fn put_back(&mut self, now_s: f64, ready_s: Option<f64>, machine: &mut Rolling) {
        self.orders.power = 0.0;
        self.orders.braking_ms2 = 1.1;
        self.at_m += machine.speed_ms * STEP_S;
        // Special work passed while braking has been passed with the poles down.
        while self.route.marks.get(self.next_special).is_some_and(|(at_m, _)| *at_m <= self.at_m) {
            self.next_special += 1;
        }
        if machine.speed_ms > 0.0 {
            return;
        }
        let Some(ready_s) = ready_s else {
            let seconds = 45.0 + self.chance.between(0.0, 70.0);
            self.doing = Doing::PoleLost { ready_s: Some(now_s + seconds) };
            return;
        };
        if now_s < ready_s {
            return;
        }
        machine.poles.raise();
        self.dead_until_m = -1.0;
        if machine.is_connected() {
            // A stop that was overrun while braking is left out, but not one where the wire changes or the way ends.
            while let Some(&(at_m, mark)) = self.route.marks.get(self.next_stop) {
                let skipped = at_m < self.at_m - 1.0 && !matches!(mark, Mark::Stop { always: true, .. });
                if !skipped {
                    break;
                }
                self.next_stop += 1;
            }
            self.doing = Doing::Driving;
        }
    }

    fn halt(&mut self, now_s: f64, mark: usize, machine: &mut Rolling) {
        machine.speed_ms = 0.0;
        self.orders.power = 0.0;
        self.orders.braking_ms2 = 1.0;
        let mut until_s = now_s + self.dwells[mark].unwrap_or(10.0);
        if mark + 1 == self.route.marks.len() {
            let departs_s = self.trips.get(self.trip + 1).map(|trip| trip.departs_s);
            until_s = until_s.max(departs_s.unwrap_or(now_s)).max(now_s + 45.0);
        }
        if self.trips.get(self.trip).is_some_and(|trip| trip.serves)
            && !matches!(self.route.marks[mark].1, Mark::Lights)
        {
            let leaving = self.chance.below(7).min(u64::from(self.passengers)) as u32;
            let joining = if mark + 1 == self.route.marks.len() { 0 } else { self.chance.below(8) as u32 };
            let leaving = if joining == 0 && mark + 1 == self.route.marks.len() { self.passengers } else { leaving };
            self.alighted += leaving;
            self.boarded += joining;
            self.passengers = (self.passengers - leaving + joining).min(90);
        }
        let can_soil = machine.is_connected() && until_s - now_s > SOILING_S;
        let soils = can_soil && (self.chance.happens(self.phantom) || self.soil_next);
        if soils {
            self.soil_next = false;
        }
        self.soil_at_s = soils.then_some(now_s + 4.0);
        self.doing = Doing::Standing { since_s: now_s, until_s, mark };
    }

    fn stand(
        &mut self,
        now_s: f64,
        (since_s, until_s, mark): (f64, f64, usize),
        machine: &mut Rolling,
        events: &mut Vec<Event>,
    ) {
        self.orders.power = 0.0;
        self.orders.braking_ms2 = 1.0;
        let wire = match self.route.marks[mark].1 {
            Mark::Stop { wire, .. } => wire,
            _ => Wire::Same,
        };
        let stood_s = now_s - since_s;
        let serving = self.trips.get(self.trip).is_some_and(|trip| trip.serves);
        let at_stop = serving && matches!(self.route.marks[mark].1, Mark::Stop { .. });
        let long = until_s - since_s > 60.0;
        let dwell = if long { stood_s < 30.0 || until_s - now_s < 35.0 } else { true };
        self.doors_open = at_stop && stood_s > 1.0 && until_s - now_s > 2.5 && dwell;
        if self.soil_at_s.is_some_and(|at_s| now_s >= at_s) {
            self.soil_at_s = None;
            machine.input.soil(2 + self.chance.below(3) as u32);
        }
        match wire {
            Wire::Ends => self.leave_wire(stood_s, machine, events),
            Wire::Begins => self.take_wire(stood_s, machine, events),
            Wire::Same => {}
        }
        let fed = if self.orders.stretch { wire != Wire::Begins } else { machine.is_connected() };
        if now_s >= until_s && fed && self.soil_at_s.is_none() {
            self.doors_open = false;
            self.leave(now_s, mark);
        }
    }

    fn leave_wire(&mut self, stood_s: f64, machine: &mut Rolling, events: &mut Vec<Event>) {
        if self.orders.stretch || stood_s < 3.0 {
            return;
        }
        self.off_wire_request = true;
        if stood_s > 4.5 {
            self.orders.line_wanted = false;
        }
        if stood_s > 6.0 {
            machine.poles.lower();
        }
        if machine.poles.are_down() {
            self.orders.stretch = true;
            events.push(Event::StretchBegins);
        }
    }

    fn take_wire(&mut self, stood_s: f64, machine: &mut Rolling, events: &mut Vec<Event>) {
        if !self.orders.stretch || stood_s < 2.0 {
            return;
        }
        machine.poles.raise();
        self.orders.line_wanted = machine.poles.both_in_contact();
        if machine.is_connected() {
            self.orders.stretch = false;
            self.off_wire_request = false;
            events.push(Event::StretchEnds);
        }
    }

    fn leave(&mut self, now_s: f64, mark: usize) {
        self.next_stop = mark + 1;
        if mark + 1 < self.route.marks.len() {
            self.doing = Doing::Driving;
            return;
        }
        if self.trip + 1 < self.trips.len() {
            self.trip += 1;
            self.set_out();
            self.doing = Doing::Driving;
        } else {
            self.yard_up_s = self.chance.between(YARD_UP_S.0, YARD_UP_S.1);
            let stays_s = self.yard_up_s + self.chance.between(200.0, 420.0);
            self.doing = Doing::Parked { since_s: now_s, until_s: now_s + stays_s };
        }
    }

    fn park(&mut self, now_s: f64, since_s: f64, until_s: f64, machine: &mut Rolling) {
        self.orders.braking_ms2 = 1.0;
        if now_s - since_s > self.yard_up_s {
            self.orders.line_wanted = false;
        }
        if now_s - since_s > self.yard_up_s + 1.5 {
            machine.poles.lower();
        }
        if now_s >= until_s {
            self.orders = Orders { braking_ms2: 1.0, ..Orders::default() };
            self.doing = Doing::Closing { until_s: now_s + CLOSING_S };
        }
    }

    /// How sharply the street bends under the vehicle, left positive.
    pub(crate) fn bend(&self) -> f64 {
        let index = self.route.leg_at(self.at_m);
        let near = |leg: usize| {
            self.route.legs.get(leg).map_or(0.0, |leg| {
                let from_end = (self.at_m - leg.start_m - leg.length_m).abs();
                if from_end < 12.0 { leg.bend_after * (1.0 - from_end / 12.0) } else { 0.0 }
            })
        };
        near(index) + if index > 0 { near(index - 1) } else { 0.0 }
    }

    /// Whether the poles hang free at rest: parked, and not waiting to be put back.
    pub(crate) fn is_parked(&self, poles: &Poles) -> bool {
        matches!(self.doing, Doing::Parked { .. } | Doing::MakingReady) && poles.are_down()
    }
}
