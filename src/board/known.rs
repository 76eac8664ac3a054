//! What somebody who watches a board knows: updates in, rows in the order in which they are shown out.

use super::told::{Head, Row, Update};

/// Everything that was told so far.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Known {
    /// The last update, without its rows and heads.
    pub last: Option<Update>,
    /// What each row is.
    pub heads: Vec<Head>,
    /// What each row says.
    pub rows: Vec<Row>,
    /// Rows as they are shown.
    pub order: Vec<usize>,
    /// What a filter looks at, by row.
    texts: Vec<String>,
}

/// An update does not go on from what is known: everything is to be asked for anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("an update was missed")]
pub struct Missed;

impl Known {
    /// Takes an update.
    ///
    /// # Errors
    /// It does not go on from what is known.
    pub fn take(&mut self, mut update: Update) -> Result<(), Missed> {
        let goes_on = |last: &Update| last.generation == update.generation && update.since <= last.sequence;
        if update.since == 0 {
            *self = Self::default();
        } else if !self.last.as_ref().is_some_and(goes_on) {
            return Err(Missed);
        }
        if update.first_head > self.heads.len() {
            return Err(Missed);
        }
        let (heads, rows) = (std::mem::take(&mut update.heads), std::mem::take(&mut update.rows));
        if !heads.is_empty() {
            self.heads.truncate(update.first_head);
            self.texts.truncate(update.first_head);
            self.texts.extend(heads.iter().map(|head| format!("{} {}", head.path(), head.sender()).to_lowercase()));
            self.heads.extend(heads);
            self.order = (0..self.heads.len()).collect();
            self.order.sort_by_key(|row| (self.heads[*row].place, self.heads[*row].source, *row));
            self.rows.resize_with(self.heads.len(), Row::default);
        }
        for row in rows {
            let place = row.row as usize;
            *self.rows.get_mut(place).ok_or(Missed)? = row;
        }
        self.last = Some(update);
        Ok(())
    }

    /// How many rows have changes that nobody has acknowledged.
    pub fn marked(&self) -> usize {
        self.rows.iter().filter(|row| row.marked.is_some()).count()
    }

    /// Whether all words occur in the row's name, bus or sender; in small letters.
    pub fn matches(&self, row: usize, words: &[&str]) -> bool {
        self.texts.get(row).is_some_and(|text| words.iter().all(|word| text.contains(word)))
    }
}
