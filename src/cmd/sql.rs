//! `sql`: questions to a store by hand.

use std::fs;
use std::io::{self, BufWriter, Read, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use arrow_array::{Array, ArrayRef, RecordBatch, StringArray};
use arrow_schema::{DataType, Field, Schema, SchemaRef, TimeUnit};
use datafusion::arrow::compute::cast;
use datafusion::arrow::util::display::{ArrayFormatter, FormatOptions};
use datafusion::parquet::arrow::ArrowWriter;
use datafusion::parquet::basic::Compression;
use datafusion::parquet::file::properties::WriterProperties;

use super::{Done, quiet_pipe, say};
use crate::cli::{Form, Sql};
use crate::durable;
use crate::fleet::FleetError;
use crate::fleet::engine::{Engine, Options};
use crate::records::{Grade, Records};
use crate::report;
use crate::store::Store;
use crate::table::{ABOUT_KEY, UNIT_KEY};

/// Rows of a table on the screen: nobody reads more, and all of them have to be in memory to be aligned.
const TABLE_ROWS_MAX: usize = 1000;
/// What a taker says that has enough rows.
const ENOUGH: &str = "enough rows";

pub(super) fn sql(options: &Sql) -> Result<Done> {
    let form = options.form.unwrap_or_else(|| form_of(options.to.as_deref()));
    if form == Form::Parquet && options.to.is_none() {
        bail!("Parquet is not for the screen: name a file with --to FILE");
    }
    let question = match options.sql.as_deref() {
        Some("-") => {
            let mut text = String::new();
            io::stdin().lock().read_to_string(&mut text).context("reading the question from standard input")?;
            text
        }
        text => text.unwrap_or_default().to_owned(),
    };
    let (engine, done) = opened(options)?;
    let source: Box<dyn Rows> =
        if options.tables { Box::new(Listed::of(&engine)?) } else { Box::new(Asked { engine: &engine, question }) };
    match &options.to {
        None => on_screen(source.as_ref(), form)?,
        Some(path) => into_file(source.as_ref(), form, path)?,
    }
    Ok(done)
}

fn form_of(path: Option<&Path>) -> Form {
    match path.and_then(Path::extension).and_then(|ending| ending.to_str()) {
        Some("csv") => Form::Csv,
        Some("json" | "jsonl" | "ndjson") => Form::Json,
        Some("parquet") => Form::Parquet,
        _ => Form::Table,
    }
}

/// The engine, and how the records were read.
fn opened(options: &Sql) -> Result<(Engine, Done)> {
    let mut how = Options { threads: options.threads, ..Options::default() };
    how.memory_bytes = options.memory.saturating_mul(1024 * 1024);
    let Some(folder) = &options.records else {
        return Ok((Engine::open_with(&options.store, &Records::default(), &how)?, Done::Whole));
    };
    how.zone = super::runs::zone(&Store::open_to_read(&options.store)?)?;
    let today = how.zone.to_datetime(jiff::Timestamp::now()).date();
    let (records, problems) = crate::records::load(folder, &how.zone, today)?;
    let left_out = problems.iter().filter(|problem| problem.grade == Grade::LeftOut);
    let rows: u64 = left_out.map(|problem| problem.rows).sum();
    if rows > 0 {
        let folder = folder.display();
        tracing::warn!("{folder}: {rows} rows are left out; `yardtap records check {folder}` tells which, and why");
    }
    let done = if rows > 0 { Done::InPart } else { Done::Whole };
    Ok((Engine::open_with(&options.store, &records, &how)?, done))
}

/// Where rows come from.
trait Rows {
    /// Gives all rows, batch by batch, and their columns in the end.
    fn each(&self, take: &mut dyn FnMut(RecordBatch) -> io::Result<()>) -> Result<SchemaRef, FleetError>;
}

struct Asked<'e> {
    engine: &'e Engine,
    question: String,
}

impl Rows for Asked<'_> {
    fn each(&self, take: &mut dyn FnMut(RecordBatch) -> io::Result<()>) -> Result<SchemaRef, FleetError> {
        self.engine.each(&self.question, take)
    }
}

/// The columns of all tables.
struct Listed(RecordBatch);

impl Listed {
    fn of(engine: &Engine) -> Result<Self> {
        let mut rows: Vec<[String; 5]> = Vec::new();
        for table in engine.tables() {
            rows.push([table.name.clone(), String::new(), String::new(), String::new(), table.about]);
            for column in &table.columns {
                let said = |key: &str| column.metadata().get(key).cloned().unwrap_or_default();
                let kind = kind_of(column.data_type());
                rows.push([table.name.clone(), column.name().clone(), kind, said(UNIT_KEY), said(ABOUT_KEY)]);
            }
            for (name, types) in table.left_out {
                let why = format!("Left out: definition sets make it {types}, which have nothing in common.");
                rows.push([table.name.clone(), name, String::new(), String::new(), why]);
            }
        }
        let column = |at: usize| -> ArrayRef {
            let texts = rows.iter().map(|row| Some(row[at].as_str()).filter(|text| !text.is_empty()));
            Arc::new(texts.collect::<StringArray>())
        };
        let names = ["table", "column", "type", "unit", "about"];
        Ok(Self(RecordBatch::try_from_iter(names.into_iter().enumerate().map(|(at, name)| (name, column(at))))?))
    }
}

impl Rows for Listed {
    fn each(&self, take: &mut dyn FnMut(RecordBatch) -> io::Result<()>) -> Result<SchemaRef, FleetError> {
        take(self.0.clone()).map_err(FleetError::Taken)?;
        Ok(self.0.schema())
    }
}

/// A type in a word that who writes SQL knows.
fn kind_of(data_type: &DataType) -> String {
    match data_type {
        DataType::Utf8View | DataType::Utf8 => "text".into(),
        DataType::Timestamp(_, Some(_)) => "time (UTC)".into(),
        DataType::Timestamp(_, None) => "time (local)".into(),
        DataType::Date32 => "date".into(),
        DataType::Boolean => "boolean".into(),
        DataType::Float64 => "double".into(),
        DataType::Float32 => "float".into(),
        DataType::Binary => "bytes".into(),
        other if other.is_integer() => "integer".into(),
        other => other.to_string().to_lowercase(),
    }
}

fn on_screen(source: &dyn Rows, form: Form) -> Result<()> {
    let mut out = BufWriter::new(io::stdout().lock());
    let written = match form {
        Form::Table => {
            drop(out);
            return as_table(source, &mut |text| say(text));
        }
        other => in_form(source, other, &mut out).map(|()| out.flush()),
    };
    match written {
        Ok(flushed) => quiet_pipe(flushed),
        Err(FleetError::Taken(error)) => quiet_pipe(Err(error)),
        Err(error) => Err(error.into()),
    }
}

/// The file appears whole, under its name, when all is written.
fn into_file(source: &dyn Rows, form: Form, path: &Path) -> Result<()> {
    let mut failed = None;
    let written = durable::replace(path, |out| {
        let done = match form {
            Form::Table => {
                let mut text = Vec::new();
                as_table(source, &mut |line| Ok(writeln!(text, "{line}")?)).and_then(|()| Ok(out.write_all(&text)?))
            }
            Form::Parquet => in_parquet(source, out).map_err(Into::into),
            other => in_form(source, other, &mut &mut *out).map_err(Into::into),
        };
        done.map_err(|error| {
            failed = Some(error);
            io::Error::other("not written")
        })
    });
    if written.is_err() {
        // Half a file is nobody's; where it cannot be removed, the next one to this name takes its place.
        drop(fs::remove_file(path.with_extension("passing")));
    }
    match failed {
        Some(error) => Err(error),
        None => written.with_context(|| format!("writing {}; check the folder, and the room on it", path.display())),
    }
}

fn as_table(source: &dyn Rows, tell: &mut dyn FnMut(&str) -> Result<()>) -> Result<()> {
    let mut rows: Vec<Vec<String>> = Vec::new();
    let mut columns: Option<SchemaRef> = None;
    let taken = source.each(&mut |batch| {
        columns.get_or_insert_with(|| batch.schema());
        rows.extend(report::cells(&plain(&batch)?));
        if rows.len() > TABLE_ROWS_MAX { Err(io::Error::other(ENOUGH)) } else { Ok(()) }
    });
    let more = match taken {
        Ok(all) => {
            columns.get_or_insert(all);
            false
        }
        Err(FleetError::Taken(error)) if error.to_string() == ENOUGH => true,
        Err(error) => return Err(error.into()),
    };
    let columns = columns.unwrap_or_else(|| Arc::new(Schema::empty()));
    rows.truncate(TABLE_ROWS_MAX);
    let headings: Vec<String> = columns.fields().iter().map(|field| field.name().clone()).collect();
    let is_numeric = |at: usize| columns.field(at).data_type().is_numeric();
    tell(&report::aligned(&headings, &rows, &is_numeric))?;
    if more {
        tell(&format!("… and more: a table ends at {TABLE_ROWS_MAX} rows; --as csv gives all"))?;
    }
    Ok(())
}

fn in_form(source: &dyn Rows, form: Form, out: &mut dyn Write) -> Result<(), FleetError> {
    let mut out = out;
    let mut begun = false;
    let columns = source.each(&mut |batch| {
        let batch = plain(&batch)?;
        if form == Form::Csv {
            if !begun {
                report::csv_heading(&batch.schema(), &mut out)?;
            }
            begun = true;
            return report::csv_rows(&batch, &mut out);
        }
        told_apart(&batch.schema())?;
        report::json_lines(&batch, &mut out)
    })?;
    if form == Form::Csv && !begun {
        report::csv_heading(&columns, &mut out).map_err(FleetError::Taken)?;
    }
    Ok(())
}

fn in_parquet(source: &dyn Rows, out: &mut (dyn Write + Send)) -> Result<(), FleetError> {
    let packed = WriterProperties::builder().set_compression(Compression::ZSTD(Default::default()));
    let packed = packed.set_created_by(concat!("yardtap ", env!("CARGO_PKG_VERSION")).to_owned()).build();
    let mut begun: Option<ArrowWriter<&mut (dyn Write + Send)>> = None;
    let mut out = Some(out);
    let mut begin = |columns: SchemaRef| -> io::Result<ArrowWriter<&mut (dyn Write + Send)>> {
        told_apart(&columns)?;
        let Some(out) = out.take() else { unreachable!("a file is begun once") };
        Ok(ArrowWriter::try_new(out, columns, Some(packed.clone()))?)
    };
    let columns = source.each(&mut |batch| {
        if begun.is_none() {
            begun = Some(begin(batch.schema())?);
        }
        let Some(file) = &mut begun else { unreachable!("it was begun above") };
        Ok(file.write(&batch)?)
    })?;
    let file = match begun {
        Some(file) => file,
        None => begin(columns).map_err(FleetError::Taken)?,
    };
    file.close().map_err(|error| FleetError::Taken(error.into()))?;
    Ok(())
}

/// Columns of one name cannot be told apart where values go by it.
fn told_apart(columns: &Schema) -> io::Result<()> {
    let mut names: Vec<&String> = columns.fields().iter().map(|field| field.name()).collect();
    names.sort();
    match names.windows(2).find(|pair| pair[0] == pair[1]) {
        Some(pair) => {
            Err(io::Error::other(format!("two columns are called '{}': give one another name with AS", pair[0])))
        }
        None => Ok(()),
    }
}

/// Brings columns to the few types that reports know: no value is lost, and none rounded.
fn plain(batch: &RecordBatch) -> io::Result<RecordBatch> {
    let columns: io::Result<Vec<ArrayRef>> = batch.columns().iter().map(plain_column).collect();
    let columns = columns?;
    let schema = batch.schema();
    let fields = schema.fields().iter().zip(&columns);
    let fields: Vec<Field> =
        fields.map(|(field, column)| Field::new(field.name(), column.data_type().clone(), true)).collect();
    let rows = arrow_array::RecordBatchOptions::new().with_row_count(Some(batch.num_rows()));
    RecordBatch::try_new_with_options(Arc::new(Schema::new(fields)), columns, &rows).map_err(io::Error::other)
}

fn plain_column(column: &ArrayRef) -> io::Result<ArrayRef> {
    let to = |wanted: DataType| cast(column, &wanted).map_err(io::Error::other);
    let column = match column.data_type() {
        DataType::Float64
        | DataType::Int64
        | DataType::UInt64
        | DataType::Boolean
        | DataType::Utf8
        | DataType::Date32 => {
            return Ok(Arc::clone(column));
        }
        DataType::Int8 | DataType::Int16 | DataType::Int32 => return to(DataType::Int64),
        DataType::UInt8 | DataType::UInt16 | DataType::UInt32 => return to(DataType::UInt64),
        // By way of its shortest text, so that 0.1 stays 0.1.
        DataType::Float16 | DataType::Float32 => &to(DataType::Utf8)?,
        DataType::Utf8View | DataType::LargeUtf8 | DataType::Null => return to(DataType::Utf8),
        DataType::Dictionary(_, values) if values.is_string() => return to(DataType::Utf8),
        DataType::Timestamp(unit, Some(_)) if *unit != TimeUnit::Nanosecond => {
            return to(DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())));
        }
        _ => {
            let written =
                ArrayFormatter::try_new(column.as_ref(), &FormatOptions::default()).map_err(io::Error::other)?;
            let texts = (0..column.len()).map(|row| column.is_valid(row).then(|| written.value(row).to_string()));
            return Ok(Arc::new(texts.collect::<StringArray>()));
        }
    };
    cast(column, &DataType::Float64).map_err(io::Error::other)
}
