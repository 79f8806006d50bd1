//! A change to be heard on the phone: a module now, or in its good run, in any band and part of the turn.

use std::sync::{Arc, Mutex, PoisonError};

use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::ask::{Asked, Number};
use super::books::Books;
use super::fault::Fault;
use super::verdict::{Judging, Standing, clip_of, judged};
use crate::book::{Book, Hearing};
use crate::report::hear::{HearSettings, Heard, USUAL_STROKES};
use crate::units::number;

/// Pairs of recordings at hand: a minute of two at 48 kHz is 46 MB.
const AT_HAND: usize = 3;
/// Where nothing is known of the change: what a jet through a small gap fills; all round the turn.
const USUAL_BAND_HZ: [f64; 2] = [2000.0, 16_000.0];
const WHOLE_TURN: [f64; 2] = [0.0, 360.0];
/// Frequencies that can be asked for, Hz.
const MOST_HZ: f64 = 96_000.0;

/// Recordings that were just listened to, by what they follow from; newest last.
#[derive(Debug, Default)]
pub(super) struct Listening(Mutex<Vec<(String, Arc<Hearing>)>>);

impl Listening {
    fn find(&self, key: &str) -> Option<Arc<Hearing>> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find(|(k, _)| k == key).map(|(_, h)| Arc::clone(h))
    }

    fn keep(&self, key: String, hearing: Arc<Hearing>) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|(k, _)| *k != key);
        if kept.len() >= AT_HAND {
            kept.remove(0);
        }
        kept.push((key, hearing));
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct Wish {
    module: u32,
    which: String,
    #[serde(default)]
    arc: Option<String>,
    #[serde(default)]
    band: Option<String>,
}

/// Two numbers with a comma between them, within a span.
fn two(text: Option<&str>, most: f64, what: &str) -> Result<Option<[f64; 2]>, Fault> {
    let Some(text) = text.filter(|t| !t.is_empty()) else { return Ok(None) };
    let number = |t: &str| number::in_file(t).ok().filter(|x| (0.0..=most).contains(x));
    let both = text.split_once(',').and_then(|(a, b)| Some([number(a)?, number(b)?]));
    both.map(Some).ok_or_else(|| Fault::refused(format!("{what} must be two numbers from 0 to {most}, such as 20,185")))
}

/// `GET /api/rounds/ID/hear?module=M&which=good|now&arc=A,B&band=LO,HI`
pub(super) async fn hear(
    State(books): State<Books>,
    State(judging): State<Arc<Judging>>,
    State(listening): State<Arc<Listening>>,
    Number(id): Number,
    Asked(wish): Asked<Wish>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    let what = match wish.which.as_str() {
        "good" => "healthy",
        "now" => "now",
        _ => return Err(Fault::refused("which must be good or now")),
    };
    let arc = two(wish.arc.as_deref(), 360.0, "arc")?;
    let band = two(wish.band.as_deref(), MOST_HZ, "band")?;
    if band.is_some_and(|[low, high]| low >= high) {
        return Err(Fault::refused("the lower frequency of the band comes first"));
    }
    let verdict = match judged(&judging, id).await? {
        Standing::Ready(verdict) => verdict,
        Standing::Working(..) => {
            return Err(Fault::later(StatusCode::SERVICE_UNAVAILABLE, "the verdict is still being worked out", 2));
        }
    };
    let k = clip_of(&verdict, wish.module)?;
    let of = &verdict.clips[k];
    let settings = HearSettings {
        band_hz: band.or(of.band_hz).unwrap_or(USUAL_BAND_HZ),
        arc_deg: arc.or(of.arc_deg).unwrap_or(WHOLE_TURN),
        strokes: USUAL_STROKES,
    };
    let file = of.file.clone();
    let work = move |book: &mut Book| {
        let round = book.round(id)?;
        let key = format!("{} {file}", book.verdict_basis(&round)?);
        let hearing = match listening.find(&key) {
            Some(hearing) => hearing,
            None => {
                let clip = book.clips(id)?.into_iter().find(|c| c.file == file);
                let clip = clip.ok_or_else(|| Fault::unknown("this recording is no longer in the round"))?;
                let hearing = Arc::new(book.hearing(&round, &clip)?);
                listening.keep(key, Arc::clone(&hearing));
                hearing
            }
        };
        let mut heard = hearing.heard(&settings)?;
        cut(&mut heard, what);
        heard.wav().map_err(|e| Fault::failed("the sound could not be made", e))
    };
    let wav = books.work_long(work).await?;
    Ok(sound(wav, headers.get(header::RANGE).and_then(|r| r.to_str().ok())))
}

/// Keeps the first stretch of one kind.
fn cut(heard: &mut Heard, what: &str) {
    let Some(section) = heard.sections.iter().find(|s| s.what == what).cloned() else { return };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "times within the sound")]
    let at = |s: f64| ((s * f64::from(heard.rate_hz)).round() as usize).min(heard.samples.len());
    heard.samples = heard.samples[at(section.start_s)..at(section.end_s).max(at(section.start_s))].to_vec();
}

/// A sound, or the part of it that was asked for: some phones play only what can be had in parts.
fn sound(wav: Vec<u8>, range: Option<&str>) -> Response {
    let all = wav.len();
    let part = range.and_then(|r| {
        let (from, to) = r.strip_prefix("bytes=")?.split_once('-')?;
        let from: usize = from.parse().ok()?;
        let to: usize =
            if to.is_empty() { all.checked_sub(1)? } else { to.parse::<usize>().ok()?.min(all.checked_sub(1)?) };
        (from <= to).then_some((from, to))
    });
    let bytes = Bytes::from(wav);
    let mut out = match part {
        Some((from, to)) => {
            let mut out = (StatusCode::PARTIAL_CONTENT, bytes.slice(from..=to)).into_response();
            if let Ok(value) = HeaderValue::from_str(&format!("bytes {from}-{to}/{all}")) {
                out.headers_mut().insert(header::CONTENT_RANGE, value);
            }
            out
        }
        None => bytes.into_response(),
    };
    out.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static("audio/wav"));
    out.headers_mut().insert(header::ACCEPT_RANGES, HeaderValue::from_static("bytes"));
    out
}
