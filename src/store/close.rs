//! Closing: a day's files, one a vehicle and capture, become one a table; a month's summaries likewise.
//!
//! A year is then thousands of files, not millions. A late capture opens a day again; closing it once more is as good.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::error::StoreError;
use super::merge::{is_merged_already, merge};
use super::read::{self, MERGED, dated_folders, entries, parquet_files};
use super::rows::Footer;
use super::{Change, Store, summary};
use crate::stop::Stop;

/// Folders that are merged before the first of them is put in its place.
const MERGED_TOGETHER: usize = 16;

/// What closing did.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Closed {
    /// Files before.
    pub files_before: usize,
    /// Files after.
    pub files_after: usize,
}

impl Store {
    /// Closes every day and month that has files of its own left. `progress` is told the folders done and their number.
    ///
    /// # Errors
    /// A file cannot be read or written; folders done before are closed.
    pub fn close(&self, progress: &mut dyn FnMut(usize, usize)) -> Result<Closed, StoreError> {
        self.recover()?;
        let days: Vec<PathBuf> = dated_folders(self)?.into_iter().map(|(_, folder)| folder).collect();
        let total = days.len() + 1;
        let mut closed = Closed::default();
        for (done, folders) in days.chunks(MERGED_TOGETHER).enumerate() {
            let merge = |folder: &PathBuf| {
                let (mut change, mut closed) = (Change::default(), Closed::default());
                self.merge_day(folder, &mut change, &mut closed, None).map(|_| (change, closed))
            };
            // One at a time a thread: each has its row group in memory.
            let merged: Result<Vec<_>, StoreError> = folders.par_iter().with_max_len(1).map(merge).collect();
            for (change, counts) in merged? {
                self.commit(&change)?;
                closed.files_before += counts.files_before;
                closed.files_after += counts.files_after;
            }
            progress((done * MERGED_TOGETHER + folders.len()).min(total), total);
        }
        let months = self.close_months()?;
        progress(total, total);
        closed.files_before += months.files_before;
        closed.files_after += months.files_after;
        Ok(closed)
    }

    /// Merges the summaries of every month that has files of its own left.
    ///
    /// # Errors
    /// A file cannot be read or written.
    pub(crate) fn close_months(&self) -> Result<Closed, StoreError> {
        let mut closed = Closed::default();
        for table in summary::TABLES {
            for folder in entries(&self.root().join(table))? {
                self.close_month(table, &folder, &mut closed)?;
            }
        }
        Ok(closed)
    }

    /// Merges the files of a table's day into new ones on their way. Gives these, and those that are as good already.
    pub(crate) fn merge_day(
        &self,
        folder: &Path,
        change: &mut Change,
        closed: &mut Closed,
        stop: Option<&Stop>,
    ) -> Result<Vec<PathBuf>, StoreError> {
        let files = parquet_files(folder)?;
        closed.files_before += files.len();
        let groups = by_definitions(&files)?;
        closed.files_after += groups.len();
        let mut merged = Vec::new();
        // Files of different definition sets stay apart: each is rebuilt by its own. None is put where another lies.
        let mut taken: BTreeSet<PathBuf> = files.iter().cloned().collect();
        for group in groups {
            let paths: Vec<PathBuf> = group.iter().map(|footer| footer.path.clone()).collect();
            let to = merged_name(folder, &paths, &taken);
            taken.insert(to.clone());
            match group.as_slice() {
                [one] if is_merged_already(self, one)? => {
                    if one.path != to {
                        change.put(self, &one.path, &to);
                    }
                    merged.push(one.path.clone());
                }
                _ => {
                    let expected: u64 = group.iter().map(|footer| footer.rows).sum();
                    let written = merge(self, group, stop)?;
                    if written.rows != expected {
                        let path = folder.to_owned();
                        return Err(StoreError::MergeLost { path, rows: written.rows, expected });
                    }
                    paths.iter().for_each(|path| change.remove(self, path));
                    change.put(self, &written.path, &to);
                    merged.push(written.path);
                }
            }
        }
        Ok(merged)
    }

    fn close_month(&self, table: &str, folder: &Path, closed: &mut Closed) -> Result<(), StoreError> {
        let files = parquet_files(folder)?;
        closed.files_before += files.len();
        closed.files_after += usize::from(!files.is_empty());
        if files.is_empty() || files == [folder.join(MERGED)] {
            return Ok(());
        }
        let Some(batch) = summary::joined(&files)? else { return Ok(()) };
        let written = summary::write(self, table, &batch)?;
        let mut change = Change::default();
        files.iter().for_each(|file| change.remove(self, file));
        change.put(self, &written.path, &folder.join(MERGED));
        self.commit(&change)
    }
}

/// Where the merged file of a group goes: where one of it lies already, else to the first name that is free.
fn merged_name(folder: &Path, group: &[PathBuf], taken: &BTreeSet<PathBuf>) -> PathBuf {
    let names = || (0..).map(|number| folder.join(read::merged_name(number)));
    // There are as many merged files as definition sets at most, so these are all of them that can lie here.
    let own = names().take(taken.len() + 1).find(|name| group.contains(name));
    own.or_else(|| names().find(|name| !taken.contains(name))).unwrap_or_else(|| folder.join(MERGED))
}

/// Files by the definition set that decoded them, in order of its hash; within one, by name.
fn by_definitions(files: &[PathBuf]) -> Result<Vec<Vec<Footer>>, StoreError> {
    let mut groups = std::collections::BTreeMap::new();
    for file in files {
        let footer = Footer::read(file)?;
        groups.entry(footer.definitions.clone()).or_insert_with(Vec::new).push(footer);
    }
    Ok(groups.into_values().collect())
}
