//! Cells of a table: splitting a line, numbers, times of day.

use jiff::civil::{Date, DateTime, Time};
use jiff::fmt::strtime::BrokenDownTime;
use jiff::tz::Offset;

use crate::units::{NumberError, number};

/// What stands between two cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Separator {
    /// This byte.
    Byte(u8),
    /// One or more blanks.
    Blanks,
    /// Nothing: one cell a line.
    None,
}

/// Splits a line into cells without blanks and quotes around them. Trailing empty cells are left out.
pub(super) fn split<'a>(line: &'a str, separator: Separator, cells: &mut Vec<&'a str>) {
    cells.clear();
    match separator {
        Separator::None => cells.push(bare(line)),
        Separator::Blanks => cells.extend(line.split_ascii_whitespace().map(bare)),
        Separator::Byte(byte) => {
            let mut start = 0;
            let mut quoted = false;
            for (at, &b) in line.as_bytes().iter().enumerate() {
                if b == b'"' {
                    quoted = !quoted;
                } else if b == byte && !quoted {
                    // Separators are ASCII, so both cuts fall between characters.
                    cells.push(bare(&line[start..at]));
                    start = at + 1;
                }
            }
            cells.push(bare(&line[start..]));
        }
    }
    while cells.last().is_some_and(|c| c.is_empty()) {
        cells.pop();
    }
}

fn bare(cell: &str) -> &str {
    let cell = cell.trim();
    cell.strip_prefix('"').and_then(|c| c.strip_suffix('"')).map_or(cell, str::trim)
}

/// A number. `NaN` and infinities, also numbers beyond an `f64`, count as numbers; they are replaced later.
pub(super) fn number(cell: &str) -> Option<f64> {
    match number::in_file(cell) {
        Ok(x) => Some(x),
        Err(NumberError::TooLarge { .. }) => Some(f64::INFINITY),
        Err(_) => cell.starts_with(['n', 'N', 'i', 'I', '+', '-']).then(|| cell.parse().ok())?,
    }
}

/// What is wrong with a cell that would be a number but for its comma, and what to do.
pub(super) fn comma(cell: &str) -> Option<NumberError> {
    if !cell.contains(',') {
        return None;
    }
    number::in_file(cell).err().filter(|err| matches!(err, NumberError::Comma { .. }))
}

/// A number, an empty cell, or what loggers write when they have none.
pub(super) fn number_or_gap(cell: &str) -> Option<f64> {
    if cell.is_empty() || matches!(cell, "-" | "--" | "NA" | "N/A" | "n/a" | "null") {
        return Some(f64::NAN);
    }
    number(cell)
}

/// Width of the last decimal place of a written number or time of day, in its own unit: `0.250` gives 0.001.
pub(super) fn resolution(cell: &str) -> f64 {
    let (mantissa, exponent) = match cell.find(['e', 'E']) {
        Some(at) => (&cell[..at], cell[at + 1..].parse().unwrap_or(0_i32)),
        None => (cell, 0),
    };
    let decimals = match mantissa.rfind(['.', ',']) {
        Some(at) => mantissa[at + 1..].bytes().take_while(u8::is_ascii_digit).count(),
        None => 0,
    };
    let places = i32::try_from(decimals).unwrap_or(i32::MAX);
    10.0_f64.powi(exponent.clamp(-400, 400).saturating_sub(places))
}

/// The date of a time of day that has none.
const ANY_DATE: &str = "2000-01-01";

/// A time of day, with or without a date before it: `2026-03-01T06:00:00.125Z`, `2026/3/1 6:00:00,125`, `06:00:00.125`; or a date
/// alone. In UTC where an offset is written (ISO 8601), else as it stands.
pub(super) fn clock_time(cell: &str) -> Option<DateTime> {
    let (date, time) = match cell.find(['T', ' ', 't']) {
        Some(at) => (&cell[..at], cell[at + 1..].trim()),
        None if cell.contains(':') => (ANY_DATE, cell),
        None => (cell, "0:00"),
    };
    let date = Date::strptime("%Y-%m-%d", date.replace('/', "-")).ok().filter(|d| (1900..3000).contains(&d.year()))?;
    let (time, offset) = match (time.strip_suffix(['Z', 'z']), time.rfind(['+', '-'])) {
        (Some(time), _) => (time, Offset::UTC),
        (None, Some(at)) => (&time[..at], offset_of(&time[at..])?),
        (None, None) => (time, Offset::UTC),
    };
    let form = if time.matches(':').count() == 2 { "%H:%M:%S%.f" } else { "%H:%M" };
    let time = Time::strptime(form, time.replace(',', ".")).ok()?;
    let at = offset.to_timestamp(date.to_datetime(time)).ok()?;
    Some(Offset::UTC.to_datetime(at))
}

/// An offset `+02:00`, `+0200` or `+02`.
fn offset_of(text: &str) -> Option<Offset> {
    let read = |form: &str| BrokenDownTime::parse(form, text).ok()?.offset();
    read("%z").or_else(|| read("%:::z"))
}

/// Text of a line: UTF-8, or else the western 8-bit code page.
pub(super) fn text(line: &[u8]) -> std::borrow::Cow<'_, str> {
    match std::str::from_utf8(line) {
        Ok(text) => text.into(),
        Err(_) => line.iter().map(|&b| char::from(b)).collect::<String>().into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_with_a_point_and_a_comma_is_told() {
        assert_eq!(number("-0.25"), Some(-0.25));
        assert_eq!(number("1.5e-3"), Some(0.0015));
        for text in ["NaN", "-inf", "1e400", "+Infinity"] {
            assert!(number(text).is_some_and(|x| !x.is_finite()), "{text}");
        }
        for text in ["time", "-0,25", "1.234,5", "", "-", "n", "0x10"] {
            assert_eq!(number(text), None, "{text}");
        }
        assert!(number_or_gap("").unwrap().is_nan());
        for (text, told) in [("-0,25", true), ("1.234,5", true), ("0.25", false), ("a,b", false), ("", false)] {
            assert_eq!(comma(text).is_some(), told, "{text}");
        }
    }

    #[test]
    fn resolution_is_the_last_place_written() {
        assert!((resolution("0.250") - 1.0e-3).abs() < 1.0e-18);
        assert!((resolution("1,25E-3") - 1.0e-5).abs() < 1.0e-18);
        assert!((resolution("12") - 1.0).abs() < 1.0e-18);
        assert!((resolution("2026-03-01 06:00:00.125Z") - 1.0e-3).abs() < 1.0e-18);
    }

    #[test]
    fn times_of_day_differ_by_what_the_clock_says() {
        let apart = |a, b| clock_time(a).unwrap().duration_since(clock_time(b).unwrap()).as_secs_f64();
        for (a, b, want) in [
            ("2026-03-01T00:00:00.5Z", "2026-02-28T23:59:59.25Z", 1.25),
            ("2024-03-01 00:00:00", "2024-02-28 00:00:00", 2.0 * 86_400.0),
            ("2024/3/1 6:00", "2024-03-01", 21_600.0),
            ("06:00:00,125", "0:00", 21_600.125),
            ("2026-03-01T06:00:00+02:00", "2026-03-01T04:00:00Z", 0.0),
            ("2026-03-01T06:00:00.5-0130", "2026-03-01T07:30:00z", 0.5),
            ("2026-03-01T06:00:00+02", "2026-03-01T04:00:00", 0.0),
            // As exact as it is written, also two thousand years after the calendar's beginning.
            ("2026-03-01T06:00:00.000020833Z", "2026-03-01T06:00:00Z", 20.833e-6),
        ] {
            assert!((apart(a, b) - want).abs() < 1.0e-12, "{a} {b}: {}", apart(a, b));
        }
        for text in [
            "12",
            "-3",
            "2026-13-01",
            "2026-02-30",
            "1-2-3",
            "6:60:00",
            "24:00:00",
            "6:00:00+2",
            "1:2:3:4",
            "T6:00",
            "",
        ] {
            assert_eq!(clock_time(text), None, "{text}");
        }
    }

    #[test]
    fn quotes_hide_separators() {
        let mut cells = Vec::new();
        split("\"0,5\", \"a b\" ,3,,", Separator::Byte(b','), &mut cells);
        assert_eq!(cells, ["0,5", "a b", "3"]);
    }
}
