//! The highest (or lowest) value that was held.
//!
//! A value is held while the signal does not go below it (above it, for the lowest). Kept are the stretches that may
//! still become the peak: for every level above the peak so far, since when the signal has not been below it. A new
//! value ends the stretches above itself and goes on from where the first of those began.

use std::collections::VecDeque;

use crate::frame::TimeUs;

/// A peak is seen in at least so many frames.
const FRAMES_MIN: u64 = 3;
/// Levels that wait at once. A rise in more steps within `held` loses every second of them, so that the peak may come
/// out too low by one step in so many.
const LEVELS_MAX: usize = 1024;

/// A level that has been held up to now.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    since_us: TimeUs,
    /// Frames before its first.
    frames_before: u64,
    level: f64,
}

/// What may still become the peak, from the lowest level to the highest.
#[derive(Debug, Clone)]
pub(super) struct Window {
    held_us: i64,
    /// 1 for the highest, −1 for the lowest: levels are values times this.
    sign: f64,
    frames: u64,
    /// Whether values count at present.
    open: bool,
    stretches: VecDeque<Stretch>,
}

/// The peak so far and its time.
pub(super) type Peak = Option<(f64, TimeUs)>;

impl Window {
    pub(super) fn new(highest: bool, held_us: i64) -> Self {
        let sign = if highest { 1.0 } else { -1.0 };
        Self { held_us, sign, frames: 0, open: false, stretches: VecDeque::new() }
    }

    /// Whether frames that change nothing matter: they may be the third.
    pub(super) fn waits(&self) -> bool {
        !self.stretches.is_empty()
    }

    pub(super) fn is_open(&self) -> bool {
        self.open
    }

    /// Values count from now on. `value` is in force; `framed` says whether its frame came at this very instant.
    pub(super) fn begin(&mut self, now: TimeUs, value: f64, framed: bool, peak: &mut Peak) {
        self.open = true;
        self.stretches.clear();
        self.frames += u64::from(framed);
        self.push(now, value, self.frames - u64::from(framed), peak);
    }

    /// Values no longer count: what was being held is broken off.
    pub(super) fn end(&mut self, now: TimeUs, peak: &mut Peak) {
        self.settle(now, peak);
        self.stretches.clear();
        self.open = false;
    }

    /// A frame, with a new value or the same.
    pub(super) fn frame(&mut self, now: TimeUs, value: f64, peak: &mut Peak) {
        self.settle(now, peak);
        self.frames += 1;
        let level = value * self.sign;
        let mut first = None;
        while let Some(stretch) = self.stretches.pop_back_if(|stretch| stretch.level > level) {
            first = Some((stretch.since_us, stretch.frames_before));
        }
        if self.stretches.back().is_none_or(|back| back.level < level) {
            let (since_us, frames_before) = first.unwrap_or((now, self.frames - 1));
            self.push(since_us, value, frames_before, peak);
        }
        // With this frame the third is there for stretches that have been long enough for a while.
        while let Some(stretch) = self.stretches.front().copied().filter(|s| self.is_held(s, now)) {
            self.stretches.pop_front();
            *peak = Some((stretch.level * self.sign, now));
        }
    }

    /// Takes what has been held long enough by `now`, before anything new at that instant.
    pub(super) fn settle(&mut self, now: TimeUs, peak: &mut Peak) {
        while let Some(stretch) = self.stretches.front().copied().filter(|s| self.is_held(s, now)) {
            self.stretches.pop_front();
            *peak = Some((stretch.level * self.sign, stretch.since_us.saturating_add(self.held_us)));
        }
    }

    fn is_held(&self, stretch: &Stretch, now: TimeUs) -> bool {
        now.saturating_sub(stretch.since_us) >= self.held_us && self.frames - stretch.frames_before >= FRAMES_MIN
    }

    fn push(&mut self, since_us: TimeUs, value: f64, frames_before: u64, peak: &Peak) {
        let level = value * self.sign;
        if peak.is_some_and(|(peak, _)| level <= peak * self.sign) {
            return;
        }
        if self.stretches.len() >= LEVELS_MAX {
            let mut keep = false;
            self.stretches.retain(|_| {
                keep = !keep;
                keep
            });
        }
        self.stretches.push_back(Stretch { since_us, frames_before, level });
    }
}
