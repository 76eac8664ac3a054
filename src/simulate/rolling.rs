//! The vehicle as a machine: what moves it, what that draws, what gets warm.
//!
//! Efficiencies as used by Paul Scherrer Institut's open bus model (carculator_bus, Table 13): inverter 0.98, motor
//! 0.93, gear 0.95, axle 0.94.

use super::battery::Battery;
use super::chance::Chance;
use super::fleet::Build;
use super::input::Input;
use super::poles::Poles;
use super::supply::{Line, Offer};

/// Step of the simulation. Unit: s.
pub(crate) const STEP_S: f64 = 0.05;
/// The same. Unit: µs.
pub(crate) const STEP_US: i64 = 50_000;
/// From the direct-current side to the wheel, and back.
pub(crate) const DRIVE_EFFICIENCY: f64 = 0.98 * 0.93 * 0.95 * 0.94;
const MOTOR_EFFICIENCY: f64 = 0.93;
/// Between battery and direct-current side.
pub(crate) const CONVERTER_EFFICIENCY: f64 = 0.97;
const GRAVITY: f64 = 9.81;
const ROLLING: f64 = 0.0088;
const AIR_KG_M3: f64 = 1.25;
const DRAG_M2: f64 = 0.65 * 8.1;
/// What turns as the vehicle moves, in mass.
const TURNING: f64 = 1.06;
const WHEEL_M: f64 = 0.48;
const GEAR_RATIO: f64 = 9.8;
/// Below this the electric brake fades. Unit: m/s.
const ELECTRIC_BRAKE_MS: f64 = 1.4;

/// A battery that gives less than this is spared: no heating, fewest auxiliaries.
pub(crate) const POOR_W: f64 = 30_000.0;

/// Most power at the wheel, most tractive force, most line current. Unit: W, N, A.
pub(crate) fn limits(build: Build) -> (f64, f64, f64) {
    match build {
        Build::Rigid => (150_000.0, 17_500.0, 380.0),
        Build::Articulated => (215_000.0, 25_500.0, 480.0),
    }
}

/// Heating, or cooling, by the air outside; less of it from the battery, none from a poor one. Unit: W.
pub(crate) fn heating(build: Build, air_c: f64, connected: bool, poor: bool) -> f64 {
    let size = if build == Build::Articulated { 1.4 } else { 1.0 };
    let wanted_w = (size * 950.0 * (17.0 - air_c).clamp(0.0, 28.0)) + size * 900.0 * (air_c - 23.0).clamp(0.0, 10.0);
    let heating_w = if connected { wanted_w } else { wanted_w.min(5_000.0 * size) };
    if poor { 0.0 } else { heating_w }
}

/// The motor's temperature after so long under a load: power at the wheel (W), square of the effort (1 of the most
/// force), speed (m/s). Unit: °C.
pub(crate) fn motor_after(build: Build, motor_c: f64, air_c: f64, load: (f64, f64, f64), dt_s: f64) -> f64 {
    let (wheel_w, effort_2, speed_ms) = load;
    let size = if build == Build::Articulated { 1.35 } else { 1.0 };
    let airflow = 1.0 + 0.05 * speed_ms;
    let motor_w = wheel_w * (1.0 / MOTOR_EFFICIENCY - 1.0) + size * 3_400.0 * effort_2;
    motor_c + (motor_w - size * 24.0 * airflow * (motor_c - air_c)) * dt_s / (size * 1.1e5)
}

/// What the auxiliaries draw besides heating. Unit: W.
pub(crate) fn base_load(build: Build, poor: bool) -> f64 {
    let size = if build == Build::Articulated { 1.4 } else { 1.0 };
    if poor { 1_900.0 } else { 5_200.0 * size }
}

/// Who gives and takes electric power.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Flow {
    /// From the line; negative is fed back. Unit: W.
    pub(crate) line_w: f64,
    /// At the battery's terminals, positive out. Unit: W.
    pub(crate) battery_w: f64,
    /// Into the brake resistor. Unit: W.
    pub(crate) resistor_w: f64,
}

impl Flow {
    /// `line`: what it offers and the input's limit (A), where it is connected. `takes_w`: the most that the battery
    /// takes, and takes while braking.
    pub(crate) fn of(need_w: f64, line: Option<(&Offer, f64)>, takes_w: (f64, f64)) -> Self {
        match line {
            Some((offer, input_a)) if need_w >= 0.0 => {
                let spare_w = 0.85 * (offer.most_w(input_a) - need_w).max(0.0);
                let charging_w = takes_w.0.min(spare_w * CONVERTER_EFFICIENCY);
                let line_w = need_w + charging_w / CONVERTER_EFFICIENCY;
                Self { line_w, battery_w: -charging_w, resistor_w: 0.0 }
            }
            None if need_w >= 0.0 => Self { line_w: 0.0, battery_w: need_w / CONVERTER_EFFICIENCY, resistor_w: 0.0 },
            _ => {
                let surplus_w = -need_w;
                let line_w = line.map_or(0.0, |(offer, _)| -surplus_w.min(offer.most_back_w()));
                let rest_w = surplus_w + line_w;
                let battery_w = -(rest_w * CONVERTER_EFFICIENCY).min(takes_w.1);
                Self { line_w, battery_w, resistor_w: (rest_w + battery_w / CONVERTER_EFFICIENCY).max(0.0) }
            }
        }
    }
}

/// Less current than this draws no arc. Unit: A.
const ARC_A: f64 = 45.0;

/// What the driver, or the timetable, wants of the machine.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Orders {
    /// Power pedal, 0 to 1.
    pub(crate) power: f64,
    /// Wanted braking. Unit: m/s².
    pub(crate) braking_ms2: f64,
    /// The line may be connected.
    pub(crate) line_wanted: bool,
    /// The battery is to move the vehicle.
    pub(crate) stretch: bool,
    /// Switched on.
    pub(crate) active: bool,
    /// The battery may be charged from the line.
    pub(crate) charge: bool,
}

/// What is around the machine.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Around {
    pub(crate) grade: f64,
    /// To the nearest substation. Unit: m.
    pub(crate) feeder_m: f64,
    /// Live wire above.
    pub(crate) live: bool,
    pub(crate) air_c: f64,
    pub(crate) wet: bool,
    pub(crate) bend: f64,
    /// Passengers. Unit: kg.
    pub(crate) load_kg: f64,
}

/// Energy since the day began, each counted positive. Unit: J.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Energy {
    pub(crate) line_out: f64,
    pub(crate) line_back: f64,
    pub(crate) battery_out: f64,
    pub(crate) battery_in: f64,
    pub(crate) converter_lost: f64,
    pub(crate) driven: f64,
    pub(crate) braked: f64,
    pub(crate) auxiliaries: f64,
    pub(crate) resistor: f64,
    pub(crate) wheel_driven: f64,
    pub(crate) wheel_braked: f64,
    pub(crate) friction: f64,
    pub(crate) resisted: f64,
    pub(crate) climbed: f64,
    pub(crate) kinetic: f64,
}

/// The machine.
#[derive(Debug, Clone)]
pub(crate) struct Rolling {
    build: Build,
    empty_kg: f64,
    pub(crate) speed_ms: f64,
    pub(crate) acceleration_ms2: f64,
    pub(crate) odometer_m: f64,
    pub(crate) poles: Poles,
    pub(crate) input: Input,
    pub(crate) battery: Battery,
    line: Line,
    /// At the transducers. Unit: V, A.
    pub(crate) line_v: f64,
    pub(crate) line_a: f64,
    pub(crate) torque_nm: f64,
    pub(crate) motor_per_min: f64,
    pub(crate) motor_c: f64,
    pub(crate) inverter_c: f64,
    pub(crate) gear_c: f64,
    pub(crate) choke_c: f64,
    pub(crate) resistor_c: f64,
    pub(crate) resistor_a: f64,
    pub(crate) auxiliary_w: f64,
    pub(crate) heating_w: f64,
    pub(crate) limited: bool,
    pub(crate) electric_brake: bool,
    pub(crate) gave_up: bool,
    /// Square of the share of the most force that is used.
    pub(crate) effort_2: f64,
    /// What the line offers.
    pub(crate) offer: Offer,
    /// An arc is about to dip the line voltage: how soon, and to what. Unit: s, V.
    arc: Option<(f64, f64)>,
    /// The line voltage of this step, where an arc has dipped it. Unit: V.
    pub(crate) dip_v: Option<f64>,
    pub(crate) energy: Energy,
}

impl Rolling {
    pub(crate) fn new(build: Build, empty_kg: f64, battery: Battery, line: Chance, poles: Chance) -> Self {
        Self {
            build,
            empty_kg,
            speed_ms: 0.0,
            acceleration_ms2: 0.0,
            odometer_m: 0.0,
            poles: Poles::new(poles),
            input: Input::new(),
            battery,
            line: Line::new(line),
            line_v: 0.0,
            line_a: 0.0,
            torque_nm: 0.0,
            motor_per_min: 0.0,
            motor_c: 15.0,
            inverter_c: 15.0,
            gear_c: 15.0,
            choke_c: 15.0,
            resistor_c: 15.0,
            resistor_a: 0.0,
            auxiliary_w: 0.0,
            heating_w: 0.0,
            limited: false,
            electric_brake: false,
            gave_up: false,
            effort_2: 0.0,
            offer: Offer::default(),
            arc: None,
            dip_v: None,
            energy: Energy::default(),
        }
    }

    /// Most power at the wheel, most tractive force, most line current. Unit: W, N, A.
    fn limits(&self) -> (f64, f64, f64) {
        limits(self.build)
    }

    pub(crate) fn is_connected(&self) -> bool {
        self.input.is_connected()
    }

    /// An arc will dip the line voltage soon, if current flows then.
    pub(crate) fn arc_soon(&mut self, after_s: f64, volts: f64) {
        self.arc = self.arc.or(Some((after_s, volts)));
    }

    fn draw_arc(&mut self) {
        self.dip_v = None;
        let Some((after_s, volts)) = self.arc else { return };
        self.arc = Some((after_s - STEP_S, volts)).filter(|arc| arc.0 > 0.0);
        if self.arc.is_none() && self.is_connected() && self.line_a > ARC_A {
            self.dip_v = Some(volts);
        }
    }

    /// Comes to the temperature of the air after so long at rest.
    pub(crate) fn rest(&mut self, seconds: f64, air_c: f64) {
        self.battery.rest(seconds, air_c);
        let part = libm::exp(-seconds / 7_000.0);
        for warm in [&mut self.motor_c, &mut self.inverter_c, &mut self.gear_c, &mut self.choke_c, &mut self.resistor_c]
        {
            *warm = air_c + (*warm - air_c) * part;
        }
        self.input.filter_v = 0.0;
    }

    /// The next 50 ms.
    pub(crate) fn step(&mut self, orders: &Orders, around: &Around) {
        let offer = self.line.step(STEP_S, around.feeder_m);
        self.offer = offer;
        self.poles.step(STEP_S, self.speed_ms > 0.5, around.bend);
        let wire_v = if around.live && self.poles.both_in_contact() { offer.open_v } else { 0.0 };
        self.input.step(STEP_S, wire_v, orders.line_wanted, orders.active);
        let connected = self.input.is_connected();
        self.choose_auxiliaries(orders, around.air_c, connected);

        let (power_w, force_n, input_a) = self.limits();
        let offered_w = if connected {
            offer.most_w(input_a)
        } else if orders.stretch {
            self.battery.most_out_w() * CONVERTER_EFFICIENCY
        } else {
            0.0
        };
        let for_traction_w = (offered_w - self.auxiliary_w).max(0.0);

        // Forces along the street.
        let mass_kg = self.empty_kg + around.load_kg;
        let speed = self.speed_ms;
        let asked_n = orders.power * force_n.min(power_w / speed.max(1.0));
        let drive_n = asked_n.min(for_traction_w * DRIVE_EFFICIENCY / speed.max(0.8));
        self.limited = asked_n > drive_n + 100.0;
        let brake_n = mass_kg * orders.braking_ms2;
        let electric_n = if speed > ELECTRIC_BRAKE_MS && orders.braking_ms2 > 0.0 {
            (0.92 * brake_n).min(0.9 * force_n).min(power_w / speed)
        } else {
            0.0
        };
        let rolling_n = mass_kg * GRAVITY * ROLLING * if around.wet { 1.08 } else { 1.0 };
        let slope = (1.0 + around.grade * around.grade).sqrt();
        let grade_n = mass_kg * GRAVITY * around.grade / slope;
        let air_n = 0.5 * AIR_KG_M3 * DRAG_M2 * speed * speed;
        let holds = speed <= 0.0 && (brake_n > 0.0 || drive_n <= rolling_n + grade_n);
        let net_n = if holds { 0.0 } else { drive_n - brake_n - rolling_n - air_n - grade_n };
        let heavy_kg = mass_kg * TURNING;
        let mut next = speed + net_n / heavy_kg * STEP_S;
        // Brakes and rolling resistance stop a vehicle; they don't push it back.
        if next < 0.0 {
            next = 0.0;
        }
        self.acceleration_ms2 = (next - speed) / STEP_S;
        let mean = 0.5 * (speed + next);
        self.speed_ms = next;
        self.odometer_m += mean * STEP_S;

        let wheel_w = drive_n * mean;
        let braked_w = electric_n * mean;
        let driven_w = wheel_w / DRIVE_EFFICIENCY;
        let back_w = braked_w * DRIVE_EFFICIENCY;
        self.electric_brake = back_w > 500.0;
        let kinetic_w = heavy_kg * (next * next - speed * speed) / (2.0 * STEP_S);
        let resisted_w = (rolling_n + air_n) * mean;
        let sums = &mut self.energy;
        sums.wheel_driven += wheel_w * STEP_S;
        sums.wheel_braked += braked_w * STEP_S;
        sums.resisted += resisted_w * STEP_S;
        sums.climbed += grade_n * mean * STEP_S;
        sums.kinetic += kinetic_w * STEP_S;
        sums.friction += (brake_n - electric_n).max(0.0) * mean * STEP_S;
        sums.driven += driven_w * STEP_S;
        sums.braked += back_w * STEP_S;

        self.share(driven_w, back_w, connected, &offer, input_a, orders, around);
        self.draw_arc();
        self.warm(wheel_w + braked_w, drive_n.max(electric_n) / force_n, around.air_c);
        self.torque_nm = (drive_n - electric_n) * WHEEL_M / (GEAR_RATIO * 0.9);
        self.motor_per_min = next / WHEEL_M * GEAR_RATIO * 60.0 / std::f64::consts::TAU;
    }

    /// Heating by the air outside; less of it from the battery, next to none from an exhausted one.
    fn choose_auxiliaries(&mut self, orders: &Orders, air_c: f64, connected: bool) {
        if !orders.active {
            (self.auxiliary_w, self.heating_w) = (0.0, 0.0);
            return;
        }
        let poor = !connected && self.battery.most_out_w() < POOR_W;
        let heating_aim_w = heating(self.build, air_c, connected, poor);
        self.heating_w += (heating_aim_w - self.heating_w) * STEP_S / 1.5;
        if poor {
            self.heating_w = 0.0;
        }
        self.auxiliary_w = base_load(self.build, poor) + self.heating_w;
    }

    /// Who gives and takes the electric power of this step.
    #[expect(clippy::too_many_arguments, reason = "one step's power flow; a struct for it would be read once")]
    fn share(
        &mut self,
        driven_w: f64,
        back_w: f64,
        connected: bool,
        offer: &Offer,
        input_a: f64,
        orders: &Orders,
        around: &Around,
    ) {
        let need_w = driven_w - back_w + self.auxiliary_w;
        let charging_w = if orders.active && orders.charge { self.battery.most_in_w(false) } else { 0.0 };
        let takes_w = (charging_w, self.battery.most_in_w(true));
        let Flow { line_w, battery_w, resistor_w } = Flow::of(need_w, connected.then_some((offer, input_a)), takes_w);
        if connected {
            (self.line_v, self.line_a) = offer.at(line_w);
        } else {
            (self.line_v, self.line_a) = (self.input.shown_v(), 0.0);
        }
        self.gave_up = self.battery.step(STEP_S, battery_w, around.air_c.max(-5.0), orders.stretch);
        self.resistor_a = if self.input.filter_v > 100.0 { resistor_w / self.input.filter_v } else { 0.0 };
        let sums = &mut self.energy;
        sums.line_out += line_w.max(0.0) * STEP_S;
        sums.line_back += (-line_w).max(0.0) * STEP_S;
        let terminal_w = self.battery.volts * self.battery.amperes;
        sums.battery_out += terminal_w.max(0.0) * STEP_S;
        sums.battery_in += (-terminal_w).max(0.0) * STEP_S;
        sums.resistor += resistor_w * STEP_S;
        sums.auxiliaries += self.auxiliary_w * STEP_S;
        sums.converter_lost += if battery_w >= 0.0 {
            battery_w * (1.0 - CONVERTER_EFFICIENCY)
        } else {
            -battery_w * (1.0 / CONVERTER_EFFICIENCY - 1.0)
        } * STEP_S;
    }

    fn warm(&mut self, wheel_w: f64, effort: f64, air_c: f64) {
        let size = if self.build == Build::Articulated { 1.35 } else { 1.0 };
        let airflow = 1.0 + 0.05 * self.speed_ms;
        self.effort_2 = effort * effort;
        self.motor_c = motor_after(self.build, self.motor_c, air_c, (wheel_w, self.effort_2, self.speed_ms), STEP_S);
        let inverter_w = wheel_w * 0.022 + 60.0;
        self.inverter_c += (inverter_w - size * 75.0 * (self.inverter_c - air_c)) * STEP_S / (size * 2.2e4);
        self.gear_c += (wheel_w * 0.05 - size * 70.0 * airflow * (self.gear_c - air_c)) * STEP_S / (size * 9e4);
        let choke_w = 0.011 * self.line_a * self.line_a;
        self.choke_c += (choke_w - 18.0 * airflow * (self.choke_c - air_c)) * STEP_S / 3.5e4;
        let resistor_w = self.resistor_a * self.input.filter_v;
        self.resistor_c += (resistor_w - 95.0 * airflow * (self.resistor_c - air_c)) * STEP_S / 3.0e4;
    }

    /// Mass on the wheels. Unit: kg.
    pub(crate) fn mass_kg(&self, load_kg: f64) -> f64 {
        self.empty_kg + load_kg
    }
}

#[cfg(test)]
mod tests {
    use super::super::supply::{HIGHEST_V, LOWEST_V};
    use super::*;

    fn around(grade: f64) -> Around {
        Around { grade, feeder_m: 600.0, live: true, air_c: 3.0, wet: false, bend: 0.0, load_kg: 2_500.0 }
    }

    fn driven(build: Build, seconds: u32, grade: f64) -> Rolling {
        let battery = Battery::new(false, 1.0, 1.0, 1.0);
        let mut vehicle =
            Rolling::new(build, 13_200.0, battery, Chance::of(1, "line", &[]), Chance::of(1, "poles", &[]));
        vehicle.poles.raise();
        let mut orders = Orders { active: true, line_wanted: true, charge: true, ..Orders::default() };
        for step in 0..seconds * 20 {
            let phase = step / 20 % 60;
            orders.power = if (8..28).contains(&phase) { 0.8 } else { 0.0 };
            orders.braking_ms2 = if !(5..=40).contains(&phase) { 0.9 } else { 0.0 };
            vehicle.step(&orders, &around(grade));
            if vehicle.is_connected() {
                assert!(vehicle.line_v > LOWEST_V && vehicle.line_v < HIGHEST_V, "{} V", vehicle.line_v);
            }
        }
        vehicle
    }

    #[test]
    fn electric_energy_balances() {
        for grade in [-0.04, 0.0, 0.05] {
            let e = driven(Build::Rigid, 3_600, grade).energy;
            let given = e.line_out - e.line_back + e.battery_out - e.battery_in;
            let taken = e.driven - e.braked + e.auxiliaries + e.resistor + e.converter_lost;
            assert!((given - taken).abs() < 2e-3 * (e.driven + e.auxiliaries), "{given} J given, {taken} J taken");
        }
    }

    #[test]
    fn mechanical_energy_balances() {
        for grade in [-0.03, 0.0, 0.04] {
            let e = driven(Build::Articulated, 3_600, grade).energy;
            let given = e.wheel_driven - e.wheel_braked;
            let taken = e.resisted + e.climbed + e.friction + e.kinetic;
            assert!((given - taken).abs() < 5e-3 * e.wheel_driven, "{given} J given, {taken} J taken");
        }
    }

    #[test]
    fn consumption_is_a_trolleybus_s() {
        let vehicle = driven(Build::Rigid, 3_600, 0.0);
        let kwh = (vehicle.energy.line_out - vehicle.energy.line_back) / 3.6e6;
        let per_km = kwh / (vehicle.odometer_m / 1_000.0);
        assert!((0.9..4.0).contains(&per_km), "{per_km} kWh/km");
        assert!((30.0..160.0).contains(&vehicle.motor_c), "{} °C", vehicle.motor_c);
    }
}
