//! Numbers and lists inside sentences: plain words out, never a NaN.

/// A number with so many decimals; `unknown` where it is not finite. Never `-0`.
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "unknown".to_owned();
    }
    let text = format!("{value:.decimals$}");
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    let digits = text.trim_start_matches('-');
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let mut out = String::new();
    if text.starts_with('-') && !is_zero {
        out.push('−');
    }
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && (whole.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    if !part.is_empty() {
        out.push('.');
        out.push_str(part);
    }
    out
}

/// A number with about two significant figures: `0.37`, `3.4`, `340`.
pub fn short(value: f64) -> String {
    let size = value.abs();
    number(value, if size < 1.0 { 2 } else { usize::from(size < 20.0) })
}

/// A difference with its sign, to a tenth: `+0.4`, `−1.2`, `0.0`.
pub fn signed(difference: f64) -> String {
    let shown = number(difference, 1);
    if difference > 0.0 && shown != "0.0" { format!("+{shown}") } else { shown }
}

/// How many of what: `1 pole-off`, `12 pole-offs`.
pub fn count(count: u64, one: &str, many: &str) -> String {
    format!("{} {}", number(count as f64, 0), if count == 1 { one } else { many })
}

/// `a, b and c`; beyond `most` things, `a, b and 5 more`.
pub fn list<T: AsRef<str>>(things: &[T], most: usize) -> String {
    let most = most.max(1);
    let mut parts: Vec<String> = things.iter().take(most).map(|thing| thing.as_ref().to_owned()).collect();
    if things.len() > most {
        parts.push(format!("{} more", things.len() - most));
    }
    match parts.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}

/// A probability in percent. What is not certain is never called so.
pub fn percent(share: f64) -> String {
    match share {
        share if !share.is_finite() => "unknown".to_owned(),
        share if share > 0.99 && share < 1.0 => "over 99 %".to_owned(),
        share if share > 0.0 && share < 0.01 => "under 1 %".to_owned(),
        share => format!("{:.0} %", 100.0 * share),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_as_people_write_them() {
        assert_eq!(number(1_234_567.0, 0), "1,234,567");
        assert_eq!(number(-0.001, 1), "0.0");
        assert_eq!(number(-12.34, 1), "−12.3");
        assert_eq!(number(f64::NAN, 1), "unknown");
        assert_eq!([short(0.374), short(3.44), short(344.4)], ["0.37", "3.4", "344"]);
    }

    #[test]
    fn differences_have_their_sign() {
        assert_eq!([0.42, -1.2, -0.01, f64::NAN].map(signed), ["+0.4", "−1.2", "0.0", "unknown"]);
    }

    #[test]
    fn lists_end_with_and() {
        assert_eq!(list::<&str>(&[], 3), "");
        assert_eq!(list(&["a"], 3), "a");
        assert_eq!(list(&["a", "b", "c"], 3), "a, b and c");
        assert_eq!(list(&["a", "b", "c", "d"], 2), "a, b and 2 more");
    }

    #[test]
    fn what_is_not_certain_is_not_called_so() {
        assert_eq!(percent(0.999_9), "over 99 %");
        assert_eq!(percent(1.0), "100 %");
        assert_eq!(percent(0.004), "under 1 %");
        assert_eq!(percent(0.0), "0 %");
    }
}
