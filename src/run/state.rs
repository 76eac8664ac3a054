//! The state of one vehicle: what was said last, which conditions stand, what is due.
//!
//! Everything that happens at one instant goes the same way: values change, conditions follow, then the run, then
//! counters. An instant's frames come first, one after the other; then what is due at that instant (staleness, `for`,
//! `lingers`, the end of a run), all at once.

use super::counters::{CounterState, Tally};
use super::growth::Odometer;
use super::plan::Plan;
use super::rows::{EventRow, RunRow};
use super::runs::Run;
use super::truth::{Check, Delay, NEVER, Tri, combined};
use super::value::{Payload, Stream, Value};
use crate::frame::{DATA_BYTES_MAX, TimeUs};

/// All that changes.
#[derive(Debug)]
pub(super) struct State {
    /// Nothing is due before; it may be earlier than what is.
    pub(super) next_due: TimeUs,
    /// The last frame told of.
    pub(super) last_us: TimeUs,
    /// Whether any frame was told of since the last cut.
    pub(super) told: bool,
    pub(super) streams: Vec<Stream>,
    pub(super) values: Vec<Value>,
    terms: Vec<TermState>,
    pub(super) conditions: Vec<ConditionState>,
    /// First condition to be looked at again; their number where there is none.
    dirty_from: usize,
    /// Changes of truth not yet acted upon; empty between instants.
    pub(super) changes: Vec<Change>,
    pub(super) counters: Vec<CounterState>,
    /// By counter.
    pub(super) tallies: Vec<Tally>,
    pub(super) odometer: Odometer,
    pub(super) run: Option<Run>,
    pub(super) runs: Vec<RunRow>,
    pub(super) events: Vec<EventRow>,
}

#[derive(Debug, Clone)]
struct TermState {
    delay: Delay,
    latch: bool,
}

#[derive(Debug, Clone)]
pub(super) struct ConditionState {
    delay: Delay,
    dirty: bool,
    /// When it last ceased to be true.
    ceased_us: Option<TimeUs>,
}

impl ConditionState {
    #[inline]
    pub(super) fn truth(&self) -> Tri {
        self.delay.truth()
    }
}

/// A condition's truth has changed.
#[derive(Debug, Clone, Copy)]
pub(super) struct Change {
    pub(super) condition: usize,
    pub(super) was: Tri,
    pub(super) is: Tri,
    /// Where it becomes true: since when it had not been, if it ever was.
    pub(super) ceased_us: Option<TimeUs>,
}

impl State {
    pub(super) fn new(plan: &Plan) -> Self {
        Self {
            next_due: TimeUs::MIN,
            last_us: TimeUs::MIN + 1,
            told: false,
            streams: plan.streams.iter().map(|stream| stream.blank.clone()).collect(),
            values: vec![Value::UNKNOWN; plan.signals.len()],
            terms: plan.terms.iter().map(|term| TermState { delay: term.blank.clone(), latch: false }).collect(),
            conditions: plan
                .conditions
                .iter()
                .map(|condition| ConditionState { delay: condition.blank.clone(), dirty: false, ceased_us: None })
                .collect(),
            dirty_from: plan.conditions.len(),
            changes: Vec::new(),
            counters: plan.counters.iter().map(CounterState::new).collect(),
            tallies: vec![Tally::default(); plan.counters.len()],
            odometer: Odometer::default(),
            run: None,
            runs: Vec::new(),
            events: Vec::new(),
        }
    }

    /// Forgets everything but the rows.
    pub(super) fn reset(&mut self) {
        (self.next_due, self.last_us, self.told) = (TimeUs::MIN, TimeUs::MIN + 1, false);
        self.streams.iter_mut().for_each(Stream::reset);
        self.values.fill(Value::UNKNOWN);
        for term in &mut self.terms {
            term.delay.reset();
            term.latch = false;
        }
        for condition in &mut self.conditions {
            condition.delay.reset();
            (condition.dirty, condition.ceased_us) = (false, None);
        }
        self.dirty_from = self.conditions.len();
        self.changes.clear();
        self.counters.iter_mut().for_each(CounterState::reset);
        self.odometer = Odometer::default();
        self.run = None;
    }

    /// A frame of up to 8 bytes.
    #[inline]
    pub(super) fn short_frame(&mut self, plan: &Plan, now: TimeUs, message: usize, word: u64, len: u8) {
        let Some(message) = plan.messages.get(message) else { return };
        if message.long {
            let mut data = [0; DATA_BYTES_MAX];
            data[..8].copy_from_slice(&word.to_le_bytes());
            return self.bytes(plan, now, message.streams.clone(), &data, len.min(8));
        }
        for index in message.streams.clone() {
            let stream = &mut self.streams[index];
            if stream.paged && !on_page(plan, index, Payload::Word(word, len)) {
                continue;
            }
            let seen_us = std::mem::replace(&mut stream.seen_us, now);
            let (masked, reach) = (word & stream.mask, len.min(stream.reach_max));
            if masked == stream.word && reach == stream.reach && stream.fresh && !stream.watched {
                continue;
            }
            (stream.word, stream.reach) = (masked, reach);
            self.take(plan, now, index, seen_us, Payload::Word(word, len));
        }
    }

    /// A frame of up to 64 bytes.
    pub(super) fn long_frame(
        &mut self,
        plan: &Plan,
        now: TimeUs,
        message: usize,
        data: &[u8; DATA_BYTES_MAX],
        len: u8,
    ) {
        let Some(found) = plan.messages.get(message) else { return };
        if found.long {
            self.bytes(plan, now, found.streams.clone(), data, len.min(DATA_BYTES_MAX as u8));
        } else {
            let word = data.first_chunk().map_or(0, |bytes| u64::from_le_bytes(*bytes));
            self.short_frame(plan, now, message, word, len.min(8));
        }
    }

    fn bytes(
        &mut self,
        plan: &Plan,
        now: TimeUs,
        streams: std::ops::Range<usize>,
        data: &[u8; DATA_BYTES_MAX],
        len: u8,
    ) {
        let payload = Payload::Bytes(data, len);
        for index in streams {
            if !self.streams[index].paged || on_page(plan, index, payload) {
                let seen_us = std::mem::replace(&mut self.streams[index].seen_us, now);
                self.take(plan, now, index, seen_us, payload);
            }
        }
    }

    /// A payload that may say something new. `seen_us` is when the one before it came.
    fn take(&mut self, plan: &Plan, now: TimeUs, index: usize, seen_us: TimeUs, payload: Payload<'_>) {
        let stream = &mut self.streams[index];
        if !std::mem::replace(&mut stream.fresh, true) {
            self.next_due = self.next_due.min(stream.due());
        }
        let stream = &plan.streams[index];
        if stream.holds_odometer {
            self.odometer_stood_until(plan, seen_us);
        }
        for &signal in &stream.signals {
            let used = &plan.signals[signal];
            if let Some(value) = self.values[signal].next(&used.signal, used.reach_bytes, payload) {
                self.values[signal] = value;
                self.touch(plan, now, signal);
            }
        }
        self.frame_of_extremes(plan, now, stream);
        self.follow(plan, now, false);
        if stream.holds_odometer || !stream.growths.is_empty() {
            self.read_counters(plan, now, stream);
        }
        self.watch(plan, index);
    }

    /// A signal's value is another.
    fn touch(&mut self, plan: &Plan, now: TimeUs, signal: usize) {
        let used = &plan.signals[signal];
        for &term in &used.terms {
            let state = &mut self.terms[term];
            let truth = plan.terms[term].check.of(&self.values[signal], &mut state.latch);
            // The usual case: it says what it said before.
            if !state.delay.says(truth) {
                self.term(plan, now, term, truth);
            }
        }
        for &counter in &used.counters {
            self.refresh(plan, now, counter);
        }
    }

    /// A term's test gives this.
    fn term(&mut self, plan: &Plan, now: TimeUs, term: usize, truth: Tri) {
        let delay = &mut self.terms[term].delay;
        let was = delay.truth();
        delay.set(now, truth);
        self.next_due = self.next_due.min(delay.due());
        if delay.truth() != was {
            self.soil(plan.terms[term].condition);
        }
    }

    /// A condition has to be looked at again.
    fn soil(&mut self, condition: usize) {
        self.conditions[condition].dirty = true;
        self.dirty_from = self.dirty_from.min(condition);
    }

    /// Brings conditions, the run and counters up to what has changed. `due` says that delays of this instant are over.
    fn follow(&mut self, plan: &Plan, now: TimeUs, due: bool) {
        if self.dirty_from == self.conditions.len() {
            return;
        }
        for index in self.dirty_from..self.conditions.len() {
            if std::mem::replace(&mut self.conditions[index].dirty, false) {
                self.look_again(plan, now, index, due);
            }
        }
        self.dirty_from = self.conditions.len();
        if !self.changes.is_empty() {
            self.act(plan, now);
        }
    }

    fn look_again(&mut self, plan: &Plan, now: TimeUs, index: usize, due: bool) {
        let condition = &plan.conditions[index];
        let terms = &mut self.terms[condition.terms.clone()];
        if due {
            terms.iter_mut().for_each(|term| term.delay.fire(now));
        }
        let truth = combined(condition.all, terms.iter().map(|term| term.delay.truth()));
        let state = &mut self.conditions[index];
        let was = state.delay.truth();
        state.delay.set(now, truth);
        if due {
            state.delay.fire(now);
        }
        self.next_due = self.next_due.min(state.delay.due());
        let is = state.delay.truth();
        if was == is {
            return;
        }
        self.changes.push(Change { condition: index, was, is, ceased_us: state.ceased_us });
        if was.is_true() {
            state.ceased_us = Some(now);
        }
        for &term in &condition.dependents {
            if let Check::Stands { wanted } = plan.terms[term].check {
                self.term(plan, now, term, is.stands(wanted));
            }
        }
    }

    /// Does what is due up to and with `limit`, in the order of time.
    pub(super) fn catch_up(&mut self, plan: &Plan, limit: TimeUs) {
        loop {
            let due = self.first_due(plan);
            if due > limit || due == NEVER {
                self.next_due = due;
                return;
            }
            self.instant(plan, due);
        }
    }

    fn first_due(&self, plan: &Plan) -> TimeUs {
        let streams = self.streams.iter().map(Stream::due);
        let terms = plan.terms.iter().zip(&self.terms).filter(|(term, _)| term.timed).map(|(_, s)| s.delay.due());
        let conditions =
            plan.conditions.iter().zip(&self.conditions).filter(|(c, _)| c.timed).map(|(_, s)| s.delay.due());
        let run = self.run.as_ref().map_or(NEVER, Run::due);
        streams.chain(terms).chain(conditions).min().unwrap_or(NEVER).min(run)
    }

    /// What is due at this instant.
    fn instant(&mut self, plan: &Plan, now: TimeUs) {
        for index in 0..self.streams.len() {
            if self.streams[index].due() <= now {
                self.go_stale(plan, now, index);
            }
        }
        for (term, state) in plan.terms.iter().zip(&self.terms) {
            if term.timed && state.delay.due() <= now {
                self.conditions[term.condition].dirty = true;
                self.dirty_from = self.dirty_from.min(term.condition);
            }
        }
        for index in 0..self.conditions.len() {
            if plan.conditions[index].timed && self.conditions[index].delay.due() <= now {
                self.soil(index);
            }
        }
        self.follow(plan, now, true);
        self.end_if_due(plan, now);
    }

    fn go_stale(&mut self, plan: &Plan, now: TimeUs, index: usize) {
        self.streams[index].fresh = false;
        let stream = &plan.streams[index];
        if stream.holds_odometer {
            self.odometer_stood_until(plan, self.streams[index].seen_us);
        }
        for &signal in &stream.signals {
            self.values[signal] = Value::UNKNOWN;
            self.touch(plan, now, signal);
        }
        self.frame_of_extremes(plan, now, stream);
        self.watch(plan, index);
    }
}

fn on_page(plan: &Plan, stream: usize, payload: Payload<'_>) -> bool {
    plan.streams[stream].page.as_ref().is_none_or(|page| {
        let raw = match payload {
            Payload::Word(word, _) => page.selector.of_word(word),
            Payload::Bytes(data, _) => page.selector.of_bytes(data),
        };
        payload.len() >= page.reach_bytes && page.is.contains(&raw)
    })
}
