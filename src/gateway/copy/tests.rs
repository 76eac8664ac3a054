use std::collections::BTreeMap;
use std::fs;

use tempfile::TempDir;

use super::place::{Began, Seen};
use super::*;

/// A store of files that are no more than bytes, and a folder to which they are copied.
struct Yard {
    _folder: TempDir,
    store: PathBuf,
    there: PathBuf,
    status: Arc<Status>,
    stop: Arc<Stop>,
}

const LINE: &str = "signals/message=line_input/date=2026-02-17";
const RUNS: &str = "runs/month=2026-02";

impl Yard {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (store, there) = (folder.path().join("store"), folder.path().join("there"));
        drop(Store::open(&store).unwrap());
        fs::create_dir(&there).unwrap();
        Self { _folder: folder, store, there, status: Arc::default(), stop: Arc::default() }
    }

    fn write(&self, path: &str, bytes: &[u8]) {
        let path = self.store.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    fn remove(&self, path: &str) {
        fs::remove_file(self.store.join(path)).unwrap();
    }

    fn give_up(&self, class: &str, date: &str) {
        let at_us = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_micros();
        let text =
            format!("[{{\"date\":\"{date}\",\"class\":\"{class}\",\"at_us\":{at_us},\"why\":\"age\",\"bytes\":1}}]");
        self.write("given_up.json", text.as_bytes());
    }

    fn place(&self) -> Box<dyn Place> {
        Box::new(Folder::new(&self.there, &self.stop))
    }

    /// A round by a process that was just started, an hour after all that was written.
    fn round(&self) -> Result<usize, CopyError> {
        self.round_to(self.place())
    }

    fn round_to(&self, place: Box<dyn Place>) -> Result<usize, CopyError> {
        let manifest = Manifest::open(&self.store, "file:///there").unwrap();
        let mut copier = Copier { store: &self.store, place, manifest, status: &self.status, stop: &self.stop };
        copier.round(SystemTime::now() + Duration::from_secs(3_600))
    }

    /// What lies there, but for whose it is.
    fn there(&self) -> BTreeMap<String, Vec<u8>> {
        let mut files = contents(&self.there);
        files.remove(OWNER);
        files
    }

    fn names_there(&self) -> Vec<String> {
        self.there().into_keys().filter(|name| name != "store.json").collect()
    }
}

fn contents(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let (mut files, mut folders) = (BTreeMap::new(), vec![root.to_owned()]);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
                files.insert(name, fs::read(path).unwrap());
            }
        }
    }
    files
}

/// What is done around a put: its number, and the name.
type Step<'a> = Box<dyn FnMut(usize, &str) -> Result<(), CopyError> + Send + 'a>;

/// A place that fails, spoils or is asked to do something amid its work.
struct Odd<'a> {
    place: Box<dyn Place>,
    puts: usize,
    before_put: Step<'a>,
    after_put: Step<'a>,
}

impl Odd<'static> {
    fn new(place: Box<dyn Place>) -> Self {
        Self { place, puts: 0, before_put: Box::new(|_, _| Ok(())), after_put: Box::new(|_, _| Ok(())) }
    }
}

impl Place for Odd<'_> {
    fn size(&mut self, name: &str) -> Result<Option<u64>, CopyError> {
        self.place.size(name)
    }

    fn put(&mut self, name: &str, source: &mut Source, began: &mut Began<'_>) -> Result<(), CopyError> {
        if name == OWNER {
            return self.place.put(name, source, began);
        }
        self.puts += 1;
        (self.before_put)(self.puts, name)?;
        self.place.put(name, source, began)?;
        (self.after_put)(self.puts, name)
    }

    fn has(&mut self, name: &str, wanted: Seen) -> Result<bool, CopyError> {
        self.place.has(name, wanted)
    }

    fn read(&mut self, name: &str) -> Result<Option<Vec<u8>>, CopyError> {
        self.place.read(name)
    }

    fn remove(&mut self, name: &str) -> Result<(), CopyError> {
        self.place.remove(name)
    }

    fn abandon(&mut self, name: &str, upload: Option<&str>) -> Result<(), CopyError> {
        self.place.abandon(name, upload)
    }
}

fn cut() -> CopyError {
    place::there("sending", "x")("the connection was cut")
}

#[test]
fn closed_days_and_summaries_are_copied_and_open_days_are_not() {
    let yard = Yard::new();
    yard.write(&format!("{LINE}/merged.parquet"), b"rows of the day");
    yard.write("signals/message=line_input/date=2026-02-18/204.0.parquet", b"rows of an open day");
    yard.write("raw/date=2026-02-17/merged.parquet", b"raw");
    yard.write(&format!("{RUNS}/204.0.parquet"), b"runs so far");
    yard.write("definitions/0123/set.toml", b"format = 1");
    yard.write("filed/month=2026-02.jsonl.zst", b"records");
    yard.write("filed/abc.order.parquet", b"order");
    yard.write("marks/month=2026-02/marks.jsonl", b"{}\n");
    for stays in ["journal/yard-1/x.pcapng", "incoming/0.parquet", "delivered/depot.json", "given_up.json"] {
        yard.write(stays, b"[]");
    }
    assert_eq!(yard.round().unwrap(), 8);
    let expected = [
        "definitions/0123/set.toml",
        "filed/abc.order.parquet",
        "filed/month=2026-02.jsonl.zst",
        "marks/month=2026-02/marks.jsonl",
        "raw/date=2026-02-17/merged.parquet",
        "runs/month=2026-02/204.0.parquet",
        "signals/message=line_input/date=2026-02-17/merged.parquet",
    ];
    assert_eq!(yard.names_there(), expected);
    assert_eq!(yard.there()["store.json"], fs::read(yard.store.join("store.json")).unwrap());
    assert_eq!(yard.round().unwrap(), 0, "all is copied");
    assert_eq!(yard.status.keeper.copied_files.load(Ordering::Relaxed), 8);
    drop(Store::open_to_read(&yard.there).unwrap());
}

#[test]
fn a_record_alone_is_copied_only_once_it_is_old() {
    let yard = Yard::new();
    yard.write("filed/abc.json", b"{}");
    yard.round().unwrap();
    assert_eq!(yard.names_there(), [""; 0]);
    let later = SystemTime::now() + Duration::from_secs(3 * 86_400);
    let manifest = Manifest::open(&yard.store, "file:///there").unwrap();
    let mut copier =
        Copier { store: &yard.store, place: yard.place(), manifest, status: &yard.status, stop: &yard.stop };
    copier.round(later).unwrap();
    assert_eq!(yard.names_there(), ["filed/abc.json"]);
    yard.write("filed/month=2026-02.jsonl.zst", b"packed");
    yard.remove("filed/abc.json");
    yard.round().unwrap();
    assert_eq!(yard.names_there(), ["filed/month=2026-02.jsonl.zst"]);
}

#[test]
fn what_was_replaced_goes_once_what_replaced_it_is_verified() {
    let yard = Yard::new();
    let (one, other) = (format!("{RUNS}/204.0.parquet"), format!("{RUNS}/205.1.parquet"));
    yard.write(&one, b"runs of 204");
    yard.write(&other, b"runs of 205");
    yard.round().unwrap();
    yard.write(&format!("{RUNS}/merged.parquet"), b"runs of both");
    yard.remove(&one);
    yard.remove(&other);
    // The new file does not come there whole: the old ones stay.
    let mut odd = Odd::new(yard.place());
    let there = yard.there.clone();
    odd.after_put = Box::new(move |_, name| {
        fs::write(there.join(name), b"runs of bothers").unwrap();
        Ok(())
    });
    let error = yard.round_to(Box::new(odd)).unwrap_err();
    assert!(matches!(error, CopyError::Differs { .. }), "{error}");
    assert_eq!(yard.names_there(), [one, other, format!("{RUNS}/merged.parquet")]);
    yard.round().unwrap();
    assert_eq!(yard.names_there(), [format!("{RUNS}/merged.parquet")]);
    assert_eq!(yard.there()[&format!("{RUNS}/merged.parquet")], b"runs of both");
}

#[test]
fn a_day_closed_again_is_copied_again() {
    let yard = Yard::new();
    let (merged, second) = (format!("{LINE}/merged.parquet"), format!("{LINE}/merged-1.parquet"));
    yard.write(&merged, b"rows");
    yard.write(&second, b"rows of another set");
    yard.round().unwrap();
    yard.write(&merged, b"rows and late rows, all of one set");
    yard.remove(&second);
    yard.round().unwrap();
    assert_eq!(yard.names_there(), std::slice::from_ref(&merged));
    assert_eq!(yard.there()[&merged], b"rows and late rows, all of one set");
}

#[test]
fn a_folder_amid_a_change_is_not_concluded_from() {
    let yard = Yard::new();
    let (merged, second) = (format!("{LINE}/merged.parquet"), format!("{LINE}/merged-1.parquet"));
    yard.write(&merged, b"rows");
    yard.write(&second, b"rows of another set");
    yard.round().unwrap();
    yard.write("intent.json", b"{}");
    yard.remove(&second);
    yard.round().unwrap();
    assert_eq!(yard.names_there().len(), 2);
    yard.remove("intent.json");
    let manifest = Manifest::open(&yard.store, "file:///there").unwrap();
    let mut copier =
        Copier { store: &yard.store, place: yard.place(), manifest, status: &yard.status, stop: &yard.stop };
    copier.round(SystemTime::now()).unwrap();
    assert_eq!(yard.names_there().len(), 2, "the folder was touched just now");
    yard.round().unwrap();
    assert_eq!(yard.names_there(), [merged]);
}

#[test]
fn what_retention_gave_up_stays_there_and_late_rows_come_beside_it() {
    let merged = format!("{LINE}/merged.parquet");
    let beside = |number: usize| format!("{LINE}/merged-later-{number}.parquet");
    // Seen to be gone; or filled again before anyone looked, which only the store's own word tells.
    for seen in [true, false] {
        let yard = Yard::new();
        yard.write(&merged, b"the whole day");
        yard.round().unwrap();
        yard.remove(&merged);
        if seen {
            yard.round().unwrap();
            assert_eq!(yard.names_there(), std::slice::from_ref(&merged));
        } else {
            yard.give_up("signals", "2026-02-17");
            std::thread::sleep(Duration::from_millis(20));
        }
        yard.write(&merged, b"late");
        yard.round().unwrap();
        assert_eq!(yard.names_there(), [beside(1), merged.clone()]);
        assert_eq!(yard.there()[&merged], b"the whole day");
        // More late rows: that file is this store's own.
        yard.write(&merged, b"late, and more");
        yard.round().unwrap();
        assert_eq!(yard.names_there(), [beside(1), merged.clone()]);
        assert_eq!(yard.there()[&beside(1)], b"late, and more");
        // And once more given up, and filled.
        yard.give_up("signals", "2026-02-17");
        std::thread::sleep(Duration::from_millis(20));
        yard.write(&merged, b"later still");
        yard.round().unwrap();
        assert_eq!(yard.names_there(), [beside(1), beside(2), merged.clone()]);
        assert_eq!(yard.there()[&merged], b"the whole day");
        assert_eq!(yard.there()[&beside(1)], b"late, and more");
        assert_eq!(yard.there()[&beside(2)], b"later still");
        assert_eq!(yard.round().unwrap(), 0);
    }
}

#[test]
fn a_day_given_up_and_filled_again_amid_a_round_is_not_written_over() {
    let merged = format!("{LINE}/merged.parquet");
    let yard = Yard::new();
    yard.write(&merged, b"the whole day");
    yard.round().unwrap();
    yard.write("definitions/0123/set.toml", b"format = 1");
    yard.write(&merged, b"the whole day, again");
    yard.round().unwrap();
    yard.write("definitions/4567/set.toml", b"format = 1");
    // It is due already, by its new time, when the round comes to the definitions.
    yard.write(&merged, b"the whole day, and again");
    std::thread::sleep(Duration::from_millis(20));
    let mut odd = Odd::new(yard.place());
    let (store, there) = (yard.store.clone(), yard.there());
    let (path, at) = (merged.clone(), Yard::give_up);
    let again = Yard { _folder: tempfile::tempdir().unwrap(), store, ..Yard::new() };
    odd.before_put = Box::new(move |number, _| {
        if number == 1 {
            at(&again, "signals", "2026-02-17");
            std::thread::sleep(Duration::from_millis(20));
            again.write(&path, b"late");
        }
        Ok(())
    });
    yard.round_to(Box::new(odd)).unwrap();
    assert_eq!(yard.there()[&merged], there[&merged]);
    assert_eq!(yard.there()[&format!("{LINE}/merged-later-1.parquet")], b"late");
}

#[test]
fn a_copy_that_was_begun_before_its_day_was_given_up_is_not_written_over() {
    let merged = format!("{LINE}/merged.parquet");
    for known in [false, true] {
        let yard = Yard::new();
        if known {
            yard.write(&merged, b"the day");
            yard.round().unwrap();
        }
        yard.write(&merged, b"the whole day");
        // It came there, and the power went.
        let mut odd = Odd::new(yard.place());
        odd.after_put = Box::new(|_, name| if name.contains("merged") { Err(CopyError::Stopped) } else { Ok(()) });
        assert!(yard.round_to(Box::new(odd)).is_err());
        yard.remove(&merged);
        std::thread::sleep(Duration::from_millis(20));
        yard.give_up("signals", "2026-02-17");
        std::thread::sleep(Duration::from_millis(20));
        yard.write(&merged, b"late");
        yard.round().unwrap();
        assert_eq!(yard.there()[&merged], b"the whole day", "known: {known}");
        assert_eq!(yard.there()[&format!("{LINE}/merged-later-1.parquet")], b"late", "known: {known}");
        assert_eq!(yard.round().unwrap(), 0);
    }
}

#[test]
fn summaries_of_an_emptied_month_and_definitions_stay_there() {
    let yard = Yard::new();
    yard.write(&format!("{RUNS}/merged.parquet"), b"runs");
    yard.write("definitions/0123/set.toml", b"format = 1");
    yard.round().unwrap();
    fs::remove_dir_all(yard.store.join("runs")).unwrap();
    fs::remove_dir_all(yard.store.join("definitions")).unwrap();
    yard.write("runs/month=2026-03/merged.parquet", b"runs of March");
    yard.round().unwrap();
    assert_eq!(yard.names_there().len(), 3);
}

#[test]
fn a_copy_that_was_cut_off_anywhere_is_gone_on_with() {
    let files = 6;
    for cut_at in 1..=files {
        for after in [false, true] {
            let yard = Yard::new();
            (1..files).for_each(|number| yard.write(&format!("raw/date=2026-02-{number:02}/merged.parquet"), b"raw"));
            let mut odd = Odd::new(yard.place());
            // As if the power went: nothing is done any more.
            let go = move |number, _: &str| if number >= cut_at { Err(CopyError::Stopped) } else { Ok(()) };
            if after {
                odd.after_put = Box::new(go);
            } else {
                odd.before_put = Box::new(go);
            }
            assert!(matches!(yard.round_to(Box::new(odd)), Err(CopyError::Stopped)));
            let left = format!("raw/date=2026-02-{:02}/merged.parquet.passing", cut_at.max(2) - 1);
            fs::create_dir_all(yard.there.join(&left).parent().unwrap()).unwrap();
            fs::write(yard.there.join(&left), b"half").unwrap();
            let counted = Odd::new(yard.place());
            yard.round_to(Box::new(counted)).unwrap();
            assert_eq!(yard.names_there().len(), files - 1, "{:?}", yard.names_there());
            assert_eq!(yard.round().unwrap(), 0);
        }
    }
}

#[test]
fn what_came_there_and_was_not_remembered_is_not_sent_again() {
    let yard = Yard::new();
    yard.write("raw/date=2026-02-17/merged.parquet", b"raw");
    let mut odd = Odd::new(yard.place());
    odd.after_put = Box::new(|number, _| if number == 2 { Err(CopyError::Stopped) } else { Ok(()) });
    assert!(yard.round_to(Box::new(odd)).is_err());
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(|_, name| panic!("{name} is sent again"));
    yard.round_to(Box::new(odd)).unwrap();
    assert_eq!(yard.names_there(), ["raw/date=2026-02-17/merged.parquet"]);
}

#[test]
fn a_file_that_fails_holds_none_of_the_others_up() {
    let yard = Yard::new();
    (1..=5).for_each(|number| yard.write(&format!("raw/date=2026-02-0{number}/merged.parquet"), b"raw"));
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(|_, name| if name.contains("02-02") { Err(cut()) } else { Ok(()) });
    assert_eq!(yard.round_to(Box::new(odd)).unwrap_err().to_string(), "sending x: the connection was cut");
    assert_eq!(yard.names_there().len(), 4);
    assert_eq!(yard.status.keeper.copy_waiting.load(Ordering::Relaxed), 1);
    yard.round().unwrap();
    assert_eq!(yard.names_there().len(), 5);
    assert_eq!(yard.status.keeper.copy_waiting.load(Ordering::Relaxed), 0);
}

#[test]
fn a_place_that_fails_always_is_not_asked_for_every_file() {
    let yard = Yard::new();
    (1..=9).for_each(|number| yard.write(&format!("raw/date=2026-02-0{number}/merged.parquet"), b"raw"));
    let asked = Arc::new(std::sync::atomic::AtomicUsize::new(0));
    let mut odd = Odd::new(yard.place());
    let counting = Arc::clone(&asked);
    odd.before_put = Box::new(move |_, _| {
        counting.fetch_add(1, Ordering::Relaxed);
        Err(cut())
    });
    yard.round_to(Box::new(odd)).unwrap_err();
    assert_eq!(asked.load(Ordering::Relaxed), FAILURES_IN_A_ROW);
    assert_eq!(yard.status.keeper.copy_waiting.load(Ordering::Relaxed), 10);
}

#[test]
fn a_file_that_vanishes_or_is_replaced_meanwhile_is_no_failure() {
    let yard = Yard::new();
    let path = |number: usize| format!("{RUNS}/20{number}.parquet");
    (1..=3).for_each(|number| yard.write(&path(number), b"runs"));
    let store = yard.store.clone();
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(move |number, _| {
        match number {
            // The label goes first.
            2 => {
                fs::write(store.join("incoming/0"), b"other runs").unwrap();
                fs::rename(store.join("incoming/0"), store.join(RUNS).join("201.parquet")).unwrap();
                fs::remove_file(store.join(RUNS).join("202.parquet")).unwrap();
            }
            3 => fs::remove_file(store.join(RUNS).join("203.parquet")).unwrap(),
            _ => {}
        }
        Ok(())
    });
    yard.round_to(Box::new(odd)).unwrap();
    // What was open was copied as it was.
    assert_eq!(yard.there()[&path(1)], b"runs");
    assert_eq!(yard.there()[&path(3)], b"runs");
    yard.round().unwrap();
    assert_eq!(yard.names_there(), [path(1)]);
    assert_eq!(yard.there()[&path(1)], b"other runs");
}

#[test]
fn a_file_that_grows_is_copied_as_it_was_and_again() {
    let yard = Yard::new();
    let marks = "marks/month=2026-02/marks.jsonl";
    yard.write(marks, b"{}\n");
    let path = yard.store.join(marks);
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(move |number, _| {
        if number == 2 {
            use std::io::Write;
            File::options().append(true).open(&path).unwrap().write_all(b"{}\n").unwrap();
        }
        Ok(())
    });
    yard.round_to(Box::new(odd)).unwrap();
    assert_eq!(yard.there()[marks], b"{}\n");
    yard.round().unwrap();
    assert_eq!(yard.there()[marks], b"{}\n{}\n");
}

#[test]
fn a_file_that_shrinks_while_it_is_read_is_told() {
    let yard = Yard::new();
    yard.write("raw/date=2026-02-17/merged.parquet", b"raw frames");
    let path = yard.store.join("raw/date=2026-02-17/merged.parquet");
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(move |number, _| {
        if number == 2 {
            File::options().write(true).open(&path).unwrap().set_len(3).unwrap();
        }
        Ok(())
    });
    let error = yard.round_to(Box::new(odd)).unwrap_err();
    assert!(error.to_string().contains("became shorter"), "{error}");
    assert_eq!(yard.names_there(), [""; 0], "nothing half is left there");
    yard.round().unwrap();
    assert_eq!(yard.there()["raw/date=2026-02-17/merged.parquet"], b"raw");
}

#[test]
fn a_place_of_another_store_is_refused() {
    let (yard, other) = (Yard::new(), Yard::new());
    yard.write("raw/date=2026-02-17/merged.parquet", b"raw");
    yard.round().unwrap();
    let error = other.round_to(yard.place()).unwrap_err();
    assert!(error.to_string().contains("of another store"), "{error}");
    assert_eq!(yard.there()["raw/date=2026-02-17/merged.parquet"], b"raw");
}

#[test]
fn a_disk_that_is_not_mounted_is_told_and_not_filled() {
    let yard = Yard::new();
    yard.write("raw/date=2026-02-17/merged.parquet", b"raw");
    yard.round().unwrap();
    yard.write("raw/date=2026-02-18/merged.parquet", b"raw");
    // Its mount point is there, and empty.
    let mounted = yard.there.with_extension("mounted");
    fs::rename(&yard.there, &mounted).unwrap();
    fs::create_dir(&yard.there).unwrap();
    let error = yard.round().unwrap_err();
    assert!(error.to_string().contains("is its disk mounted?"), "{error}");
    assert!(contents(&yard.there).is_empty());
    fs::remove_dir(&yard.there).unwrap();
    let error = yard.round().unwrap_err();
    assert!(error.to_string().contains("mount its disk, or make it"), "{error}");
    fs::rename(&mounted, &yard.there).unwrap();
    yard.round().unwrap();
    assert_eq!(yard.names_there().len(), 2);
}

#[test]
fn where_what_is_remembered_was_lost_nothing_there_is_written_over() {
    let yard = Yard::new();
    let (same, grown) = ("raw/date=2026-02-17/merged.parquet", "raw/date=2026-02-18/merged.parquet");
    yard.write(same, b"raw");
    yard.write(grown, b"raw");
    yard.round().unwrap();
    fs::remove_dir_all(yard.store.join("copied")).unwrap();
    yard.write(grown, b"raw and more");
    let error = yard.round().unwrap_err();
    assert!(error.to_string().contains("of another store"), "{error}");
    fs::remove_file(yard.there.join(OWNER)).unwrap();
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(|_, name| {
        assert_eq!(name, "raw/date=2026-02-18/merged-later-1.parquet");
        Ok(())
    });
    yard.round_to(Box::new(odd)).unwrap();
    assert_eq!(yard.there()[grown], b"raw");
    assert_eq!(yard.there()["raw/date=2026-02-18/merged-later-1.parquet"], b"raw and more");
    assert_eq!(yard.round().unwrap(), 0);
}

#[test]
fn a_store_that_was_moved_is_not_copied_anew() {
    let yard = Yard::new();
    yard.write("raw/date=2026-02-17/merged.parquet", b"raw");
    yard.round().unwrap();
    let bytes = fs::read(yard.store.join("raw/date=2026-02-17/merged.parquet")).unwrap();
    yard.write("raw/date=2026-02-17/merged.parquet", &bytes);
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(|_, name| panic!("{name} is sent again"));
    yard.round_to(Box::new(odd)).unwrap();
    let mut odd = Odd::new(yard.place());
    odd.before_put = Box::new(|_, name| panic!("{name} is sent again"));
    assert_eq!(yard.round_to(Box::new(odd)).unwrap(), 0);
}

#[test]
fn a_large_file_comes_whole() {
    let yard = Yard::new();
    let bytes: Vec<u8> = (0..40_000_003_u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    yard.write("raw/date=2026-02-17/merged.parquet", &bytes);
    yard.round().unwrap();
    assert!(yard.there()["raw/date=2026-02-17/merged.parquet"] == bytes);
}

#[test]
fn what_is_remembered_survives_a_power_cut_at_every_byte() {
    let folder = tempfile::tempdir().unwrap();
    let copied = |bytes| Copied { name: None, bytes, modified_ns: 7, hash: u128::from(bytes) << 90, given_up: false };
    let mut manifest = Manifest::open(folder.path(), "file:///there").unwrap();
    let id = manifest.id().to_owned();
    manifest.note_copied("a", &copied(1)).unwrap();
    manifest.note_begun("b", Begun { name: "b".into(), modified_ns: 7, upload: Some("u".into()) }).unwrap();
    manifest.note_given_up("a").unwrap();
    manifest.note_copied("a", &Copied { name: Some("a-later-1".into()), ..copied(3) }).unwrap();
    let again = Manifest::open(folder.path(), "file:///there").unwrap();
    assert_eq!(again.files()["a"], Copied { name: Some("a-later-1".into()), ..copied(3) });
    assert!(again.uses("a") && again.uses("a-later-1") && !again.uses("b"));
    assert_eq!(again.begun()["b"].upload.as_deref(), Some("u"));
    let path = fs::read_dir(folder.path().join("copied")).unwrap().next().unwrap().unwrap().path();
    let text = fs::read(&path).unwrap();
    let header = text.iter().position(|byte| *byte == b'\n').unwrap() + 1;
    for (length, filled) in (header..=text.len()).flat_map(|length| [(length, false), (length, true)]) {
        let mut cut = text[..length].to_vec();
        if filled {
            cut.extend([0; 512]);
        }
        fs::write(&path, &cut).unwrap();
        let mut manifest = Manifest::open(folder.path(), "file:///there").unwrap();
        assert_eq!(manifest.id(), id);
        let whole = text[..length].iter().filter(|byte| **byte == b'\n').count() - 1;
        assert_eq!(manifest.begun().len(), usize::from(whole >= 2), "{length}");
        assert_eq!(manifest.files().contains_key("a"), whole >= 1, "{length}");
        manifest.note_copied("c", &copied(9)).unwrap();
        let again = Manifest::open(folder.path(), "file:///there").unwrap();
        assert_eq!(again.files()["c"], copied(9), "{length}");
        assert_eq!(again.files().len(), 1 + usize::from(whole >= 1), "{length}");
    }
}

#[test]
fn what_is_remembered_does_not_grow_without_bound() {
    let folder = tempfile::tempdir().unwrap();
    let copied = |bytes| Copied { name: None, bytes, modified_ns: 7, hash: 1, given_up: false };
    let mut manifest = Manifest::open(folder.path(), "file:///there").unwrap();
    manifest.note_copied("day", &copied(1)).unwrap();
    manifest.note_given_up("day").unwrap();
    manifest.note_copied("day", &Copied { name: Some("day-later-1".into()), ..copied(2) }).unwrap();
    manifest.note_copied("gone", &copied(1)).unwrap();
    manifest.note_given_up("gone").unwrap();
    manifest.note_begun("begun", Begun { name: "x".into(), modified_ns: 7, upload: None }).unwrap();
    (0..1_010).for_each(|bytes| manifest.note_copied("runs", &copied(bytes)).unwrap());
    let path = fs::read_dir(folder.path().join("copied")).unwrap().next().unwrap().unwrap().path();
    let before = fs::metadata(&path).unwrap().len();
    let mut again = Manifest::open(folder.path(), "file:///there").unwrap();
    let after = fs::metadata(&path).unwrap().len();
    assert!(after < before / 50, "{before} and {after}");
    let third = Manifest::open(folder.path(), "file:///there").unwrap();
    for manifest in [&again, &third] {
        assert_eq!(manifest.id(), third.id());
        assert_eq!(manifest.files()["runs"], copied(1_009));
        assert!(manifest.files()["gone"].given_up && !manifest.files()["day"].given_up);
        assert!(manifest.uses("day") && manifest.uses("day-later-1"));
        assert_eq!(manifest.begun().len(), 1);
    }
    again.note_removed("runs").unwrap();
    assert!(!Manifest::open(folder.path(), "file:///there").unwrap().files().contains_key("runs"));
}

#[test]
fn waits_differ_and_are_half_at_least() {
    let waits: Vec<Duration> = (0..50).map(|_| part_of(Duration::from_secs(60))).collect();
    assert!(waits.iter().all(|wait| (Duration::from_secs(30)..=Duration::from_secs(60)).contains(wait)));
    assert!(waits.iter().any(|wait| *wait != waits[0]));
}
