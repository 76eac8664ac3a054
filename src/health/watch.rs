//! What is counted while an hour runs: of one bus, and of one sender of one message.

use super::HOUR_US;
use super::rows::{BusRow, MessageRow};
use crate::defs::Bus;
use crate::frame::TimeUs;
use crate::wire::WireBits;

/// Bus load peaks are those of whole seconds. A silence is no shorter, so each one ends in another second.
const SECOND_US: i64 = 1_000_000;
const _: () = assert!(super::SILENCE_US >= SECOND_US);

/// Bits by their rate, since the beginning.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sent {
    nominal: u64,
    data_phase: u64,
}

impl Sent {
    #[inline]
    pub(super) fn add(&mut self, bits: WireBits) {
        self.nominal += u64::from(bits.nominal);
        self.data_phase += u64::from(bits.data_phase);
    }

    fn since(self, earlier: Self) -> Self {
        Self { nominal: self.nominal - earlier.nominal, data_phase: self.data_phase - earlier.data_phase }
    }
}

/// One bus.
#[derive(Debug)]
pub(super) struct BusWatch {
    bitrate: u32,
    fd_bitrate: u32,
    /// Indices of what is expected on it.
    pub(super) watches: Vec<usize>,
    /// Whether there was a frame since the last cut.
    pub(super) running: bool,
    /// Time of the last frame.
    pub(super) last_us: TimeUs,
    /// A frame before this, and not before the last one, changes nothing but counts. It is the second's end.
    pub(super) turn_at_us: TimeUs,
    second_end_us: TimeUs,
    pub(super) hour_start_us: TimeUs,
    /// Where the recorded time begins that no row has yet.
    pub(super) recorded_from_us: TimeUs,
    pub(super) sent: Sent,
    sent_before_second: Sent,
    sent_before_row: Sent,
    /// What is counted.
    pub(super) row: BusRow,
}

impl BusWatch {
    pub(super) fn new(bus: &Bus) -> Self {
        Self {
            bitrate: bus.bitrate.max(1),
            fd_bitrate: bus.fd_bitrate.unwrap_or(bus.bitrate).max(1),
            watches: Vec::new(),
            running: false,
            last_us: TimeUs::MIN,
            turn_at_us: TimeUs::MIN,
            second_end_us: TimeUs::MIN,
            hour_start_us: 0,
            recorded_from_us: 0,
            sent: Sent::default(),
            sent_before_second: Sent::default(),
            sent_before_row: Sent::default(),
            row: BusRow::empty(),
        }
    }

    /// The first frame of all, or after a cut.
    pub(super) fn start(&mut self, time_us: TimeUs) {
        self.running = true;
        self.recorded_from_us = time_us;
        self.begin_hour(time_us);
        self.begin_second(time_us);
    }

    pub(super) fn stop(&mut self) {
        self.running = false;
        self.last_us = TimeUs::MIN;
        self.turn_at_us = TimeUs::MIN;
    }

    pub(super) fn is_in_hour(&self, time_us: TimeUs) -> bool {
        self.hour_start_us == start_of(time_us, HOUR_US)
    }

    pub(super) fn begin_hour(&mut self, time_us: TimeUs) {
        self.hour_start_us = start_of(time_us, HOUR_US);
    }

    pub(super) fn hour_end_us(&self) -> TimeUs {
        self.hour_start_us.saturating_add(HOUR_US)
    }

    /// The second of a frame, which need not be another one.
    pub(super) fn begin_second(&mut self, time_us: TimeUs) {
        let end_us = start_of(time_us, SECOND_US).saturating_add(SECOND_US);
        if end_us != self.second_end_us {
            self.second_end_us = end_us;
            self.sent_before_second = self.sent;
        }
        self.turn_at_us = end_us;
        self.row.first_us = self.row.first_us.min(time_us);
    }

    /// The load of the second at hand, as far as it came.
    pub(super) fn note_second(&mut self) {
        let busy_us = self.busy_us(self.sent.since(self.sent_before_second));
        self.row.load_percent_peak = self.row.load_percent_peak.max(busy_us as f64 * 100.0 / SECOND_US as f64);
    }

    /// Everything up to here was recorded.
    pub(super) fn record_to(&mut self, until_us: TimeUs) {
        let recorded_us = until_us.saturating_sub(self.recorded_from_us);
        if recorded_us > 0 {
            self.row.recorded_us = self.row.recorded_us.saturating_add(recorded_us);
            self.recorded_from_us = until_us;
        }
    }

    /// How long the bus carries so many bits, µs.
    fn busy_us(&self, sent: Sent) -> u64 {
        let us = |bits: u64, bitrate: u32| u128::from(bits) * 1_000_000 / u128::from(bitrate);
        (us(sent.nominal, self.bitrate) + us(sent.data_phase, self.fd_bitrate)) as u64
    }

    pub(super) fn take_row(&mut self, bus: usize) -> Option<BusRow> {
        let mut row = std::mem::replace(&mut self.row, BusRow::empty());
        let sent = self.sent.since(self.sent_before_row);
        self.sent_before_row = self.sent;
        row.bus = bus;
        row.hour_start_us = self.hour_start_us;
        row.last_us = row.last_us.max(self.last_us);
        row.first_us = row.first_us.min(row.last_us);
        row.bits = sent.nominal + sent.data_phase;
        row.busy_us = self.busy_us(sent);
        (row.frames + row.error_frames > 0 || row.recorded_us > 0).then_some(row)
    }
}

fn start_of(time_us: TimeUs, length_us: i64) -> TimeUs {
    time_us.div_euclid(length_us).saturating_mul(length_us)
}

/// No time: the message is not expected. Another value than [`NO_FRAME`], so that one comparison tells that neither is.
const NOT_EXPECTED: TimeUs = TimeUs::MIN;
/// No time: there was no frame before.
const NO_FRAME: TimeUs = TimeUs::MAX;

/// One sender of one message.
#[derive(Debug)]
pub(super) struct Watch {
    period_us: i64,
    /// An interval longer than this lacks frames: 1.5 periods.
    late_us: i64,
    /// From where the next frame is waited for, or [`NOT_EXPECTED`].
    waiting_from_us: TimeUs,
    /// The frame before, or [`NO_FRAME`] where a silence, a step or a cut lies between.
    last_us: TimeUs,
    row: MessageRow,
}

impl Watch {
    pub(super) fn new(message: usize, source: Option<u8>, period_us: i64) -> Self {
        Self {
            period_us,
            late_us: period_us.saturating_add(period_us / 2),
            waiting_from_us: NOT_EXPECTED,
            last_us: NO_FRAME,
            row: MessageRow::empty(message, source),
        }
    }

    #[inline]
    pub(super) fn frame(&mut self, time_us: TimeUs) {
        self.row.frames += 1;
        let interval_us = time_us.wrapping_sub(self.last_us);
        // As an unsigned number, a step back is beyond every limit.
        if self.waiting_from_us == self.last_us && interval_us as u64 <= self.late_us as u64 {
            self.row.interval_us_max = self.row.interval_us_max.max(interval_us);
            self.row.timely_intervals += 1;
            let off_us = interval_us.abs_diff(self.period_us);
            self.row.deviation_us_sum = self.row.deviation_us_sum.saturating_add(off_us);
            self.waiting_from_us = time_us;
            self.last_us = time_us;
            return;
        }
        self.unsteady(time_us);
    }

    /// A frame that is late, the first of all, or the first behind something.
    #[cold]
    fn unsteady(&mut self, time_us: TimeUs) {
        if self.last_us != NO_FRAME {
            let interval_us = time_us.saturating_sub(self.last_us).max(0);
            self.row.interval_us_max = self.row.interval_us_max.max(interval_us);
            if interval_us <= self.late_us {
                self.row.timely_intervals += 1;
                let off_us = interval_us.abs_diff(self.period_us);
                self.row.deviation_us_sum = self.row.deviation_us_sum.saturating_add(off_us);
            }
        }
        if self.waiting_from_us != NOT_EXPECTED && time_us.saturating_sub(self.waiting_from_us) > self.late_us {
            self.settle(time_us);
        }
        self.waiting_from_us = time_us;
        self.last_us = time_us;
    }

    /// Counts the frames which should have come by now, and goes on waiting for the next. What is counted in two steps
    /// is the same as in one.
    pub(super) fn settle(&mut self, until_us: TimeUs) {
        let from_us = self.waiting_from_us;
        if from_us == NOT_EXPECTED {
            return;
        }
        // More than n + 1/2 periods: n are missing. Whole numbers, so that no frame is counted by rounding.
        let waited_us = i128::from(until_us) - i128::from(from_us);
        let period_us = i128::from(self.period_us);
        let missing = (2 * waited_us - period_us - 1).div_euclid(2 * period_us);
        if missing > 0 {
            self.row.missing = self.row.missing.saturating_add(missing as u64);
            self.waiting_from_us = (i128::from(from_us) + missing * period_us) as TimeUs;
        }
    }

    /// The bus speaks again after a silence.
    pub(super) fn resume(&mut self, time_us: TimeUs) {
        if self.waiting_from_us != NOT_EXPECTED {
            self.waiting_from_us = time_us;
        }
        self.last_us = NO_FRAME;
    }

    /// Not expected any more.
    pub(super) fn forget(&mut self) {
        self.waiting_from_us = NOT_EXPECTED;
        self.last_us = NO_FRAME;
    }

    pub(super) fn take_row(&mut self, hour_start_us: TimeUs) -> Option<MessageRow> {
        let empty = MessageRow::empty(self.row.message, self.row.source);
        let mut row = std::mem::replace(&mut self.row, empty);
        row.hour_start_us = hour_start_us;
        (row.frames > 0 || row.missing > 0).then_some(row)
    }
}
