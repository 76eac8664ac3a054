//! One series of readings in; how it drifts, where it stepped, and when it crosses its limits out. Pure.
//!
//! Powers are reckoned in dB, since light fades by a share and not by an amount. A sudden step for the worse (a
//! connector disturbed, a cable that people stepped on) is taken out before the slow drift is reckoned, so that it is
//! not mistaken for ageing. After a step for the better something was cleaned or replaced, and what was before it is
//! history. Slopes are Theil's and Sen's, their significance Mann's and Kendall's.

use crate::fleet::stats::optical::dbm;
use crate::fleet::stats::trend::{Crossing, Good, Slope, Step, crossing_from, mann_kendall, step, theil_sen};

/// Level of all intervals here.
pub const LEVEL: f64 = 0.9;
/// So improbable by drift and scatter alone must a step be. There are some hundred series in a fleet.
const STEP_P: f64 = 0.002;
/// Smaller steps are of no consequence. Unit: dB.
const STEP_LEAST_DB: f64 = 0.5;
/// The same where it is not decibels: so much of the middle of the readings.
const STEP_LEAST_SHARE: f64 = 0.05;
/// So improbable without a trend, in its direction, must a trend be, to be called one.
const TREND_P: f64 = 0.05;
/// Fewer readings tell nothing of a trend.
const TREND_FROM: usize = 4;
/// More than so many readings are gathered into so many medians.
const POINTS_MOST: usize = 80;
/// A crossing further away is not said: nobody knows. Unit: days.
const AHEAD_MOST_DAYS: f64 = 3.0 * 365.25;

/// What a channel may read.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Limits {
    /// Whether it is a power.
    pub decibels: bool,
    /// Whether lower is worse.
    pub falls: bool,
    /// What a new one reads.
    pub new: Option<f64>,
    /// From here it is suspect.
    pub suspect: Option<f64>,
    /// The recheck limit.
    pub recheck: Option<f64>,
    /// From here it may fail any day.
    pub marginal: Option<f64>,
}

/// Common practice for optical links. Unit: µW.
pub const OPTICAL: Limits = Limits {
    decibels: true,
    falls: true,
    new: Some(120.0),
    suspect: Some(60.0),
    recheck: Some(40.0),
    marginal: Some(20.0),
};

/// Where the last readings stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Better than suspect, or without a limit.
    Good,
    /// Beyond the suspect level.
    Suspect,
    /// Beyond the recheck limit.
    Recheck,
    /// It may fail any day.
    Marginal,
    /// The last reading was no light at all.
    Dark,
}

/// How it moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moves {
    /// Too few readings to say.
    Untold,
    /// No trend beyond scatter, and no step.
    Steady,
    /// Slowly, for the worse.
    Ageing,
    /// It stepped for the worse, and does not drift beside that.
    Stepped,
    /// It stepped for the worse, and drifts too.
    SteppedAndAgeing,
    /// For the better.
    Improving,
}

/// A step, in days since 1970-01-01 and the units of the scale; negative is for the worse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stepped {
    /// When, between two readings.
    pub at: f64,
    /// How much for the better; negative, for the worse.
    pub better_by: f64,
    /// Probability that drift and scatter look as much like one.
    pub p: f64,
}

/// A series, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Readings that could be used.
    pub used: usize,
    /// Readings of no light, which have no decibels.
    pub dark: usize,
    /// The last reading, in the channel's unit.
    pub last: f64,
    /// Day of it.
    pub last_day: f64,
    /// Where it stands: by the middle of its last three readings since the last step.
    pub standing: Standing,
    /// How it moves.
    pub moves: Moves,
    /// Units (dB for powers) a day since the last repair, steps taken out.
    pub slope: Option<Slope>,
    /// Probability of such a trend without one.
    pub p: Option<f64>,
    /// All steps, in the order of time.
    pub steps: Vec<Stepped>,
    /// When it crosses the recheck limit.
    pub recheck: Crossing,
    /// When it may fail any day.
    pub marginal: Crossing,
    /// Day and reading from which on it was reckoned: the first since the last repair.
    pub since: f64,
}

/// Judges a series: days and values, in any order. None where nothing can be used.
pub fn judge(points: &[(f64, f64)], limits: &Limits) -> Option<Judged> {
    let mut points: Vec<(f64, f64)> =
        points.iter().copied().filter(|(day, value)| day.is_finite() && value.is_finite()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let &(last_day, last) = points.last()?;
    let scaled: Vec<(f64, f64)> =
        points.iter().filter_map(|&(day, value)| Some((day, scale(value, limits)?))).collect();
    let dark = points.len() - scaled.len();
    let gathered = gather(since_replaced(&scaled, limits));
    let (x, y): (Vec<f64>, Vec<f64>) = gathered.into_iter().unzip();
    let (x, y, steps) = without_steps(x, y, limits);
    let is_dark = limits.decibels && last <= 0.0;
    let standing = if is_dark { Standing::Dark } else { standing(&y, limits) };
    let slope = if x.len() >= TREND_FROM { theil_sen(&x, &y, LEVEL) } else { None };
    let p = if x.len() >= TREND_FROM { mann_kendall(&y).map(|trend| trend.p) } else { None };
    let trend = match (slope, p) {
        (Some(slope), Some(p)) if p / 2.0 < TREND_P && slope.slope != 0.0 => Some(slope.slope * sign(limits)),
        _ => None,
    };
    let stepped_worse = steps.iter().any(|step| step.better_by < 0.0 && step.at >= x.first().copied().unwrap_or(0.0));
    let moves = match trend {
        _ if slope.is_none() && !stepped_worse => Moves::Untold,
        Some(better) if better > 0.0 => Moves::Improving,
        Some(_) if stepped_worse => Moves::SteppedAndAgeing,
        Some(_) => Moves::Ageing,
        None if stepped_worse => Moves::Stepped,
        None => Moves::Steady,
    };
    let ageing = matches!(moves, Moves::Ageing | Moves::SteppedAndAgeing);
    let cross = |limit: Option<f64>, reached: Standing| match limit.and_then(|limit| scale(limit, limits)) {
        None => Crossing::Unknown,
        Some(_) if standing >= reached => Crossing::Already,
        Some(_) if slope.is_none() => Crossing::Unknown,
        // Without a trend beyond scatter no date is said: it would be the scatter's.
        Some(_) if !ageing => Crossing::Never,
        Some(limit) => {
            let good = if limits.falls { Good::Above } else { Good::Below };
            match crossing_from(&x, &y, limit, good, LEVEL) {
                Crossing::At { expected, .. } if expected > last_day + AHEAD_MOST_DAYS => Crossing::Never,
                other => other,
            }
        }
    };
    let (recheck, marginal) = (cross(limits.recheck, Standing::Recheck), cross(limits.marginal, Standing::Marginal));
    let since = x.first().copied().unwrap_or(last_day);
    Some(Judged {
        used: scaled.len(),
        dark,
        last,
        last_day,
        standing,
        moves,
        slope,
        p,
        steps,
        recheck,
        marginal,
        since,
    })
}

/// A value on the scale in which drift is reckoned; none for no light.
pub fn scale(value: f64, limits: &Limits) -> Option<f64> {
    if limits.decibels { dbm(value) } else { value.is_finite().then_some(value) }
}

/// The readings since the last jump for the better that only a new part, or a repair, makes: by half of the way from the
/// recheck limit to new, and lasting for a second reading.
fn since_replaced<'a>(points: &'a [(f64, f64)], limits: &Limits) -> &'a [(f64, f64)] {
    let ends = limits.new.zip(limits.recheck);
    let Some((new, recheck)) = ends.and_then(|(new, recheck)| scale(new, limits).zip(scale(recheck, limits))) else {
        return points;
    };
    let least = (new - recheck) * sign(limits) / 2.0;
    if least.is_nan() || least <= 0.0 {
        return points;
    }
    let better = |from: usize, to: usize| (points[to].1 - points[from].1) * sign(limits);
    let lasts = |at: usize| at + 1 >= points.len() || better(at - 1, at + 1) >= least / 2.0;
    let last = (1..points.len()).rev().find(|&at| better(at - 1, at) >= least && lasts(at));
    &points[last.unwrap_or(0)..]
}

/// Positive where higher is better.
fn sign(limits: &Limits) -> f64 {
    if limits.falls { 1.0 } else { -1.0 }
}

/// At most [`POINTS_MOST`] points: medians of as many stretches of equal length.
fn gather(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    if points.len() <= POINTS_MOST || last.0 <= first.0 {
        return points.to_vec();
    }
    let width = (last.0 - first.0) / POINTS_MOST as f64;
    let stretch = |day: f64| (((day - first.0) / width) as usize).min(POINTS_MOST - 1);
    points
        .chunk_by(|a, b| stretch(a.0) == stretch(b.0))
        .map(|chunk| {
            let middle = |mut values: Vec<f64>| {
                values.sort_by(f64::total_cmp);
                let half = values.len() / 2;
                if values.len() % 2 == 1 { values[half] } else { f64::midpoint(values[half - 1], values[half]) }
            };
            (middle(chunk.iter().map(|p| p.0).collect()), middle(chunk.iter().map(|p| p.1).collect()))
        })
        .collect()
}

/// Takes steps for the worse out of the readings before them, and leaves away what was before one for the better.
fn without_steps(mut x: Vec<f64>, mut y: Vec<f64>, limits: &Limits) -> (Vec<f64>, Vec<f64>, Vec<Stepped>) {
    let mut steps = Vec::new();
    // Each round takes one step out; more than a handful are no steps.
    for _ in 0..4 {
        let Some(found) = step(&x, &y).filter(|found| is_step(found, &y, limits)) else { break };
        let better_by = found.size * sign(limits);
        steps.push(Stepped { at: found.at, better_by, p: found.p });
        let after = x.partition_point(|&day| day < found.at);
        if better_by > 0.0 {
            x.drain(..after);
            y.drain(..after);
        } else {
            y[..after].iter_mut().for_each(|value| *value += found.size);
        }
    }
    steps.sort_by(|a, b| a.at.total_cmp(&b.at));
    (x, y, steps)
}

fn is_step(found: &Step, y: &[f64], limits: &Limits) -> bool {
    let least = if limits.decibels {
        STEP_LEAST_DB
    } else {
        let mut sizes: Vec<f64> = y.iter().map(|value| value.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        STEP_LEAST_SHARE * sizes.get(sizes.len() / 2).copied().unwrap_or(0.0)
    };
    found.p < STEP_P && found.size.abs() >= least && found.size.is_finite()
}

/// By the middle of the last three values.
fn standing(y: &[f64], limits: &Limits) -> Standing {
    let mut last: Vec<f64> = y.iter().rev().take(3).copied().collect();
    last.sort_by(f64::total_cmp);
    let Some(&now) = last.get(last.len() / 2) else { return Standing::Good };
    let beyond = |limit: Option<f64>| {
        let limit = limit.and_then(|limit| scale(limit, limits));
        limit.is_some_and(|limit| if limits.falls { now <= limit } else { now >= limit })
    };
    if beyond(limits.marginal) {
        Standing::Marginal
    } else if beyond(limits.recheck) {
        Standing::Recheck
    } else if beyond(limits.suspect) {
        Standing::Suspect
    } else {
        Standing::Good
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings every 60 days, fading by `db_a_year` from 120 µW, with a scatter of a few hundredths of a dB.
    fn fading(count: usize, db_a_year: f64) -> Vec<(f64, f64)> {
        (0..count)
            .map(|n| {
                let day = 20_000.0 + 60.0 * n as f64;
                let scatter = 0.05 * ((n * 7 % 5) as f64 - 2.0);
                (day, 120.0 * 10_f64.powf((-db_a_year * 60.0 * n as f64 / 365.25 + scatter) / 10.0))
            })
            .collect()
    }

    #[test]
    fn slow_ageing_has_a_date_with_an_interval() {
        let judged = judge(&fading(10, 2.0), &OPTICAL).unwrap();
        assert_eq!(judged.moves, Moves::Ageing, "{judged:?}");
        assert!((judged.slope.unwrap().slope * 365.25 + 2.0).abs() < 0.3, "{judged:?}");
        // 120 to 40 µW are 4.771 dB (by the definition of the decibel): 871 days at 2 dB a year.
        let Crossing::At { earliest, expected, latest } = judged.recheck else { panic!("{judged:?}") };
        assert!((expected - 20_000.0 - 871.0).abs() < 90.0, "{expected}");
        assert!(earliest <= expected && latest.is_none_or(|latest| latest >= expected));
    }

    #[test]
    fn a_disturbed_connector_is_a_step_and_no_ageing() {
        let mut points = fading(14, 0.0);
        points[9..].iter_mut().for_each(|point| point.1 *= 0.5);
        let judged = judge(&points, &OPTICAL).unwrap();
        assert_eq!(judged.moves, Moves::Stepped, "{judged:?}");
        assert!((judged.steps[0].better_by + 3.0103).abs() < 0.3, "half the power is 3.01 dB: {judged:?}");
        assert_eq!(judged.recheck, Crossing::Never);
        assert_eq!(judged.standing, Standing::Suspect);
    }

    #[test]
    fn what_was_before_a_repair_is_history() {
        let mut points = fading(8, 3.0);
        let repaired: Vec<(f64, f64)> = fading(8, 0.0).into_iter().map(|(day, value)| (day + 480.0, value)).collect();
        points.extend(repaired);
        let judged = judge(&points, &OPTICAL).unwrap();
        assert_eq!(judged.moves, Moves::Steady, "{judged:?}");
        assert_eq!(judged.since, 20_480.0);
    }

    #[test]
    fn a_new_part_begins_anew() {
        let limits = Limits { falls: true, new: Some(22.0), recheck: Some(11.0), ..Limits::default() };
        let worn = [22.0, 18.5, 14.6, 11.2, 9.0, 21.8, 18.0, 14.4, 11.9];
        let points: Vec<(f64, f64)> = worn.iter().enumerate().map(|(at, mm)| (7.0 * at as f64, *mm)).collect();
        let judged = judge(&points, &limits).unwrap();
        assert_eq!((judged.since, judged.moves), (35.0, Moves::Ageing), "{judged:?}");
        let Crossing::At { expected, .. } = judged.recheck else { panic!("{judged:?}") };
        assert!((56.0..62.0).contains(&expected), "{expected}");
        let mut wild = points[..5].to_vec();
        wild[3].1 = 21.5;
        assert_eq!(since_replaced(&wild, &limits).len(), 5, "one wild reading is no new part");
    }

    #[test]
    fn no_light_is_no_decibels() {
        let mut points = fading(6, 0.0);
        points.push((20_400.0, 0.0));
        let judged = judge(&points, &OPTICAL).unwrap();
        assert_eq!((judged.dark, judged.standing), (1, Standing::Dark));
        assert!(judged.slope.unwrap().slope.is_finite());
        let judged = judge(&[(20_400.0, 0.0)], &OPTICAL).unwrap();
        assert_eq!((judged.used, judged.standing, judged.moves), (0, Standing::Dark, Moves::Untold));
    }

    #[test]
    fn wear_that_rises_and_few_readings() {
        let limits = Limits { recheck: Some(10.0), ..Limits::default() };
        let points: Vec<(f64, f64)> =
            (0..8).map(|n| (f64::from(n) * 30.0, f64::from(n) + 0.1 * f64::from(n % 2))).collect();
        let judged = judge(&points, &limits).unwrap();
        assert_eq!(judged.moves, Moves::Ageing);
        assert!(matches!(judged.recheck, Crossing::At { .. }), "{judged:?}");
        let judged = judge(&points[..2], &limits).unwrap();
        assert_eq!((judged.moves, judged.recheck), (Moves::Untold, Crossing::Unknown));
        assert_eq!(judge(&[], &limits), None);
        assert_eq!(judge(&[(f64::NAN, 1.0)], &limits), None);
    }

    #[test]
    fn a_daily_series_of_years_is_gathered() {
        let points: Vec<(f64, f64)> = (0..1000).map(|n| (f64::from(n), 100.0)).collect();
        assert!(gather(&points).len() <= POINTS_MOST);
        assert_eq!(gather(&[(1.0, 2.0); 200]).len(), 200, "all on one day");
        assert_eq!(judge(&points, &OPTICAL).unwrap().moves, Moves::Steady);
    }
}
