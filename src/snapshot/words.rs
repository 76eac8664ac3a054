//! Numbers, sizes, ages and links as people read them.

use super::{Bus, LinkState, Snapshot};

/// A whole number in groups of three.
pub fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A size in binary multiples (IEC 80000-13).
pub fn size(bytes: u64) -> String {
    let mut scaled = bytes as f64;
    let mut prefix = "";
    for next in ["Ki", "Mi", "Gi", "Ti", "Pi", "Ei"] {
        if scaled < 1024.0 {
            break;
        }
        (scaled, prefix) = (scaled / 1024.0, next);
    }
    if prefix.is_empty() || scaled >= 100.0 {
        format!("{scaled:.0} {prefix}B")
    } else {
        format!("{scaled:.1} {prefix}B")
    }
}

/// A span of time, in the one or two units that matter.
pub fn span(us: i64) -> String {
    let seconds = us.max(0) / 1_000_000;
    match seconds {
        0..60 => format!("{seconds} s"),
        60..3_600 => format!("{} min {} s", seconds / 60, seconds % 60),
        3_600..86_400 => format!("{} h {} min", seconds / 3_600, seconds / 60 % 60),
        _ => format!("{} d {} h", seconds / 86_400, seconds / 3_600 % 24),
    }
}

/// How long ago something was, or that it never was.
pub fn ago(now_us: i64, time_us: Option<i64>) -> String {
    time_us.map_or_else(|| "never".into(), |time_us| format!("{} ago", span(now_us.saturating_sub(time_us))))
}

/// Interface and what it is doing: state, bit rate, whether it can only listen.
pub fn link(bus: &Bus) -> String {
    let mut text = bus.link.state.words().to_owned();
    if let Some(bitrate) = bus.link.bitrate {
        text += &format!(", {} kbit/s", f64::from(bitrate) / 1000.0);
    }
    match bus.link.listen_only {
        Some(true) => text += ", listen-only",
        Some(false) => text += ", NOT listen-only",
        None => {}
    }
    text
}

/// Whether a link needs somebody.
pub fn link_is_bad(bus: &Bus) -> bool {
    !matches!(bus.link.state, LinkState::Up) || bus.link.listen_only == Some(false)
}

/// The first sentence: whether anything needs somebody.
pub fn verdict(now: &Snapshot) -> String {
    match now.troubles.len() {
        0 => "Nothing is reported wrong.".into(),
        1 => "One thing is wrong:".into(),
        count => format!("{count} things are wrong:"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_told_as_people_read_them() {
        assert_eq!([0, 999, 1_000, 1_234_567].map(grouped), ["0", "999", "1,000", "1,234,567"]);
        assert_eq!(
            [0, 1_023, 1_024, 150 << 20, u64::MAX].map(size),
            ["0 B", "1023 B", "1.0 KiB", "150 MiB", "16.0 EiB"]
        );
        let spans = [-5, 59_999_999, 61_000_000, 7_260_000_000, 90_000_000_000].map(span);
        assert_eq!(spans, ["0 s", "59 s", "1 min 1 s", "2 h 1 min", "1 d 1 h"]);
        assert_eq!(ago(5_000_000, None), "never");
    }
}
