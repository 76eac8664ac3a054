//! The data's quality, for people: the sheet, the worklist, a vehicle's part.

use super::{Ambient, Outage, Reports, State, Study};
use crate::fleet::sheet::{
    Cell, Drawn, Level, Mark, Picture, Rung, Section, Sheet, Sure, Table, Trace, WorkKind, WorkLine,
};
use crate::fleet::shown::{axis, column, days_axis, table};
use crate::fleet::{span, words};

/// So many missing days are named; the table has all.
const NAMED: usize = 6;
/// Rows of buses and messages that are shown; the query has all.
const SHOWN: usize = 60;

pub(super) fn sheet(study: &Study) -> Sheet {
    let mut sections = Vec::new();
    if !study.vehicles.is_empty() {
        sections.push(reporting_section(study));
    }
    if !study.missing_days.is_empty() {
        let rows = study.missing_days.iter().map(|day| vec![Cell::Day(*day)]).collect();
        sections.push(Section {
            id: "missing-days".to_owned(),
            heading: "Days that are missing".to_owned(),
            text: vec![
                "On these days no vehicle reported at all: the gateway, the network or the store was at fault."
                    .to_owned(),
            ],
            tables: vec![table(
                "missing-days",
                "Days without any run",
                vec![column("day", "", "")],
                rows,
                Some("reports-days"),
            )],
            ..Section::default()
        });
    }
    if !study.gaps.is_empty() {
        let columns = vec![column("vehicle", "", ""), column("last before", "", ""), column("first after", "", "")];
        let row = |(vehicle, before, after): &(String, jiff::civil::Date, jiff::civil::Date)| {
            vec![Cell::Vehicle(vehicle.clone()), Cell::Day(*before), Cell::Day(*after)]
        };
        let rows = study.gaps.iter().map(row).collect();
        sections.push(Section {
            id: "gaps".to_owned(),
            heading: "Silent for a week or more, and back".to_owned(),
            text: vec![
                "What happened to these vehicles meanwhile is in no count: they look better than they were.".to_owned(),
            ],
            tables: vec![table("gaps", "Silences of a week and more", columns, rows, Some("reports-gaps"))],
            ..Section::default()
        });
    }
    if !study.outages.is_empty() {
        sections.push(Section {
            id: "outages".to_owned(),
            heading: "Sensors that drop out".to_owned(),
            tables: vec![outages_table(&study.outages.iter().collect::<Vec<_>>())],
            ..Section::default()
        });
    }
    if !study.ambient.is_empty() {
        sections.push(ambient_section(study));
    }
    if study.buses.iter().any(|bus| bus.steps_back + bus.errors + bus.silences > 0)
        || study.silent_buses().next().is_some()
    {
        sections.push(buses_section(study));
    }
    if !study.messages.is_empty() {
        sections.push(messages_section(study));
    }
    if !study.notes.is_empty() {
        sections.push(Section {
            id: "missing".to_owned(),
            heading: "What is not known".to_owned(),
            text: study.notes.clone(),
            ..Section::default()
        });
    }
    Sheet {
        id: "data-quality".to_owned(),
        title: "Data quality".to_owned(),
        lead: lead(study),
        sections,
        queries: study.queries.clone(),
    }
}

fn lead(study: &Study) -> Vec<String> {
    let named = |state: State| -> Vec<&str> {
        study.vehicles.iter().filter(|own| own.state == state).map(|own| own.vehicle.as_str()).collect()
    };
    let mut lead = Vec::new();
    let reporting = study.vehicles.iter().filter(|own| matches!(own.state, State::Reports | State::NotOnBooks)).count();
    lead.push(format!("{} as they should.", words::count(reporting as u64, "vehicle reports", "vehicles report")));
    for (state, what) in [
        (State::Never, "never reported"),
        (State::Stopped, "reported once and stopped"),
        (State::Seldom, "reported on less than half of the days"),
        (State::NotOnBooks, "reported without being on the books"),
    ] {
        let names = named(state);
        if !names.is_empty() {
            lead.push(format!(
                "{} {what}: {}.",
                words::count(names.len() as u64, "vehicle", "vehicles"),
                words::list(&names, NAMED)
            ));
        }
    }
    if !study.missing_days.is_empty() {
        let days: Vec<String> = study.missing_days.iter().map(ToString::to_string).collect();
        lead.push(format!(
            "{} without any report: {}.",
            words::count(days.len() as u64, "day is", "days are"),
            words::list(&days, NAMED)
        ));
    }
    if !study.gaps.is_empty() {
        let names: Vec<&str> = study.gaps.iter().map(|gap| gap.0.as_str()).collect();
        lead.push(format!(
            "{} for a week or more, and back: {}.",
            words::count(names.len() as u64, "silence", "silences"),
            words::list(&names, NAMED)
        ));
    }
    let lying = study.ambient.iter().filter(|own| own.lies()).count() + study.outages.len();
    lead.push(format!("{} or drop out.", words::count(lying as u64, "sensor lies", "sensors lie")));
    lead
}

fn state_word(state: State) -> &'static str {
    match state {
        State::Never => "never reported",
        State::Stopped => "stopped",
        State::Seldom => "seldom",
        State::NotOnBooks => "not on the books",
        State::Reports => "reports",
        State::OutOfService => "out of service",
    }
}

fn reporting_section(study: &Study) -> Section {
    let mut order: Vec<&Reports> = study.vehicles.iter().collect();
    order.sort_by(|a, b| a.state.cmp(&b.state).then_with(|| a.vehicle.cmp(&b.vehicle)));
    let data = reports_table(&order);
    let points: Vec<(f64, f64)> =
        study.by_day.iter().map(|(day, count)| (span::number_of(*day), *count as f64)).collect();
    let last = study.by_day.last().map_or(0, |(_, count)| *count);
    let rows = study.by_day.iter().map(|(day, count)| vec![Cell::Day(*day), Cell::Count(*count)]).collect();
    let columns = vec![column("day", "", ""), column("vehicles", "1", "")];
    let picture = Picture {
        id: "reports-picture".to_owned(),
        title: "Vehicles that reported, by day".to_owned(),
        says: format!("On the last day {} reported.", words::count(last, "vehicle", "vehicles")),
        drawn: Drawn::Plot {
            x: days_axis(),
            y: axis("vehicles", "1"),
            traces: vec![Trace { name: "vehicles".to_owned(), mark: Mark::Line, points, upper: Vec::new() }],
            levels: Vec::new(),
        },
        table: table("reports-days", "Vehicles that reported, by day", columns, rows, Some("reports-days")),
    };
    Section {
        id: "reports".to_owned(),
        heading: "Who reports".to_owned(),
        pictures: if study.by_day.is_empty() { Vec::new() } else { vec![picture] },
        tables: vec![data],
        ..Section::default()
    }
}

fn reports_table(rows: &[&Reports]) -> Table {
    let columns = vec![
        column("vehicle", "", ""),
        column("state", "", ""),
        column("first", "", ""),
        column("last", "", ""),
        column("days", "d", "With a run."),
        column("of", "d", "Days on which any vehicle reported while this one was in service."),
        column("km", "km", ""),
    ];
    let row = |own: &&Reports| {
        vec![
            Cell::Vehicle(own.vehicle.clone()),
            Cell::Text(state_word(own.state).to_owned()),
            own.days.map_or(Cell::Missing("never"), |days| Cell::Day(days.0)),
            own.days.map_or(Cell::Missing("never"), |days| Cell::Day(days.1)),
            Cell::Count(own.reported),
            Cell::Count(own.expected),
            Cell::number(own.km, 0),
        ]
    };
    table("reports", "Who reports", columns, rows.iter().map(row).collect(), Some("reports-vehicles"))
}

fn outages_table(rows: &[&Outage]) -> Table {
    let columns = vec![
        column("vehicle", "", ""),
        column("sensor", "", ""),
        column("missing", "h", ""),
        column("of time in use", "", ""),
        column("fleet", "", "The same in the middle of the fleet."),
        column("days", "d", "With an outage."),
    ];
    let row = |own: &&Outage| {
        vec![
            Cell::Vehicle(own.vehicle.clone()),
            Cell::Text(own.sensor.to_owned()),
            Cell::number(own.missing_s / 3600.0, 1),
            Cell::share(own.share),
            Cell::share(own.fleet),
            Cell::Count(own.days),
        ]
    };
    table(
        "outages",
        "Sensors missing for more than 1 % of the time in use",
        columns,
        rows.iter().map(row).collect(),
        None,
    )
}

fn ambient_table(rows: &[&Ambient]) -> Table {
    let columns = vec![
        column("vehicle", "", ""),
        column("off", "K", "Mean difference to the middle of the fleet on the same day; positive is warmer."),
        column("spread", "K", "Standard deviation of the difference from day to day."),
        column("days", "d", ""),
        column("lies", "", "Off by 3 K or more in the mean, or stuck."),
    ];
    let row = |own: &&Ambient| {
        let lies = if own.stuck { "stuck" } else { "off" };
        vec![
            Cell::Vehicle(own.vehicle.clone()),
            Cell::number(own.off, 1),
            Cell::number(own.spread, 1),
            Cell::Count(own.days),
            if own.lies() { Cell::Text(lies.to_owned()) } else { Cell::Missing("no") },
        ]
    };
    table(
        "ambient",
        "Ambient sensors against their neighbours",
        columns,
        rows.iter().map(row).collect(),
        Some("ambient-neighbours"),
    )
}

fn ambient_section(study: &Study) -> Section {
    let mut order: Vec<&Ambient> = study.ambient.iter().collect();
    order.sort_by(|a, b| b.off.abs().total_cmp(&a.off.abs()).then_with(|| a.vehicle.cmp(&b.vehicle)));
    let data = ambient_table(&order);
    Section {
        id: "ambient".to_owned(),
        heading: "Ambient sensors against their neighbours".to_owned(),
        text: vec![
            "A sensor in the sun or in waste heat reads warm. Each is compared with the middle of all that were out on the same day."
                .to_owned(),
        ],
        pictures: ambient_picture(&order, None, &data).into_iter().collect(),
        tables: vec![data],
        ..Section::default()
    }
}

fn ambient_picture(order: &[&Ambient], strong: Option<&str>, data: &Table) -> Option<Picture> {
    let is_strong = |own: &Ambient| strong.map_or(own.lies(), |strong| strong == own.vehicle);
    let rows: Vec<Rung> = order
        .iter()
        .enumerate()
        .filter(|(at, own)| *at < 15 || is_strong(own))
        .map(|(_, own)| Rung {
            label: own.vehicle.clone(),
            vehicle: Some(own.vehicle.clone()),
            low: own.off - own.spread,
            mid: own.off,
            high: own.off + own.spread,
            strong: is_strong(own),
        })
        .collect();
    let first = rows.first()?;
    Some(Picture {
        id: format!("ambient-{}", strong.unwrap_or("all")),
        title: "Off the middle of the fleet".to_owned(),
        says: format!("Furthest off is {} with {} K.", first.label, words::number(first.mid, 1)),
        drawn: Drawn::Ladder {
            axis: axis("difference to the fleet, with its spread", "K"),
            rows,
            level: Some(Level { at: 0.0, name: "the fleet".to_owned() }),
        },
        table: data.clone(),
    })
}

fn buses_section(study: &Study) -> Section {
    let columns = vec![
        column("vehicle", "", ""),
        column("bus", "", ""),
        column("recorded", "h", ""),
        column("clock steps", "1", "Steps back of the recording's clock."),
        column("error frames", "1", ""),
        column("silences", "1", "Of more than a second."),
    ];
    let troubled = study.buses.iter().filter(|bus| bus.steps_back + bus.errors + bus.silences > 0);
    let rows = troubled
        .take(SHOWN)
        .map(|bus| {
            vec![
                Cell::Vehicle(bus.vehicle.clone()),
                Cell::Text(bus.bus.clone()),
                Cell::number(bus.recorded_h, 0),
                Cell::Count(bus.steps_back),
                Cell::Count(bus.errors),
                Cell::Count(bus.silences),
            ]
        })
        .collect();
    let stepped = study.buses.iter().filter(|bus| bus.steps_back > 0).count() as u64;
    Section {
        id: "buses".to_owned(),
        heading: "Buses and clocks".to_owned(),
        text: std::iter::once(format!("On {} the clock stepped back.", words::count(stepped, "bus", "buses")))
            .chain(study.silent_buses().map(|(bus, _)| {
                let last = bus.last.map(|day| day.to_string()).unwrap_or_default();
                format!("The {} bus of {} is not heard since {last}, though the vehicle reports.", bus.bus, bus.vehicle)
            }))
            .collect(),
        tables: vec![table(
            "buses",
            "Clock steps, error frames and silences, worst first",
            columns,
            rows,
            Some("bus-health"),
        )],
        ..Section::default()
    }
}

fn messages_section(study: &Study) -> Section {
    let columns = vec![
        column("vehicle", "", ""),
        column("message", "", ""),
        column("frames", "1", ""),
        column("missing", "1", ""),
        column("share", "", "Of its frames that did not come."),
    ];
    let rows = study
        .messages
        .iter()
        .take(SHOWN)
        .map(|message| {
            vec![
                Cell::Vehicle(message.vehicle.clone()),
                Cell::Text(message.message.clone()),
                Cell::Count(message.frames),
                Cell::Count(message.missing),
                Cell::share(message.share()),
            ]
        })
        .collect();
    Section {
        id: "messages".to_owned(),
        heading: "Messages of which frames are missing".to_owned(),
        tables: vec![table(
            "messages",
            "More than one frame in fifty missing, worst first",
            columns,
            rows,
            Some("message-health"),
        )],
        ..Section::default()
    }
}

pub(super) fn work(study: &Study) -> Vec<WorkLine> {
    let mut lines: Vec<WorkLine> = study.vehicles.iter().filter_map(|own| silent_line(own, study)).collect();
    lines.extend(study.silent_buses().map(|(bus, _)| WorkLine {
        vehicle: Some(bus.vehicle.clone()),
        subject: format!("bus {}", bus.bus),
        kind: WorkKind::Silent,
        reason: format!(
            "Nothing was heard of its {} bus since {}, though the vehicle reports.",
            bus.bus,
            bus.last.map(|day| day.to_string()).unwrap_or_default()
        ),
        sure: Sure { probability: None, words: "by the store's own days".to_owned() },
        weight: 0.05,
        evidence: None,
        more: ("data-quality".to_owned(), "buses".to_owned()),
        caution: "",
    }));
    lines.extend(study.outages.iter().map(outage_line));
    let mut order: Vec<&Ambient> = study.ambient.iter().collect();
    order.sort_by(|a, b| b.off.abs().total_cmp(&a.off.abs()).then_with(|| a.vehicle.cmp(&b.vehicle)));
    let data = ambient_table(&order);
    for own in study.ambient.iter().filter(|own| own.lies()) {
        let reason = if own.stuck {
            format!(
                "Ambient sensor hardly moved over {}, while the fleet's did.",
                words::count(own.days, "day", "days")
            )
        } else {
            format!(
                "Ambient sensor read {} K {} than its neighbours in the mean of {}.",
                words::number(own.off.abs(), 1),
                if own.off > 0.0 { "warmer" } else { "colder" },
                words::count(own.days, "day", "days")
            )
        };
        lines.push(WorkLine {
            vehicle: Some(own.vehicle.clone()),
            subject: "ambient sensor".to_owned(),
            kind: WorkKind::Sensor,
            reason,
            sure: Sure {
                probability: None,
                words: format!("it moves {} K about that from day to day", words::number(own.spread, 1)),
            },
            weight: 0.01,
            evidence: ambient_picture(&order, Some(&own.vehicle), &data),
            more: ("data-quality".to_owned(), "ambient".to_owned()),
            caution: "",
        });
    }
    lines
}

fn silent_line(own: &Reports, study: &Study) -> Option<WorkLine> {
    let since = |days: (jiff::civil::Date, jiff::civil::Date)| {
        let silent = study.today.map_or(0.0, |today| span::number_of(today) - span::number_of(days.1));
        format!("last reported on {}, {} days ago", days.1, words::number(silent, 0))
    };
    let reason = match (own.state, own.days) {
        (State::Never, _) => {
            format!("On the books, but never reported on {}.", words::count(own.expected, "day", "days"))
        }
        (State::Stopped, Some(days)) => format!("It {}; nothing of it is known since.", since(days)),
        (State::Seldom, Some(_)) => format!("It reported on {} of {} days only.", own.reported, own.expected),
        _ => return None,
    };
    Some(WorkLine {
        vehicle: Some(own.vehicle.clone()),
        subject: "recording unit and its link".to_owned(),
        kind: WorkKind::Silent,
        reason,
        sure: Sure { probability: None, words: "by the store's own days".to_owned() },
        // What is not seen is not counted elsewhere: about what an ordinary vehicle loses in a month.
        weight: 0.05,
        evidence: None,
        more: ("data-quality".to_owned(), "reports".to_owned()),
        caution: "",
    })
}

fn outage_line(own: &Outage) -> WorkLine {
    WorkLine {
        vehicle: Some(own.vehicle.clone()),
        subject: own.sensor.to_owned(),
        kind: WorkKind::Sensor,
        reason: format!(
            "The {} was missing for {} of the time in use, on {}; in the middle of the fleet it is {}.",
            own.sensor,
            words::percent(own.share),
            words::count(own.days, "day", "days"),
            words::percent(own.fleet)
        ),
        sure: Sure { probability: None, words: "counted, second by second".to_owned() },
        weight: 0.1 * own.share.min(0.5),
        evidence: None,
        more: ("data-quality".to_owned(), "outages".to_owned()),
        caution: "",
    }
}

pub(super) fn of_vehicle(study: &Study, vehicle: &str) -> Vec<Section> {
    let mut tables = Vec::new();
    let reports: Vec<&Reports> = study.vehicles.iter().filter(|own| own.vehicle == vehicle).collect();
    if !reports.is_empty() {
        tables.push(reports_table(&reports));
    }
    let outages: Vec<&Outage> = study.outages.iter().filter(|own| own.vehicle == vehicle).collect();
    if !outages.is_empty() {
        tables.push(outages_table(&outages));
    }
    let ambient: Vec<&Ambient> = study.ambient.iter().filter(|own| own.vehicle == vehicle).collect();
    if !ambient.is_empty() {
        tables.push(ambient_table(&ambient));
    }
    if tables.is_empty() {
        return Vec::new();
    }
    vec![Section { id: "data".to_owned(), heading: "Its data".to_owned(), tables, ..Section::default() }]
}
