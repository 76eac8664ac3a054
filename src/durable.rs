//! Files that a power cut leaves whole.
//!
//! A name is certain once its folder is synced, and bytes once their file is; neither makes the other so.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// Makes renames, new names and removals in a folder last.
///
/// # Errors
/// The folder cannot be opened or synced.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    // A bare name's parent is the empty path.
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    File::open(folder)?.sync_all()
}

/// Writes a file whole under a passing name, and puts it in place: another reader sees the one before, or this one.
/// Gives what `write` gives.
///
/// # Errors
/// It cannot be written, synced or put in place; then what was there is as it was.
pub fn replace<T>(path: &Path, write: impl FnOnce(&mut (dyn Write + Send)) -> io::Result<T>) -> io::Result<T> {
    let passing = path.with_extension("passing");
    let mut out = BufWriter::new(File::create(&passing)?);
    let written = write(&mut out)?;
    out.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()?;
    fs::rename(&passing, path)?;
    sync_folder(path.parent().unwrap_or(path))?;
    Ok(written)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_whole_or_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("state.json");
        replace(&path, |out| out.write_all(b"one")).unwrap();
        replace(&path, |out| out.write_all(b"another")).unwrap();
        let broken = replace(&path, |out| {
            out.write_all(b"half")?;
            Err::<(), _>(io::Error::other("no more"))
        });
        assert!(broken.is_err());
        assert_eq!(fs::read(&path).unwrap(), b"another");
    }
}
