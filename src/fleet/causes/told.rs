//! What was found of pole-offs, for people: the sheet, a vehicle's part. The worklist is in `work`.

use super::found::{Against, Cause, LEVEL, Leaves, PlaceFinding, RECENT_DAYS};
use super::{Study, VehicleFinding};
use crate::fleet::sheet::{Cell, Column, Drawn, Level, Picture, Rung, Section, Sheet, Spot, SpotKind, Table};
use crate::fleet::shown::{axis, column, table};
use crate::fleet::words;

/// So many vehicles are in the picture; the table has all.
const PICTURED: usize = 20;

/// The sheet `causes`.
pub(super) fn sheet(study: &Study) -> Sheet {
    let found = &study.findings;
    let mut sections = Vec::new();
    if found.total > 0 {
        sections.extend(share_section(study));
        sections.push(clusters_section(study));
        sections.push(places_section(study));
    }
    if !found.vehicles.is_empty() {
        sections.push(vehicles_section(study));
    }
    if study.operators {
        sections.push(operators_section(study));
    }
    if !study.notes.is_empty() {
        sections.push(Section {
            id: "missing".to_owned(),
            heading: "What these numbers do not know".to_owned(),
            text: study.notes.clone(),
            ..Section::default()
        });
    }
    Sheet {
        id: "causes".to_owned(),
        title: "Pole-offs: place, operator or vehicle".to_owned(),
        lead: lead(study),
        sections,
        queries: study.queries.clone(),
    }
}

fn lead(study: &Study) -> Vec<String> {
    let found = &study.findings;
    if found.total == 0 {
        return vec![format!(
            "No vehicle had a pole-off on {}: there is nothing to explain.",
            words::count(study.days as u64, "day", "days")
        )];
    }
    let mut lead = Vec::new();
    let every = if found.km > 0.0 {
        format!(", one every {} km", words::number(found.km / found.total as f64, 0))
    } else {
        String::new()
    };
    lead.push(format!(
        "{} on {}{every}.",
        words::count(found.total, "pole-off", "pole-offs"),
        words::count(study.days as u64, "day", "days")
    ));
    let of = |keep: &dyn Fn(&Cause) -> bool| {
        found.places.iter().filter(|place| place.verdict.as_ref().is_some_and(|(cause, _)| keep(cause))).count() as u64
    };
    lead.push(format!(
        "At {} it is the overhead, at {} one vehicle; of {} it cannot be told apart.",
        words::count(of(&|c| matches!(c, Cause::Overhead | Cause::OverheadAndVehicle(_))), "place", "places"),
        words::number(of(&|c| matches!(c, Cause::Vehicle(_))) as f64, 0),
        words::number(of(&|c| *c == Cause::Untold) as f64, 0),
    ));
    match &found.shares {
        Some(shares) => lead.push(shares.why.clone()),
        None => lead.push("There is too little to compare causes over the whole fleet.".to_owned()),
    }
    if found.unknown + found.between > 0 {
        lead.push(format!(
            "{} had no position: {} could be placed between what was located before and after, of {} the place is not known.",
            words::count(found.unknown + found.between, "pole-off", "pole-offs"),
            words::number(found.between as f64, 0),
            words::number(found.unknown as f64, 0)
        ));
    }
    lead
}

/// The share of each cause.
fn share_section(study: &Study) -> Option<Section> {
    let shares = study.findings.shares.as_ref()?;
    let columns = vec![
        column("cause", "", ""),
        column(
            "share",
            "",
            "Of what differs between places, vehicles and operators beyond chance, this much goes with it.",
        ),
        column("90 % interval", "%", ""),
        column("chance", "", "Probability of so much difference, had this cause no part in it."),
    ];
    let named = || shares.names.iter().zip(&shares.shares).zip(&shares.p);
    let rows = named()
        .map(|((name, share), &p)| {
            vec![
                Cell::Text((*name).to_owned()),
                Cell::share(share.value),
                Cell::interval(100.0 * share.low, 100.0 * share.high, 0),
                Cell::share(p),
            ]
        })
        .collect();
    let table = table("shares", "Share of each cause in what differs beyond chance", columns, rows, Some("pole-offs"));
    let rungs = named()
        .filter(|((_, share), _)| share.value.is_finite() && share.low.is_finite() && share.high.is_finite())
        .map(|((name, share), _)| Rung {
            label: (*name).to_owned(),
            low: 100.0 * share.low,
            mid: 100.0 * share.value,
            high: 100.0 * share.high,
            ..Rung::default()
        })
        .collect();
    let mut text = vec![
        "All causes stand in one model: a Poisson regression on place, vehicle and (where switched on) operator, whose effects \
         are drawn towards none as far as the data are thin. Exposure is passages."
            .to_owned(),
        shares.why.clone(),
    ];
    if !shares.told_apart {
        text.push("The shares below are therefore a guess between causes that go together.".to_owned());
    }
    if study.findings.put_together {
        text.push("Places with fewer than three pole-offs were put together for this model.".to_owned());
    }
    Some(Section {
        id: "shares".to_owned(),
        heading: "How much each cause has to do with it".to_owned(),
        text,
        pictures: vec![Picture {
            id: "shares-picture".to_owned(),
            title: "Share of each cause".to_owned(),
            says: named()
                .map(|((name, share), _)| format!("{name} {}", words::percent(share.value)))
                .collect::<Vec<_>>()
                .join(", "),
            drawn: Drawn::Ladder { axis: axis("share", "%"), rows: rungs, level: None },
            table: table.clone(),
        }],
        tables: vec![table],
        ..Section::default()
    })
}

/// Each place of three pole-offs or more, with its cause in a sentence.
fn clusters_section(study: &Study) -> Section {
    let judged: Vec<&PlaceFinding> = study.findings.places.iter().filter(|place| place.verdict.is_some()).collect();
    let rows = judged
        .iter()
        .map(|place| {
            let (cause, sure) = place.verdict.as_ref().map_or((&Cause::Untold, 0.0), |(cause, sure)| (cause, *sure));
            vec![
                Cell::Text(place.place.name.clone()),
                Cell::Text(cause_word(cause)),
                if *cause == Cause::Untold { Cell::Missing("cannot be told") } else { Cell::share(sure) },
                Cell::Count(place.against.observed),
                Cell::Count(place.against.recent),
                Cell::Count(place.vehicles.len() as u64),
                Cell::number(place.against.expected, 1),
                Cell::Text(sentence(place, study)),
            ]
        })
        .collect();
    let columns = vec![
        column("place", "", ""),
        column("cause", "", "The overhead here, one vehicle, or untold."),
        column("sure", "", "Probability of this cause against the others."),
        column("pole-offs", "1", ""),
        column("recent", "1", "In the last 90 days."),
        column("vehicles", "1", "Vehicles that had one here."),
        column("expected", "1", "At the rate that is usual for its kind."),
        column("why", "", ""),
    ];
    let table = table("clusters", "Places with three pole-offs or more", columns, rows, Some("pole-offs"));
    let spots = spots(study, |_| true);
    let located = spots.iter().map(|spot| spot.weight).sum::<f64>();
    Section {
        id: "clusters".to_owned(),
        heading: "Places, and why poles leave the wire there".to_owned(),
        text: vec![
            "Each place is judged by itself: do all vehicles lose the wire here, or does one? Expected is what its passages \
             would give at the rate that is usual for its kind, with each vehicle's own faults."
                .to_owned(),
        ],
        pictures: vec![Picture {
            id: "clusters-map".to_owned(),
            title: "Pole-offs on the overhead".to_owned(),
            says: format!(
                "{} pole-offs at {} places; the marks tell places of many vehicles from places of one.",
                words::number(located, 0),
                spots.len()
            ),
            drawn: Drawn::Map { ways: study.ways.clone(), spots },
            table: table.clone(),
        }],
        tables: vec![table],
        ..Section::default()
    }
}

/// All places with pole-offs: observed over expected.
fn places_section(study: &Study) -> Section {
    let passed = if study.has_ways { "passages" } else { "km" };
    let mut columns = vec![column("place", "", ""), column("kind", "", ""), column("pole-offs", "1", "")];
    let unit = if study.has_ways { "1" } else { "km" };
    columns.push(column(passed, unit, "By all vehicles; plain wire in pieces of 50 m."));
    columns.extend(against_columns());
    columns.push(column("last", "", "Day of the last one."));
    let rows = study
        .findings
        .places
        .iter()
        .map(|place| {
            let mut row = vec![
                Cell::Text(place.place.name.clone()),
                Cell::Text(place.place.kind_word()),
                Cell::Count(place.against.observed),
                Cell::number(place.passages, 0),
            ];
            row.extend(against_cells(&place.against));
            row.push(place.last.map_or(Cell::Missing(""), Cell::Day));
            row
        })
        .collect();
    Section {
        id: "places".to_owned(),
        heading: "All places with pole-offs".to_owned(),
        tables: vec![table("places", "Observed over expected by place", columns, rows, Some("pole-offs"))],
        ..Section::default()
    }
}

fn vehicles_section(study: &Study) -> Section {
    let vehicles = &study.findings.vehicles;
    let columns = vehicle_columns();
    let rows = vehicles.iter().map(vehicle_cells).collect();
    let table = table("vehicles", "Observed over expected by vehicle", columns, rows, Some("km-months"));
    Section {
        id: "vehicles".to_owned(),
        heading: "Vehicles".to_owned(),
        text: vec![
            "Expected is what the vehicle would have had, had it the fleet's rate at each place that it passed. So a vehicle on a \
             bad line is not blamed for the line."
                .to_owned(),
        ],
        pictures: ladder(vehicles.iter(), None, &table).into_iter().collect(),
        tables: vec![table],
        ..Section::default()
    }
}

fn operators_section(study: &Study) -> Section {
    let found = &study.findings;
    let rows = found
        .operators
        .iter()
        .map(|operator| {
            vec![
                Cell::Text(operator.operator.clone()),
                Cell::number(operator.expected, 1),
                Cell::Text(
                    match operator.leaves {
                        Leaves::No => "within chance",
                        Leaves::Fewer => "fewer than chance explains",
                        Leaves::More => "more than chance explains",
                    }
                    .to_owned(),
                ),
            ]
        })
        .collect();
    let columns = vec![
        column("operator", "", "Pseudonym."),
        column("expected", "1", "Pole-offs that anybody would have had with these vehicles at these places."),
        column("seen", "", "Whether what was seen is explained by place, vehicle and chance."),
    ];
    let mut text = vec![
        "Operators stand in the order of their pseudonyms. These numbers are no measure of how well anybody drives; read the page \
         on fair use first."
            .to_owned(),
    ];
    if found.operators_left_out > 0 {
        text.push(format!(
            "{} with fewer than {} expected pole-offs are not shown: nothing can be said of them.",
            words::count(found.operators_left_out as u64, "operator", "operators"),
            words::short(study.fewest)
        ));
    }
    Section {
        id: "operators".to_owned(),
        heading: "Operators".to_owned(),
        text,
        tables: vec![table("operators", "Whether chance explains what was seen", columns, rows, Some("km-duties"))],
        ..Section::default()
    }
}

/// What is known of a vehicle's pole-offs.
pub(super) fn of_vehicle(study: &Study, vehicle: &str) -> Vec<Section> {
    let Some(found) = study.findings.vehicles.iter().find(|found| found.vehicle == vehicle) else {
        return Vec::new();
    };
    let mut text = vec![format!(
        "{} over {} km, where {} were to be expected{}.",
        words::count(found.against.observed, "pole-off", "pole-offs"),
        words::number(found.km, 0),
        words::short(found.against.expected),
        limits_words(&found.against)
    )];
    let (left, right) = found.sides;
    if left + right > 0 {
        text.push(format!("The left collector alone was off the wire in {left}, the right one alone in {right}."));
    }
    let blamed = study.findings.places.iter().filter(|place| match &place.verdict {
        Some((Cause::Vehicle(blamed) | Cause::OverheadAndVehicle(blamed), _)) => blamed == vehicle,
        _ => false,
    });
    text.extend(blamed.map(|place| sentence(place, study)));
    let rows = found.places.iter().map(|(place, count)| vec![Cell::Text(place.clone()), Cell::Count(*count)]).collect();
    let columns = vec![column("place", "", ""), column("pole-offs", "1", "")];
    let own = table("pole-offs-places", "Where", columns, rows, Some("pole-offs"));
    let compared = table(
        "pole-offs",
        "Against what was expected",
        vehicle_columns(),
        vec![vehicle_cells(found)],
        Some("km-months"),
    );
    let picture = ladder(beside(study, vehicle).into_iter(), Some(vehicle), &compared);
    let tables = if found.places.is_empty() { vec![compared] } else { vec![compared, own] };
    vec![Section {
        id: "pole-offs".to_owned(),
        heading: "Pole-offs".to_owned(),
        text,
        pictures: picture.into_iter().collect(),
        tables,
        ..Section::default()
    }]
}

/// The vehicle, among those with the highest ratios.
pub(super) fn beside<'a>(study: &'a Study, vehicle: &str) -> Vec<&'a VehicleFinding> {
    let mut all: Vec<&VehicleFinding> = study.findings.vehicles.iter().filter(|v| v.against.limits.is_some()).collect();
    all.sort_by(|a, b| ratio(&b.against).total_cmp(&ratio(&a.against)).then_with(|| a.vehicle.cmp(&b.vehicle)));
    let own = all.iter().position(|found| found.vehicle == vehicle);
    let mut shown: Vec<&VehicleFinding> = all.iter().take(8).copied().collect();
    if let Some(own) = own.filter(|&own| own >= 8) {
        shown.push(all[own]);
    }
    shown
}

/// Ratios of vehicles on their limits, highest first; none where there is nothing to draw.
pub(super) fn ladder<'a>(
    vehicles: impl Iterator<Item = &'a VehicleFinding>,
    strong: Option<&str>,
    table: &Table,
) -> Option<Picture> {
    let mut rows: Vec<Rung> = vehicles
        .filter_map(|found| {
            let (low, high) = found.against.limits?;
            let mid = ratio(&found.against);
            (mid.is_finite() && high.is_finite()).then(|| Rung {
                label: found.vehicle.clone(),
                vehicle: Some(found.vehicle.clone()),
                low,
                mid,
                high,
                strong: strong.map_or(low > 1.0, |strong| strong == found.vehicle),
            })
        })
        .collect();
    rows.sort_by(|a, b| b.mid.total_cmp(&a.mid).then_with(|| a.label.cmp(&b.label)));
    rows.truncate(PICTURED);
    let first = rows.first()?;
    let says = format!("Highest is {} with {} times the expected pole-offs.", first.label, words::short(first.mid));
    Some(Picture {
        id: "vehicles-picture".to_owned(),
        title: "Pole-offs over those expected".to_owned(),
        says,
        drawn: Drawn::Ladder {
            axis: axis("observed over expected", "1"),
            rows,
            level: Some(Level { at: 1.0, name: "the fleet".to_owned() }),
        },
        table: table.clone(),
    })
}

/// The places on a map.
pub(super) fn spots(study: &Study, strong: impl Fn(&PlaceFinding) -> bool) -> Vec<Spot> {
    let spot = |place: &PlaceFinding| {
        let (latitude, longitude) = place.place.at?;
        let kind = match &place.verdict {
            _ if !strong(place) => SpotKind::Plain,
            Some((Cause::Overhead | Cause::OverheadAndVehicle(_), _)) => SpotKind::ManyVehicles,
            Some((Cause::Vehicle(_), _)) => SpotKind::OneVehicle,
            Some((Cause::Ordinary, _)) | None => SpotKind::Plain,
            Some((Cause::Untold | Cause::Driving, _)) => SpotKind::Untold,
        };
        let seen = words::count(place.against.observed, "pole-off", "pole-offs");
        let label = match &place.verdict {
            Some((cause, _)) => format!("{}: {seen}, {}", place.place.name, cause_word(cause)),
            None => format!("{}: {seen}", place.place.name),
        };
        Some(Spot { latitude, longitude, weight: place.against.observed as f64, kind, label })
    };
    study.findings.places.iter().filter_map(spot).collect()
}

/// A cause in few words.
pub(super) fn cause_word(cause: &Cause) -> String {
    match cause {
        Cause::Ordinary => "no more than its like".to_owned(),
        Cause::Overhead => "the overhead here".to_owned(),
        Cause::Vehicle(vehicle) => format!("vehicle {vehicle}"),
        Cause::OverheadAndVehicle(vehicle) => format!("the overhead here, and vehicle {vehicle}"),
        Cause::Driving => "the way it is driven here".to_owned(),
        Cause::Untold => "cannot be told apart".to_owned(),
    }
}

/// A place's cause, in a sentence with its numbers.
pub(super) fn sentence(place: &PlaceFinding, study: &Study) -> String {
    let against = &place.against;
    let many = words::count(place.vehicles.len() as u64, "vehicle", "vehicles");
    let seen = words::count(against.observed, "pole-off", "pole-offs");
    let passed = format!(
        "{} {}",
        words::number(place.passages, 0),
        if study.has_ways { "passages" } else { "kilometres of the fleet" }
    );
    let expected = words::short(against.expected);
    let own = |vehicle: &str| place.vehicles.iter().find(|(name, _)| name == vehicle).map_or(0, |(_, count)| *count);
    let is_special = matches!(place.place.kind, crate::fleet::places::Kind::Special(_));
    let like = if is_special { format!("a {}", place.place.kind_word()) } else { "plain wire".to_owned() };
    let name = &place.place.name;
    match place.verdict.as_ref().map(|(cause, _)| cause) {
        Some(Cause::Overhead) => format!(
            "{many} lost the wire at {name}, {seen} in {passed} where {like} would have seen {expected}: the overhead here."
        ),
        Some(Cause::Vehicle(vehicle)) => format!(
            "Vehicle {vehicle} had {} of the {seen} at {name}; all others together had {} in {passed}: vehicle {vehicle}.",
            own(vehicle),
            against.observed - own(vehicle).min(against.observed)
        ),
        Some(Cause::OverheadAndVehicle(vehicle)) => format!(
            "{many} lost the wire at {name}, {seen} where {like} would have seen {expected}, and {} of them were vehicle {vehicle}: \
             the overhead here, and that vehicle beyond it.",
            own(vehicle)
        ),
        Some(Cause::Driving) => format!(
            "{seen} by {many} at {name} where {like} would have seen {expected}, nearly all under one operator: look at how the \
             place has to be driven."
        ),
        Some(Cause::Ordinary) => format!("{seen} in {passed} at {name}: no more than {like} sees elsewhere."),
        Some(Cause::Untold) => format!(
            "{seen} by {many} at {name} where {like} would have seen {expected}: too few, or too few vehicles pass, to tell the \
             overhead from a vehicle."
        ),
        None => format!("{seen} at {name}: too few to judge."),
    }
}

pub(super) fn ratio(against: &Against) -> f64 {
    if against.expected > 0.0 { against.observed as f64 / against.expected } else { f64::NAN }
}

/// `, 2.4 times as many (1.5 to 3.6)`; nothing where there is no ratio.
pub(super) fn limits_words(against: &Against) -> String {
    match against.limits {
        Some((low, high)) if high.is_finite() => format!(
            " ({} times, with limits {} to {} at {})",
            words::short(ratio(against)),
            words::short(low),
            words::short(high),
            words::percent(LEVEL)
        ),
        _ => String::new(),
    }
}

fn vehicle_columns() -> Vec<Column> {
    let mut columns = vec![column("vehicle", "", ""), column("km", "km", ""), column("pole-offs", "1", "")];
    columns.extend(against_columns());
    columns.push(column("left alone", "1", "The left collector alone had lost contact."));
    columns.push(column("right alone", "1", "The right collector alone had lost contact."));
    columns.push(column("recent", "1", &format!("In the last {RECENT_DAYS:.0} days.")));
    columns
}

fn vehicle_cells(found: &VehicleFinding) -> Vec<Cell> {
    let mut row =
        vec![Cell::Vehicle(found.vehicle.clone()), Cell::number(found.km, 0), Cell::Count(found.against.observed)];
    row.extend(against_cells(&found.against));
    row.push(Cell::Count(found.sides.0));
    row.push(Cell::Count(found.sides.1));
    row.push(Cell::Count(found.against.recent));
    row
}

fn against_columns() -> Vec<Column> {
    vec![
        column("expected", "1", ""),
        column("observed/expected", "1", ""),
        column("95 % limits", "1", "Exact (Garwood)."),
        column("factor", "1", "Of the rate, with all causes in one model, drawn towards 1 as far as data are thin."),
        column("90 % interval", "1", "Of the factor."),
        column("above 1", "", "Probability that the factor is above 1."),
    ]
}

fn against_cells(against: &Against) -> Vec<Cell> {
    vec![
        Cell::number(against.expected, 1),
        Cell::number(ratio(against), 2),
        against.limits.map_or(Cell::Missing("nothing expected"), |(low, high)| Cell::interval(low, high, 2)),
        Cell::maybe(against.factor.map(|factor| factor.value), 2, "no model"),
        against.factor.map_or(Cell::Missing(""), |factor| Cell::interval(factor.low, factor.high, 2)),
        against.above.map_or(Cell::Missing(""), Cell::share),
    ]
}
