//! What of a store is copied: its folders in, files in the order in which they are copied out.
//!
//! Rows of a day are copied once it is closed, summaries whenever they changed. Records come behind the rows that they
//! are about, as in the store itself. What is on its way, the journal, and what only this machine needs, stay here.

use std::collections::BTreeMap;
use std::fs::{self, Metadata};
use std::io;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::Deserialize;

use crate::store::summary;

/// Records of captures go into their month's file when their day is closed. One that is still alone after so long,
/// because it has no frames perhaps, is copied as it is.
const RECORD_ALONE_AFTER: Duration = Duration::from_secs(2 * 86_400);
/// A folder that was touched so lately may be amid a change: nothing is concluded from what is not in it.
const STEADY_AFTER: Duration = Duration::from_secs(10);

/// How a folder's files come and go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Written once, or grown; never replaced by others.
    Kept,
    /// Rows of a service day of a class, `signals` or `raw`: merged when it is closed; retention may take all of them.
    Day,
    /// Summaries of a month: pieces are replaced by others, and merged.
    Month,
    /// Records of captures: they go into their month's file.
    Record,
}

impl Kind {
    /// Of a file by its path below the store.
    pub(super) fn of(path: &str) -> Self {
        match path.split('/').next() {
            Some("signals" | "raw") => Self::Day,
            Some("filed") if path.ends_with(".json") => Self::Record,
            Some(table) if summary::TABLES.contains(&table) => Self::Month,
            _ => Self::Kept,
        }
    }
}

/// A file of the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Local {
    /// Its size.
    pub bytes: u64,
    /// When it was written, ns of the system's clock.
    pub modified_ns: i64,
    /// Whether it is to be copied as it is now.
    pub ready: bool,
}

impl Local {
    pub(super) fn of(metadata: &Metadata) -> Self {
        let modified = metadata.modified().ok().and_then(|at| at.duration_since(UNIX_EPOCH).ok()).unwrap_or_default();
        let modified_ns = i64::try_from(modified.as_nanos()).unwrap_or(i64::MAX);
        Self { bytes: metadata.len(), modified_ns, ready: true }
    }
}

/// Files by their path below the store, with `/` between its parts.
pub(super) type Files = BTreeMap<String, Local>;

/// What there is in a store.
#[derive(Debug, Default)]
pub(super) struct Listing {
    /// All files of the folders that are copied.
    pub files: Files,
    /// Paths of those that are to be copied, in the order for it.
    pub ready: Vec<String>,
    /// Whether no change was being carried out meanwhile.
    pub steady: bool,
}

/// Lists a store.
///
/// # Errors
/// A folder cannot be read. One that goes meanwhile is no error.
pub(super) fn list(store: &Path, now: SystemTime) -> io::Result<Listing> {
    let mut listing = Listing { steady: no_change_under_way(store), ..Listing::default() };
    for top in ["store.json", "definitions", "raw", "signals", "filed", "marks"].into_iter().chain(summary::TABLES) {
        walk(store, top, now, &mut listing.files)?;
    }
    listing.steady &= no_change_under_way(store);
    let mut ready: Vec<(usize, &str, &String)> = listing
        .files
        .iter()
        .filter(|(_, local)| local.ready)
        .map(|(path, _)| (turn(path), if Kind::of(path) == Kind::Day { date_of(path).unwrap_or("") } else { "" }, path))
        .collect();
    ready.sort();
    listing.ready = ready.into_iter().map(|(_, _, path)| path.clone()).collect();
    Ok(listing)
}

/// The files of one folder now; none where it is amid a change.
pub(super) fn steady_folder(store: &Path, folder: &str, now: SystemTime) -> io::Result<Option<Files>> {
    let touched = |metadata: Metadata| metadata.modified().ok();
    let before = touched(fs::metadata(store.join(folder))?);
    let settled = before.and_then(|at| now.duration_since(at).ok()).is_some_and(|since| since > STEADY_AFTER);
    if !settled || !no_change_under_way(store) {
        return Ok(None);
    }
    let mut files = Files::new();
    walk(store, folder, now, &mut files)?;
    let steady = no_change_under_way(store) && touched(fs::metadata(store.join(folder))?) == before;
    Ok(steady.then_some(files))
}

/// The store writes its intent before it changes files, and removes it after.
fn no_change_under_way(store: &Path) -> bool {
    !store.join("intent.json").exists()
}

/// Definitions first, so that what follows can be read; days from the oldest, because they are given up first.
fn turn(path: &str) -> usize {
    let order = ["store.json", "definitions"];
    let top = path.split('/').next().unwrap_or("");
    match Kind::of(path) {
        Kind::Kept if top != "filed" => order.iter().position(|name| *name == top).unwrap_or(order.len()),
        Kind::Day => 4,
        Kind::Month => 5,
        Kind::Kept | Kind::Record => 6,
    }
}

/// The date of a day's folder, from a path in it.
pub(super) fn date_of(path: &str) -> Option<&str> {
    path.split('/').find_map(|part| part.strip_prefix("date="))
}

/// The folder of a path.
pub(super) fn folder_of(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}

/// Whether a day's file is what closing left.
pub(super) fn is_merged(path: &str) -> bool {
    path.rsplit('/').next().is_some_and(|name| name.starts_with("merged"))
}

fn walk(store: &Path, below: &str, now: SystemTime, files: &mut Files) -> io::Result<()> {
    let path = store.join(below);
    let metadata = match fs::metadata(&path) {
        Ok(metadata) => metadata,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(told_with(&path, error)),
    };
    if !metadata.is_dir() {
        take(below, &metadata, now, files);
        return Ok(());
    }
    let entries = match fs::read_dir(&path) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(told_with(&path, error)),
    };
    for entry in entries {
        let entry = entry.map_err(|error| told_with(&path, error))?;
        // Names are the store's own. What else somebody put here is not ours to copy.
        let Ok(name) = entry.file_name().into_string() else { continue };
        walk(store, &format!("{below}/{name}"), now, files)?;
    }
    Ok(())
}

fn take(path: &str, metadata: &Metadata, now: SystemTime, files: &mut Files) {
    if path.ends_with(".passing") {
        return;
    }
    let mut local = Local::of(metadata);
    let age = metadata.modified().ok().and_then(|at| now.duration_since(at).ok()).unwrap_or_default();
    local.ready = match Kind::of(path) {
        Kind::Day => is_merged(path) && path.ends_with(".parquet"),
        Kind::Record => age > RECORD_ALONE_AFTER,
        Kind::Month => path.ends_with(".parquet"),
        Kind::Kept => true,
    };
    files.insert(path.to_owned(), local);
}

/// Names the place in an error of the system.
pub(super) fn told_with(path: &Path, error: io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("{}: {error}", path.display()))
}

/// A day that retention gave up, of a class.
#[derive(Debug, Deserialize)]
pub(super) struct GivenUp {
    date: String,
    class: String,
    at_us: i64,
}

impl GivenUp {
    /// Whether a file of the store was among it, which was written at an instant.
    pub(super) fn was(&self, path: &str, modified_ns: i64) -> bool {
        path.split('/').next() == Some(self.class.as_str())
            && date_of(path) == Some(self.date.as_str())
            && modified_ns / 1_000 <= self.at_us
    }
}

/// What retention gave up here. It is not copied: there it was not given up.
///
/// # Errors
/// It cannot be read.
pub(super) fn given_up(store: &Path) -> io::Result<Vec<GivenUp>> {
    let path = store.join("given_up.json");
    match fs::read(&path) {
        Ok(text) => serde_json::from_slice(&text).map_err(|error| told_with(&path, io::Error::other(error))),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(told_with(&path, error)),
    }
}
