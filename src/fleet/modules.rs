//! Modules and transducers that fail now and then: contactor dropouts and phantom voltages of each vehicle, against
//! the kilometres it drives.
//!
//! Counters by SQL in; vehicles whose rate stands out of the fleet's out. A fault that shows once a week under way is
//! seldom there in the workshop: the recordings are where it is found.

use super::rates::{self, Rates};
use super::sheet::{Query, Section, Sheet, Sure, WorkKind, WorkLine};
use super::{FleetError, Question, span, words};

const CAUTION: &str = "Behind the input contactor the filter capacitor stays charged. Isolate, wait and test by the agency's own \
                       procedure.";

/// What was found of modules.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// What is counted, and each vehicle's rate of it.
    pub matters: Vec<(Matter, Rates)>,
    days: f64,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// Something that is counted.
#[derive(Debug, Clone, Copy)]
pub struct Matter {
    /// For ids.
    pub id: &'static str,
    /// Heading.
    pub heading: &'static str,
    /// What it means.
    pub about: &'static str,
    /// What to look at.
    pub subject: &'static str,
    one: &'static str,
    many: &'static str,
    kind: WorkKind,
    query: &'static str,
    /// How often one of them is the loss of a vehicle's service. A judgement, only to put work in an order.
    loss: f64,
}

const CONTACTOR: Matter = Matter {
    id: "contactor",
    heading: "Contactor dropouts",
    about: "The input contactor fell open, or lost its feedback, while it was told to be closed: worn contacts, a weak coil or its \
            supply, a loose auxiliary contact.",
    subject: "input contactor",
    one: "contactor dropout",
    many: "contactor dropouts",
    kind: WorkKind::Module,
    query: "contactor-dropouts",
    loss: 0.05,
};

const PHANTOM: Matter = Matter {
    id: "phantom",
    heading: "Phantom voltages",
    about: "The transducer showed a line voltage that was gone as soon as current was drawn. On one vehicle everywhere it is its own \
            roof insulators or transducer; places where all vehicles have it are with the overhead.",
    subject: "line voltage transducer and roof insulators",
    one: "phantom voltage",
    many: "phantom voltages",
    kind: WorkKind::Sensor,
    query: "phantom-voltages",
    loss: 0.02,
};

/// Studies the modules.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let names = &question.terms.names;
    let mut study = Study { days: span::length_days(question.terms), ..Study::default() };
    let asked = [
        (CONTACTOR, &names.contactor_dropouts, "Contactor dropouts and kilometres by vehicle"),
        (PHANTOM, &names.phantom_voltages, "Phantom voltages and kilometres by vehicle"),
    ];
    for (matter, counter, title) in asked {
        match rates::ask(question, counter, matter.query, title, &mut study.queries)? {
            Some(rates) => study.matters.push((matter, rates)),
            None => {
                study.notes.push(format!("{}: the store has no counter '{counter}', or no distance.", matter.heading))
            }
        }
    }
    Ok(study)
}

impl Study {
    /// The sheet `modules`.
    pub fn sheet(&self) -> Sheet {
        let mut lead = Vec::new();
        let mut sections = Vec::new();
        for (matter, rates) in &self.matters {
            let count = rates.rates.iter().filter(|rate| rate.is_work()).count() as u64;
            lead.push(format!(
                "{}: {} in all, {} out of the fleet.",
                matter.heading,
                words::number(rates.total as f64, 0),
                words::count(count, "vehicle stands", "vehicles stand"),
            ));
            let table = rates.table(matter.id, matter.heading, matter.many, matter.query);
            let picture = rates.ladder(&format!("{}-picture", matter.id), matter.heading, None, table.clone());
            sections.push(Section {
                id: matter.id.to_owned(),
                heading: matter.heading.to_owned(),
                text: vec![matter.about.to_owned()],
                pictures: picture.into_iter().collect(),
                tables: vec![table],
                ..Section::default()
            });
        }
        if lead.is_empty() {
            lead.push("Nothing that the vehicles count tells of their modules.".to_owned());
        }
        if !self.notes.is_empty() {
            sections.push(Section {
                id: "missing".to_owned(),
                heading: "What these numbers do not know".to_owned(),
                text: self.notes.clone(),
                ..Section::default()
            });
        }
        Sheet {
            id: "modules".to_owned(),
            title: "Modules that fail now and then".to_owned(),
            lead,
            sections,
            queries: self.queries.clone(),
        }
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        let mut lines = Vec::new();
        for (matter, rates) in &self.matters {
            for rate in rates.rates.iter().filter(|rate| rate.is_work()) {
                let table = rates.table(matter.id, matter.heading, matter.many, matter.query);
                let id = format!("{}-{}", matter.id, rate.vehicle);
                lines.push(WorkLine {
                    vehicle: Some(rate.vehicle.clone()),
                    subject: matter.subject.to_owned(),
                    kind: matter.kind,
                    reason: rates.sentence(rate, matter.one, matter.many),
                    sure: Sure {
                        probability: Some(rate.stands_out),
                        words: format!(
                            "{} sure to be 1.5 times the fleet's rate or more",
                            words::percent(rate.stands_out)
                        ),
                    },
                    weight: rate.excess_a_month(rates.fleet, self.days) * matter.loss,
                    evidence: rates.ladder(&id, matter.heading, Some(&rate.vehicle), table),
                    more: ("modules".to_owned(), matter.id.to_owned()),
                    caution: CAUTION,
                });
            }
        }
        lines
    }

    /// A vehicle's modules.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        let mut sections = Vec::new();
        for (matter, rates) in &self.matters {
            let Some(rate) = rates.rates.iter().find(|rate| rate.vehicle == vehicle) else { continue };
            let own = Rates { rates: vec![rate.clone()], ..rates.clone() };
            let table = own.table(matter.id, matter.heading, matter.many, matter.query);
            sections.push(Section {
                id: matter.id.to_owned(),
                heading: matter.heading.to_owned(),
                text: if rate.count > 0 { vec![rates.sentence(rate, matter.one, matter.many)] } else { Vec::new() },
                pictures: Vec::new(),
                tables: vec![table],
                ..Section::default()
            });
        }
        sections
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn study() -> Study {
        let mut rows: Vec<(String, u64, f64, u64, f64)> =
            (0..30).map(|n| (format!("{}", 201 + n), n % 2, 30_000.0, 0, 8_000.0)).collect();
        rows[7] = ("208".into(), 25, 30_000.0, 9, 8_000.0);
        Study { matters: vec![(CONTACTOR, rates::reckon(rows))], days: 365.0, ..Study::default() }
    }

    #[test]
    fn a_bad_contactor_is_on_the_worklist_with_its_numbers() {
        let work = study().work();
        assert_eq!(work.len(), 1, "{work:?}");
        assert_eq!((work[0].vehicle.as_deref(), work[0].kind), (Some("208"), WorkKind::Module));
        assert!(work[0].reason.starts_with("25 contactor dropouts in 30,000 km"), "{}", work[0].reason);
        assert!(work[0].weight > 0.0 && work[0].evidence.is_some());
        assert_eq!(study().of_vehicle("208").len(), 1);
        assert!(study().of_vehicle("1").is_empty());
    }

    #[test]
    fn a_store_without_the_counters_gets_a_word() {
        let sheet = Study::default().sheet();
        assert_eq!(sheet.lead, ["Nothing that the vehicles count tells of their modules."]);
    }
}
