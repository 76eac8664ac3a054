//! Drifts, for people: the sheet, the worklist, a vehicle's part.

use std::collections::BTreeMap;

use super::judged::{LEVEL, Moves, Standing, scale};
use super::{Due, Series, Study};
use crate::fleet::sheet::{Cell, Drawn, Level, Mark, Picture, Section, Sheet, Sure, Table, Trace, WorkKind, WorkLine};
use crate::fleet::shown::{axis, column, days_axis, table};
use crate::fleet::stats::trend::Crossing;
use crate::fleet::{span, words};

/// A year's days.
const YEAR_DAYS: f64 = 365.25;
/// A crossing within so many days is work already: parts have to be ordered. Of what is read more often, within two of
/// its readings.
const SOON_DAYS: f64 = 120.0;
const MONTH_DAYS: f64 = 30.4;
/// A fibre's end may be live light, and its cabinet is not safe to open under voltage.
const CAUTION: &str = "Links end in power electronics: filter capacitors stay charged after the poles are down. Isolate, wait \
                       and test by the agency's own procedure.";

pub(super) fn sheet(study: &Study) -> Sheet {
    let mut sections = Vec::new();
    let (pressing, others): (Vec<&Series>, Vec<&Series>) =
        study.series.iter().partition(|series| is_pressing(series, study));
    if !pressing.is_empty() {
        sections.push(Section {
            id: "crossing".to_owned(),
            heading: "Beyond their limit, or there soon".to_owned(),
            text: pressing.iter().map(|series| sentence(series)).collect(),
            pictures: pressing.iter().take(12).map(|series| picture(series)).collect(),
            tables: vec![overview("crossing", "Channels beyond their limit or near it", &pressing)],
            ..Section::default()
        });
    }
    if !others.is_empty() {
        sections.push(Section {
            id: "others".to_owned(),
            heading: "All other channels".to_owned(),
            tables: vec![overview("others", "Channels that are nowhere near a limit, or cannot be told", &others)],
            ..Section::default()
        });
    }
    if !study.due.is_empty() {
        sections.push(due_section(&study.due));
    }
    sections.push(method(study));
    let stepped = study.series.iter().filter(|s| s.judged.steps.iter().any(|step| step.better_by < 0.0)).count();
    let lead = if study.series.is_empty() {
        vec!["There are no readings: nothing can be said of drifts.".to_owned()]
    } else {
        vec![
            format!(
                "Of {}, {} beyond a limit, will be soon, or stepped for the worse.",
                words::count(study.series.len() as u64, "channel", "channels"),
                words::count(pressing.len() as u64, "is", "are")
            ),
            format!(
                "{} stepped suddenly for the worse, as a disturbed connector does.",
                words::count(stepped as u64, "channel", "channels")
            ),
            format!("{} due.", words::count(study.due.len() as u64, "reading is", "readings are")),
        ]
    };
    Sheet {
        id: "readings".to_owned(),
        title: "Readings that drift to their limit".to_owned(),
        lead,
        sections,
        queries: study.queries.clone(),
    }
}

fn method(study: &Study) -> Section {
    let mut text = vec![
        "Slopes are Theil's and Sen's, so that a wrong reading does not bend them; a trend is believed from Mann's and Kendall's \
         test on. Powers are reckoned in dB. A reading of no light has no dB: it is told, and left out of the trend."
            .to_owned(),
        "A sudden step for the worse is taken out before the drift is reckoned; what was before one for the better is history. \
         Channels without limits of their own take common practice for optical links: new 120 µW, suspect from 60, to be \
         rechecked and replaced from 40, marginal from 20."
            .to_owned(),
    ];
    text.extend(study.notes.iter().cloned());
    Section { id: "method".to_owned(), heading: "How this was reckoned".to_owned(), text, ..Section::default() }
}

/// Whether somebody has to do something: recheck limit reached, or soon, or a step that brought it to suspect.
fn is_pressing(series: &Series, study: &Study) -> bool {
    let judged = &series.judged;
    let today = study.today.map_or(judged.last_day, span::number_of);
    let within = series.every_days.map_or(SOON_DAYS, |days| (2.0 * days).clamp(7.0, SOON_DAYS));
    let soon = matches!(judged.recheck, Crossing::At { expected, .. } if expected <= today + within);
    judged.standing >= Standing::Recheck || soon || has_stepped(series)
}

/// Whether it stepped for the worse by a third of the way from new to the recheck limit, or more, or is suspect since.
fn has_stepped(series: &Series) -> bool {
    let ends = series.limits.new.zip(series.limits.recheck);
    let scaled = ends.and_then(|(new, recheck)| scale(new, &series.limits).zip(scale(recheck, &series.limits)));
    let way = scaled.map_or(f64::INFINITY, |(new, recheck)| (new - recheck).abs());
    let since = series.judged.since;
    let worst =
        series.judged.steps.iter().filter(|step| step.at >= since).map(|step| -step.better_by).fold(0.0, f64::max);
    worst > 0.0 && (worst >= way / 3.0 || series.judged.standing >= Standing::Suspect)
}

fn overview(id: &str, caption: &str, series: &[&Series]) -> Table {
    let columns = vec![
        column("channel", "", ""),
        column("vehicle", "", ""),
        column("last", "", "In the channel's unit."),
        column("unit", "", "UCUM code."),
        column("day", "", "Of the last reading."),
        column("readings", "1", "That could be used."),
        column("stands", "", ""),
        column("moves", "", ""),
        column("a year", "", "Slope; dB for powers, else the channel's unit. Since the last repair, steps taken out."),
        column("90 % interval", "", "Of the slope."),
        column("chance", "", "Probability of such a trend without one."),
        column("recheck limit", "", "When it is expected to be crossed."),
        column("not before", "", ""),
        column("not after", "", "90 % interval of the date."),
        column("step", "", "Day of the last sudden step for the worse."),
        column("step size", "", "dB for powers, else the channel's unit."),
    ];
    let rows = series.iter().map(|series| row(series)).collect();
    let query = if series.iter().any(|series| !series.by_hand) { Some("optical-links") } else { None };
    table(id, caption, columns, rows, query)
}

fn row(series: &Series) -> Vec<Cell> {
    let judged = &series.judged;
    let day = |number: Option<f64>| number.and_then(span::day_of).map_or(Cell::Missing(""), Cell::Day);
    let (earliest, expected, latest) = match judged.recheck {
        Crossing::At { earliest, expected, latest } => (day(Some(earliest)), day(Some(expected)), day(latest)),
        Crossing::Already => (Cell::Missing(""), Cell::Text("crossed".to_owned()), Cell::Missing("")),
        Crossing::Never => (Cell::Missing(""), Cell::Missing("not in sight"), Cell::Missing("")),
        Crossing::Unknown => (Cell::Missing(""), Cell::Missing("cannot be told"), Cell::Missing("")),
    };
    let step = judged.steps.iter().rev().find(|step| step.better_by < 0.0);
    let sign = if series.limits.falls { 1.0 } else { -1.0 };
    vec![
        Cell::Text(series.channel.clone()),
        Cell::Vehicle(series.vehicle.clone()),
        Cell::number(judged.last, 1),
        Cell::Text(series.unit.clone()),
        day(Some(judged.last_day)),
        Cell::Count(judged.used as u64),
        Cell::Text(stands(judged.standing).to_owned()),
        Cell::Text(moves(judged.moves).to_owned()),
        Cell::maybe(judged.slope.map(|slope| slope.slope * YEAR_DAYS), 2, "too few"),
        judged.slope.map_or(Cell::Missing(""), |s| Cell::interval(s.low * YEAR_DAYS, s.high * YEAR_DAYS, 2)),
        judged.p.map_or(Cell::Missing(""), Cell::share),
        expected,
        earliest,
        latest,
        day(step.map(|step| step.at)),
        Cell::maybe(step.map(|step| step.better_by * sign), 2, ""),
    ]
}

fn stands(standing: Standing) -> &'static str {
    match standing {
        Standing::Good => "good",
        Standing::Suspect => "suspect",
        Standing::Recheck => "beyond the recheck limit",
        Standing::Marginal => "marginal",
        Standing::Dark => "no light",
    }
}

fn moves(moves: Moves) -> &'static str {
    match moves {
        Moves::Untold => "too few readings",
        Moves::Steady => "steady",
        Moves::Ageing => "slow ageing",
        Moves::Stepped => "sudden step",
        Moves::SteppedAndAgeing => "sudden step, and ageing",
        Moves::Improving => "improving",
    }
}

/// A channel in a sentence with its numbers.
fn sentence(series: &Series) -> String {
    let judged = &series.judged;
    let unit = if series.unit == "uW" { "µW" } else { series.unit.as_str() };
    let with_unit = |value: f64| format!("{} {unit}", words::short(value)).trim_end().to_owned();
    let scale_unit = if series.limits.decibels { "dB" } else { unit };
    let mut parts = Vec::new();
    if judged.standing == Standing::Dark {
        parts.push("had no light at its last reading".to_owned());
    } else {
        let limit = match judged.standing {
            Standing::Marginal => series.limits.marginal.map(|limit| format!(", marginal from {}", with_unit(limit))),
            Standing::Recheck => {
                series.limits.recheck.map(|limit| format!(", beyond the recheck limit of {}", with_unit(limit)))
            }
            Standing::Suspect => series.limits.suspect.map(|limit| format!(", suspect from {}", with_unit(limit))),
            Standing::Good | Standing::Dark => None,
        };
        parts.push(format!("reads {}{}", with_unit(judged.last), limit.unwrap_or_default()));
    }
    if let Some(step) = judged.steps.iter().rev().find(|step| step.better_by < 0.0) {
        let day = span::day_of(step.at).map(|day| format!(" about {day}")).unwrap_or_default();
        parts.push(format!(
            "it stepped by {} {scale_unit}{day}, as a disturbed connector does",
            words::short(step.better_by.abs())
        ));
    }
    if matches!(judged.moves, Moves::Ageing | Moves::SteppedAndAgeing)
        && let Some(slope) = judged.slope
    {
        parts.push(format!("it moves {} {scale_unit} a year", words::number(slope.slope * YEAR_DAYS, 1)));
    }
    if let Crossing::At { earliest, expected, latest } = judged.recheck
        && let (Some(earliest), Some(expected)) = (span::day_of(earliest), span::day_of(expected))
    {
        let until = latest.and_then(span::day_of).map_or("an end nobody can tell".to_owned(), |day| day.to_string());
        parts.push(format!("it crosses the recheck limit about {expected} (from {earliest} to {until})"));
    }
    format!("{} of {} {}.", series.channel, series.vehicle, parts.join("; "))
}

/// The readings with their limits.
fn picture(series: &Series) -> Picture {
    let id = format!("{}-{}", series.vehicle, series.channel).replace([' ', ','], "-");
    let seen: Vec<(f64, f64)> =
        series.points.iter().filter_map(|&(day, value)| Some((day, scale(value, &series.limits)?))).collect();
    let mut traces = vec![Trace { name: "readings".to_owned(), mark: Mark::Dots, points: seen, upper: Vec::new() }];
    let judged = &series.judged;
    if let (Some(slope), true) = (judged.slope, matches!(judged.moves, Moves::Ageing | Moves::SteppedAndAgeing)) {
        let until = match judged.recheck {
            Crossing::At { expected, .. } => expected,
            _ => judged.last_day,
        };
        let points: Vec<(f64, f64)> =
            [judged.since, until].into_iter().map(|day| (day, slope.intercept + slope.slope * day)).collect();
        if points.iter().all(|point| point.1.is_finite()) {
            traces.push(Trace { name: "drift".to_owned(), mark: Mark::Expected, points, upper: Vec::new() });
        }
    }
    let limits = [
        (series.limits.suspect, "suspect"),
        (series.limits.recheck, "recheck limit"),
        (series.limits.marginal, "marginal"),
    ];
    let levels = limits
        .into_iter()
        .filter_map(|(at, name)| Some(Level { at: scale(at?, &series.limits)?, name: name.to_owned() }))
        .collect();
    let unit = if series.limits.decibels { "dB[mW]" } else { series.unit.as_str() };
    let columns = vec![column("day", "", ""), column("value", &series.unit, "")];
    let rows = series
        .points
        .iter()
        .map(|&(day, value)| vec![span::day_of(day).map_or(Cell::Missing(""), Cell::Day), Cell::number(value, 2)])
        .collect();
    Picture {
        title: format!("{} of {}", series.channel, series.vehicle),
        says: sentence(series),
        drawn: Drawn::Plot {
            x: days_axis(),
            y: axis(if series.limits.decibels { "received power" } else { &series.channel }, unit),
            traces,
            levels,
        },
        table: table(&id, "Readings", columns, rows, if series.by_hand { None } else { Some("optical-links") }),
        id,
    }
}

fn due_section(due: &[Due]) -> Section {
    let columns =
        vec![column("vehicle", "", ""), column("channel", "", ""), column("last", "", ""), column("due", "", "")];
    let rows = due
        .iter()
        .map(|due| {
            vec![
                Cell::Vehicle(due.vehicle.clone()),
                Cell::Text(due.channel.clone()),
                due.last.map_or(Cell::Missing("never"), Cell::Day),
                due.since.map_or(Cell::Missing("now"), Cell::Day),
            ]
        })
        .collect();
    Section {
        id: "due".to_owned(),
        heading: "Readings that are due".to_owned(),
        tables: vec![table("due", "Readings that are due", columns, rows, None)],
        ..Section::default()
    }
}

pub(super) fn work(study: &Study) -> Vec<WorkLine> {
    let pressing =
        study.series.iter().filter(|series| is_pressing(series, study)).map(|series| work_line(series, study));
    let mut lines: Vec<WorkLine> = pressing.collect();
    let mut due: BTreeMap<&str, Vec<&Due>> = BTreeMap::new();
    for reading in &study.due {
        due.entry(&reading.vehicle).or_default().push(reading);
    }
    for (vehicle, due) in due {
        let names: Vec<&str> = due.iter().map(|due| due.channel.as_str()).collect();
        let longest = due.iter().filter_map(|due| due.since).min();
        let since = match longest {
            Some(day) => format!(", the longest since {day}"),
            None => ", and never taken before".to_owned(),
        };
        lines.push(WorkLine {
            vehicle: Some(vehicle.to_owned()),
            subject: "readings due".to_owned(),
            kind: WorkKind::Due,
            reason: format!(
                "{} due{since}: {}.",
                words::count(due.len() as u64, "reading is", "readings are"),
                words::list(&names, 5)
            ),
            sure: Sure { probability: None, words: "by the calendar".to_owned() },
            weight: 0.0,
            evidence: None,
            more: ("readings".to_owned(), "due".to_owned()),
            caution: "",
        });
    }
    lines
}

fn work_line(series: &Series, study: &Study) -> WorkLine {
    let judged = &series.judged;
    let today = study.today.map_or(judged.last_day, span::number_of);
    // A link beyond its limit may fail within some months, a marginal one within one. A failed link is one loss.
    let (weight, probability, words) = match judged.standing {
        Standing::Dark => (0.8, None, "it read no light; a wrong reading looks the same".to_owned()),
        Standing::Marginal => (0.5, None, "the middle of its last three readings is marginal".to_owned()),
        Standing::Recheck => (0.2, None, "the middle of its last three readings is beyond the limit".to_owned()),
        Standing::Suspect | Standing::Good => match judged.recheck {
            Crossing::At { expected, .. } => (
                0.1 / (1.0 + (expected - today).max(0.0) / MONTH_DAYS),
                judged.p.map(|p| 1.0 - p),
                format!("{} interval of the date in the reason", words::percent(LEVEL)),
            ),
            _ => {
                let p = judged.steps.iter().map(|step| step.p).fold(1.0, f64::min);
                (0.05, Some(1.0 - p), format!("{} sure that it stepped", words::percent(1.0 - p)))
            }
        },
    };
    WorkLine {
        vehicle: Some(series.vehicle.clone()),
        subject: series.channel.clone(),
        kind: WorkKind::Reading,
        reason: sentence(series),
        sure: Sure { probability, words },
        weight,
        evidence: Some(picture(series)),
        more: ("readings".to_owned(), "crossing".to_owned()),
        caution: if series.limits.decibels { CAUTION } else { "" },
    }
}

pub(super) fn of_vehicle(study: &Study, vehicle: &str) -> Vec<Section> {
    let own: Vec<&Series> = study.series.iter().filter(|series| series.vehicle == vehicle).collect();
    let due: Vec<Due> = study.due.iter().filter(|due| due.vehicle == vehicle).cloned().collect();
    let mut sections = Vec::new();
    if !own.is_empty() {
        sections.push(Section {
            id: "readings".to_owned(),
            heading: "Readings".to_owned(),
            text: own.iter().filter(|series| is_pressing(series, study)).map(|series| sentence(series)).collect(),
            pictures: own.iter().filter(|series| is_pressing(series, study)).map(|series| picture(series)).collect(),
            tables: vec![overview("readings", "Channels", &own)],
            ..Section::default()
        });
    }
    if !due.is_empty() {
        sections.push(due_section(&due));
    }
    sections
}
