//! What is true of a year, laid out so that a report can be scored against it.

use std::collections::BTreeMap;

use serde::Serialize;

use super::DayLived;
use super::health::SILENT_BUS;
use super::live::Cause;
use super::plan::Plan;
use super::records::date;
use super::upkeep::UpkeepTruth;
use crate::simulate::fleet::Fault;
use crate::simulate::weather::weather;

/// Days on which a battery was at least so hot are explained. Unit: °C.
const HOT_C: f64 = 36.0;
/// A cause must explain so much of a hot day to be named. Unit: K.
const TELLING_K: f64 = 4.0;

/// Everything that is known of a simulated year.
#[derive(Debug, Clone, Serialize)]
pub struct YearTruth {
    /// The town.
    pub town: &'static str,
    /// Seed it all follows from.
    pub seed: u64,
    /// First service day.
    pub from: String,
    /// Last service day.
    pub to: String,
    /// Whether anything was planted.
    pub planted: bool,
    /// Battery packs, those that gave up most often for their stretches first.
    pub packs: Vec<PackTruth>,
    /// Vehicle-days on which a battery was hot, and why.
    pub hot_days: Vec<HotDay>,
    /// Places in the overhead that were out of true.
    pub bad_places: Vec<PlaceTruth>,
    /// Pole-offs by cause.
    pub pole_offs_by_cause: BTreeMap<&'static str, u64>,
    /// Pole-offs by special work (empty: plain wire) and cause.
    pub pole_offs_by_place: Vec<PlaceCount>,
    /// The operator who loses poles more often.
    pub operator: Option<OperatorTruth>,
    /// Faults of vehicles, from and to (exclusive).
    pub faults: Vec<FaultTruth>,
    /// Vehicles that did not report.
    pub silent: Vec<SilentTruth>,
    /// A vehicle whose traction bus falls silent now and then, and from when.
    pub silent_bus: Option<(String, String)>,
    /// Parts and readings.
    pub upkeep: UpkeepTruth,
}

/// One pack.
#[derive(Debug, Clone, Serialize)]
pub struct PackTruth {
    /// Its number in the records.
    pub pack: String,
    /// `weak`, `resistance`, or nothing.
    pub planted: &'static str,
    /// Vehicles it was in, in order.
    pub vehicles: Vec<String>,
    /// Usable charge against a new one, at the first and last day of the year.
    pub capacity: (f64, f64),
    /// Resistance against another of its age, likewise.
    pub resistance: (f64, f64),
    /// Off-wire stretches that reached the store.
    pub stretches: u64,
    /// Timeouts that reached the store.
    pub timeouts: u64,
    /// Timeouts, by 1000 stretches.
    pub per_1000: f64,
    /// Timeouts of the last 90 days of the year, by 1000 stretches.
    pub per_1000_lately: f64,
}

/// A hot battery, explained.
#[derive(Debug, Clone, Serialize)]
pub struct HotDay {
    /// Fleet number.
    pub vehicle: String,
    /// Service day.
    pub day: String,
    /// Hottest. Unit: °C.
    pub peak_c: f64,
    /// What of it is this pack's resistance: against a sound pack on the same day. Unit: K.
    pub pack_k: f64,
    /// What is the air's: against the year's mean. Unit: K.
    pub weather_k: f64,
    /// What is the day's work: a sound pack's rise over the air, against the fleet's mean rise. Unit: K.
    pub work_k: f64,
    /// The largest of the three, where it tells: `pack`, `weather`, `work`.
    pub cause: &'static str,
}

/// A place that was out of true.
#[derive(Debug, Clone, Serialize)]
pub struct PlaceTruth {
    /// Special work's id.
    pub special_work: String,
    /// In words.
    pub place: String,
    /// Latitude and longitude.
    pub degrees: (f64, f64),
    /// From this day.
    pub from: String,
    /// Up to, but not, this one; beyond the year: still.
    pub to: String,
    /// Pole-offs that it caused, and that reached the store.
    pub pole_offs: u64,
}

/// Pole-offs of one cause at one place.
#[derive(Debug, Clone, Serialize)]
pub struct PlaceCount {
    /// Special work's id; empty: plain wire.
    pub special_work: String,
    /// Why.
    pub cause: &'static str,
    /// Pole-offs.
    pub pole_offs: u64,
    /// Vehicles that had them.
    pub vehicles: usize,
    /// Passages of the special work, by all vehicles.
    pub passages: u64,
}

/// An operator with a heavy hand.
#[derive(Debug, Clone, Serialize)]
pub struct OperatorTruth {
    /// Pseudonym.
    pub operator: String,
    /// Times as many pole-offs.
    pub factor: f64,
    /// Pole-offs that reached the store.
    pub pole_offs: u64,
}

/// A fault for a while.
#[derive(Debug, Clone, Serialize)]
pub struct FaultTruth {
    /// Fleet number.
    pub vehicle: String,
    /// From this day.
    pub from: String,
    /// Up to, but not, this one.
    pub to: String,
    /// What.
    #[serde(flatten)]
    pub fault: Fault,
}

/// A silence.
#[derive(Debug, Clone, Serialize)]
pub struct SilentTruth {
    /// Fleet number.
    pub vehicle: String,
    /// From this day.
    pub from: String,
    /// Up to, but not, this one.
    pub to: String,
}

pub(super) fn truth(plan: &Plan, lived: &[Vec<DayLived>], upkeep: UpkeepTruth) -> YearTruth {
    let end = plan.first + plan.days;
    let shown = |day: i64| date(day.min(end)).to_string();
    let town = plan.town(plan.first);
    let operator = plan.heavy_operator().map(|(operator, factor)| OperatorTruth {
        operator: operator.to_string(),
        factor,
        pole_offs: reported(lived).flat_map(|day| &day.lived.pole_offs).filter(|off| off.operator == operator).count()
            as u64,
    });
    let faults = plan.vehicles.iter().flat_map(|vehicle| {
        vehicle.spells.iter().map(|spell| FaultTruth {
            vehicle: vehicle.number.to_string(),
            from: shown(spell.from),
            to: shown(spell.to),
            fault: spell.fault,
        })
    });
    let silent = plan.vehicles.iter().flat_map(|vehicle| {
        vehicle.silent.iter().map(|&(from, to)| SilentTruth {
            vehicle: vehicle.number.to_string(),
            from: shown(from),
            to: shown(to),
        })
    });
    let mut by_cause = BTreeMap::new();
    for off in reported(lived).flat_map(|day| &day.lived.pole_offs) {
        *by_cause.entry(off.cause.word()).or_insert(0) += 1;
    }
    YearTruth {
        town: town.name,
        seed: plan.seed,
        from: shown(plan.first),
        to: shown(end - 1),
        planted: plan.planted,
        packs: packs(plan, lived),
        hot_days: hot_days(plan, lived),
        bad_places: bad_places(plan, lived),
        pole_offs_by_cause: by_cause,
        pole_offs_by_place: by_place(plan, lived),
        operator,
        faults: faults.collect(),
        silent: silent.collect(),
        silent_bus: plan.planted.then(|| (SILENT_BUS.0.to_string(), shown(plan.first + SILENT_BUS.1))),
        upkeep,
    }
}

fn reported(lived: &[Vec<DayLived>]) -> impl Iterator<Item = &DayLived> {
    lived.iter().flatten().filter(|day| day.reported)
}

fn packs(plan: &Plan, lived: &[Vec<DayLived>]) -> Vec<PackTruth> {
    let lately = plan.first + plan.days - 90;
    let mut packs: Vec<PackTruth> = plan
        .packs
        .iter()
        .enumerate()
        .map(|(index, pack)| {
            let sum = |from: i64| {
                let days = reported(lived).filter(|day| day.pack == Some(index) && day.day >= from);
                days.fold((0, 0), |sum, day| (sum.0 + day.lived.stretches, sum.1 + day.lived.timeouts))
            };
            let per_1000 = |(stretches, timeouts): (u64, u64)| 1_000.0 * timeouts as f64 / (stretches as f64).max(1.0);
            let all = sum(i64::MIN);
            let fitted = plan.vehicles.iter().flat_map(|vehicle| {
                let own = vehicle.packs.iter().filter(|fitted| fitted.pack == index);
                own.map(|fitted| (fitted.from, vehicle.number.to_string()))
            });
            let mut vehicles: Vec<(i64, String)> = fitted.collect();
            vehicles.sort();
            let last = plan.days as f64;
            PackTruth {
                pack: pack.id.clone(),
                planted: pack.planted,
                vehicles: vehicles.into_iter().map(|(_, number)| number).collect(),
                capacity: (pack.capacity_on(0.0), pack.capacity_on(last)),
                resistance: (pack.resistance_on(0.0), pack.resistance_on(last)),
                stretches: all.0,
                timeouts: all.1,
                per_1000: per_1000(all),
                per_1000_lately: per_1000(sum(lately)),
            }
        })
        .collect();
    packs.sort_by(|a, b| b.per_1000.total_cmp(&a.per_1000));
    packs
}

fn hot_days(plan: &Plan, lived: &[Vec<DayLived>]) -> Vec<HotDay> {
    // The air while vehicles run, by day.
    let air = |day: i64| (6..23).map(|hour| weather(plan.seed, day, f64::from(hour)).air_c).sum::<f64>() / 17.0;
    let of_day: BTreeMap<i64, f64> = (plan.first..plan.first + plan.days).map(|day| (day, air(day))).collect();
    let mean_c = of_day.values().sum::<f64>() / (of_day.len() as f64).max(1.0);
    let sound = |day: &DayLived| day.hottest_sound_c.unwrap_or(day.lived.hottest_c);
    let rise = |day: &DayLived| sound(day) - of_day.get(&day.day).copied().unwrap_or(mean_c);
    let (mut sum, mut count) = (0.0, 0_u32);
    for day in reported(lived) {
        sum += rise(day);
        count += 1;
    }
    let usual = sum / f64::from(count.max(1));
    let mut hot = Vec::new();
    for (vehicle, days) in plan.vehicles.iter().zip(lived) {
        for day in days.iter().filter(|day| day.reported && day.lived.hottest_c >= HOT_C) {
            let parts = [
                ("pack", day.lived.hottest_c - sound(day)),
                ("weather", of_day.get(&day.day).copied().unwrap_or(mean_c) - mean_c),
                ("work", rise(day) - usual),
            ];
            let largest = parts.iter().max_by(|a, b| a.1.total_cmp(&b.1));
            hot.push(HotDay {
                vehicle: vehicle.number.to_string(),
                day: date(day.day).to_string(),
                peak_c: day.lived.hottest_c,
                pack_k: parts[0].1,
                weather_k: parts[1].1,
                work_k: parts[2].1,
                cause: largest.filter(|part| part.1 >= TELLING_K).map_or("several", |part| part.0),
            });
        }
    }
    hot
}

fn bad_places(plan: &Plan, lived: &[Vec<DayLived>]) -> Vec<PlaceTruth> {
    let town = plan.town(plan.first);
    let end = plan.first + plan.days;
    plan.bad_places
        .iter()
        .filter(|bad| bad.from < end)
        .map(|bad| {
            let work = &town.special_work[bad.work];
            let days = reported(lived).filter(|day| (bad.from..bad.to).contains(&day.day));
            let own = days
                .flat_map(|day| &day.lived.pole_offs)
                .filter(|off| off.work == Some(bad.work) && off.cause == Cause::Overhead);
            PlaceTruth {
                special_work: work.id.clone(),
                place: work.name.clone(),
                degrees: work.degrees,
                from: date(bad.from).to_string(),
                to: date(bad.to).to_string(),
                pole_offs: own.count() as u64,
            }
        })
        .collect()
}

fn by_place(plan: &Plan, lived: &[Vec<DayLived>]) -> Vec<PlaceCount> {
    let town = plan.town(plan.first);
    let mut counts: BTreeMap<(Option<usize>, Cause), (u64, Vec<u16>)> = BTreeMap::new();
    let mut passages = vec![0_u64; town.special_work.len()];
    for (vehicle, days) in plan.vehicles.iter().zip(lived) {
        for day in days.iter().filter(|day| day.reported) {
            for (all, own) in passages.iter_mut().zip(&day.lived.passages) {
                *all += u64::from(*own);
            }
            for off in &day.lived.pole_offs {
                let count = counts.entry((off.work, off.cause)).or_default();
                count.0 += 1;
                if !count.1.contains(&vehicle.number) {
                    count.1.push(vehicle.number);
                }
            }
        }
    }
    counts
        .into_iter()
        .map(|((work, cause), (pole_offs, vehicles))| PlaceCount {
            special_work: work.map_or_else(String::new, |work| town.special_work[work].id.clone()),
            cause: cause.word(),
            pole_offs,
            vehicles: vehicles.len(),
            passages: work.map_or(0, |work| passages[work]),
        })
        .collect()
}
