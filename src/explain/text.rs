//! Words that the explanations share.

use crate::census::J1939;
use crate::defs::payload::tidy;
use crate::defs::{Definitions, Form, Matching, Message, Protocol, Signal};

/// Columns that every line keeps to, as long as names are of a usual length.
pub(super) const COLUMNS: usize = 80;

/// Parts with separators between, broken into lines behind a separator; further lines are indented.
pub(super) fn wrapped(parts: &[String], separator: &str, first: &str, indent: &str) -> String {
    let mut text = String::new();
    let mut line = first.to_owned();
    let mut is_empty = true;
    for (index, part) in parts.iter().enumerate() {
        let part = if index + 1 == parts.len() { part.clone() } else { format!("{part}{separator}") };
        if !is_empty && line.chars().count() + part.trim_end().chars().count() > COLUMNS {
            text += line.trim_end();
            text.push('\n');
            line = indent.to_owned();
        }
        line += &part;
        is_empty = false;
    }
    text += line.trim_end();
    text.push('\n');
    text
}

/// A sentence, broken between words.
pub(super) fn sentence(words: &str, indent: &str) -> String {
    let words: Vec<String> = words.split_whitespace().map(str::to_owned).collect();
    if words.is_empty() { String::new() } else { wrapped(&words, " ", indent, indent) }
}

/// What a message is: where, which identifiers, how long, how often.
pub(super) fn heading(defs: &Definitions, message: &Message) -> Vec<String> {
    let mut parts = vec![message.name.clone()];
    parts.push(match defs.buses.get(message.bus) {
        Some(bus) => format!("bus {}", bus.name),
        None => "no bus".into(),
    });
    match message.matching {
        Matching::Exactly(id) => {
            let bits = if id.is_extended() { 29 } else { 11 };
            parts.push(format!("identifier {id} ({bits} bits)"));
            if let Some(module) = canopen_module(defs, message, id.bits()) {
                parts.push(format!("from {module}"));
            }
        }
        Matching::Group { pgn, source } => {
            parts.push(format!("PGN {pgn} ({pgn:05X})"));
            parts.push(match source {
                Some(source) => from(source, module(defs, message.bus, source)),
                None => "from any source".into(),
            });
        }
    }
    parts.push(if message.is_fd() {
        format!("{} bytes, CAN FD", message.length)
    } else {
        plural(usize::from(message.length), "byte")
    });
    if let Some(period_us) = message.period_us {
        parts.push(format!("every {} ms", tidy(period_us as f64 / 1_000.0)));
    }
    parts
}

pub(super) fn plural(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

pub(super) fn module(defs: &Definitions, bus: usize, source: u8) -> Option<&str> {
    defs.modules.iter().find(|module| module.bus == bus && module.source == source).map(|module| &module.name[..])
}

/// The module of a CANopen identifier: its node is the 7 lightest bits.
fn canopen_module<'a>(defs: &'a Definitions, message: &Message, bits: u32) -> Option<&'a str> {
    let speaks = defs.buses.get(message.bus).is_some_and(|bus| bus.protocol == Protocol::Canopen);
    if speaks { module(defs, message.bus, bits as u8 & 0x7F) } else { None }
}

fn from(source: u8, module: Option<&str>) -> String {
    match module {
        Some(module) => format!("from {source:02X} {module}"),
        None => format!("from {source:02X}"),
    }
}

/// The fields of a J1939 identifier.
pub(super) fn j1939_parts(j1939: &J1939) -> Vec<String> {
    let to = if j1939.destination == 0xFF { "everybody".into() } else { format!("{:02X}", j1939.destination) };
    vec![
        format!("PGN {pgn} ({pgn:05X})", pgn = j1939.pgn),
        from(j1939.source, j1939.module.as_deref()),
        format!("to {to}"),
        format!("priority {}", j1939.priority),
    ]
}

/// The least significant bit as definitions write it: byte.bit, counted from 1.
pub(super) fn lsb(signal: &Signal) -> String {
    format!("{}.{}", u16::from(signal.field.lsb_byte) + 1, signal.field.lsb_bit + 1)
}

/// Where its bits are and how they make a number.
pub(super) fn place(signal: &Signal) -> String {
    let form = match signal.form {
        Form::Unsigned => "unsigned",
        Form::Signed => "signed",
        Form::Float => "float",
        Form::Flag => "flag",
    };
    let order = match signal.field.byte_range() {
        Some((first, last)) if first != last => {
            if signal.field.big {
                ", big order"
            } else {
                ", little order"
            }
        }
        _ => "",
    };
    format!("lsb {}, {}{order}, {form}", lsb(signal), plural(usize::from(signal.field.bits), "bit"))
}

/// A raw pattern in as many digits as its field needs.
pub(super) fn pattern(signal: &Signal, raw: u64) -> String {
    format!("{raw:0width$X}", width = usize::from(signal.field.bits).div_ceil(4))
}
