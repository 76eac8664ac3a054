//! All that a morning's questions found: sheets, worklist, and what each study says of each vehicle.

use jiff::ZonedDateTime;
use jiff::civil::Date;

use super::sheet::{Section, Sheet, WorkLine};

/// A morning's findings.
#[derive(Debug, Clone)]
pub struct Morning {
    /// The store, as it was named.
    pub store: String,
    /// First service day that was looked at.
    pub from: Option<Date>,
    /// The service day that ended last; none: the store is empty.
    pub until: Option<Date>,
    /// When it was made.
    pub made: ZonedDateTime,
    /// Definition sets that decoded what the store holds.
    pub definitions: Vec<DefinitionSet>,
    /// One a study, in the order of the pages.
    pub sheets: Vec<Sheet>,
    /// What to look at; what comes first costs most to leave.
    pub work: Vec<WorkLine>,
    /// Fleet number, and what the studies say of it.
    pub vehicles: Vec<(String, Vec<Section>)>,
}

/// A definition set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DefinitionSet {
    /// Its folder's name.
    pub name: String,
    /// Hash of its files.
    pub hash: String,
}
