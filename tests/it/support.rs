//! What the tests share: frames, captures, stores, and rows as text that can be compared.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use arrow_array::cast::AsArray;
use arrow_array::types::{
    Date32Type, Float32Type, Float64Type, Int8Type, Int16Type, Int32Type, Int64Type, TimestampMicrosecondType,
    UInt8Type, UInt16Type, UInt32Type, UInt64Type,
};
use arrow_array::{Array, ArrayRef};
use arrow_schema::DataType;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tempfile::TempDir;
use yardtap::capture::write::open_writer;
use yardtap::capture::{self};
use yardtap::day::ServiceDays;
use yardtap::defs::{Definitions, SourceText};
use yardtap::filing::{Desk, FilingError, Outcome, Settings};
use yardtap::frame::{Frame, FrameBlock, TimeUs};
use yardtap::run::Place;
use yardtap::store::Store;

pub const SECOND: TimeUs = 1_000_000;
pub const HOUR: TimeUs = 3_600 * SECOND;

/// The two interfaces of the demo captures.
pub const CHANNELS: [Option<&str>; 2] = [Some("can0"), Some("can1")];

/// An instant of the demo's day.
pub fn us(text: &str) -> TimeUs {
    text.parse::<jiff::Timestamp>().unwrap().as_microsecond()
}

/// The demo fleet's definitions.
pub fn velmora() -> &'static Definitions {
    static DEFS: OnceLock<Definitions> = OnceLock::new();
    DEFS.get_or_init(|| Definitions::load(Path::new("signal-defs/velmora")).unwrap())
}

/// A set of one text.
pub fn set(text: &str) -> Definitions {
    let source = SourceText { name: "set.toml".into(), text: text.into() };
    Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"))
}

/// A set with two messages, one of which tells whose bus it is.
pub const TELLS_ITS_NUMBER: &str = r#"
format = 1
[bus.b]
protocol = "j1939"
bitrate = 250_000
[[message]]
name = "identity"
bus = "b"
id = 0x7A0
[[message.signal]]
name = "number"
lsb = "1.1"
bits = 16
unavailable = [0xFFFF]
fleet_number = true
[[message.example]]
data = "CC 00 00 00 00 00 00 00"
expect = { number = 204 }
[[message]]
name = "motion"
bus = "b"
id = 0x100
[[message.signal]]
name = "speed"
lsb = "1.1"
bits = 16
[[message.example]]
data = "01 00 00 00 00 00 00 00"
expect = { speed = 1 }
"#;

/// All frames of a capture file.
pub fn frames_in(path: &Path) -> Vec<Frame> {
    let mut capture = capture::open(path).unwrap();
    let mut block = FrameBlock::default();
    while capture.fill(&mut block, 1 << 20).unwrap() {}
    (0..block.len()).map(|index| block.frame(index)).collect()
}

/// The demo vehicle that loses its wire and whose battery gives up, an hour of it.
pub fn demo_207() -> &'static [Frame] {
    static FRAMES: OnceLock<Vec<Frame>> = OnceLock::new();
    FRAMES.get_or_init(|| frames_in(Path::new("demo-captures/2026-02-17/207.pcapng.zst")))
}

/// Some minutes of it, from so many minutes on.
pub fn minutes_from(from: f64, minutes: f64) -> Vec<Frame> {
    let all = demo_207();
    let from = all[0].time_us + (from * 60e6) as TimeUs;
    let until = from + (minutes * 60e6) as TimeUs;
    all.iter().filter(|frame| (from..until).contains(&frame.time_us)).copied().collect()
}

/// Some minutes in which the battery gives up twice and its manager's counter rolls over.
pub fn some_minutes(minutes: f64) -> Vec<Frame> {
    minutes_from(28.5, minutes)
}

pub fn shifted(frames: &[Frame], by_us: TimeUs) -> Vec<Frame> {
    frames.iter().map(|frame| Frame { time_us: frame.time_us + by_us, ..*frame }).collect()
}

pub fn write_capture(path: &Path, channels: &[Option<&str>], frames: &[Frame]) {
    let mut writer =
        open_writer(path, channels, Some(1)).unwrap_or_else(|_| open_writer(path, channels, None).unwrap());
    frames.iter().for_each(|frame| writer.write(frame).unwrap());
    writer.finish().unwrap().finish().unwrap();
}

/// What the demo's configuration says of clock and channels.
pub const CONFIGURATION: &str =
    "zone = \"Europe/Vienna\"\nday_starts = \"04:00\"\n[channels]\ncan0 = \"traction\"\ncan1 = \"body\"\n";

/// The same as the library takes it.
pub fn settings() -> Settings {
    let channels = [("can0", "traction"), ("can1", "body")];
    Settings {
        days: ServiceDays::new(TimeZone::get("Europe/Vienna").unwrap(), "04:00".parse::<Time>().unwrap()),
        vehicle: None,
        unknown_vehicle: "unknown".into(),
        vehicle_before: None,
        vins: Default::default(),
        channels: channels.into_iter().map(|(name, bus)| (name.to_owned(), bus.to_owned())).collect(),
        bus: None,
    }
}

/// A passing folder: in memory where the system has a place for that, because every filing syncs dozens of files.
pub fn folder() -> TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

/// A store in a folder that goes with it, and a place for captures beside it.
pub struct Yard {
    pub folder: TempDir,
    pub settings: Settings,
    pub places: Vec<Place>,
    store: Option<Store>,
}

impl Yard {
    pub fn new() -> Self {
        let folder = folder();
        let store = Store::open(&folder.path().join("store")).unwrap();
        Self { folder, settings: settings(), places: Vec::new(), store: Some(store) }
    }

    pub fn root(&self) -> PathBuf {
        self.folder.path().join("store")
    }

    pub fn store(&self) -> &Store {
        self.store.as_ref().unwrap()
    }

    /// Lets go of the store's lock.
    pub fn leave(&mut self) {
        self.store = None;
    }

    /// Opens the store again.
    pub fn enter(&mut self) {
        self.store = Some(Store::open(&self.root()).unwrap());
    }

    pub fn write(&self, name: &str, frames: &[Frame]) -> PathBuf {
        let path = self.folder.path().join(name);
        write_capture(&path, &CHANNELS, frames);
        path
    }

    pub fn try_file_by(&self, defs: &Definitions, path: &Path) -> Result<Outcome, FilingError> {
        let desk = Desk::new(self.store(), defs, &self.settings, &self.places);
        desk.file(path, &mut |_| {})
    }

    pub fn file_by(&self, defs: &Definitions, path: &Path) -> Outcome {
        self.try_file_by(defs, path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    }

    /// Files frames as one capture of the demo fleet.
    pub fn file(&self, name: &str, frames: &[Frame]) -> Outcome {
        self.file_by(velmora(), &self.write(name, frames))
    }

    pub fn close(&self) {
        self.store().close(&mut |_, _| {}).unwrap();
    }
}

/// Every file of a store and its bytes; the lock is no content.
pub fn snapshot(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders: Vec<PathBuf> = root.is_dir().then(|| root.to_owned()).into_iter().collect();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.file_name().unwrap() != "lock" {
                let name = path.strip_prefix(root).unwrap().to_string_lossy().into_owned();
                files.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// The first thing in which two stores differ, in words.
pub fn difference(one: &BTreeMap<String, Vec<u8>>, other: &BTreeMap<String, Vec<u8>>) -> Option<String> {
    for name in one.keys().chain(other.keys()) {
        match (one.get(name), other.get(name)) {
            (Some(a), Some(b)) if a == b => {}
            (Some(a), Some(b)) => return Some(format!("{name}: {} and {} bytes, which differ", a.len(), b.len())),
            (a, _) => return Some(format!("{name} is only in the {}", if a.is_some() { "first" } else { "second" })),
        }
    }
    None
}

/// All rows below a folder of the store as sorted text, `name=value` by column; nulls and `but` are left out.
pub fn rows_below(folder: &Path, but: &[&str]) -> Vec<String> {
    let mut rows = Vec::new();
    for name in snapshot(folder).into_keys().filter(|name| name.ends_with(".parquet")) {
        rows.append(&mut rows_of(&folder.join(name), but));
    }
    rows.sort();
    rows
}

pub fn rows_of(path: &Path, but: &[&str]) -> Vec<String> {
    let file = std::fs::File::open(path).unwrap();
    let reader = ParquetRecordBatchReaderBuilder::try_new(file)
        .unwrap_or_else(|error| panic!("{} cannot be read: {error}", path.display()))
        .build()
        .unwrap();
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.unwrap();
        let schema = batch.schema();
        for row in 0..batch.num_rows() {
            let mut text = String::new();
            for (field, column) in schema.fields().iter().zip(batch.columns()) {
                if column.is_valid(row) && !but.contains(&field.name().as_str()) {
                    text.push_str(&format!("{}={} ", field.name(), cell(column, row)));
                }
            }
            rows.push(text);
        }
    }
    rows
}

fn cell(column: &ArrayRef, row: usize) -> String {
    match column.data_type() {
        DataType::Timestamp(..) => column.as_primitive::<TimestampMicrosecondType>().value(row).to_string(),
        DataType::Date32 => column.as_primitive::<Date32Type>().value(row).to_string(),
        DataType::Float64 => format!("{:?}", column.as_primitive::<Float64Type>().value(row)),
        DataType::Float32 => format!("{:?}", column.as_primitive::<Float32Type>().value(row)),
        DataType::Int8 => column.as_primitive::<Int8Type>().value(row).to_string(),
        DataType::Int16 => column.as_primitive::<Int16Type>().value(row).to_string(),
        DataType::Int32 => column.as_primitive::<Int32Type>().value(row).to_string(),
        DataType::Int64 => column.as_primitive::<Int64Type>().value(row).to_string(),
        DataType::UInt8 => column.as_primitive::<UInt8Type>().value(row).to_string(),
        DataType::UInt16 => column.as_primitive::<UInt16Type>().value(row).to_string(),
        DataType::UInt32 => column.as_primitive::<UInt32Type>().value(row).to_string(),
        DataType::UInt64 => column.as_primitive::<UInt64Type>().value(row).to_string(),
        DataType::Boolean => column.as_boolean().value(row).to_string(),
        DataType::Utf8 => column.as_string::<i32>().value(row).to_owned(),
        DataType::Binary => format!("{:02x?}", column.as_binary::<i32>().value(row)),
        DataType::Dictionary(..) => {
            let words = column.as_dictionary::<Int32Type>();
            cell(words.values(), words.keys().value(row) as usize)
        }
        other => panic!("no column of the store is {other}"),
    }
}

/// The first line in which two lists of rows differ, in words.
pub fn rows_differ(one: &[String], other: &[String]) -> Option<String> {
    if let Some((a, b)) = one.iter().zip(other).find(|(a, b)| a != b) {
        return Some(format!("of {} and {} rows\n  {a}\nis not\n  {b}", one.len(), other.len()));
    }
    (one.len() != other.len()).then(|| format!("{} rows are not {}", one.len(), other.len()))
}

/// Asserts that two stores hold the same rows, file names apart.
pub fn assert_same_rows(one: &Path, other: &Path, what: &str) {
    for table in ["signals", "raw", "runs", "events", "bus_health", "message_health"] {
        let (a, b) = (rows_below(&one.join(table), &[]), rows_below(&other.join(table), &[]));
        if let Some(difference) = rows_differ(&a, &b) {
            panic!("{what}: {table}: {difference}");
        }
    }
}

/// A small generator that gives the same numbers for the same seed everywhere.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03)
    }

    pub fn word(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    pub fn below(&mut self, bound: usize) -> usize {
        (self.word() >> 33) as usize % bound
    }

    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for last in (1..list.len()).rev() {
            list.swap(last, self.below(last + 1));
        }
    }
}

/// The program, with nothing of the caller's environment that it heeds.
pub fn yardtap() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_yardtap"));
    command.env_remove("YARDTAP_DEFS").env_remove("RUST_LOG").env("NO_COLOR", "1").env("COLUMNS", "160");
    command
}

pub struct Told {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

pub fn told(output: Output) -> Told {
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
    Told { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

/// Runs the program to its end.
pub fn run(arguments: &[&str]) -> Told {
    told(yardtap().args(arguments).output().unwrap())
}

impl Told {
    /// Asserts the exit status, and that standard error has all parts.
    #[track_caller]
    pub fn expect(&self, code: i32, parts: &[&str]) -> &Self {
        assert_eq!(self.code, Some(code), "standard error:\n{}\nstandard output:\n{}", self.err, self.out);
        for part in parts {
            assert!(self.err.contains(part), "'{part}' is missing in\n{}", self.err);
        }
        self
    }
}
