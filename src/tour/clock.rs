//! When a tour starts and ends: change times on the rig's clock, also across midnight and a clock change.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan as _};

/// Why a tour plan or a time can't be used.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum ClockError {
    /// The time zone is not in the time-zone database.
    #[error("time zone \"{zone}\" is not known; write an IANA name such as Europe/Oslo, America/Chicago or UTC")]
    Zone {
        /// What was written.
        zone: String,
    },
    /// A change time can't be read.
    #[error("change time \"{text}\" can't be read; write hours and minutes such as 06:00")]
    ChangeTime {
        /// What was written.
        text: String,
    },
    /// No change times.
    #[error("no change times; write at least one, such as changes = [\"06:00\", \"18:00\"]")]
    NoChanges,
    /// A change time that occurs twice.
    #[error("change time {time} occurs twice; write each once")]
    Twice {
        /// The time.
        time: String,
    },
    /// A time that can't be read.
    #[error("\"{text}\" is not a time; write it like 2031-05-04 06:10, or 06:10 for the last such time")]
    NotATime {
        /// What was typed.
        text: String,
    },
    /// A time that lies ahead.
    #[error("{text} lies in the future (it is {now} on the rig's clock); check the date, or this computer's clock")]
    Future {
        /// What was typed.
        text: String,
        /// The present, on the rig's clock.
        now: String,
    },
    /// Beyond what a calendar holds.
    #[error("{text} is beyond the calendar (years -9999 to 9999)")]
    Beyond {
        /// The time.
        text: String,
    },
}

/// How far an entry's time may lie ahead of this computer's clock: two clocks of one rig seldom agree to the minute.
const CLOCKS_DIFFER_BY: SignedDuration = SignedDuration::from_mins(5);

/// The change times of a rig and the time zone of its clock.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TourPlan {
    zone_name: String,
    zone: TimeZone,
    changes: Vec<Time>,
}

/// One tour: from one change of crews to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Tour {
    /// First instant.
    pub start: Timestamp,
    /// First instant of the next tour.
    pub end: Timestamp,
}

impl Tour {
    /// Whether `at` lies in this tour: the start does, the end does not.
    #[must_use]
    pub fn holds(&self, at: Timestamp) -> bool {
        self.start <= at && at < self.end
    }

    /// Its true length in hours: a twelve-hour tour over a clock change has 11 or 13.
    #[must_use]
    pub fn hours(&self) -> f64 {
        self.end.duration_since(self.start).as_secs_f64() / 3600.0
    }
}

impl TourPlan {
    /// A plan from an IANA zone name and change times such as `06:00`, in any order.
    ///
    /// The time-zone database travels with the program, so that an offline laptop knows its rules too.
    ///
    /// # Errors
    /// [`ClockError`] names the zone or the time that can't be used.
    pub fn new<S: AsRef<str>>(zone_name: &str, changes: &[S]) -> Result<Self, ClockError> {
        let zone = TimeZone::get(zone_name).map_err(|_| ClockError::Zone { zone: zone_name.to_owned() })?;
        let mut times = changes
            .iter()
            .map(|text| {
                let text = text.as_ref().trim();
                text.parse::<Time>().map_err(|_| ClockError::ChangeTime { text: text.to_owned() })
            })
            .collect::<Result<Vec<_>, _>>()?;
        times.sort_unstable();
        if times.is_empty() {
            return Err(ClockError::NoChanges);
        }
        if let Some(pair) = times.windows(2).find(|pair| pair[0] == pair[1]) {
            return Err(ClockError::Twice { time: pair[0].strftime("%H:%M").to_string() });
        }
        Ok(Self { zone_name: zone_name.to_owned(), zone, changes: times })
    }

    /// The zone's IANA name.
    #[must_use]
    pub fn zone_name(&self) -> &str {
        &self.zone_name
    }

    /// The tour that holds `at`.
    ///
    /// # Errors
    /// [`ClockError::Beyond`] at the very ends of the calendar.
    pub fn tour_at(&self, at: Timestamp) -> Result<Tour, ClockError> {
        let beyond = || ClockError::Beyond { text: at.to_string() };
        let today = at.to_zoned_datetime(self.zone.clone()).date();
        let mut edges = Vec::new();
        // Two days each way: an instant's own date and the one before hold its start, and a clock change moves neither further.
        for day in -2..=2_i64 {
            let date = today.checked_add(day.days()).map_err(|_| beyond())?;
            for &time in &self.changes {
                edges.push(self.instant(date, time).ok_or_else(beyond)?);
            }
        }
        edges.sort_unstable();
        edges.dedup();
        let next = edges.partition_point(|edge| *edge <= at);
        match (next.checked_sub(1).and_then(|k| edges.get(k)), edges.get(next)) {
            (Some(&start), Some(&end)) => Ok(Tour { start, end }),
            _ => Err(beyond()),
        }
    }

    /// The tour before.
    ///
    /// # Errors
    /// As [`TourPlan::tour_at`].
    pub fn before(&self, tour: &Tour) -> Result<Tour, ClockError> {
        let last = tour.start.checked_sub(1.nanosecond());
        self.tour_at(last.map_err(|_| ClockError::Beyond { text: tour.start.to_string() })?)
    }

    /// The instant of a wall-clock time. A time that a clock change skips is moved on by the gap; of one that occurs twice the first counts.
    fn instant(&self, date: Date, time: Time) -> Option<Timestamp> {
        self.zone.to_ambiguous_timestamp(date.to_datetime(time)).compatible().ok()
    }

    /// `4 May 2031, 06:10` on the rig's clock.
    #[must_use]
    pub fn date_time(&self, at: Timestamp) -> String {
        at.to_zoned_datetime(self.zone.clone()).strftime("%-d %B %Y, %H:%M").to_string()
    }

    /// `2031-05-04 06:10` on the rig's clock: as [`Self::entry_time`] reads it.
    #[must_use]
    pub fn typed(&self, at: Timestamp) -> String {
        at.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%d %H:%M").to_string()
    }

    /// `4 May` on the rig's clock.
    #[must_use]
    pub fn day(&self, at: Timestamp) -> String {
        at.to_zoned_datetime(self.zone.clone()).strftime("%-d %b").to_string()
    }

    /// `06:10` on the rig's clock.
    #[must_use]
    pub fn clock(&self, at: Timestamp) -> String {
        at.to_zoned_datetime(self.zone.clone()).strftime("%H:%M").to_string()
    }

    /// `4 May 2031, 06:00 to 18:00`; with the second date where the tour passes midnight, and its length where a clock change altered it.
    #[must_use]
    pub fn tour_name(&self, tour: &Tour) -> String {
        let (from, to) =
            (tour.start.to_zoned_datetime(self.zone.clone()), tour.end.to_zoned_datetime(self.zone.clone()));
        let mut out = if from.date() == to.date() {
            format!("{} to {}", from.strftime("%-d %B %Y, %H:%M"), to.strftime("%H:%M"))
        } else {
            format!("{} to {}", from.strftime("%-d %B %Y, %H:%M"), to.strftime("%-d %B, %H:%M"))
        };
        if from.offset() != to.offset() {
            out += &format!(" (clock change: {:.0} hours)", tour.hours());
        }
        out
    }

    /// Reads the time of an entry: `2031-05-04 06:10` on the rig's clock, with its own offset when one is written, or `06:10` alone for
    /// the last such time before `now`.
    ///
    /// # Errors
    /// [`ClockError::NotATime`], or [`ClockError::Future`] for a time more than five minutes ahead of `now`.
    pub fn entry_time(&self, text: &str, now: Timestamp) -> Result<Timestamp, ClockError> {
        let text = text.trim();
        let not = || ClockError::NotATime { text: text.to_owned() };
        let at = if let Ok(at) = text.parse::<Timestamp>() {
            at
        } else if let Ok(civil) = text.parse::<jiff::civil::DateTime>() {
            // A date alone parses as midnight, which nobody meant.
            if !text.contains(':') {
                return Err(not());
            }
            self.instant(civil.date(), civil.time()).ok_or_else(not)?
        } else if let Ok(time) = text.parse::<Time>() {
            let today = now.to_zoned_datetime(self.zone.clone()).date();
            let on = |date: Date| self.instant(date, time).ok_or_else(not);
            let at = on(today)?;
            if at > now + CLOCKS_DIFFER_BY { on(today.yesterday().map_err(|_| not())?)? } else { at }
        } else {
            return Err(not());
        };
        if at > now + CLOCKS_DIFFER_BY {
            return Err(ClockError::Future { text: text.to_owned(), now: self.date_time(now) });
        }
        Ok(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn oslo() -> TourPlan {
        TourPlan::new("Europe/Oslo", &["18:00", "06:00"]).unwrap()
    }

    #[test]
    fn a_night_tour_spans_midnight() {
        let plan = oslo();
        // Summer time in Oslo is two hours ahead: 23:30 UTC is 01:30 the next day.
        let tour = plan.tour_at(at("2031-07-04T23:30:00Z")).unwrap();
        assert_eq!((tour.start, tour.end), (at("2031-07-04T16:00:00Z"), at("2031-07-05T04:00:00Z")));
        assert_eq!(plan.tour_name(&tour), "4 July 2031, 18:00 to 5 July, 06:00");
        assert_eq!(plan.before(&tour).unwrap().start, at("2031-07-04T04:00:00Z"));
        assert!(tour.holds(tour.start) && !tour.holds(tour.end));
        assert_eq!(plan.tour_at(tour.end).unwrap().start, tour.end);
    }

    #[test]
    fn a_tour_over_a_clock_change_has_its_true_length() {
        // EU rule: clocks go forward on the last Sunday of March at 01:00 UTC, back on the last Sunday of October.
        let plan = oslo();
        let spring = plan.tour_at(at("2031-03-30T00:00:00Z")).unwrap();
        assert!((spring.hours() - 11.0).abs() < 1e-9);
        assert_eq!(plan.tour_name(&spring), "29 March 2031, 18:00 to 30 March, 06:00 (clock change: 11 hours)");
        let autumn = plan.tour_at(at("2031-10-26T00:30:00Z")).unwrap();
        assert!((autumn.hours() - 13.0).abs() < 1e-9);
        // And where there are eight-hour tours, or one a day.
        let three = TourPlan::new("America/Chicago", &["06:00", "14:00", "22:00"]).unwrap();
        assert!((three.tour_at(at("2031-03-09T07:00:00Z")).unwrap().hours() - 7.0).abs() < 1e-9);
        assert!(
            (TourPlan::new("UTC", &["12:00"]).unwrap().tour_at(at("2031-03-09T07:00:00Z")).unwrap().hours() - 24.0)
                .abs()
                < 1e-9
        );
    }

    #[test]
    fn a_change_time_that_the_clock_skips_is_moved_on() {
        let plan = TourPlan::new("Europe/Oslo", &["02:30", "14:30"]).unwrap();
        let tour = plan.tour_at(at("2031-03-30T06:00:00Z")).unwrap();
        assert_eq!(plan.clock(tour.start), "03:30");
    }

    #[test]
    fn tours_follow_each_other_without_gaps_through_a_year() {
        let plan = oslo();
        let mut tour = plan.tour_at(at("2031-01-01T00:00:00Z")).unwrap();
        for _ in 0..732 {
            let next = plan.tour_at(tour.end).unwrap();
            assert_eq!(next.start, tour.end);
            assert_eq!(plan.before(&next).unwrap(), tour);
            assert!((11.0..=13.0).contains(&next.hours()));
            tour = next;
        }
    }

    #[test]
    fn entry_times_are_read_on_the_rigs_clock() {
        let plan = oslo();
        let now = at("2031-05-04T04:10:00Z"); // 06:10
        assert_eq!(plan.entry_time("2031-05-04 06:00", now), Ok(at("2031-05-04T04:00:00Z")));
        assert_eq!(plan.entry_time("05:30", now), Ok(at("2031-05-04T03:30:00Z")));
        assert_eq!(plan.entry_time("23:30", now), Ok(at("2031-05-03T21:30:00Z")), "the last such time");
        assert_eq!(plan.entry_time("2031-05-04T06:00:00+04:00", now), Ok(at("2031-05-04T02:00:00Z")));
        assert!(plan.entry_time("06:14", now).is_ok(), "clocks differ by minutes");
        let future = plan.entry_time("2031-05-04 07:00", now).unwrap_err();
        assert!(future.to_string().contains("4 May 2031, 06:10"), "{future}");
        for text in ["", "yesterday", "2031-05-04", "2031-13-04 06:00", "25:00"] {
            assert!(matches!(plan.entry_time(text, now), Err(ClockError::NotATime { .. })), "{text}");
        }
    }

    #[test]
    fn plans_that_make_no_sense_say_so() {
        assert!(matches!(TourPlan::new("Rig/Floor", &["06:00"]), Err(ClockError::Zone { .. })));
        assert!(matches!(TourPlan::new("UTC", &["6 o'clock"]), Err(ClockError::ChangeTime { .. })));
        assert_eq!(TourPlan::new::<&str>("UTC", &[]), Err(ClockError::NoChanges));
        assert!(matches!(TourPlan::new("UTC", &["06:00", "06:00"]), Err(ClockError::Twice { .. })));
    }
}
