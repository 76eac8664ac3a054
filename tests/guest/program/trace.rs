//! System calls of a process, out of the log that `strace -f -o` writes: which were made on CAN sockets.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

#[derive(Debug, Default)]
pub struct Calls {
    /// CAN sockets that were opened.
    pub sockets: usize,
    /// Calls that name one of them, and how often.
    pub names: BTreeMap<String, usize>,
    /// Those that could send, whole lines.
    pub sending: Vec<String>,
}

/// Calls that a recorder may make on a CAN socket. Any other is taken for sending.
const HARMLESS: &[&str] = &[
    "bind",
    "close",
    "fcntl",
    "getsockopt",
    "getsockname",
    "ioctl",
    "poll",
    "ppoll",
    "recvmmsg",
    "setsockopt",
    "fstat",
];

/// Reads a log. Whatever has the number of a CAN socket as an argument counts, also where the number may mean something
/// else: better one line too many than one too few.
pub fn calls(log: &Path) -> Calls {
    let text = std::fs::read_to_string(log).expect("a log of calls");
    let mut calls = Calls::default();
    let mut open: BTreeSet<String> = BTreeSet::new();
    // A call that another thread interrupted is told in two lines, its result in the second.
    let mut begun: HashMap<String, String> = HashMap::new();
    for line in text.lines() {
        let (thread, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let rest = rest.trim_start();
        let whole = if let Some(front) = rest.strip_suffix("<unfinished ...>") {
            begun.insert(thread.to_owned(), front.to_owned());
            continue;
        } else if let Some(resumed) = rest.strip_prefix("<... ") {
            let back = resumed.split_once("resumed>").map_or("", |(_, back)| back);
            format!("{}{back}", begun.remove(thread).unwrap_or_default())
        } else {
            rest.to_owned()
        };
        let Some((name, arguments)) = whole.split_once('(') else { continue };
        assert!(!name.starts_with("io_uring"), "calls by a ring are not told one by one: {whole}");
        if name == "socket" {
            if arguments.starts_with("AF_CAN")
                && let Some((_, number)) = whole.rsplit_once(" = ")
            {
                open.insert(number.trim().to_owned());
                calls.sockets += 1;
            }
            continue;
        }
        let first = arguments.split([',', ')']).next().unwrap_or_default().trim();
        // Waiting names its sockets in a list.
        let names_one = if name.ends_with("poll") {
            open.iter().any(|number| arguments.contains(&format!("fd={number},")))
        } else if name.starts_with("dup") {
            assert!(!open.contains(first), "a CAN socket under a second number: {whole}");
            false
        } else {
            // A number could also be given later, as to `splice` and `sendfile`.
            let sends_by_other =
                ["splice", "sendfile", "copy_file_range", "tee"].iter().any(|other| name.starts_with(other));
            open.contains(first) || sends_by_other && arguments.split([',', ')', ' ']).any(|word| open.contains(word))
        };
        if !names_one {
            continue;
        }
        *calls.names.entry(name.to_owned()).or_default() += 1;
        if !HARMLESS.contains(&name) {
            calls.sending.push(whole.clone());
        }
        if name == "close" {
            open.remove(first);
        }
    }
    // A call that was under way when the process ended.
    for (_, front) in begun {
        let name = front.split('(').next().unwrap_or_default();
        let first = front.split_once('(').and_then(|(_, rest)| rest.split([',', ')']).next()).unwrap_or_default();
        if open.contains(first.trim()) && !HARMLESS.contains(&name) {
            calls.sending.push(front.clone());
        }
    }
    calls
}
