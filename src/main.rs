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
        0 => "warn",
        1 => "info",
        _ => "debug",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(format!("yardtap={level}")));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty()))
        .with_target(false)
        .without_time()
        .init();
    match cmd::run(cli) {
        Ok(Done::Whole) => ExitCode::SUCCESS,
        Ok(Done::InPart) => ExitCode::from(3),
        Err(error) => {
            tracing::error!("{error:#}");
            ExitCode::FAILURE
        }
    }
}
