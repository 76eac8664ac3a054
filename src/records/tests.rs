use std::fs;
use std::path::Path;

use jiff::civil::{date, datetime};
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::*;

mod round_trip;

const LIMITS: &str = "
[[channel]]
name = \"link-3\"
unit = \"uW\"
decibels = true
new = 120
suspect = 60
recheck = 40
marginal = 20
every_days = 180

[[channel]]
name = \"insulation-minus\"
unit = \"kOhm\"
worse = \"lower\"
recheck = 500
kinds = [\"articulated\"]
";

fn vienna() -> TimeZone {
    TimeZone::get("Europe/Vienna").unwrap()
}

fn read(files: &[(&str, &[u8])]) -> (Records, Vec<Problem>) {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        fs::write(folder.path().join(name), bytes).unwrap();
    }
    load(folder.path(), &vienna(), date(2026, 12, 31)).unwrap()
}

fn read_text(files: &[(&str, &str)]) -> (Records, Vec<Problem>) {
    let files: Vec<(&str, &[u8])> = files.iter().map(|(name, text)| (*name, text.as_bytes())).collect();
    read(&files)
}

fn told(problems: &[Problem]) -> String {
    let grade = |problem: &Problem| if problem.grade == Grade::LeftOut { "left out" } else { "warning" };
    problems.iter().map(|problem| format!("{}: {problem}\n", grade(problem))).collect()
}

/// What is told of one file, each part in one line.
#[track_caller]
fn expect(files: &[(&str, &str)], lines: &[&[&str]]) -> Records {
    let (records, problems) = read_text(files);
    let told = told(&problems);
    assert_eq!(problems.len(), lines.len(), "{told}");
    for parts in lines {
        assert!(
            told.lines().any(|line| parts.iter().all(|part| line.contains(part))),
            "{parts:?} is not told in\n{told}"
        );
    }
    records
}

#[test]
fn a_folder_without_files_is_empty_and_one_that_is_missing_is_an_error() {
    let (records, problems) = read(&[]);
    assert_eq!(records, Records::default());
    assert!(problems.is_empty());
    let error = load(Path::new("/nowhere/at-all"), &TimeZone::UTC, date(2026, 1, 1)).unwrap_err().to_string();
    assert!(error.contains("/nowhere/at-all") && error.contains("records templates"), "{error}");
}

/// One table in every dress that spreadsheets put it in.
#[test]
fn the_same_table_is_read_in_every_dress() {
    let plain =
        "pack,vehicle,fitted,removed,thickness note\nP-1,204,2024-05-14,2025-12-01,\"a, b\"\nP-2,204,2025-12-01,,\n";
    let expected = expect(&[("packs.csv", plain)], &[]);
    assert_eq!(expected.packs.len(), 2);
    assert_eq!(expected.packs[0].removed, Some(date(2025, 12, 1)));
    assert_eq!(expected.packs[0].more["thickness note"], "a, b");
    let dressed: Vec<Vec<u8>> = vec![
        plain.replace('\n', "\r\n").into_bytes(),
        plain.replace('\n', "\r").into_bytes(),
        [b"\xEF\xBB\xBF", plain.as_bytes()].concat(),
        [b"\xFF\xFE".to_vec(), plain.encode_utf16().flat_map(u16::to_le_bytes).collect()].concat(),
        [b"\xFE\xFF".to_vec(), plain.encode_utf16().flat_map(u16::to_be_bytes).collect()].concat(),
        b"Vehicle; PACK ;Removed; Fitted ;thickness note\n204;P-1;1.12.2025;14.5.2024;a, b\n204;P-2;;1.12.2025;\n".to_vec(),
        b"sep=\t\nvehicle\tpart\tremoved\tfitted\tthickness note\r\n204\tP-1\t01/12/2025\t14/05/2024\ta, b\r\n\r\n\t\t\t\t\r\n204\tP-2\t\t01/12/2025\t\r\n".to_vec(),
    ];
    for bytes in dressed {
        let (records, problems) = read(&[("packs.csv", &bytes)]);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        if text.contains("01/12/2025\t14") {
            // Nothing in the column `removed` tells which is the month.
            assert!(
                told(&problems)
                    .contains("row 2, column C (removed): '01/12/2025' is day 1 of month 12, or day 12 of month 1"),
                "{}",
                told(&problems)
            );
            continue;
        }
        assert!(problems.is_empty(), "{text:?}: {}", told(&problems));
        assert_eq!(records, expected, "{text:?}");
    }
}

#[test]
fn a_file_that_is_no_text_is_refused_with_its_remedy_and_the_others_are_read() {
    let (records, problems) = read(&[
        ("packs.csv", b"pack;vehicle;fitted\nP-1;204;2024-05-14\nP-\xE4;205;2024-05-14\n"),
        ("vehicles.csv", b"vehicle\n204\n"),
        ("heads.csv", b"PK\x03\x04 and so on"),
    ]);
    let told = told(&problems);
    assert!(told.contains("left out: packs.csv, line 3: not UTF-8: byte 3 of this line is 0xE4"), "{told}");
    assert!(
        told.contains("heads.csv: this is a packed file, such as a workbook") && told.contains("CSV UTF-8"),
        "{told}"
    );
    assert_eq!((records.vehicles.len(), records.packs.len()), (1, 0));
}

#[test]
fn a_heading_that_lacks_a_column_is_told_with_those_that_it_has() {
    expect(
        &[("packs.csv", "\nnumber;bus;fitted\nP-1;204;2024-05-14\n")],
        &[&["left out: packs.csv, row 2: the heading has no column 'pack', 'vehicle'; it has: number, bus, fitted"]],
    );
    let records = expect(
        &[("vehicles.csv", "vehicle,kind,vehicle,,Kilometres\n204,a,9,x,5\n")],
        &[&["column C (vehicle): column 'vehicle' is there twice"]],
    );
    assert_eq!(records.vehicles[0].vehicle, "204");
    assert_eq!(records.vehicles[0].more.get("column D").map(String::as_str), Some("x"));
    assert_eq!(records.vehicles[0].more.get("Kilometres").map(String::as_str), Some("5"));
}

#[test]
fn what_is_wrong_with_a_fitting_is_told_by_row_and_column() {
    let rows = "pack,vehicle,fitted,removed,km\n\
        P-1,201,2024-05-14,2023-05-14,\n\
        P-2,202,,,\n\
        P-3,,2024-05-14,,\n\
        P-4,204,soon,,\n\
        P-5,205,2024-05-14,,-12\n\
        P-5,205,2024-05-14,,-12\n\
        P-6,206,2027-05-14,,\n\
        P-7,207,2024-05-14,,,12\n";
    let records = expect(
        &[("packs.csv", rows)],
        &[
            &[
                "left out: packs.csv, row 2, column D (removed): it was removed before it was fitted",
                "'fitted' is 2024-05-14 and 'removed' 2023-05-14",
            ],
            &["left out: packs.csv, row 3, column C (fitted): nothing stands in 'fitted'", "2024-05-14"],
            &["left out: packs.csv, row 4, column B (vehicle): nothing stands in 'vehicle'"],
            &["left out: packs.csv, row 5, column C (fitted): 'soon' is no day", "2026-02-10"],
            &["warning: packs.csv, row 6", "'-12' in 'km' is a distance below zero"],
            &["warning: packs.csv, row 7", "'-12' in 'km' is a distance below zero"],
            &["left out: packs.csv, row 7: this row says what row 6 says"],
            &["warning: packs.csv, row 8, column C (fitted): 2027-05-14 is still to come"],
            &["left out: packs.csv, row 9: this row has 6 cells, and the heading 5"],
        ],
    );
    let kept: Vec<&str> = records.packs.iter().map(|pack| pack.part.as_str()).collect();
    assert_eq!(kept, ["P-5", "P-6"]);
}

#[test]
fn two_packs_at_once_and_a_pack_in_two_vehicles_are_told() {
    let rows = "pack,vehicle,fitted,removed\n\
        P-1,201,2023-01-01,\n\
        P-2,201,2024-01-01,2025-01-01\n\
        P-3,201,2024-06-01,\n\
        P-4,202,2023-01-01,\n\
        P-4,203,2023-06-01,\n\
        P-5,204,2023-01-01,2024-01-01\n\
        P-5,205,2023-06-01,\n\
        P-6,206,2023-01-01,2024-01-01\n\
        P-7,206,2024-01-01,\n\
        P-8,207,2023-01-01,\n\
        P-9,207,2023-01-01,\n";
    let records = expect(
        &[("packs.csv", rows)],
        &[
            &[
                "warning: packs.csv, row 2, column removed: vehicle 201: pack 'P-1' has no day of removal, and row 3 follows on 2024-01-01",
            ],
            &[
                "left out: packs.csv, row 4, column fitted: two at once: vehicle 201: pack 'P-2'",
                "until 2025-01-01 by row 3",
                "'P-3'",
            ],
            &["warning: packs.csv, row 5, column removed: pack 'P-4', which was in vehicle 202"],
            &[
                "left out: packs.csv, row 8, column fitted: two at once: pack 'P-5', which was in vehicle 204",
                "vehicle 205",
            ],
            &["left out: packs.csv, row 12, column fitted: two at once: vehicle 207: pack 'P-8'", "'P-9'"],
        ],
    );
    let seen: Vec<(&str, &str, Option<Date>)> =
        records.packs.iter().map(|p| (p.vehicle.as_str(), p.part.as_str(), p.removed)).collect();
    assert_eq!(
        seen,
        [
            ("201", "P-1", Some(date(2024, 1, 1))),
            ("201", "P-2", Some(date(2025, 1, 1))),
            ("202", "P-4", Some(date(2023, 6, 1))),
            ("203", "P-4", None),
            ("204", "P-5", Some(date(2024, 1, 1))),
            ("206", "P-6", Some(date(2024, 1, 1))),
            ("206", "P-7", None),
            ("207", "P-8", None),
        ]
    );
}

#[test]
fn heads_and_inserts_have_sides_and_thicknesses() {
    let heads = "head;vehicle;side;fitted\nH-1;201;Left;2025-01-01\nH-2;201;r;2025-01-01\nH-3;202;;2025-01-01\nH-4;202;;2025-01-01\nH-5;203;top;2025-01-01\n";
    let inserts = "insert;vehicle;side;head;fitted;removed;thickness_fitted_mm;Thickness removed (mm)\n\
        C-1;201;left;H-1;2025-01-01;2025-02-01;22,5;8,25\n\
        C-2;201;left;H-9;2025-02-01;;22,5;\n\
        C-3;201;right;H-2;2025-01-01;2025-02-01;-22,5;8,0\n\
        C-4;202;right;H-2;2025-01-01;2025-02-01;8,0;22,5\n\
        C-5;203;right;H-2;2025-01-01;;225,0;\n";
    let records = expect(
        &[("heads.csv", heads), ("inserts.csv", inserts)],
        &[
            &["warning: heads.csv, row 4, column C (side): no side is given"],
            &["warning: heads.csv, row 5, column C (side): no side is given"],
            &["left out: heads.csv, row 6, column C (side): 'top' is no side", "left or right"],
            &["left out: inserts.csv, row 4, column G (thickness_fitted_mm): -22.5 mm is thinner than nothing"],
            // The insert is thicker than itself when new, too.
            &[
                "left out: inserts.csv, row 4, column H (Thickness removed (mm)): the insert was 8 mm thick when removed, and -22.5 mm when fitted",
            ],
            &[
                "left out: inserts.csv, row 5, column H (Thickness removed (mm)): the insert was 22.5 mm thick when removed, and 8 mm when fitted",
            ],
            &["warning: inserts.csv, row 6, column G (thickness_fitted_mm): 225 mm is thicker than any"],
            &["warning: inserts.csv, column head: there are inserts in head 'H-9'"],
        ],
    );
    assert_eq!(records.heads.iter().map(|head| head.side.as_str()).collect::<Vec<_>>(), ["left", "right", "", ""]);
    assert_eq!(
        (records.inserts[0].thickness_fitted_mm, records.inserts[0].thickness_removed_mm),
        (Some(22.5), Some(8.25))
    );
}

#[test]
fn readings_are_in_the_channel_s_unit_or_left_out() {
    let readings = "day;vehicle;channel;value;unit;note\n\
        2026-02-10;204;Link 3;118,5;;\n\
        2026-03-10;204;link-3;0,1125;mW;\n\
        2026-04-10;204;link-3;-10;dBm;by meter\n\
        2026-05-10;204;link-3;600;V;\n\
        2026-06-10;204;link-7;100;;\n\
        2026-07-10;204;link-3;-100;;\n\
        2026-08-10;204;link-3;0;;broken\n\
        2026-09-10;204;insulation-minus;2;MOhm;\n\
        2026-10-10;204;link-3;viel;;\n";
    let vehicles = "vehicle,kind\n204,solo\n";
    let records = expect(
        &[("readings.csv", readings), ("limits.toml", LIMITS), ("vehicles.csv", vehicles)],
        &[
            &["left out: readings.csv, row 5, column E (unit): 'V' does not become uW", "measure different things"],
            &[
                "left out: readings.csv, row 6, column C (channel): limits.toml has no channel 'link-7'",
                "one of link-3, insulation-minus",
            ],
            &["left out: readings.csv, row 7, column D (value): -100 uW is a power below zero"],
            &["warning: readings.csv, row 8, column D (value): no power at all"],
            &["left out: readings.csv, row 10, column D (value): 'viel' is no number"],
            &["warning: readings.csv: 1 readings of channel 'insulation-minus' are of vehicles of the kind 'solo'"],
        ],
    );
    let values: Vec<(&str, f64)> = records.readings.iter().map(|r| (r.channel.as_str(), r.value)).collect();
    let expected =
        [("insulation-minus", 2000.0), ("link-3", 118.5), ("link-3", 112.5), ("link-3", 100.0), ("link-3", 0.0)];
    for ((channel, value), (expected_channel, expected)) in values.iter().zip(expected) {
        assert!(*channel == expected_channel && (value - expected).abs() < 1e-9, "{values:?}");
    }
    assert_eq!(values.len(), expected.len());
}

#[test]
fn a_reading_with_its_decimal_point_lost_stands_out() {
    let mut readings = String::from("day,vehicle,channel,value\n");
    for (month, value) in [(1, "118"), (2, "117.5"), (3, "1175"), (4, "116"), (5, "115.5"), (6, "115")] {
        readings.push_str(&format!("2026-0{month}-10,204,link-3,{value}\n"));
    }
    let records = expect(
        &[("readings.csv", &readings), ("limits.toml", LIMITS)],
        &[&[
            "warning: readings.csv, row 4, column value: 1175 is far off the readings before and behind",
            "decimal point",
        ]],
    );
    assert_eq!(records.readings.len(), 6);
    let without = expect(&[("readings.csv", &readings)], &[&["limits.toml has no channels"], &["row 4"]]);
    assert_eq!(without.readings, records.readings);
}

#[test]
fn limits_are_told_by_line_and_key() {
    let limits = "
[[channel]]
name = \"a\"
unit = \"uW\"
recheck_limit = 40
new = 120
recheck = \"40\"

[[channel]]
name = \"b\"
unit = \"µW\"

[[channel]]
unit = \"mm\"

[[channel]]
name = \"c\"
unit = \"mm\"
decibels = true
worse = \"higher\"
new = 20
recheck = 5
every_days = 0

[[channel]]
name = \"A\"
unit = \"mm\"
worse = \"lower\"

[[channel]]
name = \"d\"
unit = \"V\"
worse = \"down\"

[chanel]
x = 1
";
    let records = expect(
        &[("limits.toml", limits)],
        &[
            &["left out: limits.toml, line 5, column recheck_limit: `recheck_limit` is no key of a channel", "recheck"],
            &["left out: limits.toml, line 7, column recheck: `recheck` is no number"],
            &["limits.toml, line 2, column worse: nothing tells whether channel 'a' is worse"],
            &["left out: limits.toml, line 11, column unit: 'µW' is no unit: UCUM writes uW"],
            &["left out: limits.toml, line 13, column name: a channel has no name"],
            &[
                "left out: limits.toml, line 16, column recheck: the limits of channel 'c' do not rise: new is 20, and recheck is 5",
            ],
            &["left out: limits.toml, line 23, column every_days: `every_days` is no number of days from 1 to"],
            &["left out: limits.toml, line 25, column name: two channels are named 'A'"],
            &["left out: limits.toml, line 33, column worse: this is neither \"lower\" nor \"higher\""],
            &["limits.toml, line 30, column worse: nothing tells whether channel 'd'"],
            &["left out: limits.toml, line 35, column chanel: `chanel` is not known"],
        ],
    );
    assert_eq!(records.channels.len(), 3);
    let (_, problems) = read_text(&[("limits.toml", "[[channel]\nname = 4 5\n")]);
    assert!(told(&problems).contains("left out: limits.toml, line 1"), "{}", told(&problems));
}

#[test]
fn numbers_in_limits_are_written_as_toml_writes_them() {
    let limits = |new: &str| format!("[[channel]]\nname = \"a\"\nunit = \"kOhm\"\nnew = {new}\nrecheck = 5e2\n");
    for (text, expected) in [("1_200", 1200.0), ("+1200.5", 1200.5), ("1_2.5e2", 1250.0)] {
        let records = expect(&[("limits.toml", &limits(text))], &[]);
        assert_eq!(records.channels[0].new, Some(expected), "{text}");
        assert!(records.channels[0].falls);
    }
    for text in ["inf", "nan", "0x4B0", "true", "2026-02-10"] {
        expect(
            &[("limits.toml", &limits(text))],
            &[&["line 4, column new: `new` is no number"], &["nothing tells whether"]],
        );
    }
}

#[test]
fn duties_are_in_order_and_their_operators_are_pseudonyms() {
    let duties = "vehicle,from,to,operator,line\n\
        204,2026-02-10 05:42,2026-02-10 13:10,op-17,4\n\
        204,2026-02-10 13:05,2026-02-10 21:00,op-18,4\n\
        204,2026-02-10 19:00,2026-02-10 23:00,op-19,4\n\
        204,2026-02-11 05:42,2026-02-11 05:42,op-17,4\n\
        204,2026-02-12 13:42,2026-02-12 05:42,op-17,4\n\
        204,2026-02-13 05:42,2026-02-14 06:42,op-17,4\n\
        204,2026-03-29 02:30,2026-03-29 09:00,op-17,4\n\
        204,2026-10-25 02:30,2026-10-25 09:00,op-17,4\n\
        204,2026-11-25 02:30,,op-17,4\n\
        205,2026-02-10 06:00,2026-02-10 09:00,op-17,4\n\
        205,2026-02-11 06:00,2026-02-11 09:00,Ada Byron,4\n\
        205,2026-02-12 06:00,2026-02-12 09:00,Ada Byron,4\n\
        205,2026-02-13 06:00,2026-02-13 09:00,Byron,4\n";
    let records = expect(
        &[("duties.csv", duties)],
        &[
            &["warning: duties.csv, row 3, column from: duties of vehicle 204 overlap by 5 min with row 2"],
            &[
                "left out: duties.csv, row 4, column from: vehicle 204 is on another duty until 2026-02-10T21:00:00, by row 3",
            ],
            &["left out: duties.csv, row 5, column C (to): the duty ends at 2026-02-11T05:42:00, and begins at"],
            &["left out: duties.csv, row 6, column C (to): the duty ends at", "ends on the next day"],
            &["left out: duties.csv, row 7, column C (to): the duty is 25 hours long"],
            &[
                "left out: duties.csv, row 8, column B (from): '2026-03-29 02:30' was on no clock",
                "60 min (Europe/Vienna)",
            ],
            &["warning: duties.csv, row 9, column B (from): '2026-10-25 02:30' was on the clocks twice"],
            &["left out: duties.csv, row 10, column C (to): nothing stands in 'to'"],
            &["warning: duties.csv, row 11, column operator: the same operator is in another vehicle"],
            &[
                "warning: duties.csv, row 12, column operator: 2 of the operators look like people's names",
                "pseudonyms",
            ],
        ],
    );
    assert_eq!(records.duties[0].to, datetime(2026, 2, 10, 13, 5, 0, 0));
    let (_, problems) = read_text(&[("duties.csv", duties)]);
    assert!(!told(&problems).contains("Byron"), "a name is repeated: {}", told(&problems));
}

#[test]
fn fleet_numbers_that_nobody_has_are_told_once_with_what_may_be_meant() {
    let files = [
        ("vehicles.csv", "vehicle,from,to\n0204,2019-01-01,\n0205,2019-01-01,2018-01-01\n0206,,\n0206,,\n"),
        (
            "packs.csv",
            "pack,vehicle,fitted\nP-1,204,2024-01-01\nP-2,204,2025-01-01\nP-3,0206,2025-01-01\nP-4,317,2025-01-01\n",
        ),
    ];
    expect(
        &files,
        &[
            &["left out: vehicles.csv, row 3, column C (to): it left service before it entered it"],
            &["left out: vehicles.csv, row 5, column vehicle: vehicle '0206' is in row 4 already"],
            &[
                "warning: packs.csv, row 2, column vehicle: vehicle '204' is not in vehicles.csv; 2 rows",
                "perhaps '0204' is meant",
            ],
            &["warning: packs.csv, row 5, column vehicle: vehicle '317' is not in vehicles.csv", "add it there"],
            &["warning: packs.csv, row 2, column removed", "'P-1' has no day of removal"],
        ],
    );
}

#[test]
fn files_with_almost_the_right_name_are_told() {
    expect(
        &[
            ("pack.csv", ""),
            ("Readings.xlsx", ""),
            ("notes.txt", ""),
            (".packs.csv", ""),
            ("Vehicles.CSV", "vehicle\n204\n"),
        ],
        &[
            &["packs.csv: 'pack.csv' looks as if it were packs.csv"],
            &["'Readings.xlsx' looks as if it were readings.csv"],
        ],
    );
}

#[test]
fn the_demo_s_overhead_is_read() {
    let (overhead, problems) =
        overhead(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/demo-captures/overhead.geojson"))).unwrap();
    assert!(problems.is_empty(), "{}", told(&problems));
    assert_eq!((overhead.ways.len(), overhead.special.len()), (9, 28));
    assert_eq!(overhead.ways.iter().filter(|way| !way.wired).count(), 5);
    assert_eq!(overhead.ways.iter().filter(|way| way.wired).map(|way| way.line.as_str()).collect::<Vec<_>>()[0], "1");
    assert!(overhead.special.iter().all(|work| !work.id.is_empty() && !work.name.is_empty() && !work.kind.is_empty()));
}

#[test]
fn geometry_outside_of_the_world_or_far_from_the_lines_is_told() {
    let geojson = r#"{"type":"FeatureCollection","features":[
        {"type":"Feature","properties":{"line":4},"geometry":{"type":"LineString","coordinates":[[13.9,44.3],[13.91,44.31]]}},
        {"type":"Feature","properties":{"line":"5"},"geometry":{"type":"MultiLineString","coordinates":[[[13.9,44.3],[13.91,144.31]],[[13.9,44.3],[13.92,44.3,210.0]]]}},
        {"type":"Feature","properties":{"special_work":"switch","id":"S-1","lines":["4",5]},"geometry":{"type":"Point","coordinates":[44.3,13.9]}},
        {"type":"Feature","properties":{"special_work":"switch","id":"S-2"},"geometry":{"type":"Point","coordinates":[213.9,44.3]}},
        {"type":"Feature","properties":{"special_work":"switch","id":"S-1"},"geometry":{"type":"Point","coordinates":[13.9,44.3]}},
        {"type":"Feature","properties":{"special_work":"curve","id":"S-3"},"geometry":{"type":"LineString","coordinates":[[13.9,44.3],[13.91,44.31]]}},
        {"type":"Feature","properties":{"special_work":"curve","id":"S-4"},"geometry":{"type":"Point","coordinates":[13.9]}},
        {"type":"Feature","properties":null,"geometry":{"type":"LineString","coordinates":[[13.9,44.3]]}},
        {"type":"Feature","properties":{"name":"yard"},"geometry":{"type":"Polygon","coordinates":[]}},
        5]}"#;
    let records = expect(
        &[("overhead.geojson", geojson)],
        &[
            &[
                "left out: overhead.geojson, feature 2, column geometry: position 2, [13.91, 144.31], is outside",
                "longitude first",
            ],
            &[
                "warning: overhead.geojson, feature 3, column geometry: special work 'S-1' lies",
                "km from the nearest line",
                "longitude first",
            ],
            &["left out: overhead.geojson, feature 4, column geometry: the point, [213.9, 44.3], is outside"],
            &["warning: overhead.geojson, feature 5, column id: special work 'S-1' is in feature 3 already"],
            &[
                "left out: overhead.geojson, feature 6, column geometry: special work is a Point, and this is LineString",
            ],
            &["left out: overhead.geojson, feature 7"],
            &["warning: overhead.geojson, feature 8, column properties: this line has neither"],
            &["left out: overhead.geojson, feature 8, column geometry: a line has fewer than two points"],
            &["left out: overhead.geojson, feature 10"],
        ],
    );
    assert_eq!(records.overhead.ways.iter().map(|way| way.line.as_str()).collect::<Vec<_>>(), ["4", "5"]);
    assert_eq!(records.overhead.special[0].lines, ["4", "5"]);
    expect(&[("overhead.geojson", "{}")], &[&["no list `features`"]]);
    expect(&[("overhead.geojson", "{\n\"features\": [}")], &[&["overhead.geojson, line 2"]]);
}

#[test]
fn templates_are_read_without_a_word_and_what_is_there_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("records");
    let first = templates(&path).unwrap();
    assert_eq!((first.written.len(), first.kept.len()), (9, 0));
    let (records, problems) = load(&path, &vienna(), date(2026, 12, 31)).unwrap();
    assert_eq!(records, Records::default());
    assert!(problems.is_empty(), "{}", told(&problems));
    fs::write(path.join("packs.csv"), "pack,vehicle,fitted\nP-1,204,2024-01-01\n").unwrap();
    fs::remove_file(path.join("heads.csv")).unwrap();
    let again = templates(&path).unwrap();
    assert_eq!((again.written, again.kept.len()), (vec![path.join("heads.csv")], 8));
    assert!(fs::read_to_string(path.join("packs.csv")).unwrap().contains("P-1"));
    let readme = fs::read_to_string(path.join("README.md")).unwrap();
    for layout in columns::LAYOUTS {
        assert!(layout.columns.iter().all(|column| readme.contains(&format!("| `{}` |", column.name))));
    }
    assert!(readme.contains("isolation procedure"));
}

/// The example of the template's limits, put in force, and those of the columns, are right themselves.
#[test]
fn the_examples_in_the_templates_are_right() {
    let folder = tempfile::tempdir().unwrap();
    templates(folder.path()).unwrap();
    let limits = fs::read_to_string(folder.path().join("limits.toml")).unwrap();
    let in_force: Vec<&str> = limits
        .lines()
        .map(|line| {
            line.strip_prefix('#')
                .filter(|rest| rest.starts_with(|c: char| c.is_ascii_lowercase() || c == '['))
                .unwrap_or(line)
        })
        .collect();
    fs::write(folder.path().join("limits.toml"), in_force.join("\n")).unwrap();
    for layout in columns::LAYOUTS {
        let examples: Vec<&str> = layout.columns.iter().map(|column| column.example).collect();
        let heading = fs::read_to_string(folder.path().join(layout.file)).unwrap();
        fs::write(folder.path().join(layout.file), format!("{heading}{}\r\n", examples.join(","))).unwrap();
    }
    let (records, problems) = load(folder.path(), &vienna(), date(2026, 12, 31)).unwrap();
    assert!(problems.is_empty(), "{}", told(&problems));
    assert_eq!(records.channels[0].marginal, Some(20.0));
    assert_eq!(
        (records.vehicles.len(), records.packs.len(), records.inserts.len(), records.readings.len()),
        (1, 1, 1, 1)
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever the files hold, they are read or told.
    #[test]
    fn no_bytes_stop_the_reader(
        file in 0..8_usize,
        heading in any::<bool>(),
        bytes in prop_oneof![
            prop::collection::vec(any::<u8>(), 0..400),
            "[0-9a-z,;\"\t\r\n ./:TZ+−%-]{0,400}".prop_map(String::into_bytes),
            "\\PC{0,200}".prop_map(String::into_bytes),
        ],
    ) {
        let names: Vec<&str> = columns::LAYOUTS.iter().map(|layout| layout.file).chain([limits::FILE, geo::FILE]).collect();
        let mut all = Vec::new();
        if let Some(layout) = columns::LAYOUTS.get(file).filter(|_| heading) {
            all.extend(layout.columns.iter().map(|column| column.name).collect::<Vec<_>>().join(";").into_bytes());
            all.push(b'\n');
        }
        all.extend(bytes);
        let (records, problems) = read(&[("limits.toml", LIMITS.as_bytes()), (names[file], &all)]);
        prop_assert!(records.readings.iter().all(|reading| reading.value.is_finite()));
        prop_assert!(problems.iter().all(|problem| !problem.what.is_empty() && !problem.remedy.is_empty()), "{:?}", problems);
    }

    /// A cell of any text in a sound row is read or told with its row, and the other rows stay.
    #[test]
    fn one_bad_cell_does_not_spoil_its_neighbours(cell in "\\PC{0,30}", column in 0..5_usize) {
        let mut wounded = ["P-2", "205", "2024-05-14", "2025-01-01", "worn"].map(str::to_owned);
        wounded[column] = format!("\"{}\"", cell.replace('"', "\"\""));
        let text = format!("pack,vehicle,fitted,removed,reason\nP-1,204,2024-05-14,,\n{}\nP-3,206,2024-05-14,,\n", wounded.join(","));
        let (records, problems) = read_text(&[("packs.csv", &text)]);
        prop_assert!(records.packs.iter().any(|pack| pack.part == "P-1"));
        prop_assert!(records.packs.iter().any(|pack| pack.part == "P-3") || cell.trim() == "P-3");
        prop_assert!(records.packs.len() == 3 || problems.iter().any(|p| matches!(p.place, Place::Row(2..=4))), "{}", told(&problems));
    }
}
