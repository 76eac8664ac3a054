//! Which captures were filed and stay in the inbox, so that they are not read again at each start.
//!
//! A file of records of 16 bytes, appended to: a hash over path, size and time of last change. A record that a power cut
//! spoiled stands for no file, and a lost one costs no more than a second reading, for filing is idempotent.

use std::collections::HashSet;
use std::fs::{self, File};
use std::io::{self, Write};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use twox_hash::XxHash3_128;

use super::folder::Seen;
use crate::durable;

const RECORD_BYTES: usize = 16;
/// Fewer outdated records are not worth writing the file anew.
const OUTDATED_MIN: usize = 1_000;

/// The captures that were filed and stay.
#[derive(Debug)]
pub(super) struct Kept {
    path: PathBuf,
    marks: HashSet<u128>,
}

/// What stands for a file as it is.
pub(super) fn mark_of(relative: &Path, seen: &Seen) -> u128 {
    let mut hasher = XxHash3_128::new();
    hasher.write(&seen.size.to_le_bytes());
    hasher.write(&seen.modified_ns.to_le_bytes());
    hasher.write(relative.as_os_str().as_bytes());
    hasher.finish_128()
}

impl Kept {
    pub(super) fn load(path: &Path) -> io::Result<Self> {
        let bytes = match fs::read(path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(error) => return Err(error),
        };
        let records = bytes.as_chunks::<RECORD_BYTES>().0;
        Ok(Self { path: path.to_owned(), marks: records.iter().map(|record| u128::from_le_bytes(*record)).collect() })
    }

    pub(super) fn contains(&self, mark: u128) -> bool {
        self.marks.contains(&mark)
    }

    pub(super) fn add(&mut self, mark: u128) -> io::Result<()> {
        if !self.marks.insert(mark) {
            return Ok(());
        }
        let mut file = File::options().create(true).append(true).open(&self.path)?;
        // Behind half a record, all others would be read askew.
        let half = file.metadata()?.len() % RECORD_BYTES as u64;
        if half > 0 {
            file.set_len(file.metadata()?.len() - half)?;
        }
        file.write_all(&mark.to_le_bytes())
    }

    /// Forgets what is not among `present`, where that is worth it.
    pub(super) fn forget_all_but(&mut self, present: &HashSet<u128>) -> io::Result<()> {
        // No file at all: rather a folder that is not mounted than one that was emptied.
        if present.is_empty() || self.marks.len() < 2 * present.len() + OUTDATED_MIN {
            return Ok(());
        }
        self.marks.retain(|mark| present.contains(mark));
        durable::replace(&self.path, |out| self.marks.iter().try_for_each(|mark| out.write_all(&mark.to_le_bytes())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_is_known_after_a_start_whatever_a_power_cut_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("inbox.kept");
        let mut kept = Kept::load(&path).unwrap();
        kept.add(7).unwrap();
        kept.add(8).unwrap();
        File::options().append(true).open(&path).unwrap().write_all(b"half").unwrap();
        let mut kept = Kept::load(&path).unwrap();
        assert!(kept.contains(7) && kept.contains(8) && !kept.contains(9));
        kept.add(9).unwrap();
        let kept = Kept::load(&path).unwrap();
        assert!(kept.contains(7) && kept.contains(8) && kept.contains(9));
    }

    #[test]
    fn files_that_are_gone_are_forgotten_in_time() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("inbox.kept");
        let mut kept = Kept::load(&path).unwrap();
        (0..5_000).for_each(|mark| kept.add(mark).unwrap());
        kept.forget_all_but(&HashSet::new()).unwrap();
        assert!(kept.contains(1), "an empty folder may be one that is not mounted");
        kept.forget_all_but(&HashSet::from([3, 4])).unwrap();
        let kept = Kept::load(&path).unwrap();
        assert!(kept.contains(3) && kept.contains(4) && !kept.contains(1));
        assert_eq!(fs::metadata(&path).unwrap().len(), 32);
    }
}
