//! Inspection sheets: which readings by hand are due, vehicle by vehicle, to be printed and taken along.
//!
//! Records in, what is due by the day of the terms out. Knows nothing of the store: where a reading goes is another
//! question's. Counted, not estimated.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Span;
use jiff::civil::Date;

use super::sheet::{Cell, Column, Section, Sheet, Sure, Table, WorkKind, WorkLine};
use super::{FleetError, Question};
use crate::records::{Channel, Reading, Records};

/// Id of the sheet.
pub const SHEET: &str = "due";
/// What comes due within so many days is taken along, where the vehicle is looked at anyway.
const SOON_DAYS: i32 = 14;
/// Beyond the usual ones.
const CAUTION: &str = "Readings are taken inside of cabinets and on roofs: isolate by the agency's procedure, and prove \
    that filter capacitors are discharged before anything is touched. This sheet does not say that they are.";
/// On each printed page.
const CAUTIONS: [&str; 3] = [
    "Overhead lines, roofs and filter capacitors kill. Before a roof is climbed or a cabinet opened, follow the agency's \
     isolation procedure, local codes and licensed practice. Capacitors hold their charge after isolation; only a \
     measurement by that procedure tells that they are discharged.",
    "Nothing on this sheet says that equipment is safe, isolated or discharged.",
    "Never look into an optical fibre, or into the socket of one.",
];

/// What is due.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// By this day.
    pub today: Date,
    /// Vehicles with something due; what is longest due first.
    pub vehicles: Vec<VehicleDue>,
    /// Vehicles that were looked at.
    pub looked_at: usize,
    /// Channels that are read at intervals.
    pub channels: usize,
    /// Vehicles whose kind is not known, so that channels of some kinds cannot be theirs.
    pub without_kind: usize,
}

/// A vehicle with something due.
#[derive(Debug, Clone)]
pub struct VehicleDue {
    /// Fleet number.
    pub vehicle: String,
    /// Where it is parked.
    pub yard: String,
    /// What is due, longest first; then what comes due soon.
    pub readings: Vec<DueReading>,
}

/// A reading that is due, or soon will be.
#[derive(Debug, Clone)]
pub struct DueReading {
    /// What is to be measured.
    pub channel: Channel,
    /// When it was measured last, and what was read.
    pub last: Option<(Date, f64)>,
    /// Since when it is due; none where it was never measured, and the vehicle's first day is not known.
    pub since: Option<Date>,
    /// Days that it is over; below zero where it is still to come. 0 where it is not known.
    pub days_over: i32,
}

impl DueReading {
    fn is_due(&self) -> bool {
        self.days_over >= 0
    }
}

impl VehicleDue {
    fn due(&self) -> impl Iterator<Item = &DueReading> {
        self.readings.iter().filter(|reading| reading.is_due())
    }

    /// Days that the longest is over.
    fn days_over(&self) -> i32 {
        self.due().map(|reading| reading.days_over).max().unwrap_or(0)
    }

    fn never(&self) -> usize {
        self.due().filter(|reading| reading.last.is_none()).count()
    }

    /// Letters and digits stand for themselves, so that no two vehicles have one id.
    fn section_id(&self) -> String {
        let mut id = String::from("vehicle-");
        for letter in self.vehicle.chars() {
            if letter.is_ascii_alphanumeric() {
                id.push(letter);
            } else {
                id += &format!("-{:x}", u32::from(letter));
            }
        }
        id
    }
}

/// What is due by the day of the terms.
///
/// # Errors
/// None: it asks nothing of the store.
pub fn study(question: &Question<'_>) -> Result<Study, FleetError> {
    Ok(Study::of(question.records, question.terms.today))
}

impl Study {
    /// What is due by a day. Vehicles are those of the books that are in service then; without books, those of the
    /// readings. Readings after the day are not looked at.
    pub fn of(records: &Records, today: Date) -> Self {
        let channels: Vec<&Channel> = records.channels.iter().filter(|channel| channel.every_days.is_some()).collect();
        let mut last: BTreeMap<(&str, &str), &Reading> = BTreeMap::new();
        for reading in records.readings.iter().filter(|reading| reading.day <= today) {
            let newest = last.entry((&reading.vehicle, &reading.channel)).or_insert(reading);
            if reading.day >= newest.day {
                *newest = reading;
            }
        }
        let in_service = |from: Option<Date>, to: Option<Date>| {
            from.is_none_or(|from| from <= today) && to.is_none_or(|to| today <= to)
        };
        let mut vehicles: Vec<(&str, &str, &str, Option<Date>)> = records
            .vehicles
            .iter()
            .filter(|v| in_service(v.from, v.to))
            .map(|v| (v.vehicle.as_str(), v.kind.as_str(), v.yard.as_str(), v.from))
            .collect();
        if records.vehicles.is_empty() {
            let numbers: BTreeSet<&str> = last.keys().map(|(vehicle, _)| *vehicle).collect();
            vehicles.extend(numbers.into_iter().map(|vehicle| (vehicle, "", "", None)));
        }
        let of_kinds = channels.iter().any(|channel| !channel.kinds.is_empty());
        let mut study = Self {
            today,
            looked_at: vehicles.len(),
            channels: channels.len(),
            without_kind: vehicles.iter().filter(|(_, kind, ..)| of_kinds && kind.is_empty()).count(),
            vehicles: Vec::new(),
        };
        for (vehicle, kind, yard, from) in vehicles {
            let mut readings: Vec<DueReading> = channels
                .iter()
                .filter(|channel| channel.is_of(kind))
                .filter_map(|channel| due(channel, last.get(&(vehicle, channel.name.as_str())).copied(), from, today))
                .collect();
            if !readings.iter().any(DueReading::is_due) {
                continue;
            }
            readings.sort_by(|a, b| b.days_over.cmp(&a.days_over).then_with(|| a.channel.name.cmp(&b.channel.name)));
            study.vehicles.push(VehicleDue { vehicle: vehicle.to_owned(), yard: yard.to_owned(), readings });
        }
        study.vehicles.sort_by(|a, b| b.days_over().cmp(&a.days_over()).then_with(|| a.vehicle.cmp(&b.vehicle)));
        study
    }

    /// The sheet: what is due at a glance, then a page a vehicle, with boxes to write into.
    pub fn sheet(&self) -> Sheet {
        let count: usize = self.vehicles.iter().map(|vehicle| vehicle.due().count()).sum();
        let mut lead = Vec::new();
        if self.channels == 0 {
            lead.push(
                "No channel in limits.toml says how often it is measured (`every_days`), so nothing can be due.".into(),
            );
        } else if count == 0 {
            lead.push(format!("Nothing is due by {}: {} vehicles were looked at.", self.today, self.looked_at));
        } else {
            lead.push(format!(
                "By {}, {} due on {} of {} vehicles. Each vehicle has a page to be printed and taken along.",
                self.today,
                counted(count, "reading is", "readings are"),
                self.vehicles.len(),
                self.looked_at
            ));
        }
        if self.without_kind > 0 {
            lead.push(format!(
                "{} no kind in vehicles.csv: channels that only some kinds have are not asked for there.",
                counted(self.without_kind, "vehicle has", "vehicles have")
            ));
        }
        lead.push("Counted from readings.csv, limits.toml and vehicles.csv; nothing here is estimated.".into());
        let mut sections = Vec::new();
        if !self.vehicles.is_empty() {
            sections.push(self.overview());
            sections.extend(self.vehicles.iter().map(page));
        }
        Sheet { id: SHEET.into(), title: "Readings that are due".into(), lead, sections, queries: Vec::new() }
    }

    fn overview(&self) -> Section {
        let column =
            |name: &str, unit: &str, about: &str| Column { name: name.into(), unit: unit.into(), about: about.into() };
        let rows = self.vehicles.iter().map(|vehicle| {
            let due = vehicle.due().count();
            let soon = vehicle.readings.len() - due;
            vec![
                Cell::Vehicle(vehicle.vehicle.clone()),
                if vehicle.yard.is_empty() { Cell::Missing("") } else { Cell::Text(vehicle.yard.clone()) },
                Cell::Count(due as u64),
                Cell::Count(vehicle.never() as u64),
                Cell::number(f64::from(vehicle.days_over()), 0),
                Cell::Count(soon as u64),
            ]
        });
        let table = Table {
            id: "vehicles".into(),
            caption: format!("Vehicles with readings due by {}", self.today),
            columns: vec![
                column("vehicle", "", ""),
                column("yard", "", ""),
                column("due", "", "readings"),
                column("never taken", "", "of those that are due"),
                column("longest due", "d", "days since the longest came due"),
                column(
                    "soon",
                    "",
                    &format!("readings that come due within {SOON_DAYS} days; they are on the vehicle's page"),
                ),
            ],
            rows: rows.collect(),
            query: None,
        };
        Section { id: "vehicles".into(), heading: "By vehicle".into(), tables: vec![table], ..Section::default() }
    }

    /// One line a vehicle: what is due there.
    pub fn work(&self) -> Vec<WorkLine> {
        let line = |vehicle: &VehicleDue| {
            let count = vehicle.due().count();
            let mut reason = format!("{} due", counted(count, "reading is", "readings are"));
            if vehicle.days_over() > 0
                && let Some(longest) = vehicle.due().max_by_key(|reading| reading.days_over)
            {
                reason += &format!(", '{}' for {} days", longest.channel.name, longest.days_over);
            }
            match vehicle.never() {
                0 => {}
                never if never == count => reason += "; none was ever taken",
                never => reason += &format!("; {} never taken", counted(never, "was", "were")),
            }
            WorkLine {
                vehicle: Some(vehicle.vehicle.clone()),
                subject: "readings".into(),
                kind: WorkKind::Due,
                reason: reason + ".",
                sure: Sure { probability: None, words: "by the records".into() },
                // What a reading not taken costs is not known; where one falls, drift has its own line.
                weight: 0.0,
                evidence: None,
                more: (SHEET.into(), vehicle.section_id()),
                caution: CAUTION,
            }
        };
        self.vehicles.iter().map(line).collect()
    }

    /// What is due on one vehicle, for its page.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        let found = self.vehicles.iter().filter(|due| due.vehicle == vehicle);
        let section = |due: &VehicleDue| Section {
            id: SHEET.into(),
            heading: "Readings that are due".into(),
            text: vec![CAUTION.into()],
            tables: vec![readings(due, "due-readings", false)],
            ..Section::default()
        };
        found.map(section).collect()
    }
}

/// The reading of a channel, if it is due or soon will be.
fn due(channel: &Channel, last: Option<&Reading>, in_service: Option<Date>, today: Date) -> Option<DueReading> {
    // What is beyond the calendar never comes due.
    let every = Span::new().try_days(i64::from(channel.every_days?)).ok()?;
    let since = match last {
        Some(reading) => Some(reading.day.saturating_add(every)),
        None => in_service,
    };
    // Days between two dates of the calendar fit.
    let days_over = since.map_or(0, |since| (today - since).get_days());
    let last = last.map(|reading| (reading.day, reading.value));
    (days_over >= -SOON_DAYS).then(|| DueReading { channel: channel.clone(), last, since, days_over })
}

/// The page that is taken along.
fn page(vehicle: &VehicleDue) -> Section {
    let id = vehicle.section_id();
    let column = |name: &str| Column { name: name.into(), ..Column::default() };
    let taken = Table {
        id: format!("{id}-taken"),
        caption: "When and with what".into(),
        columns: ["day", "taken by", "meter", "wet or dry"].map(column).to_vec(),
        rows: vec![vec![Cell::Box; 4]],
        query: None,
    };
    let yard = if vehicle.yard.is_empty() { String::new() } else { format!(", {}", vehicle.yard) };
    Section {
        heading: format!("Inspection sheet: vehicle {}{yard}", vehicle.vehicle),
        text: CAUTIONS.map(str::to_owned).to_vec(),
        tables: vec![taken, readings(vehicle, &format!("{id}-readings"), true)],
        own_page: true,
        id,
        ..Section::default()
    }
}

fn readings(vehicle: &VehicleDue, id: &str, boxes: bool) -> Table {
    let column = |name: &str, about: &str| Column { name: name.into(), about: about.into(), ..Column::default() };
    let mut columns = vec![
        column("channel", ""),
        column("what", ""),
        column("unit", "UCUM code"),
        column("last", "the value that was read last"),
        column("on", "the day on which it was read"),
        column("new", "what a new one reads"),
        column("suspect", "from here it is suspect"),
        column("recheck", "from here it is measured again, and replaced if that holds"),
        column("marginal", "from here it may fail any day"),
        column("due", "since when, or when"),
    ];
    if boxes {
        columns.push(column("reading", "to be written in, in the unit of the row"));
        columns.push(column("note", "to be written in"));
    }
    let row = |reading: &DueReading| {
        let channel = &reading.channel;
        let limit = |limit: Option<f64>| match limit {
            Some(limit) if limit.is_finite() => {
                let sign = if channel.falls { '≤' } else { '≥' };
                Cell::Text(format!("{sign} {limit:.*}", usize::from(decimals(limit))))
            }
            _ => Cell::Missing(""),
        };
        let mut cells = vec![
            Cell::Text(channel.name.clone()),
            if channel.about.is_empty() { Cell::Missing("") } else { Cell::Text(channel.about.clone()) },
            Cell::Text(channel.unit.clone()),
            reading.last.map_or(Cell::Missing("never read"), |(_, value)| Cell::number(value, decimals(value))),
            reading.last.map_or(Cell::Missing(""), |(day, _)| Cell::Day(day)),
            channel.new.map_or(Cell::Missing(""), |new| Cell::number(new, decimals(new))),
            limit(channel.suspect),
            limit(channel.recheck),
            limit(channel.marginal),
            reading.since.map_or(Cell::Missing("not known"), Cell::Day),
        ];
        if boxes {
            cells.extend([Cell::Box, Cell::Box]);
        }
        cells
    };
    Table {
        id: id.into(),
        caption: format!("Readings to be taken on vehicle {}, longest due first", vehicle.vehicle),
        columns,
        rows: vehicle.readings.iter().map(row).collect(),
        query: None,
    }
}

/// As few decimals as show a value to a millionth of it, at most three.
fn decimals(value: f64) -> u8 {
    let shows = |decimals: &u8| {
        let times = 10_f64.powi(i32::from(*decimals));
        ((value * times).round() / times - value).abs() <= value.abs() * 1e-6
    };
    (0..3).find(shows).unwrap_or(3)
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::records::Vehicle;

    const TODAY: Date = Date::constant(2026, 2, 17);

    fn channel(name: &str, every_days: Option<u32>, kinds: &[&str]) -> Channel {
        Channel {
            name: name.into(),
            unit: "uW".into(),
            falls: true,
            recheck: Some(40.0),
            every_days,
            kinds: kinds.iter().map(|kind| (*kind).to_owned()).collect(),
            ..Channel::default()
        }
    }

    fn vehicle(number: &str, kind: &str) -> Vehicle {
        Vehicle { vehicle: number.into(), kind: kind.into(), from: Some(date(2019, 1, 1)), ..Vehicle::default() }
    }

    fn reading(vehicle: &str, channel: &str, day: Date, value: f64) -> Reading {
        Reading { day, vehicle: vehicle.into(), channel: channel.into(), value, ..Reading::default() }
    }

    fn records() -> Records {
        Records {
            vehicles: vec![
                vehicle("201", "solo"),
                vehicle("202", "articulated"),
                vehicle("203", ""),
                Vehicle { to: Some(date(2025, 12, 31)), ..vehicle("204", "solo") },
                Vehicle { from: Some(date(2026, 3, 1)), ..vehicle("205", "solo") },
            ],
            channels: vec![
                channel("link-1", Some(180), &[]),
                channel("link-2", Some(100), &["Articulated"]),
                channel("once", None, &[]),
            ],
            readings: vec![
                // 180 days to the very day.
                reading("201", "link-1", date(2025, 8, 21), 118.5),
                // Not yet: 179 days.
                reading("202", "link-1", date(2025, 8, 22), 118.0),
                reading("202", "link-2", date(2025, 8, 1), 61.25),
                reading("202", "link-2", date(2025, 11, 1), 60.0),
                // Written down for a day that is still to come.
                reading("202", "link-2", date(2062, 11, 1), 1.0),
                reading("203", "link-1", date(2026, 2, 10), 118.0),
            ],
            ..Records::default()
        }
    }

    #[test]
    fn a_reading_is_due_so_many_days_after_the_last() {
        // 2025-08-21 and 180 days are 2026-02-17; 2025-11-01 and 100 days are 2026-02-09.
        let study = Study::of(&records(), TODAY);
        let seen: Vec<(&str, &str, Option<Date>, i32)> = study
            .vehicles
            .iter()
            .flat_map(|v| {
                v.readings.iter().map(|r| (v.vehicle.as_str(), r.channel.name.as_str(), r.since, r.days_over))
            })
            .collect();
        assert_eq!(
            seen,
            [
                ("202", "link-2", Some(date(2026, 2, 9)), 8),
                ("202", "link-1", Some(date(2026, 2, 18)), -1),
                ("201", "link-1", Some(date(2026, 2, 17)), 0),
            ]
        );
        assert_eq!((study.looked_at, study.without_kind), (3, 1));
        assert_eq!(study.vehicles[0].readings[0].last, Some((date(2025, 11, 1), 60.0)));
    }

    #[test]
    fn what_was_never_read_is_due_since_the_vehicle_is_in_service() {
        let mut records = records();
        records.readings.clear();
        let study = Study::of(&records, TODAY);
        assert_eq!(study.vehicles.iter().map(|v| v.readings.len()).collect::<Vec<_>>(), [1, 2, 1]);
        assert_eq!(study.vehicles[0].readings[0].since, Some(date(2019, 1, 1)));
        assert!(study.work()[1].reason.ends_with("; none was ever taken."), "{}", study.work()[1].reason);
        // Without books and without readings there is no vehicle.
        records.vehicles.clear();
        assert!(Study::of(&records, TODAY).sheet().lead[0].contains("Nothing is due by 2026-02-17: 0 vehicles"));
    }

    #[test]
    fn each_vehicle_has_a_page_with_boxes_and_cautions_and_one_line_of_work() {
        let study = Study::of(&records(), TODAY);
        let sheet = study.sheet();
        assert_eq!(
            sheet.lead[0],
            "By 2026-02-17, 2 readings are due on 2 of 3 vehicles. Each vehicle has a page to be printed and taken along."
        );
        let pages: Vec<&Section> = sheet.sections.iter().filter(|section| section.own_page).collect();
        assert_eq!(pages.len(), 2);
        for page in &pages {
            assert!(page.text.iter().any(|text| text.contains("isolation procedure") && text.contains("Capacitors")));
            let table = &page.tables[1];
            assert!(table.rows.iter().all(|row| row.len() == table.columns.len() && row[10] == Cell::Box));
        }
        assert_eq!(pages[0].tables[1].rows[0][3], Cell::Number { value: 60.0, decimals: 0 });
        assert_eq!(pages[0].tables[1].rows[0][7], Cell::Text("≤ 40".into()));
        assert_eq!(pages[1].tables[1].rows[0][3], Cell::Number { value: 118.5, decimals: 1 });
        let work = study.work();
        assert_eq!(work.len(), 2);
        assert_eq!(work[0].reason, "1 reading is due, 'link-2' for 8 days.");
        assert_eq!(work[0].more, ("due".to_owned(), pages[0].id.clone()));
        let own = study.of_vehicle("201");
        assert!(own[0].tables[0].rows.iter().flatten().all(|cell| *cell != Cell::Box));
        assert!(study.of_vehicle("999").is_empty());
    }

    #[test]
    fn without_channels_or_records_it_says_so() {
        let sheet = Study::of(&Records::default(), TODAY).sheet();
        assert!(sheet.lead[0].contains("every_days"));
        assert!(sheet.sections.is_empty());
    }

    #[test]
    fn values_are_shown_with_as_few_decimals_as_say_them() {
        let cases = [(118.0, 0), (118.5, 1), (112.499_999_999, 1), (0.25, 2), (1.0 / 3.0, 3), (0.0, 0), (-2.5, 1)];
        for (value, expected) in cases {
            assert_eq!(decimals(value), expected, "{value}");
        }
    }
}
