//! How often something happens to each vehicle for the kilometres it drives: counts by SQL in; rates with what is
//! known of them, and the vehicles that stand out, out.
//!
//! Counts are gamma-Poisson (`stats::gamma_poisson`), so that a vehicle with few kilometres is not blamed for chance.

use super::sheet::{Axis, Cell, Drawn, Level, Picture, Query, Rung, Table};
use super::shown::{column, table};
use super::stats::exact::ratio_limits;
use super::stats::gamma_poisson::{self, Posterior};
use super::{FleetError, Question, span, words};

/// What happened in the last so many days tells what leaving it would cost.
pub(crate) const RECENT_DAYS: i64 = 90;
const MONTH_DAYS: f64 = 30.4;
/// A rate of so many times the fleet's is worth a look.
pub(crate) const STANDS_OUT: f64 = 1.5;
/// And so sure must it be.
pub(crate) const SURE: f64 = 0.9;
/// Rates are for so many kilometres.
const PER_KM: f64 = 1000.0;

/// A vehicle's rate.
#[derive(Debug, Clone)]
pub struct Rate {
    /// Fleet number.
    pub vehicle: String,
    /// How often.
    pub count: u64,
    /// Unit: km.
    pub km: f64,
    /// The same in the last 90 days.
    pub recent: (u64, f64),
    /// For 1000 km, drawn towards the fleet's; none where the fleet has none.
    pub mean: Option<f64>,
    /// 90 % interval of it.
    pub interval: Option<(f64, f64)>,
    /// Probability that it is [`STANDS_OUT`] times the fleet's, or more.
    pub stands_out: f64,
    /// Exact 95 % limits of the recent months over the months before; none where there is nothing to compare.
    pub rising: Option<(f64, f64)>,
}

impl Rate {
    /// Whether it is worth a look.
    pub(crate) fn is_work(&self) -> bool {
        self.stands_out >= SURE && self.recent.0 > 0
    }

    /// Beyond the fleet's rate, a month.
    pub(crate) fn excess_a_month(&self, fleet: f64, days: f64) -> f64 {
        let days = (RECENT_DAYS as f64).min(days).max(1.0);
        (self.recent.0 as f64 - fleet * self.recent.1 / PER_KM).max(0.0) / days * MONTH_DAYS
    }
}

/// Rates of all vehicles.
#[derive(Debug, Clone, Default)]
pub struct Rates {
    /// In order of vehicle.
    pub rates: Vec<Rate>,
    /// The fleet's, for 1000 km.
    pub fleet: f64,
    /// All together.
    pub total: u64,
}

/// Asks for a counter of `runs`; none where the store lacks it or the distance.
///
/// # Errors
/// The engine cannot answer.
pub(crate) fn ask(
    question: &Question,
    counter: &str,
    id: &'static str,
    title: &'static str,
    queries: &mut Vec<Query>,
) -> Result<Option<Rates>, FleetError> {
    let Question { engine, terms, .. } = *question;
    if !engine.has("runs", counter) || !engine.has("runs", &terms.names.distance) {
        return Ok(None);
    }
    let (counter, distance) = (span::column(counter), span::column(&terms.names.distance));
    let recent = span::day_of(span::number_of(terms.today) - RECENT_DAYS as f64).unwrap_or(terms.from);
    let query = Query {
        id,
        title,
        sql: format!(
            "SELECT vehicle, SUM({counter}) AS counted, SUM(CASE WHEN {distance} > 0 THEN {distance} END) AS km,\n  \
             SUM(CASE WHEN service_day > DATE '{recent}' THEN {counter} END) AS recent,\n  \
             SUM(CASE WHEN service_day > DATE '{recent}' AND {distance} > 0 THEN {distance} END) AS recent_km\n\
             FROM runs\nWHERE {}\nGROUP BY vehicle\nORDER BY vehicle",
            span::days(terms)
        ),
    };
    let answer = engine.ask(&query)?;
    queries.push(query);
    let vehicles = answer.texts("vehicle")?;
    let (counts, km) = (answer.numbers("counted")?, answer.numbers("km")?);
    let (recent, recent_km) = (answer.numbers("recent")?, answer.numbers("recent_km")?);
    let sound = |value: Option<f64>| value.filter(|value| value.is_finite() && *value > 0.0).unwrap_or(0.0);
    let rows = vehicles.into_iter().enumerate().filter_map(|(row, vehicle)| {
        let count = sound(counts[row]) as u64;
        Some((vehicle?, count, sound(km[row]), sound(recent[row]) as u64, sound(recent_km[row])))
    });
    Ok(Some(reckon(rows.collect())))
}

/// Vehicle, count, km, and both of the recent months.
pub(crate) fn reckon(rows: Vec<(String, u64, f64, u64, f64)>) -> Rates {
    let counts: Vec<u64> = rows.iter().map(|row| row.1).collect();
    let exposures: Vec<f64> = rows.iter().map(|row| row.2 / PER_KM).collect();
    let total: u64 = counts.iter().sum();
    let driven: f64 = exposures.iter().sum();
    let fleet = if driven > 0.0 { total as f64 / driven } else { 0.0 };
    let fit = gamma_poisson::fit(&counts, &exposures);
    let rates = rows
        .into_iter()
        .map(|(vehicle, count, km, recent, recent_km)| {
            let posterior = fit.as_ref().filter(|_| km > 0.0).map(|fit| fit.posterior(count, km / PER_KM));
            let before = count.saturating_sub(recent);
            let before_km = km - recent_km;
            let expected = if before_km > 0.0 { before as f64 / before_km * recent_km } else { 0.0 };
            Rate {
                vehicle,
                count,
                km,
                recent: (recent, recent_km),
                mean: posterior.as_ref().map(Posterior::mean).filter(|mean| mean.is_finite()),
                interval: posterior.as_ref().map(|posterior| (posterior.quantile(0.05), posterior.quantile(0.95))),
                stands_out: posterior.as_ref().map_or(0.0, |posterior| above(posterior, STANDS_OUT * fleet)),
                rising: if expected > 0.0 { ratio_limits(recent, expected, 0.95) } else { None },
            }
        })
        .collect();
    Rates { rates, fleet, total }
}

/// Probability that a rate is above a value.
fn above(posterior: &Posterior, value: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..20 {
        let middle = f64::midpoint(low, high);
        if posterior.quantile(middle) < value {
            low = middle;
        } else {
            high = middle;
        }
    }
    1.0 - f64::midpoint(low, high)
}

impl Rates {
    /// The rates as a table.
    pub(crate) fn table(&self, id: &str, caption: &str, counted: &str, query: &'static str) -> Table {
        let columns = vec![
            column("vehicle", "", ""),
            column(counted, "1", ""),
            column("km", "km", ""),
            column("a 1000 km", "1", "Drawn towards the fleet's rate as far as data are thin."),
            column("90 % interval", "1", ""),
            column("stands out", "", "Probability that its rate is 1.5 times the fleet's or more."),
            column("recent", "1", "In the last 90 days."),
            column("recent over before", "1", "Exact 95 % limits of the ratio of rates: above 1, it gets worse."),
        ];
        let rows = self.rates.iter().map(|rate| {
            vec![
                Cell::Vehicle(rate.vehicle.clone()),
                Cell::Count(rate.count),
                Cell::number(rate.km, 0),
                Cell::maybe(rate.mean, 3, "none in the fleet"),
                rate.interval.map_or(Cell::Missing(""), |(low, high)| Cell::interval(low, high, 3)),
                Cell::share(rate.stands_out),
                Cell::Count(rate.recent.0),
                rate.rising.map_or(Cell::Missing("nothing before"), |(low, high)| Cell::interval(low, high, 2)),
            ]
        });
        table(id, caption, columns, rows.collect(), Some(query))
    }

    /// The highest rates on their intervals, with a vehicle among them.
    pub(crate) fn ladder(&self, id: &str, title: &str, strong: Option<&str>, table: Table) -> Option<Picture> {
        let mut all: Vec<Rung> = self
            .rates
            .iter()
            .filter_map(|rate| {
                let ((low, high), mid) = (rate.interval?, rate.mean?);
                (low.is_finite() && high.is_finite()).then(|| Rung {
                    label: rate.vehicle.clone(),
                    vehicle: Some(rate.vehicle.clone()),
                    low,
                    mid,
                    high,
                    strong: strong.map_or(rate.is_work(), |strong| strong == rate.vehicle),
                })
            })
            .collect();
        all.sort_by(|a, b| b.mid.total_cmp(&a.mid).then_with(|| a.label.cmp(&b.label)));
        let most = if strong.is_some() { 8 } else { 20 };
        let rows: Vec<Rung> =
            all.iter().enumerate().filter(|(at, r)| *at < most || r.strong).map(|(_, r)| r.clone()).collect();
        let first = rows.first()?;
        let says = format!(
            "Highest is {} with {} a 1000 km; the fleet has {}.",
            first.label,
            words::short(first.mid),
            words::short(self.fleet)
        );
        Some(Picture {
            id: id.to_owned(),
            title: title.to_owned(),
            says,
            drawn: Drawn::Ladder {
                axis: Axis { name: "a 1000 km".to_owned(), unit: "1".to_owned(), days: false },
                level: Some(Level { at: self.fleet, name: "the fleet".to_owned() }),
                rows,
            },
            table,
        })
    }

    /// A rate that stands out, in a sentence.
    pub(crate) fn sentence(&self, rate: &Rate, one: &str, many: &str) -> String {
        let rising = match rate.rising {
            Some((low, _)) if low > 1.0 => ", and the last 90 days are worse than those before",
            _ => "",
        };
        format!(
            "{} in {} km, {} a 1000 km where the fleet has {}{rising}; {} in the last {RECENT_DAYS} days.",
            words::count(rate.count, one, many),
            words::number(rate.km, 0),
            words::short(rate.mean.unwrap_or(0.0)),
            words::short(self.fleet),
            words::number(rate.recent.0 as f64, 0),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_that_has_many_stands_out_and_one_that_drove_little_does_not() {
        let mut rows: Vec<(String, u64, f64, u64, f64)> =
            (0..40).map(|n| (format!("{}", 201 + n), 2 + n % 3, 40_000.0, 1, 10_000.0)).collect();
        rows[5] = ("206".into(), 40, 40_000.0, 30, 10_000.0);
        rows[9] = ("210".into(), 1, 400.0, 1, 400.0);
        let rates = reckon(rows);
        assert!(rates.rates[5].is_work() && rates.rates[5].rising.unwrap().0 > 1.0, "{:?}", rates.rates[5]);
        assert_eq!(rates.rates.iter().filter(|rate| rate.is_work()).count(), 1);
        let said = rates.sentence(&rates.rates[5], "dropout", "dropouts");
        assert!(said.starts_with("40 dropouts in 40,000 km"), "{said}");
        let table = rates.table("t", "", "dropouts", "q");
        assert!(rates.ladder("l", "", Some("206"), table).is_some());
    }

    #[test]
    fn nobody_had_any_and_nobody_drove() {
        let rates = reckon(vec![("1".into(), 0, 100.0, 0, 10.0), ("2".into(), 0, 0.0, 0, 0.0)]);
        assert!(rates.rates.iter().all(|rate| !rate.is_work() && rate.mean.is_none()));
        assert_eq!((rates.fleet, rates.total), (0.0, 0));
        let one = reckon(vec![("1".into(), 7, 0.0, 0, 0.0)]);
        assert!(one.fleet == 0.0 && !one.rates[0].is_work());
        assert!(reckon(Vec::new()).rates.is_empty());
    }
}
