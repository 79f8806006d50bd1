//! The handover note: as it stands, signed, taken over, amended.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};

use super::ask::{Asked, Given};
use super::books::Books;
use super::entries::{Entries, Keyed, When, keyed};
use super::events::{Event, Kind};
use super::fault::Fault;
use super::guard::NOTE_POLICY;
use crate::book::{Book, NoteRow, tour_named};
use crate::handover::{first_steps, gather, html, sign};
use crate::tour::Sheet;

#[derive(Debug, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    tour: Option<String>,
}

impl Which {
    fn text(&self) -> &str {
        self.tour.as_deref().map(str::trim).filter(|t| !t.is_empty()).unwrap_or("now")
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct SignEntry {
    #[serde(flatten)]
    when: When,
    #[serde(flatten)]
    which: Which,
}

#[derive(Debug, Deserialize)]
pub(super) struct Amend {
    #[serde(flatten)]
    when: When,
    #[serde(flatten)]
    which: Which,
    words: String,
}

keyed!(SignEntry, Amend);

/// Name of the rig, for the head of the note.
#[derive(Debug, Clone)]
pub(super) struct Rig(pub(super) Arc<str>);

/// The signed note with both signatures and what was added to it since, as the command shows it.
fn signed_page(note: &NoteRow, sheet: &Sheet) -> Result<String, Fault> {
    sign::shown(&note.html, &sign::signed(note, &sheet.plan)).map_err(|e| {
        Fault::failed("the signed note can't be shown; the computer that serves this page has written down why", e)
    })
}

/// `GET /api/handover?tour=now`
pub(super) async fn state(
    State(books): State<Books>,
    State(Rig(rig)): State<Rig>,
    Asked(which): Asked<Which>,
) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let (sheet, _) = book.sheet()?;
        let (tour, at) = tour_named(&sheet.plan, which.text(), Timestamp::now())?;
        let note = gather(book, &rig, &tour, at, &|| ())?;
        let signed = book.note(&tour)?;
        let amendments = signed.iter().flat_map(|n| &n.amendments);
        let amendments: Vec<Value> = amendments.map(|a| json!({"at": a.when, "by": a.by, "text": a.text})).collect();
        Ok(json!({
            "schema": "seatsong.handover/1", "tour": [tour.start, tour.end], "signed": signed.is_some(),
            "sha256": signed.as_ref().map(|n| &n.sha256), "giver": signed.as_ref().map(|n| &n.giver),
            "taken_over": signed.as_ref().and_then(|n| n.taken.as_ref()).map(|t| json!({"by": t.by, "at": t.when, "remark": t.remark})),
            "amendments": amendments, "first_steps": first_steps(&note),
        }))
    };
    books.work_long(work).await.map(axum::Json)
}

/// `GET /handover.html?tour=now`
pub(super) async fn page(
    State(books): State<Books>,
    State(Rig(rig)): State<Rig>,
    Asked(which): Asked<Which>,
) -> Result<Response, Fault> {
    let work = move |book: &mut Book| {
        let (sheet, _) = book.sheet()?;
        let (tour, at) = tour_named(&sheet.plan, which.text(), Timestamp::now())?;
        match book.note(&tour)? {
            Some(note) => signed_page(&note, &sheet),
            None => Ok(html(&gather(book, &rig, &tour, at, &|| ())?)),
        }
    };
    let text = books.work_long(work).await?;
    let mut out = Html(text).into_response();
    out.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(NOTE_POLICY));
    Ok(out)
}

/// `POST /api/handover/sign`
pub(super) async fn sign_note(
    State(Entries { books, phones }): State<Entries>,
    State(Rig(rig)): State<Rig>,
    given: Given<SignEntry>,
) -> Result<Response, Fault> {
    let Given { value: e, asked } = given;
    let work = move |book: &mut Book| {
        let key = e.key();
        if let Some(answer) = book.answered(key, &asked)? {
            return Ok((answer, false));
        }
        let (sheet, _) = book.sheet()?;
        let at = e.when.instant(&sheet)?;
        let (tour, seen_at) = tour_named(&sheet.plan, e.which.text(), at)?;
        if book.note(&tour)?.is_some() {
            return Err(Fault::refused("the note of this tour is signed and frozen; amend it"));
        }
        // Judging takes seconds: made before the book is held for the signature.
        let mut note = gather(book, &rig, &tour, seen_at, &|| ())?;
        note.sign_off.giver = Some(format!("{}, {}", e.when.by(), sheet.plan.date_time(at)));
        let page = html(&note);
        let once = book.once(key, &asked, |book| {
            let sum = book.sign_note(&tour, &page, e.when.by(), at)?;
            Ok::<_, Fault>(json!({"sha256": sum, "giver": e.when.by(), "at": at}))
        })?;
        Ok((once.answer, once.first))
    };
    let (answer, first) = books.work_long(work).await?;
    if first {
        phones.tell(Event::of(Kind::Handover));
    }
    let status = if first { StatusCode::CREATED } else { StatusCode::OK };
    Ok((status, axum::Json(answer)).into_response())
}

/// `POST /api/handover/receive`
pub(super) async fn receive(State(entries): State<Entries>, given: Given<SignEntry>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &SignEntry| {
        let (sheet, _) = book.sheet()?;
        let at = e.when.instant(&sheet)?;
        let (tour, _) = tour_named(&sheet.plan, e.which.text(), at)?;
        book.take_over(&tour, e.when.by(), "", at)?;
        Ok(json!({"taken_over_by": e.when.by(), "at": at}))
    };
    entries.enter(given, Kind::Handover, work).await
}

/// `POST /api/handover/amend`
pub(super) async fn amend(State(entries): State<Entries>, given: Given<Amend>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &Amend| {
        let (sheet, _) = book.sheet()?;
        let at = e.when.instant(&sheet)?;
        let (tour, _) = tour_named(&sheet.plan, e.which.text(), at)?;
        book.amend_note(&tour, &e.words, e.when.by(), at)?;
        Ok(json!({"amended_by": e.when.by(), "at": at}))
    };
    entries.enter(given, Kind::Handover, work).await
}
