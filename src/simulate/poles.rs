//! The two poles on the roof and the gear that raises and lowers them.

use super::chance::Chance;

/// From letting up to each collector's contact. Unit: s.
const CONTACT_S: [f64; 2] = [3.0, 4.2];
const LOWERING_S: f64 = 2.5;
/// From leaving the wire to being pulled down. Unit: s.
const PULL_DOWN_AFTER_S: f64 = 1.05;
const PULLING_S: f64 = 1.5;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    Down,
    Rising,
    Up,
    Lowering,
    /// That collector has left its wire; the other is still on.
    Off(usize),
    Pulling,
}

/// Both poles.
#[derive(Debug, Clone)]
pub(crate) struct Poles {
    phase: Phase,
    since_s: f64,
    chance: Chance,
    /// Side swing, left and right. Unit: degrees, positive to the right.
    pub(crate) swing_deg: [f64; 2],
    sway: f64,
    /// The right one rides apart from the left by so much, for so long. Unit: degrees, s.
    apart: (f64, f64),
    /// Air for pulling down. Unit: kPa.
    pub(crate) pressure_kpa: f64,
}

impl Poles {
    pub(crate) fn new(chance: Chance) -> Self {
        Self {
            phase: Phase::Down,
            since_s: 0.0,
            chance,
            swing_deg: [0.0; 2],
            sway: 0.0,
            apart: (0.0, 0.0),
            pressure_kpa: 880.0,
        }
    }

    fn enter(&mut self, phase: Phase) {
        self.phase = phase;
        self.since_s = 0.0;
    }

    pub(crate) fn raise(&mut self) {
        if self.phase == Phase::Down {
            self.enter(Phase::Rising);
        }
    }

    pub(crate) fn lower(&mut self) {
        if matches!(self.phase, Phase::Up | Phase::Rising) {
            self.enter(Phase::Lowering);
        }
    }

    /// One collector (0 left, 1 right) leaves its wire.
    pub(crate) fn lose(&mut self, side: usize) {
        if self.phase == Phase::Up {
            self.enter(Phase::Off(side.min(1)));
        }
    }

    /// The collectors ride apart for a while.
    pub(crate) fn ride_apart(&mut self, degrees: f64, seconds: f64) {
        self.apart = (degrees, seconds);
    }

    /// Whether they do so now.
    pub(crate) fn are_apart(&self) -> bool {
        self.apart.1 > 0.0 && self.phase == Phase::Up
    }

    /// Angle between them, seen from above. Unit: degrees.
    pub(crate) fn spread_deg(&self) -> f64 {
        (self.swing_deg[1] - self.swing_deg[0]).abs()
    }

    /// The next step; `bend` is how sharply the street bends here, left positive.
    pub(crate) fn step(&mut self, dt_s: f64, moving: bool, bend: f64) {
        self.since_s += dt_s;
        match self.phase {
            Phase::Rising if self.since_s > CONTACT_S[1] + 0.3 => self.enter(Phase::Up),
            Phase::Lowering if self.since_s > LOWERING_S => self.enter(Phase::Down),
            Phase::Off(_) if self.since_s > PULL_DOWN_AFTER_S => {
                self.pressure_kpa -= 120.0;
                self.enter(Phase::Pulling);
            }
            Phase::Pulling if self.since_s > PULLING_S => self.enter(Phase::Down),
            _ => {}
        }
        self.pressure_kpa += (880.0 - self.pressure_kpa) * dt_s / 60.0;
        if moving {
            self.sway += (self.chance.bell() * 4.0 - self.sway) * dt_s / 3.0;
        }
        let on_wire = 4.0 + 6.0 * self.sway.clamp(-1.5, 1.5) + 22.0 * bend;
        self.apart.1 = (self.apart.1 - dt_s).max(0.0);
        for side in 0..2 {
            let aim = match self.phase {
                Phase::Off(lost) if lost == side => 34.0 * if side == 0 { -1.0 } else { 1.0 },
                Phase::Up if side == 1 && self.apart.1 > 0.0 => on_wire + self.apart.0,
                Phase::Up | Phase::Off(_) => on_wire,
                Phase::Rising if self.since_s > 1.5 => on_wire,
                _ => 0.0,
            };
            self.swing_deg[side] += (aim - self.swing_deg[side]) * (dt_s / 0.35).min(1.0);
        }
    }

    /// Let up against the wire, both.
    pub(crate) fn raised(&self) -> bool {
        matches!(self.phase, Phase::Rising | Phase::Up | Phase::Off(_))
    }

    /// Which collectors bear on their wires, left and right.
    pub(crate) fn contact(&self) -> [bool; 2] {
        match self.phase {
            Phase::Up => [true; 2],
            Phase::Rising => CONTACT_S.map(|seconds| self.since_s >= seconds),
            Phase::Off(lost) => [lost != 0, lost != 1],
            _ => [false; 2],
        }
    }

    pub(crate) fn both_in_contact(&self) -> bool {
        self.contact() == [true; 2]
    }

    pub(crate) fn are_down(&self) -> bool {
        self.phase == Phase::Down
    }

    pub(crate) fn are_up(&self) -> bool {
        self.phase == Phase::Up
    }

    /// Raw value of `poles.command`.
    pub(crate) fn command_raw(&self) -> u8 {
        match self.phase {
            Phase::Rising => 1,
            Phase::Lowering => 2,
            Phase::Pulling => 3,
            _ => 0,
        }
    }
}
