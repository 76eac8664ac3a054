//! What a morning's questions are asked for: days, budget, limits, and what the agency's counters are called.

use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Terms of all studies.
#[derive(Debug, Clone)]
pub struct Terms {
    /// The service day that ended last; what is due is due by this day.
    pub today: Date,
    /// First service day that is looked at.
    pub from: Date,
    /// Zone of local times in records.
    pub zone: TimeZone,
    /// Battery packs that can be bought in a year.
    pub packs_a_year: u32,
    /// Years that the replacement plan covers.
    pub years: u32,
    /// How many count as the worst.
    pub worst: u32,
    /// Whether operators' part is reckoned at all. Off unless the agency switches it on.
    pub operators: bool,
    /// An operator with fewer expected pole-offs than this is not shown alone.
    pub fewest: f64,
    /// What the counters and signals are called.
    pub names: Names,
}

/// What the agency's definition set calls the things that studies look for. A name that the store does not know makes
/// its study say so, and goes on without.
#[derive(Debug, Clone)]
pub struct Names {
    /// Counter: battery timeouts.
    pub battery_timeouts: String,
    /// Counter: planned changes to the battery.
    pub off_wire_changes: String,
    /// Counter: km. Driven.
    pub distance: String,
    /// Counter: km. Driven.off the wire.
    pub off_wire_distance: String,
    /// Counter: A.h. Charge drawn from the battery.
    pub battery_charge: String,
    /// Counter: Cel. Battery temperature, highest.
    pub battery_peak: String,
    /// Counter: Cel. Battery temperature, mean.
    pub battery_mean: String,
    /// Counter: Cel. Ambient temperature, mean.
    pub ambient_mean: String,
    /// Counter: pole-offs.
    pub pole_offs: String,
    /// Counter: section gaps.
    pub section_gaps: String,
    /// Counter: section gaps passed with current drawn.
    pub gap_current: String,
    /// Counter: losses of voltage where the overhead is not built to have one.
    pub unknown_gaps: String,
    /// Counter: phantom voltages.
    pub phantom_voltages: String,
    /// Counter: contactor dropouts.
    pub contactor_dropouts: String,
    /// Counter: flashes under the collectors: short dips of voltage under current, both in contact.
    pub arcing: String,
    /// Counter: coast switches passed with more current than lets them stand.
    pub coast_switch_current: String,
    /// Counter: power switches passed with too little current to set them.
    pub power_switch_current: String,
    /// Counter: the two collectors spread or out of step.
    pub collectors_apart: String,
    /// Counter: kW.h. Into the battery while standing under the wire.
    pub charged_parked: String,
    /// Counter: s. Standing with the poles up, out of use or in the yard.
    pub parked_poles_up_time: String,
    /// Counter: m. Lowest setting of the detection distance; common practice: doubled in the cold.
    pub detection_distance: String,
    /// Counter: s. Ambient sensor missing.
    pub ambient_missing_time: String,
    /// Counter: s. Motor sensor missing.
    pub motor_missing_time: String,
    /// Counter: s. Battery sensor missing.
    pub battery_missing_time: String,
    /// Signals of the battery: message, then voltage, current and state of charge in it.
    pub battery_message: String,
    /// Signals of the optical links: the message; `link` and `received_power` in it.
    pub optical_message: String,
}

impl Default for Names {
    fn default() -> Self {
        let own = str::to_owned;
        Self {
            battery_timeouts: own("battery_timeouts"),
            off_wire_changes: own("off_wire_changes"),
            distance: own("distance"),
            off_wire_distance: own("off_wire_distance"),
            battery_charge: own("battery_charge_drawn"),
            battery_peak: own("battery_temperature_peak"),
            battery_mean: own("battery_temperature_mean"),
            ambient_mean: own("ambient_temperature_mean"),
            pole_offs: own("pole_offs"),
            section_gaps: own("section_gaps"),
            gap_current: own("section_gaps_under_current"),
            unknown_gaps: own("unknown_gaps"),
            phantom_voltages: own("phantom_voltages"),
            contactor_dropouts: own("contactor_dropouts"),
            arcing: own("flashes"),
            coast_switch_current: own("coast_switches_under_current"),
            power_switch_current: own("power_switches_starved"),
            collectors_apart: own("collectors_apart"),
            charged_parked: own("charged_parked"),
            parked_poles_up_time: own("parked_poles_up_time"),
            detection_distance: own("detection_distance_lowest"),
            ambient_missing_time: own("ambient_sensor_missing_time"),
            motor_missing_time: own("motor_sensor_missing_time"),
            battery_missing_time: own("battery_sensor_missing_time"),
            battery_message: own("off_wire_battery"),
            optical_message: own("optical_links"),
        }
    }
}
