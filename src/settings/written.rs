//! The configuration file as it is written: the shapes serde reads, unknown keys refused, places kept.
//!
//! Nothing here is trusted; [`super::check`] turns it into what is used, or into problems. The JSON Schema of the file is
//! generated from these types.

use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::Deserialize;

use super::fleet::WrittenNames;
use super::gateway::Class;
use crate::defs::At;

/// The file. Paths are relative to its folder.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "yardtap configuration")]
pub(super) struct Written {
    /// Folder of the definition set.
    pub(super) definitions: Option<At<PathBuf>>,
    /// Folder of the store.
    pub(super) store: Option<At<PathBuf>>,
    /// GeoJSON of the overhead.
    pub(super) overhead: Option<At<PathBuf>>,
    /// The agency's zone, by its name in the IANA time zone database.
    pub(super) zone: Option<At<String>>,
    /// Time of day at which a service day begins: "04:00".
    pub(super) day_starts: Option<At<String>>,
    /// Bus of channels whose name says nothing.
    pub(super) bus: Option<At<String>>,
    /// The one vehicle that all captures are of.
    pub(super) vehicle: Option<At<String>>,
    /// Where the path of a capture names its vehicle: "{vehicle}/*".
    pub(super) vehicle_path: Option<At<String>>,
    /// Bus by channel name.
    #[serde(default)]
    pub(super) channels: BTreeMap<String, At<String>>,
    /// Fleet number by VIN.
    #[serde(default)]
    pub(super) vins: BTreeMap<String, String>,
    /// What the service records.
    #[serde(default)]
    pub(super) tap: Vec<At<WrittenTap>>,
    /// How it is put on disk first.
    pub(super) journal: Option<WrittenJournal>,
    /// A folder where vehicles drop captures.
    pub(super) inbox: Option<At<WrittenInbox>>,
    /// When a service day is closed.
    pub(super) day_end: Option<WrittenDayEnd>,
    /// What is given up, and when.
    pub(super) retention: Option<WrittenRetention>,
    /// A second place for closed days.
    pub(super) copy: Option<WrittenCopy>,
    /// The pages over HTTP.
    pub(super) pages: Option<WrittenPages>,
    /// Messages to other systems on events.
    #[serde(default)]
    pub(super) message_to: Vec<At<WrittenMessageTo>>,
    /// What questions over the whole fleet are told.
    pub(super) fleet: Option<WrittenFleet>,
}

/// One vehicle's buses, or one yard lead that is plugged into one vehicle after another.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenTap {
    /// Its name: letters, digits, `-` and `_`.
    pub(super) name: At<String>,
    /// Fleet number of the vehicle; left out: the bus tells.
    pub(super) vehicle: Option<At<String>>,
    /// Its buses.
    #[serde(default)]
    pub(super) bus: Vec<At<WrittenTapBus>>,
}

/// One bus of a tap: an interface or a pipe.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenTapBus {
    /// Bus of the definition set.
    pub(super) bus: At<String>,
    /// SocketCAN network interface.
    pub(super) interface: Option<At<String>>,
    /// Named pipe to which another program writes pcapng.
    pub(super) pipe: Option<At<PathBuf>>,
}

/// How recorded frames are put on disk first.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenJournal {
    /// Longest time that frames are not yet safe from a power cut: at most "1s".
    pub(super) sync_every: Option<At<String>>,
    /// Size at which a segment ends.
    pub(super) segment_size: Option<At<String>>,
    /// Time after which a segment ends.
    pub(super) segment_time: Option<At<String>>,
    /// Memory in which frames of a tap may wait for the disk.
    pub(super) queue_size: Option<At<String>>,
    /// Receive buffer of each interface.
    pub(super) receive_buffer: Option<At<String>>,
}

/// What becomes of a filed capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum WrittenAfterwards {
    /// It stays.
    Keep,
    /// It is moved to the folder `move_to`.
    Move,
    /// It is deleted.
    Delete,
}

/// A folder where vehicles drop captures.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenInbox {
    /// The folder; its subfolders are looked through too.
    pub(super) folder: At<PathBuf>,
    /// A file that nobody is seen to write is taken after so long without a change.
    pub(super) settle: Option<At<String>>,
    /// What becomes of a filed capture.
    pub(super) afterwards: Option<At<WrittenAfterwards>>,
    /// Where filed captures are moved to.
    pub(super) move_to: Option<At<PathBuf>>,
    /// Where captures go that cannot be used, each with a text that tells why.
    pub(super) quarantine: Option<At<PathBuf>>,
}

/// When a service day is closed.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenDayEnd {
    /// So long after its end.
    pub(super) after: Option<At<String>>,
}

/// What is given up, and when.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenRetention {
    /// Days for which raw frames are kept; left out: for ever.
    pub(super) raw_days: Option<At<i64>>,
    /// Days for which signals are kept; left out: for ever.
    pub(super) signals_days: Option<At<i64>>,
    /// Most that the store may take; left out: what its disk has.
    pub(super) store_size: Option<At<String>>,
    /// What stays free on its disk.
    pub(super) keep_free: Option<At<String>>,
    /// What is given up first when room is short.
    pub(super) order: Option<At<Vec<At<Class>>>>,
}

/// A second place for closed days.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenCopy {
    /// `file:///folder` or `s3://bucket/prefix`.
    pub(super) to: At<String>,
    /// How often is looked for what to copy.
    pub(super) every: Option<At<String>>,
    /// Options of the object store, such as `endpoint` and `region`; secrets come by the environment.
    #[serde(default)]
    pub(super) options: BTreeMap<String, At<String>>,
}

/// The pages over HTTP.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenPages {
    /// Address and port to listen on; "" for no pages.
    pub(super) listen: Option<At<String>>,
    /// Names, besides the address, under which the pages may be asked for.
    #[serde(default)]
    pub(super) names: Vec<At<String>>,
    /// Updates a second of the live page: 1 to 20.
    pub(super) updates_per_second: Option<At<i64>>,
    /// Folder of the morning's pages, which are shown below /morning/.
    pub(super) morning: Option<At<PathBuf>>,
}

/// One system that is told of events.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenMessageTo {
    /// Its name: how far it was told is kept under it.
    pub(super) name: At<String>,
    /// Where each event is posted to, as JSON.
    pub(super) url: At<String>,
    /// Counters of the definition set whose events are told.
    pub(super) events: At<Vec<At<String>>>,
    /// Environment variable with a bearer token.
    pub(super) token_variable: Option<At<String>>,
}

/// What questions over the whole fleet are told.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenFleet {
    /// Folder of the records that people keep.
    pub(super) records: Option<At<PathBuf>>,
    /// How far back questions look: "3 years", "18 months".
    pub(super) look_back: Option<At<String>>,
    /// Battery packs that can be bought in a year.
    pub(super) packs_a_year: Option<At<i64>>,
    /// Years that the replacement plan covers: 1 to 20.
    pub(super) years: Option<At<i64>>,
    /// How many count as the worst.
    pub(super) worst: Option<At<i64>>,
    /// Whether operators' part is reckoned at all. Pseudonyms only; people are never ranked.
    pub(super) operators: Option<At<bool>>,
    /// An operator with fewer expected pole-offs than this is not shown alone: 3 or more.
    pub(super) fewest: Option<At<f64>>,
    /// Names of counters and messages, where yours are others.
    #[serde(default)]
    pub(super) names: WrittenNames,
}
