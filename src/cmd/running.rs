//! `status` and `live`: what a running service tells.

use std::io::IsTerminal;
use std::sync::Arc;

use anyhow::{Context, Result, bail};

use super::{Done, say};
use crate::report;
use crate::snapshot::words::{ago, grouped, link, size, span, verdict};
use crate::snapshot::{Receiver, Snapshot, Tap};
use crate::stop::Stop;
use crate::terminal::{self, line::Line};

pub(super) fn status(at: &str, json: bool) -> Result<Done> {
    let line = Line::new(at, None)?;
    let snapshot = line.status()?;
    if json {
        say(&serde_json::to_string_pretty(&snapshot)?)?;
    } else {
        say(told(&snapshot, line.place()).trim_end())?;
    }
    Ok(if snapshot.troubles.is_empty() { Done::Whole } else { Done::InPart })
}

/// The whole of it for a person.
fn told(now: &Snapshot, place: &str) -> String {
    let mut out = format!("yardtap {} at {place}", now.version);
    if let Some(started_us) = now.started_us {
        out += &format!(", running for {}", span(now.now_us.saturating_sub(started_us)));
    }
    out += &format!("\ndefinition set {}, hash {}\n\n{}\n", now.definitions, now.definitions_hash, verdict(now));
    for trouble in &now.troubles {
        out += &format!("  ! {}: {}\n", trouble.cause, trouble.text);
    }
    now.taps.iter().for_each(|tap| out += &tap_told(tap, now.now_us));
    let filing = &now.filing;
    let lag = if filing.oldest_unfiled_us.is_some() { span((filing.lag_s * 1e6) as i64) } else { "none".into() };
    let mut rows = vec![
        ("filing", if filing.doing.is_empty() { "waiting".into() } else { filing.doing.clone() }),
        ("lag behind recording", lag),
        ("newest frame filed", ago(now.now_us, filing.filed_until_us)),
        ("captures and segments filed", grouped(filing.filed)),
        ("frames filed", grouped(filing.filed_frames)),
        ("last service day closed", filing.closed_day.clone().unwrap_or_else(|| "none yet".into())),
        ("disk free", size(now.room.free_bytes)),
        ("store", size(now.room.store_bytes)),
        (
            "inbox",
            format!(
                "{} waiting, {} filed, {} set aside",
                grouped(now.inbox.waiting),
                grouped(now.inbox.filed),
                grouped(now.inbox.quarantined_count)
            ),
        ),
        ("copies", format!("{} files made, {} waiting", grouped(now.copy.files), grouped(now.copy.waiting))),
    ];
    let waits =
        |one: &Receiver| format!("{}: {} events told, {} waiting", one.name, grouped(one.told), grouped(one.waiting));
    rows.extend(now.receivers.iter().map(|one| ("messages", waits(one))));
    rows.extend(now.room.given_up.iter().map(|line| ("given up", line.clone())));
    rows.extend(now.inbox.quarantined.iter().rev().map(|one| ("set aside", format!("{}: {}", one.file, one.reason))));
    out.push('\n');
    out + &pairs(&rows)
}

fn tap_told(tap: &Tap, now_us: i64) -> String {
    let vehicle = tap.vehicle.as_deref().map_or("no vehicle heard yet".into(), |vehicle| format!("vehicle {vehicle}"));
    let headings = ["bus", "interface", "state", "load", "frames", "error frames", "dropped", "last frame"];
    let rows: Vec<Vec<String>> = tap
        .buses
        .iter()
        .map(|bus| {
            vec![
                bus.bus.clone(),
                bus.interface.clone(),
                link(bus),
                format!("{:.1} %", bus.load_percent),
                grouped(bus.frames),
                grouped(bus.error_frames),
                grouped(bus.kernel_dropped),
                ago(now_us, bus.last_frame_us),
            ]
        })
        .collect();
    let mut out = format!("\n{}: {vehicle}\n", tap.name);
    out += &report::table(&headings.map(str::to_owned), &rows, 3);
    out.push('\n');
    for bus in &tap.buses {
        if let Some(remark) = &bus.link.remark {
            out += &format!("  ! {}: {remark}\n", bus.interface);
        }
    }
    out + &pairs(&[
        ("journal not filed yet", format!("{} in {} segments", size(tap.journal_bytes), grouped(tap.journal_segments))),
        ("journal last safe on disk", ago(now_us, tap.synced_us)),
        ("given up, disk too slow", format!("{} frames", grouped(tap.queue_dropped))),
        ("missed by the live view only", format!("{} frames", grouped(tap.live_lost))),
    ])
}

fn pairs(rows: &[(&str, String)]) -> String {
    // As wide as the longest name here.
    rows.iter().map(|(name, value)| format!("  {name:<29}{value}\n")).collect()
}

pub(super) fn live(at: &str, tap: Option<String>, who: &str) -> Result<Done> {
    let line = Line::new(at, tap)?;
    if !std::io::stdout().is_terminal() || !std::io::stdin().is_terminal() {
        bail!("the live view needs a terminal; for programs there is {}/live/stream", line.place());
    }
    // Asked first, so that a wrong address is told in the open, not on a screen that is gone at once.
    let snapshot = line.status()?;
    line.look()?;
    if snapshot.taps.is_empty() {
        bail!("{} records nothing: its configuration has no tap", line.place());
    }
    let stop = Arc::new(Stop::default());
    end_on_signals(&stop)?;
    let colours = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    terminal::show(&line, who, colours, &stop).context("showing live values")?;
    Ok(Done::Whole)
}

/// A signal to end is heeded by the view, which leaves the terminal as it was.
#[cfg(all(feature = "gateway", target_os = "linux"))]
fn end_on_signals(stop: &Arc<Stop>) -> Result<()> {
    use nix::sys::signal::{SigSet, Signal};
    let signals = SigSet::from_iter([Signal::SIGTERM, Signal::SIGHUP, Signal::SIGINT]);
    // Before any other thread: they inherit it, and signals wait for this one.
    signals.thread_block().context("holding signals back")?;
    let stop = Arc::clone(stop);
    std::thread::Builder::new().name("signals".into()).spawn(move || {
        if let Err(error) = signals.wait() {
            tracing::error!("waiting for signals: {error}");
        }
        stop.set();
    })?;
    Ok(())
}

#[cfg(not(all(feature = "gateway", target_os = "linux")))]
fn end_on_signals(_: &Arc<Stop>) -> Result<()> {
    Ok(())
}
