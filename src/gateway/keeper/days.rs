//! Room on the disk, and the days' end.

use std::sync::atomic::Ordering;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use super::Keeper;
use crate::filing::{Count, DayEnd, FilingError};
use crate::frame::TimeUs;
use crate::gateway::clock::now_us;
use crate::store::retention::{Class, GivenUp, Room};

/// How often is looked how much room there is.
const ROOM_EVERY: Duration = Duration::from_secs(30);
/// How often the store is measured: that is a walk through all its folders.
const MEASURE_EVERY: Duration = Duration::from_secs(3600);
/// How often days are closed that late captures opened again.
const CLOSE_AGAIN_EVERY: Duration = Duration::from_secs(3600);
/// Days given up that the status names.
const GIVEN_UP_SHOWN: usize = 50;

impl Keeper {
    /// Looks how much room there is, and makes some where it is short: by segments that are filed, then by days.
    pub(super) fn make_room(&mut self) {
        if Instant::now() < self.room_at {
            return;
        }
        self.room_at = Instant::now() + ROOM_EVERY;
        let loaded = Arc::clone(&self.keeping.loaded);
        let rules = &loaded.gateway.retention;
        // Looking through all days is work: it is done when the store is measured, and when something is short.
        let hourly = Instant::now() >= self.measure_at;
        let Some(mut room) = self.measure() else { return };
        if room.free_bytes < rules.free_bytes {
            room.free_bytes += self.drop_segments(rules.free_bytes - room.free_bytes);
        }
        let short = room.free_bytes < rules.free_bytes || rules.store_bytes.is_some_and(|most| room.store_bytes > most);
        if !hourly && !short {
            self.tell_room(room, rules.free_bytes, 0);
            return;
        }
        let now_us = now_us();
        let today = loaded.filing.days.of(now_us).date;
        let given_up = self.desk(&loaded, &loaded.filing, Count::Later).keep_room(today, room, rules, now_us);
        match given_up {
            Ok(given_up) => {
                self.tell_given_up(&given_up);
                let freed: u64 = given_up.iter().map(|gone| gone.bytes).sum();
                self.keeping.status.keeper.store_bytes.fetch_sub(freed.min(room.store_bytes), Ordering::Relaxed);
                self.tell_room(room, rules.free_bytes, freed);
            }
            Err(FilingError::Stopped) => {}
            Err(error) => self.trouble("room", format!("days cannot be given up to make room: {error}")),
        }
    }

    /// Room on the disk now, and what the store took when it was last measured.
    fn measure(&mut self) -> Option<Room> {
        let root = self.keeping.store.root();
        let told = &self.keeping.status.keeper;
        if Instant::now() >= self.measure_at {
            self.measure_at = Instant::now() + MEASURE_EVERY;
            match self.keeping.store.bytes() {
                Ok(bytes) => told.store_bytes.store(bytes, Ordering::Relaxed),
                Err(error) => self.trouble("room", format!("the store cannot be measured: {error}")),
            }
        }
        match nix::sys::statvfs::statvfs(root) {
            Ok(disk) => {
                let free_bytes = disk.blocks_available() * disk.fragment_size();
                told.disk_free_bytes.store(free_bytes, Ordering::Relaxed);
                Some(Room { store_bytes: told.store_bytes.load(Ordering::Relaxed), free_bytes })
            }
            Err(error) => {
                self.trouble("room", format!("{}: its disk cannot be measured: {error}", root.display()));
                None
            }
        }
    }

    fn tell_room(&self, room: Room, wanted_bytes: u64, freed_bytes: u64) {
        let free_bytes = room.free_bytes + freed_bytes;
        if free_bytes < wanted_bytes {
            let text = format!(
                "{} MB are free on the store's disk, {} MB are to be, and nothing is left that may be given up; make room",
                free_bytes / 1_000_000,
                wanted_bytes / 1_000_000
            );
            self.trouble("room", text);
        } else {
            self.keeping.status.settled("room");
        }
        if freed_bytes > 0 {
            // Where room was missing, there is some now.
            self.keeping.status.keeper.disk_free_bytes.store(free_bytes, Ordering::Relaxed);
        }
    }

    fn tell_given_up(&self, given_up: &[GivenUp]) {
        let mut shown = self.keeping.status.keeper.given_up.lock().unwrap_or_else(PoisonError::into_inner);
        for gone in given_up {
            let what = match gone.class {
                Class::Raw => "raw frames",
                Class::Signals => "signals",
            };
            let text = format!("{what} of {}: {}", gone.date, gone.why.words());
            tracing::warn!(bytes = gone.bytes, "given up: {text}");
            shown.push(text);
        }
        let surplus = shown.len().saturating_sub(GIVEN_UP_SHOWN);
        shown.drain(..surplus);
    }

    /// Closes the days that are over, and those that late captures opened again. Whether there was anything to do.
    pub(super) fn end_days(&mut self) -> bool {
        let loaded = Arc::clone(&self.keeping.loaded);
        let now_us = now_us();
        let after_us = loaded.gateway.day_end.after.as_micros() as TimeUs;
        let date = loaded.filing.days.of(now_us.saturating_sub(after_us)).date;
        let again = self.opened && Instant::now() >= self.close_at;
        if self.closed_before.is_some_and(|before| date <= before) && !again {
            return false;
        }
        self.doing("closing days");
        self.close_at = Instant::now() + CLOSE_AGAIN_EVERY;
        let end = self.desk(&loaded, &loaded.filing, Count::Later).close_before(date, now_us, &mut |day| {
            self.doing(&format!("closing {day}"));
        });
        match end {
            Ok(end) => {
                self.tell_closed(&end);
                let free_before = end.left_open.iter().map(|(day, _)| *day).min().unwrap_or(date).min(date);
                self.free_journal(free_before);
                (self.closed_before, self.opened) = (Some(date), false);
                !end.days.is_empty()
            }
            Err(FilingError::Stopped) => false,
            Err(error) => {
                self.refused(&error);
                false
            }
        }
    }

    fn tell_closed(&self, end: &DayEnd) {
        for day in &end.days {
            let frames = day.checked.frames;
            tracing::info!(day = %day.date, files_before = day.files_before, files = day.files_after, frames, "closed");
        }
        if let Some(last) = end.days.iter().map(|day| day.date).max() {
            let mut told = self.keeping.status.keeper.closed_day.lock().unwrap_or_else(PoisonError::into_inner);
            *told = told.take().max(Some(last.to_string()));
        }
        match end.left_open.as_slice() {
            [] => self.keeping.status.settled("day's end"),
            [(day, why), ..] => self.trouble(
                "day's end",
                format!("{day} does not read back as it was filed: {why}; it stays open, and its journal is kept"),
            ),
        }
    }
}
