//! The weather over Velmora: air temperature, wet and ice, as a function of seed and time alone.

use super::chance::Chance;

/// Weather at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weather {
    /// Air temperature. Unit: °C. A temperate town: about −15 to 36.
    pub air_c: f64,
    /// Rain or snow is falling.
    pub wet: bool,
    /// Ice on the wires: about freezing, and wet now or within the last three hours.
    pub ice: bool,
}

/// Coldest day of the year, counted from 1 January.
const COLDEST_DAY: f64 = 20.0;
/// Days over which the weather keeps its mood.
const MOOD_DAYS: i64 = 4;

/// Weather of `seed` at a local time: whole days since 1970-01-01, and hours since that day's midnight (may pass 24).
pub fn weather(seed: u64, local_day: i64, hour: f64) -> Weather {
    let day = local_day as f64 + hour / 24.0;
    let season = libm::cos(std::f64::consts::TAU * (day - COLDEST_DAY) / 365.2425);
    let clock = libm::cos(std::f64::consts::TAU * (hour - 15.0) / 24.0);
    let swing = 3.0 - 1.6 * season;
    let air_c = 10.0 - 10.5 * season + swing * clock + mood(seed, day);
    let block = (day * 8.0).floor() as i64;
    let wet = is_wet(seed, block);
    let ice = air_c < 0.5 && (wet || is_wet(seed, block - 1));
    Weather { air_c, wet, ice }
}

/// How much the sun shines, 0 to 1: by its height, and by clouds that change every three hours.
pub(crate) fn sun(seed: u64, local_day: i64, hour: f64) -> f64 {
    let day = local_day as f64 + hour / 24.0;
    let block = (day * 8.0).floor() as i64;
    if is_wet(seed, block) {
        return 0.0;
    }
    let season = libm::cos(std::f64::consts::TAU * (day - COLDEST_DAY) / 365.2425);
    // Sine of the height at 44° north, near enough.
    let height =
        0.45 - 0.27 * season + (0.67 - 0.05 * season) * libm::cos(std::f64::consts::TAU * (hour - 12.5) / 24.0);
    let clear = Chance::of(seed, "clouds", &[block as u64]).between(0.2, 1.0);
    (clear * height).clamp(0.0, 1.0)
}

/// How much warmer than the season, drifting between a draw every few days.
fn mood(seed: u64, day: f64) -> f64 {
    let step = (day / MOOD_DAYS as f64).floor();
    let part = day / MOOD_DAYS as f64 - step;
    let draw = |index: i64| 3.2 * Chance::of(seed, "mood", &[index as u64]).bell();
    draw(step as i64) * (1.0 - part) + draw(step as i64 + 1) * part
}

fn is_wet(seed: u64, block: i64) -> bool {
    Chance::of(seed, "wet", &[block as u64]).happens(0.25)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn winter_is_colder_than_summer_and_night_than_day() {
        let mean = |from: i64, hour: f64| (from..from + 40).map(|d| weather(5, d, hour).air_c).sum::<f64>() / 40.0;
        let (january, july) = (20_454, 20_454 + 182); // 2026-01-01 is day 20 454
        assert!(mean(january, 14.0) + 12.0 < mean(july, 14.0));
        assert!(mean(july, 4.0) + 4.0 < mean(july, 15.0));
        for day in january..january + 365 {
            let air_c = weather(5, day, 12.0).air_c;
            assert!((-25.0..42.0).contains(&air_c), "{air_c} °C");
        }
    }

    #[test]
    fn ice_needs_frost() {
        for day in 20_454..20_454 + 365 {
            let now = weather(9, day, 7.0);
            assert!(!now.ice || now.air_c < 0.5);
        }
    }
}
