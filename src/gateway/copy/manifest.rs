//! What was copied to one place: a file of the store, `copied/<hash of the place>.jsonl`, that grows by a line a file.
//!
//! The first line names the place and the store's own id there. Each further line is a fact, and a later one about the
//! same file holds. Lines are synced one by one, so that a copy is known as soon as it is verified; years of lines are
//! some megabytes, which one file a change could not be. When most lines are outdated, it is written anew.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_128;

use super::list::told_with;
use crate::durable::replace;

/// Version of the file's format.
const FORMAT: u32 = 1;
/// So many outdated lines are borne beside as many that hold.
const OUTDATED_MIN: usize = 1_000;

/// A file that was copied and verified.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Copied {
    /// Its name at the place, where that is not its path in the store.
    pub name: Option<String>,
    /// Its size.
    pub bytes: u64,
    /// When it was written here, ns.
    pub modified_ns: i64,
    /// XXH3-128 of its bytes.
    pub hash: u128,
    /// Whether it is no more here while it stays there: its name is not used again.
    pub given_up: bool,
}

/// A copy that was begun and perhaps not ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Begun {
    /// Name at the place.
    pub name: String,
    /// When what was being copied was written here, ns.
    pub modified_ns: i64,
    /// How the place calls the upload, where it keeps what came of it.
    pub upload: Option<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Header {
    format: u32,
    to: String,
    id: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
enum Line {
    Begun {
        file: String,
        #[serde(rename = "as")]
        name: String,
        modified_ns: i64,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        upload: Option<String>,
    },
    Copied {
        file: String,
        #[serde(rename = "as", default, skip_serializing_if = "Option::is_none")]
        name: Option<String>,
        bytes: u64,
        modified_ns: i64,
        hash: String,
    },
    GivenUp {
        file: String,
    },
    Removed {
        file: String,
    },
    /// What was begun is cleared up.
    Dropped {
        file: String,
    },
    /// A name that holds what this store has no more.
    Kept {
        name: String,
    },
}

/// What was copied to one place.
#[derive(Debug)]
pub(super) struct Manifest {
    path: PathBuf,
    file: File,
    /// Bytes of whole lines.
    bytes: u64,
    to: String,
    id: String,
    files: BTreeMap<String, Copied>,
    begun: BTreeMap<String, Begun>,
    kept: BTreeSet<String>,
}

impl Manifest {
    /// Opens what was copied from a store to a place, by its URL; begins it where there is none.
    ///
    /// # Errors
    /// It cannot be read or written, or is of a later version.
    pub(super) fn open(store: &Path, to: &str) -> io::Result<Self> {
        let folder = store.join("copied");
        fs::create_dir_all(&folder).map_err(|error| told_with(&folder, error))?;
        let path = folder.join(format!("{:032x}.jsonl", XxHash3_128::oneshot(to.as_bytes())));
        Self::open_at(path.clone(), to).map_err(|error| told_with(&path, error))
    }

    fn open_at(path: PathBuf, to: &str) -> io::Result<Self> {
        let text = match fs::read(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(error) => return Err(error),
        };
        let mut lines = text.split_inclusive(|byte| *byte == b'\n').filter(|line| line.ends_with(b"\n"));
        let Some(first) = lines.next() else {
            return Self::begin(path, to);
        };
        let header: Header = serde_json::from_slice(first)
            .map_err(|error| io::Error::other(format!("line 1 is not as it was written: {error}; delete the file")))?;
        if header.format > FORMAT {
            return Err(io::Error::other(format!("of format {}, of a later version of this program", header.format)));
        }
        let file = File::options().append(true).open(&path)?;
        let mut manifest = Self {
            path,
            file,
            bytes: first.len() as u64,
            to: to.to_owned(),
            id: header.id,
            files: BTreeMap::new(),
            begun: BTreeMap::new(),
            kept: BTreeSet::new(),
        };
        let mut count = 0;
        for line in lines {
            let Some((line, hash, bytes)) = parsed(line) else {
                // A power cut leaves a torn line, or blocks of nothing, at the end. What stood there is found again
                // at the place.
                tracing::warn!("{}: what stands behind line {} is dropped", manifest.path.display(), count + 1);
                break;
            };
            manifest.take(line, hash);
            manifest.bytes += bytes;
            count += 1;
        }
        manifest.file.set_len(manifest.bytes)?;
        if count > 2 * manifest.lines_that_hold() + OUTDATED_MIN {
            manifest.write_anew()?;
        }
        Ok(manifest)
    }

    fn begin(path: PathBuf, to: &str) -> io::Result<Self> {
        let id = super::chance();
        let header = Header { format: FORMAT, to: to.to_owned(), id: format!("{:016x}{:016x}", id, super::chance()) };
        let bytes = replace(&path, |out| put_line(out, &header))?;
        let file = File::options().append(true).open(&path)?;
        let (files, begun, kept) = (BTreeMap::new(), BTreeMap::new(), BTreeSet::new());
        Ok(Self { path, file, bytes, to: header.to, id: header.id, files, begun, kept })
    }

    /// The store's id at the place, random.
    pub(super) fn id(&self) -> &str {
        &self.id
    }

    /// Whether nothing was ever copied.
    pub(super) fn is_empty(&self) -> bool {
        self.files.is_empty() && self.kept.is_empty()
    }

    /// What was copied, by path.
    pub(super) fn files(&self) -> &BTreeMap<String, Copied> {
        &self.files
    }

    /// Copies that were begun and perhaps not ended.
    pub(super) fn begun(&self) -> &BTreeMap<String, Begun> {
        &self.begun
    }

    /// Whether a name at the place is in use.
    pub(super) fn uses(&self, name: &str) -> bool {
        self.kept.contains(name)
            || self.files.iter().any(|(path, copied)| copied.name.as_deref().unwrap_or(path) == name)
    }

    /// A copy begins. From now on what lies there under that name is this store's own.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn note_begun(&mut self, file: &str, begun: Begun) -> io::Result<()> {
        self.note(begun_line(file, begun), 0)
    }

    /// A file is copied and verified.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn note_copied(&mut self, file: &str, copied: &Copied) -> io::Result<()> {
        self.note(copied_line(file, copied), copied.hash)
    }

    /// A file is no more here, and stays there.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn note_given_up(&mut self, file: &str) -> io::Result<()> {
        self.note(Line::GivenUp { file: file.to_owned() }, 0)
    }

    /// A file is removed there.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn note_removed(&mut self, file: &str) -> io::Result<()> {
        self.note(Line::Removed { file: file.to_owned() }, 0)
    }

    /// What a copy that was not ended left there is cleared up.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn note_dropped(&mut self, file: &str) -> io::Result<()> {
        self.note(Line::Dropped { file: file.to_owned() }, 0)
    }

    fn note(&mut self, line: Line, hash: u128) -> io::Result<()> {
        let mut text = serde_json::to_vec(&line)?;
        text.push(b'\n');
        let written = self.file.write_all(&text).and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // Half a line would spoil the next one.
            self.file.set_len(self.bytes)?;
            return Err(told_with(&self.path, error));
        }
        self.bytes += text.len() as u64;
        self.take(line, hash);
        Ok(())
    }

    fn take(&mut self, line: Line, hash: u128) {
        match line {
            Line::Begun { file, name, modified_ns, upload } => {
                self.begun.insert(file, Begun { name, modified_ns, upload });
            }
            Line::Copied { file, name, bytes, modified_ns, .. } => {
                self.begun.remove(&file);
                let copied = Copied { name, bytes, modified_ns, hash, given_up: false };
                let name_of = |copied: &Copied| copied.name.clone().unwrap_or_else(|| file.clone());
                if let Some(before) = self.files.get(&file)
                    && before.given_up
                    && name_of(before) != name_of(&copied)
                {
                    self.kept.insert(name_of(before));
                }
                self.files.insert(file, copied);
            }
            Line::GivenUp { file } => {
                if let Some(copied) = self.files.get_mut(&file) {
                    copied.given_up = true;
                }
            }
            Line::Removed { file } => {
                self.files.remove(&file);
            }
            Line::Dropped { file } => {
                self.begun.remove(&file);
            }
            Line::Kept { name } => {
                self.kept.insert(name);
            }
        }
    }

    fn lines_that_hold(&self) -> usize {
        self.files.len() + self.begun.len() + self.kept.len()
    }

    /// Writes only what holds.
    fn write_anew(&mut self) -> io::Result<()> {
        let header = Header { format: FORMAT, to: self.to.clone(), id: self.id.clone() };
        let bytes = replace(&self.path, |out| {
            let mut bytes = put_line(out, &header)?;
            for name in &self.kept {
                bytes += put_line(out, &Line::Kept { name: name.clone() })?;
            }
            for (file, copied) in &self.files {
                bytes += put_line(out, &copied_line(file, copied))?;
                if copied.given_up {
                    bytes += put_line(out, &Line::GivenUp { file: file.clone() })?;
                }
            }
            for (file, begun) in &self.begun {
                bytes += put_line(out, &begun_line(file, begun.clone()))?;
            }
            Ok(bytes)
        })?;
        self.file = File::options().append(true).open(&self.path)?;
        self.bytes = bytes;
        Ok(())
    }
}

fn begun_line(file: &str, begun: Begun) -> Line {
    let Begun { name, modified_ns, upload } = begun;
    Line::Begun { file: file.to_owned(), name, modified_ns, upload }
}

fn copied_line(file: &str, copied: &Copied) -> Line {
    Line::Copied {
        file: file.to_owned(),
        name: copied.name.clone(),
        bytes: copied.bytes,
        modified_ns: copied.modified_ns,
        hash: format!("{:032x}", copied.hash),
    }
}

/// A line, the hash in it, and its length.
fn parsed(text: &[u8]) -> Option<(Line, u128, u64)> {
    let line: Line = serde_json::from_slice(text).ok()?;
    let hash = match &line {
        Line::Copied { hash, .. } => u128::from_str_radix(hash, 16).ok()?,
        _ => 0,
    };
    Some((line, hash, text.len() as u64))
}

fn put_line(out: &mut dyn Write, line: &impl Serialize) -> io::Result<u64> {
    let mut text = serde_json::to_vec(line)?;
    text.push(b'\n');
    out.write_all(&text)?;
    Ok(text.len() as u64)
}
