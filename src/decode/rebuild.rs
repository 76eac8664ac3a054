//! Columns → frames: the way back, bit for bit.

use super::{Columns, MessageFrames, Ordinary, Values};
use crate::defs::{Form, Message, Signal, Special};
use crate::frame::{CanId, DATA_BYTES_MAX, Meta, TimeUs};

/// Why rows cannot be made frames again.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RebuildError {
    /// A value does not come from the definitions: the file was changed, or another set decoded it.
    #[error("row {row}: '{signal}' holds a value that its definition cannot have given")]
    Foreign {
        /// Row within the columns.
        row: usize,
        /// The signal.
        signal: String,
    },
    /// A whole frame is kept in a form that cannot be one.
    #[error("row {row}: the frame kept whole is damaged")]
    Damaged {
        /// Row within the columns.
        row: usize,
    },
}

/// Rebuilds the frames of a message from its columns. `source` is the J1939 source address of each row where the
/// message comes from any; else empty. Channels are 0.
///
/// # Errors
/// A row cannot be a frame of the message.
pub fn rebuild(
    message: &Message,
    time_us: &[TimeUs],
    source: &[u8],
    columns: &Columns,
) -> Result<MessageFrames, RebuildError> {
    let ordinary = Ordinary::of(message);
    let rows = time_us.len();
    let mut frames = MessageFrames { time_us: time_us.to_vec(), ..MessageFrames::default() };
    let mut whole = columns.whole.iter().peekable();
    let mut status = columns.status.iter().peekable();
    let mut ids = columns.id.iter().peekable();
    for row in 0..rows {
        if message.id_varies() {
            let of_source = source.get(row).map_or(ordinary.id, |source| ordinary.id_from(CanId(u32::from(*source))));
            let id = ids.next_if(|(at, _)| *at == row).map_or(of_source, |(_, id)| *id);
            frames.id.push(id);
        }
        let status = status.next_if(|(at, _)| *at == row).map_or("", |(_, text)| text.as_str());
        let (meta, data) = match whole.next_if(|(at, _)| *at == row) {
            Some((_, bytes)) => whole_frame(bytes).ok_or(RebuildError::Damaged { row })?,
            None => (ordinary.meta, payload(message, columns, row, status, ordinary.fill)?),
        };
        frames.meta.push(meta);
        if meta.len > 8 {
            frames.word.push(frames.long.len() as u64);
            frames.long.push(data);
        } else {
            frames
                .word
                .push(u64::from_le_bytes([data[0], data[1], data[2], data[3], data[4], data[5], data[6], data[7]]));
        }
    }
    Ok(frames)
}

fn whole_frame(bytes: &[u8]) -> Option<(Meta, [u8; DATA_BYTES_MAX])> {
    let (&marks, rest) = bytes.split_first()?;
    let (&len, kept) = rest.split_first()?;
    let mut data = [0; DATA_BYTES_MAX];
    data.get_mut(..kept.len())?.copy_from_slice(kept);
    (usize::from(len) == kept.len()).then_some((Meta { channel: 0, marks, len }, data))
}

fn payload(
    message: &Message,
    columns: &Columns,
    row: usize,
    status: &str,
    fill: u8,
) -> Result<[u8; DATA_BYTES_MAX], RebuildError> {
    let mut data = [0; DATA_BYTES_MAX];
    let length = usize::from(message.length);
    data[..length].fill(fill);
    match (columns.rest.get(row), columns.long_rest.get(row)) {
        (Some(rest), _) => {
            for (byte, rest) in data.iter_mut().zip(rest.to_le_bytes()) {
                *byte ^= rest;
            }
        }
        (None, Some(rest)) if !rest.is_empty() => {
            let kept = data.get_mut(..rest.len()).ok_or(RebuildError::Damaged { row })?;
            kept.copy_from_slice(rest);
        }
        _ => {}
    }
    let is_selector =
        |index: usize| message.signals.iter().any(|s| s.page.as_ref().is_some_and(|p| p.selector == index));
    // Selectors first: they say which of the others are there.
    for selectors in [true, false] {
        for (index, signal) in message.signals.iter().enumerate().filter(|(index, _)| is_selector(*index) == selectors)
        {
            if super::columns::is_on_page(message, signal, |field| field.of_bytes(&data)) {
                let raw = raw_of(signal, columns, index, row, status)
                    .ok_or_else(|| RebuildError::Foreign { row, signal: signal.name.clone() })?;
                signal.field.write(&mut data, raw);
            }
        }
    }
    Ok(data)
}

/// The raw value that gave a column's value.
fn raw_of(signal: &Signal, columns: &Columns, index: usize, row: usize, status: &str) -> Option<u64> {
    let column = &columns.signals[index];
    if column.valid.as_ref().is_some_and(|valid| !valid[row]) {
        let said = status.split(' ').find_map(|part| part.strip_prefix(signal.name.as_str())?.strip_prefix('='));
        let why = super::columns::SPECIAL_WORDS.iter().find(|(_, word)| said == Some(*word));
        return signal.pattern_of(why.map_or(Special::Unavailable, |(why, _)| *why));
    }
    let mask = signal.field.mask();
    match &column.values {
        Values::Flag(flags) => Some(u64::from(flags[row])),
        Values::Label(raws) => Some(raws[row]),
        Values::Code(codes) => Some(u64::from(codes[row])),
        Values::Whole(numbers) => Some(numbers[row].wrapping_sub(signal.offset as i64) as u64 & mask),
        Values::Whole64(numbers) => {
            Some(numbers[row].wrapping_add_signed((signal.offset as i64).wrapping_neg()) & mask)
        }
        Values::Real32(reals) if signal.field.bits == 32 => Some(u64::from(reals[row].to_bits())),
        Values::Real32(reals) => signal.raw_of(f64::from(reals[row])),
        Values::Real(reals) if signal.form == Form::Float => Some(reals[row].to_bits()),
        Values::Real(reals) => signal.raw_of(reals[row]),
    }
}
