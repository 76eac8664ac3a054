//! What can go wrong with a store, each with its place and what helps.

use std::io;
use std::path::{Path, PathBuf};

use crate::decode::rebuild::RebuildError;
use crate::table::signals::TableError;

/// Why the store cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The file system said no.
    #[error("{}: {doing}: {source}; {}", path.display(), remedy(source))]
    Io {
        /// File or folder.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// Why not.
        source: io::Error,
    },
    /// A Parquet file cannot be read or written.
    #[error("{}: {source}; if the file is damaged, move it out of the store and file its captures again", path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: parquet::errors::ParquetError,
    },
    /// A table's columns are not what this version writes.
    #[error("{}: {source}", path.display())]
    Table {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: TableError,
    },
    /// Rows cannot be made frames again.
    #[error("{}: {source}; its definition set is kept under definitions/ in the store", path.display())]
    Rebuild {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: RebuildError,
    },
    /// The folder holds a store of a later version.
    #[error("{}: store format {found}, this yardtap knows {known}; take the version that wrote it, or name another folder", path.display())]
    Newer {
        /// The store.
        path: PathBuf,
        /// Its format.
        found: u32,
        /// Ours.
        known: u32,
    },
    /// The folder holds other things.
    #[error("{}: not empty, and no yardtap store; name an empty or new folder", path.display())]
    Foreign {
        /// The folder.
        path: PathBuf,
    },
    /// There is no store where one is to be read.
    #[error("{}: no yardtap store here; `yardtap replay CAPTURES --store {}` makes one", path.display(), path.display())]
    Missing {
        /// The folder.
        path: PathBuf,
    },
    /// Another process writes to it.
    #[error("{}: another yardtap is writing to this store; wait for it, or stop it", path.display())]
    Busy {
        /// The store.
        path: PathBuf,
    },
    /// A record cannot be understood.
    #[error("{}: {why}; move the file away and file its captures again", path.display())]
    Record {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A file says it was decoded by definitions that the store does not have.
    #[error("{}: decoded by definition set {hash}, which is not under definitions/ in the store; put it back there", path.display())]
    DefinitionsLost {
        /// The file.
        path: PathBuf,
        /// Their hash.
        hash: String,
    },
    /// Captures overlap that different definition sets decoded.
    #[error("{}: its frames overlap this capture's, and another definition set than {ours} decoded them; give them back with `yardtap restore` and file both into a new store", path.display())]
    OtherDefinitions {
        /// The file in the store.
        path: PathBuf,
        /// Hash of the set in use.
        ours: String,
    },
    /// A capture touches more days than any clock in order would.
    #[error(
        "its clock touches more than {most} service days, so it cannot be trusted; cut the capture where the clock jumps, or correct it"
    )]
    ClockAstray {
        /// The bound.
        most: usize,
    },
    /// Somebody asked for an end.
    #[error("stopped before it was done; the store is as it was")]
    Stopped,
    /// Merging would have changed the number of rows.
    #[error("{}: {rows} rows after merging, {expected} before; the files were left as they were", path.display())]
    MergeLost {
        /// The folder.
        path: PathBuf,
        /// Rows after.
        rows: u64,
        /// Rows before.
        expected: u64,
    },
}

fn remedy(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::PermissionDenied => "let this user write there, or name another store",
        io::ErrorKind::ReadOnlyFilesystem => "the file system is read-only: remount it, or name another store",
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "make room and file the capture again; what was filed before is untouched"
        }
        io::ErrorKind::NotFound => "check the path",
        _ => "what was filed before is untouched",
    }
}

/// Adds place and deed to an input or output error.
pub(super) fn io_error(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> StoreError {
    let path = path.to_owned();
    move |source| StoreError::Io { path, doing, source }
}

/// Adds the place to a Parquet error; one that the file system gave is told as such.
pub(super) fn parquet_error(path: &Path) -> impl FnOnce(parquet::errors::ParquetError) -> StoreError {
    let path = path.to_owned();
    move |source| match source {
        parquet::errors::ParquetError::External(inner) => match inner.downcast::<io::Error>() {
            Ok(source) => StoreError::Io { path, doing: "writing", source: *source },
            Err(inner) => StoreError::Parquet { path, source: parquet::errors::ParquetError::External(inner) },
        },
        source => StoreError::Parquet { path, source },
    }
}
