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
pub use due::{CheckEntry, Item, Outcome, Standing, Target, WalkPump, due};
pub use life::{Life, LifeError, early, kaplan_meier};
pub use meter::Meter;
pub use sheet::{Ask, AskKind, Check, DEFAULT_SHEET, Every, Per, Sheet, parse_sheet};
