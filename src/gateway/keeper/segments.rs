//! The journal's segments: filed, oldest first, then put by until their day is closed and checked.

use std::fs;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::{Arc, PoisonError};
use std::time::Instant;

use jiff::civil::Date;

use super::{Did, Keeper, folders};
use crate::filing::{self, Count, FilingError, HeardLast, Outcome};
use crate::frame::TimeUs;
use crate::gateway::journal::{self, Segment};
use crate::gateway::service::Loaded;
use crate::settings::gateway::Tap;
use crate::store::StoreError;

/// Folders of a tap's journal for segments that are filed, by the service day of their last frame. They stay until that
/// day is closed and checked.
const FILED: &str = "filed-";
/// A segment whose filing ends in a fault of the program so many times is set aside.
const TRIES_MAX: u32 = 3;
/// Folder of a tap's journal for segments that cannot be filed.
const ASIDE: &str = "aside";

impl Keeper {
    /// Files the oldest segment of all taps.
    pub(super) fn file_segment(&mut self) -> Did {
        if self.retry_at.is_some_and(|at| Instant::now() < at) {
            return Did::Nothing;
        }
        let Some((tap, segment)) = self.oldest_segment() else { return Did::Nothing };
        self.tell_oldest(segment.first_us);
        self.doing(&format!("filing the journal of {tap}"));
        let loaded = Arc::clone(&self.keeping.loaded);
        let settings = self.settings_of(&loaded, &tap, &segment);
        let tries = self.tried.entry(segment.path.clone()).or_default();
        *tries += 1;
        if *tries > TRIES_MAX {
            let text =
                format!("{}: filing it ended in a fault {TRIES_MAX} times; it is set aside", segment.path.display());
            self.trouble("journal", text);
            self.set_aside(&segment);
            return Did::Something;
        }
        let filed = self.desk(&loaded, &settings, Count::Later).file(&segment.path, &mut |_| {});
        self.tried.remove(&segment.path);
        match filed {
            Ok(outcome) => {
                self.tell_filed(&outcome);
                self.heard(&tap, &outcome);
                self.settle_segment(&tap, &segment, &outcome);
                self.tell_oldest(0);
                Did::Something
            }
            Err(FilingError::Stopped) => Did::Nothing,
            Err(FilingError::Capture(error)) => {
                // Cannot be: the journal wrote it. It is kept, and in nobody's way.
                self.trouble("journal", format!("a segment cannot be read: {error}; it is set aside"));
                self.set_aside(&segment);
                Did::Something
            }
            Err(error @ FilingError::Store(StoreError::ClockAstray { .. } | StoreError::OtherDefinitions { .. })) => {
                self.trouble("journal", format!("{}: {error}; it is set aside", segment.path.display()));
                self.set_aside(&segment);
                Did::Something
            }
            Err(error) => {
                self.refused(&error);
                Did::Nothing
            }
        }
    }

    fn tell_oldest(&self, time_us: TimeUs) {
        self.keeping.status.keeper.oldest_unfiled_us.store(time_us, Ordering::Relaxed);
    }

    /// The finished segment with the oldest frames, and its tap: the configured ones, and those that once were.
    fn oldest_segment(&self) -> Option<(String, Segment)> {
        let journal = self.journal();
        let mut oldest: Option<(String, Segment)> = None;
        for tap in folders(&journal) {
            let segments = match journal::segments(&journal.join(&tap)) {
                Ok(segments) => segments,
                Err(error) => {
                    self.trouble("journal", error.to_string());
                    continue;
                }
            };
            if let Some(first) = segments.into_iter().next()
                && oldest.as_ref().is_none_or(|(_, segment)| first.first_us < segment.first_us)
            {
                oldest = Some((tap, first));
            }
        }
        oldest
    }

    fn settings_of(&mut self, loaded: &Loaded, tap: &str, segment: &Segment) -> filing::Settings {
        if !self.heard_last.contains_key(tap)
            && let Some(heard) = self.heard_before(tap, segment)
        {
            self.heard_last.insert(tap.to_owned(), heard);
        }
        let configured = loaded.gateway.taps.iter().find(|known| known.name == tap);
        let mut channels = loaded.filing.channels.clone();
        channels.extend(configured.map(Tap::channels).unwrap_or_default());
        filing::Settings {
            vehicle: configured.and_then(|tap| tap.vehicle.clone()).or_else(|| loaded.filing.vehicle.clone()),
            vehicle_before: self.heard_last.get(tap).cloned(),
            channels,
            ..loaded.filing.clone()
        }
    }

    /// Who was heard last in the segment before, which an earlier run of the service filed.
    fn heard_before(&self, tap: &str, segment: &Segment) -> Option<HeardLast> {
        let filed = self.put_by(tap);
        let before = filed.iter().rfind(|before| before.first_us <= segment.first_us)?;
        let record = self.keeping.store.record(&crate::filing::hash_of(&before.path)?).ok()??;
        record.heard_last
    }

    fn heard(&mut self, tap: &str, outcome: &Outcome) {
        if let Some(heard) = &outcome.record().heard_last {
            self.heard_last.insert(tap.to_owned(), heard.clone());
            if let Some(tap) = self.keeping.status.taps().iter().find(|known| known.name == tap) {
                *tap.vehicle.lock().unwrap_or_else(PoisonError::into_inner) = Some(heard.vehicle.clone());
            }
        }
    }

    /// Puts a filed segment by until its day is closed and checked. One that cannot be is filed again, and known.
    fn settle_segment(&self, tap: &str, segment: &Segment, outcome: &Outcome) {
        let last_us = outcome.record().vehicles.iter().map(|part| part.last_us).max().unwrap_or(segment.first_us);
        let day = self.keeping.loaded.filing.days.of(last_us).date;
        let moved = self.move_to(segment, &format!("{FILED}{day}"));
        if moved && let Some(tap) = self.keeping.status.taps().iter().find(|known| known.name == tap) {
            journal::forget(segment, tap);
        }
    }

    fn set_aside(&self, segment: &Segment) {
        self.move_to(segment, ASIDE);
    }

    /// Segments of a tap that are filed and put by, oldest first.
    fn put_by(&self, tap: &str) -> Vec<Segment> {
        let journal = self.journal().join(tap);
        let days = folders(&journal).into_iter().filter(|name| name.starts_with(FILED));
        let mut segments: Vec<Segment> =
            days.flat_map(|day| journal::segments(&journal.join(day)).unwrap_or_default()).collect();
        segments.sort();
        segments
    }

    /// Moves a segment to a folder within its own. Not synced: what a power cut undoes is done again.
    fn move_to(&self, segment: &Segment, folder: &str) -> bool {
        let parent = segment.path.parent().unwrap_or(Path::new("")).join(folder);
        let name = segment.path.file_name().unwrap_or_default();
        let moved = fs::create_dir_all(&parent).and_then(|()| fs::rename(&segment.path, parent.join(name)));
        match &moved {
            Ok(()) => self.keeping.status.settled("journal: putting by"),
            Err(error) => self.trouble(
                "journal: putting by",
                format!(
                    "{} cannot be moved to {}: {error}; let the service write there",
                    segment.path.display(),
                    parent.display()
                ),
            ),
        }
        moved.is_ok()
    }

    /// Drops segments that are filed, oldest first, whose days are not closed yet. Gives the bytes that it freed.
    pub(super) fn drop_segments(&self, wanted_bytes: u64) -> u64 {
        let mut segments: Vec<Segment> = folders(&self.journal()).iter().flat_map(|tap| self.put_by(tap)).collect();
        segments.sort();
        let mut freed = 0;
        for segment in segments {
            if freed >= wanted_bytes {
                break;
            }
            match fs::remove_file(&segment.path) {
                Ok(()) => freed += segment.bytes,
                Err(error) => self.trouble("room", format!("{} cannot be removed: {error}", segment.path.display())),
            }
        }
        if freed > 0 {
            tracing::warn!(bytes = freed, "segments of the journal that are filed were dropped to make room");
        }
        freed
    }

    /// Frees the segments of days before a date.
    pub(super) fn free_journal(&self, before: Date) {
        let journal = self.journal();
        for tap in folders(&journal) {
            for name in folders(&journal.join(&tap)) {
                let day = name.strip_prefix(FILED).and_then(|date| date.parse::<Date>().ok());
                if day.is_some_and(|day| day < before)
                    && let Err(error) = fs::remove_dir_all(journal.join(&tap).join(&name))
                {
                    self.trouble("journal: freeing", format!("{name} of tap {tap} cannot be removed: {error}"));
                }
            }
        }
    }
}
