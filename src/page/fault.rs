//! What went wrong, in words for a person and as a status for the page; causes are logged, not shown.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Value, json};

use crate::book::BookError;

/// An answer that is none of what was asked for.
#[derive(Debug, Clone)]
pub(super) struct Fault {
    status: StatusCode,
    body: Value,
    wait_s: Option<u64>,
    /// For the log of the server.
    cause: Option<String>,
}

impl Fault {
    /// A sentence for a person.
    pub(super) fn new(status: StatusCode, words: impl Into<String>) -> Self {
        Self { status, body: json!({"error": words.into()}), wait_s: None, cause: None }
    }

    /// What can't be entered as it is.
    pub(super) fn refused(words: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, words)
    }

    /// What is not there.
    pub(super) fn unknown(words: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, words)
    }

    /// Too much at once: the same again in some seconds.
    pub(super) fn later(status: StatusCode, words: impl Into<String>, wait_s: u64) -> Self {
        let mut out = Self::new(status, words);
        out.body["wait_s"] = json!(wait_s);
        out.wait_s = Some(wait_s);
        out
    }

    /// What the program could not do; the cause is logged.
    pub(super) fn failed(words: impl Into<String>, cause: impl std::fmt::Display) -> Self {
        let mut out = Self::new(StatusCode::INTERNAL_SERVER_ERROR, words);
        out.cause = Some(cause.to_string());
        out
    }

    /// A further field beside the sentence.
    pub(super) fn with(mut self, field: &str, value: impl Into<Value>) -> Self {
        self.body[field] = value.into();
        self
    }

    /// An answer that asks instead of telling.
    pub(super) fn asks(words: &str) -> Self {
        Self { status: StatusCode::CONFLICT, body: json!({"ask": words}), wait_s: None, cause: None }
    }
}

/// A cause with its causes.
fn chain(err: &dyn std::error::Error) -> String {
    let mut out = err.to_string();
    let mut next = err.source();
    while let Some(cause) = next {
        out = format!("{out}: {cause}");
        next = cause.source();
    }
    out
}

impl From<BookError> for Fault {
    fn from(err: BookError) -> Self {
        match &err {
            BookError::Unknown { .. } => Self::unknown(err.to_string()),
            BookError::Refused { why } => Self::refused(why.clone()),
            BookError::Outside { .. } => Self::refused(err.to_string()),
            BookError::Busy { .. } => {
                let mut out = Self::later(
                    StatusCode::SERVICE_UNAVAILABLE,
                    "another program is writing to the book; try again",
                    5,
                );
                out.cause = Some(chain(&err));
                out
            }
            BookError::Full { .. } => {
                let mut out = Self::new(StatusCode::INSUFFICIENT_STORAGE, err.to_string());
                out.cause = Some(chain(&err));
                out
            }
            _ => Self::failed(
                "the book could not do this; the computer that serves this page has written down why",
                chain(&err),
            ),
        }
    }
}

impl From<crate::tour::ClockError> for Fault {
    fn from(err: crate::tour::ClockError) -> Self {
        Self::refused(err.to_string())
    }
}

/// What [`Fault`] leaves in the answer for the log.
#[derive(Debug, Clone)]
pub(super) struct Cause(pub(super) String);

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let mut out = (self.status, axum::Json(self.body)).into_response();
        if let Some(wait) = self.wait_s
            && let Ok(value) = HeaderValue::from_str(&wait.to_string())
        {
            out.headers_mut().insert(header::RETRY_AFTER, value);
        }
        if let Some(cause) = self.cause {
            out.extensions_mut().insert(Cause(cause));
        }
        out
    }
}
