//! Values into payloads, by the definition set.
//!
//! Names are looked up once; after that a message is encoded by index. What a field cannot hold is held at the nearest
//! value it can, as a module does.

use crate::defs::{Definitions, Form, Matching, Message, Protocol, Signal, Special};
use crate::frame::{CanId, DATA_BYTES_MAX};

/// Priority of J1939 messages that are no control of fast processes.
const PRIORITY: u32 = 6;

/// What a signal is to say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Said {
    /// A number in the signal's unit, or the raw value of a label.
    Number(f64),
    Flag(bool),
    Unavailable,
    Error,
}

/// Why the simulator cannot speak by a definition set.
#[derive(Debug, thiserror::Error)]
pub enum VoiceError {
    /// The message is not there.
    #[error("the definition set {set} has no message '{message}'; the simulator speaks by the demo fleet's set")]
    NoMessage {
        /// The set.
        set: String,
        /// The message.
        message: String,
    },
    /// The signal is not there.
    #[error("message '{message}' has no signal '{signal}'; the simulator speaks by the demo fleet's set")]
    NoSignal {
        /// The message.
        message: String,
        /// The signal.
        signal: String,
    },
}

/// One message with those of its signals that are said, in the order they are said.
#[derive(Debug)]
pub(crate) struct Encoder {
    id: CanId,
    length: usize,
    fill: u8,
    signals: Vec<Signal>,
}

impl Encoder {
    pub(crate) fn new(defs: &Definitions, message: &str, signals: &[&str]) -> Result<Self, VoiceError> {
        let Some(index) = defs.message(message) else {
            return Err(VoiceError::NoMessage { set: defs.name.clone(), message: message.into() });
        };
        let found = &defs.messages[index];
        let signals = signals.iter().map(|name| {
            found
                .signal(name)
                .map(|at| found.signals[at].clone())
                .ok_or_else(|| VoiceError::NoSignal { message: message.into(), signal: (*name).into() })
        });
        let fill = if defs.buses[found.bus].protocol == Protocol::J1939 { 0xFF } else { 0 };
        Ok(Self { id: id_of(found), length: found.length.into(), fill, signals: signals.collect::<Result<_, _>>()? })
    }

    /// Writes a payload; `said` has a value for each signal, `None` where it is not on this page.
    pub(crate) fn encode(&self, said: &[Option<Said>], data: &mut [u8; DATA_BYTES_MAX]) -> (CanId, usize) {
        data.fill(0);
        data[..self.length].fill(self.fill);
        for (signal, said) in self.signals.iter().zip(said) {
            if let Some(said) = said {
                signal.field.write(data, raw(signal, *said));
            }
        }
        (self.id, self.length)
    }
}

fn id_of(message: &Message) -> CanId {
    match message.matching {
        Matching::Exactly(id) => id,
        Matching::Group { pgn, source } => {
            CanId::extended(PRIORITY << 26 | pgn << 8 | u32::from(source.unwrap_or(0x00)))
        }
    }
}

fn raw(signal: &Signal, said: Said) -> u64 {
    let pattern = |why: Special, flag: u64| signal.pattern_of(why).unwrap_or(flag) & signal.field.mask();
    match said {
        Said::Unavailable => pattern(Special::Unavailable, 3),
        Said::Error => pattern(Special::Error, 2),
        Said::Flag(flag) => flag.into(),
        Said::Number(value) if signal.form == Form::Float => signal.raw_of(value).unwrap_or(0),
        Said::Number(value) => {
            let (low, high) = signal.raw_limits();
            // The lowest pattern above the values that is none: J1939's upper end, where it has one.
            let end = signal.specials.iter().map(|range| i128::from(range.from)).filter(|&from| from > 0).min();
            let high = if signal.form == Form::Unsigned { end.map_or(high, |end| high.min(end - 1)) } else { high };
            let number = ((value - signal.offset) / signal.scale).round() as i128;
            number.clamp(low, high) as u64 & signal.field.mask()
        }
    }
}
