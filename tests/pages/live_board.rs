//! The pages without a bus: a capture is played into a live board as fast as it was recorded, over and over.
//!
//! `cargo run --example live_board -- demo-captures/2026-02-17/207.pcapng.zst signal-defs/velmora [ADDRESS [BUS…]]`

use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use yardtap::capture;
use yardtap::day::ServiceDays;
use yardtap::defs::Definitions;
use yardtap::frame::{FrameBlock, Kind};
use yardtap::gateway::boards::Boards;
use yardtap::gateway::pages::{self, Subject};
use yardtap::gateway::status::{LinkState, Status, Stop, TapStatus};
use yardtap::settings::gateway::{Pages, Source, Tap, TapBus};

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [capture, defs, rest @ ..] = arguments.as_slice() else {
        bail!("a capture and a definition set are asked for");
    };
    let defs = Arc::new(Definitions::load(&PathBuf::from(defs))?);
    // The capture's channels, by the buses that are named behind the address; else those of the demo.
    let named: Vec<&str> = rest.iter().skip(1).map(String::as_str).collect();
    let named = if named.is_empty() { vec!["traction", "body"] } else { named };
    let bus = |(index, bus): (usize, &&str)| TapBus {
        bus: (*bus).to_owned(),
        source: Source::Interface(format!("can{index}")),
    };
    let buses: Vec<TapBus> = named.iter().enumerate().map(bus).collect();
    let status = Arc::new(Status::default());
    status.started_us.store(jiff::Timestamp::now().as_microsecond(), Ordering::Relaxed);
    let tap = Tap { name: "bay-1".into(), vehicle: None, buses };
    let number = status.add_tap(TapStatus::new(&tap));
    let days = ServiceDays::new(jiff::tz::TimeZone::get("Europe/Vienna")?, "04:00".parse()?);
    let boards = Arc::new(Boards::new(&[tap], &defs, &Default::default(), &days));
    let stop = Arc::new(Stop::default());
    let settings = Pages {
        listen: Some(rest.first().map_or(Ok(([127, 0, 0, 1], 8750).into()), |address| address.parse())?),
        updates_per_second: 20,
        ..Pages::default()
    };
    let (marks, kept) = mpsc::channel();
    let subject = Arc::new(Subject { status: status.clone(), boards: boards.clone(), days: Mutex::new(days), marks });
    let running = pages::start(&settings, subject, stop.clone())?.context("there are no pages")?;
    let _boards = boards.start(settings.updates_per_second, status.clone(), stop)?;
    println!("http://{}/", running.address);
    std::thread::spawn(move || kept.iter().for_each(|mark| println!("{mark:?}")));
    *status.keeper.definitions.lock().expect("nothing panicked") = (defs.name.clone(), defs.hash.clone());

    let listener = boards.listener(0);
    let mut block = FrameBlock::default();
    loop {
        let mut reader = capture::open(&PathBuf::from(capture))?;
        let begun = Instant::now();
        let mut first_us = None;
        while reader.fill(&mut block, 20)? {
            let Some(time_us) = block.time_us.last().copied() else { continue };
            let later_us = time_us - *first_us.get_or_insert(time_us);
            let due = begun + Duration::from_micros(u64::try_from(later_us).unwrap_or(0));
            if let Some(wait) = due.checked_duration_since(Instant::now()) {
                std::thread::sleep(wait.min(Duration::from_secs(2)));
            }
            for meta in &block.meta {
                let Some(bus) = status.bus(number, usize::from(meta.channel)) else { continue };
                let counter = if meta.kind() == Kind::Error { &bus.error_frames } else { &bus.frames };
                counter.fetch_add(1, Ordering::Relaxed);
                bus.last_frame_us.store(jiff::Timestamp::now().as_microsecond(), Ordering::Relaxed);
                bus.link.lock().expect("nothing panicked").state = LinkState::Up;
            }
            listener(&block);
            block.clear();
        }
    }
}
