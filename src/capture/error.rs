//! Why a capture cannot be opened or read at all. What is wrong inside one that can be read goes to the
//! [`CaptureTally`](super::CaptureTally) instead, so that everything before and behind it is kept.

use std::io;
use std::path::PathBuf;

/// Why a capture cannot be opened or read. `name` is the file's path, or `-` for the standard input.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The file cannot be opened.
    #[error("{}: cannot be opened: {source}; check that it exists and may be read", path.display())]
    Open {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A folder was named where a file is wanted.
    #[error("{}: is a folder, not a capture; name the files in it, or let the folder be searched", path.display())]
    Folder {
        /// Which folder.
        path: PathBuf,
    },
    /// A folder cannot be searched, or a file in it cannot be looked at.
    #[error("{}: cannot be searched for captures: {source}; check that it exists and may be read", path.display())]
    Search {
        /// Which folder or file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The system failed in the middle of the file. All frames before were handed out.
    #[error("{name}: reading stopped at byte {offset_bytes}: {source}; all frames before it are kept, read it again")]
    Read {
        /// Which capture.
        name: String,
        /// Place in the file as stored.
        offset_bytes: u64,
        /// What the system said.
        source: io::Error,
    },
    /// Not one byte.
    #[error("{name}: is empty, so it holds no capture; copy it again from where it was recorded")]
    Empty {
        /// Which capture.
        name: String,
    },
    /// It begins like a capture and ends before the first frame could stand.
    #[error(
        "{name}: begins like {format}, but ends after {found_bytes} of the {wanted_bytes} bytes of its header; \
         copy it again from where it was recorded"
    )]
    TooShort {
        /// Which capture.
        name: String,
        /// What it began like.
        format: &'static str,
        /// Bytes there are, after unpacking.
        found_bytes: u64,
        /// Bytes its header has.
        wanted_bytes: u64,
    },
    /// The first bytes are no capture's.
    #[error("{name}: is not a capture: {found} at byte 0; wanted is pcap or pcapng, plain or packed with gzip or zstd")]
    NotACapture {
        /// Which capture.
        name: String,
        /// What stands there instead.
        found: String,
    },
    /// Packed, and the packing itself is broken before the first byte of the capture.
    #[error("{name}: cannot be unpacked: {trouble}; copy it again from where it was recorded")]
    Unpack {
        /// Which capture.
        name: String,
        /// What is wrong with it.
        trouble: super::PackedTrouble,
    },
    /// The capture is of another kind of network.
    #[error(
        "{name}: holds packets of link type {found} (byte 20), not CAN; wanted is link type 227 (CAN_SOCKETCAN) \
         or 113 (LINUX_SLL); record the CAN interface itself"
    )]
    LinkType {
        /// Which capture.
        name: String,
        /// The link type it names.
        found: u16,
    },
    /// A revision of the format which nobody has published, or which is long gone.
    #[error(
        "{name}: is {format} of version {major}.{minor} (byte {offset_bytes}), which cannot be read; write it anew as {wanted}"
    )]
    Version {
        /// Which capture.
        name: String,
        /// pcap or pcapng.
        format: &'static str,
        /// Its major version.
        major: u16,
        /// Its minor version.
        minor: u16,
        /// Where the version stands.
        offset_bytes: u64,
        /// What can be read.
        wanted: &'static str,
    },
    /// The head of a pcapng file contradicts itself.
    #[error("{name}: begins like pcapng, but {what} (byte {offset_bytes}); copy it again from where it was recorded")]
    Head {
        /// Which capture.
        name: String,
        /// What is wrong.
        what: &'static str,
        /// Where.
        offset_bytes: u64,
    },
}
