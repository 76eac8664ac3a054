//! The pipes of one tap: blocks of each in, one stream by time out.
//!
//! Programs that write at their own speed, or replay a recording as fast as it goes, would else put minutes of one bus
//! before the same minutes of another. A pipe that is written to and has nothing now is waited for, but not long; one
//! that nobody writes to is not waited for.

use super::journal::JournalSender;
use super::recorder::Listener;
use super::status::Stop;
use crate::frame::{FrameBlock, TimeUs};
use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Blocks that a pipe may be ahead of the others; then its reader waits, and so does who writes to it.
const BLOCKS_AHEAD: usize = 2;

/// How long a pipe that is written to and has nothing now holds up the others. Longer than a program takes from one write to the next, and
/// short against the second that frames may be out of order.
const PATIENCE: Duration = Duration::from_millis(150);

/// Most frames handed on at once.
const BLOCK_FRAMES: usize = 4096;

/// What the readers and the merging thread share.
#[derive(Debug)]
pub(super) struct Lanes {
    lanes: Mutex<Vec<Lane>>,
    changed: Condvar,
    /// How long one without a frame holds up the others.
    patience: Duration,
}

#[derive(Debug, Default)]
struct Lane {
    blocks: VecDeque<FrameBlock>,
    /// Row of the first block that is next.
    row: usize,
    /// Somebody writes to the pipe.
    written: bool,
    /// Its reader has ended.
    done: bool,
}

impl Lane {
    fn next_us(&self) -> Option<TimeUs> {
        self.blocks.front()?.time_us.get(self.row).copied()
    }
}

impl Lanes {
    pub(super) fn new(count: usize) -> Arc<Self> {
        Self::with_patience(count, PATIENCE)
    }

    fn with_patience(count: usize, patience: Duration) -> Arc<Self> {
        let lanes = (0..count).map(|_| Lane::default()).collect();
        Arc::new(Self { lanes: Mutex::new(lanes), changed: Condvar::new(), patience })
    }

    fn lock(&self) -> MutexGuard<'_, Vec<Lane>> {
        self.lanes.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn change(&self, lane: usize, change: impl FnOnce(&mut Lane)) {
        if let Some(lane) = self.lock().get_mut(lane) {
            change(lane);
        }
        self.changed.notify_all();
    }

    /// Says whether somebody writes to a pipe now.
    pub(super) fn set_written(&self, lane: usize, written: bool) {
        self.change(lane, |lane| lane.written = written);
    }

    /// Says that a pipe's reader has ended.
    pub(super) fn end(&self, lane: usize) {
        self.change(lane, |lane| lane.done = true);
    }

    /// Hands over a block of a pipe, and waits as long as it is too far ahead. The merging thread ends after all readers,
    /// so nobody waits for ever.
    pub(super) fn push(&self, lane: usize, block: FrameBlock) {
        if block.is_empty() {
            return;
        }
        let full = |lanes: &mut Vec<Lane>| lanes.get(lane).is_some_and(|lane| lane.blocks.len() >= BLOCKS_AHEAD);
        let mut lanes = self.changed.wait_while(self.lock(), full).unwrap_or_else(PoisonError::into_inner);
        if let Some(lane) = lanes.get_mut(lane) {
            lane.blocks.push_back(block);
        }
        drop(lanes);
        self.changed.notify_all();
    }

    /// The merging thread: until all readers have ended.
    pub(super) fn run(&self, journal: &JournalSender, live: Option<&Listener>, stop: &Stop) {
        while let Some(block) = self.take() {
            if let Some(live) = live {
                live(&block);
            }
            journal.send_waiting(Arc::new(block), stop);
        }
    }

    /// The next frames of all pipes, by time. None when there is none and never will be.
    fn take(&self) -> Option<FrameBlock> {
        let mut lanes = self.lock();
        let mut since = None;
        loop {
            if lanes.iter().all(|lane| lane.done && lane.blocks.is_empty()) {
                return None;
            }
            let any = lanes.iter().any(|lane| !lane.blocks.is_empty());
            let awaited = lanes.iter().any(|lane| lane.blocks.is_empty() && lane.written && !lane.done);
            if !any {
                lanes = self.changed.wait(lanes).unwrap_or_else(PoisonError::into_inner);
                continue;
            }
            let left = self.patience.saturating_sub(since.get_or_insert_with(Instant::now).elapsed());
            if !awaited || left.is_zero() {
                break;
            }
            (lanes, _) = self.changed.wait_timeout(lanes, left).unwrap_or_else(PoisonError::into_inner);
        }
        let block = weave(&mut lanes);
        drop(lanes);
        self.changed.notify_all();
        Some(block)
    }
}

/// Frames by time, until one of the lanes that have some has none left.
fn weave(lanes: &mut [Lane]) -> FrameBlock {
    let mut block = FrameBlock::with_capacity(BLOCK_FRAMES);
    loop {
        // The first of those with equal times: the order of the configuration.
        let next = lanes.iter().enumerate().filter_map(|(number, lane)| Some((lane.next_us()?, number))).min();
        let Some((_, number)) = next else { return block };
        let others =
            lanes.iter().enumerate().filter(|&(other, _)| other != number).filter_map(|(_, lane)| lane.next_us()).min();
        let Some(lane) = lanes.get_mut(number) else { return block };
        let Some(front) = lane.blocks.front() else { return block };
        // As long as it stays first. Frames of one pipe keep their order, also where its times step back.
        while lane.row < front.len() && block.len() < BLOCK_FRAMES {
            if others.is_some_and(|others| front.time_us.get(lane.row).is_some_and(|&time_us| time_us > others)) {
                break;
            }
            block.push(&front.frame(lane.row));
            lane.row += 1;
        }
        if lane.row >= front.len() {
            lane.blocks.pop_front();
            lane.row = 0;
            if lane.blocks.is_empty() {
                return block;
            }
        }
        if block.len() >= BLOCK_FRAMES {
            return block;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, Frame};

    fn block(channel: u16, times: impl IntoIterator<Item = TimeUs>) -> FrameBlock {
        let mut block = FrameBlock::default();
        times.into_iter().for_each(|time| block.push(&Frame::data(time, channel, CanId::standard(1), &[])));
        block
    }

    /// Everything that comes out once all is in.
    fn out(lanes: &Lanes) -> Vec<(TimeUs, u16)> {
        let mut all = Vec::new();
        while let Some(block) = lanes.take() {
            all.extend((0..block.len()).map(|row| (block.time_us[row], block.meta[row].channel)));
        }
        all
    }

    #[test]
    fn frames_come_out_by_time_however_far_one_writer_is_ahead() {
        // As long as it takes on the slowest of machines.
        let lanes = Lanes::with_patience(2, Duration::from_secs(60));
        (0..2).for_each(|lane| lanes.set_written(lane, true));
        let all = std::thread::scope(|scope| {
            for lane in 0..2_u16 {
                let lanes = &lanes;
                scope.spawn(move || {
                    for n in 0..100 {
                        let begin = n * 100 + i64::from(lane);
                        lanes.push(usize::from(lane), block(lane, (begin..begin + 100).step_by(2)));
                    }
                    lanes.end(usize::from(lane));
                });
            }
            out(&lanes)
        });
        let expected: Vec<_> = (0..10_000).map(|time| (time, (time % 2) as u16)).collect();
        assert_eq!(all, expected);
    }

    #[test]
    fn equal_times_keep_the_order_of_the_pipes_and_one_pipe_its_own() {
        let lanes = Lanes::new(2);
        lanes.push(1, block(1, [5, 5, 9, 3]));
        lanes.push(0, block(0, [5, 7]));
        (0..2).for_each(|lane| lanes.end(lane));
        assert_eq!(out(&lanes), [(5, 0), (5, 1), (5, 1), (7, 0), (9, 1), (3, 1)]);
    }

    #[test]
    fn a_silent_writer_holds_nobody_up_for_ever_and_an_absent_one_not_at_all() {
        let lanes = Lanes::new(3);
        lanes.set_written(1, true);
        lanes.push(0, block(0, [1, 2, 3]));
        let taken = lanes.take().unwrap();
        assert_eq!(taken.len(), 3);
        (0..3).for_each(|lane| lanes.end(lane));
        assert!(lanes.take().is_none());
    }
}
