//! The recorder and its journal, as the service starts them.

use super::PATIENCE;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use yardtap::capture;
use yardtap::frame::{Frame, FrameBlock};
use yardtap::gateway::journal::{self, Hooks, JournalSender};
use yardtap::gateway::status::{BusStatus, Link, Status, Stop, TapStatus};
use yardtap::gateway::{link, recorder};
use yardtap::settings::gateway::{JournalSettings, Source, Tap, TapBus};

pub struct Recording {
    pub status: Arc<Status>,
    counted: Arc<TapStatus>,
    pub folder: PathBuf,
    stop: Arc<Stop>,
    threads: Vec<JoinHandle<()>>,
    sender: JournalSender,
}

impl Recording {
    pub fn start(folder: &Path, interfaces: &[&str]) -> Self {
        Self::start_with(folder, interfaces, &JournalSettings::default(), Hooks::default())
    }

    pub fn start_with(folder: &Path, interfaces: &[&str], settings: &JournalSettings, hooks: Hooks) -> Self {
        let bus = |name: &&str| TapBus { bus: (*name).to_owned(), source: Source::Interface((*name).to_owned()) };
        let tap = Tap { name: "lead".to_owned(), vehicle: None, buses: interfaces.iter().map(bus).collect() };
        let status = Status::default();
        let number = status.add_tap(TapStatus::new(&tap));
        let counted = status.tap(number).expect("the tap");
        let status = Arc::new(status);
        let stop = Arc::new(Stop::default());
        let (sender, thread) = journal::start(0, &tap, folder, settings, &status, hooks).expect("a journal");
        let mut threads = recorder::start(&recorder::Recording {
            tap: 0,
            settings: &tap,
            rates: &[],
            journal: settings,
            sender: &sender,
            live: None,
            status: &status,
            stop: &stop,
        })
        .expect("a recorder");
        threads.push(
            link::start(&[link::Watching { tap: 0, settings: &tap, rates: &[] }], &status, &stop)
                .expect("a watch on links"),
        );
        threads.push(thread);
        Self { status, counted, folder: folder.to_owned(), stop, threads, sender }
    }

    pub fn bus(&self, number: usize) -> &BusStatus {
        &self.counted.buses[number]
    }

    pub fn link(&self, number: usize) -> Link {
        self.bus(number).link.lock().expect("a link").clone()
    }

    pub fn frames(&self, number: usize) -> u64 {
        self.bus(number).frames.load(Ordering::Relaxed)
    }

    /// Until a bus has so many frames, error frames among them.
    pub fn wait_for(&self, number: usize, frames: u64) {
        let bus = self.bus(number);
        wait_until(&format!("{} has {frames} frames", bus.interface), || {
            bus.frames.load(Ordering::Relaxed) + bus.error_frames.load(Ordering::Relaxed) >= frames
        });
    }

    pub fn wait_for_trouble(&self, cause: &str) -> String {
        let mut found = String::new();
        wait_until(&format!("there is trouble: {cause}"), || {
            let trouble = self.status.troubles().into_iter().find(|(name, _)| name == cause);
            trouble.is_some_and(|(_, text)| {
                found = text;
                true
            })
        });
        found
    }

    pub fn wait_for_no_trouble(&self, cause: &str) {
        wait_until(&format!("no more trouble: {cause}"), || {
            self.status.troubles().iter().all(|(name, _)| name != cause)
        });
    }

    pub fn dropped(&self) -> u64 {
        let tap = &self.counted;
        let kernel: u64 = tap.buses.iter().map(|bus| bus.kernel_dropped.load(Ordering::Relaxed)).sum();
        kernel + tap.queue_dropped.load(Ordering::Relaxed)
    }

    /// Ends it, and gives all frames of the journal in their segments' order.
    pub fn end(self) -> Vec<Frame> {
        self.stop.set();
        drop(self.sender);
        for thread in self.threads {
            thread.join().expect("a thread that did not panic");
        }
        frames_of(&self.folder)
    }
}

/// All frames of a journal's finished segments.
pub fn frames_of(folder: &Path) -> Vec<Frame> {
    let mut block = FrameBlock::default();
    for segment in journal::segments(folder).expect("segments") {
        let mut capture = capture::open(&segment.path).expect("a capture");
        while capture.fill(&mut block, 1 << 20).expect("a readable capture") {}
        assert!(!capture.tally().is_incomplete(), "{}: incomplete", segment.path.display());
    }
    (0..block.len()).map(|row| block.frame(row)).collect()
}

pub fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !done() {
        assert!(begin.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// The recorder as a process: records until its standard input ends, then tells its counts.
pub fn as_process(folder: &Path, interfaces: &[&str]) {
    let recording = Recording::start(folder, interfaces);
    for number in 0..interfaces.len() {
        wait_until("every interface is up", || recording.link(number).state == yardtap::gateway::status::LinkState::Up);
    }
    println!("recording");
    std::io::copy(&mut std::io::stdin(), &mut std::io::sink()).expect("an input that ends");
    // What is in the receive buffers is read when it ends.
    let (status, dropped) = (Arc::clone(&recording.status), recording.dropped());
    let recorded = recording.end().len();
    let frames: u64 = status.tap(0).unwrap().buses.iter().map(|bus| bus.frames.load(Ordering::Relaxed)).sum();
    println!("frames {frames} recorded {recorded} dropped {dropped}");
}
