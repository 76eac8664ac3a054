//! `simulate`: vehicle-days, or a year, of the invented town, with the truth beside them.

use std::fs;

use anyhow::{Context, Result, bail};
use indicatif::ProgressBar;
use jiff::civil::Date;

use super::{Done, load_definitions, say};
use crate::capture::write::open_writer;
use crate::cli::Simulate;
use crate::defs::Definitions;
use crate::simulate::truth::{Planted, Truth};
use crate::simulate::year::{self, YearOptions};
use crate::simulate::{CHANNELS, Fault, ServiceDay, Voices, World, demo, overhead, vehicle_day};

/// The clock rule of the invented town.
const ZONE: &str = "Europe/Vienna";
const DAY_STARTS_HOUR: i8 = 4;

pub(super) fn simulate(options: &Simulate) -> Result<Done> {
    let defs = load_definitions(&options.defs)?;
    if options.demo {
        let truth = demo::write(&options.to, &defs)?;
        say(&format!("{} vehicles written to {}", truth.vehicles.len(), options.to.display()))?;
        return Ok(Done::Whole);
    }
    if let Some(year) = options.year {
        return whole_year(options, &defs, year);
    }
    let voices = Voices::new(&defs)?;
    let world = World::velmora(options.seed, options.fleet);
    let day = ServiceDay::of(&options.day.to_string(), ZONE, DAY_STARTS_HOUR)?;
    let wanted = |number: &str| options.vehicles.is_empty() || options.vehicles.iter().any(|v| v == number);
    let vehicles: Vec<_> = world.fleet.vehicles.iter().filter(|v| wanted(&v.fleet_number())).collect();
    if vehicles.is_empty() {
        let numbers: Vec<String> = world.fleet.vehicles.iter().map(|v| v.fleet_number()).collect();
        bail!("no such vehicle; the fleet has {}", numbers.join(", "));
    }
    let folder = options.to.join(day.date());
    fs::create_dir_all(&folder).with_context(|| format!("creating {}", folder.display()))?;
    let names = CHANNELS.map(Some);
    let bar = ProgressBar::new(vehicles.len() as u64);
    let mut truth = Truth {
        town: world.town.name.into(),
        seed: options.seed,
        service_day: day.date(),
        out_of_true: world.town.bad_spot().map(|work| work.id.clone()).into_iter().collect(),
        planted: Vec::new(),
        vehicles: Vec::new(),
    };
    for vehicle in vehicles {
        let path = folder.join(format!("{}.pcapng.zst", vehicle.fleet_number()));
        let mut writer = open_writer(&path, &names, None)?;
        let told = vehicle_day(&world, &voices, vehicle, &day, &[], &[], |frame| writer.write(frame))?;
        writer.finish()?.finish().with_context(|| format!("writing {}", path.display()))?;
        let planted = |fault: &Fault| Planted { vehicle: vehicle.fleet_number(), fault: *fault };
        truth.planted.extend(vehicle.faults.iter().map(planted));
        truth.vehicles.push(told);
        bar.inc(1);
    }
    bar.finish_and_clear();
    for (name, text) in [
        ("truth.json", serde_json::to_string_pretty(&truth)?),
        ("overhead.geojson", serde_json::to_string_pretty(&overhead(&world.town))?),
    ] {
        let path = options.to.join(name);
        fs::write(&path, text + "\n").with_context(|| format!("writing {}", path.display()))?;
    }
    say(&format!("{} vehicle-days written to {}", truth.vehicles.len(), options.to.display()))?;
    Ok(Done::Whole)
}

fn whole_year(options: &Simulate, defs: &Definitions, year: i16) -> Result<Done> {
    let wanted = YearOptions {
        seed: options.seed,
        from: Date::new(year, 1, 1)?,
        to: Date::new(year, 12, 31)?,
        vehicles: options.fleet,
        planted: !options.healthy,
    };
    let bar = ProgressBar::new(12);
    let truth = year::write(&options.to, defs, &wanted, &mut |done, _| bar.set_position(done as u64))?;
    bar.finish_and_clear();
    let timeouts: u64 = truth.packs.iter().map(|pack| pack.timeouts).sum();
    let pole_offs: u64 = truth.pole_offs_by_cause.values().sum();
    let to = options.to.display();
    say(&format!(
        "{} to {} written to {to}: {timeouts} battery timeouts, {pole_offs} pole-offs",
        truth.from, truth.to
    ))?;
    Ok(Done::Whole)
}
