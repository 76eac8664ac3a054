//! A way over the streets, laid out along one axis: what a driver meets, metre by metre.

use super::town::{SpecialKind, Town, degrees};

/// Step of the speed profile. Unit: m.
const STEP_M: f64 = 5.0;
/// Deceleration that drivers plan with. Unit: m/s².
pub(crate) const PLANNED_BRAKING: f64 = 0.85;
/// Where vehicles wait at a junction's lights, before its middle. Unit: m.
const LIGHTS_M: f64 = 22.0;
/// Half the length over which a bend or special work holds the speed down. Unit: m.
const SLOW_M: f64 = 9.0;

/// What happens to the wire at a stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wire {
    /// As before.
    Same,
    /// The wire ends: poles down here.
    Ends,
    /// The wire begins: poles up here.
    Begins,
}

/// One thing on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Mark {
    /// A stop; `always` when nobody may drive past it.
    Stop { always: bool, wire: Wire },
    /// Traffic lights' stop line.
    Lights,
    /// Special work: its index in the town, and whether the vehicle comes towards its junction.
    Special { work: usize, facing: bool },
}

/// A straight piece of the way: one street in one direction.
#[derive(Debug, Clone)]
pub(crate) struct Leg {
    pub(crate) start_m: f64,
    pub(crate) length_m: f64,
    /// Rise over ground; uphill positive.
    pub(crate) grade: f64,
    pub(crate) wired: bool,
    /// Start, and unit vector of the direction.
    origin: (f64, f64),
    towards: (f64, f64),
    /// Signed bend at its end: its sine's size, left positive; 0 at a terminal.
    pub(crate) bend_after: f64,
    from: &'static str,
    to: &'static str,
}

/// A way with everything on it.
#[derive(Debug, Clone)]
pub(crate) struct Route {
    pub(crate) legs: Vec<Leg>,
    pub(crate) length_m: f64,
    /// In order of distance.
    pub(crate) marks: Vec<(f64, Mark)>,
    /// Speed that lets every bend and limit ahead be met with planned braking, a value every 5 m. Unit: m/s.
    allowed_ms: Vec<f64>,
    /// Ground distance to the nearest substation, likewise. Unit: m.
    feeder_m: Vec<f64>,
}

impl Route {
    /// The way over these places. Passengers are served on lines; other ways stop only where the wire changes.
    pub(crate) fn over(town: &Town, places: &[usize], serves: bool) -> Self {
        let mut legs: Vec<Leg> = Vec::new();
        let mut marks = Vec::new();
        let mut slow: Vec<(f64, f64)> = Vec::new();
        let mut limits: Vec<f64> = Vec::new();
        let mut at_m = 0.0;
        for (index, pair) in places.windows(2).enumerate() {
            let Some((street, forward)) = town.street_between(pair[0], pair[1]) else { continue };
            let length_m = town.length_m(street);
            let (a, b) = (&town.places[pair[0]], &town.places[pair[1]]);
            let wired = town.streets[street].wired;
            let next = places.get(index + 2).copied();
            let next_wired =
                next.and_then(|n| town.street_between(pair[1], n)).is_none_or(|(s, _)| town.streets[s].wired == wired);
            let wire = match (next_wired, wired) {
                (true, _) => Wire::Same,
                (false, true) => Wire::Ends,
                (false, false) => Wire::Begins,
            };
            let stops = if serves { town.streets[street].stops } else { 0 };
            for stop in 1..=stops {
                let metres = at_m + length_m * stop as f64 / (stops + 1) as f64;
                marks.push((metres, Mark::Stop { always: false, wire: Wire::Same }));
            }
            for (work_index, work) in town.special_work.iter().enumerate().filter(|(_, w)| w.street == street) {
                let metres = at_m + if forward { work.at_m } else { length_m - work.at_m };
                marks.push((metres, Mark::Special { work: work_index, facing: work.near == pair[1] }));
                if work.kind != SpecialKind::SectionGap {
                    slow.push((metres, work.kind.advised_kmh() / 3.6));
                }
            }
            let end_m = at_m + length_m;
            let mut bend_after = 0.0;
            if let Some(next) = next {
                let cosine = town.bend_cosine(pair[0], pair[1], next);
                bend_after = town.bend_side(pair[0], pair[1], next) * (1.0 - cosine * cosine).max(0.0).sqrt();
                if cosine < 0.94 {
                    let kmh = if cosine < 0.3 {
                        16.0
                    } else if cosine < 0.75 {
                        22.0
                    } else {
                        30.0
                    };
                    slow.push((end_m, kmh / 3.6));
                }
                if wire != Wire::Same {
                    marks.push((end_m, Mark::Stop { always: true, wire }));
                } else if town.wires_at(pair[1]) > 2 {
                    marks.push((end_m - LIGHTS_M, Mark::Lights));
                }
            }
            limits.push(town.streets[street].limit_kmh / 3.6);
            legs.push(Leg {
                start_m: at_m,
                length_m,
                grade: (b.z - a.z) / length_m,
                wired,
                origin: (a.x, a.y),
                towards: ((b.x - a.x) / length_m, (b.y - a.y) / length_m),
                bend_after,
                from: a.name,
                to: b.name,
            });
            at_m = end_m;
        }
        marks.push((at_m, Mark::Stop { always: true, wire: Wire::Same }));
        marks.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut route = Self { legs, length_m: at_m, marks, allowed_ms: Vec::new(), feeder_m: Vec::new() };
        route.allowed_ms = route.profile(&limits, &slow);
        route.feeder_m = route.feeders(town);
        route
    }

    fn profile(&self, limits: &[f64], slow: &[(f64, f64)]) -> Vec<f64> {
        let count = (self.length_m / STEP_M) as usize + 2;
        let mut allowed: Vec<f64> = (0..count)
            .map(|step| {
                let at_m = step as f64 * STEP_M;
                let limit = limits.get(self.leg_at(at_m)).copied().unwrap_or(0.0);
                slow.iter()
                    .filter(|(metres, _)| (metres - at_m).abs() <= SLOW_M + STEP_M)
                    .fold(limit, |least, &(_, ms)| least.min(ms))
            })
            .collect();
        for step in (0..count - 1).rev() {
            let next = allowed[step + 1];
            allowed[step] = allowed[step].min((next * next + 2.0 * 0.9 * PLANNED_BRAKING * STEP_M).sqrt());
        }
        allowed
    }

    fn feeders(&self, town: &Town) -> Vec<f64> {
        let count = (self.length_m / STEP_M) as usize + 2;
        (0..count)
            .map(|step| {
                let (x, y) = self.point(step as f64 * STEP_M);
                town.substations
                    .iter()
                    .map(|&place| {
                        let (dx, dy) = (town.places[place].x - x, town.places[place].y - y);
                        (dx * dx + dy * dy).sqrt()
                    })
                    .fold(f64::INFINITY, f64::min)
            })
            .collect()
    }

    /// Index of the leg there; the last one beyond the end.
    pub(crate) fn leg_at(&self, at_m: f64) -> usize {
        self.legs.iter().rposition(|leg| leg.start_m <= at_m).unwrap_or(0)
    }

    fn sampled(values: &[f64], at_m: f64) -> f64 {
        let step = (at_m.max(0.0) / STEP_M) as usize;
        values.get(step).or(values.last()).copied().unwrap_or(0.0)
    }

    /// Speed not to be exceeded there, stops and lights aside. Unit: m/s.
    pub(crate) fn allowed_ms(&self, at_m: f64) -> f64 {
        Self::sampled(&self.allowed_ms, at_m)
    }

    /// Ground distance from there to the nearest substation. Unit: m.
    pub(crate) fn feeder_m(&self, at_m: f64) -> f64 {
        Self::sampled(&self.feeder_m, at_m)
    }

    /// Point on the ground plan. Unit: m.
    fn point(&self, at_m: f64) -> (f64, f64) {
        self.legs.get(self.leg_at(at_m)).map_or((0.0, 0.0), |leg| {
            let metres = at_m - leg.start_m;
            (leg.origin.0 + leg.towards.0 * metres, leg.origin.1 + leg.towards.1 * metres)
        })
    }

    /// Latitude and longitude on the right-hand lane. Unit: degrees.
    pub(crate) fn degrees(&self, at_m: f64) -> (f64, f64) {
        const LANE_M: f64 = 3.0;
        let (x, y) = self.point(at_m);
        let towards = self.legs.get(self.leg_at(at_m)).map_or((0.0, 1.0), |leg| leg.towards);
        degrees(x + towards.1 * LANE_M, y - towards.0 * LANE_M)
    }

    /// "Station – Market Square", for people.
    pub(crate) fn street_name(&self, at_m: f64) -> String {
        self.legs.get(self.leg_at(at_m)).map_or_else(String::new, |leg| format!("{} – {}", leg.from, leg.to))
    }

    /// Which way the street turns off within so many metres: left positive, right negative, 0 where it does not.
    pub(crate) fn turn_ahead(&self, at_m: f64, metres: f64) -> f64 {
        // Sine of 30°.
        const TURN: f64 = 0.5;
        let leg = self.legs.get(self.leg_at(at_m));
        let near = leg.filter(|leg| leg.start_m + leg.length_m - at_m < metres);
        near.map_or(0.0, |leg| if leg.bend_after.abs() > TURN { leg.bend_after.signum() } else { 0.0 })
    }

    /// Metres of it without wire, and how often the wire ends on it.
    pub(crate) fn off_wire(&self) -> (f64, u32) {
        let metres = self.legs.iter().filter(|leg| !leg.wired).map(|leg| leg.length_m).sum();
        let ends = self.marks.iter().filter(|(_, mark)| matches!(mark, Mark::Stop { wire: Wire::Ends, .. })).count();
        (metres, ends as u32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_come_in_order_and_special_work_keeps_clear_of_stops() {
        let town = Town::velmora();
        for line in &town.lines {
            let mut back = line.places.clone();
            back.reverse();
            for places in [&line.places, &back] {
                let route = Route::over(&town, places, true);
                assert!(route.marks.windows(2).all(|pair| pair[0].0 <= pair[1].0));
                for (stop_m, _) in route.marks.iter().filter(|(_, m)| matches!(m, Mark::Stop { .. } | Mark::Lights)) {
                    for (work_m, _) in route.marks.iter().filter(|(_, m)| matches!(m, Mark::Special { .. })) {
                        assert!((stop_m - work_m).abs() > 8.0, "line {}: {stop_m} and {work_m}", line.number);
                    }
                }
            }
        }
    }

    #[test]
    fn the_wire_ends_and_begins_where_streets_do() {
        let town = Town::velmora();
        let route = Route::over(&town, &town.lines[2].places, true);
        let changes: Vec<Wire> = route
            .marks
            .iter()
            .filter_map(|(_, mark)| if let Mark::Stop { wire, .. } = mark { Some(*wire) } else { None })
            .filter(|wire| *wire != Wire::Same)
            .collect();
        assert_eq!(changes, [Wire::Begins, Wire::Ends]);
        let (off_wire_m, ends) = route.off_wire();
        assert_eq!(ends, 1);
        assert!(off_wire_m > 2_500.0 && off_wire_m < 0.5 * route.length_m);
    }

    #[test]
    fn the_profile_can_be_braked_down() {
        let town = Town::velmora();
        let route = Route::over(&town, &town.lines[0].places, true);
        let mut at_m = 0.0;
        while at_m + STEP_M < route.length_m {
            let (now, next) = (route.allowed_ms(at_m), route.allowed_ms(at_m + STEP_M));
            assert!(now * now - next * next <= 2.0 * PLANNED_BRAKING * STEP_M + 1e-9);
            at_m += STEP_M;
        }
    }
}
