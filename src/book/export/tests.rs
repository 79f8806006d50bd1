use std::collections::BTreeSet;

use rusqlite::Connection;

use super::super::parquet::parquet_sink;
use super::*;

/// Columns that no table of the export has, and why nothing is lost by that.
const LEFT_OUT: &[(&str, &str, &str)] = &[
    ("book", "method", "for which version the queue of maps was filled: says nothing about the rig"),
    ("good", "started_ms", "that of its round"),
    ("verdict_clip", "started_ms", "that of its round"),
    ("verdict_clip", "current", "that of its verdict"),
];
/// Tables that are not exported, and why.
const NOT_EXPORTED: &[(&str, &str)] = &[
    ("to_analyse", "a list of what is still to be computed"),
    ("page_answer", "answers to phones, for entries that are in the other tables"),
    ("upload", "recordings on their way from a phone; whole ones are clips"),
    ("import_begun", "what an interrupted import is still to bring in"),
];

/// `(table, column)` of everything that a query selects; its tables are named `FROM table a JOIN other b`.
fn selected(sql: &str) -> BTreeSet<(String, String)> {
    let flat = sql.split_whitespace().collect::<Vec<_>>().join(" ");
    let (columns, rest) = flat.strip_prefix("SELECT ").unwrap().split_once(" FROM ").unwrap();
    let words: Vec<&str> = std::iter::once("FROM").chain(rest.split(' ')).collect();
    let of = |alias: &str| {
        let place = |w: &[&str]| ["FROM", "JOIN"].contains(&w[0]) && w[2] == alias;
        words.windows(3).find(|w| place(w)).unwrap_or_else(|| panic!("{alias} in {sql}"))[1].to_owned()
    };
    columns
        .split(", ")
        .map(|c| {
            let (alias, column) = c.split_once('.').unwrap_or_else(|| panic!("{c} without its table in {sql}"));
            (of(alias), column.to_owned())
        })
        .collect()
}

/// Whoever adds a table or a column adds it to the export too, or says here why not.
#[test]
fn every_column_of_every_table_is_exported() {
    let dir = tempfile::tempdir().unwrap();
    let book = Book::create(dir.path()).unwrap();
    let list = |sql: &str, of: &str| -> Vec<(String, String)> {
        let mut rows = book.conn.prepare(sql).unwrap();
        rows.query_map([of], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect()
    };
    let have: BTreeSet<(String, String)> = TABLES.iter().chain([&MAPS]).flat_map(|t| selected(t.sql)).collect();
    let tables = list("SELECT name, type FROM sqlite_schema WHERE type = ?1 AND name NOT LIKE 'sqlite_%'", "table");
    assert!(tables.len() > 20);
    for (table, _) in tables {
        if NOT_EXPORTED.iter().any(|n| n.0 == table) {
            continue;
        }
        let points = list("SELECT \"from\", \"table\" FROM pragma_foreign_key_list(?1)", &table);
        for (column, _) in list("SELECT name, type FROM pragma_table_info(?1)", &table) {
            // Numbers hold in one book only: the keys stand for them.
            let by_key = |to: &str| have.contains(&(to.to_owned(), "uuid".to_owned()));
            let number = column == "id" || points.iter().any(|(c, to)| *c == column && by_key(to));
            let told = LEFT_OUT.iter().any(|l| (l.0, l.1) == (table.as_str(), column.as_str()));
            assert!(
                have.contains(&(table.clone(), column.clone())) || number || told,
                "{table}.{column} is not exported: add it to src/book/export/tables.rs, or say in this test why not"
            );
        }
    }
}

#[test]
fn tables_have_as_many_columns_as_their_queries() {
    let dir = tempfile::tempdir().unwrap();
    let book = Book::create(dir.path()).unwrap();
    for table in TABLES {
        let columns = book.conn.prepare(table.sql).unwrap().column_count();
        assert_eq!(columns, table.columns.len(), "{}", table.name);
    }
}

/// A row in every table, whatever its columns are: each holds another value.
fn fill(conn: &Connection) {
    let text = |sql: &str| -> Vec<String> {
        let mut rows = conn.prepare(sql).unwrap();
        rows.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
    };
    conn.execute_batch(include_str!("../fixture.sql")).unwrap();
    for table in text("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'") {
        let n: i64 = conn.query_row(&format!("SELECT count(*) FROM {table}"), [], |r| r.get(0)).unwrap();
        let shipped_later = !include_str!("../fixture.sql").contains(&format!("INTO {table} "));
        assert!(n > 0 || shipped_later || table == "to_analyse", "{table} is empty");
    }
}

/// What is written is read back by the library that reads Parquet, table by table, cell by cell, against the CSV of the same moment.
#[test]
fn parquet_holds_what_csv_holds() {
    use parquet::file::reader::{FileReader as _, SerializedFileReader};
    use parquet::record::Field;

    let dir = tempfile::tempdir().unwrap();
    let book = Book::create(&dir.path().join("book")).unwrap();
    fill(&book.conn);
    let out = dir.path().join("out");
    book.export(&out, "csv", false, &csv_sink, &|| ()).unwrap();
    book.export(&out, "parquet", false, &parquet_sink, &|| ()).unwrap();
    for table in TABLES {
        let mut csv = csv::Reader::from_path(out.join(format!("{}.csv", table.name))).unwrap();
        let names: Vec<String> = csv.headers().unwrap().iter().map(str::to_owned).collect();
        let want: Vec<Vec<String>> = csv.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
        let file = std::fs::File::open(out.join(format!("{}.parquet", table.name))).unwrap();
        let reader = SerializedFileReader::new(file).unwrap();
        let got: Vec<Vec<(String, String)>> = reader
            .get_row_iter(None)
            .unwrap()
            .map(|row| {
                let cell = |(name, field): (&String, &Field)| {
                    let text = match field {
                        Field::Null => String::new(),
                        Field::Long(n) => n.to_string(),
                        Field::Double(x) => x.to_string(),
                        Field::Str(t) => t.clone(),
                        other => panic!("{}.{name}: {other:?}", table.name),
                    };
                    (name.clone(), text)
                };
                row.unwrap().get_column_iter().map(cell).collect()
            })
            .collect();
        assert_eq!(got.len(), want.len(), "{}", table.name);
        assert!(!want.is_empty(), "{} has no row to compare", table.name);
        for (g, w) in got.iter().zip(&want) {
            let w: Vec<(String, String)> = names.iter().cloned().zip(w.iter().cloned()).collect();
            assert_eq!(*g, w, "{}", table.name);
        }
    }
}
