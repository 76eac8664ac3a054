//! Weather or work: whether a battery was hot for the weather, for its work, or because it is sick; and which ambient
//! sensors lie about the weather.
//!
//! The store's runs in, by SQL; a [`Study`] out.

mod hot;
mod model;
mod parked;
mod sensors;
mod show;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, HashMap};

use super::battery::{ask, packs::unknown};
use super::sheet::Query;
use super::terms::Terms;
use super::{FleetError, Question, span};
pub use hot::{HOT_C, HOT_FOR_THE_DAY_K, HotDay, Why};
pub use model::{Cause, Lately, Model, SICK_K, Term, VehicleDay, Week};
pub use parked::Parked;
pub use sensors::{Bias, OFF_K};

/// Sensors are compared among so many vehicles, at least, in the same three hours.
const TOGETHER_LEAST: u32 = 3;
/// Runs are taken to be in the same weather whose middles lie in the same so many µs.
const BLOCK_US: u64 = 3 * 3_600_000_000;

/// What was found.
#[derive(Debug, Clone)]
pub struct Study {
    terms: Terms,
    /// All packs with a day, by number.
    pub packs: Vec<PackHeat>,
    /// Peak temperature on weather and work; none where it could not be fitted.
    pub model: Option<Model>,
    /// The same by the vehicles' own ambient sensors, to compare.
    pub by_own_sensor: Option<Model>,
    /// Mean temperature instead of peak.
    pub of_mean: Option<Model>,
    /// Hot days, by pack, then day.
    pub hot: Vec<HotDay>,
    /// The ambient sensors, by vehicle.
    pub sensors: Vec<Bias>,
    /// Vehicle-days with a peak temperature.
    pub days: usize,
    /// From which peak on a day is hot. Unit: °C.
    pub limit: f64,
    notes: Vec<String>,
    queries: Vec<Query>,
}

/// A pack, and how hot it is.
#[derive(Debug, Clone, Default)]
pub struct PackHeat {
    /// Its number, as in the records; of one that no record tells of: `unknown, in 412`.
    pub name: String,
    /// The vehicle that it was in last.
    pub vehicle: String,
    /// What it adds over the whole time, and its standard error. Unit: K.
    pub over_all: Option<(f64, f64)>,
    /// What it adds lately.
    pub lately: Option<Lately>,
    /// Week by week.
    pub weeks: Vec<Week>,
    /// Its hottest peak. Unit: °C.
    pub hottest: f64,
    /// Last day it was seen. Days since 1970-01-01.
    pub last: f64,
}

impl PackHeat {
    /// Whether it is called sick.
    pub fn is_sick(&self) -> bool {
        self.lately.is_some_and(|lately| lately.sick >= model::SURE)
    }
}

impl Study {
    /// What a pack adds of its own, by its name: lately, or else over the whole time; with its standard error. Unit: K.
    pub fn of_pack(&self, name: &str) -> Option<(f64, f64)> {
        let pack = self.packs.iter().find(|pack| pack.name == name)?;
        pack.lately.map(|lately| (lately.own, lately.error)).or(pack.over_all)
    }
}

/// Asks the store, and judges.
///
/// # Errors
/// The engine cannot answer.
pub fn study(question: &Question) -> Result<Study, FleetError> {
    let mut study = Study {
        terms: question.terms.clone(),
        packs: Vec::new(),
        model: None,
        by_own_sensor: None,
        of_mean: None,
        hot: Vec::new(),
        sensors: Vec::new(),
        days: 0,
        limit: HOT_C,
        notes: Vec::new(),
        queries: Vec::new(),
    };
    let names = &question.terms.names;
    if !question.engine.has("runs", &names.battery_peak) {
        study.notes.push(format!(
            "The store has no counter '{}': nothing can be said about hot batteries. Count the peak of the battery's \
             temperature by that name, or name the counter under [fleet] in the configuration.",
            names.battery_peak
        ));
        return Ok(study);
    }
    let has_ambient = question.engine.has("runs", &names.ambient_mean);
    if has_ambient {
        study.judge_sensors(question)?;
    } else {
        study
            .notes
            .push(format!("The store has no counter '{}': weather cannot be told from work.", names.ambient_mean));
    }
    for name in [&names.off_wire_distance, &names.battery_charge] {
        if !question.engine.has("runs", name) {
            study.notes.push(format!("The store has no counter '{name}': work is reckoned without it."));
        }
    }
    let days = study.find_days(question)?;
    study.days = days.len();
    study.judge(&days);
    Ok(study)
}

/// Runs with the weather that the whole fleet's sensors show in the same hours: the start of a WITH clause.
fn with_town(question: &Question) -> String {
    let names = &question.terms.names;
    let column = |name: &str| ask::column(question.engine, "runs", name);
    format!(
        "spans AS (
  SELECT vehicle, service_day, duration_s, {peak} AS peak, {mean} AS mean, {ambient} AS ambient,
         {off_wire} AS km, {charge} AS charge,
         (CAST(start AS BIGINT) + CAST(\"end\" AS BIGINT)) / 2 / {BLOCK_US} AS block
  FROM runs
  WHERE {within}),
town AS (
  SELECT block, median(ambient) AS ambient
  FROM spans
  WHERE ambient IS NOT NULL
  GROUP BY block
  HAVING COUNT(DISTINCT vehicle) >= {TOGETHER_LEAST})",
        peak = column(&names.battery_peak),
        mean = column(&names.battery_mean),
        ambient = column(&names.ambient_mean),
        off_wire = ask::km(question.engine, &names.off_wire_distance),
        charge = column(&names.battery_charge),
        within = span::days(question.terms),
    )
}

impl Study {
    fn judge_sensors(&mut self, question: &Question) -> Result<(), FleetError> {
        let query = Query {
            id: "ambient-weeks",
            title: "Each vehicle's ambient sensor against the middle of all in the same three hours, by week",
            sql: format!(
                "WITH {}
SELECT spans.vehicle AS vehicle, CAST(date_trunc('week', spans.service_day) AS DATE) AS week,
       median(spans.ambient - town.ambient) AS above, AVG(town.ambient) AS town
FROM spans JOIN town ON spans.block = town.block
WHERE spans.ambient IS NOT NULL
GROUP BY 1, 2
ORDER BY 1, 2",
                with_town(question)
            ),
        };
        let answer = question.engine.ask(&query)?;
        self.queries.push(query);
        let (vehicles, weeks) = (answer.texts("vehicle")?, answer.numbers("week")?);
        let (above, town) = (answer.numbers("above")?, answer.numbers("town")?);
        let mut found = Vec::new();
        let mut warmth: BTreeMap<i64, (f64, u32)> = BTreeMap::new();
        for row in 0..vehicles.len() {
            if let (Some(vehicle), Some(from), Some(above)) = (&vehicles[row], weeks[row], above[row])
                && above.is_finite()
            {
                found.push(sensors::SensorWeek { vehicle: vehicle.clone(), from, above });
            }
            if let (Some(from), Some(town)) = (weeks[row], town[row]) {
                let (sum, count) = warmth.entry(from as i64).or_default();
                *sum += town;
                *count += 1;
            }
        }
        let warmth = warmth.into_iter().map(|(week, (sum, count))| (week, sum / f64::from(count))).collect();
        self.sensors = sensors::judge(&found, &warmth);
        if !self.sensors.is_empty() {
            let parked = parked::find(question, &mut self.queries)?;
            for bias in &mut self.sensors {
                bias.parked = parked.get(&bias.vehicle).copied();
            }
        }
        if self.sensors.is_empty() {
            self.notes.push(format!(
                "Ambient sensors could not be compared: that takes {TOGETHER_LEAST} vehicles in service in the same \
                 hours, over some weeks. Each vehicle's own sensor is believed."
            ));
        }
        Ok(())
    }

    fn find_days(&mut self, question: &Question) -> Result<Vec<VehicleDay>, FleetError> {
        let (fitted, pack, join) = if question.engine.has("packs", "part") {
            (format!("{},\n", ask::FITTED), "COALESCE(fitted.pack, '')", ask::in_it("days", "service_day"))
        } else {
            (String::new(), "''", String::new())
        };
        let query = Query {
            id: "heat-days",
            title: "Battery temperature, weather and work of each vehicle, by day",
            sql: format!(
                "WITH {fitted}{town},
days AS (
  SELECT spans.vehicle AS vehicle, service_day, MAX(peak) AS peak,
         SUM(mean * duration_s) / SUM(CASE WHEN mean IS NOT NULL THEN duration_s END) AS mean,
         SUM(spans.ambient * duration_s) / SUM(CASE WHEN spans.ambient IS NOT NULL THEN duration_s END) AS own,
         SUM(town.ambient * duration_s) / SUM(CASE WHEN town.ambient IS NOT NULL THEN duration_s END) AS town,
         SUM(km) AS km, SUM(charge) AS charge
  FROM spans LEFT JOIN town ON spans.block = town.block
  GROUP BY spans.vehicle, service_day)
SELECT {pack} AS pack, days.vehicle AS vehicle, service_day, peak, mean, own, town, km, charge
FROM days
{join}
WHERE peak IS NOT NULL
ORDER BY 2, 3",
                town = with_town(question)
            ),
        };
        let answer = question.engine.ask(&query)?;
        self.queries.push(query);
        let (packs, vehicles) = (answer.texts("pack")?, answer.texts("vehicle")?);
        let (day, peak, mean) = (answer.numbers("service_day")?, answer.numbers("peak")?, answer.numbers("mean")?);
        let (own, town) = (answer.numbers("own")?, answer.numbers("town")?);
        let (km, charge) = (answer.numbers("km")?, answer.numbers("charge")?);
        let mut numbers: HashMap<String, usize> = HashMap::new();
        let mut days = Vec::with_capacity(packs.len());
        for row in 0..packs.len() {
            let (Some(vehicle), Some(day), Some(peak)) = (&vehicles[row], day[row], peak[row]) else { continue };
            if !peak.is_finite() {
                continue;
            }
            let name = packs[row].as_deref().filter(|pack| !pack.is_empty());
            let name = name.map_or_else(|| unknown(vehicle), str::to_owned);
            let next = self.packs.len();
            let number = *numbers.entry(name).or_insert_with_key(|name| {
                let hottest = f64::NEG_INFINITY;
                self.packs.push(PackHeat { name: name.clone(), hottest, ..PackHeat::default() });
                next
            });
            let pack = &mut self.packs[number];
            pack.hottest = pack.hottest.max(peak);
            if day >= pack.last {
                pack.last = day;
                vehicle.clone_into(&mut pack.vehicle);
            }
            days.push(VehicleDay {
                pack: number,
                day,
                peak,
                mean: mean[row],
                own: own[row],
                town: town[row],
                km: km[row],
                charge: charge[row],
            });
        }
        Ok(days)
    }

    fn judge(&mut self, days: &[VehicleDay]) {
        let packs = self.packs.len();
        let by = |weather: Cause| {
            [weather, Cause::Kilometres, Cause::Charge, Cause::KilometresSquared, Cause::ChargeSquared]
        };
        let peak = |day: &VehicleDay| Some(day.peak);
        let by_town = model::fit(days, packs, &by(Cause::Town), peak);
        let by_own = model::fit(days, packs, &by(Cause::Own), peak);
        let has_weather = |model: &Option<Model>| {
            model.as_ref().is_some_and(|model| model.terms.iter().any(|t| t.cause.is_weather()))
        };
        (self.model, self.by_own_sensor) =
            if has_weather(&by_town) || !has_weather(&by_own) { (by_town, by_own) } else { (by_own, None) };
        let weather = self.model.as_ref().and_then(|model| model.terms.iter().find(|term| term.cause.is_weather()));
        let weather = weather.map_or(Cause::Own, |term| term.cause);
        self.of_mean = model::fit(days, packs, &by(weather), |day| day.mean);
        let Some(model) = &self.model else {
            self.notes
                .push("Too few days, or no weather and work beside them, to say why batteries were hot.".to_owned());
            return;
        };
        let today = span::number_of(self.terms.today);
        let weeks = model::weeks(days, model, packs);
        let lately = model::lately(&weeks, today, model);
        for (((pack, weeks), lately), effect) in self.packs.iter_mut().zip(weeks).zip(lately).zip(&model.effects) {
            pack.over_all = (!weeks.is_empty() && effect.value.is_finite() && effect.standard_error.is_finite())
                .then_some((effect.value, effect.standard_error));
            pack.lately = lately;
            pack.weeks = weeks;
        }
        self.limit = hot::limit(days);
        self.hot = hot::hot_days(days, model, self.limit);
    }
}
