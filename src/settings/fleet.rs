//! What the fleet's questions are told: where the records lie, how many packs a year, what the counters are called.
//!
//! The used form. Every default stands in [`Default`] and in the sample file.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::Deserialize;

use super::check::Book;
use crate::defs::At;

/// The fleet's part of the configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct Fleet {
    /// Folder of the records that people keep.
    pub records: Option<PathBuf>,
    /// How far back questions look. Unit: months.
    pub look_back_months: u32,
    /// Battery packs that can be bought in a year.
    pub packs_a_year: u32,
    /// Years that the replacement plan covers.
    pub years: u32,
    /// How many count as the worst.
    pub worst: u32,
    /// Whether operators' part is reckoned at all.
    pub operators: bool,
    /// An operator with fewer expected pole-offs than this is not shown alone.
    pub fewest: f64,
    /// What the agency's own definition set calls things; left out: as the definitions of Velmora do.
    pub names: OwnNames,
}

impl Default for Fleet {
    fn default() -> Self {
        Self {
            records: None,
            look_back_months: 36,
            packs_a_year: 6,
            years: 3,
            worst: 5,
            operators: false,
            fewest: 5.0,
            names: OwnNames::default(),
        }
    }
}

/// The names once as they are written, with places, and once as they are used.
macro_rules! names {
    ($(#[doc = $about:literal] $name:ident,)+) => {
        /// Names of counters, and of two messages, where the agency's own are others.
        #[derive(Debug, Clone, Default, PartialEq, Eq)]
        pub struct OwnNames {
            $(#[doc = $about] pub $name: Option<String>,)+
        }

        /// Names of counters, and of two messages.
        #[derive(Debug, Default, Deserialize, JsonSchema)]
        #[serde(deny_unknown_fields)]
        pub(super) struct WrittenNames {
            $(#[doc = $about] $name: Option<At<String>>,)+
        }

        impl WrittenNames {
            /// Checks them.
            pub(super) fn check(&self, book: &mut Book) -> OwnNames {
                OwnNames { $($name: checked(self.$name.as_ref(), book),)+ }
            }
        }
    };
}

names! {
    /// Counter: battery timeouts.
    battery_timeouts,
    /// Counter: planned changes to the battery.
    off_wire_changes,
    /// Counter: km. Driven.
    distance,
    /// Counter: km. Driven off the wire.
    off_wire_distance,
    /// Counter: A.h. Charge drawn from the battery.
    battery_charge,
    /// Counter: Cel. Battery temperature, highest.
    battery_peak,
    /// Counter: Cel. Battery temperature, mean.
    battery_mean,
    /// Counter: Cel. Ambient temperature, mean.
    ambient_mean,
    /// Counter: pole-offs.
    pole_offs,
    /// Counter: section gaps.
    section_gaps,
    /// Counter: section gaps passed with current drawn.
    gap_current,
    /// Counter: losses of voltage where the overhead is not built to have one.
    unknown_gaps,
    /// Counter: phantom voltages.
    phantom_voltages,
    /// Counter: contactor dropouts.
    contactor_dropouts,
    /// Counter: flashes under the collectors.
    arcing,
    /// Counter: coast switches passed with more current than lets them stand.
    coast_switch_current,
    /// Counter: power switches passed with too little current to set them.
    power_switch_current,
    /// Counter: the two collectors spread or out of step.
    collectors_apart,
    /// Counter: kW.h. Into the battery while standing under the wire.
    charged_parked,
    /// Counter: s. Standing with the poles up, out of use or in the yard.
    parked_poles_up_time,
    /// Counter: m. Lowest setting of the detection distance.
    detection_distance,
    /// Counter: s. Ambient sensor missing.
    ambient_missing_time,
    /// Counter: s. Motor sensor missing.
    motor_missing_time,
    /// Counter: s. Battery sensor missing.
    battery_missing_time,
    /// Message: the battery's voltage, current and state of charge.
    battery_message,
    /// Message: the optical links' received power.
    optical_message,
}

/// A name as definitions may give it: it becomes a column's or a table's in the questions to the store.
fn checked(name: Option<&At<String>>, book: &mut Book) -> Option<String> {
    let name = name?;
    let text = name.get();
    let fits = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_';
    if text.is_empty() || text.starts_with(|c: char| c.is_ascii_digit()) || !text.bytes().all(fits) {
        let remedy = "small letters (a to z), digits and '_', as the definition set has it";
        book.add(name.span(), format!("'{text}' cannot be the name of a counter or message"), remedy);
        return None;
    }
    Some(text.clone())
}
