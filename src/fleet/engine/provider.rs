//! The store's tables as the SQL engine takes them: made when they are named, listed anew for each query.
//!
//! A session may live as long as a service. So nothing that it once listed is believed later: a file that was filed a
//! second ago is seen, and one that went is not asked for.

use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;

use async_trait::async_trait;
use datafusion::arrow::array::{ArrayRef, BooleanArray, RecordBatch};
use datafusion::arrow::datatypes::{FieldRef, Schema, SchemaRef};
use datafusion::catalog::{SchemaProvider, Session, TableProvider};
use datafusion::common::stats::Precision;
use datafusion::common::{DFSchema, DataFusionError, Result, ScalarValue, Statistics};
use datafusion::datasource::TableType;
use datafusion::datasource::file_format::FileFormat;
use datafusion::datasource::file_format::parquet::ParquetFormat;
use datafusion::datasource::listing::{PartitionedFile, helpers::expr_applicable_for_cols};
use datafusion::datasource::object_store::ObjectStoreUrl;
use datafusion::datasource::physical_plan::{FileGroup, FileScanConfigBuilder, ParquetSource};
use datafusion::datasource::table_schema::TableSchema;
use datafusion::logical_expr::utils::conjunction;
use datafusion::logical_expr::{Expr, TableProviderFilterPushDown};
use datafusion::object_store::{ObjectMeta, path::Path as ObjectPath};
use datafusion::physical_plan::ExecutionPlan;
use datafusion::physical_plan::empty::EmptyExec;

use super::files::{self, TableFile};
use super::sets::Sets;
use super::tables::{ALWAYS, StoreTable};

/// Bytes of memory that a byte of a file becomes, about: for which side of a join is kept in memory.
const UNPACKED: u64 = 6;

/// The tables of one schema: those of the store, and the records.
pub(super) struct Tables {
    sets: Arc<Sets>,
    /// Whether it is the schema of the signals.
    signals: bool,
    /// Tables of the records, by name.
    records: Vec<(&'static str, Arc<dyn TableProvider>)>,
}

impl Tables {
    pub(super) fn of_fleet(sets: Arc<Sets>, records: Vec<(&'static str, Arc<dyn TableProvider>)>) -> Self {
        Self { sets, signals: false, records }
    }

    pub(super) fn of_signals(sets: Arc<Sets>) -> Self {
        Self { sets, signals: true, records: Vec::new() }
    }

    fn store_table(&self, name: &str) -> Option<StoreTable> {
        if self.signals {
            // Nothing else may become part of a path.
            let plain = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
            return plain.then(|| StoreTable::Signals(name.to_owned()));
        }
        ALWAYS.into_iter().find(|table| table.name() == name)
    }
}

impl fmt::Debug for Tables {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tables").field("root", &self.sets.root()).field("signals", &self.signals).finish()
    }
}

#[async_trait]
impl SchemaProvider for Tables {
    fn table_names(&self) -> Vec<String> {
        if self.signals {
            return self.sets.messages().unwrap_or_else(|error| {
                tracing::warn!("{error}");
                Vec::new()
            });
        }
        let records = self.records.iter().map(|(name, _)| (*name).to_owned());
        ALWAYS.iter().map(|table| table.name().to_owned()).chain(records).collect()
    }

    async fn table(&self, name: &str) -> Result<Option<Arc<dyn TableProvider>>> {
        if let Some((_, table)) = self.records.iter().find(|(known, _)| *known == name) {
            return Ok(Some(Arc::clone(table)));
        }
        let Some(table) = self.store_table(name) else { return Ok(None) };
        let Some(declared) = self.sets.declared(&table)? else { return Ok(None) };
        Ok(Some(Arc::new(FilesTable::new(Arc::clone(&self.sets), table, declared.columns))))
    }

    fn table_exist(&self, name: &str) -> bool {
        self.records.iter().any(|(known, _)| *known == name)
            || self.store_table(name).is_some_and(|table| match table {
                StoreTable::Signals(message) => self.table_names().contains(&message),
                _ => true,
            })
    }
}

/// One table of the store.
struct FilesTable {
    sets: Arc<Sets>,
    table: StoreTable,
    columns: TableSchema,
}

impl FilesTable {
    fn new(sets: Arc<Sets>, table: StoreTable, columns: SchemaRef) -> Self {
        let partition: FieldRef = Arc::new(table.partition());
        let columns = TableSchema::builder(columns).with_table_partition_cols(vec![partition]).build();
        Self { sets, table, columns }
    }

    /// The folders that filters on the partition leave, with its value in each.
    fn folders(&self, filters: &[Expr]) -> Result<Vec<(ScalarValue, PathBuf)>> {
        let key = self.table.partition();
        let mut folders = Vec::new();
        for (value, folder) in files::folders(&self.table.folder(self.sets.root()), key.name())? {
            // A folder of another name is not the store's.
            if let Ok(value) = ScalarValue::try_from_string(value, key.data_type()) {
                folders.push((value, folder));
            }
        }
        let Some(filter) = conjunction(filters.iter().cloned()) else { return Ok(folders) };
        if folders.is_empty() {
            return Ok(folders);
        }
        let schema = Arc::new(Schema::new(vec![key]));
        let values: ArrayRef = ScalarValue::iter_to_array(folders.iter().map(|(value, _)| value.clone()))?;
        let rows = RecordBatch::try_new(Arc::clone(&schema), vec![values])?;
        let names = DFSchema::try_from(schema)?;
        let filter = datafusion::physical_expr::create_physical_expr(
            &filter,
            &names,
            &datafusion::logical_expr::execution_props::ExecutionProps::new(),
            &Default::default(),
        )?;
        let kept = filter.evaluate(&rows)?.into_array(rows.num_rows())?;
        let kept: &BooleanArray = datafusion::arrow::array::AsArray::as_boolean(&kept);
        let mut kept = kept.iter().map(|kept| kept == Some(true));
        folders.retain(|_| kept.next() == Some(true));
        Ok(folders)
    }

    async fn list(&self, filters: &[Expr]) -> Result<Vec<(ScalarValue, TableFile)>> {
        let look = || {
            let mut found = Vec::new();
            let folders = self.folders(filters).map_err(std::io::Error::other)?;
            for (value, folder) in folders {
                found.extend(files::files_in(&folder)?.into_iter().map(|file| (value.clone(), file)));
            }
            Ok(found)
        };
        files::settled(self.sets.root(), look).await.map_err(|error| DataFusionError::External(Box::new(error)))
    }
}

impl fmt::Debug for FilesTable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("FilesTable").field("table", &self.table).finish()
    }
}

#[async_trait]
impl TableProvider for FilesTable {
    fn schema(&self) -> SchemaRef {
        Arc::clone(self.columns.table_schema())
    }

    fn table_type(&self) -> TableType {
        TableType::Base
    }

    fn supports_filters_pushdown(&self, filters: &[&Expr]) -> Result<Vec<TableProviderFilterPushDown>> {
        let key = self.table.partition();
        // Of other columns, whole row groups are passed over; the rest is filtered row by row.
        let of = |filter: &&Expr| match expr_applicable_for_cols(&[key.name()], filter) {
            true => TableProviderFilterPushDown::Exact,
            false => TableProviderFilterPushDown::Inexact,
        };
        Ok(filters.iter().map(of).collect())
    }

    async fn scan(
        &self,
        state: &dyn Session,
        projection: Option<&Vec<usize>>,
        filters: &[Expr],
        limit: Option<usize>,
    ) -> Result<Arc<dyn ExecutionPlan>> {
        let key = self.table.partition();
        let (of_partition, others): (Vec<Expr>, Vec<Expr>) =
            filters.iter().cloned().partition(|filter| expr_applicable_for_cols(&[key.name()], filter));
        let files = self.list(&of_partition).await?;
        if files.is_empty() {
            let columns = datafusion::common::project_schema(&self.schema(), projection)?;
            return Ok(Arc::new(EmptyExec::new(columns)));
        }
        let bytes: u64 = files.iter().map(|(_, file)| file.size).sum();
        let files: Result<Vec<PartitionedFile>> =
            files.into_iter().map(|(value, file)| partitioned(value, &file)).collect();
        let mut statistics = Statistics::new_unknown(&self.schema());
        let unpacked = usize::try_from(bytes.saturating_mul(UNPACKED)).unwrap_or(usize::MAX);
        statistics.total_byte_size = Precision::Inexact(unpacked);

        let groups = FileGroup::new(files?).split_files(state.config().target_partitions());
        let source = Arc::new(ParquetSource::new(self.columns.clone()));
        let config = FileScanConfigBuilder::new(ObjectStoreUrl::local_filesystem(), source)
            .with_file_groups(groups)
            .with_statistics(statistics)
            .with_projection_indices(projection.cloned())?
            // Rows are filtered later: a limit holds of what is left.
            .with_limit(limit.filter(|_| others.is_empty()))
            .build();
        let options = state.default_table_options().parquet;
        ParquetFormat::default().with_options(options).create_physical_plan(state, config).await
    }
}

fn partitioned(value: ScalarValue, file: &TableFile) -> Result<PartitionedFile> {
    let location =
        ObjectPath::from_absolute_path(&file.path).map_err(|error| DataFusionError::External(Box::new(error)))?;
    let meta = ObjectMeta { location, last_modified: file.changed.into(), size: file.size, e_tag: None, version: None };
    Ok(PartitionedFile::new_from_meta(meta).with_partition_values(vec![value]))
}
