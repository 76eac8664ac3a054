//! Counters: what each keeps, and how values, conditions and frames move it.

use super::extreme::Window;
use super::growth::Follower;
use super::place::Near;
use super::plan::{CounterPlan, Kind, Plan, StreamPlan};
use super::rows::CounterValue;
use super::runs::Occurrence;
use super::state::{Change, State};
use super::truth::Tri;
use crate::defs::Side;
use crate::frame::TimeUs;

const US_PER_S: f64 = 1e6;

/// What a counter has come to; small, so that it can be put aside when use ends.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tally {
    /// Whether what it rests on was known at any time.
    known: bool,
    /// Integral over µs, kilometres by odometer, or raw steps of growth.
    sum: f64,
    /// µs, occurrences.
    count: u64,
    resets: u64,
    peak: Option<(f64, TimeUs)>,
    /// Of what counts only at some places: whether it occurred with the position known, and without.
    placed: bool,
    unplaced: bool,
}

/// What a counter needs to go on, beside its tally.
#[derive(Debug)]
pub(super) enum CounterState {
    /// The event of an occurrence that has not ceased, among the run's events.
    Count {
        open: Option<usize>,
    },
    Growth(Follower),
    Extreme(Window),
    /// Integrals over time.
    Meter(Meter),
    Odometer,
}

/// Something that accrues with time: so much a µs since then, or nothing.
#[derive(Debug, Default)]
pub(super) struct Meter {
    rate: Option<f64>,
    since_us: TimeUs,
}

impl Meter {
    fn accrue(&mut self, now: TimeUs, tally: &mut Tally) {
        let elapsed_us = now.saturating_sub(self.since_us).max(0) as u64;
        if let Some(rate) = self.rate
            && elapsed_us > 0
        {
            tally.sum += rate * elapsed_us as f64;
            tally.count = tally.count.saturating_add(elapsed_us);
        }
        self.since_us = now;
    }
}

impl CounterState {
    pub(super) fn new(plan: &CounterPlan) -> Self {
        match &plan.kind {
            Kind::Count { .. } => Self::Count { open: None },
            Kind::Growth { blank, .. } => Self::Growth(blank.clone()),
            Kind::Extreme { highest, held_us, .. } => Self::Extreme(Window::new(*highest, *held_us)),
            Kind::Mean { .. } | Kind::Integral { .. } | Kind::Time { .. } | Kind::Driven { .. } => {
                Self::Meter(Meter::default())
            }
            Kind::Odometer { .. } => Self::Odometer,
        }
    }

    /// Forgets everything.
    pub(super) fn reset(&mut self) {
        match self {
            Self::Count { open } => *open = None,
            Self::Growth(follower) => follower.begin(None),
            Self::Extreme(window) => window.end(TimeUs::MIN, &mut None),
            Self::Meter(meter) => *meter = Meter::default(),
            Self::Odometer => {}
        }
    }
}

impl State {
    fn truth_of(&self, condition: Option<usize>) -> Tri {
        condition.map_or(Tri::True, |condition| self.conditions[condition].truth())
    }

    /// Something that a counter looks at has changed.
    pub(super) fn refresh(&mut self, plan: &Plan, now: TimeUs, counter: usize) {
        if self.run.is_none() {
            return;
        }
        let used = &plan.counters[counter];
        let gate = self.truth_of(used.gate);
        let tally = &mut self.tallies[counter];
        match (&used.kind, &mut self.counters[counter]) {
            (Kind::Count { condition, .. }, _) => {
                tally.known |= gate.is_known() && self.conditions[*condition].truth().is_known();
            }
            (Kind::Extreme { signal, .. }, CounterState::Extreme(window)) => {
                let stream = plan.signals[*signal].stream;
                match self.values[*signal].known().filter(|_| gate.is_true()) {
                    None if window.is_open() => window.end(now, &mut tally.peak),
                    Some(value) if !window.is_open() => {
                        window.begin(now, value, self.streams[stream].seen_us == now, &mut tally.peak);
                    }
                    _ => return,
                }
                self.watch(plan, stream);
            }
            (kind, CounterState::Meter(meter)) => {
                meter.accrue(now, tally);
                let value = |signal: usize| self.values[signal].known();
                let (rate, over) = match kind {
                    Kind::Mean { signal } => (value(*signal), gate),
                    Kind::Integral { signal, times, side, .. } => {
                        let product = value(*signal).zip(times.map_or(Some(1.0), value)).map(|(a, b)| a * b);
                        (product.map(|product| one_side(product, *side)), gate)
                    }
                    Kind::Time { condition } => (Some(0.0), self.conditions[*condition].truth()),
                    Kind::Driven { speed, condition, .. } => {
                        let over = condition.map_or(Tri::True, |condition| self.conditions[condition].truth());
                        (value(*speed).map(f64::abs), over)
                    }
                    _ => (None, Tri::Unknown),
                };
                tally.known |= rate.is_some() && over.is_known();
                meter.rate = rate.filter(|_| over.is_true());
            }
            _ => {}
        }
    }

    /// Brings what accrues with time up to now.
    pub(super) fn accrue(&mut self, now: TimeUs) {
        for (counter, tally) in self.counters.iter_mut().zip(&mut self.tallies) {
            match counter {
                CounterState::Meter(meter) => meter.accrue(now, tally),
                CounterState::Extreme(window) => window.settle(now, &mut tally.peak),
                _ => {}
            }
        }
    }

    /// A run begins: everything is counted from now on.
    pub(super) fn begin_counters(&mut self, plan: &Plan, now: TimeUs) {
        self.tallies.fill(Tally::default());
        for counter in 0..self.counters.len() {
            let used = &plan.counters[counter];
            let gate = self.truth_of(used.gate);
            match (&used.kind, &mut self.counters[counter]) {
                (Kind::Growth { signal, .. }, CounterState::Growth(follower)) => {
                    let raw = self.values[*signal].known_raw();
                    follower.begin(raw);
                    self.tallies[counter].known = raw.is_some() && gate.is_known();
                }
                (Kind::Odometer { condition }, _) => {
                    let reading = plan.odometer.as_ref().and_then(|o| self.values[o.signal].known());
                    self.tallies[counter].known = reading.is_some() && self.truth_of(*condition).is_known();
                }
                (_, CounterState::Meter(meter)) => meter.since_us = now,
                _ => {}
            }
            self.refresh(plan, now, counter);
        }
        let km = plan.odometer.as_ref().and_then(|o| Some(self.values[o.signal].known()? * o.factor));
        self.odometer.begin(now, km);
    }

    /// No run: nothing is counted.
    pub(super) fn end_counters(&mut self) {
        for counter in &mut self.counters {
            match counter {
                CounterState::Count { open } => *open = None,
                CounterState::Extreme(window) => window.end(TimeUs::MIN, &mut None),
                CounterState::Meter(meter) => meter.rate = None,
                CounterState::Growth(_) | CounterState::Odometer => {}
            }
        }
    }

    /// A condition has become true, or ceased to be, within a run.
    pub(super) fn count(&mut self, plan: &Plan, now: TimeUs, change: Change) {
        for &counter in &plan.conditions[change.condition].counts {
            if change.was.is_true() {
                if let CounterState::Count { open } = &mut self.counters[counter]
                    && let Some(event) = open.take()
                    && let Some(run) = &mut self.run
                {
                    run.cease(event, now);
                }
                continue;
            }
            let used = &plan.counters[counter];
            let Kind::Count { rearm_us, unless_within, within, .. } = &used.kind else { continue };
            let armed = change.ceased_us.is_none_or(|ceased| now.saturating_sub(ceased) >= *rearm_us);
            let gate = self.truth_of(used.gate);
            if !change.is.is_true() || !armed || !gate.is_true() {
                continue;
            }
            let position = self.position(plan);
            if position.is_some_and(|position| unless_within.iter().any(|near| near.holds(position))) {
                continue;
            }
            if !within.is_empty() {
                let known = position.filter(|_| within.iter().any(Near::is_anywhere));
                let tally = &mut self.tallies[counter];
                (tally.placed, tally.unplaced) = (tally.placed || known.is_some(), tally.unplaced || known.is_none());
                if !known.is_some_and(|position| within.iter().any(|near| near.holds(position))) {
                    continue;
                }
            }
            self.tallies[counter].count += 1;
            let event = self.occur(plan, now, Occurrence { counter, amount: 1.0, position });
            if let CounterState::Count { open } = &mut self.counters[counter] {
                *open = event;
            }
        }
    }

    /// Where the vehicle is, if that is known.
    fn position(&self, plan: &Plan) -> Option<(f64, f64)> {
        let (latitude, longitude) = plan.position?;
        self.values[latitude].known().zip(self.values[longitude].known())
    }

    /// Peaks and lows take every frame of their signal, or hear that it has no value any more.
    pub(super) fn frame_of_extremes(&mut self, plan: &Plan, now: TimeUs, stream: &StreamPlan) {
        for &counter in &stream.extremes {
            if let (Kind::Extreme { signal, .. }, CounterState::Extreme(window)) =
                (&plan.counters[counter].kind, &mut self.counters[counter])
                && let (true, Some(value)) = (window.is_open(), self.values[*signal].known())
            {
                window.frame(now, value, &mut self.tallies[counter].peak);
            } else {
                self.refresh(plan, now, counter);
            }
        }
    }

    /// Modules' own counters and the odometer, once conditions stand as this frame leaves them.
    pub(super) fn read_counters(&mut self, plan: &Plan, now: TimeUs, stream: &StreamPlan) {
        for &counter in &stream.growths {
            let used = &plan.counters[counter];
            let gate = self.truth_of(used.gate);
            let (Kind::Growth { signal, scale, .. }, CounterState::Growth(follower)) =
                (&used.kind, &mut self.counters[counter])
            else {
                continue;
            };
            let Some(raw) = self.values[*signal].known_raw() else { continue };
            let growth = follower.read(raw);
            if self.run.is_none() {
                continue;
            }
            let tally = &mut self.tallies[counter];
            tally.known |= gate.is_known();
            if gate.is_true() {
                tally.count = tally.count.saturating_add(growth.steps);
                tally.resets = tally.resets.saturating_add(growth.resets);
                if growth.steps > 0 {
                    let amount = growth.steps as f64 * scale;
                    let position = self.position(plan);
                    self.occur(plan, now, Occurrence { counter, amount, position });
                }
            }
        }
        if stream.holds_odometer {
            self.read_odometer(plan, now);
        }
    }

    fn read_odometer(&mut self, plan: &Plan, now: TimeUs) {
        let Some(odometer) = &plan.odometer else { return };
        let Some(km) = self.values[odometer.signal].known().map(|value| value * odometer.factor) else { return };
        let step_km = if odometer.step_is_relative { km.abs() * odometer.step_km } else { odometer.step_km };
        let way_km = self.odometer.read(now, km, step_km);
        if self.run.is_none() {
            return;
        }
        for (counter, used) in plan.counters.iter().enumerate() {
            if let Kind::Odometer { condition } = used.kind {
                let over = self.truth_of(condition);
                let tally = &mut self.tallies[counter];
                tally.known |= over.is_known();
                tally.sum += if over.is_true() { way_km } else { 0.0 };
            }
        }
    }

    /// The odometer's last reading stood until its frame before this one.
    pub(super) fn odometer_stood_until(&mut self, plan: &Plan, seen_us: TimeUs) {
        if plan.odometer.as_ref().is_some_and(|odometer| self.values[odometer.signal].known().is_some()) {
            self.odometer.stood_until(seen_us);
        }
    }

    /// Notes whether a stream's frames matter even where they say the same as before.
    pub(super) fn watch(&mut self, plan: &Plan, stream: usize) {
        let used = &plan.streams[stream];
        let waits = |counter: &usize| match &self.counters[*counter] {
            CounterState::Extreme(window) => window.waits(),
            CounterState::Growth(follower) => follower.waits(),
            _ => false,
        };
        self.streams[stream].watched = used.extremes.iter().chain(&used.growths).any(waits);
    }
}

/// The part of a product that counts.
fn one_side(product: f64, side: Side) -> f64 {
    match side {
        Side::Both => product,
        Side::Positive => product.max(0.0),
        Side::Negative => (-product).max(0.0),
    }
}

/// A counter's result.
pub(super) fn result(plan: &CounterPlan, tally: &Tally) -> Option<CounterValue> {
    let number = match &plan.kind {
        Kind::Extreme { .. } => return tally.peak.map(|(value, at_us)| CounterValue::Extreme { value, at_us }),
        _ if !tally.known => return None,
        // It occurred, but nobody knows whether there.
        Kind::Count { .. } if tally.unplaced && !tally.placed => return None,
        Kind::Count { .. } => return Some(CounterValue::Count(tally.count)),
        Kind::Growth { scale, .. } => {
            return Some(CounterValue::Growth { amount: tally.count as f64 * scale, resets: tally.resets });
        }
        Kind::Mean { .. } if tally.count == 0 => return None,
        Kind::Mean { .. } => tally.sum / tally.count as f64,
        Kind::Integral { factor, .. } | Kind::Driven { factor, .. } => tally.sum / US_PER_S * factor,
        Kind::Time { .. } => tally.count as f64 / US_PER_S,
        Kind::Odometer { .. } => tally.sum,
    };
    Some(CounterValue::Number(number))
}
