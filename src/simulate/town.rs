//! Velmora: an invented town with its streets, overhead, substations and lines.
//!
//! Its coordinates lie in the open sea, so that no real street is meant. Distances are metres on a flat town: x east,
//! y north, z up from Market Square.

use serde::Serialize;

/// Where Market Square is. Unit: degrees.
pub const ORIGIN: (f64, f64) = (44.3, 13.9);
/// Metres of one degree of latitude; of longitude at the town's latitude.
const DEGREE_M: (f64, f64) = (111_320.0, 79_670.0);

/// A corner of the network: a junction, a terminal or the yard.
#[derive(Debug, Clone)]
pub struct Place {
    /// What the passenger calls it.
    pub name: &'static str,
    /// East. Unit: m.
    pub x: f64,
    /// North. Unit: m.
    pub y: f64,
    /// Up. Unit: m.
    pub z: f64,
}

impl Place {
    /// Latitude and longitude. Unit: degrees.
    pub fn degrees(&self) -> (f64, f64) {
        degrees(self.x, self.y)
    }
}

/// Latitude and longitude of a point of the town. Unit: m, m to degrees.
pub fn degrees(x: f64, y: f64) -> (f64, f64) {
    (ORIGIN.0 + y / DEGREE_M.0, ORIGIN.1 + x / DEGREE_M.1)
}

/// A straight street between two places, driven both ways.
#[derive(Debug, Clone)]
pub struct Street {
    /// Index of the place it is measured from.
    pub from: usize,
    /// Index of the other place.
    pub to: usize,
    /// Whether wires hang above it.
    pub wired: bool,
    /// Speed limit. Unit: km/h.
    pub limit_kmh: f64,
    /// Stops between its ends, evenly spread, each way.
    pub stops: usize,
}

/// Kinds of special work in the overhead.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SpecialKind {
    /// Section insulator: parts two feeding sections.
    SectionGap,
    /// Two ways part or join.
    Switch,
    /// A switch that a vehicle sets by drawing little current under its contactor, which hangs before it.
    CoastSwitch,
    /// A switch that a vehicle sets by drawing much current there.
    PowerSwitch,
    /// Wires cross.
    Crossing,
    /// A bend with its pull-offs.
    Curve,
}

impl SpecialKind {
    /// The word in GeoJSON and in the truth.
    pub fn word(self) -> &'static str {
        match self {
            Self::SectionGap => "section_gap",
            Self::Switch => "switch",
            Self::CoastSwitch => "coast_switch",
            Self::PowerSwitch => "power_switch",
            Self::Crossing => "crossing",
            Self::Curve => "curve",
        }
    }

    /// Dead wire in it. Unit: m.
    fn dead_m(self) -> f64 {
        match self {
            Self::SectionGap => 2.6,
            Self::Switch | Self::CoastSwitch | Self::PowerSwitch => 1.8,
            Self::Crossing => 3.0,
            Self::Curve => 0.0,
        }
    }

    /// Probability that a sound collector leaves it, in one passage in fair weather.
    fn pole_off_probability(self) -> f64 {
        match self {
            Self::SectionGap => 3e-5,
            Self::Switch | Self::CoastSwitch | Self::PowerSwitch => 2.5e-4,
            Self::Crossing => 1.5e-4,
            Self::Curve => 8e-5,
        }
    }

    /// What drivers are told to keep to. Unit: km/h.
    pub(crate) fn advised_kmh(self) -> f64 {
        match self {
            Self::SectionGap => 45.0,
            Self::Switch | Self::CoastSwitch | Self::PowerSwitch => 25.0,
            Self::Crossing => 28.0,
            Self::Curve => 30.0,
        }
    }

    /// Whether the current under its contactor sets it. Such a one is in the wires of one direction only: towards its
    /// junction.
    pub(crate) fn is_set_by_current(self) -> bool {
        matches!(self, Self::CoastSwitch | Self::PowerSwitch)
    }
}

/// One piece of special work; both directions pass it.
#[derive(Debug, Clone)]
pub struct SpecialWork {
    /// Its number on the overhead plan.
    pub id: String,
    /// What it is.
    pub kind: SpecialKind,
    /// Where it is, in words.
    pub name: String,
    /// Index of its street.
    pub street: usize,
    /// Index of the place that it belongs to.
    pub near: usize,
    /// From the street's `from`. Unit: m.
    pub at_m: f64,
    /// Dead wire in it. Unit: m.
    pub dead_m: f64,
    /// Probability of a pole-off in one passage: sound collector, fair weather, advised speed.
    pub pole_off_probability: f64,
    /// Planted: out of true, so that every vehicle is likely to lose a pole here.
    pub out_of_true: bool,
    /// Latitude and longitude. Unit: degrees.
    pub degrees: (f64, f64),
}

/// A line: the places it goes by, from one terminal to the other.
#[derive(Debug, Clone)]
pub struct Line {
    /// Its number on the vehicle's front.
    pub number: u8,
    /// Indexes of places.
    pub places: Vec<usize>,
}

/// The town.
#[derive(Debug, Clone)]
pub struct Town {
    /// Its name.
    pub name: &'static str,
    /// Corners of the network.
    pub places: Vec<Place>,
    /// Streets between them.
    pub streets: Vec<Street>,
    /// Special work, in order of id.
    pub special_work: Vec<SpecialWork>,
    /// Lines, in order of number.
    pub lines: Vec<Line>,
    /// Indexes of the places with a substation.
    pub substations: Vec<usize>,
    /// Index of the yard's place.
    pub yard: usize,
}

#[rustfmt::skip]
const PLACES: &[(&str, f64, f64, f64)] = &[
    ("Yard",            -1900.0,   300.0,  12.0),
    ("Station",         -1200.0,     0.0,  10.0),
    ("Market Square",       0.0,     0.0,  14.0),
    ("Town Hall",         600.0,   100.0,  18.0),
    ("University",       1500.0,   500.0,  34.0),
    ("Hospital",         2300.0,  1300.0,  88.0),
    ("Upper Gardens",    3100.0,  2000.0, 120.0),
    ("Harbour",          -300.0, -1400.0,   3.0),
    ("Lighthouse",      -1100.0, -2300.0,   4.0),
    ("Old Bridge",        900.0,  -700.0,   9.0),
    ("Mill Street",      1900.0, -1100.0,  12.0),
    ("Quarry Road",      2900.0, -1300.0,  40.0),
    ("Quarry Village",   4300.0, -1900.0, 128.0),
    ("North Gate",       -200.0,  1100.0,  24.0),
    ("Orchard Park",     -500.0,  2300.0,  52.0),
    ("Mulberry Fields",  -900.0,  3500.0,  60.0),
    ("West Cross",      -2300.0,  -300.0,  11.0),
    ("Glassworks",      -3400.0,  -700.0,  15.0),
    ("Airfield",        -5000.0, -1200.0,  18.0),
];

#[rustfmt::skip]
const STREETS: &[(&str, &str, bool, f64, usize)] = &[
    ("Yard",         "Station",         true,  30.0, 0),
    ("Station",      "Market Square",   true,  45.0, 2),
    ("Market Square","Town Hall",       true,  30.0, 1),
    ("Town Hall",    "University",      true,  45.0, 2),
    ("University",   "Hospital",        true,  45.0, 2),
    ("Hospital",     "Upper Gardens",   false, 45.0, 2),
    ("Market Square","Harbour",         true,  45.0, 3),
    ("Harbour",      "Lighthouse",      false, 45.0, 2),
    ("Town Hall",    "Old Bridge",      true,  45.0, 2),
    ("Old Bridge",   "Mill Street",     true,  50.0, 2),
    ("Mill Street",  "Quarry Road",     true,  50.0, 2),
    ("Quarry Road",  "Quarry Village",  false, 50.0, 3),
    ("Market Square","North Gate",      true,  40.0, 2),
    ("North Gate",   "Orchard Park",    true,  45.0, 2),
    ("Orchard Park", "Mulberry Fields", false, 45.0, 2),
    ("Station",      "West Cross",      true,  45.0, 2),
    ("West Cross",   "Glassworks",      true,  50.0, 2),
    ("Glassworks",   "Airfield",        false, 60.0, 3),
];

const LINES: &[(u8, &[&str])] = &[
    (
        1,
        &[
            "Upper Gardens",
            "Hospital",
            "University",
            "Town Hall",
            "Market Square",
            "Station",
            "West Cross",
            "Glassworks",
        ],
    ),
    (2, &["Lighthouse", "Harbour", "Market Square", "North Gate", "Orchard Park", "Mulberry Fields"]),
    (
        3,
        &[
            "Quarry Village",
            "Quarry Road",
            "Mill Street",
            "Old Bridge",
            "Town Hall",
            "Market Square",
            "Station",
            "West Cross",
            "Glassworks",
            "Airfield",
        ],
    ),
    (4, &["Hospital", "University", "Town Hall", "Market Square", "Harbour"]),
];

const SUBSTATIONS: &[&str] =
    &["Station", "Town Hall", "Hospital", "Harbour", "Mill Street", "North Gate", "Glassworks"];

/// The street and the end of it whose switch is out of true: the western approach of Market Square.
const OUT_OF_TRUE: (&str, &str) = ("Station", "Market Square");
/// Probability of a pole-off there, in one passage.
const OUT_OF_TRUE_PROBABILITY: f64 = 0.012;
/// Switches that current sets: junction, and where the vehicle comes from.
const SET_BY_CURRENT: &[(&str, &str, SpecialKind)] = &[
    ("Market Square", "Town Hall", SpecialKind::PowerSwitch),
    ("Market Square", "Harbour", SpecialKind::PowerSwitch),
    ("Town Hall", "Market Square", SpecialKind::PowerSwitch),
    ("Station", "Market Square", SpecialKind::CoastSwitch),
    ("Station", "West Cross", SpecialKind::CoastSwitch),
    ("Market Square", "North Gate", SpecialKind::CoastSwitch),
];
/// From a junction to its switches, and to its crossing. Unit: m.
const SWITCH_M: f64 = 35.0;
const CROSSING_M: f64 = 10.0;
/// Part of a street's length at which its section insulator hangs, clear of the stops at whole parts.
const SECTION_GAP_PART: f64 = 0.42;

impl Town {
    /// Velmora, the only town there is.
    pub fn velmora() -> Self {
        let places: Vec<Place> = PLACES.iter().map(|&(name, x, y, z)| Place { name, x, y, z }).collect();
        // The tables above are this file's own, and a test walks all of them.
        let index = |name: &str| places.iter().position(|place| place.name == name).unwrap_or(0);
        let streets: Vec<Street> = STREETS
            .iter()
            .map(|&(from, to, wired, limit_kmh, stops)| Street {
                from: index(from),
                to: index(to),
                wired,
                limit_kmh,
                stops,
            })
            .collect();
        let lines =
            LINES.iter().map(|&(number, names)| Line { number, places: names.iter().map(|n| index(n)).collect() });
        let mut town = Self {
            name: "Velmora",
            lines: lines.collect(),
            substations: SUBSTATIONS.iter().map(|n| index(n)).collect(),
            yard: index("Yard"),
            places: places.clone(),
            streets,
            special_work: Vec::new(),
        };
        town.hang_special_work();
        town
    }

    fn hang_special_work(&mut self) {
        for street in 0..self.streets.len() {
            if !self.streets[street].wired {
                continue;
            }
            let (from, to) = (self.streets[street].from, self.streets[street].to);
            let length_m = self.length_m(street);
            if length_m > 700.0 {
                self.hang(street, length_m * SECTION_GAP_PART, SpecialKind::SectionGap, from, to);
            }
            for (end, other) in [(from, to), (to, from)] {
                let at = |metres: f64| if end == from { metres } else { length_m - metres };
                match self.wires_at(end) {
                    0 | 1 => {}
                    2 => {
                        // One of the two streets carries the curve.
                        if end == to && self.bend_cosine_at(end) < 0.94 {
                            self.hang(street, at(4.0), SpecialKind::Curve, end, other);
                        }
                    }
                    ways => {
                        let pair = (self.places[end].name, self.places[other].name);
                        let kind = SET_BY_CURRENT.iter().find(|set| (set.0, set.1) == pair).map(|set| set.2);
                        self.hang(street, at(SWITCH_M), kind.unwrap_or(SpecialKind::Switch), end, other);
                        if ways > 3 {
                            self.hang(street, at(CROSSING_M), SpecialKind::Crossing, end, other);
                        }
                    }
                }
            }
        }
        let bad = (self.place_named(OUT_OF_TRUE.0), self.place_named(OUT_OF_TRUE.1));
        for work in &mut self.special_work {
            let street = &self.streets[work.street];
            if work.kind == SpecialKind::Switch && (Some(street.from), Some(street.to)) == bad && work.at_m > 100.0 {
                work.out_of_true = true;
                work.pole_off_probability = OUT_OF_TRUE_PROBABILITY;
            }
        }
    }

    fn hang(&mut self, street: usize, at_m: f64, kind: SpecialKind, near: usize, towards: usize) {
        let name = format!("{}, towards {}", self.places[near].name, self.places[towards].name);
        let (x, y) = self.point(street, at_m);
        self.special_work.push(SpecialWork {
            id: format!("VO-{:03}", self.special_work.len() + 101),
            kind,
            name,
            street,
            near,
            at_m,
            dead_m: kind.dead_m(),
            pole_off_probability: kind.pole_off_probability(),
            out_of_true: false,
            degrees: degrees(x, y),
        });
    }

    /// Index of the place of that name.
    pub fn place_named(&self, name: &str) -> Option<usize> {
        self.places.iter().position(|place| place.name == name)
    }

    /// The special work that was planted out of true.
    pub fn bad_spot(&self) -> Option<&SpecialWork> {
        self.special_work.iter().find(|work| work.out_of_true)
    }

    /// Length of a street on the ground plan. Unit: m.
    pub fn length_m(&self, street: usize) -> f64 {
        let (a, b) = (&self.places[self.streets[street].from], &self.places[self.streets[street].to]);
        ((b.x - a.x) * (b.x - a.x) + (b.y - a.y) * (b.y - a.y)).sqrt()
    }

    /// Point of a street, so far from its `from`. Unit: m.
    pub fn point(&self, street: usize, at_m: f64) -> (f64, f64) {
        let (a, b) = (&self.places[self.streets[street].from], &self.places[self.streets[street].to]);
        let part = at_m / self.length_m(street);
        (a.x + (b.x - a.x) * part, a.y + (b.y - a.y) * part)
    }

    /// How many wired streets meet at a place.
    pub(crate) fn wires_at(&self, place: usize) -> usize {
        self.streets.iter().filter(|s| s.wired && (s.from == place || s.to == place)).count()
    }

    /// Cosine of the bend between the two wired streets that meet at a place; 1 is straight on.
    fn bend_cosine_at(&self, place: usize) -> f64 {
        let mut ends = self
            .streets
            .iter()
            .filter(|s| s.wired && (s.from == place || s.to == place))
            .map(|s| if s.from == place { s.to } else { s.from });
        match (ends.next(), ends.next()) {
            (Some(one), Some(two)) => self.bend_cosine(one, place, two),
            _ => 1.0,
        }
    }

    /// Cosine of the bend on the way over three places; 1 is straight on.
    pub(crate) fn bend_cosine(&self, from: usize, by: usize, to: usize) -> f64 {
        let (a, b, c) = (&self.places[from], &self.places[by], &self.places[to]);
        let (ax, ay, bx, by) = (b.x - a.x, b.y - a.y, c.x - b.x, c.y - b.y);
        let lengths = ((ax * ax + ay * ay) * (bx * bx + by * by)).sqrt();
        if lengths > 0.0 { (ax * bx + ay * by) / lengths } else { 1.0 }
    }

    /// Whether the way to the third place bears left (+1) or right (−1).
    pub(crate) fn bend_side(&self, from: usize, by: usize, to: usize) -> f64 {
        let (a, b, c) = (&self.places[from], &self.places[by], &self.places[to]);
        if (b.x - a.x) * (c.y - b.y) - (b.y - a.y) * (c.x - b.x) >= 0.0 { 1.0 } else { -1.0 }
    }

    /// Index of the street between two places, and whether that way is its forward way.
    pub(crate) fn street_between(&self, from: usize, to: usize) -> Option<(usize, bool)> {
        self.streets.iter().enumerate().find_map(|(index, street)| {
            if (street.from, street.to) == (from, to) {
                Some((index, true))
            } else if (street.from, street.to) == (to, from) {
                Some((index, false))
            } else {
                None
            }
        })
    }

    /// Places on the shortest way, both ends included; empty when there is none.
    pub(crate) fn way(&self, from: usize, to: usize) -> Vec<usize> {
        let mut distance = vec![f64::INFINITY; self.places.len()];
        let mut before = vec![usize::MAX; self.places.len()];
        let mut open: Vec<usize> = (0..self.places.len()).collect();
        distance[from] = 0.0;
        while let Some(at) = open.iter().copied().min_by(|&a, &b| distance[a].total_cmp(&distance[b])) {
            open.retain(|&place| place != at);
            for (index, street) in self.streets.iter().enumerate() {
                let next = match at {
                    place if place == street.from => street.to,
                    place if place == street.to => street.from,
                    _ => continue,
                };
                let metres = distance[at] + self.length_m(index);
                if metres < distance[next] {
                    distance[next] = metres;
                    before[next] = at;
                }
            }
        }
        if distance[to].is_infinite() {
            return Vec::new();
        }
        let mut way = vec![to];
        let mut at = to;
        while at != from {
            at = before[at];
            way.push(at);
        }
        way.reverse();
        way
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_follows_streets_and_the_yard_reaches_every_terminal() {
        let town = Town::velmora();
        for line in &town.lines {
            assert!(line.places.windows(2).all(|pair| town.street_between(pair[0], pair[1]).is_some()));
            assert!(town.way(town.yard, line.places[0]).len() > 2);
        }
        assert_eq!(town.substations.len(), SUBSTATIONS.len());
        for &(from, to, ..) in STREETS {
            assert!(town.place_named(from).is_some() && town.place_named(to).is_some());
        }
        for &(_, names) in LINES {
            assert!(names.iter().all(|name| town.place_named(name).is_some()));
        }
    }

    #[test]
    fn one_place_of_the_overhead_is_out_of_true() {
        let town = Town::velmora();
        assert_eq!(town.special_work.iter().filter(|work| work.out_of_true).count(), 1);
        assert_eq!(town.bad_spot().map(|work| work.kind), Some(SpecialKind::Switch));
        let plain = [SpecialKind::SectionGap, SpecialKind::Switch, SpecialKind::Crossing, SpecialKind::Curve];
        for kind in plain.into_iter().chain([SpecialKind::CoastSwitch, SpecialKind::PowerSwitch]) {
            assert!(town.special_work.iter().any(|work| work.kind == kind), "{}", kind.word());
        }
    }

    #[test]
    fn no_gradient_is_steeper_than_a_bus_street() {
        let town = Town::velmora();
        for (index, street) in town.streets.iter().enumerate() {
            let rise = (town.places[street.to].z - town.places[street.from].z).abs();
            assert!(rise / town.length_m(index) < 0.08);
        }
    }
}
