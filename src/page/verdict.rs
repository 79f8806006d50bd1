//! The verdict on a round: worked out once however many phones ask, with its progress told to all.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::watch;

use super::ask::{Asked, Number};
use super::books::Books;
use super::events::{Event, Kind, Phones};
use super::fault::Fault;
use crate::book::RoundVerdict;
use crate::map::StrokeMap;
use crate::report::words::worst_first;

/// Verdicts that are kept at hand: some rounds of each pump of a rig.
const AT_HAND: usize = 12;

/// How far one verdict is.
#[derive(Debug)]
struct Job {
    /// What it follows from.
    basis: String,
    done: AtomicUsize,
    of: AtomicUsize,
    ended: watch::Sender<Option<Result<Arc<RoundVerdict>, Fault>>>,
}

/// Verdicts at hand or being worked out, newest last.
#[derive(Debug)]
pub(super) struct Judging {
    books: Books,
    phones: Phones,
    /// How long a phone waits before it is told how far the work is.
    wait: Duration,
    jobs: Mutex<Vec<(i64, Arc<Job>)>>,
}

impl Judging {
    pub(super) fn new(books: Books, phones: Phones, wait: Duration) -> Self {
        Self { books, phones, wait, jobs: Mutex::default() }
    }

    /// The job of a round, and whether it is new and has to be started.
    fn join(&self, round: i64, basis: String) -> (Arc<Job>, bool) {
        let mut jobs = self.jobs.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, job)) = jobs.iter().find(|(r, j)| *r == round && j.basis == basis) {
            return (Arc::clone(job), false);
        }
        jobs.retain(|(r, _)| *r != round);
        if jobs.len() >= AT_HAND {
            jobs.remove(0);
        }
        let job = Arc::new(Job {
            basis,
            done: AtomicUsize::new(0),
            of: AtomicUsize::new(0),
            ended: watch::Sender::new(None),
        });
        jobs.push((round, Arc::clone(&job)));
        (job, true)
    }

    /// Forgets one that failed, so that it is tried again.
    fn forget(&self, job: &Arc<Job>) {
        let mut jobs = self.jobs.lock().unwrap_or_else(PoisonError::into_inner);
        jobs.retain(|(_, j)| !Arc::ptr_eq(j, job));
    }
}

/// How a round stands.
pub(super) enum Standing {
    Ready(Arc<RoundVerdict>),
    /// Stroke maps made, and to be made.
    Working(usize, usize),
}

/// The verdict on a round, or how far it is after a short wait.
pub(super) async fn judged(judging: &Arc<Judging>, id: i64) -> Result<Standing, Fault> {
    let find = move |book: &mut crate::book::Book| {
        let round = book.round(id)?;
        if book.clips(id)?.is_empty() {
            return Err(Fault::new(StatusCode::CONFLICT, format!("round {id} has no recordings yet")));
        }
        let basis = book.verdict_basis(&round)?;
        Ok((round, basis))
    };
    let (round, basis) = judging.books.work(find).await?;
    let (job, new) = judging.join(id, basis);
    let mut ended = job.ended.subscribe();
    if new {
        let (judging, job) = (Arc::clone(judging), Arc::clone(&job));
        tokio::spawn(async move {
            let (phones, at) = (judging.phones.clone(), Arc::clone(&job));
            let work = move |book: &mut crate::book::Book| {
                at.of.store(book.n_to_analyse(&round)?, Ordering::Relaxed);
                let step = || {
                    let done = at.done.fetch_add(1, Ordering::Relaxed) + 1;
                    let of = at.of.load(Ordering::Relaxed).max(done);
                    let event = Event::in_round(Kind::Progress, id);
                    phones.tell(Event { done: Some(done), of: Some(of), ..event });
                };
                Ok(Arc::new(book.judge_round(&round, &step)?))
            };
            let result = judging.books.work_long(work).await;
            if result.is_err() {
                judging.forget(&job);
            }
            job.ended.send_replace(Some(result));
            judging.phones.tell(Event::in_round(Kind::Verdict, id));
        });
    }
    let wait = tokio::time::timeout(judging.wait, ended.wait_for(Option::is_some)).await;
    match wait {
        Ok(Ok(result)) => match &*result {
            Some(Ok(verdict)) => Ok(Standing::Ready(Arc::clone(verdict))),
            Some(Err(fault)) => Err(fault.clone()),
            None => Err(Fault::failed("the verdict was lost", "its work ended without a result")),
        },
        Ok(Err(e)) => Err(Fault::failed("the verdict was lost", e)),
        Err(_) => {
            let done = job.done.load(Ordering::Relaxed);
            Ok(Standing::Working(done, job.of.load(Ordering::Relaxed).max(done)))
        }
    }
}

fn working(done: usize, of: usize) -> Response {
    (StatusCode::ACCEPTED, axum::Json(json!({"done": done, "of": of}))).into_response()
}

/// `GET /api/rounds/ID/verdict`
pub(super) async fn verdict(State(judging): State<Arc<Judging>>, Number(id): Number) -> Result<Response, Fault> {
    Ok(match judged(&judging, id).await? {
        Standing::Ready(verdict) => axum::Json(verdict.document()).into_response(),
        Standing::Working(done, of) => working(done, of),
    })
}

#[derive(Debug, Deserialize)]
pub(super) struct OfModule {
    module: u32,
}

/// Which clip of a module a map or a sound is of: the one that stands out most.
pub(super) fn clip_of(verdict: &RoundVerdict, module: u32) -> Result<usize, Fault> {
    let all = worst_first(&verdict.clips);
    let of_module = || all.iter().copied().filter(|&k| verdict.clips[k].module == Some(module));
    let judged = of_module().find(|&k| verdict.maps[k].is_some());
    judged.ok_or_else(|| match of_module().next().and_then(|k| verdict.clips[k].reason.clone()) {
        Some(reason) => Fault::new(StatusCode::CONFLICT, format!("module {module} could not be judged: {reason}")),
        None => Fault::unknown(format!("round {} has no recording of module {module}", verdict.round.id)),
    })
}

/// A map as rows of numbers, one row a band; what is not known is nothing.
fn rows(map: &StrokeMap) -> Vec<Vec<Option<f32>>> {
    let cell = |x: &f32| x.is_finite().then(|| (x * 100.0).round() / 100.0);
    map.level_db.rows().into_iter().map(|row| row.iter().map(cell).collect()).collect()
}

/// `GET /api/rounds/ID/map?module=M`
pub(super) async fn map(
    State(judging): State<Arc<Judging>>,
    Number(id): Number,
    Asked(OfModule { module }): Asked<OfModule>,
) -> Result<Response, Fault> {
    let verdict = match judged(&judging, id).await? {
        Standing::Ready(verdict) => verdict,
        Standing::Working(done, of) => return Ok(working(done, of)),
    };
    let k = clip_of(&verdict, module)?;
    let Some(maps) = &verdict.maps[k] else { return Err(Fault::unknown("there is no map")) };
    let clip = crate::report::json::tidy(serde_json::to_value(&verdict.clips[k]).unwrap_or_default(), "");
    let n_angle = maps.good.level_db.ncols();
    let angles: Vec<f64> = (0..n_angle).map(|a| 360.0 * a as f64 / n_angle as f64).collect();
    let mut out = json!({
        "round": id, "module": module, "file": clip["file"], "verdict": clip["verdict"], "angle": maps.angle, "angles_deg": angles,
        "band_edges_hz": maps.good.edges_hz, "arc_deg": clip["arc_deg"], "band_hz": clip["band_hz"],
    });
    let parts = [("good_db", &maps.good), ("now_db", &maps.now), ("difference_db", &maps.difference)];
    for (name, map) in parts {
        out[name] = serde_json::to_value(rows(map)).unwrap_or(Value::Null);
    }
    Ok(axum::Json(out).into_response())
}
