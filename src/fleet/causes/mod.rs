//! Why poles leave the wire: a place in the overhead, a vehicle's own collectors, or the way it is driven.
//!
//! Pole-offs with their positions, kilometres by line, and the drawn overhead in; for each place and vehicle what was
//! seen against what was to be expected, the share of each cause, and the cause of each cluster out. Says 'cannot be
//! told apart' where the data cannot tell. Operators are pseudonyms, and looked at only where the agency switched it on;
//! nobody is ever ranked.
//!
//! One Poisson model with shrinkage (`stats::poisson::mixed`) tells how much each cause has to do with it; each place
//! with three pole-offs or more is judged by itself (`apart`), against the rate that is usual for its kind.

mod asked;
mod fair;
mod found;
mod reckoned;
mod told;
mod work;

pub use found::{Against, Cause, Findings, Leaves, OperatorFinding, PlaceFinding, Seen, Shares, VehicleFinding};

use super::places::{Network, Position};
use super::sheet::{Query, Section, Sheet, WorkLine};
use super::travel;
use super::{FleetError, Question};
use reckoned::Given;

/// What was found of the causes of pole-offs.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// All numbers.
    pub findings: Findings,
    /// Days that were looked at.
    days: f64,
    operators: bool,
    fewest: f64,
    has_ways: bool,
    ways: Vec<(String, Vec<Position>)>,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// Studies the causes of pole-offs.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { engine, records, terms } = *question;
    let network = Network::new(&records.overhead);
    let mut study = Study {
        days: super::span::length_days(terms),
        operators: terms.operators,
        fewest: terms.fewest,
        has_ways: network.has_ways(),
        ways: network.ways(),
        ..Study::default()
    };
    let travel = travel::ask(question)?;
    study.notes.extend(travel.notes.iter().cloned());
    study.queries.extend(travel.queries.iter().cloned());
    let mut seen = Vec::new();
    if engine.has("events", "counter") {
        let asked = asked::ask(question)?;
        if asked.counted > asked.seen.len() as u64 {
            study.notes.push(format!(
                "Runs counted {} pole-offs, but only {} have an event of their own; the others are not in these numbers.",
                asked.counted,
                asked.seen.len()
            ));
        }
        study.queries.extend(asked.queries);
        seen = asked.seen;
    } else {
        study.notes.push("The store has no events yet.".to_owned());
    }
    if !network.has_ways() {
        study.notes.push(
            "No line is drawn in the records' overhead.geojson: passages are not known, and kilometres stand for them."
                .to_owned(),
        );
    }
    let not_drawn = travel.lines_not_drawn(&network);
    if network.has_ways() && !not_drawn.is_empty() {
        study.notes.push(format!(
            "Duties name lines that are not drawn ({}); their kilometres are taken to be driven on all lines alike.",
            super::words::list(&not_drawn, 6)
        ));
    }
    if terms.operators && records.duties.iter().all(|duty| duty.operator.is_empty()) {
        study.notes.push("Operators are switched on, but no duty names one.".to_owned());
    }
    let given = Given {
        network: &network,
        travel: &travel,
        today: terms.today,
        operators: terms.operators,
        fewest: terms.fewest,
    };
    study.findings = reckoned::reckon(&seen, given);
    Ok(study)
}

impl Study {
    /// The sheet `causes`.
    pub fn sheet(&self) -> Sheet {
        told::sheet(self)
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        work::lines(self)
    }

    /// What is known of a vehicle's pole-offs.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        told::of_vehicle(self, vehicle)
    }

    /// The sheet `fair-use`: how to use what is said of operators. Belongs with the others wherever operators are on.
    pub fn fair_use(&self) -> Sheet {
        fair::sheet(self)
    }
}

#[cfg(test)]
mod tests;
