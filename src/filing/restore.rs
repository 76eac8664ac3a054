//! The way back: frames out of the store, in the order in which a capture had them.

use std::collections::{BTreeMap, HashMap};
use std::ops::RangeInclusive;
use std::sync::Arc;

use super::order::OrderWatch;
use super::{BLOCK_FRAMES, mark_of};
use crate::frame::{Frame, FrameBlock, TimeUs};
use crate::store::read::FrameReader;
use crate::store::{Filed, Store, StoreError, VehicleFiled, order};

/// What restoring gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Restored {
    /// Frames given.
    pub frames: u64,
    /// Whether they are, frame for frame, those of the capture. Else the store holds more frames in that span, from
    /// captures that overlap it.
    pub exact: bool,
    /// Whether some of them were given up for want of room, or for their age; [`Store::given_up`] tells which.
    pub given_up: bool,
}

/// Why restoring ended early.
#[derive(Debug, thiserror::Error)]
pub enum RestoreError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The frames cannot be passed on.
    #[error("the frames cannot be written: {0}")]
    Out(#[source] Box<dyn std::error::Error + Send + Sync>),
}

/// Where restored frames go; channels are indexes into the bus names that were announced.
pub type FrameSink<'a> = dyn FnMut(&Frame) -> Result<(), Box<dyn std::error::Error + Send + Sync>> + 'a;

/// Gives a capture back. Channels are those of the record's `buses`.
///
/// # Errors
/// The store cannot be read, or `out` takes no more.
pub fn restore_capture(store: &Store, record: &Filed, out: &mut FrameSink<'_>) -> Result<Restored, RestoreError> {
    let mut late: HashMap<String, Vec<order::LateFrame>> = HashMap::new();
    for frame in order::read(store, &record.id)? {
        late.entry(frame.vehicle.clone()).or_default().push(frame);
    }
    let mut parts: Vec<&VehicleFiled> = record.vehicles.iter().collect();
    parts.sort_by_key(|part| part.first_us);
    let mut restored = Restored { frames: 0, exact: true, given_up: false };
    let given_up = store.given_up()?;
    for part in parts {
        let late = late.remove(&part.vehicle).unwrap_or_default();
        let mut reorder = Reorder::new(&late);
        let mut watch = OrderWatch::default();
        let marks: Vec<u64> = part.buses.iter().map(|bus| mark_of(bus)).collect();
        let mut pass = |frame: &Frame| {
            let meta = crate::frame::Meta::new(0, frame.kind, frame.flags, frame.len, frame.raw_dlc);
            let mark = marks.get(usize::from(frame.channel)).copied().unwrap_or_default();
            watch.frame(frame.time_us, 0, frame.id, meta, mark, frame.bytes());
            out(frame)
        };
        each_frame(store, &part.vehicle, part.first_us..=part.last_us, &part.buses, &mut |frame, table| {
            reorder.take(frame, table, &mut pass)
        })?;
        reorder.finish(&mut pass).map_err(RestoreError::Out)?;
        restored.frames += watch.frames;
        restored.given_up |= given_up.iter().any(|gone| gone.meets(part.first_us, part.last_us));
        restored.exact &= watch.frames == part.frames && watch.hash() == part.frames_hash;
    }
    Ok(restored)
}

/// Gives a vehicle's frames of a span of time, in the tables' order. Channels are indexes into `buses`, to which names
/// met on the way are not added: frames of other buses are passed over.
///
/// # Errors
/// The store cannot be read, or `out` takes no more.
pub fn restore_span(
    store: &Store,
    vehicle: &str,
    span: RangeInclusive<TimeUs>,
    buses: &[String],
    out: &mut FrameSink<'_>,
) -> Result<u64, RestoreError> {
    let mut frames = 0;
    each_frame(store, vehicle, span, buses, &mut |frame, _| {
        frames += 1;
        out(frame)
    })?;
    Ok(frames)
}

type Visit<'a> = dyn FnMut(&Frame, &str) -> Result<(), Box<dyn std::error::Error + Send + Sync>> + 'a;

fn each_frame(
    store: &Store,
    vehicle: &str,
    span: RangeInclusive<TimeUs>,
    buses: &[String],
    visit: &mut Visit<'_>,
) -> Result<(), RestoreError> {
    let mut reader = FrameReader::open(store, vehicle, span)?;
    let tables = reader.tables();
    let (mut block, mut ranks) = (FrameBlock::default(), Vec::new());
    loop {
        block.clear();
        ranks.clear();
        let more = reader.fill(&mut block, &mut ranks, BLOCK_FRAMES)?;
        let channel_of = |bus: &String| buses.iter().position(|known| known == bus);
        let channels: Vec<Option<usize>> = reader.buses().iter().map(channel_of).collect();
        for (index, rank) in ranks.iter().enumerate() {
            let mut frame = block.frame(index);
            let Some(Some(channel)) = channels.get(usize::from(frame.channel)).copied() else { continue };
            frame.channel = channel as u16;
            visit(&frame, &tables[*rank as usize]).map_err(RestoreError::Out)?;
        }
        if !more {
            return Ok(());
        }
    }
}

/// A table, and the places of its late frames of one instant.
type LatePlaces = (Arc<str>, Vec<u64>);

/// Puts late frames back to where they stood.
pub(super) struct Reorder {
    /// Positions of late frames by time and table.
    late: HashMap<TimeUs, Vec<LatePlaces>>,
    /// Frames of one instant and table some of which are late, not yet passed on: the last ones are.
    group: Vec<Frame>,
    group_key: Option<(TimeUs, Arc<str>)>,
    /// Late frames by the position at which their turn comes.
    held: BTreeMap<u64, Frame>,
    position: u64,
}

type Pass<'a> = dyn FnMut(&Frame) -> Result<(), Box<dyn std::error::Error + Send + Sync>> + 'a;
type Passed = Result<(), Box<dyn std::error::Error + Send + Sync>>;

impl Reorder {
    pub(super) fn new(frames: &[order::LateFrame]) -> Self {
        let mut late: HashMap<TimeUs, Vec<LatePlaces>> = HashMap::new();
        for frame in frames {
            let tables = late.entry(frame.time_us).or_default();
            match tables.iter_mut().find(|(table, _)| **table == *frame.table) {
                Some((_, positions)) => positions.push(frame.position),
                None => tables.push((Arc::from(frame.table.as_str()), vec![frame.position])),
            }
        }
        Self { late, group: Vec::new(), group_key: None, held: BTreeMap::new(), position: 0 }
    }

    pub(super) fn take(&mut self, frame: &Frame, table: &str, pass: &mut Pass<'_>) -> Passed {
        let tables = self.late.get(&frame.time_us);
        let table = tables.and_then(|tables| tables.iter().find(|(late, _)| **late == *table));
        let key = table.map(|(table, _)| (frame.time_us, table.clone()));
        if self.group_key.is_some() && self.group_key != key {
            self.end_group(pass)?;
        }
        match key {
            Some(_) => {
                self.group_key = key;
                self.group.push(*frame);
                Ok(())
            }
            None => self.pass_on(frame, pass),
        }
    }

    fn end_group(&mut self, pass: &mut Pass<'_>) -> Passed {
        let Some((time_us, table)) = self.group_key.take() else { return Ok(()) };
        let tables = self.late.get_mut(&time_us).into_iter().flatten();
        let positions: Vec<u64> =
            tables.filter(|(late, _)| *late == table).flat_map(|(_, positions)| std::mem::take(positions)).collect();
        let group = std::mem::take(&mut self.group);
        let in_order = group.len().saturating_sub(positions.len());
        for frame in &group[..in_order] {
            self.pass_on(frame, pass)?;
        }
        self.held.extend(positions.into_iter().zip(group[in_order..].iter().copied()));
        Ok(())
    }

    fn pass_on(&mut self, frame: &Frame, pass: &mut Pass<'_>) -> Passed {
        while let Some(held) = self.held.remove(&self.position) {
            self.position += 1;
            pass(&held)?;
        }
        self.position += 1;
        pass(frame)
    }

    pub(super) fn finish(&mut self, pass: &mut Pass<'_>) -> Passed {
        self.end_group(pass)?;
        std::mem::take(&mut self.held).values().try_for_each(pass)
    }
}
