//! The folder that the pages lie in: put in place whole, and never in place of something else.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use super::PagesError;
use crate::durable::sync_folder;

/// File by which a folder of a morning's pages is known; lists what the morning was made of.
pub(super) const MARK: &str = "morning.json";

/// Has a folder written beside the one that it is to replace, and puts it in place.
pub(super) fn replace<T>(folder: &Path, write: impl FnOnce(&Path) -> Result<T, PagesError>) -> Result<T, PagesError> {
    let occupied = is_occupied(folder).map_err(|source| PagesError::Write { path: folder.to_owned(), source })?;
    if occupied {
        return Err(PagesError::Occupied { folder: folder.to_owned() });
    }
    let passing = beside(folder, "passing");
    let failed = |source| PagesError::Write { path: passing.clone(), source };
    // What a run that was cut off has left.
    remove(&passing).map_err(failed)?;
    fs::create_dir_all(&passing).map_err(failed)?;
    let written = write(&passing).and_then(|written| {
        sync_all(&passing).map_err(failed)?;
        exchange(&passing, folder).map_err(|source| PagesError::Write { path: folder.to_owned(), source })?;
        Ok(written)
    });
    // Now the pages before, or those that could not be finished.
    let cleared = remove(&passing).map_err(failed);
    let written = written?;
    cleared?;
    Ok(written)
}

/// Writes one file; its folders are made.
pub(super) fn put(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), PagesError> {
    let path = folder.join(name);
    let write = || {
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent)?;
        }
        fs::write(&path, bytes)
    };
    write().map_err(|source| PagesError::Write { path: path.clone(), source })
}

/// A folder's name with something behind it, in the same folder, so that renaming is one step.
fn beside(folder: &Path, what: &str) -> PathBuf {
    let mut name = folder.file_name().unwrap_or(std::ffi::OsStr::new("pages")).to_owned();
    name.push(".");
    name.push(what);
    folder.with_file_name(name)
}

fn is_occupied(folder: &Path) -> io::Result<bool> {
    match fs::read_dir(folder) {
        Ok(mut entries) => Ok(entries.next().is_some() && !folder.join(MARK).is_file()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(error),
    }
}

fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

/// All of the folder's files are safe from a power cut.
#[cfg(target_os = "linux")]
fn sync_all(folder: &Path) -> io::Result<()> {
    // One call for hundreds of small files.
    Ok(nix::unistd::syncfs(File::open(folder)?)?)
}

#[cfg(not(target_os = "linux"))]
fn sync_all(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() { sync_all(&path)? } else { File::open(&path)?.sync_all()? }
    }
    sync_folder(folder)
}

/// Puts `new` in place of `old`, and `old` in place of `new` if there is one: in one step where the system can.
fn exchange(new: &Path, old: &Path) -> io::Result<()> {
    let parent = old.parent().unwrap_or(Path::new(""));
    if !old.exists() {
        fs::rename(new, old)?;
        return sync_folder(parent);
    }
    if !exchanged(new, old)? {
        // For an instant there are none; still nobody sees half of them.
        let before = beside(old, "before");
        remove(&before)?;
        fs::rename(old, &before)?;
        fs::rename(new, old)?;
        fs::rename(&before, new)?;
    }
    sync_folder(parent)
}

/// Whether the system could exchange them.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn exchanged(new: &Path, old: &Path) -> io::Result<bool> {
    use nix::errno::Errno;
    use nix::fcntl::{AT_FDCWD, RenameFlags, renameat2};
    match renameat2(AT_FDCWD, new, AT_FDCWD, old, RenameFlags::RENAME_EXCHANGE) {
        Ok(()) => Ok(true),
        // Some network file systems cannot.
        Err(Errno::EINVAL | Errno::ENOSYS | Errno::EOPNOTSUPP) => Ok(false),
        Err(error) => Err(error.into()),
    }
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn exchanged(_: &Path, _: &Path) -> io::Result<bool> {
    Ok(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        let mut names: Vec<String> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn pages_are_replaced_whole_or_stay() {
        let around = tempfile::tempdir().unwrap();
        let folder = around.path().join("morning");
        let write = |name: &'static str| {
            move |passing: &Path| {
                put(passing, MARK, b"{}")?;
                put(passing, name, b"x")
            }
        };
        replace(&folder, write("a/one")).unwrap();
        replace(&folder, write("two")).unwrap();
        assert_eq!(files(&folder), [MARK, "two"]);
        let failed = replace(&folder, |passing| {
            put(passing, "three", b"x")?;
            Err::<(), _>(PagesError::Occupied { folder: passing.to_owned() })
        });
        assert!(failed.is_err());
        assert_eq!(files(&folder), [MARK, "two"]);
        // Nothing is left beside it, and what a cut left is in nobody's way.
        assert_eq!(files(around.path()), ["morning"]);
        fs::create_dir_all(around.path().join("morning.passing/half")).unwrap();
        replace(&folder, write("four")).unwrap();
        assert_eq!(
            (files(&folder), files(around.path())),
            (vec!["four".to_owned(), MARK.into()], vec!["morning".into()])
        );
    }

    #[test]
    fn a_folder_of_other_things_is_left_alone() {
        let around = tempfile::tempdir().unwrap();
        fs::write(around.path().join("thesis.odt"), "years of work").unwrap();
        let refused = replace(around.path(), |_| Ok(()));
        assert!(matches!(&refused, Err(PagesError::Occupied { .. })));
        assert!(refused.unwrap_err().to_string().contains("--to"));
        assert_eq!(files(around.path()), ["thesis.odt"]);
        let empty = around.path().join("empty");
        fs::create_dir(&empty).unwrap();
        replace(&empty, |passing| put(passing, MARK, b"{}")).unwrap();
        assert_eq!(files(&empty), [MARK]);
    }
}
