//! Service days: from a set local hour to the same hour of the next date, in the agency's zone, summer time included.
//!
//! Pure.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::frame::TimeUs;

/// The agency's clock rule.
#[derive(Debug, Clone)]
pub struct ServiceDays {
    zone: TimeZone,
    starts: Time,
}

/// One service day and the instants it spans.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ServiceDay {
    /// Its date: that on which it begins.
    pub date: Date,
    /// First instant, µs.
    pub start_us: TimeUs,
    /// First instant of the next, µs.
    pub end_us: TimeUs,
}

impl ServiceDay {
    /// Whether an instant lies in it.
    #[inline]
    pub fn contains(&self, time_us: TimeUs) -> bool {
        self.start_us <= time_us && time_us < self.end_us
    }
}

impl ServiceDays {
    /// Days of `zone` that begin at `starts`.
    pub fn new(zone: TimeZone, starts: Time) -> Self {
        Self { zone, starts }
    }

    /// Name of the zone in the IANA time zone database, if it has one.
    pub fn zone_name(&self) -> Option<&str> {
        self.zone.iana_name()
    }

    /// The zone.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// The service day of an instant. Instants beyond what calendars know (years −9999 to 9999) take the nearest day.
    pub fn of(&self, time_us: TimeUs) -> ServiceDay {
        let local = self.zone.to_datetime(clamped(time_us));
        let mut date = local.date();
        // A clock set back over the day's start gives its local hour twice: the day begins at the first of them.
        let mut day = self.on(date);
        while time_us < day.start_us && date > Date::MIN {
            date = date.saturating_sub(1.day());
            day = self.on(date);
        }
        while time_us >= day.end_us && date < Date::MAX {
            date = date.saturating_add(1.day());
            day = self.on(date);
        }
        day
    }

    /// The service day of a date.
    pub fn on(&self, date: Date) -> ServiceDay {
        let next = date.saturating_add(1.day());
        let end_us = if next == date { TimeUs::MAX } else { self.start_of(next) };
        ServiceDay { date, start_us: self.start_of(date), end_us }
    }

    fn start_of(&self, date: Date) -> TimeUs {
        // An hour that summer time leaves out gives the instant after it; one that comes twice, the first.
        let start = self.zone.to_ambiguous_timestamp(date.to_datetime(self.starts)).compatible();
        start.map_or(if date.year() < 0 { TimeUs::MIN } else { TimeUs::MAX }, Timestamp::as_microsecond)
    }

    /// An instant on the agency's clocks.
    pub fn local(&self, time_us: TimeUs) -> jiff::civil::DateTime {
        self.zone.to_datetime(clamped(time_us))
    }
}

fn clamped(time_us: TimeUs) -> Timestamp {
    Timestamp::from_microsecond(time_us).unwrap_or(if time_us < 0 { Timestamp::MIN } else { Timestamp::MAX })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn vienna(starts: &str) -> ServiceDays {
        ServiceDays::new(TimeZone::get("Europe/Vienna").unwrap(), starts.parse().unwrap())
    }

    fn us(text: &str) -> TimeUs {
        text.parse::<Timestamp>().unwrap().as_microsecond()
    }

    #[test]
    fn a_day_of_the_change_to_summer_time_has_23_hours() {
        let day = vienna("02:00").of(us("2026-03-28T12:00:00Z"));
        assert_eq!(day.date.to_string(), "2026-03-28");
        assert_eq!((day.end_us - day.start_us) / 3_600_000_000, 24, "02:00 does not exist on the 29th: 03:00 is meant");
        let day = vienna("04:00").of(us("2026-03-28T12:00:00Z"));
        assert_eq!((day.end_us - day.start_us) / 3_600_000_000, 23);
        let day = vienna("04:00").of(us("2026-10-25T01:30:00Z"));
        assert_eq!(day.date.to_string(), "2026-10-24");
        assert_eq!((day.end_us - day.start_us) / 3_600_000_000, 25);
    }

    #[test]
    fn the_last_microsecond_before_four_is_of_the_day_before() {
        let days = vienna("04:00");
        assert_eq!(days.of(us("2026-06-15T01:59:59.999999Z")).date.to_string(), "2026-06-14");
        assert_eq!(days.of(us("2026-06-15T02:00:00Z")).date.to_string(), "2026-06-15");
        assert_eq!(days.of(0).date.to_string(), "1969-12-31");
    }

    proptest! {
        #[test]
        fn every_instant_is_in_its_own_day(time_us: i64, hour in 0..24_i8) {
            let days = ServiceDays::new(TimeZone::get("Europe/Vienna").unwrap(), jiff::civil::time(hour, 30, 0, 0));
            let day = days.of(time_us);
            let calendar = us("-009998-01-03T00:00:00Z")..us("9998-12-30T00:00:00Z");
            if calendar.contains(&time_us) {
                prop_assert!(day.contains(time_us), "{:?}", day);
            }
        }
    }
}
