//! The tour: the check sheet, what is due, readings and what they say together, parts, work, all as functions over values.
//!
//! Nothing here reads a clock, a file or the database: the present is an argument. Every rule that has no published source is marked as a
//! rule of thumb in what it returns, and a limit that nobody has entered is `None` and shown as "no limit entered".

mod clock;
pub mod cross;
mod due;
mod life;
mod meter;
pub mod parts;
#[cfg(test)]
mod property_tests;
pub mod reading;
mod sheet;
pub mod work;

pub use clock::{ClockError, Tour, TourPlan};
pub use due::{CheckEntry, HoursSince, Item, Outcome, Standing, Target, WalkPump, due, due_in};
pub use life::{
    Curve, EARLY_CHANCE, Early, FEWEST_ENDED, Group, Life, LifeError, LogRank, Step, early, early_by_lot, kaplan_meier,
    log_rank,
};
pub use meter::Meter;
pub use sheet::{Ask, AskKind, Check, DEFAULT_SHEET, Every, Limits, Per, Sheet, SheetError, parse_sheet};
