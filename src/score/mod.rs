//! Departure, place, pattern, reading in words, which module.

mod angle;
pub mod bank;
mod compare;
mod cross_talk;
mod few;
mod limit;
mod odd;
mod outcome;
mod place;
mod reading;
pub(crate) mod request;
mod rotating;
mod scorer;
mod settle;
pub mod trend;
mod verdict;
pub use compare::{Comparison, Heard, Item, PumpShape, Spot, cleaned, compare};
pub use few::{LEAST_ROUNDS, n_rounds};
pub use limit::Limit;
pub use odd::{OddOnes, odd_ones, scatter_db};
pub use outcome::{BaselineInfo, JudgeError, JudgeSettings, OddGood, Outcome, judge_all, unjudged};
pub use request::SkippedGood;
pub use scorer::{Best, Scored, Scorer, solve};
pub use verdict::{Angle, ChangeMaps, ClipVerdict, Half, Pattern, State};

#[cfg(test)]
pub(crate) mod made_up;
