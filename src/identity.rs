//! Whose bus it is, told by the bus itself: a signal that is the fleet number, or the J1939 VIN.
//!
//! Pure. A yard lead is plugged into one vehicle after another, so the answer can change within a capture.

use std::collections::HashMap;

use crate::defs::payload::Reading;
use crate::defs::{Definitions, SignalRef};
use crate::frame::{CanId, DATA_BYTES_MAX};
use crate::j1939;

/// Fleet numbers by vehicle identification number.
pub type VinTable = HashMap<String, String>;

/// Parameter group of the vehicle identification (SAE J1939-71).
const VEHICLE_IDENTIFICATION: u32 = 65_260;
/// Connection management and data transfer of SAE J1939-21's transport protocol.
const TRANSPORT_MANAGEMENT: u32 = 0xEC00;
const TRANSPORT_DATA: u32 = 0xEB00;
/// Announcements: to everybody, or to one that asked.
const BROADCAST: u8 = 0x20;
const REQUEST_TO_SEND: u8 = 0x10;
/// Longest VIN message that is followed.
const VIN_BYTES_MAX: usize = 255;

/// Listens for a vehicle's own number.
#[derive(Debug)]
pub struct Listener {
    number: Option<SignalRef>,
    vins: VinTable,
    /// VIN under way, by source address.
    under_way: HashMap<u8, Transfer>,
}

#[derive(Debug)]
struct Transfer {
    size_bytes: usize,
    next: u8,
    data: Vec<u8>,
}

impl Listener {
    /// A listener for the set's fleet number signal and the VINs of the table.
    pub fn new(defs: &Definitions, vins: VinTable) -> Self {
        let number = defs.messages.iter().enumerate().find_map(|(message, m)| {
            Some(SignalRef { message, signal: m.signals.iter().position(|signal| signal.fleet_number)? })
        });
        Self { number, vins, under_way: HashMap::new() }
    }

    /// Whether it can ever hear anything.
    pub fn is_deaf(&self) -> bool {
        self.number.is_none() && self.vins.is_empty()
    }

    /// The message that tells the fleet number.
    pub fn message(&self) -> Option<usize> {
        self.number.map(|place| place.message)
    }

    /// The fleet number in a frame of [`Self::message`].
    pub fn number(&self, defs: &Definitions, data: &[u8; DATA_BYTES_MAX], length: usize) -> Option<String> {
        let place = self.number?;
        let message = &defs.messages[place.message];
        match message.read(place.signal, data, length) {
            Reading::Value { raw, physical, plausible: true } => {
                Some(defs.at(place).label(raw).map_or_else(|| physical.to_string(), str::to_owned))
            }
            _ => None,
        }
    }

    /// The fleet number that a frame no message knows completes, by its VIN.
    pub fn vin(&mut self, id: CanId, bytes: &[u8]) -> Option<String> {
        if self.vins.is_empty() || !id.is_extended() {
            return None;
        }
        let fields = j1939::fields(id);
        match (fields.pgn, bytes) {
            (TRANSPORT_MANAGEMENT, [BROADCAST | REQUEST_TO_SEND, low, high, _, _, pgn @ ..]) => {
                let pgn = pgn.iter().rev().fold(0_u32, |sum, byte| sum << 8 | u32::from(*byte));
                let size_bytes = usize::from(u16::from_le_bytes([*low, *high]));
                self.under_way.remove(&fields.source);
                if pgn == VEHICLE_IDENTIFICATION && size_bytes <= VIN_BYTES_MAX {
                    self.under_way.insert(fields.source, Transfer { size_bytes, next: 1, data: Vec::new() });
                }
                None
            }
            (TRANSPORT_DATA, [sequence, data @ ..]) => {
                let transfer = self.under_way.get_mut(&fields.source)?;
                if *sequence != transfer.next {
                    self.under_way.remove(&fields.source);
                    return None;
                }
                transfer.next = transfer.next.wrapping_add(1);
                transfer.data.extend_from_slice(data);
                if transfer.data.len() < transfer.size_bytes {
                    return None;
                }
                let mut whole = self.under_way.remove(&fields.source)?;
                whole.data.truncate(whole.size_bytes);
                self.known(&whole.data)
            }
            (VEHICLE_IDENTIFICATION, data) => self.known(data),
            _ => None,
        }
    }

    /// VINs end with `*` (SAE J1939-71).
    fn known(&self, data: &[u8]) -> Option<String> {
        let text = data.split(|byte| *byte == b'*').next()?;
        self.vins.get(std::str::from_utf8(text).ok()?.trim()).cloned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::defs::SourceText;

    fn defs() -> Definitions {
        let text = "format = 1\n[bus.b]\nprotocol = \"j1939\"\nbitrate = 250_000\n[[message]]\nname = \"fleet\"\nbus = \"b\"\nid = 0x7A0\n[[message.signal]]\nname = \"number\"\nlsb = \"1.1\"\nbits = 16\nunavailable = [0xFFFF]\nfleet_number = true\n[[message.example]]\ndata = \"CC 00 00 00 00 00 00 00\"\nexpect = { number = 204 }\n";
        let source = SourceText { name: "set.toml".into(), text: text.into() };
        Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"))
    }

    #[test]
    fn a_fleet_number_is_taken_only_where_it_is_one() {
        let (defs, listener) = (defs(), Listener::new(&defs(), VinTable::new()));
        let mut data = [0; 64];
        data[0] = 0xCC;
        assert_eq!(listener.number(&defs, &data, 8), Some("204".into()));
        assert_eq!(listener.number(&defs, &[0xFF; 64], 8), None);
        assert_eq!(listener.number(&defs, &data, 1), None);
    }

    /// Frame layout: SAE J1939-21 as in the Linux kernel's `net/can/j1939/transport.c`; the announcement is a worked
    /// example of 18 bytes in 3 packets for group 0xFEEC.
    #[test]
    fn a_vin_sent_to_everybody_names_the_vehicle() {
        let vins = VinTable::from([("11111111111111111".to_owned(), "317".to_owned())]);
        let mut listener = Listener::new(&defs(), vins);
        let (management, data) = (CanId::extended(0x1CECFF00), CanId::extended(0x1CEBFF00));
        let mut send = |packets: &[&[u8]]| packets.iter().map(|p| listener.vin(data, p)).last().flatten();
        assert_eq!(send(&[b"\x011111111"]), None, "data without an announcement");
        listener.vin(management, &[0x20, 0x12, 0, 3, 0xFF, 0xEC, 0xFE, 0]);
        let mut send = |packets: &[&[u8]]| packets.iter().map(|p| listener.vin(data, p)).last().flatten();
        assert_eq!(send(&[b"\x011111111", b"\x021111111", b"\x03111*\xFF\xFF\xFF"]), Some("317".into()));
        listener.vin(management, &[0x20, 0x12, 0, 3, 0xFF, 0xEC, 0xFE, 0]);
        let mut send = |packets: &[&[u8]]| packets.iter().map(|p| listener.vin(data, p)).last().flatten();
        assert_eq!(send(&[b"\x011111111", b"\x03111*\xFF\xFF\xFF"]), None, "a packet is missing");
    }
}
