//! Counts on their causes: a Poisson regression, and one whose factors' effects are shrunk.

mod explore;
mod glm;
mod laplace;
mod mixed;
#[cfg(test)]
mod tests;

pub use glm::{Glm, glm};
pub use mixed::{Estimate, Factor, Mixed, Row, Why, mixed};
