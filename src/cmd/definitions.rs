//! `check`, `explain`, `schema`: what a developer of definitions needs.

use std::path::Path;

use anyhow::{Result, bail};

use super::{Done, load_definitions, say};
use crate::explain::{grid, take_apart};

pub(super) fn check(folder: &Path) -> Result<Done> {
    let defs = load_definitions(folder)?;
    let signals: usize = defs.messages.iter().map(|message| message.signals.len()).sum();
    let examples: usize = defs.messages.iter().map(|message| message.examples.len()).sum();
    say(&format!(
        "{}: {} buses, {} messages, {signals} signals; {examples} examples hold",
        folder.display(),
        defs.buses.len(),
        defs.messages.len()
    ))?;
    match &defs.rules {
        Some(rules) => {
            say(&format!("runs: {} conditions, {} counters", rules.conditions.len(), rules.counters.len()))?;
        }
        None => say("runs: the set has no [run], so nothing is counted")?,
    }
    say(&format!("hash: {}", defs.hash))?;
    Ok(Done::Whole)
}

pub(super) fn explain(what: &str, data: Option<&str>, folder: &Path, bus: Option<&str>) -> Result<Done> {
    let defs = load_definitions(folder)?;
    match (data, defs.message(what)) {
        (Some(data), _) => say(&take_apart(&defs, what, data, bus)?.text())?,
        (None, Some(message)) => say(&grid(&defs, message))?,
        (None, None) => {
            let names: Vec<&str> = defs.messages.iter().map(|message| message.name.as_str()).collect();
            bail!(
                "no message is named '{what}'; there are {}; to take a frame apart, write its data too",
                names.join(", ")
            );
        }
    }
    Ok(Done::Whole)
}

pub(super) fn schema(configuration: bool) -> Result<Done> {
    let schema = if configuration { crate::settings::json_schema() } else { crate::defs::json_schema() };
    say(&serde_json::to_string_pretty(&schema)?)?;
    Ok(Done::Whole)
}
