//! Definition sets that are wrong: each under `tests/bad/definitions/*.toml` with the message it gives beside it.
//!
//! `UPDATE_EXPECTED=1 cargo test --test it definitions` writes the messages anew; read what changed before you keep it.

use std::collections::BTreeSet;
use std::path::Path;

use proptest::prelude::*;
use yardtap::decode::{MessageFrames, decode, rebuild::rebuild};
use yardtap::defs::{Definitions, SourceText};
use yardtap::frame::{CanId, Meta};
use yardtap::store::file::{Packing, ROW_GROUP_ROWS, TableFile, packing_of, properties};
use yardtap::store::summary;
use yardtap::table::signals;

use super::support::*;

const FOLDER: &str = "tests/bad/definitions";

/// What `yardtap check` says of one file as a set of its own, folders left out.
fn said_of(file: &Path) -> String {
    let folder = folder();
    std::fs::copy(file, folder.path().join(file.file_name().unwrap())).unwrap();
    let told = run(&["check", folder.path().to_str().unwrap()]);
    assert_eq!(told.code, Some(1), "{} is taken for a good set:\n{}", file.display(), told.out);
    assert!(!told.err.contains("panicked"), "{}", told.err);
    let root = folder.path().display().to_string();
    told.err.replace(&format!("{root}/"), "").replace(&root, "SET")
}

#[test]
fn every_wrong_set_says_where_it_is_wrong_and_what_would_be_right() {
    let update = std::env::var_os("UPDATE_EXPECTED").is_some();
    let names: BTreeSet<String> =
        std::fs::read_dir(FOLDER).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    let sets: Vec<&str> = names.iter().filter_map(|name| name.strip_suffix(".toml")).collect();
    assert!(sets.len() >= 25, "{} sets", sets.len());
    let mut wrong = Vec::new();
    for set in &sets {
        let said = said_of(&Path::new(FOLDER).join(format!("{set}.toml")));
        let expected = Path::new(FOLDER).join(format!("{set}.txt"));
        if update {
            std::fs::write(&expected, &said).unwrap();
        }
        match std::fs::read_to_string(&expected) {
            Ok(text) if text == said => {}
            Ok(text) => wrong.push(format!("{set} says\n{said}\nand should say\n{text}")),
            Err(_) => wrong.push(format!("{set} has no {}; it says\n{said}", expected.display())),
        }
        // Whatever it is, the place and a remedy are told.
        assert!(said.contains(&format!("--> {set}.toml:")), "{set} does not say where:\n{said}");
        assert!(said.contains("help: "), "{set} does not say what would be right:\n{said}");
    }
    for name in names.iter().filter_map(|name| name.strip_suffix(".txt")) {
        assert!(sets.contains(&name), "{name}.txt is of no set");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n----\n"));
}

#[test]
fn problems_of_several_files_are_told_at_once() {
    let folder = folder();
    for (from, to) in [("scale-zero", "a"), ("unit-unknown", "b")] {
        let text = std::fs::read_to_string(Path::new(FOLDER).join(format!("{from}.toml"))).unwrap();
        // One set has a bus once.
        let text = if to == "b" {
            text.replace("[bus.traction]\nprotocol = \"plain\"\nbitrate = 500_000\n", "")
                .replace("name = \"m\"", "name = \"n\"")
                .replace("id = 0x100", "id = 0x101")
        } else {
            text
        };
        std::fs::write(folder.path().join(format!("{to}.toml")), text).unwrap();
    }
    run(&["check", folder.path().to_str().unwrap()])
        .expect(1, &["a.toml:", "a scale of 0", "b.toml:", "is no UCUM code", "2 problems"]);
}

fn texts() -> Vec<String> {
    let mut texts: Vec<String> = velmora().sources.iter().map(|source| source.text.clone()).collect();
    for entry in std::fs::read_dir(FOLDER).unwrap() {
        if let Ok(text) = std::fs::read_to_string(entry.unwrap().path()) {
            texts.push(text);
        }
    }
    texts
}

/// Takes any text for a set; where it is one, decodes frames with it and builds them again.
fn is_taken(text: String, frames: &[(u8, [u8; 64])]) {
    let source = SourceText { name: "set.toml".into(), text };
    let defs = match Definitions::from_texts("set".into(), vec![source]) {
        Ok(defs) => defs,
        Err(problems) => {
            assert!(!problems.list.is_empty());
            assert!(!problems.render(false).is_empty() && !problems.render(true).is_empty());
            return;
        }
    };
    let folder = folder();
    for message in &defs.messages {
        let mut rows = MessageFrames::default();
        for (number, (len, data)) in frames.iter().enumerate() {
            let len = if message.is_fd() { len % 65 } else { len % 9 };
            rows.time_us.push(number as i64);
            if message.id_varies() {
                rows.id.push(CanId::extended(u32::from(data[63]) << 20 | u32::from(data[62])));
            }
            rows.meta.push(Meta { channel: 0, marks: if len > 8 { 3 } else { 0 }, len });
            let mut data = *data;
            data[usize::from(len)..].fill(0);
            if len > 8 {
                rows.word.push(rows.long.len() as u64);
                rows.long.push(data);
            } else {
                rows.word.push(u64::from_le_bytes(data[..8].try_into().unwrap()));
            }
        }
        let schema = signals::schema(message);
        let packing: Vec<Packing> = schema.fields().iter().map(|field| packing_of(field.data_type())).collect();
        let path = folder.path().join("m.parquet");
        let written = properties(&schema, &packing, &[]);
        let mut file = TableFile::create_coded(
            path.clone(),
            &schema,
            written,
            &signals::meanings(message, signals::one_vehicle("9")),
            ROW_GROUP_ROWS,
        )
        .unwrap();
        let columns = decode(message, &rows, 0..rows.len());
        file.write_columns(signals::columns(message, &rows, 0..rows.len(), columns), rows.len()).unwrap();
        file.finish().unwrap();
        let back = signals::rows(message, &summary::read(&path).unwrap()).unwrap();
        let rebuilt = rebuild(message, &back.time_us, &back.source, &back.columns).unwrap();
        for row in 0..rows.len() {
            assert_eq!(rebuilt.payload(row), rows.payload(row), "{message:?}");
        }
    }
}

fn any_frames() -> impl Strategy<Value = Vec<(u8, [u8; 64])>> {
    let data = prop::collection::vec(prop_oneof![Just(0_u8), Just(0xFF), any::<u8>()], 64);
    prop::collection::vec((any::<u8>(), data.prop_map(|data| data.try_into().unwrap())), 1..6)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_a_set_or_a_list_of_problems(text in "\\PC{0,200}|(format = 1\n)?(\\[\\[?[a-z.]{1,12}\\]\\]?\n|[a-z]{1,8} = [-\"0-9a-z.\\[\\]{}, ]{0,20}\n){0,20}") {
        is_taken(text, &[]);
    }

    #[test]
    fn a_good_set_with_a_wound_is_a_set_or_a_list_of_problems(
        which in any::<prop::sample::Index>(),
        wounds in prop::collection::vec((any::<prop::sample::Index>(), 0..6_u8, any::<prop::sample::Index>()), 1..5),
        frames in any_frames(),
    ) {
        let texts = texts();
        let mut lines: Vec<String> = which.get(&texts).lines().map(str::to_owned).collect();
        for (at, what, other) in wounds {
            if lines.is_empty() {
                break;
            }
            let (at, other) = (at.index(lines.len()), other.index(lines.len()));
            match what {
                0 => { lines.remove(at); }
                1 => lines.swap(at, other),
                2 => { let copy = lines[other].clone(); lines.insert(at, copy); }
                3 => lines[at] = lines[at].replace(|c: char| c.is_ascii_digit(), "9"),
                4 => lines[at] = lines[at].replace("= ", "= -"),
                _ => { let keep = lines[at].chars().count() / 2; lines[at] = lines[at].chars().take(keep).collect(); }
            }
        }
        is_taken(lines.join("\n"), &frames);
    }
}
