//! What the service tells of itself: counted by its threads, read by pages, metrics and the watchdog.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicI64, AtomicU64};
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use serde::{Deserialize, Serialize};

use crate::settings::gateway::Tap;
pub use crate::stop::Stop;

/// Shared by all threads.
#[derive(Debug, Default)]
pub struct Status {
    /// Taps by number. One that a new configuration has no more leaves its place empty.
    taps: RwLock<Vec<Option<Arc<TapStatus>>>>,
    /// Filing, and what else writes to the store.
    pub keeper: KeeperStatus,
    /// Captures that came by the inbox.
    pub inbox: InboxStatus,
    /// Receivers of messages.
    receivers: RwLock<Vec<Arc<ReceiverStatus>>>,
    /// What is wrong now, by cause: one line each. Said once in the log when it comes and when it goes.
    troubles: Mutex<BTreeMap<String, String>>,
}

/// One tap.
#[derive(Debug, Default)]
pub struct TapStatus {
    /// Its name.
    pub name: String,
    /// Vehicle heard last, or the configured one.
    pub vehicle: Mutex<Option<String>>,
    /// One a bus.
    pub buses: Vec<Arc<BusStatus>>,
    /// Bytes of the journal that are not filed yet.
    pub journal_bytes: AtomicU64,
    /// Segments of it.
    pub journal_segments: AtomicU64,
    /// When it was synced last, µs of the system's clock.
    pub synced_us: AtomicI64,
    /// Frames given up because the disk did not take them in time.
    pub queue_dropped: AtomicU64,
}

/// One bus of a tap.
#[derive(Debug, Default)]
pub struct BusStatus {
    /// Bus of the definition set.
    pub bus: String,
    /// Interface, or file name of the pipe.
    pub interface: String,
    /// Frames received, error frames not among them.
    pub frames: AtomicU64,
    /// Error frames received.
    pub error_frames: AtomicU64,
    /// Frames that the kernel dropped because nobody read them in time.
    pub kernel_dropped: AtomicU64,
    /// When the last frame came, µs; 0: never.
    pub last_frame_us: AtomicI64,
    /// Load of the last whole second, hundredths of a percent of the bit rate.
    pub load_hundredths: AtomicU64,
    /// What the interface is doing.
    pub link: Mutex<Link>,
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

/// The thread that writes to the store.
#[derive(Debug, Default)]
pub struct KeeperStatus {
    /// What it is doing, in words.
    pub doing: Mutex<String>,
    /// Captures and segments filed.
    pub filed: AtomicU64,
    /// Frames filed.
    pub filed_frames: AtomicU64,
    /// Time of the newest frame filed, µs.
    pub filed_until_us: AtomicI64,
    /// Oldest frame in the journal that is not filed, µs; 0: none.
    pub oldest_unfiled_us: AtomicI64,
    /// Bytes free on the store's disk.
    pub disk_free_bytes: AtomicU64,
    /// Bytes that the store takes, as last measured.
    pub store_bytes: AtomicU64,
    /// Last service day that was closed.
    pub closed_day: Mutex<Option<String>>,
    /// Days given up for want of room, and why.
    pub given_up: Mutex<Vec<String>>,
    /// Files copied to the second place, and waiting to be.
    pub copied_files: AtomicU64,
    /// See `copied_files`.
    pub copy_waiting: AtomicU64,
    /// Name of the definition set, and its hash.
    pub definitions: Mutex<(String, String)>,
}

/// The inbox.
#[derive(Debug, Default)]
pub struct InboxStatus {
    /// Files seen and not yet filed.
    pub waiting: AtomicU64,
    /// Files filed.
    pub filed: AtomicU64,
    /// Files set aside: name and reason, the last hundred.
    pub quarantined: Mutex<Vec<(String, String)>>,
    /// How many in all.
    pub quarantined_count: AtomicU64,
}

/// One receiver of messages.
#[derive(Debug, Default)]
pub struct ReceiverStatus {
    /// Its name.
    pub name: String,
    /// Events it was told since the start.
    pub told: AtomicU64,
    /// Events it is still to be told, as last looked.
    pub waiting: AtomicU64,
}

impl TapStatus {
    /// Nothing counted yet.
    pub fn new(tap: &Tap) -> Self {
        let buses = tap.buses.iter().map(|bus| {
            let (bus, interface) = (bus.bus.clone(), bus.source.name());
            Arc::new(BusStatus { bus, interface, ..BusStatus::default() })
        });
        Self {
            name: tap.name.clone(),
            vehicle: Mutex::new(tap.vehicle.clone()),
            buses: buses.collect(),
            ..Self::default()
        }
    }
}

impl Status {
    /// The taps there are.
    pub fn taps(&self) -> Vec<Arc<TapStatus>> {
        self.taps.read().unwrap_or_else(PoisonError::into_inner).iter().flatten().cloned().collect()
    }

    /// A tap by its number.
    pub fn tap(&self, number: usize) -> Option<Arc<TapStatus>> {
        self.taps.read().unwrap_or_else(PoisonError::into_inner).get(number).cloned().flatten()
    }

    /// A bus by the number of its tap and its own.
    pub fn bus(&self, tap: usize, number: usize) -> Option<Arc<BusStatus>> {
        self.tap(tap)?.buses.get(number).cloned()
    }

    /// Adds a tap, and gives its number.
    pub fn add_tap(&self, tap: TapStatus) -> usize {
        let mut taps = self.taps.write().unwrap_or_else(PoisonError::into_inner);
        taps.push(Some(Arc::new(tap)));
        taps.len() - 1
    }

    /// A tap is no more.
    pub fn remove_tap(&self, number: usize) {
        let mut taps = self.taps.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(place) = taps.get_mut(number) {
            *place = None;
        }
    }

    /// The receivers of messages that there are.
    pub fn receivers(&self) -> Vec<Arc<ReceiverStatus>> {
        self.receivers.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// A receiver by its name; it is there from then on.
    pub fn receiver(&self, name: &str) -> Arc<ReceiverStatus> {
        let mut receivers = self.receivers.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(found) = receivers.iter().find(|receiver| receiver.name == name) {
            return found.clone();
        }
        let fresh = Arc::new(ReceiverStatus { name: name.to_owned(), ..ReceiverStatus::default() });
        receivers.push(fresh.clone());
        fresh
    }

    /// A receiver is no more.
    pub fn remove_receiver(&self, name: &str) {
        self.receivers.write().unwrap_or_else(PoisonError::into_inner).retain(|receiver| receiver.name != name);
    }

    /// Says that something is wrong. It is logged when it begins or its text changes.
    pub fn trouble(&self, cause: &str, text: String) {
        let mut troubles = self.troubles.lock().unwrap_or_else(PoisonError::into_inner);
        if troubles.get(cause) != Some(&text) {
            tracing::warn!(cause, "{text}");
            troubles.insert(cause.to_owned(), text);
        }
    }

    /// Says that it is right again.
    pub fn settled(&self, cause: &str) {
        let mut troubles = self.troubles.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(text) = troubles.remove(cause) {
            tracing::info!(cause, "no more: {text}");
        }
    }

    /// What is wrong now: cause and text.
    pub fn troubles(&self) -> Vec<(String, String)> {
        let troubles = self.troubles.lock().unwrap_or_else(PoisonError::into_inner);
        troubles.iter().map(|(cause, text)| (cause.clone(), text.clone())).collect()
    }
}
