//! Filing: many files appear and others go, all at once or not at all.
//!
//! Every new file is written under `incoming/` and synced first. Then an intent is synced; from there on the change
//! is carried out whatever happens: by this process, or by the next one that opens the store. The intent becomes the
//! record of what was filed when all is in place.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::error::{StoreError, io_error};
use super::{Store, sync_folder, write_synced};

/// What is known of a capture that was filed.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Filed {
    /// XXH3-128 of the capture's bytes as they were stored.
    pub id: String,
    /// Name of the capture as it was given.
    pub source: String,
    /// Its size in bytes as it was stored.
    pub bytes: u64,
    /// Name of the definition set that decoded it.
    pub definition_set: String,
    /// Hash of the definition set.
    pub definitions: String,
    /// The agency's zone, by its name in the IANA time zone database.
    #[serde(default)]
    pub zone: Option<String>,
    /// Per vehicle, in order of name.
    pub vehicles: Vec<VehicleFiled>,
    /// What was odd about it, in words.
    pub remarks: Vec<String>,
    /// What is worth knowing and nothing odd: long silences.
    #[serde(default)]
    pub notes: Vec<String>,
    /// Vehicles whose runs are to be counted again, because the capture joins a stretch counted before.
    #[serde(default)]
    pub counts_due: Vec<String>,
    /// Who was heard last in it, where the bus tells: the next capture of the same lead begins with that vehicle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heard_last: Option<HeardLast>,
}

/// The vehicle that was heard last on a lead.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeardLast {
    /// Fleet number.
    pub vehicle: String,
    /// Time of the last frame, µs.
    pub last_us: i64,
}

/// One vehicle's part of a capture.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct VehicleFiled {
    /// Fleet number.
    pub vehicle: String,
    /// Frames of it in the capture.
    pub frames: u64,
    /// Frames that the store had already, from captures that overlap.
    pub known_frames: u64,
    /// First time, µs.
    pub first_us: i64,
    /// Last time, µs.
    pub last_us: i64,
    /// Bus names by channel of the capture.
    pub buses: Vec<String>,
    /// A hash of 64 bits over the frames in their order, to tell an exact restoration.
    pub frames_hash: String,
    /// A sum of 64 bits over the frames that the store had not, in whatever order: what it has of several captures
    /// together is the sum of theirs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames_sum: Option<String>,
}

/// A change of the store under preparation.
#[derive(Debug, Default, Serialize, Deserialize)]
pub struct Change {
    /// From (below the store) to (below the store).
    renames: Vec<(PathBuf, PathBuf)>,
    removals: BTreeSet<PathBuf>,
    /// The record that is left, with the file it goes to.
    record: Option<Filed>,
    /// Records that were written anew, and are among the renames: for the index.
    #[serde(skip)]
    updated: Vec<Filed>,
}

impl Change {
    /// Puts a file at a place. Both lie in the store.
    pub fn put(&mut self, store: &Store, from: &Path, to: &Path) {
        self.renames.push((below(store, from), below(store, to)));
    }

    /// Whether it puts a file at a place.
    pub(crate) fn puts(&self, store: &Store, to: &Path) -> bool {
        let to = below(store, to);
        self.renames.iter().any(|(_, taken)| *taken == to)
    }

    /// Takes a file away, unless another is put at its place.
    pub fn remove(&mut self, store: &Store, path: &Path) {
        self.removals.insert(below(store, path));
    }

    /// Leaves a record.
    pub fn record(&mut self, filed: Filed) {
        self.record = Some(filed);
    }

    /// Writes a record anew that was left before.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn update(&mut self, store: &Store, filed: Filed) -> Result<(), StoreError> {
        let path = store.record_path(&filed.id);
        let text = serde_json::to_vec_pretty(&filed)
            .map_err(|error| StoreError::Record { path: path.clone(), why: error.to_string() })?;
        let passing = store.incoming();
        fs::write(&passing, &text).map_err(io_error(&passing, "writing"))?;
        self.put(store, &passing, &path);
        self.updated.push(filed);
        Ok(())
    }

    /// Does what another change does, too.
    pub(crate) fn append(&mut self, mut other: Self) {
        assert!(other.record.is_none(), "a change leaves one record");
        self.renames.append(&mut other.renames);
        self.removals.append(&mut other.removals);
        self.updated.append(&mut other.updated);
    }

    /// Whether it changes nothing.
    pub fn is_empty(&self) -> bool {
        self.renames.is_empty() && self.removals.is_empty() && self.record.is_none()
    }
}

fn paths_in(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let entries = fs::read_dir(folder).map_err(io_error(folder, "reading"))?;
    entries.map(|entry| Ok(entry.map_err(io_error(folder, "reading"))?.path())).collect()
}

fn below(store: &Store, path: &Path) -> PathBuf {
    path.strip_prefix(store.root()).unwrap_or(path).to_owned()
}

impl Store {
    /// Carries a change out. Its new files are synced first.
    ///
    /// # Errors
    /// The intent cannot be written: then nothing has changed. Or a rename fails: then the next opening goes on.
    pub fn commit(&self, change: &Change) -> Result<(), StoreError> {
        assert!(self.is_writable(), "only a store opened for writing is changed");
        if change.is_empty() {
            return Ok(());
        }
        // One that could not be carried out to its end, for want of room perhaps, comes before any other.
        self.finish_intent()?;
        self.sync_fresh(change)?;
        sync_folder(&self.root.join("incoming"))?;
        let intent = self.intent_path();
        let passing = intent.with_extension("passing");
        let text =
            serde_json::to_vec(change).map_err(|e| StoreError::Record { path: intent.clone(), why: e.to_string() })?;
        write_synced(&passing, &text)?;
        fs::rename(&passing, &intent).map_err(io_error(&intent, "renaming"))?;
        sync_folder(&self.root)?;
        self.carry_out(change, false).inspect_err(|_| self.forget_index())?;
        self.index_takes(change.record.iter().chain(&change.updated));
        Ok(())
    }

    /// Syncs the change's new files to their medium, several at a time: it is waiting, not work.
    fn sync_fresh(&self, change: &Change) -> Result<(), StoreError> {
        /// More at once gains nothing on one medium.
        const AT_ONCE: usize = 8;
        let fresh: Vec<&Path> =
            change.renames.iter().map(|(from, _)| from.as_path()).filter(|from| from.starts_with("incoming")).collect();
        let sync = |paths: &[&Path]| {
            paths.iter().try_for_each(|path| {
                let path = self.root.join(path);
                fs::File::open(&path).and_then(|file| file.sync_all()).map_err(io_error(&path, "syncing"))
            })
        };
        let share = fresh.len().div_ceil(AT_ONCE).max(1);
        std::thread::scope(|scope| {
            let waiting: Vec<_> = fresh.chunks(share).map(|paths| scope.spawn(move || sync(paths))).collect();
            waiting
                .into_iter()
                .try_for_each(|thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
        })
    }

    fn intent_path(&self) -> PathBuf {
        self.root.join("intent.json")
    }

    /// Can be done again at any point, and goes on where it was. `again`: it was begun before, nobody knows how far.
    fn carry_out(&self, change: &Change, again: bool) -> Result<(), StoreError> {
        self.make_folders(change, again)?;
        let mut folders = BTreeSet::new();
        for (from, to) in &change.renames {
            let (from, to) = (self.root.join(from), self.root.join(to));
            match fs::rename(&from, &to) {
                Ok(()) => {}
                // It was done before the power went.
                Err(error) if error.kind() == std::io::ErrorKind::NotFound && to.exists() => {}
                Err(error) => return Err(io_error(&to, "renaming")(error)),
            }
            folders.insert(to.parent().unwrap_or(&self.root).to_owned());
        }
        let kept: BTreeSet<&PathBuf> = change.renames.iter().map(|(_, to)| to).collect();
        for path in change.removals.iter().filter(|path| !kept.contains(path)) {
            let path = self.root.join(path);
            match fs::remove_file(&path) {
                Ok(()) => {}
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                Err(error) => return Err(io_error(&path, "removing")(error)),
            }
            folders.extend(path.parent().map(Path::to_owned));
        }
        for folder in folders {
            sync_folder(&folder)?;
        }
        if let Some(filed) = &change.record {
            let path = self.root.join("filed").join(format!("{}.json", filed.id));
            let passing = path.with_extension("passing");
            let text = serde_json::to_vec_pretty(filed)
                .map_err(|error| StoreError::Record { path: path.clone(), why: error.to_string() })?;
            write_synced(&passing, &text)?;
            fs::rename(&passing, &path).map_err(io_error(&path, "renaming"))?;
            sync_folder(&self.root.join("filed"))?;
        }
        let intent = self.intent_path();
        fs::remove_file(&intent).map_err(io_error(&intent, "removing"))?;
        sync_folder(&self.root)
    }

    /// Makes the folders of a change, and their names certain before anything is renamed into them: a file whose folder
    /// is lost is lost with it.
    fn make_folders(&self, change: &Change, again: bool) -> Result<(), StoreError> {
        let mut named = BTreeSet::new();
        for (_, to) in &change.renames {
            let to = self.root.join(to);
            let folder = to.parent().unwrap_or(&self.root);
            let above = folder.ancestors().skip(1).take_while(|above| above.starts_with(&self.root));
            if !folder.exists() {
                fs::create_dir_all(folder).map_err(io_error(folder, "creating"))?;
                named.extend(above.map(Path::to_owned));
            } else if again {
                // Who made it may have been ended before its name was certain.
                named.extend(above.map(Path::to_owned));
            }
        }
        named.iter().try_for_each(|folder| sync_folder(folder))
    }

    /// Finishes a change that was begun, if there is one.
    fn finish_intent(&self) -> Result<(), StoreError> {
        let intent = self.intent_path();
        match fs::read(&intent) {
            Ok(text) => {
                let change: Change = serde_json::from_slice(&text)
                    .map_err(|error| StoreError::Record { path: intent, why: error.to_string() })?;
                tracing::warn!("a change of the store was cut off; finishing it");
                self.carry_out(&change, true)?;
                self.forget_index();
                Ok(())
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(io_error(&intent, "reading")(error)),
        }
    }

    /// Finishes a change that was begun, and drops files of changes that were not. Whoever prepares a change calls this
    /// first: the one before may have failed half-way, on a disk that was full.
    ///
    /// # Errors
    /// The change can still not be carried out.
    pub fn recover(&self) -> Result<(), StoreError> {
        self.finish_intent()?;
        self.clear_incoming()
    }

    /// Drops files on their way that belong to no change: after work that was given up.
    ///
    /// # Errors
    /// One cannot be removed.
    pub fn clear_incoming(&self) -> Result<(), StoreError> {
        if self.intent_path().exists() {
            return Ok(());
        }
        let incoming = self.root.join("incoming");
        for path in paths_in(&incoming)? {
            let removed = if path.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
            removed.map_err(io_error(&path, "removing"))?;
        }
        Ok(())
    }

    /// Removes half-written labels, intents and records.
    pub(super) fn remove_passing(&self) -> Result<(), StoreError> {
        for folder in [&self.root, &self.root.join("filed")] {
            for path in paths_in(folder)?.iter().filter(|path| path.extension().is_some_and(|e| e == "passing")) {
                fs::remove_file(path).map_err(io_error(path, "removing"))?;
            }
        }
        Ok(())
    }
}
