//! Open books for all requests: work with one waits for its turn on a thread that may wait.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Semaphore;

use super::fault::Fault;
use crate::book::{Book, BookError};

/// Books open at once; more work waits.
const PERMITS: usize = 8;
/// Long pieces of work at once: each uses every core.
const LONG_PERMITS: usize = 2;

/// The book of this server, for everyone who works with it.
#[derive(Debug, Clone)]
pub(super) struct Books {
    idle: Arc<Idle>,
    permits: Arc<Semaphore>,
    long_permits: Arc<Semaphore>,
}

#[derive(Debug)]
struct Idle {
    place: PathBuf,
    books: Mutex<Vec<Book>>,
}

impl Idle {
    fn take(&self) -> Result<Book, BookError> {
        let idle = self.books.lock().unwrap_or_else(PoisonError::into_inner).pop();
        idle.map_or_else(|| Book::open(&self.place), Ok)
    }

    fn put_back(&self, book: Book) {
        let mut idle = self.books.lock().unwrap_or_else(PoisonError::into_inner);
        // A book with work left open is not used again: closing it takes that work back.
        if idle.len() < PERMITS && book.connection().is_autocommit() {
            idle.push(book);
        }
    }
}

impl Books {
    pub(super) fn new(place: PathBuf) -> Self {
        Self {
            idle: Arc::new(Idle { place, books: Mutex::default() }),
            permits: Arc::new(Semaphore::new(PERMITS)),
            long_permits: Arc::new(Semaphore::new(LONG_PERMITS)),
        }
    }

    /// Works with the book on a thread that may wait.
    pub(super) async fn work<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Book) -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        self.on(&self.permits, work).await
    }

    /// As [`Books::work`], for work of seconds: a few at a time.
    pub(super) async fn work_long<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Book) -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        self.on(&self.long_permits, work).await
    }

    async fn on<T: Send + 'static>(
        &self,
        permits: &Arc<Semaphore>,
        work: impl FnOnce(&mut Book) -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        let ends = |e: &dyn std::fmt::Display| Fault::failed("the server is ending", e);
        let permit = Arc::clone(permits).acquire_owned().await.map_err(|e| ends(&e))?;
        let idle = Arc::clone(&self.idle);
        let done = tokio::task::spawn_blocking(move || {
            let _permit = permit;
            let mut book = idle.take()?;
            let out = work(&mut book);
            idle.put_back(book);
            out
        });
        done.await.map_err(|e| Fault::failed("the server could not do this; it has written down why", e))?
    }
}
