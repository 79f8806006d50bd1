//! Accelerometer tables: CSV and its relatives, read line by line.

mod cells;
mod clock;
mod layout;

use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use symphonia::core::io::MediaSource;

use self::cells::{comma, number_or_gap, split, text};
use self::clock::{Clock, Worth};
use self::layout::{Layout, NoLayout, TimeForm};
use super::source::{Bound, Ending, MAX_CHANNELS, RATE_RANGE_HZ, Source, SourceInfo};
use super::{ClipError, Code, CsvUnit, Finding, ReadSettings};
use crate::units::M_S2_PER_G;

/// Bytes of the file from which the layout is told.
const HEAD_BYTES: u64 = 1 << 18;
/// A longer line is no line of a table.
const MAX_LINE_BYTES: u64 = 1 << 16;

/// A table being read.
pub(super) struct TableSource {
    input: BufReader<Box<dyn MediaSource>>,
    path: PathBuf,
    layout: Layout,
    info: SourceInfo,
    /// m/s2 a unit of the values.
    unit: f64,
    clock: Option<Clock>,
    /// The rate that was given, for a time column that turns out useless.
    given_rate_hz: Option<f64>,
    line: Vec<u8>,
    /// Lines read so far.
    n_lines: u64,
    n_rows: u64,
    gaps: Vec<u64>,
    cut_off: bool,
}

impl TableSource {
    /// Tells the layout and the sample rate from the beginning of the file.
    ///
    /// # Errors
    /// [`ClipError::NotAudio`] without any line of numbers, [`ClipError::NoRate`], [`ClipError::TimeColumn`],
    /// [`ClipError::RateOutOfRange`], [`ClipError::Setting`], [`ClipError::Table`] for decimal commas.
    pub(super) fn open(
        mut input: Box<dyn MediaSource>,
        path: &Path,
        settings: &ReadSettings,
    ) -> Result<Self, ClipError> {
        let io = |source| ClipError::Read { path: path.to_path_buf(), source };
        if let Some(rate_hz) = settings.rate_hz
            && !RATE_RANGE_HZ.contains(&rate_hz)
        {
            return Err(out_of_range(path, rate_hz, "correct the rate given"));
        }
        let mut head = Vec::new();
        (&mut input).take(HEAD_BYTES).read_to_end(&mut head).map_err(io)?;
        input.seek(SeekFrom::Start(0)).map_err(io)?;
        let whole = (head.len() as u64) < HEAD_BYTES;
        let layout = layout::detect(&head, whole).map_err(|why| match why {
            NoLayout::NoTable => {
                ClipError::NotAudio { path: path.to_path_buf(), what: "text, but no table of numbers".into() }
            }
            NoLayout::Comma { line, what } => ClipError::Table { path: path.to_path_buf(), line, what },
        })?;
        let channels = u16::try_from(layout.values.len()).unwrap_or(u16::MAX);
        if channels > MAX_CHANNELS {
            return Err(ClipError::Table {
                path: path.to_path_buf(),
                line: layout.first_data + 1,
                what: format!("has {channels} columns of values, more than {MAX_CHANNELS}; cut the table down"),
            });
        }
        let named = layout.unit;
        let unit = named.unwrap_or(match settings.csv_unit {
            CsvUnit::G => M_S2_PER_G,
            CsvUnit::MetrePerSecond2 => 1.0,
        });
        let mut source = Self {
            input: BufReader::with_capacity(1 << 16, input),
            path: path.to_path_buf(),
            layout,
            info: SourceInfo { rate_hz: 0.0, channels, format: "CSV".into(), bits: None, bound: Bound::Physical },
            unit,
            clock: None,
            given_rate_hz: settings.rate_hz,
            line: Vec::new(),
            n_lines: 0,
            n_rows: 0,
            gaps: Vec::new(),
            cut_off: false,
        };
        let (clock, rate_hz) = source.settle_clock(&head, whole)?;
        source.clock = clock;
        source.info.rate_hz = rate_hz;
        Ok(source)
    }

    /// The clock and the rate, from the time column or as given.
    fn settle_clock(&mut self, head: &[u8], whole: bool) -> Result<(Option<Clock>, f64), ClipError> {
        let no_rate = || ClipError::NoRate { path: self.path.clone() };
        let Some(column) = &mut self.layout.time else {
            return self.given_rate_hz.map(|rate_hz| (None, rate_hz)).ok_or_else(no_rate);
        };
        let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
        let first = usize::try_from(self.layout.first_data).unwrap_or(usize::MAX);
        let mut raw: Vec<&[u8]> = head.split(|&b| b == b'\n' || b == b'\r').skip(first).collect();
        if !whole {
            raw.pop();
        }
        let mut times = Vec::new();
        for line in raw {
            let line = text(line);
            let mut cells = Vec::new();
            split(&line, self.layout.separator, &mut cells);
            times.extend(cells.get(column.index).and_then(|c| column.seconds(c)).filter(|t| t.is_finite()));
        }
        let Some(mut clock) = Clock::from_head(&times, column.resolution_s) else {
            return match self.given_rate_hz {
                Some(rate_hz) => Ok((None, rate_hz)),
                None if times.len() < 2 => Err(no_rate()),
                None => Err(ClipError::TimeColumn {
                    path: self.path.clone(),
                    what: "it does not advance; give the sample rate with --rate".into(),
                }),
            };
        };
        if let (TimeForm::Number(scale), false, Some(given)) = (column.form, column.unit_named, self.given_rate_hz) {
            // The header does not name the unit of the times, but the rate given tells it.
            let units = [1.0, 1.0e-3, 1.0e-6];
            let fits = units.into_iter().find(|u| (given * clock.step_s() * u - 1.0).abs() < 0.05);
            if let Some(unit) = fits {
                column.form = TimeForm::Number(scale * unit);
                column.resolution_s *= unit;
                clock = clock.in_unit(unit);
            }
        }
        let rate_hz = 1.0 / clock.step_s();
        if !RATE_RANGE_HZ.contains(&rate_hz) {
            return Err(out_of_range(
                &self.path,
                rate_hz,
                "if the times are in ms or us, say so in the header, as in `time (ms)`, or give the rate with --rate",
            ));
        }
        Ok((Some(clock), rate_hz))
    }

    /// Reads one line into `self.line`, without its end; false at the end of the file.
    fn next_line(&mut self) -> Result<bool, ClipError> {
        self.line.clear();
        let mut any = false;
        loop {
            let available = match self.input.fill_buf() {
                Ok(bytes) => bytes,
                Err(err) if err.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(source) => return Err(ClipError::Read { path: self.path.clone(), source }),
            };
            if available.is_empty() {
                self.n_lines += u64::from(any);
                return Ok(any);
            }
            any = true;
            let end = available.iter().position(|&b| b == b'\n' || b == b'\r');
            let taken = end.unwrap_or(available.len());
            self.line.extend_from_slice(&available[..taken]);
            self.input.consume(taken + usize::from(end.is_some()));
            if self.line.len() as u64 > MAX_LINE_BYTES {
                return Err(ClipError::Table {
                    path: self.path.clone(),
                    line: self.n_lines + 1,
                    what: "is longer than 64 kB; this is no table of numbers".into(),
                });
            }
            if end.is_some() {
                self.n_lines += 1;
                return Ok(true);
            }
        }
    }

    /// Whether the input has nothing more.
    fn at_end(&mut self) -> bool {
        self.input.fill_buf().map_or(true, <[u8]>::is_empty)
    }
}

fn out_of_range(path: &Path, rate_hz: f64, todo: &'static str) -> ClipError {
    // Three significant digits say it all.
    let digits = 10.0_f64.powf(2.0 - rate_hz.abs().max(1.0e-9).log10().floor());
    ClipError::RateOutOfRange { path: path.to_path_buf(), rate_hz: (rate_hz * digits).round() / digits, todo }
}

impl Source for TableSource {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn read_frames(&mut self, max_frames: usize, out: &mut Vec<f32>) -> Result<usize, ClipError> {
        out.clear();
        let mut n_frames = 0;
        while n_frames < max_frames && self.next_line()? {
            if self.n_lines <= self.layout.first_data || layout::is_comment(&self.line) {
                continue;
            }
            let last = self.line.last().is_some_and(|b| !matches!(b, b'\n' | b'\r')) && self.at_end();
            let line = text(&self.line);
            let mut cells = Vec::with_capacity(self.layout.n_columns);
            split(&line, self.layout.separator, &mut cells);
            if let Some(err) = cells.iter().find_map(|c| comma(c))
                && layout::data_width(&line, self.layout.separator, &mut Vec::new()) > 0
            {
                return Err(ClipError::Table { path: self.path.clone(), line: self.n_lines, what: err.to_string() });
            }
            let known =
                self.layout.values.iter().filter(|&&c| cells.get(c).is_some_and(|c| number_or_gap(c).is_some()));
            let n_known = known.count();
            if n_known < self.layout.values.len() && last && self.n_rows > 0 {
                self.cut_off = true;
                continue;
            }
            if n_known == 0 && layout::data_width(&line, self.layout.separator, &mut Vec::new()) == 0 {
                // A header in the middle: the logger started anew.
                self.gaps.push(self.n_rows);
                continue;
            }
            for &c in &self.layout.values {
                let value = cells.get(c).and_then(|c| number_or_gap(c)).unwrap_or(f64::NAN);
                #[expect(clippy::cast_possible_truncation, reason = "24 bits of precision are plenty for vibration")]
                out.push((value * self.unit) as f32);
            }
            if let (Some(clock), Some(column)) = (&mut self.clock, &self.layout.time) {
                clock.push(cells.get(column.index).and_then(|c| column.seconds(c)));
            }
            n_frames += 1;
            self.n_rows += 1;
        }
        if n_frames == 0 {
            self.check_clock()?;
        }
        Ok(n_frames)
    }

    fn ending(&mut self) -> Ending {
        let mut ending = Ending { gaps: std::mem::take(&mut self.gaps), ..Ending::default() };
        if self.cut_off {
            ending.findings.push(Finding::warn(
                Code::CutOff,
                "The last line is incomplete and was left out. Let the logger finish before copying its file.",
            ));
        }
        let Some(clock) = &self.clock else { return ending };
        let uneven = match clock.worth() {
            Worth::Even => None,
            Worth::Uneven(per_cent) => Some(format!(
                "The time column is uneven: its steps scatter by {per_cent:.0} %. Its mean rate was used. Use a logger \
                 with a steady clock."
            )),
            Worth::Useless(why) => {
                Some(format!("The time column is no clock, {why}; the rate given was used instead. Check the logger."))
            }
        };
        if matches!(clock.worth(), Worth::Useless(_)) {
            ending.rate_hz = self.given_rate_hz;
        } else {
            ending.rate_hz = Some(clock.rate_hz());
            ending.gaps.extend(&clock.gaps);
            ending.gaps.sort_unstable();
            if let Some(given) = self.given_rate_hz.filter(|g| (g / clock.rate_hz() - 1.0).abs() > 0.02) {
                ending.findings.push(Finding::warn(
                    Code::TimeJitter,
                    format!(
                        "The time column says {:.1} Hz and the rate given {given:.1} Hz; the time column was used. Leave \
                         the rate out, or take the time column out of the file.",
                        clock.rate_hz()
                    ),
                ));
            }
        }
        ending.findings.extend(uneven.map(|text| Finding::warn(Code::TimeJitter, text)));
        ending
    }
}

impl TableSource {
    /// At the end of the file: a useless clock is an error unless the rate was given.
    fn check_clock(&self) -> Result<(), ClipError> {
        match self.clock.as_ref().map(Clock::worth) {
            Some(Worth::Useless(why)) if self.given_rate_hz.is_none() => Err(ClipError::TimeColumn {
                path: self.path.clone(),
                what: format!("{why}; if the rows are evenly spaced all the same, give the sample rate with --rate"),
            }),
            _ => Ok(()),
        }
    }
}
