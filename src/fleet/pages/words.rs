//! Values, units and days as people read them.

use jiff::civil::Date;

use super::super::sheet::{Cell, Column};

/// A value as a page shows it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shown {
    /// In words and figures.
    pub text: String,
    /// Why there is none; empty where there is one, or where nobody knows.
    pub why: &'static str,
    /// What it is sorted by; none sorts last.
    pub key: Option<Key>,
}

/// What a value is sorted by.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Key {
    /// By size.
    Number(f64),
    /// By letters.
    Text,
}

/// What stands where there is no value.
pub(super) const NOTHING: &str = "–";

/// A value as a page shows it.
pub(super) fn shown(cell: &Cell) -> Shown {
    let one = |text: String, key: f64| Shown { text, why: "", key: Some(Key::Number(key)) };
    let missing = |why| Shown { text: NOTHING.into(), why, key: None };
    match cell {
        Cell::Missing(why) => missing(why),
        Cell::Box => Shown { text: String::new(), why: "", key: Some(Key::Text) },
        Cell::Text(text) | Cell::Vehicle(text) => Shown { text: text.clone(), why: "", key: Some(Key::Text) },
        Cell::Count(count) => one(grouped(&count.to_string()), *count as f64),
        Cell::Number { value, decimals } if value.is_finite() => one(number(*value, *decimals), *value),
        Cell::Interval { low, high, decimals } if low.is_finite() && high.is_finite() => {
            one(format!("{} to {}", number(*low, *decimals), number(*high, *decimals)), low / 2.0 + high / 2.0)
        }
        Cell::Share(share) if share.is_finite() => one(percent(*share), *share),
        Cell::Day(day) => Shown { text: day.to_string(), why: "", key: Some(Key::Text) },
        Cell::Number { .. } | Cell::Interval { .. } | Cell::Share(_) => missing(""),
    }
}

/// Whether a column is set to the right: all that it has are figures.
pub(super) fn is_numeric(rows: &[Vec<Cell>], column: usize) -> bool {
    let mut any = false;
    for cell in rows.iter().filter_map(|row| row.get(column)) {
        match cell {
            Cell::Count(_) | Cell::Number { .. } | Cell::Interval { .. } | Cell::Share(_) => any = true,
            Cell::Missing(_) | Cell::Box => {}
            Cell::Text(_) | Cell::Vehicle(_) | Cell::Day(_) => return false,
        }
    }
    any
}

/// A column's heading, with its unit behind it.
pub(super) fn heading(column: &Column) -> String {
    let unit = unit(&column.unit);
    if unit.is_empty() { column.name.clone() } else { format!("{} ({unit})", column.name) }
}

/// A value with so many decimals, its digits in groups of three, its minus a minus.
pub(super) fn number(value: f64, decimals: u8) -> String {
    if !value.is_finite() {
        return NOTHING.into();
    }
    // Nobody reads more digits than a double has.
    if value.abs() >= 1e15 {
        return format!("{value:.3e}").replace('-', "−");
    }
    let text = format!("{:.*}", usize::from(decimals.min(12)), value.abs());
    let (whole, rest) = text.split_once('.').map_or((text.as_str(), None), |(whole, rest)| (whole, Some(rest)));
    let minus = if value < 0.0 && text.bytes().any(|digit| (b'1'..=b'9').contains(&digit)) { "−" } else { "" };
    let rest = rest.map_or(String::new(), |rest| format!(".{rest}"));
    format!("{minus}{}{rest}", grouped(whole))
}

fn grouped(digits: &str) -> String {
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A share or probability in percent. What is not quite none or all is not said to be.
pub(super) fn percent(share: f64) -> String {
    let percent = share * 100.0;
    if percent > 0.0 && percent < 1.0 {
        return "< 1\u{a0}%".into();
    }
    if percent > 99.0 && percent < 100.0 {
        return "> 99\u{a0}%".into();
    }
    format!("{}\u{a0}%", number(percent, 0))
}

/// A number of days since 1970-01-01 as a day.
pub(in crate::fleet) fn day(days: f64) -> Option<Date> {
    // Years 1 to 9999, which is what a date can be.
    if !(-719_162.0..=2_932_896.0).contains(&days) {
        return None;
    }
    jiff::civil::date(1970, 1, 1).checked_add(jiff::Span::new().days(days.floor() as i64)).ok()
}

/// A UCUM code as people write the unit: `Cel` is °C, `kW.h/km` is kWh/km.
pub(super) fn unit(code: &str) -> String {
    match code {
        "" | "1" => return String::new(),
        "/min" => return "a minute".into(),
        "d" => return "days".into(),
        "wk" => return "weeks".into(),
        "mo" => return "months".into(),
        "a" => return "years".into(),
        _ => {}
    }
    let mut out = String::new();
    let mut atom = String::new();
    let mut letters = code.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '.' | '/' => {
                out += &named(&atom);
                atom.clear();
                // Hours are written together with what flows: kWh, Ah.
                let hours = letter == '.' && letters.peek() == Some(&'h');
                match letter {
                    '/' => out.push('/'),
                    _ if hours => {}
                    _ => out.push('·'),
                }
            }
            '{' => {
                let note: String = letters.by_ref().take_while(|letter| *letter != '}').collect();
                // A note on nothing is the unit itself: {pack}/a.
                if atom.is_empty() {
                    atom = format!("{{{note}");
                }
            }
            _ => atom.push(letter),
        }
    }
    out + &named(&atom)
}

/// One atom with prefix and exponent.
fn named(atom: &str) -> String {
    if let Some(note) = atom.strip_prefix('{') {
        return note.into();
    }
    let stem = atom.trim_end_matches(|letter: char| letter.is_ascii_digit());
    let (stem, exponent) = if stem.is_empty() || stem.ends_with('*') {
        (atom, "")
    } else {
        let stem = stem.strip_suffix('-').unwrap_or(stem);
        (stem, atom.strip_prefix(stem).unwrap_or(""))
    };
    let stem = match stem {
        "Cel" => "°C".into(),
        "deg" => "°".into(),
        "[ppm]" => "ppm".into(),
        "a" => "year".into(),
        "mo" => "month".into(),
        "wk" => "week".into(),
        "d" => "day".into(),
        _ => {
            let stem = stem.replace("Ohm", "Ω");
            // Micro; no atom but its multiples begins with u.
            stem.strip_prefix('u').filter(|rest| !rest.is_empty()).map_or(stem.clone(), |rest| format!("µ{rest}"))
        }
    };
    let raised = exponent.chars().map(|letter| match letter {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        '4' => '⁴',
        '5' => '⁵',
        '6' => '⁶',
        '7' => '⁷',
        '8' => '⁸',
        '9' => '⁹',
        '0' => '⁰',
        other => other,
    });
    stem + &raised.collect::<String>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_written_as_people_write_them() {
        for (code, expected) in [
            ("Cel", "°C"),
            ("uW", "µW"),
            ("kW.h", "kWh"),
            ("kW.h/km", "kWh/km"),
            ("A.h", "Ah"),
            ("mOhm", "mΩ"),
            ("km/h", "km/h"),
            ("m/s2", "m/s²"),
            ("N.m", "N·m"),
            ("m.h", "mh"),
            ("%", "%"),
            ("1", ""),
            ("", ""),
            ("/min", "a minute"),
            ("{rev}/min", "rev/min"),
            ("1/km", "1/km"),
            ("mm/a", "mm/year"),
            ("/mo", "/month"),
            ("d", "days"),
            ("km/d", "km/day"),
            ("dB", "dB"),
            ("s-1", "s⁻¹"),
            ("u", "u"),
            ("min{late}", "min"),
            ("{", ""),
        ] {
            assert_eq!(unit(code), expected, "{code}");
        }
    }

    #[test]
    fn numbers_are_written_as_people_read_them() {
        let cases =
            [(0.0, 0, "0"), (-0.0, 1, "0.0"), (-0.04, 1, "0.0"), (-1234.56, 1, "−1,234.6"), (999.95, 1, "1,000.0")];
        for (value, decimals, expected) in cases {
            assert_eq!(number(value, decimals), expected);
        }
        assert_eq!(number(f64::NAN, 1), NOTHING);
        assert_eq!(number(-2.5e300, 1), "−2.500e300");
        assert_eq!(number(1.0, 255), "1.000000000000");
        assert_eq!(
            [0.0, 0.009, 0.5, 0.991, 1.0].map(percent),
            ["0\u{a0}%", "< 1\u{a0}%", "50\u{a0}%", "> 99\u{a0}%", "100\u{a0}%"]
        );
    }

    #[test]
    fn what_is_no_number_is_shown_as_missing() {
        for cell in [
            Cell::Number { value: f64::NAN, decimals: 1 },
            Cell::Share(f64::INFINITY),
            Cell::Interval { low: 0.0, high: f64::NAN, decimals: 0 },
        ] {
            assert_eq!(shown(&cell), Shown { text: NOTHING.into(), why: "", key: None });
        }
        assert_eq!(shown(&Cell::Interval { low: -f64::MAX, high: f64::MAX, decimals: 0 }).key, Some(Key::Number(0.0)));
    }

    #[test]
    fn days_beyond_the_calendar_are_none() {
        assert_eq!(day(0.9).unwrap().to_string(), "1970-01-01");
        assert_eq!(day(20_526.0).unwrap().to_string(), "2026-03-14");
        assert!([f64::NAN, f64::INFINITY, -1e9, 1e18].iter().all(|days| day(*days).is_none()));
    }
}
