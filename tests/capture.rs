//! Captures as files: published vectors, cuts, damage, and what is no capture.

use proptest::prelude::*;
use std::io::{Cursor, Read, Write};
use yardtap::capture::write::{PcapngWriter, WriteError, open_writer};
use yardtap::capture::{
    BUFFER_BYTES_MAX, Capture, CaptureError, CutOff, DamageCause, Ending, PackedTrouble, ReadOptions, WhyPassedOver,
    find, open, open_with,
};
use yardtap::frame::{CanId, FLAG_BRS, FLAG_ESI, Frame, FrameBlock, Kind};

fn open_bytes(bytes: &[u8]) -> Result<Capture, CaptureError> {
    Capture::from_reader("test".into(), Box::new(Cursor::new(bytes.to_vec())), ReadOptions::default())
}

fn read_out(capture: &mut Capture) -> Vec<Frame> {
    let mut block = FrameBlock::default();
    while capture.fill(&mut block, 1000).unwrap() {}
    (0..block.len()).map(|index| block.frame(index)).collect()
}

/// The frames of a capture that opens.
fn frames_of(bytes: &[u8]) -> Vec<Frame> {
    read_out(&mut open_bytes(bytes).unwrap())
}

fn written(frames: &[Frame], names: &[Option<&str>]) -> Vec<u8> {
    let mut writer = PcapngWriter::new(Vec::new(), names).unwrap();
    for frame in frames {
        writer.write(frame).unwrap();
    }
    writer.finish().unwrap()
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn zstd(bytes: &[u8]) -> Vec<u8> {
    zstd::encode_all(bytes, 1).unwrap()
}

/// A little-endian microsecond pcap of these packets: seconds, fraction, original length, bytes.
fn pcap(link_type: u32, packets: &[(u32, u32, u32, &[u8])]) -> Vec<u8> {
    let mut out = hex("d4c3b2a10200040000000000000000000000040000000000");
    out[20..].copy_from_slice(&link_type.to_le_bytes());
    for (seconds, fraction, original, bytes) in packets {
        for word in [*seconds, *fraction, bytes.len() as u32, *original] {
            out.extend_from_slice(&word.to_le_bytes());
        }
        out.extend_from_slice(bytes);
    }
    out
}

/// A pcapng block, little-endian.
fn block(kind: u32, body: &[u8]) -> Vec<u8> {
    let padded = body.len().next_multiple_of(4);
    let length = (12 + padded) as u32;
    let mut out = [kind.to_le_bytes(), length.to_le_bytes()].concat();
    out.extend_from_slice(body);
    out.resize(8 + padded, 0);
    out.extend_from_slice(&length.to_le_bytes());
    out
}

fn section() -> Vec<u8> {
    block(0x0A0D_0D0A, &hex("4d3c2b1a01000000ffffffffffffffff"))
}

fn interface(link_type: u16, snap_bytes: u32, options: &[(u16, &[u8])]) -> Vec<u8> {
    let mut body = [&link_type.to_le_bytes()[..], &[0, 0], &snap_bytes.to_le_bytes()].concat();
    for (code, value) in options {
        body.extend_from_slice(&code.to_le_bytes());
        body.extend_from_slice(&(value.len() as u16).to_le_bytes());
        body.extend_from_slice(value);
        body.resize(body.len().next_multiple_of(4), 0);
    }
    block(1, &body)
}

fn packet(interface: u32, units: u64, record: &[u8]) -> Vec<u8> {
    let length = record.len() as u32;
    let mut body = Vec::new();
    for word in [interface, (units >> 32) as u32, units as u32, length, length] {
        body.extend_from_slice(&word.to_le_bytes());
    }
    body.extend_from_slice(record);
    block(6, &body)
}

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.bytes().filter(u8::is_ascii_hexdigit).collect();
    digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}

/// One standard frame at 1700000000.123456 s; computed from the format's rules, and read so by libpcap and scapy.
const PCAP_LITTLE_US: &str =
    "d4c3b2a102000400000000000000000000000400e300000000f1536540e20100100000001000000000000123030000001122330000000000";
/// One 29-bit frame at 1700000000.123456789 s; same origin.
const PCAP_BIG_NS: &str =
    "a1b23c4d00020004000000000000000000040000000000e36553f100075bcd15000000100000001098feca000800000004ffb804030affff";

#[test]
fn microsecond_pcap_is_read() {
    let mut capture = open_bytes(&hex(PCAP_LITTLE_US)).unwrap();
    let frames = read_out(&mut capture);
    assert_eq!(frames, [Frame::data(1_700_000_000_123_456, 0, CanId::standard(0x123), &[0x11, 0x22, 0x33])]);
    assert_eq!(capture.tally().ending, Ending::Complete);
}

#[test]
fn big_endian_nanosecond_pcap_is_read_and_rounded_down() {
    let mut capture = open_bytes(&hex(PCAP_BIG_NS)).unwrap();
    let frames = read_out(&mut capture);
    let data = [0x04, 0xFF, 0xB8, 0x04, 0x03, 0x0A, 0xFF, 0xFF];
    assert_eq!(frames, [Frame::data(1_700_000_000_123_456, 0, CanId::extended(0x18FE_CA00), &data)]);
    assert_eq!(capture.tally().ending, Ending::Complete);
}

#[test]
fn published_vectors_are_the_files_beside() {
    assert_eq!(hex(PCAP_LITTLE_US), std::fs::read("tests/vectors/vec_le.pcap").unwrap());
    assert_eq!(hex(PCAP_BIG_NS), std::fs::read("tests/vectors/vec_be_ns.pcap").unwrap());
}

/// Three interfaces (µs; ns with an offset; 2^-10 s), an enhanced packet of each and a simple one; computed from the
/// draft's rules, and read so by libpcap in both byte orders.
#[test]
fn pcapng_resolution_and_offset_go_by_interface_in_both_byte_orders() {
    for name in ["vec_le.pcapng", "vec_be.pcapng"] {
        let mut capture = yardtap::capture::open(format!("tests/vectors/{name}").as_ref()).unwrap();
        let frames = read_out(&mut capture);
        let got: Vec<_> = frames.iter().map(|f| (f.time_us, f.channel, f.id.to_string(), f.kind, f.len)).collect();
        let wanted = [
            (1_700_000_000_123_456, 0, "123".to_owned(), Kind::Data, 3),
            (1_700_000_000_123_456, 1, "705".to_owned(), Kind::Data, 1),
            (1_700_000_000_500_000, 2, "18FECA00".to_owned(), Kind::Data, 8),
            (1_700_000_000_500_000, 0, "123".to_owned(), Kind::Data, 3),
        ];
        assert_eq!(got, wanted, "{name}");
        assert_eq!(capture.tally().odd.without_time, 1);
        assert_eq!(capture.channels().len(), 3);
        assert_eq!(capture.tally().ending, Ending::Complete);
    }
}

/// Records of link type 227, computed from the rules of its page at tcpdump.org.
#[test]
fn each_kind_of_record_is_told_by_the_published_rules() {
    let rows: &[(&str, u32, &str)] = &[
        ("00000123 03000000 1122330000000000", 16, "123 Data 0 [3] 112233"),
        ("98feca00 08000000 04ffb804030affff", 16, "18FECA00 Data 0 [8] 04ffb804030affff"),
        ("40000321 02000000 0000000000000000", 16, "321 Remote 0 [2] "),
        ("40000321 02000000", 8, "321 Remote 0 [2] "),
        ("20000040 08000000 0000000000000000", 16, "040 Error 0 [8] 0000000000000000"),
        ("20000204 08000000 0020000000008810", 16, "204 Error 0 [8] 0020000000008810"),
        // Sixteen bytes like a classical record, but marked as FD.
        ("00000456 08040000 0001020304050607", 16, "456 Fd 0 [8] 0001020304050607"),
        ("00000456 0c070000 000102030405060708090a0b", 20, "456 Fd 3 [12] 000102030405060708090a0b"),
        ("00000705 01000000 05", 9, "705 Data 0 [1] 05"),
        // Length code 12 of a classical frame of 8 bytes is kept.
        ("00000700 0800000c 0001020304050607", 16, "700 Data 0 [8] 0001020304050607 dlc 12"),
        ("00000700 08000008 0001020304050607", 16, "700 Data 0 [8] 0001020304050607"),
        // Leftovers in the flags byte of a classical record.
        ("00000000 027f0000 8100", 10, "000 Data 0 [2] 8100"),
        ("00000001 00000000", 8, "001 Data 0 [0] "),
        // An FD frame whose writer knew no FD mark, but stripped the padding.
        ("00000456 0c000000 000102030405060708090a0b", 20, "456 Fd 0 [12] 000102030405060708090a0b"),
        // The bytes behind the length are not the frame's.
        ("00000123 03000000 1122334455667788", 16, "123 Data 0 [3] 112233"),
    ];
    for (record, original, wanted) in rows {
        let record = hex(record);
        let frames = frames_of(&pcap(227, &[(1, 2, *original, &record)]));
        let [frame] = frames[..] else { panic!("{wanted}: {frames:?}") };
        let data: String = frame.bytes().iter().map(|byte| format!("{byte:02x}")).collect();
        let mut got = format!("{} {:?} {} [{}] {data}", frame.id, frame.kind, frame.flags, frame.len);
        if frame.raw_dlc > 0 {
            got += &format!(" dlc {}", frame.raw_dlc);
        }
        assert_eq!(&got, wanted);
        assert_eq!(frame.time_us, 1_000_002);
        assert!(frame.data[frame.bytes().len()..].iter().all(|&byte| byte == 0), "{wanted}");
    }
}

#[test]
fn a_record_of_72_bytes_is_fd_without_any_mark() {
    let mut record = hex("00000456 08000000");
    record.resize(72, 7);
    let frames = frames_of(&pcap(227, &[(0, 0, 72, &record)]));
    assert_eq!((frames[0].kind, frames[0].bytes()), (Kind::Fd, &[7; 8][..]));
}

#[test]
fn records_that_give_no_frame_are_counted_by_reason() {
    let xl = hex("00000010 81000000 0c000000 00000000 00000000");
    let mut capture = open_bytes(&pcap(
        227,
        &[
            (0, 0, 20, &xl),
            (0, 0, 16, &hex("00000123 08000000 0011")),
            (0, 0, 4, &hex("00000123")),
            (0, 0, 16, &hex("00000123 30000000 0000000000000000")),
            (0, 0, 72, &hex("00000123 50040000 0000000000000000")),
            (0, 0, 9, &hex("00000123 01000000 05")),
        ],
    ))
    .unwrap();
    assert_eq!(read_out(&mut capture).len(), 1);
    let tally = capture.tally();
    assert_eq!((tally.skipped.can_xl, tally.skipped.snapped, tally.skipped.malformed), (1, 1, 3));
    assert_eq!(tally.skipped.total(), 5);
    assert!(tally.is_incomplete());
}

#[test]
fn identifiers_in_the_wrong_byte_order_are_noticed_and_can_be_swapped() {
    let records = ["0a000000 02000000 1122", "23010000 02000000 1122", "f133db98 02000000 1122"].map(hex);
    let bytes = pcap(227, &records.each_ref().map(|record| (0, 0, 10, &record[..])));
    let mut capture = open_bytes(&bytes).unwrap();
    read_out(&mut capture);
    assert_eq!(capture.tally().odd.id, 3);
    assert!(capture.tally().remarks().iter().any(|remark| remark.contains("swapped identifiers")));
    let options = ReadOptions { swap_ids: true, ..ReadOptions::default() };
    let mut capture = Capture::from_reader("-".into(), Box::new(Cursor::new(bytes)), options).unwrap();
    let ids: Vec<CanId> = read_out(&mut capture).iter().map(|frame| frame.id).collect();
    assert_eq!(ids, [CanId::standard(0x00A), CanId::standard(0x123), CanId::extended(0x18DB_33F1)]);
    assert_eq!(capture.tally().odd.id, 0);
}

/// Cooked records: identifiers in the file's byte order, and FD told by the protocol. After the capture described in
/// scapy's test folder (0x123, 12 bytes, bit rate switch without the FD mark).
#[test]
fn cooked_records_have_identifiers_in_the_byte_order_of_the_file() {
    let head = "0001 0118 0000 0000000000000000";
    let fd = hex(&format!("{head} 000d 23010000 0c010000 000102030405060708090a0b"));
    let plain = hex(&format!("{head} 000c f133db98 02000000 1122"));
    let xl = hex(&format!("{head} 000e 00000010 81000000 0c000000 00000000 00000000"));
    let ethernet = hex("0001 0001 0000 0000000000000000 0800 45000000");
    let mut capture =
        open_bytes(&pcap(113, &[(0, 0, 88, &fd), (0, 0, 26, &plain), (0, 0, 40, &xl), (0, 0, 20, &ethernet)])).unwrap();
    let frames = read_out(&mut capture);
    assert_eq!(frames.len(), 2);
    assert_eq!((frames[0].id, frames[0].kind, frames[0].flags), (CanId::standard(0x123), Kind::Fd, FLAG_BRS));
    assert_eq!(frames[0].bytes(), (0..12).collect::<Vec<u8>>());
    assert_eq!((frames[1].id, frames[1].kind), (CanId::extended(0x18DB_33F1), Kind::Data));
    assert_eq!((capture.tally().skipped.can_xl, capture.tally().skipped.not_can), (1, 1));
}

#[test]
fn a_fraction_of_a_second_too_large_is_added_and_counted() {
    let record = hex("00000123 01000000 05");
    let mut capture = open_bytes(&pcap(227, &[(10, 2_500_000, 9, &record)])).unwrap();
    assert_eq!(read_out(&mut capture)[0].time_us, 12_500_000);
    assert_eq!(capture.tally().odd.time_fraction, 1);
}

#[test]
fn capture_files_put_one_behind_the_other_are_one_capture() {
    let first = hex(PCAP_LITTLE_US);
    let mut capture = open_bytes(&[first, hex(PCAP_BIG_NS)].concat()).unwrap();
    let ids: Vec<String> = read_out(&mut capture).iter().map(|frame| frame.id.to_string()).collect();
    assert_eq!(ids, ["123", "18FECA00"]);
    assert_eq!((capture.tally().sections, &capture.tally().ending), (2, &Ending::Complete));
}

#[test]
fn times_are_rounded_down_before_1970_too_and_kept_in_range() {
    let record = hex("00000123 01000000 05");
    let offset = |seconds: i64| seconds.to_le_bytes();
    let mut bytes = section();
    // Nanoseconds, ten seconds before 1970: 1.0000009 s behind that.
    bytes.extend(interface(227, 0, &[(9, &[9]), (14, &offset(-10))]));
    // 2^-20 s.
    bytes.extend(interface(227, 0, &[(9, &[0x94])]));
    // As late as it gets, and as fine as it gets.
    bytes.extend(interface(227, 0, &[(14, &offset(i64::MAX))]));
    bytes.extend(interface(227, 0, &[(9, &[0x7F])]));
    bytes.extend(interface(227, 0, &[(9, &[0]), (14, &offset(i64::MIN))]));
    bytes.extend(interface(227, 0, &[(9, &[0xFF])]));
    for (index, units) in [1_000_000_900, (1 << 20) + 1, u64::MAX, u64::MAX, 0, u64::MAX].into_iter().enumerate() {
        bytes.extend(packet(index as u32, units, &record));
    }
    let mut capture = open_bytes(&bytes).unwrap();
    let times: Vec<i64> = read_out(&mut capture).iter().map(|frame| frame.time_us).collect();
    assert_eq!(times, [-8_999_999 - 1, 1_000_000, i64::MAX, 0, i64::MIN, 0]);
    assert_eq!(capture.tally().odd.time_range, 2);
}

#[test]
fn a_name_is_the_same_channel_in_every_section() {
    let record = hex("00000123 01000000 05");
    let can = |name: &'static [u8]| interface(227, 0, &[(2, name)]);
    let bytes = [
        section(),
        can(b"can0"),
        interface(1, 0, &[(2, b"eth0")]),
        can(b"can1"),
        packet(0, 1, &record),
        packet(1, 2, &record),
        packet(2, 3, &record),
        section(),
        can(b"can1"),
        can(b"can1"),
        can(b"can0"),
        packet(0, 4, &record),
        packet(1, 5, &record),
        packet(2, 6, &record),
        packet(3, 7, &record),
    ]
    .concat();
    let mut capture = open_bytes(&bytes).unwrap();
    let got: Vec<(i64, u16)> = read_out(&mut capture).iter().map(|frame| (frame.time_us, frame.channel)).collect();
    assert_eq!(got, [(1, 0), (3, 1), (4, 1), (5, 2), (6, 0)]);
    let names: Vec<&str> = capture.channels().iter().filter_map(|channel| channel.name.as_deref()).collect();
    assert_eq!(names, ["can0", "can1", "can1"]);
    assert_eq!(capture.tally().skipped.other_link_type, 1);
    assert_eq!(capture.tally().skipped.unknown_interface, 1);
}

#[test]
fn sections_may_differ_in_byte_order_and_blocks_without_packets_are_passed_over() {
    let little = std::fs::read("tests/vectors/vec_le.pcapng").unwrap();
    let big = std::fs::read("tests/vectors/vec_be.pcapng").unwrap();
    let others =
        [block(4, &[0; 8]), block(5, &[0; 12]), block(0x0BAD, b"abcdefg"), block(0x4000_0BAD, b"abcd"), block(77, &[])];
    let bytes = [&little, &big, &section(), &others.concat(), &little].map(|part| &part[..]).concat();
    let mut capture = open_bytes(&bytes).unwrap();
    assert_eq!(read_out(&mut capture).len(), 12);
    assert_eq!((capture.tally().sections, capture.tally().blocks_passed_over), (4, 5));
    assert_eq!(capture.channels().len(), 3);
}

#[test]
fn the_obsolete_packet_block_is_read() {
    let record = hex("00000123 01000000 05");
    let mut body = hex("0000 ffff 00000000 07000000 09000000 09000000");
    body.extend(&record);
    let frames = frames_of(&[section(), interface(227, 0, &[]), block(2, &body)].concat());
    assert_eq!(frames, [Frame::data(7, 0, CanId::standard(0x123), &[5])]);
}

#[test]
fn a_simple_packet_takes_the_time_before_it_and_the_snapshot_length_of_the_first_interface() {
    let mut simple = hex("10000000");
    simple.extend(hex("00000123 01000000 05"));
    simple.extend([0; 3]);
    let record = hex("00000700 00000000");
    let bytes =
        [section(), interface(227, 12, &[]), block(3, &simple), packet(0, 99, &record), block(3, &simple)].concat();
    let mut capture = open_bytes(&bytes).unwrap();
    let times: Vec<i64> = read_out(&mut capture).iter().map(|frame| frame.time_us).collect();
    assert_eq!(times, [0, 99, 99]);
    assert_eq!(capture.tally().odd.without_time, 2);
}

#[test]
fn reading_goes_on_behind_a_block_with_an_impossible_length() {
    let frames: Vec<Frame> = (0..6).map(|n| Frame::data(n, 0, CanId::standard(0x100), &[n as u8; 8])).collect();
    let good = written(&frames, &[Some("can0")]);
    let third = good.len() - 4 * 48;
    for (claim, cause) in [
        (47_u32, DamageCause::BlockLength { claimed_bytes: 47 }),
        (u32::MAX, DamageCause::BlockLength { claimed_bytes: u32::MAX }),
        (52, DamageCause::BlockEnd { front_bytes: 52, back_bytes: 6 }),
        (1 << 20, DamageCause::BlockLength { claimed_bytes: 1 << 20 }),
    ] {
        let mut bytes = good.clone();
        bytes[third + 4..third + 8].copy_from_slice(&claim.to_le_bytes());
        let mut capture = open_bytes(&bytes).unwrap();
        let got: Vec<i64> = read_out(&mut capture).iter().map(|frame| frame.time_us).collect();
        assert_eq!(got, [0, 1, 3, 4, 5], "{claim}");
        let tally = capture.tally();
        assert_eq!((tally.damages[0].offset_bytes, tally.damages[0].lost_bytes), (third as u64, 48));
        assert_eq!(tally.damages[0].cause, cause);
        assert_eq!(tally.ending, Ending::Complete);
    }
}

#[test]
fn reading_goes_on_in_the_section_behind_a_cut_one() {
    let frames: Vec<Frame> = (0..3).map(|n| Frame::data(n, 0, CanId::standard(0x100), &[n as u8; 8])).collect();
    let good = written(&frames, &[Some("can0")]);
    let bytes = [&good[..good.len() - 7], &good[..]].concat();
    let mut capture = open_bytes(&bytes).unwrap();
    let got: Vec<i64> = read_out(&mut capture).iter().map(|frame| frame.time_us).collect();
    assert_eq!(got, [0, 1, 0, 1, 2]);
    assert_eq!((capture.channels().len(), capture.tally().lost_bytes), (1, 41));
}

#[test]
fn reading_goes_on_behind_a_damaged_pcap_record() {
    let record = hex("00000123 08000000 0102030405060708");
    let packets: Vec<_> = (0..9).map(|n| (1_700_000_000 + n, 5, 16, &record[..])).collect();
    let good = pcap(227, &packets);
    let third = 24 + 2 * 32;
    let mut bytes = good.clone();
    bytes[third + 8..third + 12].copy_from_slice(&0x7FFF_FFFF_u32.to_le_bytes());
    let mut capture = open_bytes(&bytes).unwrap();
    assert_eq!(read_out(&mut capture).len(), 8);
    let tally = capture.tally();
    assert_eq!((tally.damages[0].offset_bytes, tally.damages[0].lost_bytes), (third as u64, 32));
    assert_eq!(
        tally.remarks(),
        ["damaged at byte 88: a record claims the impossible length 2147483647; 32 bytes are lost; \
          reading went on behind it; copy the file again if another copy exists"]
    );

    // Nothing but ruins behind the damage: what came before is there, and the end says so.
    bytes.truncate(third + 16);
    bytes.extend([0xEE; 500]);
    let mut capture = open_bytes(&bytes).unwrap();
    assert_eq!(read_out(&mut capture).len(), 2);
    let Ending::Damaged(damage) = capture.tally().ending else { panic!() };
    assert_eq!((damage.offset_bytes, damage.lost_bytes), (third as u64, 516));
}

#[test]
fn packed_captures_are_told_by_content_and_may_have_many_parts() {
    let frames: Vec<Frame> = (0..500).map(|n| Frame::data(n, 0, CanId::extended(7), &[n as u8; 8])).collect();
    let bytes = written(&frames, &[None]);
    let (front, back) = bytes.split_at(1234);
    for packed in [
        gzip(&bytes),
        [gzip(front), gzip(back)].concat(),
        [gzip(front), gzip(&[]), gzip(back), vec![0; 700]].concat(),
        zstd(&bytes),
        [zstd(front), zstd(back)].concat(),
        // A skippable frame first and between, as RFC 8878 allows.
        [&hex("50 2a4d18 03000000 aabbcc")[..], &zstd(front), &hex("5f 2a4d18 00000000"), &zstd(back)].concat(),
    ] {
        let mut capture = open_bytes(&packed).unwrap();
        assert_eq!(read_out(&mut capture), frames);
        assert_eq!((&capture.tally().ending, &capture.tally().packed_trouble), (&Ending::Complete, &None));
        assert_eq!(capture.bytes_read(), packed.len() as u64);
    }
}

#[test]
fn a_wrong_checksum_and_rubbish_behind_the_packing_are_told_and_cost_no_frame() {
    let frames: Vec<Frame> = (0..50).map(|n| Frame::data(n, 0, CanId::extended(7), &[n as u8; 8])).collect();
    let mut packed = gzip(&written(&frames, &[None]));
    let end = packed.len();
    packed[end - 6] ^= 1;
    let mut capture = open_bytes(&packed).unwrap();
    assert_eq!(read_out(&mut capture), frames);
    assert_eq!(capture.tally().packed_trouble, Some(PackedTrouble::Checksum { offset_bytes: end as u64 }));

    packed[end - 6] ^= 1;
    packed.extend(b"rubbish");
    let mut capture = open_bytes(&packed).unwrap();
    assert_eq!(read_out(&mut capture), frames);
    assert!(
        matches!(capture.tally().packed_trouble, Some(PackedTrouble::Corrupt { offset_bytes, .. }) if offset_bytes == end as u64)
    );
    assert!(capture.tally().is_incomplete());
}

#[test]
fn a_cut_is_told_with_its_place() {
    let frames: Vec<Frame> = (0..5).map(|n| Frame::data(n, 0, CanId::extended(7), &[n as u8; 8])).collect();
    let bytes = written(&frames, &[None]);
    let mut capture = open_bytes(&bytes[..bytes.len() - 5]).unwrap();
    assert_eq!(read_out(&mut capture), frames[..4]);
    let offset_bytes = bytes.len() as u64 - 48;
    assert_eq!(capture.tally().ending, Ending::CutOff(CutOff { offset_bytes, lost_bytes: 43 }));
    assert_eq!(capture.tally().lost_bytes, 43);
}

/// Gives its bytes in pieces, then fails.
struct Failing {
    bytes: Vec<u8>,
    at: usize,
    piece: usize,
}

impl Read for Failing {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let rest = &self.bytes[self.at..];
        if rest.is_empty() {
            return Err(std::io::Error::other("the disk is gone"));
        }
        let count = rest.len().min(self.piece).min(out.len());
        out[..count].copy_from_slice(&rest[..count]);
        self.at += count;
        Ok(count)
    }
}

#[test]
fn frames_before_a_failing_disk_come_first() {
    let frames: Vec<Frame> = (0..5).map(|n| Frame::data(n, 0, CanId::extended(7), &[n as u8; 8])).collect();
    let bytes = written(&frames, &[None]);
    let total = bytes.len();
    let reader = Failing { bytes, at: 0, piece: 100 };
    let mut capture = Capture::from_reader("can.pcapng".into(), Box::new(reader), ReadOptions::default()).unwrap();
    let mut block = FrameBlock::default();
    let error = loop {
        let before = block.len();
        match capture.fill(&mut block, 3) {
            Ok(more) => assert!(more && block.len() > before),
            Err(error) => {
                assert_eq!(block.len(), before);
                break error;
            }
        }
    };
    assert_eq!(block.len(), 5);
    assert_eq!(
        error.to_string(),
        format!(
            "can.pcapng: reading stopped at byte {total}: the disk is gone; all frames before it are kept, read it again"
        )
    );
}

#[test]
fn the_same_frames_give_the_same_bytes_and_the_hash_is_of_the_file_as_stored() {
    let folder = tempfile::tempdir().unwrap();
    let frames: Vec<Frame> =
        (0..2000).map(|n| Frame::data(n, (n % 2) as u16, CanId::extended(7), &[n as u8; 8])).collect();
    for ending in ["pcapng", "pcapng.gz", "pcapng.zst"] {
        let written = ["a", "b"].map(|stem| {
            let path = folder.path().join(format!("{stem}.{ending}"));
            let mut writer = open_writer(&path, &[Some("can0"), Some("can1")], None).unwrap();
            frames.iter().for_each(|frame| writer.write(frame).unwrap());
            writer.finish().unwrap().finish().unwrap().sync_all().unwrap();
            path
        });
        let bytes = std::fs::read(&written[0]).unwrap();
        assert_eq!(bytes, std::fs::read(&written[1]).unwrap());
        let options = ReadOptions { content_hash: true, ..ReadOptions::default() };
        let mut capture = open_with(&written[0], options).unwrap();
        assert_eq!(read_out(&mut capture), frames);
        assert_eq!(capture.content_hash().unwrap(), Some(twox_hash::XxHash3_128::oneshot(&bytes)));
        assert_eq!(capture.bytes_total(), Some(bytes.len() as u64));
        assert_eq!(capture.bytes_read(), bytes.len() as u64);
    }
    let error = open_writer(&folder.path().join("c.zst"), &[], Some(99)).err().unwrap().to_string();
    assert!(error.ends_with("c.zst: there is no packing level 99; zstd has 1 to 22"), "{error}");
}

#[test]
fn a_writer_goes_on_in_its_section_or_begins_another() {
    let frame = |time_us| Frame::data(time_us, 1, CanId::extended(7), &[1; 8]);
    let names = [Some("can0"), Some("can1")];
    let mut out = Vec::new();
    for (time_us, continuing) in [(1, false), (2, true), (3, false)] {
        let mut writer = if continuing {
            PcapngWriter::continuing(&mut out, &names).unwrap()
        } else {
            PcapngWriter::new(&mut out, &names).unwrap()
        };
        writer.write(&frame(time_us)).unwrap();
        writer.finish().unwrap();
    }
    let mut capture = open_bytes(&out).unwrap();
    assert_eq!(read_out(&mut capture), [frame(1), frame(2), frame(3)]);
    assert_eq!((capture.tally().sections, capture.channels().len()), (2, 2));
}

#[test]
fn what_cannot_be_written_is_refused_and_leaves_the_rest_whole() {
    let good = Frame::data(1, 0, CanId::standard(1), &[1]);
    let mut writer = PcapngWriter::new(Vec::new(), &[Some("can0")]).unwrap();
    assert!(matches!(writer.write(&Frame { channel: 1, ..good }), Err(WriteError::Channel { channel: 1, count: 1 })));
    assert!(matches!(writer.write(&Frame { len: 9, ..good }), Err(WriteError::Length { len: 9, most: 8, .. })));
    assert!(matches!(writer.write(&Frame { len: 65, kind: Kind::Fd, ..good }), Err(WriteError::Length { .. })));
    writer.write(&good).unwrap();
    assert_eq!(frames_of(&writer.finish().unwrap()), [good]);
}

#[cfg(unix)]
#[test]
fn folders_are_searched_in_name_order_and_by_content() {
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let capture = written(&[], &[None]);
    std::fs::create_dir_all(root.join("b/inner")).unwrap();
    std::fs::write(root.join("c.txt"), &capture).unwrap();
    std::fs::write(root.join("a.pcap"), "no capture").unwrap();
    std::fs::write(root.join("b/inner/1"), gzip(&capture)).unwrap();
    std::fs::write(root.join("b/2"), zstd(&capture)).unwrap();
    let hostile = std::ffi::OsStr::from_bytes(b"z \xff\n$(rm)");
    std::fs::write(root.join(hostile), hex(PCAP_BIG_NS)).unwrap();
    std::os::unix::fs::symlink("..", root.join("b/loop")).unwrap();
    std::os::unix::fs::symlink("gone", root.join("d")).unwrap();

    let found = find(&[root.to_owned(), root.join("a.pcap"), "-".into()]).unwrap();
    let captures = [
        root.join("b/2"),
        root.join("b/inner/1"),
        root.join("c.txt"),
        root.join(hostile),
        root.join("a.pcap"),
        "-".into(),
    ];
    assert_eq!(found.captures, captures);
    let passed_over: Vec<_> = found.passed_over.iter().map(|passed| passed.path.clone()).collect();
    assert_eq!(passed_over, [root.join("a.pcap"), root.join("b/loop"), root.join("d")]);
    assert_eq!(found.passed_over[1].why, WhyPassedOver::FolderLink);
    assert!(matches!(find(&[root.join("nowhere")]), Err(CaptureError::Search { .. })));
    assert!(open(&root.join(hostile)).is_ok());
}

/// Any frame that a bus and the format can hold.
fn any_frame(channels: u16) -> impl Strategy<Value = Frame> {
    let time = prop_oneof![
        4 => 1_600_000_000_000_000_i64..1_900_000_000_000_000,
        1 => any::<i64>(),
        1 => Just(i64::MAX),
        1 => -2_i64..2,
    ];
    let kind = prop_oneof![
        6 => Just(Kind::Data), 1 => Just(Kind::Remote), 1 => Just(Kind::Error), 3 => Just(Kind::Fd)
    ];
    let len = prop_oneof![3 => Just(8_u8), 3 => 0_u8..9, 2 => 0_u8..65];
    (
        time,
        0..channels,
        any::<u32>(),
        any::<bool>(),
        kind,
        0_u8..4,
        len,
        prop_oneof![Just(0_u8), 9_u8..16],
        any::<[u8; 64]>(),
    )
        .prop_map(|(time_us, channel, id, extended, kind, flags, len, raw_dlc, data)| {
            let len = if kind == Kind::Fd { len } else { len.min(8) };
            let id = if extended { CanId::extended(id) } else { CanId::standard(id) };
            let mark = match kind {
                Kind::Remote => CanId::REMOTE,
                Kind::Error => CanId::ERROR,
                Kind::Data | Kind::Fd => 0,
            };
            let mut frame = Frame {
                time_us,
                channel,
                id: CanId(id.0 | mark),
                kind,
                flags: if kind == Kind::Fd { flags & (FLAG_BRS | FLAG_ESI) } else { 0 },
                len,
                raw_dlc: if len == 8 && matches!(kind, Kind::Data | Kind::Remote) { raw_dlc } else { 0 },
                data: [0; 64],
            };
            let count = frame.bytes().len();
            frame.data[..count].copy_from_slice(&data[..count]);
            frame
        })
}

/// Gives bytes in pieces of the given sizes, over and over.
struct Pieces {
    bytes: Cursor<Vec<u8>>,
    sizes: Vec<usize>,
    at: usize,
}

impl Read for Pieces {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let size = self.sizes[self.at % self.sizes.len()].min(out.len());
        self.at += 1;
        self.bytes.read(&mut out[..size])
    }
}

/// Reads whatever it is to its end; the buffer keeps its bound.
fn read_anything(bytes: &[u8]) -> Vec<Frame> {
    let Ok(mut capture) = open_bytes(bytes) else { return Vec::new() };
    let frames = read_out(&mut capture);
    assert!(capture.buffer_bytes() <= BUFFER_BYTES_MAX);
    assert!(!matches!(capture.tally().ending, Ending::Open));
    assert_eq!(capture.tally().frames, frames.len() as u64);
    capture.tally().remarks();
    frames
}

const NAMES: [Option<&str>; 3] = [Some("can0"), None, Some("Fahrmotor ü")];

proptest! {
    #[test]
    fn frames_written_are_frames_read(
        frames in prop::collection::vec(any_frame(3), 0..60),
        frames_max in 1_usize..70,
        sizes in prop::collection::vec(1_usize..400, 1..5),
    ) {
        let bytes = written(&frames, &NAMES);
        for packed in [bytes.clone(), gzip(&bytes), zstd(&bytes)] {
            let reader = Pieces { bytes: Cursor::new(packed), sizes: sizes.clone(), at: 0 };
            let mut capture = Capture::from_reader("-".into(), Box::new(reader), ReadOptions::default()).unwrap();
            let mut block = FrameBlock::default();
            let mut got = Vec::new();
            loop {
                block.clear();
                let more = capture.fill(&mut block, frames_max).unwrap();
                prop_assert!(block.len() <= frames_max);
                got.extend((0..block.len()).map(|index| block.frame(index)));
                if !more {
                    break;
                }
                prop_assert!(!block.is_empty());
            }
            prop_assert_eq!(&got, &frames);
            prop_assert_eq!(&capture.tally().ending, &Ending::Complete);
            prop_assert!(!capture.tally().is_incomplete());
            let names: Vec<_> = capture.channels().iter().map(|channel| channel.name.as_deref()).collect();
            prop_assert_eq!(names, NAMES);
        }
    }

    #[test]
    fn cutting_the_bytes_anywhere_gives_the_first_frames(
        frames in prop::collection::vec(any_frame(3), 1..40),
        cut in any::<prop::sample::Index>(),
    ) {
        let bytes = written(&frames, &NAMES);
        for whole in [bytes.clone(), gzip(&bytes), zstd(&bytes)] {
            let kept = &whole[..cut.index(whole.len())];
            let got = read_anything(kept);
            prop_assert_eq!(&got[..], &frames[..got.len()]);
        }
    }

    #[test]
    fn cutting_a_plain_capture_loses_one_frame_at_most(
        frames in prop::collection::vec(any_frame(1).prop_filter("one section", |frame| frame.time_us >= 0), 1..40),
        lost in 1_usize..28,
    ) {
        let bytes = written(&frames, &[None]);
        prop_assert_eq!(&read_anything(&bytes[..bytes.len() - lost]), &frames[..frames.len() - 1]);
    }

    #[test]
    fn flipped_bits_never_panic_nor_take_memory(
        frames in prop::collection::vec(any_frame(3), 1..40),
        flips in prop::collection::vec(any::<prop::sample::Index>(), 1..6),
    ) {
        let bytes = written(&frames, &NAMES);
        for mut whole in [bytes.clone(), gzip(&bytes), zstd(&bytes)] {
            for flip in &flips {
                let bit = flip.index(whole.len() * 8);
                whole[bit / 8] ^= 1 << (bit % 8);
            }
            read_anything(&whole);
        }
    }

    #[test]
    fn one_flipped_bit_in_a_packet_costs_few_frames(
        flip in any::<prop::sample::Index>(),
        payload in any::<[u8; 8]>(),
    ) {
        let frames: Vec<Frame> =
            (0..40).map(|n| Frame::data(1_700_000_000_000_000 + n * 1000, 0, CanId::extended(7), &payload)).collect();
        let mut pcapng = written(&frames, &[Some("can0")]);
        let head = pcapng.len() - 40 * 48;
        let bit = flip.index(40 * 48 * 8);
        pcapng[head + bit / 8] ^= 1 << (bit % 8);
        let got = read_anything(&pcapng);
        prop_assert!(frames.iter().filter(|frame| !got.contains(frame)).count() <= 1);

        let record = [&hex("80000007 08000000")[..], &payload].concat();
        let packets: Vec<_> = (0..40).map(|n| (1_700_000_000, n * 1000, 16, &record[..])).collect();
        let mut pcap = pcap(227, &packets);
        let bit = flip.index(40 * 32 * 8);
        pcap[24 + bit / 8] ^= 1 << (bit % 8);
        let got = read_anything(&pcap);
        let missing = frames.iter().filter(|frame| !got.contains(frame)).count();
        prop_assert!(missing <= 4, "{} missing after bit {}", missing, bit);
    }

    #[test]
    fn anything_at_all_is_read_to_an_end(
        head in prop::sample::select(vec![&b""[..], b"\xD4\xC3\xB2\xA1\x02\0\x04\0\0\0\0\0\0\0\0\0\0\0\0\0\xE3\0\0\0", b"\x1F\x8B\x08\0\0\0\0\0\0\0", b"\x28\xB5\x2F\xFD"]),
        rest in prop::collection::vec(any::<u8>(), 0..3000),
    ) {
        read_anything(&[head, &rest].concat());
        read_anything(&[&section()[..], &interface(227, 0, &[]), &rest].concat());
    }
}
