//! Vehicles and days that are missing.

use jiff::civil::date;

use super::*;
use crate::records::Vehicle;

fn days(last: i8) -> Vec<(Date, u64)> {
    (1..=last).filter(|day| *day != 9).map(|day| (date(2026, 3, day), 3)).collect()
}

fn book(vehicle: &str, to: Option<Date>) -> Vehicle {
    Vehicle { vehicle: vehicle.into(), to, ..Vehicle::default() }
}

#[test]
fn each_way_of_not_reporting_is_told_from_the_others() {
    let mut seen = BTreeMap::new();
    seen.insert("201".to_owned(), (date(2026, 3, 1), date(2026, 3, 28), 27, 5000.0));
    seen.insert("202".to_owned(), (date(2026, 3, 1), date(2026, 3, 12), 11, 2000.0));
    seen.insert("203".to_owned(), (date(2026, 3, 1), date(2026, 3, 28), 6, 900.0));
    seen.insert("777".to_owned(), (date(2026, 3, 20), date(2026, 3, 28), 9, 900.0));
    let books = [
        book("201", None),
        book("202", None),
        book("203", None),
        book("204", None),
        book("205", Some(date(2026, 2, 1))),
    ];
    let reports = against_the_books(&seen, &books, &days(28));
    let states: Vec<(&str, State)> = reports.iter().map(|own| (own.vehicle.as_str(), own.state)).collect();
    assert_eq!(
        states,
        [
            ("201", State::Reports),
            ("202", State::Stopped),
            ("203", State::Seldom),
            ("204", State::Never),
            ("205", State::OutOfService),
            ("777", State::NotOnBooks),
        ]
    );
    let study = Study {
        vehicles: reports,
        by_day: days(28),
        missing_days: missing_days(&days(28), date(2026, 3, 30)),
        today: Some(date(2026, 3, 30)),
        on_books: true,
        ..Study::default()
    };
    assert_eq!(study.missing_days, [date(2026, 3, 9), date(2026, 3, 29), date(2026, 3, 30)]);
    let work = study.work();
    let silent: Vec<Option<&str>> = work.iter().map(|line| line.vehicle.as_deref()).collect();
    assert_eq!(silent, [Some("202"), Some("203"), Some("204")]);
    assert_eq!(work[0].reason, "It last reported on 2026-03-12, 18 days ago; nothing of it is known since.");
    let sheet = study.sheet();
    assert!(sheet.lead.iter().any(|text| text == "1 vehicle never reported: 204."), "{:?}", sheet.lead);
    assert_eq!(study.of_vehicle("204").len(), 1);
    assert!(study.of_vehicle("999").is_empty());
}

#[test]
fn an_empty_store_gets_a_word() {
    let sheet = Study::default().sheet();
    assert_eq!(sheet.lead, ["0 vehicles report as they should.", "0 sensors lie or drop out."]);
    assert!(missing_days(&[], date(2026, 3, 30)).is_empty());
    assert!(against_the_books(&BTreeMap::new(), &[], &[]).is_empty());
}

#[test]
fn a_sensor_that_lies_is_on_the_worklist() {
    let own =
        |vehicle: &str, off: f64, stuck: bool| Ambient { vehicle: vehicle.into(), off, spread: 0.8, days: 40, stuck };
    let study = Study {
        ambient: vec![own("201", 0.2, false), own("202", 5.5, false), own("203", 1.0, true)],
        outages: vec![Outage {
            vehicle: "204".into(),
            sensor: "motor temperature sensor",
            missing_s: 7200.0,
            share: 0.04,
            fleet: 0.0,
            days: 12,
        }],
        ..Study::default()
    };
    let reasons: Vec<String> = study.work().into_iter().map(|line| line.reason).collect();
    assert_eq!(
        reasons,
        [
            "The motor temperature sensor was missing for 4 % of the time in use, on 12 days; in the middle of the fleet it is 0 %.",
            "Ambient sensor read 5.5 K warmer than its neighbours in the mean of 40 days.",
            "Ambient sensor hardly moved over 40 days, while the fleet's did.",
        ]
    );
}
