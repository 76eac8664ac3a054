//! What the program promises to shells and scripts.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::Stdio;
use std::sync::OnceLock;

use super::support::*;

/// A store of some minutes, made once.
fn store() -> &'static str {
    static STORE: OnceLock<(tempfile::TempDir, String)> = OnceLock::new();
    let (_, path) = STORE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let capture = folder.path().join("a.pcapng.zst");
        write_capture(&capture, &CHANNELS, &some_minutes(3.0));
        let path = folder.path().join("store").to_str().unwrap().to_owned();
        std::fs::write(folder.path().join("yardtap.toml"), CONFIGURATION).unwrap();
        run(&["replay", capture.to_str().unwrap(), "--defs", "signal-defs/velmora", "--store", &path]).expect(0, &[]);
        (folder, path)
    });
    path
}

const COMMANDS: [&str; 12] = [
    "replay",
    "runs",
    "check",
    "explain",
    "census",
    "frames",
    "restore",
    "close",
    "simulate",
    "schema",
    "completions",
    "man-pages",
];

#[test]
fn exit_statuses_are_those_that_the_help_tells() {
    run(&["check", "signal-defs/velmora"]).expect(0, &[]);
    run(&["check", "no/such/folder"]).expect(1, &["no/such/folder: No such file or directory"]);
    run(&["check", "tests/bad/captures"]).expect(1, &["tests/bad/captures: no *.toml file in it"]);
    run(&["--no-such-option"]).expect(2, &["unexpected argument '--no-such-option'", "Usage: yardtap"]);
    run(&["replay"]).expect(2, &["<CAPTURES>"]);
    run(&["runs", "--store", "x", "--json", "--csv"]).expect(2, &["cannot be used with"]);
    run(&["runs", "--store", "x", "--day", "2026-13-01"]).expect(2, &["2026-13-01"]);
    run(&[]).expect(2, &["Usage: yardtap"]);
    let folder = tempfile::tempdir().unwrap();
    let cut = folder.path().join("cut.pcapng");
    write_capture(&cut, &CHANNELS, &some_minutes(0.2));
    let bytes = std::fs::read(&cut).unwrap();
    std::fs::write(&cut, &bytes[..bytes.len() - 5]).unwrap();
    let store = folder.path().join("store");
    run(&["replay", cut.to_str().unwrap(), "--defs", "signal-defs/velmora", "--store", store.to_str().unwrap()])
        .expect(3, &["cut.pcapng: cut off inside the record at byte ", "copy the file again for the rest"]);
    run(&["frames", cut.to_str().unwrap()]).expect(3, &["cut.pcapng: cut off inside the record"]);
}

#[test]
fn help_texts_tell_examples_and_exit_statuses() {
    let help = run(&["--help"]);
    help.expect(0, &[]);
    for part in ["Examples:", "yardtap replay demo-captures", "Exit status:", "isolation procedure"] {
        assert!(help.out.contains(part), "{part} is missing in\n{}", help.out);
    }
    for command in COMMANDS {
        let told = run(&[command, "--help"]);
        told.expect(0, &[]);
        assert!(told.out.contains(&format!("Usage: yardtap {command}")), "{}", told.out);
        assert!(help.out.contains(&format!("\n  {command} ")), "{command} is not listed");
    }
    for command in ["replay", "explain", "restore"] {
        assert!(run(&[command, "--help"]).out.contains(&format!("Examples:\n  yardtap {command} ")), "{command}");
    }
    assert_eq!(run(&["--version"]).out, format!("yardtap {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn json_is_an_object_a_line() {
    for table in ["runs", "events", "bus-health", "message-health"] {
        let told = run(&["runs", "--store", store(), "--table", table, "--json"]);
        told.expect(0, &[]);
        assert_eq!(told.err, "");
        let rows: Vec<serde_json::Value> = told.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        assert!(!rows.is_empty(), "{table}");
        assert!(rows.iter().all(|row| row["vehicle"] == "207" && row["service_day"] == "2026-02-17"), "{table}");
    }
    let runs = run(&["runs", "--store", store(), "--json"]);
    let run: serde_json::Value = serde_json::from_str(&runs.out).unwrap();
    assert_eq!(run["battery_timeouts"], 2);
}

/// RFC 4180, read by its own rules.
fn csv(text: &str) -> Vec<Vec<String>> {
    let mut rows = vec![vec![String::new()]];
    let mut quoted = false;
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        let row = rows.last_mut().unwrap();
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => row.last_mut().unwrap().push(letters.next().unwrap()),
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(String::new()),
            '\r' if !quoted => assert_eq!(letters.next(), Some('\n')),
            other => row.last_mut().unwrap().push(other),
        }
        if letter == '\r' && !quoted && letters.peek().is_some() {
            rows.push(vec![String::new()]);
        }
    }
    assert!(!quoted, "a quotation is open at the end");
    rows
}

#[test]
fn csv_has_a_heading_and_as_many_cells_in_each_row() {
    for table in ["runs", "events", "bus-health", "message-health"] {
        let told = run(&["runs", "--store", store(), "--table", table, "--csv"]);
        told.expect(0, &[]);
        let rows = csv(&told.out);
        assert!(rows.len() > 1, "{table}");
        assert!(rows.iter().all(|row| row.len() == rows[0].len()), "{table}");
        let vehicle = rows[0].iter().position(|name| name == "vehicle").unwrap();
        assert!(rows[1..].iter().all(|row| row[vehicle] == "207"), "{table}");
        let json = run(&["runs", "--store", store(), "--table", table, "--json"]);
        assert_eq!(json.out.lines().count(), rows.len() - 1, "{table}");
    }
}

#[test]
fn runs_are_picked_by_vehicle_and_day() {
    let lines = |arguments: &[&str]| {
        let arguments: Vec<&str> = ["runs", "--store", store(), "--json"].iter().chain(arguments).copied().collect();
        let told = run(&arguments);
        told.expect(0, &[]);
        told.out.lines().count()
    };
    assert_eq!(lines(&["--vehicle", "207", "--day", "2026-02-17"]), 1);
    assert_eq!(lines(&["--vehicle", "20"]), 0);
    assert_eq!(lines(&["--day", "2026-02-18"]), 0);
}

#[test]
fn a_store_without_runs_gives_json_and_csv_that_parse() {
    let folder = tempfile::tempdir().unwrap();
    drop(yardtap::store::Store::open(folder.path()).unwrap());
    let path = folder.path().to_str().unwrap();
    for shape in ["--json", "--csv"] {
        let told = run(&["runs", "--store", path, shape]);
        told.expect(0, &[]);
        assert_eq!(told.out, "", "{shape}");
    }
    let told = run(&["runs", "--store", path]);
    assert_eq!(told.out, "the store has no runs\n");
}

/// What a command says on standard error and how it ends when its reader goes away after `lines` lines.
fn left(arguments: &[&str], lines: usize) -> (Option<i32>, String) {
    let mut child = yardtap().args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut out = BufReader::with_capacity(64, child.stdout.take().unwrap());
    for _ in 0..lines {
        let mut line = Vec::new();
        assert!(out.read_until(b'\n', &mut line).unwrap() > 0);
    }
    drop(out);
    let mut err = String::new();
    child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
    (child.wait().unwrap().code(), err)
}

#[test]
fn a_reader_that_goes_away_is_no_fault() {
    let demo = "demo-captures/2026-02-17/305.pcapng.zst";
    let cases: [(&[&str], usize); 7] = [
        (&["frames", demo], 3),
        (&["runs", "--store", store(), "--table", "message-health", "--json"], 1),
        (&["runs", "--store", store(), "--csv"], 0),
        (&["runs", "--store", store()], 0),
        (&["completions", "bash"], 0),
        (&["schema"], 0),
        (&["check", "signal-defs/velmora"], 0),
    ];
    for (arguments, lines) in cases {
        assert_eq!(left(arguments, lines), (Some(0), String::new()), "{arguments:?}");
    }
}

#[test]
fn frames_are_printed_as_a_table_and_written_anew() {
    let folder = tempfile::tempdir().unwrap();
    let (one, other) = (folder.path().join("a.pcapng"), folder.path().join("b.pcapng.gz"));
    let frames = some_minutes(0.1);
    write_capture(&one, &CHANNELS, &frames);
    let printed = run(&["frames", one.to_str().unwrap()]);
    printed.expect(0, &[]);
    assert_eq!(printed.out.lines().count(), frames.len() + 1);
    assert!(printed.out.starts_with("time_us,channel,id,kind,"));
    run(&["frames", one.to_str().unwrap(), "--to", other.to_str().unwrap()]).expect(0, &[]);
    assert!(frames_in(&other) == frames);
}

#[test]
fn standard_input_is_printed_and_refused_where_it_would_be_read_twice() {
    let folder = tempfile::tempdir().unwrap();
    let (one, other) = (folder.path().join("a.pcapng"), folder.path().join("b.pcapng"));
    let frames = some_minutes(1.0);
    write_capture(&one, &CHANNELS, &frames);
    let input = std::fs::File::open(&one).unwrap();
    let told = told(yardtap().args(["frames", "-", "--to"]).arg(&other).stdin(input).output().unwrap());
    told.expect(1, &["standard input can be read once only", "save it to a file and name that"]);
    assert!(!other.exists());
    // Printing needs it once.
    let input = std::fs::File::open(&one).unwrap();
    let printed = super::support::told(yardtap().args(["frames", "-"]).stdin(input).output().unwrap());
    printed.expect(0, &[]);
    assert_eq!(printed.out.lines().count(), frames.len() + 1);
}

#[test]
fn a_capture_is_restored_by_its_name_and_a_span_by_its_vehicle() {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("again.pcapng.zst");
    let frames = some_minutes(3.0);
    run(&["restore", "--store", store(), "--capture", "a.pcapng.zst", "--to", to.to_str().unwrap()]).expect(0, &[]);
    assert!(frames_in(&to) == frames);
    let until = jiff::Timestamp::from_microsecond(frames[1000].time_us).unwrap().to_string();
    run(&["restore", "--store", store(), "--vehicle", "207", "--until", &until, "--to", to.to_str().unwrap()])
        .expect(0, &[]);
    let wanted = frames.iter().filter(|frame| frame.time_us <= frames[1000].time_us).count();
    assert_eq!(frames_in(&to).len(), wanted);
    run(&["restore", "--store", store(), "--capture", "zzz", "--to", "x"])
        .expect(1, &["no capture 'zzz' was filed here; `yardtap restore --list` shows what was"]);
    run(&["restore", "--store", store(), "--vehicle", "9", "--to", "x"])
        .expect(1, &["nothing of vehicle 9 was filed here"]);
    run(&["restore", "--store", store(), "--to", "x"]).expect(1, &["name --capture or --vehicle"]);
    assert!(!Path::new("x").exists());
}

#[test]
fn completions_and_manual_pages_are_there_for_every_command() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let told = run(&["completions", shell]);
        told.expect(0, &[]);
        for command in COMMANDS {
            assert!(told.out.contains(command), "{command} for {shell}");
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let pages = folder.path().join("man");
    run(&["man-pages", pages.to_str().unwrap()]).expect(0, &[]);
    let pages = snapshot(&pages);
    for command in COMMANDS {
        let page = &pages[&format!("yardtap-{command}.1")];
        assert!(String::from_utf8_lossy(page).contains(".SH SYNOPSIS"), "{command}");
    }
    assert!(String::from_utf8_lossy(&pages["yardtap.1"]).contains("yardtap"));
}

#[test]
fn the_schema_is_json_that_knows_the_parts_of_a_set() {
    let told = run(&["schema"]);
    told.expect(0, &[]);
    let schema: serde_json::Value = serde_json::from_str(&told.out).unwrap();
    for key in ["format", "bus", "message", "module", "run", "condition", "counter"] {
        assert!(schema["properties"][key].is_object(), "{key}");
    }
}

#[test]
fn away_from_a_terminal_there_is_no_progress_bar_and_no_colour() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("a.pcapng");
    write_capture(&capture, &CHANNELS, &some_minutes(1.0));
    std::fs::write(folder.path().join("b.pcap"), [0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0]).unwrap();
    let store = folder.path().join("store");
    let mut command = yardtap();
    command.env_remove("NO_COLOR").args(["-v", "replay"]).arg(folder.path());
    let output = command.args(["--defs", "signal-defs/velmora", "--store"]).arg(&store).output().unwrap();
    let told = told(output);
    told.expect(3, &["b.pcap: begins like pcap, but ends after 8 of the 24 bytes"]);
    for (name, text) in [("standard output", &told.out), ("standard error", &told.err)] {
        assert!(!text.contains(['\r', '\x1b']), "{name}: {text:?}");
    }
}
