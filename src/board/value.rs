//! One row: what its signal says now, and what it has said since a mark.

use serde::{Deserialize, Serialize};

use super::told::{Row, SignalKind, Unacknowledged};
use crate::defs::payload::Reading;
use crate::defs::{Form, Signal, Special};
use crate::frame::TimeUs;

/// Different values of a flag or an enumeration that are kept since a mark.
const SEEN_MAX: usize = 8;

/// What a signal says, in kind.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// No frame held it yet.
    #[default]
    Unheard,
    /// A value.
    Value,
    /// A value outside of what can be believed.
    Implausible,
    /// The sender does not know it.
    Unavailable,
    /// The sender says that its source is faulty.
    Error,
    /// A pattern that the standard keeps for itself.
    Reserved,
    /// IEEE 754 not a number.
    NotANumber,
    /// The frame was too short to hold it.
    Short,
}

impl State {
    /// Whether there is a value to be shown.
    pub fn is_value(self) -> bool {
        matches!(self, Self::Value | Self::Implausible)
    }

    /// In words; nothing for an ordinary value.
    pub fn words(self) -> &'static str {
        match self {
            Self::Unheard => "not heard",
            Self::Value => "",
            Self::Implausible => "implausible",
            Self::Unavailable => "not available",
            Self::Error => "error",
            Self::Reserved => "reserved",
            Self::NotANumber => "not a number",
            Self::Short => "frame too short",
        }
    }
}

/// What a signal said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Now {
    pub(super) state: State,
    raw: u64,
    number: f64,
}

impl Now {
    const UNHEARD: Self = Self { state: State::Unheard, raw: 0, number: 0.0 };
    pub(super) const SHORT: Self = Self { state: State::Short, raw: 0, number: 0.0 };

    pub(super) fn of(signal: &Signal, raw: u64) -> Self {
        let state = |state| Self { state, raw: 0, number: 0.0 };
        match signal.read_raw(raw) {
            Reading::Value { raw, physical, plausible } => {
                let state = if plausible { State::Value } else { State::Implausible };
                Self { state, raw, number: physical }
            }
            Reading::Special(Special::Unavailable) => state(State::Unavailable),
            Reading::Special(Special::Error) => state(State::Error),
            Reading::Special(Special::Reserved) => state(State::Reserved),
            Reading::NotANumber => state(State::NotANumber),
            Reading::BeyondEnd | Reading::OtherPage => Self::SHORT,
        }
    }

    /// Whether it says the same: of a value, the same bits.
    fn is(&self, other: &Self) -> bool {
        self.state == other.state && self.raw == other.raw
    }

    /// As people write it, without the unit.
    pub(super) fn text(&self, signal: &Signal, decimals: u8) -> String {
        if !self.state.is_value() {
            return self.state.words().to_owned();
        }
        if signal.form == Form::Flag {
            return if self.raw == 1 { "yes" } else { "no" }.to_owned();
        }
        match signal.label(self.raw) {
            Some(label) => label.to_owned(),
            None => number(self.number, signal.form == Form::Float, decimals),
        }
    }
}

/// A number with so many decimals. Those of IEEE 754, whose steps nobody told, go without where they are very large or
/// very small.
pub(super) fn number(value: f64, float: bool, decimals: u8) -> String {
    let size = value.abs();
    if (float && size != 0.0 && !(1e-2..1e7).contains(&size)) || size >= 1e15 {
        return format!("{value:.3e}");
    }
    let text = format!("{value:.*}", usize::from(decimals));
    // −0.0 is 0.0 to whoever reads it.
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|byte| matches!(byte, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

/// Decimals that show every step of a signal, up to seven: a ten-millionth of a degree.
fn decimals_of(signal: &Signal) -> u8 {
    if signal.form == Form::Float {
        return 2;
    }
    let needed = |value: f64| {
        let value = value.abs();
        // A tiny part above or below is the noise of binary fractions.
        (0..7).find(|decimals| {
            let scaled = value * 10_f64.powi(i32::from(*decimals));
            (scaled - scaled.round()).abs() < 1e-6 && (scaled >= 0.999 || value == 0.0)
        })
    };
    // Steps such as 1/256 need more than anyone reads: as many as tell one step from the next.
    let enough = (-signal.scale.abs().log10()).ceil().clamp(0.0, 7.0) as u8;
    let of_scale = needed(signal.scale).filter(|decimals| *decimals <= enough + 1).unwrap_or(enough);
    let of_offset = needed(signal.offset).unwrap_or(0).min(3);
    of_scale.max(of_offset)
}

/// One row of the board.
#[derive(Debug)]
pub(super) struct RowState {
    /// Bits of a word that are its signal's; all for signals behind byte 8.
    pub(super) word_mask: u64,
    /// Index of its beat.
    pub(super) beat: u32,
    /// Sequence number at which it was made.
    pub(super) born: u64,
    /// Sequence number of the last change of anything that is told of it.
    pub(super) version: u64,
    kind: SignalKind,
    decimals: u8,
    now: Now,
    changed_us: TimeUs,
    changes: u64,
    /// Lowest and highest of a number's values that can be believed.
    extremes: Option<(f64, f64)>,
    /// What a flag or an enumeration has said.
    seen: Vec<Now>,
    marked: Option<Marked>,
}

#[derive(Debug)]
struct Marked {
    was: Now,
    first_us: TimeUs,
    last_us: TimeUs,
    times: u64,
    version: u64,
}

impl RowState {
    pub(super) fn new(signal: &Signal, beat: u32, sequence: u64) -> Self {
        let in_word = signal.field.byte_range().is_some_and(|(_, last)| last < 8);
        Self {
            word_mask: if in_word { signal.field.word_mask() } else { u64::MAX },
            beat,
            born: sequence,
            version: sequence,
            kind: SignalKind::of(signal),
            decimals: decimals_of(signal),
            now: Now::UNHEARD,
            changed_us: 0,
            changes: 0,
            extremes: None,
            seen: Vec::new(),
            marked: None,
        }
    }

    /// Takes what its signal says now; whether that is something else than before.
    #[inline]
    pub(super) fn take(&mut self, now: Now, time_us: TimeUs, sequence: u64) -> bool {
        if self.now.is(&now) {
            return false;
        }
        let was = std::mem::replace(&mut self.now, now);
        self.changed_us = time_us;
        self.widen();
        if was.state == State::Unheard {
            return true;
        }
        self.changes += 1;
        if self.kind != SignalKind::Number || was.state != now.state {
            let marked = self.marked.get_or_insert(Marked { was, first_us: time_us, last_us: 0, times: 0, version: 0 });
            marked.last_us = time_us;
            marked.times += 1;
            marked.version = sequence;
        }
        true
    }

    /// Lets what it says now count for what it has said.
    fn widen(&mut self) {
        let now = self.now;
        if self.kind == SignalKind::Number {
            if now.state == State::Value {
                let (low, high) = self.extremes.unwrap_or((now.number, now.number));
                self.extremes = Some((low.min(now.number), high.max(now.number)));
            }
        } else if now.state != State::Unheard && self.seen.len() < SEEN_MAX && !self.seen.iter().any(|s| s.is(&now)) {
            self.seen.push(now);
        }
    }

    /// A mark was set.
    pub(super) fn begin_anew(&mut self) {
        self.changes = 0;
        self.extremes = None;
        self.seen.clear();
        self.widen();
    }

    /// Takes the mark of its changes away, unless it changed after `seen`; whether there was one.
    pub(super) fn acknowledge(&mut self, seen: u64) -> bool {
        let known = self.marked.as_ref().is_some_and(|marked| marked.version <= seen);
        if known {
            self.marked = None;
        }
        known
    }

    pub(super) fn told(&self, row: u32, signal: &Signal, stale: bool, lapses: u32) -> Row {
        let text = |now: &Now| now.text(signal, self.decimals);
        let float = signal.form == Form::Float;
        let seen = match self.extremes {
            Some((low, high)) => vec![number(low, float, self.decimals), number(high, float, self.decimals)],
            None => self.seen.iter().map(text).collect(),
        };
        Row {
            row,
            state: self.now.state,
            text: if self.now.state.is_value() { text(&self.now) } else { String::new() },
            stale,
            changed_us: self.changed_us,
            changes: self.changes,
            lapses,
            seen,
            marked: self.marked.as_ref().map(|marked| Unacknowledged {
                was: text(&marked.was),
                first_us: marked.first_us,
                last_us: marked.last_us,
                times: marked.times,
            }),
        }
    }
}
