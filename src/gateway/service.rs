//! The service's life: start, reload, stop.
//!
//! The main thread waits for signals; everything else is done by threads that end on [`Stop`].

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use nix::sys::signal::{SigSet, Signal};

use crate::defs::Definitions;
use crate::filing;
use crate::run::Place;
use crate::settings::PathPattern;
use crate::settings::gateway::Gateway;

/// Everything that the configuration says, checked.
#[derive(Debug)]
pub struct Loaded {
    /// The service's part.
    pub gateway: Gateway,
    /// What decodes the frames.
    pub defs: Arc<Definitions>,
    /// Special work of the overhead.
    pub places: Vec<Place>,
    /// How captures are filed.
    pub filing: filing::Settings,
    /// Where a path of the inbox names its vehicle.
    pub vehicle_path: Option<PathPattern>,
    /// Folder of the store.
    pub store: PathBuf,
}
