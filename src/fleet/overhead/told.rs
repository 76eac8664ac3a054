//! The overhead, for people: maps and tables by kind, the worklist, a vehicle's part.

use super::{AtPlace, OfKind, OfVehicle, RECENT_DAYS, Study, Told};
use crate::fleet::sheet::{Cell, Drawn, Picture, Section, Sheet, Spot, SpotKind, Sure, Table, WorkKind, WorkLine};
use crate::fleet::shown::{column, table};
use crate::fleet::words;

const MONTH_DAYS: f64 = 30.4;
/// A vehicle is told from the fleet from this lower limit on: where counts are large, small differences are sure but idle.
const VEHICLE_LOW: f64 = 1.3;
/// A place must see so many times the usual to be worth a walk.
const PLACE_RATIO: f64 = 2.0;
const CAUTION_WIRE: &str =
    "The overhead is live. Looking from the ground comes first; work on it is for the line crew.";
const CAUTION_ROOF: &str = "Work on the roof only after isolating and earthing by the agency's own procedure.";

pub(super) fn sheet(study: &Study) -> Sheet {
    let mut lead = Vec::new();
    let standing_out: usize = study.kinds.iter().map(|kind| kind.places.iter().filter(|at| is_work(at)).count()).sum();
    if study.kinds.is_empty() {
        lead.push("Nothing that the vehicles count tells of the overhead.".to_owned());
    } else {
        lead.push(format!(
            "{} of the overhead {} more than their like.",
            words::count(standing_out as u64, "place", "places"),
            if standing_out == 1 { "sees" } else { "see" }
        ));
        for kind in &study.kinds {
            lead.push(kind_sentence(kind));
        }
    }
    let mut sections: Vec<Section> =
        study.kinds.iter().filter(|kind| kind.total > 0).map(|kind| section(kind, study)).collect();
    if !study.notes.is_empty() {
        sections.push(Section {
            id: "missing".to_owned(),
            heading: "What these numbers do not know".to_owned(),
            text: study.notes.clone(),
            ..Section::default()
        });
    }
    Sheet {
        id: "overhead".to_owned(),
        title: "The overhead, by what vehicles see of it".to_owned(),
        lead,
        sections,
        queries: study.queries.clone(),
    }
}

fn kind_sentence(kind: &OfKind) -> String {
    if kind.total == 0 {
        return format!("{}: none.", kind.sought.heading);
    }
    let of = |keep: &dyn Fn(&Told) -> bool| {
        kind.places.iter().filter(|at| at.verdict.as_ref().is_some_and(|(told, _)| keep(told))).count() as u64
    };
    let unknown = if kind.unknown > 0 {
        format!("; of {} the place is not known", words::number(kind.unknown as f64, 0))
    } else {
        String::new()
    };
    format!(
        "{}: {}, {} where many vehicles have it, {} where one does, {} untold{unknown}.",
        kind.sought.heading,
        words::number(kind.total as f64, 0),
        words::count(of(&|t| matches!(t, Told::Many | Told::Both(_))), "place", "places"),
        words::number(of(&|t| matches!(t, Told::One(_))) as f64, 0),
        words::number(of(&|t| *t == Told::Untold) as f64, 0)
    )
}

fn section(kind: &OfKind, study: &Study) -> Section {
    let places = places_table(kind, study);
    let spots = spots(kind, study, None);
    let picture = Picture {
        id: format!("{}-map", kind.sought.id),
        title: format!("{} on the overhead", kind.sought.heading),
        says: kind_sentence(kind),
        drawn: Drawn::Map { ways: study.ways.clone(), spots },
        table: places.clone(),
    };
    Section {
        id: kind.sought.id.to_owned(),
        heading: kind.sought.heading.to_owned(),
        text: vec![kind.sought.about.to_owned()],
        pictures: vec![picture],
        tables: vec![places, vehicles_table(kind)],
        ..Section::default()
    }
}

fn places_table(kind: &OfKind, study: &Study) -> Table {
    let passed = if study.has_ways { ("passages", "1") } else { ("km", "km") };
    let columns = vec![
        column("place", "", ""),
        column("kind", "", ""),
        column("count", "1", ""),
        column("recent", "1", "In the last 90 days."),
        column("vehicles", "1", "Vehicles that had it here."),
        column(passed.0, passed.1, "By all vehicles."),
        column("a 1000", "1", "Count for 1000 of them."),
        column("expected", "1", "At the rate that is usual for its kind."),
        column("whose", "", "The place's (many vehicles), one vehicle's, or untold."),
        column("sure", "", ""),
    ];
    let rows = kind
        .places
        .iter()
        .map(|at| {
            let (whose, sure) = match &at.verdict {
                Some((told, sure)) => (Cell::Text(told_word(told)), Cell::share(*sure)),
                None => (Cell::Missing("too few to judge"), Cell::Missing("")),
            };
            vec![
                Cell::Text(at.place.name.clone()),
                Cell::Text(at.place.kind_word()),
                Cell::Count(at.count),
                Cell::Count(at.recent),
                Cell::Count(at.vehicles.len() as u64),
                Cell::number(at.passages, 0),
                Cell::number(1000.0 * at.count as f64 / at.passages, 2),
                Cell::number(at.expected, 1),
                whose,
                sure,
            ]
        })
        .collect();
    table(kind.sought.id, &format!("{} by place", kind.sought.heading), columns, rows, Some("overhead-events"))
}

fn vehicles_table(kind: &OfKind) -> Table {
    let columns = vec![
        column("vehicle", "", ""),
        column("count", "1", ""),
        column("recent", "1", "In the last 90 days."),
        column("expected", "1", "Had it the fleet's rate at each place it passed."),
        column("95 % limits", "1", "Exact, of observed over expected (Garwood)."),
        column("factor", "1", "Drawn towards 1 as far as data are thin."),
    ];
    let rows = kind
        .vehicles
        .iter()
        .map(|own| {
            vec![
                Cell::Vehicle(own.vehicle.clone()),
                Cell::Count(own.count),
                Cell::Count(own.recent),
                Cell::number(own.expected, 1),
                own.limits.map_or(Cell::Missing("nothing expected"), |(low, high)| Cell::interval(low, high, 2)),
                Cell::number(own.factor, 2),
            ]
        })
        .collect();
    let id = format!("{}-vehicles", kind.sought.id);
    table(&id, &format!("{} by vehicle", kind.sought.heading), columns, rows, Some("overhead-events"))
}

fn told_word(told: &Told) -> String {
    match told {
        Told::Ordinary => "no more than its like".to_owned(),
        Told::Many => "the overhead here".to_owned(),
        Told::One(vehicle) => format!("vehicle {vehicle}"),
        Told::Both(vehicle) => format!("the overhead here, and vehicle {vehicle}"),
        Told::Untold => "cannot be told apart".to_owned(),
    }
}

/// All special work plain, and over it the places; with `only`, that one alone stands out.
fn spots(kind: &OfKind, study: &Study, only: Option<&str>) -> Vec<Spot> {
    let plain = study.special.iter().filter(|place| !kind.places.iter().any(|at| at.place.id == place.id));
    let plain = plain.filter_map(|place| {
        let (latitude, longitude) = place.at?;
        Some(Spot { latitude, longitude, weight: 0.0, kind: SpotKind::Plain, label: place.name.clone() })
    });
    let seen = kind.places.iter().filter_map(|at| {
        let (latitude, longitude) = at.place.at?;
        let sign = match &at.verdict {
            _ if only.is_some_and(|only| only != at.place.id) => SpotKind::Plain,
            Some((Told::Many | Told::Both(_), _)) => SpotKind::ManyVehicles,
            Some((Told::One(_), _)) => SpotKind::OneVehicle,
            Some((Told::Untold, _)) => SpotKind::Untold,
            Some((Told::Ordinary, _)) | None => SpotKind::Plain,
        };
        let whose = at.verdict.as_ref().map(|(told, _)| format!(", {}", told_word(told))).unwrap_or_default();
        let label = format!("{}: {}{whose}", at.place.name, counted(kind, at.count));
        Some(Spot { latitude, longitude, weight: at.count as f64, kind: sign, label })
    });
    plain.chain(seen).collect()
}

fn counted(kind: &OfKind, count: u64) -> String {
    words::count(count, kind.sought.one, kind.sought.many)
}

fn is_work(at: &AtPlace) -> bool {
    let stands_out = matches!(at.verdict, Some((Told::Many | Told::Both(_) | Told::One(_), _)));
    stands_out && at.recent > 0 && at.count as f64 > PLACE_RATIO * at.expected
}

pub(super) fn work(study: &Study) -> Vec<WorkLine> {
    let mut lines = Vec::new();
    for kind in study.kinds.iter().filter(|kind| kind.sought.id != "pole-offs") {
        lines.extend(kind.places.iter().filter(|at| is_work(at)).filter_map(|at| place_line(at, kind, study)));
        // Phantom voltages of a vehicle everywhere are told with its modules.
        if kind.sought.id != "phantom" {
            lines.extend(kind.vehicles.iter().filter_map(|own| vehicle_line(own, kind, study)));
        }
    }
    lines
}

/// Losses a month beyond the usual.
fn weight(recent: u64, count: u64, expected: f64, kind: &OfKind, study: &Study) -> f64 {
    let days = RECENT_DAYS.min(study.days).max(1.0);
    let beyond = if count > 0 { (1.0 - expected / count as f64).max(0.0) } else { 0.0 };
    recent as f64 / days * MONTH_DAYS * beyond * kind.sought.loss
}

fn place_line(at: &AtPlace, kind: &OfKind, study: &Study) -> Option<WorkLine> {
    let (told, sure) = at.verdict.as_ref()?;
    let passed = format!("{} {}", words::number(at.passages, 0), if study.has_ways { "passages" } else { "km" });
    let usual = words::short(at.expected);
    let many = words::count(at.vehicles.len() as u64, "vehicle", "vehicles");
    let (work_kind, vehicle, subject, reason, caution) = match told {
        Told::Many | Told::Both(_) => (
            WorkKind::Overhead,
            None,
            format!("overhead at {}", at.place.name),
            format!(
                "{} of {many} at {} in {passed}, where {usual} would be usual: the overhead here.",
                counted(kind, at.count),
                at.place.name
            ),
            CAUTION_WIRE,
        ),
        Told::One(vehicle) => {
            let own = at.vehicles.iter().find(|(name, _)| name == vehicle).map_or(0, |(_, count)| *count);
            (
                kind.sought.own.0,
                Some(vehicle.clone()),
                kind.sought.own.1.to_owned(),
                format!(
                    "{} of the {} at {} are vehicle {vehicle}'s, where {usual} would be usual for all: this vehicle.",
                    words::number(own as f64, 0),
                    counted(kind, at.count),
                    at.place.name
                ),
                CAUTION_ROOF,
            )
        }
        Told::Ordinary | Told::Untold => return None,
    };
    let columns = vec![column("vehicle", "", ""), column("count", "1", "")];
    let rows = at.vehicles.iter().map(|(v, n)| vec![Cell::Vehicle(v.clone()), Cell::Count(*n)]).collect();
    let id = format!("{}-{}", kind.sought.id, at.place.id);
    let evidence = Picture {
        title: format!("{} at {}", kind.sought.heading, at.place.name),
        says: reason.clone(),
        drawn: Drawn::Map { ways: study.ways.clone(), spots: spots(kind, study, Some(&at.place.id)) },
        table: table(&id, "By vehicle", columns, rows, Some("overhead-events")),
        id,
    };
    Some(WorkLine {
        vehicle,
        subject,
        kind: work_kind,
        reason,
        sure: Sure {
            probability: Some(*sure),
            words: format!("{} sure that it is {}", words::percent(*sure), told_word(told)),
        },
        weight: weight(at.recent, at.count, at.expected, kind, study),
        evidence: Some(evidence),
        more: ("overhead".to_owned(), kind.sought.id.to_owned()),
        caution,
    })
}

fn vehicle_line(own: &OfVehicle, kind: &OfKind, study: &Study) -> Option<WorkLine> {
    let (low, high) = own.limits?;
    if low < VEHICLE_LOW || own.factor < VEHICLE_LOW || own.count < 5 || own.recent == 0 || !high.is_finite() {
        return None;
    }
    let ratio = own.count as f64 / own.expected;
    let reason = format!(
        "{} where {} would be usual on its ways: {} times as many (95 % limits {} to {}).",
        counted(kind, own.count),
        words::short(own.expected),
        words::short(ratio),
        words::short(low),
        words::short(high)
    );
    Some(WorkLine {
        vehicle: Some(own.vehicle.clone()),
        subject: kind.sought.own.1.to_owned(),
        kind: kind.sought.own.0,
        sure: Sure { probability: None, words: "95 % limits of the ratio lie clear of the fleet's".to_owned() },
        weight: weight(own.recent, own.count, own.expected, kind, study),
        evidence: Some(ladder(own, kind)),
        more: ("overhead".to_owned(), kind.sought.id.to_owned()),
        caution: CAUTION_ROOF,
        reason,
    })
}

/// The vehicle among those with the highest ratios.
fn ladder(own: &OfVehicle, kind: &OfKind) -> Picture {
    use crate::fleet::sheet::{Level, Rung};
    let mut rows: Vec<Rung> = kind
        .vehicles
        .iter()
        .filter_map(|other| {
            let (low, high) = other.limits.filter(|limits| limits.1.is_finite())?;
            Some(Rung {
                label: other.vehicle.clone(),
                vehicle: Some(other.vehicle.clone()),
                low,
                mid: other.count as f64 / other.expected,
                high,
                strong: other.vehicle == own.vehicle,
            })
        })
        .collect();
    rows.sort_by(|a, b| b.mid.total_cmp(&a.mid).then_with(|| a.label.cmp(&b.label)));
    let shown: Vec<Rung> =
        rows.iter().enumerate().filter(|(at, rung)| *at < 8 || rung.strong).map(|(_, rung)| rung.clone()).collect();
    Picture {
        id: format!("{}-{}", kind.sought.id, own.vehicle),
        title: format!("{}, observed over expected", kind.sought.heading),
        says: format!(
            "Vehicle {} with {} times the expected.",
            own.vehicle,
            words::short(own.count as f64 / own.expected)
        ),
        drawn: Drawn::Ladder {
            axis: crate::fleet::shown::axis("observed over expected", "1"),
            rows: shown,
            level: Some(Level { at: 1.0, name: "the fleet".to_owned() }),
        },
        table: vehicles_table(kind),
    }
}

pub(super) fn of_vehicle(study: &Study, vehicle: &str) -> Vec<Section> {
    let rows: Vec<Vec<Cell>> = study
        .kinds
        .iter()
        .filter_map(|kind| {
            let own = kind.vehicles.iter().find(|own| own.vehicle == vehicle)?;
            Some(vec![
                Cell::Text(kind.sought.heading.to_owned()),
                Cell::Count(own.count),
                Cell::number(own.expected, 1),
                own.limits.map_or(Cell::Missing("nothing expected"), |(low, high)| Cell::interval(low, high, 2)),
                Cell::number(own.factor, 2),
            ])
        })
        .collect();
    if rows.is_empty() {
        return Vec::new();
    }
    let columns = vec![
        column("what", "", ""),
        column("count", "1", ""),
        column("expected", "1", "Had it the fleet's rate at each place it passed."),
        column("95 % limits", "1", "Of observed over expected."),
        column("factor", "1", "Drawn towards 1 as far as data are thin."),
    ];
    vec![Section {
        id: "overhead".to_owned(),
        heading: "What it sees of the overhead".to_owned(),
        tables: vec![table("overhead", "Against the fleet on the same ways", columns, rows, Some("overhead-events"))],
        ..Section::default()
    }]
}
