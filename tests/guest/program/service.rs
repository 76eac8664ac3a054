//! The service itself on real interfaces: what it files against what a replay of its own journal files.

use super::bus::{Sender, Witness, counter, virtual_interface};
use super::cases::folder;
use super::trace;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use yardtap::capture;
use yardtap::frame::{Frame, FrameBlock};

/// Frames of the demo that are sent.
const FRAMES: usize = 12_000;

pub fn files_what_a_replay_files_and_sends_nothing() {
    ["vcan0", "vcan1"].iter().for_each(|name| virtual_interface(name));
    let mut witnesses = ["vcan0", "vcan1"].map(Witness::open);
    let place = folder("service");
    fs::create_dir_all(&place).expect("a folder");
    let configuration = place.join("yardtap.toml");
    fs::write(
        &configuration,
        "definitions = \"/data/velmora\"\nstore = \"store\"\nzone = \"Europe/Vienna\"\nday_starts = \"04:00\"\n\
         [channels]\nvcan0 = \"traction\"\nvcan1 = \"body\"\n\
         [[tap]]\nname = \"lead\"\nvehicle = \"207\"\n\
         [[tap.bus]]\nbus = \"traction\"\ninterface = \"vcan0\"\n\
         [[tap.bus]]\nbus = \"body\"\ninterface = \"vcan1\"\n\
         [pages]\nlisten = \"127.0.0.1:0\"\n",
    )
    .expect("a configuration");
    let frames = demo();
    let sent = [0, 1].map(|channel| frames.iter().filter(|frame| frame.channel == channel).count() as u64);
    assert!(sent.iter().all(|&count| count > 100), "{sent:?}");

    let calls = place.join("calls");
    let service = start(&configuration, Some(&calls), &place.join("log"));
    let mut senders = ["vcan0", "vcan1"].map(Sender::open);
    for (number, frame) in frames.iter().enumerate() {
        senders[usize::from(frame.channel)].send(frame);
        if number % 20 == 0 {
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    std::thread::sleep(Duration::from_secs(1));
    end(service);
    for (number, interface) in ["vcan0", "vcan1"].into_iter().enumerate() {
        assert_eq!(witnesses[number].count(), sent[number], "frames on {interface}");
        assert_eq!(counter(interface, "tx_packets"), sent[number], "frames sent by {interface}");
    }
    let calls = trace::calls(&calls);
    println!("  calls on CAN sockets: {:?}", calls.names);
    assert!(calls.sockets >= 2 && calls.names.contains_key("recvmmsg"), "{calls:?}");
    assert_eq!(calls.sending, Vec::<String>::new());

    // What was recorded, before the service frees it.
    let captures = place.join("captures");
    fs::create_dir_all(&captures).expect("a folder");
    for path in files(&place.join("store/journal")) {
        let name = path.file_name().expect("a name");
        fs::copy(&path, captures.join(name)).expect("a copy");
    }
    let recorded: Vec<Frame> = files(&captures).iter().flat_map(|path| frames_in(path)).collect();
    for channel in 0..2 {
        let of = |frames: &[Frame]| -> Vec<Frame> {
            let of_channel = frames.iter().filter(|frame| frame.channel == channel);
            of_channel.map(|frame| Frame { time_us: 0, ..*frame }).collect()
        };
        assert!(of(&recorded) == of(&frames), "channel {channel}: not the frames that were sent");
    }

    let again = place.join("again");
    let config = configuration.display().to_string();
    let again_store = again.display().to_string();
    let replay =
        ["replay", "--config", &config, "--store", &again_store, "--vehicle", "207", "--leave-open"].map(str::to_owned);
    yardtap(&[&replay[..], &[captures.display().to_string()]].concat());
    let (live, replayed) = (tables(&place.join("store")), tables(&again));
    println!("  {} files of each", live.len());
    assert!(live.len() > 10, "{:?}", live.keys());
    assert_eq!(live.keys().collect::<Vec<_>>(), replayed.keys().collect::<Vec<_>>());
    for (name, bytes) in &live {
        assert!(replayed[name] == *bytes, "{name}: recorded and replayed differ");
    }
}

/// The service, once it records. `-D`: the log's writer is nobody's parent, so that a signal goes to the service.
fn start(configuration: &Path, calls: Option<&Path>, log: &Path) -> Child {
    let out = fs::File::create(log).expect("a log");
    let mut command = match calls {
        Some(calls) => {
            let mut command = Command::new("strace");
            command.args(["-D", "-f", "-qq", "-o"]).arg(calls).arg("/usr/bin/yardtap");
            command
        }
        None => Command::new("/usr/bin/yardtap"),
    };
    command.args(["gateway", "--config"]).arg(configuration).stdin(Stdio::null());
    let service = command.stdout(Stdio::null()).stderr(out).spawn().expect("the service");
    wait_long("the service listens", || fs::read_to_string(log).unwrap_or_default().matches("listening").count() >= 2);
    service
}

fn end(mut service: Child) {
    kill(Pid::from_raw(service.id() as i32), Signal::SIGTERM).expect("a signal");
    assert!(service.wait().expect("an end").success(), "the service ended badly");
    // The last lines of its calls.
    std::thread::sleep(Duration::from_secs(1));
}

/// A wait of up to half an hour of the guest's time, which passes quickly while nothing happens.
fn wait_long(what: &str, mut done: impl FnMut() -> bool) {
    for _ in 0..1_800 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_secs(1));
    }
    panic!("waited in vain until {what}");
}

fn yardtap(arguments: &[String]) {
    let out = Command::new("/usr/bin/yardtap").args(arguments).output().expect("yardtap");
    let text = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "yardtap {}: {text}", arguments.join(" "));
}

/// The first frames of the demo's vehicle.
fn demo() -> Vec<Frame> {
    let path = files(Path::new("/data/captures")).into_iter().next().expect("a capture");
    let mut frames = frames_in(&path);
    frames.truncate(FRAMES);
    frames
}

fn frames_in(path: &Path) -> Vec<Frame> {
    let mut capture = capture::open(path).expect("a capture");
    let mut block = FrameBlock::default();
    while capture.fill(&mut block, 1 << 20).expect("a readable capture") {}
    (0..block.len()).map(|row| block.frame(row)).collect()
}

/// All files below a folder, by path.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
            let path = entry.expect("an entry").path();
            if path.is_dir() { folders.push(path) } else { found.push(path) }
        }
    }
    found.sort();
    found
}

/// A store's tables of signals and raw frames, by their place in it. Runs are counted later: the service waits for a
/// silence, a replay does not.
fn tables(store: &Path) -> BTreeMap<String, Vec<u8>> {
    let place = |path: &PathBuf| path.strip_prefix(store).expect("below").display().to_string();
    let all = files(store).into_iter().map(|path| (place(&path), path));
    all.filter(|(place, _)| place.starts_with("signals/") || place.starts_with("raw/"))
        .map(|(place, path)| (place, fs::read(path).expect("a file")))
        .collect()
}
