//! Power may fail at any instant: what was begun is finished or forgotten, and nothing is ever half there.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use serde_json::json;
use tempfile::TempDir;
use yardtap::filing::{Desk, Due};
use yardtap::store::Store;

use super::support::*;

type Files = BTreeMap<String, Vec<u8>>;

fn put(root: &Path, name: &str, bytes: &[u8]) {
    let path = root.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, bytes).unwrap();
}

/// A store as a change that was cut off leaves it: `renamed` of its files in place, `removed` of its removals done,
/// and, where all of them are, the record written or not.
fn cut_off(before: &Files, after: &Files, renamed: usize, removed: usize, recorded: bool) -> (TempDir, usize, usize) {
    let folder = folder();
    let root = folder.path();
    for name in ["incoming", "filed", "definitions"] {
        std::fs::create_dir_all(root.join(name)).unwrap();
    }
    before.iter().for_each(|(name, bytes)| put(root, name, bytes));
    let is_record = |name: &str| name.starts_with("filed/") && name.ends_with(".json");
    let renames: Vec<&String> =
        after.keys().filter(|name| before.get(*name) != after.get(*name) && !is_record(name)).collect();
    let removals: Vec<&String> = before.keys().filter(|name| !after.contains_key(*name)).collect();
    let record = after.keys().find(|name| is_record(name) && before.get(*name) != after.get(*name));
    let passing = |index: usize| format!("incoming/{index}.parquet");
    let record_value = record.map(|name| serde_json::from_slice::<serde_json::Value>(&after[name]).unwrap());
    let intent = json!({
        "renames": renames.iter().enumerate().map(|(index, to)| (passing(index), to)).collect::<Vec<_>>(),
        "removals": removals,
        "record": record_value,
    });
    put(root, "intent.json", intent.to_string().as_bytes());
    for (index, name) in renames.iter().enumerate() {
        let to = if index < renamed { (*name).clone() } else { passing(index) };
        put(root, &to, &after[*name]);
    }
    for name in removals.iter().take(removed) {
        std::fs::remove_file(root.join(name)).unwrap();
    }
    if recorded && let Some(name) = record {
        put(root, name, &after[name]);
    }
    (folder, renames.len(), removals.len())
}

/// Opens the cut-off store at every step of a change, and asserts that it is what it was to become.
fn every_cut_is_finished(before: &Files, after: &Files) {
    let (_, renames, removals) = cut_off(before, after, 0, 0, false);
    assert!(renames + removals > 3, "{renames} files and {removals} removals are no change to speak of");
    let steps = (0..=renames)
        .map(|renamed| (renamed, 0, false))
        .chain((1..=removals).map(|removed| (renames, removed, false)))
        .chain([(renames, removals, true)]);
    for (renamed, removed, recorded) in steps {
        let (folder, ..) = cut_off(before, after, renamed, removed, recorded);
        put(folder.path(), "incoming/77.parquet", b"PAR1 and then the power went");
        std::fs::create_dir_all(folder.path().join("incoming/0123abcd")).unwrap();
        put(folder.path(), "incoming/0123abcd/set.toml", b"format = 1");
        put(folder.path(), "intent.passing", b"{\"renames\":[[");
        put(folder.path(), "filed/0123.passing", b"{");
        drop(Store::open(folder.path()).unwrap());
        let now = snapshot(folder.path());
        assert_eq!(difference(after, &now), None, "{renamed} renamed, {removed} removed, recorded: {recorded}");
    }
}

#[test]
fn a_filing_that_is_cut_off_anywhere_is_finished_when_the_store_is_opened() {
    let frames = some_minutes(1.0);
    let yard = Yard::new();
    yard.file("a.pcapng", &frames);
    let before = snapshot(&yard.root());
    yard.file("b.pcapng", &shifted(&frames, 2 * HOUR));
    let after = snapshot(&yard.root());
    every_cut_is_finished(&before, &after);
}

#[test]
fn a_closing_that_is_cut_off_anywhere_is_finished_when_the_store_is_opened() {
    let frames = some_minutes(1.0);
    let yard = Yard::new();
    yard.file("a.pcapng", &frames);
    yard.file("b.pcapng", &shifted(&frames, 2 * HOUR));
    let before = snapshot(&yard.root());
    yard.close();
    every_cut_is_finished(&before, &snapshot(&yard.root()));
}

#[test]
fn a_change_of_which_only_files_on_their_way_are_there_is_forgotten() {
    let mut yard = Yard::new();
    yard.file("a.pcapng", &some_minutes(0.5));
    let before = snapshot(&yard.root());
    yard.leave();
    put(&yard.root(), "incoming/0.parquet", b"PAR1");
    put(&yard.root(), "incoming/1.parquet", &before[before.keys().find(|name| name.starts_with("signals/")).unwrap()]);
    drop(Store::open(&yard.root()).unwrap());
    assert_eq!(difference(&before, &snapshot(&yard.root())), None);
}

#[test]
fn a_recount_that_the_power_cut_off_is_made_when_the_next_capture_is_filed() {
    let frames = some_minutes(3.0);
    let half = frames.len() / 2;
    let yard = Yard::new();
    yard.file("a.pcapng", &frames[..half]);
    let counted = snapshot(&yard.root());
    yard.file("b.pcapng", &frames[half..]);
    let whole = snapshot(&yard.root());
    // As it stood between the two changes: the frames are in, the runs are those from before.
    let folder = folder();
    let root = folder.path();
    let is_summary =
        |name: &str| ["runs/", "events/", "bus_health/", "message_health/"].iter().any(|t| name.starts_with(t));
    for (name, bytes) in whole.iter().filter(|(name, _)| !is_summary(name)) {
        let mut bytes = bytes.clone();
        if name.starts_with("filed/") && !counted.contains_key(name) {
            let mut record: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
            assert_eq!(record["counts_due"], json!([]));
            record["counts_due"] = json!(["207"]);
            bytes = serde_json::to_vec_pretty(&record).unwrap();
        }
        put(root, name, &bytes);
    }
    counted.iter().filter(|(name, _)| is_summary(name)).for_each(|(name, bytes)| put(root, name, bytes));
    let store = Store::open(root).unwrap();
    let settings = settings();
    let desk = Desk::new(&store, velmora(), &settings, &[]);
    desk.count_due(Due::All).unwrap();
    assert_same_rows(&yard.root(), root, "after the recount");
    let records = store.filed().unwrap();
    assert!(records.values().all(|record| record.counts_due.is_empty()));
}

#[test]
fn a_capture_that_is_known_is_counted_where_the_power_cut_that_off() {
    let frames = some_minutes(3.0);
    let half = frames.len() / 2;
    let mut yard = Yard::new();
    yard.file("a.pcapng", &frames[..half]);
    yard.file("b.pcapng", &frames[half..]);
    let whole = snapshot(&yard.root());
    // The record as it stands between the filing and the counting.
    let is_b = |name: &&String| {
        name.starts_with("filed/")
            && name.ends_with(".json")
            && String::from_utf8_lossy(&whole[*name]).contains("b.pcapng")
    };
    let name = whole.keys().find(is_b).unwrap();
    let mut record: serde_json::Value = serde_json::from_slice(&whole[name]).unwrap();
    record["counts_due"] = json!(["207"]);
    yard.leave();
    put(&yard.root(), name, &serde_json::to_vec_pretty(&record).unwrap());
    yard.enter();
    yard.file("b.pcapng", &frames[half..]);
    assert_eq!(difference(&whole, &snapshot(&yard.root())), None);
}

#[test]
fn an_intent_that_cannot_be_read_is_named_and_nothing_is_touched() {
    let mut yard = Yard::new();
    yard.file("a.pcapng", &some_minutes(0.5));
    yard.leave();
    put(&yard.root(), "intent.json", b"{\"renames\":[[\"incoming/0");
    let before = snapshot(&yard.root());
    let message = Store::open(&yard.root()).unwrap_err().to_string();
    assert!(message.contains("intent.json: EOF while parsing") && message.contains("move the file away"), "{message}");
    assert_eq!(difference(&before, &snapshot(&yard.root())), None);
}

#[test]
fn a_store_whose_making_was_cut_off_is_made() {
    // What a crash can leave: nothing but the empty folder, or the label under its passing name.
    for left in [None, Some("store.passing")] {
        let folder = folder();
        if let Some(name) = left {
            put(folder.path(), name, b"{ \"for");
        }
        drop(Store::open(folder.path()).unwrap());
        let label = std::fs::read_to_string(folder.path().join("store.json")).unwrap();
        assert_eq!(label, "{ \"format\": 1 }\n");
        drop(Store::open(folder.path()).unwrap());
    }
}

/// Replays `captures` into a store, and kills the process after `after`, if it still runs. Gives whether it did.
fn killed(captures: &Path, store: &Path, after: Duration) -> bool {
    let mut command = yardtap();
    command.arg("replay").arg(captures).arg("--store").arg(store).args(["--threads", "2"]);
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let began = Instant::now();
    while began.elapsed() < after {
        if child.try_wait().unwrap().is_some() {
            return false;
        }
        std::thread::sleep(Duration::from_micros(300));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    true
}

/// Kills replays at `instants` random times; each store, replayed once more, must be the undisturbed one.
fn killed_at_random(captures: &Path, instants: u64, wanted: u64) {
    let folder = folder();
    let whole = folder.path().join("whole");
    let began = Instant::now();
    killed(captures, &whole, Duration::from_secs(600));
    let length = began.elapsed();
    let undisturbed = snapshot(&whole);
    let mut hit = 0;
    for seed in 0..instants {
        let store = folder.path().join(format!("{seed}"));
        let mut dice = Dice::new(seed + 1);
        // Once or twice in a row.
        for _ in 0..=seed % 2 {
            let share = dice.below(1000) as f64 / 1000.0;
            hit += u64::from(killed(captures, &store, length.mul_f64(share)));
        }
        for (name, bytes) in snapshot(&store) {
            if name.ends_with(".parquet") && !name.starts_with("incoming/") {
                assert!(bytes.ends_with(b"PAR1"), "seed {seed}: {name} is half there");
            }
        }
        assert!(!killed(captures, &store, Duration::from_secs(600)));
        assert_eq!(difference(&undisturbed, &snapshot(&store)), None, "seed {seed}");
    }
    assert!(hit >= wanted, "only {hit} of the replays were still running when they were to be killed");
}

#[test]
fn a_replay_killed_at_any_instant_and_begun_again_gives_the_undisturbed_store() {
    let folder = folder();
    let frames = some_minutes(1.0);
    // Three that join, one that overlaps two of them, one of the day before.
    let third = frames.len() / 3;
    let parts = [&frames[..third], &frames[2 * third..], &frames[third..2 * third], &frames[third / 2..2 * third]];
    for (number, part) in parts.iter().enumerate() {
        write_capture(&folder.path().join(format!("{number}.pcapng")), &CHANNELS, part);
    }
    write_capture(&folder.path().join("4.pcapng"), &CHANNELS, &shifted(&frames[..third], -24 * HOUR));
    let defs = Path::new("signal-defs/velmora").canonicalize().unwrap();
    let text = format!(
        "definitions = \"{}\"\nzone = \"Europe/Vienna\"\nday_starts = \"04:00\"\n[channels]\ncan0 = \"traction\"\ncan1 = \"body\"\n",
        defs.display()
    );
    std::fs::write(folder.path().join("yardtap.toml"), text).unwrap();
    killed_at_random(folder.path(), 20, 12);
}

#[test]
#[ignore = "takes minutes: the whole demo, killed 20 times; run with --ignored"]
fn the_demo_killed_at_any_instant_and_replayed_gives_the_undisturbed_store() {
    killed_at_random(Path::new("demo-captures"), 20, 12);
}

#[test]
fn giving_days_up_that_is_cut_off_anywhere_is_finished_when_the_store_is_opened() {
    use yardtap::store::retention::{Class, Room, Rules};
    let frames = some_minutes(1.0);
    let yard = Yard::new();
    yard.file("a.pcapng", &frames);
    yard.file("b.pcapng", &shifted(&frames, 48 * HOUR));
    yard.close();
    let before = snapshot(&yard.root());
    let order = vec![Class::Raw, Class::Signals];
    let rules = Rules { raw_days: Some(1), signals_days: Some(1), store_bytes: None, free_bytes: 0, order };
    let room = Room { store_bytes: 0, free_bytes: u64::MAX };
    let desk = Desk::new(yard.store(), velmora(), &yard.settings, &[]);
    assert_eq!(desk.keep_room(jiff::civil::date(2026, 2, 19), room, &rules, 0).unwrap().len(), 2);
    let after = snapshot(&yard.root());
    assert!(before.len() > after.len() + 10, "{} and {} files", before.len(), after.len());
    every_cut_is_finished(&before, &after);
}

#[test]
fn records_whose_packing_is_cut_off_anywhere_are_all_there() {
    let frames = some_minutes(0.5);
    let yard = Yard::new();
    for number in 0..3 {
        yard.file(&format!("{number}.pcapng"), &shifted(&frames, number * 2 * HOUR));
    }
    let before = snapshot(&yard.root());
    let known: Vec<String> = yard.store().filed().unwrap().into_keys().collect();
    assert_eq!(yard.store().pack_records(i64::MAX).unwrap(), 3);
    let after = snapshot(&yard.root());
    every_cut_is_finished(&before, &after);
    // A reader finds each of them at every step between: those removed are in the month's file already.
    for removed in 0..=3 {
        let (folder, ..) = cut_off(&before, &after, 1, removed, false);
        std::fs::remove_file(folder.path().join("intent.json")).unwrap();
        let store = Store::open_to_read(folder.path()).unwrap();
        assert_eq!(store.filed().unwrap().into_keys().collect::<Vec<_>>(), known, "{removed} removed");
    }
}
