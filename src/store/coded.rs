//! Column chunks of few different values: raw patterns in, Parquet pages out, without hashing a single value.
//!
//! The general writer finds each value's number in the dictionary by hashing it. A signal of up to 16 bits has its raw
//! pattern, which a table look-up turns into that number; measured, this made filing twice as fast (DEVELOPERS.md).
//! Page headers and everything around the pages remain the parquet crate's. Encoding: RLE_DICTIONARY in data pages of
//! version 2, as the Parquet format describes it (`Encodings.md`).

use std::cell::RefCell;

use crate::table::{CodeValue, Meaning};
use parquet::basic::{Compression, Encoding};
use parquet::column::page::{CompressedPage, Page, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::ColumnChunkMetaData;
use parquet::file::statistics::Statistics;
use parquet::file::writer::{SerializedPageWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;

/// Widest raw pattern.
pub const BITS_MAX: u8 = 16;
/// Rows of a page.
const PAGE_ROWS: usize = 16 * 1024;
/// A pattern that has no number yet.
const NONE: u32 = u32::MAX;
/// Repeats from which on a run is written as such.
const RUN_MIN: usize = 16;

/// One column chunk in the making.
pub struct CodedColumn {
    descriptor: ColumnDescPtr,
    meaning: Meaning,
    level: i32,
    /// Patterns by their number in the dictionary.
    dictionary: Vec<u16>,
    /// Numbers of the page at hand; of rows with a value only.
    numbers: Vec<u16>,
    /// Which rows of the page have a value; empty where all have.
    valid: Vec<bool>,
    page_rows: usize,
    pages: Vec<(CompressedPage, usize)>,
    rows: u64,
    nulls: u64,
    waiting_bytes: usize,
}

thread_local! {
    /// Number of each pattern, for the column at work; all [`NONE`] between columns.
    static NUMBERS: RefCell<Box<[u32; 1 << BITS_MAX]>> = RefCell::new(Box::new([NONE; 1 << BITS_MAX]));
    static PACKER: RefCell<Option<(i32, zstd::bulk::Compressor<'static>)>> = const { RefCell::new(None) };
}

impl CodedColumn {
    /// Begins a column chunk, packed with zstd at `level`.
    pub fn new(descriptor: ColumnDescPtr, meaning: Meaning, level: i32) -> Self {
        Self {
            descriptor,
            meaning,
            level,
            dictionary: Vec::new(),
            numbers: Vec::new(),
            valid: Vec::new(),
            page_rows: 0,
            pages: Vec::new(),
            rows: 0,
            nulls: 0,
            waiting_bytes: 0,
        }
    }

    /// Memory that waits for the chunk's end, in bytes.
    pub fn waiting_bytes(&self) -> usize {
        self.waiting_bytes + 2 * (self.dictionary.len() + self.numbers.len())
    }

    /// Appends rows. Patterns must be below the column's width; where `valid` says no, they mean nothing.
    ///
    /// # Errors
    /// A page cannot be packed.
    pub fn write(&mut self, patterns: &[u16], valid: Option<&[bool]>) -> Result<()> {
        let mut start = 0;
        while start < patterns.len() {
            let end = patterns.len().min(start + PAGE_ROWS - self.page_rows);
            self.take(&patterns[start..end], valid.map(|valid| &valid[start..end]));
            if self.page_rows == PAGE_ROWS {
                self.end_page()?;
            }
            start = end;
        }
        Ok(())
    }

    fn take(&mut self, patterns: &[u16], valid: Option<&[bool]>) {
        NUMBERS.with_borrow_mut(|known| {
            for (number, pattern) in self.dictionary.iter().enumerate() {
                known[usize::from(*pattern)] = number as u32;
            }
            let dictionary = &mut self.dictionary;
            let mut number_of = |pattern: u16| {
                let number = known[usize::from(pattern)];
                if number != NONE {
                    return number as u16;
                }
                // At most 65,536 patterns, so that the last number is 65,535.
                let number = dictionary.len() as u32;
                dictionary.push(pattern);
                known[usize::from(pattern)] = number;
                number as u16
            };
            match valid {
                None => {
                    self.numbers.extend(patterns.iter().map(|pattern| number_of(*pattern)));
                    if !self.valid.is_empty() {
                        self.valid.resize(self.page_rows + patterns.len(), true);
                    }
                }
                Some(valid) => {
                    self.valid.resize(self.page_rows, true);
                    self.valid.extend_from_slice(valid);
                    let with_value = patterns.iter().zip(valid).filter(|(_, valid)| **valid);
                    self.numbers.extend(with_value.map(|(pattern, _)| number_of(*pattern)));
                }
            }
            for pattern in &self.dictionary {
                known[usize::from(*pattern)] = NONE;
            }
        });
        self.page_rows += patterns.len();
    }

    fn end_page(&mut self) -> Result<()> {
        if self.page_rows == 0 {
            return Ok(());
        }
        let mut body = Vec::new();
        if self.descriptor.max_def_level() > 0 {
            if self.valid.is_empty() {
                run(&mut body, 1, 1, self.page_rows);
            } else {
                let levels: Vec<u16> = self.valid.iter().map(|valid| u16::from(*valid)).collect();
                hybrid(&mut body, &levels, 1);
            }
        }
        let level_bytes = body.len();
        let highest = self.dictionary.len().saturating_sub(1) as u32;
        let width = (u32::BITS - highest.leading_zeros()).max(1);
        let mut values = vec![width as u8];
        hybrid(&mut values, &self.numbers, width);
        let plain_bytes = level_bytes + values.len();
        let packed = pack(&values, self.level)?;
        let is_compressed = packed.len() < values.len();
        body.extend_from_slice(if is_compressed { &packed } else { &values });
        let nulls = self.page_rows - self.numbers.len();
        self.waiting_bytes += body.len();
        let page = Page::DataPageV2 {
            buf: body.into(),
            num_values: self.page_rows as u32,
            encoding: Encoding::RLE_DICTIONARY,
            num_nulls: nulls as u32,
            num_rows: self.page_rows as u32,
            def_levels_byte_len: level_bytes as u32,
            rep_levels_byte_len: 0,
            is_compressed,
            statistics: None,
        };
        self.pages.push((CompressedPage::new(page, plain_bytes), self.page_rows));
        self.rows += self.page_rows as u64;
        self.nulls += nulls as u64;
        self.page_rows = 0;
        self.numbers.clear();
        self.valid.clear();
        Ok(())
    }

    /// Ends the chunk, gives its bytes and what is to be said of them, and begins the next one.
    ///
    /// # Errors
    /// A page cannot be packed or laid out.
    pub fn finish(&mut self) -> Result<(bytes::Bytes, ColumnCloseResult)> {
        self.end_page()?;
        let values: Vec<CodeValue> = self.dictionary.iter().map(|pattern| (self.meaning)(*pattern)).collect();
        let mut plain = Vec::new();
        for value in &values {
            match value {
                CodeValue::Real(real) => plain.extend_from_slice(&real.to_le_bytes()),
                CodeValue::Whole(whole) => plain.extend_from_slice(&whole.to_le_bytes()),
                CodeValue::Text(text) => {
                    plain.extend_from_slice(&(text.len() as u32).to_le_bytes());
                    plain.extend_from_slice(text.as_bytes());
                }
            }
        }
        let plain_bytes = plain.len();
        let packed = pack(&plain, self.level)?;
        let dictionary = Page::DictionaryPage {
            buf: packed.into(),
            num_values: values.len() as u32,
            encoding: Encoding::PLAIN,
            is_sorted: false,
        };
        let mut sink = TrackedWrite::new(Vec::new());
        let mut writer = SerializedPageWriter::new(&mut sink);
        let first = writer.write_page(CompressedPage::new(dictionary, plain_bytes))?;
        let (mut plain_sum, mut packed_sum) = (first.uncompressed_size as i64, first.compressed_size as i64);
        let mut data_offset = None;
        for (page, _) in self.pages.drain(..) {
            let spec = writer.write_page(page)?;
            plain_sum += spec.uncompressed_size as i64;
            packed_sum += spec.compressed_size as i64;
            data_offset.get_or_insert(spec.offset as i64);
        }
        writer.close()?;
        let metadata = ColumnChunkMetaData::builder(self.descriptor.clone())
            .set_compression(Compression::ZSTD(Default::default()))
            .set_encodings(vec![Encoding::PLAIN, Encoding::RLE, Encoding::RLE_DICTIONARY])
            .set_num_values(self.rows as i64)
            .set_total_uncompressed_size(plain_sum)
            .set_total_compressed_size(packed_sum)
            .set_dictionary_page_offset(Some(first.offset as i64))
            .set_data_page_offset(data_offset.unwrap_or(first.bytes_written as i64))
            .set_statistics(statistics(&values, self.nulls))
            .build()?;
        let bytes = bytes::Bytes::from(sink.into_inner()?);
        let close = ColumnCloseResult {
            bytes_written: bytes.len() as u64,
            rows_written: self.rows,
            metadata,
            bloom_filter: None,
            column_index: None,
            offset_index: None,
        };
        self.dictionary.clear();
        (self.rows, self.nulls, self.waiting_bytes) = (0, 0, 0);
        Ok((bytes, close))
    }
}

/// Lowest and highest value, from the dictionary alone. Zero bounds are given the sign that includes both zeros.
fn statistics(values: &[CodeValue], nulls: u64) -> Statistics {
    let nulls = Some(nulls);
    match values.first() {
        Some(CodeValue::Text(_)) => {
            let texts = values.iter().filter_map(|value| match value {
                CodeValue::Text(text) => Some(text.as_str()),
                _ => None,
            });
            let bound = |text: Option<&str>| text.map(ByteArray::from);
            Statistics::byte_array(bound(texts.clone().min()), bound(texts.max()), None, nulls, false)
        }
        Some(CodeValue::Whole(_)) => {
            let wholes = values.iter().filter_map(|value| match value {
                CodeValue::Whole(whole) => Some(*whole),
                _ => None,
            });
            Statistics::int32(wholes.clone().min(), wholes.max(), None, nulls, false)
        }
        _ => {
            let reals = values.iter().filter_map(|value| match value {
                CodeValue::Real(real) => Some(*real),
                _ => None,
            });
            let low = reals.clone().min_by(f64::total_cmp).map(|low| if low == 0.0 { -0.0 } else { low });
            let high = reals.max_by(f64::total_cmp).map(|high| if high == 0.0 { 0.0 } else { high });
            Statistics::double(low, high, None, nulls, false)
        }
    }
}

fn pack(bytes: &[u8], level: i32) -> Result<Vec<u8>> {
    let failed = |error| ParquetError::External(Box::new(error));
    PACKER.with_borrow_mut(|packer| {
        let packer = match packer {
            Some((of, packer)) if *of == level => packer,
            _ => &mut packer.insert((level, zstd::bulk::Compressor::new(level).map_err(failed)?)).1,
        };
        packer.compress(bytes).map_err(failed)
    })
}

/// Parquet's mixture of runs and bit-packed groups of eight.
fn hybrid(out: &mut Vec<u8>, numbers: &[u16], width: u32) {
    let mut packed_from = 0;
    let mut at = 0;
    while at < numbers.len() {
        let value = numbers[at];
        let repeats = numbers[at..].iter().take_while(|number| **number == value).count();
        // What is packed before a run fills its last group from the run itself.
        let filling = (8 - (at - packed_from) % 8) % 8;
        if repeats >= RUN_MIN + filling {
            groups(out, &numbers[packed_from..at + filling], width);
            run(out, value, width, repeats - filling);
            packed_from = at + repeats;
        }
        at += repeats;
    }
    groups(out, &numbers[packed_from..], width);
}

fn run(out: &mut Vec<u8>, value: u16, width: u32, repeats: usize) {
    varint(out, (repeats as u64) << 1);
    out.extend_from_slice(&value.to_le_bytes()[..width.div_ceil(8) as usize]);
}

fn groups(out: &mut Vec<u8>, numbers: &[u16], width: u32) {
    if numbers.is_empty() {
        return;
    }
    let groups = numbers.len().div_ceil(8);
    varint(out, (groups as u64) << 1 | 1);
    let end = out.len() + groups * width as usize;
    out.reserve(groups * width as usize + 8);
    let mut bits: u64 = 0;
    let mut filled = 0;
    for number in numbers {
        bits |= u64::from(*number) << filled;
        filled += width;
        if filled >= 32 {
            out.extend_from_slice(&(bits as u32).to_le_bytes());
            bits >>= 32;
            filled -= 32;
        }
    }
    out.extend_from_slice(&bits.to_le_bytes());
    out.resize(end, 0);
}

fn varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}
