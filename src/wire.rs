//! True length of a frame on the wire: every stuff bit counted, from start of frame to the end of intermission.
//!
//! Pure. The identifier and the payload of a frame in, bit times out.
//!
//! **Classical frames** (ISO 11898-1, CAN 2.0). The sender computes a CRC of 15 bits over start of frame, header and
//! data, and inserts a bit after every five equal ones, from start of frame to the CRC's last bit; an inserted bit
//! counts as the first of the next five. So the length depends on the content, through the CRC as well. Behind follow,
//! never stuffed, CRC delimiter (1), acknowledgement (2), end of frame (7) and intermission (3). Field lengths as in
//! the Linux kernel's `include/linux/can/length.h`; generator polynomial as in Bosch, *CAN Specification 2.0* (1991).
//!
//! **CAN FD.** Bits are inserted after five equal ones in header and data only. The CRC field (stuff count of 4 bits,
//! CRC of 17 bits up to 16 data bytes and of 21 above, a fixed stuff bit before every four) has a length of its own
//! whatever it holds, so the CRC need not be computed. Field lengths again as in `length.h`. From memory of ISO
//! 11898-1:2015, whose text was not at hand: five equal bits at the very end of the data get no stuff bit, since
//! the fixed one that opens the CRC field breaks them; and with the bit rate switched, the faster phase begins at the
//! sample point of the bit BRS and ends at that of the CRC delimiter. Both bits are split; with the same sample point
//! in both rates, one whole bit of each rate comes out, so BRS is counted as slow here and the delimiter as fast.

use crate::frame::{CanId, DATA_BYTES_MAX, FLAG_BRS, FLAG_ESI, FrameBlock, Kind, Meta};

/// Bits behind the CRC sequence of a classical frame: CRC delimiter, acknowledgement, end of frame, intermission.
const CLASSICAL_TAIL_BITS: u32 = 1 + 2 + 7 + 3;
/// Bits behind the CRC delimiter of an FD frame: acknowledgement, end of frame, intermission.
const FD_TAIL_BITS: u32 = 2 + 7 + 3;
/// x¹⁵+x¹⁴+x¹⁰+x⁸+x⁷+x⁴+x³+1, without its heaviest term.
const CRC_15: u16 = 0x4599;
/// Bytes that hold the longest header and 8 data bytes: 39 + 64 bits.
const CRC_BYTES: usize = 13;

/// How long a frame occupies its bus, in bit times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct WireBits {
    /// At the bus's nominal bit rate.
    pub nominal: u32,
    /// At the bit rate of the CAN FD data phase; 0 unless the frame switched.
    pub data_phase: u32,
}

impl WireBits {
    /// All of them, whatever their rate.
    pub const fn total(self) -> u32 {
        self.nominal + self.data_phase
    }
}

/// The data of one frame, as [`FrameBlock`] keeps it.
#[derive(Debug, Clone, Copy)]
pub enum Payload<'a> {
    /// Up to 8 bytes: byte 1 lightest, zero behind the frame's length.
    Word(u64),
    /// More than 8 bytes, zero behind the frame's length.
    Long(&'a [u8; DATA_BYTES_MAX]),
}

impl<'a> Payload<'a> {
    /// The data of frame `index` of a block.
    #[inline]
    pub fn of_block(block: &'a FrameBlock, index: usize) -> Self {
        let word = block.data[index];
        if block.meta[index].len > 8 { Self::of_block_word(block, word) } else { Self::Word(word) }
    }

    /// The data of a frame longer than 8 bytes, whose place in the block's `long` is `word`.
    pub fn of_block_word(block: &'a FrameBlock, word: u64) -> Self {
        usize::try_from(word).ok().and_then(|at| block.long.get(at)).map_or(Self::Word(0), Self::Long)
    }

    /// The first 8 bytes, byte 1 lightest.
    #[inline]
    pub fn word(self) -> u64 {
        match self {
            Self::Word(word) => word,
            Self::Long(bytes) => crate::frame::word_of(bytes),
        }
    }

    /// All bytes, zero behind the frame's length.
    pub fn bytes(self) -> [u8; DATA_BYTES_MAX] {
        match self {
            Self::Word(word) => {
                let mut bytes = [0; DATA_BYTES_MAX];
                bytes[..8].copy_from_slice(&word.to_le_bytes());
                bytes
            }
            Self::Long(bytes) => *bytes,
        }
    }
}

/// The true length of a frame, with the three bits of intermission behind it.
///
/// An error frame is reported by the receiver's controller, not received: nothing tells how long the bus was disturbed,
/// so it gives 0. Data bytes beyond what the frame's kind can carry are left out; an FD length that no length code has
/// is taken as the next one that has.
#[inline]
pub fn wire_bits(id: CanId, meta: Meta, payload: Payload<'_>) -> WireBits {
    match meta.kind() {
        Kind::Data => WireBits { nominal: classical_bits(id, meta, payload.word()), data_phase: 0 },
        Kind::Remote => WireBits { nominal: classical_bits(id, meta, 0), data_phase: 0 },
        Kind::Error => WireBits::default(),
        Kind::Fd => fd_bits(id, meta, &payload.bytes()),
    }
}

/// Remembers the last frame of up to 8 bytes: messages repeat themselves, and a repetition has the same length.
#[derive(Debug, Clone, Copy, Default)]
pub struct Memo(Option<(CanId, Meta, u64, WireBits)>);

impl Memo {
    /// [`wire_bits`], at the cost of a comparison if the frame is as the one before.
    #[inline]
    pub fn wire_bits(&mut self, id: CanId, meta: Meta, payload: Payload<'_>) -> WireBits {
        let Payload::Word(word) = payload else { return wire_bits(id, meta, payload) };
        if let Some((last_id, last_meta, last_word, bits)) = self.0
            && (last_id, last_meta, last_word) == (id, meta, word)
        {
            return bits;
        }
        let bits = wire_bits(id, meta, payload);
        self.0 = Some((id, meta, word, bits));
        bits
    }
}

/// Length of a frame of this kind without any stuff bit: no frame is shorter. Error frames give 0.
pub fn bits_min(extended: bool, kind: Kind, len: u8) -> u32 {
    let (stuffable, fixed) = field_bits(extended, kind, len);
    stuffable + fixed
}

/// Length of a frame of this kind with as many stuff bits as can be: none is longer. Error frames give 0.
///
/// One stuff bit for the first five bits exposed to stuffing and one for every four after them: R. I. Davis, A. Burns,
/// R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted, revisited and revised",
/// Real-Time Systems 35 (2007) 239–272, equations 1 to 3: 55 + 10 s bits for 11-bit identifiers and 80 + 10 s for 29.
pub fn bits_max(extended: bool, kind: Kind, len: u8) -> u32 {
    let (stuffable, fixed) = field_bits(extended, kind, len);
    stuffable + stuffable.saturating_sub(1) / 4 + fixed
}

/// Bits exposed to stuffing, and the others.
fn field_bits(extended: bool, kind: Kind, len: u8) -> (u32, u32) {
    let header = if extended { 39 } else { 19 };
    match kind {
        Kind::Data => (header + 8 * u32::from(len.min(8)) + 15, CLASSICAL_TAIL_BITS),
        Kind::Remote => (header + 15, CLASSICAL_TAIL_BITS),
        Kind::Error => (0, 0),
        Kind::Fd => {
            let header = if extended { 41 } else { 22 };
            let (_, bytes) = fd_length(len);
            (header + 8 * bytes as u32, fd_crc_field_bits(bytes) + 1 + FD_TAIL_BITS)
        }
    }
}

/// A classical frame: header and data as one number, the CRC behind them, then the stuff bits of the whole.
#[inline]
fn classical_bits(id: CanId, meta: Meta, word: u64) -> u32 {
    let len = u32::from(meta.len.min(8));
    let dlc = if meta.raw_dlc() > 8 { u128::from(meta.raw_dlc()) } else { u128::from(len) };
    let remote = meta.kind() == Kind::Remote;
    let data_bits = if remote { 0 } else { 8 * len };
    let bits = u128::from(id.bits());
    let (header, header_bits) = if id.is_extended() {
        // Start of frame 0, 11 bits, SRR 1, IDE 1, 18 bits, RTR, r1 0, r0 0, length code.
        ((bits >> 18) << 27 | 0b11 << 25 | (bits & 0x3_FFFF) << 7 | u128::from(remote) << 6 | dlc, 39)
    } else {
        // Start of frame 0, 11 bits, RTR, IDE 0, r0 0, length code.
        ((bits & 0x7FF) << 7 | u128::from(remote) << 6 | dlc, 19)
    };
    // As a number of 128 bits shifted twice, so that no length shifts by the whole width.
    let data = u128::from(word.swap_bytes()) << data_bits >> 64;
    let covered = header << data_bits | data & ((1 << data_bits) - 1);
    let stuffable = covered << 15 | u128::from(crc_15(covered));
    let count = header_bits + data_bits + 15;
    count + stuff_bits(stuffable, count) + CLASSICAL_TAIL_BITS
}

/// CRC-15 of up to 104 bits, first bit heaviest. It begins with 0, so leading zeros change nothing, and it is linear,
/// so each byte's part can be looked up by its distance from the end.
#[inline]
fn crc_15(covered: u128) -> u16 {
    let bytes = covered.to_le_bytes();
    let mut crc = 0;
    for (table, byte) in CRC_TABLES.iter().zip(bytes) {
        crc ^= table[usize::from(byte)];
    }
    crc
}

/// Entry `[k][b]`: the CRC of byte `b` with `k` zero bytes behind it.
static CRC_TABLES: [[u16; 256]; CRC_BYTES] = crc_tables();

const fn crc_tables() -> [[u16; 256]; CRC_BYTES] {
    let mut tables = [[0; 256]; CRC_BYTES];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = (byte as u16) << 7;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x4000 != 0 { crc << 1 ^ CRC_15 } else { crc << 1 };
            bit += 1;
        }
        tables[0][byte] = crc & 0x7FFF;
        byte += 1;
    }
    let mut distance = 1;
    while distance < CRC_BYTES {
        let mut byte = 0;
        while byte < 256 {
            let nearer = tables[distance - 1][byte];
            tables[distance][byte] = nearer << 8 & 0x7FFF ^ tables[0][(nearer >> 7) as usize];
            byte += 1;
        }
        distance += 1;
    }
    tables
}

/// Most bits of a classical frame that are exposed to stuffing.
const STUFFABLE_BITS_MAX: u32 = 39 + 64 + 15;
/// Bits are looked at in two words of 64, the heavier one from this bit up: together they hold
/// [`STUFFABLE_BITS_MAX`], and ten bits are in both.
const HEAVY_FROM: u32 = STUFFABLE_BITS_MAX - 64;

/// Number of stuff bits in the lightest `count` (2 to 118) bits, first bit heaviest and 0; one behind the last included.
///
/// A run of n equal bits gets ⌊n / 5⌋ stuff bits, and those of all runs can be found at once. If the last stuff bit
/// comes behind the run's end, it makes the next run longer by one. That tells only where a run of 5, 10 … is followed
/// by one of 4, 9 …; frames with such a place are rare enough to be walked through.
#[inline]
fn stuff_bits(bits: u128, count: u32) -> u32 {
    // Before the first bit, which is 0, stand a 1 and bits that alternate: no run begins among them.
    let filled = bits | ALTERNATING << count;
    let heavy = Runs::of((filled >> HEAVY_FROM) as u64);
    let light = Runs::of(filled as u64);
    // Bit i: the stuff bit goes behind bit i. The first of a run is its fifth bit; from there every fifth, as far as
    // the bits are equal. The heavier word sees all that its bits depend on, the lighter one is told the rest.
    let light_alone = !0 >> (64 - HEAVY_FROM);
    let mut heavy_stuffed = heavy.fifths();
    let mut light_stuffed = light.fifths() & light_alone | heavy_stuffed << HEAVY_FROM;
    if heavy.equal_5 & heavy_stuffed >> 5 | light.equal_5 & light_stuffed >> 5 != 0 {
        heavy_stuffed = heavy.every_fifth(heavy_stuffed);
        light_stuffed = light.every_fifth(light_stuffed | heavy_stuffed << HEAVY_FROM);
    }
    // Five more bits than the heavier word has may follow its last one, for all it knows.
    if heavy.made_longer(heavy_stuffed, 0x1F) | light.made_longer(light_stuffed, 0x01) & light_alone != 0 {
        return stuff_bits_one_by_one(filled, count);
    }
    heavy_stuffed.count_ones() + (light_stuffed & light_alone).count_ones()
}

const ALTERNATING: u128 = 0x5555_5555_5555_5555_5555_5555_5555_5555;

/// Equal neighbours in a word. Bit i of `equal_n`: from bit i upwards n bits are each equal to the next.
struct Runs {
    equal: u64,
    equal_3: u64,
    equal_4: u64,
    equal_5: u64,
}

impl Runs {
    #[inline(always)]
    fn of(word: u64) -> Self {
        let equal = !(word ^ word >> 1) & !0 >> 1;
        let equal_2 = equal & equal >> 1;
        let equal_4 = equal_2 & equal_2 >> 2;
        Self { equal, equal_3: equal_2 & equal >> 2, equal_4, equal_5: equal_4 & equal >> 4 }
    }

    /// Fifth bits of runs.
    #[inline(always)]
    fn fifths(&self) -> u64 {
        self.equal_4 & !(self.equal_4 >> 1)
    }

    /// Every fifth bit from these on, in steps that double.
    #[inline(always)]
    fn every_fifth(&self, mut stuffed: u64) -> u64 {
        let mut goes_on = self.equal_5;
        for distance in [5, 10, 20, 40] {
            stuffed |= goes_on & stuffed >> distance;
            goes_on &= goes_on >> distance;
        }
        stuffed
    }

    /// Fourth bits of runs that follow a stuff bit and, since it makes them longer by one, get more of them: runs of 4
    /// bits, or of 9 and more. Where what follows is not to be seen, it is taken for that.
    #[inline(always)]
    fn made_longer(&self, stuffed: u64, unseen: u64) -> u64 {
        let unequal = !self.equal;
        stuffed >> 4 & unequal >> 3 & self.equal_3 & (unequal << 1 | self.equal_5 << 5 | unseen)
    }
}

/// The same by [`STUFFING`], of bits that alternate before the first.
#[cold]
fn stuff_bits_one_by_one(filled: u128, count: u32) -> u32 {
    let bytes = filled.to_le_bytes();
    let mut state = STATE_AFTER_ONE;
    let mut stuffed = 0;
    for byte in bytes[..count.div_ceil(8) as usize].iter().rev() {
        let step = STUFFING[usize::from(state)][usize::from(*byte)];
        state = step & 0b111;
        stuffed += u32::from(step >> 3);
    }
    stuffed
}

/// An FD frame: header bit by bit, data byte by byte through [`STUFFING`].
fn fd_bits(id: CanId, meta: Meta, data: &[u8; DATA_BYTES_MAX]) -> WireBits {
    let (dlc, bytes) = fd_length(meta.len);
    let switched = meta.flags() & FLAG_BRS != 0;
    let passive = meta.flags() & FLAG_ESI != 0;
    let bits = u64::from(id.bits());
    // Up to the bit before BRS, without start of frame, which is 0.
    let (before, before_bits) = if id.is_extended() {
        // 11 bits, SRR 1, IDE 1, 18 bits, RRS 0, FDF 1, reserved 0.
        ((bits >> 18) << 23 | 0b11 << 21 | (bits & 0x3_FFFF) << 3 | 0b010, 34)
    } else {
        // 11 bits, RRS 0, IDE 0, FDF 1, reserved 0.
        ((bits & 0x7FF) << 4 | 0b0010, 15)
    };
    let control = u64::from(switched) << 5 | u64::from(passive) << 4 | u64::from(dlc);
    let (mut state, stuffed_before) = stuffing(STATE_AFTER_START, before, before_bits);
    let mut stuffed = 0;
    let mut last_bit = control & 1;
    let step = stuffing(state, control, 6);
    state = step.0;
    stuffed += step.1;
    for byte in &data[..bytes] {
        let step = STUFFING[usize::from(state)][usize::from(*byte)];
        state = step & 0b111;
        stuffed += u32::from(step >> 3);
        last_bit = u64::from(byte & 1);
    }
    if u64::from(state >> 2) != last_bit {
        // A stuff bit behind the last bit: there the fixed one stands.
        stuffed -= 1;
    }
    let to_brs = 1 + before_bits + stuffed_before + 1;
    let from_esi = 5 + 8 * bytes as u32 + stuffed + fd_crc_field_bits(bytes) + 1;
    if switched {
        WireBits { nominal: to_brs + FD_TAIL_BITS, data_phase: from_esi }
    } else {
        WireBits { nominal: to_brs + from_esi + FD_TAIL_BITS, data_phase: 0 }
    }
}

/// Length code and data bytes of an FD frame that is to carry `len` bytes.
fn fd_length(len: u8) -> (u8, usize) {
    const BYTES: [u8; 7] = [12, 16, 20, 24, 32, 48, 64];
    if len <= 8 {
        return (len, usize::from(len));
    }
    let code = BYTES.iter().position(|bytes| len <= *bytes).unwrap_or(BYTES.len() - 1);
    (9 + code as u8, usize::from(BYTES[code]))
}

/// Stuff count, CRC and fixed stuff bits.
const fn fd_crc_field_bits(data_bytes: usize) -> u32 {
    if data_bytes <= 16 { 4 + 17 + 6 } else { 4 + 21 + 7 }
}

/// What stuffing remembers: bit 2 the last bit sent, bits 0–1 how many equal ones there were, less one.
const STATE_AFTER_START: u8 = 0;
const STATE_AFTER_ONE: u8 = 0b100;

/// Entry `[state][byte]`: bits 0–2 the next state, from bit 3 the number of stuff bits.
static STUFFING: [[u8; 256]; 8] = stuffing_table();

const fn stuffing_table() -> [[u8; 256]; 8] {
    let mut table = [[0; 256]; 8];
    let mut state = 0;
    while state < 8 {
        let mut byte = 0;
        while byte < 256 {
            let (next, stuffed) = stuffing(state as u8, byte as u64, 8);
            table[state][byte] = next | (stuffed as u8) << 3;
            byte += 1;
        }
        state += 1;
    }
    table
}

/// Sends `count` bits, first heaviest: the state after them, and the number of stuff bits.
const fn stuffing(mut state: u8, bits: u64, count: u32) -> (u8, u32) {
    let mut stuffed = 0;
    let mut left = count;
    while left > 0 {
        left -= 1;
        let bit = (bits >> left & 1) as u8;
        if bit != state >> 2 {
            state = bit << 2;
        } else if state & 0b11 < 3 {
            state += 1;
        } else {
            // The fifth equal bit: its opposite goes out behind it.
            state = (bit ^ 1) << 2;
            stuffed += 1;
        }
    }
    (state, stuffed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::word_of;
    use proptest::prelude::*;

    fn bits_of(value: u64, count: u32) -> impl Iterator<Item = bool> {
        (0..count).rev().map(move |at| value >> at & 1 == 1)
    }

    /// The CRC as the specification's own pseudo code has it.
    fn crc_bit_by_bit(bits: &[bool]) -> u16 {
        let mut crc = 0_u16;
        for bit in bits {
            let next = *bit ^ (crc >> 14 & 1 == 1);
            crc = crc << 1 & 0x7FFF;
            if next {
                crc ^= CRC_15;
            }
        }
        crc
    }

    /// Bits with the stuff bits among them.
    fn stuff(bits: &[bool]) -> Vec<bool> {
        let mut sent = Vec::new();
        let mut run = 0;
        for bit in bits {
            run = if sent.last() == Some(bit) { run + 1 } else { 1 };
            sent.push(*bit);
            if run == 5 {
                sent.push(!bit);
                run = 1;
            }
        }
        sent
    }

    /// Start of frame to CRC, unstuffed.
    fn classical_frame(id: CanId, remote: bool, dlc: u8, data: &[u8]) -> (Vec<bool>, u16) {
        let mut bits = vec![false];
        if id.is_extended() {
            bits.extend(bits_of(u64::from(id.bits() >> 18), 11));
            bits.extend([true, true]);
            bits.extend(bits_of(u64::from(id.bits()), 18));
            bits.extend([remote, false, false]);
        } else {
            bits.extend(bits_of(u64::from(id.bits()), 11));
            bits.extend([remote, false, false]);
        }
        bits.extend(bits_of(u64::from(dlc), 4));
        for byte in data {
            bits.extend(bits_of(u64::from(*byte), 8));
        }
        let crc = crc_bit_by_bit(&bits);
        bits.extend(bits_of(u64::from(crc), 15));
        (bits, crc)
    }

    /// Bits of the slow and of the fast phase, one by one.
    fn fd_bit_by_bit(id: CanId, flags: u8, data: &[u8]) -> WireBits {
        let code = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64].iter().position(|len| *len == data.len());
        let mut bits = vec![false];
        if id.is_extended() {
            bits.extend(bits_of(u64::from(id.bits() >> 18), 11));
            bits.extend([true, true]);
            bits.extend(bits_of(u64::from(id.bits()), 18));
            bits.extend([false, true, false]);
        } else {
            bits.extend(bits_of(u64::from(id.bits()), 11));
            bits.extend([false, false, true, false]);
        }
        let before_brs = bits.len();
        bits.extend([flags & FLAG_BRS != 0, flags & FLAG_ESI != 0]);
        bits.extend(bits_of(code.unwrap() as u64, 4));
        for byte in data {
            bits.extend(bits_of(u64::from(*byte), 8));
        }
        let dynamic = stuff(&bits[..bits.len() - 1]).len() + 1;
        let crc_bits = if data.len() <= 16 { 17 } else { 21 };
        // Before the stuff count and behind every four bits from it on, but not behind the last of all.
        let fixed = 1 + (4 + crc_bits - 1) / 4;
        let up_to_delimiter = dynamic + 4 + crc_bits + fixed + 1;
        if flags & FLAG_BRS == 0 {
            return WireBits { nominal: up_to_delimiter as u32 + 12, data_phase: 0 };
        }
        let slow = stuff(&bits[..before_brs]).len() + 1;
        WireBits { nominal: slow as u32 + 12, data_phase: (up_to_delimiter - slow) as u32 }
    }

    fn classical(id: CanId, data: &[u8]) -> u32 {
        wire_bits(id, Meta::data(0, data.len() as u8), Payload::Word(word_of(data))).total()
    }

    /// Published for CRC-15/CAN: 0x059E for "123456789".
    #[test]
    fn the_crc_of_the_nine_digits_is_the_published_one() {
        let digits = b"123456789".iter().fold(0_u128, |all, byte| all << 8 | u128::from(*byte));
        assert_eq!(crc_15(digits), 0x059E);
    }

    /// Computed twice with independent routines, not published: CRC, bits exposed to stuffing, stuff bits, bits up to
    /// the end of the frame (without intermission).
    #[test]
    fn nine_frames_have_their_computed_crc_and_length() {
        type Row = (CanId, &'static [u8], u16, usize, usize, u32);
        let rows: [Row; 9] = [
            (CanId::standard(0x014), &[0x01], 0x7753, 42, 3, 55),
            (CanId::standard(0x000), &[], 0x0000, 34, 6, 50),
            (CanId::standard(0x000), &[0; 8], 0x145B, 98, 16, 124),
            (CanId::standard(0x7FF), &[0xFF; 8], 0x4C89, 98, 15, 123),
            (CanId::standard(0x123), &[0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88], 0x4237, 98, 1, 109),
            (CanId::standard(0x705), &[0x05], 0x68BF, 42, 4, 56),
            (CanId::extended(0x18FE_CA00), &[0xFF; 8], 0x02C4, 118, 16, 144),
            (CanId::extended(0x0000_0000), &[0; 8], 0x3DAF, 118, 19, 147),
            (CanId::extended(0x1FFF_FFFF), &[0xFF; 8], 0x1B69, 118, 18, 146),
        ];
        for (id, data, crc, stuffable, stuffed, to_end) in rows {
            let (bits, found) = classical_frame(id, false, data.len() as u8, data);
            assert_eq!((found, bits.len()), (crc, stuffable), "{id}");
            assert_eq!(stuff(&bits).len() - bits.len(), stuffed, "{id}");
            assert_eq!(classical(id, data), to_end + 3, "{id}");
        }
        let (bits, _) = classical_frame(CanId::standard(0x014), false, 1, &[0x01]);
        let sent: String = stuff(&bits).iter().map(|bit| if *bit { '1' } else { '0' }).collect();
        assert_eq!(sent, "000001001010000010001000001001111011101010011");
    }

    /// Lengths with intermission: the kernel's `length.h` without stuffing, Davis et al. 2007 for the worst case.
    #[test]
    fn classical_bounds_are_the_published_ones() {
        for len in 0..=8_u8 {
            let bytes = u32::from(len);
            assert_eq!(bits_min(false, Kind::Data, len), 47 + 8 * bytes);
            assert_eq!(bits_max(false, Kind::Data, len), 55 + 10 * bytes);
            assert_eq!(bits_min(true, Kind::Data, len), 67 + 8 * bytes);
            assert_eq!(bits_max(true, Kind::Data, len), 80 + 10 * bytes);
            assert_eq!(bits_max(true, Kind::Remote, len), 80);
        }
    }

    /// Computed by the formula of the kernel's `length.h`.
    #[test]
    fn fd_bounds_are_those_of_the_kernel() {
        let standard = [(8, 147), (12, 187), (16, 227), (20, 272), (64, 712)];
        let extended = [(0, 91), (8, 171), (16, 251), (64, 736)];
        for (len, bits) in standard {
            assert_eq!(bits_max(false, Kind::Fd, len), bits);
        }
        for (len, bits) in extended {
            assert_eq!(bits_max(true, Kind::Fd, len), bits);
        }
        assert_eq!(bits_min(false, Kind::Fd, 0), 22 + 28 + 9 + 3);
        assert_eq!(bits_min(true, Kind::Fd, 64), 41 + 512 + 33 + 9 + 3);
    }

    #[test]
    fn an_error_frame_has_no_known_length() {
        let meta = Meta::new(0, Kind::Error, 0, 8, 0);
        assert_eq!(wire_bits(CanId(CanId::ERROR | 0x40), meta, Payload::Word(u64::MAX)).total(), 0);
        assert_eq!(bits_max(false, Kind::Error, 8), 0);
    }

    #[test]
    fn what_is_remembered_is_the_length_of_the_same_frame_only() {
        let mut memo = Memo::default();
        let frames = [
            (CanId::standard(0x10), Meta::data(0, 8), 0),
            (CanId::standard(0x10), Meta::data(0, 8), 0),
            (CanId::standard(0x10), Meta::data(0, 8), 1),
            (CanId::extended(0x10), Meta::data(0, 8), 1),
            (CanId::extended(0x10), Meta::data(0, 1), 1),
            (CanId::extended(0x10), Meta::new(0, Kind::Remote, 0, 1, 0), 1),
        ];
        for (id, meta, word) in frames {
            let payload = Payload::Word(word);
            assert_eq!(memo.wire_bits(id, meta, payload), wire_bits(id, meta, payload));
        }
    }

    #[test]
    fn five_equal_bits_at_the_end_of_fd_data_get_no_stuff_bit_of_their_own() {
        let id = CanId::standard(0x2AA);
        let meta = Meta::new(0, Kind::Fd, 0, 1, 0);
        let four = wire_bits(id, meta, Payload::Word(0x50)).total();
        let five = wire_bits(id, meta, Payload::Word(0xA0)).total();
        assert_eq!(four, five);
    }

    fn any_id() -> impl Strategy<Value = CanId> {
        prop_oneof![
            (0..=0x7FF_u32).prop_map(CanId::standard),
            (0..=0x1FFF_FFFF_u32).prop_map(CanId::extended),
            Just(CanId::standard(0)),
            Just(CanId::extended(0x1FFF_FFFF)),
        ]
    }

    /// Random bytes and bytes with long runs.
    fn any_data(len: usize) -> impl Strategy<Value = Vec<u8>> {
        let byte = prop_oneof![any::<u8>(), Just(0), Just(0xFF), Just(0x1F), Just(0x83), Just(0x3E), Just(0x78)];
        proptest::collection::vec(byte, len)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(20_000))]

        #[test]
        fn fast_and_bit_by_bit_agree_on_classical_frames(
            id in any_id(),
            data in (0..=8_usize).prop_flat_map(any_data),
            remote: bool,
            code in 0..=15_u8,
        ) {
            let len = data.len() as u8;
            let raw_dlc = if len == 8 && code > 8 { code } else { 0 };
            let dlc = if raw_dlc > 0 { raw_dlc } else { len };
            let kind = if remote { Kind::Remote } else { Kind::Data };
            let meta = Meta::new(3, kind, 0, len, raw_dlc);
            let sent: &[u8] = if remote { &[] } else { &data };
            let (bits, crc) = classical_frame(id, remote, dlc, sent);
            let got = wire_bits(id, meta, Payload::Word(word_of(&data)));
            prop_assert_eq!(got, WireBits { nominal: stuff(&bits).len() as u32 + 13, data_phase: 0 });
            prop_assert!(got.total() <= bits_max(id.is_extended(), kind, len));
            prop_assert!(got.total() >= bits_min(id.is_extended(), kind, len));
            let covered = bits[..bits.len() - 15].iter().fold(0_u128, |all, bit| all << 1 | u128::from(*bit));
            prop_assert_eq!(crc_15(covered), crc);
        }

        #[test]
        fn runs_of_any_lengths_are_stuffed_alike(runs in proptest::collection::vec(1..12_usize, 1..24)) {
            let mut bits = Vec::new();
            for (index, run) in runs.iter().enumerate() {
                bits.extend(std::iter::repeat_n(index % 2 == 1, *run));
            }
            bits.truncate(118);
            prop_assume!(bits.len() >= 2);
            let number = bits.iter().fold(0_u128, |all, bit| all << 1 | u128::from(*bit));
            let count = bits.len();
            prop_assert_eq!(stuff_bits(number, count as u32) as usize, stuff(&bits).len() - count);
        }

        #[test]
        fn runs_of_four_five_nine_and_ten_are_stuffed_alike(runs in proptest::collection::vec(4..11_usize, 1..24)) {
            let bits: Vec<bool> = runs.iter().enumerate().flat_map(|(at, run)| std::iter::repeat_n(at % 2 == 1, *run)).take(118).collect();
            let number = bits.iter().fold(0_u128, |all, bit| all << 1 | u128::from(*bit));
            let stuffed = stuff(&bits).len() - bits.len();
            prop_assert_eq!(stuff_bits(number, bits.len() as u32) as usize, stuffed);
            prop_assert_eq!(stuff_bits_one_by_one(number | ALTERNATING << bits.len(), bits.len() as u32) as usize, stuffed);
        }

        #[test]
        fn any_meta_has_a_length_and_none_panics(raw_id: u32, channel: u16, marks: u8, len: u8, word: u64, byte: u8) {
            let meta = Meta { channel, marks, len };
            let short = wire_bits(CanId(raw_id), meta, Payload::Word(word)).total();
            let long = wire_bits(CanId(raw_id), meta, Payload::Long(&[byte; DATA_BYTES_MAX])).total();
            let (low, high) = (
                bits_min(CanId(raw_id).is_extended(), meta.kind(), len),
                bits_max(CanId(raw_id).is_extended(), meta.kind(), len),
            );
            prop_assert!((low..=high).contains(&short) && (low..=high).contains(&long));
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4_000))]

        #[test]
        fn fast_and_bit_by_bit_agree_on_fd_frames(
            id in any_id(),
            data in prop::sample::select(vec![0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]).prop_flat_map(any_data),
            flags in 0..=3_u8,
        ) {
            let meta = Meta::new(0, Kind::Fd, flags, data.len() as u8, 0);
            let mut bytes = [0; DATA_BYTES_MAX];
            bytes[..data.len()].copy_from_slice(&data);
            let payload = if data.len() > 8 { Payload::Long(&bytes) } else { Payload::Word(word_of(&data)) };
            let got = wire_bits(id, meta, payload);
            prop_assert_eq!(got, fd_bit_by_bit(id, flags, &data));
            prop_assert!(got.total() <= bits_max(id.is_extended(), Kind::Fd, data.len() as u8));
        }
    }

    /// `cargo test --release --lib wire::tests::how_fast -- --ignored --nocapture`
    #[test]
    #[ignore = "a measurement, not a check"]
    fn how_fast() {
        let frames = 20_000_000_u64;
        for (name, mask) in [("random bytes", 0), ("six bytes FF", 0xFFFF_FFFF_FFFF_0000), ("all FF", u64::MAX)] {
            let meta = Meta::data(0, 8);
            let mut random = 0x9E37_79B9_7F4A_7C15_u64;
            let mut total = 0_u64;
            let start = std::time::Instant::now();
            for _ in 0..frames {
                random ^= random << 13;
                random ^= random >> 7;
                random ^= random << 17;
                let id = CanId::extended(0x18FF_0000 | random as u32 & 0xFFFF);
                total += u64::from(wire_bits(id, meta, Payload::Word(random | mask)).total());
            }
            let each_ns = start.elapsed().as_nanos() as f64 / frames as f64;
            println!("{name}: {each_ns:.1} ns a frame, {:.2} bits on average", total as f64 / frames as f64);
        }
    }
}
