//! Puts captures out of the inbox: moved when they are filed, set aside with a reason when they cannot be. Nothing is
//! ever written over, and nothing is gone before it is whole at its new place.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use nix::errno::Errno;

use super::folder::Folder;
use super::names::{REASON_SUFFIX, numbered, shown};
use crate::durable::sync_folder;

/// Most files of one name in one folder; more is a fault elsewhere.
const NUMBERS_MAX: u32 = 100_000;

/// Moves a file of an opened folder to `target`, below which it gets the place that it had in the inbox. Where its name
/// is taken it gets a number. Gives the new path.
pub(super) fn put(holder: &Folder, relative: &Path, target: &Path) -> io::Result<PathBuf> {
    let (folder, name) = place(relative, target)?;
    for number in 1..=NUMBERS_MAX {
        let to = folder.join(numbered(name, number));
        if put_at(holder, name, &to)? {
            return Ok(to);
        }
    }
    Err(io::Error::new(io::ErrorKind::AlreadyExists, format!("{}: too many of this name", folder.display())))
}

/// The same, with a text beside it that tells why. The text is there first.
pub(super) fn set_aside(holder: &Folder, relative: &Path, target: &Path, reason: &str) -> io::Result<PathBuf> {
    let (folder, name) = place(relative, target)?;
    for number in 1..=NUMBERS_MAX {
        let numbered = numbered(name, number);
        let to = folder.join(&numbered);
        let told = folder.join(reason_name(&numbered));
        let mut text = match File::options().write(true).create_new(true).open(&told) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
            Err(error) => return Err(error),
        };
        let written = writeln!(text, "{}\n{reason}", shown(relative)).and_then(|()| text.sync_all());
        match written.and_then(|()| put_at(holder, name, &to)) {
            Ok(true) => {
                sync_folder(&folder)?;
                return Ok(to);
            }
            Ok(false) => fs::remove_file(&told)?,
            Err(error) => {
                // Without the file beside it the text would tell nothing.
                fs::remove_file(&told)?;
                return Err(error);
            }
        }
    }
    Err(io::Error::new(io::ErrorKind::AlreadyExists, format!("{}: too many of this name", folder.display())))
}

/// Name of the text that tells why a file was set aside.
pub(super) fn reason_name(name: &OsStr) -> OsString {
    let mut reason = name.to_owned();
    reason.push(REASON_SUFFIX);
    reason
}

fn place<'a>(relative: &'a Path, target: &Path) -> io::Result<(PathBuf, &'a OsStr)> {
    let name = relative.file_name().ok_or(io::ErrorKind::InvalidInput)?;
    let folder = relative.parent().map_or_else(|| target.to_owned(), |parent| target.join(parent));
    // Names certain before a file is moved below them: else a power cut could take it from both places.
    let new: Vec<&Path> = folder.ancestors().take_while(|above| !above.exists()).collect();
    fs::create_dir_all(&folder)?;
    for made in new.into_iter().rev() {
        sync_folder(made.parent().unwrap_or(made))?;
    }
    Ok((folder, name))
}

/// Moves a file to a place that is free. Whether it was.
fn put_at(holder: &Folder, name: &OsStr, to: &Path) -> io::Result<bool> {
    let from = &holder.path_of(name);
    match rename_if_free(from, to) {
        Err(error) if error.kind() == io::ErrorKind::CrossesDevices => {}
        other => return other,
    }
    if to.symlink_metadata().is_ok() {
        return Ok(false);
    }
    // To another file system: whole and synced under a passing name there, then named, then removed here.
    let folder = to.parent().unwrap_or(Path::new("."));
    let passing = folder.join(".passing");
    let copied =
        holder.open_file(name).and_then(|source| copy(source, &passing)).and_then(|()| rename_if_free(&passing, to));
    if !matches!(copied, Ok(true)) {
        match fs::remove_file(&passing) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => return copied,
        }
    }
    sync_folder(folder)?;
    fs::remove_file(from)?;
    Ok(true)
}

fn copy(mut source: File, to: &Path) -> io::Result<()> {
    let mut file = File::create(to)?;
    io::copy(&mut source, &mut file)?;
    if let Ok(modified) = source.metadata()?.modified() {
        file.set_modified(modified)?;
    }
    file.sync_all()
}

/// Renames to a name that is free, at one stroke where the file system can. Whether it was free.
fn rename_if_free(from: &Path, to: &Path) -> io::Result<bool> {
    #[cfg(target_env = "gnu")]
    {
        use nix::fcntl::{AT_FDCWD, RenameFlags, renameat2};
        match renameat2(AT_FDCWD, from, AT_FDCWD, to, RenameFlags::RENAME_NOREPLACE) {
            Ok(()) => return Ok(true),
            Err(Errno::EEXIST) => return Ok(false),
            // Some file systems, over a network above all, cannot.
            Err(Errno::EINVAL | Errno::ENOSYS | Errno::EOPNOTSUPP) => {}
            Err(error) => return Err(error.into()),
        }
    }
    // The name is taken first, by an empty file that the renaming then replaces.
    match File::options().write(true).create_new(true).open(to) {
        Ok(_) => {}
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => return Ok(false),
        Err(error) => return Err(error),
    }
    fs::rename(from, to).map(|()| true).or_else(|error| {
        fs::remove_file(to)?;
        Err(error)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn a_name_that_is_taken_gets_a_number_and_nothing_is_written_over() {
        let (inbox, target) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        for content in ["one", "two", "three"] {
            fs::create_dir_all(inbox.path().join("204")).unwrap();
            fs::write(inbox.path().join("204/a.pcap"), content).unwrap();
            let holder = Folder::open(&inbox.path().join("204")).unwrap();
            put(&holder, Path::new("204/a.pcap"), target.path()).unwrap();
        }
        assert_eq!(names(&target.path().join("204")), ["a-2.pcap", "a-3.pcap", "a.pcap"]);
        assert_eq!(fs::read_to_string(target.path().join("204/a-3.pcap")).unwrap(), "three");
        assert!(names(&inbox.path().join("204")).is_empty());
    }

    #[test]
    fn what_is_set_aside_has_its_reason_beside_it() {
        let (inbox, target) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let holder = Folder::open(inbox.path()).unwrap();
        for content in ["one", "two"] {
            fs::write(inbox.path().join("a.pcap"), content).unwrap();
            set_aside(&holder, Path::new("a.pcap"), target.path(), "it is none").unwrap();
        }
        assert_eq!(names(target.path()), ["a-2.pcap", "a-2.pcap.reason.txt", "a.pcap", "a.pcap.reason.txt"]);
        assert_eq!(fs::read_to_string(target.path().join("a-2.pcap.reason.txt")).unwrap(), "a.pcap\nit is none\n");
        assert_eq!(fs::read_to_string(target.path().join("a-2.pcap")).unwrap(), "two");
    }

    #[test]
    fn a_file_that_is_gone_leaves_no_reason_behind() {
        let (inbox, target) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let holder = Folder::open(inbox.path()).unwrap();
        set_aside(&holder, Path::new("a.pcap"), target.path(), "it is none").unwrap_err();
        assert!(names(target.path()).is_empty());
    }

    #[test]
    fn another_file_system_gets_a_whole_copy() {
        // Shared memory is one of its own on every Linux machine.
        let (inbox, target) = (tempfile::tempdir().unwrap(), tempfile::tempdir_in("/dev/shm").unwrap());
        let device = |path: &Path| std::os::unix::fs::MetadataExt::dev(&path.metadata().unwrap());
        assert_ne!(device(inbox.path()), device(target.path()), "this test needs two file systems");
        let holder = Folder::open(inbox.path()).unwrap();
        for content in ["one", "two"] {
            fs::write(inbox.path().join("a.pcap"), content).unwrap();
            put(&holder, Path::new("a.pcap"), target.path()).unwrap();
        }
        assert_eq!(names(target.path()), ["a-2.pcap", "a.pcap"]);
        assert_eq!(fs::read_to_string(target.path().join("a-2.pcap")).unwrap(), "two");
        assert!(names(inbox.path()).is_empty());
    }
}
