//! The SQL that both battery studies share: which days, which pack was in which vehicle, and names as SQL takes them.

use crate::fleet::engine::Engine;
use crate::fleet::sheet::Query;
use crate::fleet::{FleetError, Question, span};
use crate::table::UNIT_KEY;

/// A counter or signal as a column, or NULL where the store has none of that name.
pub(in crate::fleet) fn column(engine: &Engine, table: &str, name: &str) -> String {
    if engine.has(table, name) { span::column(name) } else { "CAST(NULL AS DOUBLE)".into() }
}

/// A counter of distance in km, whether it is kept in km or m; NULL where the store has none of that name.
pub(in crate::fleet) fn km(engine: &Engine, name: &str) -> String {
    let columns = engine.columns("runs").unwrap_or_default();
    let unit = columns.iter().find(|column| column.name() == name).and_then(|column| column.metadata().get(UNIT_KEY));
    let column = column(engine, "runs", name);
    if unit.is_some_and(|unit| unit == "m") { format!("{column} / 1000.0") } else { column }
}

/// Which pack was in which vehicle, from the records: the start of a WITH clause. A later pack ends an earlier one,
/// whatever was written of its removal; the day a pack is removed is still its own, unless the next is fitted that day.
pub(in crate::fleet) const FITTED: &str = "fitted AS (
  SELECT part AS pack, vehicle, fitted, removed,
         LEAD(fitted) OVER (PARTITION BY vehicle ORDER BY fitted, part) AS next
  FROM packs)";

/// Joins [`FITTED`] to rows that have a vehicle and a day.
pub(in crate::fleet) fn in_it(rows: &str, day: &str) -> String {
    format!(
        "LEFT JOIN fitted ON fitted.vehicle = {rows}.vehicle AND {rows}.{day} >= fitted.fitted
    AND (fitted.removed IS NULL OR {rows}.{day} <= fitted.removed)
    AND (fitted.next IS NULL OR {rows}.{day} < fitted.next)"
    )
}

/// The latest days of which a signals table has rows, in order: as many as hold no more than `rows_most`, or one.
pub(in crate::fleet) fn latest_days(
    question: &Question,
    table: &str,
    id: &'static str,
    rows_most: f64,
    queries: &mut Vec<Query>,
) -> Result<Vec<f64>, FleetError> {
    let (from, to) = (question.terms.from, question.terms.today);
    let query = Query {
        id,
        title: "Days at full depth, and how many rows they have",
        sql: format!(
            "SELECT date, COUNT(*) AS rows FROM {table} WHERE date BETWEEN DATE '{from}' AND DATE '{to}'
GROUP BY date ORDER BY date DESC"
        ),
    };
    let answer = question.engine.ask(&query)?;
    queries.push(query);
    let (days, rows) = (answer.numbers("date")?, answer.numbers("rows")?);
    let mut read = 0.0;
    let mut latest = Vec::new();
    for (day, rows) in days.into_iter().zip(rows) {
        let (Some(day), Some(rows)) = (day, rows) else { continue };
        read += rows;
        if read > rows_most && !latest.is_empty() {
            break;
        }
        latest.push(day);
    }
    latest.reverse();
    Ok(latest)
}

/// These days, as a condition on a signals table.
pub(in crate::fleet) fn on_days(days: &[f64]) -> String {
    let days: Vec<String> = days.iter().filter_map(|at| span::day_of(*at)).map(|day| format!("DATE '{day}'")).collect();
    format!("date IN ({})", days.join(", "))
}
