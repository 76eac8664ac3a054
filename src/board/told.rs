//! What a board tells, in the form in which it goes over the wire.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::value::State;
use crate::defs::{Definitions, Form, Matching, Message, Signal};
use crate::frame::TimeUs;

/// Everything, or what changed since an earlier update.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Update {
    /// Another number: another board, and what was known is to be forgotten.
    pub generation: u64,
    /// Sequence number that this goes on from; 0: everything.
    pub since: u64,
    /// Sequence number that the next goes on from.
    pub sequence: u64,
    /// How late it is on the bus, µs since 1970 UTC; 0: nothing was ever heard.
    pub now_us: TimeUs,
    /// What the agency's clocks add to UTC, s.
    pub utc_offset_s: i32,
    /// The tap.
    pub tap: String,
    /// The vehicle, as far as it is known.
    pub vehicle: Option<String>,
    /// Name of the definition set.
    pub definitions: String,
    /// The last mark.
    pub mark: Option<Mark>,
    /// Frames since the mark that the board did not see, because it was behind.
    pub lost_frames: u64,
    /// Not 0: there are more signals than rows.
    pub rows_missing: u64,
    /// Row of the first of `heads`.
    pub first_head: usize,
    /// What new rows are.
    pub heads: Vec<Head>,
    /// Rows that changed.
    pub rows: Vec<Row>,
}

/// A moment that somebody marked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mark {
    /// The tap.
    pub tap: String,
    /// The vehicle, as far as it was known.
    pub vehicle: Option<String>,
    /// When, on the bus's clock.
    pub time_us: TimeUs,
    /// What was done or seen.
    pub note: String,
    /// Who says so; may be empty.
    pub who: String,
}

/// What a row is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Rows are shown by rising place, then source, then row.
    pub place: u32,
    /// Its bus.
    pub bus: String,
    /// Its message.
    pub message: String,
    /// Its name.
    pub signal: String,
    /// Source address, where messages of several are told apart.
    pub source: Option<u8>,
    /// What people call its sender, or nothing.
    pub module: String,
    /// UCUM code, or nothing.
    pub unit: String,
    /// How it is to be read.
    pub kind: SignalKind,
    /// One sentence, or nothing.
    pub about: String,
}

/// How a signal is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SignalKind {
    /// A number with a lowest and a highest.
    Number,
    /// Yes or no.
    Flag,
    /// One of several labels.
    Label,
}

impl SignalKind {
    pub(super) fn of(signal: &Signal) -> Self {
        match signal.form {
            Form::Flag => Self::Flag,
            _ if signal.labels.is_empty() => Self::Number,
            _ => Self::Label,
        }
    }
}

/// What a row says. On the wire a list of its fields in this order, because there are many.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row {
    /// Its number.
    pub row: u32,
    /// What its signal says, in kind.
    pub state: State,
    /// The value without its unit, where there is one.
    pub text: String,
    /// Whether nothing was heard of it for too long.
    pub stale: bool,
    /// When it changed last, µs; 0: never heard.
    pub changed_us: TimeUs,
    /// How often it changed since the mark.
    pub changes: u64,
    /// How often nothing was heard of it for too long, since the mark.
    pub lapses: u32,
    /// Lowest and highest number since the mark; of flags and labels, what was said since, in that order, up to eight.
    pub seen: Vec<String>,
    /// Changes that nobody has acknowledged.
    pub marked: Option<Unacknowledged>,
}

/// Changes that nobody has acknowledged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unacknowledged {
    /// What it said before the first of them.
    pub was: String,
    /// When the first was.
    pub first_us: TimeUs,
    /// When the last was.
    pub last_us: TimeUs,
    /// How many they are.
    pub times: u64,
}

impl Head {
    /// Message and signal.
    pub fn path(&self) -> String {
        format!("{}.{}", self.message, self.signal)
    }

    /// Bus, and who sends it as far as that is known.
    pub fn sender(&self) -> String {
        let mut text = self.bus.clone();
        if !self.module.is_empty() {
            text += &format!(", {}", self.module);
        }
        if let Some(source) = self.source {
            text += &format!(", source {source:02X}");
        }
        text
    }
}

impl Row {
    /// The value with its unit, or in words why there is none.
    pub fn said(&self, head: &Head) -> String {
        if !self.state.is_value() {
            return self.state.words().to_owned();
        }
        match head.unit.as_str() {
            "" | "1" => self.text.clone(),
            "Cel" => format!("{} °C", self.text),
            unit => format!("{} {unit}", self.text),
        }
    }

    /// Lowest to highest, or what was said.
    pub fn seen_said(&self, head: &Head) -> String {
        match (head.kind, self.seen.as_slice()) {
            (SignalKind::Number, [low, high]) if low == high => low.clone(),
            (SignalKind::Number, [low, high]) => format!("{low} to {high}"),
            (_, seen) => seen.join(", "),
        }
    }
}

/// Time of day on the agency's clocks, with thousandths where `fine`; nothing for 0, which is never.
pub fn clock(time_us: TimeUs, utc_offset_s: i32, fine: bool) -> String {
    if time_us == 0 {
        return String::new();
    }
    let day_us = 86_400_000_000;
    let us = time_us.rem_euclid(day_us).saturating_add(i64::from(utc_offset_s) * 1_000_000).rem_euclid(day_us);
    let (seconds, thousandths) = (us / 1_000_000, us / 1000 % 1000);
    let text = format!("{:02}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60);
    if fine { format!("{text}.{thousandths:03}") } else { text }
}

type Fields<Text, Texts, Changes> = (u32, State, Text, bool, TimeUs, u64, u32, Texts, Changes);

impl Serialize for Row {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let fields: Fields<&str, &[String], Option<&Unacknowledged>> = (
            self.row,
            self.state,
            &self.text,
            self.stale,
            self.changed_us,
            self.changes,
            self.lapses,
            &self.seen,
            self.marked.as_ref(),
        );
        fields.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Row {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let (row, state, text, stale, changed_us, changes, lapses, seen, marked) =
            Fields::<String, Vec<String>, Option<Unacknowledged>>::deserialize(deserializer)?;
        Ok(Self { row, state, text, stale, changed_us, changes, lapses, seen, marked })
    }
}

/// What the rows of a sender have in common.
pub(super) struct Names<'a> {
    bus: &'a str,
    message: &'a str,
    source: Option<u8>,
    module: &'a str,
}

impl Head {
    pub(super) fn names<'a>(defs: &'a Definitions, message: &'a Message, source: Option<u8>) -> Names<'a> {
        let address = source.or(match message.matching {
            Matching::Group { source, .. } => source,
            Matching::Exactly(_) => None,
        });
        let module = defs.modules.iter().find(|module| module.bus == message.bus && Some(module.source) == address);
        Names {
            bus: &defs.buses[message.bus].name,
            message: &message.name,
            source,
            module: module.map_or("", |module| &module.name),
        }
    }
}

impl Names<'_> {
    pub(super) fn head(&self, place: usize, signal: &Signal) -> Head {
        Head {
            place: place as u32,
            bus: self.bus.to_owned(),
            message: self.message.to_owned(),
            signal: signal.name.clone(),
            source: self.source,
            module: self.module.to_owned(),
            unit: signal.unit.clone(),
            kind: SignalKind::of(signal),
            about: signal.about.clone(),
        }
    }
}
