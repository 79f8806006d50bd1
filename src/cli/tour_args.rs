//! What the commands of the tour share: when, and by which position.

use clap::Args;
use jiff::Timestamp;

use super::Usage;
use crate::book::tour_named;
use crate::tour::{Sheet, Tour};

/// When, and who
#[derive(Debug, Clone, Default, Args)]
pub(super) struct WhenArgs {
    /// When, on the rig's clock: 2031-05-04 06:10, or 06:10 for the last such time [default: now]
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Who: the crew position, no name needed
    #[arg(long, value_name = "POSITION", default_value = "derrickman")]
    pub by: String,
}

impl WhenArgs {
    /// The instant meant.
    pub(super) fn instant(&self, sheet: &Sheet) -> anyhow::Result<Timestamp> {
        if self.by.trim().is_empty() {
            return Err(Usage("--by is empty; write the crew position, such as derrickman".into()).into());
        }
        at(self.at.as_deref(), sheet)
    }
}

/// A time as typed, or now.
pub(super) fn at(text: Option<&str>, sheet: &Sheet) -> anyhow::Result<Timestamp> {
    let now = Timestamp::now();
    match text {
        None => Ok(now),
        Some(text) => sheet.plan.entry_time(text, now).map_err(|e| Usage(e.to_string()).into()),
    }
}

/// The tour meant by `now`, `last` or a time in it, and the instant at which it is looked at.
pub(super) fn tour(text: &str, at: Timestamp, sheet: &Sheet) -> anyhow::Result<(Tour, Timestamp)> {
    tour_named(&sheet.plan, text, at).map_err(|e| Usage(e.to_string()).into())
}
