//! Live marks, kept as lines of JSON by month.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

use super::Keeper;
use crate::board::Mark;
use crate::durable::sync_folder;

impl Keeper {
    /// Appends live marks to their month's file, one JSON object a line.
    pub(super) fn keep_marks(&self) {
        while let Ok(mark) = self.keeping.marks.try_recv() {
            match keep_mark(self.keeping.store.root(), &mark) {
                Ok(()) => self.keeping.status.settled("marks"),
                Err(error) => {
                    self.trouble("marks", format!("a mark is lost, '{}': marks cannot be written: {error}", mark.note));
                }
            }
        }
    }
}

/// Appends a mark, and syncs it. A line that a power cut broke off is ended first.
fn keep_mark(store: &Path, mark: &Mark) -> io::Result<()> {
    let month = jiff::Timestamp::from_microsecond(mark.time_us).unwrap_or_default().strftime("%Y-%m").to_string();
    let folder = store.join("marks").join(format!("month={month}"));
    fs::create_dir_all(&folder)?;
    let mut file = File::options().create(true).read(true).append(true).open(folder.join("marks.jsonl"))?;
    let mut last = [b'\n'];
    if file.seek(SeekFrom::End(-1)).is_ok() {
        file.read_exact(&mut last)?;
    }
    let mut line = serde_json::to_vec(mark)?;
    if last != [b'\n'] {
        line.insert(0, b'\n');
    }
    line.push(b'\n');
    file.write_all(&line)?;
    file.sync_all()?;
    // Names of what may be new: the file, its month, the marks. They are few.
    folder.ancestors().take(3).try_for_each(sync_folder)
}
