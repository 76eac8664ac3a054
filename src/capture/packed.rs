//! Unpacking: a file's bytes as stored in, the bytes of the capture out. gzip (RFC 1952) with any number of members,
//! zstd (RFC 8878) with any number of frames, or neither; told apart by the first bytes, never by the name.
//!
//! The decoders are driven block by block, so that everything in front of a damaged or missing place comes out.

use super::PackedTrouble;
use flate2::{Crc, Decompress, FlushDecompress, Status};
use std::io::{self, Read};
use twox_hash::XxHash3_128;
use zstd::zstd_safe::{DCtx, DParameter, InBuffer, OutBuffer, get_error_name};

/// Bytes read from a packed file at once.
const PACKED_READ_BYTES: usize = 1 << 18;

/// Largest zstd window, as a power of two. 128 MiB is what the format's strongest ordinary levels use and what
/// its own tool takes without being asked; a file that claims more is refused before the memory is taken.
const ZSTD_WINDOW_LOG_MAX: u32 = 27;

/// Longest gzip member header: a name, a comment and an extra field. Real ones have some dozen bytes.
const GZIP_HEADER_BYTES_MAX: usize = 1 << 17;

/// First bytes needed to tell the packing.
const MAGIC_BYTES: usize = 4;

/// Bytes read to get at them: whole memory pages, so that the readings behind begin at one.
const HEAD_BYTES: usize = 1 << 16;

/// The file as stored: counts and, if wanted, hashes what is read.
pub(super) struct Stored {
    reader: Box<dyn Read + Send>,
    /// The first bytes, read to tell the packing and not yet taken.
    head: Vec<u8>,
    head_taken: usize,
    bytes: u64,
    hasher: Option<XxHash3_128>,
    /// The end was met. What is appended to the file later is not of the capture: its frames were not read, so the hash
    /// must not cover it either.
    ended: bool,
}

impl Stored {
    pub(super) fn new(reader: Box<dyn Read + Send>, hash: bool) -> Self {
        Self { reader, head: Vec::new(), head_taken: 0, bytes: 0, hasher: hash.then(XxHash3_128::new), ended: false }
    }

    /// Bytes read so far.
    pub(super) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// XXH3-128 of what was read so far.
    pub(super) fn hash(&self) -> Option<u128> {
        self.hasher.as_ref().map(XxHash3_128::finish_128)
    }

    fn read_raw(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.ended {
            return Ok(0);
        }
        loop {
            match self.reader.read(buffer) {
                Ok(count) => {
                    // A reader that claims more than it was given room for is not believed.
                    let count = count.min(buffer.len());
                    self.bytes += count as u64;
                    self.ended = count == 0 && !buffer.is_empty();
                    if let Some(hasher) = &mut self.hasher {
                        hasher.write(buffer.get(..count).unwrap_or_default());
                    }
                    return Ok(count);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }

    /// The first bytes, at least [`MAGIC_BYTES`] if there are as many.
    fn look_at_head(&mut self) -> io::Result<&[u8]> {
        let mut head = vec![0; HEAD_BYTES];
        let mut end = 0;
        while end < MAGIC_BYTES {
            let count = self.read_raw(head.get_mut(end..).unwrap_or_default())?;
            if count == 0 {
                break;
            }
            end += count;
        }
        head.truncate(end);
        self.head = head;
        Ok(&self.head)
    }

    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let Some(left) = self.head.get(self.head_taken..).filter(|left| !left.is_empty()) else {
            return self.read_raw(buffer);
        };
        let count = left.len().min(buffer.len());
        if let (Some(to), Some(from)) = (buffer.get_mut(..count), left.get(..count)) {
            to.copy_from_slice(from);
        }
        self.head_taken += count;
        if self.head_taken == self.head.len() {
            self.head = Vec::new();
            self.head_taken = 0;
        }
        Ok(count)
    }

    /// Reads to the end, so that count and hash cover the whole file.
    pub(super) fn drain(&mut self) -> io::Result<()> {
        let mut buffer = vec![0; PACKED_READ_BYTES];
        while self.read(&mut buffer)? > 0 {}
        Ok(())
    }
}

/// Bytes read from the packed file and not yet taken by a decoder.
struct Feed {
    buffer: Vec<u8>,
    start: usize,
    end: usize,
}

impl Feed {
    fn new() -> Self {
        Self { buffer: vec![0; PACKED_READ_BYTES], start: 0, end: 0 }
    }

    fn bytes(&self) -> &[u8] {
        self.buffer.get(self.start..self.end).unwrap_or_default()
    }

    fn consume(&mut self, count: usize) {
        self.start = (self.start + count).min(self.end);
    }

    /// Reads more behind what is left; 0 at the end of the file or when the buffer is full.
    fn refill(&mut self, stored: &mut Stored) -> io::Result<usize> {
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
        }
        let count = stored.read(self.buffer.get_mut(self.end..).unwrap_or_default())?;
        self.end += count;
        Ok(count)
    }

    /// Has at least `count` bytes, or as many as there are.
    fn reach(&mut self, count: usize, stored: &mut Stored) -> io::Result<bool> {
        while self.bytes().len() < count {
            if self.refill(stored)? == 0 {
                return Ok(false);
            }
        }
        Ok(true)
    }
}

/// Where a gzip stream stands.
enum GzipState {
    /// Before a member.
    Header,
    /// Inside the deflate stream of a member.
    Body,
    /// Before the checksum and length of a member.
    Trailer,
    /// Behind everything.
    End,
}

/// gzip, member by member.
struct Gzip {
    feed: Feed,
    inflate: Decompress,
    crc: Crc,
    state: GzipState,
}

/// zstd, block by block.
struct Zstd {
    feed: Feed,
    context: DCtx<'static>,
    /// Bytes of input the decoder asks for: one block, so that a broken block costs no other.
    wanted: usize,
    /// Whether the decoder is between frames.
    between: bool,
    /// Whether the decoder may hold back output for want of room.
    pending: bool,
    ended: bool,
}

/// Bytes zstd asks for at the beginning of a frame (its magic and the frame header's first byte).
const ZSTD_START_BYTES: usize = 5;

enum Packing {
    Plain,
    Gzip(Box<Gzip>),
    Zstd(Box<Zstd>),
}

/// A capture's bytes, unpacked.
pub(super) struct Unpacker {
    stored: Stored,
    packing: Packing,
    trouble: Option<PackedTrouble>,
}

impl Unpacker {
    /// Looks at the first bytes and chooses.
    pub(super) fn new(mut stored: Stored) -> io::Result<Self> {
        let packing = match *stored.look_at_head()? {
            [0x1F, 0x8B, 0x08, ..] => Packing::Gzip(Box::new(Gzip {
                feed: Feed::new(),
                inflate: Decompress::new(false),
                crc: Crc::new(),
                state: GzipState::Header,
            })),
            // A frame, or a skippable frame before it.
            [0x28, 0xB5, 0x2F, 0xFD, ..] | [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..] => {
                let mut context = DCtx::try_create().ok_or(io::ErrorKind::OutOfMemory)?;
                context
                    .set_parameter(DParameter::WindowLogMax(ZSTD_WINDOW_LOG_MAX))
                    .map_err(|code| io::Error::other(get_error_name(code)))?;
                Packing::Zstd(Box::new(Zstd {
                    feed: Feed::new(),
                    context,
                    wanted: ZSTD_START_BYTES,
                    between: true,
                    pending: false,
                    ended: false,
                }))
            }
            _ => Packing::Plain,
        };
        Ok(Self { stored, packing, trouble: None })
    }

    pub(super) fn stored(&self) -> &Stored {
        &self.stored
    }

    pub(super) fn stored_mut(&mut self) -> &mut Stored {
        &mut self.stored
    }

    /// What went wrong with the packing first, if anything.
    pub(super) fn trouble(&self) -> Option<&PackedTrouble> {
        self.trouble.as_ref()
    }

    /// The next unpacked bytes; 0 at the end, and where the packing cannot be followed further.
    pub(super) fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if out.is_empty() {
            return Ok(0);
        }
        let (count, trouble) = match &mut self.packing {
            Packing::Plain => return self.stored.read(out),
            Packing::Gzip(gzip) => gzip.read(&mut self.stored, out)?,
            Packing::Zstd(zstd) => zstd.read(&mut self.stored, out)?,
        };
        if self.trouble.is_none() {
            self.trouble = trouble;
        }
        Ok(count)
    }
}

impl Gzip {
    fn read(&mut self, stored: &mut Stored, out: &mut [u8]) -> io::Result<(usize, Option<PackedTrouble>)> {
        let mut trouble = None;
        loop {
            match self.state {
                GzipState::End => return Ok((0, trouble)),
                GzipState::Header => {
                    if let Some(found) = self.header(stored)? {
                        self.state = GzipState::End;
                        return Ok((0, trouble.or(found)));
                    }
                    self.inflate.reset(false);
                    self.crc.reset();
                    self.state = GzipState::Body;
                }
                GzipState::Body => {
                    let at_end = self.feed.bytes().is_empty() && self.feed.refill(stored)? == 0;
                    let (in_before, out_before) = (self.inflate.total_in(), self.inflate.total_out());
                    let status = self.inflate.decompress(self.feed.bytes(), out, FlushDecompress::None);
                    // Both differences lie within the two slices just handed over.
                    let taken = (self.inflate.total_in() - in_before) as usize;
                    let given = ((self.inflate.total_out() - out_before) as usize).min(out.len());
                    self.feed.consume(taken);
                    self.crc.update(out.get(..given).unwrap_or_default());
                    match status {
                        Ok(Status::StreamEnd) => self.state = GzipState::Trailer,
                        Ok(Status::Ok | Status::BufError) if given == 0 && taken == 0 => {
                            let offset_bytes = self.place(stored);
                            self.state = GzipState::End;
                            let found = if at_end {
                                PackedTrouble::CutOff { offset_bytes }
                            } else {
                                PackedTrouble::Corrupt {
                                    offset_bytes,
                                    reason: "the deflate stream stands still".into(),
                                }
                            };
                            return Ok((0, trouble.or(Some(found))));
                        }
                        Ok(Status::Ok | Status::BufError) => {}
                        Err(error) => {
                            let offset_bytes = self.place(stored);
                            self.state = GzipState::End;
                            let reason = error.message().unwrap_or("the deflate stream is corrupt").to_owned();
                            trouble = trouble.or(Some(PackedTrouble::Corrupt { offset_bytes, reason }));
                        }
                    }
                    if given > 0 {
                        return Ok((given, trouble));
                    }
                }
                GzipState::Trailer => {
                    self.feed.reach(8, stored)?;
                    let Some(&[a, b, c, d, e, f, g, h]) = self.feed.bytes().first_chunk() else {
                        self.state = GzipState::End;
                        let offset_bytes = stored.bytes();
                        return Ok((0, trouble.or(Some(PackedTrouble::CutOff { offset_bytes }))));
                    };
                    self.feed.consume(8);
                    // RFC 1952: CRC-32 of the data, then its length modulo 2^32.
                    let length = u64::from(u32::from_le_bytes([e, f, g, h]));
                    let agrees = u32::from_le_bytes([a, b, c, d]) == self.crc.sum()
                        && length == self.inflate.total_out() & 0xFFFF_FFFF;
                    if !agrees {
                        trouble = trouble.or(Some(PackedTrouble::Checksum { offset_bytes: self.place(stored) }));
                    }
                    self.state = GzipState::Header;
                }
            }
        }
    }

    /// Place in the stored file of the next byte to be decoded.
    fn place(&self, stored: &Stored) -> u64 {
        stored.bytes() - self.feed.bytes().len() as u64
    }

    /// Takes a member's header. Gives the end of the stream, clean or not, where there is none.
    fn header(&mut self, stored: &mut Stored) -> io::Result<Option<Option<PackedTrouble>>> {
        loop {
            let bytes = self.feed.bytes();
            match gzip_header(bytes) {
                GzipHeader::Bytes(count) => {
                    self.feed.consume(count);
                    return Ok(None);
                }
                GzipHeader::Unfinished => {
                    if bytes.len() < GZIP_HEADER_BYTES_MAX && self.feed.refill(stored)? > 0 {
                        continue;
                    }
                    if self.feed.bytes().is_empty() {
                        return Ok(Some(None));
                    }
                    return Ok(Some(Some(PackedTrouble::CutOff { offset_bytes: stored.bytes() })));
                }
                GzipHeader::Other => {
                    // Zeros fill up the last block of a tape or a device; RFC 1952 readers pass them over.
                    let offset_bytes = self.place(stored);
                    if bytes.first() == Some(&0) && self.only_zeros(stored)? {
                        return Ok(Some(None));
                    }
                    let reason = "bytes that are no gzip member".to_owned();
                    return Ok(Some(Some(PackedTrouble::Corrupt { offset_bytes, reason })));
                }
            }
        }
    }

    fn only_zeros(&mut self, stored: &mut Stored) -> io::Result<bool> {
        loop {
            if self.feed.bytes().iter().any(|&byte| byte != 0) {
                return Ok(false);
            }
            let count = self.feed.bytes().len();
            self.feed.consume(count);
            if self.feed.refill(stored)? == 0 {
                return Ok(true);
            }
        }
    }
}

enum GzipHeader {
    /// A whole header of so many bytes.
    Bytes(usize),
    /// It may be one, but more bytes are needed.
    Unfinished,
    /// Something else.
    Other,
}

/// Measures a member header (RFC 1952, section 2.3).
fn gzip_header(bytes: &[u8]) -> GzipHeader {
    const MAGIC: [u8; 3] = [0x1F, 0x8B, 0x08];
    if bytes.iter().zip(MAGIC).any(|(&found, wanted)| found != wanted) {
        return GzipHeader::Other;
    }
    let Some(&[_, _, _, flags, ..]) = bytes.first_chunk::<10>() else { return GzipHeader::Unfinished };
    let mut at = 10;
    if flags & 0x04 != 0 {
        let Some(&[a, b]) = bytes.get(at..).and_then(<[u8]>::first_chunk) else { return GzipHeader::Unfinished };
        at += 2 + usize::from(u16::from_le_bytes([a, b]));
    }
    for text in [0x08, 0x10] {
        if flags & text != 0 {
            let Some(count) = bytes.get(at..).and_then(|rest| rest.iter().position(|&byte| byte == 0)) else {
                return GzipHeader::Unfinished;
            };
            at += count + 1;
        }
    }
    if flags & 0x02 != 0 {
        at += 2;
    }
    if at <= bytes.len() { GzipHeader::Bytes(at) } else { GzipHeader::Unfinished }
}

impl Zstd {
    fn read(&mut self, stored: &mut Stored, out: &mut [u8]) -> io::Result<(usize, Option<PackedTrouble>)> {
        loop {
            if self.ended {
                return Ok((0, None));
            }
            if !self.pending && self.feed.bytes().is_empty() && self.feed.refill(stored)? == 0 {
                self.ended = true;
                let trouble = (!self.between).then(|| PackedTrouble::CutOff { offset_bytes: stored.bytes() });
                return Ok((0, trouble));
            }
            let count = if self.pending { 0 } else { self.feed.bytes().len().min(self.wanted) };
            let room = out.len();
            let mut input = InBuffer::around(self.feed.bytes().get(..count).unwrap_or_default());
            let mut output = OutBuffer::around(&mut *out);
            let result = self.context.decompress_stream(&mut output, &mut input);
            let (taken, given) = (input.pos(), output.pos());
            self.feed.consume(taken);
            match result {
                Ok(wanted) => {
                    // Zero: a frame ended and all of it came out. Another may follow.
                    self.between = wanted == 0;
                    self.wanted = if wanted == 0 { ZSTD_START_BYTES } else { wanted };
                    self.pending = given == room && wanted != 0;
                }
                Err(code) => {
                    self.ended = true;
                    let offset_bytes = stored.bytes() - self.feed.bytes().len() as u64;
                    let reason = get_error_name(code).to_owned();
                    return Ok((given, Some(PackedTrouble::Corrupt { offset_bytes, reason })));
                }
            }
            if given > 0 {
                return Ok((given, None));
            }
            if taken == 0 && count > 0 {
                self.ended = true;
                let offset_bytes = stored.bytes() - self.feed.bytes().len() as u64;
                let reason = "the zstd stream stands still".to_owned();
                return Ok((0, Some(PackedTrouble::Corrupt { offset_bytes, reason })));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Cursor, Write};

    fn unpack(bytes: &[u8]) -> (Vec<u8>, Option<PackedTrouble>) {
        let mut unpacker = Unpacker::new(Stored::new(Box::new(Cursor::new(bytes.to_vec())), false)).unwrap();
        let (mut out, mut piece) = (Vec::new(), vec![0; 10_000]);
        loop {
            match unpacker.read(&mut piece).unwrap() {
                0 => return (out, unpacker.trouble().cloned()),
                count => out.extend_from_slice(&piece[..count]),
            }
        }
    }

    /// Bytes that pack neither well nor not at all.
    fn sample() -> Vec<u8> {
        let mut state = 1_u32;
        let bytes = std::iter::from_fn(|| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            Some((state >> 28) as u8)
        });
        bytes.take(1_000_000).collect()
    }

    /// A file to which another process appends whenever its end was met.
    struct Growing(Vec<&'static [u8]>);

    impl Read for Growing {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let Some(next) = self.0.first_mut() else { return Ok(0) };
            let count = next.read(buffer)?;
            if count == 0 {
                self.0.remove(0);
            }
            Ok(count)
        }
    }

    #[test]
    fn what_is_appended_behind_the_end_that_was_met_is_not_hashed() {
        let hash_of = |parts: &[&'static [u8]]| {
            let mut unpacker = Unpacker::new(Stored::new(Box::new(Growing(parts.to_vec())), true)).unwrap();
            let mut out = Vec::new();
            let mut piece = [0; 7];
            while let Ok(count @ 1..) = unpacker.read(&mut piece) {
                out.extend_from_slice(&piece[..count]);
            }
            unpacker.stored_mut().drain().unwrap();
            (out, unpacker.stored().hash())
        };
        let short = hash_of(&[b"frames so far"]);
        assert_eq!(hash_of(&[b"frames so far", b" and more"]), short);
        assert_ne!(hash_of(&[b"frames so far and more"]), short);
    }

    #[test]
    fn everything_before_a_damaged_place_comes_out() {
        let sample = sample();
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        encoder.write_all(&sample).unwrap();
        let gzip = encoder.finish().unwrap();
        let mut encoder = zstd::Encoder::new(Vec::new(), 3).unwrap();
        encoder.include_checksum(true).unwrap();
        encoder.write_all(&sample).unwrap();
        let zstd = encoder.finish().unwrap();
        // A byte packs to half of one; of a deflate or zstd block all is lost, and zstd's have 128 KiB.
        for (packed, block_bytes) in [(gzip, 100_000), (zstd, 131_072)] {
            for place in [packed.len() / 3, packed.len() / 2, packed.len() - 1000] {
                let (out, trouble) = unpack(&packed[..place]);
                assert_eq!(out, sample[..out.len()]);
                assert!(out.len() + 2 * block_bytes > sample.len() * place / packed.len(), "{place} {}", out.len());
                assert_eq!(trouble, Some(PackedTrouble::CutOff { offset_bytes: place as u64 }));

                let mut damaged = packed.clone();
                damaged[place..place + 400].fill(0xFF);
                let (out, trouble) = unpack(&damaged);
                let same = out.iter().zip(&sample).take_while(|(a, b)| a == b).count();
                assert!(same + 2 * block_bytes > sample.len() * place / packed.len(), "{place} {same}");
                assert!(trouble.is_some());
            }
        }
    }

    #[test]
    fn gzip_headers_with_every_field_are_measured() {
        let header =
            [&[0x1F, 0x8B, 8, 0x1E, 0, 0, 0, 0, 0, 3][..], &[3, 0, 1, 2, 3], b"name\0", b"comment\0", &[0xAB, 0xCD]]
                .concat();
        assert!(matches!(gzip_header(&header), GzipHeader::Bytes(count) if count == header.len()));
        for cut in 0..header.len() {
            assert!(matches!(gzip_header(&header[..cut]), GzipHeader::Unfinished));
        }
        assert!(matches!(gzip_header(b"\x1F\x8B\x09"), GzipHeader::Other));
    }

    #[test]
    fn a_header_without_end_is_given_up() {
        let mut bytes = vec![b'a'; 1 << 20];
        bytes[..10].copy_from_slice(&[0x1F, 0x8B, 8, 8, 0, 0, 0, 0, 0, 3]);
        let (out, trouble) = unpack(&bytes);
        assert!(out.is_empty() && trouble.is_some());
    }
}
