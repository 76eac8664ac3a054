use super::*;
use crate::decode::{Route, Router};
use crate::defs::SourceText;
use crate::frame::Frame;

fn definitions() -> Definitions {
    let text = r#"
        format = 1
        [bus.traction]
        protocol = "j1939"
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
          [[message.signal]]
          name = "line_voltage"
          lsb = "1.1"
          bits = 16
          scale = 0.1
          unit = "V"
          plausible = [0, 1000]
          unavailable = "j1939"
          [[message.example]]
          data = "70 17 FF FF FF FF FF FF"
          expect = { line_voltage = 600.0 }
    "#;
    let source = SourceText { name: "set.toml".into(), text: text.into() };
    Definitions::from_texts("set".into(), vec![source]).unwrap()
}

/// Channel 0 is the traction bus, channel 1 nobody knows.
fn census(defs: &Definitions, frames: impl IntoIterator<Item = Frame>) -> Report {
    let mut router = Router::new(defs, &[Some(0), None]);
    let mut census = Census::new(defs);
    for frame in frames {
        let meta = Meta::new(frame.channel, frame.kind, frame.flags, frame.len, frame.raw_dlc);
        let message = match router.route(meta, frame.id) {
            Route::Message(message) => Some(message),
            Route::Raw => None,
        };
        let payload = Payload::Long(&frame.data);
        let bus = router.bus(frame.channel);
        census.frame(&Seen { time_us: frame.time_us, bus, message, id: frame.id, meta, payload });
    }
    census.report()
}

fn line_input(time_us: i64, voltage: [u8; 2], sixth: u8) -> Frame {
    let bytes = [voltage[0], voltage[1], 0xFF, 0xFF, 0xFF, sixth, 0xFF, 0xFF];
    Frame::data(time_us, 0, CanId::extended(0x18FF_1527), &bytes)
}

#[test]
fn unknown_identifiers_come_first_and_tell_which_bits_ever_changed() {
    let defs = definitions();
    let unknown = |time_us, byte| Frame::data(time_us, 0, CanId::extended(0x18FF_2027), &[0x10, byte, 0x30]);
    let report = census(
        &defs,
        [
            line_input(0, [0x70, 0x17], 0xFF),
            unknown(10, 0b0000_0000),
            unknown(30, 0b1000_0001),
            Frame::data(40, 1, CanId::standard(0x18F), &[]),
            unknown(50, 0b0000_0001),
        ],
    );
    let order: Vec<_> = report.identifiers.iter().map(|found| (found.standing, &found.id[..])).collect();
    assert_eq!(order, [(Standing::Unknown, "18FF2027"), (Standing::Unknown, "18F"), (Standing::Defined, "18FF1527")]);
    let first = &report.identifiers[0];
    assert_eq!((&first.first_data[..], &first.changed_bits[..]), (&[0x10, 0, 0x30][..], &[0, 0x81, 0][..]));
    assert_eq!((first.frames, &first.lengths[..]), (3, &[3][..]));
    let j1939 = first.j1939.as_ref().unwrap();
    assert_eq!((j1939.pgn, j1939.source, j1939.module.as_deref()), (65_312, 0x27, Some("line input unit")));
    assert_eq!(report.identifiers[1].bus, None);
}

#[test]
fn values_are_counted_by_what_they_are() {
    let defs = definitions();
    let patterns = [[0x70, 0x17], [0x71, 0x17], [0xFF, 0xFF], [0x00, 0xFE], [0x00, 0xFB], [0x20, 0x4E]];
    let frames = patterns.iter().enumerate().map(|(step, pattern)| line_input(step as i64 * 100_000, *pattern, 0xFF));
    let report = census(&defs, frames);
    let expected = SignalCounts {
        signal: "line_input.line_voltage".into(),
        unit: "V".into(),
        values: 3,
        implausible: 1,
        unavailable: 1,
        error: 1,
        reserved: 1,
        not_a_number: 0,
        lowest: Some(600.0),
        highest: Some(2000.0),
    };
    assert_eq!(report.signals, [expected]);
}

#[test]
fn changing_bits_that_no_signal_covers_are_named() {
    let defs = definitions();
    let report = census(&defs, [line_input(0, [0, 0], 0xFF), line_input(1, [0xFF, 0x0F], 0x1F)]);
    let found = &report.identifiers[0];
    assert_eq!(found.changed_bits, [0xFF, 0x0F, 0, 0, 0, 0xE0, 0, 0]);
    assert_eq!(found.changed_bits_without_signal, [0, 0, 0, 0, 0, 0xE0, 0, 0]);
    assert!(report.text().contains("6.6–6.8"), "{}", report.text());
}

#[test]
fn a_longer_frame_brings_new_bytes_but_changes_none() {
    let defs = definitions();
    let frame = |time_us, bytes: &[u8]| Frame::data(time_us, 1, CanId::standard(0x100), bytes);
    let report = census(&defs, [frame(0, &[1]), frame(1, &[1; 64]), frame(2, &[3, 1])]);
    let found = &report.identifiers[0];
    assert_eq!((found.fd, &found.lengths[..]), (true, &[1, 2, 64][..]));
    assert_eq!(found.first_data, [1; 64]);
    assert_eq!(found.changed_bits[..3], [2, 0, 0]);
}

#[test]
fn remote_and_error_frames_stand_apart_from_data_of_the_same_identifier() {
    let defs = definitions();
    let data = Frame::data(0, 0, CanId::standard(0x40), &[1]);
    let remote = Frame { kind: Kind::Remote, id: CanId(0x40 | CanId::REMOTE), ..data };
    let error = Frame { kind: Kind::Error, id: CanId(0x40 | CanId::ERROR), ..data };
    let report = census(&defs, [error, remote, data]);
    let order: Vec<_> = report.identifiers.iter().map(|found| found.standing).collect();
    assert_eq!(order, [Standing::Unknown, Standing::Remote, Standing::Error]);
    assert!(report.identifiers[1].first_data.is_empty());
}

#[test]
fn a_flood_of_identifiers_is_counted_together_beyond_the_bound() {
    let defs = definitions();
    let frames = (0..IDENTIFIERS_MAX as u32 + 500).map(|id| Frame::data(0, 1, CanId::extended(id), &[1]));
    let report = census(&defs, frames);
    assert_eq!((report.identifiers.len(), report.further_frames), (IDENTIFIERS_MAX, 500));
    assert!(report.text().contains("500 frames of further identifiers"));
}

#[test]
fn no_frames_make_an_empty_report() {
    let defs = definitions();
    let report = census(&defs, []);
    assert_eq!((report.frames, report.span_us, report.identifiers.len()), (0, 0, 0));
    assert!(report.text().contains("0 frames"));
}

#[test]
fn the_text_keeps_to_its_columns() {
    let defs = definitions();
    let mut frames: Vec<Frame> = (0..5).map(|n| line_input(n * 100_000, [0xFF, 0xFF], n as u8)).collect();
    frames.extend((0..90).map(|n| Frame::data(n * 7, 1, CanId::extended(n as u32), &[n as u8; 64][..n as usize % 65])));
    frames.push(Frame::data(1 << 60, 0, CanId::extended(0x1CEB_FF27), &[0xA5; 8]));
    frames.push(Frame::data(1 << 61, 0, CanId::extended(0x1CEB_FF27), &[0x5A; 7]));
    for line in census(&defs, frames).text().lines() {
        assert!(line.chars().count() <= 100, "{line}");
        assert_eq!(line, line.trim_end());
    }
}

#[test]
fn bits_are_drawn_eight_a_byte() {
    let defs = definitions();
    let frame = |time_us, bytes: &[u8]| Frame::data(time_us, 1, CanId::standard(0x7E8), bytes);
    let text = census(&defs, [frame(0, &[0x10, 0x02]), frame(20_000, &[0x11, 0x82])]).text();
    let expected = "\
2 frames in 20.0 ms, 1 identifier

Unknown: 1 identifier, 100.0 % of the frames
bits 8 to 1 of every byte: ▪ changed, · never did

7E8      channel 1 · 2 frames, 2 bytes · every 20.0 ms
         ·······▪ ▪·······
            10       02
";
    assert_eq!(text, expected);
}
