use super::*;
use crate::defs::{Definitions, SourceText};

fn definitions() -> Definitions {
    let text = r#"
        format = 1
        [bus.traction]
        protocol = "j1939"
        bitrate = 250_000
        [bus.body]
        protocol = "plain"
        bitrate = 250_000
        [[module]]
        bus = "traction"
        source = 0x27
        name = "line input unit"
        [[message]]
        name = "line_input"
        bus = "traction"
        pgn = 65_301
        source = 0x27
        period = "100ms"
        about = "Overhead supply as the input filter sees it."
          [[message.signal]]
          name = "line_voltage"
          lsb = "1.1"
          bits = 16
          scale = 0.1
          unit = "V"
          plausible = [0, 1000]
          unavailable = "j1939"
          [[message.signal]]
          name = "contactor"
          lsb = "5.1"
          bits = 2
          as = "flag"
          [[message.example]]
          data = "70 17 FF FF FD FF FF FF"
          expect = { line_voltage = 600.0, contactor = true }
        [[message]]
        name = "cells"
        bus = "body"
        id = 0x18F
        length = 3
          [[message.signal]]
          name = "module"
          lsb = "1.1"
          bits = 4
          labels = { 9 = "all of them" }
          [[message.signal]]
          name = "voltage"
          lsb = "3.1"
          bits = 12
          order = "big"
          scale = 0.001
          unit = "V"
          when = { selector = "module", is = [1, 2, 3] }
          [[message.signal]]
          name = "current"
          lsb = "2.1"
          bits = 16
          as = "signed"
          unit = "A"
          when = { selector = "module", is = 9 }
          [[message.example]]
          data = "01 0E 74"
          expect = { module = "1", voltage = 3.7 }
        [[message]]
        name = "add"
        bus = "body"
        extended_id = 0x000
          [[message.signal]]
          name = "one"
          lsb = "1.1"
          bits = 1
          [[message.example]]
          data = "01"
          expect = { one = true }
    "#;
    let text = text.replace(r#"module = "1", "#, "");
    let source = SourceText { name: "set.toml".into(), text };
    Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"))
}

fn apart(identifier: &str, data: &str) -> Result<TakenApart, ExplainError> {
    take_apart(&definitions(), identifier, data, None)
}

#[test]
fn a_grid_shows_each_signals_bits_and_its_lightest() {
    let defs = definitions();
    let text = grid(&defs, 0);
    let expected = "\
line_input, bus traction, PGN 65301 (0FF15), from 27 line input unit, 8 bytes,
  every 100 ms
Overhead supply as the input filter sees it.

[ ] marks the least significant bit of a signal, · is no signal's bit

 byte  bit  8  7  6  5  4  3  2  1
   1        a  a  a  a  a  a  a [a]
   2        a  a  a  a  a  a  a  a
   3        ·  ·  ·  ·  ·  ·  ·  ·
   4        ·  ·  ·  ·  ·  ·  ·  ·
   5        ·  ·  ·  ·  ·  ·  b [b]
   6        ·  ·  ·  ·  ·  ·  ·  ·
   7        ·  ·  ·  ·  ·  ·  ·  ·
   8        ·  ·  ·  ·  ·  ·  ·  ·
";
    assert!(text.starts_with(expected), "{text}");
    assert!(text.contains("value = raw × 0.1 V, holds 0 to 6425.5, plausible from 0 to 1000"), "{text}");
    assert!(text.contains("FF00–FFFF not available"), "{text}");
}

#[test]
fn pages_are_drawn_one_after_another() {
    let defs = definitions();
    let text = grid(&defs, 1);
    let expected = "
page where module is 1 to 3

 byte  bit  8  7  6  5  4  3  2  1
   1        ·  ·  ·  ·  a  a  a [a]
   2        ·  ·  ·  ·  b  b  b  b
   3        b  b  b  b  b  b  b [b]

page where module is 9 all of them

 byte  bit  8  7  6  5  4  3  2  1
   1        ·  ·  ·  ·  a  a  a [a]
   2        c  c  c  c  c  c  c [c]
   3        c  c  c  c  c  c  c  c
";
    assert!(text.contains(expected), "{text}");
}

#[test]
fn a_known_frame_comes_apart_into_values_and_bits_of_no_signal() {
    let taken = apart("0x18FF1527", "7017FFFF FDFFFFFF").unwrap();
    let reading = &taken.readings[0];
    assert_eq!((taken.readings.len(), reading.message.as_deref()), (1, Some("line_input")));
    let said: Vec<_> = reading.signals.iter().map(|s| (s.raw.as_deref(), s.value, &s.said[..])).collect();
    assert_eq!(said, [(Some("1770"), Some(600.0), "600 V"), (Some("1"), Some(1.0), "true")]);
    let bytes: Vec<_> = reading.uncovered.iter().map(|byte| (byte.byte, byte.mask)).collect();
    assert_eq!(bytes, [(3, 0xFF), (4, 0xFF), (5, 0xFC), (6, 0xFF), (7, 0xFF), (8, 0xFF)]);
    assert!(taken.text().contains("bytes 3–4 FF FF, byte 5 111111--, bytes 6–8 FF FF FF"), "{}", taken.text());
}

#[test]
fn signals_that_are_not_there_say_why() {
    let taken = apart("cells", "09 FE").unwrap();
    let said: Vec<_> = taken.readings[0].signals.iter().map(|signal| &signal.said[..]).collect();
    assert_eq!(said, ["all of them", "beyond the payload's end", "beyond the payload's end"]);
    let taken = apart("18F", "09 FE FF").unwrap();
    let said: Vec<_> = taken.readings[0].signals.iter().map(|signal| &signal.said[..]).collect();
    assert_eq!(said, ["all of them", "not on this page", "-2 A"]);
    assert!(taken.readings[0].uncovered.iter().all(|byte| byte.byte == 1));
}

#[test]
fn an_unknown_identifier_still_shows_its_j1939_fields() {
    let taken = apart("1CEBFF27", "01 02").unwrap();
    assert_eq!(taken.readings.len(), 2);
    let j1939 = taken.readings.iter().find_map(|reading| reading.j1939.as_ref()).unwrap();
    assert_eq!((j1939.pgn, j1939.priority, j1939.module.as_deref()), (60_160, 7, Some("line input unit")));
    assert_eq!(taken.length, 2);
    let text = taken.text();
    assert!(text.contains("No definition knows") && text.contains("PGN 60160 (0EB00)"), "{text}");
}

#[test]
fn digits_tell_the_width_and_doubt_is_said() {
    let width = |text: &str| {
        let taken = apart(text, "").unwrap();
        (taken.width, taken.id, taken.notes.len())
    };
    assert_eq!(width("18F"), (Width::Standard, "18F".into(), 0));
    assert_eq!(width("0000018F"), (Width::Extended, "0000018F".into(), 0));
    assert_eq!(width("0x018F"), (Width::Extended, "0000018F".into(), 1));
    assert_eq!(width("FFF"), (Width::Extended, "00000FFF".into(), 1));
    // Nothing has 0 as its 11-bit identifier, but a message has it as its 29-bit one.
    assert_eq!(width("0"), (Width::Extended, "00000000".into(), 1));
    // A message goes before a number.
    assert_eq!(width("add"), (Width::Extended, "00000000".into(), 1));
    assert_eq!(width("0xadd").0, Width::Extended);
}

#[test]
fn what_cannot_be_understood_is_said() {
    assert_eq!(apart("18F", "0G"), Err(ExplainError::DataNotHex { character: 'G' }));
    assert_eq!(apart("18F", "012"), Err(ExplainError::DataHalfByte { digits: 3 }));
    assert_eq!(apart("18F", &"00".repeat(65)), Err(ExplainError::DataTooLong { bytes: 65 }));
    assert_eq!(apart("3FFFFFFF", ""), Err(ExplainError::IdTooLarge { text: "3FFFFFFF".into() }));
    assert_eq!(apart("123456789", ""), Err(ExplainError::IdTooLarge { text: "123456789".into() }));
    let near = vec!["line_input".into()];
    assert_eq!(apart("line_inptu", ""), Err(ExplainError::NoSuchMessage { text: "line_inptu".into(), near }));
    for text in ["", "0x", "é", "18F ü"] {
        assert!(matches!(apart(text, ""), Err(ExplainError::NoSuchMessage { .. })), "{text}");
    }
    let error = take_apart(&definitions(), "18F", "", Some("roof")).unwrap_err();
    assert_eq!(error.to_string(), "no bus 'roof'; the definitions have: body, traction");
}

#[test]
fn lines_keep_to_eighty_columns() {
    let defs = definitions();
    let texts = (0..defs.messages.len()).map(|message| grid(&defs, message));
    let apart = ["line_input", "cells", "1CEBFF27", "FFF"].map(|text| apart(text, &"A5".repeat(64)).unwrap().text());
    for line in texts.chain(apart).flat_map(|text| text.lines().map(str::to_owned).collect::<Vec<_>>()) {
        assert!(line.chars().count() <= 80, "{line}");
        assert_eq!(line, line.trim_end());
    }
}
