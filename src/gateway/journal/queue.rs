//! Blocks of frames on their way to the journal's thread, bounded in bytes.
//!
//! Who records from an interface never waits: what does not fit is given up and counted. Who reads a pipe waits, and so
//! the program at its other end does.

use crate::frame::{DATA_BYTES_MAX, FrameBlock};
use crate::gateway::status::{Status, Stop};
use std::collections::VecDeque;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// How often who waits for room looks whether the service ends.
const LOOK: Duration = Duration::from_millis(100);

/// How long frames wait for room once the service ends.
const PATIENCE_AT_END: Duration = Duration::from_secs(1);

/// The end of the queue where blocks come in. Clones share it; the journal ends when all are dropped.
#[derive(Debug)]
pub struct JournalSender {
    queue: Arc<Queue>,
    status: Arc<Status>,
    tap: usize,
}

impl JournalSender {
    pub(super) fn new(limit_bytes: usize, status: Arc<Status>, tap: usize) -> Self {
        let queue = Queue {
            limit_bytes,
            state: Mutex::new(State { senders: 1, ..State::default() }),
            filled: Condvar::new(),
            emptied: Condvar::new(),
        };
        Self { queue: Arc::new(queue), status, tap }
    }

    pub(super) fn queue(&self) -> Arc<Queue> {
        Arc::clone(&self.queue)
    }

    /// Hands over a block without waiting. Whether there was room; without, its frames are given up and counted.
    pub fn send(&self, block: Arc<FrameBlock>) -> bool {
        let bytes = block_bytes(&block);
        let mut state = self.queue.lock();
        if self.queue.has_room(&state, bytes) {
            self.queue.push(state, block, bytes);
            return true;
        }
        state.overflowed = true;
        drop(state);
        self.count_dropped(block.len());
        false
    }

    /// Hands over a block as soon as there is room. Only when the service ends is it given up, after a second.
    pub fn send_waiting(&self, block: Arc<FrameBlock>, stop: &Stop) -> bool {
        let bytes = block_bytes(&block);
        let mut state = self.queue.lock();
        let mut ending = None;
        while !self.queue.has_room(&state, bytes) {
            if stop.is_set() && (state.given_up || ending.get_or_insert_with(Instant::now).elapsed() > PATIENCE_AT_END)
            {
                // Whoever comes next need not wait as long again.
                state.given_up = true;
                drop(state);
                self.count_dropped(block.len());
                return false;
            }
            (state, _) = self.queue.emptied.wait_timeout(state, LOOK).unwrap_or_else(PoisonError::into_inner);
        }
        self.queue.push(state, block, bytes);
        true
    }

    /// Asks for the present segment to be finished, with all that was handed over before.
    pub fn finish_segment(&self) {
        self.queue.lock().finish = true;
        self.queue.filled.notify_one();
    }

    fn count_dropped(&self, frames: usize) {
        if let Some(tap) = self.status.tap(self.tap) {
            tap.queue_dropped.fetch_add(frames as u64, Ordering::Relaxed);
        }
    }
}

impl Clone for JournalSender {
    fn clone(&self) -> Self {
        self.queue.lock().senders += 1;
        Self { queue: Arc::clone(&self.queue), status: Arc::clone(&self.status), tap: self.tap }
    }
}

impl Drop for JournalSender {
    fn drop(&mut self) {
        self.queue.lock().senders -= 1;
        self.queue.filled.notify_one();
    }
}

/// What both ends share.
#[derive(Debug)]
pub(super) struct Queue {
    limit_bytes: usize,
    state: Mutex<State>,
    /// There is something to do before the next look.
    filled: Condvar,
    /// There is room again.
    emptied: Condvar,
}

#[derive(Debug, Default)]
struct State {
    blocks: VecDeque<Arc<FrameBlock>>,
    /// Bytes of these blocks.
    waiting_bytes: usize,
    /// Bytes of blocks that the writer has and that are not synced yet.
    unsynced_bytes: usize,
    senders: usize,
    finish: bool,
    overflowed: bool,
    /// The service ends, and the writer did not make room in time.
    given_up: bool,
}

/// What the writer took.
pub(super) struct Taken {
    pub(super) blocks: VecDeque<Arc<FrameBlock>>,
    /// The segment is to be finished behind them.
    pub(super) finish: bool,
    /// Nothing comes any more.
    pub(super) closed: bool,
    /// Frames were given up since the last look.
    pub(super) overflowed: bool,
}

impl Queue {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A block that is larger than all the room there is goes in alone.
    fn has_room(&self, state: &State, bytes: usize) -> bool {
        let held_bytes = state.waiting_bytes + state.unsynced_bytes;
        held_bytes == 0 || held_bytes + bytes <= self.limit_bytes
    }

    fn push(&self, mut state: MutexGuard<'_, State>, block: Arc<FrameBlock>, bytes: usize) {
        state.waiting_bytes += bytes;
        state.blocks.push_back(block);
        if self.wants_writer(&state) {
            self.filled.notify_one();
        }
    }

    /// Woken for every block, the writer would write crumbs.
    fn wants_writer(&self, state: &State) -> bool {
        state.waiting_bytes > self.limit_bytes / 4
    }

    /// All that waits, after at most `patience`.
    pub(super) fn take(&self, patience: Duration) -> Taken {
        let idle = |state: &mut State| !(self.wants_writer(state) || state.finish || state.senders == 0);
        let (mut state, _) =
            self.filled.wait_timeout_while(self.lock(), patience, idle).unwrap_or_else(PoisonError::into_inner);
        state.unsynced_bytes += std::mem::take(&mut state.waiting_bytes);
        Taken {
            blocks: std::mem::take(&mut state.blocks),
            finish: std::mem::take(&mut state.finish),
            closed: state.senders == 0,
            overflowed: std::mem::take(&mut state.overflowed),
        }
    }

    /// Says that so many bytes of blocks are safe, and their room is free.
    pub(super) fn release(&self, bytes: usize) {
        let mut state = self.lock();
        state.unsynced_bytes = state.unsynced_bytes.saturating_sub(bytes);
        drop(state);
        self.emptied.notify_all();
    }

    /// Whether what the writer has takes so much room that it should be synced before its time.
    pub(super) fn is_crowded(&self) -> bool {
        let state = self.lock();
        state.unsynced_bytes > self.limit_bytes / 4
    }
}

/// Memory that a block takes.
pub(super) fn block_bytes(block: &FrameBlock) -> usize {
    block.len() * (8 + 4 + 4 + 8) + block.long.len() * DATA_BYTES_MAX
}
