//! Charging while parked under the yard's wires: who charged, how much, and who did not though the poles were up.
//!
//! Energy and time by SQL, summed by vehicle and service day, in; each vehicle's days against the fleet's out. A day
//! counts where the poles were up for an hour or more while parked. Some such days without charge are ordinary: a full
//! battery takes nothing. So a vehicle is judged against what is usual in the fleet.

use super::sheet::{Cell, Drawn, Level, Picture, Query, Rung, Section, Sheet, Sure, Table, WorkKind, WorkLine};
use super::shown::{axis, column, table};
use super::stats::exact::ratio_limits;
use super::{FleetError, Question, span, words};

/// Shorter is a stop on the way. Unit: h.
const PARKED_FROM_H: f64 = 1.0;
/// Less is none. Unit: kWh.
const CHARGED_FROM_KWH: f64 = 0.5;
const LEVEL: f64 = 0.95;
const RECENT_DAYS: f64 = 30.0;
/// Fewer days tell nothing.
const JUDGED_FROM: u64 = 10;

/// What was found of charging.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// In order of vehicle.
    pub vehicles: Vec<Charged>,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// A vehicle's charging.
#[derive(Debug, Clone, PartialEq)]
pub struct Charged {
    /// Fleet number.
    pub vehicle: String,
    /// Days with the poles up for an hour or more while parked.
    pub parked_days: u64,
    /// Hours of these.
    pub hours: f64,
    /// Unit: kWh.
    pub kwh: f64,
    /// Of the parked days, those without charge.
    pub without: u64,
    /// Of the last 30 days: parked, and without charge.
    pub recent: (u64, u64),
    /// Days without charge, were it the fleet's share.
    pub expected: f64,
    /// Exact limits of the ratio.
    pub limits: Option<(f64, f64)>,
}

/// Studies the charging.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { engine, terms, .. } = *question;
    let mut study = Study::default();
    let names = [&terms.names.charged_parked, &terms.names.parked_poles_up_time];
    if let Some(missing) = names.iter().find(|name| !engine.has("runs", name)) {
        study.notes.push(format!("The store has no counter '{missing}': nothing is known of charging while parked."));
        return Ok(study);
    }
    let [charged, parked] = names.map(|name| span::column(name));
    let recent = span::day_of(span::number_of(terms.today) - RECENT_DAYS).unwrap_or(terms.from);
    let query = Query {
        id: "charging",
        title: "Charged while parked with the poles up, by vehicle, over its days",
        sql: format!(
            "SELECT vehicle, COUNT(*) AS days, SUM(hours) AS hours, SUM(kwh) AS kwh,\n  \
             SUM(CASE WHEN kwh < {CHARGED_FROM_KWH} THEN 1 ELSE 0 END) AS without_charge,\n  \
             SUM(CASE WHEN service_day > DATE '{recent}' THEN 1 ELSE 0 END) AS recent_days,\n  \
             SUM(CASE WHEN service_day > DATE '{recent}' AND kwh < {CHARGED_FROM_KWH} THEN 1 ELSE 0 END) AS recent_without\n\
             FROM (SELECT vehicle, service_day, SUM({parked}) / 3600 AS hours, COALESCE(SUM({charged}), 0) AS kwh\n  \
             FROM runs WHERE {} GROUP BY vehicle, service_day)\nWHERE hours >= {PARKED_FROM_H}\n\
             GROUP BY vehicle\nORDER BY vehicle",
            span::days(terms)
        ),
    };
    let answer = engine.ask(&query)?;
    study.queries.push(query);
    let vehicles = answer.texts("vehicle")?;
    let columns = ["days", "hours", "kwh", "without_charge", "recent_days", "recent_without"];
    let numbers = columns.map(|column| answer.numbers(column));
    let mut rows = Vec::new();
    let mut values = Vec::new();
    for column in numbers {
        values.push(column?);
    }
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let value = |column: usize| values[column][row].filter(|value| value.is_finite()).unwrap_or(0.0);
        let Some(vehicle) = vehicle else { continue };
        let count = |column: usize| value(column).max(0.0) as u64;
        rows.push(Charged {
            vehicle,
            parked_days: count(0),
            hours: value(1),
            kwh: value(2),
            without: count(3),
            recent: (count(4), count(5)),
            expected: 0.0,
            limits: None,
        });
    }
    study.vehicles = against_the_fleet(rows);
    Ok(study)
}

/// Each vehicle against the share of all others together.
fn against_the_fleet(mut rows: Vec<Charged>) -> Vec<Charged> {
    let days: u64 = rows.iter().map(|row| row.parked_days).sum();
    let without: u64 = rows.iter().map(|row| row.without).sum();
    for row in &mut rows {
        let (other_days, others) = (days - row.parked_days, without - row.without);
        if other_days > 0 {
            // Half a day more, so that a fleet that always charges is not infinitely better.
            let share = (others as f64 + 0.5) / (other_days as f64 + 1.0);
            row.expected = share * row.parked_days as f64;
            row.limits = ratio_limits(row.without, row.expected, LEVEL);
        }
    }
    rows
}

impl Charged {
    /// Whether it fails to charge more often than its fleet, and still does.
    fn is_work(&self) -> bool {
        self.parked_days >= JUDGED_FROM
            && self.recent.1 >= 2
            && self.limits.is_some_and(|(low, _)| low > 1.5)
            && self.without * 10 > self.parked_days
    }

    fn per_hour(&self) -> f64 {
        if self.hours > 0.0 { self.kwh / self.hours } else { f64::NAN }
    }

    fn sentence(&self) -> String {
        format!(
            "Poles up and parked on {}, without charge on {} of them where {} would be usual; of the last 30 days {} of {}.",
            words::count(self.parked_days, "day", "days"),
            words::number(self.without as f64, 0),
            words::short(self.expected),
            words::number(self.recent.1 as f64, 0),
            words::number(self.recent.0 as f64, 0)
        )
    }
}

impl Study {
    /// The sheet `charging`.
    pub fn sheet(&self) -> Sheet {
        let kwh: f64 = self.vehicles.iter().map(|own| own.kwh).sum();
        let failing = self.vehicles.iter().filter(|own| own.is_work()).count() as u64;
        let lead = if self.vehicles.is_empty() {
            vec!["No vehicle stood parked with its poles up.".to_owned()]
        } else {
            vec![
                format!(
                    "{} charged {} kWh while parked under the wires.",
                    words::count(
                        self.vehicles.iter().filter(|own| own.kwh > 0.0).count() as u64,
                        "vehicle",
                        "vehicles"
                    ),
                    words::number(kwh, 0)
                ),
                format!(
                    "{} to charge, though the poles are up, more often than is usual.",
                    words::count(failing, "vehicle fails", "vehicles fail")
                ),
            ]
        };
        let mut sections = Vec::new();
        if !self.vehicles.is_empty() {
            let all = self.table("charging", &self.vehicles.iter().collect::<Vec<_>>());
            sections.push(Section {
                id: "vehicles".to_owned(),
                heading: "Charged while parked".to_owned(),
                text: vec![
                    "A day counts where the poles were up for an hour or more while parked. A day without charge may be one \
                     with a full battery; so each vehicle is held against the others."
                        .to_owned(),
                ],
                pictures: self.ladder("charging-picture", None, all.clone()).into_iter().collect(),
                tables: vec![all],
                ..Section::default()
            });
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
            id: "charging".to_owned(),
            title: "Charging while parked".to_owned(),
            lead,
            sections,
            queries: self.queries.clone(),
        }
    }

    fn table(&self, id: &str, rows: &[&Charged]) -> Table {
        let columns = vec![
            column("vehicle", "", ""),
            column("parked days", "d", "With the poles up for an hour or more."),
            column("hours", "h", ""),
            column("charged", "kW.h", ""),
            column("an hour", "kW", "Charged for each hour parked with the poles up."),
            column("without charge", "d", "Parked days with less than 0.5 kWh."),
            column("expected", "d", "At the share of all other vehicles."),
            column("95 % limits", "1", "Exact, of days without charge over those expected."),
            column("recent", "", "Without charge, of the parked days among the last 30."),
        ];
        let row = |own: &&Charged| {
            vec![
                Cell::Vehicle(own.vehicle.clone()),
                Cell::Count(own.parked_days),
                Cell::number(own.hours, 0),
                Cell::number(own.kwh, 0),
                Cell::number(own.per_hour(), 2),
                Cell::Count(own.without),
                Cell::number(own.expected, 1),
                own.limits.map_or(Cell::Missing("no others"), |(low, high)| Cell::interval(low, high, 2)),
                Cell::Text(format!("{} of {}", own.recent.1, own.recent.0)),
            ]
        };
        table(id, "Charged while parked with the poles up", columns, rows.iter().map(row).collect(), Some("charging"))
    }

    fn ladder(&self, id: &str, strong: Option<&str>, data: Table) -> Option<Picture> {
        let mut rows: Vec<Rung> = self
            .vehicles
            .iter()
            .filter_map(|own| {
                let (low, high) = own.limits.filter(|limits| limits.1.is_finite())?;
                Some(Rung {
                    label: own.vehicle.clone(),
                    vehicle: Some(own.vehicle.clone()),
                    low,
                    mid: own.without as f64 / own.expected,
                    high,
                    strong: strong.map_or(own.is_work(), |strong| strong == own.vehicle),
                })
            })
            .collect();
        rows.sort_by(|a, b| b.mid.total_cmp(&a.mid).then_with(|| a.label.cmp(&b.label)));
        let rows: Vec<Rung> =
            rows.iter().enumerate().filter(|(at, r)| *at < 12 || r.strong).map(|(_, r)| r.clone()).collect();
        let first = rows.first()?;
        Some(Picture {
            id: id.to_owned(),
            title: "Days without charge over those expected".to_owned(),
            says: format!("Highest is {} with {} times the usual.", first.label, words::short(first.mid)),
            drawn: Drawn::Ladder {
                axis: axis("observed over expected", "1"),
                rows,
                level: Some(Level { at: 1.0, name: "the fleet".to_owned() }),
            },
            table: data,
        })
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        let line = |own: &Charged| {
            let evidence =
                self.ladder(&format!("charging-{}", own.vehicle), Some(&own.vehicle), self.table("charging", &[own]));
            WorkLine {
                vehicle: Some(own.vehicle.clone()),
                subject: "charger".to_owned(),
                kind: WorkKind::Module,
                reason: own.sentence(),
                sure: Sure { probability: None, words: "95 % limits lie clear of the fleet's".to_owned() },
                // A vehicle that starts without charge is short of it on its off-wire stretches now and then: one in ten.
                weight: 0.1 * own.recent.1 as f64,
                evidence,
                more: ("charging".to_owned(), "vehicles".to_owned()),
                caution: "The charger is live while the poles are up.",
            }
        };
        self.vehicles.iter().filter(|own| own.is_work()).map(line).collect()
    }

    /// A vehicle's charging.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        let Some(own) = self.vehicles.iter().find(|own| own.vehicle == vehicle) else { return Vec::new() };
        vec![Section {
            id: "charging".to_owned(),
            heading: "Charging while parked".to_owned(),
            text: vec![own.sentence()],
            tables: vec![self.table("charging", &[own])],
            ..Section::default()
        }]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(vehicle: &str, days: u64, without: u64) -> Charged {
        Charged {
            vehicle: vehicle.into(),
            parked_days: days,
            hours: 6.0 * days as f64,
            kwh: 20.0 * (days - without) as f64,
            without,
            recent: (days.min(25), without.min(12)),
            expected: 0.0,
            limits: None,
        }
    }

    #[test]
    fn who_does_not_charge_is_held_against_the_others() {
        let mut rows: Vec<Charged> = (0..20).map(|n| row(&format!("{}", 201 + n), 100, 4)).collect();
        rows[3] = row("204", 100, 60);
        let study = Study { vehicles: against_the_fleet(rows), ..Study::default() };
        let work = study.work();
        assert_eq!(work.len(), 1, "{work:?}");
        assert!(
            work[0].reason.starts_with("Poles up and parked on 100 days, without charge on 60 of them"),
            "{}",
            work[0].reason
        );
        assert_eq!(study.of_vehicle("204").len(), 1);
    }

    #[test]
    fn a_fleet_of_one_and_a_fleet_that_always_charges() {
        let study = Study { vehicles: against_the_fleet(vec![row("1", 100, 60)]), ..Study::default() };
        assert!(study.work().is_empty(), "nothing to hold it against");
        let all: Vec<Charged> = (0..5).map(|n| row(&format!("{n}"), 50, 0)).collect();
        let study = Study { vehicles: against_the_fleet(all), ..Study::default() };
        assert!(study.work().is_empty());
        assert!(study.sheet().lead[0].starts_with("5 vehicles charged"), "{:?}", study.sheet().lead);
        assert_eq!(Study::default().sheet().lead, ["No vehicle stood parked with its poles up."]);
    }
}
