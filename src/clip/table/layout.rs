//! The layout of a table, told from its first lines: separator, header, time column, values, units.

use jiff::civil::DateTime;

use super::cells::{Separator, clock_time, comma, number, number_or_gap, resolution, split, text};
use crate::units::M_S2_PER_G;

/// How a table is laid out.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    pub(super) separator: Separator,
    pub(super) n_columns: usize,
    /// Line of the first data, counted from 0.
    pub(super) first_data: u64,
    pub(super) time: Option<TimeColumn>,
    /// Columns that hold values, in order.
    pub(super) values: Vec<usize>,
    /// m/s2 per unit of the values, if the header names the unit.
    pub(super) unit: Option<f64>,
}

/// The column that tells the time.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TimeColumn {
    pub(super) index: usize,
    pub(super) form: TimeForm,
    /// Width of its last decimal place in seconds.
    pub(super) resolution_s: f64,
    /// Whether the header says which unit it is in.
    pub(super) unit_named: bool,
}

/// How a time is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum TimeForm {
    /// A number; times this it is in seconds.
    Number(f64),
    /// A time of day; in seconds from this one.
    Clock(DateTime),
}

impl TimeColumn {
    /// The time of a cell in seconds.
    pub(super) fn seconds(&self, cell: &str) -> Option<f64> {
        match self.form {
            TimeForm::Number(scale) => number(cell).map(|t| t * scale),
            TimeForm::Clock(first) => clock_time(cell).map(|t| t.duration_since(first).as_secs_f64()),
        }
    }
}

/// Lines looked at.
const MAX_LINES: usize = 4000;
/// Separators, the surest first.
const SEPARATORS: [Separator; 5] =
    [Separator::Byte(b';'), Separator::Byte(b'\t'), Separator::Byte(b','), Separator::Blanks, Separator::None];

/// Why a file has no layout.
#[derive(Debug, PartialEq)]
pub(super) enum NoLayout {
    /// There is no line of numbers.
    NoTable,
    /// Numbers have decimal commas.
    Comma {
        /// The first such line, counted from 1.
        line: u64,
        /// What is wrong with it and what to do.
        what: String,
    },
}

/// Tells the layout from the beginning of a file.
///
/// # Errors
/// [`NoLayout`]. Numbers with decimal commas are told apart from cells so that they can be refused with their line.
pub(super) fn detect(head: &[u8], whole: bool) -> Result<Layout, NoLayout> {
    let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    let mut lines: Vec<(u64, std::borrow::Cow<'_, str>)> = Vec::new();
    let mut raw: Vec<&[u8]> = head.split(|&b| b == b'\n' || b == b'\r').collect();
    if !whole {
        // The last line may be cut.
        raw.pop();
    }
    for (index, line) in raw.into_iter().enumerate() {
        if lines.len() < MAX_LINES && !is_comment(line) {
            lines.push((index as u64, text(line)));
        }
    }
    let separator = choose_separator(&lines).ok_or(NoLayout::NoTable)?;
    let mut cells = Vec::new();
    let widths: Vec<usize> = lines.iter().map(|(_, line)| data_width(line, separator, &mut cells)).collect();
    let n_columns = commonest(&widths).ok_or(NoLayout::NoTable)?;
    let first = widths.iter().position(|&w| w == n_columns).ok_or(NoLayout::NoTable)?;
    for ((index, line), _) in lines[first..].iter().zip(&widths[first..]).filter(|&(_, &w)| w == n_columns) {
        split(line, separator, &mut cells);
        if let Some(err) = cells.iter().find_map(|c| comma(c)) {
            return Err(NoLayout::Comma { line: index + 1, what: err.to_string() });
        }
    }

    let header = read_header(&lines[..first], separator, n_columns);
    let rows: Vec<Vec<&str>> = lines[first..]
        .iter()
        .zip(&widths[first..])
        .filter(|&(_, &w)| w == n_columns)
        .map(|((_, line), _)| {
            let mut cells = Vec::new();
            split(line, separator, &mut cells);
            cells
        })
        .collect();
    let time = find_time(&header, &rows, n_columns);
    let values: Vec<usize> = (0..n_columns)
        .filter(|&c| time.as_ref().is_none_or(|t| t.index != c))
        .filter(|&c| !is_index(&header.names[c], &rows, c, n_columns) && first_clock(&rows, c).is_none())
        .collect();
    if values.is_empty() {
        return Err(NoLayout::NoTable);
    }
    let unit = values.iter().find_map(|&c| header.units[c]);
    Ok(Layout { separator, n_columns, first_data: lines[first].0, time, values, unit })
}

/// Blank lines and comments carry no data.
pub(super) fn is_comment(line: &[u8]) -> bool {
    match line.iter().find(|b| !b.is_ascii_whitespace()) {
        None => true,
        Some(b'#' | b'%') => true,
        // Spreadsheets write their separator into the first line.
        Some(_) => line.len() == 5 && line[..4].eq_ignore_ascii_case(b"sep="),
    }
}

/// Cells of a line if all of them are numbers, be it with commas, or times (empty ones are borne), else 0.
pub(super) fn data_width<'a>(line: &'a str, separator: Separator, cells: &mut Vec<&'a str>) -> usize {
    split(line, separator, cells);
    let comma_or_time = |c: &str| comma(c).is_some() || clock_time(c).is_some();
    let any = cells.iter().any(|c| number(c).is_some_and(f64::is_finite) || comma_or_time(c));
    let all = cells.iter().all(|c| number_or_gap(c).is_some() || comma_or_time(c));
    if any && all { cells.len() } else { 0 }
}

fn choose_separator(lines: &[(u64, std::borrow::Cow<'_, str>)]) -> Option<Separator> {
    let mut cells = Vec::new();
    let mut best = None;
    let mut most = 0;
    for separator in SEPARATORS {
        let least = if separator == Separator::None { 1 } else { 2 };
        let widths: Vec<usize> = lines.iter().map(|(_, line)| data_width(line, separator, &mut cells)).collect();
        let Some(width) = commonest(&widths).filter(|&w| w >= least) else { continue };
        let count = widths.iter().filter(|&&w| w == width).count();
        // A later, less sure separator must explain clearly more lines.
        if count > most + most / 4 {
            (best, most) = (Some(separator), count);
        }
    }
    // `0,125` a line: two whole numbers, or one number with a decimal comma?
    if best == Some(Separator::Byte(b',')) && is_one_decimal_comma(lines) { Some(Separator::None) } else { best }
}

/// Whether lines with one comma each are single numbers: no header with two names, digits alone behind the comma, in
/// varying amount or more than one, and no count in front of it.
fn is_one_decimal_comma(lines: &[(u64, std::borrow::Cow<'_, str>)]) -> bool {
    let mut fronts = Vec::new();
    for (_, line) in lines {
        let line = line.trim();
        let Some((front, back)) = line.split_once(',') else {
            if number(line).is_none() {
                continue;
            }
            return false;
        };
        if number(front).is_none() && front != "-" && !front.is_empty() {
            // A header: two names mean two columns.
            if !back.trim().is_empty() {
                return false;
            }
            continue;
        }
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if !digits(back) || !digits(front.trim_start_matches(['-', '+'])) {
            return false;
        }
        fronts.push((number(front).unwrap_or(0.0), back.len()));
    }
    let counts_up = fronts.len() > 2 && fronts.windows(2).all(|w| w[1].0 - w[0].0 > 0.5);
    !fronts.is_empty() && !counts_up && fronts.iter().any(|f| f.1 > 1)
}

/// The commonest width above 0; the larger of equals.
fn commonest(widths: &[usize]) -> Option<usize> {
    let mut sorted: Vec<usize> = widths.iter().copied().filter(|&w| w > 0).collect();
    sorted.sort_unstable();
    sorted.chunk_by(|a, b| a == b).max_by_key(|run| run.len()).map(|run| run[0])
}

/// What the lines above the data say about each column.
struct Header {
    names: Vec<String>,
    /// Seconds a unit.
    time_units: Vec<Option<f64>>,
    /// m/s2 a unit.
    units: Vec<Option<f64>>,
}

fn read_header(lines: &[(u64, std::borrow::Cow<'_, str>)], separator: Separator, n_columns: usize) -> Header {
    let mut header = Header {
        names: vec![String::new(); n_columns],
        time_units: vec![None; n_columns],
        units: vec![None; n_columns],
    };
    let mut cells = Vec::new();
    for (_, line) in lines {
        split(line, separator, &mut cells);
        // A header of a table in blanks may have blanks within its names; then only its first name is sure.
        if cells.len() != n_columns {
            continue;
        }
        for (c, cell) in cells.iter().enumerate() {
            let name = cell.to_lowercase();
            header.time_units[c] = time_unit(&name).or(header.time_units[c]);
            header.units[c] = acceleration_unit(&name).or(header.units[c]);
            if header.names[c].is_empty() {
                header.names[c] = name;
            }
        }
    }
    header
}

/// The words of a column name: `Time (ms)` gives `time`, `ms`.
fn words(name: &str) -> impl Iterator<Item = &str> {
    name.split(['(', ')', '[', ']', '{', '}', ' ', '_', ',', ':', '-', '.']).filter(|w| !w.is_empty())
}

fn time_unit(name: &str) -> Option<f64> {
    words(name).find_map(|w| match w {
        "s" | "sec" | "secs" | "second" | "seconds" => Some(1.0),
        "ms" | "msec" | "millis" | "milliseconds" | "millisecond" => Some(1.0e-3),
        "us" | "µs" | "μs" | "usec" | "micros" | "microseconds" | "microsecond" => Some(1.0e-6),
        "ns" | "nsec" | "nanos" | "nanoseconds" | "nanosecond" => Some(1.0e-9),
        _ => None,
    })
}

fn acceleration_unit(name: &str) -> Option<f64> {
    let squeezed: String = name.chars().filter(|c| !c.is_whitespace()).collect();
    if ["m/s2", "m/s^2", "m/s²", "m/s/s", "m/s**2", "ms-2", "ms^-2", "mps2", "m·s"].iter().any(|u| squeezed.contains(u))
    {
        return Some(1.0);
    }
    words(name).find_map(|w| match w {
        "g" | "gs" => Some(M_S2_PER_G),
        "mg" => Some(M_S2_PER_G * 1.0e-3),
        _ => None,
    })
}

fn find_time(header: &Header, rows: &[Vec<&str>], n_columns: usize) -> Option<TimeColumn> {
    let finest = |c: usize| rows.iter().map(|r| resolution(r[c])).fold(f64::INFINITY, f64::min);
    // A column with a time of day in it needs no name.
    let with_colon = (0..n_columns)
        .filter(|&c| rows.iter().any(|r| r[c].contains(':')))
        .find_map(|c| first_clock(rows, c).map(|first| (c, first)));
    if let Some((index, first)) = with_colon {
        return Some(TimeColumn { index, form: TimeForm::Clock(first), resolution_s: finest(index), unit_named: true });
    }
    if n_columns < 2 {
        return None;
    }
    let numbers = |c: usize| rows.iter().map(|r| number(r[c])).collect::<Option<Vec<f64>>>();
    let rises = |c: usize| {
        numbers(c).is_some_and(|t| t.len() >= 3 && t.windows(2).all(|w| w[1] >= w[0]) && t[0] < t[t.len() - 1])
    };
    let named = (0..n_columns).find(|&c| {
        let name = &header.names[c];
        let says = name.contains("time") || words(name).any(|w| matches!(w, "t" | "zeit" | "timestamp" | "elapsed"));
        says || header.time_units[c].is_some() && header.units[c].is_none() && rises(c)
    });
    let index = named.or_else(|| (rises(0) && !is_index(&header.names[0], rows, 0, n_columns)).then_some(0))?;
    let unit = header.time_units[index];
    let scale = unit.unwrap_or(1.0);
    Some(TimeColumn {
        index,
        form: TimeForm::Number(scale),
        resolution_s: finest(index) * scale,
        unit_named: unit.is_some(),
    })
}

/// The first of a column of dates or times of day.
fn first_clock(rows: &[Vec<&str>], column: usize) -> Option<DateTime> {
    let cell = rows.first()?[column];
    if number_or_gap(cell).is_some() { None } else { clock_time(cell) }
}

/// Whether a column only counts the lines.
fn is_index(name: &str, rows: &[Vec<&str>], column: usize, n_columns: usize) -> bool {
    if n_columns < 2 || column != 0 || rows.len() < 3 {
        return false;
    }
    let counts = rows.windows(2).all(|w| match (number(w[0][0]), number(w[1][0])) {
        (Some(a), Some(b)) => (b - a - 1.0).abs() < 1.0e-9 && a.fract().abs() < 1.0e-9,
        _ => false,
    });
    counts && !name.contains("time") && time_unit(name).is_none()
}
