//! What was typed. Opens nothing.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};

/// Turns what a trolleybus fleet's CAN buses say into per-run counters and daily Parquet files.
#[derive(Debug, Parser)]
#[command(name = "yardtap", version, arg_required_else_help = true, after_long_help = AFTER_HELP)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Tell more on standard error: -v what was decided, -vv all; RUST_LOG goes before it.
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    pub verbose: u8,
}

const AFTER_HELP: &str = "\
Examples:
  yardtap replay demo-captures                  file captures and show their runs
  yardtap runs --store yardtap-store --csv      the runs of a store, for a spreadsheet
  yardtap check signal-defs/velmora             check a definition set and run its examples
  yardtap explain 18FF1527 '70 17 FF FF FF FF FF FF' --defs signal-defs/velmora

Exit status:
  0  all was done
  1  it could not be done; standard error says why, where, and what helps
  2  the command line was not understood
  3  done, but something of the input was left out or damaged; standard error says what

yardtap listens and never sends. It advises where to look; it never says that equipment is safe, isolated or \
discharged. Overhead lines, roofs and filter capacitors kill: follow the agency's isolation procedure, local codes \
and licensed practice.";

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// File captures: decode them, count their runs, and write the daily files.
    #[command(after_long_help = "\
Examples:
  yardtap replay demo-captures
  yardtap replay inbox/ --defs signal-defs/velmora --store /srv/yardtap
  zstd -dc night.pcapng.zst | yardtap replay - --vehicle 204

A folder is walked, and files that are captures by their content are taken: pcap or pcapng of link type 227, plain, \
gzip or zstd. What was filed before is not counted twice. With a yardtap.toml in the folder, its settings are used.")]
    Replay(Replay),
    /// Show the runs that a store holds, with their counters.
    Runs(Runs),
    /// Check a definition set: every problem at once, and every example run.
    Check {
        /// Folder of the definition set.
        #[arg(value_hint = ValueHint::DirPath)]
        defs: PathBuf,
    },
    /// Draw a message's bits, or take a frame apart by hand.
    #[command(after_long_help = "\
Examples:
  yardtap explain line_input --defs signal-defs/velmora
  yardtap explain 18FF1527 '70 17 FF FF FF FF FF FF' --defs signal-defs/velmora")]
    Explain {
        /// A message's name, or an identifier in hexadecimal: up to 3 digits 11 bits, 8 digits 29 bits.
        what: String,
        /// Its data in hexadecimal, to be taken apart.
        data: Option<String>,
        /// Folder of the definition set.
        #[arg(short, long, value_hint = ValueHint::DirPath, env = "YARDTAP_DEFS")]
        defs: PathBuf,
        /// The bus, where an identifier means different messages on several.
        #[arg(long)]
        bus: Option<String>,
    },
    /// Take a census of captures: identifiers without a definition first, periods, bits that ever change.
    Census {
        /// Captures, folders of captures, or - for standard input.
        #[arg(required = true)]
        captures: Vec<PathBuf>,
        /// How they are understood.
        #[command(flatten)]
        meaning: Meaning,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Print a capture's frames as lines of text, or write them anew as pcapng.
    Frames {
        /// A capture, or - for standard input.
        capture: PathBuf,
        /// Write pcapng here (.gz and .zst are packed) instead of printing.
        #[arg(long, value_name = "FILE")]
        to: Option<PathBuf>,
    },
    /// Give frames back from a store as pcapng: a capture as it was filed, or a vehicle's span of time.
    #[command(after_long_help = "\
Examples:
  yardtap restore --store yardtap-store --list
  yardtap restore --store yardtap-store --capture 3f2a --to again.pcapng.zst
  yardtap restore --store yardtap-store --vehicle 204 --from 2026-02-10T06:00:00Z --until 2026-02-10T06:05:00Z --to clip.pcapng")]
    Restore(Restore),
    /// Merge the files of each service day into one a table, and summaries by month.
    Close {
        /// Folder of the store.
        #[arg(short, long, value_hint = ValueHint::DirPath)]
        store: PathBuf,
    },
    /// Run the service: record live buses, file them and the inbox's captures, close days, show pages.
    #[cfg(all(feature = "gateway", target_os = "linux"))]
    #[command(after_long_help = "\
Examples:
  yardtap gateway --config /etc/yardtap/yardtap.toml --check
  yardtap gateway --config /etc/yardtap/yardtap.toml

SIGTERM ends it, SIGHUP reads configuration and definitions anew. It never writes to a bus.")]
    Gateway {
        /// The configuration.
        #[arg(short, long, value_hint = ValueHint::FilePath, default_value = "/etc/yardtap/yardtap.toml")]
        config: PathBuf,
        /// Check configuration and definitions, and end.
        #[arg(long)]
        check: bool,
    },
    /// Ask a store by SQL, or list its tables.
    #[cfg(feature = "fleet")]
    #[command(after_long_help = "\
Examples:
  yardtap sql --tables
  yardtap sql \"SELECT vehicle, sum(distance) AS km FROM runs WHERE month = '2026-02' GROUP BY vehicle ORDER BY km DESC\"
  yardtap sql \"SELECT * FROM signals.line_input WHERE vehicle = '207' AND date = '2026-02-17'\" --to line.parquet
  yardtap sql - --as csv < question.sql

Tables are runs, events, bus_health, message_health, raw, signals.MESSAGE, and the records that people keep. Name a month \
(or, of signals and raw, a date) where you can: only its files are read. Names with a dot or a capital stand in double \
quotes, and so does \"end\". Times are UTC. Nothing is ever written to the store.")]
    Sql(Sql),
    /// Print what a running service tells of itself.
    #[command(after_long_help = "\
Examples:
  yardtap status
  yardtap status --at http://yard-gateway:8750 --json

Exit status: 3 where the service says that something is wrong.")]
    Status {
        /// Which service.
        #[command(flatten)]
        at: At,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Show live values of a running service in this terminal.
    #[command(after_long_help = "\
Examples:
  yardtap live
  yardtap live --tap bay-2 --who Ada

Keys: / filter, m mark with a note, space acknowledge a change, a acknowledge all that are shown, Tab which signals are \
shown, q or Esc leave. What is stale or has changed is told in words; with NO_COLOR set nothing is coloured.")]
    Live {
        /// Which service.
        #[command(flatten)]
        at: At,
        /// The tap; left out: the first.
        #[arg(long)]
        tap: Option<String>,
        /// Who sets marks; may be left out.
        #[arg(long, default_value = "")]
        who: String,
    },
    /// Ask the fleet's questions, and write the morning's pages: worklist, battery plan, overhead, readings and the rest.
    #[cfg(feature = "fleet")]
    #[command(after_long_help = "\
Examples:
  yardtap morning --store yardtap-store
  yardtap morning --config /etc/yardtap/yardtap.toml --to /var/lib/yardtap/morning
  yardtap morning --store yardtap-store --records records --day 2026-03-14 --to monday

The pages are plain files: open index.html, or name the folder as `morning` under [pages] to see them in the service's \
pages. They replace those of the day before in one step; a folder that holds anything else is left alone.

Exit status: 3 where a study failed, or something of the records was left out.")]
    Morning(Morning),
    /// Check the records that people keep, or write empty ones to begin with.
    #[cfg(feature = "fleet")]
    #[command(subcommand)]
    Records(Records),
    /// Simulate vehicle-days of an invented town, with the truth beside them.
    #[command(after_long_help = "\
Examples:
  yardtap simulate --to days --defs signal-defs/velmora --day 2026-02-10 --vehicle 207
  yardtap simulate --to year --defs signal-defs/velmora --year 2025
  yardtap simulate --to calm --defs signal-defs/velmora --year 2025 --healthy --seed 7")]
    Simulate(Simulate),
    /// Print the JSON Schema of definition files, for editors.
    Schema {
        /// Of the configuration file instead.
        #[arg(long)]
        configuration: bool,
    },
    /// Print a completion script for a shell.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Write manual pages into a folder.
    ManPages {
        /// The folder.
        #[arg(value_hint = ValueHint::DirPath)]
        folder: PathBuf,
    },
}

impl Command {
    /// Whether it is the service, which runs for years and tells of it.
    pub fn is_service(&self) -> bool {
        #[cfg(all(feature = "gateway", target_os = "linux"))]
        return matches!(self, Self::Gateway { check: false, .. });
        #[cfg(not(all(feature = "gateway", target_os = "linux")))]
        false
    }
}

/// Where a service's pages are.
#[derive(Debug, Args)]
pub struct At {
    /// Address of the service's pages.
    #[arg(long = "at", value_name = "URL", default_value = "http://127.0.0.1:8750", env = "YARDTAP_AT", value_hint = ValueHint::Url)]
    pub url: String,
}

/// How captures are understood.
#[derive(Debug, Args)]
pub struct Meaning {
    /// Configuration; left out: yardtap.toml beside the first capture, if there is one.
    #[arg(short, long, value_hint = ValueHint::FilePath)]
    pub config: Option<PathBuf>,
    /// Folder of the definition set; goes before the configuration's.
    #[arg(short, long, value_hint = ValueHint::DirPath, env = "YARDTAP_DEFS")]
    pub defs: Option<PathBuf>,
    /// Bus of channels whose name says nothing.
    #[arg(long)]
    pub bus: Option<String>,
}

/// Options of `replay`.
#[derive(Debug, Args)]
pub struct Replay {
    /// Captures, folders of captures, or - for standard input.
    #[arg(required = true)]
    pub captures: Vec<PathBuf>,
    /// How they are understood.
    #[command(flatten)]
    pub meaning: Meaning,
    /// Folder of the store; goes before the configuration's. Default: yardtap-store.
    #[arg(short, long, value_hint = ValueHint::DirPath)]
    pub store: Option<PathBuf>,
    /// The vehicle that the captures are of; left out: path or bus tell it.
    #[arg(long)]
    pub vehicle: Option<String>,
    /// Leave the days open: for scripts that file one capture after another and close once.
    #[arg(long)]
    pub leave_open: bool,
    /// Threads; the files do not depend on it. 0: as many as there are cores.
    #[arg(short, long, default_value_t = 0)]
    pub threads: usize,
    /// How the runs are shown.
    #[command(flatten)]
    pub shape: Shape,
}

/// Form of a table.
#[derive(Debug, Args, Clone, Copy)]
pub struct Shape {
    /// One JSON object a row.
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Comma-separated values with a heading.
    #[arg(long)]
    pub csv: bool,
}

/// Options of `runs`.
#[derive(Debug, Args)]
pub struct Runs {
    /// Folder of the store.
    #[arg(short, long, value_hint = ValueHint::DirPath)]
    pub store: PathBuf,
    /// Only this vehicle.
    #[arg(long)]
    pub vehicle: Option<String>,
    /// Only this service day.
    #[arg(long)]
    pub day: Option<jiff::civil::Date>,
    /// Another of the summary tables.
    #[arg(long, value_enum, default_value_t = Summary::Runs)]
    pub table: Summary,
    /// Its form.
    #[command(flatten)]
    pub shape: Shape,
}

/// Summary tables.
#[derive(Debug, Clone, Copy, ValueEnum, PartialEq, Eq)]
pub enum Summary {
    /// One row a run.
    Runs,
    /// One row an occurrence.
    Events,
    /// One row a bus and hour.
    BusHealth,
    /// One row a message and hour.
    MessageHealth,
}

/// Options of `sql`.
#[cfg(feature = "fleet")]
#[derive(Debug, Args)]
pub struct Sql {
    /// The question, or - for standard input.
    #[arg(required_unless_present = "tables")]
    pub sql: Option<String>,
    /// Folder of the store.
    #[arg(short, long, value_hint = ValueHint::DirPath, default_value = "yardtap-store")]
    pub store: PathBuf,
    /// Folder of the records that people keep; without, their tables are empty.
    #[arg(short, long, value_hint = ValueHint::DirPath)]
    pub records: Option<PathBuf>,
    /// List the tables, their columns, units and what they mean.
    #[arg(long, conflicts_with = "sql")]
    pub tables: bool,
    /// Form of the answer; left out: by the ending of FILE, else a table.
    #[arg(long = "as", value_enum, value_name = "FORM")]
    pub form: Option<Form>,
    /// Write to a file, whole or not at all.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub to: Option<PathBuf>,
    /// Memory that the question may take, in MiB; what wants more goes on in temporary files, as far as it can.
    #[arg(long, value_name = "MIB", default_value_t = 512)]
    pub memory: usize,
    /// Threads. 0: as many as there are cores.
    #[arg(short, long, default_value_t = 0)]
    pub threads: usize,
}

/// Forms of an answer.
#[cfg(feature = "fleet")]
#[derive(Debug, Clone, Copy, ValueEnum, PartialEq, Eq)]
pub enum Form {
    /// Aligned, for people.
    Table,
    /// Comma-separated values with a heading; NULL is empty.
    Csv,
    /// One JSON object a line.
    Json,
    /// Parquet, with the types as they are.
    Parquet,
}

/// Options of `restore`.
#[derive(Debug, Args)]
pub struct Restore {
    /// Folder of the store.
    #[arg(short, long, value_hint = ValueHint::DirPath)]
    pub store: PathBuf,
    /// List the captures that were filed.
    #[arg(long, conflicts_with_all = ["capture", "vehicle", "to"])]
    pub list: bool,
    /// A capture, by the beginning of its id or the end of its name.
    #[arg(long, conflicts_with = "vehicle")]
    pub capture: Option<String>,
    /// A vehicle.
    #[arg(long)]
    pub vehicle: Option<String>,
    /// First instant, such as 2026-02-10T06:00:00Z.
    #[arg(long, requires = "vehicle")]
    pub from: Option<jiff::Timestamp>,
    /// Last instant.
    #[arg(long, requires = "vehicle")]
    pub until: Option<jiff::Timestamp>,
    /// The pcapng file (.gz and .zst are packed), or - for standard output.
    #[arg(long, value_name = "FILE", required_unless_present = "list")]
    pub to: Option<PathBuf>,
}

/// Options of `morning`.
#[cfg(feature = "fleet")]
#[derive(Debug, Args)]
pub struct Morning {
    /// Folder of the store; goes before the configuration's.
    #[arg(short, long, value_hint = ValueHint::DirPath, required_unless_present = "config")]
    pub store: Option<PathBuf>,
    /// Folder of the records that people keep; goes before the configuration's.
    #[arg(short, long, value_hint = ValueHint::DirPath)]
    pub records: Option<PathBuf>,
    /// Configuration: the agency's clock, packs a year, names of counters.
    #[arg(short, long, value_hint = ValueHint::FilePath)]
    pub config: Option<PathBuf>,
    /// Folder that the pages go to.
    #[arg(long, value_name = "FOLDER", value_hint = ValueHint::DirPath, default_value = "yardtap-morning")]
    pub to: PathBuf,
    /// The service day that ended last; left out: the last that the store has and that is over.
    #[arg(long)]
    pub day: Option<jiff::civil::Date>,
}

/// What is done with records.
#[cfg(feature = "fleet")]
#[derive(Debug, Subcommand)]
pub enum Records {
    /// Check a folder of records: every problem by file, row and column, with what would be right.
    #[command(after_long_help = "\
Examples:
  yardtap records check /var/lib/yardtap/records
  yardtap records check --config /etc/yardtap/yardtap.toml
  yardtap records check records --json

Exit status: 3 where something is left out; warnings alone are 0.")]
    Check {
        /// Folder of the records; left out: the configuration's.
        #[arg(value_hint = ValueHint::DirPath, required_unless_present = "config")]
        folder: Option<PathBuf>,
        /// Configuration, which tells the agency's zone; left out: yardtap.toml in the folder or above it, if there is one.
        #[arg(short, long, value_hint = ValueHint::FilePath)]
        config: Option<PathBuf>,
        /// One JSON object a problem.
        #[arg(long)]
        json: bool,
    },
    /// Write an empty file of each kind, and a README that tells each column. What is there stays as it is.
    #[command(after_long_help = "\
Examples:
  yardtap records templates /var/lib/yardtap/records")]
    Templates {
        /// The folder; it is made where it is missing.
        #[arg(value_hint = ValueHint::DirPath)]
        folder: PathBuf,
    },
}

/// Options of `simulate`.
#[derive(Debug, Args)]
pub struct Simulate {
    /// Folder that the captures and truth.json go to.
    #[arg(long, value_hint = ValueHint::DirPath)]
    pub to: PathBuf,
    /// Folder of the definition set that encodes the frames.
    #[arg(short, long, value_hint = ValueHint::DirPath, env = "YARDTAP_DEFS")]
    pub defs: PathBuf,
    /// The same seed gives the same bytes.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Make the demo: three vehicles, cut to interesting hours. Left out: whole vehicle-days.
    #[arg(long, conflicts_with = "year")]
    pub demo: bool,
    /// Make a whole year without frames: a store of runs and events, records beside it, and truth.json.
    #[arg(long, value_name = "YEAR", value_parser = clap::value_parser!(i16).range(1971..=2500))]
    pub year: Option<i16>,
    /// Nothing is wrong anywhere in the year.
    #[arg(long, requires = "year")]
    pub healthy: bool,
    /// Vehicles of the fleet.
    #[arg(long, default_value_t = 60)]
    pub fleet: usize,
    /// Fleet numbers to be simulated; left out: all.
    #[arg(long = "vehicle", value_name = "NUMBER")]
    pub vehicles: Vec<String>,
    /// Service day.
    #[arg(long, default_value = "2026-02-10")]
    pub day: jiff::civil::Date,
}
