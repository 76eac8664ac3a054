//! Captures: a file's bytes in, blocks of frames out, and the way back.
//!
//! ```text
//!  file ─▶ packed ─▶ window ─▶ pcap │ pcapng ─▶ can_record ─▶ FrameBlock
//!          (gzip,     (one     (records, blocks) (227, cooked)
//!           zstd)     buffer)
//! ```
//!
//! Whatever the file's length, memory stays flat: one buffer is reused, and the largest unfinished record it may grow to
//! has a named bound. A cut or damaged file gives everything that can be read; what cannot is counted in the
//! [`CaptureTally`] with its place. Does not know definitions or vehicles.

mod can_record;
mod error;
mod find;
mod packed;
mod pcap;
mod pcapng;
mod tally;
pub mod text;
mod window;
pub mod write;

pub use error::CaptureError;
pub use find::{Found, PassedOver, WhyPassedOver, find};
pub use tally::{CaptureTally, CutOff, DAMAGES_KEPT_MAX, Damage, DamageCause, Ending, Odd, PackedTrouble, Skipped};

use crate::frame::FrameBlock;
use packed::{Stored, Unpacker};
use pcapng::FileHead;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use window::Window;

/// Most channels of one capture, and interfaces of one section. A vehicle has a few; a yard's merged day some hundred.
/// It bounds what a hostile file can make us remember.
pub const CHANNELS_MAX: usize = 4096;

/// Largest reading buffer: it doubles from some 256 KiB until the longest block of 16 MiB fits in, which no capture of a
/// CAN bus has.
pub const BUFFER_BYTES_MAX: usize = 36 << 20;

/// Most bytes of an interface name. Linux has 15.
const NAME_BYTES_MAX: usize = 256;

/// How a capture is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ReadOptions {
    /// Compute the XXH3-128 hash of the file as stored while reading it.
    pub content_hash: bool,
    /// Take identifiers in the other byte order than their link type has, for files whose writer had it wrong.
    pub swap_ids: bool,
}

/// One CAN network of a capture. Its place in [`Capture::channels`] is `channel` of its frames.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// Interface name, where the capture tells it (pcapng).
    pub name: Option<String>,
    /// pcap link type: 227 (CAN_SOCKETCAN) or 113 (LINUX_SLL).
    pub link_type: u16,
}

/// A capture being read.
pub struct Capture {
    name: String,
    window: Window,
    format: Format,
    state: State,
    tally: CaptureTally,
    bytes_total: Option<u64>,
}

enum Format {
    Pcap(pcap::Pcap),
    Pcapng(Box<pcapng::Pcapng>),
}

enum State {
    Reading,
    /// Behind a damaged place, looking for one to go on from.
    Searching {
        from_bytes: u64,
        cause: DamageCause,
    },
    Ended,
}

/// How far a format got in a slice.
struct Step {
    /// Bytes used up; not to be offered again.
    used: usize,
    stop: Stop,
}

enum Stop {
    /// As many frames as were wanted.
    Full,
    /// So many bytes are needed behind the used ones.
    Need(usize),
    /// What stands behind the used bytes cannot be read.
    Corrupt(DamageCause),
}

/// What a search behind a damaged place gave.
enum Search {
    /// Reading can go on behind so many bytes.
    Found { used: usize },
    /// Nothing in so many bytes; more are needed.
    Need { used: usize },
    /// Nothing up to the end.
    Nothing,
}

/// Opens a capture file: pcap or pcapng, plain or packed with gzip or zstd, told apart by content.
///
/// # Errors
/// The file cannot be opened or read, or is no CAN capture.
pub fn open(path: &Path) -> Result<Capture, CaptureError> {
    open_with(path, ReadOptions::default())
}

/// As [`open`], with options.
///
/// # Errors
/// As [`open`].
pub fn open_with(path: &Path, options: ReadOptions) -> Result<Capture, CaptureError> {
    let failed = |source| CaptureError::Open { path: path.to_owned(), source };
    let file = File::open(path).map_err(failed)?;
    let metadata = file.metadata().map_err(failed)?;
    if metadata.is_dir() {
        return Err(CaptureError::Folder { path: path.to_owned() });
    }
    let bytes_total = metadata.is_file().then_some(metadata.len());
    Capture::new(path.display().to_string(), Box::new(file), bytes_total, options)
}

impl Capture {
    /// Reads a capture from any source; `name` stands for it in messages (`-` for the standard input).
    ///
    /// # Errors
    /// The source cannot be read, or gives no CAN capture.
    pub fn from_reader(name: String, reader: Box<dyn Read + Send>, options: ReadOptions) -> Result<Self, CaptureError> {
        Self::new(name, reader, None, options)
    }

    fn new(
        name: String,
        reader: Box<dyn Read + Send>,
        bytes_total: Option<u64>,
        options: ReadOptions,
    ) -> Result<Self, CaptureError> {
        let source = match Unpacker::new(Stored::new(reader, options.content_hash)) {
            Ok(source) => source,
            Err(source) => return Err(CaptureError::Read { name, offset_bytes: 0, source }),
        };
        let mut window = Window::new(source);
        let mut tally = CaptureTally::default();
        let format = match recognise(&name, &mut window)? {
            Recognised::Pcap(header) => {
                let Some(pcap) = pcap::Pcap::new(&header, options) else {
                    return Err(CaptureError::LinkType { name, found: header.link_type });
                };
                window.consume(pcap::HEADER_BYTES);
                tally.sections = 1;
                Format::Pcap(pcap)
            }
            Recognised::Pcapng => Format::Pcapng(Box::new(pcapng::Pcapng::new(options))),
        };
        Ok(Self { name, window, format, state: State::Reading, tally, bytes_total })
    }

    /// Appends at most `frames_max` frames, and reports whether more may follow. It hands out what one reading of the
    /// source gives rather than wait for more, so fewer, but at least one, are no sign of the end.
    ///
    /// A capture that is cut off or damaged is no error: all that can be read is handed out, and the
    /// [`tally`](Self::tally) says what is missing.
    ///
    /// # Errors
    /// The system could not read the source further. All frames before that were handed out by earlier calls.
    pub fn fill(&mut self, block: &mut FrameBlock, frames_max: usize) -> Result<bool, CaptureError> {
        let frames_before = block.len();
        loop {
            let appended = block.len() - frames_before;
            match self.state {
                State::Ended => return Ok(false),
                State::Searching { from_bytes, cause } => {
                    let (bytes, at_end) = (self.window.bytes(), self.window.at_end());
                    let found = match &self.format {
                        Format::Pcap(pcap) => pcap.search(bytes, at_end),
                        Format::Pcapng(pcapng) => pcapng.search(bytes, at_end),
                    };
                    match found {
                        Search::Found { used } => {
                            self.window.consume(used);
                            let lost_bytes = self.window.offset_bytes() - from_bytes;
                            self.tally.damage(Damage { offset_bytes: from_bytes, lost_bytes, cause });
                            self.state = State::Reading;
                        }
                        Search::Need { used } => {
                            self.window.consume(used);
                            if appended > 0 {
                                return Ok(true);
                            }
                            self.window.refill();
                        }
                        Search::Nothing => {
                            self.window.consume(usize::MAX);
                            let lost_bytes = self.window.offset_bytes() - from_bytes;
                            let damage = Damage { offset_bytes: from_bytes, lost_bytes, cause };
                            self.tally.damage(damage);
                            return self.end(Ending::Damaged(damage), appended);
                        }
                    }
                }
                State::Reading => {
                    let room = frames_max.saturating_sub(appended);
                    let bytes = self.window.bytes();
                    let step = match &mut self.format {
                        Format::Pcap(pcap) => pcap.take(bytes, room, block, &mut self.tally),
                        Format::Pcapng(pcapng) => pcapng.take(bytes, room, block, &mut self.tally),
                    };
                    self.window.consume(step.used);
                    match step.stop {
                        Stop::Full => return Ok(true),
                        Stop::Need(count) => {
                            let appended = block.len() - frames_before;
                            if appended > 0 && !self.window.at_end() {
                                return Ok(true);
                            }
                            if !self.window.reach(count) {
                                match self.ending() {
                                    Some(ending) => return self.end(ending, appended),
                                    None => self.search_from_here(self.claimed()),
                                }
                            }
                        }
                        Stop::Corrupt(cause) => self.search_from_here(cause),
                    }
                }
            }
        }
    }

    fn search_from_here(&mut self, cause: DamageCause) {
        self.state = State::Searching { from_bytes: self.window.offset_bytes(), cause };
        self.window.consume(1);
    }

    /// What is wrong with a block that claims to reach far beyond the end of the file.
    fn claimed(&self) -> DamageCause {
        match &self.format {
            Format::Pcap(_) => DamageCause::RecordLength { claimed_bytes: 0 },
            Format::Pcapng(pcapng) => {
                DamageCause::BlockLength { claimed_bytes: pcapng.claimed_bytes(self.window.bytes()) }
            }
        }
    }

    /// How the capture ends, its source having ended; none if what is left had better be searched.
    fn ending(&self) -> Option<Ending> {
        let left = self.window.bytes();
        let offset_bytes = self.window.offset_bytes();
        let lost_bytes = left.len() as u64;
        match self.window.source().trouble() {
            Some(PackedTrouble::Corrupt { .. }) => {
                return Some(Ending::Damaged(Damage { offset_bytes, lost_bytes, cause: DamageCause::Packing }));
            }
            Some(PackedTrouble::CutOff { .. }) => return Some(Ending::CutOff(CutOff { offset_bytes, lost_bytes })),
            Some(PackedTrouble::Checksum { .. }) | None => {}
        }
        match &self.format {
            _ if left.is_empty() => Some(Ending::Complete),
            Format::Pcapng(pcapng) if !pcapng.is_ordinary_cut(left) => None,
            _ => Some(Ending::CutOff(CutOff { offset_bytes, lost_bytes })),
        }
    }

    fn end(&mut self, ending: Ending, appended: usize) -> Result<bool, CaptureError> {
        let failure = match self.window.take_failure() {
            // The frames come first; the failure is told when there are none to be lost with it.
            Some(failure) if appended > 0 => {
                self.window.put_back_failure(failure);
                return Ok(true);
            }
            failure => failure,
        };
        self.state = State::Ended;
        self.tally.packed_trouble = self.window.source().trouble().cloned();
        match &ending {
            Ending::CutOff(cut) => self.tally.lost_bytes = self.tally.lost_bytes.saturating_add(cut.lost_bytes),
            Ending::Damaged(damage) if damage.cause == DamageCause::Packing => self.tally.damage(*damage),
            _ => {}
        }
        self.tally.ending = ending;
        self.window.consume(usize::MAX);
        match failure {
            None => Ok(false),
            Some(source) => {
                let offset_bytes = self.bytes_read();
                Err(CaptureError::Read { name: self.name.clone(), offset_bytes, source })
            }
        }
    }

    /// Its path, or what else it was called when opened.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The CAN networks met so far; grows while a pcapng file is read, and never changes otherwise.
    pub fn channels(&self) -> &[Channel] {
        match &self.format {
            Format::Pcap(pcap) => std::slice::from_ref(pcap.channel()),
            Format::Pcapng(pcapng) => pcapng.channels(),
        }
    }

    /// What was met so far.
    pub fn tally(&self) -> &CaptureTally {
        &self.tally
    }

    /// Bytes read of the file as stored: how far reading got.
    pub fn bytes_read(&self) -> u64 {
        self.window.source().stored().bytes()
    }

    /// Size of the reading buffer: some 256 KiB, and never more than [`BUFFER_BYTES_MAX`], whatever the capture claims.
    pub fn buffer_bytes(&self) -> usize {
        self.window.buffer_bytes()
    }

    /// Length of the file as stored, where it is one.
    pub fn bytes_total(&self) -> Option<u64> {
        self.bytes_total
    }

    /// XXH3-128 of the file's bytes as stored, if it was asked for. Reads what is left of the file, so it is called after
    /// the last [`fill`](Self::fill).
    ///
    /// # Errors
    /// The system could not read the rest.
    pub fn content_hash(&mut self) -> Result<Option<u128>, CaptureError> {
        if let Err(source) = self.window.source_mut().stored_mut().drain() {
            let offset_bytes = self.bytes_read();
            return Err(CaptureError::Read { name: self.name.clone(), offset_bytes, source });
        }
        Ok(self.window.source().stored().hash())
    }
}

/// What a file begins like.
enum Recognised {
    Pcap(pcap::Header),
    Pcapng,
}

/// Looks at the first bytes and leaves them where they are.
fn recognise(name: &str, window: &mut Window) -> Result<Recognised, CaptureError> {
    let mut wanted_bytes = pcap::HEADER_BYTES;
    loop {
        window.reach(wanted_bytes);
        if let Some(source) = window.take_failure() {
            let offset_bytes = window.source().stored().bytes();
            return Err(CaptureError::Read { name: name.to_owned(), offset_bytes, source });
        }
        let name = || name.to_owned();
        let bytes = window.bytes();
        if let Some(trouble) = window.source().trouble()
            && bytes.len() < wanted_bytes
        {
            return Err(CaptureError::Unpack { name: name(), trouble: trouble.clone() });
        }
        let too_short = |format, wanted_bytes: usize| {
            let (found_bytes, wanted_bytes) = (bytes.len() as u64, wanted_bytes as u64);
            Err(CaptureError::TooShort { name: name(), format, found_bytes, wanted_bytes })
        };
        match bytes {
            [0xD4, 0xC3, 0xB2, 0xA1, ..]
            | [0x4D, 0x3C, 0xB2, 0xA1, ..]
            | [0xA1, 0xB2, 0xC3, 0xD4, ..]
            | [0xA1, 0xB2, 0x3C, 0x4D, ..] => {
                let Some(header) = bytes.first_chunk().and_then(pcap::Header::parse) else {
                    return too_short("pcap", pcap::HEADER_BYTES);
                };
                if header.is_current() {
                    return Ok(Recognised::Pcap(header));
                }
                let (major, minor) = (header.major, header.minor);
                return Err(CaptureError::Version {
                    name: name(),
                    format: "pcap",
                    major,
                    minor,
                    offset_bytes: 4,
                    wanted: "pcap 2.4 or pcapng 1.0",
                });
            }
            [0x0A, 0x0D, 0x0D, 0x0A, ..] => match pcapng::Pcapng::check_head(bytes) {
                FileHead::Fine => return Ok(Recognised::Pcapng),
                FileHead::Need(count) if window.at_end() => return too_short("pcapng", count),
                FileHead::Need(count) => wanted_bytes = count,
                FileHead::Version { major, minor } => {
                    return Err(CaptureError::Version {
                        name: name(),
                        format: "pcapng",
                        major,
                        minor,
                        offset_bytes: 12,
                        wanted: "pcapng 1.0",
                    });
                }
                FileHead::Corrupt(cause) => {
                    let (what, offset_bytes) = match cause {
                        DamageCause::ByteOrder => ("its byte order cannot be told", 8),
                        DamageCause::BlockEnd { .. } => ("the two lengths of its first block differ", 4),
                        _ => ("its first block has an impossible length", 4),
                    };
                    return Err(CaptureError::Head { name: name(), what, offset_bytes });
                }
            },
            [] => return Err(CaptureError::Empty { name: name() }),
            _ => return Err(CaptureError::NotACapture { name: name(), found: describe(bytes) }),
        }
    }
}

/// What stands at the beginning of a file that is no capture, for a message.
fn describe(bytes: &[u8]) -> String {
    const KNOWN: [(&[u8], &str); 8] = [
        (b"PK\x03\x04", "a zip archive (unpack it first)"),
        (b"\xFD7zXZ\0", "xz packing (unpack it first)"),
        (b"BZh", "bzip2 packing (unpack it first)"),
        (b"\x04\x22\x4D\x18", "lz4 packing (unpack it first)"),
        (b"PAR1", "a Parquet file"),
        (b"\xA1\xB2\xCD\x34", "a pcap variant with longer record headers (write it anew as pcapng)"),
        (b"\x34\xCD\xB2\xA1", "a pcap variant with longer record headers (write it anew as pcapng)"),
        (b"\x7FELF", "a program"),
    ];
    const SHOWN_BYTES: usize = 24;
    if let Some((_, what)) = KNOWN.iter().find(|(magic, _)| bytes.starts_with(magic)) {
        return (*what).to_owned();
    }
    let shown = bytes.get(..bytes.len().min(SHOWN_BYTES)).unwrap_or_default();
    let is_text = shown.iter().all(|&byte| matches!(byte, b'\t' | b'\r' | b'\n' | b' '..=b'~'));
    if is_text {
        return format!("text beginning with \"{}\"", shown.escape_ascii());
    }
    let hex: Vec<String> = shown.iter().take(8).map(|byte| format!("{byte:02X}")).collect();
    format!("the bytes {}", hex.join(" "))
}
