//! The axis of a trend: days, or the strokes that wear parts.

use crate::score::trend::{Crossing, DAY_S, Pace, TrendPoint};

/// What a trend is drawn over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Along {
    /// Days.
    #[default]
    Time,
    /// Strokes that the pump has made: what wears parts. Rounds before its running hours were entered are left out.
    Strokes,
}

impl Along {
    /// Days since 1970, or million strokes; `None` where they are not counted.
    pub(super) fn place(self, time_s: i64, strokes: Option<f64>) -> Option<f64> {
        match self {
            Self::Time => Some(time_s as f64 / DAY_S),
            Self::Strokes => strokes.map(|s| s / 1e6),
        }
    }

    /// Place of a round.
    pub(super) fn of(self, p: &TrendPoint) -> Option<f64> {
        self.place(p.time_s, p.strokes)
    }

    /// Departure of the drift line at a place.
    pub(super) fn line(self, pace: &Pace) -> Option<impl Fn(f64) -> f64 + use<>> {
        let (slope, mid) = match self {
            Self::Time => (pace.per_day.slope, pace.mid_time_s / DAY_S),
            Self::Strokes => (pace.per_million_strokes?.slope, pace.mid_strokes? / 1e6),
        };
        let level = pace.mid_departure;
        Some(move |at: f64| level + slope * (at - mid))
    }

    /// Likeliest way to a crossing.
    pub(super) fn ahead(self, c: &Crossing) -> Option<f64> {
        match self {
            Self::Time => c.days[1],
            Self::Strokes => c.strokes?[1].map(|s| s / 1e6),
        }
    }
}
