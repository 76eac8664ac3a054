//! Frames → store → frames, for random definitions and random frames of every kind, order included.

use proptest::prelude::*;
use yardtap::defs::Definitions;
use yardtap::filing::restore::restore_capture;
use yardtap::frame::{CanId, FLAG_BRS, FLAG_ESI, Frame, Kind};

use super::support::*;

/// A random message as its definition is written. The first signal is plain, so that the example holds.
fn any_message(index: usize) -> impl Strategy<Value = String> {
    let signal = (1..=64_usize, 0..3_usize, any::<bool>(), 0..8_u32, any::<bool>());
    let layout = prop::collection::vec(signal, 1..6);
    (layout, any::<bool>(), 0..64_usize, 0..4_u32).prop_map(move |(signals, long, length, matching)| {
        let length = if long { [12, 16, 20, 24, 32, 48, 64][length % 7] } else { length % 8 + 1 };
        let mut text = format!("[[message]]\nname = \"m{index}\"\nlength = {length}\n");
        text.push_str(&match matching {
            0 => format!("bus = \"a\"\npgn = {}\nsource = 0x27\n", 0xFF10 + index),
            1 => format!("bus = \"a\"\npgn = {}\n", 0xFF10 + index),
            2 => format!("bus = \"b\"\nextended_id = {}\n", 0x18FF_0000 + index),
            _ => format!("bus = \"b\"\nid = {}\n", 0x100 + index),
        });
        let (mut at, mut count) = (0, 0);
        for (bits, gap, big, kind, special) in signals {
            let bits = if kind == 7 { [16, 32, 64][bits % 3] } else { bits };
            at += gap;
            if at + bits > 8 * length {
                continue;
            }
            let aligned = big && at % 8 == 0 && bits % 8 == 0;
            let lsb = if aligned { at + bits - 8 } else { at };
            let order = if aligned { "big" } else { "little" };
            let (byte, bit) = (lsb / 8 + 1, lsb % 8 + 1);
            text.push_str(&format!(
                "[[message.signal]]\nname = \"s{count}\"\nlsb = \"{byte}.{bit}\"\nbits = {bits}\norder = \"{order}\"\n"
            ));
            text.push_str(match kind {
                _ if count == 0 => "as = \"unsigned\"\n",
                0 if bits > 1 => "as = \"signed\"\nscale = 0.1\n",
                1 => "as = \"unsigned\"\nscale = 0.25\noffset = -1000\n",
                2 => "as = \"unsigned\"\noffset = -40\nplausible = [0, 50]\n",
                3 => "as = \"unsigned\"\nscale = 1e-3\noffset = 0.5\n",
                4 => "as = \"unsigned\"\nlabels = { 0 = \"off\", 1 = \"on\" }\n",
                5 if bits <= 2 => "as = \"flag\"\n",
                6 => "as = \"unsigned\"\nwhen = { selector = \"s0\", is = [0, 1] }\n",
                7 => "as = \"float\"\n",
                _ => "as = \"unsigned\"\n",
            });
            if count > 0 && special && kind != 7 && !(kind == 5 && bits <= 2) {
                text.push_str("unavailable = \"j1939\"\n");
            }
            at += bits;
            count += 1;
        }
        if count == 0 {
            text.push_str("[[message.signal]]\nname = \"s0\"\nlsb = \"1.1\"\nbits = 8\n");
        }
        text.push_str(&format!("[[message.example]]\ndata = \"{}\"\nexpect = {{ s0 = 0 }}\n", "00".repeat(length)));
        text
    })
}

fn any_set() -> impl Strategy<Value = Definitions> {
    (any_message(0), any_message(1), any_message(2)).prop_map(|(a, b, c)| {
        set(&format!(
            "format = 1\n[bus.a]\nprotocol = \"j1939\"\nbitrate = 250_000\n[bus.b]\nprotocol = \"plain\"\nbitrate = 500_000\n{a}{b}{c}"
        ))
    })
}

/// Steps of time: mostly onward, often none at all, now and then back by a little, an hour or a year.
fn any_step() -> impl Strategy<Value = i64> {
    prop_oneof![
        6 => 0..20_000_i64,
        4 => Just(0),
        2 => -3_000..0_i64,
        1 => Just(-3_600_000_000),
        1 => Just(7_200_000_000),
        1 => Just(-31_536_000_000_000),
    ]
}

#[derive(Debug, Clone)]
struct Drawn {
    step: i64,
    channel: u16,
    /// Which identifier: of the set's messages, or any.
    id: usize,
    any_id: u32,
    kind: u8,
    flags: u8,
    raw_dlc: u8,
    bytes: Vec<u8>,
}

fn any_frames() -> impl Strategy<Value = Vec<Drawn>> {
    let byte = prop_oneof![Just(0_u8), Just(0xFF), Just(0xFE), any::<u8>()];
    let frame = (
        any_step(),
        0..3_u16,
        0..16_usize,
        any::<u32>(),
        0..16_u8,
        0..4_u8,
        0..16_u8,
        prop::collection::vec(byte, 0..=64),
    );
    let drawn = frame.prop_map(|(step, channel, id, any_id, kind, flags, raw_dlc, bytes)| Drawn {
        step,
        channel,
        id,
        any_id,
        kind,
        flags,
        raw_dlc,
        bytes,
    });
    prop::collection::vec(drawn, 1..120)
}

const FD_LENGTHS: [usize; 16] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];

fn frames(drawn: &[Drawn]) -> Vec<Frame> {
    let mut time_us = us("2026-02-17T06:00:00Z");
    let frame = |drawn: &Drawn| {
        time_us += drawn.step;
        let index = (drawn.id % 3) as u32;
        let id = match drawn.id {
            0..3 => CanId::extended(6 << 26 | (0xFF10 + index) << 8 | 0x27),
            3..6 => CanId::extended(3 << 26 | (0xFF10 + index) << 8 | (drawn.any_id & 0xFF)),
            6..9 => CanId::extended(0x18FF_0000 + index),
            9..12 => CanId::standard(0x100 + index),
            12..14 => CanId::standard(drawn.any_id),
            _ => CanId::extended(drawn.any_id),
        };
        let mut frame = Frame::data(time_us, drawn.channel, id, &drawn.bytes[..drawn.bytes.len().min(8)]);
        match drawn.kind {
            0 => {
                frame = Frame { kind: Kind::Remote, id: CanId(id.0 | CanId::REMOTE), data: [0; 64], ..frame };
            }
            1 => {
                let class = CanId(drawn.any_id & 0x1FF | CanId::ERROR);
                frame = Frame { kind: Kind::Error, id: class, len: 8, ..frame };
            }
            2..8 => {
                let len = FD_LENGTHS.into_iter().rfind(|len| *len <= drawn.bytes.len()).unwrap();
                let flags = drawn.flags & (FLAG_BRS | FLAG_ESI);
                let mut data = [0; 64];
                data[..len].copy_from_slice(&drawn.bytes[..len]);
                frame = Frame { kind: Kind::Fd, flags, len: len as u8, data, ..frame };
            }
            8 if frame.len == 8 && drawn.raw_dlc > 8 => frame.raw_dlc = drawn.raw_dlc,
            _ => {}
        }
        frame
    };
    drawn.iter().map(frame).collect()
}

/// The third channel's name is no bus: its frames are raw.
const NAMES: [Option<&str>; 3] = [Some("a"), Some("b"), Some("elsewhere")];

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn a_capture_comes_back_from_the_store_frame_for_frame(defs in any_set(), drawn in any_frames(), close in any::<bool>()) {
        let mut yard = Yard::new();
        yard.settings.channels.clear();
        yard.settings.vehicle = Some("204".into());
        let path = yard.folder.path().join("a.pcapng");
        write_capture(&path, &NAMES, &frames(&drawn));
        // What a capture file cannot hold is no matter of the store.
        let held = frames_in(&path);
        prop_assert_eq!(held.len(), drawn.len());
        let outcome = yard.file_by(&defs, &path);
        if close {
            yard.close();
        }
        let record = outcome.record();
        let mut back = Vec::new();
        let restored = restore_capture(yard.store(), record, &mut |frame| {
            back.push(*frame);
            Ok(())
        }).unwrap();
        for (row, (one, other)) in held.iter().zip(&back).enumerate() {
            prop_assert_eq!(one, other, "frame {}", row);
        }
        prop_assert_eq!((restored.frames, restored.exact), (held.len() as u64, true));
    }
}

#[test]
fn three_interfaces_out_of_step_come_back_in_the_order_of_the_capture() {
    // Each interface hands its frames over in bursts: within 200 ms the order is the interfaces', not time's.
    let defs = set(concat!(
        "format = 1\n[bus.a]\nprotocol = \"plain\"\nbitrate = 500_000\n[bus.b]\nprotocol = \"plain\"\nbitrate = 500_000\n",
        "[[message]]\nname = \"m\"\nbus = \"a\"\nid = 0x100\n",
        "[[message.signal]]\nname = \"s\"\nlsb = \"1.1\"\nbits = 16\n",
        "[[message.example]]\ndata = \"01 00\"\nexpect = { s = 1 }\n",
    ));
    let mut dice = Dice::new(5);
    let mut frames = Vec::new();
    for burst in 0..400_i64 {
        for channel in [2, 0, 1] {
            for _ in 0..dice.below(60) {
                let time_us = burst * 200_000 + dice.below(200_000) as i64;
                let id = CanId::standard(0x100 + dice.below(2) as u32);
                frames.push(Frame::data(time_us, channel, id, &[dice.below(256) as u8, 0]));
            }
        }
    }
    assert!(frames.len() > 30_000);
    let mut yard = Yard::new();
    yard.settings.channels.clear();
    let path = yard.folder.path().join("a.pcapng");
    write_capture(&path, &NAMES, &frames);
    let outcome = yard.file_by(&defs, &path);
    yard.close();
    let mut back = Vec::new();
    let restored = restore_capture(yard.store(), outcome.record(), &mut |frame| {
        back.push(*frame);
        Ok(())
    });
    assert!(restored.unwrap().exact);
    for (row, (one, other)) in frames.iter().zip(&back).enumerate() {
        assert_eq!(one, other, "frame {row}");
    }
    assert_eq!(back.len(), frames.len());
}

#[test]
fn frames_of_an_interface_that_is_described_late_come_back_too() {
    // Two sections in one file, as when a recording went on after a restart with one interface more.
    let yard = Yard::new();
    let frames = some_minutes(6.0);
    let half = frames.len() / 2;
    let mut later = frames[half..].to_vec();
    later.iter_mut().step_by(50).for_each(|frame| frame.channel = 2);
    let bytes = |channels: &[Option<&str>], frames: &[Frame]| {
        let mut writer = yardtap::capture::write::PcapngWriter::new(Vec::new(), channels).unwrap();
        frames.iter().for_each(|frame| writer.write(frame).unwrap());
        writer.finish().unwrap()
    };
    let mut file = bytes(&CHANNELS, &frames[..half]);
    assert!(file.len() > 512 * 1024, "the second section lies in another block");
    file.extend(bytes(&[Some("can0"), Some("can1"), Some("can7")], &later));
    let path = yard.folder.path().join("a.pcapng");
    std::fs::write(&path, file).unwrap();
    let outcome = yard.file_by(velmora(), &path);
    let raw = rows_below(&yard.root().join("raw"), &[]);
    assert!(raw.iter().any(|row| row.contains("bus=can7 ")));
    assert!(raw.iter().all(|row| !row.contains("bus= ")), "a frame without a bus");
    let restored = restore_capture(yard.store(), outcome.record(), &mut |_| Ok(())).unwrap();
    assert_eq!((restored.frames, restored.exact), (frames.len() as u64, true));
}
