//! Run rules, written → used: references resolved, conditions brought into order.

use std::collections::HashMap;
use std::ops::Range;

use super::check::{Book, Place, check_name};
use super::rules::{Condition, Counter, CounterKind, Distance, Rules, Term, Test, Timing};
use super::signal::{Column, Form};
use super::unit::{self, Unit};
use super::written::{
    At, OneOrMany, Scalar, Side, WrittenCondition, WrittenCounter, WrittenFile, WrittenNear, WrittenRun, WrittenTerm,
};
use super::{Message, SignalRef};

/// How long a run may be out of use before it is over, where nothing is said.
const ENDS_AFTER_US: i64 = 120_000_000;
/// How long a silence may be within a run, where nothing is said.
const GAP_US: i64 = 600_000_000;
/// Longest silence within a run: a capture's neighbourhood is read again over it.
const GAP_US_MAX: i64 = 4 * 3_600_000_000;
/// Shortest run, where nothing is said.
const SHORTEST_US: i64 = 30_000_000;
/// How long a peak must be held, where nothing is said.
const HELD_US: i64 = 5_000_000;

pub(super) fn check_rules(files: &[(usize, WrittenFile)], messages: &[Message], book: &mut Book) -> Option<Rules> {
    let mut run: Option<(usize, &At<WrittenRun>)> = None;
    for (file, written) in files {
        if let Some(table) = &written.run {
            if run.is_some() {
                book.add((*file, table.span()), "a set has one [run]", "a second one", "keep one of them");
            }
            run = Some((*file, table));
        }
    }
    let written: Vec<(usize, &At<WrittenCondition>)> =
        files.iter().flat_map(|(file, w)| w.condition.iter().map(move |c| (*file, c))).collect();
    let counters: Vec<(usize, &At<WrittenCounter>)> =
        files.iter().flat_map(|(file, w)| w.counter.iter().map(move |c| (*file, c))).collect();
    let names = Names { messages };
    let (conditions, places) = check_conditions(&written, &names, book);
    let Some((file, run)) = run else {
        if let Some((file, counter)) = counters.first() {
            let remedy = "add [run] with `while`, a condition that is true while the vehicle is in use";
            book.add((*file, counter.span()), "counters without a [run]", "counted over what?", remedy);
        }
        return None;
    };
    let run = run.get();
    let mut time = |text: &Option<At<String>>, otherwise: i64| match text {
        Some(text) => book.duration_us(file, text).unwrap_or(otherwise),
        None => otherwise,
    };
    let ends_after_us = time(&run.ends_after, ENDS_AFTER_US);
    let gap_us = time(&run.gap, GAP_US);
    let shortest_us = time(&run.shortest, SHORTEST_US);
    if gap_us > GAP_US_MAX {
        let span = run.gap.as_ref().map_or(0..0, At::span);
        book.add((file, span), "a gap of more than 4 hours", "this one", "a run does not last over a silence so long");
    }
    let distance = run.distance.as_ref().and_then(|path| {
        let signal = names.number(file, path, book)?;
        names.distance(file, path, signal, book)
    });
    let position = run.position.as_ref().and_then(|pair| match pair.get().as_slice() {
        [latitude, longitude] => {
            let find = |path: &String, book: &mut Book| names.number_named(file, pair.span(), path, book);
            find(latitude, book).zip(find(longitude, book))
        }
        _ => {
            let remedy = "position = [\"position.latitude\", \"position.longitude\"]";
            book.add((file, pair.span()), "a position is a latitude and a longitude", "this list", remedy);
            None
        }
    });
    let in_use = find_condition(file, &run.while_, &places, book);
    let mut used: Vec<Counter> = Vec::new();
    for (file, counter) in counters {
        let (has_distance, has_position) = (distance.is_some(), position.is_some());
        let checker = CounterChecker { file, names: &names, places: &places, has_distance, has_position };
        let Some(checked) = checker.check(counter, book) else { continue };
        let at = format!("{}_at", checked.name);
        let clash =
            used.iter().any(|c| c.name == checked.name || c.name == at || format!("{}_at", c.name) == checked.name);
        if clash || RUN_COLUMNS.contains(&checked.name.as_str()) {
            let title = format!("the runs table has a column '{}' already", checked.name);
            book.add((file, counter.get().name.span()), title, "this counter", "give it another name");
        }
        used.push(checked);
    }
    Some(Rules { in_use: in_use?, ends_after_us, gap_us, shortest_us, distance, position, conditions, counters: used })
}

/// Columns that the runs table has of its own.
const RUN_COLUMNS: [&str; 9] =
    ["vehicle", "service_day", "start", "end", "ended_by", "span", "date", "definitions", "duration_s"];

type Places = HashMap<String, usize>;

fn find_condition(file: usize, name: &At<String>, places: &Places, book: &mut Book) -> Option<usize> {
    let found = places.get(name.get()).copied();
    if found.is_none() {
        let mut known: Vec<_> = places.keys().map(String::as_str).collect();
        known.sort_unstable();
        let title = format!("no condition is named '{}'", name.get());
        book.add((file, name.span()), title, "this one", format!("there are: {}", known.join(", ")));
    }
    found
}

/// Resolves `message.signal`.
struct Names<'a> {
    messages: &'a [Message],
}

impl Names<'_> {
    fn find(&self, file: usize, span: Range<usize>, path: &str, book: &mut Book) -> Option<SignalRef> {
        let found = path.split_once('.').and_then(|(message, signal)| {
            let message = self.messages.iter().position(|m| m.name == message)?;
            Some(SignalRef { message, signal: self.messages[message].signal(signal)? })
        });
        if found.is_none() {
            let remedy = match path.split_once('.') {
                None => "write message.signal".to_owned(),
                Some((message, _)) => match self.messages.iter().find(|m| m.name == message) {
                    None => format!("no message is named '{message}'"),
                    Some(m) => {
                        let known: Vec<_> = m.signals.iter().map(|s| s.name.as_str()).collect();
                        format!("'{message}' has: {}", known.join(", "))
                    }
                },
            };
            book.add((file, span), format!("no signal is named '{path}'"), "this one", remedy);
        }
        found
    }

    fn signal(&self, place: SignalRef) -> &super::Signal {
        &self.messages[place.message].signals[place.signal]
    }

    fn number(&self, file: usize, path: &At<String>, book: &mut Book) -> Option<SignalRef> {
        self.number_named(file, path.span(), path.get(), book)
    }

    /// A signal whose values are numbers, not labels or flags.
    fn number_named(&self, file: usize, span: Range<usize>, path: &str, book: &mut Book) -> Option<SignalRef> {
        let found = self.find(file, span.clone(), path, book)?;
        if matches!(self.signal(found).column, Column::Label | Column::Flag) {
            let title = format!("'{path}' has no numbers but labels or a flag");
            book.add((file, span), title, "this one", "name a signal with a number");
            return None;
        }
        Some(found)
    }

    fn unit(&self, place: SignalRef) -> Option<Unit> {
        unit::parse(&self.signal(place).unit).ok()
    }

    fn distance(&self, file: usize, path: &At<String>, signal: SignalRef, book: &mut Book) -> Option<Distance> {
        let kilometre = unit::parse("km").ok()?;
        let second = unit::parse("s").ok()?;
        let unit = self.unit(signal);
        let speed = unit.and_then(|unit| kilometre.factor_from(&unit.times(&second)));
        let odometer = unit.and_then(|unit| kilometre.factor_from(&unit));
        match (speed, odometer) {
            (Some(factor), _) => Some(Distance::Speed(signal, factor)),
            (_, Some(factor)) => Some(Distance::Odometer(signal, factor)),
            _ => {
                let title =
                    format!("'{}' is in '{}': neither a speed nor a length", path.get(), self.signal(signal).unit);
                book.add((file, path.span()), title, "this one", "name a signal in km/h, m/s, m or km");
                None
            }
        }
    }
}

/// Checks the conditions and sorts them so that each needs only earlier ones.
fn check_conditions(
    written: &[(usize, &At<WrittenCondition>)],
    names: &Names<'_>,
    book: &mut Book,
) -> (Vec<Condition>, Places) {
    let mut by_name: HashMap<&str, usize> = HashMap::new();
    for (index, (file, condition)) in written.iter().enumerate() {
        let name = &condition.get().name;
        let place: Place = (*file, name.span());
        check_name(name.get(), &place, "condition", book);
        if by_name.insert(name.get(), index).is_some() {
            let title = format!("two conditions are named '{}'", name.get());
            book.add(place, title, "again here", "give one of them another name");
        }
    }
    let mut order = Vec::new();
    let mut state = vec![Visit::Unseen; written.len()];
    for index in 0..written.len() {
        visit(index, written, &by_name, &mut state, &mut order, book);
    }
    let places: Places =
        order.iter().enumerate().map(|(at, index)| (written[*index].1.get().name.get().clone(), at)).collect();
    let mut conditions = Vec::new();
    for index in order {
        let (file, condition) = written[index];
        let condition = condition.get();
        let (all, terms) = match (&condition.all, &condition.any) {
            (Some(terms), None) => (true, terms.as_slice()),
            (None, Some(terms)) => (false, terms.as_slice()),
            _ => {
                let title = format!("condition '{}' needs `all` or `any`", condition.name.get());
                book.add((file, condition.name.span()), title, "this one", "all = [ … ]: every term; any = [ … ]: one");
                (true, [].as_slice())
            }
        };
        if terms.is_empty() {
            let title = format!("condition '{}' rests on nothing", condition.name.get());
            book.add((file, condition.name.span()), title, "this one", "give it a term");
        }
        let terms = terms.iter().filter_map(|term| check_term(file, term, names, &places, book)).collect();
        let timing = timing(file, &condition.for_, &condition.lingers, book);
        let about = condition.about.clone().unwrap_or_default();
        conditions.push(Condition { name: condition.name.get().clone(), all, terms, timing, about });
    }
    (conditions, places)
}

#[derive(Clone, Copy, PartialEq)]
enum Visit {
    Unseen,
    Open,
    Done,
}

/// Deepest chain of conditions that rest on one another.
const CHAIN_MAX: usize = 64;

fn visit(
    index: usize,
    written: &[(usize, &At<WrittenCondition>)],
    by_name: &HashMap<&str, usize>,
    state: &mut [Visit],
    order: &mut Vec<usize>,
    book: &mut Book,
) {
    if state[index] != Visit::Unseen {
        return;
    }
    state[index] = Visit::Open;
    let (file, condition) = written[index];
    let terms = condition.get().all.iter().chain(&condition.get().any).flatten();
    for needed in terms.filter_map(|term| term.get().condition.as_ref()) {
        let Some(next) = by_name.get(needed.get().as_str()).copied() else { continue };
        let depth = state.iter().filter(|s| **s == Visit::Open).count();
        if state[next] == Visit::Open || depth > CHAIN_MAX {
            let title = format!("condition '{}' rests on itself", condition.get().name.get());
            book.add((file, needed.span()), title, "by way of this one", "break the circle");
        } else {
            visit(next, written, by_name, state, order, book);
        }
    }
    state[index] = Visit::Done;
    order.push(index);
}

fn timing(file: usize, holds: &Option<At<String>>, lingers: &Option<At<String>>, book: &mut Book) -> Timing {
    let mut us = |text: &Option<At<String>>| text.as_ref().and_then(|t| book.duration_us(file, t)).unwrap_or(0);
    Timing { holds_us: us(holds), lingers_us: us(lingers) }
}

fn check_term(
    file: usize,
    written: &At<WrittenTerm>,
    names: &Names<'_>,
    places: &Places,
    book: &mut Book,
) -> Option<Term> {
    let term = written.get();
    let timing = timing(file, &term.for_, &term.lingers, book);
    let test = match (&term.signal, &term.condition) {
        (None, Some(name)) => {
            let misplaced =
                term.above.is_some() || term.below.is_some() || term.is_not.is_some() || term.missing.is_some();
            let wanted = match term.is.as_ref().map(|is| is.get().as_slice()) {
                None => Some(true),
                Some([Scalar::Flag(flag)]) => Some(*flag),
                Some(_) => None,
            };
            let Some(wanted) = wanted.filter(|_| !misplaced) else {
                let remedy = "{ condition = \"name\" } or { condition = \"name\", is = false }";
                book.add((file, written.span()), "a condition is true or false, nothing else", "this term", remedy);
                return None;
            };
            Test::Stands { condition: find_condition(file, name, places, book)?, wanted }
        }
        (Some(path), None) => check_test(file, written, path, names, book)?,
        _ => {
            let remedy = "{ signal = \"message.signal\", above = 5 } or { condition = \"name\" }";
            book.add((file, written.span()), "a term looks at one signal or one condition", "this term", remedy);
            return None;
        }
    };
    Some(Term { test, timing })
}

fn check_test(
    file: usize,
    written: &At<WrittenTerm>,
    path: &At<String>,
    names: &Names<'_>,
    book: &mut Book,
) -> Option<Test> {
    let term = written.get();
    let signal = names.find(file, path.span(), path.get(), book)?;
    let tests =
        [term.above.is_some(), term.below.is_some(), term.is.is_some(), term.is_not.is_some(), term.missing.is_some()];
    if tests.iter().filter(|test| **test).count() != 1 {
        let remedy = "exactly one of above, below, is, is_not, missing = true";
        book.add((file, written.span()), "a term makes one test", "this term", remedy);
        return None;
    }
    let number = |book: &mut Book| names.number(file, path, book);
    if let Some(enter) = &term.above {
        let signal = number(book)?;
        let leave = term.back_below.as_ref().map_or(*enter.get(), |at| *at.get());
        if leave > *enter.get() || leave.is_nan() {
            book.add(
                (file, enter.span()),
                "it would be over before it began",
                "above this",
                "back_below is not above `above`",
            );
        }
        return Some(Test::Above { signal, enter: *enter.get(), leave });
    }
    if let Some(enter) = &term.below {
        let signal = number(book)?;
        let leave = term.back_above.as_ref().map_or(*enter.get(), |at| *at.get());
        if leave < *enter.get() || leave.is_nan() {
            book.add(
                (file, enter.span()),
                "it would be over before it began",
                "below this",
                "back_above is not below `below`",
            );
        }
        return Some(Test::Below { signal, enter: *enter.get(), leave });
    }
    if let Some(missing) = &term.missing {
        if !*missing.get() {
            let remedy = "leave it out: any test of a value is true only where there is one";
            book.add((file, missing.span()), "missing = false", "this one", remedy);
        }
        return Some(Test::Missing { signal });
    }
    let (said, wanted) = term.is.as_ref().map(|is| (is, true)).or(term.is_not.as_ref().map(|is| (is, false)))?;
    let values = values_of(file, said, names.signal(signal), book)?;
    Some(Test::OneOf { signal, values, wanted })
}

fn values_of(file: usize, said: &At<OneOrMany<Scalar>>, signal: &super::Signal, book: &mut Book) -> Option<Vec<f64>> {
    let value = |scalar: &Scalar| match (scalar, signal.column) {
        (Scalar::Flag(flag), Column::Flag) => Some(f64::from(u8::from(*flag))),
        (Scalar::Text(text), Column::Label) => {
            signal.labels.iter().find(|(_, label)| label == text).map(|(raw, _)| *raw as f64)
        }
        (Scalar::Integer(number), Column::Label) => Some(*number as f64),
        (Scalar::Integer(number), column) if column != Column::Flag => Some(*number as f64),
        (Scalar::Number(number), column) if !matches!(column, Column::Flag | Column::Label) => Some(*number),
        _ => None,
    };
    let values: Option<Vec<f64>> = said.get().as_slice().iter().map(value).collect();
    if values.is_none() {
        let remedy = match (signal.form, signal.labels.is_empty()) {
            (Form::Flag, _) => "true or false".to_owned(),
            (_, false) => {
                let labels: Vec<_> = signal.labels.iter().map(|(_, label)| label.as_str()).collect();
                format!("one of: {}", labels.join(", "))
            }
            _ => "a number".to_owned(),
        };
        let title = format!("'{}' never has that value", signal.name);
        book.add((file, said.span()), title, "this one", remedy);
    }
    values
}

struct CounterChecker<'a> {
    file: usize,
    names: &'a Names<'a>,
    places: &'a Places,
    has_distance: bool,
    has_position: bool,
}

impl CounterChecker<'_> {
    fn check(&self, at: &At<WrittenCounter>, book: &mut Book) -> Option<Counter> {
        let written = at.get();
        check_name(written.name.get(), &(self.file, written.name.span()), "counter", book);
        let gate = match &written.while_ {
            Some(name) => Some(find_condition(self.file, name, self.places, book)?),
            None => None,
        };
        let (kind, unit) = self.kind(at, book)?;
        self.refuse_misplaced(written, &kind, book);
        let keep: Vec<_> =
            written.keep.iter().filter_map(|path| self.names.find(self.file, path.span(), path.get(), book)).collect();
        Some(Counter {
            name: written.name.get().clone(),
            kind,
            gate,
            keep,
            heading: written.heading.as_ref().map(|heading| heading.get().clone()),
            unit,
            about: written.about.clone().unwrap_or_default(),
        })
    }

    fn kind(&self, at: &At<WrittenCounter>, book: &mut Book) -> Option<(CounterKind, String)> {
        let w = at.get();
        let given = [
            w.count.is_some(),
            w.growth.is_some(),
            w.peak.is_some(),
            w.low.is_some(),
            w.mean.is_some(),
            w.integral.is_some(),
            w.time.is_some(),
            w.distance.is_some(),
        ];
        if given.iter().filter(|kind| **kind).count() != 1 {
            let remedy = "exactly one of count, growth, peak, low, mean, integral, time, distance";
            let title = format!("counter '{}' counts one thing", w.name.get());
            book.add((self.file, w.name.span()), title, "this one", remedy);
            return None;
        }
        let time = |text: &Option<At<String>>, otherwise: i64, book: &mut Book| match text {
            Some(text) => book.duration_us(self.file, text).unwrap_or(otherwise),
            None => otherwise,
        };
        let unit_of = |place: SignalRef| self.names.signal(place).unit.clone();
        if let Some(name) = &w.count {
            let condition = find_condition(self.file, name, self.places, book)?;
            let rearm_us = time(&w.rearm, 0, book);
            let places = |near: &[At<WrittenNear>]| {
                near.iter().map(|near| (near.get().special_work.get().clone(), *near.get().metres.get())).collect()
            };
            if let (Some(near), false) = (w.within.first(), self.has_position) {
                let title = "nothing says where the vehicle is";
                let remedy = "[run] needs `position`: a latitude and a longitude";
                book.add((self.file, near.span()), title, "counted at such places", remedy);
                return None;
            }
            let (unless_within, within) = (places(&w.unless_within), places(&w.within));
            return Some((CounterKind::Count { condition, rearm_us, unless_within, within }, "1".into()));
        }
        if let Some(path) = &w.growth {
            let place = self.names.number(self.file, path, book)?;
            let signal = self.names.signal(place);
            if signal.form != Form::Unsigned || signal.field.bits > 32 {
                let title = format!("'{}' is no counter of up to 32 bits", path.get());
                book.add((self.file, path.span()), title, "this one", "name an unsigned signal of 2 to 32 bits");
                return None;
            }
            let range = signal.field.mask();
            let step_max = match &w.step_max {
                None => (range / 8).max(1),
                Some(step) => match u64::try_from(*step.get()) {
                    Ok(most) if most >= 1 && most <= range / 2 => most,
                    _ => {
                        let title = format!("steps of up to {}", step.get());
                        book.add((self.file, step.span()), title, "this one", format!("1 to {}", range / 2));
                        return None;
                    }
                },
            };
            return Some((CounterKind::Growth { signal: place, step_max }, unit_of(place)));
        }
        if let Some((path, highest)) = w.peak.as_ref().map(|p| (p, true)).or(w.low.as_ref().map(|p| (p, false))) {
            let signal = self.names.number(self.file, path, book)?;
            let held_us = time(&w.held, HELD_US, book);
            return Some((CounterKind::Extreme { signal, highest, held_us }, unit_of(signal)));
        }
        if let Some(path) = &w.mean {
            let signal = self.names.number(self.file, path, book)?;
            return Some((CounterKind::Mean { signal }, unit_of(signal)));
        }
        if let Some(paths) = &w.integral {
            return self.integral(w, paths, book);
        }
        if let Some(name) = &w.time {
            let condition = find_condition(self.file, name, self.places, book)?;
            return Some((CounterKind::Time { condition }, "s".into()));
        }
        let name = w.distance.as_ref()?;
        if !self.has_distance {
            let remedy = "[run] needs `distance`: a speed or an odometer";
            book.add((self.file, name.span()), "nothing says how far the vehicle goes", "counted here", remedy);
        }
        let condition =
            if name.get() == "run" { None } else { Some(find_condition(self.file, name, self.places, book)?) };
        Some((CounterKind::Distance { condition }, "km".into()))
    }

    fn integral(
        &self,
        w: &WrittenCounter,
        paths: &At<OneOrMany<String>>,
        book: &mut Book,
    ) -> Option<(CounterKind, String)> {
        let mut signals = Vec::new();
        for path in paths.get().as_slice() {
            signals.push(self.names.number_named(self.file, paths.span(), path, book)?);
        }
        let (&first, times) = match signals.as_slice() {
            [one] => (one, None),
            [one, two] => (one, Some(*two)),
            _ => {
                let remedy = "integral = \"a.amperes\" or [\"a.volts\", \"a.amperes\"]";
                book.add(
                    (self.file, paths.span()),
                    "an integral of one signal or of a product of two",
                    "this one",
                    remedy,
                );
                return None;
            }
        };
        let Some(code) = &w.unit else {
            let title = format!("counter '{}' needs the unit of its result", w.name.get());
            book.add((self.file, paths.span()), title, "this integral", "unit = \"kW.h\"");
            return None;
        };
        let second = unit::parse("s").ok()?;
        let mut product = self.names.unit(first).map(|unit| unit.times(&second));
        if let Some(times) = times {
            product = product.zip(self.names.unit(times)).map(|(one, two)| one.times(&two));
        }
        let factor = unit::parse(code.get()).ok().zip(product).and_then(|(unit, product)| unit.factor_from(&product));
        let Some(factor) = factor else {
            let title = format!("the integral over time is not in {}", code.get());
            book.add(
                (self.file, code.span()),
                title,
                "this unit",
                "a unit of signal (times signal) times second, in UCUM",
            );
            return None;
        };
        let side = w.side.as_ref().map_or(Side::Both, |side| *side.get());
        Some((CounterKind::Integral { signal: first, times, side, factor }, code.get().clone()))
    }

    /// Keys that mean nothing for a counter's kind are told, not passed over.
    fn refuse_misplaced(&self, w: &WrittenCounter, kind: &CounterKind, book: &mut Book) {
        let is_count = matches!(kind, CounterKind::Count { .. });
        let is_growth = matches!(kind, CounterKind::Growth { .. });
        let is_extreme = matches!(kind, CounterKind::Extreme { .. });
        let is_integral = matches!(kind, CounterKind::Integral { .. });
        let ungated = matches!(kind, CounterKind::Time { .. } | CounterKind::Distance { .. });
        let misplaced = [
            (w.rearm.as_ref().map(At::span), is_count, "rearm", "count"),
            (w.unless_within.first().map(|near| near.span()), is_count, "unless_within", "count"),
            (w.within.first().map(|near| near.span()), is_count, "within", "count"),
            (w.step_max.as_ref().map(At::span), is_growth, "step_max", "growth"),
            (w.held.as_ref().map(At::span), is_extreme, "held", "peak and low"),
            (w.side.as_ref().map(At::span), is_integral, "side", "integral"),
            (w.unit.as_ref().map(At::span), is_integral, "unit", "integral"),
            (w.keep.first().map(At::span), is_count || is_growth, "keep", "count and growth"),
            (w.while_.as_ref().map(At::span), !ungated, "while", "kinds other than time and distance"),
        ];
        for (span, fits, key, kinds) in misplaced {
            if let (Some(span), false) = (span, fits) {
                let title = format!("`{key}` belongs to {kinds}");
                book.add((self.file, span), title, "it has no use here", "leave it out");
            }
        }
    }
}
