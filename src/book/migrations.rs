//! The forms that the database has had, oldest first.
//!
//! A migration that has shipped is never edited: a change is a new file at the end of the list.

use rusqlite::{Connection, TransactionBehavior};

use super::BookError;
use super::error::db;

/// Statements that bring a book from form `k` to form `k + 1`, at place `k`.
pub const MIGRATIONS: &[&str] =
    &[include_str!("migrations/0001.sql"), include_str!("migrations/0002.sql"), include_str!("migrations/0007.sql")];

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

    #[test]
    fn every_shipped_form_comes_to_the_newest_with_its_rows() {
        for from in 1..=SCHEMA {
            let mut conn = fresh(from);
            conn.execute_batch(
                "INSERT INTO book (id, made_at) VALUES (1, '2026-01-01T00:00:00Z');
                 INSERT INTO pump (name, firing_order, stroke_m, units, made_at)
                 VALUES ('kept', '1,2,3', 0.3, 'us', '2026-01-01T00:00:00Z');",
            )
            .unwrap();
            upgrade(&mut conn, "x", SCHEMA).unwrap();
            assert_eq!(form(&conn, "x").unwrap(), SCHEMA);
            let name: String = conn.query_row("SELECT name FROM pump", [], |r| r.get(0)).unwrap();
            assert_eq!(name, "kept");
            let ok: String = conn.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
            assert_eq!(ok, "ok");
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
