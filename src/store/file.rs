//! One Parquet file of a table, written to the end under a passing name.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::RecordBatch;
use arrow_schema::{DataType, SchemaRef};
use parquet::arrow::arrow_writer::{ArrowColumnWriter, ArrowRowGroupWriterFactory, compute_leaves};
use parquet::arrow::{ArrowSchemaConverter, add_encoded_arrow_schema_to_metadata};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties, WriterVersion};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::ColumnPath;

use super::coded::CodedColumn;
use super::error::{StoreError, io_error, parquet_error};
use crate::table::{ColumnData, Meaning};

/// Most rows of a row group: small enough that a vehicle's day is several, so that readers can pass over some.
pub const ROW_GROUP_ROWS: usize = 128 * 1024;
/// Rows handed to the encoder at once. Fixed, so that the same rows give the same bytes however they came.
pub const CHUNK_ROWS: usize = 8 * 1024;
/// Level of zstd: higher ones save 2 to 5 % for 10 to 40 % more time.
const ZSTD_LEVEL: i32 = 1;
/// Bytes of a dictionary: 65,536 different f64, as many as a 16-bit signal has.
const DICTIONARY_BYTES_MAX: usize = 512 * 1024 + 1024;

/// What a general column's writer takes besides its values, about.
const GENERAL_BYTES: usize = 16 * 1024;

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
    let level = ZstdLevel::try_new(ZSTD_LEVEL).unwrap_or_default();
    let pairs = footer.iter().map(|(key, value)| KeyValue::new((*key).to_owned(), value.clone()));
    let mut builder = WriterProperties::builder()
        .set_created_by(concat!("yardtap ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_writer_version(WriterVersion::PARQUET_2_0)
        .set_compression(Compression::ZSTD(level))
        // Columns of the general kind are mostly empty: a page a row group is enough.
        .set_data_page_row_count_limit(ROW_GROUP_ROWS)
        // Row groups are small; page offsets would be known of some columns only.
        .set_offset_index_disabled(true)
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
    schema: SchemaRef,
    writer: SerializedFileWriter<CountedFile>,
    groups: ArrowRowGroupWriterFactory,
    columns: Vec<ColumnFile>,
    /// Rows at which a row group ends.
    group_rows_max: usize,
    group_rows: usize,
    rows: u64,
}

/// One column of the row group at hand.
enum ColumnFile {
    General(Option<Box<ArrowColumnWriter>>),
    Coded(CodedColumn),
}

/// A file that was written to its end.
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
    /// Begins a file whose columns come as arrays.
    ///
    /// # Errors
    /// It cannot be created.
    pub fn create(path: PathBuf, schema: &SchemaRef, properties: WriterProperties) -> Result<Self, StoreError> {
        let none = vec![None; schema.fields().len()];
        Self::create_coded(path, schema, properties, &none, ROW_GROUP_ROWS)
    }

    /// Begins a file some of whose columns come as patterns; `meanings` explains these. A row group ends at
    /// `group_rows_max`, at most [`ROW_GROUP_ROWS`].
    ///
    /// # Errors
    /// It cannot be created.
    pub fn create_coded(
        path: PathBuf,
        schema: &SchemaRef,
        mut properties: WriterProperties,
        meanings: &[Option<Meaning>],
        group_rows_max: usize,
    ) -> Result<Self, StoreError> {
        let group_rows_max = group_rows_max.min(ROW_GROUP_ROWS);
        let file = File::create(&path).map_err(io_error(&path, "creating"))?;
        let out = CountedFile { file: io::BufWriter::with_capacity(64 * 1024, file), bytes: 0 };
        add_encoded_arrow_schema_to_metadata(schema, &mut properties);
        let descriptor = ArrowSchemaConverter::new().convert(schema).map_err(parquet_error(&path))?;
        let root = descriptor.root_schema_ptr();
        let writer = SerializedFileWriter::new(out, root, Arc::new(properties)).map_err(parquet_error(&path))?;
        let groups = ArrowRowGroupWriterFactory::new(&writer, Arc::clone(schema));
        let columns = meanings.iter().enumerate().map(|(index, meaning)| match meaning {
            Some(meaning) => ColumnFile::Coded(CodedColumn::new(descriptor.column(index), meaning.clone(), ZSTD_LEVEL)),
            None => ColumnFile::General(None),
        });
        let columns = columns.collect();
        let schema = Arc::clone(schema);
        Ok(Self { path, schema, writer, groups, columns, group_rows_max, group_rows: 0, rows: 0 })
    }

    /// Appends rows.
    ///
    /// # Errors
    /// They cannot be written.
    pub fn write(&mut self, batch: &RecordBatch) -> Result<(), StoreError> {
        let columns = batch.columns().iter().map(|array| ColumnData::Array(array.clone())).collect();
        self.write_columns(columns, batch.num_rows())
    }

    /// Appends rows, column by column: up to a row group's.
    ///
    /// # Errors
    /// They cannot be written.
    pub fn write_columns(&mut self, columns: Vec<ColumnData>, rows: usize) -> Result<(), StoreError> {
        if self.group_rows + rows > self.group_rows_max {
            self.end_row_group()?;
        }
        self.append(columns).map_err(parquet_error(&self.path))?;
        self.group_rows += rows;
        self.rows += rows as u64;
        Ok(())
    }

    fn append(&mut self, columns: Vec<ColumnData>) -> parquet::errors::Result<()> {
        assert_eq!(columns.len(), self.columns.len(), "rows have all columns of their table");
        if self.group_rows == 0 {
            let number = self.writer.flushed_row_groups().len();
            for (file, fresh) in self.columns.iter_mut().zip(self.groups.create_column_writers(number)?) {
                if let ColumnFile::General(writer) = file {
                    *writer = Some(Box::new(fresh));
                }
            }
        }
        for ((file, data), field) in self.columns.iter_mut().zip(columns).zip(self.schema.fields()) {
            match (file, data) {
                (ColumnFile::Coded(file), ColumnData::Codes(codes, valid)) => file.write(&codes, valid.as_deref())?,
                (ColumnFile::General(Some(file)), ColumnData::Array(array)) => {
                    // No column is nested, so each has one leaf.
                    for leaf in compute_leaves(field, &array)? {
                        file.write(&leaf)?;
                    }
                }
                _ => unreachable!("a table's columns come as they were announced"),
            }
        }
        Ok(())
    }

    /// Memory that waits to become a row group, in bytes.
    pub fn waiting_bytes(&self) -> usize {
        let of = |column: &ColumnFile| match column {
            // Not its `memory_size`: that counts two buffers of 1 MiB, whatever is in them.
            ColumnFile::General(writer) => {
                writer.as_ref().map_or(0, |writer| GENERAL_BYTES + writer.get_estimated_total_bytes())
            }
            ColumnFile::Coded(column) => column.waiting_bytes(),
        };
        self.columns.iter().map(of).sum()
    }

    /// Ends the row group at hand, to free its memory.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_row_group(&mut self) -> Result<(), StoreError> {
        if self.group_rows == 0 {
            return Ok(());
        }
        self.group_rows = 0;
        let Self { writer, columns, .. } = self;
        let mut end = || -> parquet::errors::Result<()> {
            let mut group = writer.next_row_group()?;
            for column in columns.iter_mut() {
                match column {
                    ColumnFile::General(file) => {
                        if let Some(file) = file.take() {
                            file.close()?.append_to_row_group(&mut group)?;
                        }
                    }
                    ColumnFile::Coded(file) => {
                        let (bytes, close) = file.finish()?;
                        group.append_column(&bytes, close)?;
                    }
                }
            }
            group.close()?;
            Ok(())
        };
        end().map_err(parquet_error(&self.path))
    }

    /// Where it is being written.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the footer. The file is synced when the change is committed that it belongs to.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn finish(mut self) -> Result<Written, StoreError> {
        self.end_row_group()?;
        let out = self.writer.into_inner().map_err(parquet_error(&self.path))?;
        let bytes = out.bytes;
        out.file.into_inner().map_err(|error| io_error(&self.path, "writing")(error.into_error()))?;
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
