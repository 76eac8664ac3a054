//! The live view: its page, its stream of updates, marks and acknowledgements.

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{Html, IntoResponse, Response};
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

use super::Served;
use super::words::escaped;
use crate::board::CAUTION;

/// Characters of a note, and of a name.
const NOTE_CHARS_MAX: usize = 500;
const WHO_CHARS_MAX: usize = 100;

/// Which tap is meant; left out: the first.
#[derive(Debug, Deserialize)]
pub(super) struct Which {
    tap: Option<String>,
}

/// A mark to be set.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NewMark {
    tap: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    who: String,
}

/// Changes that somebody has seen.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SeenChanges {
    tap: String,
    /// Of the update that showed them.
    generation: u64,
    /// Of the update that showed them.
    sequence: u64,
    /// Left out: all.
    rows: Option<Vec<u32>>,
}

#[derive(Debug, Serialize)]
struct Acknowledged {
    acknowledged: usize,
}

fn no_such_tap(name: Option<&str>) -> Response {
    let text = match name {
        Some(name) => format!("There is no tap '{name}'.\n"),
        None => "Nothing is recorded: the configuration has no tap.\n".into(),
    };
    (StatusCode::NOT_FOUND, text).into_response()
}

pub(super) async fn page(State(served): State<Served>, Query(which): Query<Which>) -> Response {
    let boards = &served.subject.boards;
    if boards.index(which.tap.as_deref()).is_none() {
        return no_such_tap(which.tap.as_deref());
    }
    let names: Vec<&str> = boards.names().collect();
    let chosen = which.tap.as_deref().unwrap_or(names[0]);
    let options: String = names
        .iter()
        .map(|name| {
            let selected = if *name == chosen { " selected" } else { "" };
            format!("<option{selected}>{}</option>", escaped(name))
        })
        .collect();
    let page = include_str!("files/live.html")
        .replace("{{taps}}", &options)
        .replace("{{tap}}", &escaped(chosen))
        .replace("{{morning}}", served.morning.link())
        .replace("{{caution}}", &escaped(CAUTION));
    Html(page).into_response()
}

pub(super) async fn stream(State(served): State<Served>, Query(which): Query<Which>) -> Response {
    let boards = &served.subject.boards;
    let Some(mut watcher) = boards.index(which.tap.as_deref()).and_then(|tap| boards.watch(tap)) else {
        return no_such_tap(which.tap.as_deref());
    };
    let Ok(permit) = served.watchers.clone().try_acquire_owned() else {
        let text = "As many live views as there may be are open; close one of them.\n";
        return (StatusCode::SERVICE_UNAVAILABLE, text).into_response();
    };
    // One event in the channel, one waiting to get in: who reads slowly holds no more than that.
    let (sender, receiver) = mpsc::channel::<Result<Bytes, std::convert::Infallible>>(1);
    tokio::spawn(async move {
        loop {
            let event = tokio::select! {
                event = watcher.next() => event,
                () = sender.closed() => break,
            };
            let Some(event) = event else { break };
            if sender.send(Ok(event)).await.is_err() {
                break;
            }
        }
        drop(permit);
    });
    ([(CONTENT_TYPE, "text/event-stream")], Body::from_stream(ReceiverStream::new(receiver))).into_response()
}

pub(super) async fn mark(State(served): State<Served>, Json(new): Json<NewMark>) -> Response {
    for (what, text, most) in [("note", &new.note, NOTE_CHARS_MAX), ("name", &new.who, WHO_CHARS_MAX)] {
        if text.chars().count() > most {
            return (StatusCode::UNPROCESSABLE_ENTITY, format!("The {what} is longer than {most} characters.\n"))
                .into_response();
        }
    }
    let boards = &served.subject.boards;
    let tidy = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mark = boards.index(Some(&new.tap)).and_then(|tap| boards.mark(tap, tidy(&new.note), tidy(&new.who)));
    let Some(mark) = mark else { return no_such_tap(Some(&new.tap)) };
    if served.subject.marks.send(mark.clone()).is_err() {
        let text = "The mark is set here, and was not kept in the store: the service is ending.\n";
        return (StatusCode::SERVICE_UNAVAILABLE, text).into_response();
    }
    Json(mark).into_response()
}

pub(super) async fn acknowledge(State(served): State<Served>, Json(seen): Json<SeenChanges>) -> Response {
    let boards = &served.subject.boards;
    let done = boards
        .index(Some(&seen.tap))
        .and_then(|tap| boards.acknowledge(tap, seen.generation, seen.rows.as_deref(), seen.sequence));
    match done {
        Some(acknowledged) => Json(Acknowledged { acknowledged }).into_response(),
        None => no_such_tap(Some(&seen.tap)),
    }
}
