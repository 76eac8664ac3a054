//! Closing: a day's files, one a vehicle and capture, become one a table; a month's summaries likewise.
//!
//! A year is then thousands of files, not millions. A late capture opens a day again; closing it once more is as good.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::error::{StoreError, parquet_error};
use super::file::{Packing, TableFile, packing_of, properties};
use super::merge::{merge, open_batches};
use super::read::{MERGED, entries, footer_value, parquet_files};
use super::{BUS_KEY, Change, DEFINITIONS_KEY, SET_KEY, Store, TABLE_KEY, summary};

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
        let mut days = Vec::new();
        for message in entries(&self.root().join("signals"))? {
            days.extend(entries(&message)?);
        }
        days.extend(entries(&self.root().join("raw"))?);
        let mut months = Vec::new();
        for table in summary::TABLES {
            months.extend(entries(&self.root().join(table))?.into_iter().map(|folder| (table, folder)));
        }
        let total = days.len() + months.len();
        let mut closed = Closed::default();
        for (done, folder) in days.iter().enumerate() {
            self.close_day(folder, &mut closed)?;
            progress(done + 1, total);
        }
        for (done, (table, folder)) in months.iter().enumerate() {
            self.close_month(table, folder, &mut closed)?;
            progress(days.len() + done + 1, total);
        }
        Ok(closed)
    }

    fn close_day(&self, folder: &Path, closed: &mut Closed) -> Result<(), StoreError> {
        let files = parquet_files(folder)?;
        closed.files_before += files.len();
        let groups = by_definitions(&files)?;
        closed.files_after += groups.len();
        // Files of different definition sets stay apart: each is rebuilt by its own. None is put where another lies.
        let mut taken: BTreeSet<PathBuf> = files.iter().cloned().collect();
        for group in &groups {
            let to = merged_name(folder, group, &taken);
            taken.insert(to.clone());
            if group.as_slice() == [to.clone()] {
                continue;
            }
            let mut change = Change::default();
            if let [one] = group.as_slice() {
                change.put(self, one, &to);
            } else {
                let written = self.merged(&group.iter().map(|file| vec![file.clone()]).collect::<Vec<_>>(), false)?;
                let expected = rows_of(group)?;
                if written.rows != expected {
                    let path = folder.to_owned();
                    return Err(StoreError::MergeLost { path, rows: written.rows, expected });
                }
                group.iter().for_each(|file| change.remove(self, file));
                change.put(self, &written.path, &to);
            }
            self.commit(&change)?;
        }
        Ok(())
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

    /// Merges files of one table into a new one. `shared`: what several sources have is written once.
    pub(crate) fn merged(&self, sources: &[Vec<PathBuf>], shared: bool) -> Result<MergedFile, StoreError> {
        let first = sources.iter().flatten().next();
        let Some(first) = first else { return Ok(MergedFile { path: self.incoming(), rows: 0, shared: 0 }) };
        let (schema, reader) = open_batches(first, 1)?;
        drop(reader);
        let (packing, footer) = recipe(first)?;
        let packing: Vec<Packing> = schema
            .fields()
            .iter()
            .map(|field| packing.get(field.name()).copied().unwrap_or_else(|| packing_of(field.data_type())))
            .collect();
        let mut out = TableFile::create(self.incoming(), &schema, properties(&schema, &packing, &footer))?;
        let one_account = [sources.concat()];
        let merged = merge(if shared { sources } else { &one_account }, &mut out)?;
        let written = out.finish()?;
        Ok(MergedFile { path: written.path, rows: merged.rows, shared: merged.shared })
    }
}

/// A merged file on its way.
pub(crate) struct MergedFile {
    pub(crate) path: PathBuf,
    pub(crate) rows: u64,
    pub(crate) shared: u64,
}

type Recipe = (std::collections::HashMap<String, Packing>, Vec<(&'static str, String)>);

/// How a file's columns are packed, and its footer, so that a merged file is like it.
fn recipe(path: &Path) -> Result<Recipe, StoreError> {
    use parquet::basic::Encoding;
    use parquet::file::reader::{FileReader, SerializedFileReader};
    let file = std::fs::File::open(path).map_err(super::error::io_error(path, "opening"))?;
    let reader = SerializedFileReader::new(file).map_err(parquet_error(path))?;
    let metadata = reader.metadata();
    let mut packing = std::collections::HashMap::new();
    if metadata.num_row_groups() > 0 {
        for column in metadata.row_group(0).columns() {
            let encodings: Vec<Encoding> = column.encodings().collect();
            let has = |encoding| encodings.contains(&encoding);
            let packed = if column.dictionary_page_offset().is_some() || has(Encoding::RLE_DICTIONARY) {
                Packing::Dictionary
            } else if has(Encoding::DELTA_BINARY_PACKED) {
                Packing::Delta
            } else if has(Encoding::BYTE_STREAM_SPLIT) {
                Packing::Split
            } else {
                Packing::Plain
            };
            packing.insert(column.column_path().string(), packed);
        }
    }
    let keys = [TABLE_KEY, SET_KEY, DEFINITIONS_KEY, BUS_KEY];
    let footer = keys.into_iter().filter_map(|key| Some((key, footer_value(metadata, key)?))).collect();
    Ok((packing, footer))
}

/// Where the merged file of a group goes: where one of it lies already, else to the first name that is free.
fn merged_name(folder: &Path, group: &[PathBuf], taken: &BTreeSet<PathBuf>) -> PathBuf {
    let name = |number: u32| match number {
        0 => folder.join(MERGED),
        number => folder.join(format!("merged-{number}.parquet")),
    };
    let names = || (0..).map(name);
    // There are as many merged files as definition sets at most, so these are all of them that can lie here.
    let own = names().take(taken.len() + 1).find(|name| group.contains(name));
    own.or_else(|| names().find(|name| !taken.contains(name))).unwrap_or_else(|| folder.join(MERGED))
}

/// Hash of the definition set that decoded a file.
pub(super) fn definitions_of(path: &Path) -> Result<Option<String>, StoreError> {
    let (_, footer) = recipe(path)?;
    Ok(footer.into_iter().find(|(key, _)| *key == DEFINITIONS_KEY).map(|(_, value)| value))
}

/// Files by the definition set that decoded them, in order of its hash; within one, by name.
fn by_definitions(files: &[PathBuf]) -> Result<Vec<Vec<PathBuf>>, StoreError> {
    let mut groups = std::collections::BTreeMap::new();
    for file in files {
        groups.entry(definitions_of(file)?).or_insert_with(Vec::new).push(file.clone());
    }
    Ok(groups.into_values().collect())
}

fn rows_of(files: &[PathBuf]) -> Result<u64, StoreError> {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    let mut rows = 0;
    for path in files {
        let file = std::fs::File::open(path).map_err(super::error::io_error(path, "opening"))?;
        let reader = SerializedFileReader::new(file).map_err(parquet_error(path))?;
        rows += u64::try_from(reader.metadata().file_metadata().num_rows()).unwrap_or(0);
    }
    Ok(rows)
}
