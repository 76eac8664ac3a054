//! Collectors, for people: the sheet, the worklist, a vehicle's part.

use super::{Grouped, Member, Study};
use crate::fleet::rates::Rates;
use crate::fleet::sheet::{Cell, Drawn, Level, Picture, Rung, Section, Sheet, Sure, Table, WorkKind, WorkLine};
use crate::fleet::shown::{axis, column, table};
use crate::fleet::words;

/// So sure must it be that something eats inserts.
const SURE: f64 = 0.95;
/// And so much of the usual wear must it add.
const ADDS_LEAST: f64 = 0.2;
const CAUTION_ROOF: &str = "Work on the roof only after isolating and earthing by the agency's own procedure.";
const APART: &str = "collectors-apart";

pub(super) fn sheet(study: &Study) -> Sheet {
    let mut lead = Vec::new();
    let mut sections = Vec::new();
    match study.usual {
        Some(usual) => {
            lead.push(format!(
                "Inserts wear {} mm in 1000 km, by {} that were fitted and removed.",
                words::short(usual),
                words::count(study.worn.len() as u64, "insert", "inserts")
            ));
            lead.push(frost_sentence(study));
            let eaters = eaters(study);
            lead.push(match eaters.first() {
                None => "No head, vehicle, line or batch wears inserts faster than chance explains.".to_owned(),
                Some((group, first)) => format!(
                    "{} faster than chance explains, first {} {}.",
                    words::count(
                        eaters.len() as u64,
                        "head, vehicle, line or batch wears inserts",
                        "heads, vehicles, lines or batches wear inserts"
                    ),
                    group.by,
                    first.name
                ),
            });
        }
        None => lead.push("Nothing can be said of the wear of carbon inserts.".to_owned()),
    }
    for group in study.groups.iter().filter(|group| !group.members.is_empty()) {
        let data = group_table(group, study);
        sections.push(Section {
            id: format!("wear-{}", group.by),
            heading: format!("Wear by {}", group.by),
            pictures: ladder(group, study, None, &data).into_iter().collect(),
            tables: vec![data],
            ..Section::default()
        });
    }
    if !study.worn.is_empty() {
        sections.push(Section {
            id: "inserts".to_owned(),
            heading: "All inserts".to_owned(),
            tables: vec![worn_table(study, None)],
            ..Section::default()
        });
    }
    if let Some(apart) = &study.apart {
        let data = apart_table(apart);
        sections.push(Section {
            id: "apart".to_owned(),
            heading: "Collectors out of step".to_owned(),
            text: vec![
                "The two collectors spread wider than the limit, or stood at different angles: poles on different wires, or a base \
                 that does not turn freely."
                    .to_owned(),
            ],
            pictures: apart.ladder("apart-picture", "Collectors out of step", None, data.clone()).into_iter().collect(),
            tables: vec![data],
            ..Section::default()
        });
    }
    sections.push(Section {
        id: "method".to_owned(),
        heading: "How this was reckoned".to_owned(),
        text: std::iter::once(
            "Frost and batch are reckoned first, then the line, then vehicle and head on what these leave, each drawn towards none as \
             far as inserts are few (lines are not drawn: an insert sees several, by kilometres). A head stays in its vehicle: where both stand out, it may be either."
                .to_owned(),
        )
        .chain(study.notes.iter().cloned())
        .collect(),
        ..Section::default()
    });
    Sheet {
        id: "collectors".to_owned(),
        title: "Collectors: inserts, heads, and poles out of step".to_owned(),
        lead,
        sections,
        queries: study.queries.clone(),
    }
}

fn frost_sentence(study: &Study) -> String {
    match study.frost {
        Some((adds, error)) if adds - 1.645 * error > 0.0 => format!(
            "Frost adds to it: {} mm for 1000 km driven on days of frost (90 % interval {} to {}).",
            words::number(adds, 2),
            words::number(adds - 1.645 * error, 2),
            words::number(adds + 1.645 * error, 2)
        ),
        Some((adds, error)) => format!(
            "That frost adds to it cannot be told: {} mm for 1000 km, 90 % interval {} to {}.",
            words::number(adds, 2),
            words::number(adds - 1.645 * error, 2),
            words::number(adds + 1.645 * error, 2)
        ),
        None => "All inserts saw the same share of frost, or none is known: whether it adds cannot be told.".to_owned(),
    }
}

/// Members that add wear for sure, and enough to matter; most first.
fn eaters(study: &Study) -> Vec<(&Grouped, &Member)> {
    let usual = study.usual.unwrap_or(f64::INFINITY).max(0.0);
    let of = |group| study.groups.iter().filter(move |g: &&Grouped| g.by == group);
    let mut found: Vec<(&Grouped, &Member)> = ["head", "vehicle", "line", "batch"]
        .into_iter()
        .flat_map(of)
        .flat_map(|group| group.members.iter().map(move |member| (group, member)))
        .filter(|(_, member)| member.above >= SURE && member.adds > ADDS_LEAST * usual)
        .collect();
    found.sort_by(|a, b| b.1.adds.total_cmp(&a.1.adds).then_with(|| a.1.name.cmp(&b.1.name)));
    found
}

fn group_table(group: &Grouped, study: &Study) -> Table {
    let columns = vec![
        column(group.by, "", ""),
        column("vehicle", "", ""),
        column("inserts", "1", ""),
        column("wear", "mm", "In 1000 km, of the usual batch and line, without frost."),
        column("adds", "mm", "To the usual wear in 1000 km, drawn towards none."),
        column("90 % interval", "mm", "Of what it adds."),
        column("above", "", "Probability that it adds anything."),
    ];
    let row = |member: &Member| {
        vec![
            if group.by == "vehicle" { Cell::Vehicle(member.name.clone()) } else { Cell::Text(member.name.clone()) },
            member.vehicle.clone().map_or(Cell::Missing("several"), Cell::Vehicle),
            Cell::Count(member.inserts as u64),
            Cell::maybe(study.usual.map(|usual| usual + member.adds), 3, ""),
            Cell::number(member.adds, 3),
            Cell::interval(member.adds - 1.645 * member.error, member.adds + 1.645 * member.error, 3),
            Cell::share(member.above),
        ]
    };
    let rows = group.members.iter().map(row).collect();
    table(
        &format!("wear-{}", group.by),
        &format!("What each {} adds to the wear", group.by),
        columns,
        rows,
        Some("km-days"),
    )
}

fn ladder(group: &Grouped, study: &Study, strong: Option<&str>, data: &Table) -> Option<Picture> {
    let mut rows: Vec<Rung> = group
        .members
        .iter()
        .filter(|member| member.adds.is_finite() && member.error.is_finite())
        .map(|member| Rung {
            label: member.name.clone(),
            vehicle: member.vehicle.clone(),
            low: member.adds - 1.645 * member.error,
            mid: member.adds,
            high: member.adds + 1.645 * member.error,
            strong: strong.map_or(member.above >= SURE, |strong| strong == member.name),
        })
        .collect();
    rows.sort_by(|a, b| b.mid.total_cmp(&a.mid).then_with(|| a.label.cmp(&b.label)));
    let rows: Vec<Rung> =
        rows.iter().enumerate().filter(|(at, r)| *at < 15 || r.strong).map(|(_, r)| r.clone()).collect();
    let first = rows.first()?;
    Some(Picture {
        id: format!("wear-{}-{}", group.by, strong.unwrap_or("all")),
        title: format!("What each {} adds to the wear of inserts", group.by),
        says: format!(
            "Most adds {} {}: {} mm in 1000 km to the usual {}.",
            group.by,
            first.label,
            words::number(first.mid, 2),
            words::short(study.usual.unwrap_or(0.0))
        ),
        drawn: Drawn::Ladder {
            axis: axis("added wear in 1000 km", "mm"),
            rows,
            level: Some(Level { at: 0.0, name: "usual".to_owned() }),
        },
        table: data.clone(),
    })
}

fn worn_table(study: &Study, vehicle: Option<&str>) -> Table {
    let columns = vec![
        column("insert", "", ""),
        column("vehicle", "", ""),
        column("side", "", ""),
        column("head", "", ""),
        column("batch", "", ""),
        column("line", "", "That the vehicle ran most meanwhile."),
        column("km", "km", ""),
        column("frost", "", "Share of these on days of frost."),
        column("wear", "mm", ""),
        column("in 1000 km", "mm", ""),
    ];
    let rows = study
        .worn
        .iter()
        .filter(|worn| vehicle.is_none_or(|vehicle| vehicle == worn.vehicle))
        .map(|worn| {
            vec![
                Cell::Text(worn.part.clone()),
                Cell::Vehicle(worn.vehicle.clone()),
                Cell::Text(worn.side.clone()),
                Cell::Text(worn.head.clone()),
                Cell::Text(worn.batch.clone()),
                Cell::Text(worn.line().to_owned()),
                Cell::number(worn.km, 0),
                worn.frost.map_or(Cell::Missing("not known"), Cell::share),
                Cell::number(worn.wear_mm, 1),
                Cell::number(worn.rate(), 3),
            ]
        })
        .collect();
    table("inserts", "Inserts that were fitted and removed", columns, rows, Some("km-days"))
}

fn apart_table(apart: &Rates) -> Table {
    apart.table("apart", "Collectors out of step by vehicle", "out of step", APART)
}

pub(super) fn work(study: &Study) -> Vec<WorkLine> {
    let mut lines: Vec<WorkLine> =
        eaters(study).into_iter().filter_map(|(group, member)| wear_line(group, member, study)).collect();
    if let Some(apart) = &study.apart {
        for rate in apart.rates.iter().filter(|rate| rate.is_work()) {
            let data = apart_table(apart);
            let id = format!("apart-{}", rate.vehicle);
            lines.push(WorkLine {
                vehicle: Some(rate.vehicle.clone()),
                subject: "poles out of step".to_owned(),
                kind: WorkKind::Collector,
                reason: apart.sentence(rate, "time out of step", "times out of step"),
                sure: Sure {
                    probability: Some(rate.stands_out),
                    words: format!("{} sure to be 1.5 times the fleet's rate or more", words::percent(rate.stands_out)),
                },
                // One in twenty ends as a pole-off.
                weight: 0.05 * rate.excess_a_month(apart.fleet, study.days),
                evidence: apart.ladder(&id, "Collectors out of step", Some(&rate.vehicle), data),
                more: ("collectors".to_owned(), "apart".to_owned()),
                caution: CAUTION_ROOF,
            });
        }
    }
    lines
}

/// A head or vehicle that eats inserts. Lines and batches stand on the sheet: no vehicle goes to the workshop for them.
fn wear_line(group: &Grouped, member: &Member, study: &Study) -> Option<WorkLine> {
    if !matches!(group.by, "head" | "vehicle") {
        return None;
    }
    let usual = study.usual?;
    let vehicle = member.vehicle.clone()?;
    let subject =
        if group.by == "head" { format!("collector head {}", member.name) } else { "collectors, wear".to_owned() };
    let reason = format!(
        "{} wore {} mm in 1000 km where {} is usual, by {}.",
        if group.by == "head" { format!("Inserts in head {}", member.name) } else { "Its inserts".to_owned() },
        words::number(usual + member.adds, 2),
        words::number(usual, 2),
        words::count(member.inserts as u64, "insert", "inserts")
    );
    let data = group_table(group, study);
    Some(WorkLine {
        vehicle: Some(vehicle),
        subject,
        kind: WorkKind::Collector,
        reason,
        sure: Sure {
            probability: Some(member.above),
            words: format!("{} sure to wear inserts faster than usual", words::percent(member.above)),
        },
        // A set of inserts more in some months, and a bare head now and then.
        weight: 0.1 * (member.adds / usual.max(1e-6)).clamp(0.0, 3.0),
        evidence: ladder(group, study, Some(&member.name), &data),
        more: ("collectors".to_owned(), format!("wear-{}", group.by)),
        caution: CAUTION_ROOF,
    })
}

pub(super) fn of_vehicle(study: &Study, vehicle: &str) -> Vec<Section> {
    let mut tables = Vec::new();
    if study.worn.iter().any(|worn| worn.vehicle == vehicle) {
        tables.push(worn_table(study, Some(vehicle)));
    }
    let mut text: Vec<String> = Vec::new();
    for group in &study.groups {
        for member in group.members.iter().filter(|member| member.vehicle.as_deref() == Some(vehicle)) {
            text.push(format!(
                "{} {} adds {} mm in 1000 km to the usual wear (90 % interval {} to {}).",
                if group.by == "head" { "Head" } else { "Vehicle" },
                member.name,
                words::number(member.adds, 2),
                words::number(member.adds - 1.645 * member.error, 2),
                words::number(member.adds + 1.645 * member.error, 2)
            ));
        }
    }
    if let Some((apart, rate)) =
        study.apart.as_ref().and_then(|apart| Some((apart, apart.rates.iter().find(|rate| rate.vehicle == vehicle)?)))
    {
        tables.push(apart_table(&Rates { rates: vec![rate.clone()], ..apart.clone() }));
    }
    if tables.is_empty() {
        return Vec::new();
    }
    vec![Section { id: "collectors".to_owned(), heading: "Collectors".to_owned(), text, tables, ..Section::default() }]
}
