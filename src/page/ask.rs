//! What came in, checked: bodies within their size and time, queries and numbers as what they should be.

use axum::body::{Body, Bytes};
use axum::extract::{FromRef, FromRequest, FromRequestParts, Query, Request};
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use futures_util::StreamExt as _;
use serde::de::DeserializeOwned;
use serde_json::Value;
use tokio::time::{Instant, timeout_at};

use super::fault::Fault;
use super::limits::Limits;
use crate::book::fingerprint;
use crate::units::number;

/// A body in JSON, and a checksum of what was asked.
#[derive(Debug)]
pub(super) struct Given<T> {
    pub(super) value: T,
    /// Method, path and checksum of the body: two entries that have these in common are one.
    pub(super) asked: String,
}

impl<S, T> FromRequest<S> for Given<T>
where
    S: Send + Sync,
    T: DeserializeOwned,
    Limits: FromRef<S>,
{
    type Rejection = Fault;

    async fn from_request(request: Request, state: &S) -> Result<Self, Fault> {
        let is_json =
            request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).is_some_and(|v| {
                v.split(';').next().unwrap_or_default().trim().eq_ignore_ascii_case("application/json")
            });
        if !is_json {
            return Err(Fault::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "the body must be application/json"));
        }
        let limits = Limits::from_ref(state);
        let what = format!("{} {}", request.method(), request.uri().path());
        let bytes = whole_body(request.into_body(), limits.json_bytes, &limits).await?;
        let value = serde_json::from_slice(&bytes)
            .map_err(|e| Fault::new(StatusCode::BAD_REQUEST, format!("the body can't be understood: {e}")))?;
        Ok(Self { value, asked: format!("{what} {}", fingerprint(&bytes)) })
    }
}

/// A body as a whole, of at most so many bytes.
pub(super) async fn whole_body(body: Body, most: usize, limits: &Limits) -> Result<Vec<u8>, Fault> {
    let mut out = Vec::new();
    let mut pieces = Pieces::new(body, limits);
    while let Some(piece) = pieces.next().await? {
        if out.len() + piece.len() > most {
            pieces.drain(limits.piece_bytes).await;
            return Err(too_large(most));
        }
        out.extend_from_slice(&piece);
    }
    Ok(out)
}

/// More than is taken.
pub(super) fn too_large(most: usize) -> Fault {
    Fault::new(StatusCode::PAYLOAD_TOO_LARGE, format!("too large: at most {most} bytes at once"))
}

/// The body of a request as it arrives, cut off when it arrives too slowly.
pub(super) struct Pieces {
    stream: axum::body::BodyDataStream,
    end: Instant,
    pause: std::time::Duration,
}

impl Pieces {
    pub(super) fn new(body: Body, limits: &Limits) -> Self {
        Self { stream: body.into_data_stream(), end: Instant::now() + limits.body_time, pause: limits.body_pause }
    }

    /// What has arrived next; `None` at the end.
    ///
    /// # Errors
    /// A connection that broke off, a sender that is too slow.
    pub(super) async fn next(&mut self) -> Result<Option<Bytes>, Fault> {
        let until = self.end.min(Instant::now() + self.pause);
        match timeout_at(until, self.stream.next()).await {
            // Not a fault of the sender: the same again, from where it stands, once the network is better.
            Err(_) => Err(Fault::later(
                StatusCode::SERVICE_UNAVAILABLE,
                "it arrives too slowly; go on from where it stands",
                1,
            )),
            Ok(None) => Ok(None),
            Ok(Some(Ok(piece))) => Ok(Some(piece)),
            Ok(Some(Err(_))) => Err(Fault::new(StatusCode::BAD_REQUEST, "the connection broke off")),
        }
    }
}

impl Pieces {
    /// Takes what still comes, up to so many bytes, and drops it: a sender that is cut off while it sends does not see the answer.
    pub(super) async fn drain(&mut self, most: usize) {
        let mut left = most;
        while let Ok(Some(piece)) = self.next().await {
            let Some(rest) = left.checked_sub(piece.len()) else { return };
            left = rest;
        }
    }
}

/// What stands behind the question mark of an address.
#[derive(Debug)]
pub(super) struct Asked<T>(pub(super) T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Asked<T> {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Fault> {
        Query::try_from_uri(&parts.uri).map(|Query(value)| Self(value)).map_err(|e| {
            Fault::new(StatusCode::BAD_REQUEST, format!("the address can't be understood: {}", e.body_text()))
        })
    }
}

/// A number in an address.
#[derive(Debug, Clone, Copy)]
pub(super) struct Number(pub(super) i64);

impl<S: Send + Sync> FromRequestParts<S> for Number {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Fault> {
        let text = axum::extract::Path::<String>::from_request_parts(parts, state).await;
        let number = text.ok().and_then(|t| t.parse().ok());
        number.map(Self).ok_or_else(|| Fault::unknown("there is nothing of this number"))
    }
}

/// A text or a number as the text that a person would type; blank is nothing.
pub(super) fn typed(value: Option<&Value>) -> Result<Option<String>, Fault> {
    match value {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(s)) => Ok(Some(s.trim().to_owned()).filter(|s| !s.is_empty())),
        // A number in JSON has a point and one reading, also with three decimals.
        Some(Value::Number(n)) => Ok(Some(number::one_reading(n.to_string()))),
        Some(_) => Err(Fault::refused("a text or a number is wanted here")),
    }
}
