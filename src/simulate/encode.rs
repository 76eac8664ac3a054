//! Values into payloads, by a definition set: the seam between the simulator and whoever reads definitions.

use std::collections::BTreeMap;

use crate::frame::CanId;

/// What a signal is to say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Said {
    /// A number in the signal's unit, or the raw value of a label.
    Number(f64),
    /// A flag.
    Flag(bool),
    /// 'Not available'.
    Unavailable,
    /// 'Error'.
    Error,
}

/// Encodes by a definition set. Numbers are rounded to the nearest raw value and held within the signal's range.
pub trait Encode {
    /// A message with its signals in the order they were asked for.
    type Message;

    /// Finds a message and these of its signals.
    ///
    /// # Errors
    /// The set has no such message or signal.
    fn message(&self, name: &str, signals: &[&str]) -> Result<Self::Message, EncodeError>;

    /// Writes a payload; `said` has a value for every signal asked for, `None` for those not on this page. Gives the
    /// identifier and the payload's length.
    fn encode(&self, message: &Self::Message, said: &[Option<Said>], payload: &mut [u8; 64]) -> (CanId, usize);
}

/// Why the simulator cannot speak by a definition set.
#[derive(Debug, thiserror::Error)]
pub enum EncodeError {
    /// The message is not there.
    #[error("the definition set has no message {0}")]
    NoMessage(String),
    /// The signal is not there.
    #[error("message {message} has no signal {signal}")]
    NoSignal {
        /// The message.
        message: String,
        /// The signal.
        signal: String,
    },
    /// The set cannot be read.
    #[error("definition set: {0}")]
    Unreadable(String),
}
