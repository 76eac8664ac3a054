//! yardtap: what a trolleybus fleet's CAN buses say, as daily Parquet files and per-run counters.
//!
//! ```text
//!  capture ─▶ frames ─▶ vehicle & bus ─▶ decode ─┬─▶ signals, raw ─┐
//!                                       (defs)   └─▶ runs, events ─┴─▶ store
//! ```
//!
//! One direction, no way back. Modules stand in the order in which a frame meets them.

pub mod stop;
pub mod frame;
pub mod capture;
pub mod j1939;
pub mod identity;
pub mod day;
pub mod bits;
pub mod defs;
pub mod decode;
pub mod run;
pub mod wire;
pub mod health;
pub mod table;
pub mod durable;
pub mod store;
pub mod overhead;
pub mod filing;
pub mod census;
pub mod explain;
pub mod board;
pub mod snapshot;
pub mod terminal;
pub mod simulate;
pub mod report;
pub mod settings;
#[cfg(feature = "fleet")]
pub mod records;
#[cfg(feature = "fleet")]
pub mod fleet;
#[cfg(all(feature = "gateway", target_os = "linux"))]
pub mod gateway;
pub mod cli;
pub mod cmd;
