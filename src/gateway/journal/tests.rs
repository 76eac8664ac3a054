use super::*;
use crate::capture::{self, Ending};
use crate::frame::{CanId, Frame, FrameBlock, Kind};
use crate::gateway::status::{Stop, TapStatus};
use crate::settings::gateway::{Source, TapBus};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::time::{Duration, Instant};
use tempfile::TempDir;

const NAMES: [&str; 2] = ["can0", "can1"];

fn tap() -> Tap {
    let bus = |name: &str| TapBus { bus: name.to_owned(), source: Source::Interface(name.to_owned()) };
    Tap { name: "lead".to_owned(), vehicle: None, buses: NAMES.map(bus).into() }
}

fn status() -> Arc<Status> {
    let status = Status::default();
    status.add_tap(TapStatus::new(&tap()));
    Arc::new(status)
}

/// Frame number `n`: of either channel, some of them FD, remote or error frames.
fn frame(n: u32) -> Frame {
    let id = if n.is_multiple_of(2) { CanId::standard(n) } else { CanId::extended(n) };
    let len = match n % 5 {
        4 => 12 + 4 * (n as usize % 3),
        short => 2 * short as usize,
    };
    let bytes: Vec<u8> = (0..len).map(|at| (at as u32 * 31 + n) as u8).collect();
    let mut frame = Frame::data(1_700_000_000_000_000 + i64::from(n) * 1000, (n % 2) as u16, id, &bytes);
    if n % 7 == 6 && len <= 8 {
        frame.kind = Kind::Error;
        frame.id = CanId(CanId::ERROR | n & 0xFF);
    }
    frame
}

fn block(numbers: std::ops::Range<u32>) -> Arc<FrameBlock> {
    let mut block = FrameBlock::default();
    numbers.for_each(|n| block.push(&frame(n)));
    Arc::new(block)
}

fn frames_in(path: &Path) -> Vec<Frame> {
    let mut capture = capture::open(path).unwrap();
    let mut block = FrameBlock::default();
    while capture.fill(&mut block, 1 << 20).unwrap() {}
    let names: Vec<_> = capture.channels().iter().filter_map(|channel| channel.name.clone()).collect();
    assert_eq!(names, NAMES);
    (0..block.len()).map(|row| block.frame(row)).collect()
}

fn frames_of(folder: &Path) -> Vec<Frame> {
    segments(folder).unwrap().iter().flat_map(|segment| frames_in(&segment.path)).collect()
}

fn expected(numbers: std::ops::Range<u32>) -> Vec<Frame> {
    numbers.map(frame).collect()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = files(folder).unwrap().into_iter().map(|(_, name)| name).collect();
    names.sort();
    names
}

fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !done() {
        // A hang, on the slowest of machines.
        assert!(begin.elapsed() < Duration::from_secs(60), "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn names_tell_time_and_number_and_sort_by_time() {
    let name = stem(1_700_000_000_000_001, 7);
    assert_eq!(name, "20231114T221320.000001Z-000007");
    assert_eq!(parse_name(&name), Some((1_700_000_000_000_001, 7)));
    for (time, number) in [(0, 1), (1_700_000_000_000_000, 12_345_678), (253_402_207_199_999_999, u64::MAX)] {
        assert_eq!(parse_name(&stem(time, number)), Some((time, number)));
    }
    assert!(stem(1_699_999_999_999_999, 9) < stem(1_700_000_000_000_000, 1));
    // Times that no name can have.
    assert_eq!(parse_name(&stem(i64::MIN, 1)), Some((0, 1)));
    assert!(parse_name(&stem(i64::MAX, 1)).is_some());
    for odd in ["", "x", "-", "20231114T221320.000001Z", "20231314T221320.000001Z-000001", "20231114T221320.000001Z-x"]
    {
        assert_eq!(parse_name(odd), None, "{odd}");
    }
}

#[test]
fn what_goes_in_is_there_once_and_counted() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("journal/lead");
    let status = status();
    let (sender, thread) = start(0, &tap(), &path, &JournalSettings::default(), &status, Hooks::default()).unwrap();
    for n in 0..40 {
        assert!(sender.send(block(n * 25..n * 25 + 25)));
    }
    drop(sender);
    thread.join().unwrap();
    assert_eq!(frames_of(&path), expected(0..1000));
    assert_eq!(names(&path).len(), 1);
    let tap = status.tap(0).unwrap();
    let segment = &segments(&path).unwrap()[0];
    assert_eq!(segment.first_us, frame(0).time_us);
    assert_eq!(tap.journal_bytes.load(Ordering::Relaxed), segment.bytes);
    assert_eq!(tap.journal_segments.load(Ordering::Relaxed), 1);
    assert_eq!(tap.queue_dropped.load(Ordering::Relaxed), 0);
    assert!(tap.synced_us.load(Ordering::Relaxed) > 0);
    remove(segment, &status, 0).unwrap();
    remove(segment, &status, 0).unwrap();
    assert_eq!((tap.journal_bytes.load(Ordering::Relaxed), tap.journal_segments.load(Ordering::Relaxed)), (0, 0));
    assert_eq!(status.troubles(), []);
}

#[test]
fn frames_are_on_disk_long_before_the_segment_ends() {
    let folder = TempDir::new().unwrap();
    let (sender, thread) =
        start(0, &tap(), folder.path(), &JournalSettings::default(), &status(), Hooks::default()).unwrap();
    sender.send(block(0..3));
    let written = || {
        let found = files(folder.path()).unwrap();
        found
            .first()
            .is_some_and(|(path, name)| name.ends_with(WRITING) && fs::read(path).is_ok_and(|bytes| bytes.len() > 200))
    };
    wait_until("the frames are written", written);
    let (path, _) = &files(folder.path()).unwrap()[0];
    assert_eq!(frames_in(path), expected(0..3));
    drop(sender);
    thread.join().unwrap();
}

#[test]
fn segments_end_by_size_in_order_and_the_keeper_is_told_of_each() {
    let folder = TempDir::new().unwrap();
    let told = Arc::new(Mutex::new(Vec::new()));
    let hooks = Hooks {
        finished: Box::new({
            let told = Arc::clone(&told);
            move |path| told.lock().unwrap().push(path.to_owned())
        }),
        ..Hooks::default()
    };
    let settings = JournalSettings { segment_bytes: 4096, ..JournalSettings::default() };
    let status = status();
    let (sender, thread) = start(0, &tap(), folder.path(), &settings, &status, hooks).unwrap();
    for n in 0..100 {
        sender.send(block(n * 10..n * 10 + 10));
    }
    drop(sender);
    thread.join().unwrap();
    assert_eq!(frames_of(folder.path()), expected(0..1000));
    let segments = segments(folder.path()).unwrap();
    assert!(segments.len() > 5, "{}", segments.len());
    // A block of ten frames at most beyond it.
    assert!(segments.iter().all(|segment| segment.bytes < 4096 + 10 * 104), "{segments:?}");
    assert_eq!(*told.lock().unwrap(), segments.iter().map(|segment| segment.path.clone()).collect::<Vec<_>>());
    let tap = status.tap(0).unwrap();
    assert_eq!(tap.journal_segments.load(Ordering::Relaxed), segments.len() as u64);
    assert_eq!(tap.journal_bytes.load(Ordering::Relaxed), segments.iter().map(|segment| segment.bytes).sum::<u64>());
}

#[test]
fn segments_end_by_time_and_when_asked() {
    let folder = TempDir::new().unwrap();
    let settings = JournalSettings { segment_time: Duration::from_millis(1), ..JournalSettings::default() };
    let (sender, thread) = start(0, &tap(), folder.path(), &settings, &status(), Hooks::default()).unwrap();
    sender.send(block(0..5));
    wait_until("the segment is old", || segments(folder.path()).unwrap().len() == 1);
    drop(sender);
    thread.join().unwrap();

    let (sender, thread) =
        start(0, &tap(), folder.path(), &JournalSettings::default(), &status(), Hooks::default()).unwrap();
    sender.send(block(5..10));
    sender.finish_segment();
    wait_until("it is finished", || segments(folder.path()).unwrap().len() == 2);
    sender.send(block(10..15));
    // Nothing to finish is nothing to do.
    drop(sender.clone());
    drop(sender);
    thread.join().unwrap();
    assert_eq!(frames_of(folder.path()), expected(0..15));
    let numbers: Vec<u64> = segments(folder.path()).unwrap().iter().map(|segment| segment.number).collect();
    assert_eq!(numbers, [1, 2, 3]);
}

#[test]
fn a_full_queue_gives_up_what_comes_and_keeps_what_is_there() {
    let status = status();
    let one = queue::block_bytes(&block(0..10));
    let sender = JournalSender::new(3 * one + one / 2, Arc::clone(&status), 0);
    assert!((0..3).all(|_| sender.send(block(0..10))));
    assert!(!sender.send(block(0..10)));
    assert_eq!(status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed), 10);
    let queue = sender.queue();
    let taken = queue.take(Duration::ZERO);
    assert_eq!((taken.blocks.len(), taken.overflowed), (3, true));
    // What the writer has and did not sync still counts.
    assert!(!sender.send(block(0..10)));
    queue.release(one);
    assert!(sender.send(block(0..10)));
    assert!(!sender.send(block(0..10)));
    // One that is larger than all the room there is goes in alone.
    let sender = JournalSender::new(10, status, 0);
    assert!(sender.send(block(0..10)));
    assert!(!sender.send(block(0..1)));
}

#[test]
fn who_may_wait_loses_nothing_however_small_the_queue() {
    let folder = TempDir::new().unwrap();
    let settings = JournalSettings { queue_bytes: 2000, ..JournalSettings::default() };
    let status = status();
    let (sender, thread) = start(0, &tap(), folder.path(), &settings, &status, Hooks::default()).unwrap();
    let stop = Stop::default();
    for n in 0..200 {
        assert!(sender.send_waiting(block(n * 10..n * 10 + 10), &stop));
    }
    drop(sender);
    thread.join().unwrap();
    assert_eq!(frames_of(folder.path()), expected(0..2000));
    assert_eq!(status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed), 0);
}

#[test]
fn at_the_end_nobody_waits_for_ever() {
    let status = status();
    let sender = JournalSender::new(10, Arc::clone(&status), 0);
    assert!(sender.send(block(0..1)));
    let stop = Stop::default();
    stop.set();
    assert!(!sender.send_waiting(block(0..4), &stop));
    assert_eq!(status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed), 4);
}

#[test]
fn a_folder_that_goes_and_comes_back_costs_nothing() {
    let place = TempDir::new().unwrap();
    let folder = place.path().join("lead");
    let settings = JournalSettings { segment_time: Duration::from_millis(1), ..JournalSettings::default() };
    let status = status();
    let (sender, thread) = start(0, &tap(), &folder, &settings, &status, Hooks::default()).unwrap();
    sender.send(block(0..10));
    wait_until("there is a segment", || !segments(&folder).unwrap().is_empty());
    fs::rename(&folder, place.path().join("away")).unwrap();
    sender.send(block(10..20));
    wait_until("it is told", || !status.troubles().is_empty());
    let (cause, text) = &status.troubles()[0];
    assert_eq!(cause, "journal: tap lead");
    assert!(text.contains(&folder.display().to_string()) && text.contains("check the disk"), "{text}");
    sender.send(block(20..30));
    fs::rename(place.path().join("away"), &folder).unwrap();
    wait_until("it is settled", || status.troubles().is_empty());
    sender.send(block(30..40));
    drop(sender);
    thread.join().unwrap();
    assert_eq!(frames_of(&folder), expected(0..40));
    assert!(names(&folder).iter().all(|name| name.ends_with(FINISHED)), "{:?}", names(&folder));
    assert_eq!(status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed), 0);
}

#[test]
fn a_folder_that_does_not_come_back_is_counted_lost_at_the_end() {
    let place = TempDir::new().unwrap();
    let folder = place.path().join("lead");
    let status = status();
    let (sender, thread) = start(0, &tap(), &folder, &JournalSettings::default(), &status, Hooks::default()).unwrap();
    fs::remove_dir(&folder).unwrap();
    sender.send(block(0..10));
    drop(sender);
    thread.join().unwrap();
    assert_eq!(status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed), 10);
}

#[test]
fn a_start_counts_what_is_there_and_takes_no_name_twice() {
    let folder = TempDir::new().unwrap();
    for round in 0..3 {
        let status = status();
        let (sender, thread) =
            start(0, &tap(), folder.path(), &JournalSettings::default(), &status, Hooks::default()).unwrap();
        assert_eq!(status.tap(0).unwrap().journal_segments.load(Ordering::Relaxed), round);
        // The same first time each round.
        sender.send(block(0..10));
        drop(sender);
        thread.join().unwrap();
    }
    assert_eq!(segments(folder.path()).unwrap().len(), 3);
    // Nor that of one that was put by.
    let put_by = folder.path().join("filed");
    fs::create_dir(&put_by).unwrap();
    for segment in segments(folder.path()).unwrap() {
        fs::rename(&segment.path, put_by.join(segment.path.file_name().unwrap())).unwrap();
    }
    assert_eq!(next_number(folder.path()).unwrap(), 4);
}

/// A segment as the writer makes it, and where each of its blocks ends with the number of frames up to there.
fn segment(count: u32) -> (Vec<u8>, BTreeMap<usize, usize>) {
    let names = NAMES.map(Some);
    let mut ends = BTreeMap::new();
    let mut out = crate::capture::write::PcapngWriter::new(Vec::new(), &names).unwrap();
    out.flush().unwrap();
    let header = out.get_ref().len();
    // The section's block has 28 bytes, the interfaces' share the rest.
    ends.extend([(0, 0), (28, 0), (28 + (header - 28) / 2, 0), (header, 0)]);
    for n in 0..count {
        out.write(&frame(n)).unwrap();
        out.flush().unwrap();
        ends.insert(out.get_ref().len(), n as usize + 1);
    }
    (out.finish().unwrap(), ends)
}

fn unfinished(folder: &Path, bytes: &[u8]) -> PathBuf {
    let path = folder.join(stem(frame(0).time_us, 1) + WRITING);
    fs::write(&path, bytes).unwrap();
    path
}

/// The state of the disk after a power cut: the first `cut` bytes, and behind them what a file system may leave.
fn check_cut(bytes: &[u8], ends: &BTreeMap<usize, usize>, cut: usize, zeros: usize) {
    let folder = TempDir::new().unwrap();
    let mut left = bytes[..cut].to_vec();
    left.resize(cut + zeros, 0);
    unfinished(folder.path(), &left);
    // Zeros may be what was to be written, too.
    let same = left.iter().zip(bytes).take_while(|(left, bytes)| left == bytes).count();
    let (&end, &frames) = ends.range(..=same).next_back().unwrap();
    let done = repair(folder.path()).unwrap();
    let names = names(folder.path());
    match done.as_slice() {
        [Repaired::Empty { .. }] => assert_eq!((frames, names.len()), (0, 0)),
        [Repaired::Ended { path, frames: counted, cut_bytes, damaged_bytes: 0 }] => {
            assert!(frames > 0);
            assert_eq!((*counted, *cut_bytes), (frames as u64, (left.len() - end) as u64));
            assert_eq!(fs::metadata(path).unwrap().len(), end as u64);
            assert_eq!(frames_in(path), expected(0..frames as u32));
            let mut capture = capture::open(path).unwrap();
            while capture.fill(&mut FrameBlock::default(), 1000).unwrap() {}
            assert_eq!(capture.tally().ending, Ending::Complete);
        }
        other => panic!("cut at {cut}, {zeros} zeros: {other:?}"),
    }
    // Nothing is left to do.
    assert_eq!(repair(folder.path()).unwrap(), []);
}

#[test]
fn a_segment_cut_anywhere_keeps_its_whole_blocks() {
    let (bytes, ends) = segment(12);
    for cut in 0..=bytes.len() {
        check_cut(&bytes, &ends, cut, 0);
    }
}

#[test]
fn a_segment_that_was_lengthened_and_not_written_keeps_its_whole_blocks() {
    let (bytes, ends) = segment(6);
    for cut in 0..=bytes.len() {
        for zeros in [1, 4, 11, 12, 13, 48, 4096] {
            check_cut(&bytes, &ends, cut, zeros);
        }
    }
}

#[test]
fn what_is_no_segment_is_set_aside_and_never_deleted() {
    let folder = TempDir::new().unwrap();
    for round in 0..2 {
        unfinished(folder.path(), b"this was never a segment");
        let done = repair(folder.path()).unwrap();
        let [Repaired::SetAside { path }] = done.as_slice() else { panic!("{done:?}") };
        assert_eq!(fs::read(path).unwrap(), b"this was never a segment");
        assert_eq!(names(folder.path()).len(), round + 1);
    }
    assert_eq!(segments(folder.path()).unwrap(), []);
}

#[test]
fn damage_in_the_middle_costs_only_what_is_damaged() {
    let folder = TempDir::new().unwrap();
    let (mut bytes, ends) = segment(200);
    let begin = *ends.iter().find(|&(_, &frames)| frames == 100).unwrap().0;
    bytes[begin..begin + 300].fill(0x55);
    unfinished(folder.path(), &bytes);
    let done = repair(folder.path()).unwrap();
    let [Repaired::Ended { path, frames: 100, cut_bytes: 0, damaged_bytes }] = done.as_slice() else {
        panic!("{done:?}")
    };
    assert_eq!(*damaged_bytes, (bytes.len() - begin) as u64);
    let found = frames_in(path);
    assert_eq!(found[..100], expected(0..100));
    assert!(found.len() > 180, "{}", found.len());
    assert_eq!(found[found.len() - 50..], expected(150..200));
}

#[test]
fn a_folder_that_is_not_there_needs_no_repair() {
    let folder = TempDir::new().unwrap();
    let none = folder.path().join("none");
    assert_eq!(repair(&none).unwrap(), []);
    assert_eq!(segments(&none).unwrap(), []);
}

/// Cuts a segment of so many frames at a part of its length, with so many zeros behind.
fn check_cut_at(count: u32, place: f64, zeros: usize) {
    let (bytes, ends) = segment(count);
    let cut = (place * bytes.len() as f64) as usize;
    check_cut(&bytes, &ends, cut.min(bytes.len()), zeros);
}

#[test]
fn zeros_that_may_be_data_behind_a_cut_are_told_from_it() {
    check_cut_at(250, 0.250_322_142_923_576_46, 3);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_number_of_frames_cut_anywhere(count in 1_u32..400, place in 0.0..=1.0_f64, zeros in 0_usize..100) {
        check_cut_at(count, place, zeros);
    }

    #[test]
    fn no_bytes_are_too_odd_to_repair(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let folder = TempDir::new().unwrap();
        unfinished(folder.path(), &bytes);
        let mut section = segment(1).0[..28].to_vec();
        section.extend(&bytes);
        fs::write(folder.path().join(stem(1, 2) + WRITING), &section).unwrap();
        prop_assert_eq!(repair(folder.path()).unwrap().len(), 2);
        prop_assert!(names(folder.path()).iter().all(|name| !name.ends_with(WRITING)));
    }
}
