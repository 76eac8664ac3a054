//! Hot days, explained in parts.
//!
//! Vehicle-days and the fitted model in, [`HotDay`]s out. Pure.

use super::model::{Model, SICK_K, VehicleDay, median};

/// A day is hot from this peak on. A choice: by a rule of thumb cells age twice as fast for every 10 K more. Unit: °C.
pub const HOT_C: f64 = 40.0;
/// Where fewer days than this share reach [`HOT_C`], so many of the hottest are hot, but none below `COOL_C`. Unit: °C.
const HOTTEST_SHARE: f64 = 0.01;
const COOL_C: f64 = 30.0;
/// A cooler day is hot, too, if so much of its peak is explained by neither weather nor work. Unit: K.
pub const HOT_FOR_THE_DAY_K: f64 = 6.0;
/// In a month with fewer days a pack's part is what it adds over the whole time.
const DAYS_LEAST: usize = 8;

/// Why a day was hot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// Weather alone would have done it, or did most.
    Weather,
    /// Work did most.
    Work,
    /// Without what this pack adds it would not have been hot.
    Pack,
    /// Without something of that day alone it would not have been hot.
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
    /// What this pack adds in that month. Unit: K.
    pub own: f64,
    /// Unit: K.
    pub unexplained: f64,
    /// Why it was hot.
    pub why: Why,
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
        let mut own: Vec<f64> = days.iter().map(|day| day.1).collect();
        let over_all = model.effects.get(days[0].0.pack).map_or(0.0, |effect| effect.value);
        let own = if own.len() >= DAYS_LEAST { median(&mut own) } else { over_all };
        for (day, left) in days {
            if day.peak < limit && *left < HOT_FOR_THE_DAY_K {
                continue;
            }
            let Some((weather, work)) = model.explained(day) else { continue };
            let unexplained = left - own;
            let why = why(day.peak - limit, weather, work, own, unexplained);
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
            });
        }
    }
    hot
}

/// What someone can do something about comes first: the pack, if it adds more than a sound one does and the day would
/// not have been hot without; then what that day alone added, likewise; else the greater of weather and work.
fn why(above: f64, weather: f64, work: f64, own: f64, unexplained: f64) -> Why {
    let decides = |part: f64| part >= SICK_K && (above < 0.0 || above < part);
    if decides(own) && own >= unexplained {
        Why::Pack
    } else if decides(unexplained) {
        Why::Unexplained
    } else if decides(own) {
        Why::Pack
    } else if work > weather {
        Why::Work
    } else {
        Why::Weather
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_the_packs_only_if_it_would_not_have_been_hot_without() {
        assert_eq!(why(2.0, 14.0, 2.0, 6.0, 0.5), Why::Pack);
        assert_eq!(why(8.0, 20.0, 2.0, 6.0, 0.5), Why::Weather);
        assert_eq!(why(2.0, 3.0, 14.0, 1.0, 0.5), Why::Work);
        assert_eq!(why(1.0, 12.0, 1.0, 0.2, 7.0), Why::Unexplained);
        // Sound packs differ, too.
        assert_eq!(why(1.0, 12.0, 1.0, 2.0, 1.0), Why::Weather);
        // A winter's day that was too warm for it.
        assert_eq!(why(-16.0, -8.0, 1.0, 7.0, 1.0), Why::Pack);
    }
}
