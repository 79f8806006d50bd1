//! Moments as people write them: text in, RFC 3339 text with its zone and a number to sort by out.
//!
//! `jiff` does the calendar: it keeps offset and instant apart, knows the system's zone and refuses times that no clock showed.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};

/// A moment: as entered, and as a number.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Stamp {
    /// RFC 3339 with the offset from UTC.
    pub text: String,
    /// The same in ms since 1970 UTC.
    #[serde(skip)]
    pub ms: i64,
}

/// Why a text is no moment.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{text}\" is no time; write it like 2026-11-25T06:30+01:00, or 2026-11-25 06:30 for this computer's zone")]
pub struct TimeError {
    /// What was typed.
    pub text: String,
}

impl Stamp {
    /// This moment on this computer's clock and in its zone.
    #[must_use]
    pub fn now() -> Self {
        Self::of_zoned(&ZonedDateTime::now())
    }

    /// Reads RFC 3339, or a date and time in the zone of this computer.
    ///
    /// # Errors
    /// [`TimeError`] says how to write it.
    pub fn parse(text: &str) -> Result<Self, TimeError> {
        Self::parse_in(text, &TimeZone::system())
    }

    fn parse_in(text: &str, zone: &TimeZone) -> Result<Self, TimeError> {
        let bad = || TimeError { text: text.to_owned() };
        let plain = text.trim().replacen(' ', "T", 1);
        if let Ok(at) = plain.parse::<Timestamp>() {
            // The offset that was typed is kept: it is the clock on the wall.
            let clock = plain.trim_end_matches(['z', 'Z']);
            let offset = clock.get(10..).and_then(|t| t.rfind(['+', '-'])).and_then(|i| clock.get(10 + i..));
            let zone = offset.and_then(fixed).unwrap_or(TimeZone::UTC);
            return Ok(Self::of_zoned(&at.to_zoned_datetime(zone)));
        }
        let local: jiff::civil::DateTime = plain.parse().map_err(|_| bad())?;
        Ok(Self::of_zoned(&local.to_zoned_datetime(zone.clone()).map_err(|_| bad())?))
    }

    /// A file's time in the zone of this computer.
    #[must_use]
    pub fn of_system_time(at: std::time::SystemTime) -> Option<Self> {
        let at = Timestamp::try_from(at).ok()?;
        Some(Self::of_zoned(&at.to_zoned_datetime(TimeZone::system())))
    }

    /// Back from the number, in UTC.
    #[must_use]
    pub fn of_ms(ms: i64) -> Option<Self> {
        Some(Self::of_zoned(&Timestamp::from_millisecond(ms).ok()?.to_zoned_datetime(TimeZone::UTC)))
    }

    fn of_zoned(at: &ZonedDateTime) -> Self {
        // Whole seconds: a rig's clock is not better.
        let ms = at.timestamp().as_second() * 1000;
        Self { text: at.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(), ms }
    }

    /// `20261125-063000`, for names of files.
    #[must_use]
    pub fn for_name(&self) -> String {
        let digits: String = self.text.chars().take(19).filter(char::is_ascii_digit).collect();
        digits.split_at_checked(8).map_or(digits.clone(), |(day, time)| format!("{day}-{time}"))
    }

    /// `2026-11-25 06:30`, for a person.
    #[must_use]
    pub fn short(&self) -> String {
        self.text.chars().take(16).collect::<String>().replacen('T', " ", 1)
    }
}

impl std::str::FromStr for Stamp {
    type Err = TimeError;

    fn from_str(text: &str) -> Result<Self, TimeError> {
        Self::parse(text)
    }
}

/// A fixed offset such as `+01:00`.
fn fixed(offset: &str) -> Option<TimeZone> {
    let sign = if offset.starts_with('-') { -1 } else { 1 };
    let (h, m) = offset.get(1..)?.split_once(':').unwrap_or((offset.get(1..)?, "0"));
    let seconds = 3600 * h.parse::<i32>().ok()? + 60 * m.parse::<i32>().ok()?;
    Some(TimeZone::fixed(jiff::tz::Offset::from_seconds(sign * seconds).ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_on_the_wall_is_kept() {
        let utc = TimeZone::UTC;
        for (text, want, ms) in [
            ("2026-11-25T06:30:05+01:00", "2026-11-25T06:30:05+01:00", 1_795_584_605_000),
            ("2026-11-25T05:30:05Z", "2026-11-25T05:30:05+00:00", 1_795_584_605_000),
            ("2026-11-25 06:30:05-03:30", "2026-11-25T06:30:05-03:30", 1_795_600_805_000),
            (" 2026-11-25 06:30 ", "2026-11-25T06:30:00+00:00", 1_795_588_200_000),
        ] {
            let got = Stamp::parse_in(text, &utc).unwrap();
            assert_eq!((got.text.as_str(), got.ms), (want, ms), "{text}");
            assert_eq!(Stamp::parse(&got.text).unwrap(), got);
        }
    }

    #[test]
    fn what_no_clock_shows_is_refused() {
        for text in ["", "yesterday", "2026-13-01 06:00", "2026-02-30T06:00Z", "06:30", "2026-11-25T25:00+01:00"] {
            let err = Stamp::parse(text).unwrap_err();
            assert!(err.to_string().contains("write it like"), "{text}");
        }
    }

    #[test]
    fn names_and_short_forms() {
        let s = Stamp::parse("2026-11-25T06:30:05+01:00").unwrap();
        assert_eq!(s.for_name(), "20261125-063005");
        assert_eq!(s.short(), "2026-11-25 06:30");
        assert_eq!(Stamp::of_ms(s.ms).unwrap().text, "2026-11-25T05:30:05+00:00");
    }
}
