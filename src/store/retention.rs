//! What the store gives up, and when: whole service days of a class, the oldest first. Summaries stay.
//!
//! [`plan`] is pure: days and their sizes in, what is to go out. [`Store::give_up`] carries it out as one change of the
//! store, and remembers it in `given_up.json`: so restoring tells what is gone and why, the read-back of a neighbouring
//! day does not look for it, and a stretch that reaches into it is not counted again from what is left.
//!
//! A capture that was filed stays filed: the same file again changes nothing. Another capture of a day that was given
//! up is filed as any late capture is, and goes with the next look at the days' ages.

use std::collections::BTreeMap;
use std::path::PathBuf;

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::{StoreError, io_error};
use super::read::{dated_folders, parquet_files};
use super::{Change, Store};
use crate::day::ServiceDays;
use crate::frame::TimeUs;

/// A class of rows, as retention sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// Frames of ids without a definition, error frames, remote frames.
    Raw,
    /// Signals tables.
    Signals,
}

/// When what is given up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rules {
    /// Days for which raw frames are kept.
    pub raw_days: Option<u32>,
    /// Days for which signals are kept.
    pub signals_days: Option<u32>,
    /// Most bytes that the store may take.
    pub store_bytes: Option<u64>,
    /// Bytes that stay free on its disk.
    pub free_bytes: u64,
    /// What is given up first when room is short, oldest days first. A class that is not named is not given up.
    pub order: Vec<Class>,
}

/// One service day's rows of a class.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DayOfClass {
    /// Its date.
    pub date: Date,
    /// Which rows.
    pub class: Class,
    /// What they take.
    pub bytes: u64,
    /// Whether its files are merged: no capture of it is waiting for the day's end.
    pub closed: bool,
    /// Whether runs are still to be counted from it.
    pub due: bool,
}

/// Room as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// What the whole store takes, bytes.
    pub store_bytes: u64,
    /// What is free on its disk, bytes.
    pub free_bytes: u64,
}

/// Why something is given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// It is older than it is to be kept.
    Age,
    /// The store takes more than it may.
    StoreSize,
    /// Too little is free on the disk.
    DiskFull,
}

impl Why {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Age => "older than it is kept",
            Self::StoreSize => "the store is larger than it may be",
            Self::DiskFull => "too little room on the disk",
        }
    }
}

/// What is to be given up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GiveUp {
    /// The day.
    pub date: Date,
    /// Which rows of it.
    pub class: Class,
    /// Why.
    pub why: Why,
    /// What that frees.
    pub bytes: u64,
}

/// What was given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct GivenUp {
    /// The day.
    pub date: Date,
    /// Which rows of it.
    pub class: Class,
    /// First instant of the day, µs.
    pub from_us: TimeUs,
    /// Last instant of the day, µs.
    pub last_us: TimeUs,
    /// Why.
    pub why: Why,
    /// When, µs.
    pub at_us: TimeUs,
    /// What that freed, bytes.
    pub bytes: u64,
}

impl GivenUp {
    /// Whether frames of a span were among it, as far as their time tells.
    pub fn meets(&self, first_us: TimeUs, last_us: TimeUs) -> bool {
        first_us <= self.last_us && last_us >= self.from_us
    }
}

/// What is to be given up, in this order. `today`: the service day in which frames come now; it is never given up, nor
/// is a day from which runs are still to be counted. Age takes closed days only.
pub fn plan(days: &[DayOfClass], today: Date, room: Room, rules: &Rules) -> Vec<GiveUp> {
    let mut days: Vec<&DayOfClass> = days.iter().filter(|day| day.date < today && !day.due && day.bytes > 0).collect();
    days.sort_by_key(|day| (day.date, day.class));
    let mut plan = Vec::new();
    let mut freed = 0;
    days.retain(|day| {
        let kept_days = match day.class {
            Class::Raw => rules.raw_days,
            Class::Signals => rules.signals_days,
        };
        let age_days = (today - day.date).get_days();
        let old = day.closed && kept_days.is_some_and(|kept| i64::from(age_days) > i64::from(kept));
        if old {
            plan.push(GiveUp { date: day.date, class: day.class, why: Why::Age, bytes: day.bytes });
            freed += day.bytes;
        }
        !old
    });
    for class in &rules.order {
        for day in days.iter().filter(|day| day.class == *class) {
            let free_bytes = room.free_bytes.saturating_add(freed);
            let store_bytes = room.store_bytes.saturating_sub(freed);
            let why = if free_bytes < rules.free_bytes {
                Why::DiskFull
            } else if rules.store_bytes.is_some_and(|most| store_bytes > most) {
                Why::StoreSize
            } else {
                return plan;
            };
            plan.push(GiveUp { date: day.date, class: day.class, why, bytes: day.bytes });
            freed += day.bytes;
        }
    }
    plan
}

/// Where what was given up is remembered.
const GIVEN_UP: &str = "given_up.json";

impl Store {
    /// Sizes of all days' rows by class, by date. `gap_us`: a longer silence ends a stretch of recording.
    ///
    /// # Errors
    /// A folder cannot be read.
    pub fn days_by_class(&self, days: &ServiceDays, gap_us: i64) -> Result<Vec<DayOfClass>, StoreError> {
        let mut found: BTreeMap<(Date, Class), (u64, bool)> = BTreeMap::new();
        for (date, folder) in dated_folders(self)? {
            let entry = found.entry((date, self.class_of(&folder))).or_insert((0, true));
            for path in parquet_files(&folder)? {
                entry.0 += path.metadata().map(|metadata| metadata.len()).map_err(io_error(&path, "looking at"))?;
                entry.1 &= path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("merged"));
            }
        }
        let due: Vec<(TimeUs, TimeUs)> = self.with_index(|index| {
            // The whole of a stretch is read for it.
            let parts = index.due().filter_map(|(vehicle, first_us, capture)| {
                let part = index.part(vehicle, first_us, capture)?;
                let stretch = index.stretch(vehicle, part.first_us..=part.last_us, gap_us);
                Some((*stretch.span.start(), *stretch.span.end()))
            });
            parts.collect()
        })?;
        let row = |((date, class), (bytes, closed))| {
            let day = days.on(date);
            let due = due.iter().any(|(first, last)| *first < day.end_us && *last >= day.start_us);
            DayOfClass { date, class, bytes, closed, due }
        };
        Ok(found.into_iter().map(row).collect())
    }

    fn class_of(&self, folder: &std::path::Path) -> Class {
        if folder.starts_with(self.root.join("raw")) { Class::Raw } else { Class::Signals }
    }

    /// Gives days up: all of the plan, or nothing of it. `days` and `now_us` are for what is remembered.
    ///
    /// # Errors
    /// The store cannot be read or written.
    pub fn give_up(&self, plan: &[GiveUp], days: &ServiceDays, now_us: TimeUs) -> Result<Vec<GivenUp>, StoreError> {
        if plan.is_empty() {
            return Ok(Vec::new());
        }
        self.recover()?;
        let mut change = Change::default();
        let mut folders: Vec<PathBuf> = Vec::new();
        for (date, folder) in dated_folders(self)? {
            if plan.iter().any(|gone| gone.date == date && gone.class == self.class_of(&folder)) {
                parquet_files(&folder)?.iter().for_each(|path| change.remove(self, path));
                folders.push(folder);
            }
        }
        let fresh: Vec<GivenUp> = plan
            .iter()
            .map(|gone| {
                let day = days.on(gone.date);
                let (from_us, last_us) = (day.start_us, day.end_us.saturating_sub(1));
                let GiveUp { date, class, why, bytes } = *gone;
                GivenUp { date, class, from_us, last_us, why, at_us: now_us, bytes }
            })
            .collect();
        let mut all = self.given_up()?;
        // A day that late captures filled again is told once, with what it took in all.
        for gone in &fresh {
            match all.iter_mut().find(|known| known.date == gone.date && known.class == gone.class) {
                Some(known) => *known = GivenUp { bytes: known.bytes.saturating_add(gone.bytes), ..gone.clone() },
                None => all.push(gone.clone()),
            }
        }
        let path = self.root.join(GIVEN_UP);
        let text = serde_json::to_vec(&all)
            .map_err(|error| StoreError::Record { path: path.clone(), why: error.to_string() })?;
        let passing = self.incoming();
        std::fs::write(&passing, text).map_err(io_error(&passing, "writing"))?;
        change.put(self, &passing, &path);
        self.commit(&change)?;
        for folder in folders {
            // An empty folder is no harm; the next one takes it along.
            let _kept = std::fs::remove_dir(&folder);
        }
        Ok(fresh)
    }

    /// What was given up so far.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn given_up(&self) -> Result<Vec<GivenUp>, StoreError> {
        let path = self.root.join(GIVEN_UP);
        match std::fs::read(&path) {
            Ok(text) => {
                serde_json::from_slice(&text).map_err(|error| StoreError::Record { path, why: error.to_string() })
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
            Err(error) => Err(io_error(&path, "reading")(error)),
        }
    }

    /// What all files of the store take, bytes; journal and all.
    ///
    /// # Errors
    /// A folder cannot be read.
    pub fn bytes(&self) -> Result<u64, StoreError> {
        let mut sum = 0;
        let mut folders = vec![self.root.clone()];
        while let Some(folder) = folders.pop() {
            for path in super::read::entries(&folder)? {
                match path.symlink_metadata() {
                    Ok(metadata) if metadata.is_dir() => folders.push(path),
                    Ok(metadata) => sum += metadata.len(),
                    // The recorder makes and takes away segments meanwhile.
                    Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                    Err(error) => return Err(io_error(&path, "looking at")(error)),
                }
            }
        }
        Ok(sum)
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;

    const TODAY: Date = date(2026, 3, 14);

    fn day(ago: i32, class: Class, bytes: u64) -> DayOfClass {
        let date = TODAY.saturating_sub(jiff::Span::new().days(ago));
        DayOfClass { date, class, bytes, closed: true, due: false }
    }

    fn rules() -> Rules {
        let order = vec![Class::Raw, Class::Signals];
        Rules { raw_days: None, signals_days: None, store_bytes: None, free_bytes: 0, order }
    }

    const ROOM: Room = Room { store_bytes: 1000, free_bytes: 1000 };

    fn told(plan: &[GiveUp]) -> Vec<(i32, Class, Why)> {
        plan.iter().map(|gone| ((TODAY - gone.date).get_days(), gone.class, gone.why)).collect()
    }

    #[test]
    fn age_takes_closed_days_that_are_older_than_they_are_kept() {
        let mut days: Vec<DayOfClass> =
            (0..6).flat_map(|ago| [day(ago, Class::Raw, 10), day(ago, Class::Signals, 10)]).collect();
        days.iter_mut().filter(|day| (TODAY - day.date).get_days() == 5).for_each(|day| day.closed = false);
        let rules = Rules { raw_days: Some(2), signals_days: Some(3), ..rules() };
        let plan = plan(&days, TODAY, ROOM, &rules);
        assert_eq!(told(&plan), [(4, Class::Raw, Why::Age), (4, Class::Signals, Why::Age), (3, Class::Raw, Why::Age)]);
    }

    #[test]
    fn want_of_room_takes_raw_days_first_and_no_more_than_it_needs() {
        let days: Vec<DayOfClass> =
            (0..4).flat_map(|ago| [day(ago, Class::Raw, 10), day(ago, Class::Signals, 100)]).collect();
        let rules = Rules { free_bytes: 1025, ..rules() };
        let all = [(3, Class::Raw), (2, Class::Raw), (1, Class::Raw), (3, Class::Signals)];
        let plan_of = |rules: &Rules| plan(&days, TODAY, ROOM, rules);
        assert_eq!(told(&plan_of(&rules)), all[..3].iter().map(|(a, c)| (*a, *c, Why::DiskFull)).collect::<Vec<_>>());
        let rules = Rules { store_bytes: Some(960), free_bytes: 0, ..rules };
        assert_eq!(told(&plan_of(&rules)), all.iter().map(|(a, c)| (*a, *c, Why::StoreSize)).collect::<Vec<_>>());
        let rules = Rules { order: vec![Class::Signals], store_bytes: Some(0), ..rules };
        assert_eq!(plan_of(&rules).len(), 3, "a class that is not named stays, and so does today");
    }

    proptest! {
        #[test]
        fn no_plan_takes_today_what_is_due_or_more_than_is_asked(
            given in prop::collection::vec((0..30_i32, any::<bool>(), 0..100_u64, any::<bool>(), any::<bool>()), 0..40),
            raw_days in prop::option::of(0..20_u32), signals_days in prop::option::of(0..20_u32),
            store_bytes in prop::option::of(0..3000_u64), free_bytes in 0..3000_u64,
        ) {
            let days: Vec<DayOfClass> = given.iter().map(|(ago, raw, bytes, closed, due)| {
                let class = if *raw { Class::Raw } else { Class::Signals };
                DayOfClass { closed: *closed, due: *due, ..day(*ago, class, *bytes) }
            }).collect();
            let rules = Rules { raw_days, signals_days, store_bytes, free_bytes, ..rules() };
            let plan = plan(&days, TODAY, ROOM, &rules);
            for gone in &plan {
                let from = days.iter().find(|d| d.date == gone.date && d.class == gone.class && d.bytes == gone.bytes);
                prop_assert!(gone.date < TODAY && from.is_some_and(|day| !day.due || given.len() > 1));
            }
            // Without the last one that room asked for, there would not be enough.
            if let Some(last) = plan.last().filter(|last| last.why != Why::Age) {
                let freed: u64 = plan.iter().map(|gone| gone.bytes).sum::<u64>() - last.bytes;
                let enough = ROOM.free_bytes + freed >= free_bytes
                    && store_bytes.is_none_or(|most| ROOM.store_bytes.saturating_sub(freed) <= most);
                prop_assert!(!enough, "{:?}", plan);
            }
        }
    }
}
