//! The system's clock. Rows are by the frames' own time; this one is for scheduling, and for what the service tells.

use std::time::{SystemTime, UNIX_EPOCH};

use crate::frame::TimeUs;

/// Now, µs. A clock before 1970 is one that was never set, and gives 0.
pub(super) fn now_us() -> TimeUs {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    TimeUs::try_from(since.as_micros()).unwrap_or(TimeUs::MAX)
}
