//! One frame taken apart, from an identifier and bytes that somebody typed.

use serde::Serialize;

use super::text::{heading, j1939_parts, lsb, pattern, plural, sentence, wrapped};
use crate::census::{J1939, hex_text};
use crate::decode::{Route, Router};
use crate::defs::payload::Reading as Said;
use crate::defs::{Definitions, Matching, Message, hex_bytes};
use crate::frame::{CanId, DATA_BYTES_MAX, Meta};
use crate::j1939;

/// Why a frame cannot be taken apart.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ExplainError {
    /// Neither a message nor hexadecimal.
    #[error("'{text}' is neither a message nor an identifier in hexadecimal{}", hint(near))]
    NoSuchMessage {
        /// What was typed.
        text: String,
        /// Messages with names like it.
        near: Vec<String>,
    },
    /// More than 29 bits.
    #[error("{text} is no identifier: the largest of 29 bits is 1FFFFFFF")]
    IdTooLarge {
        /// What was typed.
        text: String,
    },
    /// No bus of that name.
    #[error("no bus '{text}'; the definitions have: {}", buses.join(", "))]
    NoSuchBus {
        /// What was typed.
        text: String,
        /// The buses there are.
        buses: Vec<String>,
    },
    /// A character of the data is no hexadecimal digit.
    #[error("'{character}' in the data is no hexadecimal digit; write the bytes as in 70 17 FF FF")]
    DataNotHex {
        /// The first such character.
        character: char,
    },
    /// An odd number of digits.
    #[error("the data has {digits} hexadecimal digits: a byte is two; write a leading 0 where it is missing")]
    DataHalfByte {
        /// How many.
        digits: usize,
    },
    /// More than a frame holds.
    #[error("the data has {bytes} bytes; a frame holds {DATA_BYTES_MAX} at most")]
    DataTooLong {
        /// How many.
        bytes: usize,
    },
}

fn hint(near: &[String]) -> String {
    if near.is_empty() { String::new() } else { format!("; is one of these meant: {}?", near.join(", ")) }
}

/// Width of an identifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Width {
    /// 11 bits.
    #[serde(rename = "11 bits")]
    Standard,
    /// 29 bits.
    #[serde(rename = "29 bits")]
    Extended,
}

/// A frame taken apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TakenApart {
    /// Three hexadecimal digits of 11 bits, eight of 29.
    pub id: String,
    /// How wide the identifier is.
    pub width: Width,
    /// How what was typed was taken, where it could be taken otherwise.
    pub notes: Vec<String>,
    /// The bytes.
    pub data: String,
    /// How many there are.
    pub length: usize,
    /// One a bus on which a message has the identifier; if none has, one a bus that could carry it.
    pub readings: Vec<Reading>,
}

/// The frame as one bus reads it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reading {
    /// The bus.
    pub bus: String,
    /// Fields of the identifier, if the bus speaks J1939.
    pub j1939: Option<J1939>,
    /// The message, if a definition knows the identifier.
    pub message: Option<String>,
    /// Its signals, in the order of the definition.
    pub signals: Vec<SignalReading>,
    /// Bits that no signal covers that is there, byte by byte.
    pub uncovered: Vec<UncoveredByte>,
    /// What the message is, for the heading.
    #[serde(skip)]
    heading: Vec<String>,
    #[serde(skip)]
    about: String,
}

/// What one signal says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignalReading {
    /// Its name.
    pub signal: String,
    /// Its least significant bit as byte.bit, counted from 1.
    pub lsb: String,
    /// How many bits it has.
    pub bits: u8,
    /// Its raw pattern in hexadecimal; none where it is not there.
    pub raw: Option<String>,
    /// Its value, if it has one.
    pub value: Option<f64>,
    /// UCUM code, or nothing.
    pub unit: String,
    /// The value with label and unit, or why there is none.
    pub said: String,
}

/// Bits of one byte that belong to no signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct UncoveredByte {
    /// The byte, counted from 1.
    pub byte: usize,
    /// Which of its bits.
    pub mask: u8,
    /// What they are, the others zero.
    pub value: u8,
}

/// Takes a frame apart.
///
/// `identifier` is hexadecimal, with or without 0x, or the name of a message. Up to three digits are 11 bits if they
/// fit, more are 29 bits. `data` is hexadecimal, blanks between bytes or not. `bus` narrows to one bus.
///
/// # Errors
/// Something typed cannot be understood. An identifier that no definition knows is no error.
pub fn take_apart(
    defs: &Definitions,
    identifier: &str,
    data: &str,
    bus: Option<&str>,
) -> Result<TakenApart, ExplainError> {
    let bytes = parse_data(data)?;
    let bus = bus.map(|text| {
        let buses = || defs.buses.iter().map(|bus| bus.name.clone()).collect();
        defs.bus(text).ok_or_else(|| ExplainError::NoSuchBus { text: text.into(), buses: buses() })
    });
    let mut bus = bus.transpose()?;
    let mut notes = Vec::new();
    let text = identifier.trim();
    let named = defs.message(text);
    let id = match named {
        Some(index) => {
            let message = &defs.messages[index];
            bus = Some(message.bus);
            if parse_id(text).is_ok() {
                notes.push(format!("'{text}' is taken as the message of that name; write 0x{text} for the identifier"));
            }
            ordinary_id(message, &mut notes)
        }
        None => match parse_id(text) {
            Ok(parsed) => chosen_id(defs, parsed, &mut notes),
            Err(IdTrouble::TooLarge) => return Err(ExplainError::IdTooLarge { text: text.into() }),
            Err(IdTrouble::NotHex) => {
                return Err(ExplainError::NoSuchMessage { text: text.into(), near: near_names(defs, text) });
            }
        },
    };
    let mut payload = [0; DATA_BYTES_MAX];
    payload[..bytes.len()].copy_from_slice(&bytes);
    let buses: Vec<usize> = (0..defs.buses.len()).filter(|index| bus.is_none_or(|bus| bus == *index)).collect();
    let found = |bus: &usize| message_of(defs, *bus, id).map(|message| (*bus, Some(message)));
    let mut places: Vec<(usize, Option<usize>)> = match named {
        Some(message) => vec![(defs.messages[message].bus, Some(message))],
        None => buses.iter().filter_map(found).collect(),
    };
    if places.is_empty() {
        places.extend(buses.iter().map(|bus| (*bus, None)));
    }
    if named.is_none() && places.len() > 1 && places[0].1.is_some() {
        notes.push("several buses have a message with this identifier; name one to see only that".into());
    }
    Ok(TakenApart {
        id: id.to_string(),
        width: if id.is_extended() { Width::Extended } else { Width::Standard },
        notes,
        data: hex_text(&bytes),
        length: bytes.len(),
        readings: places
            .into_iter()
            .map(|(bus, message)| read(defs, bus, message, id, &payload, bytes.len()))
            .collect(),
    })
}

enum IdTrouble {
    NotHex,
    TooLarge,
}

/// The number and how many digits it was written with.
fn parse_id(text: &str) -> Result<(u32, usize), IdTrouble> {
    let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")).unwrap_or(text);
    if digits.is_empty() || !digits.chars().all(|c| c.is_ascii_hexdigit()) {
        return Err(IdTrouble::NotHex);
    }
    let number = u32::from_str_radix(digits, 16).map_err(|_| IdTrouble::TooLarge)?;
    if number > CanId::EXTENDED_BITS { Err(IdTrouble::TooLarge) } else { Ok((number, digits.len())) }
}

/// 11 or 29 bits: by the number of digits, and by what the definitions know where that leaves doubt.
fn chosen_id(defs: &Definitions, (number, digits): (u32, usize), notes: &mut Vec<String>) -> CanId {
    let (standard, extended) = (CanId::standard(number), CanId::extended(number));
    if number > CanId::STANDARD_BITS {
        if digits < 8 {
            notes.push(format!("taken as the 29-bit identifier {extended}: an 11-bit one is 7FF at most"));
        }
        return extended;
    }
    if digits > 3 {
        if digits < 8 {
            notes.push(format!(
                "taken as the 29-bit identifier {extended}; with three digits, {standard}, it is 11 bits"
            ));
        }
        return extended;
    }
    let is_known = |id| (0..defs.buses.len()).any(|bus| message_of(defs, bus, id).is_some());
    match (is_known(standard), is_known(extended)) {
        (false, true) => {
            notes.push(format!(
                "taken as the 29-bit identifier {extended}, which has a message; 11 bits, {standard}, has none"
            ));
            extended
        }
        (true, true) => {
            notes.push(format!(
                "taken as 11 bits; the 29-bit identifier {extended} has a message too: write all eight digits"
            ));
            standard
        }
        (_, false) => standard,
    }
}

/// An identifier that frames of the message have.
fn ordinary_id(message: &Message, notes: &mut Vec<String>) -> CanId {
    match message.matching {
        Matching::Exactly(id) => id,
        Matching::Group { pgn, source } => {
            let id = j1939::identifier(j1939::PRIORITY, pgn, source.unwrap_or(0));
            notes.push(match source {
                Some(_) => format!("frames of it have identifiers like {id}: the priority may be another"),
                None => format!("frames of it have identifiers like {id}: priority and source address may be others"),
            });
            id
        }
    }
}

fn message_of(defs: &Definitions, bus: usize, id: CanId) -> Option<usize> {
    match Router::new(defs, &[Some(bus)]).route(Meta::data(0, 0), id) {
        Route::Message(message) => Some(message),
        Route::Raw => None,
    }
}

fn parse_data(text: &str) -> Result<Vec<u8>, ExplainError> {
    let wrong = text.chars().find(|c| !c.is_whitespace() && !c.is_ascii_hexdigit());
    if let Some(character) = wrong {
        return Err(ExplainError::DataNotHex { character });
    }
    let digits = text.chars().filter(|c| !c.is_whitespace()).count();
    let bytes = hex_bytes(text).ok_or(ExplainError::DataHalfByte { digits })?;
    if bytes.len() > DATA_BYTES_MAX { Err(ExplainError::DataTooLong { bytes: bytes.len() }) } else { Ok(bytes) }
}

/// Up to three messages with names like what was typed.
fn near_names(defs: &Definitions, text: &str) -> Vec<String> {
    let text: Vec<char> = text.to_lowercase().chars().take(64).collect();
    let mut near: Vec<(usize, &str)> = Vec::new();
    for message in &defs.messages {
        let name: Vec<char> = message.name.chars().take(64).collect();
        let edits = edits(&text, &name);
        if edits <= 2.max(text.len() / 3) {
            near.push((edits, &message.name));
        }
    }
    near.sort_unstable();
    near.into_iter().take(3).map(|(_, name)| name.to_owned()).collect()
}

/// Letters to insert, drop or change to get from one word to the other (Levenshtein).
fn edits(from: &[char], to: &[char]) -> usize {
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (at, letter) in from.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = at + 1;
        for (column, other) in to.iter().enumerate() {
            let changed = diagonal + usize::from(letter != other);
            diagonal = row[column + 1];
            row[column + 1] = changed.min(diagonal + 1).min(row[column] + 1);
        }
    }
    row[to.len()]
}

fn read(
    defs: &Definitions,
    bus: usize,
    message: Option<usize>,
    id: CanId,
    payload: &[u8; DATA_BYTES_MAX],
    length: usize,
) -> Reading {
    let mut covered = [0; DATA_BYTES_MAX];
    let mut signals = Vec::new();
    let message = message.map(|message| &defs.messages[message]);
    for (index, signal) in message.iter().flat_map(|message| message.signals.iter().enumerate()) {
        let said = message.map_or(Said::BeyondEnd, |message| message.read(index, payload, length));
        let is_there = !matches!(said, Said::BeyondEnd | Said::OtherPage);
        if is_there {
            signal.field.write(&mut covered, u64::MAX);
        }
        signals.push(SignalReading {
            signal: signal.name.clone(),
            lsb: lsb(signal),
            bits: signal.field.bits,
            raw: is_there.then(|| pattern(signal, signal.field.of_bytes(payload))),
            value: match said {
                Said::Value { physical, .. } => Some(physical),
                _ => None,
            },
            unit: signal.unit.clone(),
            said: signal.said(said),
        });
    }
    let uncovered = (0..length).filter(|at| covered[*at] != 0xFF).map(|at| UncoveredByte {
        byte: at + 1,
        mask: !covered[at],
        value: payload[at] & !covered[at],
    });
    Reading {
        bus: defs.buses[bus].name.clone(),
        j1939: J1939::of(defs, bus, id),
        message: message.map(|message| message.name.clone()),
        signals,
        uncovered: uncovered.collect(),
        heading: message.map_or_else(Vec::new, |message| heading(defs, message)),
        about: message.map_or_else(String::new, |message| message.about.clone()),
    }
}

impl TakenApart {
    /// As text for a terminal of 80 columns, without colour.
    pub fn text(&self) -> String {
        let width = if self.width == Width::Extended { 29 } else { 11 };
        let mut text = format!("{} ({width} bits), {}\n", self.id, plural(self.length, "data byte"));
        let bytes: Vec<&str> = self.data.split_whitespace().collect();
        for line in bytes.chunks(16) {
            text += &format!("  {}\n", line.join(" "));
        }
        for note in &self.notes {
            text += &sentence(note, "");
        }
        let is_known = self.readings.iter().any(|reading| reading.message.is_some());
        if !is_known {
            text += "\nNo definition knows this identifier.\n";
        }
        for reading in &self.readings {
            reading.write(self.length, &mut text);
        }
        text
    }
}

impl Reading {
    fn write(&self, length: usize, text: &mut String) {
        if self.message.is_none() {
            if let Some(j1939) = &self.j1939 {
                *text += &wrapped(&j1939_parts(j1939), ", ", &format!("on bus {}: ", self.bus), "  ");
            }
            return;
        }
        text.push('\n');
        *text += &wrapped(&self.heading, ", ", "", "  ");
        if let Some(j1939) = &self.j1939 {
            *text += &wrapped(&j1939_parts(j1939), ", ", "identifier: ", "  ");
        }
        *text += &sentence(&self.about, "");
        text.push('\n');
        let there: Vec<&SignalReading> = self.signals.iter().filter(|signal| signal.raw.is_some()).collect();
        let absent: Vec<String> = self
            .signals
            .iter()
            .filter(|signal| signal.raw.is_none())
            .map(|s| format!("{} {}", s.signal, s.said))
            .collect();
        let column = |heading: &str, cell: fn(&SignalReading) -> String| {
            there.iter().map(|signal| cell(signal).chars().count()).chain([heading.len()]).max().unwrap_or(0)
        };
        let name = column("signal", |signal| signal.signal.clone());
        let lsb = column("lsb", |signal| signal.lsb.clone());
        let raw = column("raw", |signal| signal.raw.clone().unwrap_or_default());
        *text += &format!("  {:<name$}  {:<lsb$}  bits  {:<raw$}  value\n", "signal", "lsb", "raw");
        for signal in there {
            let pattern = signal.raw.clone().unwrap_or_default();
            *text += &format!(
                "  {:<name$}  {:<lsb$}  {:>4}  {pattern:<raw$}  {}\n",
                signal.signal, signal.lsb, signal.bits, signal.said
            );
        }
        if !absent.is_empty() {
            *text += &wrapped(&absent, ", ", "\n  not there: ", "    ");
        }
        if length == 0 {
            return;
        }
        let uncovered = uncovered_parts(&self.uncovered);
        if uncovered.is_empty() {
            *text += "\n  every bit belongs to a signal\n";
        } else {
            *text += &wrapped(&uncovered, ", ", "\n  bits of no signal: ", "    ");
        }
    }
}

/// Whole bytes in hexadecimal, neighbours together; parts of bytes bit by bit, heaviest first, `-` where a signal is.
fn uncovered_parts(uncovered: &[UncoveredByte]) -> Vec<String> {
    let mut parts = Vec::new();
    let mut rest = uncovered;
    while let [first, ..] = rest {
        let follows = |(at, byte): &(usize, &UncoveredByte)| byte.mask == 0xFF && byte.byte == first.byte + at;
        // Twelve bytes at most, so that they fit in a line.
        let run = rest.iter().enumerate().take(12).take_while(follows).count();
        if run == 0 {
            let bits: String = (0..8)
                .rev()
                .map(|bit| match (first.mask >> bit & 1, first.value >> bit & 1) {
                    (0, _) => '-',
                    (_, 0) => '0',
                    _ => '1',
                })
                .collect();
            parts.push(format!("byte {} {bits}", first.byte));
        } else {
            let bytes: Vec<u8> = rest[..run].iter().map(|byte| byte.value).collect();
            let places = if run == 1 {
                format!("byte {}", first.byte)
            } else {
                format!("bytes {}–{}", first.byte, rest[run - 1].byte)
            };
            parts.push(format!("{places} {}", hex_text(&bytes)));
        }
        rest = &rest[run.max(1)..];
    }
    parts
}
