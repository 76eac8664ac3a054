//! Frames out: a pcapng file that holds nothing but them, so that the same frames give the same bytes on every machine.
//!
//! One section, one interface a channel with its name and times in microseconds, one enhanced packet a frame with its
//! CAN record (link type 227). Source: draft-ietf-opsawg-pcapng; tcpdump.org, `LINKTYPE_CAN_SOCKETCAN`.

use super::can_record::{FDF, HEADER_BYTES, LINKTYPE_CAN_SOCKETCAN};
use super::{CHANNELS_MAX, Channel, NAME_BYTES_MAX};
use crate::frame::{CanId, DATA_BYTES_MAX, FLAG_BRS, FLAG_ESI, Frame, FrameBlock, Kind, TimeUs};
use flate2::write::GzEncoder;
use flate2::{Compression, GzBuilder};
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Bytes collected before they are written out, always as whole blocks.
const COLLECTED_BYTES: usize = 1 << 16;

/// Longest record: the CAN header and 64 bytes of data.
const SNAP_BYTES: u32 = (HEADER_BYTES + DATA_BYTES_MAX) as u32;

/// Longest block of a classical frame.
const COMMON_BLOCK_BYTES_MAX: usize = 48;

/// Seconds added to the times of a section that has some before 1970: with it the count of microseconds of any negative
/// 64-bit time is positive.
const BEFORE_1970_OFFSET_SECONDS: i64 = i64::MIN / 1_000_000 - 1;

/// Levels of gzip, and the one taken if none is named.
const GZIP_LEVELS: (i32, i32, i32) = (0, 6, 9);
/// Levels of zstd, and the one taken if none is named.
const ZSTD_LEVELS: (i32, i32, i32) = (1, 3, 22);

/// Why a capture cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The file cannot be made.
    #[error("{}: cannot be made: {source}; check that its folder exists and may be written to", path.display())]
    Create {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The packing level does not exist.
    #[error("{}: there is no packing level {level}; {packing} has {lightest} to {strongest}", path.display())]
    Level {
        /// Which file.
        path: PathBuf,
        /// The packing that its name asks for.
        packing: &'static str,
        /// The level wanted.
        level: i32,
        /// Its lightest level.
        lightest: i32,
        /// Its strongest level.
        strongest: i32,
    },
    /// More channels than a capture is read with.
    #[error("a capture of {count} channels cannot be written; the most is {CHANNELS_MAX}, split it")]
    Channels {
        /// How many.
        count: usize,
    },
    /// A frame of a channel that was not named when writing began.
    #[error("frame of channel {channel}, but the capture was begun with {count} channels; begin it with all of them")]
    Channel {
        /// The frame's channel.
        channel: u16,
        /// Channels there are.
        count: usize,
    },
    /// A length that frames of this kind cannot have.
    #[error("{kind:?} frame of {len} bytes; the most is {most}")]
    Length {
        /// Its kind.
        kind: Kind,
        /// Its length.
        len: u8,
        /// What its kind allows.
        most: u8,
    },
    /// The system could not take the bytes.
    #[error("writing the capture failed: {0}; make room or check the device, and write it again")]
    Io(#[from] io::Error),
}

/// Writes frames as pcapng. Blocks are collected and handed on whole; [`flush`](Self::flush) or
/// [`finish`](Self::finish) hands on the rest, and dropping the writer does not.
#[derive(Debug)]
pub struct PcapngWriter<W: Write> {
    out: W,
    /// Name of each channel.
    names: Vec<Option<String>>,
    collected: Vec<u8>,
    bytes_written: u64,
    /// Seconds that the present section adds to its times.
    offset_seconds: i64,
}

impl<W: Write> PcapngWriter<W> {
    /// Begins a section with one interface for each name. Behind another section it is as valid as at the beginning of a
    /// file, and its channels are the same ones by name.
    ///
    /// # Errors
    /// Too many channels, or the bytes cannot be written.
    pub fn new(out: W, names: &[Option<&str>]) -> Result<Self, WriteError> {
        let mut writer = Self::continuing(out, names)?;
        writer.begin_section(0);
        writer.write_out_if_full()?;
        Ok(writer)
    }

    /// As [`new`](Self::new), with the channels of a capture that was read.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn for_channels(out: W, channels: &[Channel]) -> Result<Self, WriteError> {
        let names: Vec<Option<&str>> = channels.iter().map(|channel| channel.name.as_deref()).collect();
        Self::new(out, &names)
    }

    /// Goes on with a section that a writer like this one began with the same names, `out` standing behind its last
    /// whole block. Nothing is written before the first frame.
    ///
    /// # Errors
    /// Too many channels.
    pub fn continuing(out: W, names: &[Option<&str>]) -> Result<Self, WriteError> {
        if names.len() > CHANNELS_MAX {
            return Err(WriteError::Channels { count: names.len() });
        }
        let names = names.iter().map(|name| name.map(str::to_owned)).collect();
        Ok(Self { out, names, collected: Vec::new(), bytes_written: 0, offset_seconds: 0 })
    }

    /// Appends a frame.
    ///
    /// # Errors
    /// The frame cannot be written as it is, or the frames before it cannot be written out. It was not taken then, and may
    /// be offered again; what was taken is written out by the next call that succeeds, once and in order.
    pub fn write(&mut self, frame: &Frame) -> Result<(), WriteError> {
        let data = frame.data.get(..usize::from(frame.len)).unwrap_or(&frame.data);
        self.append(frame.time_us, frame.channel, frame.id, frame.kind, frame.flags, frame.len, frame.raw_dlc, data)
    }

    /// Appends all frames of a block.
    ///
    /// # Errors
    /// As [`write`](Self::write); the frames before the one that failed were appended.
    pub fn write_block(&mut self, block: &FrameBlock) -> Result<(), WriteError> {
        for index in 0..block.len() {
            self.write_row(block, index)?;
        }
        Ok(())
    }

    /// Appends frame `index` of a block.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    #[inline]
    pub fn write_row(&mut self, block: &FrameBlock, index: usize) -> Result<(), WriteError> {
        let (time_us, meta) = (block.time_us[index], block.meta[index]);
        let common = meta.marks == 0 && meta.len <= 8 && time_us >= 0 && self.offset_seconds == 0;
        if !common || usize::from(meta.channel) >= self.names.len() {
            return self.write(&block.frame(index));
        }
        self.write_out_if_full()?;
        // An ordinary classical data frame, in one piece: zeros behind the data fill its record up to four bytes.
        let record_bytes = HEADER_BYTES as u32 + u32::from(meta.len);
        let block_bytes = 32 + record_bytes.next_multiple_of(4);
        let id = block.id[index].0 & !(CanId::REMOTE | CanId::ERROR);
        let mut bytes = [0; COMMON_BLOCK_BYTES_MAX];
        for (to, word) in bytes.as_chunks_mut::<4>().0.iter_mut().zip([
            6,
            block_bytes,
            u32::from(meta.channel),
            (time_us >> 32) as u32,
            time_us as u32,
            record_bytes,
            record_bytes,
            id.swap_bytes(),
            u32::from(meta.len),
            block.data[index] as u32,
            (block.data[index] >> 32) as u32,
        ]) {
            *to = word.to_le_bytes();
        }
        let bytes = &mut bytes[..block_bytes as usize];
        bytes[block_bytes as usize - 4..].copy_from_slice(&block_bytes.to_le_bytes());
        self.collected.extend_from_slice(bytes);
        Ok(())
    }

    #[expect(clippy::too_many_arguments, reason = "a frame's parts, each of another kind")]
    fn append(
        &mut self,
        time_us: TimeUs,
        channel: u16,
        id: CanId,
        kind: Kind,
        flags: u8,
        len: u8,
        raw_dlc: u8,
        data: &[u8],
    ) -> Result<(), WriteError> {
        if usize::from(channel) >= self.names.len() {
            return Err(WriteError::Channel { channel, count: self.names.len() });
        }
        let most = if kind == Kind::Fd { DATA_BYTES_MAX as u8 } else { 8 };
        if len > most {
            return Err(WriteError::Length { kind, len, most });
        }
        // Before the frame is taken: so a full disk refuses it whole, and cannot fill the memory.
        self.write_out_if_full()?;
        let units = match self.units(time_us) {
            Some(units) => units,
            None => {
                let offset_seconds = if time_us < 0 { BEFORE_1970_OFFSET_SECONDS } else { 0 };
                self.begin_section(offset_seconds);
                self.units(time_us).unwrap_or_default()
            }
        };
        let data = if kind == Kind::Remote { &[] } else { data };
        let mark = match kind {
            Kind::Data | Kind::Fd => 0,
            Kind::Remote => CanId::REMOTE,
            Kind::Error => CanId::ERROR,
        };
        let id = id.0 & !(CanId::REMOTE | CanId::ERROR) | mark;
        let flags = if kind == Kind::Fd { FDF | flags & (FLAG_BRS | FLAG_ESI) } else { 0 };
        let has_raw_dlc = matches!(kind, Kind::Data | Kind::Remote) && len == 8;
        let raw_dlc = if has_raw_dlc && (9..=15).contains(&raw_dlc) { raw_dlc } else { 0 };

        // A record has at most 72 bytes, and its block 104.
        let record_bytes = (HEADER_BYTES + data.len()) as u32;
        let block_bytes = 32 + record_bytes.next_multiple_of(4);
        let out = &mut self.collected;
        for word in [6, block_bytes, u32::from(channel), (units >> 32) as u32, units as u32, record_bytes, record_bytes]
        {
            out.extend_from_slice(&word.to_le_bytes());
        }
        out.extend_from_slice(&id.to_be_bytes());
        out.extend_from_slice(&[len, flags, 0, raw_dlc]);
        out.extend_from_slice(data);
        pad(out, data.len());
        out.extend_from_slice(&block_bytes.to_le_bytes());
        Ok(())
    }

    /// The time as the present section counts it; none if it cannot.
    fn units(&self, time_us: TimeUs) -> Option<u64> {
        u64::try_from(i128::from(time_us) - i128::from(self.offset_seconds) * 1_000_000).ok()
    }

    fn begin_section(&mut self, offset_seconds: i64) {
        self.offset_seconds = offset_seconds;
        let out = &mut self.collected;
        out.extend_from_slice(&0x0A0D_0D0A_u32.to_le_bytes());
        out.extend_from_slice(&28_u32.to_le_bytes());
        out.extend_from_slice(&0x1A2B_3C4D_u32.to_le_bytes());
        // Version 1.0, and a length that is not known beforehand.
        out.extend_from_slice(&[1, 0, 0, 0]);
        out.extend_from_slice(&[0xFF; 8]);
        out.extend_from_slice(&28_u32.to_le_bytes());
        for name in &self.names {
            let start = out.len();
            out.extend_from_slice(&1_u32.to_le_bytes());
            out.extend_from_slice(&[0; 4]);
            out.extend_from_slice(&LINKTYPE_CAN_SOCKETCAN.to_le_bytes());
            out.extend_from_slice(&[0, 0]);
            out.extend_from_slice(&SNAP_BYTES.to_le_bytes());
            let name = name.as_deref().unwrap_or_default();
            let name = name.get(..name.floor_char_boundary(NAME_BYTES_MAX)).unwrap_or_default();
            if !name.is_empty() {
                option(out, 2, name.as_bytes());
            }
            option(out, 9, &[6]);
            if offset_seconds != 0 {
                option(out, 14, &offset_seconds.to_le_bytes());
            }
            option(out, 0, &[]);
            // A name has at most 256 bytes, so the block has some three hundred.
            let block_bytes = ((out.len() - start + 4) as u32).to_le_bytes();
            out.extend_from_slice(&block_bytes);
            for (to, from) in out.iter_mut().skip(start + 4).zip(block_bytes) {
                *to = from;
            }
        }
    }

    fn write_out_if_full(&mut self) -> Result<(), WriteError> {
        if self.collected.len() >= COLLECTED_BYTES { self.write_out() } else { Ok(()) }
    }

    /// Writes out what was collected. After a failure exactly what was not taken is still there.
    fn write_out(&mut self) -> Result<(), WriteError> {
        let mut taken = 0;
        let result = loop {
            let rest = self.collected.get(taken..).unwrap_or_default();
            if rest.is_empty() {
                break Ok(());
            }
            match self.out.write(rest) {
                Ok(0) => break Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => taken += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => break Err(error),
            }
        };
        let taken = taken.min(self.collected.len());
        self.collected.drain(..taken);
        self.bytes_written += taken as u64;
        Ok(result?)
    }

    /// Bytes of the capture so far, those not yet handed on among them.
    pub fn bytes(&self) -> u64 {
        self.bytes_written + self.collected.len() as u64
    }

    /// Hands on all blocks, and flushes what takes them.
    ///
    /// # Errors
    /// The bytes cannot be written. What is there may end in a cut block, which the next call that succeeds completes.
    pub fn flush(&mut self) -> Result<(), WriteError> {
        self.write_out()?;
        Ok(self.out.flush()?)
    }

    /// What takes the bytes, for synchronising a file after [`flush`](Self::flush).
    pub fn get_ref(&self) -> &W {
        &self.out
    }

    /// As [`get_ref`](Self::get_ref), to change it. Writing to it from outside would break the capture.
    pub fn get_mut(&mut self) -> &mut W {
        &mut self.out
    }

    /// Hands on all blocks and gives back what took them.
    ///
    /// # Errors
    /// As [`flush`](Self::flush).
    pub fn finish(mut self) -> Result<W, WriteError> {
        self.flush()?;
        Ok(self.out)
    }
}

/// Appends an option: number, length, value filled up to four bytes. Values are at most 256 bytes long.
fn option(out: &mut Vec<u8>, code: u16, value: &[u8]) {
    out.extend_from_slice(&code.to_le_bytes());
    out.extend_from_slice(&(value.len() as u16).to_le_bytes());
    out.extend_from_slice(value);
    pad(out, value.len());
}

/// Fills up to four bytes what was appended last. What lies before it may have been written out in part.
fn pad(out: &mut Vec<u8>, appended: usize) {
    out.resize(out.len() + appended.next_multiple_of(4) - appended, 0);
}

/// A capture file being written, packed as its name says.
pub enum PackedFile {
    /// As it is.
    Plain(File),
    /// gzip, for names ending in `.gz`.
    Gzip(GzEncoder<File>),
    /// zstd, for names ending in `.zst`.
    Zstd(zstd::Encoder<'static, File>),
}

impl PackedFile {
    /// Ends the packing, and gives back the file for synchronising.
    ///
    /// # Errors
    /// The last bytes cannot be written.
    pub fn finish(self) -> io::Result<File> {
        match self {
            Self::Plain(file) => Ok(file),
            Self::Gzip(encoder) => encoder.finish(),
            Self::Zstd(encoder) => encoder.finish(),
        }
    }
}

impl Write for PackedFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Plain(file) => file.write(bytes),
            Self::Gzip(encoder) => encoder.write(bytes),
            Self::Zstd(encoder) => encoder.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Plain(file) => file.flush(),
            Self::Gzip(encoder) => encoder.flush(),
            Self::Zstd(encoder) => encoder.flush(),
        }
    }
}

/// Makes a capture file, packed with gzip or zstd if its name ends in `.gz` or `.zst`, with one thread, so that the same
/// frames and level give the same bytes. A file of that name is overwritten. `level` is the packing's own; none takes
/// 6 for gzip and 3 for zstd, and an unpacked file has no use for one.
///
/// # Errors
/// There is no such level, or the file cannot be made or written.
pub fn open_writer(
    path: &Path,
    names: &[Option<&str>],
    level: Option<i32>,
) -> Result<PcapngWriter<PackedFile>, WriteError> {
    let failed = |source| WriteError::Create { path: path.to_owned(), source };
    let checked = |packing, (lightest, usual, strongest): (i32, i32, i32)| match level.unwrap_or(usual) {
        level if (lightest..=strongest).contains(&level) => Ok(level),
        level => Err(WriteError::Level { path: path.to_owned(), packing, level, lightest, strongest }),
    };
    let ends_in = |ending| path.extension().is_some_and(|found| found.eq_ignore_ascii_case(ending));
    let file = if ends_in("gz") {
        let level = Compression::new(checked("gzip", GZIP_LEVELS)?.unsigned_abs());
        // No name and no time of day in the header.
        PackedFile::Gzip(GzBuilder::new().write(File::create(path).map_err(failed)?, level))
    } else if ends_in("zst") {
        let level = checked("zstd", ZSTD_LEVELS)?;
        let mut encoder = zstd::Encoder::new(File::create(path).map_err(failed)?, level).map_err(failed)?;
        encoder.include_checksum(true).map_err(failed)?;
        PackedFile::Zstd(encoder)
    } else {
        PackedFile::Plain(File::create(path).map_err(failed)?)
    };
    PcapngWriter::new(file, names)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Meta;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn rows_of_a_block_are_written_as_frames_are(
            rows in proptest::collection::vec(
                (any::<i64>(), any::<u32>(), 0..4_u8, 0..=64_u8, 0..3_u16, any::<[u8; 64]>(), any::<bool>()), 0..40,
            ),
        ) {
            let mut block = FrameBlock::default();
            for (time_us, id, kind, len, channel, data, odd) in rows {
                let kind = [Kind::Data, Kind::Remote, Kind::Error, Kind::Fd][usize::from(kind)];
                let len = if kind == Kind::Fd { len } else { len % 9 };
                let time_us = if odd { time_us } else { time_us >> 12 & i64::MAX };
                let raw_dlc = if odd && len == 8 { 12 } else { 0 };
                let wanted = if kind == Kind::Remote { 0 } else { usize::from(len) };
                let mut frame = Frame::data(time_us, channel, CanId(id), &data[..wanted]);
                (frame.kind, frame.len, frame.raw_dlc) = (kind, len, raw_dlc);
                frame.flags = if kind == Kind::Fd { data[0] & 3 } else { 0 };
                block.push(&frame);
            }
            let names = [Some("can0"), Some("can1")];
            let (mut one, mut other) =
                (PcapngWriter::new(Vec::new(), &names).unwrap(), PcapngWriter::new(Vec::new(), &names).unwrap());
            for row in 0..block.len() {
                let written = one.write_row(&block, row).is_ok();
                prop_assert_eq!(written, other.write(&block.frame(row)).is_ok());
            }
            prop_assert_eq!(one.finish().unwrap(), other.finish().unwrap());
        }
    }

    #[test]
    fn the_common_row_is_the_block_of_the_standard() {
        let mut block = FrameBlock::default();
        block.push_short(0x0001_0002_0003_0004, CanId::standard(0x123), Meta::data(0, 3), 0x03_0201);
        let mut writer = PcapngWriter::continuing(Vec::new(), &[None]).unwrap();
        writer.write_block(&block).unwrap();
        let expected = [
            6, 0, 0, 0, 44, 0, 0, 0, 0, 0, 0, 0, 2, 0, 1, 0, 4, 0, 3, 0, 11, 0, 0, 0, 11, 0, 0, 0, // Packet.
            0, 0, 1, 0x23, 3, 0, 0, 0, 1, 2, 3, 0, // CAN record.
            44, 0, 0, 0,
        ];
        assert_eq!(writer.finish().unwrap(), expected);
    }
}
