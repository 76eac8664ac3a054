use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::PermissionsExt;

use tempfile::TempDir;

use super::*;
use crate::store::Filed;

/// Folders of an inbox, and a clock that is set by hand.
struct Yard {
    root: TempDir,
    settings: Settings,
    status: Arc<Status>,
    inbox: Inbox,
    now: Instant,
}

const SETTLE: Duration = Duration::from_secs(60);

impl Yard {
    fn new(afterwards: Afterwards) -> Self {
        let root = tempfile::tempdir().unwrap();
        for folder in ["in", "store"] {
            fs::create_dir(root.path().join(folder)).unwrap();
        }
        let settings = Settings {
            folder: root.path().join("in"),
            settle: SETTLE,
            afterwards: match afterwards {
                Afterwards::Move(to) => Afterwards::Move(root.path().join(to)),
                other => other,
            },
            quarantine: root.path().join("quarantine"),
        };
        let (status, inbox) = begun(&settings, root.path());
        Self { root, settings, status, inbox, now: Instant::now() }
    }

    /// As after a start of the service.
    fn start_again(&mut self) {
        (self.status, self.inbox) = begun(&self.settings, self.root.path());
    }

    fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }

    fn write(&self, name: &str, content: &str) {
        let path = self.path("in").join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    fn wait(&mut self, time: Duration) {
        self.now += time;
    }

    fn next(&mut self) -> Option<Ready> {
        self.inbox.next(self.now)
    }

    /// Name within the inbox of the next capture.
    fn next_name(&mut self) -> Option<String> {
        let ready = self.next()?;
        let name = ready.relative.to_str().unwrap().to_owned();
        self.inbox.give_back(ready);
        Some(name)
    }

    fn filed(&mut self, ready: Ready) {
        let outcome = Outcome::Filed(record(&[]));
        self.inbox.done(ready, Ok(&outcome), self.now);
    }

    fn failed(&mut self, ready: Ready, error: &FilingError) {
        self.inbox.done(ready, Err(error), self.now);
    }

    /// Files under a folder, by path.
    fn files(&self, folder: &str) -> Vec<String> {
        let mut found = Vec::new();
        let mut folders = vec![self.path(folder)];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(&folder).into_iter().flatten() {
                let path = entry.unwrap().path();
                if path.is_dir() { folders.push(path) } else { found.push(path) }
            }
        }
        let base = self.path(folder);
        let mut names: Vec<String> = found.iter().map(|path| shown(path.strip_prefix(&base).unwrap())).collect();
        names.sort();
        names
    }

    fn trouble(&self, cause: &str) -> Option<String> {
        self.status.troubles().into_iter().find(|(found, _)| found == cause).map(|(_, text)| text)
    }
}

fn begun(settings: &Settings, root: &Path) -> (Arc<Status>, Inbox) {
    let status = Arc::new(Status::default());
    let inbox = Inbox::new(settings.clone(), None, &root.join("store"), status.clone()).unwrap();
    (status, inbox)
}

fn record(remarks: &[&str]) -> Filed {
    Filed {
        id: String::new(),
        source: String::new(),
        bytes: 0,
        definition_set: String::new(),
        definitions: String::new(),
        zone: None,
        vehicles: Vec::new(),
        remarks: remarks.iter().map(|remark| (*remark).to_owned()).collect(),
        notes: Vec::new(),
        counts_due: Vec::new(),
        heard_last: None,
    }
}

fn no_capture() -> FilingError {
    CaptureError::Empty { name: "x".into() }.into()
}

fn disk_full() -> FilingError {
    let source = io::Error::from(io::ErrorKind::StorageFull);
    StoreError::Io { path: "/store".into(), doing: "writing", source }.into()
}

#[test]
fn what_was_there_at_the_start_is_taken_once_it_has_settled() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.write("b.pcap", "b");
    yard.write("a.pcap", "a");
    assert_eq!(yard.next_name(), None);
    yard.wait(SETTLE / 2);
    assert_eq!(yard.next_name(), None);
    yard.write("b.pcap", "more");
    // Seen being closed; but the one before it in order is not settled.
    assert_eq!(yard.next_name().as_deref(), Some("b.pcap"));
    yard.wait(SETTLE);
    assert_eq!(yard.next_name().as_deref(), Some("a.pcap"));
}

#[test]
fn a_file_that_changes_unseen_settles_anew() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.write("a.pcap", "a");
    assert!(yard.next().is_none());
    // As over a network file system: nobody tells.
    yard.inbox.watch = None;
    yard.wait(SETTLE - Duration::from_secs(1));
    yard.write("a.pcap", "a longer one");
    assert!(yard.next().is_none());
    yard.wait(SETTLE - Duration::from_secs(1));
    assert!(yard.next().is_none());
    yard.wait(Duration::from_secs(1));
    assert_eq!(yard.next_name().as_deref(), Some("a.pcap"));
}

#[test]
fn closed_and_renamed_files_are_taken_at_once_in_new_folders_too() {
    let mut yard = Yard::new(Afterwards::Delete);
    assert!(yard.next().is_none());
    yard.write("closed.pcap", "x");
    assert_eq!(yard.next_name().as_deref(), Some("closed.pcap"));
    yard.write(".renamed.pcap.Xq81Za", "x");
    fs::rename(yard.path("in/.renamed.pcap.Xq81Za"), yard.path("in/a-renamed.pcap")).unwrap();
    assert_eq!(yard.next_name().as_deref(), Some("a-renamed.pcap"));
    fs::create_dir(yard.path("in/204")).unwrap();
    assert!(yard.next().is_some());
    yard.write("204/a.pcap", "x");
    assert_eq!(yard.next_name().as_deref(), Some("204/a.pcap"));
}

#[test]
fn passing_names_are_left_alone() {
    let mut yard = Yard::new(Afterwards::Delete);
    assert!(yard.next().is_none());
    for name in [".a.pcap.1z", "a.pcap.part", "a.pcap.filepart", "a.pcap.tmp", ".rsync-partial/a.pcap"] {
        yard.write(name, "x");
    }
    yard.wait(SETTLE * 3);
    assert!(yard.next().is_none());
    yard.wait(SETTLE * 3);
    assert!(yard.next().is_none());
    assert_eq!(yard.files("in").len(), 5);
}

#[test]
fn a_file_that_is_still_open_is_not_taken() {
    use std::io::Write;
    let mut yard = Yard::new(Afterwards::Delete);
    assert!(yard.next().is_none());
    let mut file = File::create(yard.path("in/a.pcap")).unwrap();
    for _ in 0..10 {
        file.write_all(b"some").unwrap();
        yard.wait(SETTLE / 2);
        assert!(yard.next().is_none(), "it grows");
    }
    drop(file);
    assert_eq!(yard.next_name().as_deref(), Some("a.pcap"));
}

#[test]
fn filed_captures_are_deleted_moved_or_kept() {
    for (afterwards, inbox, filed) in [
        (Afterwards::Delete, vec![], vec![]),
        (Afterwards::Move("filed".into()), vec![], vec!["204/a.pcap"]),
        (Afterwards::Keep, vec!["204/a.pcap"], vec![]),
    ] {
        let mut yard = Yard::new(afterwards);
        yard.write("204/a.pcap", "x");
        assert!(yard.next().is_none());
        yard.wait(SETTLE);
        let ready = yard.next().unwrap();
        yard.filed(ready);
        assert_eq!(yard.files("in"), inbox);
        assert_eq!(yard.files("filed"), filed);
        assert_eq!(yard.status.inbox.filed.load(Ordering::Relaxed), 1);
        assert_eq!(yard.status.inbox.waiting.load(Ordering::Relaxed), 0);
        yard.wait(SETTLE * 2);
        assert!(yard.next().is_none(), "once is enough");
    }
}

#[test]
fn what_is_kept_is_not_read_again_after_a_start_unless_it_changed() {
    let mut yard = Yard::new(Afterwards::Keep);
    yard.write("a.pcap", "x");
    yard.write("b.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    while let Some(ready) = yard.next() {
        yard.filed(ready);
    }
    yard.start_again();
    assert!(yard.next().is_none());
    yard.wait(SETTLE * 2);
    assert!(yard.next().is_none());
    yard.write("b.pcap", "x and more");
    assert_eq!(yard.next_name().as_deref(), Some("b.pcap"));
}

#[test]
fn a_file_that_grows_while_it_is_filed_is_filed_again_before_it_goes() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.write("a.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let ready = yard.next().unwrap();
    yard.inbox.watch = None;
    yard.write("a.pcap", "x and more");
    yard.filed(ready);
    assert_eq!(yard.files("in"), ["a.pcap"]);
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let ready = yard.next().unwrap();
    assert_eq!(ready.bytes(), 10);
    yard.filed(ready);
    assert!(yard.files("in").is_empty());
}

#[test]
fn one_that_was_cut_off_has_time_to_go_on() {
    let mut yard = Yard::new(Afterwards::Delete);
    assert!(yard.next().is_none());
    yard.write("a.pcap", "half");
    let ready = yard.next().unwrap();
    let outcome = Outcome::Filed(record(&["cut off in the middle of a block"]));
    yard.inbox.done(ready, Ok(&outcome), yard.now);
    assert_eq!(yard.files("in"), ["a.pcap"]);
    assert!(yard.next().is_none());
    yard.write("a.pcap", "half and half");
    let ready = yard.next().unwrap();
    yard.filed(ready);
    assert!(yard.files("in").is_empty());
    // Where nothing more comes, it goes as it is.
    yard.write("b.pcap", "half");
    let ready = yard.next().unwrap();
    yard.inbox.done(ready, Ok(&outcome), yard.now);
    yard.wait(SETTLE);
    assert!(yard.next().is_none());
    assert!(yard.files("in").is_empty());
}

#[test]
fn a_bad_one_is_set_aside_with_its_reason_once_it_has_settled() {
    let mut yard = Yard::new(Afterwards::Delete);
    fs::create_dir(yard.path("in/204")).unwrap();
    assert!(yard.next().is_none());
    yard.write("204/a.pcap", "nonsense");
    let ready = yard.next().unwrap();
    yard.failed(ready, &no_capture());
    assert_eq!(yard.files("in"), ["204/a.pcap"], "more of it may come");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    assert!(yard.next().is_none());
    assert!(yard.files("in").is_empty());
    assert_eq!(yard.files("quarantine"), ["204/a.pcap", "204/a.pcap.reason.txt"]);
    let reason = fs::read_to_string(yard.path("quarantine/204/a.pcap.reason.txt")).unwrap();
    assert!(reason.contains("is empty, so it holds no capture"), "{reason}");
    let told = yard.status.inbox.quarantined.lock().unwrap().clone();
    assert_eq!(told[0].0, "204/a.pcap");
    yard.start_again();
    assert_eq!(yard.status.inbox.quarantined_count.load(Ordering::Relaxed), 1);
    let recalled = yard.status.inbox.quarantined.lock().unwrap().clone();
    assert_eq!(recalled, told);
}

#[test]
fn a_bad_beginning_that_goes_on_is_tried_again() {
    let mut yard = Yard::new(Afterwards::Delete);
    assert!(yard.next().is_none());
    yard.write("a.pcap", "");
    let ready = yard.next().unwrap();
    yard.failed(ready, &no_capture());
    yard.write("a.pcap", "the whole of it");
    let ready = yard.next().unwrap();
    yard.filed(ready);
    assert!(yard.files("in").is_empty() && yard.files("quarantine").is_empty());
}

#[test]
fn a_full_disk_is_waited_for_and_nothing_is_set_aside() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.write("a.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    for _ in 0..10 {
        let ready = yard.next().expect("it is tried again");
        yard.failed(ready, &disk_full());
        assert!(yard.next().is_none(), "not at once");
        assert!(yard.trouble(STORE_TROUBLE).unwrap().contains("make room"));
        yard.wait(PAUSES.1);
    }
    let ready = yard.next().unwrap();
    yard.filed(ready);
    assert_eq!(yard.trouble(STORE_TROUBLE), None);
    assert!(yard.files("quarantine").is_empty());
}

#[test]
fn a_folder_that_is_missing_is_waited_for() {
    let mut yard = Yard::new(Afterwards::Delete);
    fs::remove_dir(yard.path("in")).unwrap();
    assert!(yard.next().is_none());
    assert!(yard.trouble(FOLDER_TROUBLE).unwrap().contains("make the folder"));
    yard.write("a.pcap", "x");
    yard.wait(LOOK_EVERY);
    assert!(yard.next().is_none());
    assert_eq!(yard.trouble(FOLDER_TROUBLE), None);
    yard.wait(SETTLE);
    assert_eq!(yard.next_name().as_deref(), Some("a.pcap"));
    // Gone while the service runs, and there again as another folder.
    fs::remove_dir_all(yard.path("in")).unwrap();
    yard.wait(LOOK_EVERY);
    assert!(yard.next().is_none());
    assert!(yard.trouble(FOLDER_TROUBLE).is_some());
    fs::create_dir(yard.path("in")).unwrap();
    yard.wait(LOOK_EVERY);
    assert!(yard.next().is_none());
    yard.write("b.pcap", "x");
    assert_eq!(yard.next_name().as_deref(), Some("b.pcap"), "the new folder is watched");
}

#[test]
fn a_target_that_cannot_be_written_keeps_the_capture_where_it_is() {
    let mut yard = Yard::new(Afterwards::Move("filed".into()));
    // A file where the folder should be: fails for every user, root too.
    fs::write(yard.path("filed"), "in the way").unwrap();
    yard.write("a.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let ready = yard.next().unwrap();
    yard.filed(ready);
    assert_eq!(yard.files("in"), ["a.pcap"]);
    assert!(yard.trouble(AWAY_TROUBLE).unwrap().contains("cannot be put away"));
    assert!(yard.next().is_none(), "it is not filed again");
    fs::remove_file(yard.path("filed")).unwrap();
    yard.wait(RETRY_AFTER);
    assert!(yard.next().is_none());
    assert_eq!(yard.files("filed"), ["a.pcap"]);
    yard.wait(LOOK_EVERY);
    assert!(yard.next().is_none());
    assert_eq!(yard.trouble(AWAY_TROUBLE), None);
}

#[test]
fn a_file_that_may_not_be_read_is_told_and_left() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.write("a.pcap", "x");
    fs::set_permissions(yard.path("in/a.pcap"), fs::Permissions::from_mode(0o0)).unwrap();
    if File::open(yard.path("in/a.pcap")).is_ok() {
        // Root may read everything: then the error is given by hand.
        let ready = {
            assert!(yard.next().is_none());
            yard.wait(SETTLE);
            yard.next().unwrap()
        };
        let source = io::Error::from(io::ErrorKind::PermissionDenied);
        yard.failed(ready, &CaptureError::Open { path: "a.pcap".into(), source }.into());
    } else {
        assert!(yard.next().is_none());
        yard.wait(SETTLE);
    }
    assert!(yard.next().is_none());
    assert!(yard.trouble(READ_TROUBLE).is_some());
    assert_eq!(yard.files("in"), ["a.pcap"]);
    assert!(yard.files("quarantine").is_empty());
}

#[test]
fn links_pipes_and_folders_with_odd_names_harm_nobody() {
    let mut yard = Yard::new(Afterwards::Delete);
    fs::create_dir(yard.path("elsewhere")).unwrap();
    fs::write(yard.path("elsewhere/secret.pcap"), "secret").unwrap();
    std::os::unix::fs::symlink(yard.path("elsewhere"), yard.path("in/folder-link")).unwrap();
    std::os::unix::fs::symlink(yard.path("elsewhere/secret.pcap"), yard.path("in/link.pcap")).unwrap();
    std::os::unix::fs::symlink(yard.path("in"), yard.path("in/circle")).unwrap();
    nix::unistd::mkfifo(&yard.path("in/pipe.pcap"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    fs::create_dir(yard.path("in/folder.pcap")).unwrap();
    yard.write("z.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    assert_eq!(yard.next_name().as_deref(), Some("z.pcap"), "nothing but it");
    let ready = yard.next().unwrap();
    yard.filed(ready);
    assert!(yard.next().is_none());
    assert_eq!(yard.files("elsewhere"), ["secret.pcap"]);
}

#[test]
fn a_folder_swapped_for_a_link_leads_nowhere() {
    let mut yard = Yard::new(Afterwards::Delete);
    fs::create_dir(yard.path("elsewhere")).unwrap();
    fs::write(yard.path("elsewhere/a.pcap"), "precious").unwrap();
    yard.write("204/a.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let ready = yard.next().unwrap();
    fs::remove_dir_all(yard.path("in/204")).unwrap();
    std::os::unix::fs::symlink(yard.path("elsewhere"), yard.path("in/204")).unwrap();
    yard.filed(ready);
    yard.wait(SETTLE * 2);
    assert!(yard.next().is_none());
    yard.wait(SETTLE * 2);
    assert!(yard.next().is_none());
    assert_eq!(fs::read_to_string(yard.path("elsewhere/a.pcap")).unwrap(), "precious");
}

#[test]
fn hostile_names_are_filed_moved_and_shown_on_one_line() {
    let mut yard = Yard::new(Afterwards::Move("filed".into()));
    let long = format!("{}.pcap", "x".repeat(250));
    let names: [&[u8]; 6] =
        [b"new\nline.pcap", b"\x1b[2Jred.pcap", b"no\xff\xfeutf8.pcap", b" ", b"-rf", long.as_bytes()];
    for name in names {
        fs::write(yard.path("in").join(OsStr::from_bytes(name)), "x").unwrap();
    }
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let mut count = 0;
    while let Some(ready) = yard.next() {
        assert!(!ready.name().contains(char::is_control), "{:?}", ready.name());
        yard.filed(ready);
        count += 1;
    }
    assert_eq!(count, names.len());
    assert_eq!(fs::read_dir(yard.path("filed")).unwrap().count(), names.len());
    // The same names as bad ones.
    for name in names {
        fs::write(yard.path("in").join(OsStr::from_bytes(name)), "x").unwrap();
    }
    yard.wait(SETTLE);
    while let Some(ready) = yard.next() {
        yard.failed(ready, &no_capture());
    }
    yard.wait(SETTLE);
    assert!(yard.next().is_none());
    assert_eq!(yard.files("quarantine").len(), 2 * names.len());
    assert!(yard.files("in").is_empty());
}

#[test]
fn ten_thousand_files_come_in_order_each_once_and_one_handle_at_a_time() {
    let handles = || fs::read_dir("/proc/self/fd").unwrap().count();
    let mut yard = Yard::new(Afterwards::Delete);
    for vehicle in 0..100 {
        fs::create_dir(yard.path(&format!("in/{vehicle:03}"))).unwrap();
        for number in 0..100 {
            fs::write(yard.path(&format!("in/{vehicle:03}/{number:03}.pcap")), "x").unwrap();
        }
    }
    let before = handles();
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let mut seen = Vec::new();
    while let Some(ready) = yard.next() {
        seen.push(ready.relative.clone());
        // Other tests open files too; ten thousand would stand out.
        assert!(handles() < before + 500);
        yard.filed(ready);
    }
    assert_eq!(seen.len(), 10_000);
    assert!(seen.is_sorted());
    assert!(yard.files("in").is_empty());
}

#[test]
fn more_files_than_are_kept_in_mind_are_worked_through_too() {
    let mut yard = Yard::new(Afterwards::Delete);
    let count = FILES_MAX + 500;
    for number in 0..count {
        File::create(yard.path(&format!("in/{number:06}.pcap"))).unwrap();
    }
    assert!(yard.next().is_none());
    assert_eq!(yard.status.inbox.waiting.load(Ordering::Relaxed), count as u64);
    let mut filed = 0;
    for _ in 0..3 {
        yard.wait(SETTLE);
        while let Some(ready) = yard.next() {
            yard.filed(ready);
            filed += 1;
        }
    }
    assert_eq!(filed, count);
}

#[test]
fn a_capture_that_ends_the_service_is_set_aside_in_the_end() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.write("a.pcap", "x");
    yard.write("b.pcap", "x");
    for _ in 0..TRIES_MAX {
        assert!(yard.next().is_none());
        yard.wait(SETTLE);
        let ready = yard.next().unwrap();
        assert_eq!(ready.relative, Path::new("a.pcap"));
        yard.inbox.begin(&ready);
        // The service ends here, without a word.
        yard.start_again();
    }
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let ready = yard.next().unwrap();
    assert_eq!(ready.relative, Path::new("b.pcap"));
    assert_eq!(yard.files("quarantine"), ["a.pcap", "a.pcap.reason.txt"]);
    yard.inbox.begin(&ready);
    yard.filed(ready);
    assert!(yard.files("in").is_empty());
    assert!(!yard.path("store/inbox.trying").exists());
}

#[test]
fn the_path_names_the_vehicle() {
    let mut yard = Yard::new(Afterwards::Delete);
    yard.inbox.vehicle_path = PathPattern::parse("{vehicle}/*");
    yard.write("204/a.pcap", "x");
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    assert_eq!(yard.next().unwrap().vehicle.as_deref(), Some("204"));
}

#[test]
fn what_is_handed_out_can_be_read_as_a_capture() {
    let mut yard = Yard::new(Afterwards::Delete);
    fs::copy("tests/vectors/vec_le.pcapng", yard.path("in/a.pcapng")).unwrap();
    assert!(yard.next().is_none());
    yard.wait(SETTLE);
    let ready = yard.next().unwrap();
    let mut capture = ready.capture().unwrap();
    let mut block = crate::frame::FrameBlock::default();
    while capture.fill(&mut block, 1 << 16).unwrap() {}
    assert!(!block.is_empty());
    assert!(capture.content_hash().unwrap().is_some());
    assert!(capture.name().ends_with("in/a.pcapng"));
}
