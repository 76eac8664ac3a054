use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use super::*;
use crate::fleet;

#[path = "../../../tests/pages/sample.rs"]
#[allow(clippy::too_many_arguments, reason = "plain data, written once")]
mod sample;

/// All files below a folder, relative to it, with their contents.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut waiting = vec![folder.to_owned()];
    while let Some(next) = waiting.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                waiting.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_str().unwrap().to_owned();
                found.push((name, fs::read(path).unwrap()));
            }
        }
    }
    found.sort();
    found
}

fn written(morning: &Morning) -> (tempfile::TempDir, Vec<(String, Vec<u8>)>) {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("morning");
    let written = write(&to, morning).unwrap();
    let files = files(&to);
    assert_eq!(written.files, files.len());
    assert_eq!(written.index, to.join("index.html"));
    (folder, files)
}

/// Values of an attribute in a page.
fn values<'a>(html: &'a str, attribute: &str) -> Vec<&'a str> {
    let start = format!(" {attribute}=\"");
    html.split(&start).skip(1).map(|rest| rest.split('"').next().unwrap_or("")).collect()
}

fn text<'a>(files: &'a [(String, Vec<u8>)], name: &str) -> &'a str {
    let found = files.iter().find(|(file, _)| file == name);
    std::str::from_utf8(&found.unwrap_or_else(|| panic!("{name} is missing")).1).unwrap()
}

/// Every page: links lead to files and places that exist, names are given once, nothing comes from elsewhere and
/// nothing stands inline, no figure is none.
fn sound(files: &[(String, Vec<u8>)]) {
    let names: BTreeSet<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    let pages = files.iter().filter(|(name, _)| name.ends_with(".html"));
    let mut links = 0;
    for (name, bytes) in pages {
        let html = std::str::from_utf8(bytes).unwrap();
        let ids = values(html, "id");
        let unique: BTreeSet<_> = ids.iter().collect();
        assert_eq!(unique.len(), ids.len(), "{name}: a place is named twice");
        for reference in values(html, "aria-labelledby").into_iter().flat_map(str::split_whitespace) {
            assert!(unique.contains(&reference), "{name}: {reference} is no place");
        }
        for link in values(html, "href").into_iter().chain(values(html, "src")) {
            if link == "data:," {
                continue;
            }
            links += 1;
            let (file, place) = link.split_once('#').map_or((link, None), |(file, place)| (file, Some(place)));
            let target = if file.is_empty() {
                name.clone()
            } else if let Some(up) = file.strip_prefix("../") {
                assert!(name.contains('/'), "{name}: {link}");
                up.to_owned()
            } else {
                assert!(!name.contains('/'), "{name}: {link}");
                file.to_owned()
            };
            assert!(names.contains(target.as_str()), "{name}: {link} leads nowhere");
            if let Some(place) = place {
                let there = text(files, &target);
                assert!(values(there, "id").contains(&place), "{name}: {link} is no place");
            }
        }
        assert!(!html.contains("<style") && !html.contains(" style=") && !html.contains("<script>"), "{name}");
        assert!(!html.contains(" onload=\"") && !html.contains("://"), "{name}: something from elsewhere");
        assert!(!html.contains(|letter: char| letter.is_control() && letter != '\n' && letter != '\t'), "{name}");
        assert!(html.contains("never says that equipment is safe"), "{name}: no cautions");
        for attribute in ["d", "x", "y", "cx", "cy", "r", "viewBox", "width", "height", "data-k", "stroke-width"] {
            let bad = values(html, attribute).into_iter().find(|value| value.contains("NaN") || value.contains("inf"));
            assert_eq!(bad, None, "{name}: {attribute}");
        }
    }
    assert!(links > 20);
}

#[test]
fn an_ordinary_morning_is_sound() {
    let (_folder, files) = written(&sample::morning(60));
    sound(&files);
    let index = text(&files, "index.html");
    assert!(index.contains("Trouble codes") && index.contains("None are read yet"));
    assert!(index.contains("/srv/yardtap/store") && index.contains("velmora (3f2a9c81d04b)"));
    assert!(index.contains("2025-03-15 to 2026-03-14") && index.contains("Made 2026-03-15 05:12 (Europe/Vienna)"));
    // In the order in which they were found.
    let first = index.find("gave up 31 times in 1,420").unwrap();
    assert!(first < index.find("switch at the Brewery").unwrap());
    assert!(text(&files, "battery-plan.html").contains("queries.html#battery-exposure"));
    assert!(text(&files, "csv/battery-plan-ranking.csv").starts_with("vehicle,pack,fitted,"));
    assert!(text(&files, "vehicle/207.html").contains("../battery-plan.html#ranking"));
    assert_eq!(files.iter().filter(|(name, _)| name.starts_with("vehicle/") && name.ends_with(".html")).count(), 60);
}

#[test]
fn the_same_morning_gives_the_same_files() {
    let (morning, again) = (sample::morning(5), sample::morning(5));
    assert_eq!(written(&morning).1, written(&again).1);
}

#[test]
fn an_empty_fleet_has_pages() {
    let (_folder, files) = written(&sample::empty());
    sound(&files);
    let index = text(&files, "index.html");
    assert!(index.contains("Nothing stands on the worklist") && index.contains("holds no service day yet"));
    assert!(text(&files, "vehicles.html").contains("There are no vehicles"));
    assert!(text(&files, "queries.html").contains("No study asked"));
}

#[test]
fn hostile_texts_and_numbers_break_nothing() {
    let (_folder, files) = written(&sample::hostile(10_000));
    sound(&files);
    for (name, bytes) in &files {
        if name.ends_with(".pdf") {
            assert!(bytes.starts_with(b"%PDF-") && bytes.ends_with(b"%%EOF"), "{name}");
        }
        assert!(!name.contains(".."), "{name}");
    }
    // What a page leaves out stands in the CSV.
    let longest = files.iter().filter(|(name, _)| name.starts_with("csv/")).map(|(_, bytes)| {
        csv::ReaderBuilder::new().flexible(true).from_reader(bytes.as_slice()).records().map(Result::unwrap).count()
    });
    assert_eq!(longest.max(), Some(10_000));
    let page = files
        .iter()
        .find(|(name, bytes)| name.ends_with(".html") && String::from_utf8_lossy(bytes).contains("2000 of 10000"));
    assert!(page.is_some());
}
