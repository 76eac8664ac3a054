//! A second place in an object store that speaks the protocol of S3.
//!
//! One request at a time, of 8 MiB at most: that bounds memory, and what a cut connection costs. What was put is read
//! back whole and hashed here: the object stores' own checksums differ between makes, and those of uploads in parts are
//! none of the whole.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use object_store::aws::{AmazonS3, AmazonS3Builder, AmazonS3ConfigKey};
use object_store::multipart::{MultipartStore, PartId};
use object_store::path::Path;
use object_store::{
    BackoffConfig, ClientConfigKey, Error, GetOptions, GetRange, ObjectMeta, ObjectStore, ObjectStoreExt, PutPayload,
    RetryConfig,
};
use tokio::runtime::{self, Runtime};
use twox_hash::XxHash3_128;

use super::place::{Began, CopyError, Place, Seen, Source, there};
use crate::stop::Stop;

/// Bytes of a request. Object stores want at least 5 MiB of a part that is not the last, and take 10,000 parts.
const PART_BYTES: usize = 8 << 20;
/// A request of [`PART_BYTES`] takes longer over a link of less than 250 kbit/s.
const REQUEST_TIMEOUT: &str = "270s";
/// How often a stop is looked for.
const STOP_EVERY: Duration = Duration::from_millis(50);
/// How long dropping an unfinished upload may take when the service ends.
const DROP_WITHIN: Duration = Duration::from_millis(700);
/// Bytes of an answer that are told.
const TEXT_MAX: usize = 400;
/// What tells who asks: all of one of these. Without, the library would ask a service on the link, which nobody
/// configured.
const CREDENTIALS: [&[&str]; 4] = [
    &["AWS_ACCESS_KEY_ID"],
    &["AWS_WEB_IDENTITY_TOKEN_FILE", "AWS_ROLE_ARN"],
    &["AWS_CONTAINER_CREDENTIALS_RELATIVE_URI"],
    &["AWS_CONTAINER_CREDENTIALS_FULL_URI", "AWS_CONTAINER_AUTHORIZATION_TOKEN_FILE"],
];

/// A bucket, and a prefix in it.
pub(super) struct Objects {
    store: AmazonS3,
    prefix: String,
    stop: Arc<Stop>,
    /// There until it is dropped.
    runtime: Option<Runtime>,
}

impl Objects {
    /// A place by `BUCKET/PREFIX`, the configuration's options, and the environment's variables.
    ///
    /// # Errors
    /// An option is none, or something is missing.
    pub(super) fn new<'o>(
        bucket_and_prefix: &str,
        options: impl Iterator<Item = (&'o str, &'o str)>,
        environment: impl Iterator<Item = (String, String)>,
        stop: &Arc<Stop>,
    ) -> Result<Self, CopyError> {
        let (bucket, prefix) = bucket_and_prefix.split_once('/').unwrap_or((bucket_and_prefix, ""));
        let mut builder = AmazonS3Builder::new()
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::Timeout), REQUEST_TIMEOUT)
            .with_retry(RetryConfig {
                backoff: BackoffConfig { max_backoff: Duration::from_secs(5), ..BackoffConfig::default() },
                // For a hiccup. What lasts longer is for the copier to wait for.
                max_retries: 4,
                retry_timeout: Duration::from_secs(60),
            });
        let mut given = Vec::new();
        for (name, value) in environment.filter(|(name, _)| name.starts_with("AWS_")) {
            if let Ok(key) = name.to_ascii_lowercase().parse::<AmazonS3ConfigKey>() {
                builder = builder.with_config(key, value);
            }
            given.push(name);
        }
        let mut known =
            CREDENTIALS.iter().any(|names| names.iter().all(|name| given.iter().any(|given| given == name)));
        for (name, value) in options {
            let key: AmazonS3ConfigKey =
                name.parse().map_err(|_| CopyError::Unusable(format!("`{name}` is no option of an object store")))?;
            known |= key == AmazonS3ConfigKey::SkipSignature && value == "true";
            builder = builder.with_config(key, value);
        }
        if !known {
            let text = "no key is given: AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY are missing in the environment";
            return Err(CopyError::Unusable(text.into()));
        }
        // Whoever writes http:// means it: within a depot there may be no other.
        let plain = builder.get_config_value(&AmazonS3ConfigKey::Endpoint).is_some_and(|e| e.starts_with("http://"));
        let builder = if plain { builder.with_allow_http(true) } else { builder };
        let store = builder.with_bucket_name(bucket).build().map_err(|error| CopyError::Unusable(error.to_string()))?;
        let runtime = runtime::Builder::new_current_thread().enable_all().build().map_err(CopyError::Here)?;
        let prefix = prefix.trim_matches('/').to_owned();
        Ok(Self { store, prefix, stop: Arc::clone(stop), runtime: Some(runtime) })
    }

    fn path(&self, name: &str) -> Path {
        Path::from(format!("{}/{name}", self.prefix))
    }

    /// Waits for an answer, or for the stop.
    fn wait<T>(
        &self,
        doing: &'static str,
        name: &str,
        answer: impl Future<Output = object_store::Result<T>>,
    ) -> Result<T, CopyError> {
        let stopped = async {
            while !self.stop.is_set() {
                tokio::time::sleep(STOP_EVERY).await;
            }
        };
        let waiting = async {
            tokio::select! {
                answer = answer => answer.map_err(|error| there(doing, name)(short(error))),
                () = stopped => Err(CopyError::Stopped),
            }
        };
        self.runtime().block_on(waiting)
    }

    fn runtime(&self) -> &Runtime {
        self.runtime.as_ref().expect("it is there until it is dropped")
    }

    fn parts(&self, name: &str, upload: &String, first: Bytes, source: &mut Source) -> Result<Vec<PartId>, CopyError> {
        let (path, mut parts, mut block) = (self.path(name), Vec::new(), first);
        while !block.is_empty() {
            let payload = PutPayload::from_bytes(block);
            let put = self.store.put_part(&path, upload, parts.len(), payload);
            parts.push(self.wait("sending a part of", name, put)?);
            block = source.next(PART_BYTES)?;
        }
        Ok(parts)
    }

    fn put_in_parts(
        &self,
        name: &str,
        first: Bytes,
        source: &mut Source,
        began: &mut Began<'_>,
    ) -> Result<(), CopyError> {
        let path = self.path(name);
        let upload = self.wait("beginning", name, self.store.create_multipart(&path))?;
        let put = began(&upload)
            .and_then(|()| self.parts(name, &upload, first, source))
            .and_then(|parts| self.wait("ending", name, self.store.complete_multipart(&path, &upload, parts)));
        if let Err(error) = put {
            self.drop_upload(name, &upload);
            return Err(error);
        }
        Ok(())
    }

    /// Parts that nobody ends are paid for by the month. Tried even when the service ends; what is left is tried again
    /// by [`Place::abandon`].
    fn drop_upload(&self, name: &str, upload: &String) {
        let path = self.path(name);
        let dropped = self
            .runtime()
            .block_on(async { tokio::time::timeout(DROP_WITHIN, self.store.abort_multipart(&path, upload)).await });
        match dropped {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::debug!("{name}: an upload is left unfinished: {error}"),
            Err(_) => tracing::debug!("{name}: an upload is left unfinished"),
        }
    }

    /// A piece of a file, and what is known of the whole; none where it is not there.
    fn piece(&self, name: &str, range: Option<GetRange>, bytes: u64) -> Result<Option<(ObjectMeta, Bytes)>, CopyError> {
        let path = self.path(name);
        let options = GetOptions { range, ..GetOptions::default() };
        let answer = async {
            let got = match self.store.get_opts(&path, options).await {
                Ok(got) => got,
                Err(Error::NotFound { .. }) => return Ok(None),
                Err(error) => return Err(error),
            };
            let meta = got.meta.clone();
            // Another size is answer enough.
            let bytes = if meta.size == bytes { got.bytes().await? } else { Bytes::new() };
            Ok(Some((meta, bytes)))
        };
        self.wait("reading back", name, answer)
    }
}

impl Place for Objects {
    fn size(&mut self, name: &str) -> Result<Option<u64>, CopyError> {
        let path = self.path(name);
        self.wait("looking for", name, async {
            match self.store.head(&path).await {
                Ok(meta) => Ok(Some(meta.size)),
                Err(Error::NotFound { .. }) => Ok(None),
                Err(error) => Err(error),
            }
        })
    }

    fn put(&mut self, name: &str, source: &mut Source, began: &mut Began<'_>) -> Result<(), CopyError> {
        let first = source.next(PART_BYTES)?;
        if (first.len() as u64) < source.bytes() {
            return self.put_in_parts(name, first, source, began);
        }
        let path = self.path(name);
        self.wait("sending", name, self.store.put(&path, PutPayload::from_bytes(first))).map(drop)
    }

    fn has(&mut self, name: &str, wanted: Seen) -> Result<bool, CopyError> {
        let mut hasher = XxHash3_128::new();
        let mut from = 0;
        let step = PART_BYTES as u64;
        loop {
            // All of a small one in one answer: of nothing there is no range.
            let range = (wanted.bytes > step).then(|| GetRange::Bounded(from..(from + step).min(wanted.bytes)));
            let Some((meta, bytes)) = self.piece(name, range, wanted.bytes)? else { return Ok(false) };
            if meta.size != wanted.bytes || (bytes.is_empty() && from < wanted.bytes) {
                return Ok(false);
            }
            hasher.write(&bytes);
            from += bytes.len() as u64;
            if from >= wanted.bytes {
                return Ok(from == wanted.bytes && hasher.finish_128() == wanted.hash);
            }
        }
    }

    fn read(&mut self, name: &str) -> Result<Option<Vec<u8>>, CopyError> {
        let path = self.path(name);
        self.wait("reading", name, async {
            match self.store.get(&path).await {
                Ok(got) => Ok(Some(got.bytes().await?.to_vec())),
                Err(Error::NotFound { .. }) => Ok(None),
                Err(error) => Err(error),
            }
        })
    }

    fn remove(&mut self, name: &str) -> Result<(), CopyError> {
        let path = self.path(name);
        self.wait("removing", name, async {
            match self.store.delete(&path).await {
                Ok(()) | Err(Error::NotFound { .. }) => Ok(()),
                Err(error) => Err(error),
            }
        })
    }

    fn abandon(&mut self, name: &str, upload: Option<&str>) -> Result<(), CopyError> {
        let Some(upload) = upload.map(str::to_owned) else { return Ok(()) };
        let path = self.path(name);
        self.wait("dropping an unfinished upload of", name, async {
            match self.store.abort_multipart(&path, &upload).await {
                Ok(()) | Err(Error::NotFound { .. }) => Ok(()),
                Err(error) => Err(error),
            }
        })
    }
}

impl Drop for Objects {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            // A name that is being looked up cannot be called back.
            runtime.shutdown_background();
        }
    }
}

/// An error in the words of its last cause: what is above names the library.
fn short(error: Error) -> Box<dyn std::error::Error + Send + Sync> {
    let mut last: &dyn std::error::Error = &error;
    while let Some(cause) = last.source() {
        last = cause;
    }
    let mut text = last.to_string();
    if text.len() > TEXT_MAX {
        // Some answers are whole pages.
        let end = (0..=TEXT_MAX).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
        text.truncate(end);
    }
    text.into()
}
