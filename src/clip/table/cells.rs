//! Cells of a table: splitting a line, numbers, times of day.

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

/// A number with decimal point or comma. `NaN` and infinities count as numbers; they are replaced later.
pub(super) fn number(cell: &str) -> Option<f64> {
    let first = cell.bytes().next()?;
    if !(first.is_ascii_digit() || matches!(first, b'+' | b'-' | b'.' | b',' | b'n' | b'N' | b'i' | b'I')) {
        return None;
    }
    if cell.contains(',') { cell.replacen(',', ".", 1).parse().ok() } else { cell.parse().ok() }
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

/// A time of day, with or without a date before it: `2026-03-01T06:00:00.125Z`, `2026-03-01 06:00:00,125`,
/// `06:00:00.125`; or a date alone. In seconds from an arbitrary start (ISO 8601; offsets from UTC are applied).
pub(super) fn clock_time(cell: &str) -> Option<f64> {
    let (date, time) = match cell.find(['T', ' ', 't']) {
        Some(at) => (Some(&cell[..at]), cell[at + 1..].trim()),
        None if cell.contains(':') => (None, cell),
        None => (Some(cell), "0:00"),
    };
    let days = match date {
        Some(date) => days_of(date)?,
        None => 0.0,
    };
    let (time, offset_s) = match time.strip_suffix(['Z', 'z']) {
        Some(time) => (time, 0.0),
        None => match time.rfind(['+', '-']) {
            Some(at) => {
                let sign = if time.as_bytes()[at] == b'+' { 1.0 } else { -1.0 };
                (&time[..at], sign * offset_of(&time[at + 1..])?)
            }
            None => (time, 0.0),
        },
    };
    let mut seconds = 0.0;
    let mut n_parts = 0;
    for part in time.split(':') {
        let value = number(part).filter(|v| (0.0..100.0).contains(v))?;
        seconds = seconds * 60.0 + value;
        n_parts += 1;
    }
    if n_parts == 2 {
        seconds *= 60.0;
    }
    (n_parts == 2 || n_parts == 3).then_some(days * 86_400.0 + seconds - offset_s)
}

/// Days of a date `2026-03-01`, from an arbitrary start.
fn days_of(date: &str) -> Option<f64> {
    let mut parts = date.split(['-', '/']);
    let year: i64 = parts.next()?.parse().ok()?;
    let month: i64 = parts.next()?.parse().ok()?;
    let day: i64 = parts.next()?.parse().ok()?;
    if parts.next().is_some() || !(1900..3000).contains(&year) || !(1..=12).contains(&month) || !(1..=31).contains(&day)
    {
        return None;
    }
    // Days of the Gregorian calendar with the year starting in March, so that the leap day comes last.
    let (y, m) = if month <= 2 { (year - 1, month + 9) } else { (year, month - 3) };
    Some((365 * y + y / 4 - y / 100 + y / 400 + (153 * m + 2) / 5 + day) as f64)
}

/// Seconds of an offset `02:00`, `0200` or `02`.
fn offset_of(text: &str) -> Option<f64> {
    let digits: Vec<u8> = text.bytes().filter(|&b| b != b':').collect();
    if !(digits.len() == 2 || digits.len() == 4) || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let two =
        |at: usize| digits.get(at..at + 2).map_or(0.0, |d| f64::from(d[0] - b'0') * 10.0 + f64::from(d[1] - b'0'));
    Some(two(0) * 3600.0 + two(2) * 60.0)
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
    fn numbers_come_with_point_or_comma() {
        assert_eq!(number("-0,25"), Some(-0.25));
        assert_eq!(number("1.5e-3"), Some(0.0015));
        assert_eq!(number("time"), None);
        assert_eq!(number("1.234,5"), None);
        assert_eq!(number(""), None);
        assert!(number_or_gap("").unwrap().is_nan());
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
        let at = |text| clock_time(text).unwrap();
        assert!((at("2026-03-01T00:00:00.5Z") - at("2026-02-28T23:59:59.25Z") - 1.25).abs() < 1.0e-6);
        assert!((at("2024-03-01 00:00:00") - at("2024-02-28 00:00:00") - 2.0 * 86_400.0).abs() < 1.0e-6);
        assert!((at("06:00:00,125") - 21_600.125).abs() < 1.0e-9);
        assert!((at("2026-03-01T06:00:00+02:00") - at("2026-03-01T04:00:00Z")).abs() < 1.0e-6);
        assert_eq!(clock_time("12"), None);
        assert_eq!(clock_time("2026-13-01"), None);
    }

    #[test]
    fn quotes_hide_separators() {
        let mut cells = Vec::new();
        split("\"0,5\", \"a b\" ,3,,", Separator::Byte(b','), &mut cells);
        assert_eq!(cells, ["0,5", "a b", "3"]);
    }
}
