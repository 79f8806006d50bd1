//! Entries: who made them and when, made once by their key, told to the phones.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::Value;

use super::ask::Given;
use super::books::Books;
use super::events::{Event, Kind, Phones};
use super::fault::Fault;
use crate::book::Book;
use crate::tour::Sheet;

/// The position where none is said, as with the commands.
const POSITION: &str = "derrickman";

/// What bears the key by which it is entered once.
pub(super) trait Keyed {
    /// Made by whoever sends it.
    fn key(&self) -> &str;
}

/// When and who, beside every entry.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct When {
    pub(super) key: String,
    #[serde(default)]
    pub(super) by: Option<String>,
    #[serde(default)]
    pub(super) at: Option<String>,
}

impl When {
    /// By which position.
    pub(super) fn by(&self) -> &str {
        self.by.as_deref().map(str::trim).filter(|b| !b.is_empty()).unwrap_or(POSITION)
    }

    /// The instant meant, on the rig's clock.
    pub(super) fn instant(&self, sheet: &Sheet) -> Result<Timestamp, Fault> {
        let now = Timestamp::now();
        Ok(self.at.as_deref().map(|text| sheet.plan.entry_time(text, now)).transpose()?.unwrap_or(now))
    }
}

/// Entries bear when and who as fields of their own.
macro_rules! keyed {
    ($($name:ty),*) => {$(
        impl Keyed for $name {
            fn key(&self) -> &str {
                &self.when.key
            }
        }
    )*};
}
pub(super) use keyed;

/// The book that entries go into, and the phones that are told.
#[derive(Debug, Clone)]
pub(super) struct Entries {
    pub(super) books: Books,
    pub(super) phones: Phones,
}

impl Entries {
    /// Makes an entry once, by its key, and tells the phones.
    pub(super) async fn enter<T: Keyed + Send + 'static>(
        &self,
        given: Given<T>,
        kind: Kind,
        work: impl FnOnce(&mut Book, &T) -> Result<Value, Fault> + Send + 'static,
    ) -> Result<Response, Fault> {
        let Given { value, asked } = given;
        let once = self.books.work(move |book| book.once(value.key(), &asked, |book| work(book, &value))).await?;
        if once.first {
            let round = (kind == Kind::Round).then(|| once.answer.get("id").and_then(Value::as_i64)).flatten();
            self.phones.tell(Event { round, ..Event::of(kind) });
        }
        let status = if once.first { StatusCode::CREATED } else { StatusCode::OK };
        Ok((status, axum::Json(once.answer)).into_response())
    }
}
