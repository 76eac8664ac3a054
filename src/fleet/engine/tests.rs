//! Stores as the program writes them, asked by SQL.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use datafusion::arrow::array::{ArrayRef, Float64Array, RecordBatch, TimestampMicrosecondArray, new_null_array};
use datafusion::physical_plan::metrics::MetricValue;
use datafusion::physical_plan::{ExecutionPlan, collect};
use jiff::civil::{Date, date};

use super::*;
use crate::defs::Definitions;
use crate::defs::rules::CounterKind;
use crate::records::{Duty, Fitting, Vehicle};
use crate::run::{CounterValue, Ended, EventRow, RunRow};
use crate::store::{Change, summary};
use crate::table::{runs, same_word, signals};

const HOUR_US: i64 = 3_600_000_000;

fn velmora() -> Definitions {
    Definitions::load(Path::new("signal-defs/velmora")).unwrap()
}

/// The set with another counter, and a signal of another type.
fn velmora_changed() -> Definitions {
    let folder = tempfile::tempdir().unwrap();
    for entry in std::fs::read_dir("signal-defs/velmora").unwrap() {
        let path = entry.unwrap().path();
        let mut text = std::fs::read_to_string(&path).unwrap();
        if path.ends_with("rules.toml") {
            text.push_str("\n[[counter]]\nname = \"standing_time\"\ntime = \"standing\"\n");
        }
        std::fs::write(folder.path().join(path.file_name().unwrap()), text).unwrap();
    }
    Definitions::load(folder.path()).unwrap()
}

fn query(sql: &str) -> Query {
    Query { id: "test", title: "", sql: sql.to_owned() }
}

fn midnight_us(day: Date) -> i64 {
    TimeZone::UTC.to_timestamp(day.to_datetime(jiff::civil::Time::MIN)).unwrap().as_microsecond()
}

/// `count` runs of a day, an hour each; the value of every counter is `value`.
fn runs_of(defs: &Definitions, vehicle: &str, day: Date, count: i64, value: f64) -> RecordBatch {
    let rules = defs.rules.as_ref().unwrap();
    let values: Vec<_> = rules
        .counters
        .iter()
        .map(|counter| {
            Some(match counter.kind {
                CounterKind::Count { .. } => CounterValue::Count(value as u64),
                CounterKind::Growth { .. } => CounterValue::Growth { amount: value, resets: 0 },
                CounterKind::Extreme { .. } => CounterValue::Extreme { value, at_us: midnight_us(day) },
                _ => CounterValue::Number(value),
            })
        })
        .collect();
    let rows: Vec<RunRow> = (0..count)
        .map(|run| {
            let start_us = midnight_us(day) + 2 * run * HOUR_US;
            let (end_us, ended_by) = (start_us + HOUR_US, Ended::OutOfUse);
            RunRow { start_us, end_us, ended_by, values: values.clone(), events_left_out: 0 }
        })
        .collect();
    let starts = rows.iter().map(|row| row.start_us).collect();
    summary::with_recordings(&runs::runs(defs, rules, vehicle, &rows, &vec![day; rows.len()]), starts)
}

fn file(store: &Store, table: &str, day: Date, name: &str, batch: &RecordBatch) {
    let written = summary::write(store, table, batch).unwrap();
    let mut change = Change::default();
    change.put(store, &written.path, &store.month_folder(table, day).join(name));
    store.commit(&change).unwrap();
}

/// Three vehicles, two months, two runs a day on the first ten days: files by vehicle.
fn filed(root: &Path) -> Store {
    let (store, defs) = (Store::open(root).unwrap(), velmora());
    store.keep_definitions(&defs).unwrap();
    for vehicle in ["207", "211", "305"] {
        for month in [1, 2] {
            for day in 1..=10 {
                let day = date(2026, month, day);
                let batch = runs_of(&defs, vehicle, day, 2, f64::from(day.day()));
                file(&store, "runs", day, &format!("{vehicle}.{day}.parquet"), &batch);
            }
        }
    }
    store
}

fn number(engine: &Engine, sql: &str) -> f64 {
    let numbers = engine.ask(&query(&format!("SELECT ({sql}) AS n"))).unwrap().numbers("n").unwrap();
    numbers[0].unwrap()
}

fn failure(engine: &Engine, sql: &str) -> String {
    engine.ask(&query(sql)).unwrap_err().to_string()
}

#[test]
fn a_store_that_has_counted_nothing_has_its_tables() {
    let folder = tempfile::tempdir().unwrap();
    drop(Store::open(folder.path()).unwrap());
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    for table in engine.tables() {
        assert_eq!(number(&engine, &format!("SELECT count(*) FROM {}", table.name)), 0.0, "{}", table.name);
        assert!(table.columns.len() > 3, "{}", table.name);
    }
    let answer = engine.ask(&query("SELECT vehicle, start, \"end\" FROM runs WHERE month = '2026-01'")).unwrap();
    assert_eq!((answer.rows(), answer.texts("vehicle").unwrap().len()), (0, 0));
    assert!(answer.numbers("nothing").is_err(), "also of no rows, a column that is not there is told");
    assert!(
        engine.has("runs", "duration_s") && engine.has("bus_health", "load_percent") && engine.has("raw", "payload")
    );
    assert!(!engine.has("runs", "pole_offs") && !engine.has("signals.line_input", "time") && !engine.has("run", "x"));
}

#[test]
fn no_store_and_one_of_a_later_format_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let missing = Engine::open(&folder.path().join("none"), &Records::default()).err().unwrap().to_string();
    assert!(missing.contains("no yardtap store here"), "{missing}");
    std::fs::write(folder.path().join("store.json"), "{ \"format\": 99 }").unwrap();
    let later = Engine::open(folder.path(), &Records::default()).err().unwrap().to_string();
    assert!(later.contains("store format 99, this yardtap knows 1"), "{later}");
}

#[test]
fn columns_come_by_name_whatever_their_type() {
    let folder = tempfile::tempdir().unwrap();
    let store = filed(folder.path());
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    let sql = "SELECT vehicle, ended_by, service_day, start, sum(pole_offs) AS pole_offs, sum(distance) AS distance,
                 bool_or(pole_offs > 9) AS many, 0.0 / 0.0 AS odd, CAST(1.5 AS DECIMAL(5, 2)) AS share, NULL AS nothing
               FROM runs WHERE vehicle LIKE '2%' AND vehicle || '!' = '207!' AND ended_by = 'out of use'
               GROUP BY 1, 2, 3, 4 ORDER BY start";
    let answer = engine.ask(&query(sql)).unwrap();
    assert_eq!(answer.rows(), 40);
    assert_eq!(answer.texts("vehicle").unwrap()[0].as_deref(), Some("207"));
    assert_eq!(answer.texts("ended_by").unwrap()[39].as_deref(), Some("out of use"));
    assert_eq!(answer.days("service_day").unwrap()[39], Some(date(2026, 2, 10)));
    assert_eq!(answer.numbers("service_day").unwrap()[0], Some(f64::from(runs::days_since_epoch(date(2026, 1, 1)))));
    assert_eq!(answer.numbers("start").unwrap()[0], Some(midnight_us(date(2026, 1, 1)) as f64));
    assert_eq!(answer.counts("pole_offs").unwrap()[39], Some(10));
    assert_eq!(answer.numbers("pole_offs").unwrap()[39], Some(10.0));
    assert_eq!(answer.numbers("distance").unwrap()[0], Some(1.0));
    assert_eq!(answer.numbers("many").unwrap()[38..], [Some(1.0), Some(1.0)]);
    assert_eq!(answer.numbers("odd").unwrap()[0], None, "not a number is none");
    assert_eq!(answer.numbers("share").unwrap()[0], Some(1.5));
    assert_eq!((answer.numbers("nothing").unwrap()[0], answer.texts("nothing").unwrap()[0].clone()), (None, None));
    let wrong = answer.numbers("vehicle").unwrap_err().to_string();
    assert_eq!(wrong, "test: column 'vehicle' is missing, or not a number");
    assert!(answer.texts("start").is_err() && answer.counts("distance").is_err() && answer.days("vehicle").is_err());
    drop(store);
}

#[test]
fn what_is_filed_or_closed_meanwhile_is_seen() {
    let folder = tempfile::tempdir().unwrap();
    let store = filed(folder.path());
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    let count = "SELECT count(*) FROM runs";
    assert_eq!(number(&engine, count), 120.0);
    let day = date(2026, 3, 1);
    file(&store, "runs", day, "207.new.parquet", &runs_of(&velmora(), "207", day, 3, 1.0));
    assert_eq!(number(&engine, count), 123.0);
    store.close(&mut |_, _| {}).unwrap();
    assert_eq!(number(&engine, count), 123.0);
    assert_eq!(number(&engine, "SELECT count(*) FROM runs WHERE month = '2026-03'"), 3.0);
}

#[test]
fn rows_are_counted_once_while_days_are_closed() {
    let folder = tempfile::tempdir().unwrap();
    let store = filed(folder.path());
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    let (defs, done) = (velmora(), AtomicBool::new(false));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            // Rows leave in one file and come back in another: there are as many at any time.
            for turn in 0..30 {
                for month in [1, 2] {
                    let folder = store.month_folder("runs", date(2026, month, 1));
                    let mut change = Change::default();
                    for entry in std::fs::read_dir(&folder).unwrap() {
                        change.remove(&store, &entry.unwrap().path());
                    }
                    for vehicle in ["207", "211", "305"] {
                        let batch = runs_of(&defs, vehicle, date(2026, month, 1), 20, 1.0);
                        let written = summary::write(&store, "runs", &batch).unwrap();
                        change.put(&store, &written.path, &folder.join(format!("{vehicle}.turn-{turn}.parquet")));
                    }
                    store.commit(&change).unwrap();
                }
            }
            done.store(true, Ordering::Relaxed);
        });
        let mut asked = 0;
        while !done.load(Ordering::Relaxed) || asked < 5 {
            asked += 1;
            match engine.ask(&query("SELECT count(distance) AS n FROM runs")) {
                Ok(answer) => assert_eq!(answer.numbers("n").unwrap(), [Some(120.0)]),
                // Twice in a row files went between listing and reading.
                Err(error) => assert!(error.to_string().contains("if a day was being closed, ask again"), "{error}"),
            }
        }
    });
}

#[test]
fn a_set_that_counts_more_adds_its_columns() {
    let folder = tempfile::tempdir().unwrap();
    let store = filed(folder.path());
    let changed = velmora_changed();
    store.keep_definitions(&changed).unwrap();
    let day = date(2026, 2, 20);
    file(&store, "runs", day, "211.changed.parquet", &runs_of(&changed, "211", day, 1, 7.0));
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    assert!(engine.has("runs", "standing_time") && engine.has("runs", "distance"));
    assert_eq!(number(&engine, "SELECT count(standing_time) FROM runs"), 1.0);
    assert_eq!(number(&engine, "SELECT count(distance) FROM runs"), 121.0);
    // Sets that are lost leave what the files say.
    std::fs::remove_dir_all(folder.path().join("definitions")).unwrap();
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    assert!(engine.has("runs", "distance"));
    store.close(&mut |_, _| {}).unwrap();
    assert!(engine.has("runs", "standing_time"));
    assert_eq!(number(&engine, "SELECT sum(standing_time) FROM runs"), 7.0);
}

#[test]
fn it_only_reads() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    for sql in [
        "INSERT INTO runs SELECT * FROM runs",
        "CREATE TABLE x AS SELECT 1",
        "CREATE EXTERNAL TABLE x STORED AS PARQUET LOCATION '/tmp/x'",
        "DROP TABLE runs",
        "COPY (SELECT 1) TO '/tmp/yardtap-must-not-be.parquet'",
        "SET datafusion.execution.batch_size = 1",
    ] {
        let text = failure(&engine, sql);
        assert!(text.contains("here is only read"), "{sql}: {text}");
    }
    assert!(failure(&engine, "SELECT * FROM '/etc/passwd'").contains("there is no table"));
    assert!(!Path::new("/tmp/yardtap-must-not-be.parquet").exists());
    assert!(engine.ask(&query("EXPLAIN SELECT 1")).is_ok() && engine.ask(&query("SHOW TABLES")).is_ok());
}

#[test]
fn mistakes_are_told_with_what_would_be_right() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    assert_eq!(
        failure(&engine, "SELECT pole_off FROM runs"),
        "test: there is no column 'pole_off' (meant pole_offs?); `yardtap sql --tables` lists all"
    );
    assert!(failure(&engine, "SELECT 1 FROM rums").contains("there is no table 'rums' (meant runs?)"));
    assert!(failure(&engine, "SELECT 1 FROM signals.line_inputs").contains("(meant signals.line_input?)"));
    let text = failure(&engine, "SELECT 1,\n) FROM runs");
    assert!(text.contains("\n  ) FROM runs\n  ^"), "{text}");
    let text = failure(&engine, "SELEC 1");
    assert!(text.contains("\n  SELEC 1\n  ^"), "{text}");
    assert!(failure(&engine, "").len() > 10);
    assert!(failure(&engine, "SELECT ../../etc FROM signals.\"../raw\"").len() > 10);
}

/// Files and row groups that a query read, of how many.
fn read(engine: &Engine, sql: &str) -> (usize, usize, usize) {
    let run = async {
        let plan = engine.context.sql(sql).await.unwrap().create_physical_plan().await.unwrap();
        collect(Arc::clone(&plan), engine.context.task_ctx()).await.unwrap();
        plan
    };
    let plan = engine.runtime.as_ref().unwrap().block_on(run);
    let mut counts = (0, 0, 0);
    scans(&plan, &mut counts);
    counts
}

fn scans(plan: &Arc<dyn ExecutionPlan>, counts: &mut (usize, usize, usize)) {
    for metric in plan.metrics().iter().flat_map(|metrics| metrics.iter()) {
        if let MetricValue::PruningMetrics { name, pruning_metrics } = metric.value() {
            match name.as_ref() {
                "files_ranges_pruned_statistics" => counts.0 += pruning_metrics.matched(),
                "row_groups_pruned_statistics" => {
                    counts.1 += pruning_metrics.matched();
                    counts.2 += pruning_metrics.matched() + pruning_metrics.pruned();
                }
                _ => {}
            }
        }
    }
    plan.children().into_iter().for_each(|child| scans(child, counts));
}

#[test]
fn months_days_and_vehicles_prune_files_and_row_groups() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    assert_eq!(read(&engine, "SELECT sum(distance) FROM runs"), (60, 60, 60));
    assert_eq!(read(&engine, "SELECT sum(distance) FROM runs WHERE month = '2026-02'").0, 30);
    assert_eq!(read(&engine, "SELECT sum(distance) FROM runs WHERE month BETWEEN '2026-02' AND '2026-09'").0, 30);
    assert_eq!(read(&engine, "SELECT sum(distance) FROM runs WHERE month > '2026-02'").0, 0);
    let one = "SELECT sum(distance) FROM runs WHERE vehicle = '211' AND month = '2026-02'";
    assert_eq!(read(&engine, one), (30, 10, 30));
    let of_day = "SELECT sum(distance) FROM runs WHERE service_day = '2026-02-03'";
    assert_eq!(read(&engine, of_day), (60, 3, 60));
    let both = "SELECT distance FROM runs WHERE vehicle IN ('207', '305') AND service_day >= DATE '2026-02-09' AND month >= '2026-02'";
    assert_eq!(read(&engine, both), (30, 4, 30));
}

#[test]
fn signals_are_made_when_they_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let (store, defs) = (Store::open(folder.path()).unwrap(), velmora());
    store.keep_definitions(&defs).unwrap();
    let message = &defs.messages[defs.message("line_input").unwrap()];
    let schema = signals::schema(message);
    for day in 1..=4 {
        let day = date(2026, 3, day);
        let times: Vec<i64> = (0..50).map(|second| midnight_us(day) + second * 1_000_000).collect();
        let columns: Vec<ArrayRef> = schema
            .fields()
            .iter()
            .map(|field| -> ArrayRef {
                match field.name().as_str() {
                    "time" => Arc::new(TimestampMicrosecondArray::from(times.clone()).with_timezone("UTC")),
                    "vehicle" => same_word("207", 50),
                    "line_voltage" => Arc::new(Float64Array::from(vec![f64::from(day.day()) * 100.0; 50])),
                    _ => new_null_array(field.data_type(), 50),
                }
            })
            .collect();
        let batch = RecordBatch::try_new(schema.clone(), columns).unwrap();
        let written = summary::write(&store, "line_input", &batch).unwrap();
        let mut change = Change::default();
        change.put(&store, &written.path, &store.signals_folder("line_input", day).join("merged.parquet"));
        store.commit(&change).unwrap();
    }
    // Folders that are not the store's are passed over.
    std::fs::create_dir(store.root().join("signals/message=line_input/date=yesterday")).unwrap();
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    assert!(engine.has("signals.line_input", "line_voltage") && !engine.has("signals.line_input", "volts"));
    assert_eq!(number(&engine, "SELECT avg(line_voltage) FROM signals.line_input WHERE date >= '2026-03-03'"), 350.0);
    assert_eq!(read(&engine, "SELECT time FROM signals.line_input WHERE date = '2026-03-02'").0, 1);
    assert_eq!(read(&engine, "SELECT time FROM signals.line_input WHERE time < '2026-03-01T12:00:00Z'"), (4, 1, 4));
    assert_eq!(number(&engine, "SELECT count(*) FROM signals.motion"), 0.0);
}

#[test]
fn records_are_tables() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let mut records = Records::default();
    let more = [("paint".to_owned(), "green".to_owned())].into();
    records.vehicles.push(Vehicle { vehicle: "207".into(), kind: "solo".into(), more, ..Vehicle::default() });
    records.vehicles.push(Vehicle { vehicle: "999".into(), ..Vehicle::default() });
    let (part, vehicle, fitted) = ("P-1".to_owned(), "207".to_owned(), date(2026, 1, 5));
    records.packs.push(Fitting { part, vehicle, fitted, ..Fitting::default() });
    records.duties.push(Duty {
        vehicle: "207".into(),
        from: date(2026, 1, 5).at(1, 0, 0, 0),
        to: date(2026, 1, 5).at(2, 0, 0, 0),
        operator: "K7".into(),
        line: "4".into(),
        more: Default::default(),
    });
    let options = Options { zone: TimeZone::get("Europe/Vienna").unwrap(), ..Options::default() };
    let engine = Engine::open_with(folder.path(), &records, &options).unwrap();
    assert_eq!(number(&engine, "SELECT count(*) FROM vehicles WHERE kind IS NULL"), 1.0);
    assert_eq!(number(&engine, "SELECT count(paint) FROM vehicles"), 1.0);
    let of_pack = "SELECT count(*) FROM packs p JOIN runs r ON r.vehicle = p.vehicle AND r.service_day >= p.fitted
                   AND (p.removed IS NULL OR r.service_day < p.removed)";
    assert_eq!(number(&engine, of_pack), 32.0);
    // 01:00 in Vienna in winter is midnight UTC, when the first run began.
    let of_duty =
        "SELECT count(*) FROM duties d JOIN runs r ON r.vehicle = d.vehicle AND r.start BETWEEN d.starts AND d.ends";
    assert_eq!(number(&engine, of_duty), 1.0);
    let told = engine.tables();
    for (name, _) in records::TABLES {
        let table = told.iter().find(|table| table.name == name).unwrap();
        let undocumented = table.columns.iter().filter(|column| column.metadata().is_empty()).count();
        assert_eq!(undocumented, 0, "{name}");
    }
}

#[test]
fn memory_is_bounded() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let options = Options { threads: 2, memory_bytes: 2 * 1024 * 1024, ..Options::default() };
    let engine = Engine::open_with(folder.path(), &Records::default(), &options).unwrap();
    let all = "SELECT array_agg(a.definitions || b.definitions || c.definitions) AS x FROM runs a, runs b, runs c";
    let text = failure(&engine, all);
    assert!(text.contains("out of the memory that the engine may use"), "{text}");
    assert_eq!(number(&engine, "SELECT count(*) FROM runs"), 120.0, "and it goes on");
}

#[test]
fn events_have_their_kept_values_under_quoted_names() {
    let folder = tempfile::tempdir().unwrap();
    let (store, defs) = (Store::open(folder.path()).unwrap(), velmora());
    store.keep_definitions(&defs).unwrap();
    let rules = defs.rules.as_ref().unwrap();
    let counter = rules.counters.iter().position(|counter| counter.name == "pole_offs").unwrap();
    let day = date(2026, 1, 3);
    let event = EventRow {
        time_us: midnight_us(day) + 5,
        end_us: None,
        run_start_us: midnight_us(day),
        counter,
        amount: 1.0,
        latitude: Some(48.0),
        longitude: Some(16.0),
        kept: (0..rules.counters[counter].keep.len()).map(|at| Some(at as f64)).collect(),
    };
    let batch = summary::with_recordings(&runs::events(&defs, rules, "207", &[event], &[day]), vec![0]);
    file(&store, "events", day, "207.parquet", &batch);
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    assert!(engine.has("events", "motion.speed"));
    let sql = "SELECT counter, e.\"motion.speed\" AS speed, \"poles.left_contact\" AS contact FROM events e";
    let answer = engine.ask(&query(sql)).unwrap();
    assert_eq!(answer.texts("counter").unwrap(), [Some("pole_offs".to_owned())]);
    assert_eq!(answer.numbers("speed").unwrap(), [Some(0.0)]);
    assert!(failure(&engine, "SELECT speed FROM events").contains("meant \"motion.speed\"?"));
}

#[test]
fn it_answers_within_another_runtime() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let other = tokio::runtime::Builder::new_current_thread().build().unwrap();
    other.block_on(async {
        let engine = Engine::open(folder.path(), &Records::default()).unwrap();
        assert_eq!(number(&engine, "SELECT count(*) FROM runs"), 120.0);
        assert!(engine.has("runs", "distance"));
    });
}

#[test]
fn who_has_had_enough_ends_the_query() {
    let folder = tempfile::tempdir().unwrap();
    drop(filed(folder.path()));
    let engine = Engine::open(folder.path(), &Records::default()).unwrap();
    let mut batches = 0;
    let error = engine
        .each("SELECT value FROM generate_series(1, 1000000000000)", &mut |_| {
            batches += 1;
            if batches < 3 { Ok(()) } else { Err(std::io::Error::other("enough")) }
        })
        .unwrap_err();
    assert_eq!((batches, error.to_string().as_str()), (3, "enough"));
}
