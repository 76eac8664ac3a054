//! Written → used: every problem of the file at once, each with what would be right. Pure, but for asking the time zone
//! database and the working folder.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::ops::Range;
use std::path::{Component, Path, PathBuf};
use std::time::Duration;

use jiff::civil::Time;
use jiff::tz::TimeZone;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use super::fleet::Fleet;
use super::gateway::{
    Afterwards, CopySettings, DayEnd, Gateway, Inbox, JournalSettings, MessageSettings, Pages, Retention, Source, Tap,
    TapBus,
};
use super::quantity::{bytes, duration, months, shown_bytes, shown_duration};
use super::written::{Written, WrittenAfterwards, WrittenInbox, WrittenMessageTo, WrittenTap};
use super::{Configuration, PathPattern};
use crate::day::ServiceDays;
use crate::defs::{At, Problem};

/// More problems than anybody corrects in one go.
const PROBLEMS_MAX: usize = 100;
/// Longest name of a network interface, as the kernel has it.
const INTERFACE_BYTES_MAX: usize = 15;
/// Longest name of a tap or receiver: it becomes a folder's or file's.
const NAME_BYTES_MAX: usize = 64;

/// Problems as they are found.
#[derive(Default)]
pub(super) struct Book {
    pub(super) list: Vec<Problem>,
}

impl Book {
    pub(super) fn add(&mut self, span: Range<usize>, title: impl Into<String>, remedy: impl Into<String>) {
        self.list.push(Problem {
            place: Some((0, span)),
            other: None,
            title: title.into(),
            label: "this one".into(),
            remedy: remedy.into(),
        });
    }

    /// A problem of two places.
    fn add_pair(&mut self, span: Range<usize>, other: (Range<usize>, &str), title: String, remedy: &str) {
        let other = Some((0, other.0, other.1.to_owned()));
        let place = Some((0, span));
        self.list.push(Problem { place, other, title, label: "this one".into(), remedy: remedy.into() });
    }

    /// Something the file does not have at all.
    pub(super) fn add_missing(&mut self, title: impl Into<String>, remedy: impl Into<String>) {
        let (title, remedy) = (title.into(), remedy.into());
        self.list.push(Problem { place: None, other: None, title, label: String::new(), remedy });
    }

    /// A length of time within bounds, or the default.
    fn duration(&mut self, text: Option<&At<String>>, default: Duration, least: Duration, most: Duration) -> Duration {
        let Some(text) = text else { return default };
        let example = shown_duration(default);
        match duration(text.get()) {
            None => self.add(
                text.span(),
                format!("'{}' is no length of time above zero", text.get()),
                format!("a number and a unit: ms, s, min, h; \"{example}\", for example"),
            ),
            Some(read) if read < least || read > most => self.add(
                text.span(),
                format!("'{}' is too {}", text.get(), if read < least { "short" } else { "long" }),
                format!("from \"{}\" to \"{}\"; \"{example}\" is usual", shown_duration(least), shown_duration(most)),
            ),
            Some(read) => return read,
        }
        default
    }

    /// A size in bytes within bounds.
    fn bytes(&mut self, text: &At<String>, example: u64, least: u64, most: u64) -> Option<u64> {
        let example = shown_bytes(example);
        match bytes(text.get()) {
            None => self.add(
                text.span(),
                format!("'{}' is no size above zero", text.get()),
                format!("digits and a unit: kB, MB, GB, TB, KiB, MiB, GiB or TiB; \"{example}\", for example"),
            ),
            Some(read) if read < least || read > most => self.add(
                text.span(),
                format!("'{}' is too {}", text.get(), if read < least { "small" } else { "large" }),
                format!("from \"{}\" to \"{}\"", shown_bytes(least), shown_bytes(most)),
            ),
            Some(read) => return Some(read),
        }
        None
    }
}

/// Reads the file's text. What cannot be read is told and left out, so that the rest is looked at too.
pub(super) fn read(text: &str, book: &mut Book) -> Written {
    let (mut table, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        for error in errors.iter().take(PROBLEMS_MAX) {
            let remedy = "the file is TOML: `key = value` lines below `[heading]` lines, texts in quotation marks";
            book.add(error.span().unwrap_or(0..0), error.message().trim(), remedy);
        }
        // What was meant cannot be told; guesses would only add noise.
        return Written::default();
    }
    loop {
        let attempt = toml::de::Deserializer::from(table.clone());
        let error = match <Written as serde::Deserialize>::deserialize(attempt) {
            Ok(written) => return written,
            Err(error) => error,
        };
        let span = error.span().unwrap_or(0..0);
        let message = error.message().trim();
        let remedy = if message.starts_with("invalid type: integer") || message.starts_with("invalid type: float") {
            "lengths of time and sizes are text with their unit, such as \"15min\" and \"64MiB\""
        } else {
            "the sample systemd/yardtap.toml shows every key; `yardtap schema --configuration` lets editors complete them"
        };
        book.add(span.clone(), message, remedy);
        if book.list.len() >= PROBLEMS_MAX || !take_out(table.get_mut(), &span) {
            return Written::default();
        }
    }
}

/// Takes the innermost entry out that covers the place. Whether there was one.
fn take_out(table: &mut DeTable<'_>, span: &Range<usize>) -> bool {
    let covers = |outer: Range<usize>| outer.start <= span.start && span.end <= outer.end && !span.is_empty();
    for (_, value) in table.iter_mut() {
        if take_out_below(value, span) {
            return true;
        }
    }
    let found = table.iter().find(|(key, value)| covers(key.span()) || covers(value.span()));
    let Some(key) = found.map(|(key, _)| key.clone()) else { return false };
    table.remove(&key).is_some()
}

fn take_out_below(value: &mut Spanned<DeValue<'_>>, span: &Range<usize>) -> bool {
    match value.get_mut() {
        DeValue::Table(inner) => take_out(inner, span),
        DeValue::Array(items) => {
            if items.iter_mut().any(|item| take_out_below(item, span)) {
                return true;
            }
            let covers = |item: &Spanned<DeValue<'_>>| item.span().start <= span.start && span.end <= item.span().end;
            let Some(found) = items.iter().position(covers) else { return false };
            let mut rest = DeArray::new();
            let kept = items.iter().enumerate().filter(|(index, _)| *index != found);
            kept.for_each(|(_, item)| rest.push(item.clone()));
            *items = rest;
            true
        }
        _ => false,
    }
}

/// Checks what was read. Paths are taken relative to `folder`.
pub(super) fn check(written: &Written, folder: &Path, book: &mut Book) -> Configuration {
    let below = |path: Option<&At<PathBuf>>| path.map(|path| folder.join(path.get()));
    let word = |text: &Option<At<String>>| text.as_ref().map(|text| text.get().clone());
    let mut places = Folders::default();
    places.add("the store", written.store.as_ref(), folder);
    let gateway = Gateway {
        taps: check_taps(written, folder, book),
        journal: check_journal(written, book),
        inbox: written.inbox.as_ref().and_then(|inbox| check_inbox(inbox, folder, &mut places, book)),
        day_end: check_day_end(written, book),
        retention: check_retention(written, book),
        copy: check_copy(written, &mut places, book),
        pages: check_pages(written, folder, &mut places, book),
        messages: check_messages(&written.message_to, book),
    };
    let fleet = check_fleet(written, folder, &mut places, book);
    places.check(book);
    Configuration {
        definitions: below(written.definitions.as_ref()),
        store: below(written.store.as_ref()),
        overhead: below(written.overhead.as_ref()),
        days: check_days(written, book),
        bus: word(&written.bus),
        vehicle: word(&written.vehicle),
        vehicle_path: check_vehicle_path(written, book),
        channels: written.channels.iter().map(|(name, bus)| (name.clone(), bus.get().clone())).collect(),
        vins: written.vins.clone(),
        gateway,
        fleet,
        source: None,
    }
}

fn check_days(written: &Written, book: &mut Book) -> ServiceDays {
    let mut zone = TimeZone::UTC;
    if let Some(name) = &written.zone {
        match TimeZone::get(name.get()) {
            Ok(found) => zone = found,
            Err(_) => book.add(
                name.span(),
                format!("no time zone '{}' is known", name.get()),
                "a name of the IANA time zone database, such as \"Europe/Vienna\"",
            ),
        }
    }
    let mut starts = Time::MIN;
    if let Some(text) = &written.day_starts {
        match text.get().parse() {
            Ok(time) => starts = time,
            Err(_) => book.add(text.span(), format!("'{}' is no time of day", text.get()), "\"04:00\", for example"),
        }
    }
    ServiceDays::new(zone, starts)
}

fn check_vehicle_path(written: &Written, book: &mut Book) -> Option<PathPattern> {
    let pattern = written.vehicle_path.as_ref()?;
    let parsed = PathPattern::parse(pattern.get());
    if parsed.is_none() {
        book.add(
            pattern.span(),
            format!("'{}' does not say where the vehicle stands", pattern.get()),
            "one {vehicle} among fixed text and *, such as \"{vehicle}/*\" or \"*_{vehicle}.pcapng.zst\"",
        );
    }
    parsed
}

/// A name that becomes a folder's or a file's.
fn check_name(name: &At<String>, what: &str, book: &mut Book) {
    let fits = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_';
    let text = name.get();
    if text.is_empty() || text.len() > NAME_BYTES_MAX || !text.bytes().all(fits) {
        let remedy = format!("1 to {NAME_BYTES_MAX} letters (a to z, A to Z), digits, '-' and '_'");
        book.add(name.span(), format!("'{text}' cannot be the name of a {what}"), remedy);
    }
}

fn check_taps(written: &Written, folder: &Path, book: &mut Book) -> Vec<Tap> {
    let mut names: BTreeMap<String, Range<usize>> = BTreeMap::new();
    let mut sources: BTreeMap<String, Range<usize>> = BTreeMap::new();
    let mut taps = Vec::new();
    for tap in &written.tap {
        let WrittenTap { name, vehicle, bus } = tap.get();
        check_name(name, "tap", book);
        if let Some(first) = names.insert(name.get().clone(), name.span()) {
            let title = format!("two taps are named '{}'", name.get());
            let remedy = "give each its own name: its journal's folder is called so";
            book.add_pair(name.span(), (first, "first here"), title, remedy);
        }
        if let Some(vehicle) = vehicle.as_ref().filter(|vehicle| vehicle.get().trim().is_empty()) {
            book.add(
                vehicle.span(),
                "the vehicle has no number",
                "its fleet number; or leave the key out: the bus tells",
            );
        }
        if bus.is_empty() {
            let remedy = "a [[tap.bus]] below it, with `bus` and `interface` (or `pipe`)";
            book.add(tap.span(), format!("tap '{}' has no bus", name.get()), remedy);
        }
        let mut buses: Vec<TapBus> = Vec::new();
        for entry in bus {
            let bus = &entry.get().bus;
            let (source, place) = match (&entry.get().interface, &entry.get().pipe) {
                (Some(interface), None) => {
                    check_interface(interface, book);
                    (Source::Interface(interface.get().clone()), interface.span())
                }
                (None, Some(pipe)) => (Source::Pipe(folder.join(pipe.get())), pipe.span()),
                (Some(interface), Some(pipe)) => {
                    let title = format!("bus '{}' comes from an interface and from a pipe", bus.get());
                    let remedy =
                        "keep one: `interface` for a CAN interface, `pipe` where another program writes pcapng";
                    book.add_pair(pipe.span(), (interface.span(), "and this"), title, remedy);
                    continue;
                }
                (None, None) => {
                    let title = format!("bus '{}' comes from nowhere", bus.get());
                    book.add(
                        entry.span(),
                        title,
                        "`interface = \"can0\"`, or `pipe` where another program writes pcapng",
                    );
                    continue;
                }
            };
            if let Some(first) = sources.insert(source.name(), place.clone()) {
                let title = format!("'{}' is recorded twice", source.name());
                let remedy = "each interface, and each pipe's file name, belongs to one bus of one tap";
                book.add_pair(place, (first, "first here"), title, remedy);
            }
            if buses.iter().any(|other| other.bus == *bus.get()) {
                let title = format!("tap '{}' has bus '{}' twice", name.get(), bus.get());
                book.add(bus.span(), title, "one interface a bus; another vehicle's buses are a tap of their own");
            }
            buses.push(TapBus { bus: bus.get().clone(), source });
        }
        let vehicle = vehicle.as_ref().map(|vehicle| vehicle.get().clone());
        taps.push(Tap { name: name.get().clone(), vehicle, buses });
    }
    taps
}

fn check_interface(interface: &At<String>, book: &mut Book) {
    let name = interface.get();
    let odd = |c: char| c == '/' || c == ':' || c.is_whitespace() || c.is_control();
    let wrong = name.is_empty() || name == "." || name == ".." || name.len() > INTERFACE_BYTES_MAX;
    if wrong || name.contains(odd) {
        let remedy = format!("up to {INTERFACE_BYTES_MAX} bytes, as `ip link` shows it: \"can0\", for example");
        book.add(interface.span(), format!("'{name}' cannot be a network interface"), remedy);
    }
}

fn check_journal(written: &Written, book: &mut Book) -> JournalSettings {
    let default = JournalSettings::default();
    let Some(journal) = &written.journal else { return default };
    let seconds = Duration::from_secs;
    let mut size = |text: Option<&At<String>>, default: u64, least: u64, most: u64| {
        text.and_then(|text| book.bytes(text, default, least, most)).unwrap_or(default)
    };
    let segment_bytes = size(journal.segment_size.as_ref(), default.segment_bytes, 1 << 20, 4 << 30);
    let queue = size(journal.queue_size.as_ref(), default.queue_bytes as u64, 1 << 20, 1 << 30);
    // The kernel counts it in an int.
    let receive = size(journal.receive_buffer.as_ref(), default.receive_buffer_bytes as u64, 64 << 10, 1 << 30);
    JournalSettings {
        // A second is what a power cut may cost at most.
        sync_every: book.duration(
            journal.sync_every.as_ref(),
            default.sync_every,
            Duration::from_millis(20),
            seconds(1),
        ),
        segment_time: book.duration(journal.segment_time.as_ref(), default.segment_time, seconds(10), seconds(86_400)),
        segment_bytes,
        // Bounds keep both below what 32 bits hold.
        queue_bytes: queue as usize,
        receive_buffer_bytes: receive as usize,
    }
}

fn check_inbox(inbox: &At<WrittenInbox>, folder: &Path, places: &mut Folders, book: &mut Book) -> Option<Inbox> {
    let WrittenInbox { folder: inbox_folder, settle, afterwards, move_to, quarantine } = inbox.get();
    places.add("the inbox", Some(inbox_folder), folder);
    places.add("`move_to`", move_to.as_ref(), folder);
    places.add("the quarantine", quarantine.as_ref(), folder);
    let settle = book.duration(settle.as_ref(), Inbox::SETTLE, Duration::from_secs(1), Duration::from_secs(86_400));
    let what = afterwards.as_ref().map_or(WrittenAfterwards::Keep, |afterwards| *afterwards.get());
    let afterwards = match (what, move_to) {
        (WrittenAfterwards::Keep, None) => Afterwards::Keep,
        (WrittenAfterwards::Delete, None) => Afterwards::Delete,
        (WrittenAfterwards::Move, Some(to)) => Afterwards::Move(folder.join(to.get())),
        (WrittenAfterwards::Move, None) => {
            let place = afterwards.as_ref().map_or(inbox.span(), At::span);
            book.add(
                place,
                "filed captures are to be moved, and nothing says where",
                "`move_to = \"FOLDER\"` beside it",
            );
            Afterwards::Keep
        }
        (WrittenAfterwards::Keep | WrittenAfterwards::Delete, Some(to)) => {
            let title = "`move_to` names a folder, and filed captures are not to be moved";
            book.add(to.span(), title, "`afterwards = \"move\"` to have them moved there; else leave `move_to` out");
            Afterwards::Keep
        }
    };
    let Some(quarantine) = quarantine else {
        let title = "the inbox has no quarantine";
        let remedy = "`quarantine = \"FOLDER\"`, outside the inbox: captures that cannot be used are set aside there";
        book.add(inbox.span(), title, remedy);
        return None;
    };
    Some(Inbox {
        folder: folder.join(inbox_folder.get()),
        settle,
        afterwards,
        quarantine: folder.join(quarantine.get()),
    })
}

fn check_day_end(written: &Written, book: &mut Book) -> DayEnd {
    let default = DayEnd::default();
    let after = written.day_end.as_ref().and_then(|day_end| day_end.after.as_ref());
    let most = Duration::from_secs(7 * 86_400);
    DayEnd { after: book.duration(after, default.after, Duration::from_secs(60), most) }
}

fn check_retention(written: &Written, book: &mut Book) -> Retention {
    let default = Retention::default();
    let Some(retention) = &written.retention else { return default };
    let mut days = |number: &Option<At<i64>>| {
        let number = number.as_ref()?;
        let days = u32::try_from(*number.get()).ok().filter(|days| (1..=36_500).contains(days));
        if days.is_none() {
            let title = format!("{} days cannot be kept", number.get());
            book.add(number.span(), title, "1 to 36500; leave the key out to keep them for ever");
        }
        days
    };
    let raw_days = days(&retention.raw_days);
    let signals_days = days(&retention.signals_days);
    let most = 1 << 60;
    let store_size = retention.store_size.as_ref();
    let store_bytes = store_size.and_then(|text| book.bytes(text, 200_000_000_000, 100_000_000, most));
    let free = retention.keep_free.as_ref();
    let free_bytes =
        free.and_then(|text| book.bytes(text, default.free_bytes, 64 << 20, most)).unwrap_or(default.free_bytes);
    let mut order = default.order;
    if let Some(written) = &retention.order {
        order.clear();
        for class in written.get() {
            if order.contains(class.get()) {
                book.add(
                    class.span(),
                    "this stands in the order twice",
                    "each of \"raw\" and \"signals\" at most once",
                );
            }
            order.push(*class.get());
        }
        if order.is_empty() {
            let title = "nothing may be given up when room is short";
            let remedy = "[\"raw\", \"signals\"], or one of them; a full disk would stop the recording otherwise";
            book.add(written.span(), title, remedy);
        }
    }
    Retention { raw_days, signals_days, store_bytes, free_bytes, order }
}

fn check_copy(written: &Written, places: &mut Folders, book: &mut Book) -> Option<CopySettings> {
    let copy = written.copy.as_ref()?;
    let to = copy.to.get();
    let remedy = "\"file:///FOLDER\", or \"s3://BUCKET/PREFIX\"";
    if let Some(path) = to.strip_prefix("file://") {
        if path.starts_with('/') {
            places.add_path("the copy", copy.to.span(), Path::new(path));
        } else {
            book.add(copy.to.span(), format!("'{to}' names no folder from the root"), remedy);
        }
    } else if let Some(rest) = to.strip_prefix("s3://") {
        if rest.split('/').next().is_none_or(str::is_empty) {
            book.add(copy.to.span(), format!("'{to}' names no bucket"), remedy);
        } else if cfg!(not(feature = "cloud")) {
            let remedy = "a folder, \"file:///FOLDER\"; or a yardtap that was built with the feature `cloud`";
            book.add(copy.to.span(), "this yardtap was built without object stores", remedy);
        }
    } else {
        book.add(copy.to.span(), format!("'{to}' is no place to copy to"), remedy);
    }
    let secret = |name: &str| {
        let name = name.to_ascii_lowercase();
        ["secret", "password", "token", "access_key", "customer_key"].iter().any(|part| name.contains(part))
    };
    for (name, value) in copy.options.iter().filter(|(name, _)| secret(name)) {
        let remedy = "take it out, and give it by the environment: /etc/yardtap/environment is read by the unit";
        book.add(value.span(), format!("`{name}` is a secret, and this file is no place for one"), remedy);
    }
    for (name, value) in copy.options.iter().filter(|(name, _)| !secret(name)) {
        if to.starts_with("file://") {
            book.add(value.span(), format!("a folder has no option `{name}`"), "take [copy.options] out");
        } else if !is_copy_option(name) {
            let remedy = "such as endpoint, region, virtual_hosted_style_request, checksum_algorithm";
            book.add(value.span(), format!("`{name}` is no option of an object store"), remedy);
        }
    }
    let every =
        book.duration(copy.every.as_ref(), CopySettings::EVERY, Duration::from_secs(10), Duration::from_secs(86_400));
    let options = copy.options.iter().map(|(name, value)| (name.clone(), value.get().clone())).collect();
    Some(CopySettings { to: to.clone(), options, every })
}

/// Whether an object store knows an option; the bucket stands in the URL.
#[cfg(feature = "cloud")]
fn is_copy_option(name: &str) -> bool {
    use object_store::aws::AmazonS3ConfigKey;
    name.parse().is_ok_and(|key: AmazonS3ConfigKey| key != AmazonS3ConfigKey::Bucket)
}

/// Nothing can be copied to an object store anyway; that is told.
#[cfg(not(feature = "cloud"))]
fn is_copy_option(_name: &str) -> bool {
    true
}

fn check_pages(written: &Written, folder: &Path, places: &mut Folders, book: &mut Book) -> Pages {
    let default = Pages::default();
    let Some(pages) = &written.pages else { return default };
    let mut listen = default.listen;
    if let Some(text) = &pages.listen {
        match text.get().parse::<SocketAddr>() {
            Ok(address) => listen = Some(address),
            Err(_) if text.get().is_empty() => listen = None,
            Err(_) => book.add(
                text.span(),
                format!("'{}' is no address to listen on", text.get()),
                "address and port: \"127.0.0.1:8750\" for this machine alone, \"[::]:8750\" for all; \"\" for no pages",
            ),
        }
    }
    for name in &pages.names {
        let fits = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.';
        if name.get().is_empty() || !name.get().bytes().all(fits) {
            let title = format!("'{}' is no host name", name.get());
            book.add(name.span(), title, "the name alone, without http:// and port: \"gateway.depot.example\"");
        }
    }
    let mut updates_per_second = default.updates_per_second;
    if let Some(number) = &pages.updates_per_second {
        match u32::try_from(*number.get()).ok().filter(|updates| (1..=20).contains(updates)) {
            Some(updates) => updates_per_second = updates,
            None => {
                let title = format!("{} updates a second cannot be shown", number.get());
                book.add(number.span(), title, format!("1 to 20; {updates_per_second} is usual"));
            }
        }
    }
    let names = pages.names.iter().map(|name| name.get().clone()).collect();
    // What makes them puts a whole folder in its place.
    places.add("the morning's pages", pages.morning.as_ref(), folder);
    let morning = pages.morning.as_ref().map(|morning| folder.join(morning.get()));
    Pages { listen, names, updates_per_second, morning }
}

fn check_messages(receivers: &[At<WrittenMessageTo>], book: &mut Book) -> Vec<MessageSettings> {
    let mut names: BTreeMap<String, Range<usize>> = BTreeMap::new();
    let mut messages = Vec::new();
    for receiver in receivers {
        let WrittenMessageTo { name, url, events, token_variable } = receiver.get();
        check_name(name, "receiver", book);
        if let Some(first) = names.insert(name.get().clone(), name.span()) {
            let title = format!("two receivers are named '{}'", name.get());
            book.add_pair(
                name.span(),
                (first, "first here"),
                title,
                "give each its own name: how far it was told is kept under it",
            );
        }
        if let Err((title, remedy)) = check_url(url.get()) {
            book.add(url.span(), title, remedy);
        }
        if events.get().is_empty() {
            let remedy = "names of counters of the definition set: [\"pole_offs\"], for example";
            book.add(events.span(), format!("receiver '{}' is told of nothing", name.get()), remedy);
        }
        if let Some(variable) = token_variable {
            let fits = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'_';
            let text = variable.get();
            if text.is_empty() || text.starts_with(|c: char| c.is_ascii_digit()) || !text.bytes().all(fits) {
                let remedy = "the variable's name, such as \"DEPOT_TOKEN\"; the token itself stands in the environment";
                book.add(variable.span(), "this cannot be the name of an environment variable", remedy);
            }
        }
        messages.push(MessageSettings {
            name: name.get().clone(),
            url: url.get().clone(),
            events: events.get().iter().map(|event| event.get().clone()).collect(),
            token_variable: token_variable.as_ref().map(|variable| variable.get().clone()),
        });
    }
    messages
}

fn check_fleet(written: &Written, folder: &Path, places: &mut Folders, book: &mut Book) -> Fleet {
    let default = Fleet::default();
    let Some(fleet) = &written.fleet else { return default };
    places.add("the records' folder", fleet.records.as_ref(), folder);
    let mut whole = |number: Option<&At<i64>>, what: &str, usual: u32, least: u32, most: u32| {
        let Some(number) = number else { return usual };
        let read = u32::try_from(*number.get()).ok().filter(|read| (least..=most).contains(read));
        read.unwrap_or_else(|| {
            let title = format!("{} {what}", number.get());
            book.add(number.span(), title, format!("{least} to {most}; {usual} is usual"));
            usual
        })
    };
    let packs = fleet.packs_a_year.as_ref();
    let packs_a_year = whole(packs, "packs a year cannot be planned with", default.packs_a_year, 0, 1000);
    let years = whole(fleet.years.as_ref(), "years cannot be planned", default.years, 1, 20);
    let worst = whole(fleet.worst.as_ref(), "cannot be the worst", default.worst, 1, 1000);
    let mut look_back_months = default.look_back_months;
    if let Some(text) = &fleet.look_back {
        match months(text.get()).filter(|months| (1..=240).contains(months)) {
            Some(months) => look_back_months = months,
            None => book.add(
                text.span(),
                format!("'{}' is no length of time that questions can look back", text.get()),
                "years and months, up to 20 years: \"3 years\", \"18 months\"",
            ),
        }
    }
    let mut fewest = default.fewest;
    if let Some(number) = &fleet.fewest {
        // Below, chance alone makes one operator's number twice another's.
        if (3.0..=1000.0).contains(number.get()) {
            fewest = *number.get();
        } else {
            let title = format!("{} expected pole-offs say nothing about one operator", number.get());
            book.add(number.span(), title, format!("3 to 1000; {fewest} is usual"));
        }
    }
    Fleet {
        records: fleet.records.as_ref().map(|records| folder.join(records.get())),
        look_back_months,
        packs_a_year,
        years,
        worst,
        operators: fleet.operators.as_ref().map_or(default.operators, |operators| *operators.get()),
        fewest,
        names: fleet.names.check(book),
    }
}

fn check_url(url: &str) -> Result<(), (String, &'static str)> {
    let remedy = "\"https://HOST/PATH\", or \"http://HOST:PORT/PATH\" within the depot's own network";
    let parsed: ureq::http::Uri = url.parse().map_err(|_| (format!("'{url}' is no URL"), remedy))?;
    let host = parsed.host().unwrap_or_default();
    if host.is_empty() || !matches!(parsed.scheme_str(), Some("http" | "https")) {
        return Err((format!("'{url}' is no URL that can be posted to"), remedy));
    }
    if parsed.authority().is_some_and(|authority| authority.as_str().contains('@')) {
        let remedy = "take name and password out, and name the variable that holds a token in `token_variable`";
        return Err(("the URL holds a secret, and this file is no place for one".into(), remedy));
    }
    if parsed.scheme_str() == Some("https") && cfg!(not(feature = "cloud")) {
        return Err((
            "this yardtap was built without TLS".into(),
            "an http:// URL within the depot's own network; or a yardtap that was built with the feature `cloud`",
        ));
    }
    Ok(())
}

/// Folders that must not lie in one another.
#[derive(Default)]
struct Folders {
    list: Vec<(&'static str, Range<usize>, PathBuf)>,
}

impl Folders {
    fn add(&mut self, what: &'static str, path: Option<&At<PathBuf>>, folder: &Path) {
        if let Some(path) = path {
            self.add_path(what, path.span(), &folder.join(path.get()));
        }
    }

    fn add_path(&mut self, what: &'static str, span: Range<usize>, path: &Path) {
        self.list.push((what, span, plain(path)));
    }

    fn check(&self, book: &mut Book) {
        for (index, (what, span, path)) in self.list.iter().enumerate() {
            for (other, other_span, other_path) in &self.list[..index] {
                let title = if path == other_path {
                    format!("{what} and {other} are the same folder")
                } else if path.starts_with(other_path) {
                    format!("{what} lies inside {other}")
                } else if other_path.starts_with(path) {
                    format!("{other} lies inside {what}")
                } else {
                    continue;
                };
                let remedy = "name folders beside each other: what lies in one must not be taken for the other's";
                book.add_pair(span.clone(), (other_span.clone(), other), title, remedy);
            }
        }
    }
}

/// A path from the root without `.` and `..`, as far as its text tells.
fn plain(path: &Path) -> PathBuf {
    let mut plain = PathBuf::new();
    for part in std::path::absolute(path).unwrap_or_else(|_| path.to_owned()).components() {
        match part {
            Component::ParentDir => {
                plain.pop();
            }
            part => plain.push(part),
        }
    }
    plain
}
