//! Detection distance in the cold: common practice doubles it, from about 2 m to 4 m, below some 3 to 6 °C. Vehicles whose
//! setting disagrees with their neighbours' temperature.
//!
//! By SQL: each day's middle of all vehicles' ambient temperatures, each vehicle's lowest setting, and how far its own
//! sensor was off the middle. A day is cold below 2 °C and warm above 8 °C; in between a vehicle may do either. What the
//! two settings are is what this fleet has on such days, not what practice elsewhere is.

use super::sheet::{Cell, Drawn, Level, Picture, Query, Rung, Section, Sheet, Sure, Table, WorkKind, WorkLine};
use super::shown::{axis, column, table};
use super::stats::exact::ratio_limits;
use super::{FleetError, Question, span, words};

/// Below it every vehicle should have doubled. Unit: °C.
const COLD_BELOW: f64 = 2.0;
/// Above it none should. Unit: °C.
const WARM_ABOVE: f64 = 8.0;
/// Fewer neighbours on a day tell no temperature.
const NEIGHBOURS_LEAST: u32 = 3;
/// A cold setting of so many times the warm one is a change of setting.
const CHANGE_LEAST: f64 = 1.4;
const LEVEL: f64 = 0.95;
/// Fewer disagreeing days are forgiven.
const JUDGED_FROM: u64 = 3;

/// What was found of settings in the cold.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// In order of vehicle.
    pub vehicles: Vec<Setting>,
    /// The fleet's usual setting on warm days, and on cold ones. Unit: m.
    pub usual: Option<(f64, f64)>,
    queries: Vec<Query>,
    notes: Vec<String>,
}

/// A vehicle's settings.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Fleet number.
    pub vehicle: String,
    /// Cold days, and those of them with the warm setting.
    pub cold: (u64, u64),
    /// Warm days, and those of them with the cold setting.
    pub warm: (u64, u64),
    /// How far its own ambient sensor is off its neighbours, on days that disagree. Unit: K.
    pub off: Option<f64>,
    /// Disagreeing days at the others' share.
    pub expected: f64,
    /// Exact limits of the ratio.
    pub limits: Option<(f64, f64)>,
}

/// Studies settings in the cold.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let Question { engine, terms, .. } = *question;
    let mut study = Study::default();
    let names = [&terms.names.detection_distance, &terms.names.ambient_mean];
    if let Some(missing) = names.iter().find(|name| !engine.has("runs", name)) {
        study
            .notes
            .push(format!("The store has no counter '{missing}': settings cannot be held against temperatures."));
        return Ok(study);
    }
    let [distance, ambient] = names.map(|name| span::column(name));
    let by_day = format!(
        "WITH own AS (SELECT vehicle, service_day, MIN({distance}) AS setting, AVG({ambient}) AS ambient\n  \
         FROM runs WHERE {} GROUP BY vehicle, service_day),\nneighbours AS (SELECT service_day, \
         MEDIAN(ambient) AS ambient\n  FROM own WHERE ambient IS NOT NULL GROUP BY service_day \
         HAVING COUNT(*) >= {NEIGHBOURS_LEAST})",
        span::days(terms)
    );
    let usual = Query {
        id: "cold-usual",
        title: "The fleet's middle setting on warm and on cold days",
        sql: format!(
            "{by_day}\nSELECT CASE WHEN n.ambient < {COLD_BELOW} THEN 'cold' ELSE 'warm' END AS kind, \
             MEDIAN(o.setting) AS setting, COUNT(*) AS days\n\
             FROM own o JOIN neighbours n ON o.service_day = n.service_day\n\
             WHERE o.setting IS NOT NULL AND (n.ambient < {COLD_BELOW} OR n.ambient > {WARM_ABOVE})\nGROUP BY 1\nORDER BY 1"
        ),
    };
    let answer = engine.ask(&usual)?;
    study.queries.push(usual);
    let (kinds, settings) = (answer.texts("kind")?, answer.numbers("setting")?);
    let setting_of = |wanted: &str| {
        let at = kinds.iter().position(|kind| kind.as_deref() == Some(wanted))?;
        settings[at].filter(|setting| setting.is_finite() && *setting > 0.0)
    };
    let (Some(cold), Some(warm)) = (setting_of("cold"), setting_of("warm")) else {
        study.notes.push(format!(
            "There were no days both below {COLD_BELOW:.0} °C and above {WARM_ABOVE:.0} °C with a setting: nothing can be compared."
        ));
        return Ok(study);
    };
    study.usual = Some((warm, cold));
    if cold < CHANGE_LEAST * warm {
        study.notes.push(format!(
            "This fleet does not change its setting in the cold: {} m on warm days, {} m on cold ones.",
            words::short(warm),
            words::short(cold)
        ));
        return Ok(study);
    }
    let between = (warm * cold).sqrt();
    let query = Query {
        id: "cold-settings",
        title: "Days on which a vehicle's detection distance disagrees with its neighbours' temperature",
        sql: format!(
            "{by_day}\nSELECT o.vehicle AS vehicle,\n  SUM(CASE WHEN n.ambient < {COLD_BELOW} THEN 1 ELSE 0 END) AS cold_days,\n  \
             SUM(CASE WHEN n.ambient < {COLD_BELOW} AND o.setting < {between} THEN 1 ELSE 0 END) AS cold_single,\n  \
             SUM(CASE WHEN n.ambient > {WARM_ABOVE} THEN 1 ELSE 0 END) AS warm_days,\n  \
             SUM(CASE WHEN n.ambient > {WARM_ABOVE} AND o.setting > {between} THEN 1 ELSE 0 END) AS warm_double,\n  \
             AVG(CASE WHEN (n.ambient < {COLD_BELOW} AND o.setting < {between}) OR (n.ambient > {WARM_ABOVE} AND o.setting > \
             {between}) THEN o.ambient - n.ambient END) AS off\n\
             FROM own o JOIN neighbours n ON o.service_day = n.service_day\nWHERE o.setting IS NOT NULL\n\
             GROUP BY o.vehicle\nORDER BY vehicle"
        ),
    };
    let answer = engine.ask(&query)?;
    study.queries.push(query);
    let vehicles = answer.texts("vehicle")?;
    let (cold_days, cold_single) = (answer.numbers("cold_days")?, answer.numbers("cold_single")?);
    let (warm_days, warm_double) = (answer.numbers("warm_days")?, answer.numbers("warm_double")?);
    let off = answer.numbers("off")?;
    let count = |value: Option<f64>| value.unwrap_or(0.0).max(0.0) as u64;
    let mut rows = Vec::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let Some(vehicle) = vehicle else { continue };
        rows.push(Setting {
            vehicle,
            cold: (count(cold_days[row]), count(cold_single[row])),
            warm: (count(warm_days[row]), count(warm_double[row])),
            off: off[row].filter(|off| off.is_finite()),
            expected: 0.0,
            limits: None,
        });
    }
    study.vehicles = against_the_fleet(rows);
    Ok(study)
}

/// Each vehicle's disagreeing days against the share of all others.
fn against_the_fleet(mut rows: Vec<Setting>) -> Vec<Setting> {
    let days: u64 = rows.iter().map(Setting::days).sum();
    let disagreeing: u64 = rows.iter().map(Setting::disagreeing).sum();
    for row in &mut rows {
        let (other_days, others) = (days - row.days(), disagreeing - row.disagreeing());
        if other_days > 0 {
            let share = (others as f64 + 0.5) / (other_days as f64 + 1.0);
            row.expected = share * row.days() as f64;
            row.limits = ratio_limits(row.disagreeing(), row.expected, LEVEL);
        }
    }
    rows
}

impl Setting {
    fn days(&self) -> u64 {
        self.cold.0 + self.warm.0
    }

    fn disagreeing(&self) -> u64 {
        self.cold.1 + self.warm.1
    }

    /// Whether it disagrees more than its neighbours do, and more than now and then.
    pub fn disagrees(&self) -> bool {
        self.disagreeing() >= JUDGED_FROM
            && self.limits.is_some_and(|(low, _)| low > 1.5)
            && (self.cold.1 * 10 > self.cold.0 || self.warm.1 * 10 > self.warm.0)
    }

    fn sentence(&self, (warm, cold): (f64, f64)) -> String {
        let mut parts = Vec::new();
        if self.cold.1 > 0 {
            parts.push(format!(
                "stayed below {} m on {} of {} cold days",
                words::short(cold),
                words::number(self.cold.1 as f64, 0),
                words::number(self.cold.0 as f64, 0)
            ));
        }
        if self.warm.1 > 0 {
            parts.push(format!(
                "stood above {} m on {} of {} warm days",
                words::short(warm),
                words::number(self.warm.1 as f64, 0),
                words::number(self.warm.0 as f64, 0)
            ));
        }
        let off = match self.off {
            Some(off) if off.abs() >= 2.0 => format!(
                "; its own ambient sensor read {} K {} than its neighbours then, which may be why",
                words::number(off.abs(), 1),
                if off > 0.0 { "warmer" } else { "colder" }
            ),
            _ => String::new(),
        };
        if parts.is_empty() {
            return "Its detection distance agrees with its neighbours' temperature.".to_owned();
        }
        format!("Detection distance {}{off}.", words::list(&parts, 2))
    }
}

impl Study {
    /// The sheet `cold`.
    pub fn sheet(&self) -> Sheet {
        let disagreeing = self.vehicles.iter().filter(|own| own.disagrees()).count() as u64;
        let mut lead = Vec::new();
        if self.vehicles.is_empty() {
            lead.push("Nothing can be said of settings in the cold.".to_owned());
        } else {
            lead.push(format!(
                "{} a detection distance that disagrees with the neighbours' temperature.",
                words::count(disagreeing, "vehicle has", "vehicles have")
            ));
        }
        if let Some((warm, cold)) = self.usual {
            lead.push(format!(
                "Usual in this fleet are {} m on warm days and {} m on cold ones.",
                words::short(warm),
                words::short(cold)
            ));
        }
        let mut sections = Vec::new();
        if !self.vehicles.is_empty() {
            let all = self.table(&self.vehicles.iter().collect::<Vec<_>>());
            sections.push(Section {
                id: "vehicles".to_owned(),
                heading: "Settings against temperature".to_owned(),
                text: vec![format!(
                    "A day is cold where the middle of all vehicles' ambient temperatures is below {COLD_BELOW:.0} °C, and warm above \
                     {WARM_ABOVE:.0} °C. A vehicle's own sensor is not asked, since it may be what is wrong."
                )],
                pictures: self.ladder("cold-picture", None, all.clone()).into_iter().collect(),
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
            id: "cold".to_owned(),
            title: "Detection distance in the cold".to_owned(),
            lead,
            sections,
            queries: self.queries.clone(),
        }
    }

    fn table(&self, rows: &[&Setting]) -> Table {
        let columns = vec![
            column("vehicle", "", ""),
            column("cold days", "d", ""),
            column("not doubled", "d", "Cold days with the warm setting."),
            column("warm days", "d", ""),
            column("doubled", "d", "Warm days with the cold setting."),
            column("expected", "d", "Disagreeing days at the share of all other vehicles."),
            column("95 % limits", "1", "Exact, of disagreeing days over those expected."),
            column(
                "own sensor off",
                "K",
                "Of the vehicle's ambient sensor against its neighbours, on disagreeing days.",
            ),
        ];
        let row = |own: &&Setting| {
            vec![
                Cell::Vehicle(own.vehicle.clone()),
                Cell::Count(own.cold.0),
                Cell::Count(own.cold.1),
                Cell::Count(own.warm.0),
                Cell::Count(own.warm.1),
                Cell::number(own.expected, 1),
                own.limits.map_or(Cell::Missing("no others"), |(low, high)| Cell::interval(low, high, 2)),
                Cell::maybe(own.off, 1, "none disagree"),
            ]
        };
        table(
            "cold",
            "Detection distance against the neighbours' temperature",
            columns,
            rows.iter().map(row).collect(),
            Some("cold-settings"),
        )
    }

    fn ladder(&self, id: &str, strong: Option<&str>, data: Table) -> Option<Picture> {
        let share = |own: &Setting| 100.0 * own.disagreeing() as f64 / own.days().max(1) as f64;
        let mut rows: Vec<Rung> = self
            .vehicles
            .iter()
            .filter_map(|own| {
                let (low, high) = own.limits.filter(|limits| limits.1.is_finite())?;
                let scale = 100.0 * own.expected / own.days().max(1) as f64;
                Some(Rung {
                    label: own.vehicle.clone(),
                    vehicle: Some(own.vehicle.clone()),
                    low: (low * scale).min(100.0),
                    mid: share(own),
                    high: (high * scale).min(100.0),
                    strong: strong.map_or(own.disagrees(), |strong| strong == own.vehicle),
                })
            })
            .collect();
        rows.sort_by(|a, b| b.mid.total_cmp(&a.mid).then_with(|| a.label.cmp(&b.label)));
        let rows: Vec<Rung> =
            rows.iter().enumerate().filter(|(at, r)| *at < 12 || r.strong).map(|(_, r)| r.clone()).collect();
        let first = rows.first()?;
        let all: u64 = self.vehicles.iter().map(Setting::days).sum();
        let disagreeing: u64 = self.vehicles.iter().map(Setting::disagreeing).sum();
        Some(Picture {
            id: id.to_owned(),
            title: "Days that disagree".to_owned(),
            says: format!("Most is {} with {} % of its days.", first.label, words::short(first.mid)),
            drawn: Drawn::Ladder {
                axis: axis("share of cold and warm days", "%"),
                rows,
                level: Some(Level { at: 100.0 * disagreeing as f64 / all.max(1) as f64, name: "the fleet".to_owned() }),
            },
            table: data,
        })
    }

    /// What to look at.
    pub fn work(&self) -> Vec<WorkLine> {
        let Some(usual) = self.usual else { return Vec::new() };
        let line = |own: &Setting| WorkLine {
            vehicle: Some(own.vehicle.clone()),
            subject: "detection distance in the cold".to_owned(),
            kind: WorkKind::Sensor,
            reason: own.sentence(usual),
            sure: Sure { probability: None, words: "95 % limits lie clear of the fleet's".to_owned() },
            // In the cold a pole is found late or a false one chased: about one disagreeing day in fifty costs service.
            weight: 0.02 * own.disagreeing() as f64 / own.days().max(1) as f64 * 30.4,
            evidence: self.ladder(&format!("cold-{}", own.vehicle), Some(&own.vehicle), self.table(&[own])),
            more: ("cold".to_owned(), "vehicles".to_owned()),
            caution: "",
        };
        self.vehicles.iter().filter(|own| own.disagrees()).map(line).collect()
    }

    /// A vehicle's settings.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        let (Some(usual), Some(own)) = (self.usual, self.vehicles.iter().find(|own| own.vehicle == vehicle)) else {
            return Vec::new();
        };
        vec![Section {
            id: "cold".to_owned(),
            heading: "Detection distance in the cold".to_owned(),
            text: vec![own.sentence(usual)],
            tables: vec![self.table(&[own])],
            ..Section::default()
        }]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(vehicle: &str, cold: (u64, u64), warm: (u64, u64), off: Option<f64>) -> Setting {
        Setting { vehicle: vehicle.into(), cold, warm, off, expected: 0.0, limits: None }
    }

    #[test]
    fn who_disagrees_with_the_neighbours_is_named_and_its_sensor_too() {
        let mut rows: Vec<Setting> =
            (0..20).map(|n| row(&format!("{}", 201 + n), (60, 1), (200, 0), Some(0.1))).collect();
        rows[4] = row("205", (60, 48), (200, 0), Some(6.5));
        let study = Study { vehicles: against_the_fleet(rows), usual: Some((2.0, 4.0)), ..Study::default() };
        let work = study.work();
        assert_eq!(work.len(), 1, "{work:?}");
        assert_eq!(
            work[0].reason,
            "Detection distance stayed below 4.0 m on 48 of 60 cold days; its own ambient sensor read 6.5 K warmer than its \
             neighbours then, which may be why."
        );
        assert!(study.of_vehicle("201")[0].text[0].contains("1 of 60"));
    }

    #[test]
    fn one_vehicle_and_none() {
        let study = Study {
            vehicles: against_the_fleet(vec![row("1", (60, 60), (0, 0), None)]),
            usual: Some((2.0, 4.0)),
            ..Study::default()
        };
        assert!(study.work().is_empty(), "no neighbours");
        assert_eq!(Study::default().sheet().lead, ["Nothing can be said of settings in the cold."]);
        assert!(Study::default().of_vehicle("1").is_empty());
    }
}
