//! The configuration file, checked whole: where things lie, the agency's clock, whose bus it is.

mod check;
pub mod fleet;
pub mod gateway;
mod quantity;
#[cfg(feature = "fleet")]
mod terms;
mod written;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::civil::Time;
use jiff::tz::TimeZone;

use crate::day::ServiceDays;
use crate::defs::rules::CounterKind;
use crate::defs::{Definitions, LoadError, Problems, SourceText};
use check::Book;
use fleet::Fleet;
use gateway::Gateway;
use written::Written;

/// Name under which a configuration is found beside captures.
pub const FILE_NAME: &str = "yardtap.toml";

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
    /// What only the service needs.
    pub gateway: Gateway,
    /// What only questions over the whole fleet need.
    pub fleet: Fleet,
    /// The file, so that later checks can show places in it.
    source: Option<Arc<(SourceText, Written)>>,
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
            gateway: Gateway::default(),
            fleet: Fleet::default(),
            source: None,
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
    /// Its definition set cannot be used.
    #[error(transparent)]
    Definitions(#[from] LoadError),
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

    /// Reads a configuration and its definition set, and checks that the service can run by them. Nothing is started.
    ///
    /// # Errors
    /// One of them cannot be read, or something in them is wrong: all problems of the configuration at once.
    pub fn load_for_service(path: &Path) -> Result<(Self, Definitions), ConfigurationError> {
        let configuration = Self::load(path)?;
        configuration.check_for_service()?;
        let folder = configuration.definitions.as_deref().unwrap_or(Path::new(""));
        let defs = Definitions::load(folder)?;
        configuration.check_against(&defs)?;
        Ok((configuration, defs))
    }

    fn from_text(name: &str, text: String, folder: &Path) -> Result<Self, Problems> {
        let mut book = Book::default();
        let written = check::read(&text, &mut book);
        let configuration = check::check(&written, folder, &mut book);
        let source = SourceText { name: name.to_owned(), text };
        if book.list.is_empty() {
            Ok(Self { source: Some(Arc::new((source, written))), ..configuration })
        } else {
            book.list.sort_by_key(|problem| problem.place.as_ref().map(|(_, span)| span.start));
            Err(Problems { sources: vec![source], list: book.list })
        }
    }

    /// Checks that it names all that the service cannot do without.
    ///
    /// # Errors
    /// It does not: all problems at once.
    pub fn check_for_service(&self) -> Result<(), Problems> {
        let mut book = Book::default();
        let name = self.source.as_ref().map_or(FILE_NAME, |source| source.0.name.as_str());
        if self.definitions.is_none() {
            let remedy = "`definitions = \"FOLDER\"`: the folder of a definition set, such as signal-defs/velmora";
            book.add_missing(format!("{name} names no definition set"), remedy);
        }
        if self.store.is_none() {
            let remedy = "`store = \"FOLDER\"`: what is recorded is filed there; /var/lib/yardtap/store, for example";
            book.add_missing(format!("{name} names no store"), remedy);
        }
        if self.gateway.taps.is_empty() && self.gateway.inbox.is_none() {
            let remedy = "a [[tap]] with a [[tap.bus]] for each CAN interface, or an [inbox]";
            book.add_missing(format!("{name} names neither a tap nor an inbox: there would be nothing to do"), remedy);
        }
        self.outcome(book)
    }

    /// Checks what it says of buses and counters against the definition set.
    ///
    /// # Errors
    /// It names what the set does not have: all problems at once.
    pub fn check_against(&self, defs: &Definitions) -> Result<(), Problems> {
        let mut book = Book::default();
        let Some(source) = &self.source else { return Ok(()) };
        let written = &source.1;
        let buses: Vec<&str> = defs.buses.iter().map(|bus| bus.name.as_str()).collect();
        let tap_buses = written.tap.iter().flat_map(|tap| &tap.get().bus).map(|bus| &bus.get().bus);
        for bus in tap_buses.chain(written.channels.values()).chain(&written.bus) {
            if !buses.contains(&bus.get().as_str()) {
                let title = format!("definition set '{}' has no bus '{}'", defs.name, bus.get());
                book.add(bus.span(), title, format!("one of {}", listed(&buses)));
            }
        }
        let counters = defs.rules.as_ref().map_or(&[][..], |rules| &rules.counters);
        let tells = |kind: &CounterKind| matches!(kind, CounterKind::Count { .. } | CounterKind::Growth { .. });
        let telling: Vec<&str> = counters.iter().filter(|c| tells(&c.kind)).map(|c| c.name.as_str()).collect();
        for event in written.message_to.iter().flat_map(|receiver| receiver.get().events.get()) {
            let name = event.get().as_str();
            if telling.contains(&name) {
                continue;
            }
            let title = if counters.iter().any(|counter| counter.name == name) {
                format!("counter '{name}' makes no events")
            } else {
                format!("definition set '{}' has no counter '{name}'", defs.name)
            };
            let remedy = format!("one that counts occurrences or growth: {}", listed(&telling));
            book.add(event.span(), title, remedy);
        }
        self.outcome(book)
    }

    fn outcome(&self, book: Book) -> Result<(), Problems> {
        if book.list.is_empty() {
            return Ok(());
        }
        let sources = self.source.iter().map(|source| source.0.clone()).collect();
        Err(Problems { sources, list: book.list })
    }
}

fn listed(names: &[&str]) -> String {
    if names.is_empty() { "it has none".into() } else { names.join(", ") }
}

/// The JSON Schema of the configuration file.
pub fn json_schema() -> serde_json::Value {
    schemars::schema_for!(Written).to_value()
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
mod tests;

#[cfg(test)]
mod pattern_tests {
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
}
