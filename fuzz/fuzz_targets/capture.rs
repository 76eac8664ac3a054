//! Any bytes at all are read to their end: no panic, no endless loop, bounded memory; and what was read, written and
//! read again is the same.
//!
//! ```text
//! cargo +nightly fuzz run capture fuzz/corpus/capture tests/vectors tests/bad/captures
//! ```

#![no_main]

use libfuzzer_sys::fuzz_target;
use std::io::Cursor;
use yardtap::capture::write::PcapngWriter;
use yardtap::capture::{BUFFER_BYTES_MAX, CHANNELS_MAX, Capture, Ending, ReadOptions};
use yardtap::frame::FrameBlock;

/// Frames taken at a time: few, so that blocks end everywhere.
const FRAMES_MAX: usize = 7;

/// Frames read of one input; a small packed one may have very many.
const FRAMES_READ_MAX: u64 = 1 << 20;

fuzz_target!(|bytes: &[u8]| {
    let options = ReadOptions { content_hash: true, swap_ids: bytes.len() % 2 == 1 };
    let Ok(mut capture) = Capture::from_reader("-".into(), Box::new(Cursor::new(bytes.to_vec())), options) else {
        return;
    };
    let mut frames = Vec::new();
    let mut block = FrameBlock::default();
    loop {
        block.clear();
        let more = capture.fill(&mut block, FRAMES_MAX).expect("bytes in memory can be read");
        assert!(block.len() <= FRAMES_MAX);
        assert!(capture.buffer_bytes() <= BUFFER_BYTES_MAX);
        frames.extend((0..block.len()).map(|index| block.frame(index)));
        if !more || capture.tally().frames > FRAMES_READ_MAX {
            break;
        }
        assert!(!block.is_empty());
    }
    assert_eq!(capture.tally().frames, frames.len() as u64);
    assert!(capture.channels().len() <= CHANNELS_MAX);
    capture.tally().remarks();
    if capture.tally().frames <= FRAMES_READ_MAX {
        assert_ne!(capture.tally().ending, Ending::Open);
    }
    capture.content_hash().expect("bytes in memory can be read");

    let mut writer = PcapngWriter::for_channels(Vec::new(), capture.channels()).expect("as many channels as were read");
    for frame in &frames {
        writer.write(frame).expect("what was read can be written");
    }
    let written = writer.finish().expect("memory takes it");
    let mut again = Capture::from_reader("-".into(), Box::new(Cursor::new(written)), ReadOptions::default())
        .expect("what was written opens");
    block.clear();
    while again.fill(&mut block, usize::MAX).expect("bytes in memory can be read") {}
    assert_eq!(again.tally().ending, Ending::Complete);
    assert_eq!(again.channels().len(), capture.channels().len());
    assert_eq!(block.len(), frames.len());
    for (index, frame) in frames.iter().enumerate() {
        assert_eq!(&block.frame(index), frame);
    }
});
