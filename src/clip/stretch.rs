//! Finds the longest clean stretch of a partly spoilt recording, and the cleanest stretch of a long one.

use std::ops::Range;

/// One block in so many of a stretch may be spoilt: a robust mean over strokes bears a few.
const ONE_IN: usize = 50;

/// Blocks that may be spoilt among `n`: 2 %, and always one.
pub(super) fn bearable(n: usize) -> usize {
    (n / ONE_IN).max(1)
}

/// The longest stretch with no more spoilt blocks than [`bearable`], cut to its cleanest `most` blocks, without spoilt
/// blocks at its ends; the earliest of equals. Empty if every block is spoilt.
pub(super) fn longest(spoilt: &[bool], most: usize) -> Range<usize> {
    let one = longest_with_one(spoilt);
    let share = longest_with_share(spoilt);
    let best = if share.len() > one.len() { share } else { one };
    if best.len() <= most {
        return best;
    }
    let cost: Vec<f64> = spoilt[best.clone()].iter().map(|&s| f64::from(u8::from(s))).collect();
    let inner = cheapest(&cost, most);
    trimmed(spoilt, best.start + inner.start..best.start + inner.end)
}

/// The longest stretch with clean ends and at most one spoilt block.
fn longest_with_one(spoilt: &[bool]) -> Range<usize> {
    let (mut best, mut start, mut count) = (0..0, 0, 0);
    for end in 1..=spoilt.len() {
        count += usize::from(spoilt[end - 1]);
        while count > 1 {
            count -= usize::from(spoilt[start]);
            start += 1;
        }
        let candidate = trimmed(spoilt, start..end);
        if candidate.len() > best.len() {
            best = candidate;
        }
    }
    best
}

/// The longest stretch with clean ends in which at most one block in [`ONE_IN`] is spoilt.
///
/// With `p(i) = ONE_IN * (spoilt before i) - i`, a stretch `i..j` qualifies when `p(j) <= p(i)`. Only prefix maxima of
/// `p` can start a longest one (an earlier start with a larger `p` would do as well, also after passing over spoilt
/// blocks, which raises `p`), so one sweep from the right over a stack of them finds it.
fn longest_with_share(spoilt: &[bool]) -> Range<usize> {
    // Shifted by the length to stay positive: ONE_IN * spoilt + (len - i).
    let mut p = Vec::with_capacity(spoilt.len() + 1);
    p.push(spoilt.len());
    for &s in spoilt {
        p.push(p[p.len() - 1] + ONE_IN * usize::from(s) - 1);
    }
    let mut starts: Vec<usize> = Vec::new();
    for (i, &value) in p.iter().enumerate() {
        if spoilt.get(i) == Some(&false) && starts.last().is_none_or(|&top| value > p[top]) {
            starts.push(i);
        }
    }
    let mut best = 0..0;
    for end in (1..p.len()).rev().filter(|&end| !spoilt[end - 1]) {
        while let Some(&start) = starts.last() {
            if start > end || p[start] < p[end] {
                break;
            }
            starts.pop();
            if end - start >= best.len() && end > start {
                best = start..end;
            }
        }
        while starts.last().is_some_and(|&start| start > end) {
            starts.pop();
        }
    }
    best
}

/// Without the spoilt blocks at both ends.
fn trimmed(spoilt: &[bool], mut range: Range<usize>) -> Range<usize> {
    while !range.is_empty() && spoilt[range.start] {
        range.start += 1;
    }
    while !range.is_empty() && spoilt[range.end - 1] {
        range.end -= 1;
    }
    if range.is_empty() { 0..0 } else { range }
}

/// The stretch of `len` blocks with the smallest sum of `cost`; the earliest of equals.
pub(super) fn cheapest(cost: &[f64], len: usize) -> Range<usize> {
    let len = len.min(cost.len());
    let mut sum: f64 = cost[..len].iter().sum();
    let (mut best, mut best_start) = (sum, 0);
    for start in 1..=cost.len() - len {
        sum += cost[start + len - 1] - cost[start - 1];
        // Sums are built up step by step: a hair's difference is rounding, not a better stretch.
        if sum < best - 1.0e-6 {
            (best, best_start) = (sum, start);
        }
    }
    best_start..best_start + len
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Every stretch tried, as the definition says.
    fn longest_plainly(spoilt: &[bool]) -> usize {
        let mut best = 0;
        for start in 0..spoilt.len() {
            for end in start + 1..=spoilt.len() {
                let bad = spoilt[start..end].iter().filter(|&&s| s).count();
                if bad <= bearable(end - start) {
                    best = best.max(trimmed(spoilt, start..end).len());
                }
            }
        }
        best
    }

    proptest! {
        #[test]
        fn the_longest_stretch_is_the_one_a_plain_search_finds(
            seeds in prop::collection::vec(0_u8..60, 0..260), density in 1_u8..30,
        ) {
            let spoilt: Vec<bool> = seeds.iter().map(|&s| s < density).collect();
            let found = longest(&spoilt, usize::MAX);
            prop_assert!(found.end <= spoilt.len());
            prop_assert_eq!(found.len(), longest_plainly(&spoilt));
            let bad = spoilt[found.clone()].iter().filter(|&&s| s).count();
            prop_assert!(bad <= bearable(found.len()));
            prop_assert!(longest(&spoilt, 40).len() <= 40);
        }
    }

    #[test]
    fn one_bad_block_is_borne_and_a_bad_end_is_cut_off() {
        let mut spoilt = vec![false; 60];
        spoilt[30] = true;
        assert_eq!(longest(&spoilt, usize::MAX), 0..60);
        spoilt[0] = true;
        spoilt[1] = true;
        assert_eq!(longest(&spoilt, usize::MAX), 2..60);
        assert_eq!(longest(&[true; 8], usize::MAX), 0..0);
        assert_eq!(longest(&[], 5), 0..0);
    }

    #[test]
    fn the_cheapest_window_is_found_and_ties_go_to_the_first() {
        assert_eq!(cheapest(&[3.0, 0.0, 0.0, 0.0, 0.0, 1.0], 3), 1..4);
        assert_eq!(cheapest(&[1.0], 3), 0..1);
        assert_eq!(cheapest(&[], 3), 0..0);
    }
}
