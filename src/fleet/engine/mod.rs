//! The SQL engine over a store: the tables declared in one place, and answers by column.

use std::path::Path;

use datafusion::arrow::array::RecordBatch;

use super::FleetError;
use super::sheet::Query;
use crate::records::Records;

/// Answers SQL over a store and the records.
pub struct Engine {}

/// The rows of an answer, by column name.
#[derive(Debug)]
pub struct Answer {
    /// Which query it answers.
    pub query: String,
    /// As they came.
    pub batches: Vec<RecordBatch>,
}

impl Engine {
    /// Opens a store for reading, and declares its tables and those of the records.
    ///
    /// # Errors
    /// The store cannot be read, or the engine not be started.
    pub fn open(store: &Path, records: &Records) -> Result<Self, FleetError> {
        let _ = (store, records);
        Ok(Self {})
    }

    /// Asks.
    ///
    /// # Errors
    /// The engine cannot answer.
    pub fn ask(&self, query: &Query) -> Result<Answer, FleetError> {
        let _ = query;
        unimplemented!()
    }

    /// Whether the store has a table, and a column in it. A study asks before it names a counter.
    pub fn has(&self, table: &str, column: &str) -> bool {
        let _ = (table, column);
        unimplemented!()
    }
}

impl Answer {
    /// How many rows.
    pub fn rows(&self) -> usize {
        self.batches.iter().map(RecordBatch::num_rows).sum()
    }

    /// A column as numbers, whatever numeric type it has; NULL is none. Dates are days since 1970-01-01, times are
    /// microseconds, flags 0 and 1.
    ///
    /// # Errors
    /// There is none, or it is no number.
    pub fn numbers(&self, column: &str) -> Result<Vec<Option<f64>>, FleetError> {
        let _ = column;
        unimplemented!()
    }

    /// A column as text; NULL is none.
    ///
    /// # Errors
    /// There is none, or it is no text.
    pub fn texts(&self, column: &str) -> Result<Vec<Option<String>>, FleetError> {
        let _ = column;
        unimplemented!()
    }
}
