//! `gateway`: the service.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result};

use super::{Done, say, shown};
use crate::defs::LoadError;
use crate::filing;
use crate::gateway::service::{self, Loaded};
use crate::overhead;
use crate::settings::{Configuration, ConfigurationError};

pub(super) fn gateway(config: &Path, check: bool) -> Result<Done> {
    let loaded = load(config)?;
    if check {
        let (taps, buses) =
            (loaded.gateway.taps.len(), loaded.gateway.taps.iter().map(|tap| tap.buses.len()).sum::<usize>());
        say(&format!(
            "{}: nothing wrong; {taps} tap{} of {buses} bus{}, definition set {} ({})",
            config.display(),
            if taps == 1 { "" } else { "s" },
            if buses == 1 { "" } else { "es" },
            loaded.defs.name,
            loaded.defs.hash.get(..12).unwrap_or(&loaded.defs.hash),
        ))?;
        return Ok(Done::Whole);
    }
    service::run(loaded, &|| load(config))?;
    Ok(Done::Whole)
}

/// Reads and checks everything, before anything is started.
fn load(config: &Path) -> Result<Loaded> {
    let (configuration, defs) = Configuration::load_for_service(config).map_err(|error| match error {
        ConfigurationError::Wrong(problems) => shown(&problems, config),
        ConfigurationError::Definitions(LoadError::Wrong(problems)) => shown(&problems, config),
        other => other.into(),
    })?;
    let places = configuration.overhead.as_deref().map(overhead::load).transpose()?.unwrap_or_default();
    let store = configuration.store.clone().context("the configuration names no store")?;
    let filing = filing::Settings {
        days: configuration.days.clone(),
        vehicle: configuration.vehicle.clone(),
        unknown_vehicle: "unknown".into(),
        vehicle_before: None,
        vins: configuration.vins.clone().into_iter().collect(),
        channels: configuration.channels.clone(),
        bus: configuration.bus.clone(),
    };
    let Configuration { gateway, vehicle_path, .. } = configuration;
    Ok(Loaded { gateway, defs: Arc::new(defs), places, filing, vehicle_path, store })
}
