//! What a spot's angles may be called: what pulses measured, what taps agree on, and which taps are not used.
//!
//! Taps never decide how a clip lies over its good runs; the sound does. They only give the angles of the spot their names, and are held
//! against what the good runs and the other tapped clips say of them.

use crate::baseline::{Agreed, TAP_REACH, agree, apart, best_turn};
use crate::clip::{Code, Finding};
use crate::map::{N_ANGLE, N_FINE};
use crate::score::Angle;
use crate::score::compare::{Item, PumpShape, Spot, turnable, zero_bins};
use crate::stroke::MarkKind;

/// How far the columns of a spot's maps lie from the module's own crank angle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Named {
    /// Column `k` starts at `5 (k - n)` degrees of the module's own angle.
    Sure(usize),
    /// The same, as far as the taps of one single clip tell.
    Likely(usize),
    /// Nobody knows.
    Unknown,
}

impl Named {
    /// What the contract calls it: taps of one clip make no angle absolute.
    pub(super) fn angle(self) -> Angle {
        if matches!(self, Self::Sure(_)) { Angle::Absolute } else { Angle::Relative }
    }

    /// Columns by which the angles that are shown are turned.
    pub(super) fn turn(self) -> usize {
        if let Self::Sure(turn) = self { turn } else { 0 }
    }

    /// The same in turns.
    pub(super) fn turn_turns(self) -> f64 {
        self.turn() as f64 / N_ANGLE as f64
    }
}

/// The angle of a spot and how it came about.
#[derive(Debug, Clone)]
pub(super) struct SpotAngle {
    /// Its name.
    pub named: Named,
    /// Whether today's tapped clips had a say in it.
    with_today: bool,
    /// What is to be said about the taps of the good clips.
    pub quality: Vec<Finding>,
}

/// One tapped clip: its file, whether it is one of today's, and where it puts the crank zero on the spot's origin, in fine bins.
struct Vote<'a> {
    file: &'a str,
    today: bool,
    zero: f64,
}

impl SpotAngle {
    /// Names the angles of a spot by its pulses, its good clips' taps and today's.
    pub(super) fn of(spot: &Spot, goods: &[Item], nows: &[Item], shape: &PumpShape) -> Self {
        let of_goods = spot.goods.iter().zip(&spot.alignment.tapped);
        let mut votes: Vec<Vote<'_>> = of_goods
            .filter_map(|(&i, tapped)| tapped.map(|zero| Vote { file: &goods[i].file, today: false, zero }))
            .collect();
        if spot.alignment.absolute {
            return Self { named: Named::Sure(0), with_today: false, quality: odd_ones(&votes, 0.0, shape) };
        }
        for now in nows.iter().filter(|n| n.module == spot.module && n.analysis.refusal().is_none()) {
            // A good clip that is judged as well (to learn its angle) has had its say.
            if spot.goods.iter().all(|&i| goods[i].file != now.file)
                && let Some(zero) = tapped_zero(now, spot, shape)
            {
                votes.push(Vote { file: &now.file, today: true, zero });
            }
        }
        let with_today = votes.iter().any(|v| v.today);
        let (named, quality) = match agree(votes.iter().map(|v| v.zero)) {
            Agreed::Nothing => (Named::Unknown, Vec::new()),
            Agreed::One(zero) => (Named::Likely(columns(zero)), vec![alone(&votes)]),
            Agreed::Most(zero) => (Named::Sure(columns(zero)), odd_ones(&votes, zero, shape)),
            Agreed::Split => (Named::Unknown, vec![split(&votes)]),
        };
        Self { named, with_today, quality }
    }

    /// What is to be said about the taps of one of today's clips, which its take and turn put over the good runs.
    pub(super) fn about_taps(&self, item: &Item, take: usize, shift: f64, shape: &PumpShape) -> Option<Finding> {
        let zero = zero_bins(&item.analysis.takes[take], MarkKind::Taps, shape, item.module)?;
        let off = match self.named {
            Named::Sure(turn) => apart(apart(zero, shift), bins(turn)),
            Named::Likely(_) => return None,
            Named::Unknown => {
                return Some(Finding::warn(
                    Code::TapsOff,
                    "your taps and those of the other clips do not agree on one angle: none of them was used; tap another clip of this spot",
                ));
            }
        };
        if off.abs() <= TAP_REACH {
            return None;
        }
        let others = if self.with_today { "the other tapped clips" } else { "the good runs" };
        let text = match module_at(off, shape) {
            Some(m) => format!("your taps fit module {m}: the angle of {others} was used; {HOW}"),
            None => format!("your taps are {} {others}: they were not used; {HOW}", degrees_off(off)),
        };
        Some(Finding::warn(Code::TapsOff, text))
    }
}

/// How to tap.
const HOW: &str = "tap as the rod of module 1 is at its crank end, at whatever module you stand";

/// Which take of a clip fits the spot's good runs, and where its taps put the crank zero.
fn tapped_zero(now: &Item, spot: &Spot, shape: &PumpShape) -> Option<f64> {
    let fits = now.analysis.takes.iter().map(|take| {
        let t = turnable(take, spot.model.n_usable, shape, now.module);
        let (shift, fit) = best_turn(&spot.alignment.mean, &t.pattern, None);
        (t.tapped.map(|zero| apart(zero, shift)), fit)
    });
    fits.max_by(|a, b| a.1.total_cmp(&b.1))?.0
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "columns of one turn")]
fn columns(bins: f64) -> usize {
    (bins * N_ANGLE as f64 / N_FINE as f64).round().rem_euclid(N_ANGLE as f64) as usize
}

fn bins(columns: usize) -> f64 {
    (columns * (N_FINE / N_ANGLE)) as f64
}

/// The module whose own crank end taps fit that lie so many fine bins after module 1's.
fn module_at(off: f64, shape: &PumpShape) -> Option<u32> {
    let fits = |m: &u32| apart(off, shape.offset_turns(Some(*m)) * N_FINE as f64).abs() <= TAP_REACH;
    shape.order.iter().copied().find(fits)
}

/// `about 45 degrees off`.
fn degrees_off(off: f64) -> String {
    format!("about {:.0} degrees off", 5.0 * (off.abs() * 72.0 / N_FINE as f64).round())
}

/// Tapped good clips beyond reach of the crank zero.
fn odd_ones(votes: &[Vote<'_>], zero: f64, shape: &PumpShape) -> Vec<Finding> {
    votes
        .iter()
        .filter(|v| !v.today)
        .map(|v| (v, apart(v.zero, zero)))
        .filter(|(_, off)| off.abs() > TAP_REACH)
        .map(|(v, off)| {
            let words = match module_at(off, shape) {
                Some(m) => format!("fit module {m}"),
                None => format!("are {}", degrees_off(off)),
            };
            Finding::warn(Code::TapsOff, format!("the taps of good clip {} {words}: they were not used", v.file))
        })
        .collect()
}

fn alone(votes: &[Vote<'_>]) -> Finding {
    let file = votes.first().map_or("", |v| v.file);
    Finding::warn(
        Code::AngleUnsure,
        format!(
            "the crank angle stands on the taps of one clip, {file}: halves are probable until a second tapped clip agrees"
        ),
    )
}

fn split(votes: &[Vote<'_>]) -> Finding {
    let files: Vec<&str> = votes.iter().map(|v| v.file).collect();
    Finding::warn(
        Code::TapsOff,
        format!(
            "the taps of {} do not agree on one angle: none of them was used; tap another clip of this spot",
            files.join(", ")
        ),
    )
}
