//! Hot days, explained in parts.
//!
//! Vehicle-days and the fitted model in, [`HotDay`]s out. Pure.

use super::model::{Model, SICK_K, VehicleDay, median};
use crate::fleet::stats::trend;

/// A day is hot from this peak on. A choice: by a rule of thumb cells age twice as fast for every 10 K more. Unit: °C.
pub const HOT_C: f64 = 40.0;
/// Where fewer days than this share reach [`HOT_C`], so many of the hottest are hot, but none below `COOL_C`. Unit: °C.
const HOTTEST_SHARE: f64 = 0.01;
const COOL_C: f64 = 30.0;
/// A cooler day is hot, too, if so much of its peak is explained by neither weather nor work. Unit: K.
pub const HOT_FOR_THE_DAY_K: f64 = 6.0;
/// A line is taken where its slope is above none with this two-sided probability.
const LINE_SURE: f64 = 0.98;
/// In a month with fewer days a pack's part is what it adds over the whole time.
const DAYS_LEAST: usize = 8;

/// What added most to a hot day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// Warmer weather than usual.
    Weather,
    /// More work than usual.
    Work,
    /// What this pack adds of its own.
    Pack,
    /// What that day alone added.
    Unexplained,
}

impl Why {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Weather => "weather",
            Self::Work => "work",
            Self::Pack => "this pack",
            Self::Unexplained => "unexplained",
        }
    }
}

/// A hot day, in parts that add up to its peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HotDay {
    /// Number of the pack.
    pub pack: usize,
    /// Days since 1970-01-01.
    pub day: f64,
    /// Unit: °C.
    pub peak: f64,
    /// On a usual day of a usual pack. Unit: °C.
    pub usual: f64,
    /// Unit: K.
    pub weather: f64,
    /// Unit: K.
    pub work: f64,
    /// What this pack adds in that month, for the work of that day. Unit: K.
    pub own: f64,
    /// Unit: K.
    pub unexplained: f64,
    /// What added most.
    pub why: Why,
    /// Whether it would not have been hot but for what this pack adds, and that is more than sound packs differ.
    pub but_for_pack: bool,
}

/// From which peak on a day is hot, in this fleet and climate. Unit: °C.
pub fn limit(days: &[VehicleDay]) -> f64 {
    let mut peaks: Vec<f64> = days.iter().map(|day| day.peak).collect();
    peaks.sort_by(|a, b| b.total_cmp(a));
    let share = (peaks.len() as f64 * HOTTEST_SHARE) as usize;
    peaks.get(share).map_or(HOT_C, |peak| peak.clamp(COOL_C, HOT_C))
}

/// Finds the hot days, those that reach `limit`, and those that were hot for the day; by pack, then day.
pub fn hot_days(days: &[VehicleDay], model: &Model, limit: f64) -> Vec<HotDay> {
    let month = |day: f64| (day / 30.436_875).floor() as i64;
    let mut order: Vec<(&VehicleDay, f64)> =
        days.iter().filter_map(|day| Some((day, model.own(day).filter(|own| own.is_finite())?))).collect();
    order.sort_by(|(a, _), (b, _)| (a.pack, a.day).partial_cmp(&(b.pack, b.day)).unwrap_or(std::cmp::Ordering::Equal));
    let mut hot = Vec::new();
    for days in order.chunk_by(|(a, _), (b, _)| a.pack == b.pack && month(a.day) == month(b.day)) {
        let adds = Adds::of(days, model);
        for (day, left) in days {
            if day.peak < limit && *left < HOT_FOR_THE_DAY_K {
                continue;
            }
            let Some((weather, work)) = model.explained(day) else { continue };
            let own = adds.on(model.work(day));
            let unexplained = left - own;
            let (why, but_for_pack) = why(day.peak - limit, weather, work, own, unexplained);
            hot.push(HotDay {
                pack: day.pack,
                day: day.day,
                peak: day.peak,
                usual: model.usual,
                weather,
                work,
                own,
                unexplained,
                why,
                but_for_pack,
            });
        }
    }
    hot
}

/// What a pack adds in a month. A pack of too much resistance adds more, the more it works: where its days say so beyond
/// doubt, what it adds follows a straight line over their work; else it is the middle of its days.
struct Adds {
    middle: f64,
    /// Slope, and the work at which the line passes the middle.
    line: Option<(f64, f64)>,
}

impl Adds {
    fn of(days: &[(&VehicleDay, f64)], model: &Model) -> Self {
        let over_all = model.effects.get(days[0].0.pack).map_or(0.0, |effect| effect.value);
        if days.len() < DAYS_LEAST {
            return Self { middle: over_all, line: None };
        }
        let (work, own): (Vec<f64>, Vec<f64>) =
            days.iter().filter_map(|(day, own)| Some((model.work(day)?, *own))).unzip();
        let slope = trend::theil_sen(&work, &own, LINE_SURE).filter(|slope| slope.low > 0.0);
        let mut own = own;
        let mut work = work;
        Self { middle: median(&mut own), line: slope.map(|slope| (slope.slope, median(&mut work))) }
    }

    fn on(&self, work: Option<f64>) -> f64 {
        match (self.line, work) {
            (Some((slope, usual)), Some(work)) => self.middle + slope * (work - usual),
            _ => self.middle,
        }
    }
}

/// What added most, and whether it would not have been hot but for the pack; `above` the limit, or below it: then it was
/// hot for the day, whose weather and work are no reason.
fn why(above: f64, weather: f64, work: f64, own: f64, unexplained: f64) -> (Why, bool) {
    let but_for_pack = own >= SICK_K && above < own;
    let mut parts = vec![(Why::Pack, own), (Why::Unexplained, unexplained)];
    if above >= 0.0 {
        parts.extend([(Why::Work, work), (Why::Weather, weather)]);
    }
    let most = parts.into_iter().max_by(|a, b| a.1.total_cmp(&b.1));
    (most.map_or(Why::Unexplained, |most| most.0), but_for_pack)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_the_packs_if_it_added_most_and_but_for_it_if_it_decided() {
        assert_eq!(why(2.0, 14.0, 2.0, 6.0, 0.5), (Why::Weather, true));
        assert_eq!(why(8.0, 20.0, 2.0, 6.0, 0.5), (Why::Weather, false));
        assert_eq!(why(2.0, 3.0, 14.0, 1.0, 0.5), (Why::Work, false));
        assert_eq!(why(1.0, 5.0, 1.0, 0.2, 7.0), (Why::Unexplained, false));
        assert_eq!(why(1.0, 5.0, 1.0, 9.0, 1.0), (Why::Pack, true));
        // Sound packs differ, too.
        assert_eq!(why(1.0, 12.0, 1.0, 2.0, 1.0), (Why::Weather, false));
        // A winter's day that was too warm for it.
        assert_eq!(why(-16.0, -8.0, 1.0, 7.0, 1.0), (Why::Pack, true));
    }
}
