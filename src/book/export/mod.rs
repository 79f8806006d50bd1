//! Every table of the book, and its stroke maps, as rows for other programs. Columns and units: `notebooks-free-docs/export.md`.

mod tables;

use std::path::{Path, PathBuf};

use rusqlite::types::ValueRef;
use serde::Serialize;

use Kind::{Real, Text, Whole};

use super::error::{db, file, refused};
use super::{Book, BookError, blob};
use crate::dsp::bands::{N_BAND, band_edges_hz};
use crate::map::N_FINE;
pub use tables::{MAPS, TABLES};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Whole numbers.
    Whole,
    /// Real numbers.
    Real,
    /// Text.
    Text,
}

/// One table of the export.
#[derive(Debug, Clone, Copy)]
pub struct Table {
    /// Name, also of the file.
    pub name: &'static str,
    /// Columns in order: name with its unit at the end, and what it holds.
    pub columns: &'static [(&'static str, Kind)],
    pub(super) sql: &'static str,
}

/// One cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Not known.
    None,
    /// Whole number.
    Whole(i64),
    /// Real number.
    Real(f64),
    /// Text.
    Text(String),
}

/// Takes rows of one table.
pub trait Sink {
    /// The next row, as many cells as the table has columns.
    ///
    /// # Errors
    /// What the disk says.
    fn row(&mut self, cells: &[Cell]) -> std::io::Result<()>;

    /// The end of the table: all of it is written when this returns.
    ///
    /// # Errors
    /// What the disk says.
    fn finish(self: Box<Self>) -> std::io::Result<()>;
}

/// What was exported.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Exported {
    /// The table.
    pub table: &'static str,
    /// Its file.
    pub file: PathBuf,
    /// Rows.
    pub rows: u64,
}

/// Makes the sink of a table at a place.
pub type MakeSink<'a> = &'a dyn Fn(&Path, &Table) -> std::io::Result<Box<dyn Sink>>;

/// A CSV file (RFC 4180): a line of names, then the rows; what is not known is empty.
///
/// # Errors
/// What the disk says.
pub fn csv_sink(path: &Path, table: &Table) -> std::io::Result<Box<dyn Sink>> {
    struct Csv(csv::Writer<std::fs::File>);
    impl Sink for Csv {
        fn row(&mut self, cells: &[Cell]) -> std::io::Result<()> {
            let texts = cells.iter().map(|c| match c {
                Cell::None => String::new(),
                Cell::Whole(n) => n.to_string(),
                Cell::Real(x) => x.to_string(),
                Cell::Text(t) => t.clone(),
            });
            self.0.write_record(texts).map_err(std::io::Error::other)
        }

        fn finish(mut self: Box<Self>) -> std::io::Result<()> {
            self.0.flush()?;
            self.0.into_inner().map_err(|e| std::io::Error::other(e.to_string()))?.sync_all()
        }
    }
    let mut writer = csv::Writer::from_writer(std::fs::File::create(path)?);
    writer.write_record(table.columns.iter().map(|c| c.0)).map_err(std::io::Error::other)?;
    Ok(Box::new(Csv(writer)))
}

impl Book {
    /// Writes every table, and the stroke maps if asked for, to files in a folder.
    ///
    /// All tables are of one moment. A file is written under a temporary name and renamed when it is complete; files of the same name are
    /// replaced.
    ///
    /// # Arguments
    /// - `ending`: of the files' names, without the dot.
    /// - `maps`: stroke maps too: 4,608 rows a clip.
    /// - `step`: called after each table.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn export(
        &self,
        dir: &Path,
        ending: &str,
        maps: bool,
        make: MakeSink<'_>,
        step: &dyn Fn(),
    ) -> Result<Vec<Exported>, BookError> {
        std::fs::create_dir_all(dir).map_err(file("make the folder", dir))?;
        // One read transaction: what is entered meanwhile is in none of the tables.
        let moment = self.conn.unchecked_transaction().map_err(db("read the tables"))?;
        let mut out = Vec::new();
        for table in TABLES.iter().chain(maps.then_some(&MAPS)) {
            let to = dir.join(format!("{}.{ending}", table.name));
            let part = dir.join(format!("{}.{ending}.part", table.name));
            let mut sink = make(&part, table).map_err(file("write the table", &part))?;
            let rows = if table.name == MAPS.name {
                self.map_rows(&mut *sink, &part)?
            } else {
                self.rows(table, &mut *sink, &part)?
            };
            sink.finish().map_err(file("write the table", &part))?;
            std::fs::rename(&part, &to).map_err(file("name the table", &to))?;
            out.push(Exported { table: table.name, file: to, rows });
            step();
        }
        moment.finish().map_err(db("read the tables"))?;
        super::store::sync_dir(dir)?;
        Ok(out)
    }

    fn rows(&self, table: &Table, sink: &mut dyn Sink, part: &Path) -> Result<u64, BookError> {
        let doing = db("read a table");
        let mut statement = self.conn.prepare(table.sql).map_err(&doing)?;
        let mut rows = statement.query([]).map_err(&doing)?;
        let mut n = 0;
        while let Some(row) = rows.next().map_err(&doing)? {
            let cells = table
                .columns
                .iter()
                .enumerate()
                .map(|(i, (name, kind))| cell(row.get_ref(i).map_err(&doing)?, *kind, name))
                .collect::<Result<Vec<Cell>, BookError>>()?;
            sink.row(&cells).map_err(file("write the table", part))?;
            n += 1;
        }
        Ok(n)
    }

    fn map_rows(&self, sink: &mut dyn Sink, part: &Path) -> Result<u64, BookError> {
        let doing = db("read the stroke maps");
        let edges = band_edges_hz();
        let mut statement = self.conn.prepare(MAPS.sql).map_err(&doing)?;
        let mut rows = statement.query([]).map_err(&doing)?;
        let mut n = 0;
        while let Some(row) = rows.next().map_err(&doing)? {
            let (key, method): (String, i64) = (row.get(0).map_err(&doing)?, row.get(1).map_err(&doing)?);
            let (made, hint): (String, Option<f64>) = (row.get(2).map_err(&doing)?, row.get(3).map_err(&doing)?);
            let data: Vec<u8> = row.get(4).map_err(&doing)?;
            // A map that can't be read is made again by the next verdict; it is not worth an export without the rest.
            let Ok(analysis) = blob::decode(&data) else { continue };
            for (k, take) in (1_i64..).zip(&analysis.takes) {
                for bin in 0..N_FINE {
                    for band in 0..take.map.n_usable {
                        let level = 10.0 * f64::from(take.map.power[bin * N_BAND + band]).max(1e-24).log10();
                        sink.row(&[
                            Cell::Text(key.clone()),
                            Cell::Whole(method),
                            Cell::Text(made.clone()),
                            hint.map_or(Cell::None, Cell::Real),
                            Cell::Whole(k),
                            Cell::Real(take.spm),
                            Cell::Real(take.lock),
                            take.zero_turns().map_or(Cell::None, |z| Cell::Real(360.0 * z)),
                            Cell::Real(360.0 * bin as f64 / N_FINE as f64),
                            Cell::Real(edges[band]),
                            Cell::Real(edges[band + 1]),
                            Cell::Real((level * 100.0).round() / 100.0),
                        ])
                        .map_err(file("write the table", part))?;
                        n += 1;
                    }
                }
            }
        }
        Ok(n)
    }
}

fn cell(value: ValueRef<'_>, kind: Kind, name: &str) -> Result<Cell, BookError> {
    Ok(match (value, kind) {
        (ValueRef::Null, _) => Cell::None,
        (ValueRef::Integer(n), Whole) => Cell::Whole(n),
        (ValueRef::Real(x), Real) => Cell::Real(x),
        (ValueRef::Text(t), Text) => Cell::Text(String::from_utf8_lossy(t).into_owned()),
        _ => {
            return Err(refused(format!(
                "column {name} holds something else than it should; run `seatsong book check`"
            )));
        }
    })
}

#[cfg(test)]
mod tests;
