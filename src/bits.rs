//! Bit fields in a payload: 1 to 64 bits, both byte orders, across byte ends.
//!
//! Pure. Payloads of up to 8 bytes come as one word (byte 1 lightest), longer ones as 64 bytes.

use crate::frame::DATA_BYTES_MAX;

/// A field's place: its least significant bit, its width, and where its heavier bytes lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Field {
    /// Byte of the least significant bit, from 0.
    pub lsb_byte: u8,
    /// Bit of the least significant bit within its byte, 0 the lightest.
    pub lsb_bit: u8,
    /// Width, 1 to 64.
    pub bits: u8,
    /// Heavier bytes lie in lower-numbered bytes.
    pub big: bool,
}

impl Field {
    /// All ones of the field's width.
    pub const fn mask(self) -> u64 {
        u64::MAX >> (64 - self.bits as u32)
    }

    /// Number of bytes it touches.
    pub const fn span_bytes(self) -> usize {
        (self.lsb_bit as usize + self.bits as usize).div_ceil(8)
    }

    /// First and last byte it touches, from 0; none where it would begin before the payload does.
    pub const fn byte_range(self) -> Option<(usize, usize)> {
        let lsb = self.lsb_byte as usize;
        if self.big {
            match (lsb + 1).checked_sub(self.span_bytes()) {
                Some(first) => Some((first, lsb)),
                None => None,
            }
        } else {
            Some((lsb, lsb + self.span_bytes() - 1))
        }
    }

    /// How far right its word has to be shifted: the word as it is for little order, byte-swapped for big.
    const fn word_shift(self) -> u32 {
        let byte = if self.big { 7 - self.lsb_byte as u32 } else { self.lsb_byte as u32 };
        8 * byte + self.lsb_bit as u32
    }

    /// The field's raw value in a payload of up to 8 bytes. The field must end within byte 8.
    #[inline]
    pub const fn of_word(self, word: u64) -> u64 {
        let word = if self.big { word.swap_bytes() } else { word };
        word >> self.word_shift() & self.mask()
    }

    /// The bits of a word that belong to the field.
    pub const fn word_mask(self) -> u64 {
        let mask = self.mask() << self.word_shift();
        if self.big { mask.swap_bytes() } else { mask }
    }

    /// A word with nothing but the field in it; heavier bits of `raw` are dropped.
    #[inline]
    pub const fn to_word(self, raw: u64) -> u64 {
        let word = (raw & self.mask()) << self.word_shift();
        if self.big { word.swap_bytes() } else { word }
    }

    /// The field's raw value in any payload. The field must end within byte 64.
    pub fn of_bytes(self, data: &[u8; DATA_BYTES_MAX]) -> u64 {
        let mut window = [0_u8; 16];
        if self.big {
            let end = usize::from(self.lsb_byte) + 1;
            let take = end.min(16);
            window[16 - take..].copy_from_slice(&data[end - take..end]);
            (u128::from_be_bytes(window) >> self.lsb_bit) as u64 & self.mask()
        } else {
            let start = usize::from(self.lsb_byte);
            let take = (DATA_BYTES_MAX - start).min(16);
            window[..take].copy_from_slice(&data[start..start + take]);
            (u128::from_le_bytes(window) >> self.lsb_bit) as u64 & self.mask()
        }
    }

    /// Writes the field into a payload and leaves the other bits alone.
    pub fn write(self, data: &mut [u8; DATA_BYTES_MAX], raw: u64) {
        let value = u128::from(raw & self.mask()) << self.lsb_bit;
        let mask = u128::from(self.mask()) << self.lsb_bit;
        for step in 0..self.span_bytes() {
            let lsb = usize::from(self.lsb_byte);
            let at = if self.big { lsb.checked_sub(step) } else { Some(lsb + step) };
            let Some(byte) = at.and_then(|at| data.get_mut(at)) else { return };
            let (value, mask) = ((value >> (8 * step)) as u8, (mask >> (8 * step)) as u8);
            *byte = *byte & !mask | value;
        }
    }
}

/// A raw value of `bits` bits as a two's complement number.
#[inline]
pub const fn sign_extended(raw: u64, bits: u8) -> i64 {
    let spare = 64 - bits as u32;
    (raw << spare) as i64 >> spare
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A field that lies in a payload of so many bytes.
    fn any_field(bytes: u8) -> impl Strategy<Value = Field> {
        (1..=64_u8, 0..8_u8, any::<bool>(), any::<u8>()).prop_map(move |(bits, lsb_bit, big, at)| {
            let field = Field {
                lsb_byte: 0,
                lsb_bit,
                bits: bits.min((8 * u16::from(bytes) - u16::from(lsb_bit)).min(64) as u8),
                big,
            };
            let span = field.span_bytes() as u8;
            let first = at % (bytes - span + 1);
            Field { lsb_byte: if big { first + span - 1 } else { first }, ..field }
        })
    }

    #[test]
    fn big_order_counts_heavier_bytes_downwards() {
        let field = Field { lsb_byte: 1, lsb_bit: 0, bits: 16, big: true };
        assert_eq!(field.of_word(u64::from_le_bytes([0x12, 0x34, 0, 0, 0, 0, 0, 0])), 0x1234);
        assert_eq!(field.byte_range(), Some((0, 1)));
        let too_wide = Field { bits: 17, ..field };
        assert_eq!(too_wide.byte_range(), None);
    }

    #[test]
    fn twelve_bits_across_a_byte_end_take_bits_of_both() {
        let field = Field { lsb_byte: 1, lsb_bit: 4, bits: 12, big: false };
        assert_eq!(field.of_word(u64::from_le_bytes([0xFF, 0xA0, 0xBC, 0xFF, 0, 0, 0, 0])), 0xBCA);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_and_the_other_bits_stay(field in any_field(64), raw: u64, ones: bool) {
            let mut data = [if ones { 0xFF } else { 0 }; 64];
            let before = data;
            field.write(&mut data, raw);
            prop_assert_eq!(field.of_bytes(&data), raw & field.mask());
            let changed: u32 = data.iter().zip(before).map(|(a, b)| (a ^ b).count_ones()).sum();
            prop_assert!(changed <= u32::from(field.bits));
            field.write(&mut data, if ones { u64::MAX } else { 0 });
            prop_assert_eq!(data, before);
        }

        #[test]
        fn a_word_and_its_bytes_give_the_same(field in any_field(8), word: u64, raw: u64) {
            let mut data = [0; 64];
            data[..8].copy_from_slice(&word.to_le_bytes());
            prop_assert_eq!(field.of_word(word), field.of_bytes(&data));
            field.write(&mut data, raw);
            let written = u64::from_le_bytes(data[..8].try_into().unwrap());
            prop_assert_eq!(word & !field.word_mask() | field.to_word(raw), written);
        }

        #[test]
        fn sign_goes_on_upwards(value: i64, bits in 1..=64_u8) {
            let cut = value << (64 - u32::from(bits)) >> (64 - u32::from(bits));
            prop_assert_eq!(sign_extended(value as u64 & (u64::MAX >> (64 - u32::from(bits))), bits), cut);
        }
    }
}
