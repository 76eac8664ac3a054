//! Who may ask, and what every answer says to the browser.
//!
//! A page anywhere in the world can make a browser in the yard ask for addresses in the yard. So a request has to name
//! this host as its own would (a name that was made to point here is refused), and what changes anything has to come
//! from these pages.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::uri::Authority;
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::ANSWER_WITHIN;

/// Names under which the pages may be asked for.
#[derive(Debug)]
pub(super) struct Guard {
    address: IpAddr,
    names: Vec<String>,
}

/// Said with every answer: nothing from elsewhere, nothing in a frame, nothing guessed.
const HEADERS: [(HeaderName, &str); 7] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; base-uri 'none'; \
         form-action 'self'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=()"),
    (header::X_FRAME_OPTIONS, "DENY"),
];

impl Guard {
    pub(super) fn new(address: SocketAddr, names: &[String]) -> Self {
        let names = names.iter().map(|name| name.trim_end_matches('.').to_ascii_lowercase()).collect();
        Self { address: address.ip(), names }
    }

    /// Whether a host is this one's. The port is not looked at, for a tunnel may have another.
    ///
    /// A name can be made to point here by whoever owns it; an address cannot.
    fn is_ours(&self, host: &str) -> bool {
        let host = host.trim_start_matches('[').trim_end_matches(']').trim_end_matches('.').to_ascii_lowercase();
        match host.parse::<IpAddr>() {
            Ok(address) => address == self.address || address.is_loopback() || self.address.is_unspecified(),
            Err(_) => host == "localhost" || self.names.contains(&host),
        }
    }

    /// Why a request is refused; none: it is not.
    fn refusal(&self, request: &Request) -> Option<(StatusCode, String)> {
        let Some(host) = authority(request.headers()) else {
            return Some((StatusCode::BAD_REQUEST, "A request must have one Host header.\n".into()));
        };
        let named = [Some(&host), request.uri().authority()];
        if let Some(other) = named.into_iter().flatten().find(|authority| !self.is_ours(authority.host())) {
            let name = other.host();
            let why =
                format!("These pages are not known as '{name}'. If they should be, add it to `names` under [pages].\n");
            return Some((StatusCode::MISDIRECTED_REQUEST, why));
        }
        if matches!(*request.method(), Method::GET | Method::HEAD) {
            return None;
        }
        let origin = request.headers().get(header::ORIGIN).and_then(|origin| origin.to_str().ok());
        let of = origin.and_then(|origin| origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://")));
        if of.is_some_and(|of| of.eq_ignore_ascii_case(host.as_str())) {
            return None;
        }
        Some((
            StatusCode::FORBIDDEN,
            format!("Only these pages may do that: the Origin header must be http://{host}.\n"),
        ))
    }
}

/// The one Host header, where it is one.
fn authority(headers: &HeaderMap) -> Option<Authority> {
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = hosts.next()?;
    if hosts.next().is_some() { None } else { host.to_str().ok()?.parse().ok() }
}

/// Refuses, or lets through and waits no longer than a client may make us.
pub(super) async fn guarded(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response {
    let mut response = match guard.refusal(&request) {
        Some(refusal) => refusal.into_response(),
        None => match tokio::time::timeout(ANSWER_WITHIN, next.run(request)).await {
            Ok(response) => response,
            Err(_) => (StatusCode::REQUEST_TIMEOUT, "The request took too long to come.\n").into_response(),
        },
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}
