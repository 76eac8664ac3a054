//! A named pipe to which another program writes pcapng: its frames in, blocks for the tap's stream out.
//!
//! For buses that another program taps, and for machines without CAN. Read as fast as the journal takes it and no
//! faster, so nothing is given up and the writer waits. When the writer closes, the next one is waited for; what it
//! writes is a capture of its own.

use super::merge::Lanes;
use super::meter::{BitRates, Meter};
use super::status::{BusStatus, Link, LinkState, Status, Stop};
use crate::capture::{Capture, Ending, ReadOptions};
use crate::frame::FrameBlock;
use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::fd::AsFd;
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Most frames handed over at once.
const BLOCK_FRAMES: usize = 4096;

/// How often is looked whether the service ends, and whether the load's second is over.
const LOOK: Duration = Duration::from_millis(100);

/// How often a pipe that is not there is looked for.
const RETRY: Duration = Duration::from_secs(1);

/// How long is read on when the service ends: what the writer had handed to the kernel is then in the journal.
const PATIENCE_AT_END: Duration = Duration::from_millis(500);

type SharedMeter = Arc<Mutex<Meter>>;

/// All that a pipe's thread has.
pub(super) struct PipeReader {
    pub(super) path: PathBuf,
    pub(super) tap: usize,
    pub(super) channel: u16,
    pub(super) rates: BitRates,
    /// Where its blocks go, and as which of the tap's pipes.
    pub(super) lanes: Arc<Lanes>,
    pub(super) lane: usize,
    pub(super) status: Arc<Status>,
    pub(super) stop: Arc<Stop>,
}

impl PipeReader {
    /// Reads until the service ends.
    pub(super) fn run(self) {
        let meter = Arc::new(Mutex::new(Meter::new(self.rates)));
        while !self.stop.is_set() {
            match open(&self.path) {
                Ok(pipe) => {
                    self.status.settled(&self.cause());
                    self.listen(&Arc::new(pipe), &meter);
                }
                Err(error) => {
                    let remedy = "make it (mkfifo), and let the service read it";
                    let text = format!("{}: cannot be read as a pipe: {error}; {remedy}", self.path.display());
                    self.say(LinkState::Missing, Some(text.clone()));
                    self.status.trouble(&self.cause(), text);
                    self.idle(RETRY, &meter);
                }
            }
        }
        self.lanes.end(self.lane);
        self.status.settled(&self.cause());
        self.status.settled(&self.content_cause());
    }

    /// One writer after another, for as long as it is the same pipe.
    fn listen(&self, pipe: &Arc<File>, meter: &SharedMeter) {
        self.say(LinkState::Down, Some("nobody writes to it".to_owned()));
        while !self.stop.is_set() {
            if is_readable(pipe, LOOK) {
                self.say(LinkState::Up, None);
                self.lanes.set_written(self.lane, true);
                self.take(pipe, meter);
                self.lanes.set_written(self.lane, false);
                self.say(LinkState::Down, Some("nobody writes to it".to_owned()));
            } else {
                // A pipe whose writer has left tells so at once, each time.
                self.idle(LOOK, meter);
                if !is_same(pipe, &self.path) {
                    return;
                }
            }
        }
    }

    /// What one writer writes.
    fn take(&self, pipe: &Arc<File>, meter: &SharedMeter) {
        let reader = self.writing(pipe, meter);
        let mut capture =
            match Capture::from_reader(self.path.display().to_string(), Box::new(reader), ReadOptions::default()) {
                Ok(capture) => capture,
                Err(error) => return self.pass_over(pipe, meter, &error.to_string()),
            };
        self.status.settled(&self.content_cause());
        loop {
            let mut block = FrameBlock::default();
            let more = capture.fill(&mut block, BLOCK_FRAMES);
            if !block.is_empty() {
                block.meta.iter_mut().for_each(|meta| meta.channel = self.channel);
                if let Some(bus) = self.bus() {
                    let mut meter = meter.lock().unwrap_or_else(PoisonError::into_inner);
                    meter.count(&block, 0, &bus);
                    meter.tick(Instant::now(), &bus);
                }
                self.lanes.push(self.lane, block);
            }
            match more {
                Ok(true) => {}
                Ok(false) => break,
                Err(error) => return self.pass_over(pipe, meter, &error.to_string()),
            }
        }
        let tally = capture.tally();
        if tally.ending != Ending::Complete || !tally.damages.is_empty() {
            tracing::warn!(pipe = %self.path.display(), "what was written to the pipe was damaged or cut off");
        }
    }

    fn writing(&self, pipe: &Arc<File>, meter: &SharedMeter) -> Writing {
        let (pipe, stop, meter) = (Arc::clone(pipe), Arc::clone(&self.stop), Arc::clone(meter));
        Writing { pipe, stop, ending: None, meter, bus: self.bus() }
    }

    /// Reads what is no capture until its writer closes.
    fn pass_over(&self, pipe: &Arc<File>, meter: &SharedMeter, why: &str) {
        if self.stop.is_set() {
            return;
        }
        self.status.trouble(&self.content_cause(), format!("{why}; what is written to the pipe is passed over"));
        let mut rest = self.writing(pipe, meter);
        if let Err(error) = io::copy(&mut rest, &mut io::sink()) {
            tracing::warn!(pipe = %self.path.display(), "{error}");
            std::thread::sleep(RETRY);
        }
    }

    /// Waits, and lets the load fall meanwhile.
    fn idle(&self, time: Duration, meter: &SharedMeter) {
        let until = Instant::now() + time;
        loop {
            if let Some(bus) = self.bus() {
                meter.lock().unwrap_or_else(PoisonError::into_inner).tick(Instant::now(), &bus);
            }
            let left = until.saturating_duration_since(Instant::now()).min(LOOK);
            if left.is_zero() || self.stop.is_set() {
                return;
            }
            std::thread::sleep(left);
        }
    }

    fn bus(&self) -> Option<Arc<BusStatus>> {
        self.status.bus(self.tap, usize::from(self.channel))
    }

    fn say(&self, state: LinkState, remark: Option<String>) {
        if let Some(bus) = self.bus() {
            *bus.link.lock().unwrap_or_else(PoisonError::into_inner) =
                Link { state, remark, listen_only: None, bitrate: None };
        }
    }

    fn cause(&self) -> String {
        format!("pipe: {}", self.path.display())
    }

    fn content_cause(&self) -> String {
        format!("content of pipe: {}", self.path.display())
    }
}

/// Opens a pipe without waiting for who writes to it.
fn open(path: &Path) -> io::Result<File> {
    // Looked at before: opening a device or a file could have consequences.
    if !std::fs::metadata(path)?.file_type().is_fifo() {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "it is no named pipe"));
    }
    OpenOptions::new().read(true).custom_flags(OFlag::O_NONBLOCK.bits()).open(path)
}

/// Whether a path still leads to the pipe that is open.
fn is_same(pipe: &File, path: &Path) -> bool {
    match (pipe.metadata(), std::fs::metadata(path)) {
        (Ok(open), Ok(named)) => (open.dev(), open.ino()) == (named.dev(), named.ino()),
        _ => false,
    }
}

/// Whether there is something to read within a time.
fn is_readable(pipe: &File, time: Duration) -> bool {
    let timeout = PollTimeout::try_from(time).unwrap_or(PollTimeout::ZERO);
    let mut descriptors = [PollFd::new(pipe.as_fd(), PollFlags::POLLIN)];
    match poll(&mut descriptors, timeout) {
        Ok(count) if count > 0 => descriptors[0].revents().is_some_and(|events| events.contains(PollFlags::POLLIN)),
        _ => false,
    }
}

/// What one writer writes, as a stream that ends when the writer closes, or the service ends.
struct Writing {
    pipe: Arc<File>,
    stop: Arc<Stop>,
    ending: Option<Instant>,
    /// So that the load falls while nothing comes.
    meter: SharedMeter,
    bus: Option<Arc<BusStatus>>,
}

impl Read for Writing {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let ending = if self.stop.is_set() { Some(*self.ending.get_or_insert_with(Instant::now)) } else { None };
            if ending.is_some_and(|since| since.elapsed() > PATIENCE_AT_END) {
                return Ok(0);
            }
            match self.pipe.as_ref().read(buffer) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                    if ending.is_some() {
                        return Ok(0);
                    }
                    is_readable(&self.pipe, LOOK);
                    if let Some(bus) = &self.bus {
                        self.meter.lock().unwrap_or_else(PoisonError::into_inner).tick(Instant::now(), bus);
                    }
                }
                done => return done,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture;
    use crate::capture::write::PcapngWriter;
    use crate::frame::{CanId, Frame};
    use crate::gateway::journal::{self, Hooks, JournalSender};
    use crate::gateway::recorder::{self, Listener, Recording};
    use crate::gateway::status::TapStatus;
    use crate::settings::gateway::{JournalSettings, Source, Tap, TapBus};
    use nix::sys::stat::Mode;
    use std::io::Write;
    use std::sync::atomic::Ordering;
    use std::thread::JoinHandle;
    use tempfile::TempDir;

    /// A tap of pipes, recorded.
    struct Yard {
        place: TempDir,
        paths: Vec<PathBuf>,
        status: Arc<Status>,
        stop: Arc<Stop>,
        sender: JournalSender,
        threads: Vec<JoinHandle<()>>,
    }

    impl Yard {
        fn new(names: &[&str], settings: &JournalSettings, live: Option<&Listener>) -> Self {
            let place = TempDir::new().unwrap();
            let paths: Vec<PathBuf> = names.iter().map(|name| place.path().join(name)).collect();
            paths.iter().for_each(|path| make(path));
            let bus = |path: &PathBuf| TapBus { bus: "traction".to_owned(), source: Source::Pipe(path.clone()) };
            let tap = Tap { name: "lead".to_owned(), vehicle: None, buses: paths.iter().map(bus).collect() };
            let status = Status::default();
            let number = status.add_tap(TapStatus::new(&tap));
            let (status, stop) = (Arc::new(status), Arc::new(Stop::default()));
            let folder = place.path().join("journal");
            let (sender, thread) = journal::start(number, &tap, &folder, settings, &status, Hooks::default()).unwrap();
            let mut threads = recorder::start(&Recording {
                tap: number,
                settings: &tap,
                rates: &[],
                journal: settings,
                sender: &sender,
                live,
                status: &status,
                stop: &stop,
            })
            .unwrap();
            threads.push(thread);
            Self { place, paths, status, stop, sender, threads }
        }

        fn bus(&self, number: usize) -> Arc<BusStatus> {
            self.status.bus(0, number).unwrap()
        }

        fn wait_for(&self, number: usize, frames: u64) {
            let bus = self.bus(number);
            wait_until("the frames are there", || bus.frames.load(Ordering::Relaxed) >= frames);
        }

        fn state(&self, number: usize) -> LinkState {
            self.bus(number).link.lock().unwrap().state
        }

        /// Ends it; channel and time of all frames in the journal.
        fn end(self) -> Vec<(u16, i64)> {
            self.stop.set();
            drop(self.sender);
            self.threads.into_iter().for_each(|thread| thread.join().unwrap());
            assert_eq!(self.status.tap(0).unwrap().queue_dropped.load(Ordering::Relaxed), 0);
            assert_eq!(self.status.troubles(), []);
            let mut block = FrameBlock::default();
            for segment in journal::segments(&self.place.path().join("journal")).unwrap() {
                let mut capture = capture::open(&segment.path).unwrap();
                while capture.fill(&mut block, 1 << 20).unwrap() {}
            }
            (0..block.len()).map(|row| (block.meta[row].channel, block.time_us[row])).collect()
        }
    }

    fn make(path: &Path) {
        nix::unistd::mkfifo(path, Mode::from_bits_truncate(0o600)).unwrap();
    }

    fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
        let begin = Instant::now();
        while !done() {
            // A hang, on the slowest of machines.
            assert!(begin.elapsed() < Duration::from_secs(60), "waited in vain until {what}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Writes a capture of frames with these times, as another program does: the pipe is closed behind it.
    fn write(path: &Path, times: impl IntoIterator<Item = i64>) {
        let file = OpenOptions::new().write(true).open(path).unwrap();
        let mut writer = PcapngWriter::new(file, &[Some("can7")]).unwrap();
        for time in times {
            writer.write(&Frame::data(time, 0, CanId::standard(1), &[1, 2, 3])).unwrap();
        }
        writer.finish().unwrap();
    }

    #[test]
    fn one_writer_after_another_is_recorded() {
        let yard = Yard::new(&["a"], &JournalSettings::default(), None);
        for round in 0..3 {
            wait_until("nobody writes", || yard.state(0) == LinkState::Down);
            write(&yard.paths[0], round * 100..round * 100 + 100);
            yard.wait_for(0, 100 * (round as u64 + 1));
        }
        let file = OpenOptions::new().write(true).open(&yard.paths[0]).unwrap();
        let mut writer = PcapngWriter::new(file, &[Some("can7")]).unwrap();
        writer.write(&Frame::data(1000, 0, CanId::standard(1), &[])).unwrap();
        writer.flush().unwrap();
        yard.wait_for(0, 301);
        assert_eq!(yard.state(0), LinkState::Up);
        // Nothing comes, and the load falls.
        yard.bus(0).load_hundredths.store(7, Ordering::Relaxed);
        wait_until("the load is told", || yard.bus(0).load_hundredths.load(Ordering::Relaxed) == 0);
        // The service ends although the writer stays.
        assert_eq!(yard.end(), (0..300).chain([1000]).map(|time| (0, time)).collect::<Vec<_>>());
    }

    #[test]
    fn two_pipes_at_full_speed_lose_nothing() {
        const COUNT: i64 = 40_000;
        let settings = JournalSettings { queue_bytes: 200_000, ..JournalSettings::default() };
        let shown = Arc::new(std::sync::atomic::AtomicUsize::new(0));
        let live: Listener = {
            let shown = Arc::clone(&shown);
            Arc::new(move |block| _ = shown.fetch_add(block.len(), Ordering::Relaxed))
        };
        let yard = Yard::new(&["a", "b"], &settings, Some(&live));
        std::thread::scope(|scope| {
            for (odd, path) in (0..).zip(&yard.paths) {
                scope.spawn(move || write(path, (0..COUNT).map(|n| 2 * n + odd)));
            }
        });
        (0..2).for_each(|bus| yard.wait_for(bus, COUNT as u64));
        let recorded = yard.end();
        assert_eq!(recorded.len() as i64, 2 * COUNT);
        for pipe in 0..2 {
            let times: Vec<i64> = recorded.iter().filter(|frame| frame.0 == pipe).map(|frame| frame.1).collect();
            assert!(times.is_sorted() && times.len() as i64 == COUNT);
        }
        assert!(recorded.iter().all(|&(channel, time)| i64::from(channel) == time % 2));
        assert_eq!(shown.load(Ordering::Relaxed) as i64, 2 * COUNT);
    }

    #[test]
    fn what_is_no_capture_is_told_and_passed_over() {
        let yard = Yard::new(&["a"], &JournalSettings::default(), None);
        let mut file = OpenOptions::new().write(true).open(&yard.paths[0]).unwrap();
        file.write_all(&b"this is no capture ".repeat(10_000)).unwrap();
        drop(file);
        wait_until("it is told", || {
            yard.status.troubles().iter().any(|(cause, _)| cause.starts_with("content of pipe"))
        });
        let (_, text) = &yard.status.troubles()[0];
        assert!(text.contains(&yard.paths[0].display().to_string()), "{text}");
        wait_until("nobody writes", || yard.state(0) == LinkState::Down);
        write(&yard.paths[0], 0..10);
        yard.wait_for(0, 10);
        assert_eq!(yard.end().len(), 10);
    }

    #[test]
    fn a_pipe_that_is_not_there_or_none_is_waited_for() {
        let yard = Yard::new(&["a"], &JournalSettings::default(), None);
        let path = yard.paths[0].clone();
        for file_in_its_place in [false, true] {
            wait_until("nobody writes", || yard.state(0) == LinkState::Down);
            std::fs::remove_file(&path).unwrap();
            if file_in_its_place {
                std::fs::write(&path, "").unwrap();
            }
            wait_until("it is told", || !yard.status.troubles().is_empty());
            assert_eq!(yard.state(0), LinkState::Missing);
            let (_, text) = &yard.status.troubles()[0];
            assert!(text.contains(&path.display().to_string()) && text.contains("mkfifo"), "{text}");
            std::fs::remove_file(&path).unwrap_or_default();
            make(&path);
            wait_until("it is settled", || yard.status.troubles().is_empty());
        }
        write(&path, 0..10);
        yard.wait_for(0, 10);
        assert_eq!(yard.end().len(), 10);
    }
}
