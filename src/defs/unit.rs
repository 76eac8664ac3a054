//! Units by UCUM code: is a code valid, and how do two codes convert.
//!
//! The subset of UCUM 2.2 (2024-06-17, `ucum-essence.xml`) that vehicles need: its case-sensitive codes for these
//! atoms, metric prefixes, `.` and `/`, integer exponents, integer factors and `{annotations}`.

/// Dimensions: metre, second, gram, radian, kelvin, coulomb, candela (UCUM's base units).
type Dimensions = [i8; 7];

/// A parsed unit: so many of the base units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// How many coherent base units it is.
    pub factor: f64,
    dimensions: Dimensions,
    /// Degrees Celsius: a scale with a zero of its own, no factor.
    special: bool,
}

impl Unit {
    /// How many of `self` one `other` is, if they measure the same.
    pub fn factor_from(&self, other: &Self) -> Option<f64> {
        let same = self.dimensions == other.dimensions && !self.special && !other.special;
        same.then(|| other.factor / self.factor)
    }

    /// The unit of a product.
    pub fn times(&self, other: &Self) -> Self {
        self.combined(other, 1)
    }

    fn combined(&self, other: &Self, sign: i8) -> Self {
        let mut dimensions = self.dimensions;
        for (own, more) in dimensions.iter_mut().zip(other.dimensions) {
            *own = own.saturating_add(more.saturating_mul(sign));
        }
        let factor = if sign > 0 { self.factor * other.factor } else { self.factor / other.factor };
        Self { factor, dimensions, special: self.special || other.special }
    }
}

const NONE: Dimensions = [0; 7];

/// Atom, whether it takes prefixes, factor in base units, dimensions (m, s, g, rad, K, C, cd).
const ATOMS: &[(&str, bool, f64, Dimensions)] = &[
    ("m", true, 1.0, [1, 0, 0, 0, 0, 0, 0]),
    ("s", true, 1.0, [0, 1, 0, 0, 0, 0, 0]),
    ("g", true, 1.0, [0, 0, 1, 0, 0, 0, 0]),
    ("rad", true, 1.0, [0, 0, 0, 1, 0, 0, 0]),
    ("K", true, 1.0, [0, 0, 0, 0, 1, 0, 0]),
    ("Cel", true, 1.0, [0, 0, 0, 0, 1, 0, 0]),
    ("C", true, 1.0, [0, 0, 0, 0, 0, 1, 0]),
    ("A", true, 1.0, [0, -1, 0, 0, 0, 1, 0]),
    ("V", true, 1000.0, [2, -2, 1, 0, 0, -1, 0]),
    ("W", true, 1000.0, [2, -3, 1, 0, 0, 0, 0]),
    ("J", true, 1000.0, [2, -2, 1, 0, 0, 0, 0]),
    ("N", true, 1000.0, [1, -2, 1, 0, 0, 0, 0]),
    ("Pa", true, 1000.0, [-1, -2, 1, 0, 0, 0, 0]),
    ("bar", true, 1e8, [-1, -2, 1, 0, 0, 0, 0]),
    ("Hz", true, 1.0, [0, -1, 0, 0, 0, 0, 0]),
    ("Ohm", true, 1000.0, [2, -1, 1, 0, 0, -2, 0]),
    ("F", true, 0.001, [-2, 2, -1, 0, 0, 2, 0]),
    ("L", true, 0.001, [3, 0, 0, 0, 0, 0, 0]),
    ("l", true, 0.001, [3, 0, 0, 0, 0, 0, 0]),
    ("t", true, 1e6, [0, 0, 1, 0, 0, 0, 0]),
    ("cd", true, 1.0, [0, 0, 0, 0, 0, 0, 1]),
    ("lx", true, 1.0, [-2, 0, 0, 0, 0, 0, 1]),
    ("min", false, 60.0, [0, 1, 0, 0, 0, 0, 0]),
    ("h", false, 3600.0, [0, 1, 0, 0, 0, 0, 0]),
    ("d", false, 86_400.0, [0, 1, 0, 0, 0, 0, 0]),
    ("wk", false, 604_800.0, [0, 1, 0, 0, 0, 0, 0]),
    ("deg", false, std::f64::consts::PI / 180.0, [0, 0, 0, 1, 0, 0, 0]),
    ("%", false, 0.01, NONE),
    ("[ppm]", false, 1e-6, NONE),
    ("dB", false, 1.0, NONE),
];

const PREFIXES: &[(&str, f64)] = &[
    ("da", 1e1),
    ("T", 1e12),
    ("G", 1e9),
    ("M", 1e6),
    ("k", 1e3),
    ("h", 1e2),
    ("d", 1e-1),
    ("c", 1e-2),
    ("m", 1e-3),
    ("u", 1e-6),
    ("n", 1e-9),
    ("p", 1e-12),
];

/// Spellings that people use, and the code that UCUM has for them.
const MEANT: &[(&str, &str)] = &[
    ("kWh", "kW.h"),
    ("Wh", "W.h"),
    ("MWh", "MW.h"),
    ("Ah", "A.h"),
    ("Nm", "N.m"),
    ("rpm", "/min"),
    ("1/min", "/min"),
    ("°C", "Cel"),
    ("degC", "Cel"),
    ("°", "deg"),
    ("kph", "km/h"),
    ("kmh", "km/h"),
    ("µW", "uW"),
    ("µV", "uV"),
    ("Ω", "Ohm"),
    ("ohm", "Ohm"),
    ("sec", "s"),
    ("hr", "h"),
    ("percent", "%"),
    ("v", "V"),
    ("volt", "V"),
    ("a", "A"),
    ("kw", "kW"),
    ("dBm", "uW or mW: a logarithm of power is derived, not stored"),
];

/// What UCUM writes for a spelling that people use.
pub fn meant(spelling: &str) -> Option<&'static str> {
    MEANT.iter().find(|(wrong, _)| *wrong == spelling).map(|(_, meant)| *meant)
}

/// Reads a UCUM code.
///
/// # Errors
/// What is not understood, and what may have been meant.
pub fn parse(code: &str) -> Result<Unit, String> {
    if let Some(meant) = meant(code) {
        return Err(format!("UCUM writes {meant}"));
    }
    let one = Unit { factor: 1.0, dimensions: NONE, special: false };
    if code.is_empty() {
        return Err("an empty unit; leave the key out, or write \"1\" for a bare number".into());
    }
    let mut unit = one;
    let mut rest = code;
    let mut sign = 1;
    if let Some(behind) = rest.strip_prefix('/') {
        rest = behind;
        sign = -1;
    }
    loop {
        let end = component_end(rest);
        let part = component(&rest[..end])?;
        if part.special && (end != code.len()) {
            return Err("Cel is a scale and stands alone; a temperature difference is in K".into());
        }
        unit = unit.combined(&part, sign);
        rest = &rest[end..];
        match rest.chars().next() {
            None => return Ok(unit),
            Some('.') => sign = 1,
            Some('/') => sign = -1,
            Some(other) => return Err(format!("'{other}' has no meaning there")),
        }
        rest = &rest[1..];
    }
}

/// Where a component ends: at the next `.` or `/` outside braces and brackets.
fn component_end(text: &str) -> usize {
    let mut depth = 0_i32;
    for (at, letter) in text.char_indices() {
        match letter {
            '{' | '[' => depth += 1,
            '}' | ']' => depth -= 1,
            '.' | '/' if depth <= 0 => return at,
            _ => {}
        }
    }
    text.len()
}

fn component(text: &str) -> Result<Unit, String> {
    let one = Unit { factor: 1.0, dimensions: NONE, special: false };
    let bare = match text.find('{') {
        Some(open) if text.ends_with('}') => &text[..open],
        Some(_) => return Err(format!("'{text}' has a brace that is not closed")),
        None => text,
    };
    if bare.is_empty() {
        return if text.is_empty() { Err("a factor is missing beside '.' or '/'".into()) } else { Ok(one) };
    }
    if let Ok(number) = bare.parse::<u32>() {
        return Ok(Unit { factor: f64::from(number), ..one });
    }
    let digits = bare.len() - bare.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let signed = bare[..bare.len() - digits].ends_with(['-', '+']) && digits > 0;
    let (atom, exponent) = bare.split_at(bare.len() - digits - usize::from(signed));
    let exponent: i8 = if exponent.is_empty() {
        1
    } else {
        exponent.parse().ok().filter(|e: &i8| (-9..=9).contains(e)).ok_or(format!("exponent {exponent}"))?
    };
    let (factor, dimensions) = prefixed(atom).ok_or_else(|| format!("no UCUM unit '{atom}' is known here"))?;
    let special = atom == "Cel";
    if special && exponent != 1 {
        return Err("Cel takes no exponent".into());
    }
    Ok(Unit {
        factor: factor.powi(i32::from(exponent)),
        dimensions: dimensions.map(|d: i8| d.saturating_mul(exponent)),
        special,
    })
}

fn prefixed(atom: &str) -> Option<(f64, Dimensions)> {
    if let Some((.., factor, dimensions)) = ATOMS.iter().find(|(name, ..)| *name == atom) {
        return Some((*factor, *dimensions));
    }
    PREFIXES.iter().find_map(|(prefix, times)| {
        let rest = atom.strip_prefix(prefix)?;
        let (_, _, factor, dimensions) = ATOMS.iter().find(|(name, metric, ..)| *metric && *name == rest)?;
        Some((times * factor, *dimensions))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Codes as `ucum-essence.xml` of UCUM 2.2 has them.
    #[test]
    fn codes_of_ucum_are_known_and_common_misspellings_are_not() {
        for code in ["km/h", "Cel", "K", "V", "mV", "kV", "A", "kW.h", "uW", "%", "/min", "{rev}/min", "deg", "1", "dB"]
        {
            assert!(parse(code).is_ok(), "{code}: {:?}", parse(code));
        }
        for code in ["m/s2", "kW.h/km", "{event}", "A.h", "V/s", "kPa", "bar", "m2.s-1", "10.m"] {
            assert!(parse(code).is_ok(), "{code}: {:?}", parse(code));
        }
        for code in ["kWh", "rpm", "°C", "dBm", "Cel/s", "", "V.", "k%", "kmin", "{rev", "V//A", "B[mW]"] {
            assert!(parse(code).is_err(), "{code}");
        }
    }

    #[test]
    fn volts_times_amperes_times_seconds_become_kilowatt_hours() {
        let product = parse("V").unwrap().times(&parse("A").unwrap()).times(&parse("s").unwrap());
        let factor = parse("kW.h").unwrap().factor_from(&product).unwrap();
        assert!((factor * 3.6e6 - 1.0).abs() < 1e-12);
        assert_eq!(parse("km").unwrap().factor_from(&parse("V").unwrap()), None);
        let speed = parse("km").unwrap().factor_from(&parse("km/h").unwrap().times(&parse("s").unwrap())).unwrap();
        assert!((speed * 3600.0 - 1.0).abs() < 1e-12);
    }
}
