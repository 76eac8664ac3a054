use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{self, Receiver};

use super::*;
use crate::board::Known;
use crate::defs::{Definitions, SourceText};
use crate::frame::{CanId, Frame, FrameBlock};
use crate::gateway::status::TapStatus;
use crate::settings::gateway::{Source, Tap, TapBus};
use crate::snapshot::Snapshot;
use crate::terminal::line::{Line, Request, Said};

const MESSAGES: u32 = 250;
const SIGNALS: u32 = 8;

/// 2,000 signals of a byte each.
fn definitions() -> Arc<Definitions> {
    let mut text = "format = 1\n[bus.b]\nprotocol = \"plain\"\nbitrate = 1_000_000\n".to_owned();
    for message in 0..MESSAGES {
        text += &format!("[[message]]\nname = \"m{message}\"\nbus = \"b\"\nid = {}\n", message + 1);
        for signal in 1..=SIGNALS {
            text += &format!("[[message.signal]]\nname = \"s{signal}\"\nlsb = \"{signal}.1\"\nbits = 8\n");
        }
        text += "[[message.example]]\ndata = \"07 00 00 00 00 00 00 00\"\nexpect = { s1 = 7 }\n";
    }
    let source = SourceText { name: "set.toml".into(), text };
    Arc::new(Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}")))
}

/// Pages at work; they end with it.
struct Yard {
    address: SocketAddr,
    boards: Arc<Boards>,
    status: Arc<Status>,
    marks: Receiver<Mark>,
    stop: Arc<Stop>,
    threads: Vec<JoinHandle<()>>,
}

impl Yard {
    fn new(head_within: Duration) -> Self {
        Self::with_morning(head_within, None)
    }

    fn with_morning(head_within: Duration, morning: Option<&Path>) -> Self {
        let bus = TapBus { bus: "b".into(), source: Source::Interface("can0".into()) };
        let tap = Tap { name: "bay-1".into(), vehicle: Some("204".into()), buses: vec![bus] };
        let days = ServiceDays::new(jiff::tz::TimeZone::get("Europe/Vienna").unwrap(), jiff::civil::Time::MIN);
        let status = Arc::new(Status::default());
        status.add_tap(TapStatus::new(&tap));
        let boards = Arc::new(Boards::new(&[tap], &definitions(), &Default::default(), &days));
        let (sender, marks) = mpsc::channel();
        let subject = Subject { status: status.clone(), boards: boards.clone(), days: Mutex::new(days), marks: sender };
        let settings = Pages {
            listen: Pages::default().listen.map(|address| SocketAddr::new(address.ip(), 0)),
            names: vec!["yard.example".into()],
            updates_per_second: 20,
            morning: morning.map(Path::to_owned),
        };
        let stop = Arc::new(Stop::default());
        let running = start_with(&settings, Arc::new(subject), stop.clone(), head_within).unwrap().unwrap();
        let board = boards.start(settings.updates_per_second, status.clone(), stop.clone()).unwrap();
        Self { address: running.address, boards, status, marks, stop, threads: vec![running.thread, board] }
    }

    /// Sends a text as it is, and gives what comes back until the other side closes.
    fn raw(&self, text: &str) -> String {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        // A server that has had enough may close before it has read all.
        let _refused = stream.write_all(text.as_bytes());
        let mut answer = Vec::new();
        let _reset = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn get(&self, path: &str) -> String {
        self.raw(&format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.address))
    }

    fn post(&self, path: &str, headers: &str, body: &str) -> String {
        self.raw(&format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{headers}Content-Length: {}\r\n\r\n{body}",
            self.address,
            body.len()
        ))
    }

    fn line(&self) -> Line {
        Line::new(&format!("http://{}", self.address), None).unwrap()
    }

    /// All messages, every signal of which says `value`.
    fn say(&self, value: u8) {
        let mut block = FrameBlock::default();
        let now_us = jiff::Timestamp::now().as_microsecond();
        (1..=MESSAGES).for_each(|id| block.push(&Frame::data(now_us, 0, CanId::standard(id), &[value; 8])));
        (self.boards.listener(0))(&block);
    }
}

impl Drop for Yard {
    fn drop(&mut self) {
        self.stop.set();
        for thread in self.threads.drain(..) {
            assert!(thread.join().is_ok() || std::thread::panicking(), "a thread of the pages panicked");
        }
    }
}

fn code(answer: &str) -> &str {
    answer.get(9..12).unwrap_or(answer)
}

#[test]
fn only_who_names_this_host_is_answered() {
    let yard = Yard::new(HEAD_WITHIN);
    let port = yard.address.port();
    for (host, expected) in [
        ("127.0.0.1", "200"),
        ("127.0.0.1:9", "200"),
        ("localhost", "200"),
        ("[::1]", "200"),
        ("YARD.example.", "200"),
        ("yard.example.evil.example", "421"),
        ("evil.example", "421"),
        ("192.0.2.7", "421"),
        ("localhost.evil.example", "421"),
        ("", "421"),
        ("a b", "400"),
    ] {
        let host = if host.contains(':') || host.is_empty() { host.to_owned() } else { format!("{host}:{port}") };
        let answer = yard.raw(&format!("GET /status.json HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"));
        assert!(code(&answer) == expected || host.is_empty() && code(&answer) == "400", "{host}: {answer}");
    }
    assert_eq!(code(&yard.raw("GET / HTTP/1.0\r\n\r\n")), "400");
    assert_eq!(
        code(&yard.raw("GET / HTTP/1.1\r\nHost: localhost\r\nHost: localhost\r\nConnection: close\r\n\r\n")),
        "400"
    );
    let other = "GET http://evil.example/ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    assert_eq!(code(&yard.raw(other)), "421");
}

#[test]
fn only_the_pages_themselves_change_anything() {
    let yard = Yard::new(HEAD_WITHIN);
    let body = r#"{"tap":"bay-1","note":"door  opened\nby hand","who":"Ada"}"#;
    let kind = "Content-Type: application/json\r\n";
    let address = yard.address;
    for origin in
        ["", "Origin: null\r\n", "Origin: http://evil.example\r\n", "Origin: http://127.0.0.1\r\n", "Origin: \r\n"]
    {
        assert_eq!(code(&yard.post("/live/mark", &format!("{kind}{origin}"), body)), "403", "{origin}");
    }
    let origin = format!("Origin: http://{address}\r\n");
    assert_eq!(code(&yard.post("/live/mark", &format!("{origin}Content-Type: text/plain\r\n"), body)), "415");
    assert!(yard.marks.try_recv().is_err(), "a refused mark was set");
    let answer = yard.post("/live/mark", &format!("{origin}{kind}"), body);
    assert_eq!(code(&answer), "200", "{answer}");
    let mark = yard.marks.try_recv().unwrap();
    assert_eq!(
        (mark.note.as_str(), mark.who.as_str(), mark.vehicle.as_deref()),
        ("door opened by hand", "Ada", Some("204"))
    );
    assert_eq!(code(&yard.get("/live/mark")), "405");
    let long = format!(r#"{{"tap":"bay-1","note":"{}"}}"#, "x".repeat(501));
    assert_eq!(code(&yard.post("/live/mark", &format!("{origin}{kind}"), &long)), "422");
    let nowhere = r#"{"tap":"bay-9","note":""}"#;
    assert_eq!(code(&yard.post("/live/mark", &format!("{origin}{kind}"), nowhere)), "404");
    yard.line().ask(&Request::Mark { tap: "bay-1".into(), note: String::new(), who: String::new() }).unwrap();
    assert!(yard.marks.try_recv().is_ok(), "the terminal may too");
}

#[test]
fn bad_requests_are_refused_and_the_pages_go_on() {
    let yard = Yard::new(HEAD_WITHIN);
    let host = format!("Host: {}\r\nConnection: close\r\n", yard.address);
    let large = format!("GET / HTTP/1.1\r\n{host}X: {}\r\n\r\n", "x".repeat(1 << 20));
    let many: String = (0..HEADERS_MAX * 2).map(|n| format!("X{n}: 1\r\n")).collect();
    let origin = format!("Origin: http://{}\r\nContent-Type: application/json\r\n", yard.address);
    let body = format!(r#"{{"tap":"{}"}}"#, "x".repeat(BODY_BYTES_MAX));
    let head = |path: &str| format!("GET {path} HTTP/1.1\r\n{host}\r\n");
    for (request, expected) in [
        ("\r\n\r\n\x16\x03\x01\x02\0\x01\0".to_owned(), "400"),
        ("GET / HTTP/9.9\r\n\r\n".to_owned(), "400"),
        (format!("GET / HTTP/1.1\r\n{host}bad header\r\n\r\n"), "400"),
        (format!("GET / HTTP/1.1\r\n{host}{many}\r\n"), "431"),
        (format!("POST /live/mark HTTP/1.1\r\n{host}{origin}Content-Length: {}\r\n\r\n{body}", body.len()), "413"),
        (format!("POST /live/mark HTTP/1.1\r\n{host}{origin}Content-Length: 3\r\n\r\n{{{{{{"), "400"),
        (format!("POST /live/acknowledge HTTP/1.1\r\n{host}{origin}Content-Length: 2\r\n\r\n{{}}"), "422"),
        (format!("DELETE / HTTP/1.1\r\n{host}\r\n"), "403"),
        (head("/../../etc/passwd"), "404"),
        (head("/live?tap=%00%ff"), "404"),
        (head("/live?tap=bay-9"), "404"),
        (head("/live/stream?tap=bay-9"), "404"),
        (head("/%3Cscript%3E"), "404"),
    ] {
        let answer = yard.raw(&request);
        let shown: String = request.chars().take(80).collect();
        assert_eq!(code(&answer), expected, "{shown:?}: {answer}");
    }
    // The answer to a head that is far too large may be lost with the connection.
    assert!(["431", ""].contains(&code(&yard.raw(&large))));
    assert_eq!(code(&yard.get("/")), "200");
}

#[test]
fn clients_that_never_finish_their_request_are_hung_up_on() {
    let yard = Yard::new(Duration::from_millis(500));
    let idle: Vec<TcpStream> = (0..2 * CONNECTIONS_MAX)
        .map(|index| {
            let mut stream = TcpStream::connect(yard.address).unwrap();
            if index % 2 == 0 {
                stream.write_all(b"GET / HTTP/1.1\r\nHost: local").unwrap();
            }
            stream
        })
        .collect();
    assert_eq!(code(&yard.get("/")), "200", "with more connections open than there may be");
    drop(idle);
}

#[test]
fn more_watchers_than_there_may_be_are_told_so() {
    let yard = Yard::new(HEAD_WITHIN);
    let watch = format!("GET /live/stream HTTP/1.1\r\nHost: {}\r\n\r\n", yard.address);
    let watchers: Vec<TcpStream> = (0..WATCHERS_MAX)
        .map(|_| {
            let mut stream = TcpStream::connect(yard.address).unwrap();
            stream.write_all(watch.as_bytes()).unwrap();
            let mut begin = [0; 12];
            stream.read_exact(&mut begin).unwrap();
            assert_eq!(&begin, b"HTTP/1.1 200");
            stream
        })
        .collect();
    assert_eq!(code(&yard.get("/live/stream")), "503");
    assert_eq!(code(&yard.get("/")), "200");
    drop(watchers);
    // Their places are free once the next thing that is said does not reach them.
    let free = (0..600).any(|_| {
        std::thread::sleep(Duration::from_millis(100));
        let mut stream = TcpStream::connect(yard.address).unwrap();
        stream.write_all(watch.as_bytes()).unwrap();
        let mut begin = [0; 12];
        stream.read_exact(&mut begin).unwrap();
        &begin == b"HTTP/1.1 200"
    });
    assert!(free);
}

#[test]
fn a_fast_and_a_slow_client_both_come_to_know_all() {
    let yard = Yard::new(HEAD_WITHIN);
    let fast = yard.line().listen();
    // Until it is read from, a line takes two updates and what fits into the sockets.
    let slow = yard.line().listen();
    let mut quick = Known::default();
    let mut updates = 0;
    let take = |known: &mut Known, said: Said| match said {
        Said::Update(update) => known.take(*update).unwrap(),
        Said::Down(why) => panic!("{why}"),
    };
    let mut rounds = 0_u64;
    // More than fits into the sockets, of 120 kB each.
    while updates < 150 {
        yard.say((rounds % 200) as u8);
        rounds += 1;
        std::thread::sleep(Duration::from_millis(50));
        while let Ok(said) = fast.try_recv() {
            take(&mut quick, said);
            updates += 1;
        }
    }
    yard.say(250);
    let is_last = |known: &Known| known.rows.len() == 2_000 && known.rows.iter().all(|row| row.text == "250");
    let read_to_end = |known: &mut Known, line: &Receiver<Said>| {
        let mut count = 0;
        while !is_last(known) {
            take(known, line.recv_timeout(Duration::from_secs(60)).unwrap());
            count += 1;
        }
        count
    };
    updates += read_to_end(&mut quick, &fast);
    let mut late = Known::default();
    let late_updates = read_to_end(&mut late, &slow);
    assert!(late_updates < updates, "{late_updates} updates for the slow client, {updates} for the fast one");
    let counts = |known: &Known| known.rows.iter().map(|row| row.changes).collect::<Vec<_>>();
    assert_eq!(counts(&late), counts(&quick), "no change is lost to who reads late");
    assert!(counts(&quick).iter().all(|changes| *changes == rounds), "each round is a change of every signal");
    let tap = yard.status.tap(0).unwrap();
    assert_eq!(tap.live_lost.load(Ordering::Relaxed), 0);
}

#[test]
fn new_definitions_begin_the_board_anew_for_who_watches() {
    let yard = Yard::new(HEAD_WITHIN);
    let line = yard.line().listen();
    let next = || match line.recv_timeout(Duration::from_secs(60)).unwrap() {
        Said::Update(update) => update,
        Said::Down(why) => panic!("{why}"),
    };
    assert_eq!((next().generation, 1), (1, 1));
    yard.boards.replace(
        &definitions(),
        &Default::default(),
        &ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::Time::MIN),
    );
    let anew = (0..100).map(|_| next()).find(|update| update.generation == 2).unwrap();
    assert_eq!((anew.since, anew.rows.len()), (0, 2_000));
}

#[test]
fn frames_beyond_the_basket_are_counted() {
    let yard = Yard::new(HEAD_WITHIN);
    let mut block = FrameBlock::default();
    (0..200_000).for_each(|n| block.push(&Frame::data(n, 0, CanId::standard(1), &[n as u8; 12])));
    (yard.boards.listener(0))(&block);
    let tap = yard.status.tap(0).unwrap();
    let counted = (0..600).any(|_| {
        std::thread::sleep(Duration::from_millis(100));
        tap.live_lost.load(Ordering::Relaxed) > 0
    });
    assert!(counted);
    assert_eq!(tap.live_lost.load(Ordering::Relaxed), 200_000 - (1 << 16));
}

#[test]
fn nothing_listens_beyond_loopback_by_default() {
    assert!(Pages::default().listen.unwrap().ip().is_loopback());
    let yard = Yard::new(HEAD_WITHIN);
    // What the kernel says: 0A is listening; 0100007F is 127.0.0.1.
    let sockets = std::fs::read_to_string("/proc/self/net/tcp").unwrap();
    let port = format!(":{:04X}", yard.address.port());
    let listening: Vec<&str> = sockets
        .lines()
        .filter_map(|line| {
            let mut fields = line.split_whitespace().skip(1);
            let (local, state) = (fields.next()?, fields.nth(1)?);
            (state == "0A" && local.ends_with(&port)).then_some(local)
        })
        .collect();
    assert_eq!(listening, [format!("0100007F{port}")]);
}

#[test]
fn an_address_that_is_taken_is_told() {
    let yard = Yard::new(HEAD_WITHIN);
    let settings = Pages { listen: Some(yard.address), ..Pages::default() };
    let days = Mutex::new(ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::Time::MIN));
    let subject = Subject { status: yard.status.clone(), boards: yard.boards.clone(), days, marks: mpsc::channel().0 };
    let error = start(&settings, Arc::new(subject), Arc::default()).unwrap_err().to_string();
    assert!(error.contains(&yard.address.to_string()) && error.contains("under [pages]"), "{error}");
}

/// A state in which everything is said, with texts that mean something to HTML and to the exposition format.
fn eventful(yard: &Yard) {
    let status = &yard.status;
    status.trouble("recording: can\"0", "back\\slash\n<script>alert(1)</script>".into());
    status.started_us.store(1_700_000_000_000_000, Ordering::Relaxed);
    status.inbox.quarantined.lock().unwrap().push(("<b>.pcap".into(), "no capture & no text".into()));
    let bus = status.bus(0, 0).unwrap();
    bus.last_frame_us.store(1_700_000_000_500_000, Ordering::Relaxed);
    bus.load_hundredths.store(2_350, Ordering::Relaxed);
    let mut link = bus.link.lock().unwrap();
    (link.listen_only, link.bitrate) = (Some(false), Some(250_000));
    link.remark = Some("set listen-only with <ip link>".into());
}

#[test]
fn status_says_all_and_escapes_what_others_wrote() {
    let yard = Yard::new(HEAD_WITHIN);
    eventful(&yard);
    let page = yard.get("/");
    for part in
        ["&lt;script&gt;alert(1)", "&lt;b&gt;.pcap", "NOT listen-only", "23.5 %", "vehicle 204", "capacitors kill"]
    {
        assert!(page.contains(part), "{part} is missing in\n{page}");
    }
    assert!(!page.contains("<script>alert") && page.contains("default-src 'none'"));
    let json = yard.get("/status.json");
    let snapshot: Snapshot = serde_json::from_str(json.split_once("\r\n\r\n").unwrap().1).unwrap();
    assert_eq!(snapshot.troubles.len(), 1);
    assert_eq!(yard.line().status().unwrap().taps, snapshot.taps);
}

/// The grammar of the text format 0.0.4, line by line.
#[test]
fn metrics_follow_the_text_format() {
    let yard = Yard::new(HEAD_WITHIN);
    eventful(&yard);
    let answer = yard.get("/metrics");
    assert!(answer.contains("content-type: text/plain; version=0.0.4"), "{answer}");
    let is_name = |name: &str| {
        name.starts_with("yardtap_") && name.bytes().all(|b| b.is_ascii_lowercase() || b == b'_' || b.is_ascii_digit())
    };
    let mut kinds = std::collections::BTreeMap::new();
    for line in answer.split_once("\r\n\r\n").unwrap().1.lines() {
        if let Some(help) = line.strip_prefix("# HELP ") {
            assert!(is_name(help.split_once(' ').unwrap().0), "{line}");
        } else if let Some(kind) = line.strip_prefix("# TYPE ") {
            let (name, kind) = kind.split_once(' ').unwrap();
            assert!(kinds.insert(name.to_owned(), kind).is_none(), "{name} stands in two places");
            assert_eq!(kind == "counter", name.ends_with("_total"), "{name} is a {kind}");
        } else {
            let (sample, value) = line.rsplit_once(' ').unwrap();
            assert!(value.parse::<f64>().is_ok_and(f64::is_finite), "{line}");
            let name = sample.split('{').next().unwrap();
            assert!(kinds.contains_key(name), "{line} has no type before it");
            assert_eq!(sample.contains('{'), sample.ends_with('}'), "{line}");
        }
    }
    for part in [
        r#"yardtap_trouble{cause="recording: can\"0"} 1"#,
        r#"yardtap_bus_load_ratio{tap="bay-1",bus="b",interface="can0"} 0.235"#,
        r#"yardtap_interface_listen_only{tap="bay-1",bus="b",interface="can0"} 0"#,
        "yardtap_last_frame_timestamp_seconds",
    ] {
        assert!(answer.contains(part), "{part} is missing in\n{answer}");
    }
}

#[test]
fn the_mornings_pages_are_given_as_they_are_and_nothing_else() {
    let around = tempfile::tempdir().unwrap();
    let folder = around.path().join("morning");
    std::fs::create_dir_all(folder.join("vehicle")).unwrap();
    std::fs::write(around.path().join("secret.html"), "not theirs").unwrap();
    std::fs::write(folder.join("index.html"), "<p>worklist").unwrap();
    std::fs::write(folder.join("vehicle/207.html"), "<p>207").unwrap();
    std::fs::write(folder.join("plan.csv"), "a\r\n").unwrap();
    std::fs::write(folder.join("notes.txt"), "not a page").unwrap();
    std::os::unix::fs::symlink("../secret.html", folder.join("out.html")).unwrap();
    std::os::unix::fs::symlink("vehicle", folder.join("folder.html")).unwrap();
    let yard = Yard::with_morning(HEAD_WITHIN, Some(&folder));
    let index = yard.get("/morning/");
    assert!(code(&index) == "200" && index.ends_with("<p>worklist"), "{index}");
    for header in [
        "content-type: text/html; charset=utf-8",
        "content-security-policy: default-src 'none'",
        "last-modified: ",
        "nosniff",
    ] {
        assert!(index.to_ascii_lowercase().contains(header), "{header}: {index}");
    }
    assert!(yard.get("/morning/vehicle/207.html").ends_with("<p>207"));
    assert!(yard.get("/morning/plan.csv").contains("text/csv"));
    assert!(yard.get("/").contains("href=\"/morning/\"") && yard.get("/live").contains("href=\"/morning/\""));
    let moved = yard.get("/morning");
    assert!(code(&moved) == "308" && moved.contains("location: /morning/"), "{moved}");
    for nothing in [
        "/morning/../secret.html",
        "/morning/%2e%2e/secret.html",
        "/morning/..%2fsecret.html",
        "/morning/%2e%2e%2fsecret.html",
        "/morning//etc/passwd",
        "/morning/%2fetc%2fpasswd",
        "/morning/out.html",
        "/morning/folder.html",
        "/morning/vehicle",
        "/morning/vehicle/",
        "/morning/notes.txt",
        "/morning/missing.html",
        "/morning/index.html%00.html",
        "/morning/%ff.html",
        "/morning/index.html/",
        "/morning/.%2e/secret.html",
    ] {
        let answer = yard.get(nothing);
        assert!(matches!(code(&answer), "404" | "400"), "{nothing}: {answer}");
        assert!(!answer.contains("not theirs") && !answer.contains("root:"), "{nothing}");
    }
    // What a browser has already is not sent again; what was written anew is.
    let tag = index.lines().find_map(|line| line.strip_prefix("etag: ")).unwrap();
    let again = |tag: &str| {
        yard.raw(&format!(
            "GET /morning/ HTTP/1.1\r\nHost: localhost\r\nIf-None-Match: {tag}\r\nConnection: close\r\n\r\n"
        ))
    };
    assert_eq!([tag, "W/\"x\", *", "\"other\""].map(|tag| code(&again(tag)).to_owned()), ["304", "304", "200"]);
    std::fs::write(folder.join("index.html"), "<p>another worklist").unwrap();
    assert_eq!(code(&again(tag)), "200");
    std::fs::remove_dir_all(&folder).unwrap();
    let gone = yard.get("/morning/");
    assert!(code(&gone) == "404" && gone.contains("yardtap morning"), "{gone}");
}

#[test]
fn without_a_folder_there_is_no_morning() {
    let yard = Yard::new(HEAD_WITHIN);
    let answer = yard.get("/morning/");
    assert!(code(&answer) == "404" && answer.contains("[pages]"), "{answer}");
    assert!(!yard.get("/").contains("/morning/") && !yard.get("/live").contains("{{morning}}"));
}
