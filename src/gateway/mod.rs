//! The service on a yard gateway: live buses and an inbox of captures → journal → store, for years.
//!
//! ```text
//!  interfaces ─▶ recorder ─▶ journal (pcapng, synced) ─▶ keeper ─▶ store
//!                   └─────▶ board (live values) ─▶ pages          ▲
//!  inbox ─────────────────────────────────────────────────────────┘
//!                                                        store ─▶ copier ─▶ second place
//! ```
//!
//! One recorder thread a tap, and one thread that writes its journal; one keeper thread, the only one that writes to
//! the store: filing, closing, retention. Nothing behind the journal can hold a recorder up.

pub mod boards;
mod clock;
pub mod copy;
pub mod inbox;
pub mod journal;
pub mod keeper;
pub mod link;
mod merge;
pub mod messages;
pub mod meter;
pub mod pages;
mod pipe;
pub mod recorder;
pub mod service;
pub mod socket;
pub mod status;
