//! What a capture holds, identifier by identifier: its frames in order in, a [`Report`] out.
//!
//! Pure, in bounded room: identifiers beyond [`IDENTIFIERS_MAX`] are counted together. Meant for whoever adds a signal
//! definition: which identifiers nobody has defined yet, how often they come, and which of their bits ever change.

mod period;
mod text;

use std::collections::HashMap;

use serde::{Serialize, Serializer};

use crate::defs::payload::Reading;
use crate::defs::{Definitions, Protocol, Special};
use crate::frame::{CanId, DATA_BYTES_MAX, Kind, Meta, TimeUs};
use crate::j1939;
use crate::wire::Payload;
use period::Intervals;

/// Identifiers told apart, over all channels: thirty times what the busiest vehicle has, at a few hundred bytes each.
pub const IDENTIFIERS_MAX: usize = 1 << 16;

/// A frame of the capture.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// When it was received.
    pub time_us: TimeUs,
    /// Index of the bus its channel is on, if that is known.
    pub bus: Option<usize>,
    /// Index of its message; none: no definition knows it, or it is a remote or error frame.
    pub message: Option<usize>,
    /// Its identifier.
    pub id: CanId,
    /// Channel, kind and length.
    pub meta: Meta,
    /// Its data.
    pub payload: Payload<'a>,
}

/// Counts the frames of a capture.
#[derive(Debug)]
pub struct Census<'a> {
    defs: &'a Definitions,
    places: HashMap<(u16, u32), usize>,
    found: Vec<Found>,
    /// By message, then signal.
    signals: Vec<Vec<SignalFound>>,
    frames: u64,
    further_frames: u64,
    first_us: TimeUs,
    last_us: TimeUs,
}

/// One identifier on one channel.
#[derive(Debug)]
struct Found {
    channel: u16,
    id: CanId,
    kind: Kind,
    fd: bool,
    bus: Option<usize>,
    message: Option<usize>,
    frames: u64,
    /// Bit n: frames of n bytes came.
    lengths: u128,
    intervals: Intervals,
    /// Data of the first frame; bytes that only later frames had, as they first came.
    first: Vec<u8>,
    /// Bits that were ever different from that.
    changed: Vec<u8>,
}

#[derive(Debug, Clone, Copy)]
struct SignalFound {
    values: u64,
    implausible: u64,
    unavailable: u64,
    error: u64,
    reserved: u64,
    not_a_number: u64,
    lowest: f64,
    highest: f64,
}

/// What a capture holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Frames of every kind.
    pub frames: u64,
    /// Time from the earliest frame to the latest, µs.
    pub span_us: i64,
    /// One an identifier and channel: unknown ones first, then defined ones, then remote and error frames; each by
    /// channel and identifier.
    pub identifiers: Vec<Identifier>,
    /// One a signal of which frames came, by message and place in its definition.
    pub signals: Vec<SignalCounts>,
    /// Frames of identifiers beyond [`IDENTIFIERS_MAX`], which are not told apart.
    pub further_frames: u64,
}

/// Whether an identifier is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Standing {
    /// Data frames that no definition knows.
    Unknown,
    /// Frames of a message.
    Defined,
    /// Remote frames.
    Remote,
    /// Error frames; the identifier is their class.
    Error,
}

/// One identifier on one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Identifier {
    /// Whether it is known.
    pub standing: Standing,
    /// Interface index within the capture.
    pub channel: u16,
    /// The bus which that is, if it is known.
    pub bus: Option<String>,
    /// Hexadecimal: three digits of 11 bits, eight of 29.
    pub id: String,
    /// The message of its frames.
    pub message: Option<String>,
    /// What the identifier says on a J1939 bus.
    pub j1939: Option<J1939>,
    /// Whether any of its frames is CAN FD.
    pub fd: bool,
    /// How many frames came.
    pub frames: u64,
    /// Their numbers of data bytes, rising.
    pub lengths: Vec<u8>,
    /// How often they come; none of a single frame.
    pub period: Option<Period>,
    /// Data of the first frame; bytes that only later frames had, as they first came.
    #[serde(serialize_with = "hex")]
    pub first_data: Vec<u8>,
    /// Bits that ever were different from that, byte by byte.
    #[serde(serialize_with = "hex")]
    pub changed_bits: Vec<u8>,
    /// Those of them that no signal covers, on whatever page.
    #[serde(serialize_with = "hex")]
    pub changed_bits_without_signal: Vec<u8>,
}

/// What a J1939 identifier says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct J1939 {
    /// 0 the most urgent, to 7.
    pub priority: u32,
    /// Parameter group number.
    pub pgn: u32,
    /// Destination address; 255: everybody.
    pub destination: u8,
    /// Source address.
    pub source: u8,
    /// Name of the module with that address, if the definitions have one.
    pub module: Option<String>,
}

impl J1939 {
    /// Takes the identifier of a bus apart, if it has 29 bits and the bus speaks J1939.
    pub fn of(defs: &Definitions, bus: usize, id: CanId) -> Option<Self> {
        let speaks = defs.buses.get(bus).is_some_and(|bus| bus.protocol == Protocol::J1939);
        if !speaks || !id.is_extended() {
            return None;
        }
        let fields = j1939::fields(id);
        let module = defs.modules.iter().find(|module| module.bus == bus && module.source == fields.source);
        Some(Self {
            priority: fields.priority,
            pgn: fields.pgn,
            destination: fields.destination,
            source: fields.source,
            module: module.map(|module| module.name.clone()),
        })
    }
}

/// Intervals between the frames of one identifier, µs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Period {
    /// The median, or near it: of more than five intervals it is an estimate.
    pub typical_us: i64,
    /// The shortest.
    pub shortest_us: i64,
    /// The longest.
    pub longest_us: i64,
    /// What the definition expects.
    pub expected_us: Option<i64>,
}

/// What one signal said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignalCounts {
    /// `message.signal`.
    pub signal: String,
    /// UCUM code, or nothing.
    pub unit: String,
    /// Values, implausible ones among them.
    pub values: u64,
    /// Values outside of what the definition takes for plausible.
    pub implausible: u64,
    /// Patterns that mean 'not available'.
    pub unavailable: u64,
    /// Patterns that mean 'error'.
    pub error: u64,
    /// Patterns that the standard keeps for itself.
    pub reserved: u64,
    /// IEEE 754 patterns that are no number.
    pub not_a_number: u64,
    /// Lowest value, in the signal's unit.
    pub lowest: Option<f64>,
    /// Highest value, in the signal's unit.
    pub highest: Option<f64>,
}

impl SignalCounts {
    /// Patterns that gave no value, or one that is not to be believed.
    pub fn doubtful(&self) -> u64 {
        self.implausible + self.unavailable + self.error + self.reserved + self.not_a_number
    }
}

fn hex<S: Serializer>(bytes: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&hex_text(bytes))
}

/// Bytes as pairs of digits with blanks between.
pub(crate) fn hex_text(bytes: &[u8]) -> String {
    let pairs: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    pairs.join(" ")
}

impl<'a> Census<'a> {
    /// A census that knows messages by these definitions.
    pub fn new(defs: &'a Definitions) -> Self {
        Self {
            defs,
            places: HashMap::new(),
            found: Vec::new(),
            signals: vec![Vec::new(); defs.messages.len()],
            frames: 0,
            further_frames: 0,
            first_us: TimeUs::MAX,
            last_us: TimeUs::MIN,
        }
    }

    /// Counts the next frame.
    pub fn frame(&mut self, seen: &Seen<'_>) {
        self.frames += 1;
        self.first_us = self.first_us.min(seen.time_us);
        self.last_us = self.last_us.max(seen.time_us);
        let kind = seen.meta.kind();
        let mark = match kind {
            Kind::Data | Kind::Fd => 0,
            Kind::Remote => CanId::REMOTE,
            Kind::Error => CanId::ERROR,
        };
        let id = CanId(seen.id.0 & (CanId::EXTENDED | CanId::EXTENDED_BITS));
        let key = (seen.meta.channel, id.0 | mark);
        let data = seen.payload.bytes();
        let length = usize::from(seen.meta.len).min(DATA_BYTES_MAX);
        let message = seen.message.filter(|message| mark == 0 && *message < self.defs.messages.len());
        if let Some(message) = message {
            self.read(message, &data, length);
        }
        let place = match self.places.get(&key) {
            Some(place) => *place,
            None if self.found.len() == IDENTIFIERS_MAX => {
                self.further_frames += 1;
                return;
            }
            None => {
                self.places.insert(key, self.found.len());
                self.found.push(Found {
                    channel: seen.meta.channel,
                    id,
                    kind,
                    fd: false,
                    bus: seen.bus,
                    message,
                    frames: 0,
                    lengths: 0,
                    intervals: Intervals::default(),
                    first: Vec::new(),
                    changed: Vec::new(),
                });
                self.found.len() - 1
            }
        };
        let found = &mut self.found[place];
        found.frames += 1;
        found.fd |= kind == Kind::Fd;
        found.lengths |= 1 << length;
        found.intervals.frame(seen.time_us);
        if kind != Kind::Remote {
            found.compare(&data[..length]);
        }
    }

    /// Counts what the signals of a message say.
    fn read(&mut self, index: usize, data: &[u8; DATA_BYTES_MAX], length: usize) {
        let message = &self.defs.messages[index];
        let counts = &mut self.signals[index];
        counts.resize(message.signals.len(), SignalFound::NOTHING);
        for (signal, count) in counts.iter_mut().enumerate() {
            count.add(message.read(signal, data, length));
        }
    }

    /// What was found so far.
    pub fn report(&self) -> Report {
        let mut identifiers: Vec<(CanId, Identifier)> =
            self.found.iter().map(|found| (found.id, found.told(self.defs))).collect();
        identifiers.sort_by_key(|(id, found)| (found.standing, found.channel, *id));
        let mut signals = Vec::new();
        for (message, counts) in self.defs.messages.iter().zip(&self.signals) {
            for (signal, count) in message.signals.iter().zip(counts) {
                signals.push(count.told(format!("{}.{}", message.name, signal.name), &signal.unit));
            }
        }
        Report {
            frames: self.frames,
            span_us: if self.frames == 0 { 0 } else { self.last_us.saturating_sub(self.first_us) },
            identifiers: identifiers.into_iter().map(|(_, identifier)| identifier).collect(),
            signals,
            further_frames: self.further_frames,
        }
    }
}

impl Found {
    /// Marks the bits in which a payload differs from the first.
    fn compare(&mut self, data: &[u8]) {
        for ((byte, first), changed) in data.iter().zip(&self.first).zip(&mut self.changed) {
            *changed |= byte ^ first;
        }
        if data.len() > self.first.len() {
            self.first.extend_from_slice(&data[self.first.len()..]);
            self.changed.resize(data.len(), 0);
        }
    }

    fn told(&self, defs: &Definitions) -> Identifier {
        let standing = match self.kind {
            Kind::Remote => Standing::Remote,
            Kind::Error => Standing::Error,
            Kind::Data | Kind::Fd if self.message.is_some() => Standing::Defined,
            Kind::Data | Kind::Fd => Standing::Unknown,
        };
        let message = self.message.map(|message| &defs.messages[message]);
        let mut without_signal = self.changed.clone();
        for signal in message.iter().flat_map(|message| &message.signals) {
            let mut covered = [0; DATA_BYTES_MAX];
            signal.field.write(&mut covered, u64::MAX);
            for (byte, covered) in without_signal.iter_mut().zip(covered) {
                *byte &= !covered;
            }
        }
        Identifier {
            standing,
            channel: self.channel,
            bus: self.bus.and_then(|bus| defs.buses.get(bus)).map(|bus| bus.name.clone()),
            id: self.id.to_string(),
            message: message.map(|message| message.name.clone()),
            j1939: self.bus.filter(|_| self.kind != Kind::Error).and_then(|bus| J1939::of(defs, bus, self.id)),
            fd: self.fd,
            frames: self.frames,
            lengths: (0..=DATA_BYTES_MAX as u8).filter(|length| self.lengths >> length & 1 == 1).collect(),
            period: self.intervals.period(message.and_then(|message| message.period_us)),
            first_data: self.first.clone(),
            changed_bits: self.changed.clone(),
            changed_bits_without_signal: without_signal,
        }
    }
}

impl SignalFound {
    const NOTHING: Self = Self {
        values: 0,
        implausible: 0,
        unavailable: 0,
        error: 0,
        reserved: 0,
        not_a_number: 0,
        lowest: f64::INFINITY,
        highest: f64::NEG_INFINITY,
    };

    fn add(&mut self, reading: Reading) {
        match reading {
            Reading::BeyondEnd | Reading::OtherPage => {}
            Reading::Special(Special::Unavailable) => self.unavailable += 1,
            Reading::Special(Special::Error) => self.error += 1,
            Reading::Special(Special::Reserved) => self.reserved += 1,
            Reading::NotANumber => self.not_a_number += 1,
            Reading::Value { physical, plausible, .. } => {
                self.values += 1;
                self.implausible += u64::from(!plausible);
                self.lowest = self.lowest.min(physical);
                self.highest = self.highest.max(physical);
            }
        }
    }

    fn told(&self, signal: String, unit: &str) -> SignalCounts {
        SignalCounts {
            signal,
            unit: unit.to_owned(),
            values: self.values,
            implausible: self.implausible,
            unavailable: self.unavailable,
            error: self.error,
            reserved: self.reserved,
            not_a_number: self.not_a_number,
            lowest: (self.values > 0).then_some(self.lowest),
            highest: (self.values > 0).then_some(self.highest),
        }
    }
}

#[cfg(test)]
mod tests;
