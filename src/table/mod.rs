//! The contract of the daily files: every table's columns, types, units and order.
//!
//! Values in, record batches out, and back. Does not know files.

pub mod health;
pub mod raw;
pub mod runs;
pub mod signals;

use std::sync::Arc;

use arrow_array::types::Int32Type;
use arrow_array::{ArrayRef, BinaryArray, DictionaryArray, Int32Array, StringArray};
use arrow_schema::{DataType, Field, TimeUnit};

/// Version of the tables and of the store's layout.
pub const STORE_FORMAT: u32 = 1;

/// Key of a field's UCUM code in its metadata.
pub const UNIT_KEY: &str = "unit";
/// Key of a field's description in its metadata.
pub const ABOUT_KEY: &str = "about";

/// A column's rows on their way to a file.
pub enum ColumnData {
    /// As they are.
    Array(ArrayRef),
    /// By raw patterns, which the file's [`Meaning`] of the column explains, and which rows have a value.
    Codes(Vec<u16>, Option<Vec<bool>>),
}

/// What a raw pattern stands for.
#[derive(Debug, Clone, PartialEq)]
pub enum CodeValue {
    /// A double.
    Real(f64),
    /// A whole number.
    Whole(i32),
    /// Text.
    Text(String),
}

/// What each pattern of a column stands for.
pub type Meaning = Arc<dyn Fn(u16) -> CodeValue + Send + Sync>;

/// UTC microseconds.
pub fn time_type() -> DataType {
    DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()))
}

/// Text of few different values.
pub fn word_type() -> DataType {
    DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8))
}

/// A field with its unit and description in its metadata, where there are any.
pub fn field(name: &str, data_type: DataType, nullable: bool, unit: &str, about: &str) -> Field {
    let entries = [(UNIT_KEY, unit), (ABOUT_KEY, about)];
    let metadata = entries.iter().filter(|(_, text)| !text.is_empty()).map(|(k, v)| ((*k).to_owned(), (*v).to_owned()));
    Field::new(name, data_type, nullable).with_metadata(metadata.collect())
}

/// The same word in every row.
pub fn same_word(word: &str, rows: usize) -> ArrayRef {
    let keys = Int32Array::from(vec![0; rows]);
    // One value, and every key is 0.
    let words = Arc::new(StringArray::from(vec![word]));
    Arc::new(DictionaryArray::<Int32Type>::new(keys, words))
}

/// Text at some rows, nothing at the others; `at` rises.
pub fn sparse_text(at: &[(usize, String)], rows: usize) -> ArrayRef {
    if at.is_empty() {
        return Arc::new(StringArray::new_null(rows));
    }
    let mut texts = vec![None; rows];
    for (row, text) in at {
        texts[*row] = Some(text.as_str());
    }
    Arc::new(StringArray::from(texts))
}

/// Bytes at some rows, nothing at the others; `at` rises.
pub fn sparse_bytes(at: &[(usize, Vec<u8>)], rows: usize) -> ArrayRef {
    if at.is_empty() {
        return Arc::new(BinaryArray::new_null(rows));
    }
    let mut texts = vec![None; rows];
    for (row, bytes) in at {
        texts[*row] = Some(bytes.as_slice());
    }
    Arc::new(BinaryArray::from(texts))
}
