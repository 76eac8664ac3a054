//! The service as a process: recorded from pipes, ended, started again, told to read its configuration anew.

use std::fs::{self, OpenOptions};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::sys::stat::Mode;
use nix::unistd::{Pid, mkfifo};
use serde_json::Value;
use tempfile::TempDir;
use yardtap::capture::write::PcapngWriter;
use yardtap::frame::Frame;

use crate::support::*;

/// Nothing here takes a tenth of it on an idle machine; it ends a test that would hang.
const PATIENCE: Duration = Duration::from_secs(120);
/// Promised of SIGTERM.
const END_WITHIN: Duration = Duration::from_secs(10);

/// A yard with a tap of two pipes, and the service in it.
struct Gateway {
    folder: TempDir,
    child: Option<Child>,
    log: Arc<Mutex<String>>,
}

impl Gateway {
    /// `more` goes behind the configuration.
    fn new(more: &str) -> Self {
        let gateway = Self { folder: folder(), child: None, log: Arc::default() };
        for pipe in ["can0", "can1"] {
            mkfifo(&gateway.path(pipe), Mode::S_IRUSR | Mode::S_IWUSR).unwrap();
        }
        gateway.configure(more);
        gateway
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn store(&self) -> PathBuf {
        self.path("store")
    }

    fn configure(&self, more: &str) {
        let definitions = Path::new("signal-defs/velmora").canonicalize().unwrap();
        let overhead = Path::new("demo-captures/overhead.geojson").canonicalize().unwrap();
        let text = format!(
            "definitions = {definitions:?}\noverhead = {overhead:?}\nstore = \"store\"\nzone = \"Europe/Vienna\"\n\
             day_starts = \"04:00\"\n[channels]\ncan0 = \"traction\"\ncan1 = \"body\"\n[[tap]]\nname = \"lead\"\n\
             [[tap.bus]]\nbus = \"traction\"\npipe = \"can0\"\n[[tap.bus]]\nbus = \"body\"\npipe = \"can1\"\n\
             [pages]\nlisten = \"127.0.0.1:0\"\n{more}\n"
        );
        fs::write(self.path("yardtap.toml"), text).unwrap();
    }

    fn start(&mut self) {
        let mut child = yardtap()
            .args(["gateway", "--config"])
            .arg(self.path("yardtap.toml"))
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        self.log.lock().unwrap().clear();
        let (log, stderr) = (Arc::clone(&self.log), child.stderr.take().unwrap());
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                let mut log = log.lock().unwrap();
                log.push_str(&line);
                log.push('\n');
            }
        });
        self.child = Some(child);
        self.wait("the start", |gateway| gateway.log().contains("recording"));
    }

    fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    /// Waits until something is so; what the service said is shown where it never is.
    #[track_caller]
    fn wait(&mut self, what: &str, so: impl Fn(&Self) -> bool) {
        let begun = Instant::now();
        while !so(self) {
            let ended = self.child.as_mut().and_then(|child| child.try_wait().unwrap());
            assert!(ended.is_none(), "{what}: the service ended, {ended:?}:\n{}", self.log());
            assert!(begun.elapsed() < PATIENCE, "{what} did not come:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn address(&self) -> String {
        let log = self.log();
        let (_, from) = log.split_once("pages at ").expect("the pages' address");
        from.split_whitespace().next().unwrap().to_owned()
    }

    fn status(&self) -> Value {
        let url = format!("{}status.json", self.address());
        let text = ureq::get(&url).call().unwrap().body_mut().read_to_string().unwrap();
        serde_json::from_str(&text).unwrap()
    }

    fn signal(&self, signal: Signal) {
        let id = self.child.as_ref().unwrap().id();
        kill(Pid::from_raw(id as i32), signal).unwrap();
    }

    /// Asks for an end, and asserts that it comes as promised.
    #[track_caller]
    fn end(&mut self) {
        self.signal(Signal::SIGTERM);
        let begun = Instant::now();
        let mut child = self.child.take().unwrap();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            assert!(begun.elapsed() < END_WITHIN, "no end within {END_WITHIN:?}:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(20));
        };
        assert!(status.success(), "{status}:\n{}", self.log());
    }

    /// Writes frames to the pipes of their channels, as other programs would, at the same time.
    fn play(&self, frames: &[Frame]) {
        std::thread::scope(|scope| {
            for (channel, pipe) in [(0, "can0"), (1, "can1")] {
                let path = self.path(pipe);
                scope.spawn(move || {
                    let out = OpenOptions::new().write(true).open(path).unwrap();
                    let mut writer = PcapngWriter::new(out, &[Some(pipe)]).unwrap();
                    for frame in frames.iter().filter(|frame| frame.channel == channel) {
                        writer.write(&Frame { channel: 0, ..*frame }).unwrap();
                    }
                    writer.finish().unwrap();
                });
            }
        });
    }

    /// Frames recorded so far.
    fn recorded(&self) -> u64 {
        let status = self.status();
        let buses = status["taps"][0]["buses"].as_array().unwrap();
        buses.iter().map(|bus| bus["frames"].as_u64().unwrap() + bus["error_frames"].as_u64().unwrap()).sum()
    }
}

impl Drop for Gateway {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            // It may have ended by itself.
            drop(child.kill());
            drop(child.wait());
        }
    }
}

/// The same frames filed by replay.
fn replayed(frames: &[Frame]) -> TempDir {
    let folder = folder();
    let capture = folder.path().join("all.pcapng");
    write_capture(&capture, &CHANNELS, frames);
    fs::write(folder.path().join("yardtap.toml"), CONFIGURATION).unwrap();
    let (capture, store) = (capture.display().to_string(), folder.path().join("store").display().to_string());
    let config = folder.path().join("yardtap.toml");
    let overhead = Path::new("demo-captures/overhead.geojson").canonicalize().unwrap();
    fs::write(&config, format!("overhead = {overhead:?}\n{CONFIGURATION}")).unwrap();
    let config = config.display().to_string();
    let replay = ["replay", &capture, "--defs", "signal-defs/velmora", "--config", &config, "--store", &store];
    run(&replay).expect(0, &[]);
    folder
}

#[test]
fn what_is_recorded_gives_the_rows_of_a_replay() {
    let mut frames = some_minutes(8.0);
    // The service knows that nothing came for longer than a run lasts over; a replay knows it by what comes later:
    // seconds in which the vehicle says its number, too short for a run.
    let later =
        shifted(&frames, HOUR).into_iter().take_while(|frame| frame.time_us < frames[0].time_us + HOUR + 15 * SECOND);
    frames.extend(later.collect::<Vec<_>>());
    let (first, second) = frames.split_at(frames.len() / 3);
    let mut gateway = Gateway::new("");
    gateway.start();
    gateway.play(first);
    gateway.wait("a third of the frames", |gateway| gateway.recorded() == first.len() as u64);
    gateway.end();
    // The rest in another life of the service; counting goes over both.
    gateway.start();
    gateway.play(second);
    gateway.wait("the other frames", |gateway| gateway.recorded() == second.len() as u64);
    gateway.end();
    gateway.start();
    let runs = |gateway: &Gateway| gateway.store().join("runs").is_dir();
    gateway.wait("a run, counted once the stretch is over", runs);
    gateway.end();
    let store = gateway.store().display().to_string();
    run(&["close", "--store", &store]).expect(0, &[]);
    let replayed = replayed(&frames);
    assert_same_rows(&gateway.store(), &replayed.path().join("store"), "recorded and replayed");
}

#[test]
fn a_wrong_configuration_changes_nothing_and_a_right_one_is_taken_without_a_gap() {
    let frames = some_minutes(1.0);
    let mut gateway = Gateway::new("");
    gateway.start();
    gateway.play(&frames);
    gateway.wait("the frames", |gateway| gateway.recorded() == frames.len() as u64);
    gateway.configure("[journal]\nsync_every = \"5s\"");
    gateway.signal(Signal::SIGHUP);
    let has_trouble = |gateway: &Gateway| gateway.status()["troubles"].to_string().contains("the old one goes on");
    gateway.wait("word that it is wrong", has_trouble);
    // The counts would begin anew if the tap had been started anew.
    assert_eq!(gateway.recorded(), frames.len() as u64);
    let receiver = "[retention]\nraw_days = 30";
    gateway.configure(receiver);
    gateway.signal(Signal::SIGHUP);
    gateway.wait("word that it is right", |gateway| !has_trouble(gateway));
    assert_eq!(gateway.recorded(), frames.len() as u64);
    gateway.end();
}

#[test]
fn a_second_service_on_a_store_is_refused() {
    let mut gateway = Gateway::new("");
    gateway.start();
    let config = gateway.path("yardtap.toml").display().to_string();
    run(&["gateway", "--config", &config]).expect(1, &["another yardtap is writing to this store"]);
    gateway.end();
}

#[test]
fn a_capture_of_the_inbox_is_filed_and_a_bad_one_set_aside() {
    let more = "[inbox]\nfolder = \"inbox\"\nsettle = \"1s\"\nquarantine = \"aside\"\nafterwards = \"delete\"";
    let mut gateway = Gateway::new(more);
    for folder in ["inbox", "aside"] {
        fs::create_dir(gateway.path(folder)).unwrap();
    }
    let frames = some_minutes(1.0);
    write_capture(&gateway.path("inbox/207.pcapng.zst"), &CHANNELS, &frames);
    fs::write(gateway.path("inbox/208.pcapng"), "no capture").unwrap();
    gateway.start();
    gateway.wait("the capture to be filed", |gateway| gateway.status()["inbox"]["filed"] == 1);
    gateway.wait("the bad one to be set aside", |gateway| gateway.path("aside/208.pcapng.reason.txt").is_file());
    gateway.wait("the inbox to be empty", |gateway| fs::read_dir(gateway.path("inbox")).unwrap().count() == 0);
    gateway.end();
    let store = gateway.store().display().to_string();
    run(&["close", "--store", &store]).expect(0, &[]);
    assert_same_rows(&gateway.store(), &replayed(&frames).path().join("store"), "inbox and replay");
}

#[test]
fn killed_at_any_instant_it_loses_a_second_at_most() {
    let frames = some_minutes(2.0);
    let mut dice = Dice::new(11);
    for _ in 0..4 {
        let mut gateway = Gateway::new("");
        gateway.start();
        gateway.play(&frames[..frames.len() / 2]);
        gateway.wait("half of the frames", |gateway| gateway.recorded() == frames.len() as u64 / 2);
        // Longer than frames may wait for the disk.
        std::thread::sleep(Duration::from_millis(1_000));
        gateway.play(&frames[frames.len() / 2..]);
        std::thread::sleep(Duration::from_millis(dice.below(1_500) as u64));
        gateway.signal(Signal::SIGKILL);
        assert!(!gateway.child.take().unwrap().wait().unwrap().success());
        gateway.start();
        let journal = |gateway: &Gateway| gateway.status()["taps"][0]["journal_bytes"] == 0;
        gateway.wait("the journal to be filed", journal);
        gateway.end();
        let found = restored(&gateway);
        assert!(found.len() >= frames.len() / 2, "{} of {} frames", found.len(), frames.len());
        // Channels are numbered by their buses' names.
        let content = |frame: &Frame| (frame.time_us, frame.id, frame.kind, frame.data);
        let same = found.iter().map(content).eq(frames[..found.len()].iter().map(content));
        assert!(same, "the first frames, in order, once");
    }
}

/// All frames of the store, as one capture.
fn restored(gateway: &Gateway) -> Vec<Frame> {
    let (store, to) = (gateway.store().display().to_string(), gateway.path("again.pcapng"));
    run(&["restore", "--store", &store, "--vehicle", "207", "--to", &to.display().to_string()]).expect(0, &[]);
    frames_in(&to)
}
