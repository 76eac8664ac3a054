//! What the store says of its own columns: its definition sets, and the footers of summary files. Read once each.

use std::collections::{BTreeMap, HashMap};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use datafusion::arrow::datatypes::SchemaRef;
use datafusion::parquet::arrow::arrow_reader::{ArrowReaderMetadata, ArrowReaderOptions};

use super::files::{self, TableFile, io};
use super::tables::{Declared, StoreTable, joined};
use crate::defs::Definitions;
use crate::store::Store;

/// Which columns the tables have.
#[derive(Debug)]
pub(super) struct Sets {
    store: Store,
    /// By hash; none: it cannot be used by this version.
    known: Mutex<HashMap<String, Option<Arc<Definitions>>>>,
    /// By path, with size and time of the last change.
    footers: Mutex<HashMap<PathBuf, (u64, SystemTime, SchemaRef)>>,
}

impl Sets {
    pub(super) fn new(store: Store) -> Self {
        Self { store, known: Mutex::default(), footers: Mutex::default() }
    }

    pub(super) fn root(&self) -> &Path {
        self.store.root()
    }

    /// Names of the messages that any set has, or that have a folder.
    pub(super) fn messages(&self) -> std::io::Result<Vec<String>> {
        let mut names: BTreeMap<String, ()> = BTreeMap::new();
        for defs in self.definitions()?.0 {
            names.extend(defs.messages.iter().map(|message| (message.name.clone(), ())));
        }
        for (name, _) in files::folders(&self.root().join("signals"), "message")? {
            names.insert(name, ());
        }
        Ok(names.into_keys().collect())
    }

    /// What a message is about, by the newest set that says.
    pub(super) fn about(&self, message: &str) -> Option<String> {
        let (sets, _) = self.definitions().ok()?;
        let mut abouts = sets.iter().filter_map(|defs| Some(defs.messages[defs.message(message)?].about.clone()));
        abouts.find(|about| !about.is_empty())
    }

    /// The columns of a table; none where the store has no such table.
    pub(super) fn declared(&self, table: &StoreTable) -> std::io::Result<Option<Declared>> {
        let (sets, all_known) = self.definitions()?;
        let mut schemas: Vec<SchemaRef> = sets.iter().filter_map(|defs| table.columns(defs)).collect();
        let folder = table.folder(self.root());
        if schemas.is_empty() && matches!(table, StoreTable::Signals(_)) && !folder.is_dir() {
            return Ok(None);
        }
        if table.is_summary() || !all_known || schemas.is_empty() {
            schemas.extend(self.footers(table, &folder)?);
        }
        // Last, where the sets have said which columns come first.
        schemas.push(table.base());
        Ok(Some(joined(&schemas)))
    }

    /// The definition sets, newest first, and whether those are all that the store has.
    fn definitions(&self) -> std::io::Result<(Vec<Arc<Definitions>>, bool)> {
        let folder = self.root().join("definitions");
        let mut found: Vec<(SystemTime, String)> = Vec::new();
        for path in files::entries(&folder)? {
            let changed = fs::metadata(&path).and_then(|data| data.modified()).map_err(io(&path))?;
            found.push((changed, path.file_name().unwrap_or_default().to_string_lossy().into_owned()));
        }
        found.sort();
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let mut sets = Vec::new();
        let mut all = true;
        for (_, hash) in found.into_iter().rev() {
            let set = known.entry(hash).or_insert_with_key(|hash| match self.store.definitions(hash, &folder) {
                Ok(defs) => Some(Arc::new(defs)),
                Err(error) => {
                    tracing::warn!("{error}; columns are taken from the files instead");
                    None
                }
            });
            match set {
                Some(defs) => sets.push(Arc::clone(defs)),
                None => all = false,
            }
        }
        Ok((sets, all))
    }

    /// The columns of a few files a month, newest first.
    fn footers(&self, table: &StoreTable, folder: &Path) -> std::io::Result<Vec<SchemaRef>> {
        let key = table.partition();
        let mut months: BTreeMap<String, PathBuf> = BTreeMap::new();
        for (value, folder) in files::folders(folder, key.name())? {
            // Of dates, the last of a month.
            months.insert(value.get(..7).unwrap_or(&value).to_owned(), folder);
        }
        let mut schemas: Vec<SchemaRef> = Vec::new();
        let mut footers = self.footers.lock().unwrap_or_else(PoisonError::into_inner);
        for folder in months.into_values().rev() {
            for file in telling(files::files_in(&folder)?) {
                let schema = match footers.get(&file.path) {
                    Some((size, changed, schema)) if (*size, *changed) == (file.size, file.changed) => schema.clone(),
                    // A file that went, or is damaged, is told by who reads its rows.
                    _ => match footer(&file.path) {
                        Some(schema) => {
                            footers.insert(file.path, (file.size, file.changed, Arc::clone(&schema)));
                            schema
                        }
                        None => continue,
                    },
                };
                if !schemas.contains(&schema) {
                    schemas.push(schema);
                }
            }
        }
        Ok(schemas)
    }
}

/// The files of a folder that have all its columns between them: merged ones, and the last of those that are not yet.
fn telling(files: Vec<TableFile>) -> Vec<TableFile> {
    let is_merged =
        |file: &TableFile| file.path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("merged"));
    let (merged, mut pieces): (Vec<_>, Vec<_>) = files.into_iter().partition(is_merged);
    pieces.pop().into_iter().chain(merged).collect()
}

fn footer(path: &Path) -> Option<SchemaRef> {
    let file = File::open(path).ok()?;
    Some(ArrowReaderMetadata::load(&file, ArrowReaderOptions::new()).ok()?.schema().clone())
}
