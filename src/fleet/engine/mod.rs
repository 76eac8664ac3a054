//! The SQL engine over a store: the tables declared in one place, and answers by column.
//!
//! ```text
//!  store (files of the moment) ─▶ tables ─┐
//!                                         ├─▶ SQL ─▶ Answer
//!  records ─────────────────────▶ tables ─┘
//! ```
//!
//! Reads only. The store may be open for writing elsewhere: no lock is taken, files are listed for each query, and one
//! that went meanwhile makes the query begin again.

mod answer;
mod files;
mod provider;
mod records;
mod sets;
mod tables;
mod told;

pub use answer::Answer;

use std::num::NonZero;
use std::path::Path;
use std::sync::{Arc, mpsc};

use datafusion::arrow::array::RecordBatch;
use datafusion::arrow::datatypes::{FieldRef, SchemaRef};
use datafusion::arrow::error::ArrowError;
use datafusion::catalog::{CatalogProvider, MemoryCatalogProvider};
use datafusion::common::DataFusionError;
use datafusion::execution::SessionStateBuilder;
use datafusion::execution::memory_pool::{FairSpillPool, TrackConsumersPool};
use datafusion::execution::runtime_env::RuntimeEnvBuilder;
use datafusion::prelude::{SQLOptions, SessionConfig, SessionContext};
use jiff::tz::TimeZone;
use tokio::runtime::Runtime;

use super::FleetError;
use super::sheet::Query;
use crate::records::Records;
use crate::store::Store;
use provider::Tables;
use sets::Sets;
use tables::{ALWAYS, FLEET, SIGNALS, StoreTable};

/// Name of the catalogue, which nobody has to write.
const CATALOG: &str = "yardtap";
/// Batches that wait for who takes them.
const BATCHES_WAITING: usize = 4;
/// Operators named when memory runs short.
const NAMED_MAX: NonZero<usize> = NonZero::new(3).unwrap();
/// Footers that are kept, in bytes: those of some thousands of files.
const FOOTERS_BYTES: usize = 64 * 1024 * 1024;

/// How an engine works.
#[derive(Debug, Clone)]
pub struct Options {
    /// Zone of local times in the records.
    pub zone: TimeZone,
    /// Threads; 0: as many as there are cores.
    pub threads: usize,
    /// Memory that queries may take at once, in bytes. Sorts, groupings and joins that want more go on in temporary files,
    /// as far as they can; else the query fails. Footers, and the rows of the answer, come on top.
    pub memory_bytes: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self { zone: TimeZone::UTC, threads: 0, memory_bytes: 512 * 1024 * 1024 }
    }
}

/// Answers SQL over a store and the records.
pub struct Engine {
    /// None only while it is dropped.
    runtime: Option<Runtime>,
    context: SessionContext,
    sets: Arc<Sets>,
}

/// A table, for people.
#[derive(Debug, Clone)]
pub struct TableTold {
    /// As SQL names it: `runs`, `signals.line_input`.
    pub name: String,
    /// What a row is.
    pub about: String,
    /// Its columns, with unit and description in their metadata.
    pub columns: Vec<FieldRef>,
    /// Columns that it lacks because definition sets give them types that have nothing in common: name and types.
    pub left_out: Vec<(String, String)>,
}

impl Engine {
    /// Opens a store for reading, and declares its tables and those of the records. Local times in records are taken for
    /// UTC.
    ///
    /// # Errors
    /// The store cannot be read, or the engine not be started.
    pub fn open(store: &Path, records: &Records) -> Result<Self, FleetError> {
        Self::open_with(store, records, &Options::default())
    }

    /// The same, as told.
    ///
    /// # Errors
    /// The store cannot be read, or the engine not be started.
    pub fn open_with(store: &Path, records: &Records, options: &Options) -> Result<Self, FleetError> {
        let root = match store.canonicalize() {
            Ok(root) => root,
            // It is told as the store tells it.
            Err(_) => store.to_owned(),
        };
        let sets = Arc::new(Sets::new(Store::open_to_read(&root)?));
        let threads = match options.threads {
            0 => std::thread::available_parallelism().map_or(1, NonZero::get),
            threads => threads,
        };
        let started = |error: DataFusionError| FleetError::Start(std::io::Error::other(error));
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(threads)
            .thread_name("fleet-engine")
            .enable_time()
            .build()
            .map_err(FleetError::Start)?;
        let pool = TrackConsumersPool::new(FairSpillPool::new(options.memory_bytes), NAMED_MAX);
        let environment = RuntimeEnvBuilder::new()
            .with_memory_pool(Arc::new(pool))
            .with_object_list_cache_limit(0)
            .with_metadata_cache_limit(FOOTERS_BYTES)
            .build_arc()
            .map_err(started)?;
        let config = SessionConfig::new()
            .with_target_partitions(threads)
            .with_default_catalog_and_schema(CATALOG, FLEET)
            .with_create_default_catalog_and_schema(false)
            .with_information_schema(true);
        let state = SessionStateBuilder::new()
            .with_config(config)
            .with_runtime_env(environment)
            .with_default_features()
            .build();
        let context = SessionContext::new_with_state(state);

        let catalog = MemoryCatalogProvider::new();
        let written = records::tables(records, &options.zone).map_err(started)?;
        let fleet = Tables::of_fleet(Arc::clone(&sets), written);
        catalog.register_schema(FLEET, Arc::new(fleet)).map_err(started)?;
        let signals = Tables::of_signals(Arc::clone(&sets));
        catalog.register_schema(SIGNALS, Arc::new(signals)).map_err(started)?;
        context.register_catalog(CATALOG, Arc::new(catalog));
        Ok(Self { runtime: Some(runtime), context, sets })
    }

    /// Asks.
    ///
    /// # Errors
    /// The engine cannot answer.
    pub fn ask(&self, query: &Query) -> Result<Answer, FleetError> {
        let mut batches = Vec::new();
        let columns = self.each(&query.sql, &mut |batch| {
            batches.push(batch);
            Ok(())
        });
        let columns = columns.map_err(|error| error.of(query.id))?;
        if batches.is_empty() {
            batches.push(RecordBatch::new_empty(columns));
        }
        Ok(Answer { query: query.id.to_owned(), batches })
    }

    /// Asks, and gives the rows batch by batch as they come; at the end, their columns. Only the batch at hand and a few
    /// behind it are in memory.
    ///
    /// # Errors
    /// The engine cannot answer, or `take` has had enough.
    pub fn each(
        &self,
        sql: &str,
        take: &mut dyn FnMut(RecordBatch) -> Result<(), std::io::Error>,
    ) -> Result<SchemaRef, FleetError> {
        let mut taken = false;
        let mut rows = |batch: RecordBatch| {
            taken = true;
            take(batch)
        };
        let first = match self.once(sql, &mut rows) {
            Err(Stopped::Engine(error)) if went(&error) => error,
            other => return other.map_err(|stopped| self.explained(stopped, sql)),
        };
        if taken {
            return Err(self.explained(Stopped::Engine(first), sql));
        }
        // Files may go between listing and reading, because a day is closed: listed anew, they are others.
        self.once(sql, take).map_err(|stopped| self.explained(stopped, sql))
    }

    /// Works from anywhere, also from within another runtime: the engine's own threads do it, this one takes.
    fn once(
        &self,
        sql: &str,
        take: &mut dyn FnMut(RecordBatch) -> Result<(), std::io::Error>,
    ) -> Result<SchemaRef, Stopped> {
        let (send, receive) = mpsc::sync_channel(BATCHES_WAITING);
        let (context, sql) = (self.context.clone(), sql.to_owned());
        let work = async move {
            if let Err(error) = streamed(&context, &sql, &send).await {
                // Who has had enough does not want to know.
                drop(send.send(Err(error)));
            }
        };
        let Some(runtime) = &self.runtime else { unreachable!("an engine has its runtime until it is dropped") };
        let task = runtime.spawn(work);
        let mut rows = || {
            for came in &receive {
                match came.map_err(Stopped::Engine)? {
                    Came::Rows(batch) => take(batch).map_err(Stopped::Taker)?,
                    Came::End(columns) => return Ok(columns),
                }
            }
            Err(Stopped::Engine(DataFusionError::Internal("the query came to no end".into())))
        };
        let result = rows();
        task.abort();
        result
    }

    fn explained(&self, stopped: Stopped, sql: &str) -> FleetError {
        let query = "SQL".to_owned();
        match stopped {
            Stopped::Taker(error) => FleetError::Taken(error),
            Stopped::Engine(error) if went(&error) => {
                let why = format!("{}; a file of the store went or cannot be read", error.strip_backtrace());
                FleetError::Engine { query, why: format!("{why}: if a day was being closed, ask again") }
            }
            Stopped::Engine(error) => FleetError::Engine { query, why: told::told(&error, sql, &self.names()) },
        }
    }

    /// Whether the store has a table, and a column in it. A study asks before it names a counter. Reads no rows.
    pub fn has(&self, table: &str, column: &str) -> bool {
        self.columns(table).is_some_and(|columns| columns.iter().any(|known| known.name() == column))
    }

    /// The columns of a table, with unit and description in their metadata; none where there is no such table.
    pub fn columns(&self, table: &str) -> Option<Vec<FieldRef>> {
        let (schema, name) = table.split_once('.').unwrap_or((FLEET, table));
        let schema = self.context.catalog(CATALOG)?.schema(schema)?;
        // Making a table waits for nothing.
        let mut making = schema.table(name);
        let mut nobody = std::task::Context::from_waker(std::task::Waker::noop());
        let std::task::Poll::Ready(Ok(Some(table))) = making.as_mut().poll(&mut nobody) else { return None };
        Some(table.schema().fields().iter().cloned().collect())
    }

    /// All tables, with what they hold.
    pub fn tables(&self) -> Vec<TableTold> {
        let signals = self.sets.messages().unwrap_or_default().into_iter().map(StoreTable::Signals);
        let stored = ALWAYS.into_iter().chain(signals).map(|table| {
            let name = match &table {
                StoreTable::Signals(message) => format!("{SIGNALS}.{message}"),
                other => other.name().to_owned(),
            };
            let own = match &table {
                StoreTable::Signals(message) => self.sets.about(message),
                _ => None,
            };
            let about = own.unwrap_or_else(|| table.about().to_owned());
            let left_out = self.sets.declared(&table).ok().flatten().map(|declared| declared.left_out);
            (name, about, left_out.unwrap_or_default())
        });
        let written = records::TABLES.iter().map(|(name, about)| ((*name).to_owned(), (*about).to_owned(), Vec::new()));
        let with_columns = |(name, about, left_out): (String, String, Vec<(String, String)>)| {
            Some(TableTold { columns: self.columns(&name)?, name, about, left_out })
        };
        stored.chain(written).filter_map(with_columns).collect()
    }

    fn names(&self) -> Vec<String> {
        let signals =
            self.sets.messages().unwrap_or_default().into_iter().map(|message| format!("{SIGNALS}.{message}"));
        let written = records::TABLES.iter().map(|(name, _)| (*name).to_owned());
        ALWAYS.iter().map(|table| table.name().to_owned()).chain(written).chain(signals).collect()
    }
}

impl Drop for Engine {
    fn drop(&mut self) {
        // It may be dropped where waiting is not allowed.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

/// Why a query came to no end.
enum Stopped {
    Engine(DataFusionError),
    Taker(std::io::Error),
}

/// What comes of a query. One without an end was not whole.
enum Came {
    Rows(RecordBatch),
    /// Its columns.
    End(SchemaRef),
}

/// Plans and runs a query; its rows go to `send`.
async fn streamed(
    context: &SessionContext,
    sql: &str,
    send: &mpsc::SyncSender<Result<Came, DataFusionError>>,
) -> Result<(), DataFusionError> {
    let reading = SQLOptions::new().with_allow_ddl(false).with_allow_dml(false).with_allow_statements(false);
    let rows = context.sql_with_options(sql, reading).await?;
    let mut rows = rows.execute_stream().await?;
    let columns = rows.schema();
    while let Some(batch) = std::future::poll_fn(|waker| rows.as_mut().poll_next(waker)).await {
        let batch = batch?;
        // Waiting for the taker holds up no thread that others need.
        if tokio::task::block_in_place(|| send.send(Ok(Came::Rows(batch)))).is_err() {
            return Ok(());
        }
    }
    // Who has had enough does not want to know.
    drop(send.send(Ok(Came::End(columns))));
    Ok(())
}

/// Whether a file went, or was another one than was listed.
fn went(error: &DataFusionError) -> bool {
    match error.find_root() {
        DataFusionError::ObjectStore(_) | DataFusionError::ParquetError(_) | DataFusionError::IoError(_) => true,
        DataFusionError::ArrowError(error, _) => {
            matches!(error.as_ref(), ArrowError::ParquetError(_) | ArrowError::IoError(..))
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests;
