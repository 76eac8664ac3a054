//! Names of files, and of places in a page, from texts that may hold anything.

use std::collections::HashSet;

use twox_hash::XxHash3_128;

/// Letters of a name; what is longer is cut, and told apart by a number.
const LETTERS_MAX: usize = 80;

/// A text in letters that every file system and address takes: ASCII letters, digits, `-` and `_` as they are,
/// anything else as `~` and its bytes in hexadecimal.
pub(super) fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' => out.push(char::from(byte)),
            other => out += &format!("~{other:02x}"),
        }
    }
    if out.is_empty() {
        out.push('~');
    }
    if out.len() > LETTERS_MAX {
        out.truncate(LETTERS_MAX - 33);
        out += &format!("~{:032x}", XxHash3_128::oneshot(text.as_bytes()));
    }
    out
}

/// Names that are given once. Upper and lower case are one, for some file systems take them so.
#[derive(Debug, Default)]
pub(super) struct Names {
    given: HashSet<String>,
}

impl Names {
    /// A plain name that was not given before.
    pub fn give(&mut self, text: &str) -> String {
        self.give_plain(&plain(text))
    }

    /// The same of a name that is plain already.
    pub fn give_plain(&mut self, name: &str) -> String {
        let mut candidate = name.to_owned();
        let mut number = 2;
        while !self.given.insert(candidate.to_ascii_lowercase()) {
            candidate = format!("{name}~{number}");
            number += 1;
        }
        candidate
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_stays_in_its_folder() {
        assert_eq!(plain("battery-plan"), "battery-plan");
        assert_eq!(plain("../../etc/passwd"), "~2e~2e~2f~2e~2e~2fetc~2fpasswd");
        assert_eq!(plain("<script>\"'\u{202e}"), "~3cscript~3e~22~27~e2~80~ae");
        assert_eq!(plain(""), "~");
        assert_ne!(plain(&"x".repeat(500)), plain(&"x".repeat(501)));
        assert_eq!(plain(&"ж".repeat(500)).len(), LETTERS_MAX);
    }

    #[test]
    fn no_name_is_given_twice() {
        let mut names = Names::default();
        assert_eq!(["a1", "A1", "a1", "a1~2"].map(|text| names.give(text)), ["a1", "A1~2", "a1~3", "a1~7e2"]);
    }
}
