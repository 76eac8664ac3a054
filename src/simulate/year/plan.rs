//! What is planted in a year: which vehicle has what, from when to when.
//!
//! Days are counted since 1970-01-01. The plan gives the fleet as it stands on any day, so that a day of the year can
//! also be simulated at full depth.

use super::super::chance::Chance;
use super::super::fleet::{Build, Fault, Fleet, Roster, Sensor, Vehicle, pseudonym};
use super::super::town::Town;

/// Operators; a prime number.
pub(super) const OPERATORS: u16 = 151;
/// The one who loses poles more often, by index, and how much more.
const HEAVY_OPERATOR: (u16, f64) = (29, 3.0);

/// An off-wire battery pack.
#[derive(Debug, Clone)]
pub(super) struct Pack {
    /// Its own number.
    pub(super) id: String,
    /// Usable charge against a new one, on the first day of the year, and what it loses a year.
    pub(super) capacity: f64,
    pub(super) fade: f64,
    /// Times the resistance that its age gives, on the first day, and what it gains a year.
    pub(super) resistance: f64,
    pub(super) resistance_gain: f64,
    /// Age on the first day. Unit: years.
    pub(super) years: f64,
    /// What was planted in it; empty: nothing.
    pub(super) planted: &'static str,
}

impl Pack {
    /// Usable charge so many days into the year.
    pub(super) fn capacity_on(&self, days: f64) -> f64 {
        (self.capacity - self.fade * days / 365.25).clamp(0.05, 0.999)
    }

    /// Resistance factor so many days into the year.
    pub(super) fn resistance_on(&self, days: f64) -> f64 {
        (self.resistance + self.resistance_gain * days / 365.25).max(0.2)
    }
}

/// A pack in a vehicle: from a day (before the year: fitted earlier) up to, but not, another.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    /// Index of the pack.
    pub(super) pack: usize,
    pub(super) from: i64,
    pub(super) to: Option<i64>,
    pub(super) reason: &'static str,
}

/// A fault from a day up to, but not, another.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spell {
    pub(super) from: i64,
    pub(super) to: i64,
    pub(super) fault: Fault,
}

/// One vehicle's year.
#[derive(Debug, Clone)]
pub(super) struct VehiclePlan {
    pub(super) number: u16,
    pub(super) build: Build,
    pub(super) line: Option<u8>,
    pub(super) packs: Vec<Fitted>,
    pub(super) spells: Vec<Spell>,
    /// Runs as ever, but nothing of it reaches the store.
    pub(super) silent: Vec<(i64, i64)>,
}

/// A place of the overhead that is out of true for a while.
#[derive(Debug, Clone)]
pub(super) struct BadPlace {
    /// Index of the special work.
    pub(super) work: usize,
    pub(super) from: i64,
    pub(super) to: i64,
    /// Probability of a pole-off in one passage.
    pub(super) probability: f64,
}

/// The year's plan.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) seed: u64,
    /// First day.
    pub(super) first: i64,
    /// How many.
    pub(super) days: i64,
    pub(super) packs: Vec<Pack>,
    pub(super) vehicles: Vec<VehiclePlan>,
    pub(super) bad_places: Vec<BadPlace>,
    /// Whether anything is planted at all.
    pub(super) planted: bool,
}

/// Vehicles kept on a line: with what is planted, and without.
const LINES: &[(u16, u8)] =
    &[(207, 3), (302, 3), (222, 3), (318, 3), (310, 2), (213, 2), (211, 1), (305, 1), (229, 4), (316, 4)];

/// Weak packs: vehicle, usable charge on the first day, loss a year.
const WEAK: &[(u16, f64, f64)] =
    &[(207, 0.43, 0.0), (213, 0.33, 0.0), (226, 0.45, 0.08), (310, 0.58, 0.0), (318, 0.42, 0.02), (238, 0.50, 0.05)];
/// Packs of high resistance: vehicle, times the usual on the first day, gain a year.
const SICK: &[(u16, f64, f64)] = &[(204, 2.4, 0.0), (219, 2.0, 0.3), (315, 1.0, 2.6)];
/// The weak pack of the first vehicle goes into the second, so many days into the year.
const MOVED: (u16, u16, i64) = (207, 233, 253);
/// Packs replaced as planned: vehicle, day of the year.
const REPLACED: &[(u16, i64)] = &[(202, 73), (217, 121), (231, 194), (304, 220), (319, 301)];

/// What else is planted: vehicle, first and last day of the year, fault.
#[rustfmt::skip]
const FAULTS: &[(u16, i64, i64, Fault)] = &[
    (302, 0, 400, Fault::WorkedBattery),
    (222, 0, 400, Fault::WorkedBattery),
    (211, 0, 139, Fault::BadCollector { factor: 25.0 }),
    (308, 250, 400, Fault::BadCollector { factor: 12.0 }),
    (209, 0, 400, Fault::PhantomVoltage { probability: 0.05 }),
    (305, 0, 400, Fault::PhantomVoltage { probability: 0.1 }),
    (303, 31, 180, Fault::IntermittentContactor { per_hour: 0.5 }),
    (317, 280, 400, Fault::IntermittentContactor { per_hour: 1.0 }),
    (228, 0, 400, Fault::LosesAt { number: 110, probability: 0.012 }),
    (209, 120, 400, Fault::CollectorsApart { degrees: 14.0, per_hour: 0.25 }),
    (212, 0, 400, Fault::NoYardCharge),
    (320, 90, 400, Fault::NoYardCharge),
    (216, 0, 400, Fault::SunnySensor { kelvin: 9.0 }),
    (311, 0, 400, Fault::SunnySensor { kelvin: 6.0 }),
    (221, 0, 400, Fault::FixedDetection { metres: 2.0 }),
    (314, 0, 400, Fault::FixedDetection { metres: 4.0 }),
    (205, 0, 400, Fault::SensorDropOut { sensor: Sensor::Ambient, per_hour: 2.0 }),
    (211, 0, 400, Fault::SensorDropOut { sensor: Sensor::Motor, per_hour: 3.0 }),
];

/// Silences: vehicle, first day of the year, up to this one.
const SILENT: &[(u16, i64, i64)] = &[(208, 62, 83), (235, 310, 345), (240, 0, 400)];

/// Probability of a pole-off at a place that is out of true, in one passage.
const OUT_OF_TRUE: f64 = 0.006;

impl Plan {
    /// The plan of a year. `first`: its first day, `days`: how many. Not `planted`: the same fleet with nothing wrong.
    pub(super) fn velmora(seed: u64, size: usize, first: i64, days: i64, planted: bool) -> Self {
        let town = Town::velmora();
        let mut plan =
            Self { seed, first, days, packs: Vec::new(), vehicles: Vec::new(), bad_places: Vec::new(), planted };
        for (number, build) in Fleet::numbers(size) {
            let vehicle = plan.vehicle(number, build);
            plan.vehicles.push(vehicle);
        }
        if planted {
            plan.move_pack();
            plan.throw_places_out_of_true(&town);
        }
        plan
    }

    fn vehicle(&mut self, number: u16, build: Build) -> VehiclePlan {
        let mut chance = Chance::of(self.seed, "year pack", &[number.into()]);
        let years = chance.between(0.5, 5.5);
        let fitted = self.first - (years * 365.25) as i64;
        let aged = |years: f64| 1.0 - 0.026 * years;
        let mut pack = Pack {
            id: String::new(),
            capacity: aged(years),
            fade: 0.026,
            resistance: 1.0 + 0.04 * chance.bell(),
            resistance_gain: 0.0,
            years,
            planted: "",
        };
        if self.planted {
            if let Some((_, capacity, fade)) = WEAK.iter().find(|weak| weak.0 == number) {
                (pack.capacity, pack.fade, pack.planted) = (*capacity, *fade, "weak");
            }
            if let Some((_, resistance, gain)) = SICK.iter().find(|sick| sick.0 == number) {
                (pack.resistance, pack.resistance_gain, pack.planted) = (*resistance, *gain, "resistance");
            }
        }
        let mut packs = vec![Fitted { pack: self.add(pack), from: fitted, to: None, reason: "" }];
        if let Some((_, day)) = REPLACED.iter().find(|replaced| replaced.0 == number) {
            let new = self.new_pack(self.first + day, &mut chance);
            packs[0].to = Some(self.first + day);
            packs[0].reason = "age";
            packs.push(Fitted { pack: new, from: self.first + day, to: None, reason: "" });
        }
        let of = |list: &[(u16, i64, i64)]| -> Vec<(i64, i64)> {
            let days = list.iter().filter(|entry| entry.0 == number);
            days.map(|entry| (self.first + entry.1, self.first + entry.2)).collect()
        };
        let faults = FAULTS.iter().filter(|fault| fault.0 == number && self.planted);
        VehiclePlan {
            number,
            build,
            line: LINES.iter().find(|kept| kept.0 == number).map(|kept| kept.1),
            packs,
            spells: faults
                .map(|&(_, from, to, fault)| Spell { from: self.first + from, to: self.first + to, fault })
                .collect(),
            silent: if self.planted { of(SILENT) } else { Vec::new() },
        }
    }

    fn add(&mut self, mut pack: Pack) -> usize {
        pack.id = format!("P-{:04}", 1_017 + 13 * self.packs.len());
        self.packs.push(pack);
        self.packs.len() - 1
    }

    /// A pack that is new on a day.
    fn new_pack(&mut self, day: i64, chance: &mut Chance) -> usize {
        let years = -((day - self.first) as f64) / 365.25;
        let resistance = 1.0 + 0.04 * chance.bell();
        self.add(Pack {
            id: String::new(),
            capacity: 0.999,
            fade: 0.026,
            resistance,
            resistance_gain: 0.0,
            years,
            planted: "",
        })
    }

    /// Somebody takes the weak pack out of one vehicle, and somebody else puts it into another.
    fn move_pack(&mut self) {
        let (from, to, day) = MOVED;
        let day = self.first + day;
        let mut chance = Chance::of(self.seed, "year moved pack", &[]);
        let position = |plan: &Self, number: u16| plan.vehicles.iter().position(|vehicle| vehicle.number == number);
        let (Some(from), Some(to)) = (position(self, from), position(self, to)) else { return };
        let new = self.new_pack(day, &mut chance);
        let end = |packs: &mut Vec<Fitted>, day: i64, reason: &'static str| {
            packs.last_mut().map(|fitted| {
                (fitted.to, fitted.reason) = (Some(day), reason);
                fitted.pack
            })
        };
        let moved = end(&mut self.vehicles[from].packs, day, "timeouts");
        self.vehicles[from].packs.push(Fitted { pack: new, from: day, to: None, reason: "" });
        end(&mut self.vehicles[to].packs, day + 4, "accident repair");
        if let Some(pack) = moved {
            self.vehicles[to].packs.push(Fitted { pack, from: day + 4, to: None, reason: "" });
        }
    }

    fn throw_places_out_of_true(&mut self, town: &Town) {
        if let Some(work) = town.special_work.iter().position(|work| work.out_of_true) {
            // Set right at the end of June.
            self.bad_places.push(BadPlace { work, from: self.first, to: self.first + 180, probability: OUT_OF_TRUE });
        }
        let other = town.special_work.iter().position(|work| work.name == "Town Hall, towards Old Bridge");
        if let Some(work) = other {
            let (from, to) = (self.first + 226, self.first + 400);
            self.bad_places.push(BadPlace { work, from, to, probability: 0.8 * OUT_OF_TRUE });
        }
    }

    /// The town as it stands on a day.
    pub(super) fn town(&self, day: i64) -> Town {
        let mut town = Town::velmora();
        let plain: Vec<_> = town.special_work.iter().filter(|work| !work.out_of_true).cloned().collect();
        for (index, work) in town.special_work.iter_mut().enumerate() {
            let bad = self.bad_places.iter().find(|bad| bad.work == index && (bad.from..bad.to).contains(&day));
            match bad {
                Some(bad) => (work.out_of_true, work.pole_off_probability) = (true, bad.probability),
                None if work.out_of_true => {
                    work.out_of_true = false;
                    let like = plain.iter().find(|other| other.kind == work.kind);
                    work.pole_off_probability = like.map_or(0.0, |like| like.pole_off_probability);
                }
                None => {}
            }
        }
        town
    }

    /// The fleet as it stands on a day.
    pub(super) fn fleet(&self, day: i64) -> Fleet {
        let vehicles = self.vehicles.iter().map(|vehicle| self.vehicle_on(vehicle, day)).collect();
        Fleet::of(self.seed, vehicles, Roster::Turned(OPERATORS))
    }

    /// The pack in a vehicle on a day.
    pub(super) fn pack_on(&self, vehicle: &VehiclePlan, day: i64) -> Option<usize> {
        let on = |fitted: &&Fitted| fitted.from <= day && fitted.to.is_none_or(|to| day < to);
        vehicle.packs.iter().find(on).map(|fitted| fitted.pack)
    }

    fn vehicle_on(&self, vehicle: &VehiclePlan, day: i64) -> Vehicle {
        let into = (day - self.first) as f64;
        let pack = self.pack_on(vehicle, day).map(|pack| &self.packs[pack]);
        let mut faults: Vec<Fault> = vehicle
            .spells
            .iter()
            .filter(|spell| (spell.from..spell.to).contains(&day))
            .map(|spell| spell.fault)
            .collect();
        let mut battery_years = 1.0;
        if let Some(pack) = pack {
            faults.push(Fault::WeakBattery { capacity: pack.capacity_on(into) });
            faults.push(Fault::SickBattery { resistance: pack.resistance_on(into) });
            // The day-depth simulator counts age from 2026-01-01, day 20 454, on.
            battery_years = pack.years + into / 365.25 - (day - 20_454) as f64 / 365.25;
        }
        Vehicle { number: vehicle.number, build: vehicle.build, battery_years, line: vehicle.line, faults }
    }

    /// Times as many pole-offs as another would have, of an operator.
    pub(super) fn heaviness(&self, operator: u16) -> f64 {
        if self.planted && operator == pseudonym(HEAVY_OPERATOR.0) { HEAVY_OPERATOR.1 } else { 1.0 }
    }

    /// The operator who loses poles more often.
    pub(super) fn heavy_operator(&self) -> Option<(u16, f64)> {
        self.planted.then(|| (pseudonym(HEAVY_OPERATOR.0), HEAVY_OPERATOR.1))
    }

    /// Whether what a vehicle does on a day reaches the store.
    pub(super) fn reports(vehicle: &VehiclePlan, day: i64) -> bool {
        !vehicle.silent.iter().any(|&(from, to)| (from..to).contains(&day))
    }
}
