//! The status page: plain HTML, made anew for each request.

use std::fmt::Write;

use axum::extract::State;
use axum::response::{Html, IntoResponse, Response};

use super::Served;
use super::words::escaped;
use crate::board::CAUTION;
use crate::day::ServiceDays;
use crate::gateway::clock::now_us;
use crate::snapshot::words::{ago, grouped, link, link_is_bad, size, span, verdict};
use crate::snapshot::{Receiver, Snapshot, Tap};

pub(super) async fn page(State(served): State<Served>) -> Response {
    let snapshot = served.subject.status.snapshot(now_us());
    Html(html(&snapshot, &served.days()).replace("{{morning}}", served.morning.link())).into_response()
}

pub(super) fn html(now: &Snapshot, days: &ServiceDays) -> String {
    let clock = |time_us: i64| days.local(time_us).strftime("%Y-%m-%d %H:%M:%S").to_string();
    let mut out = String::with_capacity(8192);
    out += &state(now, days, &clock(now.now_us));
    include_str!("files/overview.html").replace("{{caution}}", &escaped(CAUTION)).replace("{{state}}", &out)
}

/// The part that the script fetches anew.
fn state(now: &Snapshot, days: &ServiceDays, taken: &str) -> String {
    let mut out = String::new();
    let started =
        now.started_us.map_or(String::new(), |started| format!(" Running for {}.", span(now.now_us - started)));
    let zone = days.zone_name().unwrap_or("UTC");
    out += &format!("<p>As of <time>{taken}</time> ({}).{started}</p>\n", escaped(zone));
    let bad = if now.troubles.is_empty() { "" } else { " class=\"bad\"" };
    out += &format!("<section aria-labelledby=\"wrong\"{bad}>\n<h2 id=\"wrong\">{}</h2>\n", verdict(now));
    if !now.troubles.is_empty() {
        out += "<ul>\n";
        for trouble in &now.troubles {
            out += &format!("<li><b>{}</b>: {}</li>\n", escaped(&trouble.cause), escaped(&trouble.text));
        }
        out += "</ul>\n";
    }
    out += "</section>\n";
    now.taps.iter().enumerate().for_each(|(index, tap)| out += &tap_section(index, tap, now.now_us));
    let filing = &now.filing;
    let until = filing
        .filed_until_us
        .map_or("nothing yet".into(), |us| days.local(us).strftime("%Y-%m-%d %H:%M:%S").to_string());
    let lag = if filing.oldest_unfiled_us.is_some() { span((filing.lag_s * 1e6) as i64) } else { "none".into() };
    out += &facts(
        "filing",
        "Filing",
        &[
            ("Doing", if filing.doing.is_empty() { "waiting".into() } else { filing.doing.clone() }),
            ("Lag of filing behind recording", lag),
            ("Filed until", until),
            ("Captures and segments filed", grouped(filing.filed)),
            ("Frames filed", grouped(filing.filed_frames)),
            ("Last service day closed", filing.closed_day.clone().unwrap_or_else(|| "none yet".into())),
            ("Definition set", now.definitions.clone()),
            ("Its hash", now.definitions_hash.clone()),
        ],
    );
    out += &facts(
        "room",
        "Room",
        &[
            ("Free on the store's disk", size(now.room.free_bytes)),
            ("Size of the store", size(now.room.store_bytes)),
            ("Files copied to the second place", grouped(now.copy.files)),
            ("Files waiting to be copied", grouped(now.copy.waiting)),
        ],
    );
    if !now.room.given_up.is_empty() {
        out += &list("Given up for want of room", now.room.given_up.iter().map(|line| escaped(line)));
    }
    out += &facts(
        "inbox",
        "Inbox",
        &[
            ("Captures waiting", grouped(now.inbox.waiting)),
            ("Captures filed", grouped(now.inbox.filed)),
            ("Captures set aside", grouped(now.inbox.quarantined_count)),
        ],
    );
    if !now.inbox.quarantined.is_empty() {
        let lines = now.inbox.quarantined.iter().rev();
        let lines = lines.map(|one| format!("<b>{}</b>: {}", escaped(&one.file), escaped(&one.reason)));
        out += &list("Set aside last, and why", lines);
    }
    if !now.receivers.is_empty() {
        let line = |one: &Receiver| {
            format!(
                "<b>{}</b>: {} events told, {} waiting",
                escaped(&one.name),
                grouped(one.told),
                grouped(one.waiting)
            )
        };
        out += &list("Messages", now.receivers.iter().map(line));
    }
    out += &format!("<p class=\"quiet\">yardtap {}</p>\n", escaped(&now.version));
    out
}

fn tap_section(index: usize, tap: &Tap, now_us: i64) -> String {
    let vehicle = tap.vehicle.as_deref().map_or("no vehicle heard yet".into(), |vehicle| format!("vehicle {vehicle}"));
    let mut out = format!(
        "<section aria-labelledby=\"tap{index}\">\n<h2 id=\"tap{index}\">{}: {}</h2>\n\
         <p><a href=\"/live?tap={}\">Live values</a></p>\n\
         <div class=\"wide\" role=\"region\" aria-label=\"Buses of {}\" tabindex=\"0\"><table>\n<thead><tr><th scope=\"col\">Bus</th><th scope=\"col\">Interface</th>\
         <th scope=\"col\">State</th><th scope=\"col\" class=\"number\">Load</th><th scope=\"col\" class=\"number\">Frames</th>\
         <th scope=\"col\" class=\"number\">Error frames</th><th scope=\"col\" class=\"number\">Dropped</th>\
         <th scope=\"col\">Last frame</th></tr></thead>\n<tbody>\n",
        escaped(&tap.name),
        escaped(&vehicle),
        // Tap names are letters, digits, '-' and '_'.
        escaped(&tap.name),
        escaped(&tap.name),
    );
    for bus in &tap.buses {
        let bad = if link_is_bad(bus) { " class=\"bad\"" } else { "" };
        let dropped = if bus.kernel_dropped > 0 { " bad" } else { "" };
        // Writing into a text cannot fail.
        let _infallible = writeln!(
            out,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td{bad}>{}</td><td class=\"number\">{:.1} %</td>\
             <td class=\"number\">{}</td><td class=\"number\">{}</td><td class=\"number{dropped}\">{}</td><td>{}</td></tr>",
            escaped(&bus.bus),
            escaped(&bus.interface),
            escaped(&link(bus)),
            bus.load_percent,
            grouped(bus.frames),
            grouped(bus.error_frames),
            grouped(bus.kernel_dropped),
            ago(now_us, bus.last_frame_us),
        );
        if let Some(remark) = &bus.link.remark {
            out += &format!("<tr><td colspan=\"8\" class=\"bad\">{}</td></tr>\n", escaped(remark));
        }
    }
    out += "</tbody></table></div>\n";
    out += &rows(&[
        ("Journal not filed yet", format!("{} in {} segments", size(tap.journal_bytes), grouped(tap.journal_segments))),
        ("Journal last safe on disk", ago(now_us, tap.synced_us)),
        ("Frames given up because the disk was too slow", grouped(tap.queue_dropped)),
        ("Frames the live view missed (recorded all the same)", grouped(tap.live_lost)),
    ]);
    out + "</section>\n"
}

fn facts(id: &str, heading: &str, pairs: &[(&str, String)]) -> String {
    format!("<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{heading}</h2>\n{}</section>\n", rows(pairs))
}

fn rows(pairs: &[(&str, String)]) -> String {
    let rows: String =
        pairs.iter().map(|(name, value)| format!("<dt>{name}</dt><dd>{}</dd>\n", escaped(value))).collect();
    format!("<dl>\n{rows}</dl>\n")
}

fn list(heading: &str, items: impl Iterator<Item = String>) -> String {
    let items: String = items.map(|item| format!("<li>{item}</li>\n")).collect();
    format!("<section>\n<h3>{heading}</h3>\n<ul>\n{items}</ul>\n</section>\n")
}
