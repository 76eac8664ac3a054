//! One Parquet file of a table: written to the end under a passing name, then synced.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::RecordBatch;
use arrow_schema::{DataType, SchemaRef};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties, WriterVersion};
use parquet::schema::types::ColumnPath;

use super::error::{StoreError, io_error, parquet_error};

/// Rows of a row group: small enough that a vehicle's day is several, so that readers can pass over some.
pub const ROW_GROUP_ROWS: usize = 128 * 1024;
/// Rows handed to the encoder at once. Fixed, so that the same rows give the same bytes however they came.
pub const CHUNK_ROWS: usize = 8 * 1024;
/// Bytes of a dictionary: 65,536 different f64, as many as a 16-bit signal has.
const DICTIONARY_BYTES_MAX: usize = 512 * 1024 + 1024;

/// How a column is encoded. Measured over a capture of 20 million frames; DEVELOPERS.md has the figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Packing {
    /// Different values once, then their numbers.
    Dictionary,
    /// Differences between neighbours.
    Delta,
    /// First bytes of all values, then second bytes, and so on.
    Split,
    /// As they are.
    Plain,
}

/// A column's packing where the table says nothing else.
pub fn packing_of(data_type: &DataType) -> Packing {
    match data_type {
        DataType::Timestamp(..) | DataType::Int64 | DataType::UInt64 | DataType::Int32 | DataType::UInt32 => {
            Packing::Delta
        }
        DataType::Boolean => Packing::Plain,
        _ => Packing::Dictionary,
    }
}

/// How a file's columns are encoded, and what its footer says.
pub fn properties(schema: &SchemaRef, packing: &[Packing], footer: &[(&str, String)]) -> WriterProperties {
    let level = ZstdLevel::try_new(1).unwrap_or_default();
    let pairs = footer.iter().map(|(key, value)| KeyValue::new((*key).to_owned(), value.clone()));
    let mut builder = WriterProperties::builder()
        .set_created_by(concat!("yardtap ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_writer_version(WriterVersion::PARQUET_2_0)
        .set_compression(Compression::ZSTD(level))
        .set_max_row_group_row_count(Some(ROW_GROUP_ROWS))
        .set_dictionary_page_size_limit(DICTIONARY_BYTES_MAX)
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_key_value_metadata(Some(pairs.collect()));
    for (field, packing) in schema.fields().iter().zip(packing) {
        let path = ColumnPath::from(field.name().as_str());
        builder = match packing {
            Packing::Dictionary => builder.set_column_dictionary_enabled(path, true),
            Packing::Delta => builder
                .set_column_dictionary_enabled(path.clone(), false)
                .set_column_encoding(path, Encoding::DELTA_BINARY_PACKED),
            Packing::Split => builder
                .set_column_dictionary_enabled(path.clone(), false)
                .set_column_encoding(path, Encoding::BYTE_STREAM_SPLIT),
            Packing::Plain => builder.set_column_dictionary_enabled(path, false),
        };
    }
    builder.build()
}

/// A file being written.
pub struct TableFile {
    path: PathBuf,
    writer: ArrowWriter<CountedFile>,
    rows: u64,
}

/// A file that was written and synced.
#[derive(Debug, Clone)]
pub struct Written {
    /// Where it lies.
    pub path: PathBuf,
    /// Its rows.
    pub rows: u64,
    /// Its size.
    pub bytes: u64,
}

impl TableFile {
    /// Begins a file.
    ///
    /// # Errors
    /// It cannot be created.
    pub fn create(path: PathBuf, schema: &SchemaRef, properties: WriterProperties) -> Result<Self, StoreError> {
        let file = File::create(&path).map_err(io_error(&path, "creating"))?;
        let out = CountedFile { file: io::BufWriter::with_capacity(64 * 1024, file), bytes: 0 };
        let writer = ArrowWriter::try_new(out, Arc::clone(schema), Some(properties)).map_err(parquet_error(&path))?;
        Ok(Self { path, writer, rows: 0 })
    }

    /// Appends rows.
    ///
    /// # Errors
    /// They cannot be written.
    pub fn write(&mut self, batch: &RecordBatch) -> Result<(), StoreError> {
        self.rows += batch.num_rows() as u64;
        self.writer.write(batch).map_err(parquet_error(&self.path))
    }

    /// Memory that waits to become a row group, in bytes.
    pub fn waiting_bytes(&self) -> usize {
        self.writer.memory_size()
    }

    /// Ends the row group at hand, to free its memory.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_row_group(&mut self) -> Result<(), StoreError> {
        self.writer.flush().map_err(parquet_error(&self.path))
    }

    /// Where it is being written.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the footer and syncs the file to its medium.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn finish(self) -> Result<Written, StoreError> {
        let out = self.writer.into_inner().map_err(parquet_error(&self.path))?;
        let bytes = out.bytes;
        let file = out.file.into_inner().map_err(|error| io_error(&self.path, "writing")(error.into_error()))?;
        file.sync_all().map_err(io_error(&self.path, "syncing"))?;
        Ok(Written { path: self.path, rows: self.rows, bytes })
    }
}

/// A buffered file that knows its length.
struct CountedFile {
    file: io::BufWriter<File>,
    bytes: u64,
}

impl Write for CountedFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
