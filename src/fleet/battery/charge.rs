//! What the pack itself says: usable charge from off-wire stretches, internal resistance from load steps.
//!
//! The battery's signals in, by SQL; a [`Measured`] a pack out. Needs days at full depth, and says so where there are
//! none. The latest days are looked at, as many as can be read in a moment: a fleet's signals of one day are tens of
//! millions of rows.
//!
//! Usable charge: A·h drawn for each per cent that the state of charge fell, over all off-wire stretches (a ratio of
//! sums), times 100. It is as good as the battery manager's state of charge. Resistance: the drop of voltage at a sudden
//! rise of current and the other way round, the median over many steps.

use std::collections::{BTreeMap, HashMap};

use super::ask;
use super::packs::{Packs, unknown};
use crate::fleet::sheet::Query;
use crate::fleet::{FleetError, Question, span};

/// Rows that are read at most.
const ROWS_MOST: f64 = 30e6;
/// A load step is at least so large, and no longer. The open-circuit voltage does not move in that time. Unit: A, and µs.
const STEP_A: u32 = 25;
const STEP_US: u32 = 1_000_000;
/// Rows of one off-wire stretch are no further apart. Unit: µs.
const STRETCH_GAP_US: u32 = 10_000_000;
/// In a stretch the state of charge falls at least so far: its own steps are tenths of a per cent. Unit: %.
const FALL_LEAST: f64 = 2.0;
/// With fewer nothing is said.
const STRETCHES_LEAST: usize = 5;
const STEPS_LEAST: f64 = 20.0;

/// What the signals columns are called; in `names.battery_message`.
const VOLTAGE: &str = "voltage";
const CURRENT: &str = "current";
const CHARGE: &str = "state_of_charge";
const STRETCH: &str = "stretch_active";
const TEMPERATURE: &str = "temperature_highest";

/// What was found of a pack.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Measured {
    /// Usable charge, and its standard error. Unit: A·h.
    pub usable: Option<(f64, f64)>,
    /// Stretches that it rests on.
    pub stretches: usize,
    /// Internal resistance, and its standard error. Unit: mΩ.
    pub resistance: Option<(f64, f64)>,
    /// Load steps that it rests on.
    pub steps: u64,
    /// Temperature of the battery at these steps; resistance rises in the cold. Unit: °C.
    pub temperature: Option<f64>,
    /// Days that were looked at with this pack in them.
    pub days: usize,
}

/// What was found of all packs.
#[derive(Debug, Clone, Default)]
pub struct Charges {
    /// By number of the pack; none where there is nothing.
    pub packs: Vec<Option<Measured>>,
    /// What to know of it, in sentences.
    pub notes: Vec<String>,
}

/// Asks the signals.
pub(super) fn find(question: &Question, packs: &Packs, queries: &mut Vec<Query>) -> Result<Charges, FleetError> {
    let message = &question.terms.names.battery_message;
    let table = format!("signals.{}", span::column(message));
    let has = |column: &str| question.engine.has(&format!("signals.{message}"), column);
    let mut charges = Charges { packs: vec![None; packs.packs.len()], notes: Vec::new() };
    if ![VOLTAGE, CURRENT, CHARGE].iter().any(|column| has(column)) {
        charges.notes.push(format!(
            "Usable charge and internal resistance are not reckoned: the store has no signals of '{message}' with \
             {VOLTAGE}, {CURRENT} and {CHARGE}."
        ));
        return Ok(charges);
    }
    let days = ask::latest_days(question, &table, "battery-days", ROWS_MOST, queries)?;
    let (Some(first), Some(last)) = (days.first(), days.last()) else {
        charges.notes.push(
            "Usable charge and internal resistance are not reckoned: the store holds only summaries of these days, no \
             signals."
                .into(),
        );
        return Ok(charges);
    };
    let numbers: HashMap<&str, usize> =
        packs.packs.iter().enumerate().map(|(number, pack)| (pack.name.as_str(), number)).collect();
    let known = Rows { question, table: &table, days: &days, numbers: &numbers, has_stretch: has(STRETCH) };
    let mut found: BTreeMap<usize, Measured> = BTreeMap::new();
    if has(VOLTAGE) && has(CURRENT) {
        known.resistance(has(TEMPERATURE), queries, &mut found)?;
    } else {
        charges.notes.push(format!("Internal resistance is not reckoned: '{message}' lacks {VOLTAGE} or {CURRENT}."));
    }
    if has(CURRENT) && has(CHARGE) && has(STRETCH) {
        known.usable_charge(queries, &mut found)?;
    } else {
        charges
            .notes
            .push(format!("Usable charge is not reckoned: '{message}' lacks {CURRENT}, {CHARGE} or {STRETCH}."));
    }
    charges.notes.push(format!(
        "Usable charge and internal resistance rest on the signals of {} {} from {} to {}.",
        days.len(),
        if days.len() == 1 { "day" } else { "days" },
        span::day_of(*first).map(|day| day.to_string()).unwrap_or_default(),
        span::day_of(*last).map(|day| day.to_string()).unwrap_or_default(),
    ));
    for (number, measured) in found {
        charges.packs[number] = Some(measured);
    }
    Ok(charges)
}

/// Where the rows are, and whose they are.
struct Rows<'a> {
    question: &'a Question<'a>,
    table: &'a str,
    days: &'a [f64],
    numbers: &'a HashMap<&'a str, usize>,
    has_stretch: bool,
}

impl Rows<'_> {
    /// Start of the WITH clause, the pack's column, and the join that gives it.
    fn pack(&self, rows: &str) -> (String, &'static str, String) {
        if self.question.engine.has("packs", "part") {
            (format!("{},\n", ask::FITTED), "COALESCE(fitted.pack, '')", ask::in_it(rows, "date"))
        } else {
            (String::new(), "''", String::new())
        }
    }

    fn number(&self, pack: Option<&str>, vehicle: Option<&str>) -> Option<usize> {
        match pack.filter(|pack| !pack.is_empty()) {
            Some(pack) => self.numbers.get(pack).copied(),
            None => self.numbers.get(unknown(vehicle?).as_str()).copied(),
        }
    }

    fn resistance(
        &self,
        has_temperature: bool,
        queries: &mut Vec<Query>,
        found: &mut BTreeMap<usize, Measured>,
    ) -> Result<(), FleetError> {
        let (with, pack, join) = self.pack("ohms");
        let temperature = if has_temperature { TEMPERATURE } else { "CAST(NULL AS DOUBLE)" };
        let (table, days) = (self.table, ask::on_days(self.days));
        let stretch = if self.has_stretch { format!(" AND {STRETCH}") } else { String::new() };
        let sql = format!(
            "WITH {with}steps AS (
  SELECT vehicle, date, {temperature} AS temperature,
         CAST(time AS BIGINT) - LAG(CAST(time AS BIGINT)) OVER (PARTITION BY vehicle ORDER BY time) AS us,
         {VOLTAGE} - LAG({VOLTAGE}) OVER (PARTITION BY vehicle ORDER BY time) AS volts,
         {CURRENT} - LAG({CURRENT}) OVER (PARTITION BY vehicle ORDER BY time) AS amperes
  FROM {table}
  WHERE {days}{stretch}),
ohms AS (
  SELECT vehicle, date, temperature, -volts / amperes AS ohm
  FROM steps
  WHERE us BETWEEN 1 AND {STEP_US} AND ABS(amperes) >= {STEP_A})
SELECT {pack} AS pack, ohms.vehicle AS vehicle, COUNT(ohm) AS steps, COUNT(DISTINCT ohms.date) AS days,
       AVG(temperature) AS temperature, approx_percentile_cont(0.25) WITHIN GROUP (ORDER BY ohm) AS quarter,
       median(ohm) AS ohm, approx_percentile_cont(0.75) WITHIN GROUP (ORDER BY ohm) AS three_quarters
FROM ohms
{join}
GROUP BY 1, 2
ORDER BY 1, 2"
        );
        let query = Query { id: "battery-steps", title: "Voltage over current at load steps off the wire", sql };
        let answer = self.question.engine.ask(&query)?;
        queries.push(query);
        let (packs, vehicles) = (answer.texts("pack")?, answer.texts("vehicle")?);
        let (steps, days, ohm) = (answer.numbers("steps")?, answer.numbers("days")?, answer.numbers("ohm")?);
        let (low, high) = (answer.numbers("quarter")?, answer.numbers("three_quarters")?);
        let temperature = answer.numbers("temperature")?;
        for row in 0..packs.len() {
            let Some(number) = self.number(packs[row].as_deref(), vehicles[row].as_deref()) else { continue };
            let measured = found.entry(number).or_default();
            let steps = steps[row].unwrap_or(0.0);
            measured.steps += steps as u64;
            measured.days = measured.days.max(days[row].unwrap_or(0.0) as usize);
            measured.temperature = temperature[row];
            if let (Some(ohm), Some(low), Some(high)) = (ohm[row], low[row], high[row])
                && steps >= STEPS_LEAST
                && ohm.is_finite()
                && ohm > 0.0
            {
                // Of a normal sample: the quartiles are 1.349 sd apart, and a median's error is 1.253 of a mean's.
                let error = 1.253 * (high - low).max(0.0) / 1.349 / steps.sqrt();
                measured.resistance = Some((1000.0 * ohm, 1000.0 * error));
            }
        }
        Ok(())
    }

    fn usable_charge(&self, queries: &mut Vec<Query>, found: &mut BTreeMap<usize, Measured>) -> Result<(), FleetError> {
        let (with, pack, join) = self.pack("stretches");
        let (table, days) = (self.table, ask::on_days(self.days));
        let sql = format!(
            "WITH {with}in_stretch AS (
  SELECT vehicle, date, CAST(time AS BIGINT) AS at, {CURRENT} AS amperes, {CHARGE} AS charge,
         CAST(time AS BIGINT) - LAG(CAST(time AS BIGINT)) OVER (PARTITION BY vehicle ORDER BY time) AS us
  FROM {table}
  WHERE {days} AND {STRETCH} AND {CURRENT} IS NOT NULL AND {CHARGE} IS NOT NULL),
numbered AS (
  SELECT *, SUM(CASE WHEN us <= {STRETCH_GAP_US} THEN 0 ELSE 1 END)
              OVER (PARTITION BY vehicle ORDER BY at ROWS UNBOUNDED PRECEDING) AS stretch
  FROM in_stretch),
stretches AS (
  SELECT vehicle, stretch, MIN(date) AS date,
         SUM(CASE WHEN us <= {STRETCH_GAP_US} THEN amperes * us END) / 3.6e9 AS drawn,
         first_value(charge ORDER BY at) - last_value(charge ORDER BY at) AS fall
  FROM numbered
  GROUP BY vehicle, stretch)
SELECT {pack} AS pack, stretches.vehicle AS vehicle, drawn, fall
FROM stretches
{join}
WHERE fall >= {FALL_LEAST} AND drawn > 0
ORDER BY 1, 2, stretches.stretch"
        );
        let query = Query {
            id: "battery-stretches",
            title: "Charge drawn and fall of the state of charge in each off-wire stretch",
            sql,
        };
        let answer = self.question.engine.ask(&query)?;
        queries.push(query);
        let (packs, vehicles) = (answer.texts("pack")?, answer.texts("vehicle")?);
        let (drawn, fall) = (answer.numbers("drawn")?, answer.numbers("fall")?);
        let mut of_pack: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
        for row in 0..packs.len() {
            if let Some(number) = self.number(packs[row].as_deref(), vehicles[row].as_deref())
                && let (Some(drawn), Some(fall)) = (drawn[row], fall[row])
            {
                of_pack.entry(number).or_default().push((drawn, fall));
            }
        }
        for (number, stretches) in of_pack {
            let measured = found.entry(number).or_default();
            measured.stretches = stretches.len();
            measured.usable = usable(&stretches);
        }
        Ok(())
    }
}

/// Usable charge from A·h drawn and per cent fallen, with its standard error: a ratio of sums.
/// W.G. Cochran, Sampling Techniques (1977), §2.11.
fn usable(stretches: &[(f64, f64)]) -> Option<(f64, f64)> {
    let drawn: f64 = stretches.iter().map(|stretch| stretch.0).sum();
    let fall: f64 = stretches.iter().map(|stretch| stretch.1).sum();
    if stretches.len() < STRETCHES_LEAST || fall <= 0.0 {
        return None;
    }
    let each = drawn / fall;
    let n = stretches.len() as f64;
    let squares: f64 = stretches.iter().map(|(drawn, fall)| (drawn - each * fall).powi(2)).sum();
    let error = (squares * n / (n - 1.0)).sqrt() / fall;
    (each.is_finite() && error.is_finite()).then_some((100.0 * each, 100.0 * error))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn usable_charge_is_what_a_hundred_per_cent_would_draw() {
        // 0.6 A·h a per cent.
        let even: Vec<_> = (1..=8).map(|n| (0.6 * f64::from(n), f64::from(n))).collect();
        let (charge, error) = usable(&even).unwrap();
        assert!((charge - 60.0).abs() < 1e-9 && error < 1e-9, "{charge} ± {error}");
        assert_eq!(usable(&even[..4]), None);
        let uneven: Vec<_> = (0..40).map(|n| (3.0, if n % 2 == 0 { 4.6 } else { 5.4 })).collect();
        let (charge, error) = usable(&uneven).unwrap();
        // 3 A·h for 5 % ± 0.4: 60 A·h; the error of the mean fall is 0.4 / √40 of 5.
        assert!((charge - 60.0).abs() < 1e-9, "{charge}");
        assert!((error - 60.0 * 0.4 / 5.0 / 39_f64.sqrt()).abs() < 1e-6, "{error}");
    }
}
