//! `morning`: what the fleet's questions find, as pages, and the worklist's first lines.

use std::path::Path;

use anyhow::{Result, bail};
use jiff::tz::TimeZone;
use jiff::{ToSpan, ZonedDateTime};

use super::{Done, configuration, say};
use crate::cli::{Meaning, Morning};
use crate::day::ServiceDays;
use crate::defs::Definitions;
use crate::fleet::engine::{Engine, Options};
use crate::fleet::morning::{self, DefinitionSet, Occasion};
use crate::fleet::sheet::WorkLine;
use crate::fleet::terms::Terms;
use crate::fleet::{Question, pages};
use crate::report;
use crate::settings::{Configuration, FILE_NAME};
use crate::store::Store;

/// Lines of the worklist that are printed; all are in the pages.
const LINES_MAX: usize = 12;
/// Letters of a reason in the terminal.
const REASON_MAX: usize = 90;

pub(super) fn morning(options: &Morning) -> Result<Done> {
    let meaning = Meaning { config: options.config.clone(), defs: None, bus: None };
    let mut configuration = configuration(&meaning, &[])?;
    if let Some(folder) = &options.records {
        configuration.fleet.records = Some(folder.clone());
    }
    let Some(store) = options.store.clone().or_else(|| configuration.store.clone()) else {
        bail!("no store is named; use --store FOLDER, or `store` in {FILE_NAME}");
    };
    if options.config.is_none() {
        configuration.days = ServiceDays::new(zone_of(&store)?, jiff::civil::Time::MIN);
    }
    let now = ZonedDateTime::now().with_time_zone(configuration.days.zone().clone());
    let running = configuration.days.of(now.timestamp().as_microsecond()).date;
    let (records, problems) = configuration.load_records(now.date())?;
    for problem in &problems {
        tracing::warn!("{problem}");
    }
    let how = Options { zone: configuration.days.zone().clone(), ..Options::default() };
    let engine = Engine::open_with(&store, &records, &how)?;
    let today = match options.day {
        Some(day) => day,
        None => morning::last_service_day(&engine, running)?.unwrap_or_else(|| running.saturating_sub(1.day())),
    };
    let terms = Terms::of(&configuration, today);
    let question = Question { engine: &engine, records: &records, terms: &terms };
    let occasion = Occasion { store: store.display().to_string(), now, named: named(&configuration) };
    let found = morning::gather(question, occasion)?;
    let written = pages::write(&options.to, &found)?;
    say(&lines(&found.work))?;
    say(&format!("{} files; open {}", written.files, written.index.display()))?;
    for why in &found.failed {
        tracing::error!("{why}");
    }
    Ok(if found.failed.is_empty() && problems.is_empty() { Done::Whole } else { Done::InPart })
}

/// The agency's zone, as the store was filed in it.
fn zone_of(store: &Path) -> Result<TimeZone> {
    super::runs::zone(&Store::open_to_read(store)?)
}

/// The configuration's definition set: the store knows only hashes. One that cannot be read has no name here.
fn named(configuration: &Configuration) -> Vec<DefinitionSet> {
    let set = configuration.definitions.as_deref().and_then(|folder| Definitions::load(folder).ok());
    set.map(|set| DefinitionSet { name: set.name, hash: set.hash }).into_iter().collect()
}

/// The worklist's first lines, for the terminal.
fn lines(work: &[WorkLine]) -> String {
    if work.is_empty() {
        return "nothing stands on the worklist".into();
    }
    let headings = ["", "vehicle", "look at", "how sure", "why"].map(str::to_owned);
    let row = |(index, line): (usize, &WorkLine)| {
        let vehicle = line.vehicle.clone().unwrap_or_else(|| "–".into());
        let cells =
            [(index + 1).to_string(), vehicle, line.subject.clone(), line.sure.words.clone(), cut(&line.reason)];
        cells.map(|cell| plain(&cell)).to_vec()
    };
    let rows: Vec<Vec<String>> = work.iter().take(LINES_MAX).enumerate().map(row).collect();
    let table = report::table(&headings, &rows, headings.len());
    let more = work.len().saturating_sub(LINES_MAX);
    if more > 0 { format!("{table}\n… and {more} more") } else { table }
}

fn cut(reason: &str) -> String {
    match reason.char_indices().nth(REASON_MAX) {
        Some((end, _)) => format!("{}…", &reason[..end]),
        None => reason.to_owned(),
    }
}

/// Labels come from buses and from files: no letter of theirs moves the terminal's cursor.
fn plain(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}
