//! What a service does day after day: captures filed one after another, counted when it is worth it, days closed and
//! checked, old ones given up. Whatever way the frames came, the store is the same.

use std::collections::BTreeSet;
use std::path::Path;

use jiff::civil::date;
use yardtap::filing::restore::restore_capture;
use yardtap::filing::{Count, Desk, Due, FilingError, Outcome};
use yardtap::frame::Frame;
use yardtap::stop::Stop;
use yardtap::store::retention::{Class, Room, Rules, Why};
use yardtap::store::{HeardLast, Store};

use super::support::*;

/// The tables of a store, as bytes; what is said of captures, and definitions, apart.
fn tables(root: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    let mut files = snapshot(root);
    files.retain(|name, _| {
        ["signals/", "raw/", "runs/", "events/", "bus_health/", "message_health/"].iter().any(|t| name.starts_with(t))
    });
    files
}

/// A yard that knows the vehicle: parts of a second's frames need not name it.
fn named_yard() -> Yard {
    let mut yard = Yard::new();
    yard.settings.vehicle = Some("207".into());
    yard
}

fn desk<'a>(yard: &'a Yard, count: Count) -> Desk<'a> {
    Desk { count, ..Desk::new(yard.store(), velmora(), &yard.settings, &yard.places) }
}

fn file(desk: &Desk<'_>, path: &Path) -> Outcome {
    desk.file(path, &mut |_| {}).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Frames cut at random places into so many parts.
fn cut(frames: &[Frame], count: usize, dice: &mut Dice) -> Vec<Vec<Frame>> {
    let mut cuts: BTreeSet<usize> = (1..count).map(|_| 1 + dice.below(frames.len() - 1)).collect();
    cuts.extend([0, frames.len()]);
    let cuts: Vec<usize> = cuts.into_iter().collect();
    cuts.windows(2).map(|pair| frames[pair[0]..pair[1]].to_vec()).collect()
}

#[test]
fn captures_counted_later_give_the_rows_of_the_whole_counted_at_once() {
    let frames = minutes_from(40.0, 4.6);
    let whole = named_yard();
    whole.file("whole.pcapng", &frames);
    whole.close();
    for seed in 0..4 {
        let mut dice = Dice::new(seed);
        let yard = named_yard();
        let desk = desk(&yard, Count::Later);
        let mut read = 0;
        for (number, part) in cut(&frames, 12, &mut dice).iter().enumerate() {
            let path = yard.write(&format!("{number}.pcapng"), part);
            let outcome = file(&desk, &path);
            assert_eq!(outcome.record().counts_due, ["207"]);
            let now_us = part.last().unwrap().time_us + SECOND;
            read += desk.count_due(Due::Worth { now_us }).unwrap().frames;
        }
        // Each counting has at least twice the frames of the one before, but for what the last part brought.
        assert!(read <= 4 * frames.len() as u64, "{read} frames read to count {}", frames.len());
        desk.count_due(Due::All).unwrap();
        assert_eq!(desk.count_due(Due::All).unwrap().stretches, 0, "nothing is due any more");
        yard.close();
        assert_eq!(difference(&tables(&whole.root()), &tables(&yard.root())), None, "seed {seed}");
    }
}

#[test]
fn a_stretch_is_counted_when_it_has_doubled_or_is_over() {
    let frames = some_minutes(3.0);
    let yard = named_yard();
    let desk = desk(&yard, Count::Later);
    let (half, most) = (frames.len() / 2, frames.len() / 2 + 500);
    file(&desk, &yard.write("a.pcapng", &frames[..half]));
    let now_us = frames.last().unwrap().time_us;
    let worth = |now_us| desk.count_due(Due::Worth { now_us }).unwrap().stretches;
    assert_eq!(worth(now_us), 1, "nothing was counted before");
    file(&desk, &yard.write("b.pcapng", &frames[half..most]));
    assert_eq!(worth(now_us), 0, "it has grown by a little only");
    file(&desk, &yard.write("c.pcapng", &frames[most..]));
    assert_eq!(worth(now_us), 1, "it has doubled");
    assert_eq!(worth(now_us), 0, "nothing new has come");
    assert_eq!(worth(now_us + 24 * HOUR), 1, "it is over");
    assert_eq!(worth(now_us + 24 * HOUR), 0);
    let runs = rows_below(&yard.root().join("runs"), &[]);
    assert_eq!(runs.len(), 1);
    assert!(!runs[0].contains("ended_by=end of recording"), "somebody waited, and nothing came: {}", runs[0]);
}

#[test]
fn the_same_frames_give_the_same_bytes_in_however_many_captures_they_came() {
    let frames = some_minutes(6.0);
    let whole = named_yard();
    whole.file("whole.pcapng", &frames);
    whole.close();
    let expected = tables(&whole.root());
    assert!(expected.keys().all(|name| name.contains("merged")), "{:?}", expected.keys());
    for seed in 10..16 {
        let mut dice = Dice::new(seed);
        let count = 2 + dice.below(9);
        let mut parts = cut(&frames, count, &mut dice);
        dice.shuffle(&mut parts);
        let yard = named_yard();
        let desk = desk(&yard, [Count::AtOnce, Count::JoinedLater, Count::Later][dice.below(3)]);
        for (number, part) in parts.iter().enumerate() {
            file(&desk, &yard.write(&format!("{number}.pcapng"), part));
            if dice.below(4) == 0 {
                yard.close();
            }
        }
        desk.count_due(Due::All).unwrap();
        yard.close();
        assert_eq!(difference(&expected, &tables(&yard.root())), None, "seed {seed}, {} parts", parts.len());
    }
}

#[test]
fn overlapping_captures_give_the_bytes_of_the_whole() {
    let frames = some_minutes(4.0);
    let whole = named_yard();
    whole.file("whole.pcapng", &frames);
    whole.close();
    let third = frames.len() / 3;
    for order in [[0, 1], [1, 0]] {
        let yard = named_yard();
        let parts = [&frames[..2 * third], &frames[third..]];
        for number in order {
            let outcome = yard.file(&format!("{number}.pcapng"), parts[number]);
            let known = outcome.record().vehicles[0].known_frames;
            assert_eq!(known, if number == order[0] { 0 } else { third as u64 });
        }
        yard.close();
        assert_eq!(difference(&tables(&whole.root()), &tables(&yard.root())), None, "{order:?}");
    }
}

#[test]
fn more_captures_over_each_other_than_are_read_at_once_are_merged_all_the_same() {
    let frames = some_minutes(1.0);
    let whole = named_yard();
    whole.file("whole.pcapng", &frames);
    whole.close();
    let yard = named_yard();
    let desk = desk(&yard, Count::Later);
    const DEALT: usize = 40;
    for number in 0..DEALT {
        let part: Vec<Frame> = frames.iter().skip(number).step_by(DEALT).copied().collect();
        let outcome = file(&desk, &yard.write(&format!("{number}.pcapng"), &part));
        assert_eq!(outcome.record().vehicles[0].known_frames, 0);
    }
    desk.count_due(Due::All).unwrap();
    yard.close();
    assert_eq!(difference(&tables(&whole.root()), &tables(&yard.root())), None);
}

/// A day in pieces, as a service files it: with the border between two of them blurred, as two interfaces do whose frames wait.
fn file_in_pieces(yard: &Yard, frames: &[Frame]) -> usize {
    let desk = desk(yard, Count::Later);
    let pieces = 5;
    let start_us = frames[0].time_us;
    let step_us = (frames.last().unwrap().time_us - start_us) / pieces + 1;
    for piece in 0..pieces {
        let of = |frame: &&Frame| {
            let late_us = i64::from(frame.channel) * 900_000;
            ((frame.time_us + late_us - start_us) / step_us).min(pieces - 1) == piece
        };
        let part: Vec<Frame> = frames.iter().filter(of).copied().collect();
        file(&desk, &yard.write(&format!("{start_us}-{piece}.pcapng"), &part));
    }
    pieces as usize
}

#[test]
fn a_day_is_closed_when_all_of_it_reads_back_and_today_stays_open() {
    let frames = some_minutes(3.0);
    let tomorrow = shifted(&frames, 24 * HOUR);
    let yard = named_yard();
    let desk = desk(&yard, Count::Later);
    let pieces = file_in_pieces(&yard, &frames);
    file(&desk, &yard.write("tomorrow.pcapng", &tomorrow));
    let now_us = tomorrow.last().unwrap().time_us;
    let mut told = Vec::new();
    let end = desk.close_before(date(2026, 2, 18), now_us, &mut |date| told.push(date)).unwrap();
    assert_eq!(told, [date(2026, 2, 17)]);
    assert!(end.left_open.is_empty(), "{:?}", end.left_open);
    let [day] = end.days.as_slice() else { panic!("{:?}", end.days) };
    let checked = day.checked;
    assert_eq!((checked.frames, checked.exact + checked.together, checked.unknown), (frames.len() as u64, pieces, 0));
    assert!(checked.together > 1, "the pieces lie over each other a little: {checked:?}");
    let names = snapshot(&yard.root().join("signals"));
    assert!(names.keys().all(|name| name.contains("date=2026-02-18") || name.ends_with("merged.parquet")));
    assert!(names.keys().any(|name| name.contains("date=2026-02-18") && !name.ends_with("merged.parquet")));
    // Its records are in the file of their month, and known as ever.
    assert_eq!(end.packed, pieces);
    assert!(yard.root().join("filed/month=2026-02.jsonl.zst").exists());
    assert_eq!(yard.store().filed().unwrap().len(), pieces + 1);
    let first = yard.folder.path().join(format!("{}-0.pcapng", frames[0].time_us));
    assert!(matches!(file(&desk, &first), Outcome::Known(_)));
    // Again, there is nothing to do.
    let again = desk.close_before(date(2026, 2, 18), now_us, &mut |_| panic!("nothing is open")).unwrap();
    assert!(again.days.is_empty() && again.packed == 0);
    // And what is there is what the frames in one capture would have left.
    desk.close_before(date(2026, 2, 19), now_us, &mut |_| {}).unwrap();
    desk.count_due(Due::All).unwrap();
    yard.close();
    let whole = named_yard();
    whole.file("whole.pcapng", &frames);
    whole.file("tomorrow.pcapng", &tomorrow);
    whole.close();
    let (expected, found) = (tables(&whole.root()), tables(&yard.root()));
    let only = |files: &std::collections::BTreeMap<String, Vec<u8>>| {
        // How a run ended depends on whether anybody waited: nobody did for the whole.
        let is_run = |name: &String| name.starts_with("runs/") || name.starts_with("events/");
        files.clone().into_iter().filter(|(name, _)| !is_run(name)).collect()
    };
    assert_eq!(difference(&only(&expected), &only(&found)), None);
}

#[test]
fn a_day_that_does_not_read_back_stays_as_it_is_and_is_told() {
    let yard = named_yard();
    let frames = some_minutes(2.0);
    let path = yard.write("a.pcapng", &frames[..frames.len() / 2]);
    let desk = desk(&yard, Count::Later);
    file(&desk, &path);
    file(&desk, &yard.write("b.pcapng", &frames[frames.len() / 2..]));
    desk.count_due(Due::All).unwrap();
    let folder = yard.root().join("signals/message=line_input/date=2026-02-17");
    let lost = std::fs::read_dir(&folder).unwrap().next().unwrap().unwrap().path();
    std::fs::remove_file(&lost).unwrap();
    let before = snapshot(&yard.root().join("signals"));
    let end = desk.close_before(date(2026, 2, 18), i64::MAX, &mut |_| {}).unwrap();
    assert!(end.days.is_empty());
    let [(day, why)] = end.left_open.as_slice() else { panic!("{:?}", end.left_open) };
    assert_eq!(*day, date(2026, 2, 17));
    assert!(why.contains("vehicle 207") && why.contains("read back"), "{why}");
    assert_eq!(difference(&before, &snapshot(&yard.root().join("signals"))), None);
    assert_eq!(snapshot(&yard.root().join("incoming")).len(), 0);
}

#[test]
fn whatever_is_stopped_leaves_the_store_as_it_was() {
    let frames = some_minutes(3.0);
    let yard = named_yard();
    let path = yard.write("a.pcapng", &frames[..frames.len() / 2]);
    let other = yard.write("b.pcapng", &frames[frames.len() / 2..]);
    let stop = Stop::default();
    let stopping = Desk { stop: Some(&stop), ..desk(&yard, Count::Later) };
    let empty = tables(&yard.root());
    let stopped = stopping.file(&path, &mut |_| stop.set());
    assert!(matches!(stopped, Err(FilingError::Stopped)), "{stopped:?}");
    assert_eq!(difference(&empty, &tables(&yard.root())), None);
    let patient = desk(&yard, Count::Later);
    file(&patient, &path);
    file(&patient, &other);
    let before = snapshot(&yard.root());
    assert!(matches!(stopping.count_due(Due::All), Err(FilingError::Stopped)));
    assert_eq!(difference(&before, &snapshot(&yard.root())), None);
    patient.count_due(Due::All).unwrap();
    let before = snapshot(&yard.root());
    let closed = stopping.close_before(date(2026, 2, 18), i64::MAX, &mut |_| {});
    assert!(matches!(closed, Err(FilingError::Stopped)), "{closed:?}");
    assert_eq!(difference(&before, &snapshot(&yard.root())), None);
}

const ROOM: Room = Room { store_bytes: 0, free_bytes: u64::MAX };

fn rules() -> Rules {
    let order = vec![Class::Raw, Class::Signals];
    Rules { raw_days: None, signals_days: None, store_bytes: None, free_bytes: 0, order }
}

#[test]
fn what_was_given_up_is_gone_but_for_its_summaries_and_restoring_says_so() {
    let frames = some_minutes(3.0);
    let yard = named_yard();
    let desk = desk(&yard, Count::Later);
    let path = yard.write("old.pcapng", &frames);
    file(&desk, &path);
    let later = shifted(&frames, 3 * 24 * HOUR);
    file(&desk, &yard.write("new.pcapng", &later));
    let now_us = later.last().unwrap().time_us + 24 * HOUR;
    let rules = Rules { signals_days: Some(1), raw_days: Some(1), ..rules() };
    let today = date(2026, 2, 20);
    assert!(desk.keep_room(today, ROOM, &rules, now_us).unwrap().is_empty(), "open days, and uncounted ones, stay");
    desk.close_before(today, now_us, &mut |_| {}).unwrap();
    let runs = rows_below(&yard.root().join("runs"), &[]);
    let health = rows_below(&yard.root().join("bus_health"), &[]);
    let given_up = desk.keep_room(today, ROOM, &rules, now_us).unwrap();
    let classes: Vec<(Class, Why)> = given_up.iter().map(|gone| (gone.class, gone.why)).collect();
    assert_eq!(classes, [(Class::Raw, Why::Age), (Class::Signals, Why::Age)]);
    assert!(given_up.iter().all(|gone| gone.date == date(2026, 2, 17) && gone.bytes > 0), "{given_up:?}");
    let left = snapshot(&yard.root());
    assert!(!left.keys().any(|name| name.contains("date=2026-02-17")), "{:?}", left.keys());
    assert_eq!(rows_below(&yard.root().join("runs"), &[]), runs);
    assert!(desk.keep_room(today, ROOM, &rules, now_us).unwrap().is_empty(), "once is enough");
    // The same capture again changes nothing.
    let Outcome::Known(record) = file(&desk, &path) else { panic!("it was filed") };
    assert_eq!(difference(&left, &snapshot(&yard.root())), None);
    let restored = restore_capture(yard.store(), &record, &mut |_| Ok(())).unwrap();
    assert_eq!((restored.frames, restored.exact, restored.given_up), (0, false, true));
    // A late capture of that day is filed, and what was counted of the others stays.
    let late = minutes_from(31.6, 1.0);
    file(&desk, &yard.write("late.pcapng", &late));
    desk.count_due(Due::All).unwrap();
    let after = rows_below(&yard.root().join("runs"), &[]);
    assert!(runs.iter().all(|run| after.contains(run)), "{after:#?} lacks some of {runs:#?}");
    let after = rows_below(&yard.root().join("bus_health"), &[]);
    assert!(health.iter().all(|row| after.contains(row)));
    // Its day closes, and goes again.
    let end = desk.close_before(today, now_us, &mut |_| {}).unwrap();
    assert!(end.left_open.is_empty(), "{:?}", end.left_open);
    assert!(!desk.keep_room(today, ROOM, &rules, now_us).unwrap().is_empty());
    assert_eq!(yard.store().given_up().unwrap().len(), 2);
}

#[test]
fn want_of_room_takes_the_oldest_raw_frames_first() {
    let frames = some_minutes(1.0);
    let yard = named_yard();
    let desk = desk(&yard, Count::AtOnce);
    for day in 0..3 {
        file(&desk, &yard.write(&format!("{day}.pcapng"), &shifted(&frames, day * 24 * HOUR)));
    }
    let today = date(2026, 2, 19);
    let room = Room { store_bytes: yard.store().bytes().unwrap(), free_bytes: 1000 };
    let rules = Rules { free_bytes: 1001, ..rules() };
    let given_up = desk.keep_room(today, room, &rules, 0).unwrap();
    let told: Vec<_> = given_up.iter().map(|gone| (gone.date, gone.class, gone.why)).collect();
    assert_eq!(told, [(date(2026, 2, 17), Class::Raw, Why::DiskFull)]);
    let rules = Rules { store_bytes: Some(0), ..rules };
    let room = Room { free_bytes: u64::MAX, ..room };
    let given_up = desk.keep_room(today, room, &rules, 0).unwrap();
    assert!(given_up.iter().all(|gone| gone.date < today), "{given_up:?}");
    let left = snapshot(&yard.root());
    assert!(left.keys().any(|name| name.starts_with("signals/") && name.contains("date=2026-02-19")), "today stays");
    assert!(!left.keys().any(|name| name.contains("date=2026-02-18")), "all before goes");
    assert_eq!(rows_below(&yard.root().join("runs"), &[]).len(), 3, "summaries stay");
}

#[test]
fn a_lead_that_goes_on_in_further_captures_is_shared_out_as_in_one() {
    use yardtap::frame::CanId;
    let defs = set(TELLS_ITS_NUMBER);
    let word = |n: i64, number: u16| Frame::data(n * SECOND, 0, CanId::standard(0x7A0), &number.to_le_bytes());
    let motion = |n: i64| Frame::data(n * SECOND, 0, CanId::standard(0x100), &[7, 0]);
    // 204 names itself every tenth second; the lead is moved to 317, which does so too; then both are silent for half
    // an hour, and what comes then says nothing for a while.
    let mut frames = Vec::new();
    frames.extend((0..60).map(|n| if n % 10 == 0 { word(n, 204) } else { motion(n) }));
    frames.extend((100..160).map(|n| if n % 10 == 1 { word(n, 317) } else { motion(n) }));
    frames.extend((2000..2060).map(motion));
    let whole = Yard::new();
    let path = whole.folder.path().join("whole.pcapng");
    write_capture(&path, &[Some("b")], &frames);
    whole.file_by(&defs, &path);
    let motions = |yard: &Yard| rows_below(&yard.root().join("signals"), &[]);
    let of = |rows: &[String], name: &str| rows.iter().filter(|row| row.contains(&format!("vehicle={name} "))).count();
    let expected = motions(&whole);
    assert_eq!((of(&expected, "204"), of(&expected, "317"), of(&expected, "unknown")), (60, 60, 60));
    // Anywhere but between the first frame of 317 and its first word.
    for at in (1..frames.len()).filter(|at| *at != 61) {
        let mut yard = Yard::new();
        for (number, part) in [&frames[..at], &frames[at..]].into_iter().enumerate() {
            let path = yard.folder.path().join(format!("{number}.pcapng"));
            write_capture(&path, &[Some("b")], part);
            let heard: Option<HeardLast> = yard.file_by(&defs, &path).record().heard_last.clone();
            yard.settings.vehicle_before = heard;
        }
        assert_eq!(rows_differ(&expected, &motions(&yard)), None, "cut at {at}");
    }
}

#[test]
fn twenty_thousand_records_do_not_hold_the_opening_up() {
    // No limit in seconds: what is asked is that opening reads none of them.
    let folder = folder();
    drop(Store::open(folder.path()).unwrap());
    std::fs::write(folder.path().join("filed/damaged.json"), b"{").unwrap();
    let store = Store::open(folder.path()).unwrap();
    assert!(store.filed().is_err(), "it is read when it is asked for");
}
