//! Questions over the whole fleet: which battery next; weather, work or battery; place, operator or vehicle; what
//! drifts to its limit.
//!
//! ```text
//!  store ──▶ engine (SQL) ─┐
//!                          ├─▶ one study a question ─▶ sheets, worklist ─▶ pages, CSV, PDF
//!  records ────────────────┘      (stats)
//! ```
//!
//! Every aggregate is SQL, so that the same plans can run elsewhere and anyone can ask again; only the statistics are
//! ours. `stats` is pure: numbers in, numbers out.

pub mod apart;
pub mod battery;
pub mod causes;
pub mod charging;
pub mod cold;
pub mod collectors;
pub mod drift;
pub mod due;
pub mod engine;
pub mod heat;
pub mod modules;
pub mod morning;
pub mod overhead;
pub mod pages;
pub mod places;
pub mod plan;
#[cfg(test)]
mod planted;
pub mod quality;
pub(crate) mod rates;
pub mod sheet;
pub(crate) mod shown;
pub(crate) mod span;
pub mod stats;
pub mod terms;
pub mod travel;
pub(crate) mod words;
pub mod worklist;

use crate::records::Records;
use engine::Engine;
use terms::Terms;

/// What a study works with.
#[derive(Clone, Copy)]
pub struct Question<'a> {
    /// Asks the store.
    pub engine: &'a Engine,
    /// What people wrote down.
    pub records: &'a Records,
    /// Which days, how many packs a year, and what the counters are called.
    pub terms: &'a Terms,
}

/// Why a question has no answer.
#[derive(Debug, thiserror::Error)]
pub enum FleetError {
    /// The engine could not answer.
    #[error("{query}: {why}")]
    Engine {
        /// Which query.
        query: String,
        /// Why, and what helps.
        why: String,
    },
    /// An answer has no such column, or one of another type.
    #[error("{query}: column '{column}' is missing, or not {expected}")]
    Column {
        /// Which query.
        query: String,
        /// The column.
        column: String,
        /// What was expected in it.
        expected: &'static str,
    },
    /// A store that cannot be read.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
    /// Who was given the rows could not take them.
    #[error("{0}")]
    Taken(std::io::Error),
    /// The engine's threads could not be started.
    #[error("starting the engine: {0}")]
    Start(std::io::Error),
}

impl FleetError {
    /// The same, of a query with a name.
    fn of(self, id: &str) -> Self {
        match self {
            Self::Engine { why, .. } => Self::Engine { query: id.to_owned(), why },
            other => other,
        }
    }
}
