//! Which files a table has, at a moment when no change of the store is under way.
//!
//! Who files or closes days renames files into place and then removes those that they stand for. A look in between would
//! see rows twice. The store says when: its `intent.json` is there as long as a change is, and with it the time of its
//! root changes.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

/// A change is over after as many removals as a day has files: seconds. One that was cut off waits for the next writer.
const PATIENCE: Duration = Duration::from_secs(20);
/// Between looks.
const PAUSE: Duration = Duration::from_millis(20);

/// A file of a table.
#[derive(Debug, Clone)]
pub(super) struct TableFile {
    pub(super) path: PathBuf,
    pub(super) size: u64,
    pub(super) changed: SystemTime,
}

/// Why there is no list of files.
#[derive(Debug, thiserror::Error)]
pub(super) enum ListError {
    #[error("{0}")]
    Io(#[from] io::Error),
    #[error(
        "{}: a change of the store is not finished; if no yardtap is writing to it, one was cut off: start the service again, or run `yardtap close --store {}`", .0.display(), .0.display()
    )]
    Unsettled(PathBuf),
}

/// Does `look` until the store has not changed meanwhile. Waits for a change that is under way.
pub(super) async fn settled<T>(root: &Path, look: impl Fn() -> io::Result<T>) -> Result<T, ListError> {
    settled_within(root, PATIENCE, look).await
}

async fn settled_within<T>(root: &Path, patience: Duration, look: impl Fn() -> io::Result<T>) -> Result<T, ListError> {
    let begun = Instant::now();
    loop {
        if let Some(before) = state(root)? {
            // A folder that went while it was looked into is a change, too.
            let found = look();
            if state(root)? == Some(before) {
                return Ok(found?);
            }
        }
        if begun.elapsed() > patience {
            return Err(ListError::Unsettled(root.to_owned()));
        }
        tokio::time::sleep(PAUSE).await;
    }
}

/// When anything was last renamed into the root or out of it; none while a change is under way.
fn state(root: &Path) -> io::Result<Option<SystemTime>> {
    let intent = root.join("intent.json");
    if intent.try_exists().map_err(io(&intent))? {
        return Ok(None);
    }
    fs::metadata(root).and_then(|data| data.modified()).map(Some).map_err(io(root))
}

/// Folders named `key=value`, by value; none where there is no such folder.
pub(super) fn folders(folder: &Path, key: &str) -> io::Result<Vec<(String, PathBuf)>> {
    let mut found = Vec::new();
    for path in entries(folder)? {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if let Some((name, value)) = name.split_once('=')
            && name == key
        {
            found.push((value.to_owned(), path.clone()));
        }
    }
    Ok(found)
}

/// Parquet files of a folder, by name.
pub(super) fn files_in(folder: &Path) -> io::Result<Vec<TableFile>> {
    let mut files = Vec::new();
    for path in entries(folder)? {
        if path.extension().is_some_and(|extension| extension == "parquet") {
            let data = fs::metadata(&path).map_err(io(&path))?;
            let changed = data.modified().map_err(io(&path))?;
            files.push(TableFile { path, size: data.len(), changed });
        }
    }
    Ok(files)
}

/// What is in a folder, by name; nothing where there is no such folder.
pub(super) fn entries(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let listing = match fs::read_dir(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other.map_err(io(folder))?,
    };
    let mut paths: Vec<PathBuf> =
        listing.map(|entry| entry.map(|entry| entry.path())).collect::<io::Result<_>>().map_err(io(folder))?;
    paths.sort();
    Ok(paths)
}

/// Adds the place to an error.
pub(super) fn io(path: &Path) -> impl FnOnce(io::Error) -> io::Error {
    let path = path.to_owned();
    move |error| io::Error::new(error.kind(), format!("{}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runtime() -> tokio::runtime::Runtime {
        tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap()
    }

    #[test]
    fn a_look_during_a_change_is_taken_again() {
        let folder = tempfile::tempdir().unwrap();
        let looks = std::cell::Cell::new(0);
        let found = runtime().block_on(settled(folder.path(), || {
            looks.set(looks.get() + 1);
            if looks.get() == 1 {
                // Someone begins and ends a change meanwhile.
                std::thread::sleep(Duration::from_millis(20));
                fs::write(folder.path().join("intent.json"), "{}")?;
                fs::remove_file(folder.path().join("intent.json"))?;
            }
            Ok(looks.get())
        }));
        assert_eq!(found.unwrap(), 2);
    }

    #[test]
    fn a_change_that_was_cut_off_is_told() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("intent.json"), "{}").unwrap();
        let error =
            runtime().block_on(settled_within(folder.path(), Duration::from_millis(50), || Ok(()))).unwrap_err();
        assert!(error.to_string().contains("was cut off: start the service again, or run `yardtap close --store"));
    }
}
