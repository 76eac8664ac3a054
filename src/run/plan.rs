//! Rules → plan: only what they refer to, as dense tables that point at one another by index.

use std::ops::Range;

use super::growth::Follower;
use super::place::{Near, Place};
use super::truth::{Check, Delay};
use super::value::Stream;
use crate::bits::Field;
use crate::defs::rules::{CounterKind, Distance, Rules, Test};
use crate::defs::{Definitions, Form, Message, Side, Signal, SignalRef};
use crate::frame::{DATA_BYTES_MAX, TimeUs};

/// So many expected periods without a frame make a value stale.
const STALE_PERIODS: i64 = 3;
/// A value whose message has no expected period is stale after so long.
const STALE_AFTER_US: i64 = 10_000_000;

/// Rules as the engine works them; nothing in it changes.
#[derive(Debug)]
pub(super) struct Plan {
    /// By message index.
    pub(super) messages: Vec<MessagePlan>,
    pub(super) streams: Vec<StreamPlan>,
    pub(super) signals: Vec<SignalPlan>,
    pub(super) terms: Vec<TermPlan>,
    /// Each rests on earlier ones only.
    pub(super) conditions: Vec<ConditionPlan>,
    pub(super) counters: Vec<CounterPlan>,
    pub(super) in_use: usize,
    pub(super) ends_after_us: i64,
    pub(super) gap_us: i64,
    pub(super) shortest_us: i64,
    pub(super) odometer: Option<OdometerPlan>,
    /// Signals of latitude and longitude.
    pub(super) position: Option<(usize, usize)>,
}

/// A message's streams; none where the rules have no use for it.
#[derive(Debug, Clone, Default)]
pub(super) struct MessagePlan {
    pub(super) streams: Range<usize>,
    /// Longer than 8 bytes.
    pub(super) long: bool,
}

#[derive(Debug)]
pub(super) struct StreamPlan {
    pub(super) page: Option<PagePlan>,
    pub(super) signals: Vec<usize>,
    /// Peaks and lows, which want every frame of it.
    pub(super) extremes: Vec<usize>,
    pub(super) growths: Vec<usize>,
    pub(super) holds_odometer: bool,
    /// How its state begins.
    pub(super) blank: Stream,
}

#[derive(Debug)]
pub(super) struct PagePlan {
    pub(super) selector: Field,
    pub(super) reach_bytes: u8,
    pub(super) is: Vec<u64>,
}

#[derive(Debug)]
pub(super) struct SignalPlan {
    pub(super) signal: Signal,
    pub(super) place: SignalRef,
    pub(super) stream: usize,
    /// Bytes that a payload must have for it.
    pub(super) reach_bytes: u8,
    pub(super) terms: Vec<usize>,
    /// Counters to be refreshed when its value changes.
    pub(super) counters: Vec<usize>,
}

#[derive(Debug)]
pub(super) struct TermPlan {
    pub(super) check: Check,
    pub(super) condition: usize,
    /// How its delay begins.
    pub(super) blank: Delay,
    pub(super) timed: bool,
}

#[derive(Debug)]
pub(super) struct ConditionPlan {
    pub(super) all: bool,
    pub(super) terms: Range<usize>,
    /// How its delay begins.
    pub(super) blank: Delay,
    pub(super) timed: bool,
    /// Terms of later conditions that rest on it.
    pub(super) dependents: Vec<usize>,
    /// Counters to be refreshed when its truth changes.
    pub(super) counters: Vec<usize>,
    /// Counters of its occurrences.
    pub(super) counts: Vec<usize>,
}

#[derive(Debug)]
pub(super) struct CounterPlan {
    pub(super) kind: Kind,
    pub(super) gate: Option<usize>,
    pub(super) keep: Vec<usize>,
}

/// Kinds of counter, by the index of signals and conditions.
#[derive(Debug)]
pub(super) enum Kind {
    Count {
        condition: usize,
        rearm_us: i64,
        unless_within: Vec<Near>,
        /// Only near one of these, where there are any.
        within: Vec<Near>,
    },
    Growth {
        signal: usize,
        scale: f64,
        blank: Follower,
    },
    Extreme {
        signal: usize,
        highest: bool,
        held_us: i64,
    },
    Mean {
        signal: usize,
    },
    Integral {
        signal: usize,
        times: Option<usize>,
        side: Side,
        factor: f64,
    },
    Time {
        condition: usize,
    },
    /// By integrating a speed.
    Driven {
        speed: usize,
        factor: f64,
        condition: Option<usize>,
    },
    /// By the odometer's growth; without an odometer there is none.
    Odometer {
        condition: Option<usize>,
    },
}

#[derive(Debug)]
pub(super) struct OdometerPlan {
    pub(super) signal: usize,
    /// Kilometres per unit.
    pub(super) factor: f64,
    /// Resolution in kilometres; of a float, relative to its value.
    pub(super) step_km: f64,
    pub(super) step_is_relative: bool,
}

impl Plan {
    pub(super) fn new(defs: &Definitions, places: &[Place]) -> Option<Self> {
        let rules = defs.rules.as_ref()?;
        let mut maker = Maker { defs, streams: Vec::new(), signals: Vec::new() };
        let renumbered = maker.conditions(rules);
        let counters = maker.counters(rules, &renumbered.index, places);
        let odometer = maker.odometer(rules, &counters);
        let makes_events =
            counters.iter().any(|counter| matches!(counter.kind, Kind::Count { .. } | Kind::Growth { .. }));
        let position = rules
            .position
            .filter(|_| makes_events)
            .map(|(latitude, longitude)| (maker.signal(latitude), maker.signal(longitude)));
        let mut plan = Self {
            messages: Vec::new(),
            streams: maker.streams,
            signals: maker.signals,
            terms: renumbered.terms,
            conditions: renumbered.conditions,
            counters,
            in_use: renumbered.index.get(rules.in_use).copied().flatten()?,
            ends_after_us: rules.ends_after_us,
            gap_us: rules.gap_us,
            shortest_us: rules.shortest_us,
            odometer,
            position,
        };
        plan.link();
        plan.lay_out(defs);
        Some(plan)
    }

    /// Tells signals and conditions which counters and terms look at them.
    fn link(&mut self) {
        for (index, counter) in self.counters.iter().enumerate() {
            let (signals, conditions): (Vec<usize>, Vec<usize>) = match &counter.kind {
                Kind::Count { condition, .. } => {
                    self.conditions[*condition].counts.push(index);
                    (vec![], vec![*condition])
                }
                Kind::Growth { signal, .. } => {
                    self.streams[self.signals[*signal].stream].growths.push(index);
                    (vec![], vec![])
                }
                Kind::Extreme { signal, .. } => {
                    self.streams[self.signals[*signal].stream].extremes.push(index);
                    (vec![], vec![])
                }
                Kind::Mean { signal } => (vec![*signal], vec![]),
                Kind::Integral { signal, times, .. } => (std::iter::once(*signal).chain(*times).collect(), vec![]),
                Kind::Time { condition } => (vec![], vec![*condition]),
                Kind::Driven { speed, condition, .. } => (vec![*speed], condition.iter().copied().collect()),
                Kind::Odometer { .. } => (vec![], vec![]),
            };
            for signal in signals {
                self.signals[signal].counters.push(index);
            }
            for condition in conditions.into_iter().chain(counter.gate) {
                self.conditions[condition].counters.push(index);
            }
        }
        if let Some(odometer) = &self.odometer {
            self.streams[self.signals[odometer.signal].stream].holds_odometer = true;
        }
        for signal in &mut self.signals {
            signal.counters.dedup();
        }
        for condition in &mut self.conditions {
            condition.counters.dedup();
        }
    }

    /// Brings the streams of a message together, and notes which bits of a word the rules look at.
    fn lay_out(&mut self, defs: &Definitions) {
        let mut order: Vec<usize> = (0..self.streams.len()).collect();
        let message_of = |stream: &StreamPlan, signals: &[SignalPlan]| {
            stream.signals.first().map_or(usize::MAX, |signal| signals[*signal].place.message)
        };
        order.sort_by_key(|stream| message_of(&self.streams[*stream], &self.signals));
        let mut moved_to = vec![0; order.len()];
        for (to, from) in order.iter().enumerate() {
            moved_to[*from] = to;
        }
        let mut streams: Vec<_> = std::mem::take(&mut self.streams).into_iter().zip(&moved_to).collect();
        streams.sort_by_key(|(_, to)| **to);
        self.streams = streams.into_iter().map(|(stream, _)| stream).collect();
        for signal in &mut self.signals {
            signal.stream = moved_to[signal.stream];
        }
        self.messages = vec![MessagePlan::default(); defs.messages.len()];
        for index in 0..self.streams.len() {
            let message = message_of(&self.streams[index], &self.signals);
            let Some(plan) = self.messages.get_mut(message) else { continue };
            if plan.streams.is_empty() {
                plan.streams = index..index;
            }
            plan.streams.end = index + 1;
            plan.long = defs.messages[message].length > 8;
            let stream = &mut self.streams[index];
            for signal in &stream.signals {
                let signal = &self.signals[*signal];
                stream.blank.reach_max = stream.blank.reach_max.max(signal.reach_bytes);
                if !plan.long {
                    stream.blank.mask |= signal.signal.field.word_mask();
                }
            }
        }
    }
}

/// Conditions that something rests on, under new numbers.
struct Renumbered {
    /// By the rules' number.
    index: Vec<Option<usize>>,
    conditions: Vec<ConditionPlan>,
    terms: Vec<TermPlan>,
}

struct Maker<'a> {
    defs: &'a Definitions,
    streams: Vec<StreamPlan>,
    signals: Vec<SignalPlan>,
}

impl Maker<'_> {
    /// Index of a signal; it is entered where it is not yet.
    fn signal(&mut self, place: SignalRef) -> usize {
        if let Some(known) = self.signals.iter().position(|signal| signal.place == place) {
            return known;
        }
        let message = &self.defs.messages[place.message];
        let signal = &message.signals[place.signal];
        let stream = self.stream(place, message, signal);
        let index = self.signals.len();
        self.streams[stream].signals.push(index);
        let reach_bytes = reach_bytes(signal.field);
        self.signals.push(SignalPlan {
            signal: signal.clone(),
            place,
            stream,
            reach_bytes,
            terms: Vec::new(),
            counters: Vec::new(),
        });
        index
    }

    fn stream(&mut self, place: SignalRef, message: &Message, signal: &Signal) -> usize {
        let alike = self.streams.iter().position(|stream| {
            stream.signals.first().is_some_and(|first| {
                let first = &self.signals[*first];
                first.place.message == place.message && first.signal.page == signal.page
            })
        });
        if let Some(alike) = alike {
            return alike;
        }
        let page = signal.page.as_ref().map(|page| {
            let selector = message.signals[page.selector].field;
            PagePlan { selector, reach_bytes: reach_bytes(selector), is: page.is.clone() }
        });
        let pages = signal.page.as_ref().map_or(1, |page| pages_of(message, page.selector));
        let stale_after_us = message
            .period_us
            .map_or(STALE_AFTER_US, |period| period.saturating_mul(STALE_PERIODS))
            .saturating_mul(pages)
            .max(1);
        let blank = Stream {
            seen_us: TimeUs::MIN,
            stale_after_us,
            mask: 0,
            word: 0,
            reach_max: 0,
            reach: 0,
            fresh: false,
            paged: page.is_some(),
            watched: false,
        };
        self.streams.push(StreamPlan {
            page,
            signals: Vec::new(),
            extremes: Vec::new(),
            growths: Vec::new(),
            holds_odometer: false,
            blank,
        });
        self.streams.len() - 1
    }

    fn conditions(&mut self, rules: &Rules) -> Renumbered {
        let mut needed = vec![false; rules.conditions.len()];
        let mut need = |condition: usize| {
            if let Some(entry) = needed.get_mut(condition) {
                *entry = true;
            }
        };
        need(rules.in_use);
        for counter in &rules.counters {
            counter.gate.into_iter().for_each(&mut need);
            match &counter.kind {
                CounterKind::Count { condition, .. } | CounterKind::Time { condition } => need(*condition),
                CounterKind::Distance { condition } => condition.iter().copied().for_each(&mut need),
                _ => {}
            }
        }
        for (index, condition) in rules.conditions.iter().enumerate().rev() {
            for term in &condition.terms {
                if let (Test::Stands { condition, .. }, true) = (&term.test, needed[index]) {
                    needed[*condition] = true;
                }
            }
        }
        let mut made = Renumbered { index: vec![None; needed.len()], conditions: Vec::new(), terms: Vec::new() };
        for (index, condition) in rules.conditions.iter().enumerate().filter(|(index, _)| needed[*index]) {
            let to = made.conditions.len();
            let first = made.terms.len();
            for term in &condition.terms {
                let check = self.check(&term.test);
                let at = made.terms.len();
                if let Some(signal) = term.test.signal() {
                    let signal = self.signal(signal);
                    self.signals[signal].terms.push(at);
                }
                if let Test::Stands { condition, .. } = &term.test
                    && let Some(earlier) = made.index[*condition]
                {
                    made.conditions[earlier].dependents.push(at);
                }
                let blank = Delay::new(term.timing.holds_us, term.timing.lingers_us);
                let timed = term.timing.holds_us > 0 || term.timing.lingers_us > 0;
                made.terms.push(TermPlan { check, condition: to, blank, timed });
            }
            made.conditions.push(ConditionPlan {
                all: condition.all,
                terms: first..made.terms.len(),
                blank: Delay::new(condition.timing.holds_us, condition.timing.lingers_us),
                timed: condition.timing.holds_us > 0 || condition.timing.lingers_us > 0,
                dependents: Vec::new(),
                counters: Vec::new(),
                counts: Vec::new(),
            });
            made.index[index] = Some(to);
        }
        made
    }

    fn check(&self, test: &Test) -> Check {
        match test {
            Test::Above { enter, leave, .. } => Check::Above { enter: *enter, leave: *leave },
            Test::Below { enter, leave, .. } => Check::Below { enter: *enter, leave: *leave },
            Test::OneOf { signal, values, wanted } => {
                let signal = self.defs.at(*signal);
                let ranges = values.iter().map(|value| range_of(signal, *value)).collect();
                Check::OneOf { ranges, wanted: *wanted }
            }
            Test::Missing { .. } => Check::Missing,
            Test::Stands { wanted, .. } => Check::Stands { wanted: *wanted },
        }
    }

    fn counters(&mut self, rules: &Rules, index: &[Option<usize>], places: &[Place]) -> Vec<CounterPlan> {
        // Every condition that a counter names has been entered, so nothing becomes 0 that is not.
        let condition = |condition: usize| index.get(condition).copied().flatten().unwrap_or(0);
        let counters = rules.counters.iter().map(|counter| {
            let kind = match &counter.kind {
                CounterKind::Count { condition: counted, rearm_us, unless_within, within } => Kind::Count {
                    condition: condition(*counted),
                    rearm_us: *rearm_us,
                    unless_within: near(unless_within, places),
                    within: near(within, places),
                },
                CounterKind::Growth { signal, step_max } => {
                    let counting = self.defs.at(*signal);
                    let blank = Follower::new(counting.field.mask(), *step_max);
                    Kind::Growth { signal: self.signal(*signal), scale: counting.scale, blank }
                }
                CounterKind::Extreme { signal, highest, held_us } => {
                    Kind::Extreme { signal: self.signal(*signal), highest: *highest, held_us: *held_us }
                }
                CounterKind::Mean { signal } => Kind::Mean { signal: self.signal(*signal) },
                CounterKind::Integral { signal, times, side, factor } => Kind::Integral {
                    signal: self.signal(*signal),
                    times: times.map(|times| self.signal(times)),
                    side: *side,
                    factor: *factor,
                },
                CounterKind::Time { condition: timed } => Kind::Time { condition: condition(*timed) },
                CounterKind::Distance { condition: over } => {
                    let over = over.map(condition);
                    match rules.distance {
                        Some(Distance::Speed(speed, factor)) => {
                            Kind::Driven { speed: self.signal(speed), factor, condition: over }
                        }
                        _ => Kind::Odometer { condition: over },
                    }
                }
            };
            let keep = counter.keep.iter().map(|place| self.signal(*place)).collect();
            CounterPlan { kind, gate: counter.gate.map(condition), keep }
        });
        counters.collect()
    }

    fn odometer(&mut self, rules: &Rules, counters: &[CounterPlan]) -> Option<OdometerPlan> {
        if !counters.iter().any(|counter| matches!(counter.kind, Kind::Odometer { .. })) {
            return None;
        }
        let Some(Distance::Odometer(place, factor)) = rules.distance else { return None };
        let signal = self.defs.at(place);
        let (step, step_is_relative) = match (signal.form, signal.field.bits) {
            (Form::Float, 16) => (2.0_f64.powi(-10), true),
            (Form::Float, 32) => (f64::from(f32::EPSILON), true),
            (Form::Float, _) => (f64::EPSILON, true),
            _ => ((signal.scale * factor).abs(), false),
        };
        Some(OdometerPlan { signal: self.signal(place), factor, step_km: step, step_is_relative })
    }
}

fn reach_bytes(field: Field) -> u8 {
    field.byte_range().map_or(DATA_BYTES_MAX as u8, |(_, last)| last as u8 + 1)
}

/// How many pages a selector tells apart, as far as the message knows them.
fn pages_of(message: &Message, selector: usize) -> i64 {
    let pages = message.signals.iter().filter_map(|signal| signal.page.as_ref());
    let mut values: Vec<u64> =
        pages.filter(|page| page.selector == selector).flat_map(|page| page.is.iter().copied()).collect();
    values.sort_unstable();
    values.dedup();
    i64::try_from(values.len()).unwrap_or(i64::MAX).max(1)
}

/// The values that pass for one written in decimals: it need not be the nearest binary fraction.
fn range_of(signal: &Signal, value: f64) -> (f64, f64) {
    if signal.form == Form::Float {
        let rounded = signal.raw_of(value).map_or(value, |raw| signal.float(raw));
        return (value.min(rounded), value.max(rounded));
    }
    let margin = signal.scale.abs() * 1e-3;
    (value - margin, value + margin)
}

fn near(kinds: &[(String, f64)], places: &[Place]) -> Vec<Near> {
    kinds.iter().map(|(kind, metres)| Near::new(kind, *metres, places)).collect()
}
