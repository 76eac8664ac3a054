//! Settings → the terms of the fleet's questions, and the records that they name.

use jiff::ToSpan;
use jiff::civil::Date;

use super::Configuration;
use crate::fleet::terms::{Names, Terms};
use crate::records::{self, Problem, Records, RecordsError};

/// Each name as the agency has it, or as it is usual.
macro_rules! own_or_usual {
    ($own:expr; $($name:ident),+ $(,)?) => {{
        let own = $own;
        // Named one by one, so that one that is added there is missed here.
        let Names { $($name),+ } = Names::default();
        Names { $($name: own.$name.clone().unwrap_or($name)),+ }
    }};
}

impl Terms {
    /// The terms that a configuration sets, for what is known up to `today`, the service day that ended last.
    pub fn of(configuration: &Configuration, today: Date) -> Self {
        let fleet = &configuration.fleet;
        let back = i32::try_from(fleet.look_back_months).unwrap_or(i32::MAX);
        Self {
            today,
            // What is beyond the calendar's beginning is its beginning.
            from: jiff::Span::new()
                .try_months(back)
                .map_or(Date::MIN, |span| today.saturating_sub(span))
                .saturating_add(1.day()),
            zone: configuration.days.zone().clone(),
            packs_a_year: fleet.packs_a_year,
            years: fleet.years,
            worst: fleet.worst,
            operators: fleet.operators,
            fewest: fleet.fewest,
            names: own_or_usual!(&fleet.names;
                battery_timeouts, off_wire_changes, distance, off_wire_distance, battery_charge, battery_peak, battery_mean,
                ambient_mean, pole_offs, section_gaps, gap_current, unknown_gaps, phantom_voltages, contactor_dropouts, arcing,
                coast_switch_current, power_switch_current, collectors_apart, charged_parked, parked_poles_up_time,
                detection_distance, ambient_missing_time, motor_missing_time, battery_missing_time, battery_message,
                optical_message,
            ),
        }
    }
}

impl Configuration {
    /// Reads the records that it names, none where it names none. The overhead is the configuration's own where the
    /// records hold none. `now` is the day on the calendar: what lies behind it cannot have been seen.
    ///
    /// # Errors
    /// The folder or a file cannot be read. What is wrong within a file is a [`Problem`], and no error.
    pub fn load_records(&self, now: Date) -> Result<(Records, Vec<Problem>), RecordsError> {
        let (mut records, mut problems) = match &self.fleet.records {
            Some(folder) => records::load(folder, self.days.zone(), now)?,
            None => Default::default(),
        };
        let empty = records.overhead.ways.is_empty() && records.overhead.special.is_empty();
        if let Some(path) = self.overhead.as_ref().filter(|_| empty) {
            let (overhead, more) = records::overhead(path)?;
            records.overhead = overhead;
            problems.extend(more);
        }
        Ok((records, problems))
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::fleet::Fleet;
    use super::*;

    #[test]
    fn terms_are_those_of_the_configuration() {
        let today = jiff::civil::date(2026, 2, 17);
        let usual = Terms::of(&Configuration::default(), today);
        assert_eq!((usual.from, usual.packs_a_year, usual.operators), (jiff::civil::date(2023, 2, 18), 6, false));
        assert_eq!(usual.names.pole_offs, Names::default().pole_offs);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("yardtap.toml");
        let text = "zone = \"Europe/Vienna\"\n[fleet]\nlook_back = \"18 months\"\nyears = 5\n[fleet.names]\npole_offs = \"dewirements\"\n";
        std::fs::write(&path, text).unwrap();
        let own = Terms::of(&Configuration::load(&path).unwrap(), today);
        assert_eq!((own.from, own.years), (jiff::civil::date(2024, 8, 18), 5));
        assert_eq!(own.zone.iana_name(), Some("Europe/Vienna"));
        assert_eq!((own.names.pole_offs.as_str(), own.names.distance), ("dewirements", usual.names.distance));
    }

    #[test]
    fn names_in_the_sample_are_the_usual_ones() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("yardtap.toml");
        // What is above it asks for features that this build may not have.
        let sample = super::super::tests::sample_in_force();
        let (_, fleet) = sample.split_once("\n[fleet]\n").unwrap();
        std::fs::write(&path, format!("[fleet]\n{fleet}")).unwrap();
        let configuration = Configuration::load(&path).unwrap();
        let Fleet { records, names, .. } = configuration.fleet.clone();
        assert!(records.is_some());
        assert_eq!(configuration.fleet, Fleet { records, names, ..Fleet::default() });
        let own = Terms::of(&configuration, jiff::civil::date(2026, 2, 17)).names;
        assert!(configuration.fleet.names.battery_timeouts.is_some(), "the sample has no names");
        assert_eq!(format!("{own:?}"), format!("{:?}", Names::default()));
    }

    #[test]
    fn the_overhead_is_the_configuration_s_where_the_records_have_none() {
        let configuration = Configuration::load(Path::new("demo-captures/yardtap.toml")).unwrap();
        let (records, problems) = configuration.load_records(jiff::civil::date(2026, 2, 17)).unwrap();
        assert!(problems.is_empty());
        assert!(records.packs.is_empty() && !records.overhead.special.is_empty());
    }
}
