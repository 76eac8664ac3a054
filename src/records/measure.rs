//! A value measured by hand → one in the channel's unit, and whether it can be one. Pure.

use super::Channel;
use super::problem::{Wrong, shown};
use super::unit;

/// A value so many times the channel's highest limit is told as odd.
const TIMES_LIMIT_MAX: f64 = 20.0;

/// What a value looks like.
#[derive(Debug)]
pub(super) enum Measured {
    Sound,
    Odd(Wrong),
    Impossible(Wrong),
}

/// A UCUM code for what people write: `µW` is `uW`, whichever letter µ is.
fn code(text: &str) -> String {
    let text = text.trim().replace('μ', "µ");
    unit::meant(&text).map_or(text, str::to_owned)
}

/// A value in the channel's unit.
pub(super) fn converted(value: f64, written: &str, channel: &str) -> Result<f64, Wrong> {
    if written.is_empty() || written == channel || code(written) == channel {
        return Ok(value);
    }
    let refused = |why: String| {
        let what = format!("'{}' does not become {channel}, the channel's unit: {why}", shown(written));
        let remedy = format!("write the value in {channel}, or a unit that measures the same");
        Wrong::new("unit", what, remedy)
    };
    let to = unit::parse(channel).map_err(refused)?;
    // A logarithm of power, referred to 1 mW.
    let (from, value) =
        if written == "dBm" { ("mW".to_owned(), 10_f64.powf(value / 10.0)) } else { (code(written), value) };
    let from = unit::parse(&from).map_err(refused)?;
    let factor = to.factor_from(&from).ok_or_else(|| refused("they measure different things".into()))?;
    let converted = value * factor;
    if converted.is_finite() { Ok(converted) } else { Err(refused("it is too large".into())) }
}

/// Looks at a value in its channel's unit.
pub(super) fn judged(value: f64, channel: &Channel) -> Measured {
    let limits = || [channel.new, channel.suspect, channel.recheck, channel.marginal].into_iter().flatten();
    let shown = format!("{value} {}", channel.unit);
    if channel.decibels && value <= 0.0 {
        if value == 0.0 {
            let what = "no power at all: it has no dB, and is left aside where drift is reckoned";
            return Measured::Odd(Wrong::new("no power", what, "write what was seen in the note, such as: broken"));
        }
        return Measured::Impossible(Wrong::new(
            "value",
            format!("{shown} is a power below zero"),
            "see the sign; or the unit is dBm",
        ));
    }
    if value < 0.0 && (never_negative(&channel.unit) || limits().count() > 0 && limits().all(|limit| limit > 0.0)) {
        let what = format!("{shown} is below zero, and channel '{}' has no such values", channel.name);
        return Measured::Impossible(Wrong::new("value", what, "see the sign"));
    }
    let highest = limits().fold(0.0_f64, |highest, limit| highest.max(limit.abs()));
    if highest > 0.0 && value.abs() > TIMES_LIMIT_MAX * highest {
        let what =
            format!("{shown} is far off: the highest value that limits.toml names for '{}' is {highest}", channel.name);
        return Measured::Odd(Wrong::new("far off", what, "see where the decimal point belongs, and the unit"));
    }
    Measured::Sound
}

/// Lengths, resistances, times, masses and shares.
fn never_negative(code: &str) -> bool {
    let Ok(own) = unit::parse(code) else { return false };
    ["m", "Ohm", "s", "g", "%", "m/s", "Hz", "F"]
        .iter()
        .any(|of| unit::parse(of).is_ok_and(|of| of.factor_from(&own).is_some()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link() -> Channel {
        Channel {
            name: "link-3".into(),
            unit: "uW".into(),
            decibels: true,
            falls: true,
            new: Some(120.0),
            recheck: Some(40.0),
            ..Channel::default()
        }
    }

    #[test]
    fn values_become_the_channel_s_unit() {
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-12 * b.abs();
        for (value, unit, expected) in [
            (120.0, "uW", 120.0),
            (120.0, "µW", 120.0),
            (120.0, "\u{3bc}W", 120.0),
            (0.12, "mW", 120.0),
            (120_000.0, "nW", 120.0),
            // By definition: 0 dBm is 1 mW, −10 dBm is 100 µW.
            (-10.0, "dBm", 100.0),
        ] {
            assert!(close(converted(value, unit, "uW").unwrap(), expected), "{value} {unit}");
        }
        assert!(close(converted(2.5, "MOhm", "kOhm").unwrap(), 2500.0));
        assert!(close(converted(21.0, "°C", "Cel").unwrap(), 21.0));
        for (unit, channel) in [("V", "uW"), ("K", "Cel"), ("furlong", "mm"), ("dBm", "mm"), ("dB", "uW")] {
            let wrong = converted(1.0, unit, channel).unwrap_err();
            assert!(wrong.what.contains(unit) && wrong.remedy.contains(channel), "{wrong:?}");
        }
        assert!(converted(1e308, "MW", "uW").is_err());
        assert!(converted(1e308, "dBm", "uW").is_err());
    }

    #[test]
    fn values_that_cannot_be_are_told_from_odd_ones() {
        assert!(matches!(judged(118.0, &link()), Measured::Sound));
        assert!(matches!(judged(0.0, &link()), Measured::Odd(_)));
        assert!(matches!(judged(-3.0, &link()), Measured::Impossible(_)));
        assert!(matches!(judged(118_000.0, &link()), Measured::Odd(_)));
        let length = Channel { name: "wear".into(), unit: "mm".into(), ..Channel::default() };
        assert!(matches!(judged(-1.0, &length), Measured::Impossible(_)));
        let cold = Channel { name: "oil".into(), unit: "Cel".into(), ..Channel::default() };
        assert!(matches!(judged(-12.0, &cold), Measured::Sound));
    }
}
