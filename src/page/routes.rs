//! Which address does what.

use std::sync::Arc;

use axum::Router;
use axum::extract::{ConnectInfo, Extension, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde::Deserialize;
use serde_json::{Value, json};

use super::ask::Given;
use super::fault::Fault;
use super::guard::guard;
use super::pair::Tried;
use super::serve::Notice;
use super::session::{COOKIE, Who};
use super::state::Shared;
use super::{assets, events, hear, history, hours, note, photos, rounds, tour, uploads, verdict, work};

/// All addresses.
pub(super) fn router(shared: &Arc<Shared>) -> Router {
    let api = Router::new()
        .route("/me", get(me))
        .route("/pair", post(pair))
        .route("/events", get(events::events))
        .route("/pumps", get(rounds::pumps))
        .route("/rounds", get(rounds::list).post(rounds::start))
        .route("/rounds/{id}", get(rounds::show))
        .route("/rounds/{id}/close", post(rounds::close))
        .route("/rounds/{id}/verdict", get(verdict::verdict))
        .route("/rounds/{id}/map", get(verdict::map))
        .route("/uploads", post(uploads::begin))
        .route("/uploads/{id}", get(uploads::state).put(uploads::piece))
        .route("/uploads/{id}/done", post(uploads::done))
        .route("/photos/{sum}", get(photos::small).put(photos::keep))
        .route("/rounds/{id}/hear", get(hear::hear))
        .route("/due", get(tour::due))
        .route("/checks", post(tour::check))
        .route("/readings", get(tour::readings))
        .route("/parts", get(tour::parts).post(tour::change_part))
        .route("/hours", get(hours::list).post(hours::enter))
        .route("/concerns", get(tour::concerns).post(tour::add_concern))
        .route("/concerns/{id}/close", post(tour::close_concern))
        .route("/work", get(work::list).post(work::start))
        .route("/work/{id}", post(work::next))
        .route("/trend", get(history::trends))
        .route("/baseline", get(history::baseline))
        .route("/baseline/accept", post(history::accept))
        .route("/handover", get(note::state))
        .route("/handover/sign", post(note::sign_note))
        .route("/handover/receive", post(note::receive))
        .route("/handover/amend", post(note::amend))
        .fallback(nothing)
        .method_not_allowed_fallback(other_method);
    Router::new()
        .nest("/api", api)
        .route("/handover.html", get(note::page))
        .fallback_service(get(assets::asset).with_state(Arc::clone(shared)))
        .layer(from_fn_with_state(Arc::clone(shared), guard))
        .with_state(Arc::clone(shared))
}

async fn nothing() -> Fault {
    Fault::unknown("there is nothing at this address")
}

async fn other_method() -> Fault {
    Fault::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not take that")
}

/// `GET /api/me`
async fn me(State(shared): State<Arc<Shared>>, who: Option<Extension<Who>>) -> Result<axum::Json<Value>, Fault> {
    let who = who.map(|Extension(who)| who);
    let (units, zone) = match &who {
        Some(_) => {
            let find = |book: &mut crate::book::Book| {
                let units = book.pumps()?.first().map(|p| p.data.units.as_str());
                // A sheet with a mistake is told where the sheet is used.
                Ok((units, book.sheet().ok().map(|(sheet, _)| sheet.plan.zone_name().to_owned())))
            };
            shared.with_book(find).await?
        }
        None => (None, None),
    };
    // Who is not paired learns nothing of the rig.
    let rig = who.as_ref().map(|_| shared.rig.clone());
    Ok(axum::Json(json!({
        "paired": who.is_some(), "role": who.as_ref().map(|w| w.role), "token": who.map(|w| w.token), "rig": rig,
        "version": env!("CARGO_PKG_VERSION"), "secure": shared.secure, "units": units, "zone": zone,
    })))
}

#[derive(Debug, Deserialize)]
struct Code {
    code: String,
}

/// `POST /api/pair`
async fn pair(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(peer): ConnectInfo<std::net::SocketAddr>,
    Given { value: Code { code }, .. }: Given<Code>,
) -> Result<Response, Fault> {
    let failed = |e: super::serve::PageError| Fault::failed("the phone could not be paired", e);
    let Some(pairing) = &shared.pairing else {
        return Err(Fault::refused("on this computer no pairing is needed"));
    };
    let now = std::time::Instant::now();
    match pairing.tried(&code, peer.ip(), now).map_err(failed)? {
        Tried::Wrong => {
            shared.notice(Notice::Trouble(format!("a wrong pairing code from {}", peer.ip())));
            Err(Fault::new(
                StatusCode::FORBIDDEN,
                "this code is wrong, or was used already; a new one stands where the page was started",
            ))
        }
        Tried::Wait(wait_s) => {
            let words = format!("too many wrong codes; wait {} min", wait_s.div_ceil(60));
            Err(Fault::later(StatusCode::TOO_MANY_REQUESTS, words, wait_s))
        }
        Tried::Right(role) => {
            let life_s = shared.limits.session_life.as_secs();
            let sessions = Arc::clone(&shared);
            let paired = tokio::task::spawn_blocking(move || sessions.sessions.pair(role, life_s));
            let paired = paired.await.map_err(|e| Fault::failed("the phone could not be paired", e))?;
            let (cookie, who) = paired.map_err(failed)?;
            shared.notice(Notice::Paired { crew: role == super::session::Role::Crew, from: peer.ip() });
            shared.notice(Notice::Codes(pairing.codes(now)));
            let mut out = axum::Json(json!({"role": role, "token": who.token})).into_response();
            let cookie = format!("{COOKIE}={cookie}; Path=/; Max-Age={life_s}; Secure; HttpOnly; SameSite=Strict");
            if let Ok(value) = HeaderValue::from_str(&cookie) {
                out.headers_mut().insert(header::SET_COOKIE, value);
            }
            Ok(out)
        }
    }
}
