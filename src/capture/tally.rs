//! What a capture held besides the frames handed out: counted, never silently dropped.

use std::fmt;

/// Damages kept one by one; further ones are only counted, so that a ruined file cannot fill the memory.
pub const DAMAGES_KEPT_MAX: usize = 16;

/// What was found in a capture so far.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CaptureTally {
    /// Frames handed out.
    pub frames: u64,
    /// pcapng sections, or pcap file headers, seen.
    pub sections: u64,
    /// pcapng blocks that hold no packets (name resolution, statistics, custom, unknown), passed over.
    pub blocks_passed_over: u64,
    /// Packets that gave no frame.
    pub skipped: Skipped,
    /// Frames handed out although something about them was odd.
    pub odd: Odd,
    /// Places that could not be read, in file order, the first [`DAMAGES_KEPT_MAX`] of them.
    pub damages: Vec<Damage>,
    /// Number of such places.
    pub damage_count: u64,
    /// Bytes of the unpacked capture that were lost to damage or to a cut.
    pub lost_bytes: u64,
    /// First trouble with gzip or zstd packing.
    pub packed_trouble: Option<PackedTrouble>,
    /// How the capture ended.
    pub ending: Ending,
}

/// Packets that gave no frame, by reason.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Skipped {
    /// CAN XL frames.
    pub can_xl: u64,
    /// Packets of pcapng interfaces with a link type other than CAN.
    pub other_link_type: u64,
    /// Cooked packets of a device that is no CAN device.
    pub not_can: u64,
    /// Records that contradict themselves: shorter than their header, or longer than any frame.
    pub malformed: u64,
    /// Frames whose data bytes were not all captured (snapshot length too small).
    pub snapped: u64,
    /// Packets of a pcapng interface that was never described.
    pub unknown_interface: u64,
    /// Packets of interfaces beyond [`CHANNELS_MAX`](super::CHANNELS_MAX).
    pub channels_beyond: u64,
    /// Blocks of pcapng sections whose version cannot be read.
    pub foreign_section: u64,
}

impl Skipped {
    /// Packets that gave no frame, for whatever reason.
    pub fn total(&self) -> u64 {
        self.can_xl
            + self.other_link_type
            + self.not_can
            + self.malformed
            + self.snapped
            + self.unknown_interface
            + self.channels_beyond
    }
}

/// Frames handed out although something about them was odd, by reason.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Odd {
    /// The fraction of a second was a second or more; it was added all the same.
    pub time_fraction: u64,
    /// The time does not fit 64 bits of microseconds; the nearest that does was taken.
    pub time_range: u64,
    /// pcapng simple packets, which have no time: they took the time of the frame before.
    pub without_time: u64,
    /// Flag bits that are not defined, or not for this kind of frame.
    pub flags: u64,
    /// Identifier above 0x7FF without the mark of 29 bits, or a class of error that nobody defined. In a whole file of them the writer had the byte order wrong.
    pub id: u64,
    /// Lengths that do not go with the kind of frame.
    pub length: u64,
}

/// How a capture ended.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum Ending {
    /// It has not ended yet.
    #[default]
    Open,
    /// Behind a whole record.
    Complete,
    /// Inside a record: recording or copying stopped there.
    CutOff(CutOff),
    /// Behind a place that could not be read, and nothing readable came after it.
    Damaged(Damage),
}

/// Where a capture breaks off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CutOff {
    /// First byte of the unfinished record, in the unpacked capture.
    pub offset_bytes: u64,
    /// Bytes of the unfinished record that were there.
    pub lost_bytes: u64,
}

/// A place that could not be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Damage {
    /// First byte that could not be read, in the unpacked capture.
    pub offset_bytes: u64,
    /// Bytes passed over until reading went on, or until the end.
    pub lost_bytes: u64,
    /// What was wrong there.
    pub cause: DamageCause,
}

/// What is wrong at a damaged place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DamageCause {
    /// A pcapng block with an impossible length.
    BlockLength {
        /// The length it claims, in bytes.
        claimed_bytes: u32,
    },
    /// A pcapng block whose two lengths differ.
    BlockEnd {
        /// Length at its front, in bytes.
        front_bytes: u32,
        /// Length at its back, in bytes.
        back_bytes: u32,
    },
    /// A pcapng section without a byte-order magic.
    ByteOrder,
    /// A pcap record with an impossible length.
    RecordLength {
        /// The length it claims, in bytes.
        claimed_bytes: u32,
    },
    /// The packing broke; see [`CaptureTally::packed_trouble`].
    Packing,
}

/// What is wrong with the gzip or zstd packing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PackedTrouble {
    /// The file ends inside a packed stream.
    CutOff {
        /// Length of the file as stored.
        offset_bytes: u64,
    },
    /// The packed stream cannot be decoded further.
    Corrupt {
        /// Place in the file as stored, at or shortly behind the damage.
        offset_bytes: u64,
        /// What the decoder said.
        reason: String,
    },
    /// The packed stream was decoded, but its checksum or length does not agree.
    Checksum {
        /// Place in the file as stored, just behind the checksum.
        offset_bytes: u64,
    },
}

impl CaptureTally {
    pub(super) fn damage(&mut self, damage: Damage) {
        if self.damages.len() < DAMAGES_KEPT_MAX {
            self.damages.push(damage);
        }
        self.damage_count += 1;
        self.lost_bytes = self.lost_bytes.saturating_add(damage.lost_bytes);
    }

    /// Whether frames may be missing: cut off, damaged, or packets not captured whole.
    pub fn is_incomplete(&self) -> bool {
        !matches!(self.ending, Ending::Open | Ending::Complete)
            || self.damage_count > 0
            || self.packed_trouble.is_some()
            || self.skipped.malformed + self.skipped.snapped + self.skipped.unknown_interface > 0
    }

    /// One sentence for each thing worth saying, with number, place and remedy; empty for a flawless capture.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        if let Some(trouble) = &self.packed_trouble {
            remarks.push(format!("{trouble}; everything before it was read, copy the file again for the rest"));
        }
        for damage in &self.damages {
            let went_on = match &self.ending {
                Ending::Damaged(last) if last == damage => "nothing readable follows",
                _ => "reading went on behind it",
            };
            remarks.push(format!("{damage}; {went_on}; copy the file again if another copy exists"));
        }
        let further = self.damage_count.saturating_sub(self.damages.len() as u64);
        if further > 0 {
            remarks.push(format!("{further} further damaged places"));
        }
        if let Ending::CutOff(cut) = &self.ending {
            remarks.push(format!("{cut}; everything before it was read, copy the file again for the rest"));
        }
        let skipped = &self.skipped;
        let odd = &self.odd;
        for (count, what) in [
            (skipped.can_xl, "CAN XL frames were passed over: only classical CAN and CAN FD are read"),
            (skipped.other_link_type, "packets of interfaces that are no CAN interfaces were passed over"),
            (skipped.not_can, "cooked packets of devices that are no CAN devices were passed over"),
            (skipped.malformed, "packets contradict themselves and were passed over"),
            (
                skipped.snapped,
                "frames were not captured whole and were passed over: record with a larger snapshot length",
            ),
            (skipped.unknown_interface, "packets name an interface that was never described and were passed over"),
            (skipped.channels_beyond, "packets of interfaces beyond the largest number of channels were passed over"),
            (skipped.foreign_section, "blocks of sections in an unknown pcapng version were passed over"),
            (odd.time_fraction, "frames have a fraction of a second of one second or more; it was added all the same"),
            (odd.time_range, "frames have a time beyond any 64-bit microsecond; the nearest one was taken"),
            (odd.without_time, "frames have no time of their own and took that of the frame before"),
            (odd.flags, "frames have flag bits that mean nothing for their kind"),
            (
                odd.id,
                "frames have an identifier above 0x7FF but are not marked as 29-bit, or an unknown class of error: the file may have been written \
                 with identifiers in the wrong byte order; if its identifiers look reversed, read it with swapped identifiers",
            ),
            (odd.length, "frames have a length that does not go with their kind"),
        ] {
            if count > 0 {
                remarks.push(format!("{count} {what}"));
            }
        }
        remarks
    }
}

impl fmt::Display for CutOff {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cut off inside the record at byte {}; its {} bytes are lost", self.offset_bytes, self.lost_bytes)
    }
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "damaged at byte {}: {}; {} bytes are lost", self.offset_bytes, self.cause, self.lost_bytes)
    }
}

impl fmt::Display for DamageCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BlockLength { claimed_bytes } => write!(f, "a block claims the impossible length {claimed_bytes}"),
            Self::BlockEnd { front_bytes, back_bytes } => {
                write!(f, "a block claims {front_bytes} bytes at its front and {back_bytes} at its back")
            }
            Self::ByteOrder => f.write_str("a section does not tell its byte order"),
            Self::RecordLength { claimed_bytes } => write!(f, "a record claims the impossible length {claimed_bytes}"),
            Self::Packing => f.write_str("it cannot be unpacked further"),
        }
    }
}

impl fmt::Display for PackedTrouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CutOff { offset_bytes } => {
                write!(f, "the packed file is cut off at byte {offset_bytes}, inside a packed stream")
            }
            Self::Corrupt { offset_bytes, reason } => {
                write!(f, "the packed file is damaged at or shortly before byte {offset_bytes}: {reason}")
            }
            Self::Checksum { offset_bytes } => {
                write!(
                    f,
                    "the checksum that ends at byte {offset_bytes} of the packed file does not agree with its data"
                )
            }
        }
    }
}
