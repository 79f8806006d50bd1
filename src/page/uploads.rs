//! Recordings from a phone, in pieces that survive a lost network and a restart of either side.
//!
//! A piece counts as far as it came: when the network goes in the middle of one, the phone asks how much is here and goes on from there.

use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::Bytes;
use axum::extract::{Path, Request, State};
use axum::http::{StatusCode, header};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::io::AsyncWriteExt as _;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::ask::{Asked, Given, Pieces, too_large};
use super::books::Books;
use super::entries::Entries;
use super::events::{Event, Kind};
use super::fault::Fault;
use super::limits::Limits;
use super::session::random;
use crate::book::{Book, Finished, NewUpload, Stamp, UploadRow};
use crate::clip::recording_kind_of;

/// Bytes that tell a recording from all else.
const HEAD: usize = 12;
/// Seconds after which a phone tries again when there is too much at once.
const AGAIN_S: u64 = 2;

/// The pieces that are being received.
#[derive(Debug)]
pub(super) struct Receiving {
    places: Arc<Semaphore>,
    busy: Mutex<HashSet<String>>,
}

impl Receiving {
    pub(super) fn new(places: usize) -> Self {
        Self { places: Arc::new(Semaphore::new(places)), busy: Mutex::default() }
    }

    /// Waits for a place among those that are being received; `None` when the server ends.
    pub(super) async fn place(&self) -> Option<OwnedSemaphorePermit> {
        self.places.clone().acquire_owned().await.ok()
    }
}

/// One upload takes one piece at a time.
struct Turn {
    receiving: Arc<Receiving>,
    id: String,
}

impl Turn {
    fn take(receiving: &Arc<Receiving>, id: &str) -> Option<Self> {
        let mut busy = receiving.busy.lock().unwrap_or_else(PoisonError::into_inner);
        busy.insert(id.to_owned()).then(|| Self { receiving: Arc::clone(receiving), id: id.to_owned() })
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        self.receiving.busy.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.id);
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct Wish {
    key: String,
    round: i64,
    module: u32,
    #[serde(default)]
    spot: Option<String>,
    bytes: i64,
    sha256: String,
    #[serde(default)]
    taken_at: Option<String>,
    #[serde(default)]
    taps_s: Option<Vec<f64>>,
}

fn shown(book: &Book, upload: &UploadRow) -> Result<Value, Fault> {
    let clip = upload.clip_id.map(|id| book.clip(id)).transpose()?;
    Ok(json!({"upload": upload.id, "have": upload.have, "bytes": upload.bytes, "clip": clip}))
}

/// Too many at once, or twice the same.
pub(super) fn busy() -> Fault {
    Fault::later(StatusCode::SERVICE_UNAVAILABLE, "this is just being received; try again", AGAIN_S)
}

/// `POST /api/uploads`
pub(super) async fn begin(
    State(books): State<Books>,
    State(limits): State<Limits>,
    Given { value: wish, .. }: Given<Wish>,
) -> Result<axum::Json<Value>, Fault> {
    if wish.bytes > limits.clip_bytes {
        let most = limits.clip_bytes / 1_000_000;
        return Err(Fault::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("the recording is too large: at most {most} MB"),
        ));
    }
    let id: String = random::<16>()
        .map_err(|e| Fault::failed("the system gives no random numbers", e))?
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    let answer = books.work(move |book| {
        let round = book.round(wish.round)?;
        let pump = book.pump_by_id(round.pump_id)?;
        let spot = book.spot(&pump, wish.module, wish.spot.as_deref())?;
        let taken_at = match &wish.taken_at {
            Some(text) => Stamp::parse(text).map_err(|e| Fault::refused(e.to_string()))?,
            None => Stamp::now(),
        };
        let new = NewUpload {
            key: &wish.key,
            round: &round,
            spot: &spot,
            bytes: wish.bytes,
            sha256: &wish.sha256,
            taken_at: &taken_at,
            taps_s: wish.taps_s.as_deref(),
        };
        let (waiting, bytes) = book.uploads_waiting()?;
        let upload = book.begin_upload(&id, &new)?;
        // Known ones may always go on; only a further one can be one too many.
        if upload.id == id && (waiting >= limits.uploads || bytes + wish.bytes > limits.upload_bytes) {
            book.discard_upload(&upload)?;
            let words = "too many recordings are on their way in; let some arrive first";
            return Err(Fault::later(StatusCode::SERVICE_UNAVAILABLE, words, AGAIN_S));
        }
        shown(book, &upload)
    });
    answer.await.map(axum::Json)
}

/// `GET /api/uploads/UP`
pub(super) async fn state(State(books): State<Books>, Path(id): Path<String>) -> Result<axum::Json<Value>, Fault> {
    books.work(move |book| shown(book, &book.upload(&id)?)).await.map(axum::Json)
}

#[derive(Debug, Deserialize)]
pub(super) struct From {
    from: i64,
}

/// `PUT /api/uploads/UP?from=N`
pub(super) async fn piece(
    State(books): State<Books>,
    State(limits): State<Limits>,
    State(receiving): State<Arc<Receiving>>,
    Path(id): Path<String>,
    Asked(From { from }): Asked<From>,
    request: Request,
) -> Result<axum::Json<Value>, Fault> {
    let waited = tokio::time::timeout(limits.body_pause, receiving.place()).await;
    let Ok(Some(place)) = waited else { return Err(busy()) };
    let turn = Turn::take(&receiving, &id).ok_or_else(busy)?;
    // On its own: what has come is written to its end, even if the network takes this request away in the middle.
    let received = tokio::spawn(async move {
        let out = receive(&books, &limits, id, from, request).await;
        drop((turn, place));
        out
    });
    let have = received.await.map_err(|e| Fault::failed("the server could not take this piece", e))??;
    Ok(axum::Json(json!({"have": have})))
}

/// Takes what comes behind the `from` bytes that are here.
///
/// # Returns
/// How many are here now.
async fn receive(books: &Books, limits: &Limits, id: String, from: i64, request: Request) -> Result<i64, Fault> {
    let (upload, path) = {
        let id = id.clone();
        let find = move |book: &mut Book| {
            let upload = book.upload(&id)?;
            let path = book.upload_path(&upload)?;
            Ok((upload, path))
        };
        books.work(find).await?
    };
    if upload.clip_id.is_some() || from != upload.have {
        Pieces::new(request.into_body(), limits).drain(limits.piece_bytes).await;
        let words = format!("{} bytes are here; go on from there", upload.have);
        return Err(Fault::new(StatusCode::CONFLICT, words).with("have", upload.have));
    }
    let most = limits.piece_bytes;
    let told = request.headers().get(header::CONTENT_LENGTH).and_then(|l| l.to_str().ok()?.parse::<usize>().ok());
    if told.is_some_and(|t| t > most) {
        return Err(too_large(most));
    }
    let mut pieces = Pieces::new(request.into_body(), limits);
    let mut room = most;
    // The first bytes must be those of a recording before anything is kept.
    let mut waiting = Vec::new();
    let mut to: Option<tokio::fs::File> = None;
    let mut have = upload.have;
    let disk = |e: std::io::Error| Fault::from(full_or_failed(&path, e));
    let ended = loop {
        let (bytes, last) = match pieces.next().await {
            Ok(Some(bytes)) => (bytes, false),
            Ok(None) => (Bytes::new(), true),
            Err(fault) => break Err(fault),
        };
        if bytes.len() > room {
            break Err(too_large(most));
        }
        room -= bytes.len();
        waiting.extend_from_slice(&bytes);
        if have + i64::try_from(waiting.len()).unwrap_or(i64::MAX) > upload.bytes {
            pieces.drain(room).await;
            break Err(Fault::refused("these are more bytes than the recording has").with("have", have));
        }
        if have == 0 && waiting.len() < HEAD && !last {
            continue;
        }
        if have == 0
            && !waiting.is_empty()
            && let Err(what) = recording_kind_of(&waiting)
        {
            pieces.drain(room).await;
            books.work(move |book| Ok(book.discard_upload(&upload)?)).await?;
            return Err(no_recording(&what));
        }
        if !waiting.is_empty() {
            let file = match &mut to {
                Some(file) => file,
                None => {
                    let mut options = tokio::fs::OpenOptions::new();
                    to.insert(options.append(true).create(true).open(&path).await.map_err(disk)?)
                }
            };
            file.write_all(&waiting).await.map_err(disk)?;
            file.flush().await.map_err(disk)?;
            have += i64::try_from(waiting.len()).unwrap_or(0);
            waiting.clear();
        }
        if last {
            break Ok(have);
        }
    };
    if to.is_some() {
        books.work(move |book| Ok(book.touch_upload(&id)?)).await?;
    }
    ended
}

fn no_recording(what: &str) -> Fault {
    Fault::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, format!("this is no sound recording ({what}); it was not kept"))
}

fn full_or_failed(path: &std::path::Path, source: std::io::Error) -> crate::book::BookError {
    if matches!(source.kind(), std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded) {
        return crate::book::BookError::Full { doing: "receive the recording" };
    }
    crate::book::BookError::File { doing: "receive the recording", path: path.to_path_buf(), source }
}

/// `POST /api/uploads/UP/done`
pub(super) async fn done(
    State(Entries { books, phones }): State<Entries>,
    State(receiving): State<Arc<Receiving>>,
    Path(id): Path<String>,
) -> Result<axum::Json<Value>, Fault> {
    let turn = Turn::take(&receiving, &id).ok_or_else(busy)?;
    let (finished, upload) = books
        .work(move |book| {
            // Kept until the work is done, even if the network takes this request away.
            let _turn = turn;
            let upload = book.upload(&id)?;
            Ok((book.finish_upload(&id)?, upload))
        })
        .await?;
    match finished {
        Finished::Clip(clip, known) => {
            if upload.clip_id.is_none() {
                phones.tell(Event::in_round(Kind::Clip, clip.round));
            }
            Ok(axum::Json(json!({"clip": clip, "known": known})))
        }
        Finished::Short => {
            let words = format!("{} of {} bytes are here; go on from there", upload.have, upload.bytes);
            Err(Fault::new(StatusCode::CONFLICT, words).with("have", upload.have))
        }
        Finished::Differs => {
            Err(Fault::refused("the recording was damaged on its way; send it again from its start").with("have", 0))
        }
        Finished::NoRecording(what) => Err(no_recording(&what)),
    }
}
