//! Which ambient sensors lie, and by how much.
//!
//! A sensor on the roof shows sun and waste heat, too. What each one said is set against the middle of what all said in
//! the same hours, week by week; and, where signals are there, against the vehicles parked beside it, in the first
//! minutes of the morning, when there is neither sun nor waste heat.
//!
//! Weeks in, [`Bias`] out. Pure.

use std::collections::BTreeMap;

use super::model::median;
use super::parked::Parked;
use crate::fleet::stats::trend;

/// What a vehicle's sensor said above the others in a week.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorWeek {
    /// Fleet number.
    pub vehicle: String,
    /// First day. Days since 1970-01-01.
    pub from: f64,
    /// Middle of its runs' differences. Unit: K.
    pub above: f64,
}

/// How far a sensor is off.
#[derive(Debug, Clone, PartialEq)]
pub struct Bias {
    /// Fleet number.
    pub vehicle: String,
    /// Shown above what is there, or since `since`; drawn towards none. Unit: K.
    pub bias: f64,
    /// Standard error. Unit: K.
    pub error: f64,
    /// Probability that it is off by more than [`OFF_K`], either way.
    pub off: f64,
    /// Weeks that it rests on.
    pub weeks: usize,
    /// When it began to be off, if it began suddenly.
    pub since: Option<f64>,
    /// In the warm half of the weeks, and in the cold half: sun makes them differ. Unit: K.
    pub warm_cold: Option<(f64, f64)>,
    /// Parked in the morning, beside the others of its yard; none without signals of enough mornings.
    pub parked: Option<Parked>,
    /// Week by week: first day, and K above the others.
    pub course: Vec<(f64, f64)>,
}

/// A sensor that is off by more than this misleads. Common sensors are good to 0.5 to 1 K. Unit: K.
pub const OFF_K: f64 = 1.5;
/// Named as off from this probability on.
pub const SURE: f64 = 0.95;
const WEEKS_LEAST: usize = 4;
/// A step is one if chance makes it so seldom, and if it is as large as what misleads.
const STEP_P: f64 = 0.001;

/// Judges each sensor. `town` is how warm each week was, by its first day.
pub fn judge(weeks: &[SensorWeek], town: &BTreeMap<i64, f64>) -> Vec<Bias> {
    let mut of_vehicle: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
    for week in weeks {
        of_vehicle.entry(&week.vehicle).or_default().push((week.from, week.above));
    }
    let mut found: Vec<Bias> = of_vehicle
        .into_iter()
        .filter(|(_, course)| course.len() >= WEEKS_LEAST)
        .map(|(vehicle, mut course)| {
            course.sort_by(|a, b| a.0.total_cmp(&b.0));
            let (x, y): (Vec<f64>, Vec<f64>) = course.iter().copied().unzip();
            let step = trend::step(&x, &y).filter(|step| step.p < STEP_P && step.size.abs() >= OFF_K);
            let since = step.map(|step| step.at);
            let lately: Vec<f64> =
                course.iter().filter(|week| since.is_none_or(|since| week.0 >= since)).map(|week| week.1).collect();
            let (bias, error) = middle(&lately);
            Bias {
                vehicle: vehicle.to_owned(),
                bias,
                error,
                off: 0.0,
                weeks: lately.len(),
                since,
                warm_cold: warm_cold(&course, town),
                parked: None,
                course,
            }
        })
        .filter(|bias| bias.bias.is_finite() && bias.error.is_finite())
        .collect();
    // How far sensors are off in this fleet, those that lie included: what each one is drawn by.
    let square = found.iter().map(|bias| bias.bias.powi(2)).sum::<f64>() / found.len().max(1) as f64;
    for bias in &mut found {
        let known2 = 1.0 / (1.0 / bias.error.powi(2) + 1.0 / square.max(0.04));
        bias.bias *= known2 / bias.error.powi(2);
        bias.error = known2.sqrt();
        let above = |limit: f64| 0.5 * libm::erfc((limit - bias.bias) / bias.error / std::f64::consts::SQRT_2);
        bias.off = above(OFF_K) + (1.0 - above(-OFF_K));
    }
    found
}

/// Mean of weeks and its standard error. No less than the tenth of a kelvin that a definition's steps are.
fn middle(weeks: &[f64]) -> (f64, f64) {
    let n = weeks.len() as f64;
    let mean = weeks.iter().sum::<f64>() / n;
    let variance = weeks.iter().map(|week| (week - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean, (variance / n).sqrt().max(0.05))
}

fn warm_cold(course: &[(f64, f64)], town: &BTreeMap<i64, f64>) -> Option<(f64, f64)> {
    let known: Vec<(f64, f64)> =
        course.iter().filter_map(|(from, above)| Some((*town.get(&(*from as i64))?, *above))).collect();
    let mut temperatures: Vec<f64> = known.iter().map(|week| week.0).collect();
    let mid = median(&mut temperatures);
    let of = |warm: bool| {
        let mut half: Vec<f64> = known.iter().filter(|week| (week.0 > mid) == warm).map(|week| week.1).collect();
        (half.len() >= WEEKS_LEAST).then(|| median(&mut half))
    };
    Some((of(true)?, of(false)?))
}
