//! Writes the tables of a review a few logs at a time, so that memory does not grow
//! with the day. Each file is written aside and takes its place when all is in it.

use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use polars::io::parquet::write::BatchedWriter;
use polars::prelude::ParquetWriter;
use tempfile::NamedTempFile;

use super::tables::{self, OfLog};
use crate::report::tables::Columns;
use crate::review::Row;

const TABLES: [&str; 4] = ["logs", "steps", "operating_points", "findings"];
/// Rows that Parquet keeps together.
const ROW_GROUP: usize = 1024;

/// Names of every table's files.
pub fn table_files() -> impl Iterator<Item = String> {
    TABLES.into_iter().flat_map(|table| [format!("{table}.csv"), format!("{table}.parquet")])
}

pub struct Shelf {
    tables: Vec<Table>,
}

impl Shelf {
    /// Begins every table, to stand in `dir`.
    pub fn open(dir: &Path) -> io::Result<Shelf> {
        let nothing = OfLog { log: "", car: "", steps: &[], points: &[], findings: &[] };
        let empty = [
            tables::logs(&[]),
            tables::steps(&nothing),
            tables::points(&nothing),
            tables::findings(&nothing),
        ];
        let tables =
            TABLES.into_iter().zip(empty).map(|(name, empty)| Table::open(dir, name, empty));
        Ok(Shelf { tables: tables.collect::<io::Result<_>>()? })
    }

    /// Adds one log; `of` is `None` where it could not be read.
    pub fn add(&mut self, row: &Row, of: Option<&OfLog>) -> io::Result<()> {
        let of_log = of.map(|of| [tables::steps(of), tables::points(of), tables::findings(of)]);
        let parts = [tables::logs(&[row])].into_iter().chain(of_log.into_iter().flatten());
        self.tables.iter_mut().zip(parts).try_for_each(|(table, part)| table.add(part))
    }

    /// Puts every table into its place; returns the files' names.
    pub fn close(self, dir: &Path) -> io::Result<Vec<String>> {
        let mut names = Vec::new();
        for table in self.tables {
            names.extend(table.close(dir)?);
        }
        Ok(names)
    }
}

struct Table {
    name: &'static str,
    csv: NamedTempFile,
    parquet: NamedTempFile,
    groups: BatchedWriter<File>,
    /// Rows of the next group. Plain lists: a data frame a log would weigh many times
    /// what is in it.
    waiting: Columns,
}

impl Table {
    fn open(dir: &Path, name: &'static str, empty: Columns) -> io::Result<Table> {
        let mut csv = NamedTempFile::new_in(dir)?;
        csv.write_all(empty.header().as_bytes())?;
        let waiting = empty.emptied();
        let schema = empty.frame().map_err(io::Error::other)?;
        let parquet = NamedTempFile::new_in(dir)?;
        let groups = ParquetWriter::new(parquet.reopen()?)
            .batched(schema.schema())
            .map_err(io::Error::other)?;
        Ok(Table { name, csv, parquet, groups, waiting })
    }

    fn add(&mut self, part: Columns) -> io::Result<()> {
        self.csv.write_all(part.lines(part.rows()).as_bytes())?;
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

    fn close(mut self, dir: &Path) -> io::Result<[String; 2]> {
        self.flush()?;
        self.groups.finish().map_err(io::Error::other)?;
        let names = [format!("{}.csv", self.name), format!("{}.parquet", self.name)];
        for (file, name) in [self.csv, self.parquet].into_iter().zip(&names) {
            crate::files::put_in_place(file, &dir.join(name))?;
        }
        Ok(names)
    }
}
