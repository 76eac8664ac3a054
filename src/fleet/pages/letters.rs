//! Words in the letters that a PDF's own fonts have, and how wide they are.
//!
//! Every reader of PDF brings Helvetica in the Windows encoding (ISO 32000-1, 9.6.2.2 and annex D): Western letters,
//! and no others. What it lacks is written with letters that it has.

/// A text in the Windows encoding. What cannot be written in its letters is `?`.
pub(super) fn encoded(text: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    for letter in text.chars() {
        match byte(letter) {
            Some(byte) => out.push(byte),
            None => out.extend_from_slice(written(letter).as_bytes()),
        }
    }
    out
}

/// Width of a text set in a size of 1.
pub(super) fn width_of(text: &str, bold: bool) -> f64 {
    let widths = if bold { &BOLD } else { &PLAIN };
    let wide = |byte: u8| widths.get(usize::from(byte).wrapping_sub(32)).copied().unwrap_or(0);
    let sum: u32 = encoded(text).into_iter().map(|byte| u32::from(wide(byte))).sum();
    f64::from(sum) / 1000.0
}

/// The byte of a letter, where the encoding has it.
fn byte(letter: char) -> Option<u8> {
    match letter {
        ' '..='~' | '\u{a0}'..='ÿ' => u8::try_from(u32::from(letter)).ok(),
        '\n' | '\t' | '\u{202f}' | '\u{2009}' => Some(b' '),
        // Greek mu is the micro sign.
        'μ' => Some(0xb5),
        _ => HIGH.iter().find(|(_, high)| *high == letter).map(|(byte, _)| *byte),
    }
}

/// Other letters, in letters that the encoding has.
fn written(letter: char) -> &'static str {
    match letter {
        '−' | '‐' | '‑' | '⁻' => "-",
        '≤' => "<=",
        '≥' => ">=",
        '≠' => "/=",
        '≈' => "~",
        '→' => "->",
        '←' => "<-",
        '∞' => "infinity",
        'Ω' | '\u{2126}' => "ohm",
        'Δ' | 'δ' => "delta",
        'α' => "alpha",
        'β' => "beta",
        'λ' => "lambda",
        'π' => "pi",
        'ρ' => "rho",
        'σ' => "sigma",
        'τ' => "tau",
        'χ' => "chi",
        '⁰' => "0",
        '⁴' => "4",
        '⁵' => "5",
        '⁶' => "6",
        '⁷' => "7",
        '⁸' => "8",
        '⁹' => "9",
        'Ā' | 'Ă' | 'Ą' => "A",
        'ā' | 'ă' | 'ą' => "a",
        'Ć' | 'Ĉ' | 'Č' => "C",
        'ć' | 'ĉ' | 'č' => "c",
        'Ď' | 'Đ' => "D",
        'ď' | 'đ' => "d",
        'Ē' | 'Ė' | 'Ę' | 'Ě' => "E",
        'ē' | 'ė' | 'ę' | 'ě' => "e",
        'Ğ' | 'Ģ' => "G",
        'ğ' | 'ģ' => "g",
        'Ī' | 'Į' | 'İ' => "I",
        'ī' | 'į' | 'ı' => "i",
        'Ķ' => "K",
        'ķ' => "k",
        'Ĺ' | 'Ļ' | 'Ľ' | 'Ł' => "L",
        'ĺ' | 'ļ' | 'ľ' | 'ł' => "l",
        'Ń' | 'Ņ' | 'Ň' => "N",
        'ń' | 'ņ' | 'ň' => "n",
        'Ō' | 'Ő' => "O",
        'ō' | 'ő' => "o",
        'Ŕ' | 'Ř' => "R",
        'ŕ' | 'ř' => "r",
        'Ś' | 'Ş' | 'Ș' => "S",
        'ś' | 'ş' | 'ș' => "s",
        'Ţ' | 'Ť' | 'Ț' => "T",
        'ţ' | 'ť' | 'ț' => "t",
        'Ū' | 'Ů' | 'Ű' | 'Ų' => "U",
        'ū' | 'ů' | 'ű' | 'ų' => "u",
        'Ź' | 'Ż' => "Z",
        'ź' | 'ż' => "z",
        // What has no width: joiners, marks of direction.
        '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}' | '\r' => "",
        _ => "?",
    }
}

/// What the encoding has between its ASCII and its Latin-1 part.
const HIGH: [(u8, char); 27] = [
    (0x80, '€'),
    (0x82, '‚'),
    (0x83, 'ƒ'),
    (0x84, '„'),
    (0x85, '…'),
    (0x86, '†'),
    (0x87, '‡'),
    (0x88, 'ˆ'),
    (0x89, '‰'),
    (0x8a, 'Š'),
    (0x8b, '‹'),
    (0x8c, 'Œ'),
    (0x8e, 'Ž'),
    (0x91, '‘'),
    (0x92, '’'),
    (0x93, '“'),
    (0x94, '”'),
    (0x95, '•'),
    (0x96, '–'),
    (0x97, '—'),
    (0x98, '˜'),
    (0x99, '™'),
    (0x9a, 'š'),
    (0x9b, '›'),
    (0x9c, 'œ'),
    (0x9e, 'ž'),
    (0x9f, 'Ÿ'),
];

/// Widths of Helvetica's letters from the space on, in thousandths. Source: Adobe's font metrics of the core 14 fonts.
#[rustfmt::skip]
const PLAIN: [u16; 224] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667,
    556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556,
    556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722,
    500, 500, 500, 334, 260, 334, 584, 350, 556, 350, 222, 556, 333, 1000, 556, 556, 333, 1000, 667, 333, 1000, 350,
    611, 350, 350, 222, 222, 333, 333, 350, 556, 1000, 333, 1000, 500, 333, 944, 350, 500, 667, 278, 333, 556, 556,
    556, 556, 260, 556, 333, 737, 370, 556, 584, 333, 737, 333, 400, 584, 333, 333, 333, 556, 537, 278, 333, 333,
    365, 556, 834, 834, 834, 611, 667, 667, 667, 667, 667, 667, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278,
    722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611, 556, 556, 556, 556, 556, 556,
    889, 500, 556, 556, 556, 556, 278, 278, 278, 278, 556, 556, 556, 556, 556, 556, 556, 584, 611, 556, 556, 556,
    556, 500, 556, 500,
];

/// The same of Helvetica-Bold.
#[rustfmt::skip]
const BOLD: [u16; 224] = [
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 333, 333, 584, 584, 584, 611, 975, 722, 722, 722, 722, 667, 611, 778, 722, 278, 556, 722,
    611, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333, 278, 333, 584, 556, 333, 556,
    611, 556, 611, 556, 333, 611, 611, 278, 278, 556, 278, 889, 611, 611, 611, 611, 389, 556, 333, 611, 556, 778,
    556, 556, 500, 389, 280, 389, 584, 350, 556, 350, 278, 556, 500, 1000, 556, 556, 333, 1000, 667, 333, 1000, 350,
    611, 350, 350, 278, 278, 500, 500, 350, 556, 1000, 333, 1000, 556, 333, 944, 350, 500, 667, 278, 333, 556, 556,
    556, 556, 280, 556, 333, 737, 370, 556, 584, 333, 737, 333, 400, 584, 333, 333, 333, 611, 556, 278, 333, 333,
    365, 556, 834, 834, 834, 611, 722, 722, 722, 722, 722, 722, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278,
    722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611, 556, 556, 556, 556, 556, 556,
    889, 556, 556, 556, 556, 556, 278, 278, 278, 278, 611, 611, 611, 611, 611, 611, 611, 584, 611, 611, 611, 611,
    611, 556, 611, 556,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_beyond_the_encoding_are_written_with_those_it_has() {
        assert_eq!(encoded("−5 °C ≤ 40 µW – Łódź"), b"-5 \xb0C <= 40 \xb5W \x96 L\xf3dz");
        assert_eq!(encoded("\u{202e}שלום\u{0}"), b"?????");
        for (byte_of, letter) in HIGH {
            assert_eq!(byte(letter), Some(byte_of));
        }
    }

    /// Widths that everyone can look up: a digit is 556, a space 278, the widest letters 1,000 (from memory, and as
    /// Debian's poppler sets them).
    #[test]
    fn widths_are_helveticas() {
        assert_eq!(width_of("0123456789", false), 5.56);
        assert_eq!(width_of(" ", false), 0.278);
        assert_eq!([width_of("…", false), width_of("W", true), width_of("ÿ", false)], [1.0, 0.944, 0.5]);
    }
}
