//! A second place for files: a folder, on another disk perhaps. Bytes and a name in; and read back again.
//!
//! Every step is done when it returns. A file is there whole or not at all.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use bytes::{Bytes, BytesMut};
use nix::fcntl::{PosixFadviseAdvice, posix_fadvise};
use twox_hash::XxHash3_128;

use super::list::told_with;
use crate::durable::sync_folder;
use crate::stop::Stop;

/// So much of a file is read, written and synced at once: a stop is not heeded in between.
const STEP_BYTES: usize = 1 << 20;
/// Syncing so much at a time keeps the last sync short on a slow medium.
const SYNC_EVERY: u64 = 16 << 20;

/// Why a file was not copied.
#[derive(Debug, thiserror::Error)]
pub(super) enum CopyError {
    /// It was asked to end.
    #[error("asked to end")]
    Stopped,
    /// A file of this store, or what is remembered of copies, cannot be read or written.
    #[error("{0}")]
    Here(io::Error),
    /// A file of this store became shorter while it was read.
    #[error("{} became shorter while it was read", path.display())]
    Shrank {
        /// The file.
        path: PathBuf,
    },
    /// The place refuses, or cannot be reached.
    #[error("{doing} {name}: {source}")]
    There {
        /// What was being done.
        doing: &'static str,
        /// Name at the place.
        name: String,
        /// Why it was not done.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The place cannot be used as it is configured.
    #[error("{0}")]
    Unusable(String),
    /// What was read back is not what was written.
    #[error("{name} was read back and is not what was written; it is copied again")]
    Differs {
        /// Name at the place.
        name: String,
    },
    /// What the place says is not what is known of it.
    #[error("{0}")]
    Another(String),
}

/// What a file holds: its size, and XXH3-128 of its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Seen {
    pub bytes: u64,
    pub hash: u128,
}

/// Bytes to be copied; their hash is taken as they are read.
pub(super) struct Source {
    path: PathBuf,
    from: Box<dyn Read + Send>,
    bytes: u64,
    left: u64,
    hasher: XxHash3_128,
}

impl Source {
    /// The first `bytes` of an open file.
    pub(super) fn file(path: &Path, file: File, bytes: u64) -> Self {
        Self::new(path, Box::new(file), bytes)
    }

    /// A short text.
    pub(super) fn text(text: Vec<u8>) -> Self {
        let bytes = text.len() as u64;
        Self::new(Path::new(""), Box::new(io::Cursor::new(text)), bytes)
    }

    fn new(path: &Path, from: Box<dyn Read + Send>, bytes: u64) -> Self {
        Self { path: path.to_owned(), from, bytes, left: bytes, hasher: XxHash3_128::new() }
    }

    /// How many bytes there are in all.
    #[cfg(feature = "cloud")]
    pub(super) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The next bytes, `most` of them while there are so many; empty at the end.
    ///
    /// # Errors
    /// They cannot be read, or there are fewer than there were.
    pub(super) fn next(&mut self, most: usize) -> Result<Bytes, CopyError> {
        let wanted = usize::try_from(self.left).unwrap_or(usize::MAX).min(most);
        let mut block = BytesMut::zeroed(wanted);
        match self.from.read_exact(&mut block) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
                return Err(CopyError::Shrank { path: self.path.clone() });
            }
            Err(error) => return Err(CopyError::Here(told_with(&self.path, error))),
        }
        self.hasher.write(&block);
        self.left -= wanted as u64;
        Ok(block.freeze())
    }

    /// Size and hash of what was read.
    pub(super) fn seen(&self) -> Seen {
        Seen { bytes: self.bytes - self.left, hash: self.hasher.finish_128() }
    }
}

/// Where files are copied to. Names have `/` between their parts. Whatever is under way is given up on a [`Stop`].
pub(super) trait Place: Send {
    /// Size of a file; none where it is not there.
    ///
    /// # Errors
    /// The place does not tell.
    fn size(&mut self, name: &str) -> Result<Option<u64>, CopyError>;

    /// Puts a file there, in place of one of that name. `began` is told how the place calls an upload of several parts.
    ///
    /// # Errors
    /// It cannot be read here or written there.
    fn put(&mut self, name: &str, source: &mut Source, began: &mut Began<'_>) -> Result<(), CopyError>;

    /// Reads a file back: whether it is there with these bytes.
    ///
    /// # Errors
    /// It cannot be read.
    fn has(&mut self, name: &str, wanted: Seen) -> Result<bool, CopyError>;

    /// Reads a short file; none where it is not there.
    ///
    /// # Errors
    /// It cannot be read.
    fn read(&mut self, name: &str) -> Result<Option<Vec<u8>>, CopyError>;

    /// Removes a file. One that is not there is no error.
    ///
    /// # Errors
    /// It cannot be removed.
    fn remove(&mut self, name: &str) -> Result<(), CopyError>;

    /// Drops what is left of an upload that was not ended.
    ///
    /// # Errors
    /// It cannot be dropped.
    fn abandon(&mut self, name: &str, upload: Option<&str>) -> Result<(), CopyError>;
}

/// Told how a place calls an upload.
pub(super) type Began<'a> = dyn FnMut(&str) -> Result<(), CopyError> + 'a;

/// A folder. Files are written under a passing name beside, synced, and renamed.
#[derive(Debug)]
pub(super) struct Folder {
    root: PathBuf,
    stop: Arc<Stop>,
}

impl Folder {
    /// A folder that is there.
    pub(super) fn new(root: &Path, stop: &Arc<Stop>) -> Self {
        Self { root: root.to_owned(), stop: Arc::clone(stop) }
    }

    /// Asks for the folder itself: that of a disk which is not mounted is not made on another.
    fn path(&self, name: &str) -> Result<PathBuf, CopyError> {
        if self.root.is_dir() {
            Ok(self.root.join(name))
        } else {
            let folder = self.root.display();
            Err(CopyError::Unusable(format!("there is no folder {folder}; mount its disk, or make it")))
        }
    }

    fn write(&self, path: &Path, source: &mut Source) -> Result<(), WriteError> {
        let mut file = File::create(path)?;
        let mut unsynced = 0;
        loop {
            if self.stop.is_set() {
                return Err(CopyError::Stopped.into());
            }
            let block = source.next(STEP_BYTES)?;
            if block.is_empty() {
                break;
            }
            file.write_all(&block)?;
            unsynced += block.len() as u64;
            if unsynced >= SYNC_EVERY {
                file.sync_data()?;
                unsynced = 0;
            }
        }
        file.sync_all()?;
        Ok(())
    }
}

/// Told apart while a file is written: the one is of here, the other of there.
enum WriteError {
    Copy(CopyError),
    There(io::Error),
}

impl From<CopyError> for WriteError {
    fn from(error: CopyError) -> Self {
        Self::Copy(error)
    }
}

impl From<io::Error> for WriteError {
    fn from(error: io::Error) -> Self {
        Self::There(error)
    }
}

impl Place for Folder {
    fn size(&mut self, name: &str) -> Result<Option<u64>, CopyError> {
        match fs::metadata(self.path(name)?) {
            Ok(metadata) => Ok(Some(metadata.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(there("looking for", name)(error)),
        }
    }

    fn put(&mut self, name: &str, source: &mut Source, _began: &mut Began<'_>) -> Result<(), CopyError> {
        let path = self.path(name)?;
        let passing = passing(&path);
        let folder = path.parent().unwrap_or(&self.root);
        make_folders(&self.root, folder).map_err(there("making the folder of", name))?;
        let written = self.write(&passing, source).map_err(|error| match error {
            WriteError::Copy(error) => error,
            WriteError::There(error) => there("writing", name)(error),
        });
        if let Err(error) = written {
            // Its room may be what is missing.
            if let Err(error) = fs::remove_file(&passing) {
                tracing::debug!("{}: {error}", passing.display());
            }
            return Err(error);
        }
        fs::rename(&passing, &path).and_then(|()| sync_folder(folder)).map_err(there("putting in place", name))
    }

    fn has(&mut self, name: &str, wanted: Seen) -> Result<bool, CopyError> {
        let mut file = match File::open(self.path(name)?) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
            Err(error) => return Err(there("opening", name)(error)),
        };
        // From the medium, not from memory, where the system heeds it.
        if let Err(error) = posix_fadvise(&file, 0, 0, PosixFadviseAdvice::POSIX_FADV_DONTNEED) {
            tracing::debug!("{name} is read back from memory perhaps: {error}");
        }
        let mut hasher = XxHash3_128::new();
        let (mut block, mut bytes) = (vec![0; STEP_BYTES], 0);
        loop {
            if self.stop.is_set() {
                return Err(CopyError::Stopped);
            }
            let read = file.read(&mut block).map_err(there("reading back", name))?;
            if read == 0 {
                return Ok(wanted == Seen { bytes, hash: hasher.finish_128() });
            }
            hasher.write(&block[..read]);
            bytes += read as u64;
        }
    }

    fn read(&mut self, name: &str) -> Result<Option<Vec<u8>>, CopyError> {
        match fs::read(self.path(name)?) {
            Ok(text) => Ok(Some(text)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(there("reading", name)(error)),
        }
    }

    fn remove(&mut self, name: &str) -> Result<(), CopyError> {
        remove(&self.path(name)?).map_err(there("removing", name))
    }

    fn abandon(&mut self, name: &str, _upload: Option<&str>) -> Result<(), CopyError> {
        remove(&passing(&self.path(name)?)).map_err(there("clearing up", name))
    }
}

fn passing(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".passing");
    PathBuf::from(name)
}

fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Makes the folders that are missing below `root`, to last.
fn make_folders(root: &Path, folder: &Path) -> io::Result<()> {
    let missing: Vec<&Path> =
        folder.ancestors().take_while(|above| above.starts_with(root) && *above != root && !above.is_dir()).collect();
    for above in missing.iter().rev() {
        fs::create_dir(above)?;
        sync_folder(above.parent().unwrap_or(root))?;
    }
    Ok(())
}

/// An error of the place.
pub(super) fn there<E: Into<Box<dyn std::error::Error + Send + Sync>>>(
    doing: &'static str,
    name: &str,
) -> impl FnOnce(E) -> CopyError {
    let name = name.to_owned();
    move |error| CopyError::There { doing, name, source: error.into() }
}

/// Size and hash of a file of this store, up to the size that it has now.
pub(super) fn hash_of(path: &Path, file: &mut File, bytes: u64, stop: &Stop) -> Result<Seen, CopyError> {
    let again = file.try_clone().map_err(|error| CopyError::Here(told_with(path, error)))?;
    let mut source = Source::file(path, again, bytes);
    loop {
        if stop.is_set() {
            return Err(CopyError::Stopped);
        }
        if source.next(STEP_BYTES)?.is_empty() {
            break;
        }
    }
    file.seek(SeekFrom::Start(0)).map_err(|error| CopyError::Here(told_with(path, error)))?;
    Ok(source.seen())
}
