//! The fleet, what is planted in it, and the duties it runs.

use serde::Serialize;

use super::chance::Chance;
use super::route::Route;
use super::town::{Line, Town};

/// Fleet numbers run from here: rigid vehicles, and articulated ones.
const FIRST_RIGID: u16 = 201;
const FIRST_ARTICULATED: u16 = 301;
/// Days since 1970-01-01 on which the whole fleet began to count: 2025-01-01.
const FIRST_DAY: i64 = 20_089;

/// What kind of vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Build {
    /// 12 m, two axles.
    Rigid,
    /// 18 m, three axles.
    Articulated,
}

/// A temperature sensor that can drop out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Sensor {
    /// `ambient.ambient_temperature`
    Ambient,
    /// `traction_drive.motor_temperature`
    Motor,
    /// `off_wire_battery.temperature_highest`
    Battery,
}

impl Sensor {
    pub(crate) const ALL: [Self; 3] = [Self::Ambient, Self::Motor, Self::Battery];

    pub(crate) fn index(self) -> usize {
        self as usize
    }
}

/// Something wrong, or something that only looks wrong, planted in a vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Fault {
    /// Little usable charge at ordinary resistance: gives up often, and stays cool.
    WeakBattery {
        /// Usable charge against a new pack.
        capacity: f64,
    },
    /// High resistance: hot whatever the weather and the work.
    SickBattery {
        /// Resistance against a new pack.
        resistance: f64,
    },
    /// A sound battery on the hilly off-wire line: hot by weather and work only. Nothing is wrong.
    WorkedBattery,
    /// A worn collector: loses its wire everywhere, so many times as often as others.
    BadCollector {
        /// Times as often.
        factor: f64,
    },
    /// Dirt between collector and wire: voltage shows, and collapses as current comes on.
    PhantomVoltage {
        /// Probability at a stop of some length.
        probability: f64,
    },
    /// The input contactor falls open while told to be closed.
    IntermittentContactor {
        /// Times an hour under current.
        per_hour: f64,
    },
    /// A sensor's value is now and then missing.
    SensorDropOut {
        /// Which.
        sensor: Sensor,
        /// Times an hour.
        per_hour: f64,
    },
    /// The collectors ride apart now and then, as if on wires of different height.
    CollectorsApart {
        /// So far. Unit: degrees.
        degrees: f64,
        /// Times an hour.
        per_hour: f64,
    },
    /// One place of the overhead throws this vehicle's poles off, and no other's.
    LosesAt {
        /// Number of the special work: 105 is VO-105.
        number: u16,
        /// Probability in one passage.
        probability: f64,
    },
    /// The battery is not charged while the vehicle stands in the yard, though its poles are up.
    NoYardCharge,
    /// The sun shines on the sensor of the ambient temperature.
    SunnySensor {
        /// Too much in full sun. Unit: K.
        kelvin: f64,
    },
    /// The poles' gear keeps one detection distance, whatever the weather.
    FixedDetection {
        /// Which. Unit: m.
        metres: f64,
    },
    /// What an optical link receives.
    Link {
        /// Which, 1 to 6.
        link: u8,
        /// Unit: µW.
        microwatts: f64,
    },
    /// The battery manager's 8-bit counter of timeouts begins the day so high that it rolls over.
    CounterRollOver {
        /// Its value at the start of the service day.
        start: u8,
    },
    /// The battery manager restarts once a day, and its counter of timeouts begins at 0 again.
    CounterReset {
        /// Its value at the start of the service day.
        start: u8,
    },
}

/// One vehicle.
#[derive(Debug, Clone)]
pub struct Vehicle {
    /// Fleet number, three digits.
    pub number: u16,
    /// What kind.
    pub build: Build,
    /// Age of its off-wire battery on 2026-01-01. Unit: years.
    pub battery_years: f64,
    /// The line it is always on, where it has one.
    pub line: Option<u8>,
    /// What is planted in it.
    pub faults: Vec<Fault>,
}

impl Vehicle {
    /// Fleet number as text, the way it is used everywhere else.
    pub fn fleet_number(&self) -> String {
        self.number.to_string()
    }

    /// Mass without passengers. Unit: kg.
    pub(crate) fn empty_kg(&self) -> f64 {
        if self.build == Build::Rigid { 13_200.0 } else { 19_400.0 }
    }
}

/// All vehicles of the agency, in order of fleet number.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// The vehicles.
    pub vehicles: Vec<Vehicle>,
    seed: u64,
    roster: Roster,
}

/// How operators come to their pieces of work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Roster {
    /// Each piece draws one of 60; now and then one person has two at once.
    Drawn,
    /// Each day another order of so many (a prime number, more than pieces of work), so that nobody has two.
    Turned(u16),
}

impl Roster {
    fn operator(self, seed: u64, day: i64, slot: u64, chance: &mut Chance) -> u16 {
        // Drawn all the same, so that the rest of the day does not depend on the roster.
        let drawn = chance.below(60) as u16;
        let index = match self {
            Self::Drawn => drawn,
            Self::Turned(operators) => {
                let count = u64::from(operators.max(2));
                let mut turn = Chance::of(seed, "roster", &[day as u64]);
                let (step, start) = (1 + turn.below(count - 1), turn.below(count));
                ((step * slot + start) % count) as u16
            }
        };
        pseudonym(index)
    }
}

/// The operator of an index.
pub(crate) fn pseudonym(index: u16) -> u16 {
    1_000 + index * 37
}

/// Which vehicle has what, and is kept on which line.
const PLANTED: &[(u16, Option<u8>, Fault)] = &[
    (203, None, Fault::CounterReset { start: 37 }),
    (204, None, Fault::SickBattery { resistance: 2.4 }),
    (205, None, Fault::SensorDropOut { sensor: Sensor::Ambient, per_hour: 2.0 }),
    (207, Some(3), Fault::WeakBattery { capacity: 0.15 }),
    (207, Some(3), Fault::CounterRollOver { start: 254 }),
    (209, None, Fault::PhantomVoltage { probability: 0.05 }),
    (211, Some(1), Fault::BadCollector { factor: 60.0 }),
    (211, Some(1), Fault::SensorDropOut { sensor: Sensor::Motor, per_hour: 3.0 }),
    (302, Some(3), Fault::WorkedBattery),
    (303, None, Fault::IntermittentContactor { per_hour: 1.5 }),
    (305, Some(1), Fault::PhantomVoltage { probability: 0.1 }),
    (305, Some(1), Fault::IntermittentContactor { per_hour: 4.0 }),
    (305, Some(1), Fault::CounterReset { start: 41 }),
];

impl Fleet {
    /// A fleet of so many vehicles, two of three of them rigid (at most 99 of a kind).
    pub fn velmora(seed: u64, size: usize) -> Self {
        let vehicles = Self::numbers(size).map(|(number, build)| Self::vehicle(seed, number, build)).collect();
        Self { vehicles, seed, roster: Roster::Drawn }
    }

    /// A fleet of these vehicles.
    pub(crate) fn of(seed: u64, vehicles: Vec<Vehicle>, roster: Roster) -> Self {
        Self { vehicles, seed, roster }
    }

    /// Fleet numbers and builds of so many vehicles, two of three of them rigid (at most 99 of a kind).
    pub(crate) fn numbers(size: usize) -> impl Iterator<Item = (u16, Build)> {
        let articulated = (size / 3).min(99);
        let rigid = (size - size / 3).min(99);
        let of = |first: u16, count: usize, build| (0..count as u16).map(move |index| (first + index, build));
        of(FIRST_RIGID, rigid, Build::Rigid).chain(of(FIRST_ARTICULATED, articulated, Build::Articulated))
    }

    fn vehicle(seed: u64, number: u16, build: Build) -> Vehicle {
        let planted = || PLANTED.iter().filter(|(vehicle, ..)| *vehicle == number);
        Vehicle {
            number,
            build,
            battery_years: Chance::of(seed, "battery age", &[number.into()]).between(0.5, 5.0),
            line: planted().find_map(|(_, line, _)| *line),
            faults: planted().map(|(.., fault)| *fault).collect(),
        }
    }

    /// The vehicle of that fleet number.
    pub fn vehicle_numbered(&self, number: u16) -> Option<&Vehicle> {
        self.vehicles.iter().find(|vehicle| vehicle.number == number)
    }

    /// What a vehicle does on a service day (days since 1970-01-01).
    pub(crate) fn duty(&self, town: &Town, vehicle: &Vehicle, day: i64) -> Duty {
        let mut chance = Chance::of(self.seed, "duty", &[vehicle.number.into(), day as u64]);
        let drawn = town.lines[chance.below(town.lines.len() as u64) as usize].number;
        let line_number = vehicle.line.unwrap_or(drawn);
        let line = town.lines.iter().find(|line| line.number == line_number).unwrap_or(&town.lines[0]);
        // 1970-01-01 was a Thursday.
        let weekend = (day + 3).rem_euclid(7) >= 5;
        let start_s = 3_600.0 * chance.between(0.7, 2.2);
        let slot = 2 * self.vehicles.iter().position(|known| known.number == vehicle.number).unwrap_or(0) as u64;
        let pieces: &[(f64, f64)] = if weekend {
            &[(2.0 * 3_600.0, 8.5 * 3_600.0)]
        } else {
            &[(0.0, 6.3 * 3_600.0), (7.6 * 3_600.0, 14.2 * 3_600.0)]
        };
        let pieces = pieces
            .iter()
            .enumerate()
            .map(|(index, &(from_s, to_s))| Piece {
                active_s: start_s + from_s,
                last_departure_s: start_s + to_s,
                first_terminal: chance.below(2) as usize,
                operator: self.roster.operator(self.seed, day, slot + index as u64, &mut chance),
                duty: u16::from(line.number) * 1_000 + vehicle.number % 100 * 10 + index as u16 + 1,
            })
            .collect();
        Duty { line: line.number, places: line.places.clone(), pieces }
    }

    /// Odometer, off-wire stretches and charge drawn at the start of a service day.
    ///
    /// The odometer is the sum of the ways planned since the fleet began to count, which are driven to the metre; the
    /// rest are estimates from it.
    pub(crate) fn before(&self, town: &Town, vehicle: &Vehicle, day: i64) -> (f64, u32) {
        let mut metres = 20_000_000.0 + f64::from(vehicle.number) * 31_000.0;
        let mut stretches = u32::from(vehicle.number) * 17;
        let mut known: Vec<(Vec<usize>, f64, u32)> = Vec::new();
        for past in FIRST_DAY..day.max(FIRST_DAY) {
            let duty = self.duty(town, vehicle, past);
            for piece in &duty.pieces {
                for trip in duty.trips(town, piece) {
                    let places = trip.places;
                    let known_at = known.iter().position(|(way, ..)| *way == places);
                    let index = known_at.unwrap_or_else(|| {
                        let route = Route::over(town, &places, trip.serves);
                        known.push((places, route.length_m, route.off_wire().1));
                        known.len() - 1
                    });
                    metres += known[index].1;
                    stretches += known[index].2;
                }
            }
        }
        (metres, stretches)
    }
}

/// What one vehicle does on one service day.
#[derive(Debug, Clone)]
pub(crate) struct Duty {
    pub(crate) line: u8,
    places: Vec<usize>,
    pub(crate) pieces: Vec<Piece>,
}

/// From the yard back to the yard. Times: seconds since the service day began.
#[derive(Debug, Clone)]
pub(crate) struct Piece {
    /// The vehicle is switched on.
    pub(crate) active_s: f64,
    /// No trip departs later, but the one home.
    last_departure_s: f64,
    first_terminal: usize,
    /// Pseudonym.
    pub(crate) operator: u16,
    pub(crate) duty: u16,
}

/// One way to be driven.
#[derive(Debug, Clone)]
pub(crate) struct Trip {
    pub(crate) places: Vec<usize>,
    /// On the line, with passengers.
    pub(crate) serves: bool,
    /// Timetabled. Unit: s since the service day began.
    pub(crate) departs_s: f64,
}

/// From switching on to leaving the yard. Unit: s.
const MAKE_READY_S: f64 = 420.0;
/// Timetabled speed and layover.
const TIMETABLE_MS: f64 = 4.9;
const LAYOVER_S: f64 = 300.0;

impl Duty {
    /// One piece of work on a line, to be looked at closely: to a terminal, trips that depart within so many seconds,
    /// and home.
    pub(crate) fn sample(line: &Line, first_terminal: usize, operator: u16, last_departure_s: f64) -> Self {
        let piece = Piece { active_s: 0.0, last_departure_s, first_terminal, operator, duty: line.number.into() };
        Self { line: line.number, places: line.places.clone(), pieces: vec![piece] }
    }

    /// The trips of a piece, in order: out of the yard, along the line to and fro, home.
    pub(crate) fn trips(&self, town: &Town, piece: &Piece) -> Vec<Trip> {
        let metres = |places: &[usize]| -> f64 {
            places
                .windows(2)
                .filter_map(|pair| town.street_between(pair[0], pair[1]))
                .map(|(street, _)| town.length_m(street))
                .sum()
        };
        let mut places = self.places.clone();
        if piece.first_terminal == 1 {
            places.reverse();
        }
        let mut at_s = piece.active_s + MAKE_READY_S;
        let out = town.way(town.yard, places[0]);
        let out_s = metres(&out) / TIMETABLE_MS + LAYOVER_S;
        let mut trips = vec![Trip { places: out, serves: false, departs_s: at_s }];
        at_s += out_s;
        let trip_s = metres(&places) / TIMETABLE_MS + LAYOVER_S;
        while at_s < piece.last_departure_s {
            let end = places.last().copied().unwrap_or(town.yard);
            trips.push(Trip { places: places.clone(), serves: true, departs_s: at_s });
            places.reverse();
            debug_assert_eq!(places.first(), Some(&end), "the next trip begins where this one ends");
            at_s += trip_s;
        }
        trips.push(Trip { places: town.way(places[0], town.yard), serves: false, departs_s: at_s });
        trips
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_working_day_has_two_pieces_and_ends_in_the_yard() {
        let town = Town::velmora();
        let fleet = Fleet::velmora(1, 24);
        assert_eq!(fleet.vehicles.len(), 24);
        let tuesday = 20_501; // 2026-02-17
        for vehicle in &fleet.vehicles {
            let duty = fleet.duty(&town, vehicle, tuesday);
            assert_eq!(duty.pieces.len(), 2);
            for piece in &duty.pieces {
                let trips = duty.trips(&town, piece);
                assert_eq!(trips.first().and_then(|t| t.places.first()), Some(&town.yard));
                assert_eq!(trips.last().and_then(|t| t.places.last()), Some(&town.yard));
                assert!(trips.windows(2).all(|pair| pair[0].places.last() == pair[1].places.first()));
                assert!(trips.last().is_some_and(|t| t.departs_s < 22.0 * 3_600.0));
            }
        }
    }

    #[test]
    fn odometers_grow_by_what_is_planned() {
        let town = Town::velmora();
        let fleet = Fleet::velmora(1, 6);
        let vehicle = &fleet.vehicles[0];
        let (first, _) = fleet.before(&town, vehicle, 20_120);
        let (second, _) = fleet.before(&town, vehicle, 20_121);
        assert!((60_000.0..320_000.0).contains(&(second - first)), "{}", second - first);
    }
}
