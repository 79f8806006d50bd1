//! The forms that the database has had, oldest first.
//!
//! A migration that has shipped is never edited: a change is a new file at the end of the list.

use rusqlite::{Connection, TransactionBehavior};

use super::BookError;
use super::error::db;

/// Statements that bring a book from form `k` to form `k + 1`, at place `k`.
pub const MIGRATIONS: &[&str] = &[
    include_str!("migrations/0001.sql"),
    include_str!("migrations/0002.sql"),
    include_str!("migrations/0003.sql"),
    include_str!("migrations/0004.sql"),
    include_str!("migrations/0005.sql"),
    include_str!("migrations/0006.sql"),
    include_str!("migrations/0007.sql"),
    include_str!("migrations/0008.sql"),
];

/// The form that this program writes.
#[expect(clippy::cast_possible_truncation, clippy::cast_possible_wrap, reason = "a handful of migrations")]
pub const SCHEMA: i32 = MIGRATIONS.len() as i32;

/// What marks a database as a book ("Seat" in ASCII).
const APPLICATION: i32 = 0x5365_6174;

/// The form of a database, 0 for an empty one.
///
/// # Errors
/// [`BookError::Foreign`] if it is some other program's, [`BookError::Newer`] if a newer program wrote it.
pub(super) fn form(conn: &Connection, shown: &str) -> Result<i32, BookError> {
    let pragma = |name: &str| conn.pragma_query_value(None, name, |row| row.get::<_, i32>(0));
    let doing = db("read the form of the book");
    let (application, version) = (pragma("application_id").map_err(&doing)?, pragma("user_version").map_err(&doing)?);
    let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(&doing)?;
    if application != APPLICATION && (tables > 0 || version != 0) {
        return Err(BookError::Foreign { path: shown.to_owned() });
    }
    if version > SCHEMA {
        return Err(BookError::Newer { path: shown.to_owned(), found: version, known: SCHEMA });
    }
    Ok(version)
}

/// Brings a database to the newest form, one migration a transaction. Another program may be doing the same.
///
/// # Errors
/// As [`form`], and what the database says.
pub(super) fn upgrade(conn: &mut Connection, shown: &str, up_to: i32) -> Result<(), BookError> {
    let doing = db("bring the book to its newest form");
    while form(conn, shown)? < up_to {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&doing)?;
        // Another program may have been faster: look again, now that nobody else writes.
        let now = form(&tx, shown)?;
        if now < up_to {
            let sql = usize::try_from(now).ok().and_then(|k| MIGRATIONS.get(k)).copied().unwrap_or_default();
            tx.execute_batch(sql).map_err(&doing)?;
            tx.pragma_update(None, "application_id", APPLICATION).map_err(&doing)?;
            tx.pragma_update(None, "user_version", now + 1).map_err(&doing)?;
        }
        tx.commit().map_err(&doing)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fresh(up_to: i32) -> Connection {
        let mut conn = Connection::open_in_memory().unwrap();
        conn.pragma_update(None, "foreign_keys", true).unwrap();
        upgrade(&mut conn, "x", up_to).unwrap();
        conn
    }

    /// What the tables of a book of form `form` are filled with.
    fn fill(conn: &Connection, form: i32) {
        let parts: Vec<&str> = include_str!("fixture.sql").split("-- form ").skip(1).collect();
        for part in parts {
            let (number, sql) = part.split_once('\n').unwrap();
            if number.trim().parse::<i32>().unwrap() <= form {
                conn.execute_batch(sql).unwrap();
            }
        }
    }

    /// Every column and row of a database, table by table; of `columns` if they are given.
    fn dump(conn: &Connection, columns: Option<&[(String, Vec<String>)]>) -> Vec<(String, Vec<String>)> {
        let list = |sql: &str, of: &str| -> Vec<String> {
            conn.prepare(sql).unwrap().query_map([of], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
        };
        let own: Vec<(String, Vec<String>)>;
        let wanted = match columns {
            Some(c) => c,
            None => {
                let tables =
                    list("SELECT name FROM sqlite_schema WHERE type = ?1 AND name NOT LIKE 'sqlite_%'", "table");
                own = tables
                    .into_iter()
                    .map(|t| {
                        let of_table = list("SELECT name FROM pragma_table_info(?1)", &t);
                        (t, of_table)
                    })
                    .collect();
                &own
            }
        };
        wanted
            .iter()
            .map(|(table, columns)| {
                let sql = format!("SELECT {} FROM {table} ORDER BY 1, 2", columns.join(", "));
                let rows: Vec<String> = conn
                    .prepare(&sql)
                    .unwrap()
                    .query_map([], |r| {
                        (0..columns.len()).map(|i| r.get::<_, rusqlite::types::Value>(i)).collect::<Result<Vec<_>, _>>()
                    })
                    .unwrap()
                    .map(|r| format!("{:?}", r.unwrap()))
                    .collect();
                (table.clone(), rows)
            })
            .collect()
    }

    fn columns(conn: &Connection) -> Vec<(String, Vec<String>)> {
        dump(conn, None)
            .into_iter()
            .map(|(table, _)| {
                let mut rows = conn.prepare("SELECT name FROM pragma_table_info(?1)").unwrap();
                let names = rows.query_map([&table], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
                (table, names)
            })
            .collect()
    }

    #[test]
    fn every_step_from_every_shipped_form_keeps_every_row() {
        for from in 1..=SCHEMA {
            let mut conn = fresh(from);
            fill(&conn, from);
            let had = columns(&conn);
            let before = dump(&conn, Some(&had));
            let filled = before.iter().filter(|(_, rows)| !rows.is_empty()).count();
            let least = match from {
                1 => 11,
                2 => 20,
                3 => 21,
                4 => 22,
                5 => 25,
                6 => 28,
                7 => 30,
                _ => 31,
            };
            assert!(filled >= least, "form {from}: {filled} tables have rows");
            for to in from..=SCHEMA {
                upgrade(&mut conn, "x", to).unwrap();
                assert_eq!(form(&conn, "x").unwrap(), to);
                assert_eq!(dump(&conn, Some(&had)), before, "from {from} to {to}");
                for pragma in ["integrity_check", "foreign_key_check"] {
                    let said: Vec<String> = conn
                        .prepare(&format!("PRAGMA {pragma}"))
                        .unwrap()
                        .query_map([], |r| r.get(0))
                        .unwrap()
                        .map(Result::unwrap)
                        .collect();
                    let fine: &[&str] = if pragma == "integrity_check" { &["ok"] } else { &[] };
                    assert_eq!(said, fine, "from {from} to {to}");
                }
            }
        }
    }

    #[test]
    fn a_book_of_every_shipped_form_is_read_by_this_program() {
        for from in 1..=SCHEMA {
            let dir = tempfile::tempdir().unwrap();
            let mut conn = Connection::open(dir.path().join("book.db")).unwrap();
            upgrade(&mut conn, "x", from).unwrap();
            fill(&conn, from);
            drop(conn);
            let book = super::super::Book::open(dir.path()).unwrap();
            let pump = book.pump("MP-1").unwrap();
            assert_eq!((pump.data.order.as_slice(), pump.data.liners.len()), (&[1, 3, 2][..], 1));
            assert_eq!(book.round_lines(Some(&pump), 9).unwrap().len(), 2);
            let trend = book.trend_input(&pump, 2).unwrap();
            assert_eq!((trend.rounds.len(), trend.marks.len()), (1, 1));
            assert_eq!(trend.rounds[0].hiss_sd, (from >= 3).then_some(2.5));
            assert_eq!(trend.rounds[0].strokes.is_some(), from >= 2, "running hours came with form 2");
            let tour = from >= 2;
            assert_eq!(book.parts(&pump).unwrap().len(), usize::from(tour));
            assert_eq!(book.jobs(&pump).unwrap().len(), usize::from(tour));
            assert_eq!(book.concerns(jiff::Timestamp::now()).unwrap().len(), usize::from(tour));
        }
    }

    #[test]
    fn a_newer_form_and_a_strange_database_are_refused() {
        let conn = fresh(SCHEMA);
        conn.pragma_update(None, "user_version", SCHEMA + 1).unwrap();
        let err = form(&conn, "rig/book").unwrap_err();
        assert!(matches!(err, BookError::Newer { found, .. } if found == SCHEMA + 1));
        assert!(err.to_string().contains("rig/book") && err.to_string().contains("newer"), "{err}");
        let other = Connection::open_in_memory().unwrap();
        other.execute_batch("CREATE TABLE other (x)").unwrap();
        assert!(matches!(form(&other, "x"), Err(BookError::Foreign { .. })));
    }

    #[test]
    fn every_table_is_strict() {
        let conn = fresh(SCHEMA);
        let mut loose = conn
            .prepare(
                "SELECT name FROM pragma_table_list WHERE type = 'table' AND strict = 0 AND name NOT LIKE 'sqlite_%'",
            )
            .unwrap();
        let names: Vec<String> = loose.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
        assert!(names.is_empty(), "{names:?}");
    }
}
