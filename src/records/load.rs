//! A folder → [`Records`] and what is wrong with them.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::across::{self, Rows};
use super::columns::{DUTIES, HEADS, INSERTS, LAYOUTS, Layout, PACKS, READINGS, VEHICLES};
use super::problem::{Book, Place, Problem, Spot, Wrong, shown};
use super::table::Table;
use super::{Fitting, Overhead, Records, geo, limits, rows, text};

/// Largest file that is read; ten years of duties of 250 vehicles are below it.
const FILE_BYTES_MAX: u64 = 256 << 20;

/// Why records cannot be read at all.
#[derive(Debug, thiserror::Error)]
pub enum RecordsError {
    /// The folder, or a file in it, cannot be read.
    #[error("{}: {source}; it is the folder of the records, `records` in [fleet]; `yardtap records templates FOLDER` makes one", path.display())]
    Unreadable {
        /// What could not be read.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

/// Reads the records in a folder. A file that is missing is empty. `zone` is that of the agency's clocks; a day after
/// `today` is told as odd, for it cannot have been seen.
///
/// # Errors
/// The folder or a file in it cannot be read. What is wrong within a file is a [`Problem`], and no error.
pub fn load(folder: &Path, zone: &TimeZone, today: Date) -> Result<(Records, Vec<Problem>), RecordsError> {
    let mut book = Book::default();
    let files = Files::in_folder(folder, &mut book)?;
    let mut records = Records::default();
    if let Some(text) = files.text(limits::FILE, &mut book)? {
        records.channels = limits::channels(&text, &mut book);
    }
    if let Some(table) = files.table(&VEHICLES, &mut book)? {
        let rows = rows::vehicles(&table, &mut book);
        records.vehicles = across::vehicles(rows, &VEHICLES, &mut book);
    }
    let mut fittings = |layout: &'static Layout, part| -> Result<Vec<Fitting>, RecordsError> {
        let Some(table) = files.table(layout, &mut book)? else { return Ok(Vec::new()) };
        let rows = rows::fittings(&table, part, today, &mut book);
        known(&records, &rows, |fitting| &fitting.vehicle, layout, &mut book);
        Ok(across::fittings(rows, part, layout, &mut book))
    };
    let packs = fittings(&PACKS, "pack")?;
    let heads = fittings(&HEADS, "head")?;
    let inserts = fittings(&INSERTS, "insert")?;
    (records.packs, records.heads, records.inserts) = (packs, heads, inserts);
    across::heads_of_inserts(&records.inserts, &records.heads, &INSERTS, &mut book);
    if let Some(table) = files.table(&READINGS, &mut book)? {
        let rows = rows::readings(&table, &records.channels, today, &mut book);
        if records.channels.is_empty() && !rows.is_empty() {
            let what = "there are readings, and limits.toml has no channels to judge them by";
            let remedy = "`yardtap records templates FOLDER` writes one to begin with";
            book.warn(Spot::new(READINGS.file, Place::Whole), Wrong::new("no channels", what, remedy));
        }
        known(&records, &rows, |reading| &reading.vehicle, &READINGS, &mut book);
        records.readings = across::readings(rows, &READINGS, &mut book);
        across::kinds(&records.readings, &records.channels, &records.vehicles, &READINGS, &mut book);
    }
    if let Some(table) = files.table(&DUTIES, &mut book)? {
        let rows = rows::duties(&table, zone, &mut book);
        known(&records, &rows, |duty| &duty.vehicle, &DUTIES, &mut book);
        records.duties = across::duties(rows, &DUTIES, &mut book);
    }
    if let Some(text) = files.text(geo::FILE, &mut book)? {
        records.overhead = geo::overhead(&text, &mut book);
    }
    Ok((records, book.into_list()))
}

/// Reads an overhead that lies elsewhere: the configuration's `overhead`.
///
/// # Errors
/// The file cannot be read. What is wrong within it is a [`Problem`], and no error.
pub fn overhead(path: &Path) -> Result<(Overhead, Vec<Problem>), RecordsError> {
    let mut book = Book::default();
    let text = read(path, geo::FILE, &mut book)?;
    let overhead = text.map_or_else(Overhead::default, |text| geo::overhead(&text, &mut book));
    Ok((overhead, book.into_list()))
}

fn known<T>(records: &Records, rows: &Rows<T>, vehicle: fn(&T) -> &String, layout: &Layout, book: &mut Book) {
    let numbers = rows.iter().map(|(row, value)| (*row, vehicle(value).as_str()));
    across::known(&records.vehicles, numbers, layout, book);
}

/// The files of a folder that are records, by name.
struct Files {
    paths: BTreeMap<String, PathBuf>,
}

impl Files {
    fn in_folder(folder: &Path, book: &mut Book) -> Result<Self, RecordsError> {
        let unreadable = |source| RecordsError::Unreadable { path: folder.to_owned(), source };
        let mut paths: BTreeMap<String, PathBuf> = BTreeMap::new();
        let mut found: Vec<PathBuf> = Vec::new();
        for entry in fs::read_dir(folder).map_err(unreadable)? {
            found.push(entry.map_err(unreadable)?.path());
        }
        // The exact name comes last, and stays, where letters of another case make two.
        found.sort_by_cached_key(|path| {
            (
                path.file_name().map(|name| name.to_ascii_lowercase()),
                path.file_name().map(|name| name.to_ascii_lowercase() == *name),
            )
        });
        for path in found {
            let Some(name) = path.file_name().and_then(|name| name.to_str()) else { continue };
            let plain = name.to_ascii_lowercase();
            let layout =
                LAYOUTS.iter().map(|layout| layout.file).chain([limits::FILE, geo::FILE]).find(|file| *file == plain);
            if let Some(file) = layout {
                if paths.insert(plain, path).is_some() {
                    let what = "two files have this name, but for capital letters";
                    book.warn(
                        Spot::new(file, Place::Whole),
                        Wrong::new("file", what, "the one in small letters is read; move the other away"),
                    );
                }
                continue;
            }
            if let Some(file) = meant(&plain) {
                let what = format!("'{}' looks as if it were {file}, and is not read", shown(name));
                book.warn(
                    Spot::new(file, Place::Whole),
                    Wrong::new("file", what, format!("call it {file}, or move it away")),
                );
            }
        }
        Ok(Self { paths })
    }

    fn text(&self, file: &'static str, book: &mut Book) -> Result<Option<String>, RecordsError> {
        let Some(path) = self.paths.get(file) else { return Ok(None) };
        read(path, file, book)
    }

    fn table(&self, layout: &'static Layout, book: &mut Book) -> Result<Option<Table>, RecordsError> {
        let text = self.text(layout.file, book)?;
        Ok(text.and_then(|text| Table::read(layout, &text, book)))
    }
}

fn read(path: &Path, file: &'static str, book: &mut Book) -> Result<Option<String>, RecordsError> {
    let unreadable = |source| RecordsError::Unreadable { path: path.to_owned(), source };
    let bytes = fs::metadata(path).map_err(unreadable)?.len();
    if bytes > FILE_BYTES_MAX {
        let what = format!("the file has {bytes} bytes, more than the {FILE_BYTES_MAX} that are read");
        book.left_out(Spot::new(file, Place::Whole), Wrong::new("size", what, "keep the older rows in another folder"));
        return Ok(None);
    }
    match text::text_of(fs::read(path).map_err(unreadable)?) {
        Ok(text) => Ok(Some(text)),
        Err((place, wrong)) => {
            book.left_out(Spot::new(file, place), wrong);
            Ok(None)
        }
    }
}

/// Which file a name is near to: another ending, the singular, or a blank in it. Hidden and temporary files are nobody's.
fn meant(name: &str) -> Option<&'static str> {
    let (stem, ending) = name.rsplit_once('.')?;
    if name.starts_with(['.', '~'])
        || !matches!(ending, "csv" | "tsv" | "txt" | "xlsx" | "xls" | "ods" | "toml" | "geojson" | "json")
    {
        return None;
    }
    let stem: String = stem.chars().filter(|c| c.is_ascii_alphanumeric()).collect();
    LAYOUTS.iter().map(|layout| layout.file).chain([limits::FILE, geo::FILE]).find(|file| {
        let own = file.split('.').next().unwrap_or_default();
        stem == own || format!("{stem}s") == own || (stem == "duty" && own == "duties")
    })
}
