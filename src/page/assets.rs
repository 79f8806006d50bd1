//! The files of the page, compiled in. A further file is a further line in the table.

use std::sync::LazyLock;

use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use sha2::{Digest as _, Sha256};

use super::fault::Fault;

/// A file of the page.
#[derive(Debug, Clone, Copy)]
pub struct Asset {
    /// Its address.
    pub path: &'static str,
    /// Its bytes.
    pub bytes: &'static [u8],
}

macro_rules! table {
    ($($file:literal),* $(,)?) => {
        &[$(Asset { path: concat!("/", $file), bytes: include_bytes!(concat!("assets/", $file)) }),*]
    };
}

/// All files.
pub const ASSETS: &[Asset] = table![
    "index.html",
    "app.js",
    "style.css",
    "texts.js",
    "sw.js",
    "recorder-worklet.js",
    "manifest.webmanifest",
    "icon-192.png",
    "icon-512.png",
    "icon.svg",
    "lib/bus.js",
    "lib/chart.js",
    "lib/dom.js",
    "lib/format.js",
    "lib/live.js",
    "lib/net.js",
    "lib/pad.js",
    "lib/parts.js",
    "lib/photo.js",
    "lib/sound.js",
    "lib/store.js",
    "lib/strokemap.js",
    "lib/sync.js",
    "lib/theme.js",
    "views/check.js",
    "views/checks.js",
    "views/concerns.js",
    "views/good.js",
    "views/handover.js",
    "views/home.js",
    "views/kept.js",
    "views/map.js",
    "views/more.js",
    "views/pair.js",
    "views/parts.js",
    "views/point.js",
    "views/readings.js",
    "views/record.js",
    "views/trends.js",
    "views/verdict.js",
    "views/walk.js",
    "views/work.js",
];

/// Fingerprints by which a browser knows that it has a file already.
static TAGS: LazyLock<Vec<String>> = LazyLock::new(|| {
    let tag = |a: &Asset| {
        let digits: String = Sha256::digest(a.bytes).iter().take(12).map(|b| format!("{b:02x}")).collect();
        format!("\"{digits}\"")
    };
    ASSETS.iter().map(tag).collect()
});

fn content_type(path: &str) -> &'static str {
    match path.rsplit_once('.').map_or("", |(_, ending)| ending) {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "webmanifest" => "application/manifest+json",
        "png" => "image/png",
        "svg" => "image/svg+xml",
        "wav" => "audio/wav",
        "json" => "application/json",
        _ => "application/octet-stream",
    }
}

/// The certificate that a phone can be told to trust.
#[derive(Debug, Clone)]
pub(super) struct Authority(pub(super) Option<Bytes>);

/// Answers with a file of the table; an address is only ever compared with those in it.
pub(super) async fn asset(State(authority): State<Authority>, uri: Uri, headers: HeaderMap) -> Result<Response, Fault> {
    let path = if uri.path() == "/" { "/index.html" } else { uri.path() };
    if path == "/certificate.crt"
        && let Some(der) = &authority.0
    {
        let kind = (header::CONTENT_TYPE, "application/x-x509-ca-cert");
        return Ok(([kind], der.clone()).into_response());
    }
    let Some(k) = ASSETS.iter().position(|a| a.path == path) else {
        return Err(Fault::unknown("there is nothing at this address"));
    };
    let tag = TAGS.get(k).map(String::as_str).unwrap_or_default();
    let has = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok()).is_some_and(|v| v.contains(tag));
    let mut out = if has {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        ([(header::CONTENT_TYPE, content_type(path))], Bytes::from_static(ASSETS[k].bytes)).into_response()
    };
    if let Ok(tag) = HeaderValue::from_str(tag) {
        out.headers_mut().insert(header::ETAG, tag);
    }
    // Kept, but asked about each time: a new program has new files.
    out.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    Ok(out)
}
