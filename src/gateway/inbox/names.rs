//! Names that others chose: which are passing ones, how they are shown, how they are made longer. Pure.

use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::Path;

/// Longest name that common file systems take.
const NAME_BYTES_MAX: usize = 255;
/// What stands behind the name of a file that tells why another was set aside.
pub(super) const REASON_SUFFIX: &str = ".reason.txt";
/// Room for the reason's suffix and a number.
const NAME_BYTES_KEPT: usize = NAME_BYTES_MAX - REASON_SUFFIX.len() - 12;
/// Longest part that is taken for a file's extension.
const EXTENSION_BYTES_MAX: usize = 16;

/// Whether a name is one that transfers give to what they are still writing: hidden files, and these suffixes. Hidden
/// folders hold such files.
pub(super) fn is_passing(name: &OsStr) -> bool {
    const SUFFIXES: [&[u8]; 6] = [b".part", b".partial", b".filepart", b".tmp", b".temp", b"~"];
    let name = name.as_bytes().to_ascii_lowercase();
    name.starts_with(b".") || SUFFIXES.iter().any(|suffix| name.ends_with(suffix))
}

/// A path as one line of text: what cannot be printed is escaped.
pub(super) fn shown(path: &Path) -> String {
    let text = path.to_string_lossy();
    if !text.contains(char::is_control) {
        return text.into_owned();
    }
    text.chars().map(|c| if c.is_control() { c.escape_default().to_string() } else { c.to_string() }).collect()
}

/// A name with a number before its extension; the first has none. Short enough for what is put behind it.
pub(super) fn numbered(name: &OsStr, number: u32) -> OsString {
    let bytes = name.as_bytes();
    // Of "a.pcapng.zst" both count; of "2026.01.02 morning" none.
    let first = bytes.iter().skip(1).position(|byte| *byte == b'.').map(|at| at + 1);
    let last = bytes.iter().rposition(|byte| *byte == b'.').filter(|at| *at > 0);
    let cut = [first, last].into_iter().flatten().find(|at| bytes.len() - at <= EXTENSION_BYTES_MAX);
    let (stem, extension) = bytes.split_at(cut.unwrap_or(bytes.len()));
    let mut stem = stem[..stem.len().min(NAME_BYTES_KEPT - extension.len())].to_vec();
    if number > 1 {
        stem.extend_from_slice(format!("-{number}").as_bytes());
    }
    stem.extend_from_slice(extension);
    OsString::from_vec(stem)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passing_names_are_told() {
        for name in [".a.pcapng.Xy12Zq", "a.pcap.part", "a.pcap.filepart", "a.TMP", "a.pcap~", ".rsync-partial"] {
            assert!(is_passing(OsStr::new(name)), "{name}");
        }
        for name in ["a.pcapng", "part", "a.part.pcap", "tmp", "a"] {
            assert!(!is_passing(OsStr::new(name)), "{name}");
        }
    }

    #[test]
    fn a_number_goes_before_the_extension() {
        let by = |name: &str, number| numbered(OsStr::new(name), number).into_string().unwrap();
        assert_eq!(by("a.pcapng.zst", 1), "a.pcapng.zst");
        assert_eq!(by("a.pcapng.zst", 2), "a-2.pcapng.zst");
        assert_eq!(by("a", 12), "a-12");
        assert_eq!(by("2026.02.03T04 morning.pcap", 2), "2026.02.03T04 morning-2.pcap");
        assert_eq!(by(".pcap", 2), ".pcap-2");
    }

    #[test]
    fn a_long_name_leaves_room_for_what_is_put_behind_it() {
        for name in ["x".repeat(255), format!("{}.pcap", "y".repeat(250)), "z.".repeat(127)] {
            let numbered = numbered(OsStr::new(&name), u32::MAX);
            assert!(numbered.len() + REASON_SUFFIX.len() <= NAME_BYTES_MAX, "{numbered:?}");
        }
    }

    #[test]
    fn what_cannot_be_printed_is_escaped() {
        assert_eq!(shown(Path::new("a\nb\x1b[2J")), "a\\nb\\u{1b}[2J");
        assert_eq!(shown(Path::new(OsStr::from_bytes(b"a\xffb"))), "a\u{fffd}b");
        assert_eq!(shown(Path::new("Wagen 204/früh.pcap")), "Wagen 204/früh.pcap");
    }
}
