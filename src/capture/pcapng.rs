//! The pcapng file format: blocks in, rows of a [`FrameBlock`] and the channels they came by out.
//! Source: draft-ietf-opsawg-pcapng.
//!
//! Pure: works on slices, says how many bytes it used and what it needs to go on.

use super::can_record::{self, Link, Packet, common_word, is_common};
use super::{CHANNELS_MAX, CaptureTally, Channel, DamageCause, NAME_BYTES_MAX, ReadOptions, Search, Step, Stop};
use crate::frame::{CanId, FrameBlock, Meta, TimeUs};
use std::collections::HashMap;

/// Longest block. No CAN packet comes near it; it bounds what a damaged length makes us hold, and is what libpcap takes.
pub(super) const BLOCK_BYTES_MAX: u32 = 16 << 20;

/// Longest block that ordinary CAN captures have: a CAN XL frame of 2 060 bytes, its block and some options. A longer
/// one that runs past the end of the file is taken for a damaged length, and what it covers is searched.
const ORDINARY_BLOCK_BYTES_MAX: u32 = 4096;

/// Longest block believed while searching for a place to go on.
const SEARCH_BLOCK_BYTES_MAX: u32 = 65_536;

/// Smallest block: type, length, length.
const BLOCK_BYTES_MIN: u32 = 12;

const SECTION: u32 = 0x0A0D_0D0A;
const INTERFACE: u32 = 1;
const OBSOLETE_PACKET: u32 = 2;
const SIMPLE_PACKET: u32 = 3;
const NAME_RESOLUTION: u32 = 4;
const INTERFACE_STATISTICS: u32 = 5;
const ENHANCED_PACKET: u32 = 6;
const CUSTOM: u32 = 0x0000_0BAD;
const CUSTOM_NOT_COPIED: u32 = 0x4000_0BAD;

const BYTE_ORDER_MAGIC: u32 = 0x1A2B_3C4D;

const OPTION_END: u16 = 0;
const IF_NAME: u16 = 2;
const IF_TSRESOL: u16 = 9;
const IF_TSOFFSET: u16 = 14;

/// The common block: an enhanced packet without options, with a CAN record of 13 to 16 bytes.
const COMMON_BLOCK_BYTES: usize = 48;

/// Blocks handled column by column at a time: they and their columns stay in the innermost cache.
const RUN_BLOCKS_MAX: usize = 256;

/// How an interface's time units become microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Clock {
    /// Units in a second, as `if_tsresol` says it: a negative power of ten, or of two with the heaviest bit set.
    resolution: u8,
    /// Seconds added to every time.
    offset_seconds: i64,
}

impl Clock {
    const DEFAULT: Self = Self { resolution: 6, offset_seconds: 0 };

    /// Rounded down to the microsecond; whether it had to be moved into range.
    fn time_us(self, units: u64) -> (TimeUs, bool) {
        let units = i128::from(units);
        let exponent = u32::from(self.resolution & 0x7F);
        let since_offset_us = if self.resolution & 0x80 != 0 {
            // At most 2^84, shifted by at most 127.
            (units * 1_000_000) >> exponent
        } else if exponent <= 6 {
            units * 10_i128.pow(6 - exponent)
        } else {
            // Finer than 10^-38 of a microsecond: no 64-bit count of it reaches one.
            10_i128.checked_pow(exponent - 6).map_or(0, |divisor| units / divisor)
        };
        // The offset is of whole seconds, so rounding before adding it is rounding down before 1970 as well.
        let exact = since_offset_us + i128::from(self.offset_seconds) * 1_000_000;
        match i64::try_from(exact) {
            Ok(time_us) => (time_us, false),
            Err(_) if exact < 0 => (i64::MIN, true),
            Err(_) => (i64::MAX, true),
        }
    }

    /// Time units in a microsecond, where that is one or a thousand and nothing is added.
    fn simple_divisor(self) -> Option<u64> {
        match (self.resolution, self.offset_seconds) {
            (6, 0) => Some(1),
            (9, 0) => Some(1000),
            _ => None,
        }
    }
}

/// An interface of the present section.
#[derive(Debug, Clone, Copy)]
struct Interface {
    kind: InterfaceKind,
    clock: Clock,
    snap_bytes: u32,
}

#[derive(Debug, Clone, Copy)]
enum InterfaceKind {
    Can {
        link: Link,
        channel: u16,
    },
    OtherLinkType,
    /// There is no room for another channel.
    ChannelsBeyond,
}

/// What makes an interface the same channel in another section: its name, and which of that name it is there; without
/// a name, its place.
type ChannelKey = (Option<String>, usize);

/// A pcapng file being read.
pub(super) struct Pcapng {
    options: ReadOptions,
    little: bool,
    /// Whether the present section's version can be read.
    known_version: bool,
    interfaces: Vec<Interface>,
    /// Interfaces of the present section beyond what is kept.
    interfaces_beyond: u64,
    /// Time units in a microsecond, if all interfaces of the section are plain CAN and agree.
    common_divisor: Option<u64>,
    /// Channel of each interface of the section, where `common_divisor` is there.
    common_channels: Vec<u16>,
    names_in_section: HashMap<Option<String>, usize>,
    last_time_us: TimeUs,
    channels: Vec<Channel>,
    channel_of: HashMap<ChannelKey, u16>,
}

impl Pcapng {
    pub(super) fn new(options: ReadOptions) -> Self {
        Self {
            options,
            little: true,
            known_version: false,
            interfaces: Vec::new(),
            interfaces_beyond: 0,
            common_divisor: None,
            common_channels: Vec::new(),
            names_in_section: HashMap::new(),
            last_time_us: 0,
            channels: Vec::new(),
            channel_of: HashMap::new(),
        }
    }

    pub(super) fn channels(&self) -> &[Channel] {
        &self.channels
    }

    fn order(&self) -> Order {
        Order { little: self.little }
    }

    /// Appends up to `room` frames.
    pub(super) fn take(
        &mut self,
        bytes: &[u8],
        mut room: usize,
        block: &mut FrameBlock,
        tally: &mut CaptureTally,
    ) -> Step {
        let mut used = 0;
        loop {
            let rest = bytes.get(used..).unwrap_or_default();
            if room == 0 {
                return Step { used, stop: Stop::Full };
            }
            if let Some(divisor) = self.common_divisor {
                let taken = match (self.little, divisor) {
                    (true, 1) => take_common::<true, 1>(rest, room, &self.common_channels, block),
                    (true, _) => take_common::<true, 1000>(rest, room, &self.common_channels, block),
                    (false, 1) => take_common::<false, 1>(rest, room, &self.common_channels, block),
                    (false, _) => take_common::<false, 1000>(rest, room, &self.common_channels, block),
                };
                if let Some((count, last_time_us)) = taken {
                    self.last_time_us = last_time_us;
                    tally.frames += count as u64;
                    used += count * COMMON_BLOCK_BYTES;
                    room -= count;
                    continue;
                }
            }
            let (kind, body, size) = match whole_block(rest, self.order()) {
                Whole::Block { kind, order, body, size } => {
                    self.little = order.little;
                    (kind, body, size)
                }
                Whole::Need(count) => return Step { used, stop: Stop::Need(count) },
                Whole::Corrupt(cause) => return Step { used, stop: Stop::Corrupt(cause) },
            };
            let before = tally.frames;
            self.take_block(kind, body, block, tally);
            if tally.frames > before {
                room -= 1;
            }
            used += size;
        }
    }

    fn take_block(&mut self, kind: u32, body: &[u8], block: &mut FrameBlock, tally: &mut CaptureTally) {
        if kind == SECTION {
            tally.sections += 1;
            self.begin_section(body);
            return;
        }
        if !self.known_version {
            tally.skipped.foreign_section += 1;
            return;
        }
        match kind {
            INTERFACE => self.add_interface(body, tally),
            ENHANCED_PACKET => self.enhanced_packet(body, block, tally),
            SIMPLE_PACKET => self.simple_packet(body, block, tally),
            OBSOLETE_PACKET => self.obsolete_packet(body, block, tally),
            _ => tally.blocks_passed_over += 1,
        }
    }

    /// Body: byte-order magic, version, section length, options. Interfaces are numbered anew.
    fn begin_section(&mut self, body: &[u8]) {
        let version = body.get(4..).and_then(<[u8]>::first_chunk).map(|&[a, b, c, d]| {
            let order = self.order();
            (order.half([a, b]), order.half([c, d]))
        });
        // 1.2 was written by some and is 1.0.
        self.known_version = matches!(version, Some((1, 0 | 2)));
        self.interfaces.clear();
        self.interfaces_beyond = 0;
        self.names_in_section.clear();
        self.common_divisor = None;
        self.common_channels.clear();
        self.last_time_us = 0;
    }

    /// Body: link type, reserved, snapshot length, options.
    fn add_interface(&mut self, body: &[u8], tally: &mut CaptureTally) {
        if self.interfaces.len() >= CHANNELS_MAX {
            self.interfaces_beyond += 1;
            self.common_divisor = None;
            return;
        }
        let order = self.order();
        let Some((&[a, b, _, _, c, d, e, f], options)) = body.split_first_chunk() else {
            // Interfaces are named by their number, so one that cannot be read still has one.
            self.keep_interface(Interface { kind: InterfaceKind::OtherLinkType, clock: Clock::DEFAULT, snap_bytes: 0 });
            tally.skipped.malformed += 1;
            return;
        };
        let link_type = order.half([a, b]);
        let snap_bytes = order.word([c, d, e, f]);
        let mut clock = Clock::DEFAULT;
        let mut name = None;
        for (code, value) in (Options { rest: options, order }) {
            match (code, value) {
                (IF_NAME, _) => name = Some(name_of(value)).filter(|name| !name.is_empty()),
                (IF_TSRESOL, &[resolution, ..]) => clock.resolution = resolution,
                (IF_TSOFFSET, value) => {
                    if let Some(&bytes) = value.first_chunk() {
                        clock.offset_seconds = order.long(bytes);
                    }
                }
                _ => {}
            }
        }
        let kind = match Link::of(link_type, self.little, self.options.swap_ids) {
            None => InterfaceKind::OtherLinkType,
            Some(link) => match self.channel(name, link_type) {
                Some(channel) => InterfaceKind::Can { link, channel },
                None => InterfaceKind::ChannelsBeyond,
            },
        };
        self.keep_interface(Interface { kind, clock, snap_bytes });
    }

    fn keep_interface(&mut self, interface: Interface) {
        let first = self.interfaces.is_empty();
        self.interfaces.push(interface);
        self.common_divisor = match interface.kind {
            InterfaceKind::Can { link, channel } if link.is_plain() => {
                let divisor = interface.clock.simple_divisor();
                self.common_channels.push(channel);
                if first || self.common_divisor == divisor { divisor } else { None }
            }
            _ => None,
        };
        // The table goes by interface number, so it is whole or not used at all.
        if self.common_channels.len() != self.interfaces.len() {
            self.common_divisor = None;
        }
    }

    /// The channel of an interface, the same one as in earlier sections; none if there is no room for another.
    fn channel(&mut self, name: Option<String>, link_type: u16) -> Option<u16> {
        let nth = match &name {
            None => self.interfaces.len(),
            Some(_) => {
                let count = self.names_in_section.entry(name.clone()).or_insert(0);
                *count += 1;
                *count - 1
            }
        };
        let key = (name, nth);
        if let Some(&channel) = self.channel_of.get(&key) {
            return Some(channel);
        }
        if self.channels.len() >= CHANNELS_MAX {
            return None;
        }
        let channel = u16::try_from(self.channels.len()).ok()?;
        self.channels.push(Channel { name: key.0.clone(), link_type });
        self.channel_of.insert(key, channel);
        Some(channel)
    }

    /// Body: interface, time (heavier word first), captured length, original length, data, options.
    fn enhanced_packet(&mut self, body: &[u8], block: &mut FrameBlock, tally: &mut CaptureTally) {
        let Some((head, data)) = body.split_first_chunk::<20>() else {
            tally.skipped.malformed += 1;
            return;
        };
        let order = self.order();
        let &[a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p, q, r, s, t] = head;
        let interface = order.word([a, b, c, d]);
        let units = u64::from(order.word([e, f, g, h])) << 32 | u64::from(order.word([i, j, k, l]));
        let (captured, original_bytes) = (order.word([m, n, o, p]), order.word([q, r, s, t]));
        self.packet(interface, Some(units), data.get(..captured as usize), original_bytes, block, tally);
    }

    /// Body: interface (16 bits), drops (16 bits), then as an enhanced packet.
    fn obsolete_packet(&mut self, body: &[u8], block: &mut FrameBlock, tally: &mut CaptureTally) {
        let Some((head, data)) = body.split_first_chunk::<20>() else {
            tally.skipped.malformed += 1;
            return;
        };
        let order = self.order();
        let &[a, b, _, _, e, f, g, h, i, j, k, l, m, n, o, p, q, r, s, t] = head;
        let interface = u32::from(order.half([a, b]));
        let units = u64::from(order.word([e, f, g, h])) << 32 | u64::from(order.word([i, j, k, l]));
        let (captured, original_bytes) = (order.word([m, n, o, p]), order.word([q, r, s, t]));
        self.packet(interface, Some(units), data.get(..captured as usize), original_bytes, block, tally);
    }

    /// Body: original length, data. The interface is the section's first, and so much of the data was captured as its
    /// snapshot length allows.
    fn simple_packet(&mut self, body: &[u8], block: &mut FrameBlock, tally: &mut CaptureTally) {
        let Some((&original, data)) = body.split_first_chunk::<4>() else {
            tally.skipped.malformed += 1;
            return;
        };
        let original_bytes = self.order().word(original);
        let snap_bytes = match self.interfaces.first() {
            Some(interface) if interface.snap_bytes > 0 => interface.snap_bytes,
            _ => u32::MAX,
        };
        let captured = original_bytes.min(snap_bytes) as usize;
        self.packet(0, None, data.get(..captured), original_bytes, block, tally);
    }

    fn packet(
        &mut self,
        interface: u32,
        units: Option<u64>,
        data: Option<&[u8]>,
        original_bytes: u32,
        block: &mut FrameBlock,
        tally: &mut CaptureTally,
    ) {
        let Some(&Interface { kind, clock, .. }) = self.interfaces.get(interface as usize) else {
            let described = u64::from(interface) < self.interfaces.len() as u64 + self.interfaces_beyond;
            let count =
                if described { &mut tally.skipped.channels_beyond } else { &mut tally.skipped.unknown_interface };
            *count += 1;
            return;
        };
        let (link, channel) = match kind {
            InterfaceKind::Can { link, channel } => (link, channel),
            InterfaceKind::OtherLinkType => {
                tally.skipped.other_link_type += 1;
                return;
            }
            InterfaceKind::ChannelsBeyond => {
                tally.skipped.channels_beyond += 1;
                return;
            }
        };
        let Some(bytes) = data else {
            tally.skipped.malformed += 1;
            return;
        };
        let (time_us, moved) = units.map_or((self.last_time_us, false), |units| clock.time_us(units));
        let before = tally.frames;
        can_record::push(Packet { time_us, channel, link, original_bytes, bytes }, block, tally);
        if tally.frames > before {
            self.last_time_us = time_us;
            tally.odd.time_range += u64::from(moved);
            tally.odd.without_time += u64::from(units.is_none());
        }
    }

    /// Checks the head of the whole file, so that what is no pcapng, or none that can be read, is refused at once.
    pub(super) fn check_head(bytes: &[u8]) -> FileHead {
        let (order, body) = match whole_block(bytes, Order { little: true }) {
            Whole::Block { order, body, .. } => (order, body),
            Whole::Need(count) => return FileHead::Need(count),
            Whole::Corrupt(cause) => return FileHead::Corrupt(cause),
        };
        match body {
            &[_, _, _, _, a, b, c, d, ..] => match (order.half([a, b]), order.half([c, d])) {
                (1, 0 | 2) => FileHead::Fine,
                (major, minor) => FileHead::Version { major, minor },
            },
            _ => FileHead::Corrupt(DamageCause::BlockLength { claimed_bytes: BLOCK_BYTES_MIN }),
        }
    }

    /// Whether a file that ends inside this block ends in an ordinary, cut block, rather than in a damaged length.
    pub(super) fn is_ordinary_cut(&self, bytes: &[u8]) -> bool {
        let order = self.order();
        match block_head(bytes, order) {
            Head::Block { kind: ENHANCED_PACKET, size_bytes, .. } => {
                size_bytes <= ORDINARY_BLOCK_BYTES_MAX && is_cut_packet(bytes, order, size_bytes)
            }
            Head::Block { size_bytes, .. } => size_bytes <= ORDINARY_BLOCK_BYTES_MAX,
            Head::Need(_) => true,
            Head::Corrupt(_) => false,
        }
    }

    /// The length that the block here claims.
    pub(super) fn claimed_bytes(&self, bytes: &[u8]) -> u32 {
        match block_head(bytes, self.order()) {
            Head::Block { size_bytes, .. } => size_bytes,
            Head::Need(_) | Head::Corrupt(_) => 0,
        }
    }

    /// Looks for a block behind a damaged place: one of a known type whose two lengths agree and whose content fits.
    pub(super) fn search(&self, bytes: &[u8], at_end: bool) -> Search {
        let mut at = 0;
        while let Some(rest) = bytes.get(at..) {
            if rest.len() < BLOCK_BYTES_MIN as usize {
                break;
            }
            match self.is_believable(rest) {
                Some(true) => return Search::Found { used: at },
                Some(false) => at += 1,
                None if at_end => at += 1,
                None => return Search::Need { used: at },
            }
        }
        if at_end { Search::Nothing } else { Search::Need { used: at.min(bytes.len()) } }
    }

    /// Whether a whole block stands here, beyond reasonable doubt; none if more bytes are needed to tell.
    fn is_believable(&self, bytes: &[u8]) -> Option<bool> {
        let (kind, size_bytes) = match block_head(bytes, self.order()) {
            Head::Block { kind, size_bytes, .. } => (kind, size_bytes),
            Head::Need(_) => return None,
            Head::Corrupt(_) => return Some(false),
        };
        let known = matches!(
            kind,
            SECTION
                | INTERFACE
                | OBSOLETE_PACKET
                | SIMPLE_PACKET
                | NAME_RESOLUTION
                | INTERFACE_STATISTICS
                | ENHANCED_PACKET
                | CUSTOM
                | CUSTOM_NOT_COPIED
        );
        if !known || size_bytes > SEARCH_BLOCK_BYTES_MAX {
            return Some(false);
        }
        match whole_block(bytes, self.order()) {
            Whole::Block { order, body, .. } if kind == ENHANCED_PACKET => {
                let Some((&[a, b, c, d, _, _, _, _, _, _, _, _, m, n, o, p, ..], behind)) =
                    body.split_first_chunk::<20>()
                else {
                    return Some(false);
                };
                let interface = order.word([a, b, c, d]) as usize;
                let captured = order.word([m, n, o, p]) as usize;
                Some(interface < self.interfaces.len() && captured <= behind.len())
            }
            Whole::Block { .. } => Some(true),
            Whole::Need(_) => None,
            Whole::Corrupt(_) => Some(false),
        }
    }
}

/// What the head of a file says.
pub(super) enum FileHead {
    Fine,
    Need(usize),
    Version { major: u16, minor: u16 },
    Corrupt(DamageCause),
}

/// Byte order of a section.
#[derive(Debug, Clone, Copy)]
struct Order {
    little: bool,
}

impl Order {
    fn half(self, bytes: [u8; 2]) -> u16 {
        if self.little { u16::from_le_bytes(bytes) } else { u16::from_be_bytes(bytes) }
    }

    fn word(self, bytes: [u8; 4]) -> u32 {
        if self.little { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) }
    }

    fn long(self, bytes: [u8; 8]) -> i64 {
        if self.little { i64::from_le_bytes(bytes) } else { i64::from_be_bytes(bytes) }
    }
}

/// A block's front.
enum Head {
    Block { kind: u32, order: Order, size_bytes: u32 },
    Need(usize),
    Corrupt(DamageCause),
}

fn block_head(bytes: &[u8], order: Order) -> Head {
    let Some((&[a, b, c, d, e, f, g, h, i, j, k, l], _)) = bytes.split_first_chunk() else {
        return Head::Need(BLOCK_BYTES_MIN as usize);
    };
    let kind = order.word([a, b, c, d]);
    // A section's type reads the same both ways; its byte order stands behind its length.
    let order = match (kind, u32::from_le_bytes([i, j, k, l])) {
        (SECTION, BYTE_ORDER_MAGIC) => Order { little: true },
        (SECTION, magic) if magic.swap_bytes() == BYTE_ORDER_MAGIC => Order { little: false },
        (SECTION, _) => return Head::Corrupt(DamageCause::ByteOrder),
        _ => order,
    };
    let size_bytes = order.word([e, f, g, h]);
    if !(BLOCK_BYTES_MIN..=BLOCK_BYTES_MAX).contains(&size_bytes) || size_bytes % 4 != 0 {
        return Head::Corrupt(DamageCause::BlockLength { claimed_bytes: size_bytes });
    }
    Head::Block { kind, order, size_bytes }
}

/// Whether what there is of an enhanced packet goes with the block's length: data and options fill it exactly.
fn is_cut_packet(bytes: &[u8], order: Order, size_bytes: u32) -> bool {
    const FRONT_BYTES: u32 = 28;
    const BACK_BYTES: u32 = 4;
    let Some(&[.., m, n, o, p, _, _, _, _]) = bytes.first_chunk::<{ FRONT_BYTES as usize }>() else { return true };
    let data_bytes = order.word([m, n, o, p]).checked_next_multiple_of(4);
    let Some(before_options) = data_bytes.and_then(|bytes| bytes.checked_add(FRONT_BYTES)) else { return false };
    let Some(mut left) = size_bytes.checked_sub(BACK_BYTES).and_then(|bytes| bytes.checked_sub(before_options)) else {
        return false;
    };
    let mut rest = bytes.get(before_options as usize..).unwrap_or_default();
    while left > 0 {
        let Some((&[a, b, c, d], _)) = rest.split_first_chunk() else { return true };
        let option_bytes = 4 + u32::from(order.half([c, d])).next_multiple_of(4);
        if order.half([a, b]) == OPTION_END {
            return left == option_bytes;
        }
        let Some(left_behind) = left.checked_sub(option_bytes) else { return false };
        left = left_behind;
        rest = rest.get(option_bytes as usize..).unwrap_or_default();
    }
    true
}

/// A block with both its lengths.
enum Whole<'a> {
    Block { kind: u32, order: Order, body: &'a [u8], size: usize },
    Need(usize),
    Corrupt(DamageCause),
}

fn whole_block(bytes: &[u8], order: Order) -> Whole<'_> {
    let (kind, order, size_bytes) = match block_head(bytes, order) {
        Head::Block { kind, order, size_bytes } => (kind, order, size_bytes),
        Head::Need(count) => return Whole::Need(count),
        Head::Corrupt(cause) => return Whole::Corrupt(cause),
    };
    let size = size_bytes as usize;
    let Some((body, &back)) = bytes.get(8..size).and_then(<[u8]>::split_last_chunk) else { return Whole::Need(size) };
    let back_bytes = order.word(back);
    if back_bytes != size_bytes {
        return Whole::Corrupt(DamageCause::BlockEnd { front_bytes: size_bytes, back_bytes });
    }
    Whole::Block { kind, order, body, size }
}

/// A block's options: number and value. Ends at the end mark, at the end of the block, or where one does not fit.
struct Options<'a> {
    rest: &'a [u8],
    order: Order,
}

impl<'a> Iterator for Options<'a> {
    type Item = (u16, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let (&[a, b, c, d], rest) = self.rest.split_first_chunk()?;
        let code = self.order.half([a, b]);
        let length = usize::from(self.order.half([c, d]));
        if code == OPTION_END {
            return None;
        }
        let value = rest.get(..length)?;
        self.rest = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        Some((code, value))
    }
}

/// A name as text: without the zero that some writers end it with, at most [`NAME_BYTES_MAX`] bytes of it.
fn name_of(value: &[u8]) -> String {
    let end = value.iter().position(|&byte| byte == 0).unwrap_or(value.len());
    let mut name = String::from_utf8_lossy(value.get(..end).unwrap_or_default()).into_owned();
    name.truncate(name.floor_char_boundary(NAME_BYTES_MAX));
    name
}

/// Four bytes of a block as a word.
#[inline(always)]
fn word<const LITTLE: bool, const AT: usize>(block: &[u8; COMMON_BLOCK_BYTES]) -> u32 {
    let bytes = [block[AT], block[AT + 1], block[AT + 2], block[AT + 3]];
    if LITTLE { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) }
}

/// Appends the leading run of common blocks, at most `room` or [`RUN_BLOCKS_MAX`]: enhanced packets without options,
/// each with an ordinary classical data frame in 13 to 16 bytes. Gives their number and the last one's time, or none
/// if the first is not one. `channels` is the channel of each interface, all of them plain CAN.
///
/// `DIVISOR` is the number of the section's time units in a microsecond.
#[inline]
fn take_common<const LITTLE: bool, const DIVISOR: u64>(
    bytes: &[u8],
    room: usize,
    channels: &[u16],
    block: &mut FrameBlock,
) -> Option<(usize, TimeUs)> {
    let (blocks, _) = bytes.as_chunks::<COMMON_BLOCK_BYTES>();
    let blocks = blocks.get(..blocks.len().min(room).min(RUN_BLOCKS_MAX)).unwrap_or_default();
    let count = blocks
        .iter()
        .take_while(|block| {
            (word::<LITTLE, 0>(block) == ENHANCED_PACKET)
                & (word::<LITTLE, 4>(block) == COMMON_BLOCK_BYTES as u32)
                & (word::<LITTLE, 44>(block) == COMMON_BLOCK_BYTES as u32)
                & ((word::<LITTLE, 8>(block) as usize) < channels.len())
                // Lighter half of the 64-bit range: no microsecond beyond it.
                & (word::<LITTLE, 12>(block) < 0x8000_0000)
                // 13 to 16 bytes, filled up to 16; all that the record's length byte promises.
                & (word::<LITTLE, 20>(block).wrapping_sub(13) < 4)
                & (word::<LITTLE, 20>(block) == word::<LITTLE, 24>(block))
                & (word::<LITTLE, 20>(block) >= word::<true, 32>(block).wrapping_add(8))
                & is_common(word::<false, 28>(block), word::<true, 32>(block))
        })
        .count();
    let blocks = blocks.get(..count).unwrap_or_default();
    let last = blocks.last()?;

    let time_us = |block: &[u8; COMMON_BLOCK_BYTES]| {
        let units = u64::from(word::<LITTLE, 12>(block)) << 32 | u64::from(word::<LITTLE, 16>(block));
        // Below 2^63, as checked above.
        (units / DIVISOR) as i64
    };
    block.time_us.extend(blocks.iter().map(time_us));
    block.id.extend(blocks.iter().map(|block| CanId(word::<false, 28>(block))));
    block.meta.extend(blocks.iter().map(|block| {
        // The interface was found to be in the table above.
        let channel = channels.get(word::<LITTLE, 8>(block) as usize).copied().unwrap_or_default();
        Meta::data(channel, block[32])
    }));
    block.data.extend(blocks.iter().map(|block| {
        let data = u64::from(word::<true, 36>(block)) | u64::from(word::<true, 40>(block)) << 32;
        common_word(word::<true, 32>(block), data)
    }));
    Some((count, time_us(last)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resolutions_finer_than_a_microsecond_round_down() {
        let clock = |resolution, offset_seconds| Clock { resolution, offset_seconds };
        assert_eq!(clock(9, 0).time_us(1999), (1, false));
        assert_eq!(clock(9, -1).time_us(1), (-1_000_000, false));
        assert_eq!(clock(7, -1).time_us(9), (-1_000_000, false));
        assert_eq!(clock(0x8A, 0).time_us(1023), (999_023, false));
        assert_eq!(clock(0, 0).time_us(3), (3_000_000, false));
    }

    #[test]
    fn no_resolution_and_offset_overflow() {
        for resolution in 0..=u8::MAX {
            for offset_seconds in [i64::MIN, -1, 0, 1, i64::MAX] {
                for units in [0, 1, u64::MAX] {
                    Clock { resolution, offset_seconds }.time_us(units);
                }
            }
        }
        assert_eq!(Clock::DEFAULT.time_us(u64::MAX), (i64::MAX, true));
        assert_eq!(Clock { resolution: 6, offset_seconds: i64::MIN }.time_us(0), (i64::MIN, true));
    }

    #[test]
    fn options_end_at_the_mark_or_where_one_does_not_fit() {
        let order = Order { little: true };
        let all = |rest| (Options { rest, order }).map(|(code, value)| (code, value.len())).collect::<Vec<_>>();
        assert_eq!(all(&[2, 0, 1, 0, b'a', 0, 0, 0, 9, 0, 1, 0, 6]), [(2, 1), (9, 1)]);
        assert_eq!(all(&[0, 0, 0, 0, 2, 0, 0, 0]), []);
        assert_eq!(all(&[2, 0, 200, 0, b'a']), []);
        assert_eq!(all(&[2, 0, 1]), []);
    }

    #[test]
    fn interfaces_without_number_take_no_memory() {
        let mut pcapng = Pcapng::new(ReadOptions::default());
        let mut tally = CaptureTally::default();
        for number in 0..CHANNELS_MAX + 100 {
            let name = number.to_le_bytes();
            let body =
                [&[227, 0, 0, 0, 0, 0, 0, 0][..], &[2, 0, 4, 0], &[b'a' + name[0] % 26, b'c', b'd', b'e']].concat();
            pcapng.add_interface(&body, &mut tally);
        }
        assert_eq!((pcapng.interfaces.len(), pcapng.interfaces_beyond), (CHANNELS_MAX, 100));
        assert_eq!((pcapng.channels.len(), pcapng.names_in_section.len()), (CHANNELS_MAX, 26));
        let mut block = FrameBlock::default();
        pcapng.packet(CHANNELS_MAX as u32 + 99, Some(0), None, 0, &mut block, &mut tally);
        pcapng.packet(CHANNELS_MAX as u32 + 100, Some(0), None, 0, &mut block, &mut tally);
        assert_eq!((tally.skipped.channels_beyond, tally.skipped.unknown_interface), (1, 1));
    }
}
