//! Bytes of a file → its text, or why it is none. Pure.

use super::problem::{Place, Wrong};

/// UTF-8 with or without a byte-order mark, UTF-16 with one.
///
/// # Errors
/// It is neither: where, and what helps.
pub(super) fn text_of(bytes: Vec<u8>) -> Result<String, (Place, Wrong)> {
    let utf8 = "save it as CSV with the encoding UTF-8 ('CSV UTF-8' in a spreadsheet's list of file types)";
    match bytes.as_slice() {
        [0xFF, 0xFE, rest @ ..] => return utf16(rest, u16::from_le_bytes, utf8),
        [0xFE, 0xFF, rest @ ..] => return utf16(rest, u16::from_be_bytes, utf8),
        [b'P', b'K', 3, 4, ..] => {
            let remedy = "save its sheet as CSV with the encoding UTF-8";
            return Err((
                Place::Whole,
                Wrong::new("text", "this is a packed file, such as a workbook, and no text", remedy),
            ));
        }
        _ => {}
    }
    let mut text = String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let before = &error.as_bytes()[..at];
        let line = line_of(before, at);
        let column = before.iter().rev().take_while(|byte| **byte != b'\n').count() + 1;
        let byte = error.as_bytes().get(at).copied().unwrap_or_default();
        let what = format!("not UTF-8: byte {column} of this line is {byte:#04X}, which is no letter there");
        (Place::Line(line), Wrong::new("text", what, utf8))
    })?;
    if text.starts_with('\u{FEFF}') {
        text.drain(..'\u{FEFF}'.len_utf8());
    }
    if let Some(at) = text.find('\0') {
        let what = "there is a zero byte: this is no text, or UTF-16 without its byte-order mark";
        return Err((Place::Line(line_of(text.as_bytes(), at)), Wrong::new("text", what, utf8)));
    }
    Ok(text)
}

fn utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16, remedy: &str) -> Result<String, (Place, Wrong)> {
    let (pairs, rest) = bytes.as_chunks::<2>();
    let text = String::from_utf16(&pairs.iter().map(|pair| unit(*pair)).collect::<Vec<_>>());
    match text {
        Ok(text) if rest.is_empty() && !text.contains('\0') => Ok(text),
        _ => Err((Place::Whole, Wrong::new("text", "the file begins like UTF-16, and is damaged or none", remedy))),
    }
}

/// Number of the line that a byte is in, from 1.
pub(super) fn line_of(bytes: &[u8], at: usize) -> u64 {
    1 + bytes[..at.min(bytes.len())].iter().filter(|byte| **byte == b'\n').count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn byte_order_marks_are_taken_off() {
        assert_eq!(text_of(b"\xEF\xBB\xBFa;\xC3\xA4".to_vec()).unwrap(), "a;ä");
        assert_eq!(text_of(b"\xFF\xFEa\0\xE4\0".to_vec()).unwrap(), "aä");
        assert_eq!(text_of(b"\xFE\xFF\0a\0\xE4".to_vec()).unwrap(), "aä");
        assert_eq!(text_of(Vec::new()).unwrap(), "");
    }

    #[test]
    fn what_is_no_text_is_refused_with_place_and_remedy() {
        let told = |bytes: &[u8]| text_of(bytes.to_vec()).unwrap_err();
        let (place, wrong) = told(b"vehicle;yard\n204;S\xFCd\n");
        assert_eq!(place, Place::Line(2));
        assert!(wrong.what.contains("byte 6 of this line is 0xFC") && wrong.remedy.contains("UTF-8"), "{wrong:?}");
        assert!(told(b"\xFF\xFEa\0b").1.what.contains("UTF-16"));
        assert!(told(b"\xFF\xFE\x00\xD8a\0").1.what.contains("UTF-16"));
        assert!(told(b"a\0,\0b\0").1.what.contains("without its byte-order mark"));
        assert!(told(b"PK\x03\x04....").1.what.contains("workbook"));
    }
}
