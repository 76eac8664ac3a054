//! The journal of a tap: blocks of frames in, pcapng segments that are safe from a power cut out.
//!
//! ```text
//!  recorder ─▶ queue (bounded, never waited for) ─▶ writer ─▶ ….pcapng.writing ─▶ ….pcapng ─▶ keeper
//!  pipes ────▶ (waited for: nothing is given up)     (written 10×/s, synced 2×/s)
//! ```
//!
//! One folder a tap. A segment is called after its first frame's time and a number, so that names sort by time. While it
//! is written it has a suffix more; after a power cut [`repair()`] ends it behind its last whole block. Does not know
//! definitions, vehicles or the store.

mod queue;
mod repair;
mod writer;

#[cfg(test)]
mod tests;

pub use queue::JournalSender;
pub use repair::{Repaired, repair};

use crate::durable::sync_folder;
use crate::frame::TimeUs;
use crate::gateway::status::{Status, TapStatus};
use crate::settings::gateway::{JournalSettings, Tap};
use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;

/// Ending of a finished segment.
const FINISHED: &str = ".pcapng";
/// Ending of a segment being written.
const WRITING: &str = ".pcapng.writing";
/// Ending of a segment that begins like none, and was set aside.
const DAMAGED: &str = ".damaged";

/// Digits of a segment's number. More frames than that many segments hold come by with longer numbers, which still work.
const NUMBER_DIGITS: usize = 6;

/// Why the journal cannot begin. What goes wrong later is no error: it is told by [`Status::trouble`], and tried again.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The folder cannot be made, read or synced.
    #[error("{}: the journal's folder cannot be used: {source}; it must be a folder that the service may write to", path.display())]
    Folder {
        /// Which folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// An unfinished segment cannot be read, cut or renamed.
    #[error("{}: the unfinished segment cannot be ended: {source}; check the disk, and that the service may write to it", path.display())]
    Repair {
        /// Which segment.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The thread cannot be started.
    #[error("the journal's thread cannot be started: {0}; raise the service's limit of tasks")]
    Thread(io::Error),
}

/// What the journal calls; both from its own thread, which they must not hold up.
pub struct Hooks {
    /// A segment is finished and may be filed.
    pub finished: Box<dyn Fn(&Path) + Send>,
    /// The disk is full: room is wanted. Said again each time that it was tried in vain.
    pub room_wanted: Box<dyn Fn() + Send>,
}

impl Default for Hooks {
    /// Nobody is called.
    fn default() -> Self {
        Self { finished: Box::new(|_| {}), room_wanted: Box::new(|| {}) }
    }
}

/// Starts the journal of tap number `tap` of `status` in `folder`, which is made if need be and should have been
/// [repaired](repair()) before. The thread ends when all senders are dropped: it then writes what waits, and finishes
/// its segment.
///
/// # Errors
/// The folder cannot be used, or there can be no further thread.
pub fn start(
    tap: usize,
    settings: &Tap,
    folder: &Path,
    journal: &JournalSettings,
    status: &Arc<Status>,
    hooks: Hooks,
) -> Result<(JournalSender, JoinHandle<()>), JournalError> {
    make_folder(folder)?;
    let names: Vec<String> = settings.buses.iter().map(|bus| bus.source.name()).collect();
    let number = next_number(folder)?;
    if let Some(tap) = status.tap(tap) {
        measure(folder)?.keep(&tap);
    }
    let sender = JournalSender::new(journal.queue_bytes, Arc::clone(status), tap);
    let writer = writer::Writer::new(folder, names, number, journal, sender.queue(), status, tap, hooks);
    let handle = std::thread::Builder::new()
        .name(format!("journal {}", settings.name))
        .spawn(move || writer.run())
        .map_err(JournalError::Thread)?;
    Ok((sender, handle))
}

/// A finished segment.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Segment {
    /// Time of its first frame.
    pub first_us: TimeUs,
    /// Its number among those of its folder.
    pub number: u64,
    /// Where it is.
    pub path: PathBuf,
    /// Its length.
    pub bytes: u64,
}

/// The finished segments of a folder, by the time of their first frames. A folder that is not there has none.
///
/// # Errors
/// The folder cannot be read.
pub fn segments(folder: &Path) -> Result<Vec<Segment>, JournalError> {
    let mut found = Vec::new();
    for (path, name) in files(folder)? {
        let Some((first_us, number)) = name.strip_suffix(FINISHED).and_then(parse_name) else { continue };
        match fs::metadata(&path) {
            Ok(metadata) => found.push(Segment { first_us, number, path, bytes: metadata.len() }),
            // Filed and removed meanwhile.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(source) => return Err(JournalError::Folder { path, source }),
        }
    }
    found.sort();
    Ok(found)
}

/// Removes a segment that is filed, and takes it off the tap's counts.
///
/// # Errors
/// It cannot be removed. One that is not there is removed.
pub fn remove(segment: &Segment, status: &Status, tap: usize) -> io::Result<()> {
    match fs::remove_file(&segment.path) {
        Ok(()) => {}
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error),
    }
    if let Some(tap) = status.tap(tap) {
        forget(segment, &tap);
    }
    Ok(())
}

/// Takes a segment off a tap's counts: it is filed.
pub fn forget(segment: &Segment, tap: &TapStatus) {
    subtract(&tap.journal_bytes, segment.bytes);
    subtract(&tap.journal_segments, 1);
}

/// What a folder holds, unfinished segments among it.
struct Measure {
    bytes: u64,
    segments: u64,
}

impl Measure {
    fn keep(&self, tap: &TapStatus) {
        tap.journal_bytes.store(self.bytes, Ordering::Relaxed);
        tap.journal_segments.store(self.segments, Ordering::Relaxed);
    }
}

fn measure(folder: &Path) -> Result<Measure, JournalError> {
    let finished = segments(folder)?;
    Ok(Measure { bytes: finished.iter().map(|segment| segment.bytes).sum(), segments: finished.len() as u64 })
}

fn subtract(counter: &std::sync::atomic::AtomicU64, amount: u64) {
    counter.update(Ordering::Relaxed, Ordering::Relaxed, |now| now.saturating_sub(amount));
}

/// A number that no segment has in the folder, or in one below it, to which others may have put segments by.
fn next_number(folder: &Path) -> Result<u64, JournalError> {
    let number = |name: &str| {
        let stem = [WRITING, FINISHED].iter().find_map(|ending| name.strip_suffix(ending))?;
        Some(parse_name(stem)?.1)
    };
    let mut highest = 0;
    for (path, name) in files(folder)? {
        highest = highest.max(number(&name).unwrap_or(0));
        if path.is_dir() {
            let put_by = files(&path)?;
            highest = put_by.iter().filter_map(|(_, name)| number(name)).fold(highest, u64::max);
        }
    }
    Ok(highest.saturating_add(1))
}

/// Files of a folder with their names, those left out whose names are no text: none of ours is so.
fn files(folder: &Path) -> Result<Vec<(PathBuf, String)>, JournalError> {
    let failed = |source| JournalError::Folder { path: folder.to_owned(), source };
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(failed(error)),
    };
    let mut found = Vec::new();
    for entry in entries {
        let entry = entry.map_err(failed)?;
        if let Ok(name) = entry.file_name().into_string() {
            found.push((entry.path(), name));
        }
    }
    Ok(found)
}

/// A segment's name without its ending. A time that no calendar has is written as the nearest that has one.
fn stem(first_us: TimeUs, number: u64) -> String {
    let range = (0, jiff::Timestamp::MAX.as_microsecond());
    let time = jiff::Timestamp::from_microsecond(first_us.clamp(range.0, range.1)).unwrap_or_default();
    format!("{}-{number:0width$}", time.strftime("%Y%m%dT%H%M%S.%6fZ"), width = NUMBER_DIGITS)
}

/// What an unfinished segment is called once it is finished.
fn finished_path(writing: &Path) -> PathBuf {
    writing.with_extension("")
}

/// Time and number of a name without its ending.
fn parse_name(stem: &str) -> Option<(TimeUs, u64)> {
    let (time, number) = stem.rsplit_once('-')?;
    let time = jiff::civil::DateTime::strptime("%Y%m%dT%H%M%S%.fZ", time).ok()?;
    let first_us = jiff::tz::TimeZone::UTC.to_timestamp(time).ok()?.as_microsecond();
    Some((first_us, number.parse().ok()?))
}

fn make_folder(folder: &Path) -> Result<(), JournalError> {
    let failed = |source| JournalError::Folder { path: folder.to_owned(), source };
    fs::DirBuilder::new().recursive(true).mode(0o750).create(folder).map_err(failed)?;
    // Names are safe where the folder above is synced: the segments', the tap's, and that of the journal in the store.
    let mut above = folder.ancestors().take(3).filter(|above| !above.as_os_str().is_empty());
    above.try_for_each(sync_folder).map_err(failed)
}

/// Makes a file that must not be there yet, for the service's own user and group.
fn create(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).mode(0o640).open(path)
}
