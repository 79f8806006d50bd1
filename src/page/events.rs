//! What the phones are told of: several of them on one round see the same.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::sse::{Event as Sent, KeepAlive, Sse};
use futures_util::{Stream, StreamExt as _};
use serde::Serialize;
use tokio::sync::{Semaphore, broadcast, watch};
use tokio_stream::wrappers::BroadcastStream;

use super::fault::Fault;

/// Heartbeat: shorter than any router forgets a quiet connection.
const HEARTBEAT: Duration = Duration::from_secs(15);
/// Events that a slow phone may lag behind.
const LAG: usize = 512;

/// The phones that listen.
#[derive(Debug, Clone)]
pub(super) struct Phones {
    events: broadcast::Sender<Event>,
    listeners: Arc<Semaphore>,
    ended: watch::Receiver<bool>,
}

impl Phones {
    /// So many may listen at once, until the server has ended.
    pub(super) fn new(listeners: usize, ended: watch::Receiver<bool>) -> Self {
        Self { events: broadcast::Sender::new(LAG), listeners: Arc::new(Semaphore::new(listeners)), ended }
    }

    /// Tells them.
    pub(super) fn tell(&self, event: Event) {
        // Nobody may be listening.
        let _ = self.events.send(event);
    }
}

/// What has happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Kind {
    /// A round was started, changed or accepted.
    Round,
    /// A recording came in.
    Clip,
    /// A verdict is ready.
    Verdict,
    /// Long work goes on.
    Progress,
    /// A check was entered.
    Check,
    /// A part was changed.
    Part,
    /// Running hours were entered.
    Hours,
    /// A concern was entered or closed.
    Concern,
    /// Work was entered.
    Work,
    /// The note was signed, taken over or amended.
    Handover,
    /// Some events were missed: look at everything again.
    All,
}

/// An event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub(super) struct Event {
    pub(super) kind: Kind,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) round: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) done: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) of: Option<usize>,
}

impl Event {
    /// Of the rig as a whole.
    pub(super) fn of(kind: Kind) -> Self {
        Self { kind, round: None, done: None, of: None }
    }

    /// Of a round.
    pub(super) fn in_round(kind: Kind, round: i64) -> Self {
        Self { round: Some(round), ..Self::of(kind) }
    }
}

fn sent(event: Event) -> Sent {
    // Numbers and words: this always serialises.
    Sent::default().data(serde_json::to_string(&event).unwrap_or_default())
}

/// `GET /api/events`
pub(super) async fn events(
    State(phones): State<Phones>,
) -> Result<Sse<impl Stream<Item = Result<Sent, Infallible>>>, Fault> {
    let place = phones.listeners.clone().try_acquire_owned().map_err(|_| {
        Fault::later(
            StatusCode::SERVICE_UNAVAILABLE,
            "too many phones listen at once; this one asks again by itself",
            30,
        )
    })?;
    let mut ended = phones.ended.clone();
    let stream = BroadcastStream::new(phones.events.subscribe())
        .map(move |event| {
            // The place is given back when the phone goes.
            let _ = &place;
            Ok(sent(event.unwrap_or_else(|_| Event::of(Kind::All))))
        })
        .take_until(async move {
            // The server ends: the stream must not hold it up.
            let _ = ended.wait_for(|e| *e).await;
        });
    Ok(Sse::new(stream).keep_alive(KeepAlive::new().interval(HEARTBEAT).text("here")))
}
