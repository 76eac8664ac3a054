//! Growth of what a module counts itself: its own counters, and the odometer.

use crate::frame::TimeUs;

/// What a reading adds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Growth {
    pub(super) steps: u64,
    pub(super) resets: u64,
}

/// A module's own counter, followed from reading to reading.
#[derive(Debug, Clone)]
pub(super) struct Follower {
    /// All ones of the counter's width.
    mask: u64,
    step_max: u64,
    last: Option<u64>,
    /// A reading that does not follow from `last`, to be believed when the next does not either.
    odd: Option<u64>,
}

impl Follower {
    pub(super) fn new(mask: u64, step_max: u64) -> Self {
        Self { mask, step_max, last: None, odd: None }
    }

    /// Goes on from this reading, or from the next one.
    pub(super) fn begin(&mut self, raw: Option<u64>) {
        (self.last, self.odd) = (raw, None);
    }

    /// Whether the next frame matters though it change nothing.
    pub(super) fn waits(&self) -> bool {
        self.odd.is_some()
    }

    /// A reading. Its growth includes that of an odd reading before it, once that is believed.
    pub(super) fn read(&mut self, raw: u64) -> Growth {
        let Some(last) = self.last else {
            self.last = Some(raw);
            return Growth::default();
        };
        if let Some(steps) = self.follows(last, raw) {
            self.begin(Some(raw));
            return Growth { steps, resets: 0 };
        }
        let Some(odd) = self.odd else {
            self.odd = Some(raw);
            return Growth::default();
        };
        let begun = if odd < last && odd <= self.step_max { odd } else { 0 };
        match self.follows(odd, raw) {
            Some(steps) => {
                self.begin(Some(raw));
                Growth { steps: begun + steps, resets: 1 }
            }
            None => {
                (self.last, self.odd) = (Some(odd), Some(raw));
                Growth { steps: begun, resets: 1 }
            }
        }
    }

    fn follows(&self, from: u64, to: u64) -> Option<u64> {
        let steps = to.wrapping_sub(from) & self.mask;
        (steps <= self.step_max).then_some(steps)
    }
}

/// No trolleybus is faster, km/h; an odometer that says so has jumped.
const SPEED_MAX_KMH: f64 = 150.0;
/// Odometers that move in jerks, all the way of some seconds in one step, are believed over so long a stand.
const JERK_US: i64 = 10_000_000;

/// An odometer, followed from reading to reading.
#[derive(Debug, Clone, Default)]
pub(super) struct Odometer {
    last: Option<f64>,
    /// When it last said so.
    last_us: TimeUs,
    /// When it first said so.
    since_us: TimeUs,
}

impl Odometer {
    /// Goes on from this reading, or from the next one.
    pub(super) fn begin(&mut self, now: TimeUs, km: Option<f64>) {
        *self = Self { last: km, last_us: now, since_us: now };
    }

    /// The last reading stood until then.
    pub(super) fn stood_until(&mut self, seen_us: TimeUs) {
        self.last_us = self.last_us.max(seen_us);
    }

    /// A reading, in kilometres, and its resolution. Gives the way driven; steps back and jumps give none.
    pub(super) fn read(&mut self, now: TimeUs, km: f64, step_km: f64) -> f64 {
        let Some(last) = self.last else {
            self.begin(now, Some(km));
            return 0.0;
        };
        if km == last {
            self.last_us = now;
            return 0.0;
        }
        let elapsed_us =
            now.saturating_sub(self.last_us).max(now.saturating_sub(self.since_us).min(JERK_US)).max(0) as f64;
        let way = km - last;
        self.begin(now, Some(km));
        let way_max = elapsed_us / 3.6e9 * SPEED_MAX_KMH + step_km * 1.001;
        if way > 0.0 && way <= way_max { way } else { 0.0 }
    }
}
