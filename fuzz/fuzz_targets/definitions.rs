//! Any text at all is a definition set or a list of problems that can be shown; and a set that was taken decodes any
//! frame: no panic, no endless loop.
//!
//! ```text
//! cargo +nightly fuzz run definitions fuzz/corpus/definitions signal-defs/velmora tests/bad/definitions
//! ```

#![no_main]

use libfuzzer_sys::fuzz_target;
use yardtap::decode::{MessageFrames, decode};
use yardtap::defs::{Definitions, SourceText};
use yardtap::frame::{CanId, DATA_BYTES_MAX, Meta};
use yardtap::table::signals;

/// Frames decoded by each message.
const FRAMES: usize = 5;

fuzz_target!(|text: &str| {
    let source = SourceText { name: "set.toml".into(), text: text.to_owned() };
    let defs = match Definitions::from_texts("set".into(), vec![source]) {
        Ok(defs) => defs,
        Err(problems) => {
            assert!(!problems.list.is_empty());
            assert!(!problems.render(false).is_empty() && !problems.render(true).is_empty());
            return;
        }
    };
    // The set's own text serves as payloads: all that is wanted is that they vary with the input.
    let mut noise = text.bytes().cycle();
    for message in &defs.messages {
        let length_max = if message.is_fd() { DATA_BYTES_MAX } else { 8 };
        let mut frames = MessageFrames::default();
        for number in 0..FRAMES {
            let mut data = [[0xFF; DATA_BYTES_MAX], [0; DATA_BYTES_MAX]][number % 2];
            if number >= 2 {
                data.fill_with(|| noise.next().unwrap_or_default());
            }
            let length = if number < 3 { usize::from(message.length) } else { usize::from(data[0]) % (length_max + 1) };
            data[length..].fill(0);
            frames.time_us.push(number as i64);
            if message.id_varies() {
                frames.id.push(CanId::extended(u32::from_le_bytes([data[0], data[1], data[2], data[3]])));
            }
            frames.meta.push(Meta { channel: 0, marks: if message.is_fd() { 3 } else { 0 }, len: length as u8 });
            if length > 8 {
                frames.word.push(frames.long.len() as u64);
                frames.long.push(data);
            } else {
                frames.word.push(yardtap::frame::word_of(&data[..length]));
            }
            for signal in 0..message.signals.len() {
                message.read(signal, &data, length);
            }
        }
        let columns = decode(message, &frames, 0..frames.len());
        let written = signals::columns(message, &frames, 0..frames.len(), columns);
        assert_eq!(written.len(), signals::schema(message).fields().len());
    }
});
