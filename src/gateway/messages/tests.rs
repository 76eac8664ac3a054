use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Mutex;

use tempfile::TempDir;

use super::*;

/// What the test's server does with a request.
#[derive(Debug, Clone, Copy)]
enum Deed {
    /// This status.
    Answer(u16),
    /// This status, and asks for so many seconds.
    Later(u16, u32),
    /// Reads it, and closes the connection without a word.
    Drop,
    /// Closes the connection before it reads.
    Slam,
    /// Answers with something that is no HTTP.
    Babble,
    /// Does not answer while the test lasts.
    Hang,
}

/// A request as it came.
#[derive(Debug, Clone)]
struct Request {
    head: String,
    body: Value,
}

/// A receiver on this machine. Deeds are done in turn; then everything is taken.
struct Server {
    url: String,
    deeds: Arc<Mutex<VecDeque<Deed>>>,
    requests: Arc<Mutex<Vec<Request>>>,
}

impl Server {
    fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/events", listener.local_addr().unwrap());
        let (deeds, requests) = (Arc::new(Mutex::new(VecDeque::new())), Arc::new(Mutex::new(Vec::new())));
        let server = Self { url, deeds: deeds.clone(), requests: requests.clone() };
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (deeds, requests) = (deeds.clone(), requests.clone());
                // A client that goes away ends its connection, not the server.
                std::thread::spawn(move || serve(stream, &deeds, &requests).is_ok());
            }
        });
        server
    }

    fn will(&self, deeds: &[Deed]) {
        self.deeds.lock().unwrap().extend(deeds);
    }

    /// Ids of the events that were posted, in order.
    fn ids(&self) -> Vec<String> {
        let requests = self.requests.lock().unwrap();
        requests.iter().map(|request| request.body["id"].as_str().unwrap().to_owned()).collect()
    }
}

fn serve(mut stream: TcpStream, deeds: &Mutex<VecDeque<Deed>>, requests: &Mutex<Vec<Request>>) -> std::io::Result<()> {
    let mut reader = BufReader::new(stream.try_clone()?);
    let mut head = String::new();
    for number in 0.. {
        if matches!(deeds.lock().unwrap().front(), Some(Deed::Slam)) {
            // A connection in use may be closed at any time; the client takes another. That one is slammed.
            if number == 0 {
                deeds.lock().unwrap().pop_front();
            }
            return Ok(());
        }
        head.clear();
        while reader.read_line(&mut head)? > 2 {}
        let head_line = |name: &str| {
            head.lines().find_map(|line| line.split_once(": ").filter(|(found, _)| found.eq_ignore_ascii_case(name)))
        };
        let Some((_, length)) = head_line("content-length") else { return Ok(()) };
        let mut body = vec![0; length.parse().unwrap()];
        reader.read_exact(&mut body)?;
        let body = serde_json::from_slice(&body).unwrap();
        requests.lock().unwrap().push(Request { head: head.clone(), body });
        // Not within the match: the lock would be held as long as that.
        let deed = deeds.lock().unwrap().pop_front().unwrap_or(Deed::Answer(204));
        match deed {
            Deed::Answer(status) => write!(stream, "HTTP/1.1 {status} X\r\nContent-Length: 0\r\n\r\n")?,
            Deed::Later(status, seconds) => {
                write!(stream, "HTTP/1.1 {status} X\r\nRetry-After: {seconds}\r\nContent-Length: 0\r\n\r\n")?;
            }
            Deed::Drop | Deed::Slam => return Ok(()),
            Deed::Hang => loop {
                std::thread::park();
            },
            Deed::Babble => {
                stream.write_all(b"\x00\xffnonsense\r\n\r\n")?;
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Events that a test puts there.
#[derive(Default)]
struct Book {
    events: RefCell<Vec<Event>>,
    reads: Cell<usize>,
}

impl Events for Book {
    fn state(&self, _: &RangeInclusive<TimeUs>) -> Result<u64, StoreError> {
        Ok(self.events.borrow().len() as u64)
    }

    fn read(&self, span: &RangeInclusive<TimeUs>) -> Result<Vec<Event>, StoreError> {
        self.reads.set(self.reads.get() + 1);
        Ok(self.events.borrow().iter().filter(|event| span.contains(&event.time_us)).cloned().collect())
    }
}

const DAY: TimeUs = 86_400 * 1_000_000;
/// The test's now.
const NOW: TimeUs = 20_500 * DAY;

fn event(vehicle: &str, counter: &str, time_us: TimeUs) -> Event {
    let time = jiff::Timestamp::from_microsecond(time_us).unwrap().to_string();
    let row = json!({ "time": time, "vehicle": vehicle, "counter": counter, "amount": 1.0, "a.b": 2.5, "a.c": null });
    Event::of(row.as_object().unwrap().clone()).unwrap()
}

impl Book {
    fn put(&self, time_us: TimeUs) -> String {
        let event = event("204", "pole_offs", time_us);
        let id = event.id.clone();
        self.events.borrow_mut().push(event);
        id
    }
}

struct Depot {
    folder: TempDir,
    server: Server,
    status: Status,
    settings: MessageSettings,
    book: Book,
}

impl Depot {
    fn new() -> Self {
        let server = Server::new();
        let settings = MessageSettings {
            name: "depot".into(),
            url: server.url.clone(),
            events: vec!["pole_offs".into()],
            token_variable: None,
        };
        let status = Status::default();
        Self { folder: tempfile::tempdir().unwrap(), server, status, settings, book: Book::default() }
    }

    /// A receiver as after a start of the service.
    fn receiver(&self) -> Receiver {
        Receiver::new(&self.settings, self.folder.path()).unwrap()
    }

    /// One that has been told that there is nothing yet.
    fn fresh(&self) -> Receiver {
        let mut receiver = self.receiver();
        assert_eq!(self.tell(&mut receiver), Round::All);
        receiver
    }

    fn tell(&self, receiver: &mut Receiver) -> Round {
        self.tell_at(receiver, NOW)
    }

    fn tell_at(&self, receiver: &mut Receiver, now_us: TimeUs) -> Round {
        receiver.tell(&self.book, now_us, &self.status, &|| false)
    }
}

#[test]
fn each_event_is_told_once_in_order_and_known_after_a_start() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let second = depot.book.put(NOW - 1);
    let first = depot.book.put(NOW - 2);
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert_eq!(depot.server.ids(), [first.clone(), second.clone()]);
    let mut receiver = depot.receiver();
    assert_eq!(depot.tell(&mut receiver), Round::All);
    let third = depot.book.put(NOW);
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert_eq!(depot.server.ids(), [first, second, third]);
    assert_eq!(depot.status.receiver("depot").told.load(Ordering::Relaxed), 3);
    assert_eq!(depot.status.receiver("depot").waiting.load(Ordering::Relaxed), 0);
}

#[test]
fn the_message_is_as_documented() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let id = depot.book.put(NOW);
    depot.tell(&mut receiver);
    let request = depot.server.requests.lock().unwrap()[0].clone();
    let head = request.head.to_ascii_lowercase();
    assert!(head.starts_with("post /events http/1.1\r\n"), "{head}");
    assert!(head.contains(&format!("idempotency-key: \"{id}\"\r\n")), "{head}");
    assert!(head.contains("content-type: application/json\r\n"), "{head}");
    assert!(!head.contains("authorization"), "{head}");
    let wanted = json!({
        "format": 1, "id": id, "counter": "pole_offs", "vehicle": "204", "time": "2026-02-16T00:00:00Z", "end": null,
        "run_start": null, "service_day": null, "amount": 1.0, "latitude": null, "longitude": null,
        "values": { "a.b": 2.5 }
    });
    assert_eq!(request.body, wanted);
}

#[test]
fn what_was_there_before_is_not_told_and_other_counters_neither() {
    let depot = Depot::new();
    depot.book.put(NOW - DAY);
    let mut receiver = depot.fresh();
    depot.book.events.borrow_mut().push(event("204", "door_openings", NOW));
    let id = depot.book.put(NOW);
    depot.tell(&mut receiver);
    assert_eq!(depot.server.ids(), [id]);
    // A counter that is chosen later: its events from then on.
    let depot = Depot {
        settings: MessageSettings {
            events: vec!["pole_offs".into(), "door_openings".into()],
            ..depot.settings.clone()
        },
        ..depot
    };
    let mut receiver = depot.receiver();
    depot.tell(&mut receiver);
    let later = event("204", "door_openings", NOW + 1);
    depot.book.events.borrow_mut().push(later.clone());
    depot.tell(&mut receiver);
    assert_eq!(depot.server.ids()[1..], [later.id]);
}

#[test]
fn late_events_are_told_too() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let new = depot.book.put(NOW);
    depot.tell(&mut receiver);
    let late = depot.book.put(NOW - 20 * DAY);
    let too_late = depot.book.put(NOW - 31 * DAY);
    depot.tell(&mut receiver);
    assert_eq!(depot.server.ids(), [new, late]);
    assert_ne!(depot.server.ids().last(), Some(&too_late));
}

#[test]
fn failures_of_every_kind_lose_nothing() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let ids: Vec<String> = (0..20).map(|number| depot.book.put(NOW + number)).collect();
    let deeds = [Deed::Answer(500), Deed::Drop, Deed::Slam, Deed::Babble, Deed::Answer(302), Deed::Answer(401)];
    let mut rounds = 0;
    for deed in deeds {
        depot.server.will(&[Deed::Answer(200), deed]);
        assert!(matches!(depot.tell(&mut receiver), Round::Again(_)), "{deed:?}");
        assert_eq!(depot.status.troubles().len(), 1, "{deed:?}");
        // As if the service had been started anew in between.
        receiver = depot.receiver();
        rounds += 1;
    }
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert!(depot.status.troubles().is_empty());
    let mut told = depot.server.ids();
    assert!(told.len() <= ids.len() + rounds, "only what failed is told again");
    told.dedup();
    assert_eq!(told, ids);
}

#[test]
fn a_receiver_that_is_down_is_left_alone_longer_and_longer() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    depot.book.put(NOW);
    let mut waits = Vec::new();
    for _ in 0..12 {
        depot.server.will(&[Deed::Answer(503)]);
        let Round::Again(wait) = depot.tell(&mut receiver) else { panic!("it is down") };
        waits.push(wait);
    }
    assert!(waits.is_sorted());
    assert_eq!((waits[0], waits[11]), WAITS);
    assert_eq!(depot.server.ids().len(), 12, "one attempt a round");
    depot.server.will(&[Deed::Later(429, 900)]);
    assert_eq!(depot.tell(&mut receiver), Round::Again(Duration::from_secs(900)));
    assert_eq!(depot.tell(&mut receiver), Round::All);
    depot.book.put(NOW + 1);
    depot.server.will(&[Deed::Answer(503)]);
    assert_eq!(depot.tell(&mut receiver), Round::Again(WAITS.0), "and from the beginning after that");
}

#[test]
fn a_receiver_that_is_down_for_two_months_misses_nothing() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let mut ids = Vec::new();
    for day in 0..60 {
        ids.push(depot.book.put(NOW + day * DAY));
        depot.server.will(&[Deed::Slam]);
        // Each time after a start: what is in memory is not needed.
        receiver = depot.receiver();
        assert!(matches!(depot.tell_at(&mut receiver, NOW + day * DAY), Round::Again(_)));
    }
    assert_eq!(depot.tell_at(&mut receiver, NOW + 60 * DAY), Round::All);
    assert_eq!(depot.server.ids(), ids);
}

#[test]
fn one_event_that_is_refused_does_not_hold_up_the_others() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let ids: Vec<String> = (0..3).map(|number| depot.book.put(NOW + number)).collect();
    depot.server.will(&[Deed::Answer(200), Deed::Answer(422), Deed::Answer(200)]);
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert_eq!(depot.server.ids(), ids);
    assert!(depot.status.troubles()[0].1.contains("1 events were refused"));
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert_eq!(depot.server.ids().len(), 3, "not again within the hour");
    // After a start it is tried again, and the window does not leave it behind.
    let mut receiver = depot.receiver();
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert_eq!(depot.server.ids()[3..], [ids[1].clone()]);
    assert!(depot.status.troubles().is_empty());
}

#[test]
fn one_that_is_refused_for_weeks_is_given_up() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    depot.book.put(NOW);
    depot.server.will(&[Deed::Answer(400), Deed::Answer(400)]);
    depot.tell(&mut receiver);
    let mut receiver = depot.receiver();
    depot.tell_at(&mut receiver, NOW + WINDOW_US + 1);
    let mut receiver = depot.receiver();
    depot.tell_at(&mut receiver, NOW + WINDOW_US + 2);
    assert_eq!(depot.server.ids().len(), 2);
}

#[test]
fn a_clock_far_ahead_does_not_shut_out_later_events() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    depot.book.put(NOW + 3_650 * DAY);
    depot.tell(&mut receiver);
    let id = depot.book.put(NOW + 1);
    depot.tell(&mut receiver);
    assert_eq!(depot.server.ids()[1..], [id]);
}

#[test]
fn a_damaged_memory_tells_again_rather_than_not_at_all() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let id = depot.book.put(NOW);
    depot.tell(&mut receiver);
    let path = depot.folder.path().join("delivered/depot.json");
    let text = std::fs::read(&path).unwrap();
    std::fs::write(&path, &text[..text.len() / 2]).unwrap();
    let mut receiver = depot.receiver();
    depot.tell(&mut receiver);
    assert_eq!(depot.server.ids(), [id.clone(), id]);
    assert!(path.with_extension("damaged").exists());
}

#[test]
fn nothing_new_costs_no_reading() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    depot.book.put(NOW);
    depot.tell(&mut receiver);
    let reads = depot.book.reads.get();
    for _ in 0..100 {
        depot.tell(&mut receiver);
    }
    assert_eq!(depot.book.reads.get(), reads);
}

#[test]
fn a_stop_ends_it_between_events_and_loses_nothing() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let ids: Vec<String> = (0..5).map(|number| depot.book.put(NOW + number)).collect();
    receiver.tell(&depot.book, NOW, &depot.status, &|| depot.server.ids().len() >= 2);
    assert_eq!(depot.server.ids(), ids[..2]);
    assert!(depot.status.troubles().is_empty(), "to be stopped is none");
    let mut receiver = depot.receiver();
    depot.tell(&mut receiver);
    let mut told = depot.server.ids();
    told.dedup();
    assert_eq!(told, ids);
}

#[test]
fn a_stop_is_not_held_up_by_a_receiver_that_does_not_answer() {
    let depot = Depot::new();
    let mut receiver = depot.fresh();
    let id = depot.book.put(NOW);
    depot.server.will(&[Deed::Hang]);
    let round = receiver.tell(&depot.book, NOW, &depot.status, &|| !depot.server.ids().is_empty());
    assert!(matches!(round, Round::Again(_)));
    assert!(depot.status.troubles().is_empty(), "the time was not waited for: {:?}", depot.status.troubles());
    let mut receiver = depot.receiver();
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert_eq!(depot.server.ids(), [id.clone(), id]);
}

#[test]
fn a_token_that_is_not_set_is_told_and_nothing_is_sent() {
    let mut depot = Depot::new();
    depot.settings.token_variable = Some("YARDTAP_TEST_NOT_SET_ANYWHERE".into());
    let mut receiver = depot.fresh();
    depot.book.put(NOW);
    assert!(matches!(depot.tell(&mut receiver), Round::Again(_)));
    assert!(depot.status.troubles()[0].1.contains("YARDTAP_TEST_NOT_SET_ANYWHERE is not set"));
    assert!(depot.server.ids().is_empty());
    // Every system has this one.
    depot.settings.token_variable = Some("PATH".into());
    let mut receiver = depot.receiver();
    assert_eq!(depot.tell(&mut receiver), Round::All);
    assert!(depot.server.requests.lock().unwrap()[0].head.to_ascii_lowercase().contains("authorization: bearer /"));
}

#[test]
fn the_id_is_of_vehicle_counter_and_time() {
    let one = event("204", "pole_offs", NOW).id;
    assert_eq!(one, event("204", "pole_offs", NOW).id);
    for other in [event("205", "pole_offs", NOW), event("204", "pole_off", NOW), event("204", "pole_offs", NOW + 1)] {
        assert_ne!(one, other.id);
    }
}

#[test]
fn events_of_the_store_are_told_as_captures_are_filed() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("store");
    let store = Store::open(&root).unwrap();
    let defs = crate::defs::Definitions::load(Path::new("signal-defs/velmora")).unwrap();
    let settings = crate::filing::Settings {
        days: crate::day::ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::Time::MIN),
        vehicle: None,
        unknown_vehicle: "unknown".into(),
        vehicle_before: None,
        vins: Default::default(),
        channels: [("can0", "traction"), ("can1", "body")].map(|(a, b)| (a.into(), b.into())).into(),
        bus: None,
    };
    let desk = crate::filing::Desk::new(&store, &defs, &settings, &[]);
    let depot = Depot::new();
    let mut receiver = Receiver::new(&depot.settings, &root).unwrap();
    let events = StoreEvents::new(&root);
    let mut tell = || receiver.tell(&events, NOW, &depot.status, &|| false);
    assert_eq!(tell(), Round::All);
    let mut captures: Vec<PathBuf> =
        std::fs::read_dir("demo-captures/2026-02-17").unwrap().map(|entry| entry.unwrap().path()).collect();
    captures.sort();
    for capture in captures.iter().chain(&captures[..1]) {
        desk.file(capture, &mut |_| {}).unwrap();
        assert_eq!(tell(), Round::All);
    }
    let table = summary::whole_table(&store, EVENTS).unwrap().unwrap();
    let rows = (0..table.num_rows()).map(|row| Event::of(report::json_object(&table, row)).unwrap());
    let mut wanted: Vec<String> = rows.filter(|event| event.counter == "pole_offs").map(|event| event.id).collect();
    let mut told = depot.server.ids();
    wanted.sort();
    told.sort();
    assert!(!wanted.is_empty());
    assert_eq!(told, wanted);
    let request = depot.server.requests.lock().unwrap()[0].clone();
    assert!(request.body["run_start"].is_string(), "{}", request.body);
    assert!(request.body["values"].as_object().is_some_and(|values| !values.is_empty()), "{}", request.body);
}
