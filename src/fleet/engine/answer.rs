//! What the engine answers, by column.

use datafusion::arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use datafusion::arrow::compute::cast;
use datafusion::arrow::datatypes::{DataType, Date32Type, Float64Type, Int64Type, TimeUnit};
use jiff::civil::{Date, date};

use crate::fleet::FleetError;

/// The rows of an answer, by column name.
#[derive(Debug)]
pub struct Answer {
    /// Which query it answers.
    pub query: String,
    /// As they came.
    pub batches: Vec<RecordBatch>,
}

impl Answer {
    /// How many rows.
    pub fn rows(&self) -> usize {
        self.batches.iter().map(RecordBatch::num_rows).sum()
    }

    /// A column as numbers, whatever numeric type it has; NULL is none, and so is what is infinite or not a number (0 / 0).
    /// Dates are days since 1970-01-01, times are microseconds, flags 0 and 1.
    ///
    /// # Errors
    /// There is none, or it is no number.
    pub fn numbers(&self, column: &str) -> Result<Vec<Option<f64>>, FleetError> {
        self.of(column, "a number", &mut |array| {
            let array = match array.data_type() {
                DataType::Date32 => cast(array, &DataType::Int32).ok()?,
                DataType::Timestamp(_, zone) => {
                    let us = cast(array, &DataType::Timestamp(TimeUnit::Microsecond, zone.clone())).ok()?;
                    cast(&us, &DataType::Int64).ok()?
                }
                DataType::Boolean | DataType::Null => array.clone(),
                other if other.is_numeric() => array.clone(),
                _ => return None,
            };
            let numbers = cast(&array, &DataType::Float64).ok()?;
            let numbers = numbers.as_primitive::<Float64Type>();
            Some(numbers.iter().map(|number| number.filter(|number| number.is_finite())).collect())
        })
    }

    /// A column of whole numbers; NULL is none.
    ///
    /// # Errors
    /// There is none, or it is of another type, or a number lies beyond 64 bits.
    pub fn counts(&self, column: &str) -> Result<Vec<Option<i64>>, FleetError> {
        self.of(column, "a whole number", &mut |array| {
            if !array.data_type().is_integer() && *array.data_type() != DataType::Null {
                return None;
            }
            let counts = cast(array, &DataType::Int64).ok()?;
            if counts.null_count() != array.logical_null_count() {
                return None;
            }
            Some(counts.as_primitive::<Int64Type>().iter().collect())
        })
    }

    /// A column as text; NULL is none.
    ///
    /// # Errors
    /// There is none, or it is no text.
    pub fn texts(&self, column: &str) -> Result<Vec<Option<String>>, FleetError> {
        self.of(column, "text", &mut |array| {
            let is_text = match array.data_type() {
                DataType::Dictionary(_, values) => values.is_string(),
                other => other.is_string() || *other == DataType::Null,
            };
            if !is_text {
                return None;
            }
            let texts = cast(array, &DataType::Utf8).ok()?;
            Some(texts.as_string::<i32>().iter().map(|text| text.map(str::to_owned)).collect())
        })
    }

    /// A column of days; NULL is none.
    ///
    /// # Errors
    /// There is none, or it is of another type.
    pub fn days(&self, column: &str) -> Result<Vec<Option<Date>>, FleetError> {
        self.of(column, "a day", &mut |array| {
            if !matches!(
                array.data_type(),
                DataType::Date32 | DataType::Date64 | DataType::Timestamp(..) | DataType::Null
            ) {
                return None;
            }
            let days = cast(array, &DataType::Date32).ok()?;
            let day = |days: i32| date(1970, 1, 1).checked_add(jiff::Span::new().try_days(days).ok()?).ok();
            Some(days.as_primitive::<Date32Type>().iter().map(|days| days.and_then(day)).collect())
        })
    }

    fn of<T>(
        &self,
        column: &str,
        expected: &'static str,
        values: &mut dyn FnMut(&ArrayRef) -> Option<Vec<T>>,
    ) -> Result<Vec<T>, FleetError> {
        let mut all = Vec::with_capacity(self.rows());
        for batch in &self.batches {
            let found = batch.column_by_name(column).and_then(&mut *values);
            let wrong = || FleetError::Column { query: self.query.clone(), column: column.to_owned(), expected };
            all.extend(found.ok_or_else(wrong)?);
        }
        Ok(all)
    }
}
