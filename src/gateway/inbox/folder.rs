//! A folder that others write to, opened: what is in it is reached by its names alone, and no link is followed. Who may
//! drop captures must not be able to make us read, move or delete anything elsewhere by swapping a folder for a link.

use std::ffi::OsStr;
use std::fs::{self, File, Metadata, ReadDir};
use std::io;
use std::os::fd::AsRawFd;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use nix::fcntl::OFlag;

/// An opened folder.
#[derive(Debug)]
pub(super) struct Folder(File);

/// What tells whether a file is still the one that was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Seen {
    /// Its number on its file system.
    inode: u64,
    /// Bytes.
    pub(super) size: u64,
    /// Last change, ns.
    pub(super) modified_ns: i128,
}

impl Seen {
    pub(super) fn of(metadata: &Metadata) -> Self {
        let modified_ns = i128::from(metadata.mtime()) * 1_000_000_000 + i128::from(metadata.mtime_nsec());
        Self { inode: metadata.ino(), size: metadata.len(), modified_ns }
    }
}

impl Folder {
    /// Opens the folder that the configuration names; there a link is followed.
    pub(super) fn open(path: &Path) -> io::Result<Self> {
        Ok(Self(fs::OpenOptions::new().read(true).custom_flags(OFlag::O_DIRECTORY.bits()).open(path)?))
    }

    /// The same folder, opened once more.
    pub(super) fn again(&self) -> io::Result<Self> {
        Ok(Self(self.0.try_clone()?))
    }

    /// Opens a folder in it.
    pub(super) fn below(&self, name: &OsStr) -> io::Result<Self> {
        let flags = OFlag::O_DIRECTORY | OFlag::O_NOFOLLOW;
        Ok(Self(fs::OpenOptions::new().read(true).custom_flags(flags.bits()).open(self.path_of(name))?))
    }

    /// Opens the folder that holds `relative`, name by name.
    pub(super) fn holding(self, relative: &Path) -> io::Result<Self> {
        let mut folder = self;
        for part in relative.parent().into_iter().flat_map(Path::components) {
            folder = folder.below(part.as_os_str())?;
        }
        Ok(folder)
    }

    /// Opens a file in it, for reading. Never waits, as opening a pipe would.
    pub(super) fn open_file(&self, name: &OsStr) -> io::Result<File> {
        let flags = OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK | OFlag::O_NOCTTY;
        let file = fs::OpenOptions::new().read(true).custom_flags(flags.bits()).open(self.path_of(name))?;
        if file.metadata()?.is_file() { Ok(file) } else { Err(io::ErrorKind::InvalidInput.into()) }
    }

    /// Looks at something in it, links themselves and not what they lead to.
    pub(super) fn look(&self, name: &OsStr) -> io::Result<Metadata> {
        fs::symlink_metadata(self.path_of(name))
    }

    /// What is in it.
    pub(super) fn entries(&self) -> io::Result<ReadDir> {
        fs::read_dir(self.own_path())
    }

    /// A path by which the opened folder is reached, whatever happened to its name.
    pub(super) fn own_path(&self) -> PathBuf {
        PathBuf::from(format!("/proc/self/fd/{}", self.0.as_raw_fd()))
    }

    /// The same of something in it; only its last part can be a link.
    pub(super) fn path_of(&self, name: &OsStr) -> PathBuf {
        self.own_path().join(name)
    }

    /// What tells whether it is still the same folder.
    pub(super) fn identity(&self) -> io::Result<(u64, u64)> {
        let metadata = self.0.metadata()?;
        Ok((metadata.dev(), metadata.ino()))
    }
}
