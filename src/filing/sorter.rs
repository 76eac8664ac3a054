//! Capture → batches: frames read, given to their vehicles and days, and sorted into the fills of their tables.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::lane::Fill;
use super::order::{OrderWatch, ranks};
use super::split::{Segment, Splitter};
use super::{BLOCK_FRAMES, DAYS_MAX, FilingError, LaneKey, Settings, Table};
use crate::capture::Capture;
use crate::day::ServiceDay;
use crate::decode::{MessageFrames, Route, Router};
use crate::defs::Definitions;
use crate::frame::{FrameBlock, TimeUs};
use crate::store::StoreError;

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
    /// Hash of each channel's bus name.
    bus_marks: Vec<u64>,
    channels: Vec<(Option<usize>, String)>,
    /// Frames not decided yet.
    head: FrameBlock,
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
            bus_marks: Vec::new(),
            channels: Vec::new(),
            head: FrameBlock::default(),
            ended: false,
            days: BTreeSet::new(),
            parts: BTreeMap::new(),
        }
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
        let mut block = std::mem::replace(&mut self.head, FrameBlock::with_capacity(BLOCK_FRAMES));
        self.ended = !capture.fill(&mut block, BLOCK_FRAMES)?;
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

    /// Gives each new channel its bus: by the configuration, by its own name, by the only bus there is.
    fn name_channels(&mut self, capture: &Capture) {
        for channel in capture.channels().iter().skip(self.channels.len()) {
            let name = channel.name.clone();
            let configured = name.as_ref().and_then(|name| self.settings.channels.get(name));
            let bus = configured
                .and_then(|bus| self.defs.bus(bus))
                .or_else(|| name.as_ref().and_then(|name| self.defs.bus(name)))
                .or_else(|| self.settings.bus.as_ref().and_then(|bus| self.defs.bus(bus)))
                .or_else(|| (self.defs.buses.len() == 1).then_some(0));
            let known = bus.map(|bus| self.defs.buses[bus].name.clone());
            let shown = known.or(name).unwrap_or_else(|| format!("channel {}", self.channels.len()));
            if bus.is_none() {
                tracing::warn!(channel = shown, "no bus is known for this channel: its frames are kept raw");
            }
            self.router.add_channel(bus);
            self.bus_marks.push(super::mark_of(&shown));
            self.channels.push((bus, shown));
        }
    }

    fn sort(&mut self, batch: &mut Batch, segment: &Segment) -> Result<(), FilingError> {
        let block = &batch.block;
        let first_us = block.time_us[segment.from];
        let part = self.parts.entry(segment.vehicle.clone()).or_insert_with(|| Part {
            first_us,
            last_us: first_us,
            order: OrderWatch::default(),
        });
        let raw = self.defs.messages.len();
        let mut day: Option<ServiceDay> = None;
        let mut fills: Vec<Option<Fill>> = Vec::new();
        for index in segment.from..segment.to {
            let time_us = block.time_us[index];
            if day.is_none_or(|day| !day.contains(time_us)) {
                flush(&mut batch.fills, &mut fills, &segment.vehicle, day, raw);
                let next = self.settings.days.of(time_us);
                self.days.insert(next.date);
                if self.days.len() > DAYS_MAX {
                    return Err(StoreError::ClockAstray { most: DAYS_MAX }.into());
                }
                day = Some(next);
                fills.resize_with(raw + 1, || None);
            }
            let (id, meta) = (block.id[index], block.meta[index]);
            let route = match self.router.route(meta, id) {
                Route::Message(message) => message,
                Route::Raw => raw,
            };
            batch.routes.push(route as u32);
            let mark = self.bus_marks.get(usize::from(meta.channel)).copied().unwrap_or_default();
            part.first_us = part.first_us.min(time_us);
            part.last_us = part.last_us.max(time_us);
            let long = meta.len > 8 && meta.kind() == crate::frame::Kind::Fd;
            if long {
                let data = &block.long[block.data[index] as usize];
                part.order.frame(time_us, self.ranks[route], id, meta, mark, &data[..usize::from(meta.len)]);
            } else {
                part.order.word(time_us, self.ranks[route], id, meta, mark, block.data[index]);
            }
            if route == raw {
                let fill = fills[raw].get_or_insert_with(|| Fill::Raw(FrameBlock::default()));
                if let Fill::Raw(rows) = fill {
                    rows.push(&block.frame(index));
                }
                continue;
            }
            let fill = fills[route].get_or_insert_with(|| Fill::Signals(MessageFrames::default()));
            if let Fill::Signals(rows) = fill {
                rows.time_us.push(time_us);
                if self.defs.messages[route].id_varies() {
                    rows.id.push(id);
                }
                rows.meta.push(meta);
                if long {
                    rows.word.push(rows.long.len() as u64);
                    rows.long.push(block.long[block.data[index] as usize]);
                } else {
                    rows.word.push(block.data[index]);
                }
            }
        }
        flush(&mut batch.fills, &mut fills, &segment.vehicle, day, raw);
        Ok(())
    }
}

/// Hands the rows of one vehicle-day over.
fn flush(
    out: &mut Vec<(LaneKey, Fill)>,
    fills: &mut Vec<Option<Fill>>,
    vehicle: &str,
    day: Option<ServiceDay>,
    raw: usize,
) {
    let Some(day) = day else { return };
    for (table, fill) in fills.drain(..).enumerate() {
        if let Some(fill) = fill {
            let table = if table == raw { Table::Raw } else { Table::Message(table) };
            out.push((LaneKey { vehicle: vehicle.to_owned(), date: day.date, table }, fill));
        }
    }
}
