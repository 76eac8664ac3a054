//! Process edge.
use std::path::Path;
use yardtap::*;
fn main() {
    let args: Vec<String> = std::env::args().collect();
    let threads: usize = args[2].parse().unwrap();
    rayon::ThreadPoolBuilder::new().num_threads(threads).build_global().unwrap();
    let defs = defs::Definitions::load(Path::new("/tmp/peers/set")).unwrap_or_else(|e| panic!("{e}"));
    let _ = std::fs::remove_dir_all("/tmp/st");
    let store = store::Store::open(Path::new("/tmp/st")).unwrap();
    let t = std::time::Instant::now();
    let settings = filing::Settings {
        days: day::ServiceDays::new(jiff::tz::TimeZone::UTC, jiff::civil::time(4, 0, 0, 0)),
        vehicle: Some("204".into()),
        unknown_vehicle: "unknown".into(),
        vins: Default::default(),
        channels: Default::default(),
        bus: None,
    };
    let mut cap = capture::open(Path::new(&args[1])).unwrap();
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    let (pieces, bytes) = pool.install(|| filing::sort_only(&store, &defs, &settings, &mut cap)).unwrap();
    println!("{pieces} pieces {bytes} bytes {:?} {:.2} B/frame", t.elapsed(), bytes as f64 / cap.tally().frames as f64);
    let s = std::fs::read_to_string("/proc/self/status").unwrap();
    println!("{}", s.lines().find(|l| l.starts_with("VmHWM")).unwrap());
}
