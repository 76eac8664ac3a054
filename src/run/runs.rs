//! Runs: when they begin and end, and the events that belong to them.

use super::EVENTS_MAX;
use super::counters::{Tally, result};
use super::plan::Plan;
use super::rows::{CutReason, Ended, EventRow, RunRow};
use super::state::State;
use super::truth::NEVER;
use crate::frame::TimeUs;

/// A run that is not over.
#[derive(Debug)]
pub(super) struct Run {
    start_us: TimeUs,
    /// What has occurred, by time.
    events: Vec<EventRow>,
    left_out: u64,
    /// How things stood when use ended, while it has not begun again.
    tail: Option<Mark>,
    /// When the run is over unless use begins again.
    over_us: TimeUs,
}

/// How a run stood at an instant.
#[derive(Debug)]
struct Mark {
    at_us: TimeUs,
    events: usize,
    left_out: u64,
    tallies: Vec<Tally>,
}

/// Something to be kept as an event.
pub(super) struct Occurrence {
    pub(super) counter: usize,
    pub(super) amount: f64,
    pub(super) position: Option<(f64, f64)>,
}

impl Run {
    /// When its end is certain.
    pub(super) fn due(&self) -> TimeUs {
        if self.tail.is_some() { self.over_us } else { NEVER }
    }

    pub(super) fn start_us(&self) -> TimeUs {
        self.start_us
    }

    /// The occurrence is over.
    pub(super) fn cease(&mut self, event: usize, now: TimeUs) {
        if let Some(event) = self.events.get_mut(event) {
            event.end_us = Some(now);
        }
    }
}

impl State {
    /// Truths have changed: the run follows, then counters.
    pub(super) fn act(&mut self, plan: &Plan, now: TimeUs) {
        let changes = std::mem::take(&mut self.changes);
        let in_use = self.conditions[plan.in_use].truth().is_true();
        let was_running = self.run.is_some();
        match &mut self.run {
            None if in_use => {
                self.run = Some(Run { start_us: now, events: Vec::new(), left_out: 0, tail: None, over_us: NEVER });
                self.begin_counters(plan, now);
            }
            Some(run) if in_use => run.tail = None,
            Some(run) if run.tail.is_none() => {
                run.over_us = now.saturating_add(plan.ends_after_us);
                self.next_due = self.next_due.min(run.over_us);
                let mark = self.mark(now);
                if let Some(run) = &mut self.run {
                    run.tail = mark;
                }
            }
            _ => {}
        }
        for change in &changes {
            for &counter in &plan.conditions[change.condition].counters {
                self.refresh(plan, now, counter);
            }
        }
        // What begins together with the run was so when it began: not an occurrence within it.
        if was_running {
            for change in &changes {
                self.count(plan, now, *change);
            }
        }
        self.changes = changes;
        self.changes.clear();
    }

    /// How the run stands now.
    fn mark(&mut self, now: TimeUs) -> Option<Mark> {
        self.accrue(now);
        let run = self.run.as_ref()?;
        Some(Mark { at_us: now, events: run.events.len(), left_out: run.left_out, tallies: self.tallies.clone() })
    }

    /// An event, where there is room; its place among the run's.
    pub(super) fn occur(&mut self, plan: &Plan, now: TimeUs, occurrence: Occurrence) -> Option<usize> {
        let run = self.run.as_mut()?;
        if run.events.len() >= EVENTS_MAX {
            run.left_out += 1;
            return None;
        }
        let Occurrence { counter, amount, position } = occurrence;
        let kept = plan.counters[counter].keep.iter().map(|signal| self.values[*signal].known()).collect();
        run.events.push(EventRow {
            time_us: now,
            end_us: None,
            run_start_us: run.start_us,
            counter,
            amount,
            latitude: position.map(|(latitude, _)| latitude),
            longitude: position.map(|(_, longitude)| longitude),
            kept,
        });
        Some(run.events.len() - 1)
    }

    /// Ends the run where it has not been in use for long enough.
    pub(super) fn end_if_due(&mut self, plan: &Plan, now: TimeUs) {
        if self.run.as_ref().is_some_and(|run| run.due() <= now)
            && let Some(mark) = self.run.as_mut().and_then(|run| run.tail.take())
        {
            self.end(plan, mark, Ended::OutOfUse);
        }
    }

    /// Ends the run as it stood at the mark, and makes its rows.
    fn end(&mut self, plan: &Plan, mark: Mark, ended_by: Ended) {
        let Some(mut run) = self.run.take() else { return };
        self.end_counters();
        for stream in 0..self.streams.len() {
            self.watch(plan, stream);
        }
        if mark.at_us.saturating_sub(run.start_us) < plan.shortest_us {
            return;
        }
        run.events.truncate(mark.events);
        for event in &mut run.events {
            event.end_us = event.end_us.filter(|end| *end <= mark.at_us);
        }
        self.events.append(&mut run.events);
        self.runs.push(RunRow {
            start_us: run.start_us,
            end_us: mark.at_us,
            ended_by,
            values: plan.counters.iter().zip(&mark.tallies).map(|(counter, tally)| result(counter, tally)).collect(),
            events_left_out: mark.left_out,
        });
    }

    /// Ends what is open, and forgets everything but the rows.
    pub(super) fn cut(&mut self, plan: &Plan, reason: CutReason) {
        if self.told {
            let last_us = self.last_us;
            self.catch_up(plan, last_us);
            let in_use = self.run.as_ref().is_some_and(|run| run.tail.is_none());
            let stood = if in_use { self.mark(last_us) } else { None };
            let start_us = self.run.as_ref().map(Run::start_us);
            if reason == CutReason::Silence {
                self.catch_up(plan, last_us.saturating_add(plan.gap_us));
            }
            // In a silence the run may have ended by itself, and a condition's delay may have begun another: of that
            // one there has been no frame.
            if let Some(run) = self.run.as_mut().filter(|run| Some(run.start_us) == start_us)
                && let Some(mark) = stood.or(run.tail.take())
            {
                self.end(plan, mark, reason.into());
            }
        }
        self.reset();
    }
}
