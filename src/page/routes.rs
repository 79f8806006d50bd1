//! Which address does what.

use axum::Router;
use axum::extract::{Extension, State};
use axum::http::StatusCode;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use serde_json::{Value, json};

use super::books::Books;
use super::fault::Fault;
use super::guard::{Gate, guard};
use super::note::Rig;
use super::session::Who;
use super::state::Server;
use super::{assets, events, hear, history, hours, note, pair, photos, rounds, tour, uploads, verdict, work};

/// All addresses.
pub(super) fn router(server: &Server) -> Router {
    let api = Router::new()
        .route("/me", get(me))
        .route("/pair", post(pair::pair))
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
        .fallback_service(get(assets::asset).with_state(server.clone()))
        .layer(from_fn_with_state(server.gate.clone(), guard))
        .with_state(server.clone())
}

async fn nothing() -> Fault {
    Fault::unknown("there is nothing at this address")
}

async fn other_method() -> Fault {
    Fault::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not take that")
}

/// `GET /api/me`
async fn me(
    State(books): State<Books>,
    State(gate): State<Gate>,
    State(Rig(rig)): State<Rig>,
    who: Option<Extension<Who>>,
) -> Result<axum::Json<Value>, Fault> {
    let who = who.map(|Extension(who)| who);
    let (units, zone) = match &who {
        Some(_) => {
            let find = |book: &mut crate::book::Book| {
                let units = book.pumps()?.first().map(|p| p.data.units.as_str());
                // A sheet with a mistake is told where the sheet is used.
                Ok((units, book.sheet().ok().map(|(sheet, _)| sheet.plan.zone_name().to_owned())))
            };
            books.work(find).await?
        }
        None => (None, None),
    };
    // Who is not paired learns nothing of the rig.
    let rig = who.as_ref().map(|_| rig.to_string());
    Ok(axum::Json(json!({
        "paired": who.is_some(), "role": who.as_ref().map(|w| w.role), "token": who.map(|w| w.token), "rig": rig,
        "version": env!("CARGO_PKG_VERSION"), "secure": gate.secure, "units": units, "zone": zone,
    })))
}
