//! Every broken capture under `tests/bad/captures` has its message here; a file without one fails the run.

use std::collections::BTreeSet;
use std::path::Path;
use yardtap::capture::open;

const MESSAGES: &[(&str, &str)] = &[
    ("empty.pcap", "is empty, so it holds no capture; copy it again from where it was recorded"),
    (
        "text.pcapng",
        "is not a capture: text beginning with \"time;id;data\\n1;0x123;11 \" at byte 0; \
         wanted is pcap or pcapng, plain or packed with gzip or zstd",
    ),
    (
        "three-bytes.pcap",
        "is not a capture: the bytes D4 C3 B2 at byte 0; wanted is pcap or pcapng, plain or packed with gzip or zstd",
    ),
    (
        "header-cut.pcap",
        "begins like pcap, but ends after 20 of the 24 bytes of its header; copy it again from where it was recorded",
    ),
    (
        "ethernet.pcap",
        "holds packets of link type 1 (byte 20), not CAN; wanted is link type 227 (CAN_SOCKETCAN) or 113 (LINUX_SLL); \
         record the CAN interface itself",
    ),
    (
        "old-version.pcap",
        "is pcap of version 2.2 (byte 4), which cannot be read; write it anew as pcap 2.4 or pcapng 1.0",
    ),
    (
        "modified-header.pcap",
        "is not a capture: a pcap variant with longer record headers (write it anew as pcapng) at byte 0; \
         wanted is pcap or pcapng, plain or packed with gzip or zstd",
    ),
    (
        "zip.pcap",
        "is not a capture: a zip archive (unpack it first) at byte 0; \
         wanted is pcap or pcapng, plain or packed with gzip or zstd",
    ),
    (
        "xz.pcap.xz",
        "is not a capture: xz packing (unpack it first) at byte 0; \
         wanted is pcap or pcapng, plain or packed with gzip or zstd",
    ),
    (
        "section-cut.pcapng",
        "begins like pcapng, but ends after 18 of the 28 bytes of its header; copy it again from where it was recorded",
    ),
    (
        "section-no-byte-order.pcapng",
        "begins like pcapng, but its byte order cannot be told (byte 8); copy it again from where it was recorded",
    ),
    (
        "section-lengths-differ.pcapng",
        "begins like pcapng, but the two lengths of its first block differ (byte 4); \
         copy it again from where it was recorded",
    ),
    (
        "section-length-impossible.pcapng",
        "begins like pcapng, but its first block has an impossible length (byte 4); \
         copy it again from where it was recorded",
    ),
    ("version-2.pcapng", "is pcapng of version 2.0 (byte 12), which cannot be read; write it anew as pcapng 1.0"),
    (
        "header-cut.pcap.gz",
        "cannot be unpacked: the packed file is cut off at byte 14, inside a packed stream; \
         copy it again from where it was recorded",
    ),
    (
        "gzip-damaged.pcap.gz",
        "cannot be unpacked: the packed file is damaged at or shortly before byte 11: invalid block type; \
         copy it again from where it was recorded",
    ),
    (
        "zstd-damaged.pcap.zst",
        "cannot be unpacked: the packed file is damaged at or shortly before byte 5: Unsupported frame parameter; \
         copy it again from where it was recorded",
    ),
    ("nothing-inside.pcap.gz", "is empty, so it holds no capture; copy it again from where it was recorded"),
];

#[test]
fn each_broken_capture_is_refused_with_its_name_what_was_found_and_a_remedy() {
    for (file, wanted) in MESSAGES {
        let path = Path::new("tests/bad/captures").join(file);
        let message = match open(&path) {
            Ok(_) => "was opened".to_owned(),
            Err(error) => error.to_string(),
        };
        assert_eq!(message, format!("{}: {wanted}", path.display()));
    }
}

#[test]
fn each_broken_capture_has_a_message() {
    let named: BTreeSet<String> = MESSAGES.iter().map(|(file, _)| (*file).to_owned()).collect();
    let there: BTreeSet<String> = std::fs::read_dir("tests/bad/captures")
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(named, there);
}

#[test]
fn missing_files_and_folders_are_refused_by_name() {
    let message = |path: &str| open(path.as_ref()).err().map(|error| error.to_string()).unwrap_or_default();
    assert!(message("tests/bad/no-such-file").starts_with("tests/bad/no-such-file: cannot be opened: "));
    assert_eq!(
        message("tests/bad"),
        "tests/bad: is a folder, not a capture; name the files in it, or let the folder be searched"
    );
}
