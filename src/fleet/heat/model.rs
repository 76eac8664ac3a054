//! How hot a battery gets for the weather and its work, and what each pack adds of its own.
//!
//! Vehicle-days in, a [`Model`] out. Pure.
//!
//! Peak temperature on ambient temperature, km off the wire and charge drawn, with an effect of each pack: a robust fit,
//! so that the sick do not set what is usual. Work counts by its square, too: a battery that has run long enough grows no
//! hotter for running longer. What a pack adds is then followed week by week, since it may fall sick at
//! any time; weeks, because one day is much like the day before.

use crate::fleet::stats::linear;

/// A vehicle's day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VehicleDay {
    /// Number of its pack.
    pub pack: usize,
    /// Days since 1970-01-01.
    pub day: f64,
    /// Highest temperature of the battery. Unit: °C.
    pub peak: f64,
    /// Its mean temperature. Unit: °C.
    pub mean: Option<f64>,
    /// Mean of the vehicle's own ambient sensor. Unit: °C.
    pub own: Option<f64>,
    /// What the fleet's sensors said in the same hours, in the middle. Unit: °C.
    pub town: Option<f64>,
    /// Driven off the wire. Unit: km.
    pub km: Option<f64>,
    /// Drawn from the battery. Unit: A·h.
    pub charge: Option<f64>,
}

/// What heats a battery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// Ambient temperature, by the fleet's sensors.
    Town,
    /// Ambient temperature, by the vehicle's own sensor.
    Own,
    /// Km off the wire.
    Kilometres,
    /// A·h drawn.
    Charge,
    /// Km off the wire, squared.
    KilometresSquared,
    /// A·h drawn, squared.
    ChargeSquared,
}

impl Cause {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Town => "ambient, by the fleet's sensors",
            Self::Own => "ambient, by its own sensor",
            Self::Kilometres => "off the wire",
            Self::Charge => "charge drawn",
            Self::KilometresSquared => "off the wire, squared",
            Self::ChargeSquared => "charge drawn, squared",
        }
    }

    /// Unit of its coefficient.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Town | Self::Own => "K/K",
            Self::Kilometres => "K/km",
            Self::Charge => "K/(A.h)",
            Self::KilometresSquared => "K/km2",
            Self::ChargeSquared => "K/(A.h)2",
        }
    }

    /// Whether it is weather; else it is work.
    pub fn is_weather(self) -> bool {
        matches!(self, Self::Town | Self::Own)
    }

    fn of(self, day: &VehicleDay) -> Option<f64> {
        match self {
            Self::Town => day.town,
            Self::Own => day.own,
            Self::Kilometres => day.km,
            Self::Charge => day.charge,
            Self::KilometresSquared => day.km.map(|km| km * km),
            Self::ChargeSquared => day.charge.map(|charge| charge * charge),
        }
    }
}

/// A cause's part in the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    /// Which.
    pub cause: Cause,
    /// K for one more of it.
    pub slope: f64,
    /// Its standard error.
    pub error: f64,
    /// What is usual: the median over all vehicle-days.
    pub usual: f64,
}

/// What was fitted.
#[derive(Debug, Clone, Default)]
pub struct Model {
    /// The causes.
    pub terms: Vec<Term>,
    /// Temperature on a usual day of a usual pack. Unit: °C.
    pub usual: f64,
    /// What each pack adds over the whole time, and its standard error; drawn towards none. Unit: K.
    pub effects: Vec<linear::Effect>,
    /// Standard deviation of sound packs' effects. Unit: K.
    pub spread: f64,
    /// Standard deviation of a sound day about the fit. Unit: K.
    pub scale: f64,
    /// Vehicle-days used.
    pub days: usize,
}

/// Days to fit, at least.
const DAYS_LEAST: usize = 30;
/// Days to fit, at most: of more, every second, third, … of each pack. Slopes are known to a thousandth by then.
const DAYS_MOST: usize = 12_000;

/// Fits `y` of each day on those `causes` that are known and vary. None: too few days, or none of the causes.
pub fn fit(
    days: &[VehicleDay],
    packs: usize,
    causes: &[Cause],
    y: impl Fn(&VehicleDay) -> Option<f64>,
) -> Option<Model> {
    let causes: Vec<Cause> = causes.iter().copied().filter(|cause| varies(days, *cause)).collect();
    let used: Vec<(&VehicleDay, f64)> = days
        .iter()
        .filter(|day| causes.iter().all(|cause| cause.of(day).is_some_and(f64::is_finite)))
        .filter_map(|day| Some((day, y(day).filter(|y| y.is_finite())?)))
        .collect();
    if causes.is_empty() || used.len() < DAYS_LEAST.max(2 * causes.len()) {
        return None;
    }
    let each = used.len().div_ceil(DAYS_MOST).max(1);
    let used: Vec<(&VehicleDay, f64)> = used.into_iter().step_by(each).collect();
    let usual: Vec<f64> = causes
        .iter()
        .map(|cause| median(&mut used.iter().filter_map(|(day, _)| cause.of(day)).collect::<Vec<_>>()))
        .collect();
    let mut x = vec![vec![1.0; used.len()]];
    for (cause, usual) in causes.iter().zip(&usual) {
        x.push(used.iter().map(|(day, _)| cause.of(day).unwrap_or(*usual) - usual).collect());
    }
    let heights: Vec<f64> = used.iter().map(|(_, y)| *y).collect();
    let group: Vec<usize> = used.iter().map(|(day, _)| day.pack).collect();
    let robust = linear::robust(&x, &heights, &group, packs)?;
    let all = robust.coefficients.iter().chain(&robust.standard_errors);
    if robust.coefficients.len() != x.len() || !all.clone().all(|value| value.is_finite()) {
        return None;
    }
    let terms = causes
        .iter()
        .zip(usual)
        .enumerate()
        .map(|(n, (cause, usual))| Term {
            cause: *cause,
            slope: robust.coefficients[n + 1],
            error: robust.standard_errors[n + 1],
            usual,
        })
        .collect();
    Some(Model {
        terms,
        usual: robust.coefficients[0],
        effects: robust.effects,
        spread: robust.spread,
        scale: robust.scale,
        days: used.len(),
    })
}

fn varies(days: &[VehicleDay], cause: Cause) -> bool {
    let (mut low, mut high, mut known) = (f64::MAX, f64::MIN, 0);
    for value in days.iter().filter_map(|day| cause.of(day)).filter(|value| value.is_finite()) {
        (low, high, known) = (low.min(value), high.max(value), known + 1);
    }
    // A sensor that half the days lack would cost half the days.
    2 * known > days.len() && high - low > 1e-6
}

impl Model {
    /// What weather and work add to a usual day; none where one of them is not known. Unit: K.
    pub fn explained(&self, day: &VehicleDay) -> Option<(f64, f64)> {
        let (mut weather, mut work) = (0.0, 0.0);
        for term in &self.terms {
            let part = term.slope * (term.cause.of(day)? - term.usual);
            *(if term.cause.is_weather() { &mut weather } else { &mut work }) += part;
        }
        Some((weather, work))
    }

    /// What a day's work adds to a day of none. Unit: K.
    pub fn work(&self, day: &VehicleDay) -> Option<f64> {
        let work = self.terms.iter().filter(|term| !term.cause.is_weather());
        work.map(|term| Some(term.slope * term.cause.of(day)?)).sum()
    }

    /// What is left of a day's peak when weather and work are taken off: this pack's own, and what nothing explains.
    pub fn own(&self, day: &VehicleDay) -> Option<f64> {
        let (weather, work) = self.explained(day)?;
        Some(day.peak - self.usual - weather - work)
    }
}

/// What a pack adds of its own in a week: the median of its days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Week {
    /// First day. Days since 1970-01-01.
    pub from: f64,
    /// Unit: K.
    pub own: f64,
    /// Days in it.
    pub days: usize,
}

/// Each pack's weeks, in order.
pub fn weeks(days: &[VehicleDay], model: &Model, packs: usize) -> Vec<Vec<Week>> {
    let mut of_pack: Vec<Vec<(i64, f64)>> = vec![Vec::new(); packs];
    for day in days {
        if let Some(own) = model.own(day).filter(|own| own.is_finite()) {
            of_pack[day.pack].push(((day.day / 7.0).floor() as i64, own));
        }
    }
    of_pack
        .into_iter()
        .map(|mut days| {
            days.sort_by_key(|day| day.0);
            let in_week = days.chunk_by(|a, b| a.0 == b.0);
            let week = |days: &[(i64, f64)]| {
                let mut own: Vec<f64> = days.iter().map(|day| day.1).collect();
                Week { from: days[0].0 as f64 * 7.0, own: median(&mut own), days: own.len() }
            };
            in_week.map(week).collect()
        })
        .collect()
}

/// What a pack adds of its own lately.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lately {
    /// Drawn towards what is usual by its uncertainty. Unit: K.
    pub own: f64,
    /// Its standard error. Unit: K.
    pub error: f64,
    /// Probability that it is more than [`SICK_K`].
    pub sick: f64,
    /// Weeks it rests on.
    pub weeks: usize,
}

/// A pack that adds more than this of its own is called sick. A choice, not a standard: less is hard to tell from a hilly
/// line or a warm place on the roof. Unit: K.
pub const SICK_K: f64 = 3.0;
/// Called sick from this probability on. Among all that are called so, no more than one in twenty is expected not to be.
pub const SURE: f64 = 0.95;
/// Lately: so many weeks before the last day.
const LATELY_WEEKS: f64 = 8.0;
const WEEKS_LEAST: usize = 3;
/// Packs are taken to be at least so far apart: a fleet whose packs are all alike so far may still have a sick one.
const APART_LEAST_K: f64 = 1.0;

/// What each pack adds lately, up to day `today`; none where it has not run enough.
pub fn lately(packs: &[Vec<Week>], today: f64, model: &Model) -> Vec<Option<Lately>> {
    // Eight weeks that happen to agree are no proof of eight weeks' precision.
    let floor = model.scale.powi(2) / 7.0;
    let seen: Vec<Option<(f64, f64, usize)>> = packs
        .iter()
        .map(|weeks| {
            let is_late = |week: &&Week| week.from + 7.0 > today - 7.0 * LATELY_WEEKS;
            let own: Vec<f64> = weeks.iter().filter(is_late).map(|week| week.own).collect();
            let n = own.len() as f64;
            let mean = own.iter().sum::<f64>() / n;
            let variance = own.iter().map(|own| (own - mean).powi(2)).sum::<f64>() / (n - 1.0);
            (own.len() >= WEEKS_LEAST).then(|| (mean, variance.max(floor) / n, own.len()))
        })
        .collect();
    // How far packs are apart, the sick included: what is not known of one is drawn towards none by that much.
    let known = seen.iter().flatten().count().max(1) as f64;
    let apart2 = seen.iter().flatten().map(|(mean, ..)| mean.powi(2)).sum::<f64>() / known;
    let prior2 = apart2.max(APART_LEAST_K.powi(2));
    let drawn = |(mean, error2, weeks): (f64, f64, usize)| {
        let known2 = 1.0 / (1.0 / error2.max(1e-6) + 1.0 / prior2);
        let own = mean * known2 / error2.max(1e-6);
        let sick = 0.5 * libm::erfc((SICK_K - own) / known2.sqrt() / std::f64::consts::SQRT_2);
        Lately { own, error: known2.sqrt(), sick, weeks }
    };
    seen.into_iter().map(|seen| seen.map(drawn)).collect()
}

/// The middle value; of an even number the mean of the middle two. Sorts. Not a number of nothing.
pub(super) fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => f64::NAN,
        _ if n % 2 == 1 => values[n / 2],
        _ => f64::midpoint(values[n / 2 - 1], values[n / 2]),
    }
}
