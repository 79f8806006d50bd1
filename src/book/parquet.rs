//! Export tables as Apache Parquet files, for programs that read columns.

use std::fs::File;
use std::io;
use std::path::Path;
use std::sync::Arc;

use parquet::basic::Compression;
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;

use super::export::{Cell, Kind, Sink, Table};

/// Rows held before they are written as one group.
const GROUP: usize = 65_536;

/// Cells of one column.
enum Column {
    Whole(Vec<i64>),
    Real(Vec<f64>),
    Text(Vec<ByteArray>),
}

struct Parquet {
    writer: SerializedFileWriter<File>,
    columns: Vec<Column>,
    /// Whether each cell is there, a column; Parquet's definition levels.
    there: Vec<Vec<i16>>,
}

/// A Parquet file with optional columns of `INT64`, `DOUBLE` and `BYTE_ARRAY (STRING)`, compressed with Snappy.
///
/// # Errors
/// What the disk says.
pub fn parquet_sink(path: &Path, table: &Table) -> io::Result<Box<dyn Sink>> {
    let fields: Vec<String> = table
        .columns
        .iter()
        .map(|(name, kind)| match kind {
            Kind::Whole => format!("OPTIONAL INT64 {name};"),
            Kind::Real => format!("OPTIONAL DOUBLE {name};"),
            Kind::Text => format!("OPTIONAL BYTE_ARRAY {name} (STRING);"),
        })
        .collect();
    let schema =
        parse_message_type(&format!("message {} {{ {} }}", table.name, fields.join(" "))).map_err(io::Error::other)?;
    let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).build();
    let writer = SerializedFileWriter::new(File::create(path)?, Arc::new(schema), Arc::new(properties))
        .map_err(io::Error::other)?;
    let columns = table
        .columns
        .iter()
        .map(|(_, kind)| match kind {
            Kind::Whole => Column::Whole(Vec::new()),
            Kind::Real => Column::Real(Vec::new()),
            Kind::Text => Column::Text(Vec::new()),
        })
        .collect();
    Ok(Box::new(Parquet { writer, columns, there: vec![Vec::new(); table.columns.len()] }))
}

impl Parquet {
    fn group(&mut self) -> parquet::errors::Result<()> {
        if self.there.first().is_none_or(Vec::is_empty) {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for (column, there) in self.columns.iter_mut().zip(&mut self.there) {
            let Some(mut out) = group.next_column()? else { break };
            match column {
                Column::Whole(v) => out.typed::<Int64Type>().write_batch(v, Some(there), None)?,
                Column::Real(v) => out.typed::<DoubleType>().write_batch(v, Some(there), None)?,
                Column::Text(v) => out.typed::<ByteArrayType>().write_batch(v, Some(there), None)?,
            };
            out.close()?;
            match column {
                Column::Whole(v) => v.clear(),
                Column::Real(v) => v.clear(),
                Column::Text(v) => v.clear(),
            }
            there.clear();
        }
        group.close().map(|_| ())
    }
}

impl Sink for Parquet {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        for ((cell, column), there) in cells.iter().zip(&mut self.columns).zip(&mut self.there) {
            there.push(i16::from(*cell != Cell::None));
            match (cell, column) {
                (Cell::None, _) => {}
                (Cell::Whole(n), Column::Whole(v)) => v.push(*n),
                (Cell::Real(x), Column::Real(v)) => v.push(*x),
                (Cell::Text(t), Column::Text(v)) => v.push(ByteArray::from(t.as_bytes().to_vec())),
                _ => return Err(io::Error::other("a cell does not fit its column")),
            }
        }
        if self.there.first().is_some_and(|t| t.len() >= GROUP) {
            self.group().map_err(io::Error::other)?;
        }
        Ok(())
    }

    fn finish(mut self: Box<Self>) -> io::Result<()> {
        self.group().map_err(io::Error::other)?;
        self.writer.into_inner().map_err(io::Error::other)?.sync_all()
    }
}

#[cfg(test)]
mod tests {
    use parquet::file::reader::{FileReader as _, SerializedFileReader};
    use parquet::record::Field;

    use super::super::export::TABLES;
    use super::*;

    #[test]
    fn rows_come_back_with_what_is_not_known() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("liners.parquet");
        let table = TABLES.iter().find(|t| t.name == "liners").unwrap();
        let mut sink = parquet_sink(&path, table).unwrap();
        for k in 0..70_000_u32 {
            let bore = if k % 3 == 0 { Cell::None } else { Cell::Real(f64::from(k) / 8.0) };
            sink.row(&[Cell::Text(format!("key {k}")), bore, Cell::Real(2.5e7)]).unwrap();
        }
        sink.finish().unwrap();
        let reader = SerializedFileReader::new(File::open(&path).unwrap()).unwrap();
        assert_eq!((reader.num_row_groups(), reader.metadata().file_metadata().num_rows()), (2, 70_000));
        let rows: Vec<Vec<Field>> = reader
            .get_row_iter(None)
            .unwrap()
            .map(|r| r.unwrap().get_column_iter().map(|(_, f)| f.clone()).collect())
            .collect();
        assert_eq!(rows[3], [Field::Str("key 3".into()), Field::Null, Field::Double(2.5e7)]);
        assert_eq!(rows[69_998][1], Field::Double(69_998.0 / 8.0));
    }

    #[test]
    fn an_empty_table_is_a_readable_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("x.parquet");
        parquet_sink(&path, &TABLES[0]).unwrap().finish().unwrap();
        let reader = SerializedFileReader::new(File::open(&path).unwrap()).unwrap();
        assert_eq!(reader.metadata().file_metadata().num_rows(), 0);
    }
}
