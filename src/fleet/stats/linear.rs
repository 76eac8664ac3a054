//! Straight-line models: ordinary least squares, and a robust fit with group effects.
//!
//! No constant is added: a model that shall have one gets a column of ones.

mod ordinary;
mod robust;
mod start;
mod within;
#[cfg(test)]
mod tests;

pub use ordinary::{Linear, ordinary};
pub use robust::{Effect, Robust, robust};
