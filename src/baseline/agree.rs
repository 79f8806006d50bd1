//! What the taps of several clips of one spot say together of its crank zero.

use crate::baseline::align::apart;
use crate::map::{N_ANGLE, N_FINE};

/// How far taps may lie from what they are held against, in fine bins (15 degrees): two and a half standard deviations of how two clips
/// with 20 taps each differ at 80 strokes a minute (40 ms of scatter), and an eighth of the way to the next module's own angle.
pub const TAP_REACH: f64 = 15.0 * N_FINE as f64 / 360.0;
/// Fine bins of a column of the stroke map.
const COLUMN: f64 = (N_FINE / N_ANGLE) as f64;

/// What the taps of several clips say together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Agreed {
    /// There are none.
    Nothing,
    /// One clip alone has any: where it puts the crank zero, in fine bins.
    One(f64),
    /// Most of the tapped clips, and at least two, put it here.
    Most(f64),
    /// No such majority.
    Split,
}

/// Holds the crank zeros that the taps of several clips give against each other.
///
/// The largest group within 15 degrees of one of its own decides if it is more than half of all; its mean, to the nearest column
/// (5 degrees), is the crank zero. Whole columns, because then nothing but the names of the angles changes: the maps are the same maps.
///
/// # Arguments
/// - `zeros`: in fine bins on the spot's common origin.
#[must_use]
pub fn agree(zeros: impl IntoIterator<Item = f64>) -> Agreed {
    let zeros: Vec<f64> = zeros.into_iter().collect();
    let column = |z: f64| (z / COLUMN).round() * COLUMN;
    if let [] | [_] = zeros[..] {
        return zeros.first().map_or(Agreed::Nothing, |&z| Agreed::One(column(z)));
    }
    let near = |c: f64| zeros.iter().map(|&z| apart(z, c)).filter(|d| d.abs() <= TAP_REACH).collect::<Vec<f64>>();
    // Of groups of one size the tightest.
    let spread = |group: &[f64]| group.iter().map(|d| d.abs()).sum::<f64>();
    let best = zeros
        .iter()
        .map(|&c| (c, near(c)))
        .min_by(|(_, a), (_, b)| b.len().cmp(&a.len()).then(spread(a).total_cmp(&spread(b))));
    match best {
        Some((centre, group)) if group.len() > 1 && 2 * group.len() > zeros.len() => {
            Agreed::Most(column(centre + group.iter().sum::<f64>() / group.len() as f64))
        }
        _ => Agreed::Split,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_proposes_two_confirm_and_a_majority_outvotes() {
        assert_eq!(agree([]), Agreed::Nothing);
        assert_eq!(agree([7.3]), Agreed::One(8.0));
        assert_eq!(agree([1.0, 5.0]), Agreed::Most(4.0));
        assert_eq!(agree([1.0, 8.0]), Agreed::Split);
        assert_eq!(agree([0.0, 48.0]), Agreed::Split);
        assert_eq!(agree([0.0, 48.0, 1.0]), Agreed::Most(0.0));
        assert_eq!(agree([0.0, 48.0, 1.0, 49.0]), Agreed::Split);
        assert_eq!(agree([0.0, 48.0, -48.0, 20.0]), Agreed::Split);
        // Two of four that meet are no majority.
        assert_eq!(agree([0.0, 1.0, -48.0, 48.0]), Agreed::Split);
    }

    #[test]
    fn zeros_on_both_sides_of_half_a_turn_agree() {
        let n = N_FINE as f64;
        let Agreed::Most(z) = agree([71.0, -71.0, 70.0]) else { panic!("no agreement") };
        assert!(apart(z, 0.5 * n).abs() <= 2.0, "{z}");
    }
}
