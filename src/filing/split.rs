//! Which frames of a capture are of which vehicle.
//!
//! Where the vehicle is known beforehand, all are of that one. Else the bus tells: a frame is of the vehicle that was
//! heard last, but between the last word of one vehicle and the first of another the border lies at the longest
//! silence, for that is when the lead was pulled. Frames before the first word are of the first vehicle heard.

use super::Settings;
use crate::decode::{Route, Router};
use crate::defs::Definitions;
use crate::frame::{DATA_BYTES_MAX, FrameBlock};
use crate::identity::Listener;

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
}

impl Splitter {
    pub(super) fn new(defs: &Definitions, settings: &Settings) -> Self {
        Self {
            fixed: settings.vehicle.clone(),
            unknown: settings.unknown_vehicle.clone(),
            listener: Listener::new(defs, settings.vins.clone()),
            current: None,
        }
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
        let mut heard_at = 0;
        for index in 0..frames {
            let Some(number) = self.heard(defs, router, block, index) else { continue };
            match &self.current {
                Some(current) if *current == number => {}
                Some(current) => {
                    let border = longest_silence(block, heard_at, index);
                    segments.push(Segment { vehicle: current.clone(), from: decided, to: border });
                    decided = border;
                    self.current = Some(number);
                }
                None => self.current = Some(number),
            }
            heard_at = index;
        }
        let overdue = frames - decided > UNDECIDED_FRAMES_MAX;
        let upto = if last || overdue { frames } else { heard_at };
        match &self.current {
            Some(current) if upto > decided => {
                segments.push(Segment { vehicle: current.clone(), from: decided, to: upto });
            }
            None if last || overdue => segments.push(Segment { vehicle: self.unknown.clone(), from: 0, to: frames }),
            _ => {}
        }
        segments.retain(|segment| segment.from < segment.to);
        segments
    }

    fn heard(&mut self, defs: &Definitions, router: &mut Router, block: &FrameBlock, index: usize) -> Option<String> {
        let mut scratch = [0; 8];
        match router.route(block.meta[index], block.id[index]) {
            Route::Message(message) if Some(message) == self.listener.message() => {
                let bytes = block.bytes(index, &mut scratch);
                let mut data = [0; DATA_BYTES_MAX];
                data[..bytes.len()].copy_from_slice(bytes);
                self.listener.number(defs, &data, bytes.len())
            }
            Route::Message(_) => None,
            Route::Raw => self.listener.vin(block.id[index], block.bytes(index, &mut scratch)),
        }
    }
}

/// The frame behind the longest silence between two frames.
fn longest_silence(block: &FrameBlock, from: usize, to: usize) -> usize {
    let silence = |index: &usize| block.time_us[*index].saturating_sub(block.time_us[*index - 1]);
    // Of equal silences the last: the second vehicle is certain only from its own word on.
    (from + 1..=to).max_by_key(silence).unwrap_or(to)
}
