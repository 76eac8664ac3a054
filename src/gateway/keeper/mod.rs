//! The keeper: the one thread that writes to the store. Journal segments and the inbox's captures in; filed, counted,
//! closed and pruned days out.
//!
//! It does one thing after another, what presses most first: room on the disk, the journal, marks, the inbox, counting,
//! the day's end. Nobody waits for it but who stops the service: while it is slow, the journal grows on disk.

mod days;
mod marks;
mod segments;

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::civil::Date;

use super::clock::now_us;
use super::inbox::Inbox;
use super::service::Loaded;
use super::status::{Status, Stop, held};
use crate::board::Mark;
use crate::filing::{self, Count, Desk, Due, FilingError, HeardLast, Outcome};
use crate::store::Store;

/// Longest rest, with nothing to do.
const REST: Duration = Duration::from_secs(1);
/// How often is looked for stretches that are worth counting.
const COUNT_EVERY: Duration = Duration::from_secs(60);
/// After a failure to write to the store, so long is waited; then twice as long, up to the most.
const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(60));

/// What others want of the keeper.
#[derive(Debug, Default)]
pub struct Wishes {
    state: Mutex<Wished>,
    come: Condvar,
}

#[derive(Debug, Default)]
struct Wished {
    anything: bool,
    room: bool,
    loaded: Option<Arc<Loaded>>,
    end: bool,
}

impl Wishes {
    /// There is something to be filed.
    pub fn file(&self) {
        self.wish(|_| {});
    }

    /// The disk is full.
    pub fn room(&self) {
        self.wish(|wished| wished.room = true);
    }

    /// Go on by a new configuration.
    pub fn reload(&self, loaded: Arc<Loaded>) {
        self.wish(|wished| wished.loaded = Some(loaded));
    }

    /// File what there is in the journal, and end.
    pub fn end(&self) {
        self.wish(|wished| wished.end = true);
    }

    fn wish(&self, change: impl FnOnce(&mut Wished)) {
        let mut state = self.lock();
        change(&mut state);
        state.anything = true;
        self.come.notify_one();
    }

    fn lock(&self) -> MutexGuard<'_, Wished> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What was wished since the last call; waits for it up to `longest`.
    fn take(&self, longest: Duration) -> Wished {
        let state = self.lock();
        let (mut state, _) = self
            .come
            .wait_timeout_while(state, longest, |wished| !wished.anything)
            .unwrap_or_else(PoisonError::into_inner);
        let end = state.end;
        let taken = std::mem::take(&mut *state);
        state.end = end;
        taken
    }
}

/// What the keeper is started with.
pub struct Keeping {
    /// The store, opened for writing.
    pub store: Store,
    /// The configuration.
    pub loaded: Arc<Loaded>,
    /// Where is told what happens.
    pub status: Arc<Status>,
    /// What others want.
    pub wishes: Arc<Wishes>,
    /// Live marks to be kept.
    pub marks: Receiver<Mark>,
    /// Gives up what is under way. Set some seconds after [`Wishes::end`].
    pub stop: Arc<Stop>,
}

/// Starts the keeper. Its thread ends after [`Wishes::end`], when the journal is filed, or when `stop` is set.
///
/// # Errors
/// The inbox's memory cannot be read, or there can be no further thread.
pub fn start(keeping: Keeping) -> io::Result<JoinHandle<()>> {
    let keeper = Keeper::new(keeping, BTreeMap::new())?;
    std::thread::Builder::new().name("keeper".into()).spawn(move || supervise(keeper))
}

/// Runs the keeper. A fault of the program ends what it is at, not the service: recording goes on, and so does the
/// keeper, by a store that is opened anew. What it fails at again and again is set aside.
fn supervise(mut keeper: Keeper) {
    while catch_unwind(AssertUnwindSafe(|| keeper.run())).is_err() {
        let Keeper { keeping, tried, .. } = keeper;
        let Keeping { store, loaded, status, wishes, marks, stop } = keeping;
        status.trouble(
            "keeper",
            format!("a fault of the program, {}: please report it with the log", held(&status.keeper.doing)),
        );
        let root = store.root().to_owned();
        // Its lock has to go before it can be opened again.
        drop(store);
        let begun = loop {
            if stop.is_set() {
                return;
            }
            std::thread::sleep(RETRY.0);
            match Store::open(&root) {
                Ok(store) => break store,
                Err(error) => status.trouble("keeper: store", error.to_string()),
            }
        };
        status.settled("keeper: store");
        match Keeper::new(Keeping { store: begun, loaded, status: Arc::clone(&status), wishes, marks, stop }, tried) {
            Ok(anew) => keeper = anew,
            Err(error) => {
                status.trouble("keeper", format!("nothing is filed any more: {error}; start the service anew"));
                return;
            }
        }
    }
}

struct Keeper {
    keeping: Keeping,
    inbox: Option<Inbox>,
    /// By tap: who was heard last in its last segment.
    heard_last: BTreeMap<String, HeardLast>,
    /// How long is waited after the next failure.
    retry: Duration,
    /// Until when nothing is filed, the store having refused.
    retry_at: Option<Instant>,
    count_at: Instant,
    /// Before this date all days are closed.
    closed_before: Option<Date>,
    /// Not before, days that were opened again are closed.
    close_at: Instant,
    /// Whether anything was filed since the last closing.
    opened: bool,
    room_at: Instant,
    measure_at: Instant,
    /// Segments that filing was begun of and not ended, and how often: a fault of the program ended it.
    tried: BTreeMap<PathBuf, u32>,
}

/// Whether there was something to do.
#[derive(PartialEq, Eq)]
enum Did {
    Something,
    Nothing,
}

impl Keeper {
    fn new(keeping: Keeping, tried: BTreeMap<PathBuf, u32>) -> io::Result<Self> {
        let inbox = inbox_of(&keeping)?;
        let now = Instant::now();
        Ok(Self {
            keeping,
            inbox,
            heard_last: BTreeMap::new(),
            retry: RETRY.0,
            retry_at: None,
            count_at: now,
            closed_before: None,
            close_at: now,
            opened: true,
            room_at: now,
            measure_at: now,
            tried,
        })
    }

    fn run(&mut self) {
        let mut rest = Duration::ZERO;
        loop {
            let wished = self.keeping.wishes.take(rest);
            if self.keeping.stop.is_set() {
                return;
            }
            if let Some(loaded) = wished.loaded {
                self.go_on_by(loaded);
            }
            if wished.room {
                self.room_at = Instant::now();
            }
            self.keep_marks();
            self.make_room();
            let filed = self.file_segment();
            if wished.end && filed == Did::Nothing {
                self.doing("ended");
                return;
            }
            let busy = filed == Did::Something
                || (!wished.end && (self.file_capture() == Did::Something || self.count() || self.end_days()));
            if !busy {
                self.doing("waiting");
            }
            rest = if busy { Duration::ZERO } else { REST };
        }
    }

    /// From now on, by another configuration; the store is the same.
    fn go_on_by(&mut self, loaded: Arc<Loaded>) {
        self.keeping.loaded = loaded;
        match inbox_of(&self.keeping) {
            Ok(inbox) => self.inbox = inbox,
            Err(error) => self.trouble("inbox", format!("the inbox goes on as before: {error}")),
        }
        let now = Instant::now();
        (self.count_at, self.close_at, self.room_at, self.closed_before) = (now, now, now, None);
    }

    /// Files the next capture of the inbox.
    fn file_capture(&mut self) -> Did {
        let Some(inbox) = &mut self.inbox else { return Did::Nothing };
        let Some(ready) = inbox.next(Instant::now()) else { return Did::Nothing };
        inbox.begin(&ready);
        self.doing(&format!("filing {}", ready.name()));
        let loaded = Arc::clone(&self.keeping.loaded);
        let vehicle = loaded.filing.vehicle.clone().or_else(|| ready.vehicle.clone());
        let settings = filing::Settings { vehicle, ..loaded.filing.clone() };
        let filed = match ready.capture() {
            Ok(mut capture) => {
                self.desk(&loaded, &settings, Count::JoinedLater).file_capture(&mut capture, &mut |_| {})
            }
            Err(error) => Err(error.into()),
        };
        if let Ok(outcome) = &filed {
            self.tell_filed(outcome);
        }
        let Some(inbox) = &mut self.inbox else { return Did::Nothing };
        match &filed {
            Err(FilingError::Stopped) => inbox.give_back(ready),
            outcome => inbox.done(ready, outcome.as_ref(), Instant::now()),
        }
        Did::Something
    }

    /// Counts stretches that are over or have grown. Whether there were any.
    fn count(&mut self) -> bool {
        if Instant::now() < self.count_at {
            return false;
        }
        self.count_at = Instant::now() + COUNT_EVERY;
        self.count_due(Due::Worth { now_us: now_us() })
    }

    fn count_due(&mut self, due: Due) -> bool {
        self.doing("counting runs");
        let loaded = Arc::clone(&self.keeping.loaded);
        match self.desk(&loaded, &loaded.filing, Count::Later).count_due(due) {
            Ok(counted) => counted.stretches > 0,
            Err(FilingError::Stopped) => false,
            Err(error) => {
                self.refused(&error);
                false
            }
        }
    }

    fn desk<'a>(&'a self, loaded: &'a Loaded, settings: &'a filing::Settings, count: Count) -> Desk<'a> {
        let stop = Some(&*self.keeping.stop);
        Desk { count, stop, ..Desk::new(&self.keeping.store, &loaded.defs, settings, &loaded.places) }
    }

    fn tell_filed(&mut self, outcome: &Outcome) {
        let told = &self.keeping.status.keeper;
        if let Outcome::Filed(record) = outcome {
            let frames: u64 = record.vehicles.iter().map(|part| part.frames).sum();
            told.filed.fetch_add(1, Ordering::Relaxed);
            told.filed_frames.fetch_add(frames, Ordering::Relaxed);
            for remark in &record.remarks {
                tracing::warn!(capture = record.source, "{remark}");
            }
            tracing::info!(capture = record.source, frames, "filed");
        }
        let until_us = outcome.record().vehicles.iter().map(|part| part.last_us).max().unwrap_or_default();
        self.opened = true;
        told.filed_until_us.fetch_max(until_us, Ordering::Relaxed);
        self.keeping.status.settled("filing");
        (self.retry, self.retry_at) = (RETRY.0, None);
    }

    /// The store refused: wait, and see whether there is room.
    fn refused(&mut self, error: &FilingError) {
        self.trouble("filing", format!("the store cannot be written: {error}; the journal grows meanwhile"));
        self.retry_at = Some(Instant::now() + self.retry);
        self.retry = (self.retry * 2).min(RETRY.1);
        self.room_at = Instant::now();
    }

    fn journal(&self) -> PathBuf {
        journal_folder(self.keeping.store.root())
    }

    fn doing(&self, what: &str) {
        let mut doing = self.keeping.status.keeper.doing.lock().unwrap_or_else(PoisonError::into_inner);
        what.clone_into(&mut doing);
    }

    fn trouble(&self, cause: &str, text: String) {
        self.keeping.status.trouble(cause, text);
    }
}

/// Where the journals of a store's taps are.
pub fn journal_folder(store: &Path) -> PathBuf {
    store.join("journal")
}

/// Names of the folders in a folder, in order; none where it is not there.
pub fn folders(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries
        .filter(|entry| entry.path().is_dir())
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    names.sort();
    names
}

fn inbox_of(keeping: &Keeping) -> io::Result<Option<Inbox>> {
    let Loaded { gateway, vehicle_path, .. } = &*keeping.loaded;
    let inbox = gateway
        .inbox
        .clone()
        .map(|settings| Inbox::new(settings, vehicle_path.clone(), keeping.store.root(), Arc::clone(&keeping.status)));
    inbox.transpose()
}
