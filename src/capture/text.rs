//! Frames as text: one line of comma-separated values a frame, for people, scripts and comparisons.

use crate::frame::{FrameBlock, Kind};
use std::io::{self, Write};

/// Names of the columns, as the line above the rows.
pub const COLUMNS: &str = "time_us,channel,id,kind,flags,len,raw_dlc,data";

/// Bytes collected before they are written out.
const COLLECTED_BYTES: usize = 1 << 16;

/// A kind's word in the `kind` column.
pub const fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Data => "data",
        Kind::Remote => "remote",
        Kind::Error => "error",
        Kind::Fd => "fd",
    }
}

/// Writes the block's frames, one line each: time in microseconds since 1970 (UTC), channel number, identifier in
/// hexadecimal (three digits for 11 bits, eight for 29), kind (`data`, `remote`, `error`, `fd`), FD flags as a number
/// (1 bit rate switch, 2 error state), length, kept length code (0 if none), and the data in hexadecimal.
///
/// # Errors
/// `out` does not take the bytes.
pub fn write_rows(block: &FrameBlock, out: &mut impl Write) -> io::Result<()> {
    let mut line = Vec::with_capacity(COLLECTED_BYTES + 512);
    for index in 0..block.len() {
        let frame = block.frame(index);
        write!(
            line,
            "{},{},{},{},{},{},{},",
            frame.time_us,
            frame.channel,
            frame.id,
            kind_word(frame.kind),
            frame.flags,
            frame.len,
            frame.raw_dlc
        )?;
        for byte in frame.bytes() {
            write!(line, "{byte:02X}")?;
        }
        line.push(b'\n');
        if line.len() >= COLLECTED_BYTES {
            out.write_all(&line)?;
            line.clear();
        }
    }
    out.write_all(&line)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, FLAG_BRS, Frame};

    #[test]
    fn a_frame_is_a_line() {
        let mut block = FrameBlock::default();
        block.push(&Frame::data(-1, 0, CanId::standard(0x5), &[0xAB]));
        block.push(&Frame {
            kind: Kind::Remote,
            id: CanId(0x321 | CanId::REMOTE),
            raw_dlc: 12,
            ..Frame::data(7, 1, CanId::default(), &[0; 8])
        });
        block.push(&Frame::data(8, 2, CanId::extended(0x5), &[1; 12]));
        assert_eq!(block.frame(2).flags, FLAG_BRS);
        let mut out = Vec::new();
        write_rows(&block, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(
            text,
            "-1,0,005,data,0,1,0,AB\n7,1,321,remote,0,8,12,\n8,2,00000005,fd,1,12,0,010101010101010101010101\n"
        );
    }
}
