//! Photos of checks and parts: from a phone into the book under their checksum, and small ones back.
//!
//! A photo comes whole, before the entry that names it by its checksum. No name of the phone's is ever looked at: the book makes its own.

use std::sync::Arc;

use axum::extract::{Path, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Value, json};

use super::ask::{Pieces, whole_body};
use super::books::Books;
use super::fault::Fault;
use super::limits::Limits;
use super::uploads::{Receiving, busy};
use crate::book::{Book, PhotoRow, fingerprint};
use crate::report::photo::{photo_kind_of, small_jpeg};

/// A photo never changes under its checksum. Browsers keep it for the phone's owner alone, so that it is there without a connection too.
const KEPT: &str = "private, max-age=31536000, immutable";

/// A checksum as it must be written; no other name leads anywhere.
fn sound(sum: &str) -> Result<(), Fault> {
    let sound = sum.len() == 64 && sum.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if sound { Ok(()) } else { Err(Fault::unknown("a photo is named by its SHA-256: 64 hexadecimal digits")) }
}

/// The name within the book of a photo that an entry names by its checksum.
pub(super) fn file_of(book: &Book, sum: &str) -> Result<String, Fault> {
    let row = if sound(sum).is_ok() { book.photo(sum)? } else { None };
    row.map(|r| r.file).ok_or_else(|| Fault::refused("this photo is not in the book; send it first, then the entry"))
}

/// The checksum by which the page asks for a photo that an entry names; none for one that the book does not have.
pub(super) fn sum_of(book: &Book, named: &str) -> Result<Option<String>, Fault> {
    Ok(book.photo(named)?.map(|r| r.sha256))
}

fn answer(row: &PhotoRow, first: bool) -> Response {
    let status = if first { StatusCode::CREATED } else { StatusCode::OK };
    (status, axum::Json(json!({"photo": row, "known": !first}))).into_response()
}

/// `PUT /api/photos/SHA256`
pub(super) async fn keep(
    State(books): State<Books>,
    State(limits): State<Limits>,
    State(receiving): State<Arc<Receiving>>,
    Path(sum): Path<String>,
    request: Request,
) -> Result<Response, Fault> {
    sound(&sum)?;
    let place = tokio::time::timeout(limits.body_pause, receiving.place()).await;
    let Ok(Some(_place)) = place else { return Err(busy()) };
    let wanted = sum.clone();
    let here = books.work(move |book| Ok(book.photo(&wanted)?.filter(|row| book.has_photo(row)))).await?;
    if let Some(row) = here {
        // Sent again after an answer that was lost.
        Pieces::new(request.into_body(), &limits).drain(limits.photo_bytes).await;
        return Ok(answer(&row, false));
    }
    let bytes = whole_body(request.into_body(), limits.photo_bytes, &limits).await?;
    // Reading a photo takes a second and its pixels: a few at a time.
    let row = books.work_long(move |book| {
        if fingerprint(&bytes) != sum {
            return Err(Fault::refused(
                "the photo was damaged on its way, or its checksum is another's; send it again",
            ));
        }
        let kind = photo_kind_of(&bytes).ok_or_else(|| no_photo("its first bytes are of something else"))?;
        small_jpeg(&bytes).map_err(|e| no_photo(&e.to_string()))?;
        Ok(book.add_photo_bytes(&bytes, &format!("page.{kind}"))?)
    });
    Ok(answer(&row.await?, true))
}

fn no_photo(why: &str) -> Fault {
    let words = format!("this is no photo that can be shown: JPEG, PNG or WebP ({why}); it was not kept");
    Fault::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, words)
}

/// `GET /api/photos/SHA256`: a small one.
pub(super) async fn small(State(books): State<Books>, Path(sum): Path<String>) -> Result<Response, Fault> {
    sound(&sum)?;
    let jpeg = books.work_long(move |book| {
        let row = book.photo(&sum)?.ok_or_else(|| Fault::unknown("this photo is not in the book"))?;
        let bytes = std::fs::read(book.photo_path(&row.file)?)
            .map_err(|_| Fault::unknown("the file of this photo is missing; `seatsong book mend` looks for it"))?;
        small_jpeg(&bytes).map_err(|e| Fault::unknown(e.to_string()))
    });
    let mut out = ([(header::CONTENT_TYPE, "image/jpeg")], jpeg.await?).into_response();
    out.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static(KEPT));
    Ok(out)
}

/// The newest photo of an ask, as the page shows it.
pub(super) fn last_json(book: &Book, last: Option<(jiff::Timestamp, String)>) -> Result<Option<Value>, Fault> {
    last.map(|(at, named)| Ok(json!({"at": at, "photo": sum_of(book, &named)?}))).transpose()
}
