//! What the service on a yard gateway is told: taps, journal, inbox, retention, copy, pages, messages.
//!
//! The used form. Every default stands in [`Default`] and in the sample file.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

pub use crate::store::retention::{Class, Rules as Retention};

/// The service's part of the configuration.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Gateway {
    /// What is recorded.
    pub taps: Vec<Tap>,
    /// How it is journalled.
    pub journal: JournalSettings,
    /// Where captures come in.
    pub inbox: Option<Inbox>,
    /// When the service day's files are merged.
    pub day_end: DayEnd,
    /// What is given up, and when.
    pub retention: Retention,
    /// Where finished files are copied to.
    pub copy: Option<CopySettings>,
    /// The pages.
    pub pages: Pages,
    /// Messages on events.
    pub messages: Vec<MessageSettings>,
}

/// One vehicle's buses, or one yard lead that is plugged into one vehicle after another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tap {
    /// Its name: letters, digits, `-` and `_`; its journal's folder is called so.
    pub name: String,
    /// The vehicle; left out: the bus tells.
    pub vehicle: Option<String>,
    /// Its buses.
    pub buses: Vec<TapBus>,
}

impl Tap {
    /// Bus by channel name, as its captures need it.
    pub fn channels(&self) -> BTreeMap<String, String> {
        self.buses.iter().map(|bus| (bus.source.name(), bus.bus.clone())).collect()
    }
}

/// One bus of a tap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TapBus {
    /// Bus of the definition set.
    pub bus: String,
    /// Where its frames come from.
    pub source: Source,
}

/// Where frames come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// A SocketCAN network interface.
    Interface(String),
    /// A named pipe to which another program writes pcapng.
    Pipe(PathBuf),
}

impl Source {
    /// What the channel is called in captures.
    pub fn name(&self) -> String {
        match self {
            Self::Interface(name) => name.clone(),
            Self::Pipe(path) => path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned(),
        }
    }
}

/// How recorded frames are put on disk first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalSettings {
    /// Longest time that frames are not yet safe from a power cut.
    pub sync_every: Duration,
    /// Size at which a segment ends, bytes.
    pub segment_bytes: u64,
    /// Time after which a segment ends.
    pub segment_time: Duration,
    /// Bytes of frames that may wait for the disk, a tap.
    pub queue_bytes: usize,
    /// Receive buffer of each interface, bytes.
    pub receive_buffer_bytes: usize,
}

impl Default for JournalSettings {
    fn default() -> Self {
        Self {
            sync_every: Duration::from_millis(500),
            segment_bytes: 64 << 20,
            segment_time: Duration::from_secs(15 * 60),
            queue_bytes: 16 << 20,
            receive_buffer_bytes: 8 << 20,
        }
    }
}

/// A folder where vehicles drop captures.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Inbox {
    /// The folder.
    pub folder: PathBuf,
    /// A file that nobody is seen to write is taken after so long without a change.
    pub settle: Duration,
    /// What becomes of a filed capture.
    pub afterwards: Afterwards,
    /// Where captures go that cannot be used; each with a text that tells why.
    pub quarantine: PathBuf,
}

impl Inbox {
    /// Default of `settle`: longer than a transfer over a yard's radio pauses.
    pub const SETTLE: Duration = Duration::from_secs(60);
}

/// What becomes of a capture once it is filed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Afterwards {
    /// It stays.
    Keep,
    /// It is moved to a folder.
    Move(PathBuf),
    /// It is deleted.
    Delete,
}

/// When a service day is closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DayEnd {
    /// So long after its end: captures of the night may still come.
    pub after: Duration,
}

impl Default for DayEnd {
    fn default() -> Self {
        Self { after: Duration::from_secs(3600) }
    }
}

impl Default for Retention {
    fn default() -> Self {
        Self {
            raw_days: None,
            signals_days: None,
            store_bytes: None,
            free_bytes: 2 << 30,
            order: vec![Class::Raw, Class::Signals],
        }
    }
}

/// A second place for closed days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CopySettings {
    /// URL: `file:///…` or `s3://bucket/prefix`.
    pub to: String,
    /// Options of the object store, such as `endpoint` and `region`; secrets come by the environment.
    pub options: BTreeMap<String, String>,
    /// How often is looked for what to copy.
    pub every: Duration,
}

impl CopySettings {
    /// Default of `every`.
    pub const EVERY: Duration = Duration::from_secs(15 * 60);
}

/// The pages over HTTP.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pages {
    /// Address to listen on; none: no pages.
    pub listen: Option<SocketAddr>,
    /// Names, besides the address, under which the pages may be asked for.
    pub names: Vec<String>,
    /// Updates a second of the live page.
    pub updates_per_second: u32,
    /// Folder of the morning's pages, which are shown below `/morning/`; none: they are not.
    pub morning: Option<PathBuf>,
}

impl Default for Pages {
    fn default() -> Self {
        Self { listen: Some(([127, 0, 0, 1], 8750).into()), names: Vec::new(), updates_per_second: 10, morning: None }
    }
}

/// Messages to another system on chosen events.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MessageSettings {
    /// Its name: how far it was delivered is kept under it.
    pub name: String,
    /// Where each event is posted to, as JSON.
    pub url: String,
    /// Counters of the definition set whose events are sent.
    pub events: Vec<String>,
    /// Environment variable with a bearer token.
    pub token_variable: Option<String>,
}
