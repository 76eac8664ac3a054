//! Counts on their causes: a Poisson regression, and one whose factors' effects are shrunk.

mod glm;
mod mixed;

pub use glm::{Glm, glm};
pub use mixed::{Estimate, Factor, Mixed, Row, Why, mixed};
