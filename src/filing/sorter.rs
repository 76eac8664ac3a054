//! Capture → batches: frames read, given to their vehicles and days, and sorted into the fills of their tables.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use jiff::civil::Date;

use super::lane::Fill;
use super::order::{OrderWatch, ranks};
use super::split::{Segment, Splitter};
use super::{BLOCK_FRAMES, DAYS_MAX, FilingError, LaneKey, Settings, Table};
use crate::capture::Capture;
use crate::decode::{MessageFrames, Route, Router};
use crate::defs::{Definitions, Message};
use crate::frame::{FrameBlock, Kind, Meta, TimeUs};
use crate::store::{HeardLast, StoreError};

/// A block of frames, and what is to be written of it.
pub(super) struct Batch {
    /// The frames; behind the last segment some that belong to the next batch.
    pub(super) block: FrameBlock,
    /// Route of each frame: message index, or the number of messages for raw.
    pub(super) routes: Vec<u32>,
    /// Whose they are.
    pub(super) segments: Vec<Segment>,
    /// Rows by lane.
    pub(super) fills: Vec<(LaneKey, Fill)>,
    /// Bytes of the capture read so far.
    pub(super) bytes_read: u64,
    /// Bus of each channel so far: index, and name (of the channel where no bus is known).
    pub(super) channels: Vec<(Option<usize>, String)>,
}

/// One vehicle's part of the capture.
#[derive(Debug, Clone)]
pub(super) struct Part {
    pub(super) first_us: TimeUs,
    pub(super) last_us: TimeUs,
    pub(super) order: OrderWatch,
}

/// Reads and sorts a capture.
pub(super) struct Sorter<'a> {
    defs: &'a Definitions,
    settings: &'a Settings,
    router: Router,
    splitter: Splitter,
    ranks: Vec<u32>,
    /// By message: whether identifiers of its frames vary.
    varies: Vec<bool>,
    /// Hash of each channel's bus name.
    bus_marks: Vec<u64>,
    channels: Vec<(Option<usize>, String)>,
    /// Frames not decided yet.
    head: FrameBlock,
    /// An empty block that had room for a batch.
    spare: Option<FrameBlock>,
    ended: bool,
    days: BTreeSet<Date>,
    /// By vehicle, in order of name.
    pub(super) parts: BTreeMap<String, Part>,
}

impl<'a> Sorter<'a> {
    pub(super) fn new(defs: &'a Definitions, settings: &'a Settings) -> Self {
        Self {
            defs,
            settings,
            router: Router::new(defs, &[]),
            splitter: Splitter::new(defs, settings),
            ranks: ranks(defs),
            varies: defs.messages.iter().map(Message::id_varies).collect(),
            bus_marks: Vec::new(),
            channels: Vec::new(),
            head: FrameBlock::with_capacity(BLOCK_FRAMES),
            spare: None,
            ended: false,
            days: BTreeSet::new(),
            parts: BTreeMap::new(),
        }
    }

    /// Who was heard last.
    pub(super) fn heard_last(&self) -> Option<HeardLast> {
        self.splitter.heard_last()
    }

    /// Names of the buses by channel.
    pub(super) fn buses(&self) -> Vec<String> {
        self.channels.iter().map(|(_, name)| name.clone()).collect()
    }

    /// The next batch; none at the end.
    pub(super) fn next(&mut self, capture: &mut Capture) -> Result<Option<Batch>, FilingError> {
        if self.ended {
            return Ok(None);
        }
        let spare = self.spare.take().unwrap_or_else(|| FrameBlock::with_capacity(BLOCK_FRAMES));
        let mut block = std::mem::replace(&mut self.head, spare);
        // A capture gives what its buffer holds; a batch is worth its while with many times as many.
        let wanted = block.len() + BLOCK_FRAMES;
        while !self.ended && block.len() < wanted {
            let missing = wanted - block.len();
            self.ended = !capture.fill(&mut block, missing)?;
        }
        self.name_channels(capture);
        let segments = self.splitter.split(self.defs, &mut self.router, &block, self.ended);
        let decided = segments.last().map_or(0, |segment| segment.to);
        (decided..block.len()).for_each(|index| self.head.push(&block.frame(index)));
        let mut batch = Batch {
            routes: Vec::with_capacity(decided),
            segments,
            fills: Vec::new(),
            bytes_read: capture.bytes_read(),
            channels: self.channels.clone(),
            block,
        };
        for index in 0..batch.segments.len() {
            let segment = batch.segments[index].clone();
            self.sort(&mut batch, &segment)?;
        }
        Ok(Some(batch))
    }

    /// Takes a block back whose frames are written, for its room.
    pub(super) fn recycle(&mut self, mut block: FrameBlock) {
        block.clear();
        self.spare = Some(block);
    }

    /// Gives each new channel its bus: by the configuration, by its own name, by the only bus there is.
    fn name_channels(&mut self, capture: &Capture) {
        for channel in capture.channels().iter().skip(self.channels.len()) {
            let (bus, shown) =
                super::bus_of_channel(self.defs, self.settings, self.channels.len(), channel.name.as_deref());
            if bus.is_none() {
                tracing::warn!(channel = shown, "no bus is known for this channel: its frames are kept raw");
            }
            self.router.add_channel(bus);
            self.bus_marks.push(super::mark_of(&shown));
            self.channels.push((bus, shown));
        }
    }

    /// Gives the frames of a segment to their days, and these to their tables.
    fn sort(&mut self, batch: &mut Batch, segment: &Segment) -> Result<(), FilingError> {
        let mut from = segment.from;
        while from < segment.to {
            let day = self.settings.days.of(batch.block.time_us[from]);
            let times = &batch.block.time_us[from..segment.to];
            let to = from + times.iter().take_while(|time_us| day.contains(**time_us)).count();
            // Instants beyond what calendars know are in no day, yet frames all the same.
            let to = to.max(from + 1);
            self.days.insert(day.date);
            if self.days.len() > DAYS_MAX {
                return Err(StoreError::ClockAstray { most: DAYS_MAX }.into());
            }
            self.route(batch, &segment.vehicle, from..to);
            self.scatter(batch, &segment.vehicle, day.date, from..to);
            from = to;
        }
        Ok(())
    }

    /// Finds the table of each frame, and watches their order.
    fn route(&mut self, batch: &mut Batch, vehicle: &str, range: Range<usize>) {
        let block = &batch.block;
        let first_us = block.time_us[range.start];
        let part = match self.parts.get_mut(vehicle) {
            Some(part) => part,
            None => {
                let part = Part { first_us, last_us: first_us, order: OrderWatch::default() };
                self.parts.entry(vehicle.to_owned()).or_insert(part)
            }
        };
        let raw = self.defs.messages.len();
        let columns = block.time_us[range.clone()].iter().zip(&block.id[range.clone()]).zip(&block.meta[range.clone()]);
        let mut order = std::mem::take(&mut part.order);
        let (mut first_us, mut last_us) = (part.first_us, part.last_us);
        for (((time_us, id), meta), word) in columns.zip(&block.data[range]) {
            let (time_us, id, meta) = (*time_us, *id, *meta);
            let route = match self.router.route(meta, id) {
                Route::Message(message) => message,
                Route::Raw => raw,
            };
            batch.routes.push(route as u32);
            first_us = first_us.min(time_us);
            last_us = last_us.max(time_us);
            let mark = self.bus_marks.get(usize::from(meta.channel)).copied().unwrap_or_default();
            if is_long(meta) {
                let data = &block.long[*word as usize];
                order.frame(time_us, self.ranks[route], id, meta, mark, &data[..usize::from(meta.len)]);
            } else {
                order.word(time_us, self.ranks[route], id, meta, mark, *word);
            }
        }
        (part.first_us, part.last_us, part.order) = (first_us, last_us, order);
    }

    /// Copies the frames of one day to the rows of their tables.
    fn scatter(&mut self, batch: &mut Batch, vehicle: &str, date: Date, range: Range<usize>) {
        let Batch { block, routes, fills, .. } = batch;
        let routes = &routes[range.clone()];
        let raw = self.defs.messages.len();
        let mut counts = vec![0_usize; raw + 1];
        routes.iter().for_each(|route| counts[*route as usize] += 1);
        let mut tables: Vec<MessageFrames> = Vec::with_capacity(raw);
        for (message, count) in self.defs.messages.iter().zip(&counts) {
            let varies = message.id_varies();
            tables.push(MessageFrames {
                time_us: Vec::with_capacity(*count),
                id: Vec::with_capacity(if varies { *count } else { 0 }),
                meta: Vec::with_capacity(*count),
                word: Vec::with_capacity(*count),
                long: Vec::new(),
            });
        }
        let mut unknown = FrameBlock::default();
        for (index, route) in range.zip(routes) {
            let route = *route as usize;
            let Some(rows) = tables.get_mut(route) else {
                unknown.push(&block.frame(index));
                continue;
            };
            let meta = block.meta[index];
            rows.time_us.push(block.time_us[index]);
            rows.meta.push(meta);
            if self.varies[route] {
                rows.id.push(block.id[index]);
            }
            if is_long(meta) {
                rows.word.push(rows.long.len() as u64);
                rows.long.push(block.long[block.data[index] as usize]);
            } else {
                rows.word.push(block.data[index]);
            }
        }
        let key = |table| LaneKey { vehicle: vehicle.to_owned(), date, table };
        for (message, rows) in tables.into_iter().enumerate().filter(|(_, rows)| !rows.is_empty()) {
            fills.push((key(Table::Message(message)), Fill::Signals(rows)));
        }
        if !unknown.is_empty() {
            fills.push((key(Table::Raw), Fill::Raw(unknown)));
        }
    }
}

/// Whether a frame's data lies apart.
#[inline]
fn is_long(meta: Meta) -> bool {
    meta.len > 8 && meta.kind() == Kind::Fd
}
