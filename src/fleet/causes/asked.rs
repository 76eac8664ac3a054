//! What the causes of pole-offs are reckoned from: events by SQL, each with its operator by the duties.

use std::collections::HashMap;

use jiff::Timestamp;
use jiff::civil::DateTime;

use super::found::Seen;
use crate::fleet::places::usable;
use crate::fleet::sheet::Query;
use crate::fleet::{FleetError, Question, span};
use crate::records::Duty;

/// A place is reckoned from what was located before and after only if so little time lies between. Unit: µs.
const BETWEEN_MOST_US: f64 = 60e6;
/// And so little way. Unit: m.
const BETWEEN_MOST_M: f64 = 150.0;

/// Pole-offs, and how they were asked for.
#[derive(Debug, Default)]
pub struct Asked {
    /// In order of vehicle and time.
    pub seen: Vec<Seen>,
    /// How they were asked for.
    pub queries: Vec<Query>,
    /// Pole-offs that runs counted; more than there are events where some were left out.
    pub counted: u64,
}

/// Asks for all pole-offs.
///
/// # Errors
/// The engine cannot answer.
pub fn ask(question: &Question) -> Result<Asked, FleetError> {
    let Question { engine, records, terms } = *question;
    let mut asked = Asked::default();
    let name = &terms.names.pole_offs;
    let days = span::days(terms);
    let contact = |side: &str| format!("poles.{side}_contact");
    let has_contact = engine.has("events", &contact("left")) && engine.has("events", &contact("right"));
    let contacts = if has_contact {
        format!(
            ",\n  {} AS left_contact, {} AS right_contact",
            span::column(&contact("left")),
            span::column(&contact("right"))
        )
    } else {
        String::new()
    };
    let query = Query {
        id: "pole-offs",
        title: "Every pole-off: who, when, where",
        sql: format!(
            "SELECT vehicle, time, service_day, run_start, latitude, longitude{contacts}\nFROM events\n\
             WHERE {days} AND counter = {}\nORDER BY vehicle, time",
            span::text(name)
        ),
    };
    let answer = engine.ask(&query)?;
    let vehicles = answer.texts("vehicle")?;
    let (times, service_days) = (answer.numbers("time")?, answer.numbers("service_day")?);
    let (latitudes, longitudes) = (answer.numbers("latitude")?, answer.numbers("longitude")?);
    let none = || vec![None; vehicles.len()];
    let (left, right) = if has_contact {
        (answer.numbers("left_contact")?, answer.numbers("right_contact")?)
    } else {
        (none(), none())
    };
    let clerk = Clerk::new(&records.duties);
    let mut missing = Vec::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let (Some(vehicle), Some(day)) = (vehicle, service_days[row].and_then(span::day_of)) else { continue };
        let at = latitudes[row].zip(longitudes[row]).filter(|&at| usable(at));
        let operator =
            terms.operators.then(|| times[row].and_then(|at| clerk.operator(&vehicle, local(at, question)?)));
        if let (None, Some(time)) = (at, times[row]) {
            missing.push((asked.seen.len(), time));
        }
        let lost = |contact: Option<f64>| contact.map(|contact| contact == 0.0);
        asked.seen.push(Seen {
            vehicle,
            operator: operator.flatten(),
            day,
            at,
            between: false,
            lost: (lost(left[row]), lost(right[row])),
        });
    }
    asked.queries.push(query);
    if !missing.is_empty() && missing.len() < asked.seen.len() {
        place_between(question, &mut asked, &missing, &days)?;
    }
    asked.counted = asked.seen.len() as u64;
    if engine.has("runs", name) {
        let counter = span::column(name);
        let query = Query {
            id: "pole-offs-counted",
            title: "Pole-offs that runs counted",
            sql: format!("SELECT SUM({counter}) AS counted\nFROM runs\nWHERE {days}"),
        };
        if let Some(Some(counted)) = engine.ask(&query)?.numbers("counted")?.first() {
            asked.counted = counted.max(0.0) as u64;
        }
        asked.queries.push(query);
    }
    Ok(asked)
}

fn local(time_us: f64, question: &Question) -> Option<DateTime> {
    Some(question.terms.zone.to_datetime(Timestamp::from_microsecond(time_us as i64).ok()?))
}

/// Places pole-offs without a position between the events that were located before and after in the same run, by time.
/// Only where these are so near to each other that the place follows.
fn place_between(
    question: &Question,
    asked: &mut Asked,
    missing: &[(usize, f64)],
    days: &str,
) -> Result<(), FleetError> {
    let name = span::text(&question.terms.names.pole_offs);
    let query = Query {
        id: "pole-offs-between",
        title: "Located events within a minute of pole-offs that have no position, in the same run",
        sql: format!(
            "SELECT p.vehicle AS vehicle, p.time AS time, b.time AS beside, b.latitude AS latitude, b.longitude AS longitude\n\
             FROM (SELECT vehicle, time, run_start FROM events WHERE {days} AND counter = {name} AND latitude IS NULL) p\n\
             JOIN (SELECT vehicle, time, run_start, latitude, longitude FROM events\n  \
             WHERE {days} AND latitude IS NOT NULL) b\n\
             ON p.vehicle = b.vehicle AND p.run_start = b.run_start\n  \
             AND b.time BETWEEN p.time - INTERVAL '1 minute' AND p.time + INTERVAL '1 minute'\n\
             ORDER BY vehicle, time, beside"
        ),
    };
    let answer = question.engine.ask(&query)?;
    asked.queries.push(query);
    let vehicles = answer.texts("vehicle")?;
    let (times, besides) = (answer.numbers("time")?, answer.numbers("beside")?);
    let (latitudes, longitudes) = (answer.numbers("latitude")?, answer.numbers("longitude")?);
    // By vehicle and time: how far off in time another event is, and where it was.
    type Beside = Vec<(f64, (f64, f64))>;
    let mut located: HashMap<(String, i64), Beside> = HashMap::new();
    for (row, vehicle) in vehicles.into_iter().enumerate() {
        let (Some(vehicle), Some(time), Some(beside)) = (vehicle, times[row], besides[row]) else { continue };
        if let Some(at) = latitudes[row].zip(longitudes[row]).filter(|&at| usable(at)) {
            located.entry((vehicle, time as i64)).or_default().push((beside - time, at));
        }
    }
    for &(index, time) in missing {
        let seen = &mut asked.seen[index];
        if let Some(at) = located.get(&(seen.vehicle.clone(), time as i64)).and_then(|around| between(around)) {
            seen.at = Some(at);
            seen.between = true;
        }
    }
    Ok(())
}

/// The place at time 0 from places at other times: between the last before and the first after.
fn between(around: &[(f64, (f64, f64))]) -> Option<(f64, f64)> {
    let before = around.iter().filter(|(time, _)| *time <= 0.0).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let after = around.iter().filter(|(time, _)| *time >= 0.0).min_by(|a, b| a.0.total_cmp(&b.0))?;
    let apart_us = after.0 - before.0;
    if apart_us > BETWEEN_MOST_US || crate::fleet::stats::geodesy::metres(before.1, after.1) > BETWEEN_MOST_M {
        return None;
    }
    let share = if apart_us > 0.0 { -before.0 / apart_us } else { 0.0 };
    let part = |before: f64, after: f64| before + share * (after - before);
    Some((part(before.1.0, after.1.0), part(before.1.1, after.1.1)))
}

/// Knows who drove a vehicle at a time.
struct Clerk<'a> {
    duties: HashMap<&'a str, Vec<&'a Duty>>,
}

impl<'a> Clerk<'a> {
    fn new(duties: &'a [Duty]) -> Self {
        let mut by_vehicle: HashMap<&str, Vec<&Duty>> = HashMap::new();
        for duty in duties {
            by_vehicle.entry(&duty.vehicle).or_default().push(duty);
        }
        by_vehicle.values_mut().for_each(|duties| duties.sort_by_key(|duty| duty.from));
        Self { duties: by_vehicle }
    }

    /// The operator of the duty that began last before, if it was not over.
    fn operator(&self, vehicle: &str, at: DateTime) -> Option<String> {
        let duties = self.duties.get(vehicle)?;
        let next = duties.partition_point(|duty| duty.from <= at);
        let duty = duties[..next].last()?;
        (at < duty.to && !duty.operator.is_empty()).then(|| duty.operator.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_reckoned_only_between_near_neighbours() {
        let near = [(-4e6, (44.3, 13.9)), (4e6, (44.3008, 13.9)), (30e6, (44.31, 13.9))];
        let at = between(&near).unwrap();
        assert!((at.0 - 44.3004).abs() < 1e-9 && at.1 == 13.9);
        assert_eq!(between(&near[..1]), None, "nothing after");
        assert_eq!(between(&[near[0], near[2]]), None, "a kilometre apart");
        assert_eq!(between(&[]), None);
        assert_eq!(between(&[(0.0, (44.3, 13.9))]), Some((44.3, 13.9)));
    }

    #[test]
    fn the_clerk_knows_who_drove() {
        let at = |text: &str| text.parse::<DateTime>().unwrap();
        let duty = |from: &str, to: &str, operator: &str| Duty {
            vehicle: "7".into(),
            from: at(from),
            to: at(to),
            operator: operator.into(),
            line: "1".into(),
            more: Default::default(),
        };
        let duties =
            [duty("2026-03-01T12:00", "2026-03-01T18:00", "b"), duty("2026-03-01T05:00", "2026-03-01T11:30", "a")];
        let clerk = Clerk::new(&duties);
        assert_eq!(clerk.operator("7", at("2026-03-01T05:00")).as_deref(), Some("a"));
        assert_eq!(clerk.operator("7", at("2026-03-01T11:45")), None, "nobody");
        assert_eq!(clerk.operator("7", at("2026-03-01T12:30")).as_deref(), Some("b"));
        assert_eq!(clerk.operator("8", at("2026-03-01T12:30")), None);
    }
}
