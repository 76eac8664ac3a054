//! A small server that speaks as much of S3's protocol as copying needs, and misbehaves as it is told.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

/// How it behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    Well,
    /// Every third request is answered by 503.
    FailsEveryThird,
    /// Every third connection is cut: amid the request, or amid the answer.
    CutsEveryThird,
    /// Bytes come slowly.
    Slow,
    /// One bit of what it is given is kept wrong.
    Spoils,
    /// Says 403 to everything.
    Refuses,
    /// Answers nothing.
    Hangs,
}

#[derive(Debug)]
pub struct State {
    pub mood: Mood,
    pub objects: BTreeMap<String, Vec<u8>>,
    /// Parts by number, of uploads by id.
    pub uploads: BTreeMap<String, BTreeMap<u32, Vec<u8>>>,
    /// Method and target of each request, in order.
    pub requests: Vec<String>,
    /// `Authorization` of the last request.
    pub authorization: String,
    /// Largest body of a request.
    pub body_max: usize,
    /// Requests that came, whatever became of them.
    pub heard: u64,
}

impl State {
    pub fn count(&self, part: &str) -> usize {
        self.requests.iter().filter(|request| request.contains(part)).count()
    }
}

#[derive(Clone)]
pub struct Server {
    pub address: SocketAddr,
    state: Arc<Mutex<State>>,
}

struct Request {
    method: String,
    path: String,
    query: BTreeMap<String, String>,
    headers: BTreeMap<String, String>,
    body: Vec<u8>,
}

impl Server {
    pub fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let state = State {
            mood: Mood::Well,
            objects: BTreeMap::new(),
            uploads: BTreeMap::new(),
            requests: Vec::new(),
            authorization: String::new(),
            body_max: 0,
            heard: 0,
        };
        let server = Self { address: listener.local_addr().unwrap(), state: Arc::new(Mutex::new(state)) };
        let accepting = server.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let serving = accepting.clone();
                // A connection that is cut is no more than that.
                std::thread::spawn(move || serving.serve(&stream).unwrap_or_default());
            }
        });
        server
    }

    pub fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap()
    }

    pub fn endpoint(&self) -> String {
        format!("http://{}", self.address)
    }

    fn serve(&self, stream: &TcpStream) -> std::io::Result<()> {
        stream.set_nodelay(true)?;
        let mut reader = BufReader::new(stream);
        while let Some((mut request, length)) = head(&mut reader)? {
            let (mood, turn) = {
                let mut state = self.state();
                state.heard += 1;
                (state.mood, state.heard)
            };
            let third = turn.is_multiple_of(3);
            if mood == Mood::CutsEveryThird && third && turn.is_multiple_of(2) {
                let mut half = vec![0; length / 2];
                reader.read_exact(&mut half)?;
                return stream.shutdown(std::net::Shutdown::Both);
            }
            request.body = vec![0; length];
            for piece in request.body.chunks_mut(64 << 10) {
                reader.read_exact(piece)?;
                if mood == Mood::Slow {
                    std::thread::sleep(Duration::from_millis(10));
                }
            }
            if mood == Mood::Hangs {
                std::thread::sleep(Duration::from_secs(600));
            }
            let answer = match mood {
                Mood::FailsEveryThird if third => answer(503, &[], b"<Error><Code>SlowDown</Code></Error>", false),
                Mood::Refuses => answer(403, &[], b"<Error><Code>AccessDenied</Code></Error>", false),
                _ => self.answer(&request, mood),
            };
            let mut out = stream;
            if mood == Mood::CutsEveryThird && third {
                out.write_all(&answer[..answer.len() / 2])?;
                return stream.shutdown(std::net::Shutdown::Both);
            }
            for piece in answer.chunks(64 << 10) {
                out.write_all(piece)?;
                if mood == Mood::Slow {
                    std::thread::sleep(Duration::from_millis(10));
                }
            }
        }
        Ok(())
    }

    fn answer(&self, request: &Request, mood: Mood) -> Vec<u8> {
        let Request { method, path, query, headers, body } = request;
        let mut state = self.state();
        let query_text: String = query.iter().map(|(name, value)| format!("&{name}={value}")).collect();
        state.requests.push(format!("{method} {path}{query_text}"));
        state.authorization = headers.get("authorization").cloned().unwrap_or_default();
        state.body_max = state.body_max.max(body.len());
        let mut body = body.clone();
        if mood == Mood::Spoils && method == "PUT" && !body.is_empty() {
            let middle = body.len() / 2;
            body[middle] ^= 1;
        }
        let upload = query.get("uploadId").cloned();
        match (method.as_str(), upload) {
            ("POST", None) if query.contains_key("uploads") => {
                let id = format!("upload-{}", state.requests.len());
                state.uploads.insert(id.clone(), BTreeMap::new());
                let text = format!(
                    "<InitiateMultipartUploadResult><Bucket>b</Bucket><Key>k</Key><UploadId>{id}</UploadId>\
                     </InitiateMultipartUploadResult>"
                );
                answer(200, &[], text.as_bytes(), false)
            }
            // Several at once.
            ("POST", None) if query.contains_key("delete") => {
                let text = String::from_utf8_lossy(&body).into_owned();
                let keys = text.split("<Key>").skip(1).filter_map(|rest| Some(rest.split_once("</Key>")?.0));
                let mut deleted = String::new();
                for key in keys {
                    let bucket = path.trim_end_matches('/');
                    state.objects.remove(&format!("{bucket}/{key}"));
                    deleted.push_str(&format!("<Deleted><Key>{key}</Key></Deleted>"));
                }
                answer(200, &[], format!("<DeleteResult>{deleted}</DeleteResult>").as_bytes(), false)
            }
            ("PUT", Some(upload)) => match state.uploads.get_mut(&upload) {
                Some(parts) => {
                    let number = query["partNumber"].parse().unwrap();
                    parts.insert(number, body);
                    answer(200, &[("ETag", format!("\"part-{number}\""))], b"", false)
                }
                None => missing(),
            },
            ("POST", Some(upload)) => match state.uploads.remove(&upload) {
                Some(parts) => {
                    let (last, rest) =
                        parts.values().rev().collect::<Vec<_>>().split_first().map_or((0, true), |(last, rest)| {
                            (last.len(), rest.iter().all(|part| part.len() >= 5 << 20))
                        });
                    assert!(last > 0 && rest, "parts of the wrong size");
                    state.objects.insert(path.clone(), parts.into_values().flatten().collect());
                    let text = b"<CompleteMultipartUploadResult><Location>l</Location><Bucket>b</Bucket><Key>k</Key>\
                                 <ETag>\"whole\"</ETag></CompleteMultipartUploadResult>";
                    answer(200, &[], text, false)
                }
                None => missing(),
            },
            ("DELETE", Some(upload)) => match state.uploads.remove(&upload) {
                Some(_) => answer(204, &[], b"", false),
                None => missing(),
            },
            ("PUT", None) => {
                state.objects.insert(path.clone(), body);
                answer(200, &[("ETag", "\"e\"".into())], b"", false)
            }
            ("DELETE", None) => {
                state.objects.remove(path);
                answer(204, &[], b"", false)
            }
            ("GET" | "HEAD", None) => match state.objects.get(path) {
                Some(bytes) => object(bytes, headers.get("range"), method == "HEAD"),
                None => missing(),
            },
            _ => answer(400, &[], b"<Error><Code>InvalidRequest</Code></Error>", false),
        }
    }
}

/// A request's head, and the length of its body; none at the end.
fn head(reader: &mut impl BufRead) -> std::io::Result<Option<(Request, usize)>> {
    let mut line = String::new();
    if reader.read_line(&mut line)? == 0 {
        return Ok(None);
    }
    let mut parts = line.split_whitespace();
    let (method, target) = (parts.next().unwrap_or("").to_owned(), parts.next().unwrap_or("").to_owned());
    let (path, query) = target.split_once('?').unwrap_or((&target, ""));
    let pair = |pair: &str| {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        (name.to_owned(), value.to_owned())
    };
    let query = query.split('&').filter(|text| !text.is_empty()).map(pair).collect();
    let mut headers = BTreeMap::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line)?;
        match line.trim_end().split_once(':') {
            Some((name, value)) => headers.insert(name.to_ascii_lowercase(), value.trim().to_owned()),
            None => break,
        };
    }
    let length = headers.get("content-length").map_or(0, |length| length.parse().unwrap());
    Ok(Some((Request { method, path: plain(path), query, headers, body: Vec::new() }, length)))
}

/// Without percent signs.
fn plain(path: &str) -> String {
    let mut bytes = path.bytes();
    let mut out = Vec::new();
    while let Some(byte) = bytes.next() {
        let hex = (byte == b'%').then(|| [bytes.next().unwrap(), bytes.next().unwrap()]);
        out.push(hex.map_or(byte, |hex| u8::from_str_radix(std::str::from_utf8(&hex).unwrap(), 16).unwrap()));
    }
    String::from_utf8(out).unwrap()
}

fn object(bytes: &[u8], range: Option<&String>, head: bool) -> Vec<u8> {
    let mut headers = vec![("ETag", "\"e\"".to_owned()), ("Last-Modified", "Tue, 17 Feb 2026 04:00:00 GMT".to_owned())];
    let Some(range) = range else { return answer(200, &headers, bytes, head) };
    let (from, to) = range.strip_prefix("bytes=").unwrap().split_once('-').unwrap();
    let from: usize = from.parse().unwrap();
    let to = to.parse().map_or(bytes.len(), |to: usize| bytes.len().min(to + 1));
    if from >= to {
        return answer(416, &[], b"", false);
    }
    headers.push(("Content-Range", format!("bytes {from}-{}/{}", to - 1, bytes.len())));
    answer(206, &headers, &bytes[from..to], head)
}

fn missing() -> Vec<u8> {
    answer(404, &[], b"<Error><Code>NoSuchKey</Code></Error>", false)
}

fn answer(status: u16, headers: &[(&str, String)], body: &[u8], head: bool) -> Vec<u8> {
    let mut text = format!("HTTP/1.1 {status} -\r\nContent-Length: {}\r\n", body.len());
    for (name, value) in headers {
        text.push_str(&format!("{name}: {value}\r\n"));
    }
    text.push_str("\r\n");
    let mut bytes = text.into_bytes();
    if !head {
        bytes.extend_from_slice(body);
    }
    bytes
}
