//! Messages to other systems: events of chosen counters, as the store has them → one HTTP POST each, at least once.
//!
//! The body is one JSON object:
//!
//! ```json
//! { "format": 1, "id": "9f…", "counter": "pole_offs", "vehicle": "204", "time": "2026-02-10T06:31:07.25Z",
//!   "end": "2026-02-10T06:31:12Z", "run_start": "2026-02-10T04:02:11Z", "service_day": "2026-02-10",
//!   "amount": 1.0, "latitude": 48.1, "longitude": 16.3, "values": { "motion.speed": 31.5 } }
//! ```
//!
//! An event is what one counter counted on one vehicle at one time: these make its `id`, which the header
//! `Idempotency-Key` carries too. So an event that is counted again from the store, or told twice, has the same id.
//!
//! Each receiver has a file of its own in the store, `delivered/NAME.json`: which events of the last weeks it was told.
//! A cursor alone would not do: captures come late, and with them events that are older than others told before. While
//! a receiver is down nothing is queued: what it was not told stands in the store. Nothing here can hold filing up.

mod post;
mod told;

use std::collections::HashMap;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::{Duration, Instant, UNIX_EPOCH};

use serde_json::{Map, Value, json};
use twox_hash::XxHash3_128;

use super::clock::now_us;
use super::status::{Status, Stop};
use crate::frame::TimeUs;
use crate::report;
use crate::settings::gateway::MessageSettings;
use crate::store::{Store, StoreError, summary};
use crate::table::runs::EVENTS;
use post::{Answer, Mouth};
use told::Told;

/// Events that come later than so long after others are not told any more.
pub const WINDOW_US: TimeUs = 30 * 86_400 * 1_000_000;
/// Events that are remembered as told; of more, the window is shorter.
const TOLD_MAX: usize = 100_000;
/// So often is looked for new events.
const LOOK_EVERY: Duration = Duration::from_secs(15);
/// First and longest wait after a failure; it doubles in between.
const WAITS: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(600));
/// Longest wait that a receiver may ask for.
const ASKED_WAIT_MAX: Duration = Duration::from_secs(3600);
/// A single event that a receiver refuses is tried again so often.
const REFUSED_AGAIN: Duration = Duration::from_secs(3600);
/// What was told is written down after so many events at the latest; so many may be told twice after a power cut.
const WRITE_EVERY: usize = 50;
/// Runs begin at most so long before their last event, for finding the files.
const RUN_US_MAX: TimeUs = 40 * 86_400 * 1_000_000;

/// An event, ready to be told.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// What it is known by everywhere.
    pub id: String,
    /// When it was counted, µs.
    pub time_us: TimeUs,
    /// What counted it.
    pub counter: String,
    /// The message's body.
    pub body: Map<String, Value>,
}

/// Where events come from.
pub trait Events {
    /// Changes whenever the events may have changed.
    ///
    /// # Errors
    /// It cannot be told.
    fn state(&self, span: &RangeInclusive<TimeUs>) -> Result<u64, StoreError>;

    /// All events of a span.
    ///
    /// # Errors
    /// They cannot be read now.
    fn read(&self, span: &RangeInclusive<TimeUs>) -> Result<Vec<Event>, StoreError>;
}

/// The events table of a store that another thread may be writing to.
#[derive(Debug)]
pub struct StoreEvents(PathBuf);

impl StoreEvents {
    /// Of the store in a folder.
    pub fn new(root: &Path) -> Self {
        Self(root.to_owned())
    }

    fn files(&self, span: &RangeInclusive<TimeUs>) -> Result<Vec<PathBuf>, StoreError> {
        let store = Store::open_to_read(&self.0)?;
        let wide = span.start().saturating_sub(RUN_US_MAX)..=*span.end();
        summary::files_within(&store, EVENTS, &wide)
    }
}

impl Events for StoreEvents {
    fn state(&self, span: &RangeInclusive<TimeUs>) -> Result<u64, StoreError> {
        let mut hasher = XxHash3_128::new();
        for path in self.files(span)? {
            // Every change gives a file another name, size or time.
            let metadata = std::fs::metadata(&path).ok();
            let modified = metadata.as_ref().and_then(|metadata| metadata.modified().ok());
            let age = modified.and_then(|at| at.duration_since(UNIX_EPOCH).ok()).unwrap_or_default();
            hasher.write(path.as_os_str().as_encoded_bytes());
            hasher.write(&age.as_nanos().to_le_bytes());
            hasher.write(&metadata.map_or(0, |metadata| metadata.len()).to_le_bytes());
        }
        Ok(hasher.finish_128() as u64)
    }

    fn read(&self, span: &RangeInclusive<TimeUs>) -> Result<Vec<Event>, StoreError> {
        let mut events = Vec::new();
        for path in self.files(span)? {
            let batch = summary::read(&path)?;
            for row in 0..batch.num_rows() {
                if let Some(event) = Event::of(report::json_object(&batch, row))
                    && span.contains(&event.time_us)
                {
                    events.push(event);
                }
            }
        }
        Ok(events)
    }
}

impl Event {
    /// Of a row of the events table.
    fn of(mut row: Map<String, Value>) -> Option<Self> {
        let text = |name: &str| row.get(name).and_then(Value::as_str).map(str::to_owned);
        let (counter, vehicle, time) = (text("counter")?, text("vehicle")?, text("time")?);
        let time_us = time.parse::<jiff::Timestamp>().ok()?.as_microsecond();
        let id = id_of(&vehicle, &counter, time_us);
        row.remove(summary::RECORDING);
        let mut body = Map::from_iter([("format".to_owned(), json!(1)), ("id".to_owned(), json!(id))]);
        let own = ["counter", "vehicle", "time", "end", "run_start", "service_day", "amount", "latitude", "longitude"];
        for name in own {
            body.insert(name.to_owned(), row.remove(name).unwrap_or(Value::Null));
        }
        // What is left are the signals that are kept with events; those of other counters are null.
        row.retain(|_, value| !value.is_null());
        body.insert("values".to_owned(), Value::Object(row));
        Some(Self { id, time_us, counter, body })
    }
}

/// What an event is known by.
fn id_of(vehicle: &str, counter: &str, time_us: TimeUs) -> String {
    let mut hasher = XxHash3_128::new();
    for part in [vehicle.as_bytes(), counter.as_bytes(), &time_us.to_le_bytes()] {
        hasher.write(&(part.len() as u64).to_le_bytes());
        hasher.write(part);
    }
    format!("{:032x}", hasher.finish_128())
}

/// One receiver, and how far it was told.
#[derive(Debug)]
pub struct Receiver {
    settings: MessageSettings,
    mouth: Mouth,
    path: PathBuf,
    told: Told,
    /// State of the events when all of them were told.
    all_told_of: Option<u64>,
    /// Events that it refuses, and when they are tried again.
    refused: HashMap<String, Instant>,
    wait: Duration,
}

/// How a round went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Round {
    /// It was told all there is.
    All,
    /// It was not; again after this.
    Again(Duration),
}

impl Receiver {
    /// Begins. `store` is the store's folder.
    ///
    /// # Errors
    /// How far it was told cannot be read, or its folder not be made.
    pub fn new(settings: &MessageSettings, store: &Path) -> std::io::Result<Self> {
        let folder = store.join("delivered");
        std::fs::create_dir_all(&folder)?;
        let path = folder.join(format!("{}.json", settings.name));
        let told = Told::load(&path, &settings.events)?;
        let mouth = Mouth::new(&settings.url, settings.token_variable.as_deref());
        Ok(Self {
            settings: settings.clone(),
            mouth,
            path,
            told,
            all_told_of: None,
            refused: HashMap::new(),
            wait: WAITS.0,
        })
    }

    /// Tells what it was not told yet. `now_us` is the system's time; `stop` is asked between events.
    pub fn tell(&mut self, events: &dyn Events, now_us: TimeUs, status: &Status, stop: &dyn Fn() -> bool) -> Round {
        let cause = cause_of(&self.settings.name);
        match self.try_tell(events, now_us, status, stop) {
            Ok(None) => {
                self.wait = WAITS.0;
                status.settled(&cause);
                Round::All
            }
            Ok(Some(refusal)) => {
                self.wait = WAITS.0;
                status.trouble(&cause, format!("{}: {refusal}", self.settings.url));
                Round::All
            }
            Err(Trouble::Stopped) => Round::Again(self.wait),
            Err(Trouble::Because { text, asked }) => {
                status.trouble(&cause, format!("{}: {text}; what it misses waits in the store", self.settings.url));
                let wait = asked.map_or(self.wait, |asked| asked.clamp(self.wait, ASKED_WAIT_MAX));
                self.wait = (self.wait * 2).min(WAITS.1);
                Round::Again(wait)
            }
        }
    }

    /// Gives what it refuses, if anything.
    fn try_tell(
        &mut self,
        events: &dyn Events,
        now_us: TimeUs,
        status: &Status,
        stop: &dyn Fn() -> bool,
    ) -> Result<Option<String>, Trouble> {
        let now = Instant::now();
        if self.told.from_us.is_none() {
            self.told.from_us = Some(now_us.saturating_sub(WINDOW_US));
        }
        let span = self.told.from_us.unwrap_or(TimeUs::MIN)..=TimeUs::MAX;
        let state = events.state(&span)?;
        let retry = self.refused.values().any(|at| now >= *at);
        if self.all_told_of == Some(state) && !retry {
            return Ok(self.refusal());
        }
        let mut found = events.read(&span)?;
        self.skip_what_was_there(&found, now_us)?;
        let wanted = |event: &Event| self.settings.events.contains(&event.counter);
        found.retain(|event| wanted(event) && !self.told.contains(&event.id));
        found.sort_by(|a, b| (a.time_us, &a.id).cmp(&(b.time_us, &b.id)));
        found.dedup_by(|a, b| a.id == b.id);
        let own = status.receiver(&self.settings.name);
        let mut open: Option<TimeUs> = None;
        let mut result = Ok(());
        let mut unwritten = 0;
        for (index, event) in found.iter().enumerate() {
            own.waiting.store((found.len() - index) as u64, Ordering::Relaxed);
            if stop() {
                open.get_or_insert(event.time_us);
                result = Err(Trouble::Stopped);
                break;
            }
            if self.refused.get(&event.id).is_some_and(|at| now < *at) {
                open.get_or_insert(event.time_us);
                continue;
            }
            match self.mouth.post(&event.id, &event.body, stop) {
                Answer::Taken => {
                    self.refused.remove(&event.id);
                    self.told.add(&event.id, event.time_us);
                    own.told.fetch_add(1, Ordering::Relaxed);
                    unwritten += 1;
                    if unwritten >= WRITE_EVERY {
                        self.told.write(&self.path)?;
                        unwritten = 0;
                    }
                }
                Answer::Refused(why) if event.time_us < now_us.saturating_sub(WINDOW_US) => {
                    tracing::error!(receiver = self.settings.name, id = event.id, "given up after weeks: {why}");
                    self.refused.remove(&event.id);
                    self.told.add(&event.id, event.time_us);
                }
                Answer::Refused(why) => {
                    tracing::warn!(receiver = self.settings.name, id = event.id, "refused: {why}");
                    self.refused.insert(event.id.clone(), now + REFUSED_AGAIN);
                    open.get_or_insert(event.time_us);
                }
                Answer::Failed { why, asked } => {
                    open.get_or_insert(event.time_us);
                    result = Err(Trouble::Because { text: why, asked });
                    break;
                }
                Answer::Left => {
                    open.get_or_insert(event.time_us);
                    result = Err(Trouble::Stopped);
                    break;
                }
            }
        }
        self.told.advance(now_us, open);
        self.told.write(&self.path)?;
        result?;
        own.waiting.store(self.refused.len() as u64, Ordering::Relaxed);
        self.all_told_of = Some(state);
        Ok(self.refusal())
    }

    /// Counters that it was not told of before: their events from now on, not those that are there.
    fn skip_what_was_there(&mut self, found: &[Event], now_us: TimeUs) -> Result<(), Trouble> {
        let fresh: Vec<&String> =
            self.settings.events.iter().filter(|name| !self.told.events.contains(*name)).collect();
        if fresh.is_empty() && self.told.events.len() == self.settings.events.len() {
            return Ok(());
        }
        for event in found.iter().filter(|event| fresh.contains(&&event.counter)) {
            self.told.add(&event.id, event.time_us);
        }
        self.told.events.clone_from(&self.settings.events);
        self.told.advance(now_us, None);
        Ok(self.told.write(&self.path)?)
    }

    fn refusal(&self) -> Option<String> {
        let count = self.refused.len();
        (count > 0)
            .then(|| format!("{count} events were refused; its own log says why; they are tried again every hour"))
    }
}

/// Under which its troubles are told.
fn cause_of(name: &str) -> String {
    format!("messages to {name}")
}

/// Why not all could be told.
enum Trouble {
    /// Somebody asked for an end.
    Stopped,
    /// Something went wrong.
    Because {
        /// What.
        text: String,
        /// How long the receiver asks to be left alone.
        asked: Option<Duration>,
    },
}

impl From<StoreError> for Trouble {
    fn from(error: StoreError) -> Self {
        Self::Because { text: error.to_string(), asked: None }
    }
}

impl From<std::io::Error> for Trouble {
    fn from(error: std::io::Error) -> Self {
        Self::Because { text: format!("how far it was told cannot be written: {error}"), asked: None }
    }
}

/// Starts a receiver's thread. It ends soon after `stop`, and leaves a request on its way to its fate: it is made again
/// after the next start.
///
/// # Errors
/// How far it was told cannot be read, or no thread be started.
pub fn start(
    settings: &MessageSettings,
    store: &Path,
    status: Arc<Status>,
    stop: Arc<Stop>,
) -> std::io::Result<JoinHandle<()>> {
    let mut receiver = Receiver::new(settings, store)?;
    let events = StoreEvents::new(store);
    std::thread::Builder::new().name(format!("to {}", settings.name)).spawn(move || {
        while !stop.is_set() {
            let now_us = now_us();
            let round = receiver.tell(&events, now_us, &status, &|| stop.is_set());
            // Not all gateways of a yard at the same instant, when their receiver comes back.
            let wait = match round {
                Round::All => LOOK_EVERY,
                Round::Again(wait) => wait.mul_f64(1.0 + now_us.rem_euclid(1_000_000) as f64 / 4e6),
            };
            let begun = Instant::now();
            while begun.elapsed() < wait && !stop.is_set() {
                std::thread::sleep(Duration::from_millis(200));
            }
        }
        // A new configuration may not name it any more.
        status.settled(&cause_of(&receiver.settings.name));
        status.remove_receiver(&receiver.settings.name);
    })
}

#[cfg(test)]
mod tests;
