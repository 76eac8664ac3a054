//! One event over HTTP: whether it was taken, refused for what it is, or whether all must wait.

use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::Duration;

use serde_json::{Map, Value};
use ureq::Agent;
use ureq::http::StatusCode;

/// A receiver that takes longer than this is down.
const TIME_MAX: Duration = Duration::from_secs(15);
/// While it is waited for, so often is looked whether all is to end.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// What came of it.
#[derive(Debug)]
pub(super) enum Answer {
    /// It has it.
    Taken,
    /// It will not have this one.
    Refused(String),
    /// It can take none now.
    Failed {
        /// Why.
        why: String,
        /// How long it asks to be left alone.
        asked: Option<Duration>,
    },
    /// Nobody waited for an answer, because all is to end.
    Left,
}

/// Speaks to one URL.
#[derive(Debug, Clone)]
pub(super) struct Mouth {
    agent: Agent,
    url: String,
    /// Environment variable with a bearer token.
    token_variable: Option<String>,
}

impl Mouth {
    pub(super) fn new(url: &str, token_variable: Option<&str>) -> Self {
        let config = Agent::config_builder()
            .timeout_global(Some(TIME_MAX))
            .http_status_as_error(false)
            // A token is for the host that it was given for.
            .max_redirects(0)
            .max_redirects_will_error(false)
            .user_agent(concat!("yardtap/", env!("CARGO_PKG_VERSION")))
            .build();
        Self { agent: config.new_agent(), url: url.to_owned(), token_variable: token_variable.map(str::to_owned) }
    }

    /// Posts one event. The request has a thread of its own, so that a receiver which does not answer holds nobody up who
    /// wants to end.
    pub(super) fn post(&self, id: &str, body: &Map<String, Value>, stop: &dyn Fn() -> bool) -> Answer {
        let (own, id, body) = (self.clone(), id.to_owned(), body.clone());
        let (sender, answer) = mpsc::channel();
        let posting = move || sender.send(own.post_now(&id, body)).is_ok();
        if let Err(error) = std::thread::Builder::new().name("post".into()).spawn(posting) {
            return Answer::Failed { why: format!("there can be no thread: {error}"), asked: None };
        }
        loop {
            match answer.recv_timeout(LOOK_EVERY) {
                Ok(answer) => return answer,
                Err(RecvTimeoutError::Timeout) if stop() => return Answer::Left,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    return Answer::Failed { why: "the request's thread ended without a word".into(), asked: None };
                }
            }
        }
    }

    fn post_now(&self, id: &str, body: Map<String, Value>) -> Answer {
        let failed = |why: String| Answer::Failed { why, asked: None };
        let mut request = self
            .agent
            .post(&self.url)
            .header("Content-Type", "application/json")
            // As the IETF's draft of the header has it: a quoted string.
            .header("Idempotency-Key", format!("\"{id}\""));
        if let Some(variable) = &self.token_variable {
            match std::env::var(variable) {
                Ok(token) => request = request.header("Authorization", format!("Bearer {}", token.trim())),
                Err(_) => {
                    return failed(format!("the variable {variable} is not set; put it into the unit's environment"));
                }
            }
        }
        let response = match request.send(Value::Object(body).to_string()) {
            Ok(response) => response,
            Err(error) => return failed(error.to_string()),
        };
        let status = response.status();
        if status.is_success() {
            return Answer::Taken;
        }
        let why = format!("it answers {status}");
        // These are about us or the address, not about the event.
        let ours = [
            StatusCode::UNAUTHORIZED,
            StatusCode::FORBIDDEN,
            StatusCode::NOT_FOUND,
            StatusCode::METHOD_NOT_ALLOWED,
            StatusCode::PROXY_AUTHENTICATION_REQUIRED,
            StatusCode::REQUEST_TIMEOUT,
            StatusCode::TOO_EARLY,
            StatusCode::TOO_MANY_REQUESTS,
        ];
        if status.is_client_error() && !ours.contains(&status) {
            return Answer::Refused(why);
        }
        let asked = response.headers().get("Retry-After").and_then(|value| value.to_str().ok()?.trim().parse().ok());
        Answer::Failed { why, asked: asked.map(Duration::from_secs) }
    }
}
