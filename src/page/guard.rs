//! Before every request: is it from our own page, and may this phone do it? After every one: headers that keep browsers strict.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::ask::Pieces;
use super::fault::{Cause, Fault};
use super::limits::Limits;
use super::notice::{Notice, Notices};
use super::session::{Role, Sessions};

/// Bears the token with everything that changes something.
pub(super) const TOKEN: &str = "x-seatsong-token";

/// What the page may load and do: its own files, nothing written into it, nothing from elsewhere.
pub(super) const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; \
media-src 'self' blob:; connect-src 'self'; frame-src 'self'; worker-src 'self'; manifest-src 'self'; base-uri 'none'; \
form-action 'none'; frame-ancestors 'none'";
/// What the handover note may: its own style, pictures and sounds that are in it, no script. Only our page may show it in a frame.
pub(super) const NOTE_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:; \
base-uri 'none'; form-action 'none'; frame-ancestors 'self'; sandbox allow-same-origin allow-popups";

/// On every answer.
const HEADERS: [(&str, &str); 6] = [
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("permissions-policy", "microphone=(self), camera=(), geolocation=(), usb=(), payment=()"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("x-permitted-cross-domain-policies", "none"),
];

/// What a request is held against.
#[derive(Debug, Clone)]
pub(super) struct Gate {
    /// Whether the page is served encrypted, on the network.
    pub(super) secure: bool,
    pub(super) port: u16,
    pub(super) limits: Limits,
    pub(super) sessions: Arc<Sessions>,
    pub(super) handle: axum_server::Handle<SocketAddr>,
    pub(super) notices: Notices,
}

/// Whether an address leads to what only known phones may see.
fn is_closed(path: &str) -> bool {
    (path.starts_with("/api/") && path != "/api/me" && path != "/api/pair") || path == "/handover.html"
}

fn text(headers: &HeaderMap, name: impl header::AsHeaderName) -> Option<&str> {
    // Twice the same header is none: which of them counts is a matter of taste, and taste is how checks are passed by.
    let mut all = headers.get_all(name).iter();
    let only = all.next()?.to_str().ok()?;
    all.next().is_none().then_some(only)
}

/// Whether a `Host` is this server. A name that an attacker has pointed at this computer is not: on the network only bare addresses and
/// the computer's own name are, on this computer only its loopback.
fn is_our_host(host: &str, gate: &Gate) -> bool {
    let Ok(host) = host.parse::<Authority>() else { return false };
    let usual = if gate.secure { 443 } else { 80 };
    if host.as_str().contains('@') || host.port_u16().unwrap_or(usual) != gate.port {
        return false;
    }
    let name = host.host();
    if name.eq_ignore_ascii_case("localhost") {
        return true;
    }
    let bare = name.strip_prefix('[').and_then(|n| n.strip_suffix(']')).unwrap_or(name);
    bare.parse::<IpAddr>().is_ok_and(|ip| gate.secure || ip.is_loopback())
}

fn checked(request: &mut Request, gate: &Gate) -> Result<(), Fault> {
    let forbidden = |words: &str| Fault::new(StatusCode::FORBIDDEN, words);
    if gate.handle.connection_count() > gate.limits.connections {
        return Err(Fault::later(StatusCode::SERVICE_UNAVAILABLE, "too many at once; try again", 5));
    }
    let headers = request.headers();
    let host = text(headers, header::HOST).filter(|h| is_our_host(h, gate));
    let host = host.ok_or_else(|| forbidden("this page answers under its own address only"))?.to_owned();
    let path = request.uri().path().to_owned();
    let cookie = headers.get(header::COOKIE).and_then(|c| c.to_str().ok());
    let who = gate.sessions.who(cookie);
    if is_closed(&path) && who.is_none() {
        return Err(Fault::new(
            StatusCode::UNAUTHORIZED,
            "pair this phone first: the code stands where the page was started",
        ));
    }
    let site = text(headers, "sec-fetch-site");
    if path.starts_with("/api/") && site == Some("cross-site") {
        // It could not read the answer anyway; nor is it to keep the server busy.
        return Err(forbidden("answers are for this page itself only"));
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        let scheme = if gate.secure { "https" } else { "http" };
        let origin = text(headers, header::ORIGIN);
        if origin != Some(format!("{scheme}://{host}").as_str()) || site.is_some_and(|s| s != "same-origin") {
            return Err(forbidden("entries are taken from this page itself only"));
        }
        if path != "/api/pair" {
            let who = who.as_ref().ok_or_else(|| Fault::new(StatusCode::UNAUTHORIZED, "pair this phone first"))?;
            if !text(headers, TOKEN).is_some_and(|t| who.has_token(t)) {
                return Err(forbidden("the page is older than the server; load it again").with("code", "token"));
            }
            if who.role != Role::Crew {
                return Err(forbidden("this phone may read only; pair it with the crew's code to enter something")
                    .with("code", "reader"));
            }
        }
    }
    if let Some(who) = who {
        request.extensions_mut().insert(who);
    }
    Ok(())
}

/// Stands before and behind every request.
pub(super) async fn guard(State(gate): State<Gate>, mut request: Request, next: Next) -> Response {
    let method = request.method().clone();
    // Without what stands behind the question mark.
    let path = request.uri().path().to_owned();
    let checked = checked(&mut request, &gate);
    let mut response = match checked {
        Ok(()) => next.run(request).await,
        Err(fault) => {
            // Not for as long as somebody who may enter something: a stranger is to hold no connection.
            let limits = Limits { body_time: gate.limits.body_pause, ..gate.limits };
            Pieces::new(request.into_body(), &limits).drain(limits.piece_bytes).await;
            fault.into_response()
        }
    };
    if let Some(Cause(cause)) = response.extensions_mut().remove::<Cause>() {
        gate.notices.tell(Notice::Trouble(format!("{method} {}: {cause}", shown(&path))));
    }
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// An address as it may stand in a log: short, printable.
fn shown(path: &str) -> String {
    path.chars().take(80).map(|c| if c.is_ascii_graphic() { c } else { '?' }).collect()
}
