//! The picture of one clip: time by frequency on top, crank angle by frequency beneath.

use plotters::prelude::DrawingBackend;

use super::ReportError;
use super::axis::{FreqAxis, even_ticks, level_range, level_unit};
use super::canvas::{At, BLACK, Canvas, GREY, Lettering, Picture};
use super::colour::{self, Rgb};
use super::head::{Head, MARGIN, WIDTH, whole};
use super::heat::{
    ANGLE_AXIS_HEIGHT, Area, BAR_WIDTH, EVENTS_HEIGHT, FREQ_WIDTH, MAP_HEIGHT, SMALL_EM, angle_axis, axis_of, border,
    cells, check_map, colour_bar, column_edges, freq_axis, map_cells, valve_events,
};
use super::spectrogram::Spectrogram;
use crate::clip::Scale;
use crate::map::StrokeMap;
use crate::score::Angle;

/// What `look` shows: spectrogram, stroke map, or one above the other.
pub(super) struct LookPicture<'a> {
    spectrogram: Option<&'a Spectrogram>,
    map: Option<(&'a StrokeMap, Angle)>,
    head: Head,
    scale: Scale,
}

/// Height of the spectrogram's panel.
const SPECTROGRAM_HEIGHT: f64 = 430.0;

impl<'a> LookPicture<'a> {
    pub(super) fn new(
        spectrogram: Option<&'a Spectrogram>,
        map: Option<(&'a StrokeMap, Angle)>,
        headline: &str,
        lines: &[String],
        scale: Scale,
    ) -> Result<Self, ReportError> {
        if let Some(s) = spectrogram {
            check_spectrogram(s)?;
        }
        if let Some((map, _)) = map {
            check_map(map, "stroke map")?;
        }
        Ok(Self { spectrogram, map, head: Head::new(None, headline, lines)?, scale })
    }

    fn spectrogram_height(&self) -> f64 {
        if self.spectrogram.is_some() { 70.0 + SPECTROGRAM_HEIGHT + 96.0 } else { 0.0 }
    }

    fn draw_spectrogram<B: DrawingBackend>(
        &self,
        page: &mut Canvas<B>,
        s: &Spectrogram,
        area: Area,
    ) -> Result<(), ReportError> {
        let nyquist = s.freqs_hz[s.freqs_hz.len() - 1];
        let axis = FreqAxis::new(s.freqs_hz[0].max(nyquist / 500.0).min(nyquist / 2.0), nyquist, area[1], area[3]);
        let range = level_range(s.level_db.iter().copied()).unwrap_or([-60.0, 0.0]);
        let (across, down, grain) =
            if page.is_vector() { (s.times_s.len().min(240), 80, 20.0) } else { (s.times_s.len(), 215, 1000.0) };
        let level = |db: f64| colour::level(((db - range[0]) / (range[1] - range[0]) * grain).round() / grain);
        let ys: Vec<f64> = (0..=down).map(|j| area[3] - (area[3] - area[1]) * j as f64 / down as f64).collect();
        let step = s.freqs_hz[0];
        let columns = s.times_s.len();
        let mut grid: Vec<Option<Rgb>> = Vec::with_capacity(across * down);
        for j in 0..down {
            let rows = rows_between(axis.freq_hz(ys[j]) / step, axis.freq_hz(ys[j + 1]) / step, s.freqs_hz.len());
            for i in 0..across {
                let (first, last) = (i * columns / across, ((i + 1) * columns / across).max(i * columns / across + 1));
                let (mut sum, mut n) = (0.0, 0.0);
                for row in rows.clone() {
                    for column in first..last.min(columns) {
                        let v = f64::from(s.level_db[[row, column]]);
                        if v.is_finite() {
                            sum += v;
                            n += 1.0;
                        }
                    }
                }
                grid.push((n > 0.0).then(|| level(sum / n)));
            }
        }
        cells(page, &column_edges(across, area), &ys, |row, column| grid[row * across + column])?;
        border(page, area)?;
        freq_axis(page, area, &axis)?;
        colour_bar(page, area, range, level_unit(s.scale), false, level)?;

        let half = if columns > 1 { (s.times_s[1] - s.times_s[0]) / 2.0 } else { s.times_s[0].max(0.5) };
        let (start, end) = (s.times_s[0] - half, s.times_s[columns - 1] + half);
        let x_at = |t: f64| area[0] + (area[2] - area[0]) * (t - start) / (end - start);
        for t in even_ticks(start.max(0.0), end, 10) {
            page.rect([x_at(t) - 1.0, area[3], x_at(t) + 1.0, area[3] + 9.0], GREY)?;
            page.text(x_at(t), area[3] + 34.0, &seconds(t), Lettering::new(SMALL_EM).at(At::Middle))?;
        }
        page.text(
            (area[0] + area[2]) / 2.0,
            area[3] + 66.0,
            "time in the clip, s",
            Lettering::new(SMALL_EM).at(At::Middle).colour(GREY),
        )?;
        let strokes: Vec<f64> = s.stroke_times_s.iter().copied().filter(|t| (start..=end).contains(t)).collect();
        for t in &strokes {
            page.rect([x_at(*t) - 1.0, area[1] - 14.0, x_at(*t) + 1.0, area[1] - 2.0], BLACK)?;
        }
        let name = if strokes.is_empty() { "Spectrogram" } else { "Spectrogram; each tick above it starts a stroke" };
        page.text(area[0], area[1] - 26.0, name, Lettering::new(29.0).bold())
    }
}

impl Picture for LookPicture<'_> {
    fn size(&self) -> (u32, u32) {
        let map = if self.map.is_some() { 70.0 + EVENTS_HEIGHT + MAP_HEIGHT + ANGLE_AXIS_HEIGHT } else { 0.0 };
        (WIDTH, whole(self.head.height() + self.spectrogram_height() + map + MARGIN))
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        self.head.draw(page)?;
        let right = f64::from(WIDTH) - BAR_WIDTH - 8.0;
        let mut y = self.head.height();
        if let Some(s) = self.spectrogram {
            self.draw_spectrogram(page, s, [FREQ_WIDTH, y + 70.0, right, y + 70.0 + SPECTROGRAM_HEIGHT])?;
            y += self.spectrogram_height();
        }
        if let Some((map, angle)) = self.map {
            let top = y + 60.0 + EVENTS_HEIGHT;
            let area = [FREQ_WIDTH, top, right, top + MAP_HEIGHT];
            let range = level_range(map.level_db.iter().copied()).unwrap_or([-60.0, 0.0]);
            let grain = if page.is_vector() { 40.0 } else { 1000.0 };
            let level = |db: f64| colour::level(((db - range[0]) / (range[1] - range[0]) * grain).round() / grain);
            map_cells(page, area, map, level)?;
            freq_axis(page, area, &axis_of(map, area))?;
            angle_axis(page, area, map.level_db.ncols(), angle)?;
            let absolute = angle == Angle::Absolute && map.level_db.ncols() > 1;
            if absolute {
                valve_events(page, area)?;
            }
            colour_bar(page, area, range, level_unit(self.scale), false, level)?;
            let title_y = if absolute { top - EVENTS_HEIGHT } else { top - 14.0 };
            page.text(area[0], title_y, "Stroke map: the mean turn of the crank", Lettering::new(29.0).bold())?;
        }
        Ok(())
    }
}

/// Rows of a spectrogram between two positions counted in bins; at least the nearest one.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positions within the spectrum")]
fn rows_between(low_bin: f64, high_bin: f64, rows: usize) -> std::ops::Range<usize> {
    // Row r is bin r + 1 and covers half a bin on both sides.
    let first = ((low_bin - 0.5).round().max(0.0) as usize).min(rows - 1);
    let last = ((high_bin - 0.5).round().max(0.0) as usize).min(rows);
    first..last.max(first + 1)
}

fn check_spectrogram(s: &Spectrogram) -> Result<(), ReportError> {
    let what = "spectrogram";
    if s.freqs_hz.is_empty() || s.times_s.is_empty() {
        return Err(ReportError::Empty { what });
    }
    if s.level_db.dim() != (s.freqs_hz.len(), s.times_s.len()) {
        return Err(ReportError::Shape {
            what,
            got: format!("levels of {:?}", s.level_db.dim()),
            want: format!("{} frequencies by {} times", s.freqs_hz.len(), s.times_s.len()),
        });
    }
    let rising = |x: &[f64]| x.iter().all(|v| v.is_finite() && *v >= 0.0) && x.windows(2).all(|w| w[0] < w[1]);
    if !rising(&s.freqs_hz) || !rising(&s.times_s) || s.freqs_hz[0] <= 0.0 || s.freqs_hz.len() < 2 {
        return Err(ReportError::Shape {
            what,
            got: "frequencies or times that do not rise".into(),
            want: "at least two frequencies above 0 Hz and times from 0 s, each above the one before".into(),
        });
    }
    Ok(())
}

/// `12`, `0.5`: a time without needless zeros.
fn seconds(t: f64) -> String {
    format!("{}", (t * 10.0).round() / 10.0)
}
