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
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

/// Most frames handed over at once.
const BLOCK_FRAMES: usize = 4096;

/// How often is looked whether the service ends, and whether the load's second is over.
const LOOK: Duration = Duration::from_millis(100);

/// How often a pipe that is not there is looked for.
const RETRY: Duration = Duration::from_secs(1);

/// How long is read on when the service ends: what the writer had handed to the kernel is then in the journal.
const PATIENCE_AT_END: Duration = Duration::from_millis(500);

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
        let mut meter = Meter::new(self.rates);
        while !self.stop.is_set() {
            match open(&self.path) {
                Ok(pipe) => {
                    self.status.settled(&self.cause());
                    self.listen(&Arc::new(pipe), &mut meter);
                }
                Err(error) => {
                    let remedy = "make it (mkfifo), and let the service read it";
                    let text = format!("{}: cannot be read as a pipe: {error}; {remedy}", self.path.display());
                    self.say(LinkState::Missing, Some(text.clone()));
                    self.status.trouble(&self.cause(), text);
                    self.idle(RETRY, &mut meter);
                }
            }
        }
        self.lanes.end(self.lane);
        self.status.settled(&self.cause());
        self.status.settled(&self.content_cause());
    }

    /// One writer after another, for as long as it is the same pipe.
    fn listen(&self, pipe: &Arc<File>, meter: &mut Meter) {
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
    fn take(&self, pipe: &Arc<File>, meter: &mut Meter) {
        let reader = Writing { pipe: Arc::clone(pipe), stop: Arc::clone(&self.stop), ending: None };
        let mut capture =
            match Capture::from_reader(self.path.display().to_string(), Box::new(reader), ReadOptions::default()) {
                Ok(capture) => capture,
                Err(error) => return self.pass_over(pipe, &error.to_string()),
            };
        self.status.settled(&self.content_cause());
        loop {
            let mut block = FrameBlock::default();
            let more = capture.fill(&mut block, BLOCK_FRAMES);
            if !block.is_empty() {
                block.meta.iter_mut().for_each(|meta| meta.channel = self.channel);
                if let Some(bus) = self.bus() {
                    meter.count(&block, 0, &bus);
                    meter.tick(Instant::now(), &bus);
                }
                self.lanes.push(self.lane, block);
            }
            match more {
                Ok(true) => {}
                Ok(false) => break,
                Err(error) => return self.pass_over(pipe, &error.to_string()),
            }
        }
        let tally = capture.tally();
        if tally.ending != Ending::Complete || !tally.damages.is_empty() {
            tracing::warn!(pipe = %self.path.display(), "what was written to the pipe was damaged or cut off");
        }
    }

    /// Reads what is no capture until its writer closes.
    fn pass_over(&self, pipe: &Arc<File>, why: &str) {
        if self.stop.is_set() {
            return;
        }
        self.status.trouble(&self.content_cause(), format!("{why}; what is written to the pipe is passed over"));
        let mut rest = Writing { pipe: Arc::clone(pipe), stop: Arc::clone(&self.stop), ending: None };
        if let Err(error) = io::copy(&mut rest, &mut io::sink()) {
            tracing::warn!(pipe = %self.path.display(), "{error}");
            std::thread::sleep(RETRY);
        }
    }

    /// Waits, and lets the load fall meanwhile.
    fn idle(&self, time: Duration, meter: &mut Meter) {
        let until = Instant::now() + time;
        loop {
            if let Some(bus) = self.bus() {
                meter.tick(Instant::now(), &bus);
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
                }
                done => return done,
            }
        }
    }
}
