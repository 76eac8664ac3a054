//! The heat study over a planted fleet: a sick pack from a day on, a sensor that lies, hills, and a hot summer.

use std::collections::BTreeMap;

use jiff::ToSpan;

use super::{Study, Why, study};
use crate::fleet::planted::{self, FIRST, Run};
use crate::fleet::stats::chance::Stream;
use crate::fleet::{Question, span};
use crate::records::Records;

const DAYS: i64 = 300;
/// From this day on pack of vehicle 207 adds 7 K.
const SICK_FROM: i64 = 200;

/// Two runs a day: mornings are colder. 203 has the hills, 207 falls sick, 211's sensor shows 4 K too much.
fn runs(vehicles: usize, mut counted: impl FnMut(&mut BTreeMap<&'static str, f64>, usize)) -> Vec<Run> {
    let mut chance = Stream::new(1);
    let mut runs = Vec::new();
    for day in 0..DAYS {
        let season = 12.0 - 12.0 * ((day - 20) as f64 / 58.0).cos();
        let town = season + 3.0 * chance.normal();
        for vehicle in 0..vehicles {
            for (from_hour, warmer) in [(5.0, -2.0), (13.0, 2.0)] {
                let km = if vehicle == 2 { 14.0 } else { 4.0 } + 3.0 * chance.unit();
                let own = if vehicle == 6 && day >= SICK_FROM { 7.0 } else { 0.0 };
                let air = town + warmer;
                let shown = air + 0.3 * chance.normal() + if vehicle == 10 { 4.0 } else { 0.0 };
                let peak = 6.0 + 0.9 * air + 0.6 * km + own + chance.normal();
                let mut counters = BTreeMap::from([
                    ("battery_temperature_peak", peak),
                    ("battery_temperature_mean", peak - 4.0),
                    ("ambient_temperature_mean", shown),
                    ("off_wire_distance", km),
                    ("battery_charge_drawn", 2.0 * km + 3.0 * chance.normal()),
                ]);
                counted(&mut counters, vehicle);
                let (vehicle, day) = (format!("{}", 201 + vehicle), FIRST + day.days());
                runs.push(Run { vehicle, day, from_hour, hours: 6.0, counters });
            }
        }
    }
    runs
}

fn studied(runs: &[Run]) -> Study {
    let folder = planted::store(runs);
    let records = Records::default();
    let engine = planted::engine(folder.path(), &records);
    let terms = planted::terms(FIRST, FIRST + (DAYS - 1).days());
    let study = study(&Question { engine: &engine, records: &records, terms: &terms }).unwrap();
    planted::must_be_sound(&[study.sheet()], &study.work(), &engine);
    study
}

#[test]
fn the_sick_pack_is_named_and_neither_the_hilly_line_nor_the_lying_sensor_is() {
    let study = studied(&runs(24, |_, _| {}));
    let sick: Vec<_> = study.packs.iter().filter(|pack| pack.is_sick()).map(|pack| pack.vehicle.as_str()).collect();
    assert_eq!(sick, ["207"]);
    let lately = study.packs.iter().find(|pack| pack.vehicle == "207").unwrap().lately.unwrap();
    assert!((lately.own - 7.0).abs() < 3.0 * lately.error.max(0.3), "{lately:?}");
    let model = study.model.as_ref().unwrap();
    let weather = model.terms.iter().find(|term| term.cause.is_weather()).unwrap();
    assert!((weather.slope - 0.9).abs() < 0.1, "{weather:?}");
    // By the vehicles' own sensors the lying one would look like a sound pack that is too cold.
    let off: Vec<_> = study.sensors.iter().filter(|bias| bias.off > 0.95).map(|bias| bias.vehicle.as_str()).collect();
    assert_eq!(off, ["211"]);
    let bias = study.sensors.iter().find(|bias| bias.vehicle == "211").unwrap();
    assert!((bias.bias - 4.0).abs() < 0.4, "{bias:?}");
    assert_eq!(study.work().len(), 2);
}

#[test]
fn hot_days_have_the_cause_that_was_planted() {
    let study = studied(&runs(24, |_, _| {}));
    let mut right = 0;
    let mut all = 0;
    for day in &study.hot {
        let vehicle = study.packs[day.pack].vehicle.as_str();
        let sum = day.usual + day.weather + day.work + day.own + day.unexplained;
        assert!((sum - day.peak).abs() < 1e-6, "{day:?}");
        if vehicle == "207" && day.day >= span::number_of(FIRST + SICK_FROM.days()) + 31.0 {
            all += 1;
            right += usize::from(day.but_for_pack || day.peak - day.own >= study.limit);
        } else if vehicle != "207" {
            all += 1;
            right += usize::from(matches!(day.why, Why::Weather | Why::Work) && !day.but_for_pack);
        }
    }
    assert!(all >= 40, "{all} hot days");
    assert!(right * 100 >= all * 95, "{right} of {all}");
    let hills = study.hot.iter().filter(|day| study.packs[day.pack].vehicle == "203").collect::<Vec<_>>();
    let usual = hills.iter().map(|day| day.work).sum::<f64>() / hills.len().max(1) as f64;
    assert!(usual > 4.0, "hilly days of {usual} K of work");
}

#[test]
fn without_ambient_without_work_and_alone_a_study_says_what_it_cannot() {
    let lead = |study: &Study| study.sheet().lead.join(" ");
    let no_air = studied(&runs(6, |counters, _| {
        counters.remove("ambient_temperature_mean");
    }));
    assert!(lead(&no_air).contains("weather cannot be told from work"), "{}", lead(&no_air));
    assert!(no_air.sensors.is_empty());
    let no_work = studied(&runs(6, |counters, _| {
        counters.retain(|name, _| !name.starts_with("off_wire") && !name.contains("charge"));
    }));
    assert!(lead(&no_work).contains("work is reckoned without it"), "{}", lead(&no_work));
    assert_eq!(no_work.model.as_ref().unwrap().terms.len(), 1);
    let alone = studied(&runs(1, |_, _| {}));
    assert!(lead(&alone).contains("Each vehicle's own sensor is believed"), "{}", lead(&alone));
    let nothing = studied(&runs(3, |counters, _| counters.clear()));
    assert!(lead(&nothing).contains("The store has no counter 'battery_temperature_peak'"), "{}", lead(&nothing));
    assert!(nothing.work().is_empty() && nothing.of_vehicle("201").is_empty());
}

#[test]
fn where_nothing_is_planted_nobody_is_named() {
    let study = studied(&runs(20, |counters, vehicle| {
        if vehicle == 6 {
            *counters.get_mut("battery_temperature_peak").unwrap() = 20.0;
        }
        if vehicle == 10 {
            *counters.get_mut("ambient_temperature_mean").unwrap() -= 4.0;
        }
    }));
    let named: Vec<_> = study.work().into_iter().map(|line| line.reason).collect();
    assert!(named.is_empty(), "{named:?}");
}
