//! The journal's thread: blocks out of the queue into segments, written often, synced often enough.
//!
//! Blocks are held until they are synced. When the disk refuses anything, the segment is cut back to what was synced and
//! ends there; what is not safe is written again into a new one, once there is room. So every frame that was not given
//! up is there once, whatever failed: a sync that failed is never taken for done.

use super::queue::{Queue, block_bytes};
use super::{Hooks, WRITING, create, finished_path, stem};
use crate::capture::write::{PcapngWriter, WriteError};
use crate::durable::sync_folder;
use crate::frame::FrameBlock;
use crate::gateway::clock::now_us;
use crate::gateway::status::Status;
use crate::settings::gateway::JournalSettings;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

/// Longest time that frames wait before they are written.
const TICK: Duration = Duration::from_millis(100);

/// Most bytes written that are not synced: of a backlog that does not fit on the disk, what fits is kept.
const UNSYNCED_BYTES_MAX: u64 = 1 << 20;

/// How often is tried again what the disk refused.
const RETRY: Duration = Duration::from_secs(1);

/// How long a loss of frames is told after the last of them.
const LOSS_TOLD: Duration = Duration::from_secs(60);

pub(super) struct Writer {
    folder: PathBuf,
    names: Vec<String>,
    /// Of the next segment.
    number: u64,
    settings: JournalSettings,
    queue: Arc<Queue>,
    status: Arc<Status>,
    tap: usize,
    hooks: Hooks,
    segment: Option<Segment>,
    /// Blocks that are not safe yet, oldest first.
    unsynced: Vec<Arc<FrameBlock>>,
    /// How many of them the present segment has.
    written: usize,
    /// Ended segments that could not be renamed, or not cut back, with the length they are to have.
    to_end: Vec<(PathBuf, u64)>,
    synced_at: Instant,
    /// When to try again, the disk having refused.
    retry_at: Option<Instant>,
    /// Until when a loss of frames is told.
    loss_until: Option<Instant>,
}

/// The segment being written.
struct Segment {
    /// With the ending of an unfinished one.
    path: PathBuf,
    out: PcapngWriter<File>,
    /// Length that is safe; 0 until the first sync. Behind it a block begins.
    synced_bytes: u64,
    /// Length that the tap's status has counted.
    counted_bytes: u64,
    opened: Instant,
}

/// What the disk refused.
struct Refused {
    path: PathBuf,
    what: &'static str,
    source: io::Error,
}

impl Refused {
    /// Whether room would help.
    fn is_full(&self) -> bool {
        matches!(self.source.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
    }
}

impl Writer {
    #[expect(clippy::too_many_arguments, reason = "a thread's whole equipment, handed over once")]
    pub(super) fn new(
        folder: &Path,
        names: Vec<String>,
        number: u64,
        settings: &JournalSettings,
        queue: Arc<Queue>,
        status: &Arc<Status>,
        tap: usize,
        hooks: Hooks,
    ) -> Self {
        Self {
            folder: folder.to_owned(),
            names,
            number,
            settings: settings.clone(),
            queue,
            status: Arc::clone(status),
            tap,
            hooks,
            segment: None,
            unsynced: Vec::new(),
            written: 0,
            to_end: Vec::new(),
            synced_at: Instant::now(),
            retry_at: None,
            loss_until: None,
        }
    }

    pub(super) fn run(mut self) {
        let mut finish = false;
        loop {
            let taken = self.queue.take(TICK);
            if let Some(tap) = self.status.tap(self.tap) {
                tap.journal_beat.fetch_add(1, Ordering::Relaxed);
            }
            self.unsynced.extend(taken.blocks);
            finish |= taken.finish;
            if taken.overflowed {
                self.tell_loss();
            }
            let wait = self.retry_at.is_some_and(|at| Instant::now() < at) && !taken.closed;
            if !wait {
                match self.put_away(finish || taken.closed) {
                    Ok(()) => {
                        finish = false;
                        self.all_well();
                    }
                    Err(refused) => self.give_way(&refused),
                }
            }
            if taken.closed {
                return self.end();
            }
        }
    }

    /// Writes all blocks, syncs if it is time, and finishes the segment if it is time or wanted.
    fn put_away(&mut self, finish: bool) -> Result<(), Refused> {
        self.end_old_segments()?;
        while let Some(block) = self.unsynced.get(self.written).map(Arc::clone) {
            self.write_block(&block)?;
            self.written += 1;
            let Some(segment) = &self.segment else { continue };
            if segment.out.bytes() >= self.settings.segment_bytes {
                self.finish()?;
            } else if segment.out.bytes() - segment.synced_bytes >= UNSYNCED_BYTES_MAX {
                self.sync()?;
            }
        }
        let Some(segment) = &mut self.segment else { return Ok(()) };
        segment.out.flush().map_err(|error| refused(&segment.path, "write", error))?;
        let now_bytes = segment.out.bytes();
        let grown = now_bytes - std::mem::replace(&mut segment.counted_bytes, now_bytes);
        let old = segment.opened.elapsed() >= self.settings.segment_time;
        if let Some(tap) = self.status.tap(self.tap) {
            tap.journal_bytes.fetch_add(grown, Ordering::Relaxed);
        }
        if finish || old {
            self.finish()
        } else if self.written > 0 && (self.synced_at.elapsed() >= self.sync_after() || self.queue.is_crowded()) {
            self.sync()
        } else {
            Ok(())
        }
    }

    /// So that the longest time holds although we look at it only every [`TICK`].
    fn sync_after(&self) -> Duration {
        self.settings.sync_every.saturating_sub(TICK + TICK / 2)
    }

    fn write_block(&mut self, block: &FrameBlock) -> Result<(), Refused> {
        if block.is_empty() {
            return Ok(());
        }
        if self.segment.is_none() {
            self.segment = Some(self.begin(block)?);
        }
        let Some(segment) = &mut self.segment else { return Ok(()) };
        for index in 0..block.len() {
            match segment.out.write_row(block, index) {
                Ok(()) => {}
                Err(WriteError::Io(source)) => {
                    return Err(Refused { path: segment.path.clone(), what: "write", source });
                }
                // Our own mistake: the recorder makes no such frames. The others are worth more than a dead thread.
                Err(error) => {
                    tracing::error!(segment = %segment.path.display(), "a frame is left out: {error}");
                    if let Some(tap) = self.status.tap(self.tap) {
                        tap.queue_dropped.fetch_add(1, Ordering::Relaxed);
                    }
                }
            }
        }
        Ok(())
    }

    /// A new segment, called after the first frame it will have.
    fn begin(&mut self, block: &FrameBlock) -> Result<Segment, Refused> {
        let first_us = block.time_us.first().copied().unwrap_or_default();
        let (path, file) = loop {
            let path = self.folder.join(stem(first_us, self.number) + WRITING);
            let finished = finished_path(&path);
            self.number += 1;
            match create(&path) {
                // A finished one of this name would be overwritten later.
                Ok(_) if finished.exists() => remove_empty(&path)?,
                Ok(file) => break (path, file),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(source) => return Err(Refused { path, what: "make", source }),
            }
        };
        let names: Vec<Option<&str>> = self.names.iter().map(|name| Some(name.as_str())).collect();
        let begun = sync_folder(&self.folder)
            .map_err(WriteError::from)
            .and_then(|()| PcapngWriter::new(file, &names))
            .map_err(|error| refused(&path, "begin", error));
        let out = match begun {
            Ok(out) => out,
            Err(refused) => {
                self.to_end.push((path, 0));
                return Err(refused);
            }
        };
        if let Some(tap) = self.status.tap(self.tap) {
            tap.journal_segments.fetch_add(1, Ordering::Relaxed);
        }
        Ok(Segment { path, out, synced_bytes: 0, counted_bytes: 0, opened: Instant::now() })
    }

    /// Makes everything written safe, and lets the blocks go.
    fn sync(&mut self) -> Result<(), Refused> {
        let Some(segment) = &mut self.segment else { return Ok(()) };
        segment.out.flush().map_err(|error| refused(&segment.path, "write", error))?;
        let sync = segment.out.get_ref().sync_data();
        sync.map_err(|source| Refused { path: segment.path.clone(), what: "sync", source })?;
        segment.synced_bytes = segment.out.bytes();
        self.synced_at = Instant::now();
        let bytes = self.unsynced.drain(..self.written).map(|block| block_bytes(&block)).sum();
        self.written = 0;
        self.queue.release(bytes);
        if let Some(tap) = self.status.tap(self.tap) {
            tap.synced_us.store(now_us(), Ordering::Relaxed);
        }
        Ok(())
    }

    /// Ends the segment as it is.
    fn finish(&mut self) -> Result<(), Refused> {
        self.sync()?;
        if let Some(segment) = self.segment.take() {
            if let Some(tap) = self.status.tap(self.tap) {
                tap.journal_bytes.fetch_add(segment.out.bytes() - segment.counted_bytes, Ordering::Relaxed);
            }
            self.to_end.push((segment.path, segment.synced_bytes));
        }
        self.end_old_segments()
    }

    /// Cuts ended segments to their length and gives them their finished names.
    fn end_old_segments(&mut self) -> Result<(), Refused> {
        while let Some((path, bytes)) = self.to_end.first() {
            let finished = end_segment(&self.folder, path, *bytes)?;
            self.to_end.remove(0);
            if let Some(finished) = finished {
                (self.hooks.finished)(&finished);
            }
        }
        Ok(())
    }

    /// After a refusal: nothing that is not safe counts as written.
    fn give_way(&mut self, refused: &Refused) {
        if let Some(segment) = self.segment.take() {
            if let Some(tap) = self.status.tap(self.tap) {
                super::subtract(&tap.journal_bytes, segment.counted_bytes.saturating_sub(segment.synced_bytes));
                tap.journal_bytes
                    .fetch_add(segment.synced_bytes.saturating_sub(segment.counted_bytes), Ordering::Relaxed);
                if segment.synced_bytes == 0 {
                    super::subtract(&tap.journal_segments, 1);
                }
            }
            self.to_end.push((segment.path, segment.synced_bytes));
        }
        self.written = 0;
        self.retry_at = Some(Instant::now() + RETRY);
        let Refused { path, what, source } = refused;
        let remedy = if refused.is_full() {
            "make room on this disk"
        } else {
            "check the disk, and that the service may write to it"
        };
        self.status.trouble(
            &self.cause("journal"),
            format!(
                "{}: cannot {what}: {source}; frames wait in memory as far as it goes, then they are given up; {remedy}",
                path.parent().unwrap_or(path).display(),
            ),
        );
        if refused.is_full() {
            (self.hooks.room_wanted)();
        }
        // Room that it takes itself comes first. What fails again here is tried again with the rest.
        if let Err(refused) = self.end_old_segments() {
            tracing::debug!(path = %refused.path.display(), "cannot be ended yet: {}", refused.source);
        }
    }

    fn all_well(&mut self) {
        if self.retry_at.take().is_some() {
            self.status.settled(&self.cause("journal"));
        }
        if self.loss_until.is_some_and(|until| Instant::now() >= until) {
            self.loss_until = None;
            self.status.settled(&self.cause("frames given up"));
        }
    }

    fn tell_loss(&mut self) {
        self.loss_until = Some(Instant::now() + LOSS_TOLD);
        self.status.trouble(
            &self.cause("frames given up"),
            format!(
                "{}: the disk does not take frames as fast as they come, and some are lost; give the journal a \
                 faster disk, or a larger queue (journal.queue)",
                self.folder.display()
            ),
        );
    }

    /// The last words: what could not be written now is lost.
    fn end(mut self) {
        for what in ["journal", "frames given up"] {
            self.status.settled(&self.cause(what));
        }
        let lost: usize = self.unsynced.iter().map(|block| block.len()).sum();
        if lost > 0 {
            if let Some(tap) = self.status.tap(self.tap) {
                tap.queue_dropped.fetch_add(lost as u64, Ordering::Relaxed);
            }
            tracing::error!(folder = %self.folder.display(), "{lost} frames are lost: the disk did not take them");
        }
        if let Err(refused) = self.end_old_segments() {
            // Not lost: the next start ends it.
            tracing::warn!(path = %refused.path.display(), "stays unfinished: {}", refused.source);
        }
    }

    fn cause(&self, what: &str) -> String {
        format!("{what}: tap {}", self.status.tap(self.tap).map_or(String::new(), |tap| tap.name.clone()))
    }
}

/// Cuts a segment to its length, which was synced, and renames it. One without a safe byte is removed.
fn end_segment(folder: &Path, path: &Path, bytes: u64) -> Result<Option<PathBuf>, Refused> {
    let failed = |what| move |source| Refused { path: path.to_owned(), what, source };
    if bytes == 0 {
        remove_empty(path)?;
        return Ok(None);
    }
    let file = match File::options().write(true).open(path) {
        Ok(file) => file,
        // Renamed the last time, when only the folder could not be synced; or taken away.
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            sync_folder(folder).map_err(failed("sync"))?;
            let finished = finished_path(path);
            return Ok(finished.exists().then_some(finished));
        }
        Err(source) => return Err(failed("open")(source)),
    };
    if file.metadata().map_err(failed("read"))?.len() != bytes {
        file.set_len(bytes).map_err(failed("cut"))?;
        file.sync_all().map_err(failed("sync"))?;
    }
    let finished = finished_path(path);
    fs::rename(path, &finished).map_err(failed("rename"))?;
    sync_folder(folder).map_err(failed("sync"))?;
    Ok(Some(finished))
}

fn remove_empty(path: &Path) -> Result<(), Refused> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(Refused { path: path.to_owned(), what: "remove", source: error })
        }
        _ => Ok(()),
    }
}

fn refused(path: &Path, what: &'static str, error: WriteError) -> Refused {
    let source = match error {
        WriteError::Io(source) => source,
        other => io::Error::other(other),
    };
    Refused { path: path.to_owned(), what, source }
}
