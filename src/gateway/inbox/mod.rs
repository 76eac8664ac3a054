//! The inbox: a folder where vehicles drop captures → one complete capture after another, and what becomes of it.
//!
//! The keeper asks [`Inbox::next`], files what it gets, and tells [`Inbox::done`] how it went. A file is complete when
//! who wrote it has closed it or renamed it into place. Where nobody was seen to (before the start, over a network file
//! system), it must not change for `settle`. After filing it is looked at again: one that has grown is filed again, for
//! frames that are there already count once. Only then is it kept, moved or deleted.
//!
//! Captures come in the order of their paths, which is that of a vehicle's recordings where names begin with the time.
//! It knows neither what is in a capture nor the store.

mod away;
mod folder;
mod kept;
mod names;
mod watch;

use std::collections::{BTreeMap, HashSet};
use std::ffi::OsStr;
use std::fs::{self, File};
use std::io;
use std::ops::Bound;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use super::status::Status;
use crate::capture::{Capture, CaptureError, ReadOptions};
use crate::filing::{FilingError, Outcome};
use crate::settings::PathPattern;
use crate::settings::gateway::{Afterwards, Inbox as Settings};
use crate::store::StoreError;
use folder::{Folder, Seen};
use kept::{Kept, mark_of};
use names::{REASON_SUFFIX, is_passing, shown};
use watch::{News, Watch};

/// Files whose state is kept in memory; of more, those that come first.
const FILES_MAX: usize = 20_000;
/// Folders within folders that are looked through.
const DEPTH_MAX: usize = 16;
/// The folders are looked through so often, whatever the kernel tells; rarer where that takes long.
const LOOK_EVERY: Duration = Duration::from_secs(30);
/// Looking through the folders takes at most one part in so many of the time.
const LOOK_SHARE: u32 = 20;
/// So long after a file could not be read, moved or deleted it is tried again.
const RETRY_AFTER: Duration = Duration::from_secs(60);
/// First pause where the store cannot be written; it doubles up to the last.
const PAUSES: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(300));
/// So many starts in a row that ended while the same capture was filed, and it is set aside.
const TRIES_MAX: u32 = 3;
/// Captures set aside that the status names.
const QUARANTINED_SHOWN: usize = 100;
/// Texts in the quarantine that are counted at the start.
const QUARANTINED_COUNTED_MAX: usize = 10_000;

/// Causes of trouble, as the status has them.
const FOLDER_TROUBLE: &str = "inbox";
const SUBFOLDER_TROUBLE: &str = "inbox: subfolders";
const READ_TROUBLE: &str = "inbox: reading";
const AWAY_TROUBLE: &str = "inbox: putting away";
const STORE_TROUBLE: &str = "inbox: filing";
const STATE_TROUBLE: &str = "inbox: memory";

/// A complete capture.
#[derive(Debug)]
pub struct Ready {
    relative: PathBuf,
    name: String,
    seen: Seen,
    file: File,
    /// The vehicle, where the path names it.
    pub vehicle: Option<String>,
}

impl Ready {
    /// Its path as one line of text.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its size, bytes.
    pub fn bytes(&self) -> u64 {
        self.seen.size
    }

    /// Opens it as a capture, with its content hash asked for. The file is the one that was looked at, even where its name
    /// stands for another by now.
    ///
    /// # Errors
    /// It cannot be read, or is no capture: tell [`Inbox::done`].
    pub fn capture(&self) -> Result<Capture, CaptureError> {
        let file = self.file.try_clone();
        let file = file.map_err(|source| CaptureError::Open { path: PathBuf::from(&self.name), source })?;
        let options = ReadOptions { content_hash: true, ..ReadOptions::default() };
        Capture::from_reader(self.name.clone(), Box::new(file), options)
    }
}

/// A file in the inbox that is not put away.
#[derive(Debug)]
struct Waiting {
    seen: Seen,
    /// Since when it has been so.
    since: Instant,
    /// Whether it was closed or renamed into place after it was so.
    closed: bool,
    /// It is filed as it is, and only to be put away.
    filed: bool,
    /// It cannot be used, and why.
    bad: Option<String>,
    /// Not before.
    retry_at: Option<Instant>,
    /// What kind of trouble it made last.
    trouble: Option<&'static str>,
    /// In which look through the folders it was last seen.
    look: u64,
}

/// Which capture is being filed, for a start after one that ended the service.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Trying {
    /// Hash over path, size and time of last change.
    mark: String,
    /// Starts that ended so.
    times: u32,
}

/// The inbox.
#[derive(Debug)]
pub struct Inbox {
    settings: Settings,
    vehicle_path: Option<PathPattern>,
    status: Arc<Status>,
    kept: Kept,
    trying_path: PathBuf,
    /// What the last start was ended by, perhaps.
    tried: Option<Trying>,
    watch: Option<Watch>,
    /// The folder that is watched.
    identity: Option<(u64, u64)>,
    files: BTreeMap<PathBuf, Waiting>,
    /// Files that are there beyond those.
    beyond: u64,
    look: u64,
    next_look: Option<Instant>,
    paused_until: Option<Instant>,
    pause: Duration,
}

/// One look through the folders.
#[derive(Default)]
struct Look {
    present: HashSet<u128>,
    beyond: u64,
    /// First folder that could not be looked through, and why.
    refused: Option<String>,
    /// Neither files nor folders.
    odd: u64,
    odd_one: Option<PathBuf>,
}

impl Look {
    fn refuse(&mut self, folder: &Path, error: &io::Error) {
        let text = format!("{}: {error}; let this user read it, or take it out of the inbox", shown(folder));
        self.refused.get_or_insert(text);
    }
}

impl Inbox {
    /// Begins. What it remembers lies in the store's folder, as `inbox.kept` and `inbox.trying`.
    ///
    /// # Errors
    /// What it remembers cannot be read.
    pub fn new(
        settings: Settings,
        vehicle_path: Option<PathPattern>,
        store: &Path,
        status: Arc<Status>,
    ) -> Result<Self, io::Error> {
        let kept = Kept::load(&store.join("inbox.kept"))?;
        let trying_path = store.join("inbox.trying");
        // Half of it says nothing, and then nothing is known.
        let tried = fs::read(&trying_path).ok().and_then(|text| serde_json::from_slice(&text).ok());
        let inbox = Self {
            settings,
            vehicle_path,
            status,
            kept,
            trying_path,
            tried,
            watch: None,
            identity: None,
            files: BTreeMap::new(),
            beyond: 0,
            look: 0,
            next_look: None,
            paused_until: None,
            pause: PAUSES.0,
        };
        inbox.recall_quarantine();
        Ok(inbox)
    }

    /// The next complete capture, if there is one now. Costs little where there is nothing new.
    pub fn next(&mut self, now: Instant) -> Option<Ready> {
        self.hear(now);
        if self.next_look.is_none_or(|at| now >= at) || (self.files.is_empty() && self.beyond > 0) {
            let begun = Instant::now();
            self.look_through(now);
            self.next_look = Some(now + LOOK_EVERY.max(begun.elapsed() * LOOK_SHARE));
        }
        let ready = self.take(now);
        self.status.inbox.waiting.store(self.files.len() as u64 + self.beyond, Ordering::Relaxed);
        ready
    }

    fn take(&mut self, now: Instant) -> Option<Ready> {
        if self.files.is_empty() {
            return None;
        }
        let root = Folder::open(&self.settings.folder).ok()?;
        let settle = self.settings.settle;
        let paused = self.paused_until.is_some_and(|until| now < until);
        let mut from = Bound::Unbounded;
        loop {
            let due = |file: &Waiting| {
                let settled = now.saturating_duration_since(file.since) >= settle;
                let away = file.filed || file.bad.is_some();
                let taken = if away { settled } else { (settled || file.closed) && !paused };
                taken && file.retry_at.is_none_or(|at| now >= at)
            };
            let path = self.files.range((from, Bound::Unbounded)).find(|(_, file)| due(file))?.0.clone();
            from = Bound::Excluded(path.clone());
            let Some(name) = path.file_name() else { continue };
            let opened = root.again().and_then(|root| root.holding(&path)).and_then(|holder| {
                let file = holder.open_file(name)?;
                let seen = Seen::of(&file.metadata()?);
                Ok((holder, file, seen))
            });
            let (holder, file, seen) = match opened {
                Ok(opened) => opened,
                Err(error) => {
                    self.not_opened(&path, &error, now);
                    continue;
                }
            };
            let Some(waiting) = self.files.get_mut(&path) else { continue };
            if waiting.seen != seen {
                *waiting = Waiting { look: waiting.look, ..Waiting::new(seen, now) };
                continue;
            }
            if waiting.filed || waiting.bad.is_some() {
                self.put_away(&holder, &path, now);
                continue;
            }
            let mark = mark_of(&path, &seen);
            if self.has_ended_us(mark) {
                let reason =
                    format!("the service ended {TRIES_MAX} times while it was filed; file it by hand to see why");
                self.bad(&path, reason, now);
                continue;
            }
            let whole = self.settings.folder.join(&path);
            let vehicle = self.vehicle_path.as_ref().and_then(|pattern| pattern.vehicle(&whole));
            return Some(Ready { name: shown(&whole), relative: path, seen, file, vehicle });
        }
    }

    /// Takes what came of a capture.
    pub fn done(&mut self, ready: Ready, outcome: Result<&Outcome, &FilingError>, now: Instant) {
        self.forget_trying();
        let path = ready.relative;
        drop(ready.file);
        let Some(waiting) = self.files.get_mut(&path) else { return };
        let settled = now.saturating_duration_since(waiting.since) >= self.settings.settle;
        match outcome {
            Ok(outcome) => {
                self.status.inbox.filed.fetch_add(1, Ordering::Relaxed);
                self.status.settled(STORE_TROUBLE);
                self.pause = PAUSES.0;
                waiting.filed = true;
                // One that was cut off while it came may go on: it is given time before it is put away.
                if settled || outcome.record().remarks.is_empty() {
                    self.check_and_put_away(&path, now);
                }
            }
            Err(FilingError::Capture(error)) if is_of_the_system(error) => {
                self.try_later(&path, READ_TROUBLE, format!("{error}; it is tried again every minute"), now);
            }
            Err(FilingError::Capture(error)) => self.bad(&path, error.to_string(), now),
            // Neither time nor room would help these: the capture is at fault, or cannot go into this store.
            Err(FilingError::Store(error @ (StoreError::ClockAstray { .. } | StoreError::OtherDefinitions { .. }))) => {
                self.bad(&path, error.to_string(), now)
            }
            // It is there again after the next start.
            Err(FilingError::Stopped | FilingError::Store(StoreError::Stopped)) => {}
            Err(error) => {
                self.status.trouble(STORE_TROUBLE, format!("captures of the inbox wait: {error}"));
                self.paused_until = Some(now + self.pause);
                self.pause = (self.pause * 2).min(PAUSES.1);
            }
        }
        self.status.inbox.waiting.store(self.files.len() as u64 + self.beyond, Ordering::Relaxed);
    }

    /// Gives a capture back that was not filed, because the service ends.
    pub fn give_back(&mut self, ready: Ready) {
        drop(ready);
        self.forget_trying();
    }

    /// Says that a capture is about to be filed: where that ends the service itself, the next start knows.
    pub fn begin(&mut self, ready: &Ready) {
        let mark = format!("{:032x}", mark_of(&ready.relative, &ready.seen));
        let times = self.tried.take().filter(|tried| tried.mark == mark).map_or(0, |tried| tried.times);
        let trying = Trying { mark, times: times + 1 };
        let written =
            serde_json::to_vec(&trying).map_err(io::Error::from).and_then(|text| fs::write(&self.trying_path, text));
        self.tried = Some(trying);
        self.tell_state(written, "inbox.trying");
    }

    fn has_ended_us(&self, mark: u128) -> bool {
        let mark = format!("{mark:032x}");
        self.tried.as_ref().is_some_and(|tried| tried.times >= TRIES_MAX && tried.mark == mark)
    }

    fn forget_trying(&mut self) {
        self.tried = None;
        let removed = match fs::remove_file(&self.trying_path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        };
        self.tell_state(removed, "inbox.trying");
    }

    /// What cannot be remembered costs time after the next start, and no capture.
    fn tell_state(&self, result: io::Result<()>, file: &str) {
        match result {
            Ok(()) => self.status.settled(STATE_TROUBLE),
            Err(error) => self.status.trouble(STATE_TROUBLE, format!("{file} in the store cannot be written: {error}")),
        }
    }

    /// A capture that cannot be used. One that may still be coming is looked at again before it is set aside.
    fn bad(&mut self, path: &Path, reason: String, now: Instant) {
        if let Some(waiting) = self.files.get_mut(path) {
            waiting.bad = Some(reason);
        }
        let settle = self.settings.settle;
        let settled = |waiting: &Waiting| now.saturating_duration_since(waiting.since) >= settle;
        if self.files.get(path).is_some_and(settled) {
            self.check_and_put_away(path, now);
        }
    }

    /// Puts a file away if it is still as it was filed; else it is filed again once it has settled.
    fn check_and_put_away(&mut self, path: &Path, now: Instant) {
        let Some(name) = path.file_name() else { return };
        let looked = Folder::open(&self.settings.folder)
            .and_then(|root| root.holding(path))
            .and_then(|holder| holder.look(name).map(|metadata| (holder, metadata)));
        let (holder, metadata) = match looked {
            Ok(looked) => looked,
            Err(error) => return self.not_opened(path, &error, now),
        };
        let seen = Seen::of(&metadata);
        match self.files.get_mut(path) {
            Some(waiting) if waiting.seen == seen && metadata.is_file() => self.put_away(&holder, path, now),
            Some(waiting) => *waiting = Waiting { look: waiting.look, ..Waiting::new(seen, now) },
            None => {}
        }
    }

    fn put_away(&mut self, holder: &Folder, path: &Path, now: Instant) {
        let Some(waiting) = self.files.get_mut(path) else { return };
        let whole = shown(&self.settings.folder.join(path));
        let put = match (&waiting.bad, &self.settings.afterwards) {
            (Some(reason), _) => away::set_aside(holder, path, &self.settings.quarantine, reason).map(|to| {
                tracing::warn!(capture = whole, to = shown(&to), "set aside: {reason}");
                quarantined(&self.status, shown(path), reason.clone());
            }),
            (None, Afterwards::Keep) => {
                let kept = self.kept.add(mark_of(path, &waiting.seen));
                self.tell_state(kept, "inbox.kept");
                Ok(())
            }
            (None, Afterwards::Move(target)) => away::put(holder, path, target).map(|to| {
                tracing::debug!(capture = whole, to = shown(&to), "moved");
            }),
            (None, Afterwards::Delete) => match path.file_name() {
                Some(name) => fs::remove_file(holder.path_of(name)),
                None => Ok(()),
            },
        };
        match put {
            Ok(()) => {
                self.files.remove(path);
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound && self.is_gone(holder, path) => {
                self.files.remove(path);
            }
            Err(error) => {
                // By the folder, so that ten thousand files do not make ten thousand lines of log.
                let folder = shown(&self.settings.folder.join(path.parent().unwrap_or(Path::new(""))));
                let text = format!("{folder}: what was read cannot be put away: {error}; {}", away_remedy(&error));
                self.try_later(path, AWAY_TROUBLE, text, now);
            }
        }
    }

    fn try_later(&mut self, path: &Path, cause: &'static str, text: String, now: Instant) {
        self.status.trouble(cause, text);
        if let Some(waiting) = self.files.get_mut(path) {
            waiting.retry_at = Some(now + RETRY_AFTER);
            waiting.trouble = Some(cause);
        }
    }

    fn is_gone(&self, holder: &Folder, path: &Path) -> bool {
        let looked = path.file_name().map(|name| holder.look(name));
        looked.is_none_or(|looked| looked.is_err_and(|error| error.kind() == io::ErrorKind::NotFound))
    }

    /// A file that was there cannot be opened.
    fn not_opened(&mut self, path: &Path, error: &io::Error, now: Instant) {
        use nix::errno::Errno;
        let odd =
            matches!(error.raw_os_error().map(Errno::from_raw), Some(Errno::ELOOP | Errno::ENOTDIR | Errno::ENXIO));
        if error.kind() == io::ErrorKind::NotFound || error.kind() == io::ErrorKind::InvalidInput || odd {
            // Gone, or no file any more: the next look through the folders tells.
            self.files.remove(path);
            return;
        }
        let folder = shown(&self.settings.folder.join(path.parent().unwrap_or(Path::new(""))));
        let text = format!("{folder}: {error}; let this user read what is in it: it is tried again every minute");
        self.try_later(path, READ_TROUBLE, text, now);
    }

    /// Takes what the kernel tells.
    fn hear(&mut self, now: Instant) {
        let Some(watch) = &mut self.watch else { return };
        for news in watch.news() {
            match news {
                News::Lost => self.next_look = None,
                News::Complete(path) => self.complete(&path, now),
                News::Folder(path) => {
                    let opened = Folder::open(&self.settings.folder)
                        .and_then(|root| root.holding(&path))
                        .and_then(|holder| holder.below(path.file_name().unwrap_or_default()));
                    // Gone again, or for the next look through everything.
                    if let Ok(folder) = opened {
                        let mut look = Look::default();
                        self.look_into(&folder, &path, path.components().count(), now, &mut look);
                        self.beyond += look.beyond;
                    }
                }
            }
        }
    }

    fn complete(&mut self, path: &Path, now: Instant) {
        let Some(name) = path.file_name().filter(|name| !is_passing(name)) else { return };
        let looked = Folder::open(&self.settings.folder)
            .and_then(|root| root.holding(path))
            .and_then(|holder| holder.look(name));
        let Ok(metadata) = looked else { return };
        let seen = Seen::of(&metadata);
        if metadata.is_file() && !self.kept.contains(mark_of(path, &seen)) {
            self.note(path.to_owned(), seen, true, now);
        }
    }

    /// Looks through all folders.
    fn look_through(&mut self, now: Instant) {
        self.look += 1;
        let root = match Folder::open(&self.settings.folder).and_then(|root| Ok((root.identity()?, root))) {
            Ok((identity, root)) => {
                self.status.settled(FOLDER_TROUBLE);
                if self.identity != Some(identity) {
                    self.identity = Some(identity);
                    // Without news every file settles; that is slower and nothing worse.
                    self.watch = Watch::new().inspect_err(|error| tracing::info!("inbox: not watched: {error}")).ok();
                }
                root
            }
            Err(error) => {
                let folder = shown(&self.settings.folder);
                let text = format!("{folder}: {error}; make the folder, mount it, or let this user read it");
                self.status.trouble(FOLDER_TROUBLE, text);
                (self.watch, self.identity) = (None, None);
                self.files.clear();
                self.beyond = 0;
                return;
            }
        };
        let mut look = Look::default();
        self.look_into(&root, Path::new(""), 0, now, &mut look);
        self.beyond = look.beyond;
        match look.refused {
            Some(text) => self.status.trouble(SUBFOLDER_TROUBLE, text),
            None => {
                self.status.settled(SUBFOLDER_TROUBLE);
                // What was not met is gone.
                let this = self.look;
                self.files.retain(|_, file| file.look == this);
                if look.beyond == 0 {
                    let forgotten = self.kept.forget_all_but(&look.present);
                    self.tell_state(forgotten, "inbox.kept");
                }
            }
        }
        for cause in [READ_TROUBLE, AWAY_TROUBLE] {
            if !self.files.values().any(|file| file.trouble == Some(cause)) {
                self.status.settled(cause);
            }
        }
        if let Some(odd) = look.odd_one {
            tracing::debug!("inbox: {} of neither files nor folders passed over, such as {}", look.odd, shown(&odd));
        }
    }

    fn look_into(&mut self, folder: &Folder, relative: &Path, depth: usize, now: Instant, look: &mut Look) {
        let whole = self.settings.folder.join(relative);
        let refuse = |look: &mut Look, error: io::Error| look.refuse(&whole, &error);
        if depth > DEPTH_MAX {
            let error = io::Error::other(format!("more than {DEPTH_MAX} folders within each other"));
            return refuse(look, error);
        }
        if let Some(watch) = &mut self.watch {
            watch.add(folder, relative);
        }
        let entries = match folder.entries() {
            Ok(entries) => entries,
            Err(error) => return refuse(look, error),
        };
        let mut below = Vec::new();
        for entry in entries {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => return refuse(look, error),
            };
            let name = entry.file_name();
            if is_passing(&name) {
                continue;
            }
            let path = relative.join(&name);
            let metadata = match folder.look(&name) {
                Ok(metadata) => metadata,
                // Gone again.
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                Err(error) => return refuse(look, error),
            };
            if metadata.is_dir() {
                below.push(name);
            } else if metadata.is_file() {
                let seen = Seen::of(&metadata);
                let mark = mark_of(&path, &seen);
                if self.kept.contains(mark) {
                    look.present.insert(mark);
                } else if !self.note(path, seen, false, now) {
                    look.beyond += 1;
                }
            } else {
                look.odd += 1;
                look.odd_one.get_or_insert(path);
            }
        }
        below.sort();
        for name in below {
            let path = relative.join(&name);
            match folder.below(&name) {
                Ok(folder) => self.look_into(&folder, &path, depth + 1, now, look),
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                // Every ext4 disk has one, and it is nobody's.
                Err(_) if depth == 0 && name == OsStr::new("lost+found") => {}
                Err(error) => look.refuse(&whole.join(&name), &error),
            }
        }
    }

    /// Takes note of a file as it is. Whether there was room for it.
    fn note(&mut self, path: PathBuf, seen: Seen, closed: bool, now: Instant) -> bool {
        let look = self.look;
        if let Some(waiting) = self.files.get_mut(&path) {
            waiting.look = look;
            if waiting.seen != seen {
                *waiting = Waiting { look, ..Waiting::new(seen, now) };
            }
            waiting.closed |= closed;
            return true;
        }
        if self.files.len() >= FILES_MAX {
            // Those that come first stay, and those that are only to be put away.
            let last = self.files.iter().next_back().filter(|(last, file)| **last > path && !file.filed);
            let Some(last) = last.map(|(last, _)| last.clone()) else { return false };
            self.files.remove(&last);
            self.files.insert(path, Waiting { look, closed, ..Waiting::new(seen, now) });
            return false;
        }
        self.files.insert(path, Waiting { look, closed, ..Waiting::new(seen, now) });
        true
    }

    /// What earlier starts have set aside.
    fn recall_quarantine(&self) {
        // After a reload it is known.
        if self.status.inbox.quarantined_count.load(Ordering::Relaxed) > 0 {
            return;
        }
        let mut told: Vec<(std::time::SystemTime, PathBuf)> = Vec::new();
        let mut folders = vec![self.settings.quarantine.clone()];
        while let Some(folder) = folders.pop() {
            // Not there yet, or not to be read: nothing is known of it then.
            for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
                let Ok(kind) = entry.file_type() else { continue };
                if kind.is_dir() {
                    folders.push(entry.path());
                } else if entry.file_name().to_string_lossy().ends_with(REASON_SUFFIX)
                    && told.len() < QUARANTINED_COUNTED_MAX
                {
                    let modified = entry.metadata().and_then(|metadata| metadata.modified());
                    told.push((modified.unwrap_or(std::time::UNIX_EPOCH), entry.path()));
                }
            }
        }
        told.sort();
        let older = told.len().saturating_sub(QUARANTINED_SHOWN);
        self.status.inbox.quarantined_count.fetch_add(older as u64, Ordering::Relaxed);
        for (_, path) in &told[older..] {
            let text = fs::read(path).unwrap_or_default();
            let text = String::from_utf8_lossy(&text);
            let (name, reason) = text.trim().split_once('\n').unwrap_or(("", text.trim()));
            quarantined(&self.status, name.to_owned(), reason.to_owned());
        }
    }
}

impl Waiting {
    fn new(seen: Seen, now: Instant) -> Self {
        Self { seen, since: now, closed: false, filed: false, bad: None, retry_at: None, trouble: None, look: 0 }
    }
}

/// Whether reading failed for a reason that lies outside the capture, and may pass.
fn is_of_the_system(error: &CaptureError) -> bool {
    match error {
        CaptureError::Open { .. } | CaptureError::Search { .. } => true,
        CaptureError::Read { source, .. } => {
            !matches!(source.kind(), io::ErrorKind::InvalidData | io::ErrorKind::UnexpectedEof)
        }
        _ => false,
    }
}

fn quarantined(status: &Status, name: String, reason: String) {
    let mut list = status.inbox.quarantined.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let surplus = (list.len() + 1).saturating_sub(QUARANTINED_SHOWN);
    list.drain(..surplus);
    list.push((name, reason));
    status.inbox.quarantined_count.fetch_add(1, Ordering::Relaxed);
}

fn away_remedy(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::PermissionDenied => "let this user write in the inbox's folders and in the target",
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "make room there",
        io::ErrorKind::ReadOnlyFilesystem => "it is mounted read-only: mount it for writing",
        _ => "it is filed, and tried again every minute",
    }
}

#[cfg(test)]
mod tests;
