//! What rows say together: twice the same, two at once, in two places at once, numbers that nobody has.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::columns::Layout;
use super::problem::{Book, Place, Spot, Wrong, shown};
use super::{Channel, Duty, Fitting, Reading, Vehicle};

/// Rows with their numbers.
pub(super) type Rows<T> = Vec<(u64, T)>;

/// Relief overlaps so long; the one before is taken to end where the next begins. Longer, and the later is left out.
const RELIEF_MIN_MAX: i64 = 30;
/// So far from its neighbours in time, as a factor, a reading is told: a decimal point stands in the wrong place.
const TIMES_NEIGHBOURS_MAX: f64 = 8.0;
/// Rows of one place in the order that are compared with each other.
const COMPARED_MAX: usize = 16;

/// Takes out rows that say what another says. `rows` are in an order that brings such rows near each other.
pub(super) fn once<T: PartialEq>(rows: Rows<T>, file: &'static str, book: &mut Book) -> Rows<T> {
    let mut kept: Rows<T> = Vec::with_capacity(rows.len());
    for (row, value) in rows {
        let near = &kept[kept.len().saturating_sub(COMPARED_MAX)..];
        match near.iter().find(|(_, other)| *other == value) {
            Some((first, _)) => {
                let what = format!("this row says what row {first} says");
                book.left_out(Spot::new(file, Place::Row(row)), Wrong::new("row twice", what, "take one of both out"));
            }
            None => kept.push((row, value)),
        }
    }
    kept
}

/// One row a vehicle.
pub(super) fn vehicles(mut rows: Rows<Vehicle>, layout: &Layout, book: &mut Book) -> Vec<Vehicle> {
    rows.sort_by(|(a, one), (b, other)| one.vehicle.cmp(&other.vehicle).then(a.cmp(b)));
    let mut kept: Rows<Vehicle> = Vec::new();
    for (row, vehicle) in rows {
        match kept.last().filter(|(_, last)| last.vehicle == vehicle.vehicle) {
            Some((first, _)) => {
                let what = format!("vehicle '{}' is in row {first} already", shown(&vehicle.vehicle));
                let spot = Spot::new(layout.file, Place::Row(row)).column("vehicle", &vehicle.vehicle);
                book.left_out(spot, Wrong::new("vehicle twice", what, "one row a vehicle; take one of both out"));
            }
            None => kept.push((row, vehicle)),
        }
    }
    kept.into_iter().map(|(_, vehicle)| vehicle).collect()
}

/// A part is in one vehicle at a time, and a place in a vehicle holds one part at a time.
pub(super) fn fittings(mut rows: Rows<Fitting>, what: &str, layout: &Layout, book: &mut Book) -> Vec<Fitting> {
    let place = |fitting: &Fitting| (fitting.vehicle.clone(), fitting.side.clone());
    rows.sort_by_cached_key(|(row, fitting)| (place(fitting), fitting.fitted, fitting.part.clone(), *row));
    let rows = once(rows, layout.file, book);
    let one_place = what == "pack";
    let mut rows = in_turn(rows, layout, book, |one, other| {
        // Without a side, two heads of a vehicle may be on different poles.
        let same = place(one) == place(other) && (one_place || !one.side.is_empty());
        same.then(|| {
            let side = if one.side.is_empty() { String::new() } else { format!(", {}", shown(&one.side)) };
            format!("vehicle {}{side}: {what} '{}'", shown(&one.vehicle), shown(&one.part))
        })
    });
    rows.sort_by_cached_key(|(row, fitting)| (fitting.part.clone(), fitting.fitted, *row));
    let mut rows = in_turn(rows, layout, book, |one, other| {
        (one.part == other.part)
            .then(|| format!("{what} '{}', which was in vehicle {}", shown(&one.part), shown(&one.vehicle)))
    });
    rows.sort_by_cached_key(|(row, fitting)| (place(fitting), fitting.fitted, *row));
    rows.into_iter().map(|(_, fitting)| fitting).collect()
}

/// Heads that inserts sit in, and that `heads.csv` does not have.
pub(super) fn heads_of_inserts(inserts: &[Fitting], heads: &[Fitting], layout: &Layout, book: &mut Book) {
    if heads.is_empty() {
        return;
    }
    let parts: BTreeSet<&str> = heads.iter().map(|head| head.part.as_str()).collect();
    let unknown: BTreeSet<&str> = inserts
        .iter()
        .map(|insert| insert.head.as_str())
        .filter(|head| !head.is_empty() && !parts.contains(head))
        .collect();
    for head in unknown {
        let what = format!("there are inserts in head '{}', which heads.csv does not have", shown(head));
        let spot = Spot::new(layout.file, Place::Whole).column("head", head);
        book.warn(spot, Wrong::new("head", what, "add it there, or correct the number"));
    }
}

/// Lets each end before the next begins that excludes it. Rows are sorted so that those that may exclude each other follow
/// one another; `excluded` names the earlier one where they do.
fn in_turn(
    rows: Rows<Fitting>,
    layout: &Layout,
    book: &mut Book,
    excluded: impl Fn(&Fitting, &Fitting) -> Option<String>,
) -> Rows<Fitting> {
    let mut kept: Rows<Fitting> = Vec::with_capacity(rows.len());
    for (row, next) in rows {
        if let Some((first, last)) = kept.last_mut()
            && let Some(name) = excluded(last, &next)
        {
            match last.removed {
                Some(removed) if removed <= next.fitted => {}
                None if last.fitted < next.fitted => {
                    let what = format!("{name} has no day of removal, and row {row} follows on {}", next.fitted);
                    let spot = Spot::new(layout.file, Place::Row(*first)).column("removed", "");
                    let remedy = "it is taken as removed on that day; write the day in";
                    book.warn(spot, Wrong::new("no day of removal", what, remedy));
                    last.removed = Some(next.fitted);
                }
                removed => {
                    let until = removed.map_or_else(String::new, |removed| format!(" until {removed}"));
                    let what = format!(
                        "two at once: {name} has been there since {}{until} by row {first}, and '{}' was fitted in vehicle {} on {}",
                        last.fitted,
                        shown(&next.part),
                        shown(&next.vehicle),
                        next.fitted
                    );
                    let spot = Spot::new(layout.file, Place::Row(row)).column("fitted", &next.fitted.to_string());
                    book.left_out(spot, Wrong::new("two at once", what, "see the days and numbers of both rows"));
                    continue;
                }
            }
        }
        kept.push((row, next));
    }
    kept
}

/// Readings in order, each once; those that stand out among their neighbours are told.
pub(super) fn readings(mut rows: Rows<Reading>, layout: &Layout, book: &mut Book) -> Vec<Reading> {
    rows.sort_by(|(a, one), (b, other)| {
        let key = |reading: &Reading| (reading.day, reading.value);
        (&one.vehicle, &one.channel)
            .cmp(&(&other.vehicle, &other.channel))
            .then(key(one).0.cmp(&key(other).0))
            .then(key(one).1.total_cmp(&key(other).1))
            .then(a.cmp(b))
    });
    let rows = once(rows, layout.file, book);
    for series in rows.chunk_by(|(_, one), (_, other)| (&one.vehicle, &one.channel) == (&other.vehicle, &other.channel))
    {
        for (at, (row, reading)) in series.iter().enumerate() {
            let around = series[at.saturating_sub(2)..at].iter().chain(series.iter().skip(at + 1).take(2));
            let mut values: Vec<f64> = around.map(|(_, other)| other.value).collect();
            values.sort_by(f64::total_cmp);
            let (Some(low), Some(high)) = (values.first(), values.last()) else { continue };
            // Neighbours that disagree among themselves say nothing.
            if values.len() < 3 || *low <= 0.0 || high / low > 2.0 || reading.value <= 0.0 {
                continue;
            }
            let middle = values[values.len() / 2];
            let times = reading.value / middle;
            if !(1.0 / TIMES_NEIGHBOURS_MAX..=TIMES_NEIGHBOURS_MAX).contains(&times) {
                let what =
                    format!("{} is far off the readings before and behind, which are about {middle}", reading.value);
                let spot = Spot::new(layout.file, Place::Row(*row)).column("value", &reading.value.to_string());
                book.warn(
                    spot,
                    Wrong::new("far off", what, "see where the decimal point belongs; it is used as it is"),
                );
            }
        }
    }
    rows.into_iter().map(|(_, reading)| reading).collect()
}

/// Readings of channels that a vehicle of this kind does not have.
pub(super) fn kinds(
    readings: &[Reading],
    channels: &[Channel],
    vehicles: &[Vehicle],
    layout: &Layout,
    book: &mut Book,
) {
    let kind: HashMap<&str, &str> = vehicles.iter().map(|v| (v.vehicle.as_str(), v.kind.as_str())).collect();
    let by_name: HashMap<&str, &Channel> = channels.iter().map(|channel| (channel.name.as_str(), channel)).collect();
    let mut told: BTreeMap<(&str, &str), u64> = BTreeMap::new();
    for reading in readings {
        let channel = by_name.get(reading.channel.as_str());
        if let (Some(channel), Some(kind)) = (channel, kind.get(reading.vehicle.as_str()))
            && !channel.is_of(kind)
            && !kind.is_empty()
        {
            *told.entry((&channel.name, kind)).or_default() += 1;
        }
    }
    for ((channel, kind), count) in told {
        let what = format!(
            "{count} readings of channel '{}' are of vehicles of the kind '{}', which do not have it by limits.toml",
            shown(channel),
            shown(kind)
        );
        let remedy = "add the kind to `kinds` in limits.toml, or see which vehicles were meant";
        book.warn(Spot::new(layout.file, Place::Whole), Wrong::new("kind", what, remedy));
    }
}

/// Duties in order, one vehicle's one after the other.
pub(super) fn duties(mut rows: Rows<Duty>, layout: &Layout, book: &mut Book) -> Vec<Duty> {
    rows.sort_by(|(a, one), (b, other)| {
        (&one.vehicle, one.from, one.to).cmp(&(&other.vehicle, other.from, other.to)).then(a.cmp(b))
    });
    let rows = once(rows, layout.file, book);
    let mut kept: Rows<Duty> = Vec::with_capacity(rows.len());
    for (row, next) in rows {
        if let Some((first, last)) = kept.last_mut()
            && last.vehicle == next.vehicle
            && last.to > next.from
        {
            let over = last.to.duration_since(next.from).as_mins();
            let place = Spot::new(layout.file, Place::Row(row)).column("from", &next.from.to_string());
            let vehicle = shown(&next.vehicle);
            if over <= RELIEF_MIN_MAX && last.from < next.from && last.to <= next.to {
                let what = format!("duties of vehicle {vehicle} overlap by {over} min with row {first}");
                book.warn(place, Wrong::new("relief", what, "the one before is taken to end where this one begins"));
                last.to = next.from;
            } else {
                let what = format!("vehicle {vehicle} is on another duty until {}, by row {first}", last.to);
                book.left_out(place, Wrong::new("overlap", what, "see the times of both, and the vehicle"));
                continue;
            }
        }
        kept.push((row, next));
    }
    operators(&kept, layout, book);
    kept.into_iter().map(|(_, duty)| duty).collect()
}

/// Operators are pseudonyms, and in one vehicle at a time. Nothing here repeats what may be a person's name.
fn operators(rows: &Rows<Duty>, layout: &Layout, book: &mut Book) {
    let mut named: Vec<(u64, &str)> = rows
        .iter()
        .filter(|(_, duty)| looks_like_a_name(&duty.operator))
        .map(|(row, duty)| (*row, duty.operator.as_str()))
        .collect();
    named.sort_unstable_by_key(|(row, _)| *row);
    if let Some((row, _)) = named.first() {
        let mut names: Vec<&str> = named.iter().map(|(_, name)| *name).collect();
        names.sort_unstable();
        names.dedup();
        let what = format!("{} of the operators look like people's names, here for the first time", names.len());
        let remedy = "write pseudonyms, such as op-17, and keep the list of who is who elsewhere";
        let spot = Spot::new(layout.file, Place::Row(*row)).column("operator", "");
        book.warn(spot, Wrong::new("name", what, remedy));
    }
    let mut by_operator: Vec<&(u64, Duty)> = rows.iter().filter(|(_, duty)| !duty.operator.is_empty()).collect();
    by_operator.sort_by_key(|(row, duty)| (&duty.operator, duty.from, *row));
    for pair in by_operator.windows(2) {
        let [(first, one), (row, other)] = pair else { continue };
        if one.operator == other.operator && one.vehicle != other.vehicle && other.from < one.to {
            let what = format!("the same operator is in another vehicle at that time, by row {first}");
            let spot = Spot::new(layout.file, Place::Row(*row)).column("operator", "");
            book.warn(
                spot,
                Wrong::new("operator twice", what, "see the times of both rows; they are used as they are"),
            );
        }
    }
}

/// No digit in it, and words, initials, or letters with a capital.
fn looks_like_a_name(text: &str) -> bool {
    let letters = text.chars().filter(|c| c.is_alphabetic()).count();
    if letters < 2 || text.contains(|c: char| c.is_numeric()) {
        return false;
    }
    text.contains([' ', ',', '.', '\u{a0}']) || text.contains(char::is_uppercase)
}

/// Tells fleet numbers that `vehicles.csv` does not have, each once a file, and which may be meant.
pub(super) fn known<'a>(
    vehicles: &[Vehicle],
    rows: impl Iterator<Item = (u64, &'a str)>,
    layout: &Layout,
    book: &mut Book,
) {
    if vehicles.is_empty() {
        return;
    }
    let numbers: HashMap<&str, ()> = vehicles.iter().map(|v| (v.vehicle.as_str(), ())).collect();
    let mut unknown: BTreeMap<&str, (u64, u64)> = BTreeMap::new();
    for (row, vehicle) in rows {
        if !numbers.contains_key(vehicle) {
            let (first, count) = unknown.entry(vehicle).or_insert((row, 0));
            *first = row.min(*first);
            *count += 1;
        }
    }
    for (vehicle, (row, count)) in unknown {
        let bare = bare(vehicle);
        let meant = vehicles.iter().find(|known| self::bare(&known.vehicle) == bare && !bare.is_empty());
        let remedy = match meant {
            Some(known) => format!(
                "perhaps '{}' is meant: spreadsheets change such numbers unless the column is text",
                shown(&known.vehicle)
            ),
            None => "add it there, or correct the number".into(),
        };
        let what = format!("vehicle '{}' is not in vehicles.csv; {count} rows here are of it", shown(vehicle));
        let spot = Spot::new(layout.file, Place::Row(row)).column("vehicle", vehicle);
        book.warn(spot, Wrong::new("vehicle", what, remedy));
    }
}

/// A fleet number without what spreadsheets and hands change: zeros in front, `.0` behind, blanks, case.
fn bare(number: &str) -> String {
    let number = number.trim_end_matches(".0").trim_end_matches(",0");
    let plain: String = number.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect();
    plain.trim_start_matches('0').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_told_from_pseudonyms() {
        for name in ["Ada Byron", "ada byron", "Byron, Ada", "A. Byron", "Byron", "Müller", "O'Neill", "AB"] {
            assert!(looks_like_a_name(name), "{name}");
        }
        for pseudonym in ["op-17", "17", "", "a", "X", "wren", "Operator 17", "b4f1", "WREN-2"] {
            assert!(!looks_like_a_name(pseudonym), "{pseudonym}");
        }
    }
}
