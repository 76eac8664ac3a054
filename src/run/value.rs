//! The last value of a signal, and whether it still counts.

use crate::defs::Signal;
use crate::defs::payload::Reading;
use crate::frame::{DATA_BYTES_MAX, TimeUs};

/// What is known of a signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum State {
    /// Nothing yet, or nothing for too long.
    Unknown,
    /// The payload did not reach so far.
    Short,
    /// Not available, error, reserved, or not a number.
    Absent,
    /// A value that is not to be believed.
    Doubtful,
    /// A value.
    Known,
}

/// What a signal said last.
#[derive(Debug, Clone, Copy)]
pub(super) struct Value {
    pub(super) state: State,
    pub(super) number: f64,
    pub(super) raw: u64,
}

impl Value {
    pub(super) const UNKNOWN: Self = Self { state: State::Unknown, number: 0.0, raw: 0 };
    const SHORT: Self = Self { state: State::Short, number: 0.0, raw: 0 };

    #[inline]
    pub(super) fn known(&self) -> Option<f64> {
        (self.state == State::Known).then_some(self.number)
    }

    /// The raw pattern, where it is a value.
    #[inline]
    pub(super) fn known_raw(&self) -> Option<u64> {
        (self.state == State::Known).then_some(self.raw)
    }

    /// What the signal says now; none where it says the same as before.
    #[inline]
    pub(super) fn next(&self, signal: &Signal, reach_bytes: u8, payload: Payload<'_>) -> Option<Self> {
        if payload.len() < reach_bytes {
            return (self.state != State::Short).then_some(Self::SHORT);
        }
        let raw = payload.raw(signal);
        if raw == self.raw && !matches!(self.state, State::Unknown | State::Short) {
            return None;
        }
        let (state, number) = match signal.read_raw(raw) {
            Reading::Value { physical, plausible: true, .. } => (State::Known, physical),
            Reading::Value { physical, .. } => (State::Doubtful, physical),
            _ => (State::Absent, 0.0),
        };
        Some(Self { state, number, raw })
    }
}

/// A payload as it came.
#[derive(Clone, Copy)]
pub(super) enum Payload<'a> {
    /// Up to 8 bytes, byte 1 lightest.
    Word(u64, u8),
    /// Up to 64 bytes.
    Bytes(&'a [u8; DATA_BYTES_MAX], u8),
}

impl Payload<'_> {
    #[inline]
    pub(super) fn len(self) -> u8 {
        match self {
            Self::Word(_, len) | Self::Bytes(_, len) => len,
        }
    }

    /// The field's bits; it lies within 8 bytes where the payload is a word, for its message does.
    #[inline]
    pub(super) fn raw(self, signal: &Signal) -> u64 {
        match self {
            Self::Word(word, _) => signal.field.of_word(word),
            Self::Bytes(data, _) => signal.field.of_bytes(data),
        }
    }
}

/// Signals of one message that come in the same frames: those that are always there, or those of the same pages.
///
/// What the hot path reads lies here together, constants too.
#[derive(Debug, Clone)]
pub(super) struct Stream {
    /// Last frame that held it.
    pub(super) seen_us: TimeUs,
    /// So long after its last frame its values are stale.
    pub(super) stale_after_us: i64,
    /// Bits of a word that the rules look at.
    pub(super) mask: u64,
    /// Those bits of the last frame.
    pub(super) word: u64,
    /// Bytes that the rules look at.
    pub(super) reach_max: u8,
    /// How many of them the last frame had.
    pub(super) reach: u8,
    /// Whether its values are in force.
    pub(super) fresh: bool,
    /// Whether it is there only on some pages.
    pub(super) paged: bool,
    /// Whether frames that change nothing are waited for too.
    pub(super) watched: bool,
}

impl Stream {
    pub(super) fn reset(&mut self) {
        (self.seen_us, self.word, self.reach) = (TimeUs::MIN, 0, 0);
        (self.fresh, self.watched) = (false, false);
    }

    /// When its values become stale; never where they are not in force.
    #[inline]
    pub(super) fn due(&self) -> TimeUs {
        if self.fresh { self.seen_us.saturating_add(self.stale_after_us) } else { TimeUs::MAX }
    }
}
