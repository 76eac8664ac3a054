//! Which frames of a capture are of which vehicle.
//!
//! Where the vehicle is known beforehand, all are of that one. Else the bus tells: a frame is of the vehicle that was
//! heard last, but between the last word of one vehicle and the first of another the border lies at the longest
//! silence, for that is when the lead was pulled. Frames before the first word are of the first vehicle heard.
//!
//! A silence longer than a run may have ends what was heard: behind it the lead may be in any vehicle. Frames on its
//! far side wait for the next word. So a recording that goes on in a further capture, which is told who was heard last
//! in the one before, is shared out as if it were one. A border can then not lie in the capture before: where that
//! ends between the first frame of a vehicle and its first word, these frames are of the vehicle before.

use super::Settings;
use crate::decode::{Route, Router};
use crate::defs::Definitions;
use crate::frame::{DATA_BYTES_MAX, FrameBlock, TimeUs};
use crate::identity::Listener;
use crate::store::HeardLast;

/// Frames that wait for a vehicle to be named; beyond them, they are of the one before, or of none that is known.
const UNDECIDED_FRAMES_MAX: usize = 2 << 20;

/// Frames `from..to` of a block, all of one vehicle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Segment {
    pub(crate) vehicle: String,
    pub(crate) from: usize,
    pub(crate) to: usize,
}

/// Finds the segments of a capture, block by block.
pub(super) struct Splitter {
    fixed: Option<String>,
    unknown: String,
    listener: Listener,
    current: Option<String>,
    /// Time of the frame before the next block's first, if there is one.
    before_us: Option<TimeUs>,
    /// A longer silence ends what was heard.
    gap_us: i64,
}

impl Splitter {
    pub(super) fn new(defs: &Definitions, settings: &Settings) -> Self {
        Self {
            fixed: settings.vehicle.clone(),
            unknown: settings.unknown_vehicle.clone(),
            listener: Listener::new(defs, settings.vins.clone()),
            current: settings.vehicle_before.as_ref().map(|before| before.vehicle.clone()),
            before_us: settings.vehicle_before.as_ref().map(|before| before.last_us),
            gap_us: super::counting::gap_us(defs),
        }
    }

    /// Who was heard last, up to the end of the last block.
    pub(super) fn heard_last(&self) -> Option<HeardLast> {
        if self.fixed.is_some() || self.listener.is_deaf() {
            return None;
        }
        Some(HeardLast { vehicle: self.current.clone()?, last_us: self.before_us? })
    }

    /// The segments of a block's first frames; the frames behind the last segment are not decided yet and belong at
    /// the head of the next block. `last`: there is no next one.
    pub(super) fn split(
        &mut self,
        defs: &Definitions,
        router: &mut Router,
        block: &FrameBlock,
        last: bool,
    ) -> Vec<Segment> {
        let frames = block.len();
        if frames == 0 {
            return Vec::new();
        }
        if let Some(vehicle) = &self.fixed {
            return vec![Segment { vehicle: vehicle.clone(), from: 0, to: frames }];
        }
        if self.listener.is_deaf() {
            return vec![Segment { vehicle: self.unknown.clone(), from: 0, to: frames }];
        }
        let mut segments: Vec<Segment> = Vec::new();
        let mut decided = 0;
        let mut heard_at = None;
        let silence = |index: usize| {
            let before_us = if index > 0 { Some(block.time_us[index - 1]) } else { self.before_us };
            before_us.map_or(0, |before_us| block.time_us[index].saturating_sub(before_us))
        };
        let mut current = self.current.take();
        for index in 0..frames {
            if silence(index) > self.gap_us {
                let vehicle = current.take().unwrap_or_else(|| self.unknown.clone());
                segments.push(Segment { vehicle, from: decided, to: index });
                (decided, heard_at) = (index, None);
            }
            let Some(number) = heard(&mut self.listener, defs, router, block, index) else { continue };
            if let Some(vehicle) = current.replace(number.clone())
                && vehicle != number
            {
                // Of equal silences the last: the second vehicle is certain only from its own word on.
                let border = (heard_at.map_or(decided, |at| at + 1)..=index).max_by_key(|index| silence(*index));
                let border = border.unwrap_or(index);
                segments.push(Segment { vehicle, from: decided, to: border });
                decided = border;
            }
            heard_at = Some(index);
        }
        let overdue = frames - decided > UNDECIDED_FRAMES_MAX;
        let upto = if last || overdue { frames } else { heard_at.unwrap_or(decided) };
        if upto > decided {
            let vehicle = current.as_ref().unwrap_or(&self.unknown).clone();
            segments.push(Segment { vehicle, from: decided, to: upto });
        }
        self.current = current;
        if let Some(before) = upto.checked_sub(1) {
            self.before_us = Some(block.time_us[before]);
        }
        segments.retain(|segment| segment.from < segment.to);
        segments
    }
}

fn heard(
    listener: &mut Listener,
    defs: &Definitions,
    router: &mut Router,
    block: &FrameBlock,
    index: usize,
) -> Option<String> {
    let mut scratch = [0; 8];
    match router.route(block.meta[index], block.id[index]) {
        Route::Message(message) if Some(message) == listener.message() => {
            let bytes = block.bytes(index, &mut scratch);
            let mut data = [0; DATA_BYTES_MAX];
            data[..bytes.len()].copy_from_slice(bytes);
            listener.number(defs, &data, bytes.len())
        }
        Route::Message(_) => None,
        Route::Raw => listener.vin(block.id[index], block.bytes(index, &mut scratch)),
    }
}
