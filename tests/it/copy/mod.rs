//! Closed days at a second place: a folder that is a store of its own, and an object store that misbehaves.

mod server;

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use yardtap::filing::restore::restore_capture;
use yardtap::gateway::copy::{self, Copying};
use yardtap::gateway::status::{Status, Stop};
use yardtap::settings::gateway::CopySettings;
use yardtap::store::Store;

use self::server::{Mood, Server};
use super::support::*;

type Files = BTreeMap<String, Vec<u8>>;

/// So long is waited for what must come; long enough for any machine.
const PATIENCE: Duration = Duration::from_secs(240);
/// Larger than two parts of an upload.
const LARGE: &str = "raw/date=2026-02-16/merged.parquet";

/// A store with closed days, one of them large.
fn closed_yard() -> Yard {
    let yard = Yard::new();
    yard.file("a.pcapng", &some_minutes(1.0));
    yard.close();
    yard.store().pack_records(i64::MAX).unwrap();
    let mut dice = Dice::new(7);
    let large: Vec<u8> = (0..(18 << 20) / 8 + 3).flat_map(|_| dice.word().to_le_bytes()).collect();
    let path = yard.root().join(LARGE);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, large).unwrap();
    yard
}

/// What of a store is to be at the second place.
fn wanted(root: &Path) -> Files {
    let mut files = snapshot(root);
    files.retain(|name, _| !name.starts_with("copied/"));
    files
}

fn at_the_server(server: &Server) -> Files {
    let objects = &server.state().objects;
    let below = objects.iter().map(|(path, bytes)| (path.strip_prefix("/archive/depot north/").unwrap(), bytes));
    below
        .filter(|(name, _)| *name != "copied-from.json")
        .map(|(name, bytes)| (name.to_owned(), bytes.clone()))
        .collect()
}

/// A copier at work.
struct AtWork {
    status: Arc<Status>,
    stop: Arc<Stop>,
    thread: Option<JoinHandle<()>>,
}

impl AtWork {
    fn start(yard: &Yard, to: &str, options: &[(&str, &str)]) -> Self {
        let options = options.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
        let settings = CopySettings { to: to.to_owned(), options, every: Duration::from_millis(200) };
        let (status, stop) = (Arc::new(Status::default()), Arc::new(Stop::default()));
        let copying = Copying { store: yard.root(), settings, status: Arc::clone(&status), stop: Arc::clone(&stop) };
        Self { thread: Some(copy::start(copying).unwrap()), status, stop }
    }

    fn to_server(yard: &Yard, server: &Server) -> Self {
        let endpoint = server.endpoint();
        let options = [("endpoint", endpoint.as_str()), ("region", "depot"), ("skip_signature", "true")];
        Self::start(yard, "s3://archive/depot north", &options)
    }

    fn trouble(&self) -> String {
        self.status.troubles().into_iter().map(|(cause, text)| format!("{cause}: {text}")).collect()
    }

    fn end(mut self) {
        self.stop.set();
        self.thread.take().unwrap().join().unwrap();
    }
}

#[track_caller]
fn until(what: &str, mut is: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is() {
        assert!(began.elapsed() < PATIENCE, "{what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_copy_in_a_folder_is_a_store_from_which_captures_are_restored() {
    let yard = closed_yard();
    let there = yard.folder.path().join("there");
    std::fs::create_dir(&there).unwrap();
    let copier = AtWork::start(&yard, &format!("file://{}", there.display()), &[]);
    let copied = || {
        let mut files = snapshot(&there);
        files.remove("copied-from.json");
        files
    };
    until("all is copied", || copied().len() == wanted(&yard.root()).len());
    until("none waits", || copier.status.keeper.copy_waiting.load(Ordering::Relaxed) == 0);
    copier.end();
    assert_eq!(difference(&wanted(&yard.root()), &copied()), None);
    std::fs::remove_file(there.join(LARGE)).unwrap();
    let copy = Store::open_to_read(&there).unwrap();
    let records = copy.filed().unwrap();
    let record = records.values().next().unwrap();
    assert!(restore_capture(&copy, record, &mut |_| Ok(())).unwrap().exact);
}

#[test]
fn an_object_store_that_fails_or_cuts_every_third_time_or_is_slow_has_all_in_the_end() {
    let yard = closed_yard();
    for mood in [Mood::FailsEveryThird, Mood::CutsEveryThird, Mood::Slow] {
        std::fs::remove_dir_all(yard.root().join("copied")).unwrap_or_default();
        let server = Server::start();
        server.state().mood = mood;
        let copier = AtWork::to_server(&yard, &server);
        until(&format!("{mood:?}: all is copied"), || {
            copier.status.keeper.copied_files.load(Ordering::Relaxed) >= wanted(&yard.root()).len() as u64
        });
        until(&format!("{mood:?}: it settles"), || copier.trouble().is_empty());
        copier.end();
        assert_eq!(difference(&wanted(&yard.root()), &at_the_server(&server)), None, "{mood:?}");
        let state = server.state();
        assert!(state.count("uploadId") >= 4, "the large file goes in parts");
        assert!(state.body_max <= 8 << 20, "{} bytes at once", state.body_max);
        // An end whose answer was cut off is asked for again, of an upload that is no more.
        assert!(mood == Mood::CutsEveryThird || state.uploads.is_empty(), "{:?}", state.uploads.keys());
    }
}

#[test]
fn what_an_object_store_spoils_does_not_count_as_copied() {
    let yard = closed_yard();
    let server = Server::start();
    server.state().mood = Mood::Spoils;
    let copier = AtWork::to_server(&yard, &server);
    // The very first thing is whose the place is: that, too, is found not to be so.
    until("it is told", || copier.trouble().contains("copied-from.json"));
    assert_eq!(copier.status.keeper.copied_files.load(Ordering::Relaxed), 0);
    server.state().mood = Mood::Well;
    until("the first is copied", || copier.status.keeper.copied_files.load(Ordering::Relaxed) > 0);
    copier.end();
    server.state().mood = Mood::Spoils;
    let extra = yard.root().join("raw/date=2026-02-18/merged.parquet");
    std::fs::create_dir_all(extra.parent().unwrap()).unwrap();
    std::fs::write(&extra, b"raw frames of another day").unwrap();
    let copier = AtWork::to_server(&yard, &server);
    until("it is told", || copier.trouble().contains("was read back and is not what was written"));
    server.state().mood = Mood::Well;
    until("it is copied well", || difference(&wanted(&yard.root()), &at_the_server(&server)).is_none());
    copier.end();
}

#[test]
fn one_that_refuses_is_told_and_one_that_hangs_holds_no_end_up() {
    let yard = closed_yard();
    let server = Server::start();
    server.state().mood = Mood::Refuses;
    let copier = AtWork::to_server(&yard, &server);
    until("it is told", || copier.trouble().contains("copying to s3://archive/depot north"));
    assert!(copier.trouble().contains("it goes on trying"), "{}", copier.trouble());
    copier.end();
    server.state().mood = Mood::Hangs;
    let copier = AtWork::to_server(&yard, &server);
    until("it is asked", || server.state().heard > 1);
    // It would answer in ten minutes.
    copier.end();
}

#[test]
fn without_a_key_no_one_is_asked() {
    let yard = closed_yard();
    let server = Server::start();
    let endpoint = server.endpoint();
    let copier = AtWork::start(&yard, "s3://archive/depot", &[("endpoint", endpoint.as_str())]);
    until("it is told", || copier.trouble().contains("AWS_ACCESS_KEY_ID"));
    copier.end();
    assert_eq!(server.state().heard, 0);
}

/// The service, which copies to a server.
fn service(yard: &Yard, server: &Server) -> Child {
    let config = yard.folder.path().join("yardtap.toml");
    let text = format!(
        "definitions = {:?}\nstore = {:?}\n[pages]\nlisten = \"\"\n[copy]\nto = \"s3://archive/depot north\"\n\
         every = \"10s\"\n[[tap]]\nname = \"lead\"\n[[tap.bus]]\nbus = \"traction\"\npipe = \"nobody\"\n[copy.options]\nendpoint = \"{}\"\nregion = \"depot\"\n",
        std::fs::canonicalize("signal-defs/velmora").unwrap(),
        yard.root(),
        server.endpoint(),
    );
    std::fs::write(&config, text).unwrap();
    let mut command = yardtap();
    command.args(["gateway", "--config"]).arg(&config).env("AWS_ACCESS_KEY_ID", "YARDKEY");
    command.env("AWS_SECRET_ACCESS_KEY", "not-told").stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
}

#[test]
fn a_service_that_is_killed_goes_on_and_sends_nothing_twice_that_it_knew() {
    let mut yard = closed_yard();
    yard.leave();
    let server = Server::start();
    server.state().mood = Mood::Slow;
    let mut kills = 0;
    for objects in [2, 6, 12] {
        let mut child = service(&yard, &server);
        until("some come there", || server.state().objects.len() >= objects);
        child.kill().unwrap();
        child.wait().unwrap();
        kills += 1;
    }
    // And once amid the upload of several parts.
    server.state().objects.remove(&format!("/archive/depot north/{LARGE}"));
    server.state().uploads.clear();
    forget(&yard, LARGE);
    let mut child = service(&yard, &server);
    until("a part comes there", || server.state().uploads.values().any(|parts| !parts.is_empty()));
    child.kill().unwrap();
    child.wait().unwrap();
    kills += 1;
    server.state().mood = Mood::Well;
    let child = service(&yard, &server);
    until("all is there", || difference(&wanted(&yard.root()), &at_the_server(&server)).is_none());
    until("no upload is left over", || server.state().uploads.is_empty());
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGTERM).unwrap();
    let told = told(child.wait_with_output().unwrap());
    told.expect(0, &[]);
    assert!(!told.err.contains("not-told"), "{}", told.err);
    let state = server.state();
    assert!(state.authorization.starts_with("AWS4-HMAC-SHA256 Credential=YARDKEY/"), "{}", state.authorization);
    let whole = state.requests.iter().filter(|request| request.starts_with("PUT") && !request.contains("uploadId"));
    let most = wanted(&yard.root()).len() + kills + 1;
    assert!(whole.clone().count() <= most, "{} files sent, of {most}", whole.count());
}

/// Takes a file out of what is remembered.
fn forget(yard: &Yard, path: &str) {
    let manifest = std::fs::read_dir(yard.root().join("copied")).unwrap().next().unwrap().unwrap().path();
    let text = std::fs::read_to_string(&manifest).unwrap();
    let kept: String = text.split_inclusive('\n').filter(|line| !line.contains(path)).collect();
    std::fs::write(&manifest, kept).unwrap();
}
