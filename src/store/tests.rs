//! Frames → columns → Parquet file → columns → frames, for random messages and random frames.

use proptest::prelude::*;

use super::file::{ROW_GROUP_ROWS, TableFile, packing_of, properties};
use super::summary::open_batches;
use crate::decode::{MessageFrames, decode, rebuild::rebuild};
use crate::defs::{Definitions, SourceText};
use crate::frame::{CanId, Meta};
use crate::table::signals;

/// A random message as its definition is written. The first signal is plain, so that the example holds.
fn any_set() -> impl Strategy<Value = Definitions> {
    let signal = (1..=64_u32, 0..3_u32, any::<bool>(), 0..8_u32, any::<bool>());
    (prop::collection::vec(signal, 1..8), any::<bool>(), 1..=64_usize, any::<bool>(), any::<bool>()).prop_map(
        |(signals, long, length, group, sourced)| {
            let length = if long { [12, 16, 20, 24, 32, 48, 64][length % 7] } else { length % 8 + 1 };
            let mut text = String::from("format = 1\n[bus.b]\nprotocol = \"j1939\"\nbitrate = 250_000\n[[message]]\nname = \"m\"\nbus = \"b\"\n");
            match (group, sourced) {
                (true, true) => text.push_str("pgn = 0xFF15\nsource = 0x27\n"),
                (true, false) => text.push_str("pgn = 0xFF15\n"),
                (false, _) => text.push_str("extended_id = 0x18FF1527\n"),
            }
            text.push_str(&format!("length = {length}\n"));
            let mut at = 0;
            let mut count = 0;
            for (bits, gap, big, kind, special) in signals {
                let bits = if kind == 7 { [16, 32, 64][bits as usize % 3] } else { bits };
                at += gap as usize;
                if at + bits as usize > 8 * length {
                    continue;
                }
                // Big order, where the field fills whole bytes: its lightest byte is the last one.
                let aligned = big && at % 8 == 0 && bits % 8 == 0;
                let lsb = if aligned { at + bits as usize - 8 } else { at };
                let order = if aligned { "big" } else { "little" };
                text.push_str(&format!(
                    "[[message.signal]]\nname = \"s{count}\"\nlsb = \"{}.{}\"\nbits = {bits}\norder = \"{order}\"\n",
                    lsb / 8 + 1,
                    lsb % 8 + 1
                ));
                if count > 0 {
                    match kind {
                        0 if bits > 1 => text.push_str("as = \"signed\"\nscale = 0.1\n"),
                        1 => text.push_str("as = \"unsigned\"\nscale = 0.25\noffset = -1000\n"),
                        2 => text.push_str("as = \"unsigned\"\noffset = -40\nplausible = [0, 50]\n"),
                        3 => text.push_str("as = \"unsigned\"\nscale = 1e-3\noffset = 0.5\n"),
                        4 => text.push_str("as = \"unsigned\"\nlabels = { 0 = \"off\", 1 = \"on\" }\n"),
                        5 if bits <= 2 => text.push_str("as = \"flag\"\n"),
                        6 => text.push_str("as = \"unsigned\"\nwhen = { selector = \"s0\", is = [0, 1] }\n"),
                        7 => text.push_str("as = \"float\"\n"),
                        _ => text.push_str("as = \"unsigned\"\n"),
                    }
                    let may = kind != 7 && (kind != 5 || bits > 2);
                    if special && may {
                        text.push_str("unavailable = \"j1939\"\n");
                    }
                } else {
                    text.push_str("as = \"unsigned\"\n");
                }
                at += bits as usize;
                count += 1;
            }
            if count == 0 {
                text.push_str("[[message.signal]]\nname = \"s0\"\nlsb = \"1.1\"\nbits = 8\n");
            }
            text.push_str(&format!("[[message.example]]\ndata = \"{}\"\nexpect = {{ s0 = 0 }}\n", "00".repeat(length)));
            let source = SourceText { name: "set.toml".into(), text };
            Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"))
        },
    )
}

/// Bytes in which patterns of ones and zeros are as frequent as noise.
fn any_payload() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![Just(0_u8), Just(0xFF), Just(0xFE), any::<u8>()];
    prop::collection::vec(byte, 0..=64)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]
    #[test]
    fn frames_come_back_from_their_table_bit_for_bit(
        defs in any_set(),
        given in prop::collection::vec((any_payload(), any::<u8>(), 0..20_u8, 0..16_u8), 1..40),
    ) {
        let message = &defs.messages[0];
        let length = usize::from(message.length);
        let mut frames = MessageFrames::default();
        for (row, (mut payload, source, odd, dlc)) in given.into_iter().enumerate() {
            // Mostly the message's own length; now and then any other, or a frame of the other kind.
            if odd > 1 {
                payload.resize(length, 0xFF);
            } else if !message.is_fd() {
                payload.truncate(8);
            }
            let len = if payload.len() > 8 && ![12, 16, 20, 24, 32, 48, 64].contains(&payload.len()) { 12 } else { payload.len() };
            payload.resize(len, 0);
            let meta = match (message.is_fd(), odd) {
                (true, 0) => Meta { channel: 0, marks: 3, len: len as u8 },
                (true, _) => Meta { channel: 0, marks: 7, len: len as u8 },
                (false, 2) if len == 8 => Meta { channel: 0, marks: dlc << 4, len: 8 },
                (false, _) => Meta { channel: 0, marks: 0, len: len as u8 },
            };
            frames.time_us.push(row as i64 * 1000);
            if message.id_varies() {
                let source = if signals::has_source(message) { source } else { 0x27 };
                let priority = if odd == 3 { 3 } else { 6 };
                frames.id.push(CanId::extended(priority << 26 | 0xFF1500 | u32::from(source)));
            }
            let mut data = [0; 64];
            data[..len].copy_from_slice(&payload);
            frames.meta.push(meta);
            if len > 8 {
                frames.word.push(frames.long.len() as u64);
                frames.long.push(data);
            } else {
                frames.word.push(u64::from_le_bytes(data[..8].try_into().unwrap()));
            }
        }
        let rows = frames.len();
        let schema = signals::schema(message);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("m.parquet");
        let packing: Vec<_> = schema.fields().iter().map(|field| packing_of(field.data_type())).collect();
        let properties = properties(&schema, &packing, &[]);
        let meanings = signals::meanings(message, signals::one_vehicle("204"));
        let mut file = TableFile::create_coded(path.clone(), &schema, properties, &meanings, ROW_GROUP_ROWS).unwrap();
        let cut = rows / 3;
        for range in [0..cut, cut..rows] {
            let columns = decode(message, &frames, range.clone());
            file.write_columns(signals::columns(message, &frames, range.clone(), columns), range.len()).unwrap();
        }
        file.finish().unwrap();
        let (_, mut reader) = open_batches(&path, 1024).unwrap();
        let batch = reader.next().unwrap().unwrap();
        prop_assert!(reader.next().is_none());
        let back = signals::rows(message, &batch).unwrap();
        prop_assert_eq!(back.vehicle.iter().filter(|vehicle| *vehicle == "204").count(), rows);
        let rebuilt = rebuild(message, &back.time_us, &back.source, &back.columns).unwrap();
        prop_assert_eq!(&rebuilt.id, &frames.id);
        prop_assert_eq!(&rebuilt.meta, &frames.meta);
        for row in 0..rows {
            prop_assert_eq!(rebuilt.payload(row), frames.payload(row), "row {} of {:?}", row, message);
        }
    }
}
