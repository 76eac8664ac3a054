//! `replay` and `close`: captures into the store, and its days closed.

use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use arrow_array::BooleanArray;
use indicatif::{ProgressBar, ProgressStyle};

use super::{Done, configuration, definitions_folder, filing_settings, load_definitions, runs, say};
use crate::capture::{self, Capture, ReadOptions};
use crate::cli::Replay;
use crate::defs::Definitions;
use crate::filing::{Count, Desk, Due, FilingError, Outcome, Settings};
use crate::overhead;
use crate::settings::Configuration;
use crate::store::{Filed, Store, StoreError, summary};
use crate::table::signals::words;

/// Where the store goes when nobody says.
const STORE: &str = "yardtap-store";

pub(super) fn replay(options: &Replay) -> Result<Done> {
    let configuration = configuration(&options.meaning, &options.captures)?;
    let defs = load_definitions(&definitions_folder(&options.meaning, &configuration)?)?;
    let places = match &configuration.overhead {
        Some(path) => overhead::load(path)?,
        None => Vec::new(),
    };
    let root = options.store.clone().or_else(|| configuration.store.clone()).unwrap_or_else(|| STORE.into());
    let store = Store::open(&root)?;
    let settings = filing_settings(&configuration, &options.meaning, options.vehicle.as_ref());
    let threads = rayon::ThreadPoolBuilder::new().num_threads(options.threads).build().context("starting threads")?;
    let desk = Desk { count: Count::JoinedLater, ..Desk::new(&store, &defs, &settings, &places) };
    let replayed = threads.install(|| Replayed::of(&desk, options, &configuration))?;
    threads.install(|| desk.count_due(Due::All)).context("counting runs over several captures")?;
    if !options.leave_open {
        let bar = progress_bar(0, "closing days");
        threads.install(|| {
            store.close(&mut |done, total| {
                bar.set_length(total as u64);
                bar.set_position(done as u64);
            })
        })?;
        bar.finish_and_clear();
    }
    replayed.show(&store, &defs, &settings, options, &root)
}

/// What came of the captures.
#[derive(Default)]
struct Replayed {
    records: Vec<Filed>,
    known: usize,
    left_out: usize,
    damaged: bool,
}

impl Replayed {
    fn of(desk: &Desk<'_>, options: &Replay, configuration: &Configuration) -> Result<Self> {
        let mut replayed = Self::default();
        if options.captures == [PathBuf::from("-")] {
            let read = ReadOptions { content_hash: true, ..ReadOptions::default() };
            let mut capture = Capture::from_reader("standard input".into(), Box::new(io::stdin()), read)?;
            let outcome = desk.file_capture(&mut capture, &mut |_| {})?;
            replayed.add(outcome);
            return Ok(replayed);
        }
        let found = capture::find(&options.captures)?;
        for path in &found.passed_over {
            tracing::info!("{}: {}; passed over", path.path.display(), path.why);
        }
        if found.captures.is_empty() {
            bail!("no capture found in {}; pcap and pcapng are known by their content", shown_paths(&options.captures));
        }
        let total: u64 = found.captures.iter().filter_map(|path| std::fs::metadata(path).ok()).map(|m| m.len()).sum();
        let bar = progress_bar(total, "filing");
        let mut done = 0;
        for path in &found.captures {
            bar.set_message(path.file_name().unwrap_or_default().to_string_lossy().into_owned());
            let by_path = configuration.vehicle_path.as_ref().and_then(|pattern| pattern.vehicle(path));
            let settings = Settings { vehicle: desk.settings.vehicle.clone().or(by_path), ..desk.settings.clone() };
            let own = Desk { settings: &settings, ..*desk };
            match own.file(path, &mut |bytes| bar.set_position(done + bytes)) {
                Ok(outcome) => replayed.add(outcome),
                // A capture that cannot be used does not stop the others; a store that cannot be written does.
                Err(FilingError::Capture(error)) => {
                    bar.suspend(|| tracing::error!("{error}"));
                    replayed.left_out += 1;
                }
                Err(FilingError::Store(error @ StoreError::ClockAstray { .. })) => {
                    bar.suspend(|| tracing::error!("{}: {error}", path.display()));
                    replayed.left_out += 1;
                }
                Err(error) => {
                    bar.finish_and_clear();
                    return Err(error).with_context(|| format!("filing {}", path.display()));
                }
            }
            done += std::fs::metadata(path).map(|metadata| metadata.len()).unwrap_or(0);
            bar.set_position(done);
        }
        bar.finish_and_clear();
        if replayed.left_out == found.captures.len() {
            bail!("none of the {} captures could be used", found.captures.len());
        }
        Ok(replayed)
    }

    fn add(&mut self, outcome: Outcome) {
        match outcome {
            Outcome::Filed(record) => {
                for remark in &record.remarks {
                    tracing::warn!("{}: {remark}", record.source);
                }
                for note in &record.notes {
                    tracing::info!("{}: {note}", record.source);
                }
                self.damaged |= !record.remarks.is_empty();
                self.records.push(record);
            }
            Outcome::Known(record) => {
                tracing::info!("{}: filed before, nothing changed", record.source);
                self.known += 1;
                self.records.push(record);
            }
        }
    }

    fn show(
        self,
        store: &Store,
        defs: &Definitions,
        settings: &Settings,
        options: &Replay,
        root: &Path,
    ) -> Result<Done> {
        let table = summary::whole_table(store, crate::table::runs::RUNS)?;
        let shape = options.shape;
        if let Some(batch) = table {
            let vehicles = batch.column_by_name("vehicle").and_then(words).unwrap_or_default();
            let starts = arrow_array::cast::AsArray::as_primitive::<arrow_array::types::TimestampMicrosecondType>(
                batch.column(0),
            );
            let parts: Vec<_> = self.records.iter().flat_map(|record| &record.vehicles).collect();
            let keep: BooleanArray = vehicles
                .iter()
                .zip(starts.values())
                .map(|(vehicle, start)| {
                    let touched = |part: &&crate::store::VehicleFiled| {
                        part.vehicle == *vehicle && (part.first_us..=part.last_us).contains(start)
                    };
                    Some(parts.iter().any(touched))
                })
                .collect();
            let batch = arrow_select::filter::filter_record_batch(&batch, &keep)?;
            runs::show_runs(&batch, Some(defs), &settings.days, shape)?;
        } else if !shape.json && !shape.csv {
            say("no run was found in these captures")?;
        }
        if !shape.json && !shape.csv {
            self.say_sums(root)?;
        }
        Ok(if self.left_out > 0 || self.damaged { Done::InPart } else { Done::Whole })
    }

    fn say_sums(&self, root: &Path) -> Result<()> {
        let frames: u64 = self.records.iter().flat_map(|record| &record.vehicles).map(|part| part.frames).sum();
        let shared: u64 = self.records.iter().flat_map(|record| &record.vehicles).map(|part| part.known_frames).sum();
        let captures = self.records.len();
        let mut text = format!("{captures} capture{}, {frames} frames", if captures == 1 { "" } else { "s" });
        if self.known > 0 {
            text.push_str(&format!("; {} filed before, unchanged", self.known));
        }
        if shared > 0 {
            text.push_str(&format!("; {shared} frames were there already from captures that overlap"));
        }
        if self.left_out > 0 {
            text.push_str(&format!("; {} left out", self.left_out));
        }
        say(&text)?;
        let root = root.display();
        say(&format!("Parquet: {root}/signals/message=*/date=*/*.parquet, {root}/runs/month=*/*.parquet, …"))
    }
}

fn shown_paths(paths: &[PathBuf]) -> String {
    paths.iter().map(|path| path.display().to_string()).collect::<Vec<_>>().join(", ")
}

/// On standard error, and only where that is a terminal.
fn progress_bar(total: u64, what: &'static str) -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let template = "{prefix} {wide_bar} {percent:>3} % {eta:>4} {msg}";
    let style = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(total).with_style(style).with_prefix(what)
}

pub(super) fn close(root: &Path) -> Result<Done> {
    Store::open_to_read(root)?;
    let store = Store::open(root)?;
    let bar = progress_bar(0, "closing days");
    let closed = store.close(&mut |done, total| {
        bar.set_length(total as u64);
        bar.set_position(done as u64);
    })?;
    bar.finish_and_clear();
    say(&format!("{} files before, {} after", closed.files_before, closed.files_after))?;
    Ok(Done::Whole)
}
