//! What a run and an event of the year are, laid out as the definition set's rules want them.
//!
//! Facts in, rows of the runs and events tables out. A counter that the set has and the simulator does not know stays
//! empty; one that the simulator knows and the set does not have is left out.

use crate::defs::rules::Rules;
use crate::defs::{Definitions, SignalRef};
use crate::frame::TimeUs;
use crate::run::{CounterValue, Ended, EventRow, RunRow};

/// A value kept with an event: the signal's path.
type Path = &'static str;

/// One counted occurrence.
#[derive(Debug, Clone)]
pub(super) struct Occurrence {
    /// Its counter's name.
    pub(super) counter: &'static str,
    pub(super) time_us: TimeUs,
    pub(super) end_us: Option<TimeUs>,
    /// Latitude and longitude. Unit: degrees.
    pub(super) degrees: (f64, f64),
    /// How much a module's counter grew; 1 of others.
    pub(super) amount: f64,
    /// By the signal's path; those that a counter does not keep are passed over.
    pub(super) kept: Vec<(Path, f64)>,
}

/// What a run came to.
#[derive(Debug, Clone, Default)]
pub(super) struct RunFacts {
    pub(super) start_us: TimeUs,
    pub(super) end_us: TimeUs,
    /// Numbers and extremes by counter; counts come from the occurrences.
    pub(super) values: Vec<(&'static str, CounterValue)>,
    pub(super) occurrences: Vec<Occurrence>,
    /// Counters of occurrences that are 0 where none occurred.
    pub(super) known_counts: &'static [&'static str],
}

/// A definition set's counters, found by name once.
#[derive(Debug)]
pub(super) struct Columns<'d> {
    defs: &'d Definitions,
    rules: &'d Rules,
    /// By counter: what it keeps, by path.
    kept: Vec<Vec<(String, SignalRef)>>,
}

impl<'d> Columns<'d> {
    pub(super) fn new(defs: &'d Definitions, rules: &'d Rules) -> Self {
        let paths = |keep: &[SignalRef]| keep.iter().map(|&place| (defs.path(place), place)).collect();
        let kept = rules.counters.iter().map(|counter| paths(&counter.keep)).collect();
        Self { defs, rules, kept }
    }

    /// The set.
    pub(super) fn defs(&self) -> &'d Definitions {
        self.defs
    }

    /// The rows of a run.
    pub(super) fn rows(&self, facts: &RunFacts) -> (RunRow, Vec<EventRow>) {
        let mut counts = vec![0_u64; self.rules.counters.len()];
        let mut events = Vec::with_capacity(facts.occurrences.len());
        for occurrence in &facts.occurrences {
            let Some(counter) = self.rules.counters.iter().position(|c| c.name == occurrence.counter) else { continue };
            counts[counter] += 1;
            let value = |(path, place): &(String, SignalRef)| {
                let value = occurrence.kept.iter().find(|kept| kept.0 == path).map(|kept| kept.1);
                let here = match path.as_str() {
                    "position.latitude" => Some(occurrence.degrees.0),
                    "position.longitude" => Some(occurrence.degrees.1),
                    _ => None,
                };
                value.map(|value| self.as_said(*place, value)).or(here)
            };
            events.push(EventRow {
                time_us: occurrence.time_us,
                end_us: occurrence.end_us,
                run_start_us: facts.start_us,
                counter,
                amount: occurrence.amount,
                latitude: Some(occurrence.degrees.0),
                longitude: Some(occurrence.degrees.1),
                kept: self.kept[counter].iter().map(value).collect(),
            });
        }
        let values = self.rules.counters.iter().zip(&counts).map(|(counter, &count)| {
            let name = counter.name.as_str();
            let known = facts.known_counts.contains(&name).then_some(CounterValue::Count(count));
            facts.values.iter().find(|value| value.0 == name).map(|value| value.1).or(known)
        });
        let row = RunRow {
            start_us: facts.start_us,
            end_us: facts.end_us,
            ended_by: Ended::OutOfUse,
            values: values.collect(),
            events_left_out: 0,
        };
        (row, events)
    }

    /// A value as its signal can say it.
    fn as_said(&self, place: SignalRef, value: f64) -> f64 {
        let signal = self.defs.at(place);
        ((value - signal.offset) / signal.scale).round() * signal.scale + signal.offset
    }
}
