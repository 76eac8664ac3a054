//! One vehicle's frames → runs, events and bus health, in the order of time.
//!
//! Frames of several interfaces may be some milliseconds out of order: they wait for [`WAIT_US`], so that a recount
//! from the store, where all are in order, gives the same. A clock that steps back further cuts the recording.

use std::ops::Range;

use super::order::ranks;
use super::sorter::Batch;
use crate::decode::Router;
use crate::defs::Definitions;
use crate::frame::{DATA_BYTES_MAX, FrameBlock, Kind, TimeUs};
use crate::health::{BusRow, Health, MessageRow};
use crate::run::{CutReason, Engine, EventRow, Place, RunRow};

/// How far frames may be out of order without the clock having stepped.
const WAIT_US: i64 = 1_000_000;
/// How often the engine is told of frames that it does not want.
const ALIVE_US: i64 = 1_000_000;
/// Remarks kept of a vehicle's clock: more would not be read.
const REMARKS_MAX: usize = 20;
/// Instants before this one come from a clock that was never set: 2000-01-01.
const CLOCK_SET_US: TimeUs = 946_684_800_000_000;

/// Silences that begin a recording of their own; a clock that jumps about makes no more of them.
const RECORDINGS_MAX: usize = 10_000;

/// A row, and the first instant of the recording it was counted from.
pub(crate) type Row<T> = (TimeUs, T);

/// What came of one vehicle's frames. A silence that ends a run also begins another recording, so that the rows are
/// the same whether the frames on both sides came in one capture or in two.
#[derive(Debug, Default)]
pub(crate) struct Counted {
    pub(crate) runs: Vec<Row<RunRow>>,
    pub(crate) events: Vec<Row<EventRow>>,
    pub(crate) buses: Vec<Row<BusRow>>,
    pub(crate) messages: Vec<Row<MessageRow>>,
    /// What was odd about the clock, in words.
    pub(crate) remarks: Vec<String>,
    /// Silences long enough to end a run, in words: nothing odd.
    pub(crate) notes: Vec<String>,
}

/// Counts one vehicle's frames.
pub(crate) struct Counting<'a> {
    runs: RunCounting,
    health: Option<HealthCounting<'a>>,
}

impl<'a> Counting<'a> {
    pub(crate) fn new(defs: &'a Definitions, places: &[Place]) -> Self {
        let engine = Engine::new(defs, places);
        Self { runs: RunCounting::new(defs, engine), health: Some(HealthCounting::new(defs)) }
    }

    /// Looks at nothing but the clock: what is to be counted is counted later.
    pub(crate) fn of_clock_only(defs: &'a Definitions) -> Self {
        Self { runs: RunCounting::new(defs, None), health: None }
    }

    /// Takes the frames `range` of a block in, in the order they arrived. `channels` gives the bus of each channel.
    pub(crate) fn take(&mut self, block: &FrameBlock, routes: &[u32], channels: &[Option<usize>], range: Range<usize>) {
        let Self { runs, health } = self;
        let Some(health) = health else { return runs.take(block, routes, range) };
        rayon::join(|| runs.take(block, routes, range.clone()), || health.take(block, routes, channels, range.clone()));
    }

    /// The frames are at their end; `reason`: why the run that is open ends with them.
    pub(crate) fn finish(self, reason: CutReason) -> Counted {
        let mut counted = self.runs.finish(reason);
        let Some(mut health) = self.health else { return counted };
        health.end_recording();
        if health.unwatched_frames > 0 {
            let frames = health.unwatched_frames;
            counted.remarks.push(format!("{frames} frames of too many senders are in no period"));
        }
        if health.lost_rows > 0 {
            let rows = health.lost_rows;
            counted.remarks.push(format!("{rows} rows of bus health were dropped: the clock jumps about"));
        }
        Counted { buses: health.buses, messages: health.messages, ..counted }
    }
}

/// Watches the health of one vehicle's buses.
struct HealthCounting<'a> {
    defs: &'a Definitions,
    health: Health,
    /// First and latest time of the recording at hand.
    span_us: Option<(TimeUs, TimeUs)>,
    gap_us: i64,
    recordings: usize,
    buses: Vec<Row<BusRow>>,
    messages: Vec<Row<MessageRow>>,
    unwatched_frames: u64,
    lost_rows: u64,
}

impl<'a> HealthCounting<'a> {
    fn new(defs: &'a Definitions) -> Self {
        Self {
            defs,
            health: Health::new(defs),
            span_us: None,
            gap_us: gap_us(defs),
            recordings: 1,
            buses: Vec::new(),
            messages: Vec::new(),
            unwatched_frames: 0,
            lost_rows: 0,
        }
    }

    fn end_recording(&mut self) {
        let start_us = self.span_us.take().map_or(0, |(start_us, _)| start_us);
        let rows = self.health.take_rows();
        self.buses.extend(rows.buses.into_iter().map(|row| (start_us, row)));
        self.messages.extend(rows.messages.into_iter().map(|row| (start_us, row)));
        self.unwatched_frames += rows.unwatched_frames;
        self.lost_rows += rows.lost_rows;
    }

    /// What comes is counted as if nothing had come before, unless the clock jumps about.
    fn silence(&mut self) {
        self.health.cut();
        if self.recordings < RECORDINGS_MAX {
            self.recordings += 1;
            self.end_recording();
            self.health = Health::new(self.defs);
        }
    }

    fn take(&mut self, block: &FrameBlock, routes: &[u32], channels: &[Option<usize>], range: Range<usize>) {
        let mut from = range.start;
        for index in range.clone() {
            let time_us = block.time_us[index];
            match &mut self.span_us {
                // The usual step, at the cost of two comparisons.
                Some((_, last_us)) if (0..=self.gap_us).contains(&time_us.wrapping_sub(*last_us)) => *last_us = time_us,
                Some((_, last_us)) if time_us.saturating_sub(*last_us) > self.gap_us => {
                    self.health.frames(block, routes, channels, from..index);
                    from = index;
                    self.silence();
                    self.span_us = Some((self.span_us.map_or(time_us, |(start_us, _)| start_us), time_us));
                }
                Some((start_us, last_us)) => {
                    *start_us = time_us.min(*start_us);
                    // Frames of two interfaces may be a little out of order; a clock that stepped back begins anew.
                    if last_us.saturating_sub(time_us) > WAIT_US {
                        *last_us = time_us;
                    }
                }
                None => self.span_us = Some((time_us, time_us)),
            }
        }
        self.health.frames(block, routes, channels, from..range.end);
    }
}

/// A silence that ends a run also ends a stretch of recording.
pub(crate) fn gap_us(defs: &Definitions) -> i64 {
    /// Where no rules say: 10 minutes.
    const GAP_US: i64 = 600_000_000;
    defs.rules.as_ref().map_or(GAP_US, |rules| rules.gap_us)
}

/// Counts the runs of one vehicle.
struct RunCounting {
    engine: Option<Engine>,
    ranks: Vec<u32>,
    waiting: Vec<Waiting>,
    long: Vec<[u8; DATA_BYTES_MAX]>,
    highest_us: Option<TimeUs>,
    alive_us: TimeUs,
    frames: u64,
    gap_us: i64,
    /// First instant of the recording at hand, and where its rows begin.
    start_us: Option<TimeUs>,
    rows_from: (usize, usize),
    recordings: usize,
    counted: Counted,
}

/// A frame that waits for its turn. Messages that nobody wants are told of as `route` raw.
#[derive(Clone, Copy)]
struct Waiting {
    time_us: TimeUs,
    rank: u32,
    route: u32,
    len: u8,
    word: u64,
}

impl RunCounting {
    fn new(defs: &Definitions, engine: Option<Engine>) -> Self {
        Self {
            engine,
            ranks: ranks(defs),
            waiting: Vec::new(),
            long: Vec::new(),
            highest_us: None,
            alive_us: TimeUs::MIN,
            frames: 0,
            gap_us: gap_us(defs),
            start_us: None,
            rows_from: (0, 0),
            recordings: 1,
            counted: Counted::default(),
        }
    }

    fn take(&mut self, block: &FrameBlock, routes: &[u32], range: Range<usize>) {
        if self.engine.is_none() {
            return self.watch_clock(&block.time_us[range]);
        }
        let wants = |message| self.engine.as_ref().is_some_and(|engine| engine.wants(message));
        let wanted: Vec<bool> = (0..self.ranks.len()).map(wants).collect();
        let columns = block.time_us[range.clone()].iter().zip(&routes[range.clone()]);
        for (index, (time_us, route)) in range.zip(columns) {
            let (time_us, route) = (*time_us, *route);
            self.tick(time_us);
            let wants = wanted[route as usize];
            if !wants && time_us.saturating_sub(self.alive_us) < ALIVE_US {
                continue;
            }
            self.alive_us = time_us;
            let meta = block.meta[index];
            let mut word = block.data[index];
            if wants && meta.len > 8 && meta.kind() == Kind::Fd {
                self.long.push(block.long[word as usize]);
                word = self.long.len() as u64 - 1;
            }
            let route = if wants { route } else { self.ranks.len() as u32 - 1 };
            self.waiting.push(Waiting { time_us, rank: self.ranks[route as usize], route, len: meta.len, word });
        }
        if let Some(highest_us) = self.highest_us {
            self.feed(highest_us.saturating_sub(WAIT_US));
        }
    }

    /// Without rules, nothing but the clock is looked at.
    fn watch_clock(&mut self, times: &[TimeUs]) {
        times.iter().for_each(|time_us| self.tick(*time_us));
    }

    /// Follows the clock.
    #[inline]
    fn tick(&mut self, time_us: TimeUs) {
        self.frames += 1;
        match &mut self.highest_us {
            // The usual step, at the cost of two comparisons.
            Some(highest_us) if (0..=WAIT_US).contains(&time_us.wrapping_sub(*highest_us)) => *highest_us = time_us,
            _ => self.unusual_tick(time_us),
        }
    }

    #[cold]
    fn unusual_tick(&mut self, time_us: TimeUs) {
        match self.highest_us {
            Some(highest_us) if time_us < highest_us.saturating_sub(WAIT_US) => self.step_back(time_us, highest_us),
            Some(highest_us) if time_us.saturating_sub(highest_us) > self.gap_us => {
                self.remark_silence(highest_us, time_us);
                self.end_of_frames(CutReason::Silence);
                if self.recordings < RECORDINGS_MAX {
                    self.recordings += 1;
                    self.end_recording();
                }
            }
            _ => {}
        }
        self.start_us = Some(self.start_us.unwrap_or(time_us).min(time_us));
        self.highest_us = Some(self.highest_us.unwrap_or(time_us).max(time_us));
    }

    fn step_back(&mut self, time_us: TimeUs, highest_us: TimeUs) {
        let seconds = highest_us.saturating_sub(time_us) as f64 / 1e6;
        self.remark(format!("clock stepped back by {seconds:.3} s at frame {}", self.frames));
        self.feed(TimeUs::MAX);
        if let Some(engine) = &mut self.engine {
            engine.alive(highest_us);
            engine.cut(CutReason::ClockStep);
        }
        self.highest_us = None;
        self.alive_us = TimeUs::MIN;
    }

    fn remark_silence(&mut self, from_us: TimeUs, to_us: TimeUs) {
        if from_us < CLOCK_SET_US && to_us >= CLOCK_SET_US {
            self.remark(format!(
                "clock was not set before frame {}: its times begin in {}",
                self.frames,
                year(from_us)
            ));
        } else if self.counted.notes.len() < REMARKS_MAX {
            let minutes = to_us.saturating_sub(from_us) as f64 / 6e7;
            let note = format!("{minutes:.1} min of silence, or a clock set forward, at frame {}", self.frames);
            self.counted.notes.push(note);
        }
    }

    fn remark(&mut self, text: String) {
        if self.counted.remarks.len() < REMARKS_MAX {
            self.counted.remarks.push(text);
        }
    }

    /// Tells the engine of the frames that came up to an instant, in order.
    fn feed(&mut self, upto_us: TimeUs) {
        let Some(engine) = &mut self.engine else {
            self.waiting.clear();
            self.long.clear();
            return;
        };
        let key = |frame: &Waiting| (frame.time_us, frame.rank);
        if !self.waiting.is_sorted_by_key(key) {
            self.waiting.sort_by_key(key);
        }
        let ready = self.waiting.partition_point(|frame| frame.time_us <= upto_us);
        let raw = self.ranks.len() as u32 - 1;
        for frame in &self.waiting[..ready] {
            if frame.route == raw {
                engine.alive(frame.time_us);
            } else if frame.len > 8 {
                let data = &self.long[frame.word as usize];
                engine.long_frame(frame.time_us, frame.route as usize, data, frame.len);
            } else {
                engine.frame(frame.time_us, frame.route as usize, frame.word, frame.len);
            }
        }
        self.waiting.drain(..ready);
        if self.waiting.is_empty() {
            self.long.clear();
        } else if self.long.len() > 4 * self.waiting.len() + 1024 {
            // What waits is a second's frames: their payloads are copied together.
            let mut kept = Vec::new();
            for frame in self.waiting.iter_mut().filter(|frame| frame.len > 8 && frame.route != raw) {
                kept.push(self.long[frame.word as usize]);
                frame.word = kept.len() as u64 - 1;
            }
            self.long = kept;
        }
        self.take_rows();
    }

    fn take_rows(&mut self) {
        let Some(engine) = &mut self.engine else { return };
        self.counted.runs.extend(engine.take_runs().into_iter().map(|row| (0, row)));
        self.counted.events.extend(engine.take_events().into_iter().map(|row| (0, row)));
    }

    /// Ends the run that is open with the last frame.
    fn end_of_frames(&mut self, reason: CutReason) {
        self.feed(TimeUs::MAX);
        if let (Some(engine), Some(highest_us)) = (&mut self.engine, self.highest_us.take()) {
            engine.alive(highest_us);
            engine.cut(reason);
            self.take_rows();
        }
        self.alive_us = TimeUs::MIN;
    }

    /// Says of the rows since the last recording when theirs began.
    fn end_recording(&mut self) {
        let start_us = self.start_us.take().unwrap_or_default();
        let Counted { runs, events, .. } = &mut self.counted;
        runs[self.rows_from.0..].iter_mut().for_each(|(recording_us, _)| *recording_us = start_us);
        events[self.rows_from.1..].iter_mut().for_each(|(recording_us, _)| *recording_us = start_us);
        self.rows_from = (runs.len(), events.len());
    }

    fn finish(mut self, reason: CutReason) -> Counted {
        self.end_of_frames(reason);
        self.end_recording();
        self.counted
    }
}

fn year(time_us: TimeUs) -> i64 {
    jiff::Timestamp::from_microsecond(time_us).map_or(0, |at| i64::from(jiff::tz::TimeZone::UTC.to_datetime(at).year()))
}

/// Counts the vehicles of a capture, batch by batch.
pub(super) struct Counts<'a> {
    pub(super) defs: &'a Definitions,
    pub(super) places: &'a [Place],
    /// Only the clock is looked at.
    pub(super) later: bool,
    pub(super) by_vehicle: std::collections::BTreeMap<String, Counting<'a>>,
}

impl Counts<'_> {
    pub(super) fn take(&mut self, batch: &Batch) {
        let channels: Vec<Option<usize>> = batch.channels.iter().map(|(bus, _)| *bus).collect();
        for segment in &batch.segments {
            let counting = self.by_vehicle.entry(segment.vehicle.clone()).or_insert_with(|| {
                if self.later { Counting::of_clock_only(self.defs) } else { Counting::new(self.defs, self.places) }
            });
            counting.take(&batch.block, &batch.routes, &channels, segment.from..segment.to);
        }
    }
}

/// Routes of a block's frames, whose channels are the given buses.
pub(crate) fn routes_of(router: &mut Router, defs: &Definitions, block: &FrameBlock) -> Vec<u32> {
    let raw = defs.messages.len();
    let route = |(meta, id)| match router.route(meta, id) {
        crate::decode::Route::Message(message) => message as u32,
        crate::decode::Route::Raw => raw as u32,
    };
    block.meta.iter().copied().zip(block.id.iter().copied()).map(route).collect()
}
