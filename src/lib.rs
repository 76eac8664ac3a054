//! yardtap: what a trolleybus fleet's CAN buses say, as daily Parquet files and per-run counters.
//!
//! ```text
//!  capture ─▶ frames ─▶ vehicle & bus ─▶ decode ─┬─▶ signals, raw ─┐
//!                                       (defs)   └─▶ runs, events ─┴─▶ store
//! ```
//!
//! One direction, no way back. Modules stand in the order in which a frame meets them.

pub mod bits;
pub mod census;
pub mod decode;
pub mod defs;
pub mod explain;
pub mod frame;
pub mod health;
pub mod j1939;
pub mod table;
pub mod wire;
