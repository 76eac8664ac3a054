//! What people in the yard do and measure in a year: collector heads and carbon inserts, optical links, insulation.
//!
//! Carbon wears by the kilometre under wires, more in the wet and much more under ice. Links age in dB, the even way.

use jiff::civil::Date;
use serde::Serialize;

use super::DayLived;
use super::plan::Plan;
use super::records::date;
use crate::simulate::chance::Chance;
use crate::simulate::weather::weather;

/// Carbon lost by the kilometre on a dry wire. Unit: mm.
const WEAR_MM_KM: f64 = 0.0016;
/// What rain and ice add to it, times as much.
const WET_ADDS: f64 = 1.0;
const ICE_ADDS: f64 = 4.0;
/// A line whose wires are rough: times as much.
const ROUGH_LINE: (u8, f64) = (2, 1.3);
/// A new insert, and one to be replaced at the weekly look. Unit: mm.
const NEW_MM: f64 = 22.0;
const REPLACE_MM: f64 = 11.0;
/// Inserts are looked at so often, and the rest measured. Unit: days.
const LOOK_DAYS: i64 = 7;
pub(super) const READING_DAYS: i64 = 42;
/// A head that eats inserts: vehicle and side, times as much; after so many days it goes to another vehicle.
const EATING_HEAD: (u16, usize, f64) = (223, 0, 2.2);
const HEAD_MOVED: (i64, u16) = (200, 227);
/// A supplier's batch that wears fast: month it came, times as much.
const SOFT_BATCH: (i8, f64) = (5, 1.7);
/// Vehicles whose last measuring was left out.
const LEFT_OUT: &[u16] = &[214, 232, 306];

/// How a link changes. Days of the year.
#[derive(Debug, Clone, Copy)]
enum Change {
    /// dB a year.
    Ages(f64),
    /// dB at once, on a day.
    Steps(f64, i64),
}

/// Vehicle, link, µW on the first day, what happens.
const LINKS: &[(u16, usize, f64, Change)] = &[
    (224, 3, 105.0, Change::Ages(-3.6)),
    (312, 1, 72.0, Change::Ages(-2.4)),
    (309, 6, 64.0, Change::Ages(-4.0)),
    (206, 5, 112.0, Change::Steps(-3.0, 104)),
    (230, 2, 98.0, Change::Steps(-4.5, 222)),
];
/// Insulation that falls: vehicle, channel, MΩ on the first day, and what it loses a year.
const INSULATION: (u16, usize, f64, f64) = (218, 1, 22.0, 16.5);
/// Limits of a link. Unit: µW.
const LINK_LIMITS: [f64; 3] = [60.0, 40.0, 20.0];
/// Limit of insulation. Unit: MΩ.
const INSULATION_LIMIT: f64 = 5.0;
const SIDES: [&str; 2] = ["left", "right"];

/// The channels and their limits.
pub(super) const LIMITS: &str = include_str!("limits.toml");

/// Files and truth.
#[derive(Debug, Default)]
pub(super) struct Upkeep {
    pub(super) heads: String,
    pub(super) inserts: String,
    pub(super) readings: String,
    pub(super) truth: UpkeepTruth,
}

/// What is true of parts and readings.
#[derive(Debug, Clone, Default, Serialize)]
pub struct UpkeepTruth {
    /// Links and insulation that change.
    pub channels: Vec<ChannelTruth>,
    /// The head that eats inserts, and how many times as fast.
    pub eating_head: Option<(String, f64)>,
    /// The batch that wears fast, and how many times as fast.
    pub soft_batch: Option<(String, f64)>,
    /// The line whose wires are rough, and how many times as fast inserts wear there.
    pub rough_line: Option<(u8, f64)>,
    /// Carbon lost on a dry wire, by 1000 km. Unit: mm.
    pub wear_mm_1000_km: f64,
    /// Times as much in rain and under ice.
    pub wet_and_ice: (f64, f64),
    /// Vehicles whose last measuring was left out.
    pub due: Vec<String>,
}

/// A channel that changes.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelTruth {
    /// Fleet number.
    pub vehicle: String,
    /// As the limits name it.
    pub channel: String,
    /// `ageing` or `step`.
    pub kind: &'static str,
    /// Of a step: when.
    pub on: Option<String>,
    /// dB a year, or at once; of insulation: MΩ a year.
    pub change: f64,
    /// True value on the first and last day of the year.
    pub value: (f64, f64),
    /// When it crosses which limit, if it goes on as it does; also beyond the year's end.
    pub crossings: Vec<(f64, String)>,
}

pub(super) fn upkeep(plan: &Plan, lived: &[Vec<DayLived>]) -> Upkeep {
    let mut upkeep = Upkeep {
        heads: "head,vehicle,side,fitted,removed,reason\n".into(),
        inserts: "insert,vehicle,side,head,batch,fitted,removed,reason,thickness_fitted_mm,thickness_removed_mm\n"
            .into(),
        readings: "day,vehicle,channel,value,note\n".into(),
        truth: UpkeepTruth {
            wear_mm_1000_km: 1_000.0 * WEAR_MM_KM,
            wet_and_ice: (1.0 + WET_ADDS, 1.0 + ICE_ADDS),
            rough_line: Some(ROUGH_LINE),
            ..UpkeepTruth::default()
        },
    };
    let end = plan.first + plan.days;
    let heads: Vec<[Vec<Head>; 2]> =
        (0..plan.vehicles.len()).map(|index| [heads_of(plan, index, 0), heads_of(plan, index, 1)]).collect();
    for (vehicle, sides) in plan.vehicles.iter().zip(&heads) {
        for (side, heads) in sides.iter().enumerate() {
            for head in heads.iter().filter(|head| head.from < end) {
                let removed = head.to.filter(|&to| to < end);
                let to = removed.map_or_else(String::new, |to| date(to).to_string());
                let reason = if removed.is_some() { head.reason } else { "" };
                let from = date(head.from);
                upkeep.heads += &format!("{},{},{},{from},{to},{reason}\n", head.id, vehicle.number, SIDES[side]);
            }
        }
    }
    let mut stock = Stock { seed: plan.seed, planted: plan.planted, next: 4_001 };
    for ((vehicle, sides), days) in plan.vehicles.iter().zip(&heads).zip(lived) {
        for (side, heads) in sides.iter().enumerate() {
            wear(plan, vehicle.number, side, heads, days, &mut stock, &mut upkeep);
        }
        measure(plan, vehicle.number, &mut upkeep);
    }
    if plan.planted {
        let (number, side, times) = EATING_HEAD;
        let index = plan.vehicles.iter().position(|vehicle| vehicle.number == number);
        upkeep.truth.eating_head = index.and_then(|index| heads[index][side].first()).map(|h| (h.id.clone(), times));
        let year = date(plan.first).year() % 100;
        upkeep.truth.soft_batch = Some((format!("K-{year:02}{:02}", SOFT_BATCH.0), SOFT_BATCH.1));
        upkeep.truth.due = LEFT_OUT.iter().map(u16::to_string).collect();
    }
    upkeep
}

/// A collector head in a vehicle.
struct Head {
    id: String,
    from: i64,
    to: Option<i64>,
    reason: &'static str,
    /// Times as much wear.
    eats: f64,
}

fn heads_of(plan: &Plan, index: usize, side: usize) -> Vec<Head> {
    let number = plan.vehicles[index].number;
    let mut chance = Chance::of(plan.seed, "year head", &[number.into(), side as u64]);
    let id = |number: u16, side: usize| format!("H-{:04}", 2_000 + 4 * u64::from(number) + 2 * side as u64);
    let spare = |number: u16, side: usize| format!("H-{:04}", 2_001 + 4 * u64::from(number) + 2 * side as u64);
    let fitted = plan.first - 90 - chance.below(900) as i64;
    let usual = 1.0 + 0.05 * chance.bell();
    let mut heads = vec![Head { id: id(number, side), from: fitted, to: None, reason: "", eats: usual }];
    if !plan.planted {
        return heads;
    }
    // A worn collector is a right-hand head, until it is replaced.
    let vehicle = &plan.vehicles[index];
    let worn = vehicle.spells.iter().find(|s| matches!(s.fault, crate::simulate::Fault::BadCollector { .. }));
    if let Some(worn) = worn.filter(|_| side == 1) {
        heads[0].to = Some(worn.to);
        heads[0].reason = "pivot worn";
        heads.push(Head { id: spare(number, side), from: worn.to, to: None, reason: "", eats: 1.0 });
    }
    let moved = plan.first + HEAD_MOVED.0;
    if (number, side) == (EATING_HEAD.0, EATING_HEAD.1) {
        heads[0].eats = EATING_HEAD.2;
        heads[0].to = Some(moved);
        heads[0].reason = "exchanged";
        heads.push(Head { id: spare(number, side), from: moved, to: None, reason: "", eats: 1.0 });
    }
    if (number, side) == (HEAD_MOVED.1, EATING_HEAD.1) {
        heads[0].to = Some(moved + 2);
        heads[0].reason = "exchanged";
        let id = id(EATING_HEAD.0, side);
        heads.push(Head { id, from: moved + 2, to: None, reason: "", eats: EATING_HEAD.2 });
    }
    heads
}

/// Where inserts come from.
struct Stock {
    seed: u64,
    planted: bool,
    next: u64,
}

struct Insert {
    id: String,
    batch: String,
    fitted: i64,
    fitted_mm: f64,
    mm: f64,
    times: f64,
}

impl Stock {
    fn take(&mut self, day: i64) -> Insert {
        let number = self.next;
        self.next += 1;
        let mut chance = Chance::of(self.seed, "year insert", &[number]);
        // What came this month, or what is left of the month before.
        let came: Date = date(day - if chance.happens(0.4) { 30 } else { 0 });
        let soft = self.planted && came.month() == SOFT_BATCH.0;
        let times = (1.0 + 0.08 * chance.bell()) * if soft { SOFT_BATCH.1 } else { 1.0 };
        let mm = tenth(NEW_MM + 0.15 * chance.bell());
        let batch = format!("K-{:02}{:02}", came.year() % 100, came.month());
        Insert { id: format!("C-{number}"), batch, fitted: day, fitted_mm: mm, mm, times }
    }
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn wear(
    plan: &Plan,
    number: u16,
    side: usize,
    heads: &[Head],
    days: &[DayLived],
    stock: &mut Stock,
    upkeep: &mut Upkeep,
) {
    let mut chance = Chance::of(plan.seed, "year wear", &[number.into(), side as u64]);
    let mut insert = stock.take(plan.first - 1 - chance.below(20) as i64);
    insert.mm -= chance.between(0.0, 8.0);
    let look = chance.below(LOOK_DAYS as u64) as i64;
    let name = SIDES[side];
    let head_on = |day: i64| heads.iter().find(|head| head.from <= day && head.to.is_none_or(|to| day < to));
    let mut last_head = head_on(plan.first).map(|head| head.id.clone()).unwrap_or_default();
    let mut close = |insert: &Insert, head: &str, removed: Option<(i64, f64, &str)>| {
        let (day, mm, reason) = removed
            .map_or_else(Default::default, |(day, mm, reason)| (date(day).to_string(), format!("{mm:.1}"), reason));
        let Insert { id, batch, fitted, fitted_mm, .. } = insert;
        let fitted = date(*fitted);
        upkeep.inserts += &format!("{id},{number},{name},{head},{batch},{fitted},{day},{reason},{fitted_mm:.1},{mm}\n");
    };
    let mut readings = String::new();
    for day in days {
        let Some(head) = head_on(day.day) else { continue };
        let mut measured = tenth(insert.mm + 0.15 * chance.bell());
        if head.id != last_head {
            // A head comes with an insert of its own.
            close(&insert, &last_head, Some((day.day, measured, "head exchanged")));
            insert = stock.take(day.day);
            last_head.clone_from(&head.id);
            measured = insert.mm;
        }
        if (day.day - plan.first) % LOOK_DAYS == look {
            readings += &format!("{},{number},insert-{name},{measured:.1},\n", date(day.day));
            if measured <= REPLACE_MM {
                close(&insert, &head.id, Some((day.day, measured, "worn")));
                insert = stock.take(day.day);
            }
        }
        let rough = day.lived.drove.iter().any(|drove| drove.line == ROUGH_LINE.0);
        let lived = &day.lived;
        let km = lived.wired_km + WET_ADDS * lived.wet_km + ICE_ADDS * lived.ice_km;
        let line = if rough { ROUGH_LINE.1 } else { 1.0 };
        insert.mm = (insert.mm - WEAR_MM_KM * km * head.eats * insert.times * line).max(1.0);
    }
    close(&insert, &last_head, None);
    upkeep.readings += &readings;
}

/// Optical links and insulation of one vehicle.
fn measure(plan: &Plan, number: u16, upkeep: &mut Upkeep) {
    let mut chance = Chance::of(plan.seed, "year readings", &[number.into()]);
    let begins = chance.below(READING_DAYS as u64) as i64;
    let mut links: Vec<(f64, Change)> =
        (0..6).map(|_| (chance.between(86.0, 118.0), Change::Ages(-chance.between(0.05, 0.35)))).collect();
    let mut insulation: Vec<(f64, f64)> = (0..2).map(|_| (chance.between(25.0, 60.0), 0.0)).collect();
    if plan.planted {
        for &(_, link, power, change) in LINKS.iter().filter(|link| link.0 == number) {
            links[link - 1] = (power, change);
            upkeep.truth.channels.push(link_truth(plan, number, link, power, change));
        }
        if INSULATION.0 == number {
            let (_, channel, value, loses) = INSULATION;
            insulation[channel] = (value, loses);
            let on = plan.first as f64 + 365.25 * (value - INSULATION_LIMIT) / loses;
            upkeep.truth.channels.push(ChannelTruth {
                vehicle: number.to_string(),
                channel: "insulation-minus".into(),
                kind: "ageing",
                on: None,
                change: -loses,
                value: (value, value - loses * plan.days as f64 / 365.25),
                crossings: vec![(INSULATION_LIMIT, date(on as i64).to_string())],
            });
        }
    }
    let mut day = plan.first + begins;
    while day < plan.first + plan.days {
        let is_last = day + READING_DAYS >= plan.first + plan.days;
        if !(plan.planted && is_last && LEFT_OUT.contains(&number)) {
            let into = (day - plan.first) as f64;
            for (index, &(power, change)) in links.iter().enumerate() {
                let decibels = match change {
                    Change::Ages(a_year) => a_year * into / 365.25,
                    Change::Steps(step, on) if day - plan.first >= on => step,
                    Change::Steps(..) => 0.0,
                };
                let value = power * libm::pow(10.0, (decibels + 0.12 * chance.bell()) / 10.0);
                let text = format!("{},{number},link-{},{value:.1},\n", date(day), index + 1);
                upkeep.readings += &text;
            }
            let wet = weather(plan.seed, day, 10.0).wet;
            for (name, (value, loses)) in ["plus", "minus"].iter().zip(&insulation) {
                let true_value = value - loses * into / 365.25;
                let noisy = true_value * (1.0 + 0.05 * chance.bell()) * if wet { 0.93 } else { 1.0 };
                let note = if wet { "rain" } else { "" };
                let text = format!("{},{number},insulation-{name},{:.1},{note}\n", date(day), noisy.max(0.1));
                upkeep.readings += &text;
            }
        }
        day += READING_DAYS;
    }
}

fn link_truth(plan: &Plan, number: u16, link: usize, power: f64, change: Change) -> ChannelTruth {
    let end = plan.days as f64;
    let at = |decibels: f64| power * libm::pow(10.0, decibels / 10.0);
    let to = |limit: f64| 10.0 * libm::log10(limit / power);
    let (kind, on, size, last, crossings) = match change {
        Change::Ages(a_year) => {
            let crossings = LINK_LIMITS.iter().filter(|limit| **limit < power).map(|&limit| {
                let days = 365.25 * to(limit) / a_year;
                (limit, date(plan.first + days as i64).to_string())
            });
            ("ageing", None, a_year, at(a_year * end / 365.25), crossings.collect())
        }
        Change::Steps(step, on) => {
            let day = date(plan.first + on).to_string();
            let below = |limit: &&f64| **limit < power && at(step) < **limit;
            let crossings = LINK_LIMITS.iter().filter(below).map(|&limit| (limit, day.clone())).collect();
            ("step", Some(day), step, at(step), crossings)
        }
    };
    ChannelTruth {
        vehicle: number.to_string(),
        channel: format!("link-{link}"),
        kind,
        on,
        change: size,
        value: (power, last),
        crossings,
    }
}
