//! From values to places, and where an axis is marked: at round numbers, at the first of months.

use jiff::civil::{Date, date};

use super::super::super::sheet::Axis;
use super::super::words::{day, number, unit};

/// An axis from one value to another, on a sheet from one place to another.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
}

/// A mark on an axis.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tick {
    /// Where, in values.
    pub at: f64,
    /// What stands there.
    pub label: String,
}

impl Scale {
    /// Over all values, drawn from one place to another. None where there are no values.
    pub fn over(values: impl Iterator<Item = f64>, from: f64, to: f64) -> Option<Self> {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter_map(super::near) {
            (low, high) = (low.min(value), high.max(value));
        }
        if low > high {
            return None;
        }
        // One value alone has a scale too.
        if high - low <= low.abs().max(high.abs()) * 1e-9 {
            let around = if low == 0.0 { 1.0 } else { low.abs() * 0.1 };
            (low, high) = (low - around, high + around);
        }
        Some(Self { low, high, from, to })
    }

    /// Widened to hold zero, where it is near.
    pub fn with_zero_if_near(self) -> Self {
        let span = self.high - self.low;
        if self.low > 0.0 && self.low < span {
            return Self { low: 0.0, ..self };
        }
        if self.high < 0.0 && -self.high < span {
            return Self { high: 0.0, ..self };
        }
        self
    }

    /// Widened by a part of itself at both ends, so that nothing lies on the edge.
    pub fn with_margin(self, part: f64) -> Self {
        let more = (self.high - self.low) * part;
        let low = if self.low == 0.0 { 0.0 } else { self.low - more };
        let high = if self.high == 0.0 { 0.0 } else { self.high + more };
        Self { low, high, ..self }
    }

    /// Where a value is drawn; beyond the ends, at the end.
    pub fn place(&self, value: f64) -> f64 {
        let share = ((super::near(value).unwrap_or(self.low) - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.from + share * (self.to - self.from)
    }

    /// Marks of an axis, about so many at most.
    pub fn ticks(&self, axis: &Axis, most: usize) -> Vec<Tick> {
        if axis.days { self.dates(most) } else { self.rounds(most) }
    }

    /// At 1, 2 or 5 times a power of ten.
    fn rounds(&self, most: usize) -> Vec<Tick> {
        let least = (self.high - self.low) / most.max(1) as f64;
        let power = 10f64.powf(least.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|times| times * power).into_iter().find(|step| *step >= least);
        let Some(step) = step.filter(|step| step.is_finite() && *step > 0.0) else { return Vec::new() };
        let decimals = (-step.log10().floor()).clamp(0.0, 12.0) as u8;
        let first = (self.low / step).ceil();
        let marks = (0..=most).map(|index| (first + index as f64) * step);
        let marks = marks.take_while(|at| *at <= self.high + step * 1e-9);
        marks.map(|at| Tick { at, label: number(at, decimals) }).collect()
    }

    /// At days, weeks, or the first of months or years.
    fn dates(&self, most: usize) -> Vec<Tick> {
        let (Some(first), Some(last)) = (day(self.low.ceil()), day(self.high)) else { return self.rounds(most) };
        let days = self.high - self.low;
        let most = most.max(1) as f64;
        let months = [1_u8, 2, 3, 6].into_iter().find(|months| days / (30.4 * f64::from(*months)) <= most);
        if days < 60.0 {
            let step = [1.0, 2.0, 7.0, 14.0, 28.0].into_iter().find(|step| days / step <= most).unwrap_or(28.0);
            let marks = (0..=60).map(|index| self.low.ceil() + f64::from(index) * step);
            let marks = marks.take_while(|at| *at <= self.high);
            return marks.filter_map(|at| Some(Tick { at, label: day(at)?.strftime("%-d %b").to_string() })).collect();
        }
        let mut ticks = Vec::new();
        let years = (1..).find(|years| days / (365.25 * f64::from(*years)) <= most).unwrap_or(1);
        for year in first.year()..=last.year() {
            if months.is_none() && year % years != 0 {
                continue;
            }
            for month in (1..=12).step_by(usize::from(months.unwrap_or(12))) {
                let at = date(year, month, 1);
                if at < first || at > last {
                    continue;
                }
                let label = if month == 1 { at.strftime("%Y") } else { at.strftime("%b") };
                ticks.push(Tick { at: days_of(at), label: label.to_string() });
            }
        }
        ticks
    }
}

fn days_of(day: Date) -> f64 {
    let since = day.since(date(1970, 1, 1));
    since.map_or(0.0, |span| f64::from(span.get_days()))
}

/// What an axis shows: its name, and its unit.
pub(super) fn title(axis: &Axis) -> String {
    let unit = unit(&axis.unit);
    match (axis.name.is_empty(), unit.is_empty()) {
        (_, true) => axis.name.clone(),
        (true, false) => unit,
        (false, false) => format!("{}, {unit}", axis.name),
    }
}

/// A value of an axis in words.
pub(super) fn told(axis: &Axis, value: f64) -> String {
    if axis.days {
        return day(value).map_or_else(|| number(value, 0), |day| day.to_string());
    }
    let decimals = if value == 0.0 { 0.0 } else { (2.0 - value.abs().log10().floor()).clamp(0.0, 6.0) };
    let unit = unit(&axis.unit);
    let text = number(value, decimals as u8);
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(low: f64, high: f64, days: bool, most: usize) -> Vec<String> {
        let scale = Scale::over([low, high].into_iter(), 0.0, 100.0).unwrap();
        let axis = Axis { days, ..Axis::default() };
        scale.ticks(&axis, most).into_iter().map(|tick| tick.label).collect()
    }

    #[test]
    fn marks_stand_at_round_numbers() {
        assert_eq!(labels(0.0, 1.0, false, 5), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(labels(-3.2, 11.0, false, 4), ["0", "5", "10"]);
        assert_eq!(labels(1234.0, 5678.0, false, 3), ["2,000", "4,000"]);
        assert!(!labels(1e-9, 3e-9, false, 4).is_empty());
        assert!(labels(-f64::MAX, f64::MAX, false, 4).len() <= 5);
    }

    #[test]
    fn marks_of_dates_stand_at_days_months_and_years() {
        let at = |text: &str| days_of(text.parse().unwrap());
        assert_eq!(labels(at("2026-03-01"), at("2026-03-04"), true, 5), ["1 Mar", "2 Mar", "3 Mar", "4 Mar"]);
        assert_eq!(labels(at("2025-11-15"), at("2026-05-02"), true, 6), ["Dec", "2026", "Feb", "Mar", "Apr", "May"]);
        assert_eq!(labels(at("2023-11-15"), at("2026-05-02"), true, 5), ["2024", "Jul", "2025", "Jul", "2026"]);
        assert_eq!(labels(at("1999-06-01"), at("2026-05-02"), true, 5), ["2004", "2010", "2016", "2022"]);
        assert_eq!(at("2026-03-14"), 20_526.0);
    }

    #[test]
    fn a_value_alone_and_values_beyond_have_a_place() {
        let scale = Scale::over([5.0].into_iter(), 0.0, 100.0).unwrap();
        assert_eq!(scale.place(5.0), 50.0);
        assert_eq!([f64::INFINITY, 1e300, -1e300].map(|value| scale.place(value)), [0.0, 100.0, 0.0]);
        assert!(Scale::over([f64::NAN].into_iter(), 0.0, 1.0).is_none());
        let zeros = Scale::over([0.0, 0.0].into_iter(), 0.0, 100.0).unwrap();
        assert_eq!(zeros.place(0.0), 50.0);
        assert_eq!(Scale::over([2.0, 10.0].into_iter(), 0.0, 10.0).unwrap().with_zero_if_near().place(0.0), 0.0);
    }

    #[test]
    fn values_are_told_with_their_unit() {
        let axis = Axis { name: "peak".into(), unit: "Cel".into(), days: false };
        assert_eq!((title(&axis), told(&axis, 41.26)), ("peak, °C".to_owned(), "41.3 °C".to_owned()));
        assert_eq!(told(&Axis { days: true, ..axis }, 20_526.0), "2026-03-14");
    }
}
