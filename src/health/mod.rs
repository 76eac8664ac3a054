//! Bus health of one vehicle: its frames in arrival order in, one row per bus and hour and one per message and hour out.
//!
//! Pure. Does not know files, or tables; time is the frames' own.
//!
//! **Silence.** A bus is silent where no frame of any kind came for more than [`SILENCE_US`]. Recorded time is the time
//! between the first and the last frame without silences and without cuts (see [`Health::cut`]); the mean bus load is
//! reckoned over it. An hour border within recorded time divides it between the two hours. A silence, or a step of the
//! clock, is counted in the hour in which it ended.
//!
//! **Missing frames.** Where a message's next frame takes longer than one and a half of its expected periods, every
//! whole period beyond the first, with half a period of grace, is one missing frame: 2 periods are one, 2.4 are one,
//! 2.6 are two. A silence of the whole bus is not the message's fault: frames are expected up to its beginning, and
//! again from its end. A message is expected from its first frame on, until the next cut; one that never came is not
//! missed, since not every vehicle has every module. Groups that any source may send are watched for each source apart.
//!
//! **Time that steps back** on a bus is counted there, and is otherwise taken like a silence. Two buses against each
//! other make no steps: their frames need not arrive in common order.
//!
//! **An hour may have several rows,** where rows were taken in its middle: they add up, by [`BusRow::add`] and
//! [`MessageRow::add`], to what they would have been without.

mod lengths;
mod rows;
#[cfg(test)]
mod tests;
mod watch;

pub use rows::{BusRow, ErrorClasses, MessageRow, Rows};

use std::ops::Range;

use crate::defs::{Definitions, Matching};
use crate::frame::{CanId, FrameBlock, Kind, Meta, TimeUs};
use crate::wire::{Payload, wire_bits};
use lengths::Lengths;
use rows::Closed;
use watch::{BusWatch, Watch};

/// A bus with no frame for longer than this is silent: the slowest usual period, J1939's 1 s.
pub const SILENCE_US: i64 = 1_000_000;

/// Length of what a row covers; rows begin on the hour in UTC.
pub const HOUR_US: i64 = 3_600_000_000;

/// Most senders of messages from any source that are watched, over all such messages: all the addresses of 64 groups.
/// It bounds what a flood of source addresses takes.
const SENDERS_MAX: usize = 1 << 14;

/// A frame as it arrived.
#[derive(Debug, Clone, Copy)]
pub struct Heard<'a> {
    /// When.
    pub time_us: TimeUs,
    /// Index of its bus among the definitions'.
    pub bus: usize,
    /// Index of its message; none: no definition knows it, or it is a remote or error frame.
    pub message: Option<usize>,
    /// Its identifier.
    pub id: CanId,
    /// Kind and length.
    pub meta: Meta,
    /// Its data.
    pub payload: Payload<'a>,
}

/// Follows the buses of one vehicle.
#[derive(Debug)]
pub struct Health {
    buses: Vec<BusWatch>,
    /// One a message.
    messages: Vec<Expected>,
    /// Lengths of the last frames, one a message.
    lengths: Vec<Lengths>,
    watches: Vec<Watch>,
    senders: usize,
    closed: Closed,
}

/// Who is watched for a message.
#[derive(Debug)]
enum Expected {
    /// No period is expected.
    Nothing,
    /// One sender: index into the watches.
    One(usize),
    /// Any source address: for each the index into the watches, or [`NOT_YET`]. Empty before the first frame.
    Any { period_us: i64, by_source: Vec<u32> },
}

const NOT_YET: u32 = u32::MAX;

impl Health {
    /// For the buses and messages of a definition set.
    pub fn new(defs: &Definitions) -> Self {
        let mut health = Self {
            buses: defs.buses.iter().map(BusWatch::new).collect(),
            messages: Vec::with_capacity(defs.messages.len()),
            lengths: vec![Lengths::default(); defs.messages.len()],
            watches: Vec::new(),
            senders: 0,
            closed: Closed::default(),
        };
        for (index, message) in defs.messages.iter().enumerate() {
            let expected = match (message.period_us.filter(|period_us| *period_us > 0), message.matching) {
                (None, _) => Expected::Nothing,
                (Some(period_us), Matching::Group { source: None, .. }) => {
                    Expected::Any { period_us, by_source: Vec::new() }
                }
                (Some(period_us), Matching::Group { .. } | Matching::Exactly(_)) => {
                    Expected::One(health.watch(message.bus, index, None, period_us))
                }
            };
            health.messages.push(expected);
        }
        health
    }

    /// Takes frames of a block, in their order; `routes` gives the message of each, or a number beyond them.
    /// `buses` is the bus of each channel.
    pub fn frames(&mut self, block: &FrameBlock, routes: &[u32], buses: &[Option<usize>], range: Range<usize>) {
        let columns = block.time_us[range.clone()].iter().zip(&block.meta[range.clone()]).zip(&routes[range.clone()]);
        for (index, ((time_us, meta), route)) in range.zip(columns) {
            let Some(Some(bus)) = buses.get(usize::from(meta.channel)).copied() else { continue };
            let message = *route as usize;
            if !self.usual_frame(*time_us, bus, message, *meta) {
                let message = (message < self.messages.len()).then_some(message);
                let (id, payload) = (block.id[index], Payload::of_block(block, index));
                self.frame(&Heard { time_us: *time_us, bus, message, id, meta: *meta, payload });
            }
        }
    }

    /// What [`frame`](Self::frame) does where nothing is to be found out: a data frame of a message with one sender,
    /// within its bus's second, whose length another stands for. False, and nothing done, where it is no such frame.
    #[inline]
    fn usual_frame(&mut self, time_us: TimeUs, bus: usize, message: usize, meta: Meta) -> bool {
        let (Some(bus), Some(Expected::One(watch))) = (self.buses.get_mut(bus), self.messages.get(message)) else {
            return false;
        };
        let (Some(watch), Some(lengths)) = (self.watches.get_mut(*watch), self.lengths.get_mut(message)) else {
            return false;
        };
        if time_us >= bus.turn_at_us || time_us < bus.last_us || !matches!(meta.kind(), Kind::Data | Kind::Fd) {
            return false;
        }
        let Some(bits) = lengths.by_another(meta) else { return false };
        bus.last_us = time_us;
        bus.sent.add(bits);
        bus.row.frames += 1;
        watch.frame(time_us);
        true
    }

    /// Takes the next frame. One of a bus that the definitions do not have is passed over.
    pub fn frame(&mut self, heard: &Heard<'_>) {
        let time_us = heard.time_us;
        let Some(bus) = self.buses.get(heard.bus) else { return };
        if time_us >= bus.turn_at_us || time_us < bus.last_us {
            self.turn(heard.bus, time_us);
        }
        let bus = &mut self.buses[heard.bus];
        bus.last_us = time_us;
        let lengths = heard.message.and_then(|message| self.lengths.get_mut(message));
        bus.sent.add(match lengths {
            Some(lengths) => lengths.of(heard),
            None => wire_bits(heard.id, heard.meta, heard.payload),
        });
        match heard.meta.kind() {
            Kind::Data | Kind::Fd => bus.row.frames += 1,
            Kind::Remote => {
                bus.row.frames += 1;
                bus.row.remote_frames += 1;
                return;
            }
            Kind::Error => {
                bus.row.error_frames += 1;
                bus.row.errors.count(heard.id, heard.payload.word());
                return;
            }
        }
        let Some(message) = heard.message else {
            bus.row.unknown_frames += 1;
            return;
        };
        match self.messages.get(message) {
            None | Some(Expected::Nothing) => {}
            Some(Expected::One(watch)) => self.watches[*watch].frame(time_us),
            Some(Expected::Any { .. }) => match self.sender(message, heard.bus, heard.id.bits() as u8) {
                Some(watch) => self.watches[watch].frame(time_us),
                None => self.closed.rows.unwatched_frames += 1,
            },
        }
    }

    /// Recording was interrupted: the time between the frames before and after is no silence, and nothing is expected
    /// until it has come again.
    pub fn cut(&mut self) {
        for index in 0..self.buses.len() {
            let bus = &mut self.buses[index];
            if bus.running {
                bus.note_second();
                let last_us = bus.last_us;
                self.close_hour(index, last_us);
                for watch in &self.buses[index].watches {
                    self.watches[*watch].forget();
                }
                self.buses[index].stop();
            }
        }
    }

    /// The rows of everything since they were last taken, sorted; the running hour as far as it came.
    pub fn take_rows(&mut self) -> Rows {
        for index in 0..self.buses.len() {
            let bus = &mut self.buses[index];
            if bus.running {
                bus.note_second();
                let last_us = bus.last_us;
                self.close_hour(index, last_us);
                // The next frame opens the next row, and has to say so.
                self.buses[index].turn_at_us = TimeUs::MIN;
            }
        }
        self.closed.take()
    }

    /// A new second, and what else comes at such a time: a new hour, the end of a silence, a step back, the first frame.
    #[cold]
    fn turn(&mut self, index: usize, time_us: TimeUs) {
        let bus = &mut self.buses[index];
        if !bus.running {
            bus.start(time_us);
            return;
        }
        bus.note_second();
        let last_us = bus.last_us;
        let step_back_us = last_us.saturating_sub(time_us).max(0);
        let silence_us = time_us.saturating_sub(last_us).max(0);
        let broken = step_back_us > 0 || silence_us > SILENCE_US;
        if broken {
            bus.record_to(last_us);
            bus.recorded_from_us = time_us;
            for watch in &bus.watches {
                let watch = &mut self.watches[*watch];
                watch.settle(last_us);
                watch.resume(time_us);
            }
        }
        if !bus.is_in_hour(time_us) {
            let hour_end_us = bus.hour_end_us();
            self.close_hour(index, if broken { last_us } else { hour_end_us });
            self.buses[index].begin_hour(time_us);
        }
        let row = &mut self.buses[index].row;
        if step_back_us > 0 {
            row.last_us = row.last_us.max(last_us);
            row.steps_back += 1;
            row.step_back_us_max = row.step_back_us_max.max(step_back_us);
        }
        if silence_us > SILENCE_US {
            row.silences += 1;
            row.silence_us_max = row.silence_us_max.max(silence_us);
        }
        self.buses[index].begin_second(time_us);
    }

    /// Makes rows of what was counted, with recorded time and missing frames up to `until_us`.
    fn close_hour(&mut self, index: usize, until_us: TimeUs) {
        let bus = &mut self.buses[index];
        bus.record_to(until_us);
        for watch in &bus.watches {
            let watch = &mut self.watches[*watch];
            watch.settle(until_us);
            if let Some(row) = watch.take_row(bus.hour_start_us) {
                self.closed.push_message(row);
            }
        }
        if let Some(row) = bus.take_row(index) {
            self.closed.push_bus(row);
        }
    }

    /// The watch of one source of a message; none where there are too many of them.
    fn sender(&mut self, message: usize, bus: usize, source: u8) -> Option<usize> {
        let Expected::Any { period_us, by_source } = &mut self.messages[message] else { return None };
        if by_source.is_empty() {
            by_source.resize(256, NOT_YET);
        }
        let known = by_source[usize::from(source)];
        if known != NOT_YET {
            return Some(known as usize);
        }
        if self.senders == SENDERS_MAX {
            return None;
        }
        self.senders += 1;
        by_source[usize::from(source)] = self.watches.len() as u32;
        let period_us = *period_us;
        Some(self.watch(bus, message, Some(source), period_us))
    }

    fn watch(&mut self, bus: usize, message: usize, source: Option<u8>, period_us: i64) -> usize {
        self.buses[bus].watches.push(self.watches.len());
        self.watches.push(Watch::new(message, source, period_us));
        self.watches.len() - 1
    }
}
