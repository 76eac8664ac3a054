use std::net::SocketAddr;
use std::time::Duration;

use super::fleet::{Fleet, OwnNames};
use super::gateway::{Afterwards, Class, DayEnd, JournalSettings, Pages, Retention, Source};
use super::*;

fn read(text: &str) -> Result<Configuration, Problems> {
    Configuration::from_text("yardtap.toml", text.to_owned(), Path::new("/etc/yardtap"))
}

/// What is told about a wrong text, as a person sees it.
fn told(text: &str) -> String {
    read(text).expect_err("it was taken for right").to_string()
}

fn defs() -> Definitions {
    Definitions::load(Path::new("signal-defs/velmora")).unwrap()
}

const WHOLE: &str = r#"
definitions = "defs"
store = "/var/lib/yardtap/store"

[[tap]]
name = "yard-1"
vehicle = "204"
  [[tap.bus]]
  bus = "traction"
  interface = "can0"
  [[tap.bus]]
  bus = "body"
  pipe = "/run/yardtap/body.pcapng"

[journal]
sync_every = "1s"
segment_size = "32MiB"

[inbox]
folder = "/srv/inbox"
afterwards = "move"
move_to = "/srv/filed"
quarantine = "/srv/quarantine"

[retention]
raw_days = 30
store_size = "200GB"
order = ["signals"]

[copy]
to = "file:///mnt/second"
every = "1h"

[pages]
listen = ""
morning = "morning"

[[message_to]]
name = "depot"
url = "http://depot.example:8080/events"
events = ["pole_offs"]

[fleet]
records = "records"
packs_a_year = 8
look_back = "18 months"
fewest = 10
[fleet.names]
pole_offs = "dewirements"
"#;

#[test]
fn what_is_written_is_what_is_used() {
    let used = read(WHOLE).unwrap_or_else(|problems| panic!("{problems}")).gateway;
    let tap = &used.taps[0];
    assert_eq!((tap.name.as_str(), tap.vehicle.as_deref()), ("yard-1", Some("204")));
    assert_eq!(tap.buses[0].source, Source::Interface("can0".into()));
    assert_eq!(tap.channels().get("body.pcapng").map(String::as_str), Some("body"));
    assert_eq!(used.journal.sync_every, Duration::from_secs(1));
    assert_eq!(used.journal.segment_bytes, 32 << 20);
    assert_eq!(used.journal.segment_time, JournalSettings::default().segment_time);
    let inbox = used.inbox.unwrap();
    assert_eq!(inbox.afterwards, Afterwards::Move("/srv/filed".into()));
    assert_eq!(used.retention.raw_days, Some(30));
    assert_eq!(used.retention.signals_days, None);
    assert_eq!(used.retention.store_bytes, Some(200_000_000_000));
    assert_eq!(used.retention.order, [Class::Signals]);
    assert_eq!(used.copy.unwrap().every, Duration::from_secs(3600));
    assert_eq!(used.pages.listen, None);
    assert_eq!(used.pages.morning.as_deref(), Some(Path::new("/etc/yardtap/morning")));
    assert_eq!(used.messages[0].events, ["pole_offs"]);
}

#[test]
fn what_is_written_for_the_fleet_is_what_is_used() {
    let used = read(WHOLE).unwrap().fleet;
    assert_eq!(used.records.as_deref(), Some(Path::new("/etc/yardtap/records")));
    assert_eq!((used.packs_a_year, used.years, used.look_back_months, used.fewest), (8, 3, 18, 10.0));
    assert_eq!(used.names, OwnNames { pole_offs: Some("dewirements".into()), ..OwnNames::default() });
}

#[test]
fn nothing_said_is_every_default() {
    assert_eq!(read("").unwrap().fleet, Fleet::default());
    let used = read("").unwrap().gateway;
    assert_eq!(used, Gateway::default());
    assert_eq!(used.pages.listen, Some(SocketAddr::from(([127, 0, 0, 1], 8750))));
}

#[test]
fn paths_are_relative_to_the_file() {
    let configuration = read(WHOLE).unwrap();
    assert_eq!(configuration.definitions.as_deref(), Some(Path::new("/etc/yardtap/defs")));
}

/// Each wrong text with what must be told of it.
#[test]
fn every_mistake_is_told_with_what_would_be_right() {
    let inbox = |rest: &str| format!("store = \"/s\"\n[inbox]\nfolder = \"/in\"\nquarantine = \"/q\"\n{rest}");
    let tap =
        |rest: &str| format!("[[tap]]\nname = \"a\"\n[[tap.bus]]\nbus = \"traction\"\ninterface = \"can0\"\n{rest}");
    let message = |url: &str| format!("[[message_to]]\nname = \"d\"\nurl = \"{url}\"\nevents = [\"x\"]\n");
    let cases: Vec<(String, &[&str])> = vec![
        ("zone = \"Europe/Velmora\"".into(), &["no time zone 'Europe/Velmora'", "yardtap.toml:1:8"]),
        ("day_starts = \"26:00\"".into(), &["no time of day", "04:00"]),
        ("vehicle_path = \"*\"".into(), &["where the vehicle stands", "{vehicle}/*"]),
        ("stor = \"/s\"".into(), &["unknown field `stor`", "`store`"]),
        ("[journal]\nsync_evry = \"1s\"".into(), &["unknown field `sync_evry`", "`sync_every`", "toml:2:1"]),
        ("[journal]\nsync_every = 1".into(), &["invalid type: integer", "text with their unit"]),
        ("[journal]\nsync_every = \"1\"".into(), &["'1' is no length of time", "number and a unit"]),
        ("[journal]\nsync_every = \"2s\"".into(), &["'2s' is too long", "\"20ms\" to \"1s\""]),
        ("[journal]\nsync_every = \"0s\"".into(), &["'0s' is no length of time above zero"]),
        ("[journal]\nsegment_size = \"64\"".into(), &["'64' is no size", "MiB"]),
        ("[journal]\nsegment_size = \"9TB\"".into(), &["'9TB' is too large", "4GiB"]),
        ("[journal]\nqueue_size = \"1kB\"".into(), &["'1kB' is too small"]),
        (tap("[[tap.bus]]\nbus = \"body\"\ninterface = \"can0\""), &["'can0' is recorded twice", "first here"]),
        (tap("[[tap.bus]]\nbus = \"traction\"\ninterface = \"can1\""), &["has bus 'traction' twice"]),
        (tap("[[tap]]\nname = \"a\"\n[[tap.bus]]\nbus=\"body\"\npipe=\"p\""), &["two taps are named 'a'"]),
        (tap("pipe = \"/run/p\""), &["from an interface and from a pipe"]),
        ("[[tap]]\nname = \"a\"\n[[tap.bus]]\nbus = \"t\"".into(), &["bus 't' comes from nowhere", "interface = "]),
        ("[[tap]]\nname = \"a\"".into(), &["tap 'a' has no bus", "[[tap.bus]]"]),
        ("[[tap]]\nbus = []".into(), &["missing field `name`"]),
        (
            "[[tap]]\nname = \"../etc\"\n[[tap.bus]]\nbus=\"b\"\ninterface=\"c\"".into(),
            &["cannot be the name of a tap"],
        ),
        ("[[tap]]\nname = \"a\"\n[[tap.bus]]\nbus=\"b\"\ninterface=\"averyverylongname\"".into(), &["15 bytes"]),
        ("[inbox]\nfolder = \"/in\"".into(), &["the inbox has no quarantine", "quarantine = "]),
        ("[inbox]\nquarantine = \"/q\"".into(), &["missing field `folder`"]),
        (inbox("afterwards = \"move\""), &["nothing says where", "move_to"]),
        (inbox("move_to = \"/m\""), &["not to be moved", "afterwards = "]),
        (inbox("afterwards = \"burn\""), &["unknown variant `burn`", "`delete`"]),
        (
            "store = \"/s\"\n[inbox]\nfolder = \"/s/in\"\nquarantine = \"/q\"".into(),
            &["the inbox lies inside the store"],
        ),
        (
            "store = \"/s/x/../in\"\n[inbox]\nfolder = \"/s\"\nquarantine = \"/q\"".into(),
            &["the store lies inside the inbox"],
        ),
        ("[inbox]\nfolder = \"/s\"\nquarantine = \"/s/bad\"".into(), &["the quarantine lies inside the inbox"]),
        (inbox("afterwards = \"move\"\nmove_to = \"/q\""), &["are the same folder"]),
        ("store = \"/s\"\n[copy]\nto = \"file:///s/copy\"".into(), &["the copy lies inside the store"]),
        ("[copy]\nto = \"ftp://x\"".into(), &["no place to copy to", "file:///FOLDER"]),
        ("[copy]\nto = \"file://here\"".into(), &["names no folder from the root"]),
        ("[copy]\nto = \"s3://\"".into(), &["names no bucket"]),
        ("[copy]\nto = \"file:///c\"\noptions = { secret_access_key = \"x\" }".into(), &["is a secret", "environment"]),
        (
            "[copy]\nto = \"file:///c\"\noptions = { region = \"x\" }".into(),
            &["a folder has no option `region`", "toml:3:22"],
        ),
        ("[retention]\nraw_days = -1".into(), &["-1 days cannot be kept", "leave the key out"]),
        ("[retention]\nsignals_days = 0".into(), &["0 days cannot be kept"]),
        ("[retention]\nkeep_free = \"1B\"".into(), &["'1B' is too small"]),
        ("[retention]\norder = []".into(), &["nothing may be given up"]),
        ("[retention]\norder = [\"raw\", \"raw\"]".into(), &["stands in the order twice"]),
        ("[retention]\norder = [\"summaries\"]".into(), &["unknown variant `summaries`", "`signals`"]),
        ("[day_end]\nafter = \"soon\"".into(), &["'soon' is no length of time"]),
        ("[pages]\nlisten = \"8750\"".into(), &["no address to listen on", "127.0.0.1:8750"]),
        ("[pages]\nnames = [\"http://gw/\"]".into(), &["is no host name", "the name alone"]),
        ("[pages]\nupdates_per_second = 60".into(), &["60 updates a second", "1 to 20"]),
        ("store = \"/s\"\n[pages]\nmorning = \"/s/morning\"".into(), &["the morning's pages lies inside the store"]),
        (message("depot"), &["URL"]),
        (message("ftp://depot/x"), &["no URL that can be posted to"]),
        (message("http://me:pw@depot/x"), &["holds a secret", "token_variable"]),
        ("[[message_to]]\nname=\"d\"\nurl=\"http://d/\"\nevents=[]".into(), &["told of nothing"]),
        (format!("{}token_variable = \"1 X\"", message("http://d/")), &["environment variable"]),
        ("[fleet]\npacks_a_year = -1".into(), &["-1 packs a year", "0 to 1000", "toml:2:16"]),
        ("[fleet]\nyears = 0".into(), &["0 years cannot be planned", "1 to 20"]),
        ("[fleet]\nworst = 0".into(), &["0 cannot be the worst"]),
        ("[fleet]\nlook_back = \"90 days\"".into(), &["'90 days' is no length of time", "18 months"]),
        ("[fleet]\nlook_back = 3".into(), &["invalid type: integer"]),
        ("[fleet]\nfewest = 1".into(), &["say nothing about one operator", "3 to 1000"]),
        ("[fleet]\nfewest = nan".into(), &["say nothing about one operator"]),
        ("[fleet]\noperators = \"yes\"".into(), &["invalid type: string", "toml:2:13"]),
        ("[fleet]\nrecord = \"r\"".into(), &["unknown field `record`", "`records`"]),
        ("store = \"/s\"\n[fleet]\nrecords = \"/s/records\"".into(), &["the records' folder lies inside the store"]),
        (
            "[fleet.names]\npole_offs = \"Pole Offs\"".into(),
            &["'Pole Offs' cannot be the name of a counter", "toml:2:13"],
        ),
        ("[fleet.names]\npole_of = \"x\"".into(), &["unknown field `pole_of`", "`pole_offs`"]),
        ("store = \"/s\nzone = 4".into(), &["yardtap.toml:1"]),
    ];
    for (text, parts) in cases {
        let told = told(&text);
        for part in parts {
            assert!(told.contains(part), "of\n{text}\n'{part}' is not told in\n{told}");
        }
    }
}

#[test]
fn all_mistakes_are_told_at_once() {
    let told = told(
        "stor = \"/s\"\nzone = \"Mars/Base\"\n[journal]\nsync_every = 5\nsegment_sise = \"1MB\"\nsegment_time = \"1x\"\n\
         [[tap]]\nname = \"a b\"\n[[tap.bus]]\nbs = \"x\"\n[retention]\nraw_days = -4\n[nonsense]\na = 1\n",
    );
    let parts = [
        "`stor`",
        "Mars/Base",
        "invalid type: integer `5`",
        "`segment_sise`",
        "'1x'",
        "'a b'",
        "`bs`",
        "-4 days",
        "`nonsense`",
    ];
    for part in parts {
        assert!(told.contains(part), "'{part}' is not told in\n{told}");
    }
}

#[test]
fn the_service_cannot_do_without_store_definitions_and_something_to_do() {
    let told = read("").unwrap().check_for_service().unwrap_err().to_string();
    for part in ["no definition set", "no store", "neither a tap nor an inbox"] {
        assert!(told.contains(part), "'{part}' is not told in\n{told}");
    }
    read(WHOLE).unwrap().check_for_service().unwrap();
}

#[test]
fn buses_and_counters_are_those_of_the_definition_set() {
    read(WHOLE).unwrap().check_against(&defs()).unwrap();
    let text =
        WHOLE.replace("bus = \"body\"", "bus = \"bodywork\"").replace("[\"pole_offs\"]", "[\"pole_of\", \"run_km\"]");
    let told = read(&text).unwrap().check_against(&defs()).unwrap_err().to_string();
    for part in
        ["has no bus 'bodywork'", "one of body, traction", "has no counter 'pole_of'", "pole_offs", "yardtap.toml:"]
    {
        assert!(told.contains(part), "'{part}' is not told in\n{told}");
    }
}

#[test]
fn a_whole_configuration_is_loaded_with_its_definitions() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yardtap.toml");
    let defs = std::path::absolute("signal-defs/velmora").unwrap();
    std::fs::write(&path, WHOLE.replace("\"defs\"", &format!("{:?}", defs.display().to_string()))).unwrap();
    let (configuration, defs) = Configuration::load_for_service(&path).unwrap();
    assert_eq!((configuration.gateway.taps.len(), defs.name.as_str()), (1, "velmora"));
    std::fs::write(&path, WHOLE).unwrap();
    let error = Configuration::load_for_service(&path).unwrap_err().to_string();
    assert!(error.contains("name the folder of a definition set"), "{error}");
}

/// The sample with every commented key put in force: lines such as `#key = value` and `#[table]`.
pub(super) fn sample_in_force() -> String {
    let text = std::fs::read_to_string("systemd/yardtap.toml").unwrap();
    let in_force = |line: &str| {
        let rest = line.trim_start().strip_prefix('#');
        match rest {
            Some(rest) if rest.starts_with(|c: char| c.is_ascii_lowercase() || c == '[') => rest.to_owned(),
            _ => line.to_owned(),
        }
    };
    text.lines().map(in_force).collect::<Vec<_>>().join("\n")
}

#[test]
fn the_sample_can_be_used_as_it_is() {
    let text = std::fs::read_to_string("systemd/yardtap.toml").unwrap();
    let configuration = read(&text).unwrap_or_else(|problems| panic!("{problems}"));
    configuration.check_for_service().unwrap_or_else(|problems| panic!("{problems}"));
    configuration.check_against(&defs()).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(configuration.fleet, Fleet::default());
    // What is not commented out beyond that is a default.
    let used = configuration.gateway;
    let plain = Gateway { inbox: used.inbox.clone(), ..Gateway::default() };
    assert_eq!(used, plain);
}

#[test]
fn every_default_in_the_sample_is_the_codes() {
    let configuration = read(&sample_in_force()).unwrap_or_else(|problems| panic!("{problems}"));
    configuration.check_against(&defs()).unwrap_or_else(|problems| panic!("{problems}"));
    let Fleet { records, names, .. } = configuration.fleet.clone();
    assert_eq!(configuration.fleet, Fleet { records, names, ..Fleet::default() });
    let used = configuration.gateway;
    assert_eq!(used.journal, JournalSettings::default());
    assert_eq!(used.day_end, DayEnd::default());
    let Retention { free_bytes, order, .. } = Retention::default();
    assert_eq!((used.retention.free_bytes, used.retention.order), (free_bytes, order));
    let Pages { listen, updates_per_second, .. } = Pages::default();
    assert_eq!((used.pages.listen, used.pages.updates_per_second), (listen, updates_per_second));
    assert_eq!(used.inbox.unwrap().settle, gateway::Inbox::SETTLE);
    assert_eq!(used.copy.unwrap().every, gateway::CopySettings::EVERY);
    assert_eq!((used.taps.len(), used.messages.len()), (1, 1));
}

#[test]
fn the_sample_has_every_key() {
    let table: toml::Table = sample_in_force().parse().unwrap();
    let schema = json_schema();
    let mut missing = Vec::new();
    look_for(&schema, &schema, &toml::Value::Table(table), "", &mut missing);
    assert!(missing.is_empty(), "the sample lacks {missing:?}");
}

/// Collects the schema's keys that a value does not have, all the way down.
fn look_for(
    schema: &serde_json::Value,
    part: &serde_json::Value,
    value: &toml::Value,
    place: &str,
    missing: &mut Vec<String>,
) {
    if let Some(name) = part.get("$ref").and_then(serde_json::Value::as_str) {
        let part = schema.pointer(name.trim_start_matches('#')).unwrap();
        return look_for(schema, part, value, place, missing);
    }
    for choice in part.get("anyOf").and_then(serde_json::Value::as_array).into_iter().flatten() {
        look_for(schema, choice, value, place, missing);
    }
    if let (Some(items), toml::Value::Array(values)) = (part.get("items"), value) {
        // One of several entries may show a key.
        let each = values.iter().map(|value| {
            let mut lacks = Vec::new();
            look_for(schema, items, value, place, &mut lacks);
            lacks
        });
        let common = each.reduce(|a, b| a.into_iter().filter(|key| b.contains(key)).collect());
        missing.extend(common.unwrap_or_else(|| vec![format!("{place} (empty)")]));
    }
    for (key, below) in part.get("properties").and_then(serde_json::Value::as_object).into_iter().flatten() {
        match value.get(key) {
            Some(value) => look_for(schema, below, value, &format!("{place}.{key}"), missing),
            None => missing.push(format!("{place}.{key}")),
        }
    }
}

#[test]
fn an_object_store_is_taken_where_this_program_can_copy_to_one() {
    let text = "[copy]\nto = \"s3://archive/depot-north\"\noptions = { endpoint = \"https://o.example\" }";
    if cfg!(feature = "cloud") {
        let used = read(text).unwrap_or_else(|problems| panic!("{problems}")).gateway.copy.unwrap();
        assert_eq!(used.options["endpoint"], "https://o.example");
        let told = told(&text.replace("endpoint", "endpiont"));
        assert!(told.contains("`endpiont` is no option of an object store"), "{told}");
    } else {
        let told = told(text);
        for part in ["built without object stores", "file:///FOLDER", "feature `cloud`"] {
            assert!(told.contains(part), "'{part}' is missing in\n{told}");
        }
    }
}
