//! The overhead's direct current as one vehicle meets it: a source behind a resistance.
//!
//! Nominal 600 V. EN 50163 has 400 V as the lowest and 800 V as the highest permitted for it.

use super::chance::Chance;

/// Nominal and permitted voltages. Unit: V. Source: EN 50163:2004, 600 V systems.
pub const NOMINAL_V: f64 = 600.0;
/// Lowest permitted non-permanent voltage.
pub const LOWEST_V: f64 = 400.0;
/// Highest permitted non-permanent voltage.
pub const HIGHEST_V: f64 = 800.0;

/// At a substation without load.
const SOURCE_V: f64 = 668.0;
/// A rectifier and its cables. Unit: Ω.
const SOURCE_OHM: f64 = 0.022;
/// Two wires of 100 mm² copper with their feeders beside them. Unit: Ω/m.
const WIRE_OHM_M: f64 = 0.000_21;
/// Vehicles draw less when the voltage falls towards this.
const GUARDED_V: f64 = 440.0;
/// Feeding back must not lift the voltage beyond this.
const FED_BACK_V: f64 = 735.0;

/// What the line offers at one moment.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Offer {
    /// Without this vehicle's load. Unit: V.
    pub(crate) open_v: f64,
    /// Unit: Ω.
    pub(crate) ohm: f64,
    /// Current that other vehicles would take from this one. Unit: A.
    pub(crate) receptive_a: f64,
}

/// The other vehicles: how much they pull the line down, and take of what is fed back.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    chance: Chance,
    drop_v: f64,
    drop_aim_v: f64,
    receptive_a: f64,
    receptive_aim_a: f64,
    until_s: f64,
}

impl Line {
    pub(crate) fn new(chance: Chance) -> Self {
        Self { chance, drop_v: 12.0, drop_aim_v: 12.0, receptive_a: 120.0, receptive_aim_a: 120.0, until_s: 0.0 }
    }

    /// The next step: the line so far from the nearest substation.
    pub(crate) fn step(&mut self, dt_s: f64, feeder_m: f64) -> Offer {
        self.until_s -= dt_s;
        if self.until_s <= 0.0 {
            self.until_s = self.chance.between(3.0, 18.0);
            self.drop_aim_v = self.chance.between(0.0, 26.0) + self.chance.between(0.0, 26.0);
            self.receptive_aim_a = (self.chance.between(-60.0, 320.0)).max(0.0);
        }
        let part = dt_s / 2.5;
        self.drop_v += (self.drop_aim_v - self.drop_v) * part;
        self.receptive_a += (self.receptive_aim_a - self.receptive_a) * part;
        Offer { open_v: SOURCE_V - self.drop_v, ohm: SOURCE_OHM + WIRE_OHM_M * feeder_m, receptive_a: self.receptive_a }
    }
}

impl Offer {
    /// The most a vehicle may draw, its input limited to so many amperes. Unit: W.
    pub(crate) fn most_w(&self, most_a: f64) -> f64 {
        let amperes = ((self.open_v - GUARDED_V) / self.ohm).min(most_a).max(0.0);
        amperes * (self.open_v - self.ohm * amperes)
    }

    /// The most that can be fed back; positive. Unit: W.
    pub(crate) fn most_back_w(&self) -> f64 {
        let amperes = ((FED_BACK_V - self.open_v) / self.ohm).min(self.receptive_a).max(0.0);
        amperes * (self.open_v + self.ohm * amperes)
    }

    /// Voltage and current when so much is drawn (negative: fed back). Unit: W to V, A.
    pub(crate) fn at(&self, watts: f64) -> (f64, f64) {
        let root = (self.open_v * self.open_v - 4.0 * self.ohm * watts).max(0.0).sqrt();
        let volts = 0.5 * (self.open_v + root);
        (volts, watts / volts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn voltage_stays_permitted_whatever_is_drawn_within_the_limits() {
        let mut line = Line::new(Chance::of(3, "line", &[]));
        for step in 0..50_000 {
            let offer = line.step(0.05, f64::from(step % 1_300));
            for watts in [offer.most_w(480.0), -offer.most_back_w(), 0.0] {
                let (volts, amperes) = offer.at(watts);
                assert!(volts > LOWEST_V && volts < HIGHEST_V, "{volts} V");
                assert!((volts * amperes - watts).abs() < 1.0);
                assert!((offer.open_v - offer.ohm * amperes - volts).abs() < 0.01);
            }
        }
    }
}
