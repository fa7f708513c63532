//! Writes the tables of a review a few logs at a time, so that memory does not grow
//! with the day. Each file is written aside and takes its place when all is in it.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use polars::io::parquet::write::BatchedWriter;
use polars::prelude::ParquetWriter;
use tempfile::NamedTempFile;

use super::tables::{self, OfLog};
use crate::files::put_in_place;
use crate::report::tables::Columns;
use crate::review::Row;

/// CSV and Parquet of each table.
pub const TABLE_FILES: [[&str; 2]; 4] = [
    ["logs.csv", "logs.parquet"],
    ["steps.csv", "steps.parquet"],
    ["operating_points.csv", "operating_points.parquet"],
    ["findings.csv", "findings.parquet"],
];
/// Rows that Parquet keeps together.
const ROW_GROUP: usize = 1024;

pub struct TableWriter {
    tables: Vec<Table>,
}

impl TableWriter {
    /// Begins every table of the review in `dir`.
    pub fn open(dir: &Path) -> io::Result<TableWriter> {
        let nothing = OfLog { log: "", car: "", steps: &[], points: &[], findings: &[] };
        let empty = [
            tables::logs(&[]),
            tables::steps(&nothing),
            tables::points(&nothing),
            tables::findings(&nothing),
        ];
        let tables =
            TABLE_FILES.into_iter().zip(empty).map(|(names, empty)| Table::open(dir, names, empty));
        Ok(TableWriter { tables: tables.collect::<io::Result<_>>()? })
    }

    /// Adds one log; `of` is `None` where it could not be read.
    pub fn add(&mut self, row: &Row, of: Option<&OfLog>) -> io::Result<()> {
        let of_log = of.map(|of| [tables::steps(of), tables::points(of), tables::findings(of)]);
        let parts = [tables::logs(&[row])].into_iter().chain(of_log.into_iter().flatten());
        self.tables.iter_mut().zip(parts).try_for_each(|(table, part)| table.add(part))
    }

    /// Puts every table into its place.
    pub fn close(self) -> io::Result<()> {
        self.tables.into_iter().try_for_each(Table::close)
    }
}

struct Table {
    csv: NamedTempFile,
    parquet: NamedTempFile,
    /// Where the two belong.
    paths: [PathBuf; 2],
    groups: BatchedWriter<File>,
    /// Rows of the next group. Plain lists: a data frame a log would weigh many times
    /// what is in it.
    waiting: Columns,
}

impl Table {
    fn open(dir: &Path, names: [&str; 2], empty: Columns) -> io::Result<Table> {
        let mut csv = NamedTempFile::new_in(dir)?;
        csv.write_all(empty.header().as_bytes())?;
        let waiting = empty.emptied();
        let schema = empty.frame().map_err(io::Error::other)?;
        let parquet = NamedTempFile::new_in(dir)?;
        let groups = ParquetWriter::new(parquet.reopen()?)
            .batched(schema.schema())
            .map_err(io::Error::other)?;
        let paths = names.map(|name| dir.join(name));
        Ok(Table { csv, parquet, paths, groups, waiting })
    }

    fn add(&mut self, part: Columns) -> io::Result<()> {
        self.csv.write_all(part.lines().as_bytes())?;
        self.waiting.append(part);
        if self.waiting.rows() >= ROW_GROUP { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.waiting.rows() == 0 {
            return Ok(());
        }
        let empty = self.waiting.emptied();
        let group = std::mem::replace(&mut self.waiting, empty);
        let group = group.frame().map_err(io::Error::other)?;
        self.groups.write_batch(&group).map_err(io::Error::other)
    }

    fn close(mut self) -> io::Result<()> {
        self.flush()?;
        self.groups.finish().map_err(io::Error::other)?;
        let [csv, parquet] = &self.paths;
        put_in_place(self.csv, csv)?;
        put_in_place(self.parquet, parquet)
    }
}
