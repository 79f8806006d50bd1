//! Rows of one table from one book into another, whatever their columns are.

use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension as _, params_from_iter};

use super::rules::{Fill, Rows};
use super::{MergeReport, Numbers};
use crate::book::error::db;
use crate::book::photos::PHOTOS;
use crate::book::{Book, BookError, sound_name};

/// Rows that are brought in as one whole.
const BATCH: usize = 200;

/// A row on its way: its columns, numbers of other rows already those of this book.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) columns: Vec<String>,
    pub(super) values: Vec<Value>,
}

/// What becomes of a row.
#[derive(Debug, PartialEq)]
pub(super) enum Fate {
    /// It is entered.
    New,
    /// It is this row of ours under another key.
    Same(i64),
    /// It adds nothing.
    Skip,
    /// The books contradict each other; in words.
    Undecided(String),
}

impl Row {
    /// A column's value; nothing for one that there is not.
    pub(super) fn get(&self, column: &str) -> Value {
        let at = self.columns.iter().position(|c| c == column);
        at.and_then(|i| self.values.get(i)).cloned().unwrap_or(Value::Null)
    }

    /// A whole number.
    pub(super) fn whole(&self, column: &str) -> Option<i64> {
        match self.get(column) {
            Value::Integer(n) => Some(n),
            _ => None,
        }
    }

    /// A text; empty if there is none.
    pub(super) fn text(&self, column: &str) -> String {
        match self.get(column) {
            Value::Text(t) => t,
            _ => String::new(),
        }
    }

    /// Sets a column.
    pub(super) fn set(&mut self, column: &str, value: Value) {
        if let Some(i) = self.columns.iter().position(|c| c == column) {
            self.values[i] = value;
        }
    }

    /// Takes the row's own number out.
    pub(super) fn take_number(&mut self) -> Option<i64> {
        let at = self.columns.iter().position(|c| c == "id")?;
        self.columns.remove(at);
        match self.values.remove(at) {
            Value::Integer(n) => Some(n),
            _ => None,
        }
    }

    /// Enters the row.
    pub(super) fn enter(&self, tx: &Connection, table: &str) -> Result<i64, BookError> {
        let doing = db("enter a row of the other book");
        let marks = vec!["?"; self.columns.len()].join(", ");
        let sql = format!("INSERT INTO {table} ({}) VALUES ({marks})", self.columns.join(", "));
        tx.prepare_cached(&sql).map_err(&doing)?.execute(params_from_iter(&self.values)).map_err(&doing)?;
        Ok(tx.last_insert_rowid())
    }
}

/// Columns of a table, as the database has them.
pub(super) fn columns_of(conn: &Connection, table: &str) -> Result<Vec<String>, BookError> {
    let doing = db("read the columns of a table");
    let mut rows = conn.prepare_cached("SELECT name FROM pragma_table_info(?1) ORDER BY cid").map_err(&doing)?;
    rows.query_map([table], |r| r.get(0)).and_then(Iterator::collect).map_err(&doing)
}

/// Number of the row with this key; 0 in a table without numbers.
fn find(tx: &Connection, table: &str, numbered: bool, key: &[&str], row: &Row) -> Result<Option<i64>, BookError> {
    let doing = db("look up a row");
    let wanted: Vec<String> = key.iter().map(|k| format!("{k} IS ?")).collect();
    let number = if numbered { "id" } else { "0" };
    let sql = format!("SELECT {number} FROM {table} WHERE {} LIMIT 1", wanted.join(" AND "));
    let values: Vec<Value> = key.iter().map(|k| row.get(k)).collect();
    tx.prepare_cached(&sql)
        .map_err(&doing)?
        .query_row(params_from_iter(&values), |r| r.get(0))
        .optional()
        .map_err(&doing)
}

/// Gives a row of ours what it lacks.
fn fill(
    tx: &Connection,
    table: &str,
    key: &[&str],
    number: Option<i64>,
    rule: &Fill,
    row: &Row,
) -> Result<(), BookError> {
    let doing = db("complete a row");
    let (columns, sets) = match rule {
        Fill::Nothing => return Ok(()),
        Fill::Each(columns) => {
            let empty = |c: &&str| format!("{c} = CASE WHEN {c} IS NULL OR {c} = '' THEN ? ELSE {c} END");
            (*columns, columns.iter().map(empty).collect::<Vec<_>>())
        }
        Fill::Together(columns) => {
            let Some(guard) = columns.first().filter(|g| row.get(g) != Value::Null) else { return Ok(()) };
            // All columns are set from the row as it was, so their order does not matter.
            let set = |c: &&str| format!("{c} = CASE WHEN {guard} IS NULL THEN ? ELSE {c} END");
            (*columns, columns.iter().map(set).collect())
        }
    };
    let mut values: Vec<Value> = columns.iter().map(|c| row.get(c)).collect();
    let wanted = match number {
        Some(id) => {
            values.push(Value::Integer(id));
            "id IS ?".to_owned()
        }
        None => {
            values.extend(key.iter().map(|k| row.get(k)));
            key.iter().map(|k| format!("{k} IS ?")).collect::<Vec<_>>().join(" AND ")
        }
    };
    let sql = format!("UPDATE {table} SET {} WHERE {wanted}", sets.join(", "));
    tx.prepare_cached(&sql).map_err(&doing)?.execute(params_from_iter(&values)).map_err(&doing)?;
    Ok(())
}

impl Book {
    /// Rows of one table of the other book.
    pub(super) fn merge_rows(
        &mut self,
        other: &Self,
        table: &'static str,
        rule: &Rows,
        numbers: &mut Numbers,
        out: &mut MergeReport,
    ) -> Result<(), BookError> {
        let doing = db("read the other book");
        let columns = columns_of(&self.conn, table)?;
        let numbered = columns.iter().any(|c| c == "id");
        let order = if numbered { "id".to_owned() } else { rule.key.join(", ") };
        let mut rows = other
            .conn
            .prepare(&format!("SELECT {} FROM {table} ORDER BY {order}", columns.join(", ")))
            .map_err(&doing)?;
        let mut rows = rows.query([]).map_err(&doing)?;
        let mut own = std::collections::HashMap::new();
        loop {
            let mut batch = Vec::new();
            while batch.len() < BATCH
                && let Some(row) = rows.next().map_err(&doing)?
            {
                let values =
                    (0..columns.len()).map(|i| row.get(i)).collect::<Result<Vec<Value>, _>>().map_err(&doing)?;
                batch.push(Row { columns: columns.clone(), values });
            }
            if batch.is_empty() {
                break;
            }
            let (mut new, mut undecided, mut refused) = (0, Vec::new(), Vec::new());
            self.whole("merge the books", |tx| {
                for mut row in batch {
                    let theirs = row.take_number();
                    if !translated(&mut row, rule.refs, numbers) {
                        continue;
                    }
                    let left_out = without_strange_photo(table, &mut row);
                    let ours = match find(tx, table, numbered, rule.key, &row)? {
                        Some(id) => Fate::Same(id),
                        None => rule.look.map_or(Ok(Fate::New), |look| look(tx, &mut row))?,
                    };
                    let id = match ours {
                        Fate::New => {
                            new += 1;
                            row.enter(tx, table)?
                        }
                        Fate::Same(id) => {
                            fill(tx, table, rule.key, numbered.then_some(id), &rule.fill, &row)?;
                            id
                        }
                        Fate::Skip => continue,
                        Fate::Undecided(why) => {
                            undecided.push(why);
                            continue;
                        }
                    };
                    refused.extend(left_out);
                    if let Some(theirs) = theirs {
                        own.insert(theirs, id);
                    }
                }
                Ok(())
            })?;
            *(rule.count)(out) += new;
            out.undecided.extend(undecided);
            out.refused.extend(refused);
        }
        numbers.insert(table, own);
        Ok(())
    }
}

/// Takes the name of a photo out of a row where it leads out of a book; what it was, in words.
fn without_strange_photo(table: &str, row: &mut Row) -> Option<String> {
    let column = match table {
        "part" => "photo",
        "answer" if row.text("kind") == "photo" => "words",
        _ => return None,
    };
    let name = row.text(column);
    let why = sound_name(PHOTOS, &name).err().filter(|_| !name.is_empty())?;
    row.set(column, Value::Text(String::new()));
    Some(format!("an entry of the tour was taken over without its photo {name:?}: {why}"))
}

/// Puts this book's numbers for the other's; false if a row that it points at did not come.
fn translated(row: &mut Row, refs: &[(&str, &str)], numbers: &Numbers) -> bool {
    for (column, table) in refs {
        let Some(theirs) = row.whole(column) else { continue };
        let Some(ours) = numbers.get(table).and_then(|n| n.get(&theirs)) else { return false };
        row.set(column, Value::Integer(*ours));
    }
    true
}
