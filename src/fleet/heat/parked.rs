//! What each ambient sensor says in the first minutes of the morning, against the vehicles parked beside it: then there
//! is neither sun on the roof nor waste heat beneath it, and all stand in the same air.
//!
//! The ambient signal in, by SQL; a mean difference a vehicle out. Needs days at full depth.

use std::collections::BTreeMap;

use super::{BLOCK_US, TOGETHER_LEAST};
use crate::fleet::battery::ask;
use crate::fleet::sheet::Query;
use crate::fleet::{FleetError, Question};

/// Message and signal of the ambient sensor.
const MESSAGE: &str = "ambient";
const SIGNAL: &str = "ambient_temperature";
/// The first minutes of a vehicle's day. Unit: µs.
const FIRST_US: u64 = 10 * 60_000_000;
/// Rows that are read at most.
const ROWS_MOST: f64 = 30e6;
const MORNINGS_LEAST: usize = 3;

/// How a sensor differs from those parked beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parked {
    /// Shown above the others. Unit: K.
    pub above: f64,
    /// Standard error. Unit: K.
    pub error: f64,
    /// Mornings that it rests on.
    pub mornings: usize,
}

/// Asks for the mornings; nothing where the store has no such signal or day.
pub(super) fn find(question: &Question, queries: &mut Vec<Query>) -> Result<BTreeMap<String, Parked>, FleetError> {
    let table = format!("signals.{MESSAGE}");
    if !question.engine.has(&table, SIGNAL) {
        return Ok(BTreeMap::new());
    }
    let days = ask::latest_days(question, &table, "ambient-days", ROWS_MOST, queries)?;
    if days.is_empty() {
        return Ok(BTreeMap::new());
    }
    let on_days = ask::on_days(&days);
    let query = Query {
        id: "ambient-parked",
        title: "Each ambient sensor in the first ten minutes of the day, against those in the same yard",
        sql: format!(
            "WITH begun AS (
  SELECT vehicle, date, MIN(CAST(time AS BIGINT)) AS begun
  FROM {table}
  WHERE {on_days} AND {SIGNAL} IS NOT NULL
  GROUP BY vehicle, date),
mornings AS (
  SELECT begun.vehicle AS vehicle, begun.date AS date, MIN(begun.begun) / {BLOCK_US} AS block, AVG({SIGNAL}) AS shown
  FROM {table} AS ambient JOIN begun
    ON ambient.vehicle = begun.vehicle AND ambient.date = begun.date
  WHERE ambient.{on_days} AND CAST(ambient.time AS BIGINT) < begun.begun + {FIRST_US}
  GROUP BY begun.vehicle, begun.date),
placed AS (
  SELECT mornings.vehicle AS vehicle, date, block, shown, COALESCE(vehicles.yard, '') AS yard
  FROM mornings LEFT JOIN vehicles ON vehicles.vehicle = mornings.vehicle),
yards AS (
  SELECT date, block, yard, median(shown) AS middle
  FROM placed
  GROUP BY date, block, yard
  HAVING COUNT(DISTINCT vehicle) >= {TOGETHER_LEAST})
SELECT placed.vehicle AS vehicle, placed.date AS date, AVG(shown - middle) AS above
FROM placed JOIN yards ON placed.date = yards.date AND placed.block = yards.block AND placed.yard = yards.yard
GROUP BY 1, 2
ORDER BY 1, 2"
        ),
    };
    let answer = question.engine.ask(&query)?;
    queries.push(query);
    let (vehicles, above) = (answer.texts("vehicle")?, answer.numbers("above")?);
    let mut mornings: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for (vehicle, above) in vehicles.into_iter().zip(above) {
        if let (Some(vehicle), Some(above)) = (vehicle, above.filter(|above| above.is_finite())) {
            mornings.entry(vehicle).or_default().push(above);
        }
    }
    Ok(mornings.into_iter().filter_map(|(vehicle, above)| Some((vehicle, parked(&above)?))).collect())
}

fn parked(above: &[f64]) -> Option<Parked> {
    let n = above.len() as f64;
    if above.len() < MORNINGS_LEAST {
        return None;
    }
    let mean = above.iter().sum::<f64>() / n;
    let variance = above.iter().map(|own| (own - mean).powi(2)).sum::<f64>() / (n - 1.0);
    Some(Parked { above: mean, error: (variance / n).sqrt(), mornings: above.len() })
}
