//! What to look at first: the lines of all studies, merged into one order.
//!
//! Expected losses of service a month by leaving it, times how sure it is. One line a vehicle and subject: where two
//! studies say the same, the reasons stand in one line. Ties are broken by kind, vehicle and subject, so that the same
//! findings give the same list.

use std::collections::BTreeMap;

use super::sheet::{WorkKind, WorkLine};

/// What words alone count for where there is no probability.
const WITHOUT_PROBABILITY: f64 = 0.8;

/// What a line counts for: the losses a month that leaving it would cost, times how sure it is.
pub fn score(line: &WorkLine) -> f64 {
    let weight = if line.weight.is_finite() { line.weight.max(0.0) } else { 0.0 };
    let sure = line.sure.probability.filter(|sure| sure.is_finite()).unwrap_or(WITHOUT_PROBABILITY);
    weight * sure.clamp(0.0, 1.0)
}

/// Merges and orders.
pub fn ordered(lines: Vec<WorkLine>) -> Vec<WorkLine> {
    let mut merged: BTreeMap<(Option<String>, WorkKind, String), WorkLine> = BTreeMap::new();
    for line in lines {
        match merged.entry((line.vehicle.clone(), line.kind, line.subject.clone())) {
            std::collections::btree_map::Entry::Vacant(place) => {
                place.insert(line);
            }
            std::collections::btree_map::Entry::Occupied(mut place) => {
                let known = place.get_mut();
                let joined = join(known, line);
                *known = joined;
            }
        }
    }
    let mut lines: Vec<WorkLine> = merged.into_values().collect();
    // The map's order is that of the ties; the sort is stable.
    lines.sort_by(|a, b| score(b).total_cmp(&score(a)).then(a.kind.cmp(&b.kind)));
    lines
}

/// Two lines of one subject: what counts for more leads, the other's reason follows. Their losses add up.
fn join(one: &WorkLine, other: WorkLine) -> WorkLine {
    let (first, second) = if score(&other) > score(one) { (other, one.clone()) } else { (one.clone(), other) };
    if first.reason == second.reason {
        return first;
    }
    let weight = |line: &WorkLine| if line.weight.is_finite() { line.weight.max(0.0) } else { 0.0 };
    WorkLine {
        reason: format!("{} {}", first.reason, second.reason),
        weight: weight(&first) + weight(&second),
        evidence: first.evidence.clone().or_else(|| second.evidence.clone()),
        caution: if first.caution.is_empty() { second.caution } else { first.caution },
        ..first
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::sheet::Sure;

    fn line(vehicle: Option<&str>, subject: &str, kind: WorkKind, weight: f64, probability: Option<f64>) -> WorkLine {
        WorkLine {
            vehicle: vehicle.map(str::to_owned),
            subject: subject.into(),
            kind,
            reason: format!("{subject} for {weight}."),
            sure: Sure { probability, words: String::new() },
            weight,
            evidence: None,
            more: (String::new(), String::new()),
            caution: "",
        }
    }

    #[test]
    fn losses_times_sureness_make_the_order() {
        let lines = ordered(vec![
            line(Some("7"), "a", WorkKind::Module, 1.0, Some(0.5)),
            line(Some("8"), "b", WorkKind::Battery, 0.6, Some(0.99)),
            line(None, "c", WorkKind::Overhead, f64::NAN, Some(1.0)),
            line(Some("9"), "d", WorkKind::Reading, 0.7, None),
        ]);
        let subjects: Vec<&str> = lines.iter().map(|line| line.subject.as_str()).collect();
        assert_eq!(subjects, ["b", "d", "a", "c"]);
    }

    #[test]
    fn one_line_a_vehicle_and_subject() {
        let lines = ordered(vec![
            line(Some("7"), "collectors", WorkKind::Collector, 0.2, Some(1.0)),
            line(Some("7"), "collectors", WorkKind::Collector, 0.5, Some(1.0)),
            line(Some("8"), "collectors", WorkKind::Collector, 0.5, Some(1.0)),
        ]);
        assert_eq!(lines.len(), 2);
        assert_eq!(lines[0].reason, "collectors for 0.5. collectors for 0.2.");
        assert!((lines[0].weight - 0.7).abs() < 1e-12);
    }

    #[test]
    fn ties_do_not_depend_on_the_order_of_the_studies() {
        let make = || {
            vec![
                line(Some("9"), "x", WorkKind::Module, 0.0, None),
                line(None, "y", WorkKind::Overhead, 0.0, None),
                line(Some("10"), "x", WorkKind::Module, 0.0, None),
                line(Some("10"), "z", WorkKind::Battery, 0.0, None),
            ]
        };
        let names = |lines: Vec<WorkLine>| lines.into_iter().map(|l| (l.vehicle, l.subject)).collect::<Vec<_>>();
        let mut reversed = make();
        reversed.reverse();
        assert_eq!(names(ordered(make())), names(ordered(reversed)));
    }
}
