//! Numbers in sentences.

/// A probability or share: `97 %`. Nothing is certain: the ends are `over 99 %` and `under 1 %`.
pub fn percent(share: f64) -> String {
    match 100.0 * share {
        p if !p.is_finite() => "unknown".into(),
        p if p > 99.0 => "over 99 %".into(),
        p if p < 1.0 => "under 1 %".into(),
        p => format!("{p:.0} %"),
    }
}

/// How many of what: `1 timeout`, `11 timeouts`.
pub fn count(number: u64, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}

/// A factor, to two digits: `5.0`, `12`, `0.31`.
pub fn factor(factor: f64) -> String {
    let magnitude = factor.abs();
    let decimals = if magnitude >= 9.95 {
        0
    } else if magnitude >= 0.995 {
        1
    } else {
        2
    };
    format!("{factor:.decimals$}")
}

/// A difference with its sign, to a tenth: `+0.4`, `−1.2`.
pub fn signed(difference: f64) -> String {
    let shown = format!("{:.1}", difference.abs());
    if shown == "0.0" {
        shown
    } else if difference < 0.0 {
        format!("−{shown}")
    } else {
        format!("+{shown}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well_at_their_ends() {
        assert_eq!([0.97, 0.999, 0.0, f64::NAN].map(percent), ["97 %", "over 99 %", "under 1 %", "unknown"]);
        assert_eq!([5.0, 12.4, 0.314, 9.96].map(factor), ["5.0", "12", "0.31", "10"]);
        assert_eq!([0.4, -1.25, -0.01].map(signed), ["+0.4", "−1.2", "0.0"]);
        assert_eq!((count(1, "timeout"), count(0, "timeout")), ("1 timeout".into(), "0 timeouts".into()));
    }
}
