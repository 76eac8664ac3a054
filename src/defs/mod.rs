//! Signal definitions as they are used: every invariant of the checker holds, nothing is checked again.
//!
//! The format itself is told in `signal-defs/README.md`.

mod check;
mod check_rules;
mod load;
pub mod payload;
mod problem;
pub mod rules;
mod signal;
pub(crate) mod unit;
mod written;

pub use check::hex_bytes;
pub use load::{LoadError, json_schema};
pub use problem::{Problem, Problems, SourceText};
pub use signal::{Column, Form, Page, Signal, Special, SpecialRange};
pub(crate) use written::At;
pub use written::{Protocol, Scalar, Side};

use crate::frame::CanId;
use rules::Rules;

/// A definition set, checked and compiled.
#[derive(Debug)]
pub struct Definitions {
    /// Name of the set's folder.
    pub name: String,
    /// XXH3-128 over the texts, in hexadecimal: which definitions decoded a file.
    pub hash: String,
    /// CAN networks.
    pub buses: Vec<Bus>,
    /// Frame layouts.
    pub messages: Vec<Message>,
    /// Names of modules.
    pub modules: Vec<Module>,
    /// Run rules, where the set has them.
    pub rules: Option<Rules>,
    /// The texts as they were read, in name order.
    pub sources: Vec<SourceText>,
}

/// One CAN network.
#[derive(Debug, Clone)]
pub struct Bus {
    /// Its name.
    pub name: String,
    /// How identifiers are read.
    pub protocol: Protocol,
    /// Nominal bit rate, bit/s.
    pub bitrate: u32,
    /// Bit rate of the CAN FD data phase, bit/s.
    pub fd_bitrate: Option<u32>,
    /// One sentence, or nothing.
    pub about: String,
}

/// Which frames are of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matching {
    /// This identifier, 11 or 29 bits.
    Exactly(CanId),
    /// A J1939 parameter group, from one source address or any.
    Group {
        /// Parameter group number.
        pgn: u32,
        /// Source address; none: any.
        source: Option<u8>,
    },
}

/// One frame layout.
#[derive(Debug, Clone)]
pub struct Message {
    /// Names its table.
    pub name: String,
    /// Index of its bus.
    pub bus: usize,
    /// Which frames are of it.
    pub matching: Matching,
    /// Payload bytes, 1 to 64; above 8 it is CAN FD.
    pub length: u8,
    /// Expected period, µs.
    pub period_us: Option<i64>,
    /// What bits without a signal usually hold: all ones on J1939 buses, else zero.
    pub fill: u8,
    /// One sentence, or nothing.
    pub about: String,
    /// The values in it.
    pub signals: Vec<Signal>,
    /// Payloads that prove it.
    pub examples: Vec<Example>,
}

/// A payload and the values it is said to hold.
#[derive(Debug, Clone)]
pub struct Example {
    /// File and place, for problems.
    pub place: (usize, std::ops::Range<usize>),
    /// The bytes.
    pub data: Vec<u8>,
    /// Signal index, its value, and the place where it is said.
    pub expect: Vec<(usize, Scalar, std::ops::Range<usize>)>,
}

/// A module on a bus.
#[derive(Debug, Clone)]
pub struct Module {
    /// Index of its bus.
    pub bus: usize,
    /// J1939 source address or CANopen node.
    pub source: u8,
    /// What people call it.
    pub name: String,
}

/// One signal of one message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SignalRef {
    /// Index into [`Definitions::messages`].
    pub message: usize,
    /// Index into [`Message::signals`].
    pub signal: usize,
}

impl Message {
    /// Whether its frames are CAN FD.
    pub fn is_fd(&self) -> bool {
        self.length > 8
    }

    /// Index of a signal by name.
    pub fn signal(&self, name: &str) -> Option<usize> {
        self.signals.iter().position(|signal| signal.name == name)
    }

    /// Whether frames of it may carry different identifiers.
    pub fn id_varies(&self) -> bool {
        matches!(self.matching, Matching::Group { .. })
    }
}

impl Definitions {
    /// Index of a message by name.
    pub fn message(&self, name: &str) -> Option<usize> {
        self.messages.iter().position(|message| message.name == name)
    }

    /// Index of a bus by name.
    pub fn bus(&self, name: &str) -> Option<usize> {
        self.buses.iter().position(|bus| bus.name == name)
    }

    /// A signal by `message.signal`.
    pub fn signal_ref(&self, path: &str) -> Option<SignalRef> {
        let (message, signal) = path.split_once('.')?;
        let message = self.message(message)?;
        Some(SignalRef { message, signal: self.messages[message].signal(signal)? })
    }

    /// The signal a reference names.
    pub fn at(&self, place: SignalRef) -> &Signal {
        &self.messages[place.message].signals[place.signal]
    }

    /// `message.signal` of a reference.
    pub fn path(&self, place: SignalRef) -> String {
        format!("{}.{}", self.messages[place.message].name, self.at(place).name)
    }
}

#[cfg(test)]
mod tests;
