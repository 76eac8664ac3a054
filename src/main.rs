//! Process edge: arguments, log set-up, one call, the chain of causes on standard error, the exit status.

use std::io::IsTerminal;
use std::process::ExitCode;

use clap::Parser;
use tracing::Level;
use tracing_subscriber::Registry;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use yardtap::cli::Cli;
use yardtap::cmd::{self, Done};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let level = match cli.verbose {
        0 if cli.command.is_service() => Level::INFO,
        0 => Level::WARN,
        1 => Level::INFO,
        _ => Level::DEBUG,
    };
    let asked = std::env::var("RUST_LOG").ok().and_then(|text| text.parse().ok());
    let filter = asked.unwrap_or_else(|| Targets::new().with_target("yardtap", level));
    log(&cli, tracing_subscriber::registry().with(filter));
    match cmd::run(cli) {
        Ok(Done::Whole) => ExitCode::SUCCESS,
        Ok(Done::InPart) => ExitCode::from(3),
        Err(error) => {
            tracing::error!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

type Filtered = tracing_subscriber::layer::Layered<Targets, Registry>;

/// The service under systemd logs to its journal, with fields; anything else to standard error.
fn log(cli: &Cli, registry: Filtered) {
    #[cfg(all(feature = "gateway", target_os = "linux"))]
    if cli.command.is_service()
        && std::env::var_os("JOURNAL_STREAM").is_some()
        && let Ok(journal) = tracing_journald::layer()
    {
        return registry.with(journal).init();
    }
    let _ = cli;
    let is_plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let lines = tracing_subscriber::fmt::layer()
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal() && !is_plain)
        .with_target(false)
        .without_time()
        // It would be told on standard error, which is what could not be written to, and end the process.
        .log_internal_errors(false);
    registry.with(lines).init();
}
