//! The loops that replay spends its time in, each alone: `cargo bench`.
//!
//! Inputs are made here, from a fixed seed, so that figures of different days are of the same work. What a whole replay
//! costs, and against what, `benches/rivals/compare` measures.

use std::io::Cursor;

use divan::Bencher;
use divan::counter::ItemsCount;
use parquet::arrow::ArrowSchemaConverter;
use yardtap::capture::write::PcapngWriter;
use yardtap::capture::{Capture, ReadOptions};
use yardtap::day::ServiceDays;
use yardtap::decode::{MessageFrames, decode};
use yardtap::defs::{Definitions, SourceText};
use yardtap::filing::{Count, Desk, Due, Settings};
use yardtap::frame::{CanId, FrameBlock, Kind, Meta};
use yardtap::run::Engine;
use yardtap::store::Store;
use yardtap::store::coded::CodedColumn;
use yardtap::store::file::CHUNK_ROWS;
use yardtap::table::{CodeValue, signals};
use yardtap::wire::{Payload, wire_bits};

fn main() {
    divan::main();
}

const START_US: i64 = 1_760_000_000_000_000;

/// A linear congruential generator (Knuth, MMIX): the same numbers on every machine.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        // The heavy bits are the random ones.
        self.0 >> 16
    }
}

fn definitions(text: &str) -> Definitions {
    let source = SourceText { name: "bench.toml".into(), text: text.into() };
    Definitions::from_texts("bench".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"))
}

/// Frames of forty 29-bit identifiers, one a millisecond.
fn frames(count: usize) -> FrameBlock {
    let mut chance = Chance(1);
    let mut block = FrameBlock::with_capacity(count);
    for index in 0..count {
        let id = CanId::extended(0x18F0_0021 + (chance.next() % 40) as u32 * 0x100);
        block.push_short(START_US + index as i64 * 1000, id, Meta::data(0, 8), chance.next() << 16 | chance.next());
    }
    block
}

// ---- capture ----------------------------------------------------------------------------------------------------

const CAPTURE_FRAMES: usize = 256 * 1024;

/// A pcap file of link type 227, little-endian, in nanoseconds.
fn pcap(block: &FrameBlock) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(24 + 32 * block.len());
    bytes.extend_from_slice(&0xA1B2_3C4D_u32.to_le_bytes());
    bytes.extend_from_slice(&[2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0, 0, 227, 0, 0, 0]);
    for index in 0..block.len() {
        let time_us = block.time_us[index];
        for word in [time_us / 1_000_000, time_us % 1_000_000 * 1000, 16, 16] {
            bytes.extend_from_slice(&(word as u32).to_le_bytes());
        }
        bytes.extend_from_slice(&block.id[index].0.to_be_bytes());
        bytes.extend_from_slice(&[8, 0, 0, 0]);
        bytes.extend_from_slice(&block.data[index].to_le_bytes());
    }
    bytes
}

fn pcapng(block: &FrameBlock) -> Vec<u8> {
    let mut writer = PcapngWriter::new(Vec::new(), &[Some("can0")]).unwrap();
    writer.write_block(block).unwrap();
    writer.finish().unwrap()
}

/// A capture in memory, read into a reused block: no disk, no decoding.
#[divan::bench(args = ["pcap", "pcapng"])]
fn capture_walk(bencher: Bencher<'_, '_>, format: &str) {
    let frames = frames(CAPTURE_FRAMES);
    let bytes = if format == "pcap" { pcap(&frames) } else { pcapng(&frames) };
    let mut block = FrameBlock::with_capacity(CAPTURE_FRAMES);
    bencher
        .counter(ItemsCount::new(CAPTURE_FRAMES))
        .with_inputs(|| Box::new(Cursor::new(bytes.clone())))
        .bench_local_values(|source| {
            let mut capture = Capture::from_reader("bench".into(), source, ReadOptions::default()).unwrap();
            let mut read = 0;
            loop {
                block.clear();
                let more = capture.fill(&mut block, 64 * 1024).unwrap();
                read += block.len();
                if !more {
                    break;
                }
            }
            assert_eq!(read, CAPTURE_FRAMES);
        });
}

// ---- decoding ---------------------------------------------------------------------------------------------------

const LAYOUTS: &str = r#"
format = 1
[bus.bench]
protocol = "plain"
bitrate = 250_000
[[message]]
name = "words"
bus = "bench"
id = 0x100
length = 8
signal = [
    { name = "a", lsb = "1.1", bits = 16, scale = 0.1, unavailable = [0xFFFF] },
    { name = "b", lsb = "3.1", bits = 16, scale = 0.5, unavailable = [0xFFFF] },
    { name = "c", lsb = "5.1", bits = 16, scale = 0.01, offset = -40, unavailable = [0xFFFF] },
    { name = "d", lsb = "7.1", bits = 16, scale = 0.125, unavailable = [0xFFFF] },
]
example = [{ data = "0000000000000000", expect = { a = 0.0 } }]
[[message]]
name = "mixed"
bus = "bench"
id = 0x101
length = 8
signal = [
    { name = "a", lsb = "2.5", bits = 12, order = "big", scale = 0.125, unavailable = [0xFFF] },
    { name = "b", lsb = "3.1", bits = 12, order = "big", scale = 0.05, offset = -1600, unavailable = [0xFFF] },
    { name = "c", lsb = "5.1", bits = 16, order = "big", as = "signed", scale = 0.1 },
    { name = "temperature", lsb = "6.1", bits = 8, offset = -40, unavailable = [0xFF] },
    { name = "state", lsb = "7.1", bits = 4, labels = { 0 = "off", 1 = "on", 2 = "fault" } },
    { name = "flag", lsb = "7.5", bits = 1 },
]
example = [{ data = "0000000000000000", expect = { a = 0.0 } }]
"#;

/// Rows of one message; values of the first wander, as voltages do.
fn rows(count: usize) -> MessageFrames {
    let mut chance = Chance(2);
    let mut level = 6000_u64;
    let mut rows = MessageFrames::default();
    for index in 0..count {
        level = (level + chance.next() % 5).saturating_sub(2);
        rows.time_us.push(START_US + index as i64 * 10_000);
        rows.meta.push(Meta::data(0, 8));
        rows.word.push(level | (level ^ 3) << 16 | (level + 7) << 32 | (chance.next() & 0xFFF) << 48);
    }
    rows
}

/// A chunk of one message to columns, and these to what the file takes.
#[divan::bench(args = ["words", "mixed"])]
fn decode_chunk(bencher: Bencher<'_, '_>, message: &str) {
    let defs = definitions(LAYOUTS);
    let message = &defs.messages[defs.message(message).unwrap()];
    let rows = rows(CHUNK_ROWS);
    bencher.counter(ItemsCount::new(CHUNK_ROWS)).bench_local(|| {
        let columns = decode(message, &rows, 0..CHUNK_ROWS);
        signals::columns(message, &rows, 0..CHUNK_ROWS, columns)
    });
}

// ---- wire bits --------------------------------------------------------------------------------------------------

const WIRE_FRAMES: usize = 64 * 1024;

/// Frames of 8 bytes, and CAN FD frames of 32.
#[divan::bench(args = ["classical", "fd"])]
fn wire_bits_of_a_frame(bencher: Bencher<'_, '_>, kind: &str) {
    let mut block = FrameBlock::default();
    if kind == "classical" {
        block = frames(WIRE_FRAMES);
    } else {
        let mut chance = Chance(3);
        for index in 0..WIRE_FRAMES {
            let mut data = [0; 32];
            data.iter_mut().for_each(|byte| *byte = chance.next() as u8);
            let id = CanId::extended(0x18F0_0021);
            block.push_long(START_US + index as i64 * 1000, id, Meta::new(0, Kind::Fd, 1, 32, 0), &data);
        }
    }
    bencher.counter(ItemsCount::new(WIRE_FRAMES)).bench_local(|| {
        let bits = |index| wire_bits(block.id[index], block.meta[index], Payload::of_block(&block, index)).total();
        (0..block.len()).map(|index| u64::from(bits(index))).sum::<u64>()
    });
}

// ---- runs -------------------------------------------------------------------------------------------------------

const VEHICLE: &str = r#"
format = 1
[bus.traction]
protocol = "plain"
bitrate = 250_000
[[message]]
name = "key"
bus = "traction"
id = 0x100
period = "100ms"
signal = [{ name = "on", lsb = "1.1", bits = 1 }]
example = [{ data = "01", expect = { on = true } }]
[[message]]
name = "line"
bus = "traction"
id = 0x101
period = "100ms"
signal = [
    { name = "volts", lsb = "1.1", bits = 16, unit = "V", plausible = [0, 1000], unavailable = [0xFFFF] },
    { name = "amperes", lsb = "3.1", bits = 16, as = "signed", scale = 0.1, unit = "A" },
]
example = [{ data = "58 02 F6 FF", expect = { volts = 600 } }]
[[message]]
name = "drive"
bus = "traction"
id = 0x102
period = "100ms"
signal = [
    { name = "speed", lsb = "2.1", bits = 16, order = "big", scale = 0.1, unit = "km/h", unavailable = [0xFFFF] },
    { name = "gear", lsb = "3.1", bits = 2, labels = { 0 = "neutral", 1 = "forward", 2 = "reverse" } },
    { name = "timeouts", lsb = "4.1", bits = 8, unavailable = [0xFF] },
]
example = [{ data = "00 64 01 00", expect = { speed = 10 } }]
[[message]]
name = "cells"
bus = "traction"
id = 0x104
period = "100ms"
signal = [
    { name = "module", lsb = "1.1", bits = 8 },
    { name = "hottest", lsb = "2.1", bits = 8, unit = "1", when = { selector = "module", is = 1 } },
    { name = "coldest", lsb = "2.1", bits = 8, unit = "1", when = { selector = "module", is = [2, 3] } },
]
example = [{ data = "01 28", expect = { hottest = 40 } }]

[run]
while = "in_use"
ends_after = "2min"
gap = "10min"
shortest = "30s"
distance = "drive.speed"

[[condition]]
name = "in_use"
all = [ { signal = "key.on", is = true } ]
[[condition]]
name = "fed"
all = [ { signal = "line.volts", above = 400, back_below = 300, for = "400ms" } ]
[[condition]]
name = "lost"
all = [ { signal = "line.volts", below = 100, back_above = 300, for = "400ms" }, { signal = "drive.gear", is = "forward" } ]
lingers = "2s"
[[condition]]
name = "going"
all = [ { signal = "drive.speed", above = 3, back_below = 1 } ]
[[condition]]
name = "off_wire"
all = [ { condition = "fed", is = false }, { condition = "going" } ]
for = "1s"

[[counter]]
name = "losses"
count = "lost"
while = "going"
rearm = "5s"
keep = ["drive.speed", "line.amperes"]
[[counter]]
name = "off_wire_s"
time = "off_wire"
[[counter]]
name = "off_wire_km"
distance = "off_wire"
[[counter]]
name = "km"
distance = "run"
[[counter]]
name = "out_kwh"
integral = ["line.volts", "line.amperes"]
side = "positive"
unit = "kW.h"
[[counter]]
name = "back_kwh"
integral = ["line.volts", "line.amperes"]
side = "negative"
unit = "kW.h"
[[counter]]
name = "volts_mean"
mean = "line.volts"
while = "going"
[[counter]]
name = "volts_peak"
peak = "line.volts"
[[counter]]
name = "hottest"
peak = "cells.hottest"
[[counter]]
name = "timeouts"
growth = "drive.timeouts"
"#;

const RUN_FRAMES: usize = 256 * 1024;

/// A vehicle that drives: a quarter of the line (every value new), a quarter of the drive (every other value new), an
/// eighth of cells by page, a sixteenth of the key, five sixteenths that the rules do not look at.
#[divan::bench]
fn run_engine(bencher: Bencher<'_, '_>) {
    let defs = definitions(VEHICLE);
    let at = |name: &str| defs.message(name).unwrap();
    let (key, line, drive, cells) = (at("key"), at("line"), at("drive"), at("cells"));
    let mut chance = Chance(4);
    let frames: Vec<(i64, Option<usize>, u64)> = (0..RUN_FRAMES as u64)
        .map(|index| {
            let random = chance.next();
            let speed = if (index >> 15) & 1 == 0 { 300 + (random & 7) } else { 0 };
            let (message, word) = match index % 16 {
                0 | 4 | 8 | 12 => (Some(line), (100 + (random >> 8 & 255)) << 16 | (600 + (random & 15))),
                1 | 5 | 9 | 13 => (Some(drive), (speed & 0xFF) << 8 | speed >> 8 | 1 << 16),
                2 | 10 => (Some(cells), (1 + index / 16 % 3) | (20 + (random & 1)) << 8),
                6 => (Some(key), 1),
                _ => (None, 0),
            };
            (START_US + index as i64 * 2000, message, word)
        })
        .collect();
    bencher.counter(ItemsCount::new(RUN_FRAMES)).with_inputs(|| Engine::new(&defs, &[]).unwrap()).bench_local_values(
        |mut engine| {
            for (time_us, message, word) in &frames {
                match message {
                    Some(message) => engine.frame(*time_us, *message, *word, 8),
                    None => engine.alive(*time_us),
                }
            }
            assert!(engine.open_run().is_some(), "the vehicle is in use to the end");
        },
    );
}

// ---- store ------------------------------------------------------------------------------------------------------

/// A row group's worth of one column by its raw patterns, of so many different ones.
#[divan::bench(args = [16, 1_000, 40_000])]
fn coded_column(bencher: Bencher<'_, '_>, different: u64) {
    const ROWS: usize = 128 * 1024;
    let defs = definitions(LAYOUTS);
    let schema = signals::schema(&defs.messages[0]);
    let descriptor = ArrowSchemaConverter::new().convert(&schema).unwrap();
    let index = schema.index_of("a").unwrap();
    let mut chance = Chance(5);
    let patterns: Vec<u16> = (0..ROWS).map(|_| (chance.next() % different) as u16).collect();
    let meaning = std::sync::Arc::new(|pattern: u16| CodeValue::Real(f64::from(pattern) * 0.1));
    bencher
        .counter(ItemsCount::new(ROWS))
        .with_inputs(|| CodedColumn::new(descriptor.column(index), meaning.clone(), 1))
        .bench_local_values(|mut column| {
            for chunk in patterns.chunks(CHUNK_ROWS) {
                column.write(chunk, None).unwrap();
            }
            column.finish().unwrap()
        });
}

/// One vehicle's captures of a second each, filed one after another and counted in the end: twice as many take twice as
/// long, for what is asked of those before is asked of an index.
#[divan::bench(args = [1_000, 2_000], sample_count = 1)]
fn file_captures(bencher: Bencher<'_, '_>, captures: usize) {
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    let defs = definitions(LAYOUTS);
    let days = ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::Time::MIN);
    let settings = Settings {
        days,
        vehicle: Some("204".into()),
        unknown_vehicle: "unknown".into(),
        vehicle_before: None,
        vins: Default::default(),
        channels: Default::default(),
        bus: None,
    };
    let mut paths = Vec::new();
    for number in 0..captures {
        let path = folder.path().join(format!("{number}.pcapng"));
        let mut writer = PcapngWriter::new(std::fs::File::create(&path).unwrap(), &[Some("b")]).unwrap();
        let block = frames(100);
        for index in 0..block.len() {
            let mut frame = block.frame(index);
            frame.time_us = START_US + number as i64 * 1_000_000 + index as i64 * 9_000;
            writer.write(&frame).unwrap();
        }
        writer.finish().unwrap();
        paths.push(path);
    }
    bencher.counter(ItemsCount::new(captures)).bench_local(|| {
        let store = tempfile::tempdir_in(folder.path()).unwrap();
        let store = Store::open(store.path()).unwrap();
        let desk = Desk { count: Count::JoinedLater, ..Desk::new(&store, &defs, &settings, &[]) };
        for path in &paths {
            desk.file(path, &mut |_| {}).unwrap();
        }
        desk.count_due(Due::All).unwrap();
        store.close(&mut |_, _| {}).unwrap()
    });
}

/// Opening a store with the records of many captures, and the first question that is asked of them.
#[divan::bench(args = [1_000, 20_000], sample_count = 5)]
fn open_with_records(bencher: Bencher<'_, '_>, records: u128) {
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    drop(Store::open(folder.path()).unwrap());
    for number in 0..records {
        let first_us = START_US + number as i64 * 900_000_000;
        let id = format!("{:032x}", (number + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15_F39C_C060_5CED_C835));
        let record = serde_json::json!({
            "id": id, "source": format!("/var/lib/yardtap/journal/tap-1/{number}.pcapng"), "bytes": 1_000_000 + number as u64,
            "definition_set": "velmora", "definitions": "0123456789abcdef0123456789abcdef", "zone": "Europe/Vienna",
            "vehicles": [{
                "vehicle": "204", "frames": 1_000_000, "known_frames": 0, "first_us": first_us,
                "last_us": first_us + 899_000_000, "buses": ["traction", "body"], "frames_hash": "0123456789abcdef",
                "frames_sum": "0123456789abcdef",
            }],
            "remarks": [], "notes": [], "counts_due": [],
        });
        std::fs::write(folder.path().join("filed").join(format!("{id}.json")), record.to_string()).unwrap();
    }
    Store::open(folder.path()).unwrap().pack_records(i64::MAX).unwrap();
    bencher.counter(ItemsCount::new(records as u64)).bench_local(|| {
        let store = Store::open(folder.path()).unwrap();
        store.with_index(|index| index.len()).unwrap()
    });
}

// ---- journal ----------------------------------------------------------------------------------------------------

/// Recorded blocks into the bytes of a segment: no disk.
#[divan::bench]
fn journal_encode(bencher: Bencher<'_, '_>) {
    let block = frames(64 * 1024);
    bencher.counter(ItemsCount::new(block.len())).bench_local(|| {
        let mut writer = PcapngWriter::new(std::io::sink(), &[Some("can0")]).unwrap();
        writer.write_block(&block).unwrap();
        writer.bytes()
    });
}

#[cfg(all(feature = "gateway", target_os = "linux"))]
mod journal {
    use super::*;
    use divan::counter::BytesCount;
    use std::sync::Arc;
    use yardtap::gateway::journal::{Hooks, repair, segments, start};
    use yardtap::gateway::status::{Status, Stop, TapStatus};
    use yardtap::settings::gateway::{JournalSettings, Source, Tap, TapBus};

    fn tap() -> Tap {
        let bus = TapBus { bus: "traction".into(), source: Source::Interface("can0".into()) };
        Tap { name: "lead".into(), vehicle: None, buses: vec![bus] }
    }

    /// A million frames through queue, thread and disk, synced: where the temporary folder is.
    #[divan::bench(sample_count = 10)]
    fn journal_write_and_sync(bencher: Bencher<'_, '_>) {
        const FRAMES: usize = 1 << 20;
        let block = Arc::new(frames(4096));
        bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| tempfile::tempdir().unwrap()).bench_local_refs(
            |folder| {
                let status = Status::default();
                let number = status.add_tap(TapStatus::new(&tap()));
                let status = Arc::new(status);
                let settings = JournalSettings::default();
                let (sender, thread) =
                    start(number, &tap(), folder.path(), &settings, &status, Hooks::default()).unwrap();
                let stop = Stop::default();
                for _ in 0..FRAMES / block.len() {
                    sender.send_waiting(Arc::clone(&block), &stop);
                }
                drop(sender);
                thread.join().unwrap();
            },
        );
    }

    /// What a start after a power cut does to an unfinished segment of 64 MiB.
    #[divan::bench(sample_count = 10)]
    fn journal_repair(bencher: Bencher<'_, '_>) {
        let mut bytes = pcapng(&frames((64 << 20) / 48));
        bytes.truncate(bytes.len() - 13);
        let folder = || {
            let folder = tempfile::tempdir().unwrap();
            std::fs::write(folder.path().join("20260101T000000.000000Z-000001.pcapng.writing"), &bytes).unwrap();
            folder
        };
        bencher.counter(BytesCount::new(bytes.len())).with_inputs(folder).bench_local_refs(|folder| {
            repair(folder.path()).unwrap();
            assert_eq!(segments(folder.path()).unwrap().len(), 1);
        });
    }
}
