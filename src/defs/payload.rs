//! One payload by hand: the value of each signal in it, and a payload built from values.
//!
//! For examples, explanations and the simulator. Bulk decoding works by columns, in [`crate::decode`].

use super::{Form, Message, Scalar, Signal, Special};
use crate::frame::DATA_BYTES_MAX;

/// What a signal says in one payload.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// The payload does not reach so far.
    BeyondEnd,
    /// The selector names another page.
    OtherPage,
    /// The pattern is no value.
    Special(Special),
    /// IEEE 754 not a number.
    NotANumber,
    /// A raw value and its physical value.
    Value {
        /// The pattern.
        raw: u64,
        /// The value in the signal's unit.
        physical: f64,
        /// Whether it is to be believed.
        plausible: bool,
    },
}

/// Why a payload cannot be built.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BuildError {
    /// The field cannot hold the value.
    #[error("{signal} cannot hold {value}")]
    OutOfRange {
        /// The signal.
        signal: String,
        /// The value asked for.
        value: String,
    },
    /// No pattern of the signal says that.
    #[error("{signal} has no raw pattern for '{what}'")]
    NoPattern {
        /// The signal.
        signal: String,
        /// Label, "unavailable" or "error".
        what: String,
    },
}

/// A value to be put into a payload.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Given<'a> {
    /// A physical value; flags take 0 and 1, labels their raw value.
    Value(f64),
    /// The raw pattern itself.
    Raw(u64),
    /// A label.
    Label(&'a str),
    /// Not available, error or reserved.
    Special(Special),
}

impl Message {
    /// What signal `index` says in a payload of `length` bytes, zero behind them.
    pub fn read(&self, index: usize, data: &[u8; DATA_BYTES_MAX], length: usize) -> Reading {
        let signal = &self.signals[index];
        if !signal.fits(length) {
            return Reading::BeyondEnd;
        }
        if let Some(page) = &signal.page {
            let selector = &self.signals[page.selector];
            if !selector.fits(length) || !page.is.contains(&selector.field.of_bytes(data)) {
                return Reading::OtherPage;
            }
        }
        signal.read_raw(signal.field.of_bytes(data))
    }

    /// A payload with the given values; every other bit is one on J1939 buses (`fill`), zero else.
    ///
    /// Values are put in the order given, so a later one wins where pages share bits.
    ///
    /// # Errors
    /// A signal cannot hold its value.
    pub fn build(&self, fill: u8, values: &[(usize, Given<'_>)]) -> Result<[u8; DATA_BYTES_MAX], BuildError> {
        let mut data = [0; DATA_BYTES_MAX];
        data[..usize::from(self.length)].fill(fill);
        for &(index, given) in values {
            let signal = &self.signals[index];
            signal.field.write(&mut data, signal.raw_given(given)?);
        }
        Ok(data)
    }
}

impl Signal {
    /// Whether the field lies within the first `length` bytes.
    #[inline]
    pub fn fits(&self, length: usize) -> bool {
        self.field.byte_range().is_some_and(|(_, last)| last < length)
    }

    /// What a raw pattern says.
    pub fn read_raw(&self, raw: u64) -> Reading {
        if let Some(why) = self.special(raw) {
            return Reading::Special(why);
        }
        let physical = self.physical(raw);
        if physical.is_nan() {
            return Reading::NotANumber;
        }
        Reading::Value { raw, physical, plausible: self.is_plausible(physical) }
    }

    /// The raw pattern of a given value.
    ///
    /// # Errors
    /// The field cannot hold it.
    pub fn raw_given(&self, given: Given<'_>) -> Result<u64, BuildError> {
        let out_of_range = |value: String| BuildError::OutOfRange { signal: self.name.clone(), value };
        let no_pattern = |what: &str| BuildError::NoPattern { signal: self.name.clone(), what: what.into() };
        match given {
            Given::Value(value) if self.form == Form::Flag && value != 0.0 && value != 1.0 => {
                Err(out_of_range(value.to_string()))
            }
            Given::Value(value) => self.raw_of(value).ok_or_else(|| out_of_range(value.to_string())),
            Given::Raw(raw) if raw <= self.field.mask() => Ok(raw),
            Given::Raw(raw) => Err(out_of_range(format!("raw {raw:#x}"))),
            Given::Label(text) => {
                self.labels.iter().find(|(_, label)| label == text).map(|(raw, _)| *raw).ok_or_else(|| no_pattern(text))
            }
            Given::Special(why) => self.pattern_of(why).ok_or_else(|| {
                no_pattern(match why {
                    Special::Unavailable => "unavailable",
                    Special::Error => "error",
                    Special::Reserved => "reserved",
                })
            }),
        }
    }

    /// Whether a reading is what an example says.
    pub fn agrees(&self, reading: Reading, said: &Scalar) -> bool {
        match (reading, said) {
            (Reading::Special(Special::Unavailable), Scalar::Text(text)) => text == "unavailable",
            (Reading::Special(Special::Error), Scalar::Text(text)) => text == "error",
            (Reading::Value { raw, .. }, Scalar::Text(text)) => self.label(raw) == Some(text.as_str()),
            (Reading::Value { raw, .. }, Scalar::Flag(flag)) => self.form == Form::Flag && (raw == 1) == *flag,
            (Reading::Value { physical, .. }, Scalar::Integer(number)) => close(physical, *number as f64, self.scale),
            (Reading::Value { physical, .. }, Scalar::Number(number)) => close(physical, *number, self.scale),
            _ => false,
        }
    }

    /// A reading as people write it, with its unit.
    pub fn said(&self, reading: Reading) -> String {
        match reading {
            Reading::BeyondEnd => "beyond the payload's end".into(),
            Reading::OtherPage => "not on this page".into(),
            Reading::Special(Special::Unavailable) => "unavailable".into(),
            Reading::Special(Special::Error) => "error".into(),
            Reading::Special(Special::Reserved) => "reserved pattern".into(),
            Reading::NotANumber => "not a number".into(),
            Reading::Value { raw, .. } if self.form == Form::Flag => if raw == 1 { "true" } else { "false" }.into(),
            Reading::Value { raw, physical, plausible } => {
                let mut text = match self.label(raw) {
                    Some(label) => label.to_owned(),
                    None => tidy(physical),
                };
                if !matches!(self.unit.as_str(), "" | "1") {
                    text = format!("{text} {}", self.unit);
                }
                if plausible { text } else { format!("{text} (implausible)") }
            }
        }
    }
}

/// A number without the noise of binary fractions: 12 significant digits.
pub fn tidy(value: f64) -> String {
    let rounded: f64 = format!("{value:.11e}").parse().unwrap_or(value);
    rounded.to_string()
}

/// Equal to a thousandth of a step: what is written in decimals need not be the nearest binary fraction.
fn close(value: f64, said: f64, step: f64) -> bool {
    value == said || (value - said).abs() <= step.abs() * 1e-3
}
