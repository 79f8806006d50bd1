//! What all requests share: open books, limits, sessions, events.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde_json::Value;
use tokio::sync::{Semaphore, broadcast, watch};

use super::ask::Given;
use super::events::{Event, Kind};
use super::fault::Fault;
use super::hear::Listening;
use super::limits::Limits;
use super::pair::Pairing;
use super::serve::Notice;
use super::session::Sessions;
use super::uploads::Receiving;
use super::verdict::Judging;
use crate::book::{Book, BookError};

/// Books open at once; more work waits.
const HANDS: usize = 8;
/// Long pieces of work at once: each uses every core.
const LONG_HANDS: usize = 2;
/// Events that a slow phone may lag behind.
const LAG: usize = 512;

/// Shared by all requests; what it was made of is read as if it were its own.
#[derive(Debug)]
pub(super) struct Shared {
    made: Made,
    pub(super) events: broadcast::Sender<Event>,
    pub(super) listeners: Arc<Semaphore>,
    pub(super) receiving: Receiving,
    pub(super) judging: Judging,
    pub(super) listening: Listening,
    idle: Mutex<Vec<Book>>,
    hands: Arc<Semaphore>,
    long_hands: Arc<Semaphore>,
}

/// What of [`Shared`] differs from server to server.
#[derive(Debug)]
pub(super) struct Made {
    pub(super) book: PathBuf,
    pub(super) rig: String,
    /// Whether the page is served encrypted, on the network.
    pub(super) secure: bool,
    pub(super) port: u16,
    /// The certificate that a phone can be told to trust.
    pub(super) authority: Option<Vec<u8>>,
    pub(super) limits: Limits,
    pub(super) sessions: Sessions,
    /// Only on the network.
    pub(super) pairing: Option<Pairing>,
    pub(super) ended: watch::Receiver<bool>,
    pub(super) handle: axum_server::Handle<SocketAddr>,
    pub(super) notices: Sender<Notice>,
}

impl std::ops::Deref for Shared {
    type Target = Made;

    fn deref(&self) -> &Made {
        &self.made
    }
}

impl Shared {
    pub(super) fn new(made: Made) -> Arc<Self> {
        Arc::new(Self {
            events: broadcast::Sender::new(LAG),
            listeners: Arc::new(Semaphore::new(made.limits.listeners)),
            receiving: Receiving::new(made.limits.pieces_at_once),
            judging: Judging::default(),
            listening: Listening::default(),
            idle: Mutex::default(),
            hands: Arc::new(Semaphore::new(HANDS)),
            long_hands: Arc::new(Semaphore::new(LONG_HANDS)),
            made,
        })
    }

    /// Tells whoever runs the server.
    pub(super) fn notice(&self, notice: Notice) {
        // Nobody listens any more once the server ends.
        let _ = self.notices.send(notice);
    }

    /// Tells the phones.
    pub(super) fn tell(&self, event: Event) {
        // Nobody may be listening.
        let _ = self.events.send(event);
    }

    /// Works with the book on a thread that may wait.
    pub(super) async fn with_book<T: Send + 'static>(
        self: &Arc<Self>,
        work: impl FnOnce(&mut Book) -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        self.on(self.hands.clone(), work).await
    }

    /// As [`Shared::with_book`], for work of seconds: a few at a time.
    pub(super) async fn with_book_long<T: Send + 'static>(
        self: &Arc<Self>,
        work: impl FnOnce(&mut Book) -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        self.on(self.long_hands.clone(), work).await
    }

    async fn on<T: Send + 'static>(
        self: &Arc<Self>,
        hands: Arc<Semaphore>,
        work: impl FnOnce(&mut Book) -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        let ends = |e: &dyn std::fmt::Display| Fault::failed("the server is ending", e);
        let hand = hands.acquire_owned().await.map_err(|e| ends(&e))?;
        let shared = Arc::clone(self);
        let done = tokio::task::spawn_blocking(move || {
            let _hand = hand;
            let mut book = shared.take_book()?;
            let out = work(&mut book);
            shared.put_back(book);
            out
        });
        done.await.map_err(|e| Fault::failed("the server could not do this; it has written down why", e))?
    }

    fn take_book(&self) -> Result<Book, BookError> {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        idle.map_or_else(|| Book::open(&self.book), Ok)
    }

    fn put_back(&self, book: Book) {
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        // A book with work left open is not used again: closing it takes that work back.
        if idle.len() < HANDS && book.connection().is_autocommit() {
            idle.push(book);
        }
    }

    /// Makes an entry once, by its key, and tells the phones.
    pub(super) async fn enter<T: Keyed + Send + 'static>(
        self: &Arc<Self>,
        given: Given<T>,
        kind: Kind,
        work: impl FnOnce(&mut Book, &T) -> Result<Value, Fault> + Send + 'static,
    ) -> Result<Response, Fault> {
        let Given { value, asked } = given;
        let once = self.with_book(move |book| book.once(value.key(), &asked, |book| work(book, &value))).await?;
        if once.first {
            let round = (kind == Kind::Round).then(|| once.answer.get("id").and_then(Value::as_i64)).flatten();
            self.tell(Event { round, ..Event::of(kind) });
        }
        let status = if once.first { StatusCode::CREATED } else { StatusCode::OK };
        Ok((status, axum::Json(once.answer)).into_response())
    }
}

/// What bears the key by which it is entered once.
pub(super) trait Keyed {
    /// Made by whoever sends it.
    fn key(&self) -> &str;
}
