//! Recording: the frames of a tap's buses in, blocks for the journal out; and a copy for whoever watches live.
//!
//! One thread a tap reads all its interfaces; its pipes have one each, and one that puts them in order. Frames are as
//! the kernel stamped them: when the system's clock is set, the record shows it, and so does the log. Nothing behind can
//! hold a recorder of interfaces up. Does not know definitions.

use super::clock::now_us;
use super::journal::JournalSender;
use super::merge::Lanes;
use super::meter::{BitRates, Meter};
use super::pipe::PipeReader;
use super::socket::{BATCH_FRAMES, CanReader};
use super::status::{BusStatus, Status, Stop};
use crate::frame::FrameBlock;
use crate::settings::gateway::{JournalSettings, Source, Tap};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Who is shown every block. It must not wait for anything.
pub type Listener = Arc<dyn Fn(&FrameBlock) + Send + Sync>;

/// Longest wait for a frame: how soon the end of the service, or an interface that appears, is seen.
const LOOK: Duration = Duration::from_millis(200);

/// How often an interface that cannot be opened is tried: what it hears before is not recorded.
const RETRY: Duration = Duration::from_millis(200);

/// Rest after each reading, so that frames are read by the dozen and not one by one. Short against the receive buffer,
/// and against what an eye sees.
const REST: Duration = Duration::from_millis(5);

/// Most frames of a block: beyond that it is handed over, and reading goes on.
const BLOCK_FRAMES_MAX: usize = 8192;

/// A clock that moves by more against the machine's own time was set.
const CLOCK_STEP: Duration = Duration::from_secs(1);

/// How long a loss of frames is told after the last of them.
const LOSS_TOLD: Duration = Duration::from_secs(3600);

/// How long a step of the clock is told.
const CLOCK_TOLD: Duration = Duration::from_secs(3600);

/// What is recorded, and what with.
pub struct Recording<'a> {
    /// Number of the tap in `status`.
    pub tap: usize,
    /// The tap.
    pub settings: &'a Tap,
    /// Bit rates of the definition set, by bus.
    pub rates: &'a [BitRates],
    /// For the size of receive buffers.
    pub journal: &'a JournalSettings,
    /// Where blocks go.
    pub sender: &'a JournalSender,
    /// Who watches.
    pub live: Option<&'a Listener>,
    /// Where is told what happens.
    pub status: &'a Arc<Status>,
    /// When it ends.
    pub stop: &'a Arc<Stop>,
}

/// Starts to record a tap. The threads end on `stop`, having handed over what was there; with them go their senders.
///
/// # Errors
/// There can be no further thread.
pub fn start(recording: &Recording<'_>) -> io::Result<Vec<JoinHandle<()>>> {
    let &Recording { tap, settings, rates, journal, sender, live, status, stop } = recording;
    let mut threads = Vec::new();
    let mut lines = Vec::new();
    let pipes = settings.buses.iter().filter(|bus| matches!(bus.source, Source::Pipe(_))).count();
    let lanes = Lanes::new(pipes);
    let mut lane = 0;
    for (channel, bus) in (0_u16..).zip(&settings.buses) {
        let rates = rates.get(usize::from(channel)).copied().unwrap_or_default();
        match &bus.source {
            Source::Interface(name) => lines.push(Line::new(name, channel, rates)),
            Source::Pipe(path) => {
                let reader = PipeReader {
                    path: path.clone(),
                    tap,
                    channel,
                    rates,
                    lanes: Arc::clone(&lanes),
                    lane,
                    status: Arc::clone(status),
                    stop: Arc::clone(stop),
                };
                lane += 1;
                let name = format!("pipe {}", bus.source.name());
                threads.push(std::thread::Builder::new().name(name).spawn(move || reader.run())?);
            }
        }
    }
    if pipes > 0 {
        let (sender, live, stop) = (sender.clone(), live.cloned(), Arc::clone(stop));
        let name = format!("pipes {}", settings.name);
        let merge = move || lanes.run(&sender, live.as_ref(), &stop);
        threads.push(std::thread::Builder::new().name(name).spawn(merge)?);
    }
    if !lines.is_empty() {
        let recorder = Recorder {
            tap,
            lines,
            buffer_bytes: journal.receive_buffer_bytes,
            journal: sender.clone(),
            live: live.cloned(),
            status: Arc::clone(status),
            stop: Arc::clone(stop),
            clock: Clock::new(),
        };
        let name = format!("record {}", settings.name);
        threads.push(std::thread::Builder::new().name(name).spawn(move || recorder.run())?);
    }
    Ok(threads)
}

/// One thread's interfaces.
struct Recorder {
    tap: usize,
    lines: Vec<Line>,
    buffer_bytes: usize,
    journal: JournalSender,
    live: Option<Listener>,
    status: Arc<Status>,
    stop: Arc<Stop>,
    clock: Clock,
}

/// One interface.
struct Line {
    name: String,
    channel: u16,
    reader: Option<CanReader>,
    try_at: Instant,
    meter: Meter,
    /// Until when it is told that the kernel dropped frames.
    loss_until: Option<Instant>,
}

impl Line {
    fn new(name: &str, channel: u16, rates: BitRates) -> Self {
        Self {
            name: name.to_owned(),
            channel,
            reader: None,
            try_at: Instant::now(),
            meter: Meter::new(rates),
            loss_until: None,
        }
    }
}

impl Recorder {
    fn run(mut self) {
        while !self.stop.is_set() {
            self.open_missing();
            self.wait();
            self.read_all();
            std::thread::sleep(self.rest());
            self.tick();
            if let Some(tap) = self.status.tap(self.tap) {
                tap.recorder_beat.fetch_add(1, Ordering::Relaxed);
            }
        }
        self.read_all();
        for line in &self.lines {
            for what in ["recording", "receive buffer", "frames dropped"] {
                self.status.settled(&line.cause(what));
            }
        }
    }

    /// Opens what is not open, and looks whether what is open is still what goes by that name.
    fn open_missing(&mut self) {
        let now = Instant::now();
        for line in &mut self.lines {
            if now < line.try_at {
                continue;
            }
            line.try_at = now + RETRY;
            let replaced = line.reader.as_ref().is_some_and(|reader| {
                let index = nix::net::if_::if_nametoindex(line.name.as_str());
                index.is_ok_and(|index| index != reader.interface_index())
            });
            if replaced {
                line.reader = None;
            }
            if line.reader.is_some() {
                continue;
            }
            let cause = line.cause("recording");
            match CanReader::open(&line.name, self.buffer_bytes) {
                Ok(reader) => {
                    tracing::info!(interface = line.name, buffer_bytes = reader.buffer_bytes(), "listening");
                    self.status.settled(&cause);
                    tell_buffer(&self.status, &line.name, reader.buffer_bytes(), self.buffer_bytes);
                    line.reader = Some(reader);
                }
                Err(error) => self.status.trouble(
                    &cause,
                    format!("{} cannot be listened to: {error}; is it a CAN interface, and plugged in?", line.name),
                ),
            }
        }
    }

    /// Until a frame is there, or an interface says that something happened to it.
    fn wait(&self) {
        let readers = self.lines.iter().filter_map(|line| line.reader.as_ref());
        let mut descriptors: Vec<PollFd<'_>> =
            readers.map(|reader| PollFd::new(reader.descriptor(), PollFlags::POLLIN)).collect();
        let timeout = PollTimeout::try_from(LOOK).unwrap_or(PollTimeout::ZERO);
        if let Err(error) = poll(&mut descriptors, timeout)
            && error != nix::errno::Errno::EINTR
        {
            // Out of memory, perhaps; the readings themselves tell what is wrong.
            tracing::debug!("waiting for frames failed: {error}");
            std::thread::sleep(LOOK);
        }
    }

    /// Everything that is there now, in turns, so that a flooded interface leaves the others theirs.
    fn read_all(&mut self) {
        let mut block = FrameBlock::with_capacity(BATCH_FRAMES);
        let mut busy = true;
        while busy {
            busy = false;
            for line in &mut self.lines {
                let bus = self.status.bus(self.tap, usize::from(line.channel));
                busy |= line.read(&mut block, bus.as_deref(), &self.status);
            }
            if block.len() >= BLOCK_FRAMES_MAX {
                self.hand_over(std::mem::take(&mut block));
                if self.stop.is_set() {
                    return;
                }
            }
        }
        if !block.is_empty() {
            self.hand_over(block);
        }
    }

    fn hand_over(&self, block: FrameBlock) {
        let block = Arc::new(block);
        if let Some(live) = &self.live {
            live(&block);
        }
        self.journal.send(block);
    }

    /// So short that the smallest receive buffer fills by an eighth at most.
    fn rest(&self) -> Duration {
        let readers = self.lines.iter().filter_map(|line| line.reader.as_ref());
        readers.map(|reader| reader.buffer_time() / 8).min().unwrap_or(LOOK).min(REST)
    }

    fn tick(&mut self) {
        let now = Instant::now();
        for line in &mut self.lines {
            let bus = self.status.bus(self.tap, usize::from(line.channel));
            if let Some(bus) = bus {
                line.meter.tick(now, &bus);
            }
            if line.loss_until.is_some_and(|until| now >= until) {
                line.loss_until = None;
                self.status.settled(&line.cause("frames dropped"));
            }
        }
        self.clock.look(now, &self.status);
    }
}

impl Line {
    fn cause(&self, what: &str) -> String {
        format!("{what}: {}", self.name)
    }

    /// One batch. Whether there may be more.
    fn read(&mut self, block: &mut FrameBlock, bus: Option<&BusStatus>, status: &Status) -> bool {
        let Some(reader) = &mut self.reader else { return false };
        let before = block.len();
        let received = match reader.read(self.channel, block) {
            Ok(received) => received,
            Err(error) if error.raw_os_error() == Some(nix::libc::ENETDOWN) => {
                tracing::warn!(interface = self.name, "went down");
                return false;
            }
            Err(error) => {
                tracing::warn!(interface = self.name, "lost: {error}");
                self.reader = None;
                self.try_at = Instant::now();
                return false;
            }
        };
        let Some(bus) = bus else { return received.frames == BATCH_FRAMES };
        self.meter.count(block, before, bus);
        if received.dropped > 0 {
            let all = bus.kernel_dropped.fetch_add(received.dropped, Ordering::Relaxed) + received.dropped;
            let cause = self.cause("frames dropped");
            self.loss_until = Some(Instant::now() + LOSS_TOLD);
            let remedy = "enlarge journal.receive_buffer, and look what else keeps this machine busy";
            status.trouble(&cause, format!("{}: the kernel dropped {all} frames so far; {remedy}", self.name));
        }
        received.frames + received.strange >= BATCH_FRAMES
    }
}

fn tell_buffer(status: &Status, name: &str, is_bytes: usize, wanted_bytes: usize) {
    let cause = format!("receive buffer: {name}");
    if is_bytes >= wanted_bytes {
        status.settled(&cause);
        return;
    }
    status.trouble(
        &cause,
        format!(
            "{name}: the receive buffer has {is_bytes} of {wanted_bytes} bytes; give the service CAP_NET_ADMIN, or \
             set net.core.rmem_max to {wanted_bytes}"
        ),
    );
}

/// The system's clock against the machine's own time.
struct Clock {
    looked_at: Instant,
    /// System's clock less own time, as last seen, µs.
    ahead_us: i64,
    told_until: Option<Instant>,
}

impl Clock {
    fn new() -> Self {
        let now = Instant::now();
        Self { looked_at: now, ahead_us: now_us(), told_until: None }
    }

    /// Tells if the clock was set since the last look.
    fn look(&mut self, now: Instant, status: &Status) {
        let elapsed_us = i64::try_from(now.duration_since(self.looked_at).as_micros()).unwrap_or(i64::MAX);
        if elapsed_us < 1_000_000 {
            return;
        }
        self.judge(now, now_us(), elapsed_us, status);
    }

    fn judge(&mut self, now: Instant, wall_us: i64, elapsed_us: i64, status: &Status) {
        let step_us = wall_us.saturating_sub(self.ahead_us).saturating_sub(elapsed_us);
        (self.looked_at, self.ahead_us) = (now, wall_us);
        if step_us.unsigned_abs() >= CLOCK_STEP.as_micros() as u64 {
            let which = if step_us < 0 { "back" } else { "forward" };
            let seconds = step_us.unsigned_abs() / 1_000_000;
            let text =
                format!("the system's clock was set {which} by {seconds} s; frames are recorded as it stamps them");
            status.trouble("clock", text);
            self.told_until = Some(now + CLOCK_TOLD);
        } else if self.told_until.is_some_and(|until| now >= until) {
            self.told_until = None;
            status.settled("clock");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_set_is_told_and_one_that_drifts_is_not() {
        let status = Status::default();
        let mut clock = Clock { looked_at: Instant::now(), ahead_us: 5_000_000_000, told_until: None };
        let begin = clock.looked_at;
        clock.judge(begin, 5_001_000_100, 1_000_000, &status);
        assert_eq!(status.troubles(), []);
        clock.judge(begin, 1_402_000_000, 1_000_000, &status);
        assert!(status.troubles()[0].1.contains("back by 3600 s"), "{:?}", status.troubles());
        clock.judge(begin, 5_003_000_000, 1_000_000, &status);
        assert!(status.troubles()[0].1.contains("forward by 3600 s"), "{:?}", status.troubles());
        clock.judge(begin + CLOCK_TOLD, 5_004_000_000, 1_000_000, &status);
        assert_eq!(status.troubles(), []);
    }
}
