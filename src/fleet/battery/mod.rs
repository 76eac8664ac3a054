//! Which off-wire battery to replace next: packs ranked by how often they give up, what they still hold, how heat goes
//! with it, and a plan for years.
//!
//! The store's runs and signals and the records of packs in, by SQL; a [`Study`] out.

mod ageing;
pub(super) mod ask;
mod charge;
pub(super) mod packs;
mod rank;
mod show;
#[cfg(test)]
mod study_tests;
#[cfg(test)]
mod tests;

use std::collections::HashMap;

pub use ageing::{Factor, Found, Member, Verdict, WithHeat};
pub use charge::{Charges, Measured};
pub use packs::{Exposure, Pack, Packs};
pub use rank::{Cell, FALSE_SHARE, Ranking, Standing, Trend, false_shares, rank};
pub(super) use show::finite;

use super::plan::{self, Plan, Seat};
use super::sheet::Query;
use super::terms::Terms;
use super::{FleetError, Question, heat, span};

/// Packs are ranked by what they did in so many last months; their trends are reckoned over all.
const RANKED_MONTHS: usize = 12;

/// What was found.
#[derive(Debug, Clone)]
pub struct Study {
    terms: Terms,
    /// The packs and what they did; none where the store has no runs in these days.
    pub packs: Option<Packs>,
    /// The packs compared, by number.
    pub ranking: Ranking,
    /// Numbers of the packs in service, the worst first.
    pub order: Vec<usize>,
    /// Number of the first month that counts for the ranking.
    pub since: usize,
    /// What each adds to its temperature of its own, and the standard error; by number. Unit: K.
    pub heat: Vec<Option<(f64, f64)>>,
    /// Whether heat goes with timeouts.
    pub with_heat: Option<WithHeat>,
    /// How packs age, and what a new one is like.
    pub ageing: Option<Found>,
    /// Usable charge and resistance.
    pub charges: Charges,
    /// The plans.
    pub plan: Option<Plans>,
    notes: Vec<String>,
    queries: Vec<Query>,
}

/// The replacement plan, and what other budgets would do.
#[derive(Debug, Clone)]
pub struct Plans {
    /// Whose seat is whose: number of the pack, by number of the seat.
    pub seats: Vec<usize>,
    /// What the plan reckons with, by number of the seat.
    pub reckoned: Vec<Seat>,
    /// Packs a year, and the plan at that; in order, the budget's own among them.
    pub plans: Vec<(usize, Plan)>,
    /// The budget.
    pub packs_a_year: usize,
}

impl Plans {
    /// The plan at the budget.
    pub fn own(&self) -> Option<&Plan> {
        self.plans.iter().find(|(packs, _)| *packs == self.packs_a_year).map(|(_, plan)| plan)
    }
}

/// Asks the store, and judges. Asks about heat, too: who has that already takes [`beside`].
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    beside(question, &heat::study(question)?)
}

/// Asks the store, and judges, with what is known of heat.
///
/// # Errors
/// The engine cannot answer.
pub fn beside(question: &Question, heat: &heat::Study) -> Result<Study, FleetError> {
    let mut study = Study {
        terms: question.terms.clone(),
        packs: None,
        ranking: Ranking::default(),
        order: Vec::new(),
        since: 0,
        heat: Vec::new(),
        with_heat: None,
        ageing: None,
        charges: Charges::default(),
        plan: None,
        notes: Vec::new(),
        queries: Vec::new(),
    };
    let Some(packs) = packs::find(question, &mut study.queries)? else {
        study.notes.push(format!(
            "The store has no runs from {} to {}: nothing can be said about batteries.",
            question.terms.from, question.terms.today
        ));
        return Ok(study);
    };
    study.charges = charge::find(question, &packs, &mut study.queries)?;
    study.heat = packs.packs.iter().map(|pack| heat.of_pack(&pack.name)).collect();
    study.judge(question, packs);
    Ok(study)
}

impl Study {
    fn judge(&mut self, question: &Question, packs: Packs) {
        let terms = question.terms;
        self.note_gaps(question, &packs);
        let in_service: Vec<bool> = packs.packs.iter().map(|pack| pack.in_service).collect();
        self.since = packs.months.len().saturating_sub(RANKED_MONTHS);
        self.ranking = rank::rank(&packs.cells, &in_service, terms.worst as usize, self.since);
        let standing = &self.ranking.packs;
        self.order = (0..packs.packs.len()).filter(|&pack| in_service[pack]).collect();
        self.order.sort_by(|&a, &b| {
            let by = |of: fn(&Standing) -> f64| of(&standing[b]).total_cmp(&of(&standing[a]));
            by(|own| own.among_worst).then(by(|own| own.rate)).then(a.cmp(&b))
        });
        // Ages in the middle of the time that rates are reckoned over.
        let first = packs.months.get(self.since).map_or(0.0, |month| span::number_of(*month));
        let today = span::number_of(terms.today);
        let members: Vec<Member> = packs
            .packs
            .iter()
            .zip(standing)
            .zip(&self.heat)
            .map(|((pack, own), heat)| {
                let from = pack.fitted.map_or(first, |fitted| span::number_of(fitted).max(first));
                let to = pack.removed.map_or(today, span::number_of);
                Member {
                    timeouts: own.timeouts,
                    expected: own.expected,
                    rate: own.rate,
                    years: pack.years(f64::midpoint(from, to.max(from))),
                    heat: heat.map(|heat| heat.0),
                }
            })
            .collect();
        if self.ranking.compared {
            let found = ageing::ageing(&members, self.ranking.clustering);
            self.with_heat = ageing::with_heat(&members);
            self.plan = Some(self.plans(&packs, &found));
            self.ageing = Some(found);
        }
        self.packs = Some(packs);
    }

    fn note_gaps(&mut self, question: &Question, packs: &Packs) {
        let names = &question.terms.names;
        let has = |name: &str| question.engine.has("runs", name);
        if !has(&names.battery_timeouts) {
            self.notes.push(format!(
                "The store has no counter '{}': packs cannot be ranked. Count the times a battery gives up by that name, \
                 or name the counter under [fleet] in the configuration.",
                names.battery_timeouts
            ));
        }
        match packs.exposure {
            Exposure::Changes => {}
            Exposure::Kilometres => self.notes.push(format!(
                "No off-wire changes were counted ('{}'): timeouts are set against km off the wire.",
                names.off_wire_changes
            )),
            Exposure::Months => self.notes.push(format!(
                "Neither off-wire changes ('{}') nor km off the wire ('{}') were counted: timeouts are set against months \
                 with runs, as if all vehicles did the same work.",
                names.off_wire_changes, names.off_wire_distance
            )),
        }
        if packs.left_out > 0 {
            self.notes.push(format!(
                "{} timeouts are left out: their runs do not tell how often the battery had to work.",
                packs.left_out
            ));
        }
        let serving = packs.packs.iter().filter(|pack| pack.in_service).count();
        if packs.without_records == serving {
            self.notes.push(
                "No record tells which pack is in which vehicle (packs.csv): each vehicle is taken to have had one pack all \
                 the time, of unknown age."
                    .to_owned(),
            );
        } else if packs.without_records > 0 {
            self.notes.push(format!(
                "Of {} vehicles no record tells which pack is in them (packs.csv): each is taken to have had one, of unknown \
                 age.",
                packs.without_records
            ));
        }
    }

    /// Plans for the budget, one pack less and one more a year, and none.
    fn plans(&self, packs: &Packs, found: &Found) -> Plans {
        let known: HashMap<&str, f64> =
            packs.a_year.iter().map(|(vehicle, amount)| (vehicle.as_str(), *amount)).collect();
        let usual = known.values().sum::<f64>() / known.len().max(1) as f64;
        let mut seats = self.order.clone();
        seats.sort_unstable();
        let reckoned: Vec<Seat> = seats
            .iter()
            .map(|&pack| {
                let own = &self.ranking.packs[pack];
                let exposure = known.get(packs.packs[pack].vehicle.as_str()).copied().unwrap_or(usual);
                Seat { rate: own.now, rate_sd: own.now_sd, exposure, clustering: own.clustering }
            })
            .collect();
        let budget = self.terms.packs_a_year as usize;
        let mut budgets = vec![0, budget.saturating_sub(1), budget, budget + 1];
        budgets.dedup();
        budgets.sort_unstable();
        budgets.dedup();
        let years = self.terms.years as usize;
        let plans =
            budgets.into_iter().map(|packs| (packs, plan::plan(&reckoned, &found.ageing, packs, years))).collect();
        Plans { seats, reckoned, plans, packs_a_year: budget }
    }

    /// Years that a plan covers, the first from the day after the last.
    fn plan_year(&self, year: usize) -> String {
        let from = self.terms.today.checked_add(jiff::Span::new().days(1)).unwrap_or(self.terms.today);
        let start = jiff::Span::new().try_years(year as i64).and_then(|span| from.checked_add(span));
        start.map_or_else(|_| format!("year {}", year + 1), |start| format!("from {start}"))
    }
}
