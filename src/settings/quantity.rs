//! Lengths of time and sizes as people write them: `"15min"`, `"64MiB"`. Pure.

use std::time::Duration;

/// Units of size, longest spelling first where one ends like another.
const SIZES: [(&str, u64); 9] = [
    ("KiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
    ("TiB", 1 << 40),
    ("kB", 1_000),
    ("MB", 1_000_000),
    ("GB", 1_000_000_000),
    ("TB", 1_000_000_000_000),
    ("B", 1),
];

/// A length of time above zero: a number and a unit, or several.
pub(super) fn duration(text: &str) -> Option<Duration> {
    let parsed: jiff::SignedDuration = text.parse().ok()?;
    Duration::try_from(parsed).ok().filter(|duration| !duration.is_zero())
}

/// Years and months, in months.
pub(super) fn months(text: &str) -> Option<u32> {
    let span: jiff::Span = text.parse().ok()?;
    let months = i32::from(span.get_years()).checked_mul(12)?.checked_add(span.get_months())?;
    let nothing_else = span == jiff::Span::new().years(span.get_years()).months(span.get_months()).fieldwise();
    u32::try_from(months).ok().filter(|_| nothing_else)
}

/// A size in bytes above zero: digits and one unit.
pub(super) fn bytes(text: &str) -> Option<u64> {
    let text = text.trim();
    let (number, factor) = SIZES.iter().find_map(|(unit, factor)| Some((text.strip_suffix(unit)?, factor)))?;
    let number = number.trim_end().replace('_', "");
    if !number.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    number.parse::<u64>().ok()?.checked_mul(*factor).filter(|bytes| *bytes > 0)
}

/// A size in the largest binary unit that gives a whole number.
pub(super) fn shown_bytes(bytes: u64) -> String {
    let unit = SIZES[..4].iter().rev().find(|(_, factor)| bytes >= *factor && bytes.is_multiple_of(*factor));
    unit.map_or_else(|| format!("{bytes}B"), |(unit, factor)| format!("{}{unit}", bytes / factor))
}

/// A length of time as it would be written.
pub(super) fn shown_duration(duration: Duration) -> String {
    jiff::SignedDuration::try_from(duration).map_or_else(|_| "for ever".into(), |duration| format!("{duration:#}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_digits_and_a_unit() {
        assert_eq!(bytes("64MiB"), Some(64 << 20));
        assert_eq!(bytes("64 MB"), Some(64_000_000));
        assert_eq!(bytes("1_500 kB"), Some(1_500_000));
        assert_eq!(bytes("12B"), Some(12));
        for wrong in ["64", "MiB", "64M", "64mb", "-1MB", "0GB", "1.5GB", "", "99999999TiB", "1 2MB", "64 Mbit"] {
            assert_eq!(bytes(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn lengths_of_time_are_above_zero() {
        assert_eq!(duration("500ms"), Some(Duration::from_millis(500)));
        assert_eq!(duration("15min"), Some(Duration::from_secs(900)));
        assert_eq!(duration("1h 30min"), Some(Duration::from_secs(5400)));
        for wrong in ["0s", "-5s", "15", "fifteen minutes", "", "1 month", "s"] {
            assert_eq!(duration(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn years_and_months_become_months() {
        for (text, expected) in [("3 years", 36), ("1y 6mo", 18), ("18 months", 18), ("1 year", 12)] {
            assert_eq!(months(text), Some(expected), "{text}");
        }
        for wrong in ["3", "90 days", "1 year 2 days", "-3 years", "soon", "", "1h"] {
            assert_eq!(months(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn what_is_shown_is_read_again() {
        for size in [1, 1023, 1024, 64 << 20, 3 << 30, 1_000_000] {
            assert_eq!(bytes(&shown_bytes(size)), Some(size));
        }
        for time in [Duration::from_millis(500), Duration::from_secs(900), Duration::from_secs(86_400)] {
            assert_eq!(duration(&shown_duration(time)), Some(time));
        }
    }
}
