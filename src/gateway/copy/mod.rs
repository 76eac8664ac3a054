//! The second place: closed days, summaries, definitions and records of a store → a folder or an object store.
//!
//! A thread of its own, which only reads the store; what it copied it remembers in `STORE/copied/`. Each file is read
//! back from the place, and its size and XXH3-128 compared, before it counts as copied. So a copy that was cut off
//! anywhere is gone on with, and what lies there already is not sent again.
//!
//! What retention gave up here stays there: nothing is removed at the place but pieces that were merged or replaced,
//! and those only once what replaced them is verified. A file there is written over only where this store wrote it.
//! Late rows of a day that was given up are copied beside it.

mod list;
mod manifest;
#[cfg(feature = "cloud")]
mod objects;
mod place;

use std::fs::File;
use std::hash::{BuildHasher, Hasher, RandomState};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use serde::{Deserialize, Serialize};

use self::list::{Files, Kind, Listing, Local};
use self::manifest::{Begun, Copied, Manifest};
use self::place::{CopyError, Folder, Place, Source, hash_of};
use super::status::{Status, Stop};
use crate::settings::gateway::CopySettings;
use crate::store::Store;

/// First and longest wait after a failure; it doubles in between, and a part of it is left to chance.
const WAITS: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(15 * 60));
/// So many files in a row may fail; then it is not the files.
const FAILURES_IN_A_ROW: usize = 3;
/// How often a stop is looked for.
const STOP_EVERY: Duration = Duration::from_millis(50);
/// What at the place tells whose it is.
const OWNER: &str = "copied-from.json";

/// What stands in [`OWNER`].
#[derive(Debug, Serialize, Deserialize)]
struct Owner {
    format: u32,
    /// The store's id there.
    id: String,
}

/// What copying is started with.
#[derive(Debug)]
pub struct Copying {
    /// Folder of the store.
    pub store: PathBuf,
    /// Where to, and how often.
    pub settings: CopySettings,
    /// Where is told what happens.
    pub status: Arc<Status>,
    /// Ends it.
    pub stop: Arc<Stop>,
}

/// Starts to copy. The thread ends within two seconds after `stop` is set, unless the system holds a disk up.
///
/// # Errors
/// There can be no further thread.
pub fn start(copying: Copying) -> io::Result<JoinHandle<()>> {
    std::thread::Builder::new().name("copier".into()).spawn(move || copying.run())
}

impl Copying {
    /// Looks for what to copy, copies it, and waits; until the stop.
    fn run(self) {
        let mut wait = WAITS.0;
        while !self.stop.is_set() {
            let round = self.round();
            let told = &self.status;
            let pause = match round {
                Err(CopyError::Stopped) => return,
                Ok(_) => {
                    told.settled("copy");
                    wait = WAITS.0;
                    self.settings.every
                }
                Err(error) => {
                    told.trouble("copy", format!("copying to {}: {error}; it goes on trying", self.settings.to));
                    let pause = part_of(wait);
                    wait = (wait * 2).min(WAITS.1);
                    pause
                }
            };
            self.rest(pause);
        }
    }

    fn round(&self) -> Result<usize, CopyError> {
        Store::open_to_read(&self.store).map_err(|error| CopyError::Here(io::Error::other(error)))?;
        let manifest = Manifest::open(&self.store, &self.settings.to).map_err(CopyError::Here)?;
        let place = place_of(&self.settings, &self.stop)?;
        let mut copier = Copier { store: &self.store, place, manifest, status: &self.status, stop: &self.stop };
        copier.round(SystemTime::now())
    }

    fn rest(&self, pause: Duration) {
        let until = Instant::now() + pause;
        while !self.stop.is_set() && Instant::now() < until {
            std::thread::sleep(STOP_EVERY);
        }
    }
}

/// The place that a URL names.
fn place_of(settings: &CopySettings, stop: &Arc<Stop>) -> Result<Box<dyn Place>, CopyError> {
    if let Some(folder) = settings.to.strip_prefix("file://") {
        return Ok(Box::new(Folder::new(Path::new(folder), stop)));
    }
    #[cfg(feature = "cloud")]
    if let Some(bucket) = settings.to.strip_prefix("s3://") {
        let options = settings.options.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        let environment =
            std::env::vars_os().filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)));
        return Ok(Box::new(objects::Objects::new(bucket, options, environment, stop)?));
    }
    Err(CopyError::Unusable("there is no such kind of place".into()))
}

/// One store, one place, and what is known of both.
struct Copier<'a> {
    store: &'a Path,
    place: Box<dyn Place>,
    manifest: Manifest,
    status: &'a Status,
    stop: &'a Stop,
}

impl Copier<'_> {
    /// Copies all that is to be copied. Gives the number of files.
    ///
    /// # Errors
    /// Some could not be; the first reason is told. What could be is copied.
    fn round(&mut self, now: SystemTime) -> Result<usize, CopyError> {
        let listing = list::list(self.store, now).map_err(CopyError::Here)?;
        if listing.steady {
            self.mark_given_up(&listing)?;
        }
        let due: Vec<&String> = listing.ready.iter().filter(|path| self.is_due(path, &listing.files)).collect();
        self.tell_waiting(due.len());
        if due.is_empty() && self.outdated(&listing).is_empty() && self.manifest.begun().is_empty() {
            // The place is not asked for nothing.
            return Ok(0);
        }
        self.meet_place()?;
        let (mut copied, mut failed, mut in_a_row) = (0, None, 0);
        for (done, path) in due.iter().enumerate() {
            match self.copy(path) {
                Ok(()) => (copied, in_a_row) = (copied + 1, 0),
                Err(CopyError::Stopped) => return Err(CopyError::Stopped),
                Err(error) => {
                    tracing::debug!("{path} is not copied: {error}");
                    failed.get_or_insert(error);
                    in_a_row += 1;
                }
            }
            if in_a_row >= FAILURES_IN_A_ROW {
                break;
            }
            self.tell_waiting(due.len() - done - 1);
        }
        if let Some(error) = failed {
            self.tell_waiting(due.len() - copied);
            return Err(error);
        }
        self.clear_up(&listing, now)?;
        Ok(copied)
    }

    fn tell_waiting(&self, files: usize) {
        self.status.keeper.copy_waiting.store(files as u64, Ordering::Relaxed);
    }

    /// Whether a file is not copied as it is now.
    fn is_due(&self, path: &str, files: &Files) -> bool {
        let Some(local) = files.get(path) else { return false };
        self.manifest.files().get(path).is_none_or(|copied| copied.given_up || !is_as(copied, local))
    }

    /// Finds out what retention took, so that its name there is not used again.
    fn mark_given_up(&mut self, listing: &Listing) -> Result<(), CopyError> {
        let told = list::given_up(self.store).map_err(CopyError::Here)?;
        let is_gone = |path: &str, copied: &Copied| {
            if copied.given_up || Kind::of(path) != Kind::Day {
                return false;
            }
            // Where a day is merged, some of it is there.
            let merged = within(&listing.files, list::folder_of(path)).any(|(path, _)| list::is_merged(path));
            !merged || told.iter().any(|day| day.was(path, copied.modified_ns))
        };
        let gone = self.manifest.files().iter().filter(|(path, copied)| is_gone(path, copied));
        let gone: Vec<String> = gone.map(|(path, _)| path.clone()).collect();
        for path in gone {
            self.manifest.note_given_up(&path).map_err(CopyError::Here)?;
        }
        Ok(())
    }

    /// Files that are no more here because others replaced them.
    fn outdated(&self, listing: &Listing) -> Vec<String> {
        let missing = self.manifest.files().iter().filter(|(path, _)| !listing.files.contains_key(*path));
        let outdated = missing.filter(|(path, copied)| !copied.given_up && is_replaced(path, copied, &listing.files));
        outdated.map(|(path, _)| path.clone()).collect()
    }

    /// Makes sure that the place is the one that this store's files were copied to.
    fn meet_place(&mut self) -> Result<(), CopyError> {
        let owner = self.place.read(OWNER)?;
        match owner {
            Some(text) => {
                let owner: Result<Owner, _> = serde_json::from_slice(&text);
                match owner {
                    Ok(owner) if owner.id == self.manifest.id() => Ok(()),
                    _ => Err(CopyError::Another(format!(
                        "{OWNER} there is of another store; give each store a place of its own, or remove that file if \
                         it is this store's and STORE/copied/ was lost: what is there is compared then, and kept"
                    ))),
                }
            }
            None if self.manifest.is_empty() => {
                let owner = Owner { format: 1, id: self.manifest.id().to_owned() };
                let text = serde_json::to_vec(&owner).map_err(|error| CopyError::Here(error.into()))?;
                let mut source = Source::text(text);
                self.place.put(OWNER, &mut source, &mut |_| Ok(()))?;
                if self.place.has(OWNER, source.seen())? {
                    return Ok(());
                }
                // Left as it is, it would be another store's for ever.
                self.place.remove(OWNER)?;
                Err(CopyError::Differs { name: OWNER.to_owned() })
            }
            None => Err(CopyError::Another(format!(
                "there is no {OWNER}, and so perhaps nothing of what was copied: is its disk mounted? To copy all of it \
                 anew, stop the service and remove STORE/copied/"
            ))),
        }
    }

    /// Copies one file, and verifies it.
    fn copy(&mut self, path: &str) -> Result<(), CopyError> {
        let here = self.store.join(path);
        let opened = File::open(&here).and_then(|file| Ok((file.metadata()?, file)));
        let (metadata, mut file) = match opened {
            Ok(opened) => opened,
            // Merged, replaced or given up since it was listed: the next round sees that.
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(error) => return Err(CopyError::Here(list::told_with(&here, error))),
        };
        // All bytes are of this file, whatever comes to its path meanwhile.
        let local = Local::of(&metadata);
        let bytes = local.bytes;
        let (known, begun) = self.known(path)?;
        let copied = |name: &str, hash| Copied {
            name: (name != path).then(|| name.to_owned()),
            bytes,
            modified_ns: local.modified_ns,
            hash,
            given_up: false,
        };
        if let Some(known) = known.as_ref().filter(|known| begun.is_none() && known.bytes == bytes) {
            // The same bytes with another time: of a store that was moved perhaps.
            let hash = hash_of(&here, &mut file, bytes, self.stop)?.hash;
            if hash == known.hash {
                return self
                    .manifest
                    .note_copied(path, &Copied { name: known.name.clone(), ..copied(path, hash) })
                    .map_err(CopyError::Here);
            }
        }
        let name = match (begun, known) {
            (Some(Begun { name, .. }), _) => {
                // Perhaps all of it came there, and was only not remembered.
                if self.place.size(&name)? == Some(bytes) {
                    let seen = hash_of(&here, &mut file, bytes, self.stop)?;
                    if self.place.has(&name, seen)? {
                        return self.note_copied(path, &copied(&name, seen.hash));
                    }
                }
                name
            }
            (None, Some(known)) if !known.given_up => known.name.unwrap_or_else(|| path.to_owned()),
            (None, Some(_)) => self.name_beside(path)?,
            (None, None) => match self.place.size(path)? {
                None => path.to_owned(),
                // What is remembered was lost, or somebody else put it there.
                Some(there) => {
                    let seen = hash_of(&here, &mut file, bytes, self.stop)?;
                    if there == bytes && self.place.has(path, seen)? {
                        return self.note_copied(path, &copied(path, seen.hash));
                    }
                    self.name_beside(path)?
                }
            },
        };
        let modified_ns = local.modified_ns;
        let begun = Begun { name: name.clone(), modified_ns, upload: None };
        self.manifest.note_begun(path, begun).map_err(CopyError::Here)?;
        let mut source = Source::file(&here, file, bytes);
        let manifest = &mut self.manifest;
        let mut began = |upload: &str| {
            let begun = Begun { name: name.clone(), modified_ns, upload: Some(upload.to_owned()) };
            manifest.note_begun(path, begun).map_err(CopyError::Here)
        };
        self.place.put(&name, &mut source, &mut began)?;
        let seen = source.seen();
        if !self.place.has(&name, seen)? {
            return Err(CopyError::Differs { name });
        }
        self.note_copied(path, &copied(&name, seen.hash))
    }

    /// What is known of a file's copy, and of one that was begun: what is left of that is cleared up. Its day may have
    /// been given up, and filled again, since: then what lies there is not to be written over.
    fn known(&mut self, path: &str) -> Result<(Option<Copied>, Option<Begun>), CopyError> {
        let (known, begun) = (self.manifest.files().get(path), self.manifest.begun().get(path).cloned());
        let told = match Kind::of(path) {
            Kind::Day if known.is_some() || begun.is_some() => list::given_up(self.store).map_err(CopyError::Here)?,
            _ => Vec::new(),
        };
        let was_given_up = |modified_ns| told.iter().any(|day| day.was(path, modified_ns));
        if known.is_some_and(|known| !known.given_up && was_given_up(known.modified_ns)) {
            self.manifest.note_given_up(path).map_err(CopyError::Here)?;
        }
        let known = self.manifest.files().get(path).cloned();
        if let Some(begun) = &begun {
            self.place.abandon(&begun.name, begun.upload.as_deref())?;
        }
        let kept_name =
            known.as_ref().filter(|known| known.given_up).map(|known| known.name.as_deref().unwrap_or(path));
        let begun = begun.filter(|begun| !was_given_up(begun.modified_ns) && kept_name != Some(begun.name.as_str()));
        Ok((known, begun))
    }

    fn note_copied(&mut self, path: &str, copied: &Copied) -> Result<(), CopyError> {
        self.manifest.note_copied(path, copied).map_err(CopyError::Here)?;
        self.status.keeper.copied_files.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    /// A name in the same folder that nothing has, and that readers of the store take for the same kind of file.
    fn name_beside(&mut self, path: &str) -> Result<String, CopyError> {
        let (folder, file) = path.rsplit_once('/').unwrap_or(("", path));
        let (stem, rest) = file.rsplit_once('.').unwrap_or((file, ""));
        for number in 1.. {
            let name = format!("{folder}/{stem}-later-{number}.{rest}");
            if !self.manifest.uses(&name) && self.place.size(&name)?.is_none() {
                return Ok(name);
            }
        }
        Err(CopyError::Unusable(format!("no name is left beside {path}")))
    }

    /// Removes what was replaced, where all that may have replaced it is verified; and what was begun and is no more.
    fn clear_up(&mut self, listing: &Listing, now: SystemTime) -> Result<(), CopyError> {
        for path in self.outdated(listing) {
            if self.stop.is_set() {
                return Err(CopyError::Stopped);
            }
            let folder = list::folder_of(&path).to_owned();
            let files = match list::steady_folder(self.store, &folder, now) {
                Ok(Some(files)) => files,
                // The next round looks again.
                Ok(None) => continue,
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                Err(error) => return Err(CopyError::Here(error)),
            };
            let Some(copied) = self.known(&path)?.0.filter(|copied| !copied.given_up) else { continue };
            let all_copied = files.iter().all(|(path, local)| !local.ready || !self.is_due(path, &files));
            if !files.contains_key(&path) && all_copied && is_replaced(&path, &copied, &files) {
                let name = copied.name.unwrap_or_else(|| path.clone());
                self.place.remove(&name)?;
                self.manifest.note_removed(&path).map_err(CopyError::Here)?;
            }
        }
        let left: Vec<(String, Begun)> = self
            .manifest
            .begun()
            .iter()
            .filter(|(path, _)| !listing.files.contains_key(*path))
            .map(|(path, begun)| (path.clone(), begun.clone()))
            .collect();
        for (path, begun) in left {
            self.place.abandon(&begun.name, begun.upload.as_deref())?;
            self.manifest.note_dropped(&path).map_err(CopyError::Here)?;
        }
        Ok(())
    }
}

fn is_as(copied: &Copied, local: &Local) -> bool {
    (copied.bytes, copied.modified_ns) == (local.bytes, local.modified_ns)
}

/// Files in a folder itself.
fn within<'f>(files: &'f Files, folder: &str) -> impl Iterator<Item = (&'f String, &'f Local)> {
    let prefix = format!("{folder}/");
    files.range(prefix.clone()..).take_while(move |(path, _)| path.starts_with(&prefix))
}

/// Whether a file that is no more here was replaced by others, as far as its folder tells. One whose folder is empty
/// was not.
fn is_replaced(path: &str, copied: &Copied, files: &Files) -> bool {
    let mut beside = within(files, list::folder_of(path));
    match Kind::of(path) {
        Kind::Kept => false,
        Kind::Day => beside.any(|(path, _)| list::is_merged(path)),
        Kind::Month => beside.any(|(_, local)| local.ready),
        Kind::Record => {
            beside.any(|(path, local)| path.ends_with(".jsonl.zst") && local.modified_ns > copied.modified_ns)
        }
    }
}

/// A part of a wait, half of it at least, so that those who were cut off together do not come again together.
fn part_of(wait: Duration) -> Duration {
    wait / 2 + wait.mul_f64(chance() as f64 / u64::MAX as f64 / 2.0)
}

/// A number that nobody foresees.
fn chance() -> u64 {
    RandomState::new().build_hasher().finish()
}

#[cfg(test)]
mod tests;
