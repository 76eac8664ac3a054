//! The rows that come out, and those that wait to be taken.

use serde::Serialize;

use crate::frame::{CanId, TimeUs};

/// Most bus rows and message rows that wait; what comes when they are full is lost and counted. A year of four buses,
/// and a fortnight of 300 messages: rows are to be taken more often.
const BUS_ROWS_MAX: usize = 1 << 16;
const MESSAGE_ROWS_MAX: usize = 1 << 17;

/// One bus in one hour. Only hours in which something came have a row.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BusRow {
    /// Index of the bus among the definitions'.
    pub bus: usize,
    /// Where the hour begins, UTC.
    pub hour_start_us: TimeUs,
    /// Earliest frame of any kind.
    pub first_us: TimeUs,
    /// Latest frame of any kind.
    pub last_us: TimeUs,
    /// Recorded time: without silences and without cuts, µs.
    pub recorded_us: i64,
    /// Data and remote frames.
    pub frames: u64,
    /// Remote frames among them.
    pub remote_frames: u64,
    /// Data frames among them that no definition knows.
    pub unknown_frames: u64,
    /// Error frames.
    pub error_frames: u64,
    /// What the error frames said.
    pub errors: ErrorClasses,
    /// Bits on the wire, stuff bits and intermission among them; error frames have none.
    pub bits: u64,
    /// How long the bus carried them by its bit rates, µs.
    pub busy_us: u64,
    /// Load of the busiest second, %. Frames are of the second in which they ended, so it may go beyond 100 a little.
    pub load_percent_peak: f64,
    /// Silences that ended in this hour.
    pub silences: u64,
    /// The longest of them, µs; 0 where there was none.
    pub silence_us_max: i64,
    /// Times at which the clock stepped back, into this hour.
    pub steps_back: u64,
    /// The largest such step, µs.
    pub step_back_us_max: i64,
}

impl BusRow {
    pub(super) fn empty() -> Self {
        Self {
            bus: 0,
            hour_start_us: 0,
            first_us: TimeUs::MAX,
            last_us: TimeUs::MIN,
            recorded_us: 0,
            frames: 0,
            remote_frames: 0,
            unknown_frames: 0,
            error_frames: 0,
            errors: ErrorClasses::default(),
            bits: 0,
            busy_us: 0,
            load_percent_peak: 0.0,
            silences: 0,
            silence_us_max: 0,
            steps_back: 0,
            step_back_us_max: 0,
        }
    }

    /// Mean load over the recorded time, %; none where there is no recorded time, as of a single frame.
    pub fn load_percent(&self) -> Option<f64> {
        (self.recorded_us > 0).then(|| self.busy_us as f64 * 100.0 / self.recorded_us as f64)
    }

    /// Adds another row of the same bus and hour.
    pub fn add(&mut self, other: &Self) {
        self.first_us = self.first_us.min(other.first_us);
        self.last_us = self.last_us.max(other.last_us);
        self.recorded_us = self.recorded_us.saturating_add(other.recorded_us);
        self.frames += other.frames;
        self.remote_frames += other.remote_frames;
        self.unknown_frames += other.unknown_frames;
        self.error_frames += other.error_frames;
        self.errors.add(&other.errors);
        self.bits += other.bits;
        self.busy_us += other.busy_us;
        self.load_percent_peak = self.load_percent_peak.max(other.load_percent_peak);
        self.silences += other.silences;
        self.silence_us_max = self.silence_us_max.max(other.silence_us_max);
        self.steps_back += other.steps_back;
        self.step_back_us_max = self.step_back_us_max.max(other.step_back_us_max);
    }

    fn key(&self) -> (TimeUs, usize) {
        (self.hour_start_us, self.bus)
    }
}

/// What error frames said, counted; one frame may say several things. Layout: Linux `linux/can/error.h`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct ErrorClasses {
    /// Class 0x001: a transmission was not finished in time.
    pub transmit_timeout: u64,
    /// Class 0x002: arbitration was lost.
    pub arbitration_lost: u64,
    /// Class 0x004, any detail.
    pub controller: u64,
    /// Controller detail 0x01 or 0x02: a buffer ran over, frames were lost.
    pub overflow: u64,
    /// Controller detail 0x04 or 0x08: 96 errors or more.
    pub warning: u64,
    /// Controller detail 0x10 or 0x20: error passive, 128 errors or more.
    pub passive: u64,
    /// Controller detail 0x40: error active again.
    pub active_again: u64,
    /// Class 0x008: a bit, form, stuff or other violation of the protocol.
    pub protocol: u64,
    /// Class 0x010: the transceiver found a wire faulty.
    pub transceiver: u64,
    /// Class 0x020: nobody acknowledged.
    pub no_acknowledge: u64,
    /// Class 0x040: the controller left the bus, 256 errors.
    pub bus_off: u64,
    /// Class 0x080: a bus error.
    pub bus_error: u64,
    /// Class 0x100: the controller was started again.
    pub restarted: u64,
}

impl ErrorClasses {
    /// Counts one error frame, its data as a word with byte 1 lightest.
    pub fn count(&mut self, id: CanId, word: u64) {
        let class = |mask: u32| u64::from(id.bits() & mask != 0);
        let detail = |mask: u8| u64::from(id.bits() & 0x004 != 0 && word.to_le_bytes()[1] & mask != 0);
        self.transmit_timeout += class(0x001);
        self.arbitration_lost += class(0x002);
        self.controller += class(0x004);
        self.overflow += detail(0x03);
        self.warning += detail(0x0C);
        self.passive += detail(0x30);
        self.active_again += detail(0x40);
        self.protocol += class(0x008);
        self.transceiver += class(0x010);
        self.no_acknowledge += class(0x020);
        self.bus_off += class(0x040);
        self.bus_error += class(0x080);
        self.restarted += class(0x100);
    }

    /// Adds other counts.
    pub fn add(&mut self, other: &Self) {
        self.transmit_timeout += other.transmit_timeout;
        self.arbitration_lost += other.arbitration_lost;
        self.controller += other.controller;
        self.overflow += other.overflow;
        self.warning += other.warning;
        self.passive += other.passive;
        self.active_again += other.active_again;
        self.protocol += other.protocol;
        self.transceiver += other.transceiver;
        self.no_acknowledge += other.no_acknowledge;
        self.bus_off += other.bus_off;
        self.bus_error += other.bus_error;
        self.restarted += other.restarted;
    }
}

/// One message of one sender in one hour. Only messages with an expected period, from their first frame on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MessageRow {
    /// Index of the message among the definitions'.
    pub message: usize,
    /// Source address, of a group that any source may send.
    pub source: Option<u8>,
    /// Where the hour begins, UTC.
    pub hour_start_us: TimeUs,
    /// Frames that came.
    pub frames: u64,
    /// Frames that should have come while the bus was alive, and did not.
    pub missing: u64,
    /// Longest interval between two frames with neither silence nor cut between, µs; 0 where there was none. It is of
    /// the hour in which it ended.
    pub interval_us_max: i64,
    /// Intervals of up to one and a half periods: those that lack no frame.
    pub timely_intervals: u64,
    /// Sum of their absolute deviations from the expected period, µs.
    pub deviation_us_sum: u64,
}

impl MessageRow {
    pub(super) fn empty(message: usize, source: Option<u8>) -> Self {
        Self {
            message,
            source,
            hour_start_us: 0,
            frames: 0,
            missing: 0,
            interval_us_max: 0,
            timely_intervals: 0,
            deviation_us_sum: 0,
        }
    }

    /// Jitter: mean absolute deviation of the timely intervals from the expected period, µs. None without intervals.
    pub fn jitter_us(&self) -> Option<f64> {
        (self.timely_intervals > 0).then(|| self.deviation_us_sum as f64 / self.timely_intervals as f64)
    }

    /// Adds another row of the same message, sender and hour.
    pub fn add(&mut self, other: &Self) {
        self.frames += other.frames;
        self.missing = self.missing.saturating_add(other.missing);
        self.interval_us_max = self.interval_us_max.max(other.interval_us_max);
        self.timely_intervals += other.timely_intervals;
        self.deviation_us_sum = self.deviation_us_sum.saturating_add(other.deviation_us_sum);
    }

    fn key(&self) -> (TimeUs, usize, Option<u8>) {
        (self.hour_start_us, self.message, self.source)
    }
}

/// What [`Health::take_rows`](super::Health::take_rows) gives.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Rows {
    /// One a bus and hour, by hour, then bus.
    pub buses: Vec<BusRow>,
    /// One a message, sender and hour, by hour, message, source address.
    pub messages: Vec<MessageRow>,
    /// Frames whose sender was not watched, because a flood of source addresses had come before.
    pub unwatched_frames: u64,
    /// Rows that were lost, because rows of too many hours waited to be taken.
    pub lost_rows: u64,
}

/// Rows of hours that are over, in a bounded room.
#[derive(Debug, Default)]
pub(super) struct Closed {
    pub(super) rows: Rows,
    buses_full: bool,
    messages_full: bool,
}

impl Closed {
    pub(super) fn push_bus(&mut self, row: BusRow) {
        let rows = &mut self.rows.buses;
        if rows.len() >= BUS_ROWS_MAX && !self.buses_full {
            merge(rows, BusRow::key, BusRow::add);
            self.buses_full = is_almost(rows.len(), BUS_ROWS_MAX);
        }
        if self.buses_full { self.rows.lost_rows += 1 } else { rows.push(row) }
    }

    pub(super) fn push_message(&mut self, row: MessageRow) {
        let rows = &mut self.rows.messages;
        if rows.len() >= MESSAGE_ROWS_MAX && !self.messages_full {
            merge(rows, MessageRow::key, MessageRow::add);
            self.messages_full = is_almost(rows.len(), MESSAGE_ROWS_MAX);
        }
        if self.messages_full { self.rows.lost_rows += 1 } else { rows.push(row) }
    }

    pub(super) fn take(&mut self) -> Rows {
        let mut rows = std::mem::take(self).rows;
        merge(&mut rows.buses, BusRow::key, BusRow::add);
        merge(&mut rows.messages, MessageRow::key, MessageRow::add);
        rows
    }
}

/// Whether merging would soon have to be done again.
fn is_almost(len: usize, max: usize) -> bool {
    len > max - max / 4
}

/// Sorts by key and adds up the rows of one key.
fn merge<T, K: Ord>(rows: &mut Vec<T>, key: impl Fn(&T) -> K, add: impl Fn(&mut T, &T)) {
    rows.sort_by_key(&key);
    rows.dedup_by(|later, earlier| {
        let same = key(later) == key(earlier);
        if same {
            add(earlier, later);
        }
        same
    });
}
