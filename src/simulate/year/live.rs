//! One vehicle through one service day at summary depth: tapes played one after the other under the day's weather, its
//! battery, its faults and its operators.
//!
//! Chances are those of the day-depth simulator, drawn at the same occasions: special work passed, metres of plain
//! wire, stops, time under current. What lasts less than a piece of a tape (sag under load, peaks) is taken from the
//! second of most power in it. Known differences to full depth are told in the year's tests.

use super::super::ServiceDay;
use super::super::battery::{Battery, State};
use super::super::chance::Chance;
use super::super::day::AirSensor;
use super::super::fleet::{Duty, Fault, Piece as Work, Sensor, Trip, Vehicle};
use super::super::rolling::{CONVERTER_EFFICIENCY, Flow, POOR_W, base_load, heating, limits, motor_after};
use super::super::route::Route;
use super::super::shift::{Manner, PLAIN_WIRE_PER_M, POLES_UP_AFTER_S, YARD_UP_S, arc_at_work, arc_per_m, loses_at};
use super::super::supply::Offer;
use super::super::town::{SpecialKind, Town};
use super::super::weather::{Weather, weather};
use super::columns::{Occurrence, RunFacts};
use super::tape::{Load, Mark, Met, Piece, Tapes};
use crate::frame::TimeUs;
use crate::run::CounterValue;

/// From the input's closing to a vehicle that is fed, after the poles are up. Unit: s.
const CONNECTING_S: f64 = 6.0;
/// Standing vehicles are reckoned in steps of so long. Unit: s.
const STANDING_S: f64 = 20.0;
/// From switching on to leaving the yard. Unit: s.
const MAKE_READY_S: f64 = 420.0;
/// Shortest stay at a terminal. Unit: s.
const TERMINAL_S: f64 = 45.0;
/// A stop on wet streets takes this much more traction. Unit: 1.
const WET: f64 = 1.025;
/// The third load of a piece is that of coasting.
const COASTING: usize = 2;
/// Position is told this exactly at summary depth. Unit: degrees.
const GRAIN: f64 = 1e-5;
/// What the yard's own standing is fed with.
const YARD: Offer = Offer { open_v: 642.0, ohm: 0.15, receptive_a: 130.0 };

/// Counters that are 0 where nothing occurred.
pub(super) const COUNTS: &[&str] = &[
    "pole_offs",
    "section_gaps",
    "unknown_gaps",
    "off_wire_changes",
    "parkings_poles_down",
    "phantom_voltages",
    "contactor_dropouts",
    "battery_timeouts",
    "ambient_sensor_outages",
    "motor_sensor_outages",
    "flashes",
    "section_gaps_under_current",
    "coast_switches_under_current",
    "power_switches_starved",
    "collectors_apart",
];
/// So much current sets a switch. Unit: A.
const SETS_A: f64 = 40.0;
/// Less current than this draws no arc. Unit: A.
const ARC_A: f64 = 45.0;
/// Standing with the poles up counts as parked after so long. Unit: s.
const PARKED_AFTER_S: f64 = 30.0;

/// Why a pole left its wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) enum Cause {
    Overhead,
    Vehicle,
    Collector,
    Operator,
    Ice,
    Speed,
    Chance,
}

impl Cause {
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Overhead => "overhead",
            Self::Vehicle => "this vehicle here",
            Self::Collector => "collector",
            Self::Operator => "operator",
            Self::Ice => "ice",
            Self::Speed => "speed",
            Self::Chance => "chance",
        }
    }
}

/// A pole-off and its cause.
#[derive(Debug, Clone, Copy)]
pub(super) struct PoleOff {
    pub(super) work: Option<usize>,
    pub(super) cause: Cause,
    pub(super) operator: u16,
}

/// Who drove what.
#[derive(Debug, Clone, Copy)]
pub(super) struct Drove {
    pub(super) from_us: TimeUs,
    pub(super) to_us: TimeUs,
    pub(super) operator: u16,
    pub(super) line: u8,
}

/// What a vehicle-day came to.
#[derive(Debug, Default)]
pub(super) struct Lived {
    pub(super) runs: Vec<RunFacts>,
    pub(super) pole_offs: Vec<PoleOff>,
    pub(super) drove: Vec<Drove>,
    /// Planned stretches on the battery.
    pub(super) stretches: u64,
    /// Times the battery gave up.
    pub(super) timeouts: u64,
    /// Driven. Unit: km.
    pub(super) km: f64,
    /// Under wires with the poles up. Unit: km.
    pub(super) wired_km: f64,
    /// The same in the wet, and under ice. Unit: km.
    pub(super) wet_km: f64,
    pub(super) ice_km: f64,
    /// Hottest of the battery. Unit: °C.
    pub(super) hottest_c: f64,
    /// Passages of special work with the poles up, by its index.
    pub(super) passages: Vec<u32>,
}

/// What is the same for all vehicles of a day.
pub(super) struct Today<'a> {
    pub(super) seed: u64,
    pub(super) town: &'a Town,
    pub(super) tapes: &'a Tapes,
    pub(super) day: ServiceDay,
    /// Times as many pole-offs, by operator.
    pub(super) heaviness: &'a (dyn Fn(u16) -> f64 + Sync),
}

/// Sums of a run.
#[derive(Debug, Clone, Default)]
struct Sums {
    start_s: f64,
    line_j: f64,
    back_j: f64,
    battery_out_j: f64,
    battery_in_j: f64,
    drawn_as: f64,
    m: f64,
    off_wire_m: f64,
    off_wire_s: f64,
    parked_down_s: f64,
    parked_up_s: f64,
    parked_j: f64,
    detection_low: Extreme,
    coasting_s: f64,
    low_line_s: f64,
    battery_cs: f64,
    ambient_cs: f64,
    s: f64,
    missing_s: [f64; 3],
    battery_peak: Extreme,
    motor_peak: Extreme,
    ambient_peak: Extreme,
    charge_low: Extreme,
    volts_low: Extreme,
    line_low: Extreme,
    line_high: Extreme,
    current_peak: Extreme,
}

/// A highest or lowest value and when. Unit of time: s since the service day began.
#[derive(Debug, Clone, Copy, Default)]
struct Extreme(Option<(f64, f64)>);

impl Extreme {
    fn raise(&mut self, value: f64, now_s: f64) {
        if self.0.is_none_or(|known| value > known.0) {
            self.0 = Some((value, now_s));
        }
    }

    fn lower(&mut self, value: f64, now_s: f64) {
        if self.0.is_none_or(|known| value < known.0) {
            self.0 = Some((value, now_s));
        }
    }
}

/// Where the power comes from.
#[derive(Debug, Clone, Copy)]
enum Feed {
    Line(Offer),
    /// An off-wire stretch.
    Stretch,
    /// Poles down and no stretch.
    Battery,
}

/// Drives a vehicle through a service day.
pub(super) fn live(today: &Today, vehicle: &Vehicle, duty: &Duty, battery: Battery) -> Lived {
    let mut life = Life::new(today, vehicle, battery);
    for work in &duty.pieces {
        life.work(duty, work);
    }
    life.lived.hottest_c = life.hottest_c;
    life.lived
}

struct Life<'a> {
    today: &'a Today<'a>,
    vehicle: &'a Vehicle,
    battery: Battery,
    motor_c: f64,
    hottest_c: f64,
    now_s: f64,
    weather: Weather,
    weather_until_s: f64,
    sums: Sums,
    lived: Lived,
    occurrences: Vec<Occurrence>,
    /// Where on the present way: for what happens between marks.
    degrees: (f64, f64),
    collector: f64,
    phantom: f64,
    dropouts_per_hour: f64,
    outages: Vec<(Sensor, f64)>,
    /// Degrees and times an hour at which the collectors ride apart.
    apart: (f64, f64),
    loses_at: Option<(usize, f64)>,
    charges_in_yard: bool,
    in_yard: bool,
    parked: bool,
    coasts: bool,
    sensor: AirSensor,
    said_c: f64,
    arcs: Chance,
    poles: Chance,
    stops: Chance,
    ailments: Chance,
    manner: Chance,
    wander: Chance,
    whims: Chance,
}

impl<'a> Life<'a> {
    fn new(today: &'a Today, vehicle: &'a Vehicle, mut battery: Battery) -> Self {
        let stream = |subject| Chance::of(today.seed, subject, &[vehicle.number.into(), today.day.local_day() as u64]);
        let fault = |of: &dyn Fn(&Fault) -> Option<f64>| vehicle.faults.iter().find_map(of);
        let air = weather(today.seed, today.day.local_day(), f64::from(today.day.start_hour()));
        battery.temperature_c = garage_c(&air) + 2.0;
        let collector = fault(&|f| if let Fault::BadCollector { factor } = f { Some(*factor) } else { None });
        let phantom = fault(&|f| if let Fault::PhantomVoltage { probability } = f { Some(*probability) } else { None });
        let dropouts =
            fault(&|f| if let Fault::IntermittentContactor { per_hour } = f { Some(*per_hour) } else { None });
        let outage = |fault: &Fault| match fault {
            Fault::SensorDropOut { sensor, per_hour } => Some((*sensor, *per_hour)),
            _ => None,
        };
        Self {
            today,
            vehicle,
            battery,
            motor_c: garage_c(&air),
            hottest_c: f64::NEG_INFINITY,
            now_s: 0.0,
            weather: air,
            weather_until_s: 0.0,
            sums: Sums::default(),
            lived: Lived { passages: vec![0; today.town.special_work.len()], ..Lived::default() },
            occurrences: Vec::new(),
            degrees: (0.0, 0.0),
            collector: collector.unwrap_or(1.0),
            phantom: phantom.unwrap_or(0.0),
            dropouts_per_hour: dropouts.unwrap_or(0.0),
            outages: vehicle.faults.iter().filter_map(outage).collect(),
            apart: vehicle.faults.iter().find_map(apart).unwrap_or_default(),
            loses_at: vehicle.faults.iter().find_map(|fault| loses_at(today.town, fault)),
            charges_in_yard: !vehicle.faults.contains(&Fault::NoYardCharge),
            in_yard: false,
            parked: false,
            coasts: false,
            sensor: AirSensor::of(vehicle),
            said_c: air.air_c,
            arcs: stream("year arcs"),
            poles: stream("year poles"),
            stops: stream("year stops"),
            ailments: stream("year ailments"),
            manner: stream("year manner"),
            wander: stream("year wander"),
            whims: stream("year whims"),
        }
    }

    fn time_us(&self, s: f64) -> TimeUs {
        self.today.day.start_us() + (s * 1e3).round() as i64 * 1_000
    }

    fn work(&mut self, duty: &Duty, work: &Work) {
        let rest_s = work.active_s - self.now_s;
        if rest_s > 0.0 {
            self.now_s = work.active_s;
            self.look_out();
            let garage_c = garage_c(&self.weather);
            self.battery.rest(if self.lived.runs.is_empty() { 0.0 } else { rest_s }, garage_c);
            self.motor_c = garage_c + (self.motor_c - garage_c) * libm::exp(-rest_s / 7_000.0);
        }
        self.sums = Sums { start_s: self.now_s, ..Sums::default() };
        self.weather_until_s = self.now_s;
        let trips = duty.trips(self.today.town, work);
        let Some(first) = trips.first() else { return };
        self.degrees = self.place_degrees(first.places.first().copied());
        // Making ready, the first of it with the poles still down.
        let start_s = self.now_s;
        let down_s = POLES_UP_AFTER_S + CONNECTING_S;
        self.in_yard = true;
        self.stand(down_s, Feed::Battery);
        self.park_down(start_s + 30.0, start_s + POLES_UP_AFTER_S);
        self.park_up(MAKE_READY_S - down_s);
        self.in_yard = false;
        let manner = Manner::of(work.operator);
        let handling = manner.handling * (self.today.heaviness)(work.operator);
        let mut on_battery = false;
        for (index, trip) in trips.iter().enumerate() {
            let stays_s = (trip.departs_s - self.now_s).max(0.0);
            let feed = if on_battery { Feed::Stretch } else { Feed::Line(YARD) };
            self.stand(stays_s, feed);
            on_battery = self.trip(trip, work, handling, on_battery);
            if index + 1 < trips.len() {
                self.stand(TERMINAL_S, if on_battery { Feed::Stretch } else { Feed::Line(YARD) });
            }
        }
        // Parked, first with the poles up, then down.
        self.in_yard = true;
        let up_s = self.manner.between(YARD_UP_S.0, YARD_UP_S.1);
        self.park_up(TERMINAL_S + up_s);
        let start_s = self.now_s;
        let stays_s = self.manner.between(200.0, 420.0);
        self.stand(stays_s, Feed::Battery);
        self.park_down(start_s + 4.0 + 30.0, start_s + stays_s);
        self.in_yard = false;
        self.finish(duty, work);
    }

    fn place_degrees(&self, place: Option<usize>) -> (f64, f64) {
        place.map_or((0.0, 0.0), |place| self.today.town.places[place].degrees())
    }

    /// Stands in the yard with the poles up.
    fn park_up(&mut self, seconds: f64) {
        self.stand(PARKED_AFTER_S, Feed::Line(YARD));
        self.parked = true;
        self.stand(seconds - PARKED_AFTER_S, Feed::Line(YARD));
        self.parked = false;
    }

    /// One parking with the poles down, counted from a moment on.
    fn park_down(&mut self, from_s: f64, to_s: f64) {
        self.sums.parked_down_s += (to_s - from_s).max(0.0);
        self.occur("parkings_poles_down", from_s, Some(to_s), Vec::new());
    }

    fn occur(&mut self, counter: &'static str, at_s: f64, end_s: Option<f64>, kept: Vec<(&'static str, f64)>) {
        let occurrence = Occurrence {
            counter,
            time_us: self.time_us(at_s),
            end_us: end_s.map(|end_s| self.time_us(end_s)),
            degrees: self.degrees,
            amount: 1.0,
            kept,
        };
        self.occurrences.push(occurrence);
    }

    /// Sets where the vehicle believes it is.
    fn set_place(&mut self, route: &Route, at_m: f64) {
        let (latitude, longitude) = route.degrees(at_m);
        let (north_m, east_m) = (1.6 * self.wander.bell(), 1.6 * self.wander.bell());
        let grain = |degrees: f64| (degrees / GRAIN).round() * GRAIN;
        self.degrees = (grain(latitude + north_m / 111_320.0), grain(longitude + east_m / 79_670.0));
    }

    /// Stands for so long.
    fn stand(&mut self, seconds: f64, feed: Feed) {
        let until_s = self.now_s + seconds;
        while self.now_s < until_s - 1e-6 {
            let s = (until_s - self.now_s).min(STANDING_S);
            self.flow(Load { s, ..Load::default() }, feed);
            self.warm_motor(s, (0.0, 0.0, 0.0));
        }
    }

    fn warm_motor(&mut self, s: f64, load: (f64, f64, f64)) {
        let air_c = self.weather.air_c;
        self.motor_c = motor_after(self.vehicle.build, self.motor_c, air_c, load, s);
        self.sums.motor_peak.raise(self.motor_c, self.now_s);
    }

    /// Drives a trip; whether the battery feeds the vehicle at its end.
    fn trip(&mut self, trip: &Trip, work: &Work, handling: f64, on_battery: bool) -> bool {
        let tapes = self.today.tapes;
        let Some(way) = tapes.of(&trip.places, self.vehicle.build) else { return on_battery };
        let Some(tape) = way.drives.get(self.manner.below(way.drives.len() as u64) as usize) else { return on_battery };
        let mut marks = tape.marks.iter().peekable();
        let mut on_battery = on_battery;
        // Left on the wire until then, after a pole-off. Unit: m.
        let mut poles_down_until_m = -1.0;
        for (index, piece) in tape.pieces.iter().enumerate() {
            let start_s = self.now_s;
            while let Some(mark) = marks.next_if(|mark| mark.piece <= index) {
                if mark.at_m >= poles_down_until_m
                    && let Some(lost_m) = self.meet(&way.route, mark, start_s + mark.s, work, handling)
                {
                    poles_down_until_m = lost_m;
                }
            }
            on_battery = piece.stretch;
            self.set_rough_place(&way.route, piece.at_m);
            self.play(piece, &way.route, work, handling);
        }
        on_battery
    }

    /// Where the vehicle is, without the wander of its receiver: for what is rare and not looked at closely.
    fn set_rough_place(&mut self, route: &Route, at_m: f64) {
        self.degrees = route.degrees(at_m);
    }

    /// Meets a mark. Gives up to where on the way the poles are down, if one was lost.
    fn meet(&mut self, route: &Route, mark: &Mark, at_s: f64, work: &Work, handling: f64) -> Option<f64> {
        match mark.met {
            Met::StretchBegins => {
                self.lived.stretches += 1;
                self.battery.begin_stretch(&mut self.whims);
                self.set_place(route, mark.at_m);
                let kept = vec![
                    ("off_wire_battery.state_of_charge", (100.0 * self.battery.charge).max(0.0)),
                    ("off_wire_battery.temperature_highest", self.battery.temperature_c),
                ];
                self.occur("off_wire_changes", at_s, None, kept);
                self.occur("off_wire_stretches_by_manager", at_s + 0.5, None, Vec::new());
            }
            Met::Stop => {
                if self.stops.happens(self.phantom) {
                    let times = 1 + self.stops.below(3);
                    for turn in 0..times {
                        self.set_place(route, mark.at_m);
                        let kept = vec![
                            ("line_input.line_voltage", 9.0),
                            ("line_input.filter_voltage", 596.0),
                            ("ambient.ambient_temperature", self.ambient_c()),
                        ];
                        self.occur("phantom_voltages", at_s + 6.0 + 2.0 * turn as f64, Some(at_s + 6.4), kept);
                    }
                }
            }
            Met::Work { work: index, dead, turns } => {
                self.lived.passages[index] += 1;
                let special = &self.today.town.special_work[index];
                let haste = (mark.speed_kmh / special.kind.advised_kmh()).clamp(0.5, 2.0);
                let vehicle = self.proneness(handling) / if special.out_of_true { self.collector } else { 1.0 };
                let here = self.loses_at.filter(|at| at.0 == index).map_or(0.0, |at| at.1);
                let chance = (special.pole_off_probability * vehicle * haste * haste + here).min(0.5);
                if self.poles.happens(chance) {
                    let own = if special.out_of_true {
                        Some(Cause::Overhead)
                    } else {
                        (here > 0.0).then_some(Cause::Vehicle)
                    };
                    let cause = own.unwrap_or_else(|| self.cause(work.operator, haste));
                    return Some(self.lose_pole(route, mark, at_s, Some(index), cause, work));
                }
                let drawn_a = self.drawn_a(mark);
                let arc = self.arcs.happens(arc_at_work(self.collector, &self.weather, special.out_of_true));
                if arc && drawn_a > ARC_A {
                    self.flash(route, mark.at_m, at_s + 0.6, mark.speed_kmh, drawn_a);
                }
                if dead {
                    self.set_place(route, mark.at_m);
                    let gap_s = special.dead_m / (mark.speed_kmh / 3.6).max(1.0);
                    let kept = vec![
                        ("motion.speed", mark.speed_kmh),
                        ("line_input.line_current", 0.0),
                        ("driver.power_pedal", 100.0 * mark.pedal),
                    ];
                    if gap_s > 0.12 {
                        self.occur("section_gaps", at_s + 0.12, Some(at_s + gap_s), kept);
                        self.pass_set_switch(special.kind, mark, at_s, gap_s, drawn_a, turns);
                    }
                }
            }
        }
        None
    }

    /// Gaps in which it matters what was drawn before.
    fn pass_set_switch(&mut self, kind: SpecialKind, mark: &Mark, at_s: f64, gap_s: f64, drawn_a: f64, turns: bool) {
        let under_current = drawn_a > SETS_A;
        let counter = match kind {
            SpecialKind::SectionGap if under_current => "section_gaps_under_current",
            SpecialKind::CoastSwitch if under_current => "coast_switches_under_current",
            SpecialKind::PowerSwitch if turns && !under_current => "power_switches_starved",
            _ => return,
        };
        let heating_w = heating(self.vehicle.build, self.weather.air_c, true, false);
        let kept = vec![
            ("motion.speed", mark.speed_kmh),
            ("driver.power_pedal", 100.0 * mark.pedal),
            ("auxiliaries.heating_power", heating_w / 1_000.0),
            // Which way is not on the tape.
            ("driver.turn_indicator", 1.0),
        ];
        self.occur(counter, at_s + 0.12, Some(at_s + gap_s), kept);
    }

    /// Line current at a mark. Unit: A.
    fn drawn_a(&self, mark: &Mark) -> f64 {
        let build = self.vehicle.build;
        let own_w = base_load(build, false) + heating(build, self.weather.air_c, true, false);
        let charging_w = if mark.charges { self.battery.most_in_w(false) } else { 0.0 };
        ((mark.driven_w + own_w + charging_w) / YARD.open_v).min(limits(build).2)
    }

    fn flash(&mut self, route: &Route, at_m: f64, at_s: f64, speed_kmh: f64, drawn_a: f64) {
        self.set_place(route, at_m);
        let kept = vec![
            ("motion.speed", speed_kmh),
            ("line_input.line_voltage", self.arcs.between(180.0, 390.0)),
            ("line_input.line_current", drawn_a),
            ("ambient.ambient_temperature", self.said_c),
        ];
        self.occur("flashes", at_s, Some(at_s + 0.05), kept);
    }

    /// Times as many pole-offs as a sound collector in fair weather has.
    fn proneness(&self, handling: f64) -> f64 {
        let air = if self.weather.ice { 3.0 } else { 1.0 } * if self.weather.wet { 1.2 } else { 1.0 };
        self.collector * air * handling
    }

    fn cause(&self, operator: u16, haste: f64) -> Cause {
        if self.collector > 5.0 {
            Cause::Collector
        } else if self.weather.ice {
            Cause::Ice
        } else if (self.today.heaviness)(operator) > 1.5 {
            Cause::Operator
        } else if haste > 1.3 {
            Cause::Speed
        } else {
            Cause::Chance
        }
    }

    fn lose_pole(
        &mut self,
        route: &Route,
        mark: &Mark,
        at_s: f64,
        special: Option<usize>,
        cause: Cause,
        work: &Work,
    ) -> f64 {
        self.set_place(route, mark.at_m);
        let right = if self.collector > 5.0 { true } else { self.poles.happens(0.5) };
        let swing = 4.0 + 6.0 * self.poles.bell().clamp(-1.5, 1.5);
        let (left_swing, right_swing) = if right { (swing, 34.0) } else { (-34.0, swing) };
        let kept = vec![
            ("motion.speed", mark.speed_kmh),
            ("line_input.line_current", 0.0),
            ("poles.left_contact", f64::from(u8::from(right))),
            ("poles.right_contact", f64::from(u8::from(!right))),
            ("poles.left_swing", left_swing),
            ("poles.right_swing", right_swing),
            ("vehicle_identity.operator_code", f64::from(work.operator)),
            ("vehicle_identity.line_number", f64::from(work.duty / 1_000)),
        ];
        self.occur("pole_offs", at_s + 0.45, Some(at_s + 1.1), kept);
        self.lived.pole_offs.push(PoleOff { work: special, cause, operator: work.operator });
        // Braking, walking round the vehicle, putting the poles back.
        let seconds = 8.0 + 45.0 + self.poles.between(0.0, 70.0) + CONNECTING_S;
        self.stand(seconds, Feed::Battery);
        let ms = mark.speed_kmh / 3.6;
        mark.at_m + ms * ms / 2.2
    }

    fn play(&mut self, piece: &Piece, route: &Route, work: &Work, handling: f64) {
        let start_s = self.now_s;
        let feed = if piece.stretch {
            Feed::Stretch
        } else if piece.connected > 0.5 {
            Feed::Line(piece.offer)
        } else {
            Feed::Battery
        };
        let stretched = self.give(piece, feed);
        // Slower, it takes as much work, by so much less force.
        let load = (piece.wheel_w / stretched, piece.effort_2 / (stretched * stretched), piece.m / piece.s / stretched);
        self.warm_motor(piece.s * stretched, load);
        self.sums.m += piece.m;
        self.lived.km += piece.m / 1_000.0;
        if let Feed::Stretch = feed {
            self.sums.off_wire_m += piece.m;
        }
        if let Feed::Line(_) = feed {
            self.lived.wired_km += piece.m / 1_000.0;
            self.lived.wet_km += if self.weather.wet { piece.m / 1_000.0 } else { 0.0 };
            self.lived.ice_km += if self.weather.ice { piece.m / 1_000.0 } else { 0.0 };
            self.drop_out(piece, start_s);
            self.ride_apart(piece, route, start_s);
            let powered_m = piece.m * piece.powered_s / piece.s;
            if self.arcs.happens((arc_per_m(self.collector, &self.weather) * powered_m).min(1.0)) {
                let drawn_a = (piece.loads[0].driven_w / YARD.open_v).clamp(ARC_A, limits(self.vehicle.build).2);
                self.flash(route, piece.at_m, start_s, 3.6 * piece.m / piece.s, drawn_a);
            }
            let plain = PLAIN_WIRE_PER_M * piece.m * self.proneness(handling);
            if piece.fastest_ms > 8.0 / 3.6 && self.poles.happens(plain) {
                let cause = if self.collector > 5.0 { Cause::Collector } else { Cause::Chance };
                let speed_kmh = 3.6 * piece.m / piece.s;
                let (at_m, met) = (piece.at_m, Met::Stop);
                let mark = Mark { piece: 0, s: 0.0, at_m, met, speed_kmh, pedal: 0.0, driven_w: 0.0, charges: false };
                self.lose_pole(route, &mark, self.now_s, None, cause, work);
            }
        }
        self.lose_sensors(piece);
    }

    /// Gives a piece what it needs; how many times as long it took.
    fn give(&mut self, piece: &Piece, feed: Feed) -> f64 {
        let mut seconds = 0.0;
        for (index, load) in piece.loads.iter().enumerate().filter(|(_, load)| load.s > 0.0) {
            let driven_w = load.driven_w * if self.weather.wet { WET } else { 1.0 };
            let mut load = Load { driven_w, ..*load };
            if let Feed::Stretch = feed {
                // A battery that has given up rests first; one that gives little lets the vehicle creep.
                while self.battery.state == State::Exhausted {
                    self.flow(Load { s: 1.0, ..Load::default() }, feed);
                    seconds += 1.0;
                }
                let poor = self.battery.most_out_w() < POOR_W;
                let own_w = base_load(self.vehicle.build, poor);
                let offered_w = (self.battery.most_out_w() * CONVERTER_EFFICIENCY - own_w).max(2_000.0);
                let times = (load.driven_w / offered_w).max(1.0);
                load = Load { s: load.s * times, driven_w: load.driven_w / times, ..load };
            }
            seconds += load.s;
            self.coasts = index == COASTING;
            self.flow(load, feed);
            self.coasts = false;
        }
        if let Feed::Line(offer) = feed {
            let aux_w =
                base_load(self.vehicle.build, false) + heating(self.vehicle.build, self.weather.air_c, true, false);
            let charging_a = self.charging_a(piece, &offer, aux_w);
            let (volts, peak_a) =
                offer.at((piece.loads[0].driven_w + aux_w).min(offer.most_w(limits(self.vehicle.build).2)));
            self.sums.current_peak.raise((peak_a + charging_a).min(limits(self.vehicle.build).2), self.now_s);
            self.sums.line_low.lower(volts, self.now_s);
            if volts < 480.0 {
                self.sums.low_line_s += piece.loads[0].s;
            }
            let (high_v, _) = offer.at(-(piece.loads[3].back_w - aux_w).clamp(0.0, offer.most_back_w()));
            self.sums.line_high.raise(high_v, self.now_s);
            if aux_w / offer.open_v.max(400.0) > 40.0 {
                self.sums.coasting_s += piece.coasting_s;
            }
        }
        (seconds / piece.s.max(0.05)).max(1.0)
    }

    fn charging_a(&self, piece: &Piece, offer: &Offer, aux_w: f64) -> f64 {
        let need_w = piece.loads[1].driven_w + aux_w;
        let takes_w = (self.battery.most_in_w(false), 0.0);
        let flow = Flow::of(need_w, Some((offer, limits(self.vehicle.build).2)), takes_w);
        -flow.battery_w / CONVERTER_EFFICIENCY / offer.open_v.max(400.0)
    }

    /// Some seconds of power.
    fn flow(&mut self, load: Load, feed: Feed) {
        self.look_out();
        let build = self.vehicle.build;
        let connected = matches!(feed, Feed::Line(_));
        let poor = !connected && self.battery.most_out_w() < POOR_W;
        let aux_w = base_load(build, poor) + heating(build, self.weather.air_c, connected, poor);
        let need_w = load.driven_w - load.back_w + aux_w;
        let offer = if let Feed::Line(offer) = feed { Some(offer) } else { None };
        let line = offer.as_ref().map(|offer| (offer, limits(build).2));
        let charges = !self.coasts && (self.charges_in_yard || !self.in_yard);
        let charging_w = if charges { self.battery.most_in_w(false) } else { 0.0 };
        let flow = Flow::of(need_w, line, (charging_w, self.battery.most_in_w(true)));
        let stretch = matches!(feed, Feed::Stretch);
        let gave_up = self.battery.step(load.s, flow.battery_w, self.weather.air_c.max(-5.0), stretch);
        self.now_s += load.s;
        let (now_s, s) = (self.now_s, load.s);
        let sums = &mut self.sums;
        sums.line_j += flow.line_w.max(0.0) * s;
        sums.back_j += (-flow.line_w).max(0.0) * s;
        let terminal_w = self.battery.volts * self.battery.amperes;
        sums.battery_out_j += terminal_w.max(0.0) * s;
        sums.battery_in_j += (-terminal_w).max(0.0) * s;
        sums.drawn_as += self.battery.amperes.max(0.0) * s;
        if self.parked {
            sums.parked_up_s += s;
            sums.parked_j += (-terminal_w).max(0.0) * s;
        }
        sums.s += s;
        sums.battery_cs += self.battery.temperature_c * s;
        sums.battery_peak.raise(self.battery.temperature_c, now_s);
        sums.charge_low.lower((100.0 * self.battery.charge).max(0.0), now_s);
        self.hottest_c = self.hottest_c.max(self.battery.temperature_c);
        if stretch {
            sums.off_wire_s += s;
            sums.volts_low.lower(self.battery.volts, now_s);
        }
        let ambient_c = self.ambient_c();
        self.sums.ambient_cs += ambient_c * s;
        self.sums.ambient_peak.raise(ambient_c, now_s);
        if gave_up {
            self.give_up();
        }
    }

    fn give_up(&mut self) {
        self.lived.timeouts += 1;
        let now_s = self.now_s;
        let kept = vec![
            ("off_wire_battery.voltage", self.battery.volts),
            ("off_wire_battery.current", self.battery.amperes),
            ("off_wire_battery.state_of_charge", (100.0 * self.battery.charge).max(0.0)),
            ("off_wire_battery.temperature_highest", self.battery.temperature_c),
            ("motion.speed", 18.0),
            ("ambient.ambient_temperature", self.ambient_c()),
        ];
        self.occur("battery_timeouts", now_s, Some(now_s + 40.0), kept);
        self.occur("battery_timeouts_by_manager", now_s + 0.7, None, Vec::new());
    }

    /// What the ambient sensor says. Unit: °C.
    fn ambient_c(&self) -> f64 {
        self.said_c
    }

    fn look_out(&mut self) {
        if self.now_s >= self.weather_until_s {
            self.weather_until_s = self.now_s + 120.0;
            let hour = f64::from(self.today.day.start_hour()) + self.now_s / 3_600.0;
            self.weather = weather(self.today.seed, self.today.day.local_day(), hour);
            let sun = self.sensor.sun(self.today.seed, &self.today.day, hour);
            self.said_c = self.weather.air_c + self.sensor.kelvin * sun;
            let detection_m = self.sensor.detection_m(self.said_c);
            self.sums.detection_low.lower(detection_m, self.now_s);
        }
    }

    fn ride_apart(&mut self, piece: &Piece, route: &Route, start_s: f64) {
        let (degrees, per_hour) = self.apart;
        let chance = 2.0 * per_hour / 3_600.0 * piece.shaken_s;
        if chance > 0.0 && self.ailments.happens(chance.min(1.0)) {
            let seconds = self.ailments.between(12.0, 50.0);
            self.set_place(route, piece.at_m);
            let swing = 4.0 + 6.0 * self.ailments.bell().clamp(-1.5, 1.5);
            let kept = vec![
                ("motion.speed", 3.6 * piece.m / piece.s),
                ("poles.spread", degrees.min(26.0)),
                ("poles.left_swing", swing),
                ("poles.right_swing", swing + degrees),
            ];
            self.occur("collectors_apart", start_s + 2.5, Some(start_s + seconds), kept);
        }
    }

    fn drop_out(&mut self, piece: &Piece, start_s: f64) {
        let chance = 3.0 * self.dropouts_per_hour / 3_600.0 * piece.shaken_s;
        if chance > 0.0 && self.ailments.happens(chance.min(1.0)) {
            let seconds = self.ailments.between(0.4, 1.5);
            let kept = vec![
                ("line_input.line_voltage", piece.offer.open_v),
                ("line_input.line_current", 0.0),
                ("line_input.filter_voltage", 590.0),
                ("motion.speed", 3.6 * piece.m / piece.s),
                ("auxiliaries.low_voltage", 27.6),
            ];
            self.occur("contactor_dropouts", start_s + 0.2, Some(start_s + seconds), kept);
        }
    }

    fn lose_sensors(&mut self, piece: &Piece) {
        for index in 0..self.outages.len() {
            let (sensor, per_hour) = self.outages[index];
            if self.ailments.happens((2.0 * per_hour / 3_600.0 * piece.shaken_s).min(1.0)) {
                let seconds = self.ailments.between(5.0, 70.0);
                // Missing for a rule's `for` before it counts.
                let (counter, hold_s) = match sensor {
                    Sensor::Ambient => ("ambient_sensor_outages", 3.0),
                    Sensor::Motor => ("motor_sensor_outages", 0.5),
                    Sensor::Battery => ("", 1.0),
                };
                self.sums.missing_s[sensor.index()] += seconds - hold_s;
                let now_s = self.now_s;
                let kept = vec![("motion.speed", 3.6 * piece.m / piece.s), ("traction_drive.motor_torque", 0.0)];
                self.occur(counter, now_s + hold_s, Some(now_s + seconds), kept);
            }
        }
    }

    fn finish(&mut self, duty: &Duty, work: &Work) {
        let end_s = self.now_s;
        let sums = std::mem::take(&mut self.sums);
        let mut occurrences = std::mem::take(&mut self.occurrences);
        occurrences.sort_by_key(|occurrence| occurrence.time_us);
        let number = CounterValue::Number;
        let growth = |counter: &str| {
            let amount = occurrences.iter().filter(|o| o.counter == counter).count() as f64;
            CounterValue::Growth { amount, resets: 0 }
        };
        let kwh = |joules: f64| number(joules / 3.6e6);
        let extreme = |extreme: Extreme| {
            let (value, at_s) = extreme.0?;
            Some(CounterValue::Extreme { value, at_us: self.time_us(at_s) })
        };
        let mut values = vec![
            ("distance", number(sums.m / 1_000.0)),
            ("off_wire_distance", number(sums.off_wire_m / 1_000.0)),
            ("off_wire_time", number(sums.off_wire_s)),
            ("energy_from_line", kwh(sums.line_j)),
            ("energy_to_line", kwh(sums.back_j)),
            ("energy_from_battery", kwh(sums.battery_out_j)),
            ("energy_into_battery", kwh(sums.battery_in_j)),
            ("battery_charge_drawn", number(sums.drawn_as / 3_600.0)),
            ("parked_poles_down_time", number(sums.parked_down_s)),
            ("parked_poles_up_time", number(sums.parked_up_s)),
            ("charged_parked", kwh(sums.parked_j)),
            ("coasting_under_current_time", number(sums.coasting_s)),
            ("low_line_voltage_time", number(sums.low_line_s)),
            ("battery_timeouts_by_manager", growth("battery_timeouts_by_manager")),
            ("off_wire_stretches_by_manager", growth("off_wire_changes")),
            ("battery_temperature_mean", number(sums.battery_cs / sums.s.max(1.0))),
            ("ambient_temperature_mean", number(sums.ambient_cs / sums.s.max(1.0))),
            ("ambient_sensor_missing_time", number(sums.missing_s[0])),
            ("motor_sensor_missing_time", number(sums.missing_s[1])),
            ("battery_sensor_missing_time", number(sums.missing_s[2])),
        ];
        let extremes = [
            ("battery_temperature_peak", sums.battery_peak),
            ("motor_temperature_peak", sums.motor_peak),
            ("ambient_temperature_peak", sums.ambient_peak),
            ("state_of_charge_low", sums.charge_low),
            ("battery_voltage_low", sums.volts_low),
            ("line_voltage_low", sums.line_low),
            ("line_voltage_peak", sums.line_high),
            ("line_current_peak", sums.current_peak),
            ("detection_distance_lowest", sums.detection_low),
        ];
        values.extend(extremes.into_iter().filter_map(|(name, of)| Some((name, extreme(of)?))));
        let (start_us, end_us) = (self.time_us(sums.start_s), self.time_us(end_s));
        self.lived.drove.push(Drove { from_us: start_us, to_us: end_us, operator: work.operator, line: duty.line });
        self.lived.runs.push(RunFacts { start_us, end_us, values, occurrences, known_counts: COUNTS });
    }
}

fn apart(fault: &Fault) -> Option<(f64, f64)> {
    match fault {
        Fault::CollectorsApart { degrees, per_hour } => Some((*degrees, *per_hour)),
        _ => None,
    }
}

/// Vehicles stand the night under a roof, a little warmer than the street.
fn garage_c(weather: &Weather) -> f64 {
    (weather.air_c + 3.0).max(4.0)
}
