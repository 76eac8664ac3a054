//! The configuration file, checked whole: where things lie, the agency's clock, whose bus it is.

pub mod gateway;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::civil::Time;
use jiff::tz::TimeZone;
use serde::Deserialize;

use crate::day::ServiceDays;
use crate::defs::{At, Problem, Problems, SourceText};

/// Name under which a configuration is found beside captures.
pub const FILE_NAME: &str = "yardtap.toml";

/// The file as written.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    definitions: Option<PathBuf>,
    store: Option<PathBuf>,
    overhead: Option<PathBuf>,
    zone: Option<At<String>>,
    day_starts: Option<At<String>>,
    bus: Option<String>,
    vehicle: Option<String>,
    vehicle_path: Option<At<String>>,
    #[serde(default)]
    channels: BTreeMap<String, String>,
    #[serde(default)]
    vins: BTreeMap<String, String>,
}

/// The configuration as used; paths are relative to its file no more.
#[derive(Debug, Clone)]
pub struct Configuration {
    /// Folder of the definition set.
    pub definitions: Option<PathBuf>,
    /// Folder of the store.
    pub store: Option<PathBuf>,
    /// GeoJSON of the overhead.
    pub overhead: Option<PathBuf>,
    /// The agency's clock rule; UTC from 00:00 where nothing is said.
    pub days: ServiceDays,
    /// Bus of channels whose name says nothing.
    pub bus: Option<String>,
    /// The one vehicle that all captures are of.
    pub vehicle: Option<String>,
    /// Where the path of a capture names its vehicle.
    pub vehicle_path: Option<PathPattern>,
    /// Bus by channel name.
    pub channels: BTreeMap<String, String>,
    /// Fleet number by VIN.
    pub vins: BTreeMap<String, String>,
}

impl Default for Configuration {
    fn default() -> Self {
        Self {
            definitions: None,
            store: None,
            overhead: None,
            days: ServiceDays::new(TimeZone::UTC, Time::MIN),
            bus: None,
            vehicle: None,
            vehicle_path: None,
            channels: BTreeMap::new(),
            vins: BTreeMap::new(),
        }
    }
}

/// Why a configuration cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigurationError {
    /// It cannot be read.
    #[error("{}: {source}; name a configuration file with --config", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is wrong.
    #[error(transparent)]
    Wrong(#[from] Problems),
}

impl Configuration {
    /// Reads a configuration file.
    ///
    /// # Errors
    /// It cannot be read, or something in it is wrong.
    pub fn load(path: &Path) -> Result<Self, ConfigurationError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ConfigurationError::Unreadable { path: path.to_owned(), source })?;
        let folder = path.parent().unwrap_or(Path::new(""));
        Ok(Self::from_text(&path.display().to_string(), text, folder)?)
    }

    fn from_text(name: &str, text: String, folder: &Path) -> Result<Self, Problems> {
        let mut list = Vec::new();
        let mut add = |span, title: String, remedy: &str| {
            let place = Some((0, span));
            list.push(Problem { place, other: None, title, label: "this one".into(), remedy: remedy.into() });
        };
        let written: Written = match toml::from_str(&text) {
            Ok(written) => written,
            Err(error) => {
                add(error.span().unwrap_or(0..0), error.message().trim().to_owned(), "README.md tells the keys");
                Written::default()
            }
        };
        let mut zone = TimeZone::UTC;
        if let Some(name) = &written.zone {
            match TimeZone::get(name.get()) {
                Ok(found) => zone = found,
                Err(_) => add(
                    name.span(),
                    format!("no time zone '{}' is known", name.get()),
                    "a name of the IANA time zone database, such as \"Europe/Vienna\"",
                ),
            }
        }
        let mut starts = Time::MIN;
        if let Some(text) = &written.day_starts {
            match text.get().parse() {
                Ok(time) => starts = time,
                Err(_) => add(text.span(), format!("'{}' is no time of day", text.get()), "\"04:00\", for example"),
            }
        }
        let mut vehicle_path = None;
        if let Some(pattern) = &written.vehicle_path {
            vehicle_path = PathPattern::parse(pattern.get());
            if vehicle_path.is_none() {
                add(
                    pattern.span(),
                    format!("'{}' does not say where the vehicle stands", pattern.get()),
                    "one {vehicle} among fixed text and *, such as \"{vehicle}/*\" or \"*_{vehicle}.pcapng.zst\"",
                );
            }
        }
        if !list.is_empty() {
            return Err(Problems { sources: vec![SourceText { name: name.to_owned(), text }], list });
        }
        let below = |path: Option<PathBuf>| path.map(|path| folder.join(path));
        Ok(Self {
            definitions: below(written.definitions),
            store: below(written.store),
            overhead: below(written.overhead),
            days: ServiceDays::new(zone, starts),
            bus: written.bus,
            vehicle: written.vehicle,
            vehicle_path,
            channels: written.channels,
            vins: written.vins,
        })
    }
}

/// A pattern for the last parts of a path, one of which names the vehicle: `{vehicle}`; `*` is anything within a part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PathPattern {
    parts: Vec<String>,
}

const VEHICLE: &str = "{vehicle}";

impl PathPattern {
    /// Reads a pattern; none where it does not name the vehicle once.
    pub fn parse(text: &str) -> Option<Self> {
        let parts: Vec<String> = text.split('/').map(str::to_owned).collect();
        (text.matches(VEHICLE).count() == 1).then_some(Self { parts })
    }

    /// The vehicle that a path names.
    pub fn vehicle(&self, path: &Path) -> Option<String> {
        let parts: Vec<String> =
            path.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect();
        let tail = parts.get(parts.len().checked_sub(self.parts.len())?..)?;
        let mut vehicle = None;
        for (pattern, part) in self.parts.iter().zip(tail) {
            match pattern.split_once(VEHICLE) {
                None if matches(pattern, part) => {}
                None => return None,
                Some((before, after)) => {
                    // The shortest name that lets the rest match; none is empty.
                    let (start, end) = (0..=part.len())
                        .flat_map(|start| (start + 1..=part.len()).map(move |end| (start, end)))
                        .find(|(start, end)| {
                            part.is_char_boundary(*start)
                                && part.is_char_boundary(*end)
                                && matches(before, &part[..*start])
                                && matches(after, &part[*end..])
                        })?;
                    vehicle = Some(part[start..end].to_owned());
                }
            }
        }
        vehicle
    }
}

/// Whether a text is what a pattern with `*` says.
fn matches(pattern: &str, text: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == text,
        Some((before, after)) => text
            .strip_prefix(before)
            .is_some_and(|rest| (0..=rest.len()).any(|at| rest.is_char_boundary(at) && matches(after, &rest[at..]))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_names_its_vehicle() {
        let by = |pattern: &str, path: &str| PathPattern::parse(pattern).unwrap().vehicle(Path::new(path));
        assert_eq!(by("{vehicle}/*", "inbox/204/a.pcapng"), Some("204".into()));
        assert_eq!(by("{vehicle}.pcapng.zst", "demo/204.pcapng.zst"), Some("204".into()));
        assert_eq!(by("*_{vehicle}_*.pcap", "x/yard_204_morning.pcap"), Some("204".into()));
        assert_eq!(by("{vehicle}.pcap", "204.pcapng"), None);
        assert_eq!(PathPattern::parse("*"), None);
    }

    #[test]
    fn every_wrong_value_is_told_at_once() {
        let text = "zone = \"Europe/Velmora\"\nday_starts = \"26:00\"\nvehicle_path = \"*\"\n".to_owned();
        let told = Configuration::from_text("yardtap.toml", text, Path::new("")).unwrap_err().to_string();
        for part in ["no time zone 'Europe/Velmora'", "yardtap.toml:1:8", "no time of day", "where the vehicle stands"]
        {
            assert!(told.contains(part), "{part} is missing in\n{told}");
        }
        let told = Configuration::from_text("y.toml", "stor = 1\n".into(), Path::new("")).unwrap_err().to_string();
        assert!(told.contains("unknown field `stor`"), "{told}");
    }
}
