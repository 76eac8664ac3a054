//! Whatever sound records hold, they are written and read again.

use super::*;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// What is written is read again as it was, without a word.
    #[test]
    fn what_is_written_is_read_again(records in sound_records()) {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), &records).unwrap();
        let (again, problems) = load(folder.path(), &TimeZone::UTC, date(2040, 1, 1)).unwrap();
        prop_assert!(problems.is_empty(), "{}", told(&problems));
        prop_assert_eq!(again, records);
    }
}

fn words() -> impl Strategy<Value = String> {
    // Commas, quotation marks, semicolons and line ends within; nothing that would be trimmed at the ends.
    "[a-zäß][a-z ,;\"'\n.]{0,12}[a-z\"]"
}

fn more() -> impl Strategy<Value = More> {
    prop::collection::btree_map("own [a-z]{1,6}", words(), 0..3)
}

fn days(from: i16) -> impl Strategy<Value = Date> {
    (from..from + 2, 1..=12_i8, 1..=28_i8).prop_map(|(year, month, day)| date(year, month, day))
}

/// Degrees to 1e-7, a centimetre.
fn degrees(whole: i32) -> impl Strategy<Value = f64> {
    (0..1_000_000_i32).prop_map(move |part| f64::from(whole * 10_000_000 + part) / 1e7)
}

fn fitting(number: usize, part: &'static str) -> impl Strategy<Value = Fitting> {
    (days(2020), prop::option::of(days(2023)), words(), words(), more(), 0.0..20.0, 20.0..30.0).prop_map(
        move |(fitted, removed, reason, batch, more, thin, thick)| Fitting {
            part: format!("P-{number}"),
            vehicle: format!("{}", 200 + number),
            side: if part == "pack" { String::new() } else { ["left", "right"][number % 2].into() },
            fitted,
            removed,
            reason,
            batch,
            thickness_fitted_mm: (part == "insert").then_some(thick),
            thickness_removed_mm: (part == "insert").then_some(thin),
            head: if part == "insert" { "P-0".into() } else { String::new() },
            more,
        },
    )
}

fn fittings(part: &'static str) -> impl Strategy<Value = Vec<Fitting>> {
    (1..6_usize).prop_flat_map(move |count| (0..count).map(|number| fitting(number, part)).collect::<Vec<_>>())
}

fn sound_records() -> impl Strategy<Value = Records> {
    let vehicles: Vec<Vehicle> = (0..6)
        .map(|number| Vehicle {
            vehicle: format!("{}", 200 + number),
            kind: "solo".into(),
            from: Some(date(2019, 1, 1)),
            ..Vehicle::default()
        })
        .collect();
    let readings = prop::collection::vec((days(2024), 60.0..120.0, words(), more()), 0..6).prop_map(|list| {
        let mut readings: Vec<Reading> = list
            .into_iter()
            .map(|(day, value, note, more)| Reading {
                day,
                vehicle: "204".into(),
                channel: "link-3".into(),
                value,
                note,
                more,
            })
            .collect();
        readings.sort_by(|a, b| a.day.cmp(&b.day).then(a.value.total_cmp(&b.value)));
        readings
    });
    let duties = prop::collection::vec((0..6_i8, words(), more()), 0..8).prop_map(|list| {
        (1..)
            .zip(list)
            .map(|(day, (hour, line, more))| Duty {
                vehicle: "204".into(),
                from: datetime(2026, 2, day, hour, 30, 0, 0),
                to: datetime(2026, 2, day, hour + 8, 15, 30, 0),
                operator: format!("op-{day}"),
                line,
                more,
            })
            .collect()
    });
    let ways = prop::collection::vec((words(), any::<bool>(), degrees(44), degrees(13)), 0..4).prop_map(|list| {
        let way = |(line, wired, latitude, longitude): (String, bool, f64, f64)| Way {
            line,
            wired,
            points: vec![(latitude, longitude), (44.5, 13.5)],
        };
        let ways: Vec<Way> = list.into_iter().map(way).collect();
        let special = ways
            .iter()
            .enumerate()
            .map(|(number, way)| SpecialWork {
                id: format!("S-{number}"),
                kind: "switch".into(),
                name: way.line.clone(),
                latitude: way.points[0].0,
                longitude: way.points[0].1,
                lines: vec![way.line.clone(), "4".into()],
            })
            .collect();
        Overhead { ways, special }
    });
    (fittings("pack"), fittings("head"), fittings("insert"), readings, duties, ways).prop_map(
        move |(packs, heads, inserts, readings, duties, overhead)| Records {
            vehicles: vehicles.clone(),
            packs,
            heads,
            inserts,
            readings,
            duties,
            channels: vec![Channel {
                name: "link-3".into(),
                about: "link \"three\"".into(),
                unit: "uW".into(),
                decibels: true,
                falls: true,
                new: Some(120.0),
                recheck: Some(40.5),
                every_days: Some(180),
                kinds: vec!["solo".into()],
                ..Channel::default()
            }],
            overhead,
        },
    )
}
