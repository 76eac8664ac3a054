//! The days that are asked about, and names, as SQL. Month bounds stand beside the day's, so that whole months of
//! files are left out unread.

use jiff::ToSpan;
use jiff::civil::Date;

use super::terms::Terms;

/// Condition on a table that has `month` and `service_day`: all days that are asked about.
pub fn days(terms: &Terms) -> String {
    between(terms.from, terms.today)
}

fn between(from: Date, to: Date) -> String {
    format!(
        "month BETWEEN '{}' AND '{}' AND service_day BETWEEN DATE '{from}' AND DATE '{to}'",
        from.strftime("%Y-%m"),
        to.strftime("%Y-%m")
    )
}

/// Days of all those asked about; at least 1.
pub fn length_days(terms: &Terms) -> f64 {
    terms.from.until(terms.today).map_or(1.0, |span| f64::from(span.get_days()) + 1.0).max(1.0)
}

/// A column's name, quoted.
pub fn column(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

/// A text, quoted.
pub fn text(value: &str) -> String {
    format!("'{}'", value.replace('\'', "''"))
}

/// Days since 1970-01-01.
pub fn number_of(day: Date) -> f64 {
    jiff::civil::date(1970, 1, 1).until(day).map_or(0.0, |span| f64::from(span.get_days()))
}

/// The day so many days after 1970-01-01; none beyond the calendar.
pub fn day_of(number: f64) -> Option<Date> {
    if !number.is_finite() || number.abs() > 3e6 {
        return None;
    }
    jiff::civil::date(1970, 1, 1).checked_add((number.floor() as i64).days()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_counted_from_1970() {
        let day = jiff::civil::date(2026, 2, 17);
        assert_eq!(number_of(day), 20_501.0, "date -d 2026-02-17 +%s / 86400");
        assert_eq!(day_of(20_501.9), Some(day));
        assert_eq!(day_of(f64::INFINITY), None);
    }

    #[test]
    fn what_stands_in_names_cannot_end_them() {
        assert_eq!(text("O'Hara"), "'O''Hara'");
        assert_eq!(column("a\"b"), "\"a\"\"b\"");
        assert_eq!(
            between(jiff::civil::date(2025, 12, 30), jiff::civil::date(2026, 1, 2)),
            "month BETWEEN '2025-12' AND '2026-01' AND service_day BETWEEN DATE '2025-12-30' AND DATE '2026-01-02'"
        );
    }
}
