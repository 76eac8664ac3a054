//! Planted wear, found again.

use jiff::civil::date;

use super::*;

/// Ten vehicles, six inserts a side one after the other; usual wear 0.5 mm in 1000 km, frost adds 0.4.
fn worn(extra: impl Fn(usize, &str, usize) -> f64) -> Vec<Worn> {
    let mut all = Vec::new();
    for vehicle in 0..10 {
        for side in ["left", "right"] {
            for turn in 0..6 {
                let frost = [0.0, 0.3, 0.1][(turn + vehicle) % 3];
                let km = 5000.0 + 500.0 * (vehicle % 4) as f64;
                let scatter = 0.03 * ((vehicle * 7 + turn * 3 + side.len()) % 5) as f64 - 0.06;
                let share = [0.2, 0.5, 0.9, 0.4][(vehicle * 3 + turn) % 4];
                let rate = 0.5 + 0.4 * frost + scatter + extra(vehicle, side, turn);
                all.push(Worn {
                    part: format!("I-{vehicle}-{side}-{turn}"),
                    vehicle: format!("{}", 201 + vehicle),
                    side: side.into(),
                    batch: ["A", "B"][(vehicle + turn) % 2].into(),
                    head: format!("H-{}-{side}", 201 + vehicle),
                    lines: [("1".to_owned(), share), ("2".to_owned(), 1.0 - share)].into_iter().collect(),
                    km,
                    frost: Some(frost),
                    wear_mm: rate * km / 1000.0,
                });
            }
        }
    }
    all
}

fn found(worn: Vec<Worn>) -> Study {
    let mut study = Study { days: 365.0, ..Study::default() };
    reckon(&mut study, worn);
    study
}

#[test]
fn a_head_that_eats_inserts_and_frost_that_adds_are_found() {
    let study = found(worn(|vehicle, side, _| if vehicle == 4 && side == "right" { 0.6 } else { 0.0 }));
    let (adds, error) = study.frost.expect("frost varies");
    assert!((adds - 0.4).abs() < 3.0 * error.max(0.03), "{adds} ± {error}");
    let heads = study.groups.iter().find(|group| group.by == "head").unwrap();
    let worst = heads.members.iter().max_by(|a, b| a.adds.total_cmp(&b.adds)).unwrap();
    assert_eq!((worst.name.as_str(), worst.vehicle.as_deref()), ("H-205-right", Some("205")));
    assert!(worst.above > 0.95, "{worst:?}");
    let work = study.work();
    assert!(work.iter().any(|line| line.subject == "collector head H-205-right"), "{work:?}");
    assert!(work.iter().all(|line| line.vehicle.as_deref() == Some("205")), "{work:?}");
    assert!(!study.of_vehicle("205").is_empty());
}

#[test]
fn a_soft_batch_is_no_vehicles_fault() {
    let study = found(worn(|vehicle, _, turn| if (vehicle + turn) % 2 == 1 { 0.3 } else { 0.0 }));
    let batches = study.groups.iter().find(|group| group.by == "batch").unwrap();
    assert!(batches.members[1].adds > batches.members[0].adds + 0.15, "{batches:?}");
    assert!(study.work().is_empty(), "{:?}", study.work());
}

#[test]
fn a_rough_line_is_told_by_the_kilometres_on_it() {
    let rough: Vec<Worn> = worn(|_, _, _| 0.0)
        .into_iter()
        .map(|worn| Worn { wear_mm: worn.wear_mm + 0.3 * worn.lines["2"] * worn.km / 1000.0, ..worn })
        .collect();
    let study = found(rough);
    let lines = study.groups.iter().find(|group| group.by == "line").unwrap();
    let (one, two) = (&lines.members[0], &lines.members[1]);
    assert!((two.adds - one.adds - 0.3).abs() < 0.05, "{lines:?}");
    assert!(two.above > 0.95 && one.above < 0.05, "{lines:?}");
    assert!(study.work().is_empty(), "{:?}", study.work());
}

#[test]
fn few_inserts_and_none() {
    let study = found(worn(|_, _, _| 0.0).into_iter().take(3).collect());
    assert!(study.usual.is_none() && study.work().is_empty());
    assert!(study.notes[0].contains("Only 3 inserts"));
    assert!(study.sheet().lead[0].starts_with("Nothing can be said"));
    assert_eq!(found(Vec::new()).worn.len(), 0);
}

#[test]
fn kilometres_between_two_days_are_those_of_the_days_between() {
    let day = |d: i8| span::number_of(date(2026, 1, d));
    let sums = vec![(day(1), 100.0, 0.0), (day(2), 250.0, 150.0), (day(5), 300.0, 150.0)];
    let driven = Driven { by_vehicle: [("7".to_owned(), sums)].into_iter().collect(), has_frost: true };
    assert_eq!(driven.between("7", date(2026, 1, 2), date(2026, 1, 5)), (150.0, 150.0));
    assert_eq!(driven.between("7", date(2025, 1, 1), date(2027, 1, 1)), (300.0, 150.0));
    assert_eq!(driven.between("7", date(2026, 1, 5), date(2026, 1, 2)), (0.0, 0.0), "a wrong order is nothing");
    assert_eq!(driven.between("8", date(2026, 1, 1), date(2026, 1, 5)), (0.0, 0.0));
}
