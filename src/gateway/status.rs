//! What the service tells of itself: counted by its threads, read by pages, metrics and the watchdog.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use crate::snapshot::{self, Copied, Filing, Inbox, Quarantined, Room, Snapshot, Trouble};
pub use crate::snapshot::{Link, LinkState};

use crate::settings::gateway::Tap;
pub use crate::stop::Stop;

/// Shared by all threads.
#[derive(Debug, Default)]
pub struct Status {
    /// When the service started, µs of the system's clock.
    pub started_us: AtomicI64,
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
    /// Grows while the threads that record are alive.
    pub recorder_beat: AtomicU64,
    /// Grows while the thread that writes the journal is alive.
    pub journal_beat: AtomicU64,
    /// Frames given up because the disk did not take them in time.
    pub queue_dropped: AtomicU64,
    /// Frames that the live view was not given because it was behind; they are recorded all the same.
    pub live_lost: AtomicU64,
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

    /// All of it at one moment; `now_us` is the system's clock.
    pub fn snapshot(&self, now_us: i64) -> Snapshot {
        let (definitions, definitions_hash) = held(&self.keeper.definitions);
        let oldest_unfiled_us = time(&self.keeper.oldest_unfiled_us);
        Snapshot {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            now_us,
            started_us: time(&self.started_us),
            definitions,
            definitions_hash,
            taps: self.taps().iter().map(|tap| tap.snapshot()).collect(),
            filing: Filing {
                doing: held(&self.keeper.doing),
                filed: count(&self.keeper.filed),
                filed_frames: count(&self.keeper.filed_frames),
                filed_until_us: time(&self.keeper.filed_until_us),
                oldest_unfiled_us,
                lag_s: oldest_unfiled_us.map_or(0.0, |oldest_us| now_us.saturating_sub(oldest_us).max(0) as f64 / 1e6),
                closed_day: held(&self.keeper.closed_day),
            },
            room: Room {
                free_bytes: count(&self.keeper.disk_free_bytes),
                store_bytes: count(&self.keeper.store_bytes),
                given_up: held(&self.keeper.given_up),
            },
            inbox: Inbox {
                waiting: count(&self.inbox.waiting),
                filed: count(&self.inbox.filed),
                quarantined_count: count(&self.inbox.quarantined_count),
                quarantined: held(&self.inbox.quarantined)
                    .into_iter()
                    .map(|(file, reason)| Quarantined { file, reason })
                    .collect(),
            },
            copy: Copied { files: count(&self.keeper.copied_files), waiting: count(&self.keeper.copy_waiting) },
            receivers: self
                .receivers()
                .iter()
                .map(|receiver| snapshot::Receiver {
                    name: receiver.name.clone(),
                    told: count(&receiver.told),
                    waiting: count(&receiver.waiting),
                })
                .collect(),
            troubles: self.troubles().into_iter().map(|(cause, text)| Trouble { cause, text }).collect(),
        }
    }
}

impl TapStatus {
    fn snapshot(&self) -> snapshot::Tap {
        let buses = self.buses.iter().map(|bus| snapshot::Bus {
            bus: bus.bus.clone(),
            interface: bus.interface.clone(),
            frames: count(&bus.frames),
            error_frames: count(&bus.error_frames),
            kernel_dropped: count(&bus.kernel_dropped),
            last_frame_us: time(&bus.last_frame_us),
            load_percent: count(&bus.load_hundredths) as f64 / 100.0,
            link: held(&bus.link),
        });
        snapshot::Tap {
            name: self.name.clone(),
            vehicle: held(&self.vehicle),
            buses: buses.collect(),
            journal_bytes: count(&self.journal_bytes),
            journal_segments: count(&self.journal_segments),
            synced_us: time(&self.synced_us),
            queue_dropped: count(&self.queue_dropped),
            live_lost: count(&self.live_lost),
        }
    }
}

fn count(counter: &AtomicU64) -> u64 {
    counter.load(Ordering::Relaxed)
}

/// 0 stands for never.
fn time(time_us: &AtomicI64) -> Option<i64> {
    Some(time_us.load(Ordering::Relaxed)).filter(|time_us| *time_us != 0)
}

/// A copy of what a lock holds.
pub(super) fn held<T: Clone>(value: &Mutex<T>) -> T {
    value.lock().unwrap_or_else(PoisonError::into_inner).clone()
}
