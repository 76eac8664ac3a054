//! The demo captures: three vehicles on one winter's day, cut to the hours in which something happens.

use std::fs;
use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::truth::{Planted, Truth};
use super::{CHANNELS, DayError, Sensor, ServiceDay, Stage, Staged, VoiceError, Voices, World, overhead, vehicle_day};
use crate::capture::write::{WriteError, open_writer};
use crate::defs::Definitions;
use crate::frame::TimeUs;

/// The demo's service day: a Tuesday in winter, about freezing.
pub const DATE: &str = "2026-02-17";
/// The zone it is told in, and the local hour at which a service day begins.
pub const ZONE: &str = "Europe/Vienna";
/// The local hour at which a service day begins.
pub const HOUR: i8 = 4;
/// Seed and size of the demo's fleet.
pub const SEED: u64 = 1;
/// Vehicles of the demo's fleet; three of them are recorded.
pub const VEHICLES: usize = 24;
/// The files lie in the repository, so they are packed as tightly as is reasonable.
const ZSTD_LEVEL: i32 = 19;

/// One vehicle's part: its fleet number, the hours of the service day that are kept, and what is staged in them.
struct Part {
    number: u16,
    hours: &'static [(f64, f64)],
    staged: &'static [(f64, Stage)],
}

#[rustfmt::skip]
const PARTS: &[Part] = &[
    // The weak battery: from the yard to the airfield and up to the quarry. Its counter of timeouts rolls over.
    Part { number: 207, hours: &[(0.86, 1.86)], staged: &[
        (1.50, Stage::PoleOffAtBadSpot),
    ] },
    // The worn collector, and the winding's sensor; then home, and parked with the poles down.
    Part { number: 211, hours: &[(3.02, 3.80), (7.42, 8.12)], staged: &[
        (3.03, Stage::PoleOffAtBadSpot),
        (3.25, Stage::PoleOff),
        (3.30, Stage::SensorDropOut { sensor: Sensor::Motor, seconds: 48.0 }),
        (3.70, Stage::PoleOff),
    ] },
    // Dirt between collector and wire, and a contactor that does not always hold; the battery manager restarts.
    Part { number: 305, hours: &[(3.10, 3.85)], staged: &[
        (3.15, Stage::PhantomVoltage),
        (3.20, Stage::BatteryManagerRestart),
        (3.30, Stage::BusSilence),
        (3.40, Stage::PhantomVoltage),
        (3.45, Stage::PoleOffAtBadSpot),
        (3.56, Stage::ContactorDropOut),
        (3.64, Stage::ContactorDropOut),
        (3.62, Stage::SensorDropOut { sensor: Sensor::Ambient, seconds: 30.0 }),
    ] },
];

/// Why the demo cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The definition set is not the demo fleet's.
    #[error(transparent)]
    Voice(#[from] VoiceError),
    /// The clock's rules are missing.
    #[error(transparent)]
    Day(#[from] DayError),
    /// A capture cannot be written.
    #[error(transparent)]
    Capture(#[from] WriteError),
    /// Another file or folder cannot be written.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// Writes `<date>/<fleet number>.pcapng.zst` for each of the demo's vehicles, `truth.json` and `overhead.geojson` into
/// `folder`, and gives the truth.
///
/// The same definition set gives the same bytes. Files of these names are overwritten.
///
/// # Errors
/// The definition set is not the demo fleet's, or something cannot be written.
pub fn write(folder: &Path, defs: &Definitions) -> Result<Truth, DemoError> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| DemoError::File { path, source }
    };
    let day_folder = folder.join(DATE);
    fs::create_dir_all(&day_folder).map_err(failed(&day_folder))?;
    let names = CHANNELS.map(Some);
    let truth = each(defs, |fleet_number, frames| {
        let path = day_folder.join(format!("{fleet_number}.pcapng.zst"));
        let mut writer = open_writer(&path, &names, Some(ZSTD_LEVEL))?;
        let truth = frames(&mut |frame| writer.write(frame))?;
        writer.finish()?.finish().map_err(failed(&path))?;
        Ok::<_, DemoError>(truth)
    })?;
    let overhead = overhead(&super::Town::velmora());
    for (name, text) in [
        ("truth.json", serde_json::to_string_pretty(&truth)),
        ("overhead.geojson", serde_json::to_string_pretty(&overhead)),
    ] {
        let path = folder.join(name);
        let text = text.map_err(|error| DemoError::File { path: path.clone(), source: error.into() })?;
        fs::write(&path, text + "\n").map_err(failed(&path))?;
    }
    Ok(truth)
}

/// Takes one frame.
type Sink<'s> = &'s mut dyn FnMut(&crate::frame::Frame) -> Result<(), WriteError>;
/// Runs one vehicle's part into a sink.
type Run<'r> = &'r dyn Fn(Sink) -> Result<super::truth::VehicleTruth, WriteError>;

/// Runs every part; `take` is handed the fleet number and a way to run it.
fn each<E>(
    defs: &Definitions,
    mut take: impl FnMut(&str, Run) -> Result<super::truth::VehicleTruth, E>,
) -> Result<Truth, E>
where
    E: From<VoiceError> + From<DayError>,
{
    let voices = Voices::new(defs)?;
    let day = ServiceDay::of(DATE, ZONE, HOUR)?;
    let world = World::velmora(SEED, VEHICLES);
    let at_us = |hours: f64| day.start_us() + (hours * 3.6e9) as i64;
    let mut truth = Truth {
        town: world.town.name.into(),
        seed: SEED,
        service_day: day.date(),
        out_of_true: world.town.bad_spot().map(|work| work.id.clone()).into_iter().collect(),
        planted: Vec::new(),
        vehicles: Vec::new(),
    };
    for part in PARTS {
        let Some(vehicle) = world.fleet.vehicle_numbered(part.number) else { continue };
        let keep: Vec<Range<TimeUs>> = part.hours.iter().map(|&(from, to)| at_us(from)..at_us(to)).collect();
        let staged: Vec<Staged> = part
            .staged
            .iter()
            .map(|&(hours, what)| Staged { vehicle: part.number, at_s: hours * 3_600.0, what })
            .collect();
        let fleet_number = vehicle.fleet_number();
        let planted = vehicle.faults.iter().map(|fault| Planted { vehicle: fleet_number.clone(), fault: *fault });
        truth.planted.extend(planted);
        let run = |sink: Sink| vehicle_day(&world, &voices, vehicle, &day, &staged, &keep, sink);
        truth.vehicles.push(take(&fleet_number, &run)?);
    }
    Ok(truth)
}

#[cfg(test)]
mod tests {
    use super::super::tests::defs;
    use super::*;

    #[test]
    #[ignore = "packs for half a minute; to be run when simulator or definitions have changed"]
    fn the_demo_captures_are_what_the_simulator_writes() {
        let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-captures");
        let folder = tempfile::tempdir().expect("a folder");
        write(folder.path(), &defs()).expect("a demo");
        let captures = PARTS.iter().map(|part| format!("{DATE}/{}.pcapng.zst", part.number));
        for name in captures.chain(["truth.json".into(), "overhead.geojson".into()]) {
            let bytes = |folder: &Path| fs::read(folder.join(&name)).expect("a file");
            assert!(bytes(folder.path()) == bytes(&kept), "{name} has changed; write the demo anew");
        }
    }

    #[test]
    fn the_demo_holds_what_it_is_to_show() {
        let truth = each(&defs(), |_, run| run(&mut |_| Ok(())).map_err(DemoError::from)).expect("a demo");
        let of = |number: &str| &truth.vehicles.iter().find(|v| v.vehicle == number).expect("a vehicle").runs;
        let all = || truth.vehicles.iter().flat_map(|vehicle| &vehicle.runs);
        let at_bad_spot = |off: &&super::super::truth::Happening| off.cause == Some("overhead");
        let pole_offs = || all().flat_map(|run| &run.pole_offs);
        assert!(pole_offs().count() >= 4, "{} pole-offs", pole_offs().count());
        assert!(pole_offs().filter(at_bad_spot).count() >= 3);
        let weak = &of("207")[0];
        assert!(weak.battery_timeouts.len() >= 3, "{} timeouts", weak.battery_timeouts.len());
        assert!(weak.counter_jumps.iter().any(|jump| jump.kind == "roll_over"));
        assert!(weak.off_wire_changes.len() >= 2);
        assert!(of("211").iter().any(|run| !run.sensor_outages.is_empty()));
        assert!(of("211").iter().any(|run| run.parked_poles_down_s > 100.0));
        assert_eq!(of("211").len(), 2);
        let soiled = &of("305")[0];
        assert!(soiled.phantom_voltages.len() >= 2);
        assert!(soiled.contactor_dropouts.len() >= 2);
        assert!(soiled.counter_jumps.iter().any(|jump| jump.kind == "reset"));
        assert!(all().map(|run| run.section_gaps.len()).sum::<usize>() > 20);
        assert!(truth.vehicles.iter().any(|vehicle| !vehicle.bus_gaps.is_empty()));
        assert!(truth.vehicles.iter().all(|v| v.error_frames > 0 && v.remote_frames > 0 && v.unknown_frames > 0));
    }
}
