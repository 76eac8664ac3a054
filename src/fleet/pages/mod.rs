//! The morning's pages: sheets and worklist as HTML, CSV and PDF, in a folder that is put in place whole.
//!
//! A [`Morning`] in, files out. Knows nothing of where findings come from.
//!
//! The pages are plain files that link to each other relatively: they work from a disk, and from a server below any path.
//! Stylesheet and script are files of their own and nothing stands inline, so that the strictest policy of contents
//! holds (`default-src 'none'; style-src 'self'; script-src 'self'`), and so that a hundred pages do not carry a hundred
//! copies. Without the script they are read as they are; it only sorts and filters.

mod book;
mod commas;
mod drawing;
mod folder;
mod letters;
mod names;
mod pdf;
mod queries;
mod section;
mod shell;
mod svg;
mod vehicles;
mod words;
mod work;
#[cfg(test)]
mod tests;

use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::morning::Morning;
use book::{Book, Page};

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The page to open.
    pub index: PathBuf,
    /// Files.
    pub files: usize,
}

/// Why the pages were not written. What was there before is as it was.
#[derive(Debug, thiserror::Error)]
pub enum PagesError {
    /// The folder holds something that is not a morning's pages, which is not to be lost.
    #[error("{} holds other files than a morning's pages; name a folder of its own with --to", folder.display())]
    Occupied {
        /// The folder.
        folder: PathBuf,
    },
    /// A file cannot be written.
    #[error("{}: {source}; is there room, and may this user write there?", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

/// Writes a morning's pages into a folder. They are written beside it and put in its place in one step: a reader sees
/// the ones before, or these.
///
/// # Errors
/// The folder holds other things, or cannot be written.
pub fn write(folder: &Path, morning: &Morning) -> Result<Written, PagesError> {
    folder::replace(folder, |passing| {
        let book = Book::new(morning);
        let written = book.pages.par_iter().map(|page| {
            let files = files_of(&book, page);
            files.iter().try_for_each(|(name, bytes)| folder::put(passing, name, bytes)).map(|()| files.len())
        });
        let files: usize = written.collect::<Result<Vec<usize>, PagesError>>()?.into_iter().sum();
        folder::put(passing, "morning.css", include_bytes!("files/morning.css"))?;
        folder::put(passing, "morning.js", include_bytes!("files/morning.js"))?;
        folder::put(passing, folder::MARK, book.contents().as_bytes())?;
        Ok(Written { index: folder.join("index.html"), files: files + 3 })
    })
}

pub(super) use words::day;

/// The order of fleet numbers: 99 before 100, and both before what is no number.
pub(super) fn by_number(a: &str, b: &str) -> std::cmp::Ordering {
    let key = |vehicle: &str| vehicle.parse::<u64>().unwrap_or(u64::MAX);
    key(a).cmp(&key(b)).then_with(|| a.cmp(b))
}

/// A page's files: itself, its tables as CSV, and itself as PDF.
fn files_of(book: &Book<'_>, page: &Page<'_>) -> Vec<(String, Vec<u8>)> {
    let mut files = vec![(page.path.clone(), shell::page(book, page).into_bytes())];
    let tables = page.tables(book);
    files.extend(tables.iter().zip(&page.csv).map(|(table, name)| (name.clone(), commas::csv(table).into_bytes())));
    if let Some(path) = &page.pdf {
        files.push((path.clone(), pdf::document(book, page)));
    }
    files
}
