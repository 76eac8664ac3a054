//! Trends that a few wild readings do not spoil.

mod crossing;
mod mann_kendall;
mod step;
mod theil_sen;
#[cfg(test)]
mod tests;

pub use crossing::{Crossing, Good, crossing, crossing_from};
pub use mann_kendall::{MannKendall, mann_kendall};
pub use step::{Step, step};
pub use theil_sen::{Slope, theil_sen};
