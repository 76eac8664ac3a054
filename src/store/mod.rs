//! The store: daily Parquet files under one folder, filed atomically.
//!
//! ```text
//! STORE/
//!   store.json                                 format of the store
//!   signals/message=line_input/date=2026-03-14/…   one table a message
//!   raw/date=2026-03-14/…                      frames that no definition knows, error frames, remote frames
//!   runs/ events/ bus_health/ message_health/  month=2026-03/…
//!   definitions/<hash>/                        every definition set that decoded something here
//!   filed/                                     one record a capture, written last; of closed days, a file a month
//!   incoming/                                  files on their way; emptied when the store is opened for writing
//! ```

mod close;
pub mod coded;
mod commit;
mod error;
pub mod file;
pub mod merge;
pub mod order;
pub mod read;
pub mod records;
pub mod retention;
pub(crate) mod rows;
pub(crate) mod shape;
pub mod summary;

pub use close::Closed;
pub use commit::{Change, Filed, HeardLast, VehicleFiled};
pub use error::StoreError;

use std::collections::HashMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use error::io_error;
use serde::{Deserialize, Serialize};

use crate::defs::{Definitions, SourceText};
use crate::durable;
use crate::table::STORE_FORMAT;

/// Footer key: name of the table.
pub const TABLE_KEY: &str = "yardtap.table";
/// Footer key: hash of the definition set.
pub const DEFINITIONS_KEY: &str = "yardtap.definitions";
/// Footer key: name of the definition set.
pub const SET_KEY: &str = "yardtap.definition_set";
/// Footer key: name of the message's bus.
pub const BUS_KEY: &str = "yardtap.bus";

/// What `store.json` says.
#[derive(Debug, Serialize, Deserialize)]
struct Label {
    format: u32,
}

/// An opened store.
#[derive(Debug)]
pub struct Store {
    root: PathBuf,
    /// Held as long as this process may write.
    lock: Option<File>,
    incoming: AtomicU64,
    /// What was filed, in short; read when it is asked first.
    index: Mutex<Option<records::Index>>,
    /// Definition sets that decoded something here, by hash, as far as they were asked for.
    sets: Mutex<HashMap<String, Arc<Definitions>>>,
    /// By vehicle: the capture up to which a stretch that goes on was counted. It stays due until the stretch is over;
    /// who opens the store anew counts it once too often.
    counted_up_to: Mutex<HashMap<String, records::CaptureKey>>,
}

impl Store {
    /// Opens a store for writing, and makes it where the folder is missing or empty. Finishes what a power cut left.
    ///
    /// # Errors
    /// The folder is something else, of a later version, in use by another process, or cannot be written.
    pub fn open(root: &Path) -> Result<Self, StoreError> {
        create_root(root)?;
        let label = root.join("store.json");
        if !label.exists() {
            // The label is written under a passing name: half of one would be no label, and no empty folder either.
            let passing = root.join("store.passing");
            for entry in fs::read_dir(root).map_err(io_error(root, "reading"))? {
                if entry.map_err(io_error(root, "reading"))?.path() != passing {
                    return Err(StoreError::Foreign { path: root.to_owned() });
                }
            }
            let text = format!("{{ \"format\": {STORE_FORMAT} }}\n");
            write_synced(&passing, text.as_bytes())?;
            fs::rename(&passing, &label).map_err(io_error(&label, "renaming"))?;
            sync_folder(root)?;
        }
        check_label(root)?;
        let lock_path = root.join("lock");
        let lock =
            File::options().create(true).append(true).open(&lock_path).map_err(io_error(&lock_path, "opening"))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(fs::TryLockError::WouldBlock) => return Err(StoreError::Busy { path: root.to_owned() }),
            Err(fs::TryLockError::Error(source)) => return Err(io_error(&lock_path, "locking")(source)),
        }
        let store = Self {
            root: root.to_owned(),
            lock: Some(lock),
            incoming: AtomicU64::new(0),
            index: Mutex::default(),
            sets: Mutex::default(),
            counted_up_to: Mutex::default(),
        };
        let folders = ["filed", "incoming", "definitions"].map(|name| root.join(name));
        if folders.iter().any(|folder| !folder.exists()) {
            // Folders without a label would be no store: it is certain before them, whoever has written it.
            sync_folder(root)?;
            for folder in &folders {
                fs::create_dir_all(folder).map_err(io_error(folder, "creating"))?;
            }
        }
        store.recover()?;
        store.remove_passing()?;
        Ok(store)
    }

    /// Opens a store to read it.
    ///
    /// # Errors
    /// There is none, or it is of a later version.
    pub fn open_to_read(root: &Path) -> Result<Self, StoreError> {
        check_label(root)?;
        Ok(Self {
            root: root.to_owned(),
            lock: None,
            incoming: AtomicU64::new(0),
            index: Mutex::default(),
            sets: Mutex::default(),
            counted_up_to: Mutex::default(),
        })
    }

    /// Its folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Whether this process may write to it.
    pub fn is_writable(&self) -> bool {
        self.lock.is_some()
    }

    /// A path for a file on its way, of a number that this process has not used.
    pub fn incoming(&self) -> PathBuf {
        let number = self.incoming.fetch_add(1, Ordering::Relaxed);
        self.root.join("incoming").join(format!("{number}.parquet"))
    }

    /// Folder of a message's rows of a service day.
    pub fn signals_folder(&self, message: &str, date: jiff::civil::Date) -> PathBuf {
        self.root.join("signals").join(format!("message={message}")).join(format!("date={date}"))
    }

    /// Folder of the raw rows of a service day.
    pub fn raw_folder(&self, date: jiff::civil::Date) -> PathBuf {
        self.root.join("raw").join(format!("date={date}"))
    }

    /// Folder of a summary table's month.
    pub fn month_folder(&self, table: &str, date: jiff::civil::Date) -> PathBuf {
        self.root.join(table).join(format!("month={:04}-{:02}", date.year(), date.month()))
    }

    /// Keeps a definition set, so that what it decoded can be rebuilt for ever.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn keep_definitions(&self, defs: &Definitions) -> Result<(), StoreError> {
        let folder = self.root.join("definitions").join(&defs.hash);
        if folder.exists() {
            // Who put it there may have been ended before its name was certain.
            return sync_folder(&self.root.join("definitions"));
        }
        let passing = self.root.join("incoming").join(&defs.hash);
        fs::create_dir_all(&passing).map_err(io_error(&passing, "creating"))?;
        for source in &defs.sources {
            let name = Path::new(&source.name).file_name().unwrap_or_default();
            write_synced(&passing.join(name), source.text.as_bytes())?;
        }
        sync_folder(&passing)?;
        fs::rename(&passing, &folder).map_err(io_error(&folder, "renaming"))?;
        sync_folder(&self.root.join("definitions"))
    }

    /// Takes back a file that was on its way.
    ///
    /// # Errors
    /// It cannot be removed.
    pub fn discard(&self, path: &Path) -> Result<(), StoreError> {
        fs::remove_file(path).map_err(io_error(path, "removing"))
    }

    /// The capture up to which a vehicle's stretch that goes on was counted.
    pub(crate) fn counted_up_to(&self, vehicle: &str) -> Option<records::CaptureKey> {
        self.counted_up_to.lock().unwrap_or_else(std::sync::PoisonError::into_inner).get(vehicle).copied()
    }

    /// Remembers it; none: nothing is open.
    pub(crate) fn note_counted(&self, vehicle: &str, up_to: Option<records::CaptureKey>) {
        let mut counted = self.counted_up_to.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        match up_to {
            Some(capture) => counted.insert(vehicle.to_owned(), capture),
            None => counted.remove(vehicle),
        };
    }

    /// A definition set that decoded something here, read once.
    pub(crate) fn known_definitions(&self, hash: &str, wanted_by: &Path) -> Result<Arc<Definitions>, StoreError> {
        let mut sets = self.sets.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(known) = sets.get(hash) {
            return Ok(Arc::clone(known));
        }
        let loaded = Arc::new(self.definitions(hash, wanted_by)?);
        sets.insert(hash.to_owned(), Arc::clone(&loaded));
        Ok(loaded)
    }

    /// A definition set that decoded something here.
    ///
    /// # Errors
    /// It is not there, or was changed.
    pub fn definitions(&self, hash: &str, wanted_by: &Path) -> Result<Definitions, StoreError> {
        let lost = || StoreError::DefinitionsLost { path: wanted_by.to_owned(), hash: hash.to_owned() };
        // A hash is hexadecimal: nothing else may become part of a path.
        if hash.is_empty() || !hash.chars().all(|c| c.is_ascii_hexdigit()) {
            return Err(lost());
        }
        let folder = self.root.join("definitions").join(hash);
        let mut sources = Vec::new();
        let mut paths: Vec<PathBuf> = fs::read_dir(&folder).map_err(|_| lost())?.flatten().map(|e| e.path()).collect();
        paths.sort();
        for path in paths {
            let text = fs::read_to_string(&path).map_err(io_error(&path, "reading"))?;
            sources.push(SourceText { name: path.display().to_string(), text });
        }
        let defs = Definitions::from_texts(hash.to_owned(), sources)
            .map_err(|problems| StoreError::Record { path: folder.clone(), why: problems.to_string() })?;
        if defs.hash == hash { Ok(defs) } else { Err(lost()) }
    }
}

/// Makes the store's folder, and its name certain: what is synced in a folder whose name is lost is lost with it.
fn create_root(root: &Path) -> Result<(), StoreError> {
    if root.join("store.json").exists() {
        return Ok(());
    }
    let parent = |path: &Path| match path.parent() {
        Some(parent) if parent.as_os_str().is_empty() => PathBuf::from("."),
        Some(parent) => parent.to_owned(),
        None => path.to_owned(),
    };
    let mut new = vec![root.to_owned()];
    while let Some(last) = new.last().map(|path| parent(path))
        && !last.exists()
    {
        new.push(last);
    }
    let existed = root.exists();
    fs::create_dir_all(root).map_err(io_error(root, "creating the store"))?;
    for path in new {
        match sync_folder(&parent(&path)) {
            // The folder was made by another, who could; this user cannot even look there.
            Err(StoreError::Io { source, .. }) if existed && source.kind() == std::io::ErrorKind::PermissionDenied => {}
            result => result?,
        }
    }
    Ok(())
}

fn check_label(root: &Path) -> Result<(), StoreError> {
    let path = root.join("store.json");
    let text = match fs::read(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Err(StoreError::Missing { path: root.to_owned() });
        }
        Err(error) => return Err(io_error(&path, "reading")(error)),
    };
    let label: Label = serde_json::from_slice(&text)
        .map_err(|error| StoreError::Record { path: path.clone(), why: error.to_string() })?;
    if label.format > STORE_FORMAT {
        return Err(StoreError::Newer { path: root.to_owned(), found: label.format, known: STORE_FORMAT });
    }
    Ok(())
}

/// Writes a whole file and syncs it.
fn write_synced(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    use std::io::Write;
    let mut file = File::create(path).map_err(io_error(path, "creating"))?;
    file.write_all(bytes).map_err(io_error(path, "writing"))?;
    file.sync_all().map_err(io_error(path, "syncing"))
}

/// Makes renames and removals in a folder last.
fn sync_folder(path: &Path) -> Result<(), StoreError> {
    durable::sync_folder(path).map_err(io_error(path, "syncing"))
}

#[cfg(test)]
mod tests;
