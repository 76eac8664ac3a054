//! Frames of one message → columns.

use std::collections::BTreeMap;

use super::{MessageFrames, Ordinary};
use crate::bits::{Field, sign_extended};
use crate::defs::{Column, Form, Message, Signal, Special};
use crate::frame::{CanId, Meta};

/// Values of one column; `None` is kept apart in [`Valued::valid`].
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Physical values, and IEEE 754 of 64 bits.
    Real(Vec<f64>),
    /// IEEE 754 of 32 bits.
    Real32(Vec<f32>),
    /// Whole numbers, to be stored in the width their column has.
    Whole(Vec<i64>),
    /// Whole numbers of 64 bits without a sign.
    Whole64(Vec<u64>),
    /// Yes or no.
    Flag(Vec<bool>),
    /// Raw values, to be stored as their labels.
    Label(Vec<u64>),
    /// Raw patterns, to be stored as what they stand for; of signals that are [coded](Signal::is_coded).
    Code(Vec<u16>),
}

/// A column and which of its rows have a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Valued {
    /// One a row; what stands where there is no value means nothing.
    pub values: Values,
    /// Which rows have a value; none: all.
    pub valid: Option<Vec<bool>>,
}

/// Frames of one message as columns, with all that is needed to have the frames back.
#[derive(Debug, Clone, PartialEq)]
pub struct Columns {
    /// One a signal.
    pub signals: Vec<Valued>,
    /// Row and text, by row, where a signal is in error, reserved, not a number or implausible: "name=error".
    pub status: Vec<(usize, String)>,
    /// Row and identifier, by row, where it is not the ordinary one.
    pub id: Vec<(usize, CanId)>,
    /// Bits that no signal covers, of messages of up to 8 bytes; one a row, ordinary filling taken away.
    pub rest: Vec<u64>,
    /// The same of longer messages; empty where it is ordinary.
    pub long_rest: Vec<Vec<u8>>,
    /// Row and whole frame, by row, where the values would not give it back.
    pub whole: Vec<(usize, Vec<u8>)>,
}

/// Decodes rows `range` of the frames of a message.
pub fn decode(message: &Message, frames: &MessageFrames, range: std::ops::Range<usize>) -> Columns {
    let ordinary = Ordinary::of(message);
    let words = &frames.word[range.clone()];
    let metas = &frames.meta[range.clone()];
    let work = Work {
        message,
        frames,
        start: range.start,
        words,
        metas,
        regular: metas.iter().all(|meta| ordinary.is_meta(*meta)),
        long: message.is_fd() || metas.iter().any(|meta| meta.len > 8),
    };
    let mut unusual = Unusual { status: BTreeMap::new(), whole: vec![false; words.len()] };
    if !work.regular {
        for (row, meta) in metas.iter().enumerate() {
            unusual.whole[row] |= !ordinary.is_meta(*meta);
        }
    }
    let mut raws = vec![0; words.len()];
    let mut present = Vec::new();
    let mut signals = Vec::with_capacity(message.signals.len());
    for signal in &message.signals {
        work.presence(signal, &mut present);
        work.extract(signal.field, &mut raws);
        signals.push(convert(signal, &raws, &present, &mut unusual));
    }
    let (rest, long_rest) = work.rest(ordinary.fill);
    let mut id = Vec::new();
    if message.id_varies() {
        let ids = &frames.id[range];
        id.extend(ids.iter().enumerate().filter(|(_, id)| **id != ordinary.id_from(**id)).map(|(row, id)| (row, *id)));
    }
    let mut whole = Vec::new();
    for (row, _) in unusual.whole.iter().enumerate().filter(|(_, unusual)| **unusual) {
        let payload = frames.payload(work.start + row);
        let meta = metas[row];
        let mut bytes = vec![meta.marks, meta.len];
        bytes.extend_from_slice(&payload[..usize::from(meta.len)]);
        whole.push((row, bytes));
    }
    let status = unusual.status.into_iter().collect();
    Columns { signals, status, id, rest, long_rest, whole }
}

/// The rows at work.
struct Work<'a> {
    message: &'a Message,
    frames: &'a MessageFrames,
    start: usize,
    words: &'a [u64],
    metas: &'a [Meta],
    /// Every row has the ordinary kind, flags and length.
    regular: bool,
    /// Some row may be longer than 8 bytes.
    long: bool,
}

impl Work<'_> {
    /// The field's raw value of every row.
    fn extract(&self, field: Field, raws: &mut [u64]) {
        if self.long {
            for (row, raw) in raws.iter_mut().enumerate() {
                *raw = field.of_bytes(&self.frames.payload(self.start + row));
            }
        } else if field.byte_range().is_some_and(|(_, last)| last < 8) {
            for (raw, word) in raws.iter_mut().zip(self.words) {
                *raw = field.of_word(*word);
            }
        } else {
            raws.fill(0);
        }
    }

    /// Which rows have the signal at all; left empty where all have.
    fn presence(&self, signal: &Signal, present: &mut Vec<bool>) {
        present.clear();
        if self.regular && signal.page.is_none() {
            return;
        }
        present.extend(self.metas.iter().map(|meta| signal.fits(usize::from(meta.len))));
        if let Some(page) = &signal.page {
            let selector = &self.message.signals[page.selector];
            let mut raws = vec![0; self.words.len()];
            self.extract(selector.field, &mut raws);
            for ((present, raw), meta) in present.iter_mut().zip(raws).zip(self.metas) {
                *present &= selector.fits(usize::from(meta.len)) && page.is.contains(&raw);
            }
        }
    }

    /// The bits that no signal covers, as words or as bytes; ordinary filling is zero, or nothing.
    fn rest(&self, fill: u8) -> (Vec<u64>, Vec<Vec<u8>>) {
        let message = self.message;
        if message.is_fd() {
            let rests = (0..self.words.len()).map(|row| {
                let payload = self.frames.payload(self.start + row);
                let mut rest = payload;
                let length = usize::from(message.length);
                let read = |field: Field| field.of_bytes(&payload);
                for signal in message.signals.iter().filter(|signal| is_on_page(message, signal, read)) {
                    signal.field.write(&mut rest, if fill == 0 { 0 } else { u64::MAX });
                }
                let ordinary = rest[..length].iter().all(|byte| *byte == fill);
                if ordinary { Vec::new() } else { rest[..length].to_vec() }
            });
            return (Vec::new(), rests.collect());
        }
        let of_length = u64::MAX >> (64 - 8 * u32::from(message.length));
        let filling = if fill == 0 { 0 } else { of_length };
        let always = message.signals.iter().filter(|s| s.page.is_none()).fold(0, |mask, s| mask | s.field.word_mask());
        let paged: Vec<&Signal> = message.signals.iter().filter(|s| s.page.is_some()).collect();
        let rests = self.words.iter().map(|word| {
            let mut covered = always;
            for signal in &paged {
                if is_on_page(message, signal, |field| field.of_word(*word)) {
                    covered |= signal.field.word_mask();
                }
            }
            (word ^ filling) & of_length & !covered
        });
        (rests.collect(), Vec::new())
    }
}

/// Whether the payload that `read` reads has the signal.
pub(super) fn is_on_page(message: &Message, signal: &Signal, read: impl Fn(Field) -> u64) -> bool {
    signal.page.as_ref().is_none_or(|page| page.is.contains(&read(message.signals[page.selector].field)))
}

/// What is found out of the ordinary on the way.
struct Unusual {
    status: BTreeMap<usize, String>,
    whole: Vec<bool>,
}

impl Unusual {
    fn note(&mut self, row: usize, signal: &Signal, what: &str) {
        let text = self.status.entry(row).or_default();
        if !text.is_empty() {
            text.push(' ');
        }
        text.push_str(&signal.name);
        text.push('=');
        text.push_str(what);
    }
}

/// Words of the status column, by cause.
pub(super) const SPECIAL_WORDS: [(Special, &str); 2] = [(Special::Error, "error"), (Special::Reserved, "reserved")];
const NOT_A_NUMBER: &str = "not_a_number";
const IMPLAUSIBLE: &str = "implausible";

/// Raw values → the column, its gaps, and what the column cannot give back.
fn convert(signal: &Signal, raws: &[u64], present: &[bool], unusual: &mut Unusual) -> Valued {
    let mut valid: Option<Vec<bool>> = if present.is_empty() { None } else { Some(present.to_vec()) };
    if let (Some(first), Some(last)) = (signal.specials.first(), signal.specials.last()) {
        let (lowest, span) = (first.from, last.to - first.from);
        // Most chunks have none, and this look at all of them is quick.
        let suspects = if raws.iter().any(|raw| raw.wrapping_sub(lowest) <= span) { raws } else { &[] };
        for (row, raw) in suspects.iter().enumerate() {
            if raw.wrapping_sub(lowest) > span || present.get(row) == Some(&false) {
                continue;
            }
            let Some(why) = signal.special(*raw) else { continue };
            valid.get_or_insert_with(|| vec![true; raws.len()])[row] = false;
            unusual.whole[row] |= signal.pattern_of(why) != Some(*raw);
            if let Some((_, word)) = SPECIAL_WORDS.iter().find(|(cause, _)| *cause == why) {
                unusual.note(row, signal, word);
            }
        }
    }
    let has_value = |valid: &Option<Vec<bool>>, row: usize| valid.as_ref().is_none_or(|valid| valid[row]);
    let values = match signal.column {
        // Surely below 2¹⁶: that is what coded means.
        _ if signal.is_coded() => Values::Code(raws.iter().map(|raw| *raw as u16).collect()),
        Column::Flag => Values::Flag(raws.iter().map(|raw| *raw == 1).collect()),
        Column::Label => Values::Label(raws.to_vec()),
        Column::Whole { bits: 64, signed: false } => {
            // The offset keeps the sum within 64 bits: the column was chosen by it.
            Values::Whole64(raws.iter().map(|raw| raw.wrapping_add_signed(signal.offset as i64)).collect())
        }
        Column::Whole { .. } => {
            let offset = signal.offset as i64;
            let bits = signal.field.bits;
            Values::Whole(if signal.form == Form::Signed {
                raws.iter().map(|raw| sign_extended(*raw, bits).wrapping_add(offset)).collect()
            } else {
                raws.iter().map(|raw| (*raw as i64).wrapping_add(offset)).collect()
            })
        }
        Column::Real32 if signal.field.bits == 32 => {
            Values::Real32(raws.iter().map(|raw| f32::from_bits(*raw as u32)).collect())
        }
        Column::Real32 => Values::Real32(raws.iter().map(|raw| signal.float(*raw) as f32).collect()),
        Column::Real64 => Values::Real(raws.iter().map(|raw| f64::from_bits(*raw)).collect()),
        Column::Real => {
            let (scale, offset, bits) = (signal.scale, signal.offset, signal.field.bits);
            let reals: Vec<f64> = if signal.form == Form::Signed {
                raws.iter().map(|raw| sign_extended(*raw, bits) as f64 * scale + offset).collect()
            } else {
                raws.iter().map(|raw| *raw as f64 * scale + offset).collect()
            };
            if !signal.surely_reversible {
                for (row, (raw, real)) in raws.iter().zip(&reals).enumerate() {
                    unusual.whole[row] |= has_value(&valid, row) && signal.raw_of(*real) != Some(*raw);
                }
            }
            Values::Real(reals)
        }
    };
    if signal.form == Form::Float {
        for (row, raw) in raws.iter().enumerate() {
            if signal.float(*raw).is_nan() && has_value(&valid, row) {
                valid.get_or_insert_with(|| vec![true; raws.len()])[row] = false;
                unusual.whole[row] = true;
                unusual.note(row, signal, NOT_A_NUMBER);
            }
        }
    }
    if let Some(believed) = Believed::of(signal) {
        for (row, raw) in raws.iter().enumerate() {
            if !believed.has(signal, *raw) && has_value(&valid, row) {
                unusual.note(row, signal, IMPLAUSIBLE);
            }
        }
    }
    Valued { values, valid }
}

/// The raw numbers whose values are plausible.
///
/// Values rise, or fall, with the raw number, so that a search finds the borders, and comparing raw numbers decides as
/// comparing the stored values would. Floats are compared as they are.
enum Believed {
    Raw(i64, i64),
    Floats,
}

impl Believed {
    fn of(signal: &Signal) -> Option<Self> {
        let (low, high) = signal.plausible?;
        if signal.form == Form::Float {
            return Some(Self::Floats);
        }
        if signal.field.bits > 62 {
            // Wider numbers than i64 comparisons serve; they are judged one by one.
            return Some(Self::Floats);
        }
        let (first, last) = signal.raw_limits();
        let value = |number: i128| number as f64 * signal.scale + signal.offset;
        let border = |is_beyond: &dyn Fn(f64) -> bool| {
            // The first raw number for which it is true; it is true for all behind it.
            let (mut from, mut to) = (first, last + 1);
            while from < to {
                let middle = (from + to).div_euclid(2);
                if is_beyond(value(middle)) { to = middle } else { from = middle + 1 }
            }
            from
        };
        let (from, to) = if signal.scale > 0.0 {
            (border(&|v| v >= low), border(&|v| v > high) - 1)
        } else {
            (border(&|v| v <= high), border(&|v| v < low) - 1)
        };
        Some(Self::Raw(from as i64, to as i64))
    }

    #[inline]
    fn has(&self, signal: &Signal, raw: u64) -> bool {
        match self {
            Self::Raw(from, to) => {
                let number =
                    if signal.form == Form::Signed { sign_extended(raw, signal.field.bits) } else { raw as i64 };
                *from <= number && number <= *to
            }
            Self::Floats => signal.is_plausible(signal.physical(raw)),
        }
    }
}
