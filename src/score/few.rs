//! Good clips of few rounds: how many rounds there are, and what a verdict from few of them is worth.

use std::collections::BTreeSet;

use crate::clip::{Code, Finding};
use crate::score::{ClipVerdict, Item, State};

/// Good rounds from which on a spot's own clips tell how far rounds lie apart; from fewer a verdict is provisional.
pub const LEAST_ROUNDS: usize = 3;
/// Good clips that a spot needs: with one left out, two are left to fit.
pub(super) const LEAST_CLIPS: usize = 3;
/// No smaller chance of a false alarm is claimed in a provisional verdict: that of the limit.
const LEAST_CHANCE: f64 = 0.01;

/// How many rounds of a module the good clips are from; a clip without a round is a round of its own.
#[must_use]
pub fn n_rounds(goods: &[Item], module: Option<u32>) -> usize {
    let own = || goods.iter().filter(|g| g.module == module);
    let named: BTreeSet<&str> = own().filter_map(|g| g.round.as_deref()).collect();
    named.len() + own().filter(|g| g.round.is_none()).count()
}

/// What to say of good clips of so many rounds, where they are too few.
pub(super) fn provisional(rounds: usize) -> Option<Finding> {
    let of = if rounds == 1 { "all of one round" } else { "of two rounds only" };
    (rounds < LEAST_ROUNDS).then(|| {
        Finding::warn(
            Code::Provisional,
            format!(
                "the good clips are {of}, which can't tell how far rounds lie apart: the usual distance was taken; record good clips in at \
                 least {LEAST_ROUNDS} rounds, on different days"
            ),
        )
    })
}

/// The verdict as good clips of so many rounds can carry it.
pub(super) fn tempered(mut verdict: ClipVerdict, rounds: usize) -> ClipVerdict {
    if verdict.verdict != State::Unjudged
        && let Some(finding) = provisional(rounds)
    {
        verdict.reading.insert_str(0, "Provisional. ");
        verdict.false_alarm = verdict.false_alarm.map(|p| p.max(LEAST_CHANCE));
        verdict.quality.push(finding);
    }
    verdict
}
