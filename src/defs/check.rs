//! Written → used: every invariant that later code relies on, and every problem of a set at once.
//!
//! Pure. Buses, messages, signals and examples here; run rules in [`super::check_rules`].

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

use super::check_rules::check_rules;
use super::payload::{BuildError, Given};
use super::problem::{Problem, SourceText};
use super::rules::Rules;
use super::signal::{Column, Form, Page, Signal, Special, SpecialRange};
use super::written::{
    As, At, Order, Protocol, Scalar, WrittenBus, WrittenExample, WrittenFile, WrittenMessage, WrittenPattern,
    WrittenPatterns, WrittenSignal,
};
use super::{Bus, Example, Matching, Message, Module, unit};
use crate::bits::Field;
use crate::frame::{CanId, DATA_BYTES_MAX};

/// What becomes a [`super::Definitions`].
pub(super) struct Parts {
    pub(super) buses: Vec<Bus>,
    pub(super) messages: Vec<Message>,
    pub(super) modules: Vec<Module>,
    pub(super) rules: Option<Rules>,
}

/// Collects problems with their places.
pub(super) struct Book {
    list: Vec<Problem>,
}

/// A place: which text, and where in it.
pub(super) type Place = (usize, Range<usize>);

impl Book {
    pub(super) fn add(
        &mut self,
        place: Place,
        title: impl Into<String>,
        label: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.list.push(Problem {
            place: Some(place),
            other: None,
            title: title.into(),
            label: label.into(),
            remedy: remedy.into(),
        });
    }

    fn add_pair(&mut self, place: Place, other: (Place, String), title: String, label: &str, remedy: &str) {
        let ((file, span), text) = other;
        self.list.push(Problem {
            place: Some(place),
            other: Some((file, span, text)),
            title,
            label: label.into(),
            remedy: remedy.into(),
        });
    }

    fn is_clean_since(&self, mark: usize) -> bool {
        self.list.len() == mark
    }

    /// Reads a length of time such as "100ms"; it must be above zero.
    pub(super) fn duration_us(&mut self, file: usize, text: &At<String>) -> Option<i64> {
        let parsed: Option<jiff::SignedDuration> = text.get().parse().ok();
        match parsed.and_then(|d| i64::try_from(d.as_micros()).ok()) {
            Some(us) if us > 0 => Some(us),
            _ => {
                self.add(
                    (file, text.span()),
                    format!("'{}' is no length of time above zero", text.get()),
                    "this one",
                    "write a number and a unit: \"50ms\", \"2s\", \"10min\", \"1h\"",
                );
                None
            }
        }
    }
}

/// Column names that tables keep for themselves.
const RESERVED_NAMES: [&str; 9] = ["time", "vehicle", "bus", "source", "can_id", "status", "rest", "whole", "date"];

/// Checks the files of a set as one.
pub(super) fn check(files: &[(usize, WrittenFile)], sources: &[SourceText]) -> Result<Parts, Vec<Problem>> {
    let mut book = Book { list: Vec::new() };
    for (file, written) in files {
        if *written.format.get() != 1 {
            book.add(
                (*file, written.format.span()),
                format!("format {} is not known to this version", written.format.get()),
                "only 1 is",
                "write `format = 1`, or take the version of yardtap that the set was written for",
            );
        }
    }
    let buses = check_buses(files, &mut book);
    let mut messages: Vec<Message> = Vec::new();
    let mut names: HashMap<String, Place> = HashMap::new();
    let mut matchings: HashMap<(usize, MatchKey), (Place, String)> = HashMap::new();
    for (file, written) in files {
        for message in &written.message {
            let place = (*file, message.get().name.span());
            let Some(used) = check_message(*file, message, &buses, &mut book) else { continue };
            if let Some(first) = names.insert(used.name.clone(), place.clone()) {
                book.add_pair(
                    place.clone(),
                    (first, "first here".into()),
                    format!("two messages are named '{}'", used.name),
                    "second here",
                    "give one of them another name: a name is a table",
                );
            }
            let key = (used.bus, MatchKey::of(used.matching));
            if let Some((first, other)) = matchings.insert(key, (place.clone(), used.name.clone())) {
                book.add_pair(
                    place,
                    (first, "this one already matches".into()),
                    format!("messages '{other}' and '{}' match the same frames", used.name),
                    "matches them too",
                    "a frame has one layout: use `when` for pages, or name the source of each",
                );
            }
            messages.push(used);
        }
    }
    let modules = check_modules(files, &buses, &mut book);
    let rules = check_rules(files, &messages, &mut book);
    for message in &messages {
        for example in &message.examples {
            run_example(message, &buses, example, &mut book);
        }
    }
    if messages.is_empty() && book.list.is_empty() {
        book.list.push(Problem {
            place: (!sources.is_empty()).then_some((0, 0..0)),
            other: None,
            title: "the set defines no message".into(),
            label: "no [[message]] in any file".into(),
            remedy: "signal-defs/README.md shows how one is written".into(),
        });
    }
    if !book.list.is_empty() {
        return Err(book.list);
    }
    Ok(Parts { buses: buses.into_values().map(|(_, bus)| bus).collect(), messages, modules, rules })
}

type Buses = BTreeMap<String, (usize, Bus)>;

fn check_buses(files: &[(usize, WrittenFile)], book: &mut Book) -> Buses {
    let mut buses: BTreeMap<String, (usize, Bus)> = BTreeMap::new();
    for (file, written) in files {
        for (name, bus) in &written.bus {
            let place = (*file, bus.span());
            check_name(name, &place, "bus", book);
            let WrittenBus { protocol, bitrate, fd_bitrate, about } = bus.get();
            let mut rate = |value: &At<i64>, most: i64| {
                if !(1_000..=most).contains(value.get()) {
                    let title = format!("{} bit/s is no CAN bit rate", value.get());
                    book.add((*file, value.span()), title, "this one", format!("1,000 to {most} bit/s"));
                }
                u32::try_from(*value.get()).unwrap_or(1).max(1)
            };
            let used = Bus {
                name: name.clone(),
                protocol: *protocol,
                bitrate: rate(bitrate, 1_000_000),
                fd_bitrate: fd_bitrate.as_ref().map(|value| rate(value, 8_000_000)),
                about: about.clone().unwrap_or_default(),
            };
            if buses.insert(name.clone(), (0, used)).is_some() {
                book.add(place, format!("bus '{name}' stands in two files"), "again here", "keep one of them");
            }
        }
    }
    // Indexes follow the names, so that a set's split into files does not matter.
    for (index, entry) in buses.values_mut().enumerate() {
        entry.0 = index;
    }
    buses
}

fn check_modules(files: &[(usize, WrittenFile)], buses: &Buses, book: &mut Book) -> Vec<Module> {
    let mut modules: Vec<Module> = Vec::new();
    for (file, written) in files {
        for module in &written.module {
            let module = module.get();
            let bus = find_bus(*file, &module.bus, buses, book);
            let source = byte(*file, &module.source, book);
            let (Some(bus), Some(source)) = (bus, source) else { continue };
            if modules.iter().any(|other| other.bus == bus && other.source == source) {
                let title = format!("address {source:#04X} of this bus has a module already");
                book.add((*file, module.source.span()), title, "again here", "keep one of them");
            }
            modules.push(Module { bus, source, name: module.name.clone() });
        }
    }
    modules
}

fn byte(file: usize, value: &At<i64>, book: &mut Book) -> Option<u8> {
    let byte = u8::try_from(*value.get()).ok();
    if byte.is_none() {
        book.add((file, value.span()), format!("address {} is not one byte", value.get()), "this one", "0 to 255");
    }
    byte
}

fn find_bus(file: usize, name: &At<String>, buses: &Buses, book: &mut Book) -> Option<usize> {
    let found = buses.get(name.get()).map(|(index, _)| *index);
    if found.is_none() {
        let known: Vec<_> = buses.keys().map(String::as_str).collect();
        let remedy = if known.is_empty() {
            format!("declare it: [bus.{}] with protocol and bitrate", name.get())
        } else {
            format!("declared are: {}", known.join(", "))
        };
        book.add((file, name.span()), format!("no bus is named '{}'", name.get()), "this one", remedy);
    }
    found
}

pub(super) fn check_name(name: &str, place: &Place, what: &str, book: &mut Book) {
    let good = name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
        && name.len() <= 64;
    if !good {
        let title = format!("'{name}' cannot name a {what}");
        book.add(place.clone(), title, "this one", "up to 64 lower-case letters, digits and _, a letter first");
    }
}

/// What two messages of one bus may not share.
#[derive(PartialEq, Eq, Hash)]
enum MatchKey {
    Exactly(CanId),
    Group(u32, Option<u8>),
}

impl MatchKey {
    fn of(matching: Matching) -> Self {
        match matching {
            Matching::Exactly(id) => Self::Exactly(id),
            Matching::Group { pgn, source } => Self::Group(pgn, source),
        }
    }
}

fn check_message(file: usize, written: &At<WrittenMessage>, buses: &Buses, book: &mut Book) -> Option<Message> {
    let mark = book.list.len();
    let message = written.get();
    let name_place = (file, message.name.span());
    check_name(message.name.get(), &name_place, "message", book);
    let bus = find_bus(file, &message.bus, buses, book);
    let protocol = bus.and_then(|index| buses.values().find(|(at, _)| *at == index)).map(|(_, bus)| bus.protocol);
    let matching = check_matching(file, message, protocol, book);
    let period_us = message.period.as_ref().and_then(|text| book.duration_us(file, text));
    // J1939 has senders fill what they do not use with ones.
    let fill = if protocol == Some(Protocol::J1939) { 0xFF } else { 0 };
    let signals = check_signals(file, message, book);
    let reach = signals.iter().filter_map(|s| s.field.byte_range()).map(|(_, last)| last + 1).max().unwrap_or(1);
    let length = match &message.length {
        None if protocol == Some(Protocol::J1939) => reach.max(8),
        None => reach,
        Some(length) => {
            let limit = usize::try_from(*length.get()).unwrap_or(0);
            if !(1..=DATA_BYTES_MAX).contains(&limit) {
                let title = format!("a length of {} bytes", length.get());
                book.add((file, length.span()), title, "this one", "1 to 8 bytes, CAN FD to 64");
            } else if let Some((index, _)) = signals.iter().enumerate().find(|(_, s)| !s.fits(limit)) {
                let (_, last) = signals[index].field.byte_range().unwrap_or_default();
                book.add_pair(
                    (file, signal_place(message, &signals[index].name)),
                    ((file, length.span()), format!("the message has {limit} bytes")),
                    format!("'{}' runs past the message's end, to byte {}", signals[index].name, last + 1),
                    "this signal",
                    "move it, narrow it, or lengthen the message",
                );
            }
            limit.clamp(1, DATA_BYTES_MAX)
        }
    };
    // CAN FD has no lengths between these (ISO 11898-1).
    const FD_LENGTHS: [usize; 7] = [12, 16, 20, 24, 32, 48, 64];
    let length = if length > 8 {
        let fitting = FD_LENGTHS.into_iter().find(|fd| *fd >= length).unwrap_or(DATA_BYTES_MAX);
        if let (Some(written), true) = (&message.length, fitting != length) {
            let title = format!("CAN FD has no payload of {length} bytes");
            book.add((file, written.span()), title, "this one", "12, 16, 20, 24, 32, 48 or 64");
        }
        fitting
    } else {
        length
    };
    let examples: Vec<_> =
        message.example.iter().filter_map(|example| check_example(file, example, &signals, book)).collect();
    if message.example.is_empty() {
        book.add(
            name_place,
            format!("message '{}' has no example", message.name.get()),
            "nothing proves it",
            "add [[message.example]] with `data` and `expect`; `yardtap explain` decodes a frame for you",
        );
    }
    if !book.is_clean_since(mark) {
        // Kept all the same, so that what refers to it is not called unknown; problems end the load anyhow.
        return matching.zip(bus).map(|(matching, bus)| Message {
            name: message.name.get().clone(),
            bus,
            matching,
            length: length as u8,
            period_us,
            fill,
            about: message.about.clone().unwrap_or_default(),
            signals,
            examples: Vec::new(),
        });
    }
    Some(Message {
        name: message.name.get().clone(),
        bus: bus?,
        matching: matching?,
        length: length as u8,
        period_us,
        fill,
        about: message.about.clone().unwrap_or_default(),
        signals,
        examples,
    })
}

fn signal_place(message: &WrittenMessage, name: &str) -> Range<usize> {
    message.signal.iter().find(|s| s.get().name.get() == name).map_or(0..0, |s| s.get().name.span())
}

fn check_matching(
    file: usize,
    message: &WrittenMessage,
    protocol: Option<Protocol>,
    book: &mut Book,
) -> Option<Matching> {
    let mut limited = |value: &At<i64>, most: i64, what: &str| {
        let good = (0..=most).contains(value.get());
        if !good {
            let title = format!("{:#X} is no {what}", value.get());
            book.add((file, value.span()), title, "this one", format!("0 to {most:#X}"));
        }
        good.then_some(*value.get() as u32)
    };
    let matching = match (&message.id, &message.extended_id, &message.pgn) {
        (Some(id), None, None) => Matching::Exactly(CanId::standard(limited(id, 0x7FF, "11-bit identifier")?)),
        (None, Some(id), None) => Matching::Exactly(CanId::extended(limited(id, 0x1FFF_FFFF, "29-bit identifier")?)),
        (None, None, Some(pgn)) => {
            let number = limited(pgn, 0x3_FFFF, "parameter group number")?;
            if protocol.is_some_and(|p| p != Protocol::J1939) {
                let title = "a parameter group on a bus that does not speak J1939";
                book.add((file, pgn.span()), title, "this one", "write id or extended_id, or protocol = \"j1939\"");
            }
            // PDU1 groups carry the destination where PDU2 groups carry their light byte (SAE J1939-21).
            if (number >> 8 & 0xFF) < 240 && number & 0xFF != 0 {
                let title = format!("{number} ({number:#X}) is a PDU1 group with a light byte");
                book.add((file, pgn.span()), title, "this one", format!("{} is meant, perhaps", number & 0x3_FF00));
            }
            let source = message.source.as_ref().map(|source| byte(file, source, book)).unwrap_or_default();
            return Some(Matching::Group { pgn: number, source });
        }
        _ => {
            book.add(
                (file, message.name.span()),
                format!("message '{}' needs exactly one of id, extended_id and pgn", message.name.get()),
                "which frames are of it?",
                "id = 0x18F (11 bits), extended_id = 0x18FF1527 (29 bits) or pgn = 65_301 (J1939)",
            );
            return None;
        }
    };
    if let Some(source) = &message.source {
        let title = "a source address beside a whole identifier";
        book.add((file, source.span()), title, "this one", "leave it out: the identifier already says which");
    }
    Some(matching)
}

fn check_signals(file: usize, message: &WrittenMessage, book: &mut Book) -> Vec<Signal> {
    let mut signals: Vec<Signal> = Vec::new();
    let mut pages = Vec::new();
    for written in &message.signal {
        let Some(signal) = check_signal(file, written.get(), book) else { continue };
        if signals.iter().any(|other| other.name == signal.name) {
            book.add_pair(
                (file, written.get().name.span()),
                ((file, signal_place(message, &signal.name)), "first here".into()),
                format!("two signals of '{}' are named '{}'", message.name.get(), signal.name),
                "second here",
                "give one of them another name: a name is a column",
            );
        }
        signals.push(signal);
        pages.push(written);
    }
    for (index, written) in pages.iter().enumerate() {
        if let Some(page) = &written.get().when {
            signals[index].page = check_page(file, index, page, &signals, book);
        }
    }
    for (index, signal) in signals.iter().enumerate() {
        for (other_index, other) in signals.iter().enumerate().take(index) {
            if overlap(signal.field, other.field) && !apart(signal, other) {
                book.add_pair(
                    (file, pages[index].get().name.span()),
                    ((file, pages[other_index].get().name.span()), "this one has them already".into()),
                    format!("'{}' and '{}' share bits", other.name, signal.name),
                    "takes bits of the other",
                    "move one of them, or tell their pages apart with `when`",
                );
            }
        }
    }
    signals
}

/// Whether two signals of a message can never be there at once.
fn apart(one: &Signal, other: &Signal) -> bool {
    match (&one.page, &other.page) {
        (Some(a), Some(b)) => a.selector == b.selector && a.is.iter().all(|raw| !b.is.contains(raw)),
        _ => false,
    }
}

fn overlap(one: Field, other: Field) -> bool {
    let mut a = [0; DATA_BYTES_MAX];
    let mut b = [0; DATA_BYTES_MAX];
    one.write(&mut a, u64::MAX);
    other.write(&mut b, u64::MAX);
    a.iter().zip(b).any(|(a, b)| a & b != 0)
}

fn check_page(
    file: usize,
    index: usize,
    page: &At<super::written::WrittenPage>,
    signals: &[Signal],
    book: &mut Book,
) -> Option<Page> {
    let written = page.get();
    let place = (file, written.selector.span());
    let Some(selector) = signals.iter().position(|signal| signal.name == *written.selector.get()) else {
        let title = format!("no signal of this message is named '{}'", written.selector.get());
        book.add(place, title, "this selector", "name a signal of the same message");
        return None;
    };
    if selector == index || signals[selector].page.is_some() {
        let remedy = "a selector is there in every frame: it has no `when` itself";
        book.add(place, "a selector that is not always there", "this one", remedy);
        return None;
    }
    let mask = signals[selector].field.mask();
    let mut is = Vec::new();
    for value in written.is.get().as_slice() {
        match u64::try_from(*value) {
            Ok(raw) if raw <= mask => is.push(raw),
            _ => {
                let title = format!("the selector cannot be {value}");
                book.add((file, written.is.span()), title, "this one", format!("raw values 0 to {mask}"));
            }
        }
    }
    is.sort_unstable();
    is.dedup();
    Some(Page { selector, is })
}

fn check_signal(file: usize, written: &WrittenSignal, book: &mut Book) -> Option<Signal> {
    let mark = book.list.len();
    let name_place = (file, written.name.span());
    check_name(written.name.get(), &name_place, "signal", book);
    if RESERVED_NAMES.contains(&written.name.get().as_str()) {
        let title = format!("every table has a column '{}' of its own", written.name.get());
        book.add(name_place.clone(), title, "this name", "choose another");
    }
    let Ok(bits @ 1..=64) = u8::try_from(*written.bits.get()) else {
        let title = format!("a field of {} bits", written.bits.get());
        book.add((file, written.bits.span()), title, "this one", "1 to 64");
        return None;
    };
    let Some((lsb_byte, lsb_bit)) = parse_lsb(written.lsb.get()) else {
        book.add(
            (file, written.lsb.span()),
            format!("'{}' is no place of a bit", written.lsb.get()),
            "this one",
            "byte.bit, both counted from 1: \"4.1\" is the lightest bit of byte 4, \"4.8\" its heaviest",
        );
        return None;
    };
    let field = Field { lsb_byte, lsb_bit, bits, big: written.order == Order::Big };
    if field.byte_range().is_none_or(|(_, last)| last >= DATA_BYTES_MAX) {
        let title = format!("'{}' runs out of the payload", written.name.get());
        let remedy = match written.order {
            Order::Big => {
                "in big order the heavier bytes lie before the lsb's: name the place of the *least* significant bit"
            }
            Order::Little => "a payload has at most 64 bytes",
        };
        book.add((file, written.lsb.span()), title, "from here", remedy);
        return None;
    }
    let form = check_form(file, written, bits, book);
    let scale = written.scale.as_ref().map_or(1.0, |s| *s.get());
    let offset = written.offset.as_ref().map_or(0.0, |s| *s.get());
    if scale == 0.0 || !scale.is_finite() || !offset.is_finite() {
        let span = written.scale.as_ref().or(written.offset.as_ref()).map_or(name_place.1.clone(), At::span);
        let title = format!("'{}' has a scale of {scale} and an offset of {offset}", written.name.get());
        book.add((file, span), title, "this one", "a scale other than 0, so that values can be told apart");
    }
    if matches!(form, Form::Float | Form::Flag) && (scale != 1.0 || offset != 0.0) {
        let span = written.scale.as_ref().or(written.offset.as_ref()).map_or(name_place.1.clone(), At::span);
        book.add((file, span), "a float or a flag is taken as it is", "this has no use", "leave scale and offset out");
    }
    if let Some(code) = &written.unit
        && let Err(why) = unit::parse(code.get())
    {
        let title = format!("'{}' is no UCUM code: {why}", code.get());
        book.add((file, code.span()), title, "this one", "codes are case-sensitive: V, A, Cel, km/h, kW.h, %, /min");
    }
    let plausible = written.plausible.as_ref().and_then(|range| match range.get().as_slice() {
        [low, high] if low <= high => Some((*low, *high)),
        _ => {
            let title = "a plausible range is its lowest and its highest value";
            book.add((file, range.span()), title, "this one", "plausible = [0, 1000]");
            None
        }
    });
    let specials = check_specials(file, written, field, form, book);
    let labels = check_labels(file, written, field, form, book);
    let mut signal = Signal {
        name: written.name.get().clone(),
        field,
        form,
        scale,
        offset,
        unit: written.unit.as_ref().map(|code| code.get().clone()).unwrap_or_default(),
        plausible,
        specials,
        labels,
        page: None,
        column: Column::Flag,
        surely_reversible: true,
        fleet_number: written.fleet_number,
        about: written.about.clone().unwrap_or_default(),
    };
    if !book.is_clean_since(mark) {
        return Some(signal);
    }
    signal.column = column_of(&signal);
    signal.surely_reversible = surely_reversible(&signal);
    Some(signal)
}

fn parse_lsb(text: &str) -> Option<(u8, u8)> {
    let (byte, bit) = text.split_once('.')?;
    let digits = |part: &str| part.chars().all(|c| c.is_ascii_digit()).then(|| part.parse::<u8>().ok()).flatten();
    let (byte, bit) = (digits(byte)?, digits(bit)?);
    ((1..=64).contains(&byte) && (1..=8).contains(&bit)).then(|| (byte - 1, bit - 1))
}

fn check_form(file: usize, written: &WrittenSignal, bits: u8, book: &mut Book) -> Form {
    let Some(form) = &written.form else { return if bits == 1 { Form::Flag } else { Form::Unsigned } };
    let (form, problem) = match form.get() {
        As::Unsigned => (Form::Unsigned, None),
        As::Signed if bits == 1 => (Form::Signed, Some("one bit has no room for a sign")),
        As::Signed => (Form::Signed, None),
        As::Float if !matches!(bits, 16 | 32 | 64) => (Form::Float, Some("IEEE 754 has 16, 32 or 64 bits")),
        As::Float => (Form::Float, None),
        As::Flag if bits > 2 => (Form::Flag, Some("a flag has one bit, or two the J1939 way")),
        As::Flag => (Form::Flag, None),
    };
    if let Some(problem) = problem {
        let span = written.form.as_ref().map_or(0..0, At::span);
        let title = format!("'{}' has {bits} bits: {problem}", written.name.get());
        book.add((file, span), title, "this one", "change `as` or `bits`");
    }
    form
}

fn check_specials(
    file: usize,
    written: &WrittenSignal,
    field: Field,
    form: Form,
    book: &mut Book,
) -> Vec<SpecialRange> {
    let mut ranges = match written.unavailable.as_ref().map(|at| (at.get(), at.span())) {
        Some((WrittenPatterns::List(list), span)) => listed((file, span), list, Special::Unavailable, field, book),
        Some((WrittenPatterns::Rule(rule), _)) if rule == "j1939" && form != Form::Float => j1939_ranges(field.bits),
        Some((WrittenPatterns::Rule(rule), span)) => {
            let title = format!("no rule '{rule}' for this signal");
            book.add((file, span), title, "this one", "\"j1939\" (not for floats), or a list of raw values");
            Vec::new()
        }
        None if form == Form::Flag => j1939_ranges(field.bits),
        None => Vec::new(),
    };
    if let Some(list) = &written.error {
        ranges.extend(listed((file, list.span()), list.get(), Special::Error, field, book));
    }
    ranges.sort_by_key(|range| range.from);
    if let Some(pair) = ranges.windows(2).find(|pair| pair[1].from <= pair[0].to) {
        let span = written.error.as_ref().map(At::span).or(written.unavailable.as_ref().map(At::span));
        let title = format!("raw {:#X} is said to mean two things", pair[1].from);
        book.add((file, span.unwrap_or(0..0)), title, "in these patterns", "let the ranges not meet");
    }
    ranges
}

fn listed(place: Place, list: &[WrittenPattern], why: Special, field: Field, book: &mut Book) -> Vec<SpecialRange> {
    // A pattern of 64 bits above i64::MAX is written as the negative number of the same bits.
    let raw = |value: i64| (value as u64 <= field.mask() && (value >= 0 || field.bits == 64)).then_some(value as u64);
    let mut ranges = Vec::new();
    for pattern in list {
        let limits = match pattern {
            WrittenPattern::One(value) => raw(*value).map(|raw| (raw, raw)),
            WrittenPattern::Range(pair) => match pair.as_slice() {
                [from, to] => raw(*from).zip(raw(*to)).filter(|(from, to)| from <= to),
                _ => None,
            },
        };
        match limits {
            Some((from, to)) => ranges.push(SpecialRange { from, to, why }),
            None => book.add(
                place.clone(),
                format!("not every pattern here fits {} bits", field.bits),
                "in this list",
                format!("raw values 0 to {}, or [from, to]", field.mask()),
            ),
        }
    }
    ranges
}

/// SAE J1939-71's table of ranges; for widths that it does not list, all ones and one less, as for its 2 and 4 bits.
fn j1939_ranges(bits: u8) -> Vec<SpecialRange> {
    let range = |from, to, why| SpecialRange { from, to, why };
    match bits {
        1 => Vec::new(),
        8 | 16 | 24 | 32 => {
            let lower = bits - 8;
            let heavy = |byte: u64| byte << lower;
            vec![
                range(heavy(0xFB), heavy(0xFE) - 1, Special::Reserved),
                range(heavy(0xFE), heavy(0xFF) - 1, Special::Error),
                range(heavy(0xFF), heavy(0x100) - 1, Special::Unavailable),
            ]
        }
        _ => {
            let ones = u64::MAX >> (64 - u32::from(bits));
            vec![range(ones - 1, ones - 1, Special::Error), range(ones, ones, Special::Unavailable)]
        }
    }
}

fn check_labels(file: usize, written: &WrittenSignal, field: Field, form: Form, book: &mut Book) -> Vec<(u64, String)> {
    let Some(labels) = &written.labels else { return Vec::new() };
    let place = (file, labels.span());
    let scaled = written.scale.is_some() || written.offset.is_some();
    if matches!(form, Form::Float | Form::Flag | Form::Signed) || scaled || written.unit.is_some() {
        let title = format!("'{}' has labels, so it is a bare unsigned number", written.name.get());
        book.add(place.clone(), title, "these labels", "leave out labels, or as, scale, offset and unit");
    }
    let mut used: Vec<(u64, String)> = Vec::new();
    for (text, label) in labels.get() {
        let raw = match text.strip_prefix("0x") {
            Some(digits) => u64::from_str_radix(digits, 16).ok(),
            None => text.parse::<u64>().ok(),
        };
        let Some(raw) = raw.filter(|raw| *raw <= field.mask()) else {
            let title = format!("'{text}' is no raw value of {} bits", field.bits);
            book.add(place.clone(), title, "in these labels", format!("0 to {}", field.mask()));
            continue;
        };
        let taken = used.iter().any(|(other, name)| *other == raw || name == label);
        let misleading = label.parse::<f64>().is_ok() || matches!(label.as_str(), "unavailable" | "error" | "");
        if taken || misleading {
            let title = format!("label {text} = \"{label}\" cannot be told apart");
            let remedy = "each raw value once, each label once; no bare numbers, 'unavailable' or 'error'";
            book.add(place.clone(), title, "in these labels", remedy);
        }
        used.push((raw, label.clone()));
    }
    used.sort();
    used
}

fn column_of(signal: &Signal) -> Column {
    if !signal.labels.is_empty() {
        return Column::Label;
    }
    match signal.form {
        Form::Flag => Column::Flag,
        Form::Float if signal.field.bits == 64 => Column::Real64,
        Form::Float => Column::Real32,
        _ if signal.scale == 1.0 && signal.offset.fract() == 0.0 && signal.offset.abs() < 1e15 => {
            let (low, high) = signal.raw_limits();
            let (low, high) = (low + signal.offset as i128, high + signal.offset as i128);
            let fitting = [8_u8, 16, 32, 64].into_iter().find_map(|bits| {
                let unsigned = low >= 0 && high < 1_i128 << bits;
                let signed = low >= -(1_i128 << (bits - 1)) && high < 1_i128 << (bits - 1);
                (unsigned || signed).then_some(Column::Whole { bits, signed: !unsigned })
            });
            fitting.unwrap_or(Column::Real)
        }
        _ => Column::Real,
    }
}

/// Whether rounding can never make another raw value of a stored one: four roundings, each at most 2⁻⁵³ of its result,
/// must stay below a quarter of a raw step.
fn surely_reversible(signal: &Signal) -> bool {
    if signal.column != Column::Real {
        return true;
    }
    let (low, high) = signal.raw_limits();
    let raw_most = (low.abs().max(high.abs())) as f64;
    let steps_most = 4.0 * raw_most + 3.0 * (signal.offset / signal.scale).abs();
    steps_most * 2_f64.powi(-53) < 0.25
}

fn check_example(file: usize, example: &At<WrittenExample>, signals: &[Signal], book: &mut Book) -> Option<Example> {
    let written = example.get();
    let place = (file, written.data.span());
    let data = match hex_bytes(written.data.get()) {
        Some(data) if (1..=DATA_BYTES_MAX).contains(&data.len()) => data,
        _ => {
            book.add(place, "no payload in hexadecimal", "this one", "1 to 64 bytes: \"70 17 FF FF\"");
            return None;
        }
    };
    let mut expect = Vec::new();
    for (name, value) in &written.expect {
        match signals.iter().position(|signal| signal.name == *name) {
            Some(index) => expect.push((index, value.get().clone(), value.span())),
            None => {
                let title = format!("no signal of this message is named '{name}'");
                book.add((file, value.span()), title, "expected here", "correct the name");
            }
        }
    }
    if written.expect.is_empty() {
        book.add(place.clone(), "an example that expects nothing", "this one", "say at least one value in `expect`");
    }
    Some(Example { place, data, expect })
}

/// Bytes written in hexadecimal, white space between them allowed.
pub fn hex_bytes(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> =
        text.chars().filter(|c| !c.is_whitespace()).map(|c| c.to_digit(16).map(|d| d as u8)).collect::<Option<_>>()?;
    digits.len().is_multiple_of(2).then(|| digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect())
}

/// Decodes an example and builds it again.
fn run_example(message: &Message, buses: &Buses, example: &Example, book: &mut Book) {
    let (file, span) = &example.place;
    let mut data = [0; DATA_BYTES_MAX];
    data[..example.data.len()].copy_from_slice(&example.data);
    let mut given = Vec::new();
    for (index, said, said_span) in &example.expect {
        let signal = &message.signals[*index];
        let reading = message.read(*index, &data, example.data.len());
        if !signal.agrees(reading, said) {
            let title = format!("the example of '{}' does not hold", message.name);
            let label = format!("'{}' decodes to {}", signal.name, signal.said(reading));
            let remedy = format!("`yardtap explain {}` shows where each bit lies", message.name);
            book.add((*file, said_span.clone()), title, label, remedy);
            return;
        }
        given.push((*index, said));
    }
    // The other way round, over the bytes as they are: what the values say must change nothing.
    for (index, said) in given {
        let signal = &message.signals[index];
        let value = match said {
            Scalar::Text(text) if text == "unavailable" || text == "error" => continue,
            Scalar::Text(text) => Given::Label(text),
            Scalar::Flag(flag) => Given::Value(f64::from(u8::from(*flag))),
            Scalar::Integer(number) => Given::Value(*number as f64),
            Scalar::Number(number) => Given::Value(*number),
        };
        let raw: Result<u64, BuildError> = signal.raw_given(value);
        let there = signal.field.of_bytes(&data);
        if raw != Ok(there) {
            let title = format!("the example of '{}' cannot be built again", message.name);
            let label = match raw {
                Ok(raw) => format!("'{}' is raw {there:#X}, its value gives {raw:#X}", signal.name),
                Err(error) => error.to_string(),
            };
            book.add((*file, span.clone()), title, label, "say the value to the signal's own resolution");
        }
    }
    let is_group = matches!(message.matching, Matching::Group { .. });
    if example.data.len() != usize::from(message.length) {
        let bus = buses.values().find(|(index, _)| *index == message.bus).map_or("", |(_, bus)| bus.name.as_str());
        let title = format!(
            "the example of '{}' has {} bytes, the message {}",
            message.name,
            example.data.len(),
            message.length
        );
        let remedy =
            if is_group { "a J1939 message has 8 bytes unless `length` says less" } else { "correct one of them" };
        book.add((*file, span.clone()), title, format!("on bus {bus}"), remedy);
    }
}
