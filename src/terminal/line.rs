//! The line to a running service: its status, its stream of updates, what is asked of it.

use std::io::{BufRead, BufReader, Read};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

use serde_json::{Value, json};
use ureq::Agent;

use crate::board::Update;
use crate::snapshot::Snapshot;

/// For the service to answer.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// For the connection to stand.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);
/// Between attempts.
const AGAIN_AFTER: Duration = Duration::from_secs(2);
/// Longest event that is taken: some times that of a full board.
const EVENT_BYTES_MAX: u64 = 64 << 20;
/// Longest other answer.
const ANSWER_BYTES_MAX: u64 = 16 << 20;

/// Why a running service could not be asked.
#[derive(Debug, thiserror::Error)]
pub enum LineError {
    /// The address is none.
    #[error("'{0}' is no address of the pages; one looks like http://127.0.0.1:8750")]
    Address(String),
    /// Nothing answers.
    #[error(
        "nothing answers at {at}: {why}; is `yardtap gateway` running there, and `listen` under [pages] this address?"
    )]
    Nobody {
        /// Where.
        at: String,
        /// Why.
        why: String,
    },
    /// The service says no.
    #[error("{at} answers {code}: {text}")]
    Refused {
        /// Where.
        at: String,
        /// HTTP status.
        code: u16,
        /// What it says.
        text: String,
    },
    /// Something else listens there, or another version.
    #[error("what {at} answers is not understood: {why}; does another program listen there, or another version?")]
    NotUnderstood {
        /// Where.
        at: String,
        /// Why.
        why: String,
    },
}

/// Something that is asked for on behalf of whoever watches.
#[derive(Debug, Clone, PartialEq)]
pub enum Request {
    /// A mark with a note.
    Mark {
        /// The tap.
        tap: String,
        /// What was done or seen.
        note: String,
        /// Who says so.
        who: String,
    },
    /// Changes that were seen.
    Acknowledge {
        /// The tap.
        tap: String,
        /// Of the update that showed them.
        generation: u64,
        /// Of the update that showed them.
        sequence: u64,
        /// Which.
        rows: Vec<u32>,
    },
}

/// What comes by the line.
#[derive(Debug)]
pub enum Said {
    /// An update.
    Update(Box<Update>),
    /// The line is down; it is tried again.
    Down(String),
}

/// A running service, as seen from here.
#[derive(Debug, Clone)]
pub struct Line {
    at: String,
    tap: Option<String>,
    agent: Agent,
}

impl Line {
    /// A line to the pages at an address such as `http://127.0.0.1:8750`. Nothing is connected yet.
    ///
    /// # Errors
    /// It is no address.
    pub fn new(at: &str, tap: Option<String>) -> Result<Self, LineError> {
        let base = at.trim_end_matches('/');
        let rest = base.strip_prefix("http://").or_else(|| base.strip_prefix("https://"));
        if rest.is_none_or(|rest| rest.is_empty() || rest.contains(['/', '?', '#', '@'])) {
            return Err(LineError::Address(at.to_owned()));
        }
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            // The gateway is next door, whatever the way to the rest of the world.
            .proxy(None)
            .max_redirects(0)
            .timeout_connect(Some(CONNECT_WITHIN))
            .timeout_recv_response(Some(ANSWER_WITHIN))
            .build()
            .into();
        Ok(Self { at: base.to_owned(), tap, agent })
    }

    /// Where it leads.
    pub fn place(&self) -> &str {
        &self.at
    }

    /// What the service tells of itself.
    ///
    /// # Errors
    /// Nothing answers, or something else does.
    pub fn status(&self) -> Result<Snapshot, LineError> {
        let answer = self.answer(self.agent.get(format!("{}/status.json", self.at)).call())?;
        let text = self.text(answer)?;
        serde_json::from_str(&text).map_err(|error| self.not_understood(error.to_string()))
    }

    /// Whether the service has a live view of the tap.
    ///
    /// # Errors
    /// Nothing answers, or there is no such tap.
    pub fn look(&self) -> Result<(), LineError> {
        let get = self.agent.get(format!("{}/live", self.at));
        let get = self.tap.iter().fold(get, |get, tap| get.query("tap", tap));
        self.answer(get.call()).map(drop)
    }

    /// Asks for something.
    ///
    /// # Errors
    /// Nothing answers, or the service says no.
    pub fn ask(&self, request: &Request) -> Result<(), LineError> {
        let (path, body) = match request {
            Request::Mark { tap, note, who } => ("mark", json!({ "tap": tap, "note": note, "who": who })),
            Request::Acknowledge { tap, generation, sequence, rows } => {
                ("acknowledge", json!({ "tap": tap, "generation": generation, "sequence": sequence, "rows": rows }))
            }
        };
        let post = self.agent.post(format!("{}/live/{path}", self.at));
        // What changes anything has to say that it comes from the pages themselves.
        let post = post.header("Origin", &self.at).header("Content-Type", "application/json");
        let answer = self.answer(post.send(Value::to_string(&body)))?;
        self.text(answer).map(drop)
    }

    /// Begins to listen to the stream of updates, and goes on until the receiver is dropped.
    ///
    /// Where updates are not taken, the stream is not read, and the service sends fewer.
    pub fn listen(&self) -> Receiver<Said> {
        let (sender, receiver) = sync_channel(2);
        let line = self.clone();
        let started = std::thread::Builder::new().name("updates".into()).spawn(move || line.stream(&sender));
        if let Err(error) = started {
            tracing::error!("no thread for updates: {error}");
        }
        receiver
    }

    fn stream(&self, sender: &SyncSender<Said>) {
        loop {
            let why = match self.stream_once(sender) {
                Ok(()) => return,
                Err(error) => error.to_string(),
            };
            if sender.send(Said::Down(why)).is_err() {
                return;
            }
            std::thread::sleep(AGAIN_AFTER);
        }
    }

    /// Ends well only where nobody listens any more.
    fn stream_once(&self, sender: &SyncSender<Said>) -> Result<(), LineError> {
        let get = self.agent.get(format!("{}/live/stream", self.at));
        let get = self.tap.iter().fold(get, |get, tap| get.query("tap", tap));
        let mut answer = self.answer(get.call())?;
        let mut events = BufReader::new(answer.body_mut().with_config().limit(u64::MAX).reader());
        let mut text = String::new();
        loop {
            text.clear();
            let read = events.by_ref().take(EVENT_BYTES_MAX).read_line(&mut text);
            let ended = |why: String| LineError::Nobody { at: self.at.clone(), why };
            if read.map_err(|error| ended(error.to_string()))? == 0 {
                return Err(ended("the stream ended".into()));
            }
            let Some(data) = text.strip_prefix("data: ") else { continue };
            let update = serde_json::from_str(data).map_err(|error| self.not_understood(error.to_string()))?;
            if sender.send(Said::Update(Box::new(update))).is_err() {
                return Ok(());
            }
        }
    }

    fn not_understood(&self, why: String) -> LineError {
        LineError::NotUnderstood { at: self.at.clone(), why }
    }

    fn text(&self, mut answer: ureq::http::Response<ureq::Body>) -> Result<String, LineError> {
        let read = answer.body_mut().with_config().limit(ANSWER_BYTES_MAX).read_to_string();
        read.map_err(|error| self.not_understood(error.to_string()))
    }

    fn answer(
        &self,
        answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>,
    ) -> Result<ureq::http::Response<ureq::Body>, LineError> {
        let nobody = |error: ureq::Error| LineError::Nobody { at: self.at.clone(), why: error.to_string() };
        let answer = answer.map_err(nobody)?;
        let code = answer.status().as_u16();
        if code == 200 {
            return Ok(answer);
        }
        let text = self.text(answer).unwrap_or_default().trim().to_owned();
        Err(LineError::Refused { at: self.at.clone(), code, text })
    }
}
