//! Captures as files: published vectors, cuts, damage, and what is no capture.

use std::io::Cursor;
use yardtap::capture::{Capture, CaptureError, Ending, ReadOptions};
use yardtap::frame::{CanId, Frame, FrameBlock, Kind};

fn open_bytes(bytes: &[u8]) -> Result<Capture, CaptureError> {
    Capture::from_reader("test".into(), Box::new(Cursor::new(bytes.to_vec())), ReadOptions::default())
}

fn read_out(capture: &mut Capture) -> Vec<Frame> {
    let mut block = FrameBlock::default();
    while capture.fill(&mut block, 1000).unwrap() {}
    (0..block.len()).map(|index| block.frame(index)).collect()
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
