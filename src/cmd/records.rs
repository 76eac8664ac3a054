//! `records`: what people wrote down, checked; empty files to begin with.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use jiff::ZonedDateTime;

use super::{Done, quiet_pipe, say, shown};
use crate::cli;
use crate::records::{self, Grade, Problem, Records};
use crate::settings::{Configuration, ConfigurationError, FILE_NAME};

pub(super) fn records(what: &cli::Records) -> Result<Done> {
    match what {
        cli::Records::Check { folder, config, json } => check(folder.as_deref(), config.as_deref(), *json),
        cli::Records::Templates { folder } => templates(folder),
    }
}

fn check(folder: Option<&Path>, config: Option<&Path>, json: bool) -> Result<Done> {
    let configuration = configuration(folder, config)?;
    let Some(folder) = folder.or(configuration.fleet.records.as_deref()) else {
        bail!("no records are named; write their FOLDER, or `records` in [fleet] of the configuration");
    };
    let zone = configuration.days.zone();
    let today = ZonedDateTime::now().with_time_zone(zone.clone()).date();
    let (records, problems) = records::load(folder, zone, today)?;
    let mut out = BufWriter::new(io::stdout().lock());
    let told = if json {
        problems.iter().try_for_each(|problem| {
            let line = serde_json::to_string(problem).map_err(io::Error::other)?;
            writeln!(out, "{line}")
        })
    } else {
        tell(folder, &records, &problems, &mut out)
    };
    quiet_pipe(told.and_then(|()| out.flush()))?;
    let left_out: u64 = problems.iter().filter(|p| p.grade == Grade::LeftOut).map(|problem| problem.rows).sum();
    if left_out == 0 {
        return Ok(Done::Whole);
    }
    tracing::warn!("{}: left out: {left_out}; standard output says what, and what would be right", folder.display());
    Ok(Done::InPart)
}

/// The configuration that is named, or that lies in the folder of the records or above it.
fn configuration(folder: Option<&Path>, config: Option<&Path>) -> Result<Configuration> {
    let near = |folder: &Path| {
        [folder.join(FILE_NAME), folder.join("..").join(FILE_NAME)].into_iter().find(|path| path.is_file())
    };
    let Some(path) = config.map(Path::to_owned).or_else(|| folder.and_then(near)) else {
        return Ok(Configuration::default());
    };
    Configuration::load(&path).map_err(|error| match error {
        ConfigurationError::Wrong(problems) => shown(&problems, &path),
        other => other.into(),
    })
}

fn tell(folder: &Path, records: &Records, problems: &[Problem], out: &mut impl Write) -> io::Result<()> {
    writeln!(
        out,
        "{}: {} vehicles, {} packs fitted, {} heads, {} inserts, {} readings of {} channels, {} duties, {} lines and {} places of the overhead",
        folder.display(),
        records.vehicles.len(),
        records.packs.len(),
        records.heads.len(),
        records.inserts.len(),
        records.readings.len(),
        records.channels.len(),
        records.duties.len(),
        records.overhead.ways.len(),
        records.overhead.special.len()
    )?;
    for (grade, heading) in [(Grade::LeftOut, "left out"), (Grade::Warning, "used, but odd")] {
        let of_grade = || problems.iter().filter(|problem| problem.grade == grade);
        let rows: u64 = of_grade().map(|problem| problem.rows).sum();
        if rows > 0 {
            writeln!(out, "\n{heading}, {rows}:")?;
        }
        for problem in of_grade() {
            writeln!(out, "  {problem}")?;
        }
    }
    if problems.is_empty() {
        writeln!(out, "nothing is wrong with them")?;
    }
    Ok(())
}

fn templates(folder: &Path) -> Result<Done> {
    let done = records::templates(folder).with_context(|| format!("writing templates into {}", folder.display()))?;
    let list = |paths: &[PathBuf]| {
        let names: Vec<_> =
            paths.iter().filter_map(|path| path.file_name()).map(|name| name.to_string_lossy()).collect();
        names.join(", ")
    };
    if !done.written.is_empty() {
        say(&format!("written into {}: {}", folder.display(), list(&done.written)))?;
    }
    if !done.kept.is_empty() {
        say(&format!("there already, and left as they were: {}", list(&done.kept)))?;
    }
    Ok(Done::Whole)
}
