//! Process edge: arguments, log set-up, one call, the chain of causes on standard error, the exit status.

use std::io::IsTerminal;
use std::process::ExitCode;

use clap::Parser;
use tracing_subscriber::EnvFilter;
use yardtap::cli::Cli;
use yardtap::cmd::{self, Done};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let level = match cli.verbose {
        0 if cli.command.is_service() => "info",
        0 => "warn",
        1 => "info",
        _ => "debug",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(format!("yardtap={level}")));
    if let Some(filter) = log_to_journal(&cli, filter) {
        tracing_subscriber::fmt()
            .with_env_filter(filter)
            .with_writer(std::io::stderr)
            .with_ansi(
                std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty()),
            )
            .with_target(false)
            .without_time()
            // It would be told on standard error, which is what could not be written to, and end the process.
            .log_internal_errors(false)
            .init();
    }
    match cmd::run(cli) {
        Ok(Done::Whole) => ExitCode::SUCCESS,
        Ok(Done::InPart) => ExitCode::from(3),
        Err(error) => {
            tracing::error!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

/// The service under systemd logs to its journal, with fields. Anything else gives the filter back, to be logged elsewhere.
#[cfg(all(feature = "gateway", target_os = "linux"))]
fn log_to_journal(cli: &Cli, filter: EnvFilter) -> Option<EnvFilter> {
    use tracing_subscriber::layer::SubscriberExt;
    use tracing_subscriber::util::SubscriberInitExt;
    if !cli.command.is_service() || std::env::var_os("JOURNAL_STREAM").is_none() {
        return Some(filter);
    }
    match tracing_journald::layer() {
        Ok(journal) => {
            tracing_subscriber::registry().with(filter).with(journal).init();
            None
        }
        Err(_) => Some(filter),
    }
}

#[cfg(not(all(feature = "gateway", target_os = "linux")))]
fn log_to_journal(_: &Cli, filter: EnvFilter) -> Option<EnvFilter> {
    Some(filter)
}
