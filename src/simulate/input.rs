//! The line input unit: contactor, precharging, filter, and a voltage transducer of high impedance.

/// Line voltage must have been there so long before the contactor is told to close. Unit: s.
const PRESENT_S: f64 = 1.2;
const PRECHARGING_S: f64 = 0.35;
const CLOSING_S: f64 = 0.1;
/// Line voltage lost so long, and the contactor is told to open. Unit: s.
const LOST_S: f64 = 0.3;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    Isolated,
    Precharging,
    Closing,
    Closed,
}

/// A dirty film between collector and wire, which lets a transducer's current through but no load's.
#[derive(Debug, Clone, Copy)]
struct Film {
    /// Loads it withstands before it breaks down.
    attempts: u32,
}

/// The input unit.
#[derive(Debug, Clone)]
pub(crate) struct Input {
    phase: Phase,
    since_s: f64,
    present_s: f64,
    lost_s: f64,
    dropped_s: f64,
    film: Option<Film>,
    /// What the transducer shows when nothing is drawn. Unit: V.
    shown_v: f64,
    /// Across the filter. Unit: V.
    pub(crate) filter_v: f64,
    /// Set for the step in which a shown voltage collapsed under load: what had been shown. Unit: V.
    pub(crate) collapsed_v: Option<f64>,
}

impl Input {
    pub(crate) fn new() -> Self {
        Self {
            phase: Phase::Isolated,
            since_s: 0.0,
            present_s: 0.0,
            lost_s: 0.0,
            dropped_s: 0.0,
            film: None,
            shown_v: 0.0,
            filter_v: 0.0,
            collapsed_v: None,
        }
    }

    fn enter(&mut self, phase: Phase) {
        self.phase = phase;
        self.since_s = 0.0;
        self.lost_s = 0.0;
        self.present_s = 0.0;
    }

    /// Dirt comes between; it stands so many loads.
    pub(crate) fn soil(&mut self, attempts: u32) {
        if attempts > 0 {
            self.film = Some(Film { attempts });
        }
    }

    /// The contactor falls open for so long, though told to be closed.
    pub(crate) fn drop_out(&mut self, seconds: f64) {
        if self.phase == Phase::Closed {
            self.dropped_s = seconds;
        }
    }

    pub(crate) fn is_dropped_out(&self) -> bool {
        self.dropped_s > 0.0
    }

    /// The next step. `wire_v`: at the collectors without load, 0 when there is none; `wanted`: the vehicle wants the line.
    pub(crate) fn step(&mut self, dt_s: f64, wire_v: f64, wanted: bool, held_up: bool) {
        self.since_s += dt_s;
        self.collapsed_v = None;
        self.dropped_s = (self.dropped_s - dt_s).max(0.0);
        if wire_v <= 0.0 {
            self.film = None;
        }
        if !wanted && self.phase != Phase::Isolated {
            self.enter(Phase::Isolated);
        }
        let before_v = self.shown_v;
        let loaded = self.phase != Phase::Isolated;
        self.shown_v = match self.film {
            Some(_) if loaded => 9.0,
            Some(_) => 0.96 * wire_v,
            None => wire_v,
        };
        let lost = self.shown_v < 100.0;
        self.lost_s = if lost { self.lost_s + dt_s } else { 0.0 };
        self.present_s = if self.shown_v > 400.0 { self.present_s + dt_s } else { 0.0 };
        match self.phase {
            Phase::Isolated if wanted && self.present_s > PRESENT_S => {
                self.enter(Phase::Precharging);
                if self.film.is_some() {
                    self.collapsed_v = Some(before_v);
                    self.shown_v = 9.0;
                }
            }
            Phase::Isolated => {}
            _ if self.lost_s > LOST_S => {
                self.film =
                    self.film.and_then(|film| (film.attempts > 1).then_some(Film { attempts: film.attempts - 1 }));
                self.dropped_s = 0.0;
                self.enter(Phase::Isolated);
            }
            Phase::Precharging if self.since_s > PRECHARGING_S && !lost => self.enter(Phase::Closing),
            Phase::Closing if self.since_s > CLOSING_S => self.enter(Phase::Closed),
            _ => {}
        }
        let (aim_v, seconds) = if self.is_connected() {
            (self.shown_v, 0.02)
        } else if self.phase == Phase::Precharging {
            (self.shown_v, 0.12)
        } else if held_up {
            (596.0, 0.25)
        } else {
            (0.0, 2.0)
        };
        self.filter_v += (aim_v - self.filter_v) * (dt_s / seconds).min(1.0);
    }

    /// Whether current can flow.
    pub(crate) fn is_connected(&self) -> bool {
        self.phase == Phase::Closed && self.dropped_s <= 0.0 && self.film.is_none() && self.shown_v > 100.0
    }

    /// What the transducer shows while nothing is drawn. Unit: V.
    pub(crate) fn shown_v(&self) -> f64 {
        self.shown_v
    }

    pub(crate) fn command(&self) -> bool {
        self.phase != Phase::Isolated
    }

    pub(crate) fn feedback(&self) -> bool {
        self.phase == Phase::Closed && self.dropped_s <= 0.0
    }

    pub(crate) fn precharging(&self) -> bool {
        self.phase == Phase::Precharging
    }

    /// Raw value of `line_input.state`.
    pub(crate) fn state_raw(&self) -> u8 {
        match self.phase {
            Phase::Isolated => 0,
            Phase::Precharging | Phase::Closing => 1,
            Phase::Closed => 2,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(input: &mut Input, seconds: f64, wire_v: f64) -> u32 {
        let mut collapses = 0;
        for _ in 0..(seconds / 0.05) as u32 {
            input.step(0.05, wire_v, true, true);
            collapses += u32::from(input.collapsed_v.is_some());
        }
        collapses
    }

    #[test]
    fn closes_on_a_good_line_and_rides_through_a_short_gap() {
        let mut input = Input::new();
        assert_eq!(run(&mut input, 3.0, 640.0), 0);
        assert!(input.is_connected());
        run(&mut input, 0.2, 0.0);
        assert!(input.command() && !input.is_connected());
        run(&mut input, 0.1, 640.0);
        assert!(input.is_connected());
        run(&mut input, 0.6, 0.0);
        assert!(!input.command());
    }

    #[test]
    fn a_film_shows_voltage_and_collapses_as_often_as_it_stands() {
        let mut input = Input::new();
        run(&mut input, 3.0, 640.0);
        input.soil(3);
        // The first load that fails is the one already flowing; two more are attempts on a shown voltage.
        assert_eq!(run(&mut input, 20.0, 640.0), 2);
        assert!(input.is_connected());
    }
}
