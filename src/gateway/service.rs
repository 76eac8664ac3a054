//! The service's life: start, reload, stop. Signals and the service manager in; threads out.
//!
//! The main thread waits for signals. Everything else is done by threads, which end on a [`Stop`]: what records first,
//! then, when the journal is whole, the keeper. A configuration that is wrong is told and changes nothing.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use nix::sys::signal::{SigSet, Signal};
use sd_notify::NotifyState;

use super::boards::Boards;
use super::clock::now_us;
use super::copy::{self, Copying};
use super::journal::{self, Hooks, Repaired};
use super::keeper::{self, Keeping, Wishes};
use super::link::{self, Watching};
use super::messages;
use super::meter::BitRates;
use super::pages::{self, Subject};
use super::recorder::{self, Recording};
use super::status::{Status, Stop, TapStatus};
use crate::board::Mark;
use crate::defs::Definitions;
use crate::filing;
use crate::run::Place;
use crate::settings::PathPattern;
use crate::settings::gateway::{CopySettings, Gateway, Tap};
use crate::store::Store;

/// How long filing may go on after the request to stop; what is left is filed by the next start.
const FILING_AT_END: Duration = Duration::from_secs(7);
/// How often the service manager is told how it goes.
const TELL_EVERY: Duration = Duration::from_secs(5);
/// How long the copier may take to end; one that a hung disk holds is left behind, and ends with the process.
const COPY_AT_END: Duration = Duration::from_secs(2);
/// A tap whose threads have not shown themselves for so long hangs; the service manager is told no more.
const HANGS_AFTER: Duration = Duration::from_secs(20);

/// Everything that the configuration says, checked.
#[derive(Debug)]
pub struct Loaded {
    /// The service's part.
    pub gateway: Gateway,
    /// What decodes the frames.
    pub defs: Arc<Definitions>,
    /// Special work of the overhead.
    pub places: Vec<Place>,
    /// How captures are filed.
    pub filing: filing::Settings,
    /// Where a path of the inbox names its vehicle.
    pub vehicle_path: Option<PathPattern>,
    /// Folder of the store.
    pub store: PathBuf,
}

/// Runs the service until it is asked to end by SIGTERM or SIGINT. On SIGHUP, `load` is called again.
///
/// # Errors
/// It cannot start: the store cannot be opened, the pages' address is taken, or there can be no thread.
pub fn run(first: Loaded, load: &dyn Fn() -> Result<Loaded>) -> Result<()> {
    // Before any thread: they inherit it, and signals wait for this one.
    let signals = SigSet::from_iter([Signal::SIGTERM, Signal::SIGINT, Signal::SIGHUP]);
    signals.thread_block().context("holding signals back")?;
    let mut service = Service::start(Arc::new(first))?;
    notify(&[NotifyState::Ready, NotifyState::Status(&service.summary())]);
    tracing::info!(taps = service.taps.len(), "recording");
    let stop = Arc::new(Stop::default());
    let teller = service.start_teller(&stop)?;
    loop {
        match signals.wait().context("waiting for signals")? {
            Signal::SIGHUP => {
                notify_reloading();
                match load() {
                    Ok(loaded) => service.reload(Arc::new(loaded)),
                    Err(error) => service.status.trouble(
                        "configuration",
                        format!("the new configuration is not used, the old one goes on: {error:#}"),
                    ),
                }
                notify(&[NotifyState::Ready, NotifyState::Status(&service.summary())]);
            }
            signal => {
                tracing::info!("{signal}: ending");
                break;
            }
        }
    }
    notify(&[NotifyState::Stopping]);
    stop.set();
    service.end();
    join("teller", teller);
    Ok(())
}

/// The service at work.
struct Service {
    loaded: Arc<Loaded>,
    status: Arc<Status>,
    wishes: Arc<Wishes>,
    taps: Vec<RunningTap>,
    /// Threads that look at interfaces, and that tell other systems of events.
    others: Vec<Other>,
    pages: Option<Shown>,
    copier: Option<Copier>,
    /// Where the pages leave marks.
    marks: mpsc::Sender<Mark>,
    keeper: JoinHandle<()>,
    /// Gives up what the keeper is at.
    keeper_stop: Arc<Stop>,
}

/// A tap's threads.
struct RunningTap {
    /// Its number in the status.
    number: usize,
    tap: Tap,
    settings: crate::settings::gateway::JournalSettings,
    stop: Arc<Stop>,
    threads: Vec<JoinHandle<()>>,
}

/// A thread that begins anew with each configuration.
struct Other {
    stop: Arc<Stop>,
    thread: JoinHandle<()>,
}

/// The thread that copies to the second place.
struct Copier {
    settings: CopySettings,
    stop: Arc<Stop>,
    thread: JoinHandle<()>,
}

/// The pages and boards.
struct Shown {
    boards: Arc<Boards>,
    subject: Arc<Subject>,
    stop: Arc<Stop>,
    threads: Vec<JoinHandle<()>>,
}

impl Service {
    fn start(loaded: Arc<Loaded>) -> Result<Self> {
        let store = Store::open(&loaded.store)?;
        let status = Arc::new(Status::default());
        status.started_us.store(now_us(), Ordering::Relaxed);
        let wishes = Arc::new(Wishes::default());
        let keeper_stop = Arc::new(Stop::default());
        let (marks, kept_marks) = mpsc::channel();
        repair_journals(&loaded.store, &status)?;
        let keeper = keeper::start(Keeping {
            store,
            loaded: Arc::clone(&loaded),
            status: Arc::clone(&status),
            wishes: Arc::clone(&wishes),
            marks: kept_marks,
            stop: Arc::clone(&keeper_stop),
        })
        .context("starting to file")?;
        let mut service = Self {
            loaded,
            status,
            wishes,
            taps: Vec::new(),
            others: Vec::new(),
            pages: None,
            copier: None,
            marks,
            keeper,
            keeper_stop,
        };
        let started = service.start_rest();
        if started.is_err() {
            service.keeper_stop.set();
            service.end_taps(|_| true);
        }
        started.map(|()| service)
    }

    fn start_rest(&mut self) -> Result<()> {
        self.tell_definitions();
        self.show()?;
        for tap in self.loaded.gateway.taps.clone() {
            self.start_tap(tap)?;
        }
        self.start_others()?;
        self.start_copy()
    }

    fn tell_definitions(&self) {
        let defs = &self.loaded.defs;
        let told = &self.status.keeper.definitions;
        *told.lock().unwrap_or_else(PoisonError::into_inner) = (defs.name.clone(), defs.hash.clone());
    }

    /// Starts boards and pages.
    fn show(&mut self) -> Result<()> {
        let Loaded { gateway, defs, filing, .. } = &*self.loaded;
        let boards = Arc::new(Boards::new(&gateway.taps, defs, &filing.vins, &filing.days));
        let stop = Arc::new(Stop::default());
        let subject = Arc::new(Subject {
            status: Arc::clone(&self.status),
            boards: Arc::clone(&boards),
            days: Mutex::new(filing.days.clone()),
            marks: self.marks.clone(),
        });
        let running = pages::start(&gateway.pages, Arc::clone(&subject), Arc::clone(&stop))?;
        if let Some(running) = &running {
            tracing::info!("pages at http://{}/", running.address);
        }
        let board = boards.start(gateway.pages.updates_per_second, Arc::clone(&self.status), Arc::clone(&stop))?;
        let threads = running.map(|running| running.thread).into_iter().chain([board]).collect();
        self.pages = Some(Shown { boards, subject, stop, threads });
        Ok(())
    }

    fn start_tap(&mut self, tap: Tap) -> Result<()> {
        let number = self.status.add_tap(TapStatus::new(&tap));
        let settings = self.loaded.gateway.journal.clone();
        let folder = keeper::journal_folder(&self.loaded.store).join(&tap.name);
        let (filed, room) = (Arc::clone(&self.wishes), Arc::clone(&self.wishes));
        let hooks = Hooks { finished: Box::new(move |_| filed.file()), room_wanted: Box::new(move || room.room()) };
        let (sender, journal) = journal::start(number, &tap, &folder, &settings, &self.status, hooks)?;
        let live =
            self.pages.as_ref().and_then(|pages| Some(pages.boards.listener(pages.boards.index(Some(&tap.name))?)));
        let stop = Arc::new(Stop::default());
        let rates = rates_of(&tap, &self.loaded.defs);
        let started = recorder::start(&Recording {
            tap: number,
            settings: &tap,
            rates: &rates,
            journal: &settings,
            sender: &sender,
            live: live.as_ref(),
            status: &self.status,
            stop: &stop,
        });
        // The journal ends with its last sender, those of the recorders among them.
        drop(sender);
        let mut threads = started.with_context(|| format!("starting to record {}", tap.name))?;
        threads.push(journal);
        self.taps.push(RunningTap { number, tap, settings, stop, threads });
        Ok(())
    }

    /// Starts what looks at interfaces and tells of events; what did before ends.
    fn start_others(&mut self) -> Result<()> {
        self.end_others();
        let rates: Vec<Vec<BitRates>> =
            self.taps.iter().map(|running| rates_of(&running.tap, &self.loaded.defs)).collect();
        let watching: Vec<Watching<'_>> = self
            .taps
            .iter()
            .zip(&rates)
            .map(|(running, rates)| Watching { tap: running.number, settings: &running.tap, rates })
            .collect();
        let stop = Arc::new(Stop::default());
        let thread = link::start(&watching, &self.status, &stop).context("starting to watch interfaces")?;
        self.others.push(Other { stop, thread });
        for receiver in &self.loaded.gateway.messages {
            let stop = Arc::new(Stop::default());
            let thread = messages::start(receiver, &self.loaded.store, Arc::clone(&self.status), Arc::clone(&stop))
                .with_context(|| format!("starting to tell {}", receiver.name))?;
            self.others.push(Other { stop, thread });
        }
        Ok(())
    }

    fn end_others(&mut self) {
        self.others.iter().for_each(|other| other.stop.set());
        self.others.drain(..).for_each(|other| join("other", other.thread));
    }

    /// Goes on by a new configuration. Taps that are as before go on recording without a gap.
    fn reload(&mut self, loaded: Arc<Loaded>) {
        if loaded.store != self.loaded.store {
            let text = "the store's folder is another: that takes effect when the service is started anew".to_owned();
            self.status.trouble("configuration", text);
            return;
        }
        let before = std::mem::replace(&mut self.loaded, Arc::clone(&loaded));
        let changed = self.reload_parts(&before);
        match changed {
            Ok(()) => {
                self.status.settled("configuration");
                tracing::info!(definitions = loaded.defs.hash, "going on by the new configuration");
            }
            Err(error) => self.status.trouble(
                "configuration",
                format!("the new configuration is used in part: {error:#}; start the service anew"),
            ),
        }
    }

    fn reload_parts(&mut self, before: &Loaded) -> Result<()> {
        let loaded = Arc::clone(&self.loaded);
        self.tell_definitions();
        self.wishes.reload(Arc::clone(&loaded));
        let (new, old) = (&loaded.gateway, &before.gateway);
        if (&new.taps, &new.pages) == (&old.taps, &old.pages) {
            if let Some(pages) = &self.pages {
                pages.boards.replace(&loaded.defs, &loaded.filing.vins, &loaded.filing.days);
                *pages.subject.days.lock().unwrap_or_else(PoisonError::into_inner) = loaded.filing.days.clone();
            }
        } else {
            // Boards are by tap, and recorders hold theirs: all begin anew.
            self.end_pages();
            self.end_taps(|_| true);
            self.show()?;
        }
        let as_before = |running: &RunningTap| new.taps.contains(&running.tap) && running.settings == new.journal;
        self.end_taps(|running| !as_before(running));
        for tap in &new.taps {
            if !self.taps.iter().any(|running| running.tap == *tap) {
                self.start_tap(tap.clone())?;
            }
        }
        self.start_others()?;
        if self.copier.as_ref().map(|copier| &copier.settings) != new.copy.as_ref() {
            self.end_copy();
            self.start_copy()?;
        }
        Ok(())
    }

    /// Ends the taps that are meant; their journals are whole then.
    fn end_taps(&mut self, meant: impl Fn(&RunningTap) -> bool) {
        let (ending, kept) = std::mem::take(&mut self.taps).into_iter().partition::<Vec<_>, _>(|tap| meant(tap));
        self.taps = kept;
        ending.iter().for_each(|tap| tap.stop.set());
        for running in ending {
            for thread in running.threads {
                join(&running.tap.name, thread);
            }
            self.status.remove_tap(running.number);
        }
    }

    fn start_copy(&mut self) -> Result<()> {
        let Some(settings) = self.loaded.gateway.copy.clone() else { return Ok(()) };
        let stop = Arc::new(Stop::default());
        let copying = Copying {
            store: self.loaded.store.clone(),
            settings: settings.clone(),
            status: Arc::clone(&self.status),
            stop: Arc::clone(&stop),
        };
        let thread = copy::start(copying).context("starting to copy")?;
        self.copier = Some(Copier { settings, stop, thread });
        Ok(())
    }

    fn end_copy(&mut self) {
        let Some(Copier { stop, thread, .. }) = self.copier.take() else { return };
        stop.set();
        if ended_within(&thread, COPY_AT_END) {
            join("copier", thread);
        } else {
            tracing::warn!("the copier does not end: a disk holds it up perhaps; it is left behind");
        }
        self.status.settled("copy");
        self.status.keeper.copy_waiting.store(0, Ordering::Relaxed);
    }

    fn end_pages(&mut self) {
        if let Some(pages) = self.pages.take() {
            pages.stop.set();
            pages.threads.into_iter().for_each(|thread| join("pages", thread));
        }
    }

    fn end(mut self) {
        self.others.iter().for_each(|other| other.stop.set());
        self.end_taps(|_| true);
        self.wishes.end();
        self.end_copy();
        ended_within(&self.keeper, FILING_AT_END);
        self.keeper_stop.set();
        self.wishes.end();
        self.end_pages();
        self.end_others();
        join("keeper", self.keeper);
    }

    /// One line about how it goes.
    fn summary(&self) -> String {
        summary(&self.status)
    }

    /// Starts the thread that tells the service manager how it goes, while no tap hangs.
    fn start_teller(&self, stop: &Arc<Stop>) -> Result<JoinHandle<()>> {
        let (status, stop) = (Arc::clone(&self.status), Arc::clone(stop));
        let watchdog = sd_notify::watchdog_enabled();
        let every = watchdog.map_or(TELL_EVERY, |limit| TELL_EVERY.min(limit / 3));
        let teller = move || {
            let mut beats = Beats::default();
            let mut told = Instant::now();
            while !stop.is_set() {
                std::thread::sleep(Duration::from_millis(100));
                if told.elapsed() < every {
                    continue;
                }
                told = Instant::now();
                match beats.hanging(&status) {
                    None => notify(&[NotifyState::Watchdog, NotifyState::Status(&summary(&status))]),
                    Some(tap) => {
                        let text = format!("tap {tap} has not moved for {} s", HANGS_AFTER.as_secs());
                        status.trouble("watchdog", text);
                    }
                }
            }
        };
        std::thread::Builder::new().name("teller".into()).spawn(teller).context("starting to tell the service manager")
    }
}

/// When each tap's threads last showed themselves.
#[derive(Default)]
struct Beats(std::collections::HashMap<(String, usize), (u64, Instant)>);

impl Beats {
    /// A tap that hangs.
    fn hanging(&mut self, status: &Status) -> Option<String> {
        let now = Instant::now();
        let mut hanging = None;
        for tap in status.taps() {
            for (index, beat) in [&tap.recorder_beat, &tap.journal_beat].into_iter().enumerate() {
                let beat = beat.load(Ordering::Relaxed);
                let seen = self.0.entry((tap.name.clone(), index)).or_insert((beat, now));
                if seen.0 != beat {
                    *seen = (beat, now);
                } else if beat > 0 && now - seen.1 > HANGS_AFTER {
                    hanging = Some(tap.name.clone());
                }
            }
        }
        hanging
    }
}

fn summary(status: &Status) -> String {
    let taps = status.taps();
    let buses = taps.iter().flat_map(|tap| &tap.buses).count();
    let sum = |of: fn(&TapStatus) -> &AtomicU64| taps.iter().map(|tap| of(tap).load(Ordering::Relaxed)).sum::<u64>();
    let mut text = format!(
        "{buses} bus{}; {} MB of journal to be filed",
        if buses == 1 { "" } else { "es" },
        sum(|tap| &tap.journal_bytes) / 1_000_000
    );
    let troubles = status.troubles();
    if let Some((_, first)) = troubles.first() {
        text.push_str(&format!("; {} trouble{}: {first}", troubles.len(), if troubles.len() == 1 { "" } else { "s" }));
    }
    text.retain(|c| !c.is_control());
    text
}

/// Ends the segments that the last run left unfinished.
fn repair_journals(store: &Path, status: &Status) -> Result<()> {
    let journal = keeper::journal_folder(store);
    for tap in keeper::folders(&journal) {
        for repaired in journal::repair(&journal.join(&tap))? {
            match repaired {
                Repaired::Ended { path, frames, cut_bytes, damaged_bytes } => {
                    tracing::info!(tap, frames, cut_bytes, "an unfinished segment was ended: {}", path.display());
                    if damaged_bytes > 0 {
                        let text = format!(
                            "{}: {damaged_bytes} bytes behind a damaged place; what can be read of them is filed",
                            path.display()
                        );
                        status.trouble(&format!("journal of {tap}"), text);
                    }
                }
                Repaired::Empty { path } => tracing::debug!("{} had no frames", path.display()),
                Repaired::SetAside { path } => {
                    let text = format!("{} is no segment, and was set aside; look at it", path.display());
                    status.trouble(&format!("journal of {tap}"), text);
                }
            }
        }
    }
    Ok(())
}

fn rates_of(tap: &Tap, defs: &Definitions) -> Vec<BitRates> {
    let rates = |name: &str| {
        defs.bus(name).map_or_else(BitRates::default, |bus| {
            let bus = &defs.buses[bus];
            BitRates { nominal: Some(bus.bitrate), data_phase: bus.fd_bitrate }
        })
    };
    tap.buses.iter().map(|bus| rates(&bus.bus)).collect()
}

/// Tells the service manager, where there is one.
fn notify(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!("the service manager was not told: {error}");
    }
}

fn notify_reloading() {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => notify(&[NotifyState::Reloading, now]),
        Err(error) => tracing::debug!("the service manager was not told: {error}"),
    }
}

/// Waits for a thread, and tells whether it has ended.
fn ended_within(thread: &JoinHandle<()>, longest: Duration) -> bool {
    let until = Instant::now() + longest;
    while !thread.is_finished() && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(20));
    }
    thread.is_finished()
}

/// A thread that ended by a panic has said so itself.
fn join(name: &str, thread: JoinHandle<()>) {
    if thread.join().is_err() {
        tracing::error!("the thread {name} ended by a fault of the program");
    }
}
