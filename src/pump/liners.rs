//! Whether the entries of a liner table agree with each other.

use super::{PumpError, positive, rod_load_n};

/// One line of a pump's plate: a liner and the pressure it may be used at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinerRating {
    /// Bore in m.
    pub bore_m: f64,
    /// Rated pressure in Pa.
    pub rating_pa: f64,
}

/// How one entry fits the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LinerState {
    /// Its rod load is that of the others.
    Agrees,
    /// Its rod load is lower, and no other agreeing rating is higher: the fluid end sets the limit.
    Capped,
    /// Its rating is higher than the rod load of the others allows: probably a typing error, and a dangerous one.
    TooHigh,
    /// Its rating is lower than the others explain: probably a typing error.
    TooLow,
}

/// The answer for one entry.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinerCheck {
    /// The entry.
    pub liner: LinerRating,
    /// Rod load that it implies, in N.
    pub rod_load_n: f64,
    /// Its rod load over that of the entries that agree.
    pub ratio: f64,
    /// How it fits.
    pub state: LinerState,
}

/// Checks the liner table of one pump against itself.
///
/// Within one pump rating times bore squared (the rod load) is the same for all liners down to the bore where the fluid end's own limit
/// takes over; from there the rating stays the same. The rod load of the table is the one on which most entries agree (the higher one
/// of two equally supported). A table can only be checked against itself: the pump's plate stays the authority.
///
/// # Arguments
/// - `tolerance`: share by which rod loads may differ, such as 0.02.
///
/// # Returns
/// One answer an entry, in the order given; empty for an empty table.
///
/// # Errors
/// [`PumpError::NotPositive`] when a bore, a rating or the tolerance is not above zero.
pub fn check_liners(table: &[LinerRating], tolerance: f64) -> Result<Vec<LinerCheck>, PumpError> {
    positive("tolerance", tolerance)?;
    for row in table {
        positive("bore", row.bore_m)?;
        positive("rating", row.rating_pa)?;
    }
    let loads: Vec<f64> = table.iter().map(|row| rod_load_n(row.rating_pa, row.bore_m)).collect();
    let support = |load: f64| loads.iter().filter(|other| (*other / load - 1.0).abs() <= tolerance).count();
    let by_support = |a: &&f64, b: &&f64| support(**a).cmp(&support(**b)).then(a.total_cmp(b));
    let Some(&reference) = loads.iter().max_by(by_support) else {
        return Ok(Vec::new());
    };
    // The cap is the highest rating that the rod load does not forbid.
    let allowed = |load: f64| load / reference - 1.0 <= tolerance;
    let cap = table.iter().zip(&loads).filter(|(_, load)| allowed(**load)).map(|(row, _)| row.rating_pa);
    let cap = cap.max_by(f64::total_cmp).unwrap_or(f64::INFINITY);
    let check = |(row, load): (&LinerRating, &f64)| {
        let ratio = load / reference;
        let state = if ratio - 1.0 > tolerance {
            LinerState::TooHigh
        } else if 1.0 - ratio <= tolerance {
            LinerState::Agrees
        } else if row.rating_pa >= cap * (1.0 - 1e-9) {
            LinerState::Capped
        } else {
            LinerState::TooLow
        };
        LinerCheck { liner: *row, rod_load_n: *load, ratio, state }
    };
    Ok(table.iter().zip(&loads).map(check).collect())
}
