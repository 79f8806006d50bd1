//! What is due, by the site's sheet and what was entered.

use jiff::Timestamp;

use super::error::refused;
use super::{Book, BookError};
use crate::tour::{Item, Meter, Sheet, Tour, WalkPump, due};

impl Book {
    /// What is due at `at`, in walking order.
    ///
    /// # Errors
    /// A sheet that can't be read, what the database says.
    pub fn due(&self, sheet: &Sheet, tour: &Tour, at: Timestamp) -> Result<Vec<Item>, BookError> {
        let pumps = self.pumps()?;
        let walk: Vec<WalkPump> = pumps
            .iter()
            .map(|p| WalkPump { name: p.data.name.clone(), modules: u32::try_from(p.data.order.len()).unwrap_or(0) })
            .collect();
        let mut meters = Vec::new();
        for pump in &pumps {
            // Contradicting hours are no hours: the check is then told to lack them.
            if let Ok(meter) = Meter::new(&self.runs(pump)?, &[]) {
                meters.push((pump.data.name.clone(), meter));
            }
        }
        let hours = |name: &str, since: Timestamp| {
            let (_, meter) = meters.iter().find(|(n, _)| n == name)?;
            let run = meter.between(since, at).ok()?;
            (run.covered > 0.0).then_some(run.hours)
        };
        let history = self.check_history(sheet, &pumps, tour.start, at)?;
        due(sheet, &walk, &history, &hours, tour, at).map_err(|e| refused(e.to_string()))
    }
}
