//! From what was typed to what is done: one function a command.

mod captures;
mod definitions;
#[cfg(all(feature = "gateway", target_os = "linux"))]
mod gateway;
#[cfg(feature = "fleet")]
mod morning;
#[cfg(feature = "fleet")]
mod records;
mod replay;
mod restore;
mod runs;
mod running;
mod simulate;
#[cfg(feature = "fleet")]
mod sql;

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::CommandFactory;

use crate::cli::{Cli, Command, Meaning};
use crate::defs::{Definitions, LoadError, Problems};
use crate::filing::Settings;
use crate::settings::{Configuration, ConfigurationError, FILE_NAME};

/// How it went, where it could be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Done {
    /// All of it.
    Whole,
    /// Something of the input was left out or damaged.
    InPart,
}

/// Does what was typed.
///
/// # Errors
/// It could not be done.
pub fn run(cli: Cli) -> Result<Done> {
    match cli.command {
        Command::Replay(options) => replay::replay(&options),
        Command::Runs(options) => runs::runs(&options),
        Command::Check { defs } => definitions::check(&defs),
        Command::Explain { what, data, defs, bus } => {
            definitions::explain(&what, data.as_deref(), &defs, bus.as_deref())
        }
        Command::Schema { configuration } => definitions::schema(configuration),
        Command::Census { captures, meaning, json } => captures::census(&captures, &meaning, json),
        Command::Frames { capture, to } => captures::frames(&capture, to.as_deref()),
        Command::Restore(options) => restore::restore(&options),
        Command::Close { store } => replay::close(&store),
        #[cfg(all(feature = "gateway", target_os = "linux"))]
        Command::Gateway { config, check } => gateway::gateway(&config, check),
        #[cfg(feature = "fleet")]
        Command::Sql(options) => sql::sql(&options),
        Command::Status { at, json } => running::status(&at.url, json),
        Command::Live { at, tap, who } => running::live(&at.url, tap, &who),
        #[cfg(feature = "fleet")]
        Command::Morning(options) => morning::morning(&options),
        #[cfg(feature = "fleet")]
        Command::Records(what) => records::records(&what),
        Command::Simulate(options) => simulate::simulate(&options),
        Command::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "yardtap", &mut script);
            quiet_pipe(io::stdout().lock().write_all(&script))?;
            Ok(Done::Whole)
        }
        Command::ManPages { folder } => {
            std::fs::create_dir_all(&folder).with_context(|| format!("creating {}", folder.display()))?;
            clap_mangen::generate_to(Cli::command(), &folder)
                .with_context(|| format!("writing manual pages into {}", folder.display()))?;
            Ok(Done::Whole)
        }
    }
}

/// Loads a definition set; its problems are shown in place, in colour where standard error is a terminal.
fn load_definitions(folder: &Path) -> Result<Definitions> {
    Definitions::load(folder).map_err(|error| match error {
        LoadError::Wrong(problems) => shown(&problems, folder),
        other => other.into(),
    })
}

/// Shows problems on standard error, and sums them up.
fn shown(problems: &Problems, place: &Path) -> anyhow::Error {
    let text = problems.render(io::stderr().is_terminal());
    // Where standard error is gone there is nobody to tell.
    let _ignored = writeln!(io::stderr().lock(), "{text}");
    let count = problems.list.len();
    anyhow::anyhow!("{}: {count} problem{}", place.display(), if count == 1 { "" } else { "s" })
}

/// The configuration that is named, or that lies beside the first capture.
fn configuration(meaning: &Meaning, captures: &[PathBuf]) -> Result<Configuration> {
    let beside = captures.first().map(|first| if first.is_dir() { first.clone() } else { folder_of(first) });
    let found = meaning.config.clone().or_else(|| Some(beside?.join(FILE_NAME)).filter(|path| path.is_file()));
    let Some(path) = found else { return Ok(Configuration::default()) };
    Configuration::load(&path).map_err(|error| match error {
        ConfigurationError::Wrong(problems) => shown(&problems, &path),
        other => other.into(),
    })
}

fn folder_of(path: &Path) -> PathBuf {
    path.parent().unwrap_or(Path::new("")).to_owned()
}

/// The definition set that is named, or that the configuration names.
fn definitions_folder(meaning: &Meaning, configuration: &Configuration) -> Result<PathBuf> {
    match meaning.defs.clone().or_else(|| configuration.definitions.clone()) {
        Some(folder) => Ok(folder),
        None => bail!("no definition set is named; use --defs FOLDER, or `definitions` in {FILE_NAME}"),
    }
}

/// How captures are filed, by configuration and command line.
fn filing_settings(configuration: &Configuration, meaning: &Meaning, vehicle: Option<&String>) -> Settings {
    Settings {
        days: configuration.days.clone(),
        vehicle: vehicle.cloned().or_else(|| configuration.vehicle.clone()),
        unknown_vehicle: "unknown".into(),
        vehicle_before: None,
        vins: configuration.vins.clone().into_iter().collect(),
        channels: configuration.channels.clone(),
        bus: meaning.bus.clone().or_else(|| configuration.bus.clone()),
    }
}

/// Prints a line on standard output. A reader that went away (`| head`) is no fault.
fn say(text: &str) -> Result<()> {
    quiet_pipe(writeln!(io::stdout().lock(), "{text}"))
}

/// A reader that went away is no fault; anything else is.
fn quiet_pipe(result: io::Result<()>) -> Result<()> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.context("writing to standard output"),
    }
}
