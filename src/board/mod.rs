//! The live board of one tap: its frames in, every signal with its value now, and what changed, out.
//!
//! Pure. Does not know sockets, pages or clocks: time is the frames' own, and whoever asks says how late it is.
//!
//! **Rows.** One a signal; of messages from any source, one a signal and source address, made when it is first heard. A
//! row keeps its last value until the next, also when it is stale: so long was nothing heard that three periods passed.
//!
//! **Changes.** Flags and enumerations that change stay marked until somebody acknowledges them; so does every signal
//! that stops or begins to be a value at all. A change there and back between two looks is one of two changes, not none.
//! A frame like the one before costs a comparison; of another, only signals whose bits differ are looked at.

mod known;
mod told;
mod value;
#[cfg(test)]
mod tests;

use std::sync::Arc;

pub use known::{Known, Missed};
pub use told::{Head, Mark, Row, SignalKind, Unacknowledged, Update, clock};
pub use value::State;

use crate::decode::{Route, Router};
use crate::defs::{Definitions, Matching, Message, Page};
use crate::frame::{CanId, DATA_BYTES_MAX, FrameBlock, Kind, TimeUs};
use crate::identity::{Listener, VinTable};
use value::{Now, RowState};

/// What every view of live values says.
pub const CAUTION: &str = "yardtap listens and never switches anything. It advises where to look; it never says that \
                           equipment is safe, isolated or discharged. Overhead lines, roofs and filter capacitors kill: \
                           follow the agency's isolation procedure, local codes and licensed practice.";

/// The same where there is little room.
pub const CAUTION_SHORT: &str = "Never says that equipment is safe, isolated or discharged: \
                                 isolation procedure and licensed practice rule.";

/// So many expected periods without a frame make a value stale, as in the run rules.
const STALE_PERIODS: i64 = 3;
/// A value whose message has no expected period is stale after so long.
const STALE_AFTER_US: i64 = 10_000_000;
/// Up to so many signals all have their row from the beginning, so that a module that says nothing is seen to.
const PREPARED_ROWS_MAX: usize = 8_192;
/// Most rows; it bounds what a flood of source addresses takes.
const ROWS_MAX: usize = 16_384;
/// Clocks that step back by less are interfaces read in turn.
const STEP_US: i64 = 1_000_000;
/// No sender yet.
const NOBODY: u32 = u32::MAX;

/// What is known of one tap's vehicle now.
#[derive(Debug)]
pub struct Board {
    tap: String,
    defs: Arc<Definitions>,
    /// Buses that the tap has.
    buses: Vec<bool>,
    channels: Vec<Option<usize>>,
    router: Router,
    identity: Identity,
    listener: Listener,
    vehicle: Option<String>,
    /// By message.
    senders_of: Vec<Senders>,
    senders: Vec<Sender>,
    beats: Vec<Beat>,
    rows: Vec<RowState>,
    /// Rows for which there was no room.
    rows_missing: u64,
    lost_frames: u64,
    mark: Option<Mark>,
    generation: u64,
    sequence: u64,
    now_us: TimeUs,
    heard_us: TimeUs,
}

/// How a board knows whose signals it shows.
#[derive(Debug, Clone, Default)]
pub struct Identity {
    /// The one vehicle of this tap; none: the bus tells.
    pub vehicle: Option<String>,
    /// Fleet numbers by vehicle identification number.
    pub vins: VinTable,
}

/// Who sends a message.
#[derive(Debug, Clone)]
enum Senders {
    One(u32),
    /// By source address; empty before the first.
    Any(Vec<u32>),
}

/// One source of one message, and its last frame.
#[derive(Debug)]
struct Sender {
    message: usize,
    source: Option<u8>,
    rows: std::ops::Range<u32>,
    beats: std::ops::Range<u32>,
    heard: bool,
    word: u64,
    len: u8,
    long: Option<Box<[u8; DATA_BYTES_MAX]>>,
}

/// Signals that come in the same frames: those that are always there, or those of the same pages.
#[derive(Debug)]
struct Beat {
    page: Option<Page>,
    rows: Vec<u32>,
    /// Whether the sender's last frame held it.
    held: bool,
    seen_us: Option<TimeUs>,
    stale_after_us: i64,
    stale: bool,
    lapses: u32,
}

impl Board {
    /// An empty board for the tap's channels, whose buses are given. `generation` tells it from the board it replaces.
    pub fn new(
        tap: &str,
        defs: Arc<Definitions>,
        channels: &[Option<usize>],
        identity: Identity,
        generation: u64,
    ) -> Self {
        let mut buses = vec![false; defs.buses.len()];
        channels.iter().flatten().filter(|bus| **bus < defs.buses.len()).for_each(|bus| buses[*bus] = true);
        let mut board = Self {
            tap: tap.to_owned(),
            buses,
            channels: channels.to_vec(),
            router: Router::new(&defs, channels),
            listener: Listener::new(&defs, identity.vins.clone()),
            vehicle: identity.vehicle.clone(),
            identity,
            senders_of: Vec::new(),
            senders: Vec::new(),
            beats: Vec::new(),
            rows: Vec::new(),
            rows_missing: 0,
            lost_frames: 0,
            mark: None,
            generation,
            sequence: 1,
            now_us: 0,
            heard_us: 0,
            defs,
        };
        board.clear();
        board
    }

    /// The definitions it decodes by.
    pub fn definitions(&self) -> &Arc<Definitions> {
        &self.defs
    }

    /// Tells boards that replaced one another apart.
    pub fn generation(&self) -> u64 {
        self.generation
    }

    /// The vehicle, as far as it is known.
    pub fn vehicle(&self) -> Option<&str> {
        self.vehicle.as_deref()
    }

    /// Grows with everything that the board takes in.
    pub fn sequence(&self) -> u64 {
        self.sequence
    }

    /// Time of the newest frame, or what was said last to [`Self::tick`].
    pub fn now_us(&self) -> TimeUs {
        self.now_us
    }

    /// Time of the newest frame; 0: none came.
    pub fn heard_us(&self) -> TimeUs {
        self.heard_us
    }

    fn clear(&mut self) {
        self.senders.clear();
        self.beats.clear();
        self.rows.clear();
        (self.rows_missing, self.lost_frames, self.mark) = (0, 0, None);
        self.senders_of.clear();
        let defs = self.defs.clone();
        self.senders_of.extend(defs.messages.iter().map(|message| match message.matching {
            Matching::Group { source: None, .. } => Senders::Any(Vec::new()),
            Matching::Group { .. } | Matching::Exactly(_) => Senders::One(NOBODY),
        }));
        let of_tap = || defs.messages.iter().enumerate().filter(|(_, message)| self.buses[message.bus]);
        let one_sender = || of_tap().filter(|(_, m)| !matches!(m.matching, Matching::Group { source: None, .. }));
        if one_sender().map(|(_, message)| message.signals.len()).sum::<usize>() <= PREPARED_ROWS_MAX {
            let messages: Vec<usize> = one_sender().map(|(index, _)| index).collect();
            messages.into_iter().for_each(|message| {
                self.sender(message, CanId::default());
            });
        }
    }

    /// Takes the next frames, by channel of the tap.
    pub fn frames(&mut self, block: &FrameBlock) {
        let Some(last_us) = block.time_us.last().copied() else { return };
        self.sequence += 1;
        if last_us < self.now_us.saturating_sub(STEP_US) {
            self.step_back(last_us);
        }
        (self.now_us, self.heard_us) = (last_us, last_us);
        let defs = self.defs.clone();
        for index in 0..block.len() {
            let (meta, id) = (block.meta[index], block.id[index]);
            let message = match self.router.route(meta, id) {
                Route::Message(message) => message,
                Route::Raw => {
                    if matches!(meta.kind(), Kind::Data | Kind::Fd) {
                        self.listen_for_vin(id, block.bytes(index, &mut [0; 8]));
                    }
                    continue;
                }
            };
            let Some(sender) = self.sender(message, id) else { continue };
            let payload = if meta.len > 8 {
                Payload { word: 0, len: meta.len, long: Some(&block.long[block.data[index] as usize]) }
            } else {
                Payload { word: block.data[index], len: meta.len, long: None }
            };
            self.frame(&defs.messages[message], sender, block.time_us[index], &payload);
        }
    }

    /// Says how late it is: what was not heard for too long becomes stale.
    pub fn tick(&mut self, now_us: TimeUs) {
        self.sequence += 1;
        self.now_us = self.now_us.max(now_us);
        for beat in &mut self.beats {
            let Some(seen_us) = beat.seen_us else { continue };
            if !beat.stale && self.now_us.saturating_sub(seen_us) > beat.stale_after_us {
                beat.stale = true;
                beat.rows.iter().for_each(|row| self.rows[*row as usize].version = self.sequence);
            }
        }
    }

    /// Frames that came and that the board was not given.
    pub fn lose(&mut self, frames: u64) {
        self.lost_frames += frames;
    }

    /// Sets a mark: lowest, highest and number of changes begin anew.
    pub fn mark(&mut self, note: String, who: String) -> Mark {
        self.sequence += 1;
        for row in &mut self.rows {
            row.begin_anew();
            row.version = self.sequence;
        }
        for beat in &mut self.beats {
            beat.lapses = 0;
        }
        self.lost_frames = 0;
        let mark = Mark { tap: self.tap.clone(), vehicle: self.vehicle.clone(), time_us: self.now_us, note, who };
        self.mark = Some(mark.clone());
        mark
    }

    /// Acknowledges changes of some rows, or of all; gives how many rows are marked no more. A row that changed again
    /// after `seen`, the sequence number that whoever acknowledges has seen, stays marked.
    pub fn acknowledge(&mut self, rows: Option<&[u32]>, seen: u64) -> usize {
        self.sequence += 1;
        let sequence = self.sequence;
        let mut done = 0;
        let mut one = |row: &mut RowState| {
            if row.acknowledge(seen) {
                row.version = sequence;
                done += 1;
            }
        };
        match rows {
            None => self.rows.iter_mut().for_each(one),
            Some(rows) => {
                for row in rows {
                    if let Some(row) = self.rows.get_mut(*row as usize) {
                        one(row);
                    }
                }
            }
        }
        done
    }

    /// What changed since a sequence number that an earlier update gave; everything since 0.
    pub fn since(&self, sequence: u64) -> Update {
        let sequence = if sequence > self.sequence { 0 } else { sequence };
        let first_head = match sequence {
            0 => 0,
            _ => self.rows.partition_point(|row| row.born <= sequence),
        };
        let mut heads = Vec::new();
        for sender in self.senders.iter().filter(|sender| sender.rows.end as usize > first_head) {
            let message = &self.defs.messages[sender.message];
            let names = Head::names(&self.defs, message, sender.source);
            heads.extend(message.signals.iter().map(|signal| names.head(sender.message, signal)));
        }
        let mut rows = Vec::new();
        for sender in &self.senders {
            let signals = &self.defs.messages[sender.message].signals;
            for (signal, index) in signals.iter().zip(sender.rows.clone()) {
                let row = &self.rows[index as usize];
                if row.version > sequence {
                    let beat = &self.beats[row.beat as usize];
                    rows.push(row.told(index, signal, beat.stale, beat.lapses));
                }
            }
        }
        Update {
            generation: self.generation,
            since: sequence,
            sequence: self.sequence,
            now_us: self.now_us,
            utc_offset_s: 0,
            tap: self.tap.clone(),
            vehicle: self.vehicle.clone(),
            definitions: self.defs.name.clone(),
            mark: self.mark.clone(),
            lost_frames: self.lost_frames,
            rows_missing: self.rows_missing,
            first_head,
            heads,
            rows,
        }
    }

    /// A clock that steps back would keep everything fresh until it has caught up.
    fn step_back(&mut self, now_us: TimeUs) {
        for beat in &mut self.beats {
            beat.seen_us = beat.seen_us.map(|seen_us| seen_us.min(now_us));
        }
    }

    fn listen_for_vin(&mut self, id: CanId, bytes: &[u8]) {
        if self.identity.vehicle.is_none()
            && let Some(vehicle) = self.listener.vin(id, bytes)
        {
            self.is_of(vehicle);
        }
    }

    /// Whose bus it is. Another vehicle than before has other values: the board begins anew.
    fn is_of(&mut self, vehicle: String) {
        if self.vehicle.as_ref() == Some(&vehicle) {
            return;
        }
        if self.vehicle.replace(vehicle).is_some() {
            self.generation += 1;
            self.clear();
        }
    }

    /// The sender of a frame, made where it is new; none where there is no room.
    #[inline]
    fn sender(&mut self, message: usize, id: CanId) -> Option<usize> {
        let source = id.bits() as u8;
        let known = match &self.senders_of[message] {
            Senders::One(sender) => *sender,
            Senders::Any(by_source) => by_source.get(usize::from(source)).copied().unwrap_or(NOBODY),
        };
        if known == NOBODY { self.new_sender(message, source) } else { Some(known as usize) }
    }

    #[cold]
    fn new_sender(&mut self, message: usize, source: u8) -> Option<usize> {
        let defs = self.defs.clone();
        let written = &defs.messages[message];
        let (first_row, count) = (self.rows.len(), written.signals.len());
        if first_row + count > ROWS_MAX {
            // Counted once a message and source would need room for each: it is told as a fact, not as a number.
            self.rows_missing = self.rows_missing.max(1);
            return None;
        }
        let first_beat = self.beats.len();
        for (index, signal) in written.signals.iter().enumerate() {
            let row = (first_row + index) as u32;
            let alike = self.beats[first_beat..].iter().position(|beat| beat.page == signal.page);
            let beat = first_beat + alike.unwrap_or(self.beats.len() - first_beat);
            if alike.is_none() {
                self.beats.push(Beat::new(written, signal.page.clone()));
            }
            self.beats[beat].rows.push(row);
            self.rows.push(RowState::new(signal, beat as u32, self.sequence));
        }
        let sender = self.senders.len();
        let any = matches!(self.senders_of[message], Senders::Any(_));
        self.senders.push(Sender {
            message,
            source: any.then_some(source),
            rows: first_row as u32..(first_row + count) as u32,
            beats: first_beat as u32..self.beats.len() as u32,
            heard: false,
            word: 0,
            len: 0,
            long: None,
        });
        match &mut self.senders_of[message] {
            Senders::One(place) => *place = sender as u32,
            Senders::Any(by_source) => {
                by_source.resize(256, NOBODY);
                by_source[usize::from(source)] = sender as u32;
            }
        }
        Some(sender)
    }

    #[inline]
    fn frame(&mut self, message: &Message, index: usize, time_us: TimeUs, payload: &Payload<'_>) {
        let sender = &self.senders[index];
        let same = sender.heard && payload.is(sender);
        let beats = sender.beats.start as usize..sender.beats.end as usize;
        if same {
            for beat in &mut self.beats[beats] {
                if beat.held && beat.hear(time_us) {
                    beat.rows.iter().for_each(|row| self.rows[*row as usize].version = self.sequence);
                }
            }
            return;
        }
        self.changed_frame(message, index, time_us, payload);
    }

    fn changed_frame(&mut self, message: &Message, index: usize, time_us: TimeUs, payload: &Payload<'_>) {
        let sender = &mut self.senders[index];
        // Bits that differ, where both are words of the same length; else every signal is looked at.
        let comparable = sender.heard && sender.long.is_none() && payload.long.is_none() && sender.len == payload.len;
        let differing = if comparable { sender.word ^ payload.word } else { u64::MAX };
        (sender.heard, sender.word, sender.len) = (true, payload.word, payload.len);
        match (payload.long, &mut sender.long) {
            (Some(bytes), Some(kept)) => **kept = *bytes,
            (bytes, kept) => *kept = bytes.map(|bytes| Box::new(*bytes)),
        }
        let first_row = sender.rows.start;
        for beat in &mut self.beats[sender.beats.start as usize..sender.beats.end as usize] {
            let held_before = std::mem::replace(&mut beat.held, payload.holds(message, beat.page.as_ref()));
            if !beat.held {
                continue;
            }
            let stirred = beat.hear(time_us);
            for row_index in &beat.rows {
                let signal = &message.signals[(row_index - first_row) as usize];
                let row = &mut self.rows[*row_index as usize];
                if stirred {
                    row.version = self.sequence;
                }
                if held_before && row.word_mask & differing == 0 {
                    continue;
                }
                let now = match payload.raw(signal) {
                    Some(raw) => Now::of(signal, raw),
                    None => Now::SHORT,
                };
                if row.take(now, time_us, self.sequence) {
                    row.version = self.sequence;
                }
            }
        }
        if self.identity.vehicle.is_none() && self.listener.message() == Some(self.senders[index].message) {
            let number = self.listener.number(&self.defs, &payload.bytes(), usize::from(payload.len));
            if let Some(number) = number {
                self.is_of(number);
            }
        }
    }

    /// Buses of the tap's channels.
    pub fn channels(&self) -> &[Option<usize>] {
        &self.channels
    }

    /// How it knows whose signals it shows.
    pub fn identity(&self) -> &Identity {
        &self.identity
    }
}

impl Beat {
    fn new(message: &Message, page: Option<Page>) -> Self {
        let pages = page.as_ref().map_or(1, |page| {
            let mut values: Vec<u64> = message
                .signals
                .iter()
                .filter_map(|signal| signal.page.as_ref())
                .filter(|other| other.selector == page.selector)
                .flat_map(|other| other.is.iter().copied())
                .collect();
            values.sort_unstable();
            values.dedup();
            values.len() as i64
        });
        let stale_after_us = message.period_us.map_or(STALE_AFTER_US, |period| period.saturating_mul(STALE_PERIODS));
        Self {
            page,
            rows: Vec::new(),
            held: false,
            seen_us: None,
            stale_after_us: stale_after_us.saturating_mul(pages).max(1),
            stale: false,
            lapses: 0,
        }
    }

    /// A frame held it. Whether that says anything new of its rows but their values: the first, or the end of a silence.
    #[inline]
    fn hear(&mut self, time_us: TimeUs) -> bool {
        let Some(seen_us) = self.seen_us.replace(time_us) else { return true };
        let lapsed = self.stale || time_us.saturating_sub(seen_us) > self.stale_after_us;
        if lapsed {
            self.stale = false;
            self.lapses = self.lapses.saturating_add(1);
        }
        lapsed
    }
}

/// A frame's data.
struct Payload<'a> {
    /// Up to 8 bytes, byte 1 lightest.
    word: u64,
    len: u8,
    /// The bytes of a longer one.
    long: Option<&'a [u8; DATA_BYTES_MAX]>,
}

impl Payload<'_> {
    #[inline]
    fn is(&self, sender: &Sender) -> bool {
        self.len == sender.len && self.word == sender.word && self.long == sender.long.as_deref()
    }

    fn bytes(&self) -> [u8; DATA_BYTES_MAX] {
        self.long.copied().unwrap_or_else(|| {
            let mut bytes = [0; DATA_BYTES_MAX];
            bytes[..8].copy_from_slice(&self.word.to_le_bytes());
            bytes
        })
    }

    /// The signal's bits; none where the payload does not reach so far.
    fn raw(&self, signal: &crate::defs::Signal) -> Option<u64> {
        if !signal.fits(usize::from(self.len)) {
            return None;
        }
        Some(match self.long {
            // A field that fits into up to 8 bytes lies within the word.
            None => signal.field.of_word(self.word),
            Some(bytes) => signal.field.of_bytes(bytes),
        })
    }

    fn holds(&self, message: &Message, page: Option<&Page>) -> bool {
        page.is_none_or(|page| self.raw(&message.signals[page.selector]).is_some_and(|raw| page.is.contains(&raw)))
    }
}
