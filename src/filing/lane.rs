//! One table's rows of one vehicle and service day on their way into Parquet files.
//!
//! Rows come as frames; they leave in chunks of a fixed size, decoded and sorted by time. Where time goes back further
//! than a chunk, a new piece begins: pieces are sorted each, and merged later.

use std::ops::RangeInclusive;

use crate::decode::{MessageFrames, decode};
use crate::defs::Definitions;
use crate::frame::{FrameBlock, TimeUs};
use crate::store::file::{CHUNK_ROWS, TableFile, Written};
use crate::store::shape::{Shape, footer};
use crate::store::{Store, StoreError};
use crate::table::{ColumnData, raw, signals};

/// A lane of either kind of table.
pub(super) enum Lane {
    Signals(SignalsLane),
    Raw(RawLane),
}

/// Rows of a message.
pub(super) struct SignalsLane {
    message: usize,
    pending: MessageFrames,
    out: Out,
}

/// Rows of the raw table.
pub(super) struct RawLane {
    pending: FrameBlock,
    buses: Vec<String>,
    out: Out,
}

/// Pieces written and being written.
struct Out {
    vehicle: String,
    shape: Shape,
    file: Option<TableFile>,
    last_us: TimeUs,
    pieces: Vec<Written>,
}

impl Out {
    /// Writes one chunk; its rows are sorted.
    fn write(
        &mut self,
        store: &Store,
        times: RangeInclusive<TimeUs>,
        data: Vec<ColumnData>,
        rows: usize,
    ) -> Result<(), StoreError> {
        let (first_us, last_us) = times.into_inner();
        if first_us < self.last_us
            && let Some(file) = self.file.take()
        {
            self.pieces.push(file.finish()?);
        }
        let file = match &mut self.file {
            Some(file) => file,
            None => self.file.insert(self.shape.create(store.incoming())?),
        };
        self.last_us = last_us;
        file.write_columns(data, rows)
    }

    fn finish(mut self) -> Result<Vec<Written>, StoreError> {
        if let Some(file) = self.file.take() {
            self.pieces.push(file.finish()?);
        }
        Ok(self.pieces)
    }
}

impl Lane {
    pub(super) fn signals(defs: &Definitions, message: usize, vehicle: &str) -> Self {
        let footer = footer(defs, Some(message));
        let shape = Shape::signals(defs, message, signals::one_vehicle(vehicle), footer);
        let out = Out::new(vehicle, shape);
        Self::Signals(SignalsLane { message, pending: MessageFrames::default(), out })
    }

    pub(super) fn raw(defs: &Definitions, buses: &[String], vehicle: &str) -> Self {
        let out = Out::new(vehicle, Shape::raw(defs, footer(defs, None)));
        Self::Raw(RawLane { pending: FrameBlock::default(), buses: buses.to_vec(), out })
    }

    /// Bus names by channel, of which a capture may describe more as it goes on.
    pub(super) fn know_buses(&mut self, buses: &[String]) {
        if let Self::Raw(lane) = self
            && lane.buses.len() < buses.len()
        {
            lane.buses = buses.to_vec();
        }
    }

    /// Memory that waits to become a row group, in bytes.
    pub(super) fn waiting_bytes(&self) -> usize {
        let out = match self {
            Self::Signals(lane) => &lane.out,
            Self::Raw(lane) => &lane.out,
        };
        out.file.as_ref().map_or(0, TableFile::waiting_bytes)
    }

    pub(super) fn end_row_group(&mut self) -> Result<(), StoreError> {
        let out = match self {
            Self::Signals(lane) => &mut lane.out,
            Self::Raw(lane) => &mut lane.out,
        };
        out.file.as_mut().map_or(Ok(()), TableFile::end_row_group)
    }

    /// Takes the rows of `fresh` in, and writes what makes whole chunks.
    pub(super) fn take(&mut self, store: &Store, defs: &Definitions, fresh: &mut Fill) -> Result<(), StoreError> {
        match (self, fresh) {
            (Self::Signals(lane), Fill::Signals(frames)) => {
                append(&mut lane.pending, frames);
                lane.write(store, defs, false)
            }
            (Self::Raw(lane), Fill::Raw(block)) => {
                append_block(&mut lane.pending, block);
                lane.write(store, false)
            }
            _ => unreachable!("a lane and its rows are made together"),
        }
    }

    /// Writes the rest, and gives the pieces.
    pub(super) fn finish(self, store: &Store, defs: &Definitions) -> Result<Vec<Written>, StoreError> {
        match self {
            Self::Signals(mut lane) => {
                lane.write(store, defs, true)?;
                lane.out.finish()
            }
            Self::Raw(mut lane) => {
                lane.write(store, true)?;
                lane.out.finish()
            }
        }
    }
}

impl Out {
    fn new(vehicle: &str, shape: Shape) -> Self {
        Self { vehicle: vehicle.to_owned(), shape, file: None, last_us: TimeUs::MIN, pieces: Vec::new() }
    }
}

impl SignalsLane {
    fn write(&mut self, store: &Store, defs: &Definitions, all: bool) -> Result<(), StoreError> {
        let message = &defs.messages[self.message];
        let mut done = 0;
        while self.pending.len() - done >= CHUNK_ROWS || (all && done < self.pending.len()) {
            let range = done..(done + CHUNK_ROWS).min(self.pending.len());
            done = range.end;
            sort_frames(&mut self.pending, range.clone());
            let times = &self.pending.time_us[range.clone()];
            let (first_us, last_us) = (times[0], times[times.len() - 1]);
            let columns = decode(message, &self.pending, range.clone());
            let rows = range.len();
            let data = signals::columns(message, &self.pending, range, columns);
            self.out.write(store, first_us..=last_us, data, rows)?;
        }
        drop_first(&mut self.pending, done);
        Ok(())
    }
}

impl RawLane {
    fn write(&mut self, store: &Store, all: bool) -> Result<(), StoreError> {
        while self.pending.len() >= CHUNK_ROWS || (all && !self.pending.is_empty()) {
            let rows = CHUNK_ROWS.min(self.pending.len());
            let mut order: Vec<usize> = (0..rows).collect();
            order.sort_by_key(|row| self.pending.time_us[*row]);
            let mut chunk = FrameBlock::with_capacity(rows);
            order.iter().for_each(|row| chunk.push(&self.pending.frame(*row)));
            let mut left = FrameBlock::default();
            (rows..self.pending.len()).for_each(|row| left.push(&self.pending.frame(row)));
            self.pending = left;
            let batch = raw::batch(&|_| &self.out.vehicle, &self.buses, &chunk, 0..rows);
            let data = batch.columns().iter().map(|array| ColumnData::Array(array.clone())).collect();
            self.out.write(store, chunk.time_us[0]..=chunk.time_us[rows - 1], data, rows)?;
        }
        Ok(())
    }
}

/// Rows of a lane as they are gathered.
pub(super) enum Fill {
    Signals(MessageFrames),
    Raw(FrameBlock),
}

impl Fill {
    pub(super) fn len(&self) -> usize {
        match self {
            Self::Signals(frames) => frames.len(),
            Self::Raw(block) => block.len(),
        }
    }
}

/// Appends the frames of `fresh` and empties it.
fn append(frames: &mut MessageFrames, fresh: &mut MessageFrames) {
    if frames.is_empty() {
        std::mem::swap(frames, fresh);
        return;
    }
    let shift = frames.long.len() as u64;
    frames.time_us.append(&mut fresh.time_us);
    frames.id.append(&mut fresh.id);
    let words = fresh.word.drain(..).zip(&fresh.meta);
    frames.word.extend(words.map(|(word, meta)| if meta.len > 8 { word + shift } else { word }));
    frames.meta.append(&mut fresh.meta);
    frames.long.append(&mut fresh.long);
}

fn append_block(block: &mut FrameBlock, fresh: &mut FrameBlock) {
    if block.is_empty() {
        std::mem::swap(block, fresh);
        return;
    }
    (0..fresh.len()).for_each(|row| block.push(&fresh.frame(row)));
    fresh.clear();
}

/// Sorts rows by time and leaves those of one instant in the order they came.
fn sort_frames(frames: &mut MessageFrames, range: std::ops::Range<usize>) {
    if frames.time_us[range.clone()].is_sorted() {
        return;
    }
    let mut order: Vec<usize> = range.clone().collect();
    order.sort_by_key(|row| frames.time_us[*row]);
    fn reorder<T: Copy>(column: &mut [T], range: std::ops::Range<usize>, order: &[usize]) {
        let sorted: Vec<T> = order.iter().map(|row| column[*row]).collect();
        column[range].copy_from_slice(&sorted);
    }
    reorder(&mut frames.time_us, range.clone(), &order);
    reorder(&mut frames.meta, range.clone(), &order);
    reorder(&mut frames.word, range.clone(), &order);
    if !frames.id.is_empty() {
        reorder(&mut frames.id, range, &order);
    }
}

fn drop_first(frames: &mut MessageFrames, rows: usize) {
    if rows == frames.len() {
        frames.clear();
        return;
    }
    frames.time_us.drain(..rows);
    frames.meta.drain(..rows);
    frames.word.drain(..rows);
    if !frames.id.is_empty() {
        frames.id.drain(..rows);
    }
    if !frames.long.is_empty() {
        // What is left is less than a chunk: its long payloads are copied together.
        let mut long = Vec::new();
        for (word, meta) in frames.word.iter_mut().zip(&frames.meta) {
            if meta.len > 8 {
                long.push(frames.long[*word as usize]);
                *word = long.len() as u64 - 1;
            }
        }
        frames.long = long;
    }
}
