//! Who closes a file in the inbox, or renames one into it: told by the kernel, so that nobody needs to wait for it to
//! settle. A convenience: what is missed here, the next look through the folders finds.

use std::collections::HashMap;
use std::io;
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::sys::inotify::{AddWatchFlags, InitFlags, Inotify, WatchDescriptor};

use super::folder::Folder;

/// Folders watched at most; the system's own limit is shared by everybody on it.
const WATCHES_MAX: usize = 1_000;
/// Reads of news at one go, of some fifty each: writers must not keep us here for ever.
const READS_MAX: usize = 1_000;

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum News {
    /// A file was closed by who wrote it, or renamed into place. Relative to the inbox.
    Complete(PathBuf),
    /// A folder is new.
    Folder(PathBuf),
    /// There was more than the kernel keeps: look through everything.
    Lost,
}

/// The watched folders.
#[derive(Debug)]
pub(super) struct Watch {
    inotify: Inotify,
    folders: HashMap<WatchDescriptor, PathBuf>,
}

impl Watch {
    pub(super) fn new() -> io::Result<Self> {
        let inotify = Inotify::init(InitFlags::IN_NONBLOCK | InitFlags::IN_CLOEXEC)?;
        Ok(Self { inotify, folders: HashMap::new() })
    }

    /// Watches a folder from now on; one that is watched already goes by its new name. Whether it is watched.
    pub(super) fn add(&mut self, folder: &Folder, relative: &Path) -> bool {
        if self.folders.len() >= WATCHES_MAX {
            return false;
        }
        let flags = AddWatchFlags::IN_CLOSE_WRITE
            | AddWatchFlags::IN_MOVED_TO
            | AddWatchFlags::IN_CREATE
            | AddWatchFlags::IN_ONLYDIR;
        match self.inotify.add_watch(&folder.own_path(), flags) {
            Ok(descriptor) => {
                self.folders.insert(descriptor, relative.to_owned());
                true
            }
            Err(_) => false,
        }
    }

    /// What happened since the last time.
    pub(super) fn news(&mut self) -> Vec<News> {
        let mut news = Vec::new();
        for _ in 0..READS_MAX {
            let events = match self.inotify.read_events() {
                Ok(events) => events,
                Err(Errno::EINTR) => continue,
                Err(Errno::EAGAIN) => return news,
                Err(_) => break,
            };
            for event in events {
                if event.mask.contains(AddWatchFlags::IN_Q_OVERFLOW) {
                    news.push(News::Lost);
                    continue;
                }
                if event.mask.contains(AddWatchFlags::IN_IGNORED) {
                    self.folders.remove(&event.wd);
                    continue;
                }
                let (Some(folder), Some(name)) = (self.folders.get(&event.wd), event.name) else { continue };
                let path = folder.join(name);
                if event.mask.contains(AddWatchFlags::IN_ISDIR) {
                    news.push(News::Folder(path));
                } else if !event.mask.contains(AddWatchFlags::IN_CREATE) {
                    news.push(News::Complete(path));
                }
            }
        }
        news.push(News::Lost);
        news
    }
}
