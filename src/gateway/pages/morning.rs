//! The morning's pages: files of one folder, read-only. They are made elsewhere, and put in their place whole.
//!
//! Nothing but the kinds of files that they consist of is given away, and nothing that lies outside of the folder.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use axum::extract::{self, State};
use axum::http::header::{self, CACHE_CONTROL, CONTENT_TYPE, ETAG, HeaderMap, IF_NONE_MATCH, LAST_MODIFIED, LOCATION};
use axum::http::{HeaderName, StatusCode};
use axum::response::{IntoResponse, Response};
use tokio::sync::Semaphore;

use super::Served;

/// A file that is larger is none of theirs. Bytes.
const FILE_BYTES_MAX: u64 = 64 << 20;
/// Files that are read at once, so that memory stays bounded.
const READERS_MAX: usize = 4;

/// The folder, where one is configured.
#[derive(Debug, Clone)]
pub(super) struct Pages {
    folder: Option<Arc<PathBuf>>,
    room: Arc<Semaphore>,
}

impl Pages {
    pub(super) fn new(folder: Option<PathBuf>) -> Self {
        Self { folder: folder.map(Arc::new), room: Arc::new(Semaphore::new(READERS_MAX)) }
    }

    /// The way to them in the other pages' navigation; empty where there are none.
    pub(super) fn link(&self) -> &'static str {
        if self.folder.is_some() { " <a href=\"/morning/\">Morning</a>" } else { "" }
    }
}

/// Without the slash at its end, links would lead elsewhere.
pub(super) async fn moved() -> Response {
    (StatusCode::PERMANENT_REDIRECT, [(LOCATION, "/morning/")]).into_response()
}

pub(super) async fn index(served: State<Served>, headers: HeaderMap) -> Response {
    page(served, extract::Path("index.html".into()), headers).await
}

pub(super) async fn page(
    State(served): State<Served>,
    extract::Path(path): extract::Path<String>,
    headers: HeaderMap,
) -> Response {
    let Pages { folder, room } = served.morning;
    let Some(folder) = folder else {
        let text = "The morning's pages are not shown here; `morning` under [pages] names their folder.\n";
        return (StatusCode::NOT_FOUND, text).into_response();
    };
    let Some((name, kind)) = plain(&path).and_then(|name| Some((name, kind_of(&path)?))) else {
        return not_there();
    };
    // Closed only with the runtime.
    let Ok(_permit) = room.acquire().await else { return StatusCode::SERVICE_UNAVAILABLE.into_response() };
    match tokio::task::spawn_blocking(move || read(&folder, &name)).await {
        Ok(Ok(found)) => answer(found, kind, &headers),
        Ok(Err(error)) if error.kind() == io::ErrorKind::NotFound => not_there(),
        Ok(Err(error)) => {
            tracing::warn!("the morning's page {path} cannot be read: {error}");
            (StatusCode::INTERNAL_SERVER_ERROR, "This page cannot be read; the service's log says why.\n")
                .into_response()
        }
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn not_there() -> Response {
    let text = "There is no such page. A morning's pages are made after a service day, or by `yardtap morning`.\n";
    (StatusCode::NOT_FOUND, text).into_response()
}

/// A path as it may be asked for: names, each of letters that a page's name has, one below the other.
fn plain(path: &str) -> Option<PathBuf> {
    let fits = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'~' | b'.');
    let is_name = |name: &str| !name.is_empty() && !name.starts_with('.') && name.bytes().all(fits);
    path.split('/').all(is_name).then(|| PathBuf::from(path))
}

/// What a file is, by the end of its name.
fn kind_of(path: &str) -> Option<&'static str> {
    Some(match path.rsplit_once('.')?.1 {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "csv" => "text/csv; charset=utf-8",
        "json" => "application/json",
        "pdf" => "application/pdf",
        _ => return None,
    })
}

/// A file, and when it was written.
struct Found {
    bytes: Vec<u8>,
    written: SystemTime,
}

fn read(folder: &Path, name: &Path) -> io::Result<Found> {
    // A link that leads out of the folder is not followed.
    let folder = fs::canonicalize(folder)?;
    let path = fs::canonicalize(folder.join(name))?;
    if !path.starts_with(&folder) {
        return Err(io::ErrorKind::NotFound.into());
    }
    let file = File::open(path)?;
    let about = file.metadata()?;
    if !about.is_file() || about.len() > FILE_BYTES_MAX {
        return Err(io::ErrorKind::NotFound.into());
    }
    let mut bytes = Vec::new();
    file.take(FILE_BYTES_MAX).read_to_end(&mut bytes)?;
    Ok(Found { bytes, written: about.modified()? })
}

/// The file; or that it is the one the browser has already.
fn answer(found: Found, kind: &'static str, asked: &HeaderMap) -> Response {
    let since = found.written.duration_since(UNIX_EPOCH).unwrap_or_default();
    let tag = format!("\"{:x}-{:x}\"", found.bytes.len(), since.as_nanos());
    let written = jiff::Timestamp::try_from(found.written).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let written = written.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string();
    let about: [(HeaderName, String); 3] =
        [(ETAG, tag.clone()), (LAST_MODIFIED, written.clone()), (CACHE_CONTROL, "no-cache".into())];
    let text = |name: HeaderName| asked.get(name).and_then(|value| value.to_str().ok());
    // RFC 9110, 13.1: the tag goes before the time.
    let known = match text(IF_NONE_MATCH) {
        Some(tags) => tags.split(',').any(|one| {
            let one = one.trim();
            one == "*" || one.strip_prefix("W/").unwrap_or(one) == tag
        }),
        None => text(header::IF_MODIFIED_SINCE) == Some(&written),
    };
    if known {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    (about, [(CONTENT_TYPE, kind)], found.bytes).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_plain_names_are_looked_for() {
        for good in ["index.html", "vehicle/207.html", "csv/battery-plan-ranking.csv", "vehicle/~3cscript~3e.html"] {
            assert!(plain(good).is_some() && kind_of(good).is_some(), "{good}");
        }
        for bad in [
            "",
            "/",
            "../x.html",
            "a/../b.html",
            "/etc/passwd",
            "a//b.html",
            ".hidden.html",
            "a\\b.html",
            "a\0.html",
            "a b.html",
            "é.html",
        ] {
            assert!(plain(bad).is_none(), "{bad}");
        }
        assert!(["x", "x.toml", "x.parquet", "x.html.exe"].iter().all(|name| kind_of(name).is_none()));
    }
}
