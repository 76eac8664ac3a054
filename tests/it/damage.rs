//! Damaged and odd captures: what is good is kept, what is not is named with file, place and remedy.

use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use std::sync::OnceLock;

use proptest::prelude::*;
use yardtap::capture::{Capture, ReadOptions};
use yardtap::defs::Definitions;
use yardtap::filing::{Desk, Outcome};
use yardtap::frame::{CanId, Frame, Kind};
use yardtap::store::Store;

use super::support::*;

/// A set of two messages, which most frames are not of: a store of few files, made in no time.
fn few_messages() -> &'static Definitions {
    static DEFS: OnceLock<Definitions> = OnceLock::new();
    DEFS.get_or_init(|| {
        set(concat!(
            "format = 1\n[bus.traction]\nprotocol = \"j1939\"\nbitrate = 250_000\n[bus.body]\nprotocol = \"plain\"\nbitrate = 500_000\n",
            "[[message]]\nname = \"line_input\"\nbus = \"traction\"\npgn = 65_301\nsource = 0x27\n",
            "[[message.signal]]\nname = \"line_voltage\"\nlsb = \"1.1\"\nbits = 16\nscale = 0.1\nunavailable = \"j1939\"\n",
            "[[message.example]]\ndata = \"70 17 FF FF FF FF FF FF\"\nexpect = { line_voltage = 600.0 }\n",
            "[[message]]\nname = \"vehicle_identity\"\nbus = \"body\"\nid = 0x110\n",
            "[[message.signal]]\nname = \"fleet_number\"\nlsb = \"1.1\"\nbits = 16\nfleet_number = true\n",
            "[[message.example]]\ndata = \"CF 00\"\nexpect = { fleet_number = 207 }\n",
        ))
    })
}

fn file_bytes(yard: &Yard, name: &str, bytes: &[u8]) -> Result<Outcome, String> {
    let options = ReadOptions { content_hash: true, ..ReadOptions::default() };
    let reader = Box::new(std::io::Cursor::new(bytes.to_vec()));
    let mut capture = Capture::from_reader(name.into(), reader, options).map_err(|error| error.to_string())?;
    let desk = Desk::new(yard.store(), few_messages(), &yard.settings, &[]);
    desk.file_capture(&mut capture, &mut |_| {}).map_err(|error| error.to_string())
}

fn capture_bytes(name: &str, frames: &[Frame]) -> Vec<u8> {
    let folder = folder();
    let path = folder.path().join(name);
    write_capture(&path, &CHANNELS, frames);
    std::fs::read(path).unwrap()
}

#[test]
fn a_capture_cut_anywhere_gives_all_frames_before_the_cut() {
    let frames = &some_minutes(0.1)[..300];
    let bytes = capture_bytes("a.pcapng", frames);
    // Each frame is one block: where it ends is where it is whole.
    let mut previous = 0;
    let mut cut_short = 0;
    for cut in (0..bytes.len()).step_by(37).chain([bytes.len()]) {
        let yard = Yard::new();
        match file_bytes(&yard, "cut.pcapng", &bytes[..cut]) {
            Err(message) => {
                assert!(cut < 28, "{cut}: {message}");
                assert!(
                    message.starts_with("cut.pcapng: ") && message.contains("copy it again") || cut < 4,
                    "{message}"
                );
            }
            Ok(outcome) => {
                let record = outcome.record();
                let kept: u64 = record.vehicles.iter().map(|part| part.frames).sum();
                assert!(kept >= previous, "{cut}: {kept} frames, and {previous} of less");
                previous = kept;
                let whole = record.remarks.is_empty();
                if !whole {
                    cut_short += 1;
                    let remark = &record.remarks[0];
                    assert!(
                        remark.starts_with("cut off inside the record at byte ")
                            && remark.contains("copy the file again"),
                        "{remark}"
                    );
                }
            }
        }
    }
    assert_eq!(previous, frames.len() as u64, "uncut, it is whole");
    assert!(cut_short > 100);
}

#[test]
fn a_flipped_bit_never_ends_the_filing_of_what_is_readable() {
    let frames = &some_minutes(0.1)[..400];
    let plain = capture_bytes("a.pcapng", frames);
    let packed = capture_bytes("a.pcapng.zst", frames);
    let mut dice = Dice::new(11);
    let (mut filed, mut refused) = (0, 0);
    let (mut plain_filed, mut plain_nearly_whole) = (0, 0);
    for round in 0..500 {
        let is_plain = round % 5 > 0;
        let mut bytes = if is_plain { plain.clone() } else { packed.clone() };
        let bit = dice.below(bytes.len() * 8);
        bytes[bit / 8] ^= 1 << (bit % 8);
        let yard = Yard::new();
        match file_bytes(&yard, "flipped", &bytes) {
            Ok(outcome) => {
                filed += 1;
                let kept: u64 = outcome.record().vehicles.iter().map(|part| part.frames).sum();
                assert!(kept <= frames.len() as u64, "{kept} frames of {}", frames.len());
                plain_filed += u64::from(is_plain);
                plain_nearly_whole += u64::from(is_plain && kept + 2 >= frames.len() as u64);
            }
            Err(message) => {
                refused += 1;
                assert!(message.starts_with("flipped: ") || message.contains("service days"), "{message}");
            }
        }
    }
    assert!(filed > 350, "{filed} filed, {refused} refused");
    // One bit of a capture that is not packed costs a frame or two, unless it is of the head.
    let share = plain_nearly_whole as f64 / plain_filed as f64;
    assert!(share > 0.95, "{plain_nearly_whole} of {plain_filed} nearly whole");
}

fn written(folder: &Path, name: &str, bytes: &[u8]) -> String {
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap();
    path.to_str().unwrap().to_owned()
}

/// A pcap of a link type with nothing in it.
fn empty_pcap(link_type: u32) -> Vec<u8> {
    let mut bytes = vec![0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0];
    bytes.extend(link_type.to_le_bytes());
    bytes
}

#[test]
fn a_capture_of_another_network_is_named_and_the_others_are_filed() {
    let folder = folder();
    let inbox = folder.path().join("inbox");
    std::fs::create_dir_all(&inbox).unwrap();
    let ethernet = written(&inbox, "a-ethernet.pcap", &empty_pcap(1));
    write_capture(&inbox.join("b.pcapng"), &CHANNELS, &some_minutes(0.2));
    written(&inbox, "notes.txt", b"no capture at all");
    let store = folder.path().join("store");
    let arguments =
        ["replay", inbox.to_str().unwrap(), "--defs", "signal-defs/velmora", "--store", store.to_str().unwrap()];
    let told = run(&arguments);
    told.expect(
        3,
        &[&format!("{ethernet}: holds packets of link type 1 (byte 20), not CAN"), "wanted is link type 227"],
    );
    assert!(told.out.contains("1 capture, ") && told.out.contains("; 1 left out"), "{}", told.out);
    // Alone, it is all there is, and nothing was done.
    run(&["replay", &ethernet, "--defs", "signal-defs/velmora", "--store", store.to_str().unwrap()])
        .expect(1, &["holds packets of link type 1", "none of the 1 captures could be used"]);
}

#[test]
fn a_capture_with_a_clock_astray_does_not_stop_the_others() {
    let folder = folder();
    let inbox = folder.path().join("inbox");
    std::fs::create_dir_all(&inbox).unwrap();
    let astray: Vec<Frame> = (0..500).map(|n| Frame::data(n * 24 * HOUR, 1, CanId::standard(0x140), &[0; 8])).collect();
    write_capture(&inbox.join("a.pcapng"), &CHANNELS, &astray);
    let good = some_minutes(0.2);
    write_capture(&inbox.join("b.pcapng"), &CHANNELS, &good);
    let store = folder.path().join("store");
    run(&["replay", inbox.to_str().unwrap(), "--defs", "signal-defs/velmora", "--store", store.to_str().unwrap()])
        .expect(3, &["a.pcapng", "touches more than 400 service days"]);
    let rows = rows_below(&store.join("signals"), &[]).len() + rows_below(&store.join("raw"), &[]).len();
    assert_eq!(rows, good.len());
}

#[test]
fn frames_without_data_and_of_64_bytes_are_kept_whatever_their_message_says() {
    let yard = Yard::new();
    let start = us("2026-02-17T06:00:00Z");
    let mut frames = Vec::new();
    // Of a classical message, of an FD message and of nobody.
    for (n, id) in [CanId::standard(0x110), CanId::standard(0x140), CanId::standard(0x7FE)]
        .into_iter()
        .cycle()
        .take(60)
        .enumerate()
    {
        let time_us = start + n as i64 * 1000;
        frames.push(Frame::data(time_us, 1, id, &[]));
        frames.push(Frame::data(time_us + 1, 1, id, &[0xA5; 64]));
        frames.push(Frame { kind: Kind::Fd, ..Frame::data(time_us + 2, 1, id, &[]) });
    }
    let outcome = yard.file("odd.pcapng", &frames);
    let mut back = Vec::new();
    let restored = yardtap::filing::restore::restore_capture(yard.store(), outcome.record(), &mut |frame| {
        back.push(*frame);
        Ok(())
    });
    assert!(restored.unwrap().exact);
    assert!(back == frames);
}

#[test]
fn identifiers_that_no_definition_has_are_kept_raw() {
    let yard = Yard::new();
    let frames: Vec<Frame> = (0..500)
        .map(|n| Frame::data(us("2026-02-17T06:00:00Z") + n, 1, CanId::standard(0x7F0 + (n % 8) as u32), &[n as u8]))
        .collect();
    let outcome = yard.file("unknown.pcapng", &frames);
    assert_eq!(outcome.record().remarks, Vec::<String>::new());
    let rows = rows_below(&yard.root().join("raw"), &[]);
    assert_eq!(rows.len(), 500);
    assert!(rows[0].contains("bus=body id=2032 extended=false kind=data"), "{}", rows[0]);
    assert_eq!(rows_below(&yard.root().join("signals"), &[]), Vec::<String>::new());
}

#[test]
fn a_capture_without_a_frame_is_filed_and_changes_no_table() {
    let yard = Yard::new();
    let outcome = yard.file("empty.pcapng", &[]);
    assert_eq!(outcome.record().vehicles.len(), 0);
    yard.close();
    assert!(snapshot(&yard.root()).keys().all(|name| !name.ends_with(".parquet")));
}

#[test]
fn file_names_that_shells_and_tables_stumble_over_are_names_like_any_other() {
    use std::os::unix::ffi::OsStrExt;
    let folder = folder();
    let inbox = folder.path().join("inbox");
    std::fs::create_dir_all(&inbox).unwrap();
    let names: [&[u8]; 7] = [
        b"-rf.pcapng",
        b"a b\tc.pcapng",
        b"new\nline.pcapng",
        b"quote'\"$(id).pcapng",
        b"\xFF\xFEno-utf8.pcapng",
        b"..pcapng",
        "Dörfl, Straßenbahn.pcapng".as_bytes(),
    ];
    for (number, name) in names.iter().enumerate() {
        let frames = shifted(&some_minutes(0.1)[..50], number as i64 * HOUR);
        // The packing follows the name's end, which is the same.
        write_capture(&inbox.join("passing.pcapng"), &CHANNELS, &frames);
        std::fs::rename(inbox.join("passing.pcapng"), inbox.join(std::ffi::OsStr::from_bytes(name))).unwrap();
    }
    let store = folder.path().join("store");
    let store = store.to_str().unwrap();
    let told = run(&["replay", inbox.to_str().unwrap(), "--defs", "signal-defs/velmora", "--store", store]);
    told.expect(0, &[]);
    assert!(told.out.contains("7 captures, 350 frames"), "{}", told.out);
    run(&["restore", "--store", store, "--list"]).expect(0, &[]);
    let records = Store::open_to_read(Path::new(store)).unwrap().filed().unwrap();
    for name in names {
        let name = String::from_utf8_lossy(name).into_owned();
        assert!(
            records.values().any(|record| record.source.ends_with(&format!("/{name}"))),
            "{name:?} is in no record"
        );
    }
}

#[test]
fn vehicles_are_named_as_they_like_and_stay_in_their_store() {
    let frames = some_minutes(0.1);
    for name in ["../../etc/x", "a/b", "merged", "merged-1", ".", "", "204 ", "Ü\0x", "=", "con.parquet"] {
        let mut yard = Yard::new();
        yard.file("other.pcapng", &frames);
        yard.close();
        yard.settings.vehicle = Some(name.into());
        let outcome = yard.file("named.pcapng", &frames[..300]);
        yard.close();
        let restored =
            yardtap::filing::restore::restore_capture(yard.store(), outcome.record(), &mut |_| Ok(())).unwrap();
        assert_eq!((restored.frames, restored.exact), (300, true), "{name:?}");
        let rows =
            rows_below(&yard.root().join("signals"), &[]).len() + rows_below(&yard.root().join("raw"), &[]).len();
        assert_eq!(rows, frames.len() + 300, "{name:?}");
        let beside: Vec<_> =
            std::fs::read_dir(yard.folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(beside.len(), 3, "{name:?}: {beside:?}");
    }
}

#[test]
fn a_capture_from_standard_input_gives_the_rows_of_the_file() {
    let frames = some_minutes(0.5);
    let whole = Yard::new();
    let path = whole.write("a.pcapng", &frames);
    whole.file_by(velmora(), &path);
    whole.close();
    let folder = folder();
    let store = folder.path().join("store");
    std::fs::write(folder.path().join("yardtap.toml"), CONFIGURATION).unwrap();
    let mut command = yardtap();
    command.args(["replay", "-", "--defs", "signal-defs/velmora", "--config"]).arg(folder.path().join("yardtap.toml"));
    let mut child = command.arg("--store").arg(&store).stdin(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
    let mut pipe = child.stdin.take().unwrap();
    // In pieces that end anywhere.
    for piece in std::fs::read(&path).unwrap().chunks(7919) {
        pipe.write_all(piece).unwrap();
    }
    drop(pipe);
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert_same_rows(&whole.root(), &store, "by standard input");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn bytes_behind_a_good_head_never_end_in_a_panic(
        tail in prop::collection::vec(any::<u8>(), 0..600),
        good in 0..50_usize,
        pcap in any::<bool>(),
    ) {
        let mut bytes = if pcap { empty_pcap(227) } else { capture_bytes("a.pcapng", &some_minutes(0.1)[..good]) };
        bytes.extend(tail);
        let yard = Yard::new();
        match file_bytes(&yard, "tail", &bytes) {
            Ok(outcome) => {
                let kept: u64 = outcome.record().vehicles.iter().map(|part| part.frames).sum();
                prop_assert!(pcap || kept >= good as u64);
            }
            Err(message) => prop_assert!(message.contains("service days") || message.starts_with("tail: "), "{}", message),
        }
    }
}
