//! A stretch of the unpacked capture in one reused buffer: a source's bytes in, slices of whole records out.

use super::packed::Unpacker;
use std::io;

/// Bytes asked of a source at once: large enough that the system call costs nothing, small enough to stay in the second
/// cache between the system's copy and our look at it. 1 MiB was a tenth slower.
const READ_BYTES: usize = 1 << 18;

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
        let buffer = vec![0; READ_BYTES];
        Self { source, buffer, start: 0, end: 0, offset_bytes: 0, at_end: false, failure: None }
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

    /// Reads once, and reports whether bytes came. The buffer grows only when it is full of one unfinished record.
    pub(super) fn refill(&mut self) -> bool {
        if self.at_end {
            return false;
        }
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
        }
        if self.end == self.buffer.len() {
            self.buffer.resize(self.buffer.len() * 2, 0);
        }
        loop {
            match self.source.read(&mut self.buffer[self.end..]) {
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
