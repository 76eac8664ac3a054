//! Explains definitions to the person who writes them: a message's bits as a grid, and a frame taken apart by hand.
//!
//! Pure. Definitions and a few words typed by somebody in, text or serialisable structures out.

mod grid;
mod taken_apart;
#[cfg(test)]
mod tests;
mod text;

pub use grid::grid;
pub use taken_apart::{ExplainError, Reading, SignalReading, TakenApart, UncoveredByte, Width, take_apart};
