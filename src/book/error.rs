//! Why the book could not do something.

use std::path::PathBuf;

use rusqlite::ErrorCode;

use super::NameFault;

/// Why the book could not do something.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BookError {
    /// No book at this place.
    #[error(
        "{path}: no book here; make one with `seatsong book new DIR`, or name yours with --book DIR or SEATSONG_BOOK"
    )]
    NoBook {
        /// The folder.
        path: String,
    },
    /// There is one already.
    #[error("{path}: there is a book here already; nothing was changed")]
    Exists {
        /// The folder.
        path: String,
    },
    /// A newer program wrote it.
    #[error(
        "{path}: this book was written by a newer seatsong (form {found}; this program knows up to {known}); use the newer program; nothing was changed"
    )]
    Newer {
        /// The folder.
        path: String,
        /// Its form.
        found: i32,
        /// The newest form known here.
        known: i32,
    },
    /// A database of some other program.
    #[error("{path}: book.db is not a book of this program; name the right folder with --book")]
    Foreign {
        /// The folder.
        path: String,
    },
    /// Another program holds the book for longer than anyone should wait.
    #[error("cannot {doing}: another program has been writing to the book for over {seconds} s; wait for it or end it")]
    Busy {
        /// What was being done.
        doing: &'static str,
        /// How long was waited.
        seconds: u64,
    },
    /// No space left.
    #[error(
        "cannot {doing}: the disk is full; make room and do it again; what was entered before is kept, this was not entered"
    )]
    Full {
        /// What was being done.
        doing: &'static str,
    },
    /// The database says no.
    #[error("cannot {doing}; run `seatsong book check`")]
    Db {
        /// What was being done.
        doing: &'static str,
        /// What the database says.
        #[source]
        source: rusqlite::Error,
    },
    /// A file or folder can't be read or written.
    #[error("{path}: cannot {doing}")]
    File {
        /// What was being done.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// Something named is not in the book.
    #[error("{what} is not in the book; {hint}")]
    Unknown {
        /// What was named.
        what: String,
        /// What there is, or how to see it.
        hint: String,
    },
    /// What was asked makes no sense with what is there.
    #[error("{why}")]
    Refused {
        /// What is wrong and what to do.
        why: String,
    },
    /// A stored name leads out of the book.
    #[error("{name:?} is no name of a file within the book: {why}; nothing was read or written there")]
    Outside {
        /// The name as it is stored.
        name: String,
        /// What is wrong with it.
        why: NameFault,
    },
    /// An entry of the database can't be understood.
    #[error("{what} can't be understood: {why}; run `seatsong book check`")]
    Spoilt {
        /// The entry.
        what: String,
        /// What is wrong with it.
        why: String,
    },
}

/// Seconds for which a writer waits for another one.
pub(super) const PATIENCE_S: u64 = 20;

/// What a database error means while `doing`.
pub(super) fn db(doing: &'static str) -> impl Fn(rusqlite::Error) -> BookError {
    move |source| match source.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => BookError::Full { doing },
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => BookError::Busy { doing, seconds: PATIENCE_S },
        _ => BookError::Db { doing, source },
    }
}

/// What a file error means while `doing`.
pub(super) fn file(doing: &'static str, path: &std::path::Path) -> impl FnOnce(std::io::Error) -> BookError {
    let path = path.to_owned();
    move |source| match source.kind() {
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded | std::io::ErrorKind::FileTooLarge => {
            BookError::Full { doing }
        }
        _ => BookError::File { doing, path, source },
    }
}

/// A refusal in words.
pub(crate) fn refused(why: impl Into<String>) -> BookError {
    BookError::Refused { why: why.into() }
}
