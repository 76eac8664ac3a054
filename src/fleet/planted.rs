//! Small stores of runs for tests of studies, and what any sheet must hold.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::path::Path;
use std::sync::Arc;

use datafusion::arrow::array::{
    ArrayRef, Date32Array, Float64Array, RecordBatch, StringArray, TimestampMicrosecondArray,
};
use datafusion::parquet::arrow::ArrowWriter;
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;

use super::engine::Engine;
use super::sheet::{Cell, Drawn, Picture, Section, Sheet, WorkLine};
use super::span;
use super::terms::{Names, Terms};
use crate::records::Records;

/// A run, with counters by name.
#[derive(Debug, Clone)]
pub struct Run {
    pub vehicle: String,
    pub day: Date,
    /// UTC.
    pub from_hour: f64,
    pub hours: f64,
    pub counters: BTreeMap<&'static str, f64>,
}

/// A store of these runs, in a folder that goes with the value.
pub fn store(runs: &[Run]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    drop(crate::store::Store::open(folder.path()).unwrap());
    let mut by_month: BTreeMap<String, Vec<&Run>> = BTreeMap::new();
    for run in runs {
        by_month.entry(run.day.strftime("%Y-%m").to_string()).or_default().push(run);
    }
    let names: BTreeSet<&str> = runs.iter().flat_map(|run| run.counters.keys().copied()).collect();
    for (month, runs) in by_month {
        write(&folder.path().join("runs").join(format!("month={month}")), &runs, &names);
    }
    folder
}

fn write(folder: &Path, runs: &[&Run], names: &BTreeSet<&str>) {
    fs::create_dir_all(folder).unwrap();
    let days = |run: &&Run| span::number_of(run.day) as i32;
    let at = |run: &&Run, hour: f64| i64::from(days(run)) * 86_400_000_000 + (hour * 3.6e9) as i64;
    let times = |of: &dyn Fn(&&Run) -> i64| -> ArrayRef {
        Arc::new(TimestampMicrosecondArray::from_iter_values(runs.iter().map(of)).with_timezone("UTC"))
    };
    let mut columns: Vec<(&str, ArrayRef)> = vec![
        ("start", times(&|run| at(run, run.from_hour))),
        ("vehicle", Arc::new(StringArray::from_iter_values(runs.iter().map(|run| run.vehicle.as_str())))),
        ("service_day", Arc::new(Date32Array::from_iter_values(runs.iter().map(days)))),
        ("end", times(&|run| at(run, run.from_hour + run.hours))),
        ("duration_s", Arc::new(Float64Array::from_iter_values(runs.iter().map(|run| run.hours * 3600.0)))),
    ];
    for name in names {
        let values: Float64Array = runs.iter().map(|run| run.counters.get(name).copied()).collect();
        columns.push((name, Arc::new(values)));
    }
    let batch = RecordBatch::try_from_iter_with_nullable(columns.into_iter().map(|(name, array)| (name, array, true)));
    let batch = batch.unwrap();
    let file = File::create(folder.join("all.parquet")).unwrap();
    let mut writer = ArrowWriter::try_new(file, batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
}

/// Terms of a study from a day to another.
pub fn terms(from: Date, today: Date) -> Terms {
    Terms {
        today,
        from,
        zone: TimeZone::UTC,
        packs_a_year: 2,
        years: 3,
        worst: 3,
        operators: false,
        fewest: 5.0,
        names: Names::default(),
    }
}

/// The engine over a store.
pub fn engine(folder: &Path, records: &Records) -> Engine {
    Engine::open(folder, records).unwrap()
}

/// First day of all planted runs.
pub const FIRST: Date = date(2026, 1, 1);

/// Fails unless sheets can be shown: rows as long as headings, finite numbers, ids that are unique, queries that are
/// there and can be asked again.
pub fn must_be_sound(sheets: &[Sheet], work: &[WorkLine], engine: &Engine) {
    let mut ids = BTreeSet::new();
    for query in sheets.iter().flat_map(|sheet| &sheet.queries) {
        assert!(ids.insert(query.id), "{} twice", query.id);
        engine.ask(query).unwrap();
    }
    must_be_finite(&format!("{sheets:?}{work:?}"));
    for sheet in sheets {
        assert!(!sheet.lead.is_empty() && sheet.lead.iter().all(|words| !words.is_empty()), "{sheet:?}");
        for section in &sheet.sections {
            must_be_whole(section, &ids);
        }
    }
    for line in work {
        let sheet = sheets.iter().find(|sheet| sheet.id == line.more.0).unwrap();
        assert!(sheet.sections.iter().any(|section| section.id == line.more.1), "no section {}", line.more.1);
        assert!(line.weight.is_finite() && line.weight >= 0.0 && line.reason.ends_with('.'), "{line:?}");
        line.evidence.iter().for_each(must_show);
    }
}

fn must_be_finite(words: &str) {
    for bad in ["NaN", "inf", "-0 ", "−0.0"] {
        let at = words.find(bad);
        assert!(
            at.is_none(),
            "{bad} in …{}…",
            at.map_or("", |at| &words[at.saturating_sub(80)..(at + 40).min(words.len())])
        );
    }
}

/// Fails unless a section can be shown; `queries` are those of all sheets.
pub fn must_be_whole(section: &Section, queries: &BTreeSet<&str>) {
    for table in section.tables.iter().chain(section.pictures.iter().map(|picture| &picture.table)) {
        for row in &table.rows {
            assert_eq!(row.len(), table.columns.len(), "{}", table.id);
            for cell in row {
                if let Cell::Interval { low, high, .. } = cell {
                    assert!(low <= high, "{}: {low} to {high}", table.id);
                }
            }
        }
        if let Some(query) = table.query {
            assert!(queries.contains(query), "{} names {query}, which was not asked", table.id);
        }
    }
    section.pictures.iter().for_each(must_show);
}

fn must_show(picture: &Picture) {
    assert!(!picture.title.is_empty() && !picture.says.is_empty(), "{}", picture.id);
    match &picture.drawn {
        Drawn::Ladder { rows, .. } => {
            assert!(rows.iter().all(|row| row.low <= row.mid && row.mid <= row.high), "{rows:?}");
        }
        Drawn::Plot { traces, .. } => {
            for trace in traces {
                assert!(trace.upper.is_empty() || trace.upper.len() == trace.points.len(), "{}", trace.name);
                assert!(trace.points.iter().all(|point| point.0.is_finite() && point.1.is_finite()));
            }
        }
        Drawn::Parts { parts, rows, .. } => assert!(rows.iter().all(|row| row.1.len() == parts.len())),
        _ => {}
    }
}
