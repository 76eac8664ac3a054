//! Captures in folders: paths in, capture files in name order out. Files are recognised by content, not by name.

use super::packed::{Stored, Unpacker};
use super::window::Window;
use super::{CaptureError, recognise};
use std::fs::{self, File};
use std::path::{Path, PathBuf};

/// What a search found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Found {
    /// Captures: paths in the order named, files of a folder in name order, a subfolder where its name stands.
    pub captures: Vec<PathBuf>,
    /// What was met in folders and is no capture.
    pub passed_over: Vec<PassedOver>,
}

/// Something in a folder that is no capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PassedOver {
    /// Where it is.
    pub path: PathBuf,
    /// Why it is not read.
    pub why: WhyPassedOver,
}

/// Why something in a folder is not read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WhyPassedOver {
    /// Its first bytes are no capture's, or it is empty.
    #[error("is no capture")]
    NoCapture,
    /// A link to a folder: it could lead round in a circle. Name its target instead.
    #[error("is a link to a folder; name the folder itself to have it searched")]
    FolderLink,
    /// A pipe, socket or device.
    #[error("is neither file nor folder")]
    Special,
    /// The system does not let us look.
    #[error("cannot be read: {0}")]
    Unreadable(String),
}

/// Looks for captures. A file that is named itself is taken as it is, `-` too; folders are searched with all below them.
///
/// # Errors
/// A path that was named does not exist, or is a folder that cannot be listed.
pub fn find(paths: &[PathBuf]) -> Result<Found, CaptureError> {
    let mut found = Found::default();
    for path in paths {
        if path.as_os_str() == "-" {
            found.captures.push(path.clone());
            continue;
        }
        let failed = |source| CaptureError::Search { path: path.clone(), source };
        if !fs::metadata(path).map_err(failed)?.is_dir() {
            found.captures.push(path.clone());
            continue;
        }
        let mut waiting = listing(path).map_err(failed)?;
        // The last one is next, so that a folder's content takes the folder's place.
        while let Some(path) = waiting.pop() {
            match look_at(&path) {
                Ok(Thing::Capture) => found.captures.push(path),
                Ok(Thing::Folder) => match listing(&path) {
                    Ok(inside) => waiting.extend(inside),
                    Err(error) => {
                        found.passed_over.push(PassedOver { path, why: WhyPassedOver::Unreadable(error.to_string()) });
                    }
                },
                Err(why) => found.passed_over.push(PassedOver { path, why }),
            }
        }
    }
    Ok(found)
}

/// A folder's content, last name first.
fn listing(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut paths = fs::read_dir(folder)?.map(|entry| Ok(entry?.path())).collect::<std::io::Result<Vec<_>>>()?;
    paths.sort_unstable_by(|a, b| b.file_name().cmp(&a.file_name()));
    Ok(paths)
}

enum Thing {
    Capture,
    Folder,
}

fn look_at(path: &Path) -> Result<Thing, WhyPassedOver> {
    let unreadable = |error: std::io::Error| WhyPassedOver::Unreadable(error.to_string());
    let itself = fs::symlink_metadata(path).map_err(unreadable)?;
    let kind = if itself.is_symlink() { fs::metadata(path).map_err(unreadable)? } else { itself.clone() };
    if kind.is_dir() {
        return if itself.is_symlink() { Err(WhyPassedOver::FolderLink) } else { Ok(Thing::Folder) };
    }
    // A pipe would make us wait for a writer that may never come.
    if !kind.is_file() {
        return Err(WhyPassedOver::Special);
    }
    let file = File::open(path).map_err(unreadable)?;
    let source = Unpacker::new(Stored::new(Box::new(file), false)).map_err(unreadable)?;
    match recognise("", &mut Window::new(source)) {
        // A capture that is too short, or of a version we cannot read, is one: opening it says what is wrong.
        Ok(_)
        | Err(
            CaptureError::TooShort { .. }
            | CaptureError::Version { .. }
            | CaptureError::Head { .. }
            | CaptureError::LinkType { .. },
        ) => Ok(Thing::Capture),
        Err(CaptureError::Read { source, .. }) => Err(unreadable(source)),
        Err(_) => Err(WhyPassedOver::NoCapture),
    }
}
