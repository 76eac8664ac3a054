//! Which message a frame is of: by bus and identifier, at the cost of one table look-up for identifiers seen lately.

use std::collections::HashMap;

use crate::defs::{Definitions, Matching, Protocol};
use crate::frame::{CanId, Kind, Meta};
use crate::j1939;

/// Where a frame goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Route {
    /// Index of its message.
    Message(usize),
    /// No definition knows it, or it is a remote or error frame.
    Raw,
}

/// Entries of the look-up table, a power of two: more than the identifiers of any real bus, and a bound for floods.
const LATELY: usize = 1 << 11;
const RAW: u32 = u32::MAX;

/// Finds messages for frames.
#[derive(Debug)]
pub struct Router {
    /// Per channel.
    channels: Vec<Channel>,
    by_bus: Vec<BusTable>,
}

#[derive(Debug)]
struct Channel {
    bus: Option<usize>,
    lately: Box<[(CanId, u32)]>,
}

#[derive(Debug, Default)]
struct BusTable {
    speaks_j1939: bool,
    exactly: HashMap<CanId, u32>,
    groups: HashMap<(u32, Option<u8>), u32>,
}

impl Router {
    /// A router for channels whose buses are given; a channel without a bus has only raw frames.
    pub fn new(defs: &Definitions, channels: &[Option<usize>]) -> Self {
        let mut by_bus: Vec<BusTable> = Vec::new();
        for bus in &defs.buses {
            by_bus.push(BusTable { speaks_j1939: bus.protocol == Protocol::J1939, ..BusTable::default() });
        }
        for (index, message) in defs.messages.iter().enumerate() {
            let index = index as u32;
            let table = &mut by_bus[message.bus];
            match message.matching {
                Matching::Exactly(id) => table.exactly.insert(id, index),
                Matching::Group { pgn, source } => table.groups.insert((pgn, source), index),
            };
        }
        let mut router = Self { channels: Vec::new(), by_bus };
        for bus in channels {
            router.add_channel(*bus);
        }
        router
    }

    /// Adds the next channel.
    pub fn add_channel(&mut self, bus: Option<usize>) {
        // An identifier with every bit set is no frame's, so no entry matches before it is filled.
        let lately = vec![(CanId(u32::MAX), RAW); LATELY].into_boxed_slice();
        self.channels.push(Channel { bus, lately });
    }

    /// Number of channels.
    pub fn channel_count(&self) -> usize {
        self.channels.len()
    }

    /// The bus of a channel.
    pub fn bus(&self, channel: u16) -> Option<usize> {
        self.channels.get(usize::from(channel)).and_then(|channel| channel.bus)
    }

    /// Where a frame goes.
    #[inline]
    pub fn route(&mut self, meta: Meta, id: CanId) -> Route {
        if matches!(meta.kind(), Kind::Remote | Kind::Error) {
            return Route::Raw;
        }
        let Some(channel) = self.channels.get_mut(usize::from(meta.channel)) else { return Route::Raw };
        let slot = (id.0 ^ id.0 >> 11 ^ id.0 >> 20) as usize & (LATELY - 1);
        let (known, index) = channel.lately[slot];
        let index = if known == id {
            index
        } else {
            let found = channel.bus.map_or(RAW, |bus| self.by_bus[bus].find(id));
            channel.lately[slot] = (id, found);
            found
        };
        if index == RAW { Route::Raw } else { Route::Message(index as usize) }
    }
}

impl BusTable {
    fn find(&self, id: CanId) -> u32 {
        if let Some(index) = self.exactly.get(&id) {
            return *index;
        }
        if !self.speaks_j1939 || !id.is_extended() {
            return RAW;
        }
        let fields = j1939::fields(id);
        let named = self.groups.get(&(fields.pgn, Some(fields.source)));
        named.or_else(|| self.groups.get(&(fields.pgn, None))).copied().unwrap_or(RAW)
    }
}
