//! Metrics in the Prometheus text exposition format 0.0.4, units and names as its documentation asks.

use std::fmt::Write;

use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};

use super::Served;
use crate::gateway::clock::now_us;
use crate::snapshot::{LinkState, Snapshot};

pub(super) async fn metrics(State(served): State<Served>) -> Response {
    let text = exposition(&served.subject.status.snapshot(now_us()));
    ([(CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response()
}

/// Labels of a sample.
type Labels<'a> = Vec<(&'a str, &'a str)>;

#[derive(Default)]
struct Exposition(String);

impl Exposition {
    /// One metric; without samples nothing is said.
    fn metric<'a>(&mut self, name: &str, kind: &str, help: &str, samples: impl IntoIterator<Item = (Labels<'a>, f64)>) {
        let mut samples = samples.into_iter().peekable();
        if samples.peek().is_none() {
            return;
        }
        let text = &mut self.0;
        *text += &format!("# HELP yardtap_{name} {help}\n# TYPE yardtap_{name} {kind}\n");
        for (labels, value) in samples {
            *text += &format!("yardtap_{name}");
            for (index, (label, content)) in labels.iter().enumerate() {
                let content = content.replace('\\', r"\\").replace('"', "\\\"").replace('\n', r"\n");
                *text += &format!("{}{label}=\"{content}\"", if index == 0 { "{" } else { "," });
            }
            if !labels.is_empty() {
                text.push('}');
            }
            // Writing into a text cannot fail.
            let _infallible = writeln!(text, " {value}");
        }
    }

    fn counter<'a>(&mut self, name: &str, help: &str, samples: impl IntoIterator<Item = (Labels<'a>, f64)>) {
        self.metric(name, "counter", help, samples);
    }

    fn gauge<'a>(&mut self, name: &str, help: &str, samples: impl IntoIterator<Item = (Labels<'a>, f64)>) {
        self.metric(name, "gauge", help, samples);
    }
}

fn one(value: f64) -> [(Labels<'static>, f64); 1] {
    [(Vec::new(), value)]
}

/// Seconds since 1970 of a time that there may be.
fn seconds(time_us: Option<i64>) -> Option<(Labels<'static>, f64)> {
    time_us.map(|time_us| (Vec::new(), time_us as f64 / 1e6))
}

pub(super) fn exposition(now: &Snapshot) -> String {
    let mut out = Exposition::default();
    let info = |labels: Labels<'static>| [(labels, 1.0)];
    out.gauge(
        "build_info",
        "Always 1; the label tells the version.",
        info(vec![("version", env!("CARGO_PKG_VERSION"))]),
    );
    let definitions = vec![("name", now.definitions.as_str()), ("hash", now.definitions_hash.as_str())];
    out.gauge("definitions_info", "Always 1; the labels tell the definition set.", [(definitions, 1.0)]);
    out.gauge("start_time_seconds", "When the service started, since 1970 UTC.", seconds(now.started_us));
    of_buses(&mut out, now);
    of_taps(&mut out, now);
    let filing = &now.filing;
    out.counter("filed_captures_total", "Captures and journal segments filed.", one(filing.filed as f64));
    out.counter("filed_frames_total", "Frames filed.", one(filing.filed_frames as f64));
    out.gauge(
        "filed_until_timestamp_seconds",
        "Time of the newest frame filed, since 1970 UTC.",
        seconds(filing.filed_until_us),
    );
    out.gauge("filing_lag_seconds", "Age of the oldest recorded frame that is not filed.", one(filing.lag_s));
    out.gauge("store_bytes", "Size of the store, as last measured.", one(now.room.store_bytes as f64));
    out.gauge("disk_free_bytes", "Bytes free on the store's disk.", one(now.room.free_bytes as f64));
    out.gauge("given_up_days", "Days given up for want of room.", one(now.room.given_up.len() as f64));
    out.gauge("inbox_waiting_files", "Captures in the inbox that are not filed yet.", one(now.inbox.waiting as f64));
    out.counter("inbox_filed_files_total", "Captures of the inbox filed.", one(now.inbox.filed as f64));
    out.counter(
        "inbox_quarantined_files_total",
        "Captures of the inbox set aside, because they cannot be used.",
        one(now.inbox.quarantined_count as f64),
    );
    out.counter("copied_files_total", "Files copied to the second place.", one(now.copy.files as f64));
    out.gauge("copy_waiting_files", "Files waiting to be copied.", one(now.copy.waiting as f64));
    let receivers = |value: fn(&crate::snapshot::Receiver) -> u64| {
        now.receivers.iter().map(move |one| (vec![("receiver", one.name.as_str())], value(one) as f64))
    };
    out.counter("told_events_total", "Events that a receiver of messages was told.", receivers(|one| one.told));
    out.gauge(
        "waiting_events",
        "Events that a receiver of messages is still to be told.",
        receivers(|one| one.waiting),
    );
    out.gauge("troubles", "Things that are wrong now.", one(now.troubles.len() as f64));
    out.gauge(
        "trouble",
        "1 for each thing that is wrong now; the label tells what it is about.",
        now.troubles.iter().map(|trouble| (vec![("cause", trouble.cause.as_str())], 1.0)),
    );
    out.0
}

fn of_buses(out: &mut Exposition, now: &Snapshot) {
    let buses: Vec<_> = now
        .taps
        .iter()
        .flat_map(|tap| tap.buses.iter().map(move |bus| (tap, bus)))
        .map(|(tap, bus)| {
            let labels =
                vec![("tap", tap.name.as_str()), ("bus", bus.bus.as_str()), ("interface", bus.interface.as_str())];
            (labels, bus)
        })
        .collect();
    let each = |value: fn(&crate::snapshot::Bus) -> Option<f64>| {
        buses.iter().filter_map(move |(labels, bus)| Some((labels.clone(), value(bus)?))).collect::<Vec<_>>()
    };
    out.counter("frames_total", "Frames received, error frames not among them.", each(|b| Some(b.frames as f64)));
    out.counter("error_frames_total", "Error frames received.", each(|b| Some(b.error_frames as f64)));
    out.counter(
        "kernel_dropped_frames_total",
        "Frames that the kernel dropped because they were not read in time.",
        each(|b| Some(b.kernel_dropped as f64)),
    );
    out.gauge(
        "bus_load_ratio",
        "Load of the last whole second, 1 being the bit rate.",
        each(|b| Some(b.load_percent / 100.0)),
    );
    out.gauge(
        "last_frame_timestamp_seconds",
        "When the last frame came, since 1970 UTC.",
        each(|b| b.last_frame_us.map(|us| us as f64 / 1e6)),
    );
    out.gauge(
        "interface_bitrate",
        "Bit rate of the interface in bit/s, where it tells.",
        each(|b| b.link.bitrate.map(f64::from)),
    );
    out.gauge(
        "interface_listen_only",
        "1 where the interface can only listen, 0 where it could send; left out where it does not tell.",
        each(|b| b.link.listen_only.map(|listens| f64::from(u8::from(listens)))),
    );
    let states = buses.iter().flat_map(|(labels, bus)| {
        LinkState::ALL.map(|state| {
            let mut labels = labels.clone();
            labels.push(("state", state.label()));
            (labels, f64::from(u8::from(bus.link.state == state)))
        })
    });
    out.gauge("interface_state", "1 for the state that the interface is in, 0 for the others.", states);
}

fn of_taps(out: &mut Exposition, now: &Snapshot) {
    let each = |value: fn(&crate::snapshot::Tap) -> Option<f64>| {
        now.taps.iter().filter_map(move |tap| Some((vec![("tap", tap.name.as_str())], value(tap)?))).collect::<Vec<_>>()
    };
    out.counter(
        "queue_dropped_frames_total",
        "Frames given up because the disk did not take them in time.",
        each(|tap| Some(tap.queue_dropped as f64)),
    );
    out.counter(
        "live_lost_frames_total",
        "Frames that the live view did not see because it was behind; they are recorded all the same.",
        each(|tap| Some(tap.live_lost as f64)),
    );
    out.gauge(
        "journal_bytes",
        "Bytes of the journal that are not filed yet.",
        each(|tap| Some(tap.journal_bytes as f64)),
    );
    out.gauge("journal_segments", "Segments of the journal.", each(|tap| Some(tap.journal_segments as f64)));
    out.gauge(
        "journal_synced_timestamp_seconds",
        "When the journal was last put safely on disk, since 1970 UTC.",
        each(|tap| tap.synced_us.map(|us| us as f64 / 1e6)),
    );
}
