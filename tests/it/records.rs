//! Records on the command line: templates, and what the checker says.

use super::support::*;

#[test]
fn templates_are_sound_and_what_people_wrote_is_not_touched() {
    let folder = folder();
    let path = folder.path().join("records");
    let name = path.to_str().unwrap();
    run(&["records", "check", name]).expect(1, &["records templates FOLDER"]);
    let first = run(&["records", "templates", name]);
    first.expect(0, &[]);
    assert!(first.out.contains("packs.csv") && first.out.contains("README.md"), "{}", first.out);
    let sound = run(&["records", "check", name]);
    sound.expect(0, &[]);
    assert!(sound.out.contains("nothing is wrong"), "{}", sound.out);
    std::fs::write(path.join("packs.csv"), "pack;vehicle;fitted\nP-1;204;2024-05-14\n").unwrap();
    let again = run(&["records", "templates", name]);
    again.expect(0, &[]);
    assert!(again.out.contains("left as they were: vehicles.csv, packs.csv"), "{}", again.out);
    assert!(std::fs::read_to_string(path.join("packs.csv")).unwrap().contains("P-1"));
}

#[test]
fn the_checker_tells_file_row_and_remedy_and_its_exit_status_what_is_left_out() {
    let folder = folder();
    let path = folder.path().join("records");
    std::fs::create_dir(&path).unwrap();
    let name = path.to_str().unwrap();
    std::fs::write(folder.path().join("yardtap.toml"), "zone = \"Europe/Vienna\"\n[fleet]\nrecords = \"records\"\n")
        .unwrap();
    let duties = "vehicle,from,to,operator\n204,2026-03-29 02:30,2026-03-29 09:00,op-1\n204,2026-02-10 06:00,2026-02-10 09:00,Ada Byron\n";
    std::fs::write(path.join("duties.csv"), duties).unwrap();
    let told = run(&["records", "check", name]);
    told.expect(3, &["left out: 1"]);
    for part in
        ["duties.csv, row 2, column B (from): '2026-03-29 02:30' was on no clock", "row 3", "people's names", "op-17"]
    {
        assert!(told.out.contains(part), "'{part}' is missing in\n{}", told.out);
    }
    assert!(!told.out.contains("Byron"), "{}", told.out);
    let config = folder.path().join("yardtap.toml");
    let as_json = run(&["records", "check", "--config", config.to_str().unwrap(), "--json"]);
    as_json.expect(3, &[]);
    let first: serde_json::Value = serde_json::from_str(as_json.out.lines().next().unwrap()).unwrap();
    assert_eq!((&first["grade"], &first["place"]["row"], &first["rows"]), (&"left_out".into(), &2.into(), &1.into()));
    // What is odd alone is used.
    std::fs::write(
        path.join("duties.csv"),
        "vehicle,from,to,operator\n204,2026-02-10 06:00,2026-02-10 09:00,Ada Byron\n",
    )
    .unwrap();
    run(&["records", "check", name]).expect(0, &[]);
    run(&["records", "check"]).expect(2, &["FOLDER"]);
}
