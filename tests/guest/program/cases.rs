//! The cases: each makes its interfaces, records, and holds what was recorded against what was sent.

use super::bus::{
    Sender, Witness, controller, counter, exists, frame, now_us, remove, run, virtual_interface, virtual_pair,
};
use super::recording::{Recording, frames_of, wait_until};
use super::{service, trace};
use std::io::{BufRead, BufReader, Write};
use std::panic::catch_unwind;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, ExitCode, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use yardtap::frame::{CanId, Frame, FrameBlock, Kind};
use yardtap::gateway::journal::{self, Hooks};
use yardtap::gateway::link;
use yardtap::gateway::socket::{CanReader, FRAMES_A_SECOND_MAX};
use yardtap::gateway::status::LinkState;
use yardtap::settings::gateway::JournalSettings;

type Case = (&'static str, fn());

const CASES: &[Case] = &[
    ("every_kind_of_frame_on_two_interfaces", every_kind_of_frame_on_two_interfaces),
    ("a_flood_is_recorded_without_a_drop", a_flood_is_recorded_without_a_drop),
    ("what_the_kernel_drops_is_counted", what_the_kernel_drops_is_counted),
    ("an_interface_goes_down_and_comes_up", an_interface_goes_down_and_comes_up),
    ("an_interface_is_removed_and_made_again", an_interface_is_removed_and_made_again),
    ("an_interface_appears_later", an_interface_appears_later),
    ("a_pair_of_interfaces_tells_its_peer", a_pair_of_interfaces_tells_its_peer),
    ("nothing_is_ever_sent", nothing_is_ever_sent),
    ("controllers_tell_bit_rate_and_listen_only", controllers_tell_bit_rate_and_listen_only),
    ("a_controller_that_overflows_says_so_in_error_frames", a_controller_that_overflows_says_so_in_error_frames),
    ("a_full_disk_costs_only_what_does_not_fit", a_full_disk_costs_only_what_does_not_fit),
    ("a_kill_costs_a_second_at_most", a_kill_costs_a_second_at_most),
    ("the_service_files_what_a_replay_files_and_sends_nothing", service::files_what_a_replay_files_and_sends_nothing),
];

/// The case that wants two processors at once: with one, a controller's interrupt comes before the next frame is sent.
const PARALLEL: &str = "a_controller_that_overflows_says_so_in_error_frames";

/// Runs the cases but [`PARALLEL`], or those named. The last line tells how many passed and failed.
pub fn run_all(only: &[&str]) -> ExitCode {
    let (mut passed, mut failed) = (0, 0);
    for (name, case) in
        CASES.iter().filter(|(name, _)| if only.is_empty() { *name != PARALLEL } else { only.contains(name) })
    {
        println!("case {name}");
        let begin = Instant::now();
        match catch_unwind(case) {
            Ok(()) => {
                println!("  ok ({:.1} s)", begin.elapsed().as_secs_f64());
                passed += 1;
            }
            Err(_) => {
                println!("  FAILED: {name}");
                failed += 1;
            }
        }
    }
    println!("guest: {passed} passed, {failed} failed");
    if failed == 0 && passed > 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// A new folder on the guest's own disk, which is memory.
pub fn folder(name: &str) -> PathBuf {
    let folder = PathBuf::from(format!("/tmp/{name}"));
    if folder.exists() {
        std::fs::remove_dir_all(&folder).expect("an old folder goes");
    }
    folder
}

/// Recorded frames of a channel, their times checked and taken off: between the two and in order.
fn untimed(frames: &[Frame], channel: u16, from_us: i64, to_us: i64) -> Vec<Frame> {
    let mut last_us = from_us;
    let of_channel = frames.iter().filter(|frame| frame.channel == channel);
    of_channel
        .map(|frame| {
            assert!(frame.time_us >= last_us && frame.time_us <= to_us, "{frame:?}: before {last_us} or after {to_us}");
            last_us = frame.time_us;
            Frame { time_us: 0, channel: 0, ..*frame }
        })
        .collect()
}

fn assert_same(found: &[Frame], expected: &[Frame]) {
    let differs = found.iter().zip(expected).position(|(found, expected)| found != expected);
    if let Some(at) = differs {
        panic!("frame {at}: recorded {:?}, sent {:?}", found[at], expected[at]);
    }
    assert_eq!(found.len(), expected.len(), "frames recorded and sent");
}

fn every_kind_of_frame_on_two_interfaces() {
    ["vcan0", "vcan1"].iter().for_each(|name| virtual_interface(name));
    let recording = Recording::start(&folder("kinds"), &["vcan0", "vcan1"]);
    wait_until("both are up", || (0..2).all(|bus| recording.link(bus).state == LinkState::Up));
    assert_eq!(recording.link(0).listen_only, None);
    let from_us = now_us();
    let mut senders = ["vcan0", "vcan1"].map(Sender::open);
    let sent: [Vec<Frame>; 2] = [(0..2000).map(frame).collect(), (5000..7000).map(frame).collect()];
    for (first, second) in sent[0].iter().zip(&sent[1]) {
        senders[0].send(first);
        senders[1].send(second);
    }
    (0..2).for_each(|bus| recording.wait_for(bus, 2000));
    let to_us = now_us();
    let error_frames = sent[0].iter().filter(|frame| frame.kind == Kind::Error).count() as u64;
    assert_eq!(recording.bus(0).error_frames.load(Ordering::Relaxed), error_frames);
    assert_eq!(recording.frames(0), 2000 - error_frames);
    assert!(recording.bus(0).last_frame_us.load(Ordering::Relaxed) >= from_us);
    assert_eq!(recording.dropped(), 0);
    assert_eq!(recording.status.troubles(), []);
    let recorded = recording.end();
    for (channel, sent) in (0..).zip(&sent) {
        assert_same(&untimed(&recorded, channel, from_us, to_us), sent);
    }
}

/// Numbers that [`Sender::fill`] put into a channel's frames.
fn numbers(frames: &[Frame], channel: u16) -> Vec<u32> {
    let of_channel = frames.iter().filter(|frame| frame.channel == channel && frame.kind == Kind::Data);
    of_channel.map(|frame| u32::from_le_bytes([frame.data[0], frame.data[1], frame.data[2], frame.data[3]])).collect()
}

fn a_flood_is_recorded_without_a_drop() {
    const COUNT: u32 = 200_000;
    ["vcan0", "vcan1"].iter().for_each(|name| virtual_interface(name));
    let recording = Recording::start(&folder("flood"), &["vcan0", "vcan1"]);
    wait_until("both are up", || (0..2).all(|bus| recording.link(bus).state == LinkState::Up));
    let senders = ["vcan0", "vcan1"].map(|name| std::thread::spawn(move || Sender::open(name).fill(COUNT, 0)));
    let rates = senders.map(|sender| sender.join().expect("a sender"));
    (0..2).for_each(|bus| recording.wait_for(bus, u64::from(COUNT)));
    assert_eq!(recording.dropped(), 0);
    let recorded = recording.end();
    for channel in 0..2 {
        assert!(
            numbers(&recorded, channel).into_iter().eq(0..COUNT),
            "channel {channel}: lost, doubled or out of order"
        );
    }
    let together = rates.iter().sum::<f64>();
    let times = together / FRAMES_A_SECOND_MAX as f64;
    println!("  {together:.0} frames/s on two interfaces, {times:.1} times the most of a 1 Mbit/s bus");
    assert!(times >= 2.0, "the guest is too slow to show anything");
}

fn what_the_kernel_drops_is_counted() {
    virtual_interface("vcan0");
    let mut reader = CanReader::open("vcan0", 64 << 10).expect("a reader");
    assert_eq!(reader.buffer_bytes(), 64 << 10);
    let mut sender = Sender::open("vcan0");
    // More than once: what it takes to tell of drops must not be used up by the first time.
    for round in 1..=3 {
        sender.fill(5_000, 0);
        let mut block = FrameBlock::default();
        let mut dropped = 0;
        for last in [false, true] {
            if last {
                // The kernel tells with the next frame that gets through.
                sender.send(&Frame::data(0, 0, CanId::standard(0x7F0), &[]));
            }
            loop {
                let received = reader.read(0, &mut block).expect("frames");
                dropped += received.dropped;
                if received.frames == 0 {
                    break;
                }
            }
        }
        println!("  round {round}: {} read, {dropped} dropped", block.len());
        assert!(dropped > 0, "the buffer of 64 KiB held 5000 frames");
        assert_eq!(block.len() as u64 + dropped, 5_001);
    }
}

fn an_interface_goes_down_and_comes_up() {
    ["vcan0", "vcan1"].iter().for_each(|name| virtual_interface(name));
    let recording = Recording::start(&folder("down"), &["vcan0", "vcan1"]);
    wait_until("it is up", || recording.link(0).state == LinkState::Up);
    Sender::open("vcan0").fill(100, 0);
    recording.wait_for(0, 100);
    run("ip link set vcan0 down");
    wait_until("it is told down", || recording.link(0).state == LinkState::Down);
    assert!(recording.wait_for_trouble("interface: vcan0").contains("bring it up"));
    Sender::open("vcan1").fill(100, 0);
    recording.wait_for(1, 100);
    run("ip link set vcan0 up");
    wait_until("it is told up", || recording.link(0).state == LinkState::Up);
    recording.wait_for_no_trouble("interface: vcan0");
    Sender::open("vcan0").fill(100, 0);
    recording.wait_for(0, 200);
    assert_eq!(recording.dropped(), 0);
    let recorded = recording.end();
    assert!(numbers(&recorded, 0).into_iter().eq((0..100).chain(0..100)));
    assert!(numbers(&recorded, 1).into_iter().eq(0..100));
}

fn an_interface_is_removed_and_made_again() {
    ["vcan0", "vcan1"].iter().for_each(|name| virtual_interface(name));
    let recording = Recording::start(&folder("again"), &["vcan0", "vcan1"]);
    for round in 1..=3 {
        recording.wait_for_no_trouble("recording: vcan0");
        wait_until("it is up", || recording.link(0).state == LinkState::Up);
        Sender::open("vcan0").fill(100, 0);
        recording.wait_for(0, round * 100);
        remove("vcan0");
        wait_until("it is told missing", || recording.link(0).state == LinkState::Missing);
        recording.wait_for_trouble("recording: vcan0");
        Sender::open("vcan1").fill(10, 0);
        recording.wait_for(1, round * 10);
        virtual_interface("vcan0");
    }
    // Removed and made again between two looks.
    recording.wait_for_no_trouble("recording: vcan0");
    virtual_interface("vcan0");
    let mut sender = Sender::open("vcan0");
    wait_until("frames come from the new one", || {
        sender.fill(1, 0);
        std::thread::sleep(Duration::from_millis(50));
        recording.frames(0) > 300
    });
    assert_eq!(numbers(&recording.end(), 1).len(), 30);
}

fn an_interface_appears_later() {
    remove("vcan7");
    virtual_interface("vcan0");
    let recording = Recording::start(&folder("later"), &["vcan0", "vcan7"]);
    assert!(recording.wait_for_trouble("interface: vcan7").contains("vcan7"));
    recording.wait_for_trouble("recording: vcan7");
    Sender::open("vcan0").fill(50, 0);
    recording.wait_for(0, 50);
    virtual_interface("vcan7");
    recording.wait_for_no_trouble("recording: vcan7");
    recording.wait_for_no_trouble("interface: vcan7");
    Sender::open("vcan7").fill(50, 0);
    recording.wait_for(1, 50);
    let recorded = recording.end();
    assert!(numbers(&recorded, 1).into_iter().eq(0..50));
    remove("vcan7");
}

fn a_pair_of_interfaces_tells_its_peer() {
    let peer = virtual_pair("vx0");
    let recording = Recording::start(&folder("pair"), &[&peer]);
    recording.wait_for_no_trouble(&format!("recording: {peer}"));
    wait_until("it is up", || recording.link(0).state == LinkState::Up);
    let sent: Vec<Frame> = (0..500).map(frame).collect();
    let from_us = now_us();
    let mut sender = Sender::open("vx0");
    sent.iter().for_each(|frame| sender.send(frame));
    recording.wait_for(0, 500);
    let recorded = recording.end();
    assert_same(&untimed(&recorded, 0, from_us, now_us()), &sent);
    // Whatever went out by the recorded end would be counted here.
    assert_eq!((counter(&peer, "tx_packets"), counter("vx0", "rx_packets")), (0, 0));
    remove("vx0");
}

/// The recorder as a process of its own, under `strace` if a log is wanted.
struct Process {
    child: Child,
    input: ChildStdin,
    output: BufReader<std::process::ChildStdout>,
}

impl Process {
    fn start(folder: &Path, interfaces: &[&str], log: Option<&Path>) -> Self {
        let own = std::env::current_exe().expect("own path");
        let mut command = match log {
            Some(log) => {
                let mut command = Command::new("strace");
                command.args(["-f", "-qq", "-o"]).arg(log).arg(own);
                command
            }
            None => Command::new(own),
        };
        command.arg("record").arg(folder).args(interfaces).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().expect("a recorder");
        let (input, output) = (child.stdin.take().expect("input"), child.stdout.take().expect("output"));
        let mut process = Self { child, input, output: BufReader::new(output) };
        assert_eq!(process.line(), "recording");
        process
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        self.output.read_line(&mut line).expect("a line");
        line.trim_end().to_owned()
    }

    /// Ends it in an orderly way; its last line.
    fn end(mut self) -> String {
        drop(self.input);
        let mut last = String::new();
        self.output.read_line(&mut last).expect("a last line");
        assert!(self.child.wait().expect("an end").success());
        last.trim_end().to_owned()
    }
}

fn nothing_is_ever_sent() {
    ["vcan0", "vcan1"].iter().for_each(|name| virtual_interface(name));
    let mut witness = Witness::open("vcan0");
    let log = PathBuf::from("/tmp/calls");
    let process = Process::start(&folder("silent"), &["vcan0", "vcan1"], Some(&log));
    let sent = 3_000;
    Sender::open("vcan0").fill(sent, 2_000);
    run("ip link set vcan1 down");
    std::thread::sleep(Duration::from_millis(500));
    run("ip link set vcan1 up");
    virtual_interface("vcan1");
    // What comes before the new one is opened is not recorded.
    std::thread::sleep(Duration::from_secs(2));
    Sender::open("vcan1").fill(500, 1_000);
    let last = process.end();
    assert_eq!(last, "frames 3500 recorded 3500 dropped 0");
    // Seen from the bus: nothing but what the sender sent.
    assert_eq!(witness.count(), u64::from(sent));
    // Seen from the kernel: so many were sent, and no more.
    assert_eq!(counter("vcan0", "tx_packets"), u64::from(sent));
    assert_eq!(counter("vcan1", "tx_packets"), 500);
    // Seen from the process: no call on a CAN socket that could send.
    let calls = trace::calls(&log);
    println!("  calls on CAN sockets: {:?}", calls.names);
    assert!(calls.sockets >= 3, "{} CAN sockets seen", calls.sockets);
    assert!(calls.names.contains_key("recvmmsg"), "no reading was seen");
    assert_eq!(calls.sending, Vec::<String>::new());

    // That such a log would tell: the sender's own.
    let own = std::env::current_exe().expect("own path");
    let status =
        Command::new("strace").args(["-f", "-qq", "-o"]).arg(&log).arg(own).args(["send", "vcan0", "5", "0"]).status();
    assert!(status.expect("strace").success());
    assert_eq!(trace::calls(&log).sending.len(), 5);
}

fn controllers_tell_bit_rate_and_listen_only() {
    assert!(exists("can0") && exists("can1"), "the guest has no controllers");
    controller("can0", 250_000, true);
    controller("can1", 250_000, false);
    let recording = Recording::start(&folder("listen"), &["can0"]);
    recording.wait_for_no_trouble("recording: can0");
    wait_until("it is up", || recording.link(0).state == LinkState::Up);
    let told = recording.link(0);
    assert_eq!((told.listen_only, told.bitrate), (Some(true), Some(250_000)));
    assert_eq!(recording.status.troubles(), []);
    Sender::open("can1").fill(200, 500);
    recording.wait_for(0, 200);
    wait_until("the load is told", || {
        Sender::open("can1").fill(20, 500);
        recording.bus(0).load_hundredths.load(Ordering::Relaxed) > 0
    });
    assert_eq!(counter("can0", "tx_packets"), 0);

    // One that takes part in the bus is told of.
    controller("can0", 250_000, false);
    assert!(recording.wait_for_trouble("listen-only: can0").contains("NOT listen-only"));
    assert_eq!(link::look("can0").listen_only, Some(false));
    controller("can0", 250_000, true);
    recording.wait_for_no_trouble("listen-only: can0");
    assert_eq!(counter("can0", "tx_packets"), 0);
    let recorded = recording.end();
    assert!(numbers(&recorded, 0).into_iter().take(200).eq(0..200));
    ["can0", "can1"].iter().for_each(|name| run(&format!("ip link set {name} down")));
}

fn a_controller_that_overflows_says_so_in_error_frames() {
    controller("can0", 1_000_000, true);
    controller("can1", 1_000_000, false);
    let recording = Recording::start(&folder("overflow"), &["can0"]);
    recording.wait_for_no_trouble("recording: can0");
    wait_until("it is up", || recording.link(0).state == LinkState::Up);
    let mut sender = Sender::open("can1");
    // The emulated bus has no speed: it takes what it gets, and the controller's few bytes overflow.
    wait_until("an error frame came", || {
        sender.fill(2_000, 0);
        recording.bus(0).error_frames.load(Ordering::Relaxed) > 0
    });
    let recorded = recording.end();
    let errors: Vec<&Frame> = recorded.iter().filter(|frame| frame.kind == Kind::Error).collect();
    // Controller problem: receive buffer overflow (Linux `linux/can/error.h`).
    let overflow = errors.iter().filter(|frame| frame.id.0 & 0x4 != 0 && frame.data[1] & 0x1 != 0).count();
    println!("  {} error frames, {overflow} of them overflows", errors.len());
    assert!(overflow > 0);
    assert_eq!(counter("can0", "tx_packets"), 0);
    ["can0", "can1"].iter().for_each(|name| run(&format!("ip link set {name} down")));
}

fn a_full_disk_costs_only_what_does_not_fit() {
    virtual_interface("vcan0");
    let disk = PathBuf::from("/tmp/disk");
    std::fs::create_dir_all(&disk).expect("a place");
    run("mount -t tmpfs -o size=3m tmpfs /tmp/disk");
    let wanted = Arc::new(AtomicU64::new(0));
    let hooks = Hooks {
        room_wanted: Box::new({
            let wanted = Arc::clone(&wanted);
            move || {
                wanted.fetch_add(1, Ordering::Relaxed);
            }
        }),
        ..Hooks::default()
    };
    let settings = JournalSettings { queue_bytes: 1 << 20, segment_bytes: 1 << 20, ..JournalSettings::default() };
    let journal_folder = disk.join("lead");
    let recording = Recording::start_with(&journal_folder, &["vcan0"], &settings, hooks);
    recording.wait_for_no_trouble("recording: vcan0");
    wait_until("it is up", || recording.link(0).state == LinkState::Up);
    let ballast = disk.join("ballast");
    std::fs::write(&ballast, vec![0; 1 << 20]).expect("room for ballast");
    // Some 2 MB are left, 48 bytes a frame: 43,000 of them; and a queue of 43,000.
    let mut sender = Sender::open("vcan0");
    let mut sent = 0;
    wait_until("frames are given up", || {
        sender.fill(10_000, 40_000);
        sent += 10_000;
        recording.status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed) > 0
    });
    let text = recording.wait_for_trouble("journal: tap lead");
    println!("  {text}");
    assert!(text.contains("/tmp/disk/lead") && text.contains("make room"), "{text}");
    assert!(recording.wait_for_trouble("frames given up: tap lead").contains("/tmp/disk/lead"));
    assert!(wanted.load(Ordering::Relaxed) > 0);
    // The keeper files and frees.
    let mut kept = frames_of(&journal_folder);
    let in_way: Vec<PathBuf> =
        journal::segments(&journal_folder).expect("segments").into_iter().map(|segment| segment.path).collect();
    assert!(!in_way.is_empty(), "nothing was finished");
    in_way.iter().for_each(|path| std::fs::remove_file(path).expect("room"));
    std::fs::remove_file(&ballast).expect("more room");
    recording.wait_for_no_trouble("journal: tap lead");
    sender.fill(1_000, 10_000);
    sent += 1_000;
    recording.wait_for(0, sent);
    let status = Arc::clone(&recording.status);
    kept.extend(recording.end());
    let given_up = status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed);
    println!("  {sent} sent, {} kept, {given_up} given up", kept.len());
    assert_eq!(kept.len() as u64 + given_up, sent);
    assert!(kept.is_sorted_by(|one, other| one.time_us <= other.time_us), "doubled, or out of order");
    run("umount /tmp/disk");
}

fn a_kill_costs_a_second_at_most() {
    virtual_interface("vcan0");
    for round in 0..5_u64 {
        let folder = folder("kill");
        let mut process = Process::start(&folder, &["vcan0"], None);
        let sender = std::thread::spawn(|| Sender::open("vcan0").fill(60_000, 30_000));
        std::thread::sleep(Duration::from_millis(700 + 217 * round));
        process.child.kill().expect("a kill");
        let killed_us = now_us();
        process.child.wait().expect("an end");
        sender.join().expect("a sender");
        let repaired = journal::repair(&folder).expect("a repair");
        assert_eq!(repaired.len(), 1, "{repaired:?}");
        let numbers = numbers(&frames_of(&folder), 0);
        let times: Vec<i64> = frames_of(&folder).iter().map(|frame| frame.time_us).collect();
        let lost_us = killed_us - times.last().copied().unwrap_or_default();
        println!("  {} frames, the last {lost_us} µs before the kill", numbers.len());
        assert!(numbers.iter().copied().eq(0..numbers.len() as u32), "lost, doubled or out of order");
        assert!(lost_us < 1_000_000);
        std::io::stdout().flush().expect("a console");
    }
}
