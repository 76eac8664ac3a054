//! The live boards of all taps: recorders' frames in, updates for whoever watches out.
//!
//! A recorder leaves its frames in a basket of bounded size and goes on; what does not fit is lost to the board and
//! counted. One thread empties the baskets, and says once an interval what changed. All who watch and keep up are given
//! the same bytes; who is slow is given all that changed since what it had, later.

use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use bytes::Bytes;
use tokio::sync::watch;

use super::recorder::Listener;
use super::status::{Status, Stop};
use crate::board::{Board, Identity, Mark, Update};
use crate::day::ServiceDays;
use crate::defs::Definitions;
use crate::frame::{FrameBlock, TimeUs};
use crate::identity::VinTable;
use crate::settings::gateway::Tap;

/// Frames that may wait for a board: twice what four buses of 1 Mbit/s bring between two looks, with room to spare.
const BASKET_FRAMES_MAX: usize = 1 << 16;
/// How often the baskets are emptied.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Something is said at least so often, so that who watches knows that the line stands.
const SAY_EVERY: Duration = Duration::from_secs(1);
/// Most updates a second.
pub const UPDATES_PER_SECOND_MAX: u32 = 20;

/// One board a tap.
#[derive(Debug)]
pub struct Boards {
    taps: Vec<TapBoard>,
    days: Mutex<ServiceDays>,
}

/// A tap's board, and what surrounds it.
#[derive(Debug)]
struct TapBoard {
    tap: Tap,
    basket: Mutex<Basket>,
    board: Mutex<Shown>,
    latest: watch::Sender<Arc<Step>>,
}

/// Frames on their way to the board.
#[derive(Debug, Default)]
struct Basket {
    frames: FrameBlock,
    lost: u64,
}

/// A board and the time of its bus.
#[derive(Debug)]
struct Shown {
    board: Board,
    /// When the last frames came.
    heard: Option<Instant>,
}

/// What changed between two sequence numbers of a board.
#[derive(Debug, Default)]
pub struct Step {
    generation: u64,
    since: u64,
    sequence: u64,
    /// As a server-sent event.
    event: Bytes,
}

impl Boards {
    /// Empty boards for the taps.
    pub fn new(taps: &[Tap], defs: &Arc<Definitions>, vins: &VinTable, days: &ServiceDays) -> Self {
        let taps = taps.iter().map(|tap| {
            let shown = Shown { board: board_of(tap, defs, vins, 1), heard: None };
            let latest = watch::Sender::new(Arc::default());
            TapBoard { tap: tap.clone(), basket: Mutex::default(), board: Mutex::new(shown), latest }
        });
        Self { taps: taps.collect(), days: Mutex::new(days.clone()) }
    }

    /// Names of the taps, in their order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.taps.iter().map(|tap| tap.tap.name.as_str())
    }

    /// Index of a tap by name; of the first, where there is no name.
    pub fn index(&self, name: Option<&str>) -> Option<usize> {
        match name {
            Some(name) => self.taps.iter().position(|tap| tap.tap.name == name),
            None => (!self.taps.is_empty()).then_some(0),
        }
    }

    /// What a recorder calls with its frames, by channel of its tap. It never waits for longer than two pointers take to
    /// change places.
    pub fn listener(self: &Arc<Self>, tap: usize) -> Listener {
        let boards = self.clone();
        Arc::new(move |block: &FrameBlock| boards.put(tap, block))
    }

    fn put(&self, tap: usize, block: &FrameBlock) {
        let Some(tap) = self.taps.get(tap) else { return };
        let mut basket = locked(&tap.basket);
        let room = BASKET_FRAMES_MAX.saturating_sub(basket.frames.len());
        basket.lost += block.len().saturating_sub(room) as u64;
        let frames = &mut basket.frames;
        let (taken, first_long) = (block.len().min(room), frames.long.len() as u64);
        if taken == block.len() {
            frames.long.extend_from_slice(&block.long);
            frames.data.extend(
                block.data.iter().zip(&block.meta).map(
                    |(data, meta)| {
                        if meta.len > 8 { data + first_long } else { *data }
                    },
                ),
            );
            frames.time_us.extend_from_slice(&block.time_us);
            frames.id.extend_from_slice(&block.id);
            frames.meta.extend_from_slice(&block.meta);
        } else {
            (0..taken).for_each(|index| frames.push(&block.frame(index)));
        }
    }

    /// Goes on by other definitions: the boards begin anew.
    pub fn replace(&self, defs: &Arc<Definitions>, vins: &VinTable, days: &ServiceDays) {
        *locked(&self.days) = days.clone();
        for tap in &self.taps {
            let mut shown = locked(&tap.board);
            let generation = shown.board.generation() + 1;
            *shown = Shown { board: board_of(&tap.tap, defs, vins, generation), heard: None };
        }
    }

    /// Sets a mark on a tap's board.
    pub fn mark(&self, tap: usize, note: String, who: String) -> Option<Mark> {
        let mut shown = locked(&self.taps.get(tap)?.board);
        shown.tick();
        Some(shown.board.mark(note, who))
    }

    /// Acknowledges changes, as [`Board::acknowledge`] does; nothing where the board has been replaced since.
    pub fn acknowledge(&self, tap: usize, generation: u64, rows: Option<&[u32]>, seen: u64) -> Option<usize> {
        let mut shown = locked(&self.taps.get(tap)?.board);
        let same = shown.board.generation() == generation;
        Some(if same { shown.board.acknowledge(rows, seen) } else { 0 })
    }

    /// Starts the thread that moves frames from the baskets to the boards.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(
        self: &Arc<Self>,
        updates_per_second: u32,
        status: Arc<Status>,
        stop: Arc<Stop>,
    ) -> std::io::Result<JoinHandle<()>> {
        let boards = self.clone();
        let every = Duration::from_secs(1) / updates_per_second.clamp(1, UPDATES_PER_SECOND_MAX);
        std::thread::Builder::new().name("boards".into()).spawn(move || boards.work(every, &status, &stop))
    }

    fn work(&self, say_every: Duration, status: &Status, stop: &Stop) {
        let mut baskets: Vec<Basket> = self.taps.iter().map(|_| Basket::default()).collect();
        let mut said: Vec<(u64, u64, Instant)> = self.taps.iter().map(|_| (0, 0, Instant::now())).collect();
        let (mut look_at, mut say_at) = (Instant::now(), Instant::now());
        while !stop.is_set() {
            look_at += LOOK_EVERY.min(say_every);
            match look_at.checked_duration_since(Instant::now()) {
                Some(wait) => std::thread::sleep(wait),
                // Behind: what was missed is not made up for.
                None => look_at = Instant::now(),
            }
            let now = Instant::now();
            let say = now >= say_at;
            if say {
                say_at = (say_at + say_every).max(now);
            }
            for (index, tap) in self.taps.iter().enumerate() {
                let basket = &mut baskets[index];
                std::mem::swap(basket, &mut *locked(&tap.basket));
                let mut shown = locked(&tap.board);
                shown.take(basket);
                if let Some(status) = status.taps().iter().find(|known| known.name == tap.tap.name) {
                    status.live_lost.fetch_add(basket.lost, Ordering::Relaxed);
                    let vehicle = shown.board.vehicle();
                    let mut known = locked(&status.vehicle);
                    if vehicle.is_some() && known.as_deref() != vehicle {
                        *known = vehicle.map(str::to_owned);
                    }
                }
                basket.frames.clear();
                basket.lost = 0;
                if say {
                    tap.say(shown, &mut said[index], now, &locked(&self.days));
                }
            }
        }
    }

    /// Begins to watch a tap.
    pub fn watch(self: &Arc<Self>, tap: usize) -> Option<Watcher> {
        let steps = self.taps.get(tap)?.latest.subscribe();
        Some(Watcher { boards: self.clone(), tap, steps, generation: 0, sequence: 0 })
    }
}

fn board_of(tap: &Tap, defs: &Arc<Definitions>, vins: &VinTable, generation: u64) -> Board {
    let channels: Vec<Option<usize>> = tap.buses.iter().map(|bus| defs.bus(&bus.bus)).collect();
    let identity = Identity { vehicle: tap.vehicle.clone(), vins: vins.clone() };
    Board::new(&tap.name, defs.clone(), &channels, identity, generation)
}

impl TapBoard {
    /// Says what changed since it was last said, if anybody listens.
    fn say(&self, mut shown: MutexGuard<'_, Shown>, said: &mut (u64, u64, Instant), now: Instant, days: &ServiceDays) {
        shown.tick();
        let (generation, sequence) = (shown.board.generation(), shown.board.sequence());
        let since = if said.0 == generation { said.1 } else { 0 };
        if self.latest.receiver_count() == 0 {
            *said = (generation, sequence, now);
            return;
        }
        let update = shown.board.since(since);
        drop(shown);
        if since != 0 && update.rows.is_empty() && now.duration_since(said.2) < SAY_EVERY {
            return;
        }
        *said = (generation, sequence, now);
        let event = event(update, days);
        self.latest.send_replace(Arc::new(Step { generation, since, sequence, event }));
    }
}

impl Shown {
    fn take(&mut self, basket: &Basket) {
        self.board.lose(basket.lost);
        if !basket.frames.is_empty() {
            self.board.frames(&basket.frames);
            self.heard = Some(Instant::now());
        }
    }

    /// The bus's clock goes on where no frame tells it. Before the first, the system's clock has to do.
    fn tick(&mut self) {
        match self.heard {
            Some(heard) => {
                let later_us = i64::try_from(heard.elapsed().as_micros()).unwrap_or(i64::MAX);
                let last_us = self.board.heard_us();
                self.board.tick(last_us.saturating_add(later_us));
            }
            None => self.board.tick(jiff::Timestamp::now().as_microsecond()),
        }
    }
}

/// Somebody who watches a tap's board.
#[derive(Debug)]
pub struct Watcher {
    boards: Arc<Boards>,
    tap: usize,
    steps: watch::Receiver<Arc<Step>>,
    generation: u64,
    sequence: u64,
}

impl Watcher {
    /// The next event: first everything, then what changed since the one before. None: the boards are no more.
    pub async fn next(&mut self) -> Option<Bytes> {
        if self.generation == 0 {
            return Some(self.catch_up(None));
        }
        loop {
            self.steps.changed().await.ok()?;
            let step = self.steps.borrow_and_update().clone();
            if step.generation == self.generation && step.sequence <= self.sequence {
                continue;
            }
            if (step.generation, step.since) == (self.generation, self.sequence) {
                self.sequence = step.sequence;
                return Some(step.event.clone());
            }
            return Some(self.catch_up(Some(step.sequence)));
        }
    }

    /// What changed since what it had. It is said to reach to `until` only, though it may reach further, so that the
    /// next step can be shared again.
    fn catch_up(&mut self, until: Option<u64>) -> Bytes {
        let shown = locked(&self.boards.taps[self.tap].board);
        let same = shown.board.generation() == self.generation;
        let mut update = shown.board.since(if same { self.sequence } else { 0 });
        drop(shown);
        if let Some(until) = until.filter(|_| same) {
            update.sequence = update.sequence.min(until);
        }
        (self.generation, self.sequence) = (update.generation, update.sequence);
        event(update, &locked(&self.boards.days))
    }
}

/// An update as a server-sent event.
fn event(mut update: Update, days: &ServiceDays) -> Bytes {
    update.utc_offset_s = utc_offset_s(days, update.now_us);
    let mut text = b"event: update\ndata: ".to_vec();
    match serde_json::to_writer(&mut text, &update) {
        Ok(()) => text.extend_from_slice(b"\n\n"),
        // Numbers, texts and lists: there is nothing in it that JSON cannot say.
        Err(error) => unreachable!("an update is always JSON: {error}"),
    }
    text.into()
}

/// What the agency's clocks add to UTC at an instant, s.
pub fn utc_offset_s(days: &ServiceDays, time_us: TimeUs) -> i32 {
    let utc = ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::Time::MIN).local(time_us);
    days.local(time_us).duration_since(utc).as_secs() as i32
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
