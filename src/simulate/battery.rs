//! The off-wire battery: charge, voltage under load, heat, and giving up.

use super::chance::Chance;

/// Cells in series; modules they are packed in.
const CELLS: f64 = 160.0;
/// Modules the cells are packed in.
pub(crate) const MODULES: usize = 8;
/// Under load for longer than `PATIENCE_S`, and the pack has given up. Unit: V.
const CUT_OFF_V: f64 = 482.0;
const PATIENCE_S: f64 = 0.8;
/// Gives up below this charge. Unit: 1 of usable capacity.
const EMPTY: f64 = 0.02;
/// After giving up it rests so long before it lets the vehicle creep.
const REST_S: f64 = 40.0;
/// So long it lets the vehicle creep before it gives up again.
const CREEP_S: f64 = 7.0;
/// Most current out, and the power for creeping.
const MOST_OUT_A: f64 = 240.0;
const CREEP_W: f64 = 26_000.0;
/// Charging under the wire. Unit: 1/h of the usable charge when new.
const CHARGING: f64 = 2.2;
/// The manager gives up without need, as badly wired sensors make it do: probability in one stretch, and when.
const WHIM: f64 = 4e-4;
const WHIM_AFTER_S: (f64, f64) = (15.0, 150.0);
/// Charged up to here while driving.
const FULL: f64 = 0.92;
/// Heat capacity by weight and cooling to the air.
const HEAT_J_KG_K: f64 = 950.0;
const COOLING_W_K: f64 = 62.0;

/// What the pack is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum State {
    Standby,
    Supplying,
    Charging,
    Limited,
    Exhausted,
}

impl State {
    /// Raw value of `off_wire_battery.state`.
    pub(crate) fn raw(self) -> u8 {
        match self {
            Self::Standby => 0,
            Self::Supplying => 1,
            Self::Charging => 2,
            Self::Limited => 3,
            Self::Exhausted => 4,
        }
    }
}

/// The pack.
#[derive(Debug, Clone)]
pub(crate) struct Battery {
    /// Usable when new. Unit: A·h.
    new_ah: f64,
    /// Usable now, against new.
    pub(crate) capacity: f64,
    /// At 25 °C. Unit: Ω.
    ohm_25: f64,
    mass_kg: f64,
    /// Charge, against what is usable now. Below 0 is a reserve that costs the cells dearly.
    pub(crate) charge: f64,
    pub(crate) temperature_c: f64,
    /// At the terminals. Unit: V, and A out of it.
    pub(crate) volts: f64,
    pub(crate) amperes: f64,
    pub(crate) drawn_ah: f64,
    pub(crate) state: State,
    below_s: f64,
    resting_s: f64,
    /// Times it gave up on the present stretch: after the second the driver takes the reserve.
    gave_up: u32,
    /// Gives up after so long on the stretch, for no reason.
    whim_s: Option<f64>,
    /// Energy turned into heat in it. Unit: J.
    pub(crate) heat_j: f64,
    /// Energy out of its cells, before the resistance. Unit: J.
    pub(crate) cells_j: f64,
}

impl Battery {
    /// A pack of an age, its usable charge and resistance changed by what is planted.
    pub(crate) fn new(articulated: bool, years: f64, capacity: f64, resistance: f64) -> Self {
        let aged = (1.0 - 0.026 * years).max(0.5);
        let size = if articulated { 1.3 } else { 1.0 };
        Self {
            new_ah: 62.0 * size,
            capacity: if capacity < 1.0 { capacity } else { aged },
            ohm_25: 0.105 / size * (1.0 + 0.05 * years) * resistance,
            mass_kg: 330.0 * size,
            charge: 0.9,
            temperature_c: 15.0,
            volts: 620.0,
            amperes: 0.0,
            drawn_ah: 0.0,
            state: State::Standby,
            below_s: 0.0,
            resting_s: 0.0,
            gave_up: 0,
            whim_s: None,
            heat_j: 0.0,
            cells_j: 0.0,
        }
    }

    fn open_v(&self) -> f64 {
        // Cell voltage over charge, straight between these points; the shape of a nickel-manganese-cobalt cell.
        const CURVE: [(f64, f64); 9] = [
            (-0.40, 2.92),
            (0.0, 3.12),
            (0.05, 3.36),
            (0.10, 3.46),
            (0.20, 3.56),
            (0.50, 3.69),
            (0.80, 3.95),
            (1.00, 4.15),
            (1.10, 4.18),
        ];
        let charge = self.charge.clamp(-0.40, 1.10);
        let above = CURVE.iter().position(|point| point.0 >= charge).unwrap_or(CURVE.len() - 1).max(1);
        let ((x0, y0), (x1, y1)) = (CURVE[above - 1], CURVE[above]);
        CELLS * (y0 + (y1 - y0) * (charge - x0) / (x1 - x0))
    }

    /// Resistance, higher in the cold. Unit: Ω.
    fn ohm(&self) -> f64 {
        self.ohm_25 * (1.0 + 0.018 * (25.0 - self.temperature_c).clamp(-20.0, 40.0))
    }

    /// The most it gives at its terminals. Unit: W.
    pub(crate) fn most_out_w(&self) -> f64 {
        let amperes = MOST_OUT_A * if self.charge < 0.12 { 0.6 } else { 1.0 };
        let watts = amperes * (self.open_v() - self.ohm() * amperes).max(0.0);
        match self.state {
            State::Exhausted => 2_500.0,
            State::Limited => CREEP_W,
            _ => watts,
        }
    }

    /// The most it takes; positive. Unit: W.
    pub(crate) fn most_in_w(&self, braking: bool) -> f64 {
        let full = if braking { 0.97 } else { FULL };
        if self.charge >= full || self.temperature_c > 48.0 {
            return 0.0;
        }
        let rate = if braking { 2.4 } else { CHARGING } * if self.temperature_c < 3.0 { 0.4 } else { 1.0 };
        let taper = ((full - self.charge) / 0.08).min(1.0);
        rate * taper * self.new_ah * self.capacity.max(0.6) * self.open_v()
    }

    /// One step under so much power at the terminals (negative charges). `stretch`: it is to move the vehicle.
    ///
    /// Gives whether it has given up just now.
    pub(crate) fn step(&mut self, dt_s: f64, watts: f64, air_c: f64, stretch: bool) -> bool {
        let (open_v, ohm) = (self.open_v(), self.ohm());
        let root = (open_v * open_v - 4.0 * ohm * watts).max(0.0).sqrt();
        self.amperes = (open_v - root) / (2.0 * ohm);
        self.volts = open_v - ohm * self.amperes;
        let hours = dt_s / 3_600.0;
        self.charge -= self.amperes * hours / (self.new_ah * self.capacity);
        self.drawn_ah += self.amperes.max(0.0) * hours;
        let heat_w = ohm * self.amperes * self.amperes;
        self.heat_j += heat_w * dt_s;
        self.cells_j += open_v * self.amperes * dt_s;
        let cooling_w = COOLING_W_K * (self.temperature_c - air_c);
        self.temperature_c += (heat_w - cooling_w) * dt_s / (self.mass_kg * HEAT_J_KG_K);
        self.judge(dt_s, stretch)
    }

    /// A stretch begins: draws whether the manager will give up without need.
    pub(crate) fn begin_stretch(&mut self, chance: &mut Chance) {
        let after_s = chance.between(WHIM_AFTER_S.0, WHIM_AFTER_S.1);
        self.whim_s = chance.happens(WHIM).then_some(after_s);
    }

    fn judge(&mut self, dt_s: f64, stretch: bool) -> bool {
        if !stretch {
            self.whim_s = None;
            self.gave_up = 0;
            self.below_s = 0.0;
            self.state = if self.amperes > 1.0 {
                State::Supplying
            } else if self.amperes < -1.0 {
                State::Charging
            } else {
                State::Standby
            };
            return false;
        }
        if self.state == State::Exhausted {
            self.resting_s -= dt_s;
            if self.resting_s <= 0.0 {
                self.state = State::Limited;
            }
            return false;
        }
        let low = self.volts < CUT_OFF_V || self.charge < EMPTY;
        self.below_s = if low { self.below_s + dt_s } else { 0.0 };
        let patience_s = if self.state == State::Limited { CREEP_S } else { PATIENCE_S };
        self.whim_s = self.whim_s.map(|left_s| left_s - dt_s);
        let has_whim = self.whim_s.take_if(|left_s| *left_s <= 0.0).is_some();
        let gives_up = (self.below_s > patience_s || has_whim) && self.gave_up < 2;
        if gives_up {
            self.gave_up += 1;
            self.below_s = 0.0;
            self.resting_s = REST_S;
            self.state = State::Exhausted;
        } else if self.state != State::Limited {
            self.state = State::Supplying;
        }
        gives_up
    }

    /// Hours without load: it comes to the temperature of the air around it.
    pub(crate) fn rest(&mut self, seconds: f64, air_c: f64) {
        let part = libm::exp(-COOLING_W_K * seconds / (self.mass_kg * HEAT_J_KG_K));
        self.temperature_c = air_c + (self.temperature_c - air_c) * part;
        self.amperes = 0.0;
        self.volts = self.open_v();
        self.state = State::Standby;
    }

    /// Lowest and highest cell voltage of a module (0 based), by the little differences cells have. Unit: V.
    pub(crate) fn cells(&self, module: usize) -> (f64, f64) {
        let mean = self.volts / CELLS;
        let spread = 0.004 + 0.0015 * module as f64 % 0.005 + if self.capacity < 0.5 { 0.03 } else { 0.0 };
        (mean - spread, mean + 0.6 * spread)
    }

    /// Temperature of a module (0 based); the hottest is as hot as the pack is said to be. Unit: °C.
    pub(crate) fn module_c(&self, module: usize) -> f64 {
        self.temperature_c - [1.8, 0.9, 0.4, 0.2, 0.0, 0.3, 0.8, 1.5][module % MODULES]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn energy_of_the_cells_is_energy_out_plus_heat() {
        let mut battery = Battery::new(false, 2.0, 1.0, 1.0);
        let mut out_j = 0.0;
        for step in 0..20_000 {
            battery.step(0.05, if step % 400 < 250 { 70_000.0 } else { -20_000.0 }, 5.0, false);
            out_j += battery.volts * battery.amperes * 0.05;
        }
        assert!((battery.cells_j - out_j - battery.heat_j).abs() < 1e-6 * battery.cells_j.abs());
        assert!(battery.temperature_c > 15.0);
    }

    #[test]
    fn a_weak_pack_gives_up_where_a_sound_one_does_not_and_is_no_hotter() {
        let stretch = |capacity: f64| {
            let mut battery = Battery::new(false, 3.0, capacity, 1.0);
            let mut gave_up = 0;
            // A hill of 1.5 km and back, with heating, in ten minutes.
            for step in 0..12_000 {
                let watts = if step % 600 < 300 { 75_000.0 } else { 9_000.0 };
                let watts = f64::min(watts, battery.most_out_w());
                gave_up += i32::from(battery.step(0.05, watts, 5.0, true));
            }
            (gave_up, battery.temperature_c)
        };
        let (sound, warm_c) = stretch(1.0);
        let (weak, weak_c) = stretch(0.22);
        assert_eq!(sound, 0);
        assert!(weak >= 1, "{weak}");
        assert!(weak_c <= warm_c + 0.5, "{weak_c} °C against {warm_c} °C");
    }
}
