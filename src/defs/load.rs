//! Reads a definition set's folder, and gives the JSON Schema of its files.

use std::fs;
use std::path::{Path, PathBuf};

use twox_hash::XxHash3_128;

use super::Definitions;
use super::check;
use super::problem::{Problem, Problems, SourceText};
use super::written::WrittenFile;

/// Largest definition file that is read; a set of 100,000 messages in one file is below it.
const FILE_BYTES_MAX: u64 = 256 << 20;

/// Why a set cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The folder or a file in it cannot be read.
    #[error("{}: {source}; name the folder of a definition set, such as signal-defs/velmora", path.display())]
    Unreadable {
        /// What could not be read.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// There is no `*.toml` file directly in the folder.
    #[error("{}: no *.toml file in it; name the folder of a definition set, such as signal-defs/velmora", path.display())]
    Empty {
        /// The folder.
        path: PathBuf,
    },
    /// A file is larger than any definition set.
    #[error("{}: {bytes} bytes, more than the {FILE_BYTES_MAX} a definition file may have", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        bytes: u64,
    },
    /// The texts are wrong.
    #[error(transparent)]
    Wrong(#[from] Problems),
}

impl Definitions {
    /// Reads every `*.toml` directly in `folder`, in name order, checks them as one set and runs their examples.
    ///
    /// # Errors
    /// Something cannot be read, or the texts are wrong: all problems of the set at once.
    pub fn load(folder: &Path) -> Result<Self, LoadError> {
        let unreadable = |path: &Path| {
            let path = path.to_owned();
            move |source| LoadError::Unreadable { path, source }
        };
        let mut paths = Vec::new();
        for entry in fs::read_dir(folder).map_err(unreadable(folder))? {
            let path = entry.map_err(unreadable(folder))?.path();
            if path.extension().is_some_and(|extension| extension == "toml") && path.is_file() {
                paths.push(path);
            }
        }
        paths.sort();
        if paths.is_empty() {
            return Err(LoadError::Empty { path: folder.to_owned() });
        }
        let mut sources = Vec::new();
        let mut problems = Vec::new();
        for path in paths {
            let bytes = fs::metadata(&path).map_err(unreadable(&path))?.len();
            if bytes > FILE_BYTES_MAX {
                return Err(LoadError::TooLarge { path, bytes });
            }
            let bytes = fs::read(&path).map_err(unreadable(&path))?;
            let name = path.display().to_string();
            match String::from_utf8(bytes) {
                Ok(text) => sources.push(SourceText { name, text }),
                Err(error) => {
                    let at = error.utf8_error().valid_up_to();
                    let text = String::from_utf8_lossy(error.as_bytes()).into_owned();
                    problems.push(Problem {
                        place: Some((sources.len(), at..at + 1)),
                        other: None,
                        title: format!("not UTF-8 at byte {at}"),
                        label: "this byte is no text".into(),
                        remedy: "save the file as UTF-8".into(),
                    });
                    sources.push(SourceText { name, text });
                }
            }
        }
        if !problems.is_empty() {
            return Err(Problems { sources, list: problems }.into());
        }
        let name = fs::canonicalize(folder)
            .ok()
            .and_then(|path| path.file_name().map(|name| name.to_string_lossy().into_owned()))
            .unwrap_or_else(|| "definitions".into());
        Ok(Self::from_texts(name, sources)?)
    }

    /// Checks texts as one set and runs their examples. Pure.
    ///
    /// # Errors
    /// All problems of the set at once.
    pub fn from_texts(name: String, sources: Vec<SourceText>) -> Result<Self, Problems> {
        let mut files = Vec::new();
        let mut list = Vec::new();
        for (index, source) in sources.iter().enumerate() {
            match toml::from_str::<WrittenFile>(&source.text) {
                Ok(file) => files.push((index, file)),
                Err(error) => list.push(Problem {
                    place: Some((index, error.span().unwrap_or(0..0))),
                    other: None,
                    title: error.message().trim().to_owned(),
                    label: "here".into(),
                    remedy: "signal-defs/README.md tells the format; `yardtap schema` lets editors complete it".into(),
                }),
            }
        }
        if !list.is_empty() {
            return Err(Problems { sources, list });
        }
        let hash = hash_of(&sources);
        match check::check(&files, &sources) {
            Ok(parts) => Ok(Self {
                name,
                hash,
                buses: parts.buses,
                messages: parts.messages,
                modules: parts.modules,
                rules: parts.rules,
                sources,
            }),
            Err(list) => Err(Problems { sources, list }),
        }
    }
}

/// File names (without folders) and texts, so that moving a set does not change it.
fn hash_of(sources: &[SourceText]) -> String {
    let mut hasher = XxHash3_128::new();
    for source in sources {
        let file_name = Path::new(&source.name).file_name().unwrap_or_default().to_string_lossy().into_owned();
        for part in [file_name.as_bytes(), source.text.as_bytes()] {
            hasher.write(&(part.len() as u64).to_le_bytes());
            hasher.write(part);
        }
    }
    format!("{:032x}", hasher.finish_128())
}

/// The JSON Schema of a definition file.
pub fn json_schema() -> serde_json::Value {
    schemars::schema_for!(WrittenFile).to_value()
}
