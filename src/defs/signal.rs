//! One signal as used: where its bits are, what they mean, and how its column is stored.

use crate::bits::{Field, sign_extended};

/// How the bits make a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Binary number from 0.
    Unsigned,
    /// Two's complement.
    Signed,
    /// IEEE 754 binary16, binary32 or binary64, by width.
    Float,
    /// Yes or no.
    Flag,
}

/// Why a raw pattern is no value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Special {
    /// The sender does not know it.
    Unavailable,
    /// The sender says that its source is faulty.
    Error,
    /// A pattern that the standard keeps for itself.
    Reserved,
}

impl Special {
    /// All of them, for tables indexed by `as usize`.
    pub const ALL: [Self; 3] = [Self::Unavailable, Self::Error, Self::Reserved];
}

/// A range of raw patterns that are no value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SpecialRange {
    /// First pattern.
    pub from: u64,
    /// Last pattern.
    pub to: u64,
    /// Why.
    pub why: Special,
}

/// When a signal of a multiplexed message is there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// Index of the selector among the message's signals; it is always there itself.
    pub selector: usize,
    /// Raw values of the selector.
    pub is: Vec<u64>,
}

/// How a signal's column is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// Physical value with scale or fractional offset.
    Real,
    /// IEEE 754 binary32 (and binary16) as it came.
    Real32,
    /// IEEE 754 binary64 as it came.
    Real64,
    /// Whole number, scale 1: bits of its Arrow type (8, 16, 32, 64), signed or not.
    Whole {
        /// 8, 16, 32 or 64.
        bits: u8,
        /// Whether the type has a sign.
        signed: bool,
    },
    /// Yes or no.
    Flag,
    /// The label, or the raw number as text.
    Label,
}

/// One value in a message.
#[derive(Debug, Clone)]
pub struct Signal {
    /// Names its column.
    pub name: String,
    /// Where its bits are.
    pub field: Field,
    /// How they make a number.
    pub form: Form,
    /// value = raw × scale + offset.
    pub scale: f64,
    /// value = raw × scale + offset.
    pub offset: f64,
    /// UCUM code, or nothing.
    pub unit: String,
    /// Lowest and highest value to be believed.
    pub plausible: Option<(f64, f64)>,
    /// Raw patterns that are no value, by rising `from`, apart from each other.
    pub specials: Vec<SpecialRange>,
    /// Names of raw values, by rising value.
    pub labels: Vec<(u64, String)>,
    /// The pages that hold it; none: always there.
    pub page: Option<Page>,
    /// How its column is stored.
    pub column: Column,
    /// Whether every raw value surely comes back from its stored value, so that the writer need not try.
    pub surely_reversible: bool,
    /// Whether the value is the fleet number of the vehicle that sends it.
    pub fleet_number: bool,
    /// One sentence, or nothing.
    pub about: String,
}

impl Signal {
    /// Whether its raw patterns are so few that its column is stored by them.
    pub fn is_coded(&self) -> bool {
        match self.column {
            Column::Real | Column::Label => self.field.bits <= 16,
            // As INT32, with its offset.
            Column::Whole { .. } => self.field.bits <= 8 && self.offset.abs() < 1e9,
            Column::Real32 | Column::Real64 | Column::Flag => false,
        }
    }

    /// Why a raw pattern is no value, if it is none.
    #[inline]
    pub fn special(&self, raw: u64) -> Option<Special> {
        self.specials.iter().find(|range| range.from <= raw && raw <= range.to).map(|range| range.why)
    }

    /// The pattern that stands for a cause when a payload is rebuilt: the first range's last.
    pub fn pattern_of(&self, why: Special) -> Option<u64> {
        self.specials.iter().find(|range| range.why == why).map(|range| range.to)
    }

    /// The physical value of a raw pattern that is one. Flags are 0 or 1.
    #[inline]
    pub fn physical(&self, raw: u64) -> f64 {
        match self.form {
            Form::Unsigned => raw as f64 * self.scale + self.offset,
            Form::Signed => sign_extended(raw, self.field.bits) as f64 * self.scale + self.offset,
            Form::Float => self.float(raw),
            Form::Flag => raw as f64,
        }
    }

    /// A raw pattern as IEEE 754 of its width.
    #[inline]
    pub fn float(&self, raw: u64) -> f64 {
        match self.field.bits {
            16 => half::f16::from_bits(raw as u16).to_f64(),
            32 => f64::from(f32::from_bits(raw as u32)),
            _ => f64::from_bits(raw),
        }
    }

    /// The raw number, with its sign, before scale and offset; floats give their bits.
    pub fn raw_number(&self, raw: u64) -> i128 {
        if self.form == Form::Signed { i128::from(sign_extended(raw, self.field.bits)) } else { i128::from(raw) }
    }

    /// Lowest and highest raw number the field can hold.
    pub fn raw_limits(&self) -> (i128, i128) {
        let bits = u32::from(self.field.bits);
        if self.form == Form::Signed {
            (-(1_i128 << (bits - 1)), (1_i128 << (bits - 1)) - 1)
        } else {
            (0, (1_i128 << bits) - 1)
        }
    }

    /// The raw pattern nearest to a physical value; none where the field cannot hold it.
    ///
    /// Flags take 0 and 1. Floats are rounded to their width.
    pub fn raw_of(&self, value: f64) -> Option<u64> {
        if self.form == Form::Float {
            return Some(match self.field.bits {
                16 => u64::from(half::f16::from_f64(value).to_bits()),
                32 => u64::from((value as f32).to_bits()),
                _ => value.to_bits(),
            });
        }
        let number = ((value - self.offset) / self.scale).round();
        let (low, high) = self.raw_limits();
        // Casts of floats saturate, so a value beyond the limits stays beyond them or meets them exactly.
        let whole = number as i128;
        (number.is_finite() && low <= whole && whole <= high).then_some(whole as u64 & self.field.mask())
    }

    /// The label of a raw value.
    pub fn label(&self, raw: u64) -> Option<&str> {
        let at = self.labels.binary_search_by_key(&raw, |(value, _)| *value).ok()?;
        Some(&self.labels[at].1)
    }

    /// Whether a physical value is within what can be believed. Not a number never is.
    #[inline]
    pub fn is_plausible(&self, value: f64) -> bool {
        self.plausible.is_none_or(|(low, high)| low <= value && value <= high)
    }
}
