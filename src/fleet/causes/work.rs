//! What to look at because of pole-offs: lines of the worklist.

use super::Study;
use super::found::{Against, Cause, PlaceFinding, RECENT_DAYS, VehicleFinding};
use super::told;
use crate::fleet::sheet::{Drawn, Picture, Sure, WorkKind, WorkLine};
use crate::fleet::stats::exact::poisson_limits;
use crate::fleet::{shown, words};

/// Of a month, for losses a month.
const MONTH_DAYS: f64 = 30.4;
/// So sure must it be that a vehicle loses its poles more often than others.
const VEHICLE_SURE: f64 = 0.95;
/// And so much more often.
const VEHICLE_FACTOR: f64 = 1.3;
/// On a roof under wires.
const CAUTION_ROOF: &str = "Work on the roof only after isolating and earthing by the agency's own procedure.";
const CAUTION_WIRE: &str =
    "The overhead is live. Looking from the ground comes first; work on it is for the line crew.";

pub(super) fn lines(study: &Study) -> Vec<WorkLine> {
    let places = study.findings.places.iter().filter_map(|place| place_line(place, study));
    places.chain(study.findings.vehicles.iter().filter_map(|vehicle| vehicle_line(vehicle, study))).collect()
}

/// Losses a month beyond what is usual, by what the last months saw.
fn excess_a_month(recent: u64, expected: f64, days: f64) -> f64 {
    let recent_days = RECENT_DAYS.min(days).max(1.0);
    let usual = expected / days.max(1.0) * recent_days;
    (recent as f64 - usual).max(0.0) / recent_days * MONTH_DAYS
}

/// Whether the last months, too, saw more than is usual: the lower limit (one-sided, 90 %) of their count is above it.
fn goes_on(against: &Against, days: f64) -> bool {
    let usual = against.expected / days.max(1.0) * RECENT_DAYS.min(days);
    against.recent > 0 && poisson_limits(against.recent, 0.8).0 > usual
}

fn place_line(place: &PlaceFinding, study: &Study) -> Option<WorkLine> {
    let (cause, sure) = place.verdict.as_ref()?;
    let weight = excess_a_month(place.against.recent, place.against.expected, study.days);
    let (kind, vehicle, subject, caution) = match cause {
        Cause::Overhead | Cause::OverheadAndVehicle(_) => {
            (WorkKind::Overhead, None, format!("overhead at {}", place.place.name), CAUTION_WIRE)
        }
        Cause::Vehicle(vehicle) => (
            WorkKind::Collector,
            Some(vehicle.clone()),
            format!("collectors, as at {}", place.place.name),
            CAUTION_ROOF,
        ),
        // Nobody goes out for what cannot be told, nor for how somebody drives.
        Cause::Ordinary | Cause::Untold | Cause::Driving => return None,
    };
    // What has ceased is history, and no work.
    if !goes_on(&place.against, study.days) {
        return None;
    }
    let recent = words::count(place.against.recent, "was", "were");
    let reason = told::sentence(place, study);
    let reason = format!("{} {recent} in the last {RECENT_DAYS:.0} days.", reason.trim_end());
    let evidence = Picture {
        id: format!("causes-{}", place.place.id),
        title: format!("Pole-offs at {}", place.place.name),
        says: told::sentence(place, study),
        drawn: Drawn::Map {
            ways: study.ways.clone(),
            spots: told::spots(study, |other| other.place.id == place.place.id),
        },
        table: shown::table(
            &format!("causes-{}", place.place.id),
            "By vehicle",
            vec![shown::column("vehicle", "", ""), shown::column("pole-offs", "1", "")],
            place
                .vehicles
                .iter()
                .map(|(vehicle, count)| {
                    vec![crate::fleet::sheet::Cell::Vehicle(vehicle.clone()), crate::fleet::sheet::Cell::Count(*count)]
                })
                .collect(),
            Some("pole-offs"),
        ),
    };
    Some(WorkLine {
        vehicle,
        subject,
        kind,
        reason,
        sure: Sure {
            probability: Some(*sure),
            words: format!("{} sure that it is {}", words::percent(*sure), told::cause_word(cause)),
        },
        weight,
        evidence: Some(evidence),
        more: ("causes".to_owned(), "clusters".to_owned()),
        caution,
    })
}

fn vehicle_line(found: &VehicleFinding, study: &Study) -> Option<WorkLine> {
    let against = &found.against;
    let (factor, above) = (against.factor?, against.above?);
    let (low, _) = against.limits?;
    if low <= 1.0 || above < VEHICLE_SURE || factor.value < VEHICLE_FACTOR || !goes_on(against, study.days) {
        return None;
    }
    let (left, right) = found.sides;
    let (one, other, side) = if left >= right { (left, right, "left") } else { (right, left, "right") };
    // More on one side than a coin would give once in twenty.
    let sided = one >= 5 && one as f64 - other as f64 > 2.0 * ((one + other) as f64).sqrt();
    let subject = if sided { format!("collector, {side}") } else { "collectors".to_owned() };
    let aside = if sided {
        format!("; the {side} one alone was off the wire in {one} of {}", one + other)
    } else {
        String::new()
    };
    let spread = words::count(found.places.len() as u64, "place", "places");
    let reason = format!(
        "{} at {spread} where {} were to be expected{}{aside}.",
        words::count(against.observed, "pole-off", "pole-offs"),
        words::short(against.expected),
        told::limits_words(against),
    );
    let table = shown::table(
        &format!("causes-{}", found.vehicle),
        "Where",
        vec![shown::column("place", "", ""), shown::column("pole-offs", "1", "")],
        found
            .places
            .iter()
            .map(|(place, count)| {
                vec![crate::fleet::sheet::Cell::Text(place.clone()), crate::fleet::sheet::Cell::Count(*count)]
            })
            .collect(),
        Some("pole-offs"),
    );
    let evidence = told::ladder(told::beside(study, &found.vehicle).into_iter(), Some(&found.vehicle), &table);
    Some(WorkLine {
        vehicle: Some(found.vehicle.clone()),
        subject,
        kind: WorkKind::Collector,
        reason,
        sure: Sure {
            probability: Some(above),
            words: format!("{} sure to lose its poles more often than the fleet does there", words::percent(above)),
        },
        weight: excess_a_month(against.recent, against.expected, study.days),
        evidence,
        more: ("causes".to_owned(), "vehicles".to_owned()),
        caution: CAUTION_ROOF,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_leaving_it_costs_is_what_the_last_months_saw_beyond_the_usual() {
        assert!((excess_a_month(9, 0.0, 365.0) - 9.0 / 90.0 * 30.4).abs() < 1e-9);
        assert_eq!(excess_a_month(1, 365.0, 365.0), 0.0);
        assert!((excess_a_month(3, 0.0, 10.0) - 9.12).abs() < 1e-9, "ten days are all there is");
        assert!(excess_a_month(0, 0.0, 0.0).is_finite());
    }
}
