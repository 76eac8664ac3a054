//! What is filed stands in the store once, whatever the order and the pieces in which it came.

use std::collections::BTreeSet;

use yardtap::defs::Definitions;
use yardtap::filing::Outcome;
use yardtap::filing::restore::restore_capture;
use yardtap::frame::Frame;

use super::support::*;

#[test]
fn the_same_capture_filed_twice_changes_nothing() {
    let yard = Yard::new();
    let frames = some_minutes(3.0);
    let path = yard.write("a.pcapng.zst", &frames);
    let Outcome::Filed(first) = yard.file_by(velmora(), &path) else { panic!("it is new") };
    assert_eq!(first.vehicles[0].frames, frames.len() as u64);
    let open = snapshot(&yard.root());
    // Known by its content, under any name.
    let other = yard.folder.path().join("b.pcapng.zst");
    std::fs::copy(&path, &other).unwrap();
    for path in [&path, &other] {
        assert!(matches!(yard.file_by(velmora(), path), Outcome::Known(_)));
        assert_eq!(difference(&open, &snapshot(&yard.root())), None);
    }
    yard.close();
    let closed = snapshot(&yard.root());
    assert!(matches!(yard.file_by(velmora(), &path), Outcome::Known(_)));
    yard.close();
    assert_eq!(difference(&closed, &snapshot(&yard.root())), None);
}

#[test]
fn frames_of_overlapping_captures_are_counted_once_in_either_order() {
    let frames = some_minutes(6.0);
    let (third, two_thirds) = (frames.len() / 3, 2 * frames.len() / 3);
    let (early, late) = (&frames[..two_thirds], &frames[third..]);
    let whole = Yard::new();
    whole.file("whole.pcapng", &frames);
    whole.close();
    for order in [[early, late], [late, early]] {
        let yard = Yard::new();
        yard.file("first.pcapng", order[0]);
        let second = yard.file("second.pcapng", order[1]);
        assert_eq!(second.record().vehicles[0].known_frames, (two_thirds - third) as u64);
        assert_same_rows(&whole.root(), &yard.root(), "still open");
        yard.close();
        assert_same_rows(&whole.root(), &yard.root(), "closed");
    }
}

#[test]
fn a_capture_within_another_adds_nothing() {
    let frames = some_minutes(3.0);
    let yard = Yard::new();
    yard.file("whole.pcapng", &frames);
    yard.close();
    let rows = rows_below(&yard.root().join("signals"), &[]);
    let runs = rows_below(&yard.root().join("runs"), &[]);
    let within = yard.file("part.pcapng", &frames[1000..9000]);
    assert_eq!(within.record().vehicles[0].known_frames, 8000);
    yard.close();
    assert_eq!(rows_differ(&rows, &rows_below(&yard.root().join("signals"), &[])), None);
    assert_eq!(rows_differ(&runs, &rows_below(&yard.root().join("runs"), &[])), None);
}

/// Parts of a capture, cut at random places.
fn parts(frames: &[Frame], dice: &mut Dice) -> Vec<Vec<Frame>> {
    let count = 2 + dice.below(4);
    let mut cuts: BTreeSet<usize> = (1..count).map(|_| 1 + dice.below(frames.len() - 1)).collect();
    cuts.extend([0, frames.len()]);
    let cuts: Vec<usize> = cuts.into_iter().collect();
    cuts.windows(2).map(|pair| frames[pair[0]..pair[1]].to_vec()).collect()
}

#[test]
fn a_capture_in_parts_filed_in_any_order_gives_the_rows_of_the_whole() {
    // Section gaps, a pole-off, the vehicle off the wire and on it again.
    let frames = minutes_from(40.0, 4.6);
    let whole = Yard::new();
    whole.file("whole.pcapng", &frames);
    whole.close();
    assert_eq!(rows_below(&whole.root().join("runs"), &[]).len(), 1);
    let events = rows_below(&whole.root().join("events"), &[]);
    for counter in ["pole_offs", "section_gaps"] {
        let named = format!("counter={counter} ");
        assert!(events.iter().any(|event| event.contains(&named)), "a stretch without {counter} proves little");
    }
    for seed in 0..5 {
        let mut dice = Dice::new(seed);
        let mut parts = parts(&frames, &mut dice);
        dice.shuffle(&mut parts);
        let yard = Yard::new();
        for (number, part) in parts.iter().enumerate() {
            yard.file(&format!("{number}.pcapng"), part);
            if dice.below(3) == 0 {
                yard.close();
            }
        }
        yard.close();
        assert_same_rows(&whole.root(), &yard.root(), &format!("seed {seed}, {} parts", parts.len()));
    }
}

#[test]
fn yesterday_s_capture_goes_to_its_own_day() {
    let yard = Yard::new();
    let today = some_minutes(2.0);
    let yesterday = shifted(&today, -24 * HOUR);
    yard.file("today.pcapng", &today);
    yard.close();
    let before = snapshot(&yard.root());
    yard.file("yesterday.pcapng", &yesterday);
    yard.close();
    let after = snapshot(&yard.root());
    let name = |date: &str| format!("signals/message=line_input/date={date}/merged.parquet");
    let of = |date: &str| rows_of(&yard.root().join(name(date)), &[]);
    assert_eq!(before[&name("2026-02-17")], after[&name("2026-02-17")], "today's file is as it was");
    assert_eq!(of("2026-02-16").len(), of("2026-02-17").len());
    let runs = rows_below(&yard.root().join("runs"), &[]);
    assert_eq!(runs.len(), 2);
    // 2026-02-16 and 17 are days 20500 and 20501.
    for day in ["20500", "20501"] {
        assert_eq!(runs.iter().filter(|run| run.contains(&format!("service_day={day} "))).count(), 1, "{runs:#?}");
    }
}

#[test]
fn a_run_over_the_change_of_day_belongs_to_the_day_in_which_it_began() {
    // The service day changes at 04:00 in Vienna, 03:00 UTC: two minutes before and two behind it.
    let frames = some_minutes(4.0);
    let frames = shifted(&frames, us("2026-02-17T02:58:00Z") - frames[0].time_us);
    let yard = Yard::new();
    yard.file("night.pcapng", &frames);
    yard.close();
    let runs = rows_below(&yard.root().join("runs"), &[]);
    assert_eq!(runs.len(), 1);
    assert!(runs[0].contains("service_day=20500 "), "{}", runs[0]);
    let events = rows_below(&yard.root().join("events"), &[]);
    assert!(events.iter().all(|event| event.contains("service_day=20500 ")), "{events:#?}");
    // The frames themselves lie in the day in which they came.
    let border = us("2026-02-17T03:00:00Z");
    for (date, wanted) in [("2026-02-16", true), ("2026-02-17", false)] {
        let folder = yard.root().join(format!("signals/message=line_input/date={date}"));
        let rows = rows_below(&folder, &[]);
        assert!(rows.len() > 1000, "{} rows of {date}", rows.len());
        for row in &rows {
            let time: i64 = row.split_once(' ').unwrap().0.strip_prefix("time=").unwrap().parse().unwrap();
            assert_eq!(time < border, wanted, "{row}");
        }
    }
    // Cut at the change of day and filed the wrong way round, it is the same run.
    let cut = frames.iter().position(|frame| frame.time_us >= border).unwrap();
    let other = Yard::new();
    other.file("after.pcapng", &frames[cut..]);
    other.close();
    other.file("before.pcapng", &frames[..cut]);
    other.close();
    assert_same_rows(&yard.root(), &other.root(), "cut at the change of day");
}

#[test]
fn a_run_over_the_end_of_a_month_is_one_run_of_the_month_in_which_it_began() {
    let frames = some_minutes(4.0);
    let frames = shifted(&frames, us("2026-03-01T02:58:00Z") - frames[0].time_us);
    let cut = frames.len() / 2 + 77;
    let yard = Yard::new();
    yard.file("march.pcapng", &frames[cut..]);
    yard.close();
    assert_eq!(rows_below(&yard.root().join("runs/month=2026-03"), &[]).len(), 1);
    yard.file("february.pcapng", &frames[..cut]);
    yard.close();
    assert_eq!(rows_below(&yard.root().join("runs/month=2026-02"), &[]).len(), 1);
    assert_eq!(rows_below(&yard.root().join("runs/month=2026-03"), &[]).len(), 0);
}

#[test]
fn a_closed_day_takes_a_late_capture_and_closes_again() {
    let frames = some_minutes(4.0);
    let half = frames.len() / 2;
    let whole = Yard::new();
    whole.file("whole.pcapng", &frames);
    whole.close();
    let yard = Yard::new();
    yard.file("first.pcapng", &frames[..half]);
    yard.close();
    assert!(snapshot(&yard.root().join("signals")).keys().all(|name| name.ends_with("/merged.parquet")));
    yard.file("second.pcapng", &frames[half..]);
    assert!(snapshot(&yard.root().join("signals")).keys().any(|name| !name.ends_with("/merged.parquet")));
    yard.close();
    for table in ["signals", "raw", "runs", "events", "bus_health", "message_health"] {
        let files = snapshot(&yard.root().join(table));
        assert!(files.keys().all(|name| name.ends_with("merged.parquet")), "{table}: {:?}", files.keys());
    }
    assert_same_rows(&whole.root(), &yard.root(), "closed twice");
}

#[test]
fn two_vehicles_of_one_day_share_its_files_and_keep_their_rows_apart() {
    let frames = some_minutes(2.0);
    let mut yard = Yard::new();
    for vehicle in ["12", "9"] {
        yard.settings.vehicle = Some(vehicle.into());
        yard.file(&format!("{vehicle}.pcapng"), &shifted(&frames, vehicle.len() as i64));
    }
    yard.close();
    let rows = rows_of(&yard.root().join("signals/message=line_input/date=2026-02-17/merged.parquet"), &[]);
    let of = |vehicle: &str| rows.iter().filter(|row| row.contains(&format!("vehicle={vehicle} "))).count();
    assert_eq!((of("12"), of("9")), (rows.len() / 2, rows.len() / 2));
    assert!(rows[..rows.len() / 2].iter().all(|row| row.contains("vehicle=12 ")), "sorted by vehicle as text");
    // One of them filed again, longer: the other stays as it is.
    let longer = some_minutes(3.0);
    yard.settings.vehicle = Some("9".into());
    yard.file("longer.pcapng", &shifted(&longer, 1));
    yard.close();
    let again = rows_of(&yard.root().join("signals/message=line_input/date=2026-02-17/merged.parquet"), &[]);
    assert_eq!(again[..rows.len() / 2], rows[..rows.len() / 2]);
    assert!(again.len() > rows.len());
}

#[test]
fn the_number_of_threads_changes_no_byte() {
    let frames = some_minutes(8.0);
    let mut first = None;
    for threads in [1, 2, 4] {
        let yard = Yard::new();
        let path = yard.write("a.pcapng", &frames);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| yard.file_by(velmora(), &path));
        let mut files = snapshot(&yard.root());
        pool.install(|| yard.close());
        files.extend(snapshot(&yard.root()).into_iter().map(|(name, bytes)| (format!("closed/{name}"), bytes)));
        // The record names the capture's path, which is another each time.
        files.retain(|name, _| !name.contains("filed/"));
        match &first {
            None => first = Some(files),
            Some(first) => assert_eq!(difference(first, &files), None, "{threads} threads"),
        }
    }
}

/// The demo fleet's definitions in other editions, which say the same under other hashes.
fn editions(count: usize) -> Vec<Definitions> {
    let edition = |number| {
        let mut sources = velmora().sources.clone();
        sources[0].text.push_str(&format!("\n# edition {number}\n"));
        Definitions::from_texts("velmora".into(), sources).unwrap()
    };
    (0..count).map(edition).collect()
}

#[test]
fn no_order_of_definition_sets_loses_a_row_of_another_when_a_day_is_closed() {
    let frames = some_minutes(0.5);
    let yard = Yard::new();
    let mut expected = 0;
    // Hashes in neither order, and each set twice.
    for (number, defs) in editions(4).iter().chain(&editions(4)).enumerate() {
        let later = shifted(&frames, number as i64 * HOUR);
        let path = yard.write(&format!("{number}.pcapng"), &later);
        yard.file_by(defs, &path);
        yard.close();
        expected += frames.len();
        let rows =
            rows_below(&yard.root().join("signals"), &[]).len() + rows_below(&yard.root().join("raw"), &[]).len();
        assert_eq!(rows, expected, "after capture {number}");
    }
    let names: Vec<String> = snapshot(&yard.root().join("signals/message=line_input")).into_keys().collect();
    assert_eq!(names.len(), 4, "each set has one file: {names:?}");
    for record in yard.store().filed().unwrap().values() {
        let restored = restore_capture(yard.store(), record, &mut |_| Ok(())).unwrap();
        assert_eq!((restored.frames, restored.exact), (frames.len() as u64, true));
    }
}

#[test]
fn a_capture_over_frames_that_other_definitions_decoded_is_refused_whole() {
    let frames = some_minutes(2.0);
    let yard = Yard::new();
    yard.file("a.pcapng", &frames[..frames.len() / 2]);
    let other = editions(1).remove(0);
    let before: Vec<String> = snapshot(&yard.root()).into_keys().collect();
    let overlapping = yard.write("b.pcapng", &frames[1000..]);
    let message = yard.try_file_by(&other, &overlapping).unwrap_err().to_string();
    for part in ["its frames overlap this capture's", &other.hash, "yardtap restore"] {
        assert!(message.contains(part), "{message}");
    }
    let mut after: Vec<String> = snapshot(&yard.root()).into_keys().collect();
    after.retain(|name| !name.starts_with("incoming/") && !name.starts_with(&format!("definitions/{}", other.hash)));
    assert_eq!(before, after);
}
