//! Whose bus it is: told beforehand, by the path, by a signal, by the VIN; and a lead that is moved.

use std::path::Path;

use yardtap::defs::Definitions;
use yardtap::frame::{CanId, Frame};

use super::support::*;

/// The same without a fleet number.
fn without_a_number() -> Definitions {
    set(&TELLS_ITS_NUMBER.replace("fleet_number = true\n", ""))
}

fn identity(time_us: i64, number: u16) -> Frame {
    Frame::data(time_us, 0, CanId::standard(0x7A0), &number.to_le_bytes())
}

fn motion(time_us: i64) -> Frame {
    Frame::data(time_us, 0, CanId::standard(0x100), &[7, 0])
}

/// Files frames under these settings, and gives the rows of each vehicle: how many, from when until when.
fn filed(yard: &Yard, defs: &Definitions, frames: &[Frame]) -> Vec<(String, u64, i64, i64)> {
    let path = yard.folder.path().join("capture.pcapng");
    write_capture(&path, &[Some("b")], frames);
    let outcome = yard.file_by(defs, &path);
    let parts = outcome.record().vehicles.iter();
    parts.map(|part| (part.vehicle.clone(), part.frames, part.first_us, part.last_us)).collect()
}

#[test]
fn the_fleet_number_on_the_bus_names_the_vehicle_of_all_frames_before_and_behind_it() {
    let yard = Yard::new();
    let frames: Vec<Frame> =
        (0..1000).map(|n| if n == 500 { identity(n * SECOND, 204) } else { motion(n * SECOND) }).collect();
    assert_eq!(filed(&yard, &set(TELLS_ITS_NUMBER), &frames), [("204".to_owned(), 1000, 0, 999 * SECOND)]);
    assert_eq!(rows_below(&yard.root().join("signals/message=motion"), &[]).len(), 999);
}

#[test]
fn a_lead_moved_to_another_vehicle_parts_the_capture_at_the_silence() {
    let yard = Yard::new();
    let mut frames = Vec::new();
    // 204 speaks every second and names itself every tenth; so does 317, forty seconds later.
    for n in 0..60 {
        frames.push(if n % 10 == 0 { identity(n * SECOND, 204) } else { motion(n * SECOND) });
    }
    for n in 100..160 {
        frames.push(if n % 10 == 5 { identity(n * SECOND, 317) } else { motion(n * SECOND) });
    }
    let parts = filed(&yard, &set(TELLS_ITS_NUMBER), &frames);
    assert_eq!(parts, [("204".to_owned(), 60, 0, 59 * SECOND), ("317".to_owned(), 60, 100 * SECOND, 159 * SECOND)]);
    let rows = rows_below(&yard.root().join("signals/message=motion"), &[]);
    let of = |vehicle: &str| rows.iter().filter(|row| row.contains(&format!("vehicle={vehicle} "))).count();
    assert_eq!((of("204"), of("317")), (54, 54));
}

#[test]
fn a_lead_moved_across_many_blocks_parts_the_capture_at_the_same_place() {
    let yard = Yard::new();
    // Far more frames than one reading of the file gives.
    let mut frames = Vec::new();
    for n in 0..40_000_i64 {
        let time_us = n * 1000 + if n >= 20_000 { 5 * SECOND } else { 0 };
        let number = if n < 20_000 { 204 } else { 317 };
        frames.push(if n % 3000 == 1500 { identity(time_us, number) } else { motion(time_us) });
    }
    let parts = filed(&yard, &set(TELLS_ITS_NUMBER), &frames);
    let counts: Vec<(&str, u64)> = parts.iter().map(|(vehicle, frames, ..)| (vehicle.as_str(), *frames)).collect();
    assert_eq!(counts, [("204", 20_000), ("317", 20_000)]);
}

#[test]
fn a_lead_that_comes_back_gives_one_part_for_each_vehicle() {
    let yard = Yard::new();
    let mut frames = Vec::new();
    for (stay, number) in [204, 317, 204].into_iter().enumerate() {
        let from = stay as i64 * 1000;
        frames.extend(
            (0..50).map(|n| if n == 25 { identity((from + n) * SECOND, number) } else { motion((from + n) * SECOND) }),
        );
    }
    let parts = filed(&yard, &set(TELLS_ITS_NUMBER), &frames);
    let counts: Vec<(&str, u64)> = parts.iter().map(|(vehicle, frames, ..)| (vehicle.as_str(), *frames)).collect();
    assert_eq!(counts, [("204", 100), ("317", 50)]);
}

/// The announcement of a VIN to everybody and its packets (SAE J1939-21: BAM), one after another.
fn vin(time_us: i64, source: u32, vin: &str) -> Vec<Frame> {
    let text = format!("{vin}*");
    let packets = text.len().div_ceil(7) as u8;
    let id = |pgn: u32| CanId::extended(0x1C00_0000 | pgn << 8 | 0xFF00 | source);
    let announcement = [0x20, text.len() as u8, 0, packets, 0xFF, 0xEC, 0xFE, 0];
    let mut frames = vec![Frame::data(time_us, 0, id(0xEC00), &announcement)];
    for (number, part) in text.as_bytes().chunks(7).enumerate() {
        let mut data = [0xFF; 8];
        data[0] = number as u8 + 1;
        data[1..=part.len()].copy_from_slice(part);
        frames.push(Frame::data(time_us + (number as i64 + 1) * 50_000, 0, id(0xEB00), &data));
    }
    frames
}

#[test]
fn a_vin_sent_in_packets_names_the_vehicle_of_the_table() {
    let mut yard = Yard::new();
    yard.settings.vins = [("TRX00000000000042".to_owned(), "42".to_owned())].into();
    let mut frames: Vec<Frame> = (0..100).map(|n| motion(n * SECOND)).collect();
    frames.extend(vin(40 * SECOND + 1000, 0x21, "TRX00000000000042"));
    frames.sort_by_key(|frame| frame.time_us);
    assert_eq!(filed(&yard, &without_a_number(), &frames), [("42".to_owned(), 104, 0, 99 * SECOND)]);
}

#[test]
fn a_vin_that_no_table_has_leaves_the_vehicle_unknown() {
    let mut yard = Yard::new();
    yard.settings.vins = [("TRX00000000000042".to_owned(), "42".to_owned())].into();
    let frames = vin(0, 0x21, "TRX00000000000043");
    assert_eq!(filed(&yard, &without_a_number(), &frames)[0].0, "unknown");
}

#[test]
fn two_modules_that_send_their_vin_at_once_do_not_disturb_each_other() {
    let mut yard = Yard::new();
    yard.settings.vins = [("TRX00000000000042".to_owned(), "42".to_owned())].into();
    let mut frames = vin(0, 0x21, "TRX00000000000042");
    frames.extend(vin(10_000, 0x0B, "TRX00000000000042"));
    frames.sort_by_key(|frame| frame.time_us);
    assert_eq!(filed(&yard, &without_a_number(), &frames)[0].0, "42");
}

#[test]
fn a_bus_that_names_nobody_is_filed_under_unknown() {
    let yard = Yard::new();
    let frames: Vec<Frame> = (0..10).map(|n| motion(n * SECOND)).collect();
    assert_eq!(filed(&yard, &set(TELLS_ITS_NUMBER), &frames)[0].0, "unknown");
    let other = Yard::new();
    assert_eq!(filed(&other, &without_a_number(), &frames)[0].0, "unknown");
    // Neither does a number that is not available.
    let another = Yard::new();
    let said_nothing: Vec<Frame> = (0..10).map(|n| identity(n * SECOND, 0xFFFF)).collect();
    assert_eq!(filed(&another, &set(TELLS_ITS_NUMBER), &said_nothing)[0].0, "unknown");
}

#[test]
fn a_vehicle_told_beforehand_goes_before_what_the_bus_says() {
    let mut yard = Yard::new();
    yard.settings.vehicle = Some("9".into());
    let frames = [identity(0, 204), motion(SECOND)];
    assert_eq!(filed(&yard, &set(TELLS_ITS_NUMBER), &frames)[0].0, "9");
}

#[test]
fn the_path_names_the_vehicle_where_the_configuration_says_so() {
    let folder = folder();
    let inbox = folder.path().join("inbox");
    for (number, vehicle) in ["204", "Bus 7, rot"].into_iter().enumerate() {
        std::fs::create_dir_all(inbox.join(vehicle)).unwrap();
        let path = inbox.join(vehicle).join("a.pcapng");
        write_capture(&path, &[Some("b")], &(0..10).map(|n| motion(n * SECOND + number as i64)).collect::<Vec<_>>());
    }
    std::fs::create_dir_all(folder.path().join("defs")).unwrap();
    std::fs::write(folder.path().join("defs/set.toml"), TELLS_ITS_NUMBER).unwrap();
    std::fs::write(inbox.join("yardtap.toml"), "definitions = \"../defs\"\nvehicle_path = \"{vehicle}/*\"\n").unwrap();
    let store = folder.path().join("store");
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    run(&["replay", &text(&inbox), "--store", &text(&store)]).expect(0, &[]);
    let rows = rows_below(&store.join("signals"), &[]);
    let of = |vehicle: &str| rows.iter().filter(|row| row.contains(&format!("vehicle={vehicle} "))).count();
    assert_eq!((of("204"), of("Bus 7, rot"), rows.len()), (10, 10, 20));
}
