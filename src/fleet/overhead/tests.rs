//! Planted places, found again.

use super::*;
use crate::fleet::travel::Leg;
use crate::records::{Overhead, SpecialWork, Way};

fn north(metres: f64) -> Position {
    (44.3 + metres / 111_112.0, 13.9)
}

fn overhead() -> Overhead {
    let special = (1..=7)
        .map(|n| SpecialWork {
            id: format!("G-{n}"),
            kind: "section_gap".into(),
            latitude: north(f64::from(n) * 1000.0).0,
            longitude: 13.9,
            ..SpecialWork::default()
        })
        .collect();
    Overhead { ways: vec![Way { line: "1".into(), wired: true, points: vec![north(0.0), north(8000.0)] }], special }
}

fn travel() -> Travel {
    let legs = (0..20)
        .map(|n| Leg {
            vehicle: format!("{}", 201 + n),
            line: Some("1".into()),
            operator: None,
            month: "2026-01".into(),
            km: 4000.0,
        })
        .collect();
    Travel { legs, ..Travel::default() }
}

fn cell(vehicle: usize, metres: f64, count: u64) -> Cell {
    let at = north(metres);
    let at = ((at.0 * 1e4).round() / 1e4, at.1);
    Cell { vehicle: format!("{}", 201 + vehicle), at: Some(at), count, recent: count }
}

fn found(cells: &[Cell]) -> Study {
    let overhead = overhead();
    let network = Network::new(&overhead);
    let sought = sought(&Names::default()).remove(1);
    Study {
        kinds: vec![reckon(sought, cells, &network, &travel())],
        days: 365.0,
        has_ways: true,
        ways: network.ways(),
        ..Study::default()
    }
}

#[test]
fn a_place_of_many_is_told_from_a_place_of_one() {
    let mut cells: Vec<Cell> = (0..20).map(|n| cell(n, 1000.0 * (1 + n % 7) as f64, 1)).collect();
    cells.extend((0..15).map(|n| cell(n, 3000.0, 2)));
    cells.push(cell(6, 5500.0, 25));
    let study = found(&cells);
    let told = |id: &str| {
        let at = study.kinds[0].places.iter().find(|at| at.place.id == id).unwrap_or_else(|| panic!("{id}"));
        at.verdict.as_ref().map(|(told, _)| told.clone())
    };
    assert_eq!(told("G-3"), Some(Told::Many));
    assert_eq!(told("line-1-5.50-km"), Some(Told::One("207".into())));
    let work = study.work();
    assert!(
        work.iter().any(|line| line.vehicle.is_none() && line.subject == "overhead at G-3 (section gap)"),
        "{work:?}"
    );
    assert!(work.iter().any(|line| line.vehicle.as_deref() == Some("207")), "{work:?}");
    let sheet = study.sheet();
    assert!(sheet.lead.iter().all(|text| !text.contains("NaN")));
    assert!(!study.of_vehicle("207").is_empty() && study.of_vehicle("1").is_empty());
}

#[test]
fn nothing_seen_and_nowhere_seen() {
    let study = found(&[]);
    assert_eq!(study.kinds[0].total, 0);
    assert!(study.work().is_empty());
    assert!(study.sheet().lead[1].contains("none"), "{:?}", study.sheet().lead);
    let nowhere = Cell { vehicle: "999".into(), at: None, count: 12, recent: 12 };
    let study = found(&[nowhere]);
    assert_eq!(study.kinds[0].unknown, 12);
    assert!(study.sheet().lead[1].contains("of 12 the place is not known"), "{:?}", study.sheet().lead);
}
