//! Folders that are no store, stores that cannot be written, and configurations that are wrong.
//!
//! Tests that need a file system of their own are ignored by default and fail where they cannot have one:
//! `cargo test --test it -- --ignored places` as root.

use std::path::{Path, PathBuf};
use std::process::Command;

use yardtap::store::Store;

use super::support::*;

/// A folder with a capture, and a place for a store.
struct Scene {
    folder: tempfile::TempDir,
}

impl Scene {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        write_capture(&folder.path().join("a.pcapng"), &CHANNELS, &some_minutes(0.5));
        std::fs::write(folder.path().join("yardtap.toml"), CONFIGURATION).unwrap();
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn replay(&self, store: &Path) -> Told {
        let capture = self.path("a.pcapng");
        run(&["replay", text(&capture), "--defs", "signal-defs/velmora", "--store", text(store)])
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_folder_with_other_things_is_left_alone() {
    let scene = Scene::new();
    let store = scene.path("photos");
    std::fs::create_dir(&store).unwrap();
    std::fs::write(store.join("cat.jpg"), "meow").unwrap();
    let message = format!("{}: not empty, and no yardtap store; name an empty or new folder", store.display());
    scene.replay(&store).expect(1, &[&message]);
    assert_eq!(snapshot(&store).len(), 1);
}

#[test]
fn a_store_of_a_later_version_is_left_alone() {
    let scene = Scene::new();
    let store = scene.path("store");
    std::fs::create_dir(&store).unwrap();
    std::fs::write(store.join("store.json"), "{ \"format\": 2, \"more\": true }").unwrap();
    let parts = ["store format 2, this yardtap knows 1", "take the version that wrote it, or name another folder"];
    scene.replay(&store).expect(1, &parts);
    run(&["runs", "--store", text(&store)]).expect(1, &parts);
    run(&["close", "--store", text(&store)]).expect(1, &parts);
    assert_eq!(snapshot(&store).len(), 1);
}

#[test]
fn a_store_whose_label_is_damaged_says_which_file() {
    let scene = Scene::new();
    let store = scene.path("store");
    std::fs::create_dir(&store).unwrap();
    std::fs::write(store.join("store.json"), "{ \"for").unwrap();
    scene.replay(&store).expect(1, &["store.json: EOF while parsing", "move the file away"]);
}

#[test]
fn a_store_that_another_process_writes_to_is_busy() {
    let scene = Scene::new();
    let path = scene.path("store");
    let held = Store::open(&path).unwrap();
    scene.replay(&path).expect(1, &["another yardtap is writing to this store; wait for it, or stop it"]);
    run(&["close", "--store", text(&path)]).expect(1, &["another yardtap is writing"]);
    // Who reads needs no lock.
    run(&["runs", "--store", text(&path)]).expect(0, &[]);
    drop(held);
    scene.replay(&path).expect(0, &[]);
}

#[test]
fn where_no_store_is_reading_says_how_one_is_made() {
    let scene = Scene::new();
    let store = scene.path("store");
    for arguments in [&["runs", "--store"][..], &["close", "--store"], &["restore", "--list", "--store"]] {
        let arguments: Vec<&str> = arguments.iter().copied().chain([text(&store)]).collect();
        run(&arguments).expect(1, &["no yardtap store here; `yardtap replay CAPTURES --store", "makes one"]);
        assert!(!store.exists(), "{arguments:?} makes nothing");
    }
}

#[test]
fn a_file_where_the_store_is_to_be_is_named() {
    let scene = Scene::new();
    let capture = scene.path("a.pcapng");
    scene.replay(&capture).expect(1, &[&format!("{}: creating the store: ", capture.display())]);
}

#[test]
fn a_damaged_record_and_a_damaged_table_are_named_with_what_to_do() {
    let scene = Scene::new();
    let store = scene.path("store");
    scene.replay(&store).expect(0, &[]);
    let runs = snapshot(&store.join("bus_health")).into_keys().next().unwrap();
    std::fs::write(store.join("bus_health").join(&runs), "PAR1 no more").unwrap();
    run(&["runs", "--table", "bus-health", "--store", text(&store)])
        .expect(1, &[&runs, "if the file is damaged, move it out of the store and file its captures again"]);
    let record = snapshot(&store.join("filed")).into_keys().find(|name| name.ends_with(".json")).unwrap();
    std::fs::write(store.join("filed").join(&record), "{").unwrap();
    run(&["restore", "--list", "--store", text(&store)]).expect(1, &[&record, "move the file away"]);
}

#[test]
fn tables_whose_definitions_are_gone_say_where_those_belong() {
    let scene = Scene::new();
    let store = scene.path("store");
    scene.replay(&store).expect(0, &[]);
    std::fs::remove_dir_all(store.join("definitions").join(&velmora().hash)).unwrap();
    let to = scene.path("again.pcapng");
    run(&["restore", "--store", text(&store), "--capture", "a.pcapng", "--to", text(&to)])
        .expect(1, &[&velmora().hash, "not under definitions/ in the store; put it back there"]);
}

#[test]
fn an_empty_folder_and_a_path_to_nowhere_are_named() {
    let scene = Scene::new();
    let (empty, store) = (scene.path("empty"), scene.path("store"));
    std::fs::create_dir(&empty).unwrap();
    run(&["replay", text(&empty), "--defs", "signal-defs/velmora", "--store", text(&store)])
        .expect(1, &[&format!("no capture found in {}", empty.display()), "known by their content"]);
    let nowhere = scene.path("nowhere");
    run(&["replay", text(&nowhere), "--defs", "signal-defs/velmora", "--store", text(&store)])
        .expect(1, &[&format!("{}: cannot be searched for captures", nowhere.display()), "check that it exists"]);
}

#[test]
fn a_pipe_and_a_link_in_a_circle_are_passed_over() {
    let scene = Scene::new();
    let inbox = scene.path("inbox");
    std::fs::create_dir(&inbox).unwrap();
    std::os::unix::fs::symlink(&inbox, inbox.join("round")).unwrap();
    std::fs::copy(scene.path("a.pcapng"), inbox.join("a.pcapng")).unwrap();
    assert!(Command::new("mkfifo").arg(inbox.join("pipe")).status().unwrap().success());
    let store = scene.path("store");
    run(&["-v", "replay", text(&inbox), "--defs", "signal-defs/velmora", "--store", text(&store)])
        .expect(0, &["round: is a link to a folder; name the folder itself", "pipe: is neither file nor folder"]);
}

#[test]
fn a_configuration_that_is_wrong_is_shown_in_its_place() {
    let scene = Scene::new();
    let configuration = scene.path("yardtap.toml");
    for (content, parts) in [
        ("stor = \"x\"\n", &["unknown field `stor`", "yardtap.toml:1:1", "1 problem"][..]),
        (
            "zone = \"Europe/Velmora\"\nday_starts = \"25:00\"\n",
            &["no time zone 'Europe/Velmora' is known", "yardtap.toml:2:14", "2 problems"],
        ),
        ("vehicle_path = \"*\"\n", &["does not say where the vehicle stands", "one {vehicle} among fixed text"]),
        ("definitions = \"nowhere\"\n", &["nowhere: No such file or directory", "name the folder of a definition set"]),
        ("zone = \n", &["yardtap.toml:1:"]),
    ] {
        std::fs::write(&configuration, content).unwrap();
        let told = run(&["replay", text(&scene.path("a.pcapng")), "--store", text(&scene.path("store"))]);
        told.expect(1, parts);
        assert!(!scene.path("store").exists(), "nothing is made before all is understood");
    }
    std::fs::write(&configuration, b"zone = \"\xFF\"\n").unwrap();
    run(&["replay", text(&scene.path("a.pcapng"))]).expect(1, &["yardtap.toml: stream did not contain valid UTF-8"]);
    std::fs::remove_file(&configuration).unwrap();
    run(&["replay", text(&scene.path("a.pcapng"))]).expect(1, &["no definition set is named; use --defs FOLDER"]);
    run(&["replay", text(&scene.path("a.pcapng")), "--config", text(&configuration)])
        .expect(1, &["yardtap.toml: No such file or directory", "name a configuration file with --config"]);
}

#[test]
fn an_overhead_file_that_is_wrong_is_named() {
    let scene = Scene::new();
    let defs = Path::new("signal-defs/velmora").canonicalize().unwrap();
    let content = format!("definitions = \"{}\"\noverhead = \"overhead.geojson\"\n", defs.display());
    std::fs::write(scene.path("yardtap.toml"), content).unwrap();
    let replay = || run(&["replay", text(&scene.path("a.pcapng")), "--store", text(&scene.path("store"))]);
    replay().expect(1, &["overhead.geojson: No such file", "the configuration names it as `overhead`"]);
    std::fs::write(scene.path("overhead.geojson"), "[]").unwrap();
    replay().expect(1, &["overhead.geojson: no list `features`", "a FeatureCollection of GeoJSON (RFC 7946)"]);
}

/// A file system mounted on a folder, taken away when the test is over.
struct Mount(PathBuf);

impl Mount {
    fn new(arguments: &[&str], at: &Path) -> Self {
        let status = Command::new("mount").args(arguments).arg(at).status();
        assert!(status.is_ok_and(|status| status.success()), "this test must be able to mount: run it as root");
        Self(at.to_owned())
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let status = Command::new("umount").arg(&self.0).status();
        assert!(status.is_ok_and(|status| status.success()) || std::thread::panicking());
    }
}

#[test]
#[ignore = "needs root, to mount a small file system"]
fn a_full_disk_is_named_and_what_was_filed_before_is_untouched() {
    let scene = Scene::new();
    let disk = scene.path("disk");
    std::fs::create_dir(&disk).unwrap();
    let _mount = Mount::new(&["-t", "tmpfs", "-o", "size=3m", "tmpfs"], &disk);
    let store = disk.join("store");
    scene.replay(&store).expect(0, &[]);
    let before = snapshot(&store);
    write_capture(&scene.path("a.pcapng"), &CHANNELS, demo_207());
    let parts = ["No space left on device", "make room and file the capture again; what was filed before is untouched"];
    let full = scene.replay(&store);
    full.expect(1, &parts);
    assert!(full.err.contains("filing ") && full.err.contains("a.pcapng"), "{}", full.err);
    let mut after = snapshot(&store);
    after.retain(|name, _| !name.starts_with("incoming/") && !name.ends_with(".passing"));
    assert_eq!(difference(&before, &after), None);
    // With room again, it goes on.
    assert!(Command::new("mount").args(["-o", "remount,size=100m"]).arg(&disk).status().unwrap().success());
    scene.replay(&store).expect(0, &[]);
    let room = scene.path("room");
    write_capture(&scene.path("first.pcapng"), &CHANNELS, &some_minutes(0.5));
    run(&["replay", text(&scene.path("first.pcapng")), "--defs", "signal-defs/velmora", "--store", text(&room)])
        .expect(0, &[]);
    scene.replay(&room).expect(0, &[]);
    assert_same_rows(&room, &store, "once there was room");
}

#[test]
#[ignore = "needs root, to mount a folder read-only"]
fn a_read_only_store_is_read_and_not_written() {
    let scene = Scene::new();
    let store = scene.path("store");
    scene.replay(&store).expect(0, &[]);
    write_capture(&scene.path("a.pcapng"), &CHANNELS, &some_minutes(1.0));
    let _mount = Mount::new(&["--bind", text(&store)], &store);
    assert!(Command::new("mount").args(["-o", "remount,ro,bind"]).arg(&store).status().unwrap().success());
    scene.replay(&store).expect(1, &["Read-only file system", "remount it, or name another store"]);
    run(&["runs", "--store", text(&store)]).expect(0, &[]);
    run(&["restore", "--list", "--store", text(&store)]).expect(0, &[]);
}

#[test]
#[ignore = "needs root, to become a user who may not write"]
fn a_store_that_this_user_may_not_write_to_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let scene = Scene::new();
    let mode = |path: &Path, mode| std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    mode(scene.folder.path(), 0o755);
    mode(&scene.path("a.pcapng"), 0o644);
    let locked = scene.path("locked");
    std::fs::create_dir(&locked).unwrap();
    // A program in a folder that everybody may enter.
    let program = scene.path("yardtap");
    std::fs::copy(env!("CARGO_BIN_EXE_yardtap"), &program).unwrap();
    copy_files(Path::new("signal-defs/velmora"), &scene.path("defs"));
    let as_nobody = |arguments: &[&str]| {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(&program).args(arguments);
        told(command.env("NO_COLOR", "1").output().expect("setpriv is there"))
    };
    let store = locked.join("store");
    let (capture, defs) = (scene.path("a.pcapng"), scene.path("defs"));
    as_nobody(&["replay", text(&capture), "--defs", text(&defs), "--store", text(&store)])
        .expect(1, &["Permission denied", "let this user write there, or name another store"]);
    mode(&capture, 0o600);
    let open = scene.path("open");
    std::fs::create_dir(&open).unwrap();
    mode(&open, 0o777);
    as_nobody(&["replay", text(&capture), "--defs", text(&defs), "--store", text(&open)])
        .expect(1, &["a.pcapng: cannot be opened: Permission denied", "check that it exists and may be read"]);
}

fn copy_files(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for (name, bytes) in snapshot(from) {
        std::fs::write(to.join(name), bytes).unwrap();
    }
}
