//! What the service tells of itself at one moment: for `/status.json`, and for who reads it.
//!
//! Pure. Times are µs since 1970 UTC; what has not happened yet is left out.

pub mod words;

use serde::{Deserialize, Serialize};

/// Everything.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Snapshot {
    /// Of the program.
    pub version: String,
    /// When this was taken.
    pub now_us: i64,
    /// When the service started.
    pub started_us: Option<i64>,
    /// Name of the definition set.
    pub definitions: String,
    /// Its hash.
    pub definitions_hash: String,
    /// What is recorded.
    pub taps: Vec<Tap>,
    /// What is filed.
    pub filing: Filing,
    /// Room, and what is given up for want of it.
    pub room: Room,
    /// Captures that came by the inbox.
    pub inbox: Inbox,
    /// Copies at a second place.
    pub copy: Copied,
    /// Receivers of messages.
    pub receivers: Vec<Receiver>,
    /// What is wrong now.
    pub troubles: Vec<Trouble>,
}

/// One vehicle's buses, or a yard lead's.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Tap {
    /// Its name.
    pub name: String,
    /// Vehicle heard last, or the configured one.
    pub vehicle: Option<String>,
    /// Its buses.
    pub buses: Vec<Bus>,
    /// Bytes of its journal that are not filed yet.
    pub journal_bytes: u64,
    /// Segments of it.
    pub journal_segments: u64,
    /// When its journal was synced last.
    pub synced_us: Option<i64>,
    /// Frames given up because the disk did not take them in time.
    pub queue_dropped: u64,
    /// Frames that the live view was not given because it was behind; they are recorded all the same.
    pub live_lost: u64,
}

/// One bus of a tap.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Bus {
    /// Bus of the definition set.
    pub bus: String,
    /// Interface, or file name of the pipe.
    pub interface: String,
    /// Frames received, error frames not among them.
    pub frames: u64,
    /// Error frames received.
    pub error_frames: u64,
    /// Frames that the kernel dropped because nobody read them in time.
    pub kernel_dropped: u64,
    /// When the last frame came.
    pub last_frame_us: Option<i64>,
    /// Load of the last whole second, percent of the bit rate.
    pub load_percent: f64,
    /// What the interface is doing.
    pub link: Link,
}

/// An interface as it is.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Link {
    /// In a word.
    pub state: LinkState,
    /// Whether it can only listen; none: it does not say (virtual interfaces, pipes).
    pub listen_only: Option<bool>,
    /// Bit rate, bit/s, where it says.
    pub bitrate: Option<u32>,
    /// What is to be done about it, in words.
    pub remark: Option<String>,
}

/// States of an interface; the last four are those of ISO 11898-1's fault confinement, as the driver tells them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LinkState {
    /// Not there (yet).
    #[default]
    Missing,
    /// There, and down.
    Down,
    /// Up, error active.
    Up,
    /// Many errors on the bus.
    Warning,
    /// Error passive.
    Passive,
    /// Off the bus.
    BusOff,
}

impl LinkState {
    /// All of them.
    pub const ALL: [Self; 6] = [Self::Missing, Self::Down, Self::Up, Self::Warning, Self::Passive, Self::BusOff];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Missing => "not there",
            Self::Down => "down",
            Self::Up => "up",
            Self::Warning => "up, error warning",
            Self::Passive => "up, error passive",
            Self::BusOff => "bus off",
        }
    }

    /// As a label of metrics, and as in JSON.
    pub fn label(self) -> &'static str {
        match self {
            Self::Missing => "missing",
            Self::Down => "down",
            Self::Up => "up",
            Self::Warning => "warning",
            Self::Passive => "passive",
            Self::BusOff => "bus_off",
        }
    }
}

/// What becomes of what was recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Filing {
    /// What is being done, in words.
    pub doing: String,
    /// Captures and segments filed since the start.
    pub filed: u64,
    /// Frames filed since the start.
    pub filed_frames: u64,
    /// Time of the newest frame filed.
    pub filed_until_us: Option<i64>,
    /// Oldest frame in the journal that is not filed.
    pub oldest_unfiled_us: Option<i64>,
    /// How old that is, s; 0 where everything is filed.
    pub lag_s: f64,
    /// Last service day that was closed.
    pub closed_day: Option<String>,
}

/// Room on the store's disk.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Room {
    /// Bytes free.
    pub free_bytes: u64,
    /// Bytes that the store takes, as last measured.
    pub store_bytes: u64,
    /// Days given up for want of room, and why.
    pub given_up: Vec<String>,
}

/// The inbox.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Inbox {
    /// Files seen and not yet filed.
    pub waiting: u64,
    /// Files filed since the start.
    pub filed: u64,
    /// Files set aside since the start.
    pub quarantined_count: u64,
    /// The last hundred of them.
    pub quarantined: Vec<Quarantined>,
}

/// A file that was set aside.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Quarantined {
    /// Its name.
    pub file: String,
    /// Why.
    pub reason: String,
}

/// Copies at a second place.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Copied {
    /// Files copied since the start.
    pub files: u64,
    /// Files waiting to be.
    pub waiting: u64,
}

/// A receiver of messages about events.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receiver {
    /// Its name.
    pub name: String,
    /// Events it was told since the start.
    pub told: u64,
    /// Events it is still to be told.
    pub waiting: u64,
}

/// Something that is wrong now.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trouble {
    /// What it is about.
    pub cause: String,
    /// What is wrong, and what helps.
    pub text: String,
}
