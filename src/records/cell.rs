//! Cells → days, times and numbers, as spreadsheets of different countries write them. Pure.
//!
//! What a cell means may hang on its column: `03/04/2026` is a day in April where another row has `25/04/2026`, and
//! `1,234` is above one thousand where another row has `1,234.5`. Where nothing in the column tells, the cell is refused.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{Timestamp, ToSpan};

use super::problem::{Wrong, shown};

/// Years that records are of; another is a slip of the pen.
const YEARS: std::ops::RangeInclusive<i16> = 1950..=2100;
/// How a day is best written.
const DAY_REMEDY: &str = "write year, month, day: 2026-02-10";
const TIME_REMEDY: &str = "write day and time: 2026-02-10 06:12";

/// Which comes first in days with slashes or dashes and the year last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    /// 25/12/2026.
    Day,
    /// 12/25/2026.
    Month,
    /// Nothing in the column tells.
    Untold,
    /// Some rows say one, some the other.
    Both,
}

impl Order {
    /// What the cells of a column tell. Times of day behind the days do not matter.
    pub(super) fn of<'a>(cells: impl Iterator<Item = &'a str>) -> Self {
        let mut order = Self::Untold;
        for cell in cells {
            let Some(Parts { last_is_year: true, dotted: false, numbers: [first, second, _] }) =
                Parts::of(day_part(cell).0)
            else {
                continue;
            };
            let says = match (first, second) {
                (13..=31, 1..=12) => Self::Day,
                (1..=12, 13..=31) => Self::Month,
                _ => continue,
            };
            order = match order {
                Self::Untold => says,
                order if order == says => order,
                _ => return Self::Both,
            };
        }
        order
    }
}

/// A day in its three numbers.
struct Parts {
    numbers: [i32; 3],
    last_is_year: bool,
    dotted: bool,
}

impl Parts {
    fn of(text: &str) -> Option<Self> {
        let separator = ['-', '/', '.'].into_iter().find(|separator| text.contains(*separator))?;
        let pieces: Vec<&str> = text.split(separator).map(str::trim).collect();
        let [first, _, last] = pieces.as_slice() else { return None };
        let digits = |piece: &&str| !piece.is_empty() && piece.len() <= 4 && piece.bytes().all(|b| b.is_ascii_digit());
        if !pieces.iter().all(digits) || (first.len() != 4 && last.len() != 4) {
            return None;
        }
        let last_is_year = first.len() != 4;
        let mut numbers = [0; 3];
        for (number, piece) in numbers.iter_mut().zip(&pieces) {
            *number = piece.parse().ok()?;
        }
        Some(Self { numbers, last_is_year, dotted: separator == '.' })
    }
}

/// The day in a text that may have a time of day behind it, and the rest.
fn day_part(text: &str) -> (&str, &str) {
    let text = text.trim();
    // "10. 2. 2026" has blanks of its own; a time of day has a colon.
    let Some(colon) = text.find(':') else { return (text.trim_end_matches(['T', 't']), "") };
    let head = &text[..colon];
    let hour = head.len() - head.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (day, time) = text.split_at(hour);
    (day.trim().trim_end_matches(['T', 't']), time)
}

/// Reads a day. A time of day behind it is looked at and passed over.
pub(super) fn day(text: &str, order: Order) -> Result<Date, Wrong> {
    let (day, time) = day_part(text);
    if !time.is_empty() && clock(time).is_none() {
        return Err(Wrong::new("day", format!("'{}' is no day", shown(text)), DAY_REMEDY));
    }
    plain_day(day, order)
}

fn plain_day(text: &str, order: Order) -> Result<Date, Wrong> {
    let wrong = |what: String| Wrong::new("day", what, DAY_REMEDY);
    let text = text.trim();
    let shown = shown(text);
    let Some(Parts { numbers: [first, second, third], last_is_year, dotted }) = Parts::of(text) else {
        let bytes = text.as_bytes();
        if bytes.len() == 8 && bytes.iter().all(u8::is_ascii_digit) {
            let number = |range: std::ops::Range<usize>| text[range].parse().unwrap_or(0);
            return calendar(number(0..4), number(4..6), number(6..8), &shown);
        }
        if (4..=6).contains(&bytes.len()) && bytes.iter().all(|b| b.is_ascii_digit()) {
            return Err(Wrong::new(
                "day",
                format!("'{shown}' is the number that a spreadsheet keeps for a day"),
                "give the column a date format, such as 2026-02-10, and save it again",
            ));
        }
        return Err(wrong(format!("'{shown}' is no day")));
    };
    if !last_is_year {
        return calendar(first, second, third, &shown);
    }
    // Where dots stand between, the day goes first everywhere.
    let day_first = dotted || first > 12 || order == Order::Day;
    let month_first = !dotted && (second > 12 || order == Order::Month);
    match (day_first, month_first) {
        (true, true) if first > 12 && second > 12 => Err(wrong(format!("'{shown}' has no month"))),
        // The cell itself tells, whatever others say.
        (true, _) if first > 12 || order != Order::Month => calendar(third, second, first, &shown),
        (_, true) => calendar(third, first, second, &shown),
        _ if first == second => calendar(third, first, second, &shown),
        _ => {
            let why = if order == Order::Both {
                "some rows of the column have the day first, and some the month"
            } else {
                "no row of the column tells which it is"
            };
            let what = format!("'{shown}' is day {first} of month {second}, or day {second} of month {first}: {why}");
            Err(Wrong::new(
                "day that may be two",
                what,
                format!(
                    "write year, month, day: {third:04}-{second:02}-{first:02}, or {third:04}-{first:02}-{second:02}"
                ),
            ))
        }
    }
}

fn calendar(year: i32, month: i32, day: i32, shown: &str) -> Result<Date, Wrong> {
    let small = |number: i32| i8::try_from(number).ok();
    let date = i16::try_from(year).ok().zip(small(month)).zip(small(day));
    match date.and_then(|((year, month), day)| Date::new(year, month, day).ok()) {
        Some(date) if YEARS.contains(&date.year()) => Ok(date),
        Some(_) => {
            let what = format!("'{shown}' is in the year {year}");
            Err(Wrong::new("day", what, format!("years {} to {} are taken", YEARS.start(), YEARS.end())))
        }
        None => Err(Wrong::new("day", format!("there is no day '{shown}'"), DAY_REMEDY)),
    }
}

/// A time of day, `6:12` or `06:12:30`, and whether it is 24:00.
fn clock(text: &str) -> Option<(Time, bool)> {
    let text = text.trim();
    let pieces: Vec<&str> = text.split(':').collect();
    let ([hour, minute] | [hour, minute, _]) = pieces.as_slice() else { return None };
    let digits =
        |piece: &str, most: usize| (1..=most).contains(&piece.len()) && piece.bytes().all(|b| b.is_ascii_digit());
    if !digits(hour, 2) || minute.len() != 2 || !digits(minute, 2) {
        return None;
    }
    let second = pieces.get(2).copied().unwrap_or("00");
    if text == "24:00" || text == "24:00:00" {
        return Some((Time::midnight(), true));
    }
    format!("{hour:0>2}:{minute}:{second}").parse().ok().map(|time| (time, false))
}

/// Reads an instant on the agency's clocks. What the summer time makes odd, but not useless, is told besides.
pub(super) fn time(text: &str, order: Order, zone: &TimeZone) -> Result<(DateTime, Option<Wrong>), Wrong> {
    let wrong = |what: String| Wrong::new("time", what, TIME_REMEDY);
    let shown = shown(text);
    let (day_text, clock_text) = day_part(text);
    if clock_text.is_empty() {
        return Err(wrong(format!("'{shown}' is no day with a time of day")));
    }
    let Some((clock, next_day)) = clock(clock_text) else {
        if clock_text.to_ascii_lowercase().ends_with('m') {
            return Err(wrong(format!("'{shown}' counts the hours to 12")));
        }
        // With its distance from UTC it is an instant, wherever it was written.
        let whole = format!("{}T{}", day_text, clock_text.replace(' ', ""));
        let instant: Timestamp = whole.parse().map_err(|_| wrong(format!("'{shown}' is no day with a time of day")))?;
        let local = zone.to_datetime(instant);
        if !YEARS.contains(&local.year()) {
            return Err(wrong(format!("'{shown}' is in the year {}", local.year())));
        }
        return Ok((local, twice(local, zone, &shown)));
    };
    let day = plain_day(day_text, order)?;
    let day = if next_day { day.saturating_add(1.day()) } else { day };
    let local = day.to_datetime(clock);
    if let AmbiguousOffset::Gap { before, after } = zone.to_ambiguous_timestamp(local).offset() {
        let hidden = after.duration_since(before);
        let what = format!(
            "'{shown}' was on no clock: that night clocks were put forward by {} min ({})",
            hidden.as_mins(),
            zone.iana_name().unwrap_or("the agency's zone")
        );
        return Err(Wrong::new(
            "time in no clock",
            what,
            "write the time that clocks showed, or UTC with a Z behind it",
        ));
    }
    Ok((local, twice(local, zone, &shown)))
}

fn twice(local: DateTime, zone: &TimeZone, shown: &str) -> Option<Wrong> {
    let fold = matches!(zone.to_ambiguous_timestamp(local).offset(), AmbiguousOffset::Fold { .. });
    fold.then(|| {
        let zone = zone.iana_name().unwrap_or("the agency's zone");
        let what = format!("'{shown}' was on the clocks twice: that night they were put back ({zone})");
        Wrong::new("time that was twice", what, "the first of both is taken; it may be an hour off")
    })
}

/// What a comma means in the numbers of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Comma {
    /// 12,5 is twelve and a half.
    Decimal,
    /// 1,234.5 is above one thousand.
    Thousands,
    /// Nothing in the column tells.
    Untold,
}

impl Comma {
    /// What the cells of a column tell.
    pub(super) fn of<'a>(cells: impl Iterator<Item = &'a str>) -> Self {
        let (mut decimal, mut thousands) = (false, false);
        for cell in cells {
            let (commas, dots) = (cell.matches(',').count(), cell.matches('.').count());
            let (last_comma, last_dot) = (cell.rfind(','), cell.rfind('.'));
            match (commas, dots) {
                (0, _) => {}
                (1, 0) => {
                    let (whole, behind) = cell.trim().split_once(',').unwrap_or_default();
                    let whole = whole.trim_start_matches(['-', '+', '−']);
                    decimal |= behind.len() != 3 || whole.is_empty() || whole.starts_with('0') || whole.len() > 3;
                }
                (1, _) if last_comma > last_dot => decimal = true,
                _ => thousands = true,
            }
        }
        match (decimal, thousands) {
            (true, false) => Self::Decimal,
            (false, true) => Self::Thousands,
            _ => Self::Untold,
        }
    }
}

/// Reads a number: never infinite, always one.
pub(super) fn number(text: &str, comma: Comma) -> Result<f64, Wrong> {
    let shown = shown(text);
    let wrong = || {
        let remedy = "write digits alone, such as 118.5; a unit stands in a column of its own, or in the heading";
        Wrong::new("number", format!("'{shown}' is no number"), remedy)
    };
    let unsure = |what: String| {
        let plain = text.trim().replace(',', "");
        let other = text.trim().replace(',', ".");
        Err(Wrong::new("number that may be two", what, format!("write {other} or {plain}")))
    };
    let text = text.trim().replace('−', "-");
    // Between groups of three: blanks, also narrow and fixed ones, and apostrophes.
    let spaced = |c: char| c == '\'' || c == '’' || c.is_whitespace();
    let text = if text.contains(spaced) { grouped(&text, spaced).ok_or_else(wrong)? } else { text };
    let (commas, dots) = (text.matches(',').count(), text.matches('.').count());
    let plain = match (commas, dots) {
        (0, 0 | 1) => {
            let three = text.rsplit_once('.').is_some_and(|(whole, behind)| {
                behind.len() == 3
                    && whole.trim_start_matches(['-', '+']).len() <= 3
                    && !whole.trim_start_matches(['-', '+']).starts_with('0')
            });
            if three && comma == Comma::Decimal {
                return Err(Wrong::new(
                    "number that may be two",
                    format!("'{shown}' has a point, and other rows of the column a decimal comma"),
                    format!("write {} or {}", text.replace('.', ","), text.replace('.', "")),
                ));
            }
            text
        }
        (1, 0) => {
            let (whole, behind) = text.split_once(',').unwrap_or_default();
            let digits = whole.trim_start_matches(['-', '+']);
            let may_be_thousands = behind.len() == 3 && (1..=3).contains(&digits.len()) && !digits.starts_with('0');
            match comma {
                Comma::Untold if may_be_thousands => {
                    return unsure(format!("'{shown}' has a comma that may be a decimal comma or one of thousands"));
                }
                Comma::Thousands if may_be_thousands => text.replace(',', ""),
                Comma::Thousands => {
                    return unsure(format!(
                        "'{shown}' has a decimal comma, and other rows of the column one of thousands"
                    ));
                }
                _ => text.replace(',', "."),
            }
        }
        (0, _) => grouped(&text, |c| c == '.').ok_or_else(wrong)?,
        (_, 0) => grouped(&text, |c| c == ',').ok_or_else(wrong)?,
        (1, _) if text.rfind(',') > text.rfind('.') => {
            let (whole, behind) = text.rsplit_once(',').unwrap_or_default();
            format!("{}.{behind}", grouped(whole, |c| c == '.').ok_or_else(wrong)?)
        }
        (_, 1) if text.rfind('.') > text.rfind(',') => {
            let (whole, behind) = text.rsplit_once('.').unwrap_or_default();
            format!("{}.{behind}", grouped(whole, |c| c == ',').ok_or_else(wrong)?)
        }
        _ => return Err(wrong()),
    };
    // Words such as "inf" would be numbers else.
    let sound = plain.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+' | b'e' | b'E'));
    let value: Option<f64> = plain.parse().ok().filter(|value: &f64| sound && value.is_finite());
    value.ok_or_else(wrong)
}

/// A whole number in groups of three, without what stands between; digits behind a last comma or point are let be.
fn grouped(text: &str, between: impl Fn(char) -> bool) -> Option<String> {
    let end = text.rfind([',', '.']).filter(|at| !text[*at..].starts_with(&between)).unwrap_or(text.len());
    let (whole, rest) = text.split_at(end);
    let pieces: Vec<&str> = whole.split(between).collect();
    let (first, others) = pieces.split_first()?;
    let digits = |piece: &str| !piece.is_empty() && piece.bytes().all(|b| b.is_ascii_digit());
    let sound =
        digits(first.trim_start_matches(['-', '+'])) && others.iter().all(|piece| piece.len() == 3 && digits(piece));
    sound.then(|| format!("{}{rest}", pieces.concat()))
}

#[cfg(test)]
#[path = "cell_tests.rs"]
mod tests;
