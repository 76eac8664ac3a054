//! Mornings to try the pages with: an ordinary one of an invented fleet, an empty one, and a hostile one.
//!
//! Numbers follow a fixed rule and mean nothing. `fleet` comes from whoever includes this file.

use super::fleet::morning::{DefinitionSet, Morning};
use super::fleet::sheet::*;
use jiff::civil::{Date, date};

/// Numbers between 0 and 1 that look as if by chance, and are the same each time.
fn noise(seed: u64) -> f64 {
    let mixed = (seed.wrapping_add(1)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    ((mixed ^ (mixed >> 32)) & 0xffff_ffff) as f64 / 4_294_967_296.0
}

fn column(name: &str, unit: &str, about: &str) -> Column {
    Column { name: name.into(), unit: unit.into(), about: about.into() }
}

fn table(id: &str, caption: &str, columns: Vec<Column>, rows: Vec<Vec<Cell>>, query: Option<&'static str>) -> Table {
    Table { id: id.into(), caption: caption.into(), columns, rows, query }
}

fn picture(id: &str, title: &str, says: &str, drawn: Drawn, table: Table) -> Picture {
    Picture { id: id.into(), title: title.into(), says: says.into(), drawn, table }
}

fn axis(name: &str, unit: &str) -> Axis {
    Axis { name: name.into(), unit: unit.into(), days: false }
}

fn days() -> Axis {
    Axis { name: "service day".into(), unit: String::new(), days: true }
}

/// Fleet numbers.
pub fn fleet_numbers(count: usize) -> Vec<String> {
    (0..count).map(|index| (201 + index + index / 40 * 60).to_string()).collect()
}

/// 2026-03-14 in days since 1970-01-01.
const TODAY: f64 = 20_526.0;

fn ladder(numbers: &[String]) -> Picture {
    let mut rows: Vec<Rung> = numbers
        .iter()
        .enumerate()
        .map(|(index, number)| {
            let mid = 0.3 + 7.0 * noise(index as u64).powi(3);
            let half = 0.25 + 0.5 * noise(index as u64 + 900);
            let (low, high) = ((mid - half).max(0.02), mid + half * 1.4);
            Rung { label: number.clone(), vehicle: Some(number.clone()), low, mid, high, strong: mid > 4.5 }
        })
        .collect();
    rows.sort_by(|a, b| b.mid.total_cmp(&a.mid));
    rows.truncate(20);
    let cells = rows.iter().map(|rung| {
        vec![Cell::Vehicle(rung.label.clone()), Cell::number(rung.mid, 1), Cell::interval(rung.low, rung.high, 1)]
    });
    let columns = vec![
        column("vehicle", "", ""),
        column("timeouts a 100 off-wire stretches", "", "Shrunk towards the fleet by what little a vehicle has shown."),
        column("90 % interval", "", ""),
    ];
    let behind = table(
        "ranking-picture",
        "Timeouts against exposure, worst 20",
        columns,
        cells.collect(),
        Some("battery-exposure"),
    );
    let level = Some(Level { at: 1.6, name: "the fleet's".into() });
    let drawn = Drawn::Ladder { axis: axis("timeouts a 100 off-wire stretches", ""), rows, level };
    picture(
        "ranking-picture",
        "Battery timeouts a 100 off-wire stretches",
        "Three packs stand clear of the fleet.",
        drawn,
        behind,
    )
}

fn trend(id: &str, seed: u64) -> Picture {
    let points: Vec<(f64, f64)> = (0..24)
        .map(|index| {
            let x = TODAY - 720.0 + 30.0 * f64::from(index);
            (x, 118.0 - 2.9 * f64::from(index) + 10.0 * (noise(seed + index as u64) - 0.5))
        })
        .collect();
    let expected: Vec<(f64, f64)> =
        (0..=10).map(|index| (TODAY + 30.0 * f64::from(index), 49.0 - 2.6 * f64::from(index))).collect();
    let upper = expected.iter().enumerate().map(|(index, point)| point.1 + 1.5 + 0.9 * index as f64).collect();
    let lower =
        expected.iter().enumerate().map(|(index, point)| (point.0, point.1 - 1.5 - 0.9 * index as f64)).collect();
    let traces = vec![
        Trace { name: "90 % interval".into(), mark: Mark::Band, points: lower, upper },
        Trace { name: "expected".into(), mark: Mark::Expected, points: expected, upper: Vec::new() },
        Trace { name: "readings".into(), mark: Mark::Dots, points: points.clone(), upper: Vec::new() },
        Trace { name: "rechecked".into(), mark: Mark::StrongDots, points: points[20..].to_vec(), upper: Vec::new() },
    ];
    let levels = vec![
        Level { at: 60.0, name: "suspect".into() },
        Level { at: 40.0, name: "recheck limit".into() },
        Level { at: 20.0, name: "marginal".into() },
    ];
    let day =
        |x: f64| date(1970, 1, 1).checked_add(jiff::Span::new().days(x as i64)).map_or(Cell::Missing(""), Cell::Day);
    let rows = points.iter().map(|(x, y)| vec![day(*x), Cell::number(*y, 0)]).collect();
    let behind =
        table(id, "Readings of link-3", vec![column("day", "", ""), column("received power", "uW", "")], rows, None);
    let drawn = Drawn::Plot { x: days(), y: axis("received power", "uW"), traces, levels };
    picture(
        id,
        "Received power of link-3",
        "It falls by 2.6 µW a month and crosses the recheck limit in June.",
        drawn,
        behind,
    )
}

fn scatter() -> Picture {
    let points = |from: u64, count: u64, higher: f64| -> Vec<(f64, f64)> {
        (from..from + count)
            .map(|index| {
                let ambient = -8.0 + 40.0 * noise(index);
                (ambient, 12.0 + 0.8 * ambient + higher + 8.0 * (noise(index + 5_000) - 0.5))
            })
            .collect()
    };
    let traces = vec![
        Trace { name: "fleet".into(), mark: Mark::Dots, points: points(0, 300, 0.0), upper: Vec::new() },
        Trace { name: "vehicle 214".into(), mark: Mark::StrongDots, points: points(900, 25, 9.0), upper: Vec::new() },
        Trace {
            name: "weather alone".into(),
            mark: Mark::Line,
            points: vec![(-8.0, 5.6), (32.0, 37.6)],
            upper: Vec::new(),
        },
    ];
    let rows = points(900, 25, 9.0).into_iter().map(|(x, y)| vec![Cell::number(x, 1), Cell::number(y, 1)]).collect();
    let columns = vec![column("ambient temperature", "Cel", ""), column("battery temperature, highest", "Cel", "")];
    let behind = table("heat-picture", "Days of vehicle 214", columns, rows, Some("battery-days"));
    let drawn = Drawn::Plot {
        x: axis("ambient temperature", "Cel"),
        y: axis("battery, highest", "Cel"),
        traces,
        levels: vec![Level { at: 45.0, name: "limit of the pack's maker".into() }],
    };
    picture(
        "heat-picture",
        "Battery temperature against the weather",
        "Vehicle 214 lies 9 °C above the fleet at any weather.",
        drawn,
        behind,
    )
}

fn parts() -> Picture {
    let names: Vec<String> = ["weather", "off-wire work", "this pack", "unexplained"].map(str::to_owned).into();
    let rows: Vec<(String, Vec<f64>)> = (0..12)
        .map(|index| {
            let value = |part: u64| (noise(index * 7 + part) - 0.2) * 12.0;
            (
                format!("{} on 2026-02-{:02}", 210 + index, index + 1),
                vec![value(1).abs() + 2.0, value(2).abs(), value(3), value(4) / 3.0],
            )
        })
        .collect();
    let cells = rows.iter().map(|(label, values)| {
        let mut row = vec![Cell::Text(label.clone())];
        row.extend(values.iter().map(|value| Cell::number(*value, 1)));
        row
    });
    let mut columns = vec![column("day", "", "")];
    columns.extend(names.iter().map(|name| column(name, "K", "")));
    let behind = table("causes-picture", "What each cause explains", columns, cells.collect(), Some("battery-days"));
    let drawn = Drawn::Parts { axis: axis("above the fleet's mean", "K"), parts: names, rows };
    picture(
        "causes-picture",
        "Hot days in parts",
        "Weather explains most of them; four days are the pack's own.",
        drawn,
        behind,
    )
}

fn map() -> Picture {
    let ring = |offset: f64| -> Vec<(f64, f64)> {
        (0..=28)
            .map(|index| {
                let angle = f64::from(index) * 0.22 + offset;
                (48.2 + 0.018 * angle.sin() * (1.0 + 0.3 * (3.0 * angle).cos()), 16.36 + 0.032 * angle.cos())
            })
            .collect()
    };
    let ways = vec![
        ("1".to_owned(), ring(0.0)),
        ("4".to_owned(), vec![(48.18, 16.32), (48.2, 16.36), (48.215, 16.41)]),
        ("7".to_owned(), vec![(48.222, 16.33), (48.205, 16.355), (48.185, 16.395)]),
    ];
    let spot = |index: u64, kind: SpotKind, weight: f64| Spot {
        latitude: 48.2 + 0.017 * ((index as f64) * 0.7).sin(),
        longitude: 16.36 + 0.031 * ((index as f64) * 0.7).cos(),
        weight,
        kind,
        label: format!("S-{index}"),
    };
    let spots = vec![
        spot(1, SpotKind::ManyVehicles, 41.0),
        spot(2, SpotKind::OneVehicle, 12.0),
        spot(3, SpotKind::Untold, 6.0),
        spot(4, SpotKind::Plain, 0.0),
        spot(5, SpotKind::Plain, 0.0),
        spot(7, SpotKind::ManyVehicles, 9.0),
        spot(8, SpotKind::OneVehicle, 5.0),
    ];
    let cells = spots.iter().map(|spot| {
        vec![
            Cell::Text(spot.label.clone()),
            Cell::number(spot.weight, 0),
            Cell::number(spot.latitude, 5),
            Cell::number(spot.longitude, 5),
        ]
    });
    let columns = vec![
        column("place", "", ""),
        column("pole-offs", "", ""),
        column("latitude", "deg", ""),
        column("longitude", "deg", ""),
    ];
    let behind = table("map-picture", "Places", columns, cells.collect(), Some("pole-off-places"));
    picture(
        "map-picture",
        "Where poles leave the wire",
        "S-1, the switch at the Brewery, loses poles of every vehicle.",
        Drawn::Map { ways, spots },
        behind,
    )
}

fn ranking(numbers: &[String]) -> Table {
    let columns = vec![
        column("vehicle", "", ""),
        column("pack", "", "The pack's own number; a replaced pack starts anew."),
        column("fitted", "", ""),
        column("timeouts", "", ""),
        column("off-wire stretches", "", ""),
        column("rate a 100", "", "Timeouts a 100 off-wire stretches, shrunk towards the fleet."),
        column("90 % interval", "", ""),
        column("among the worst 5", "1", ""),
        column("usable charge", "A.h", ""),
        column("internal resistance", "mOhm", ""),
        column("peak", "Cel", "Shown beside, as a separate matter."),
    ];
    let row = |(index, number): (usize, &String)| {
        let seed = index as u64;
        let rate = 0.3 + 7.0 * noise(seed).powi(3);
        let spread = 0.25 + 0.5 * noise(seed + 900);
        vec![
            Cell::Vehicle(number.clone()),
            Cell::Text(format!("P-{:04}", 1000 + index * 7)),
            Cell::Day(
                date(2021, 1, 5)
                    .checked_add(jiff::Span::new().days((noise(seed + 40) * 1500.0) as i64))
                    .unwrap_or(date(2021, 1, 5)),
            ),
            Cell::Count((rate * 12.0) as u64),
            Cell::Count(1_200 + (noise(seed + 77) * 400.0) as u64),
            Cell::number(rate, 1),
            Cell::interval((rate - spread).max(0.0), rate + spread * 1.4, 1),
            Cell::share((rate / 7.3).powi(2).min(1.0)),
            if index % 9 == 4 { Cell::Missing("no long stretch") } else { Cell::number(64.0 - 4.0 * rate, 0) },
            if index % 11 == 3 { Cell::Missing("no load step") } else { Cell::number(38.0 + 6.0 * rate, 0) },
            Cell::number(22.0 + 18.0 * noise(seed + 300), 1),
        ]
    };
    table(
        "ranking",
        "Packs, the worst first",
        columns,
        numbers.iter().enumerate().map(row).collect(),
        Some("battery-exposure"),
    )
}

fn due(number: &str) -> Table {
    let row = |channel: &str, limit: f64| {
        vec![Cell::Text(channel.into()), Cell::Day(date(2026, 3, 1)), Cell::number(limit, 0), Cell::Box, Cell::Box]
    };
    let columns = vec![
        column("channel", "", ""),
        column("due since", "", ""),
        column("recheck limit", "uW", ""),
        column("reading", "uW", ""),
        column("note", "", ""),
    ];
    table(
        &format!("due-{number}"),
        &format!("Due on vehicle {number}"),
        columns,
        vec![row("link-1", 40.0), row("link-3", 40.0)],
        None,
    )
}

fn queries() -> Vec<Query> {
    let query = |id, title, sql: &str| Query { id, title, sql: sql.into() };
    vec![
        query(
            "battery-exposure",
            "Timeouts and off-wire stretches of each vehicle, by month",
            "SELECT vehicle, date_trunc('month', service_day) AS month,\n       SUM(battery_timeouts) AS timeouts, SUM(off_wire_changes) AS stretches\nFROM runs\nWHERE service_day BETWEEN DATE '2025-03-15' AND DATE '2026-03-14' AND off_wire_distance > 0\nGROUP BY vehicle, month\nORDER BY vehicle, month",
        ),
        query(
            "battery-days",
            "Battery and ambient temperature by vehicle and day",
            "SELECT vehicle, service_day, MAX(battery_temperature_peak) AS peak\nFROM runs\nGROUP BY vehicle, service_day",
        ),
        query(
            "pole-off-places",
            "Pole-offs with their positions",
            "SELECT vehicle, time, latitude, longitude FROM events WHERE counter = 'pole_offs'",
        ),
    ]
}

fn line(
    vehicle: Option<&str>,
    subject: &str,
    kind: WorkKind,
    reason: &str,
    sure: (Option<f64>, &str),
    weight: f64,
    evidence: Option<Picture>,
    more: (&str, &str),
) -> WorkLine {
    WorkLine {
        vehicle: vehicle.map(str::to_owned),
        subject: subject.into(),
        kind,
        reason: reason.into(),
        sure: Sure { probability: sure.0, words: sure.1.into() },
        weight,
        evidence,
        more: (more.0.into(), more.1.into()),
        caution: "",
    }
}

/// An ordinary morning of so many vehicles.
pub fn morning(vehicles: usize) -> Morning {
    let numbers = fleet_numbers(vehicles);
    let one = numbers.get(6).map_or("201", String::as_str);
    let other = numbers.get(13).map_or("201", String::as_str);
    let section = |id: &str, heading: &str, text: &[&str], pictures: Vec<Picture>, tables: Vec<Table>| Section {
        id: id.into(),
        heading: heading.into(),
        text: text.iter().map(|text| (*text).to_owned()).collect(),
        pictures,
        tables,
        own_page: false,
    };
    let small_ladder = {
        let mut small = ladder(&numbers);
        if let Drawn::Ladder { rows, .. } = &mut small.drawn {
            rows.truncate(6);
        }
        small.table.rows.truncate(6);
        small
    };
    let plan = table(
        "plan",
        "Replacement plan at 4 packs a year",
        vec![
            column("year", "", ""),
            column("pack", "", ""),
            column("vehicle", "", ""),
            column("timeouts left", "/mo", ""),
            column("with 3 packs", "/mo", ""),
            column("with 5 packs", "/mo", ""),
        ],
        (0..12)
            .map(|index| {
                vec![
                    Cell::Text((2026 + index / 4).to_string()),
                    Cell::Text(format!("P-{}", 1100 + index)),
                    numbers
                        .get(index as usize * 3)
                        .map_or(Cell::Missing("none left"), |number| Cell::Vehicle(number.clone())),
                    Cell::number(41.0 - 2.4 * index as f64, 1),
                    Cell::number(43.0 - 2.0 * index as f64, 1),
                    Cell::number(40.0 - 2.7 * index as f64, 1),
                ]
            })
            .collect(),
        None,
    );
    let silent = table(
        "reported",
        "What each vehicle reported",
        vec![
            column("vehicle", "", ""),
            column("last run", "", ""),
            column("days with runs", "", ""),
            column("driven", "km", ""),
            column("line energy", "kW.h", ""),
            column("kWh a km", "kW.h/km", ""),
        ],
        numbers
            .iter()
            .enumerate()
            .map(|(index, number)| {
                let km = 38_000.0 + 22_000.0 * noise(index as u64 + 1);
                let last: Date = date(2026, 3, 14);
                if index == 17 {
                    vec![
                        Cell::Vehicle(number.clone()),
                        Cell::Missing("never reported"),
                        Cell::Count(0),
                        Cell::Missing("no run"),
                        Cell::Missing("no run"),
                        Cell::Missing("no run"),
                    ]
                } else {
                    vec![
                        Cell::Vehicle(number.clone()),
                        Cell::Day(last),
                        Cell::Count(280 + (noise(index as u64) * 70.0) as u64),
                        Cell::number(km, 0),
                        Cell::number(km * 2.1, 0),
                        Cell::number(2.1 + 0.3 * noise(index as u64), 2),
                    ]
                }
            })
            .collect(),
        Some("battery-days"),
    );
    let sheets = vec![
        Sheet {
            id: "worklist".into(),
            title: "Worklist".into(),
            lead: vec![format!("Vehicle {one}'s off-wire battery comes first: it gave up 31 times in a year, four times as often as the fleet's.")],
            sections: Vec::new(),
            queries: Vec::new(),
        },
        Sheet {
            id: "battery-plan".into(),
            title: "Battery plan".into(),
            lead: vec!["Three packs are worn out, and four packs a year are enough to keep timeouts falling.".into(), "Ranks are by timeouts against exposure, shrunk towards the fleet (gamma-Poisson, marginal likelihood); heat is shown beside it as a separate matter.".into()],
            sections: vec![
                section("ranking", "Which pack next", &["A timeout is counted when the battery gave up before the off-wire stretch was over."], vec![ladder(&numbers)], vec![ranking(&numbers)]),
                section("plan", "Replacement plan", &["What one pack more or fewer a year would do stands beside it."], vec![], vec![plan]),
            ],
            queries: vec![queries()[0].clone()],
        },
        Sheet {
            id: "heat".into(),
            title: "Weather or work".into(),
            lead: vec!["One battery is hot of its own; the others follow the weather and their work off the wire.".into()],
            sections: vec![section("fit", "Battery temperature", &[], vec![scatter(), parts()], vec![])],
            queries: vec![queries()[1].clone()],
        },
        Sheet {
            id: "overhead".into(),
            title: "Overhead".into(),
            lead: vec!["One place loses the poles of every vehicle.".into()],
            sections: vec![section("places", "Places", &[], vec![map()], vec![])],
            queries: vec![queries()[2].clone()],
        },
        Sheet {
            id: "due".into(),
            title: "Readings due".into(),
            lead: vec!["Two vehicles have readings due.".into()],
            sections: numbers.iter().take(2).map(|number| Section { own_page: true, ..section(&format!("due-{number}"), &format!("Vehicle {number}"), &["Measured by ______"], vec![], vec![due(number)]) }).collect(),
            queries: Vec::new(),
        },
        Sheet {
            id: "readings".into(),
            title: "Readings".into(),
            lead: vec!["Link-3 of two vehicles is on its way to the recheck limit.".into()],
            sections: vec![section("drift", "Drift", &[], vec![trend("drift-picture", 3)], vec![])],
            queries: Vec::new(),
        },
        Sheet {
            id: "data-quality".into(),
            title: "Data quality".into(),
            lead: vec!["One vehicle never reported.".into()],
            sections: vec![section("reported", "Who reported", &[], vec![], vec![silent])],
            queries: Vec::new(),
        },
    ];
    let mut work = vec![
        line(
            Some(one),
            "off-wire battery",
            WorkKind::Battery,
            "The battery gave up 31 times in 1,420 off-wire stretches, 4.1 times as often as the fleet's, and more often each month since November.",
            (Some(0.97), "97 % sure to be among the worst 5"),
            2.6,
            Some(small_ladder),
            ("battery-plan", "ranking"),
        ),
        line(
            None,
            "overhead at S-1, switch at the Brewery",
            WorkKind::Overhead,
            "41 pole-offs of 23 vehicles in 9,800 passages, where 6 are expected.",
            (Some(0.995), "> 99 % sure that the place is worse than others"),
            3.4,
            Some(map()),
            ("overhead", "places"),
        ),
        line(
            Some(other),
            "collector, left",
            WorkKind::Collector,
            "12 pole-offs in 30 days on all lines, where 2.1 are expected for these places; the left collector each time.",
            (Some(0.94), "94 % sure to be the vehicle and not the place"),
            1.2,
            None,
            ("overhead", "nowhere"),
        ),
        line(
            Some(other),
            "battery, heat",
            WorkKind::Battery,
            "It runs 9 °C hotter than weather and work explain.",
            (None, "standard error 1.1 °C"),
            0.8,
            Some(scatter()),
            ("heat", "fit"),
        ),
        line(
            Some(one),
            "optical link 3",
            WorkKind::Reading,
            "52 µW and falling by 2.6 µW a month; it crosses the recheck limit of 40 µW between May and August.",
            (Some(0.9), "90 % sure of these months"),
            0.4,
            Some(trend("link-evidence", 9)),
            ("readings", "drift"),
        ),
        line(
            Some(one),
            "insulation reading",
            WorkKind::Due,
            "Due since 2026-03-01; last read 2025-11-28.",
            (None, "by the calendar"),
            0.1,
            None,
            ("due", "list"),
        ),
    ];
    work[1].caution = "Live overhead: only the line crew, after isolation by the agency's procedure.";
    if let Some(silent) = numbers.get(17) {
        work.push(line(
            Some(silent),
            "on-board recorder",
            WorkKind::Silent,
            "It never reported, though it is on the books.",
            (Some(1.0), "certain"),
            0.3,
            None,
            ("data-quality", "reported"),
        ));
    }
    let of_vehicle = |number: &String| {
        let seed = number.parse().unwrap_or(0);
        let months = table(
            "months",
            "Timeouts by month",
            vec![column("month", "", ""), column("timeouts", "", ""), column("off-wire stretches", "", "")],
            (1..=12)
                .map(|month| {
                    vec![
                        Cell::Day(date(2025, month, 1)),
                        Cell::Count((noise(seed + month as u64) * 4.0) as u64),
                        Cell::Count(100 + month as u64),
                    ]
                })
                .collect(),
            Some("battery-exposure"),
        );
        vec![
            section("battery", "Off-wire battery", &["Pack P-1049, fitted 2022-06-30."], vec![], vec![months]),
            section("links", "Optical links", &[], vec![trend("links-picture", seed)], vec![]),
        ]
    };
    Morning {
        store: "/srv/yardtap/store".into(),
        from: Some(date(2025, 3, 15)),
        until: Some(date(2026, 3, 14)),
        made: date(2026, 3, 15).at(5, 12, 0, 0).in_tz("Europe/Vienna").expect("a zone"),
        definitions: vec![DefinitionSet { name: "velmora".into(), hash: "3f2a9c81d04be6a7c5aa10ff".into() }],
        sheets,
        work,
        vehicles: numbers.iter().map(|number| (number.clone(), of_vehicle(number))).collect(),
        failed: Vec::new(),
        asked: Vec::new(),
    }
}

/// Nothing was filed, nobody wrote anything down.
pub fn empty() -> Morning {
    Morning {
        store: "store".into(),
        from: None,
        until: None,
        made: jiff::Timestamp::UNIX_EPOCH.to_zoned_datetime(jiff::tz::TimeZone::UTC),
        definitions: Vec::new(),
        sheets: vec![Sheet { id: "battery-plan".into(), ..Sheet::default() }],
        work: Vec::new(),
        vehicles: Vec::new(),
        failed: Vec::new(),
        asked: Vec::new(),
    }
}

/// Everything that a bus or a file could say to break a page: markup, quotes, other directions, control letters, long
/// words, numbers that are none, and many rows.
pub fn hostile(rows: usize) -> Morning {
    let nasty = [
        "<script>alert(1)</script>",
        "\" onload=\"alert(1)",
        "'; DROP TABLE runs; --",
        "\u{202e}שלום עולם\u{202e}",
        "\u{0}\u{1b}[31m\u{7f}\u{85}",
        "]]>&amp;&lt;!--",
        "../../../etc/passwd",
        "",
        " ",
        "\n\n",
        "a\u{301}\u{1f9d1}\u{200d}\u{1f680}𒐫",
        "Ωµ≤ρ−ł",
    ];
    let long = "Straßenbahnoberleitungsinstandhaltungswerkstatt".repeat(30);
    let wild =
        [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 0.0, -0.0, f64::MAX, f64::MIN, f64::MIN_POSITIVE, 1e15, -1e-300];
    let text = |index: usize| nasty.get(index % (nasty.len() + 1)).map_or(long.clone(), |text| (*text).to_owned());
    let number = |index: usize| wild[index % wild.len()];
    let cell = |index: usize| match index % 9 {
        0 => Cell::Text(text(index / 9)),
        1 => Cell::Vehicle(text(index / 9)),
        2 => Cell::Number { value: number(index / 9), decimals: (index % 256) as u8 },
        3 => Cell::Interval { low: number(index / 9), high: number(index / 9 + 1), decimals: 255 },
        4 => Cell::Share(number(index / 9)),
        5 => Cell::Missing("because"),
        6 => Cell::Count(u64::MAX),
        7 => Cell::Box,
        _ => Cell::Day(Date::MIN),
    };
    let columns: Vec<Column> = (0..14).map(|index| column(&text(index), &text(index + 1), &text(index + 2))).collect();
    let wide = table(
        &text(0),
        &text(1),
        columns,
        (0..rows).map(|row| (0..14).map(|index| cell(row * 14 + row / 7 + index)).collect()).collect(),
        Some("no-such-query"),
    );
    let ragged = table(
        "ragged",
        &text(2),
        vec![Column::default(), Column::default()],
        vec![vec![], vec![Cell::Count(1)], (0..5).map(cell).collect()],
        None,
    );
    let no_columns = table("none", "", Vec::new(), vec![vec![Cell::Count(1)]], None);
    let points: Vec<(f64, f64)> = (0..200).map(|index| (number(index), number(index / 7 + 3))).collect();
    let trace = |mark: Mark, index: usize| Trace {
        name: text(index),
        mark,
        points: points.clone(),
        upper: points.iter().map(|point| point.0).collect(),
    };
    let marks = [Mark::Line, Mark::Expected, Mark::Dots, Mark::StrongDots, Mark::Band];
    let spot = |index: usize, kind: SpotKind| Spot {
        latitude: number(index),
        longitude: number(index + 1),
        weight: number(index),
        kind,
        label: text(index),
    };
    let drawn = vec![
        Drawn::Ladder {
            axis: axis(&long, &text(1)),
            rows: (0..300)
                .map(|index| Rung {
                    label: text(index),
                    vehicle: Some(text(index)),
                    low: number(index),
                    mid: number(index / 2),
                    high: number(index / 3),
                    strong: index % 3 == 0,
                })
                .collect(),
            level: Some(Level { at: f64::MAX, name: long.clone() }),
        },
        Drawn::Ladder {
            axis: axis("", ""),
            rows: vec![Rung { label: long.clone(), low: 1.0, mid: 1.0, high: 1.0, ..Rung::default() }],
            level: Some(Level { at: f64::NAN, name: String::new() }),
        },
        Drawn::Plot {
            x: days(),
            y: axis(&text(0), &text(1)),
            traces: marks.iter().cycle().take(15).enumerate().map(|(index, mark)| trace(*mark, index)).collect(),
            levels: vec![Level { at: 1e15, name: long.clone() }],
        },
        Drawn::Plot { x: days(), y: days(), traces: Vec::new(), levels: Vec::new() },
        Drawn::Parts {
            axis: axis(&text(3), ""),
            parts: (0..20).map(text).collect(),
            rows: (0..100).map(|row| (text(row), (0..25).map(|part| number(row + part)).collect())).collect(),
        },
        Drawn::Parts { axis: Axis::default(), parts: Vec::new(), rows: Vec::new() },
        Drawn::Map {
            ways: vec![(long.clone(), points.clone()), (text(0), vec![(90.0, 180.0), (-90.0, -180.0)])],
            spots: (0..40)
                .map(|index| {
                    spot(
                        index,
                        [SpotKind::Plain, SpotKind::ManyVehicles, SpotKind::OneVehicle, SpotKind::Untold][index % 4],
                    )
                })
                .collect(),
        },
        Drawn::Map {
            ways: Vec::new(),
            spots: vec![Spot {
                latitude: 48.2,
                longitude: 16.4,
                weight: 1.0,
                kind: SpotKind::OneVehicle,
                label: long.clone(),
            }],
        },
        Drawn::Map { ways: Vec::new(), spots: Vec::new() },
    ];
    let pictures: Vec<Picture> = drawn
        .into_iter()
        .enumerate()
        .map(|(index, drawn)| picture(&text(index), &text(index + 1), &text(index + 2), drawn, ragged.clone()))
        .collect();
    let sections = vec![Section {
        id: text(0),
        heading: text(1),
        text: (0..13).map(text).collect(),
        pictures: pictures.clone(),
        tables: vec![wide, ragged.clone(), no_columns],
        own_page: true,
    }];
    let sheet = |index: usize| Sheet {
        id: text(index),
        title: text(index + 1),
        lead: vec![text(index)],
        sections: sections.clone(),
        queries: vec![Query { id: "odd", title: "<b>odd</b>", sql: text(index) }],
    };
    let mut work: Vec<WorkLine> = (0..80)
        .map(|index| {
            line(
                Some(&text(index)),
                &text(index + 1),
                [WorkKind::Battery, WorkKind::TroubleCode, WorkKind::Due][index % 3],
                &text(index + 2),
                (Some(number(index)), &text(index)),
                number(index),
                pictures.get(index).cloned(),
                (&text(0), &text(0)),
            )
        })
        .collect();
    work[3].caution = "</p><script>";
    let mut all = empty();
    all.store = text(0);
    all.definitions = (0..3).map(|index| DefinitionSet { name: text(index), hash: text(index) }).collect();
    all.sheets = (0..3).map(sheet).collect();
    all.work = work;
    all.vehicles = (0..14).map(|index| (text(index), if index == 0 { sections.clone() } else { Vec::new() })).collect();
    all
}
