//! Automatic gain: after something loud the recorder turns itself down and creeps up again.

use super::blocks::Block;
use super::{Code, Finding};

/// A block whose loudest 5 ms stand so far above the usual loudest is an event, in dB.
const EVENT_DB: f32 = 5.0;
/// Events needed before anything is said.
const LEAST_EVENTS: usize = 3;
/// Fall of the background that a riding gain shows at least, in dB.
const LEAST_FALL_DB: f32 = 3.0;
/// Blocks after an event in which the gain is still down.
const DOWN: std::ops::Range<usize> = 1..2;
/// Blocks after which it has come back.
const BACK: std::ops::Range<usize> = 8..12;
/// Blocks before an event that tell the background.
const BEFORE: usize = 4;

/// Warns if the background falls right after most loud events and comes back within seconds.
///
/// Valve knocks repeat several times in every block, so they are part of the usual loudest and never events. No
/// published source; the bars were set on made-up clips, on the cautious side.
pub(super) fn riding(blocks: &[Block]) -> Option<Finding> {
    let mut loudest: Vec<f32> = blocks.iter().map(|b| b.loudest_db).collect();
    loudest.sort_unstable_by(f32::total_cmp);
    let usual = *loudest.get(loudest.len() / 2)?;
    let mut falls = Vec::new();
    let mut at = BEFORE;
    while at + BACK.end <= blocks.len() {
        if blocks[at].loudest_db < usual + EVENT_DB {
            at += 1;
            continue;
        }
        let before = middle(&blocks[at - BEFORE..at]);
        let down = middle(&blocks[at + DOWN.start..at + DOWN.end]);
        let back = middle(&blocks[at + BACK.start..at + BACK.end]);
        // A fall that does not come back is another sound that has ended, not a gain.
        let returned = (before - back).abs() < 0.5 * (before - down).abs().max(1.0);
        falls.push(if returned { before - down } else { 0.0 });
        at += BACK.end;
    }
    if falls.len() < LEAST_EVENTS {
        return None;
    }
    let n = falls.len();
    let showing = falls.iter().filter(|&&f| f >= 0.7 * LEAST_FALL_DB).count();
    falls.sort_unstable_by(f32::total_cmp);
    let fall = falls[n / 2];
    (fall >= LEAST_FALL_DB && showing * 4 >= n * 3).then(|| {
        Finding::warn(
            Code::GainRiding,
            format!(
                "The recorder's automatic gain rides the level: the background falls by {fall:.0} dB after loud events and \
                 creeps back. Switch automatic gain off and set the level by hand."
            ),
        )
    })
}

/// Median background of some blocks.
fn middle(blocks: &[Block]) -> f32 {
    let mut levels: Vec<f32> = blocks.iter().map(|b| b.background_db).collect();
    levels.sort_unstable_by(f32::total_cmp);
    levels[levels.len() / 2]
}
