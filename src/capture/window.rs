//! A stretch of the unpacked capture in one reused buffer: a source's bytes in, slices of whole records out.

use super::packed::Unpacker;
use std::io;

/// Bytes asked of a source at once: large enough that the system call costs nothing, small enough to stay in the second
/// cache between the system's copy and our look at it. 1 MiB was a tenth slower.
const READ_BYTES: usize = 1 << 18;

/// Size of a memory page; larger ones are multiples of it.
const PAGE_BYTES: usize = 4096;

/// Bytes that were read and not yet used up.
pub(super) struct Window {
    source: Unpacker,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// Place of `start` in the unpacked capture.
    offset_bytes: u64,
    at_end: bool,
    failure: Option<io::Error>,
}

impl Window {
    pub(super) fn new(source: Unpacker) -> Self {
        // Two pages more, for what is left and for beginning at a page.
        let buffer = vec![0; READ_BYTES + 2 * PAGE_BYTES];
        let mut window = Self { source, buffer, start: 0, end: 0, offset_bytes: 0, at_end: false, failure: None };
        window.make_room();
        window
    }

    /// What is there.
    pub(super) fn bytes(&self) -> &[u8] {
        self.buffer.get(self.start..self.end).unwrap_or_default()
    }

    /// Place of the first of [`bytes`](Self::bytes) in the unpacked capture.
    pub(super) fn offset_bytes(&self) -> u64 {
        self.offset_bytes
    }

    pub(super) fn source(&self) -> &Unpacker {
        &self.source
    }

    pub(super) fn source_mut(&mut self) -> &mut Unpacker {
        &mut self.source
    }

    /// Drops the first `count` bytes.
    pub(super) fn consume(&mut self, count: usize) {
        let count = count.min(self.end - self.start);
        self.start += count;
        self.offset_bytes += count as u64;
    }

    /// Size of the buffer.
    pub(super) fn buffer_bytes(&self) -> usize {
        self.buffer.len()
    }

    /// Whether the source has nothing more, by end or by failure.
    pub(super) fn at_end(&self) -> bool {
        self.at_end
    }

    /// The failure that ended the source, once.
    pub(super) fn take_failure(&mut self) -> Option<io::Error> {
        self.failure.take()
    }

    /// Keeps a failure for later.
    pub(super) fn put_back_failure(&mut self, failure: io::Error) {
        self.failure = Some(failure);
    }

    /// Reads once, and reports whether bytes came. The buffer grows only when an unfinished record fills it.
    pub(super) fn refill(&mut self) -> bool {
        if self.at_end {
            return false;
        }
        if self.room() < READ_BYTES / 2 {
            self.make_room();
        }
        // Whole pages again, so that the next reading begins at one. There is room for many.
        let end = self.end + self.room() / PAGE_BYTES * PAGE_BYTES;
        loop {
            match self.source.read(self.buffer.get_mut(self.end..end).unwrap_or_default()) {
                Ok(0) => {
                    self.at_end = true;
                    return false;
                }
                Ok(count) => {
                    // A reader that claims more than it was given room for is not believed.
                    self.end = (self.end + count).min(self.buffer.len());
                    return true;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    self.failure = Some(error);
                    self.at_end = true;
                    return false;
                }
            }
        }
    }

    fn room(&self) -> usize {
        self.buffer.len() - self.end
    }

    /// Moves what is left to the front, so that it ends where a memory page does: the system copies whole pages into the
    /// place behind it, and does that half as fast if they lie askew.
    fn make_room(&mut self) {
        let left = self.end - self.start;
        if left >= self.buffer.len() / 2 {
            self.buffer.resize(self.buffer.len() * 2, 0);
        }
        // Zero if the address cannot be told, which costs only speed.
        let page = Some(self.buffer.as_ptr().align_offset(PAGE_BYTES)).filter(|&at| at < PAGE_BYTES).unwrap_or(0);
        let end = page + left.next_multiple_of(PAGE_BYTES);
        self.buffer.copy_within(self.start..self.end, end - left);
        self.start = end - left;
        self.end = end;
    }

    /// Reads until there are `count` bytes or the source ends, and reports whether there are.
    pub(super) fn reach(&mut self, count: usize) -> bool {
        while self.end - self.start < count {
            if !self.refill() {
                return false;
            }
        }
        true
    }
}
