//! What one receiver was told, on disk: an instant, and the events since then.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::{TOLD_MAX, WINDOW_US};
use crate::durable;
use crate::frame::TimeUs;

/// A clock may be ahead by so much; later events do not move the window.
const AHEAD_US_MAX: TimeUs = 86_400 * 1_000_000;

/// The file.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(super) struct Told {
    /// Events before it are told or too old, µs; none: nothing was ever told.
    pub(super) from_us: Option<TimeUs>,
    /// Counters whose events it is told.
    pub(super) events: Vec<String>,
    /// Id and time of events since then that were told.
    told: HashMap<String, TimeUs>,
}

impl Told {
    /// Reads it; `events` are the counters that it is told of now. A damaged file is put aside, and its window is told
    /// again: rather twice than never.
    pub(super) fn load(path: &Path, events: &[String]) -> io::Result<Self> {
        let text = match fs::read(path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(error),
        };
        serde_json::from_slice(&text).or_else(|error| {
            let aside = path.with_extension("damaged");
            tracing::error!("{}: {error}; put aside as {}", path.display(), aside.display());
            fs::rename(path, aside)?;
            Ok(Self { events: events.to_vec(), ..Self::default() })
        })
    }

    pub(super) fn contains(&self, id: &str) -> bool {
        self.told.contains_key(id)
    }

    pub(super) fn add(&mut self, id: &str, time_us: TimeUs) {
        self.told.insert(id.to_owned(), time_us);
    }

    /// Moves the instant up to the window before the newest event that was told, but not beyond `open`, the oldest that
    /// was not.
    pub(super) fn advance(&mut self, now_us: TimeUs, open: Option<TimeUs>) {
        let latest = now_us.saturating_add(AHEAD_US_MAX);
        let newest = self.told.values().copied().filter(|time_us| *time_us <= latest).max();
        let mut from_us = newest.map_or(TimeUs::MIN, |newest| newest.saturating_sub(WINDOW_US));
        if self.told.len() > TOLD_MAX {
            let mut times: Vec<TimeUs> = self.told.values().copied().collect();
            times.sort_unstable();
            from_us = from_us.max(times[times.len() - TOLD_MAX].saturating_add(1));
        }
        from_us = from_us.min(open.unwrap_or(TimeUs::MAX));
        if self.from_us.is_none_or(|before| from_us > before) {
            self.from_us = Some(from_us);
            self.told.retain(|_, time_us| *time_us >= from_us);
        }
    }

    /// Writes it, whole or not at all.
    pub(super) fn write(&self, path: &Path) -> io::Result<()> {
        durable::replace(path, |out| Ok(serde_json::to_writer(out, self)?))
    }
}
