//! A request to end, that long work looks at between its steps.

use std::sync::atomic::{AtomicBool, Ordering};

/// A request to end, seen by all threads that hold it.
#[derive(Debug, Default)]
pub struct Stop(AtomicBool);

impl Stop {
    /// Asks all to end.
    pub fn set(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    /// Whether all are asked to end.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}
