//! The keeper: the one thread that writes to the store. Journal segments and the inbox's captures in; filed, counted,
//! closed and pruned days out.
//!
//! It does one thing after another, what presses most first: room on the disk, the journal, marks, the inbox, counting,
//! the day's end. Nobody waits for it but who stops the service: while it is slow, the journal grows on disk.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use jiff::civil::Date;

use super::inbox::Inbox;
use super::journal::{self, Segment};
use super::service::Loaded;
use super::status::{Status, Stop};
use crate::board::Mark;
use crate::filing::{self, Count, DayEnd, Desk, Due, FilingError, HeardLast, Outcome};
use crate::frame::TimeUs;
use crate::settings::gateway::Tap;
use crate::store::retention::{Class, GivenUp, Room};
use crate::store::{Store, StoreError};

/// Longest rest, with nothing to do.
const REST: Duration = Duration::from_secs(1);
/// How often is looked for stretches that are worth counting.
const COUNT_EVERY: Duration = Duration::from_secs(60);
/// After a failure to write to the store, so long is waited; then twice as long, up to the most.
const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(60));
/// How often is looked how much room there is.
const ROOM_EVERY: Duration = Duration::from_secs(30);
/// How often the store is measured: that is a walk through all its folders.
const MEASURE_EVERY: Duration = Duration::from_secs(3600);
/// How often days are closed that late captures opened again.
const CLOSE_AGAIN_EVERY: Duration = Duration::from_secs(3600);
/// Folders of a tap's journal for segments that are filed, by the service day of their last frame. They stay until that
/// day is closed and checked.
const FILED: &str = "filed-";
/// Folder of a tap's journal for segments that cannot be filed.
const ASIDE: &str = "aside";
/// Days given up that the status names.
const GIVEN_UP_SHOWN: usize = 50;

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
    let inbox = inbox_of(&keeping)?;
    let now = Instant::now();
    let keeper = Keeper {
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
    };
    std::thread::Builder::new().name("keeper".into()).spawn(move || keeper.run())
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
}

/// Whether there was something to do.
#[derive(PartialEq, Eq)]
enum Did {
    Something,
    Nothing,
}

impl Keeper {
    fn run(mut self) {
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

    /// Files the oldest segment of all taps.
    fn file_segment(&mut self) -> Did {
        if self.retry_at.is_some_and(|at| Instant::now() < at) {
            return Did::Nothing;
        }
        let Some((tap, segment)) = self.oldest_segment() else { return Did::Nothing };
        self.tell_oldest(segment.first_us);
        self.doing(&format!("filing the journal of {tap}"));
        let loaded = Arc::clone(&self.keeping.loaded);
        let settings = self.settings_of(&loaded, &tap, &segment);
        let filed = self.desk(&loaded, &settings, Count::Later).file(&segment.path, &mut |_| {});
        match filed {
            Ok(outcome) => {
                self.tell_filed(&outcome);
                self.heard(&tap, &outcome);
                self.settle_segment(&tap, &segment, &outcome);
                self.tell_oldest(0);
                Did::Something
            }
            Err(FilingError::Stopped) => Did::Nothing,
            Err(FilingError::Capture(error)) => {
                // Cannot be: the journal wrote it. It is kept, and in nobody's way.
                self.trouble("journal", format!("a segment cannot be read: {error}; it is set aside"));
                self.set_aside(&segment);
                Did::Something
            }
            Err(error @ FilingError::Store(StoreError::ClockAstray { .. } | StoreError::OtherDefinitions { .. })) => {
                self.trouble("journal", format!("{}: {error}; it is set aside", segment.path.display()));
                self.set_aside(&segment);
                Did::Something
            }
            Err(error) => {
                self.refused(&error);
                Did::Nothing
            }
        }
    }

    fn tell_oldest(&self, time_us: TimeUs) {
        self.keeping.status.keeper.oldest_unfiled_us.store(time_us, Ordering::Relaxed);
    }

    /// The finished segment with the oldest frames, and its tap: the configured ones, and those that once were.
    fn oldest_segment(&self) -> Option<(String, Segment)> {
        let journal = self.journal();
        let mut oldest: Option<(String, Segment)> = None;
        for tap in folders(&journal) {
            let segments = match journal::segments(&journal.join(&tap)) {
                Ok(segments) => segments,
                Err(error) => {
                    self.trouble("journal", error.to_string());
                    continue;
                }
            };
            if let Some(first) = segments.into_iter().next()
                && oldest.as_ref().is_none_or(|(_, segment)| first.first_us < segment.first_us)
            {
                oldest = Some((tap, first));
            }
        }
        oldest
    }

    fn settings_of(&mut self, loaded: &Loaded, tap: &str, segment: &Segment) -> filing::Settings {
        if !self.heard_last.contains_key(tap)
            && let Some(heard) = self.heard_before(tap, segment)
        {
            self.heard_last.insert(tap.to_owned(), heard);
        }
        let configured = loaded.gateway.taps.iter().find(|known| known.name == tap);
        let mut channels = loaded.filing.channels.clone();
        channels.extend(configured.map(Tap::channels).unwrap_or_default());
        filing::Settings {
            vehicle: configured.and_then(|tap| tap.vehicle.clone()),
            vehicle_before: self.heard_last.get(tap).cloned(),
            channels,
            ..loaded.filing.clone()
        }
    }

    /// Who was heard last in the segment before, which an earlier run of the service filed.
    fn heard_before(&self, tap: &str, segment: &Segment) -> Option<HeardLast> {
        let filed = self.put_by(tap);
        let before = filed.iter().rfind(|before| before.first_us <= segment.first_us)?;
        let record = self.keeping.store.record(&crate::filing::hash_of(&before.path)?).ok()??;
        record.heard_last
    }

    fn heard(&mut self, tap: &str, outcome: &Outcome) {
        if let Some(heard) = &outcome.record().heard_last {
            self.heard_last.insert(tap.to_owned(), heard.clone());
            if let Some(tap) = self.keeping.status.taps().iter().find(|known| known.name == tap) {
                *tap.vehicle.lock().unwrap_or_else(PoisonError::into_inner) = Some(heard.vehicle.clone());
            }
        }
    }

    /// Puts a filed segment by until its day is closed and checked. One that cannot be is filed again, and known.
    fn settle_segment(&self, tap: &str, segment: &Segment, outcome: &Outcome) {
        let last_us = outcome.record().vehicles.iter().map(|part| part.last_us).max().unwrap_or(segment.first_us);
        let day = self.keeping.loaded.filing.days.of(last_us).date;
        let moved = self.move_to(segment, &format!("{FILED}{day}"));
        if moved && let Some(tap) = self.keeping.status.taps().iter().find(|known| known.name == tap) {
            journal::forget(segment, tap);
        }
    }

    fn set_aside(&self, segment: &Segment) {
        self.move_to(segment, ASIDE);
    }

    /// Segments of a tap that are filed and put by, oldest first.
    fn put_by(&self, tap: &str) -> Vec<Segment> {
        let journal = self.journal().join(tap);
        let days = folders(&journal).into_iter().filter(|name| name.starts_with(FILED));
        let mut segments: Vec<Segment> =
            days.flat_map(|day| journal::segments(&journal.join(day)).unwrap_or_default()).collect();
        segments.sort();
        segments
    }

    /// Moves a segment to a folder within its own. Not synced: what a power cut undoes is done again.
    fn move_to(&self, segment: &Segment, folder: &str) -> bool {
        let parent = segment.path.parent().unwrap_or(Path::new("")).join(folder);
        let name = segment.path.file_name().unwrap_or_default();
        let moved = fs::create_dir_all(&parent).and_then(|()| fs::rename(&segment.path, parent.join(name)));
        match &moved {
            Ok(()) => self.keeping.status.settled("journal: putting by"),
            Err(error) => self.trouble(
                "journal: putting by",
                format!(
                    "{} cannot be moved to {}: {error}; let the service write there",
                    segment.path.display(),
                    parent.display()
                ),
            ),
        }
        moved.is_ok()
    }

    /// Files the next capture of the inbox.
    fn file_capture(&mut self) -> Did {
        let Some(inbox) = &mut self.inbox else { return Did::Nothing };
        let Some(ready) = inbox.next(Instant::now()) else { return Did::Nothing };
        inbox.begin(&ready);
        self.doing(&format!("filing {}", ready.name()));
        let loaded = Arc::clone(&self.keeping.loaded);
        let vehicle = ready.vehicle.clone().or_else(|| loaded.filing.vehicle.clone());
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

    /// Appends live marks to their month's file, one JSON object a line.
    fn keep_marks(&self) {
        while let Ok(mark) = self.keeping.marks.try_recv() {
            match keep_mark(self.keeping.store.root(), &mark) {
                Ok(()) => self.keeping.status.settled("marks"),
                Err(error) => {
                    self.trouble("marks", format!("a mark is lost, '{}': marks cannot be written: {error}", mark.note));
                }
            }
        }
    }

    /// Looks how much room there is, and makes some where it is short: by segments that are filed, then by days.
    fn make_room(&mut self) {
        if Instant::now() < self.room_at {
            return;
        }
        self.room_at = Instant::now() + ROOM_EVERY;
        let loaded = Arc::clone(&self.keeping.loaded);
        let rules = &loaded.gateway.retention;
        // Looking through all days is work: it is done when the store is measured, and when something is short.
        let hourly = Instant::now() >= self.measure_at;
        let Some(mut room) = self.measure() else { return };
        if room.free_bytes < rules.free_bytes {
            room.free_bytes += self.drop_segments(rules.free_bytes - room.free_bytes);
        }
        let short = room.free_bytes < rules.free_bytes || rules.store_bytes.is_some_and(|most| room.store_bytes > most);
        if !hourly && !short {
            self.tell_room(room, rules.free_bytes, 0);
            return;
        }
        let now_us = now_us();
        let today = loaded.filing.days.of(now_us).date;
        let given_up = self.desk(&loaded, &loaded.filing, Count::Later).keep_room(today, room, rules, now_us);
        match given_up {
            Ok(given_up) => {
                self.tell_given_up(&given_up);
                let freed: u64 = given_up.iter().map(|gone| gone.bytes).sum();
                self.keeping.status.keeper.store_bytes.fetch_sub(freed.min(room.store_bytes), Ordering::Relaxed);
                self.tell_room(room, rules.free_bytes, freed);
            }
            Err(FilingError::Stopped) => {}
            Err(error) => self.trouble("room", format!("days cannot be given up to make room: {error}")),
        }
    }

    /// Room on the disk now, and what the store took when it was last measured.
    fn measure(&mut self) -> Option<Room> {
        let root = self.keeping.store.root();
        let told = &self.keeping.status.keeper;
        if Instant::now() >= self.measure_at {
            self.measure_at = Instant::now() + MEASURE_EVERY;
            match self.keeping.store.bytes() {
                Ok(bytes) => told.store_bytes.store(bytes, Ordering::Relaxed),
                Err(error) => self.trouble("room", format!("the store cannot be measured: {error}")),
            }
        }
        match nix::sys::statvfs::statvfs(root) {
            Ok(disk) => {
                let free_bytes = disk.blocks_available() * disk.fragment_size();
                told.disk_free_bytes.store(free_bytes, Ordering::Relaxed);
                Some(Room { store_bytes: told.store_bytes.load(Ordering::Relaxed), free_bytes })
            }
            Err(error) => {
                self.trouble("room", format!("{}: its disk cannot be measured: {error}", root.display()));
                None
            }
        }
    }

    fn tell_room(&self, room: Room, wanted_bytes: u64, freed_bytes: u64) {
        let free_bytes = room.free_bytes + freed_bytes;
        if free_bytes < wanted_bytes {
            let text = format!(
                "{} MB are free on the store's disk, {} MB are to be, and nothing is left that may be given up; make room",
                free_bytes / 1_000_000,
                wanted_bytes / 1_000_000
            );
            self.trouble("room", text);
        } else {
            self.keeping.status.settled("room");
        }
        if freed_bytes > 0 {
            // Where room was missing, there is some now.
            self.keeping.status.keeper.disk_free_bytes.store(free_bytes, Ordering::Relaxed);
        }
    }

    /// Drops segments that are filed, oldest first, whose days are not closed yet. Gives the bytes that it freed.
    fn drop_segments(&self, wanted_bytes: u64) -> u64 {
        let mut segments: Vec<Segment> = folders(&self.journal()).iter().flat_map(|tap| self.put_by(tap)).collect();
        segments.sort();
        let mut freed = 0;
        for segment in segments {
            if freed >= wanted_bytes {
                break;
            }
            match fs::remove_file(&segment.path) {
                Ok(()) => freed += segment.bytes,
                Err(error) => self.trouble("room", format!("{} cannot be removed: {error}", segment.path.display())),
            }
        }
        if freed > 0 {
            tracing::warn!(bytes = freed, "segments of the journal that are filed were dropped to make room");
        }
        freed
    }

    fn tell_given_up(&self, given_up: &[GivenUp]) {
        let mut shown = self.keeping.status.keeper.given_up.lock().unwrap_or_else(PoisonError::into_inner);
        for gone in given_up {
            let what = match gone.class {
                Class::Raw => "raw frames",
                Class::Signals => "signals",
            };
            let text = format!("{what} of {}: {}", gone.date, gone.why.words());
            tracing::warn!(bytes = gone.bytes, "given up: {text}");
            shown.push(text);
        }
        let surplus = shown.len().saturating_sub(GIVEN_UP_SHOWN);
        shown.drain(..surplus);
    }

    /// Closes the days that are over, and those that late captures opened again. Whether there was anything to do.
    fn end_days(&mut self) -> bool {
        let loaded = Arc::clone(&self.keeping.loaded);
        let now_us = now_us();
        let after_us = loaded.gateway.day_end.after.as_micros() as TimeUs;
        let date = loaded.filing.days.of(now_us.saturating_sub(after_us)).date;
        let again = self.opened && Instant::now() >= self.close_at;
        if self.closed_before.is_some_and(|before| date <= before) && !again {
            return false;
        }
        self.doing("closing days");
        self.close_at = Instant::now() + CLOSE_AGAIN_EVERY;
        let end = self.desk(&loaded, &loaded.filing, Count::Later).close_before(date, now_us, &mut |day| {
            self.doing(&format!("closing {day}"));
        });
        match end {
            Ok(end) => {
                self.tell_closed(&end);
                let free_before = end.left_open.iter().map(|(day, _)| *day).min().unwrap_or(date).min(date);
                self.free_journal(free_before);
                (self.closed_before, self.opened) = (Some(date), false);
                !end.days.is_empty()
            }
            Err(FilingError::Stopped) => false,
            Err(error) => {
                self.refused(&error);
                false
            }
        }
    }

    fn tell_closed(&self, end: &DayEnd) {
        for day in &end.days {
            let frames = day.checked.frames;
            tracing::info!(day = %day.date, files_before = day.files_before, files = day.files_after, frames, "closed");
        }
        if let Some(last) = end.days.iter().map(|day| day.date).max() {
            let mut told = self.keeping.status.keeper.closed_day.lock().unwrap_or_else(PoisonError::into_inner);
            *told = told.take().max(Some(last.to_string()));
        }
        match end.left_open.as_slice() {
            [] => self.keeping.status.settled("day's end"),
            [(day, why), ..] => self.trouble(
                "day's end",
                format!("{day} does not read back as it was filed: {why}; it stays open, and its journal is kept"),
            ),
        }
    }

    /// Frees the segments of days before a date.
    fn free_journal(&self, before: Date) {
        let journal = self.journal();
        for tap in folders(&journal) {
            for name in folders(&journal.join(&tap)) {
                let day = name.strip_prefix(FILED).and_then(|date| date.parse::<Date>().ok());
                if day.is_some_and(|day| day < before)
                    && let Err(error) = fs::remove_dir_all(journal.join(&tap).join(&name))
                {
                    self.trouble("journal: freeing", format!("{name} of tap {tap} cannot be removed: {error}"));
                }
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

/// Appends a mark, and syncs it. A line that a power cut broke off is ended first.
fn keep_mark(store: &Path, mark: &Mark) -> io::Result<()> {
    let month = jiff::Timestamp::from_microsecond(mark.time_us).unwrap_or_default().strftime("%Y-%m").to_string();
    let folder = store.join("marks").join(format!("month={month}"));
    fs::create_dir_all(&folder)?;
    let mut file = File::options().create(true).read(true).append(true).open(folder.join("marks.jsonl"))?;
    let mut last = [b'\n'];
    if file.seek(SeekFrom::End(-1)).is_ok() {
        file.read_exact(&mut last)?;
    }
    let mut line = serde_json::to_vec(mark)?;
    if last != [b'\n'] {
        line.insert(0, b'\n');
    }
    line.push(b'\n');
    file.write_all(&line)?;
    file.sync_all()?;
    // Names of what may be new: the file, its month, the marks. They are few.
    folder.ancestors().take(3).try_for_each(|above| File::open(above)?.sync_all())
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

/// The system's clock, µs.
pub fn now_us() -> TimeUs {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_micros() as TimeUs)
}
