//! Whatever comes: floods of identifiers, sets of thousands of messages, clocks that are dice. Memory stays bounded.

use std::io::Read;
use std::process::Stdio;

use yardtap::filing::restore::restore_capture;
use yardtap::frame::{CanId, Frame};

use super::support::*;

/// Runs the program to its end; its exit status, what it said, and the most memory it had, in MiB.
fn run_watched(arguments: &[&str]) -> (Told, u64) {
    let mut child = yardtap().args(arguments).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kib = 0;
    let code = loop {
        // The high-water mark is the system's own, so reading it now and then misses nothing but the very end.
        if let Ok(text) = std::fs::read_to_string(&status) {
            let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
            let kib = line.and_then(|line| line.trim().strip_suffix(" kB")).and_then(|kib| kib.trim().parse().ok());
            peak_kib = kib.unwrap_or(0).max(peak_kib);
        }
        if let Some(status) = child.try_wait().unwrap() {
            break status.code();
        }
        std::thread::sleep(std::time::Duration::from_millis(2));
    };
    let mut err = String::new();
    child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
    assert!(peak_kib > 0, "the memory of a process can be read here");
    (Told { code, out: String::new(), err }, peak_kib / 1024)
}

/// Files a capture by the program under a set, and gives the most memory it had, in MiB.
fn memory_mib(frames: &[Frame], set: &str, codes: &[i32]) -> (u64, tempfile::TempDir) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(folder.path().join("defs")).unwrap();
    std::fs::write(folder.path().join("defs/set.toml"), set).unwrap();
    let capture = folder.path().join("a.pcapng");
    write_capture(&capture, &[Some("b")], frames);
    let text = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (told, mib) = run_watched(&[
        "replay",
        &text("a.pcapng"),
        "--defs",
        &text("defs"),
        "--store",
        &text("store"),
        "--vehicle",
        "9",
        "--threads",
        "2",
    ]);
    assert!(told.code.is_some_and(|code| codes.contains(&code)), "{:?}: {}", told.code, told.err);
    assert!(!told.err.contains("panicked"), "{}", told.err);
    (mib, folder)
}

fn message(name: &str, id: u32) -> String {
    format!(
        "[[message]]\nname = \"{name}\"\nbus = \"b\"\nextended_id = {id}\n[[message.signal]]\nname = \"s\"\nlsb = \"1.1\"\nbits = 16\nscale = 0.5\n[[message.signal]]\nname = \"t\"\nlsb = \"3.1\"\nbits = 32\n[[message.example]]\ndata = \"00 00 00 00 00 00\"\nexpect = {{ s = 0 }}\n"
    )
}

const HEAD: &str = "format = 1\n[bus.b]\nprotocol = \"plain\"\nbitrate = 500_000\n";

#[test]
fn a_million_different_identifiers_are_filed_in_little_memory() {
    let start = us("2026-02-17T06:00:00Z");
    let frame = |n: u32| {
        Frame::data(start + i64::from(n) * 100, 0, CanId::extended(n.wrapping_mul(0x9E37_79B1) >> 3), &n.to_le_bytes())
    };
    let frames: Vec<Frame> = (0..1 << 20).map(frame).collect();
    let (mib, folder) = memory_mib(&frames, &format!("{HEAD}{}", message("m", 0x1FFF_FFFF)), &[0]);
    let rows = rows_below(&folder.path().join("store/raw"), &["payload"]).len();
    let known = rows_below(&folder.path().join("store/signals"), &[]).len();
    assert_eq!(rows + known, 1 << 20);
    assert!(mib < 400, "{mib} MiB");
}

#[test]
fn two_thousand_messages_are_filed_in_little_memory() {
    let count = 2000;
    let set: String =
        std::iter::once(HEAD.to_owned()).chain((0..count).map(|n| message(&format!("m{n}"), n))).collect();
    let start = us("2026-02-17T06:00:00Z");
    let mut dice = Dice::new(3);
    let frames: Vec<Frame> = (0..150_000)
        .map(|n| {
            let data = dice.word().to_le_bytes();
            Frame::data(start + n * 300, 0, CanId::extended(dice.below(count as usize) as u32), &data[..6])
        })
        .collect();
    let (mib, folder) = memory_mib(&frames, &set, &[0]);
    assert_eq!(snapshot(&folder.path().join("store/signals")).len(), count as usize);
    assert!(mib < 500, "{mib} MiB");
}

#[test]
fn times_thrown_by_dice_within_a_year_are_filed_and_told() {
    let yard = Yard::new();
    let mut dice = Dice::new(9);
    let start = us("2026-01-01T06:00:00Z");
    let year = 365 * 24 * HOUR;
    let frames: Vec<Frame> = (0..3000)
        .map(|n| {
            let id = if n % 3 == 0 { CanId::extended(0x18FF_1527) } else { CanId::standard(0x140) };
            Frame::data(start + (dice.word() >> 8) as i64 % year, (n % 3 != 0).into(), id, &dice.word().to_le_bytes())
        })
        .collect();
    let outcome = yard.file("dice.pcapng", &frames);
    let remarks = &outcome.record().remarks;
    assert!(remarks.len() <= 25, "{} remarks", remarks.len());
    assert!(remarks.iter().any(|remark| remark.starts_with("clock stepped back by ")), "{remarks:#?}");
    let restored = restore_capture(yard.store(), outcome.record(), &mut |_| Ok(())).unwrap();
    assert_eq!((restored.frames, restored.exact), (3000, true));
}

#[test]
fn times_thrown_by_dice_over_all_of_time_end_in_a_clear_refusal() {
    let yard = Yard::new();
    let mut dice = Dice::new(4);
    let frames: Vec<Frame> = (0..300_000_u32)
        .map(|n| Frame::data(dice.word() as i64, (n % 2) as u16, CanId::standard(0x140 + (n & 7)), &[1, 2, 3]))
        .collect();
    let path = yard.write("dice.pcapng", &frames);
    let message = yard.try_file_by(velmora(), &path).map(|_| ()).unwrap_err().to_string();
    assert!(message.contains("its clock touches more than 400 service days"), "{message}");
    assert!(message.contains("cut the capture where the clock jumps"), "{message}");
    assert!(yard.store().filed().unwrap().is_empty());
    assert_eq!(rows_below(&yard.root().join("signals"), &[]), Vec::<String>::new());
}

#[test]
fn a_handful_of_instants_at_the_ends_of_time_is_no_panic() {
    let ends = [i64::MIN, i64::MIN + 1, -1, 0, 1, i64::MAX - 1, i64::MAX];
    for first in ends {
        for second in ends {
            let yard = Yard::new();
            let frames: Vec<Frame> = [first, second, first]
                .into_iter()
                .flat_map(|time_us| [0x140, 0x7FF].map(|id| Frame::data(time_us, 1, CanId::standard(id), &[1; 8])))
                .chain([first, second].map(|time_us| Frame::data(time_us, 0, CanId::extended(0x18FF_1527), &[0; 8])))
                .collect();
            let outcome = yard.file("ends.pcapng", &frames);
            yard.close();
            let restored = restore_capture(yard.store(), outcome.record(), &mut |_| Ok(())).unwrap();
            assert_eq!((restored.frames, restored.exact), (frames.len() as u64, true), "{first}, {second}");
        }
    }
}

#[test]
fn a_capture_whose_clock_begins_in_1970_says_so_and_is_filed() {
    let yard = Yard::new();
    let frames = some_minutes(1.0);
    let start_us = frames[0].time_us;
    let mut all = shifted(&frames[..2000], -start_us);
    all.extend(&frames[2000..]);
    let outcome = yard.file("1970.pcapng", &all);
    let remarks = &outcome.record().remarks;
    assert!(
        remarks.iter().any(|remark| remark == "clock was not set before frame 2001: its times begin in 1970"),
        "{remarks:#?}"
    );
    yard.close();
    assert!(yard.root().join("signals/message=line_input/date=1969-12-31/merged.parquet").exists());
    assert!(yard.root().join("signals/message=line_input/date=2026-02-17/merged.parquet").exists());
    let restored = restore_capture(yard.store(), outcome.record(), &mut |_| Ok(())).unwrap();
    assert!(restored.exact);
}

#[test]
fn a_bus_that_never_names_its_vehicle_is_read_in_one_go() {
    // The frames wait for a name that never comes. Time must grow with them, not with their square.
    let frames = |count: i64| -> Vec<Frame> {
        (0..count).map(|n| Frame::data(n * 100, 1, CanId::standard(0x140), &[0; 8])).collect()
    };
    let seconds = |count: i64| {
        let yard = Yard::new();
        let path = yard.write("nameless.pcapng", &frames(count));
        let began = std::time::Instant::now();
        let outcome = yard.file_by(velmora(), &path);
        assert_eq!(outcome.record().vehicles[0].vehicle, "unknown");
        began.elapsed().as_secs_f64()
    };
    let (few, many) = (seconds(40_000), seconds(320_000));
    assert!(many < 8.0 * 4.0 * few, "8 times the frames took {many:.2} s, and {few:.2} s before");
}
