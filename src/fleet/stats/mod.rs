//! The mathematics of the fleet: numbers in, numbers out. Does not know vehicles, tables or files.
//!
//! Nothing here panics: what cannot be reckoned is `None`, and what is returned is finite. Standard errors and
//! intervals are those of the source each file names; `level` is the probability an interval shall cover, 0.9 say.

pub mod chance;
pub mod cluster;
pub mod exact;
pub mod gamma_poisson;
pub mod geodesy;
pub mod linear;
pub mod optical;
pub mod poisson;
pub mod rank;
pub mod trend;
