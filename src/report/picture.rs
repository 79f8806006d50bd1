//! Pictures of a change and of a clip, as PNG or SVG.
//!
//! Every picture is [`WIDTH`] units wide and as high as its words need. Darker is more in all of them; see
//! [`super::colour`] for why, and for what makes them readable in grey.

use std::path::Path;

use plotters::prelude::DrawingBackend;

use super::ReportError;
use super::axis::{FreqAxis, change_limit, even_ticks, level_range, level_unit};
use super::canvas::{self, At, BLACK, Canvas, GREY, Lettering, Picture};
use super::colour::{self, Rgb};
use super::heat::{
    ANGLE_AXIS_HEIGHT, Area, BAR_WIDTH, EVENTS_HEIGHT, FREQ_WIDTH, SIGN_DB, SMALL_EM, angle_axis, axis_of, cells,
    check_map, clear_of_outline, colour_bar, freq_axis, map_cells, outline, sign, signs, valve_events,
};
pub use super::spectrogram::{Spectrogram, spectrogram_of};
use super::words;
use crate::clip::Scale;
use crate::map::StrokeMap;
use crate::score::{Angle, ChangeMaps, ClipVerdict, State};

/// Width of every picture in pixels.
pub const WIDTH: u32 = 1600;
/// Height of a stroke map's panel.
const MAP_HEIGHT: f64 = 470.0;
/// Margin at the edges of the page.
const MARGIN: f64 = 32.0;

/// Writes the three maps of a change (good, now, difference) side by side with the verdict in words.
///
/// # Arguments
/// - `path`: ends in `.png` or `.svg`.
/// - `maps`: the maps of one clip; cells that are not a number are hatched as "no data".
/// - `verdict`: of the same clip; its arc and band are outlined, its words are the headline.
/// - `title`: a line above the headline: rig, pump, when.
/// - `scale`: what the levels of the maps refer to.
///
/// # Errors
/// [`ReportError::Ending`], [`ReportError::Empty`], [`ReportError::Shape`], [`ReportError::Draw`], [`ReportError::Write`].
pub fn change_map(
    path: &Path, maps: &ChangeMaps, verdict: &ClipVerdict, title: &str, scale: Scale,
) -> Result<(), ReportError> {
    write(path, &ChangePicture::new(maps, verdict, title, scale)?)
}

/// [`change_map`] as the bytes of a PNG.
///
/// # Errors
/// As [`change_map`], without those of files.
pub fn change_map_png(
    maps: &ChangeMaps, verdict: &ClipVerdict, title: &str, scale: Scale,
) -> Result<Vec<u8>, ReportError> {
    canvas::png(&ChangePicture::new(maps, verdict, title, scale)?)
}

/// Writes what `look` shows of a clip: its spectrogram with a tick a stroke and, if there is one, its stroke map below.
///
/// # Arguments
/// - `path`: ends in `.png` or `.svg`.
/// - `map`: the clip's stroke map and what its angles refer to.
/// - `headline`: the bold line on top; `lines`: what stands beneath it.
///
/// # Errors
/// [`ReportError::Ending`], [`ReportError::Empty`], [`ReportError::Shape`], [`ReportError::Draw`], [`ReportError::Write`].
pub fn look_picture(
    path: &Path, spectrogram: &Spectrogram, map: Option<(&StrokeMap, Angle)>, headline: &str, lines: &[String],
) -> Result<(), ReportError> {
    write(path, &LookPicture::new(Some(spectrogram), map, headline, lines, spectrogram.scale)?)
}

/// [`look_picture`] as the bytes of a PNG.
///
/// # Errors
/// As [`look_picture`], without those of files.
pub fn look_picture_png(
    spectrogram: &Spectrogram, map: Option<(&StrokeMap, Angle)>, headline: &str, lines: &[String],
) -> Result<Vec<u8>, ReportError> {
    canvas::png(&LookPicture::new(Some(spectrogram), map, headline, lines, spectrogram.scale)?)
}

/// Writes a spectrogram alone.
///
/// # Errors
/// As [`look_picture`].
pub fn spectrogram(path: &Path, spectrogram: &Spectrogram, title: &str) -> Result<(), ReportError> {
    write(path, &LookPicture::new(Some(spectrogram), None, title, &[], spectrogram.scale)?)
}

/// Writes a stroke map alone.
///
/// # Errors
/// As [`look_picture`].
pub fn stroke_map(path: &Path, map: &StrokeMap, angle: Angle, title: &str, scale: Scale) -> Result<(), ReportError> {
    write(path, &LookPicture::new(None, Some((map, angle)), title, &[], scale)?)
}

fn write(path: &Path, picture: &impl Picture) -> Result<(), ReportError> {
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    let bytes = match ending.as_deref() {
        Some("png") => canvas::png(picture)?,
        Some("svg") => canvas::svg(picture)?.into_bytes(),
        _ => return Err(ReportError::Ending { path: path.to_owned() }),
    };
    super::write_file(path, &bytes)
}

/// Words above the panels: grey title, bold headline, plain lines.
struct Head {
    title: Option<String>,
    headline: Vec<String>,
    lines: Vec<String>,
}

impl Head {
    const HEADLINE: f64 = 40.0;
    const LINE: f64 = 27.0;

    fn new(title: Option<&str>, headline: &str, lines: &[String]) -> Result<Self, ReportError> {
        let width = f64::from(WIDTH) - 2.0 * MARGIN;
        let mut wrapped = Vec::new();
        for line in lines {
            wrapped.extend(canvas::wrap(line, Lettering::new(Self::LINE), width)?);
        }
        Ok(Self {
            title: title.filter(|t| !t.trim().is_empty()).map(str::to_owned),
            headline: canvas::wrap(headline, Lettering::new(Self::HEADLINE).bold(), width)?,
            lines: wrapped,
        })
    }

    fn height(&self) -> f64 {
        let title = if self.title.is_some() { 40.0 } else { 0.0 };
        MARGIN + title + 54.0 * self.headline.len() as f64 + 38.0 * self.lines.len() as f64
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        let mut y = MARGIN;
        if let Some(title) = &self.title {
            page.text(MARGIN, y + 24.0, title, Lettering::new(Self::LINE).colour(GREY))?;
            y += 40.0;
        }
        for line in &self.headline {
            page.text(MARGIN, y + 40.0, line, Lettering::new(Self::HEADLINE).bold())?;
            y += 54.0;
        }
        for line in &self.lines {
            page.text(MARGIN, y + 28.0, line, Lettering::new(Self::LINE))?;
            y += 38.0;
        }
        Ok(())
    }
}

struct ChangePicture<'a> {
    maps: &'a ChangeMaps,
    verdict: &'a ClipVerdict,
    scale: Scale,
    head: Head,
    /// What to look at next, or what the reading says instead; and the bold word before it.
    next: Vec<String>,
    next_label: &'static str,
    range: [f64; 2],
    limit: f64,
}

/// Lettering of the advice under the maps.
const NEXT_EM: f64 = 28.0;
/// Room for the word before it.
const NEXT_INDENT: f64 = 100.0;

impl<'a> ChangePicture<'a> {
    fn new(maps: &'a ChangeMaps, verdict: &'a ClipVerdict, title: &str, scale: Scale) -> Result<Self, ReportError> {
        check_map(&maps.good, "map of the good runs")?;
        check_map(&maps.now, "map of the clip")?;
        check_map(&maps.difference, "difference map")?;
        let levels = maps.good.level_db.iter().chain(maps.now.level_db.iter()).copied();
        let width = f64::from(WIDTH) - 2.0 * MARGIN;
        let (next, next_label) = match words::reading_parts(verdict) {
            (_, Some(next)) => (words::capital(next), "Next:"),
            (meaning, None) => (meaning.to_owned(), ""),
        };
        let indent = if next_label.is_empty() { 0.0 } else { NEXT_INDENT };
        Ok(Self {
            maps,
            verdict,
            scale,
            head: Head::new(Some(title), &words::headline(verdict), &facts(verdict).into_iter().collect::<Vec<_>>())?,
            next: canvas::wrap(&next, Lettering::new(NEXT_EM), width - indent)?,
            next_label,
            range: level_range(levels).unwrap_or([-60.0, 0.0]),
            limit: change_limit(maps.difference.level_db.iter().copied()),
        })
    }

    /// Whether the change is to be outlined.
    fn change(&self) -> Option<([f64; 2], [f64; 2])> {
        let judged = matches!(self.verdict.verdict, State::Drifting | State::Departed);
        let band = self.verdict.band_hz.filter(|b| judged && b.iter().all(|f| f.is_finite()))?;
        let arc = self.verdict.arc_deg.filter(|a| a.iter().all(|d| d.is_finite())).unwrap_or([0.0, 360.0]);
        Some((arc, band))
    }

    fn has_gaps(&self) -> bool {
        [&self.maps.good, &self.maps.now, &self.maps.difference]
            .into_iter()
            .any(|m| m.level_db.iter().any(|v| !v.is_finite()))
    }

    fn events_height(&self) -> f64 {
        if self.maps.angle == Angle::Absolute { EVENTS_HEIGHT } else { 16.0 }
    }

    fn panels_top(&self) -> f64 {
        self.head.height() + 56.0 + self.events_height()
    }

    fn key<B: DrawingBackend>(&self, page: &mut Canvas<B>, y: f64) -> Result<(), ReportError> {
        let look = Lettering::new(SMALL_EM);
        let mut x = MARGIN;
        let mut put = |page: &mut Canvas<B>, text: &str, room: f64| -> Result<f64, ReportError> {
            let at = x;
            page.text(at + room, y, text, look)?;
            x += room + canvas::text_width(text, look)? + 44.0;
            Ok(at)
        };
        let at = put(page, &format!("louder by {SIGN_DB} dB or more"), 24.0)?;
        sign(page, at + 8.0, y - 8.0, true, BLACK)?;
        let at = put(page, "quieter", 24.0)?;
        sign(page, at + 8.0, y - 8.0, false, BLACK)?;
        if self.change().is_some() {
            let at = put(page, "where it changed", 42.0)?;
            page.frame([at, y - 19.0, at + 32.0, y + 2.0], 4.0, BLACK)?;
        }
        if self.has_gaps() {
            let at = put(page, "no data", 42.0)?;
            super::heat::hatch(page, [at, y - 19.0, at + 32.0, y + 2.0])?;
        }
        put(page, "darker is louder, or a larger change", 0.0)?;
        Ok(())
    }
}

/// How far, how sure and from how much, in one line.
fn facts(v: &ClipVerdict) -> Option<String> {
    let mut parts = Vec::new();
    if v.verdict != State::Steady
        && let Some(d) = v.departure
    {
        parts.push(words::times_limit(d));
        if let Some(p) = v.false_alarm {
            parts.push(words::chance_sentence(p));
        }
    }
    if let Some(spm) = v.spm {
        parts.push(format!("{spm:.1} SPM"));
    }
    if let Some(strokes) = v.strokes {
        parts.push(format!("{strokes} strokes"));
    }
    (!parts.is_empty()).then(|| parts.join("; "))
}

impl Picture for ChangePicture<'_> {
    fn size(&self) -> (u32, u32) {
        let next = if self.next.is_empty() { 0.0 } else { 24.0 + 40.0 * self.next.len() as f64 };
        (WIDTH, whole(self.panels_top() + MAP_HEIGHT + ANGLE_AXIS_HEIGHT + 56.0 + next + MARGIN))
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        self.head.draw(page)?;
        let width = (f64::from(WIDTH) - 2.0 * FREQ_WIDTH - 2.0 * BAR_WIDTH - 24.0 - 16.0) / 3.0;
        let (top, bottom) = (self.panels_top(), self.panels_top() + MAP_HEIGHT);
        let good = [FREQ_WIDTH, top, FREQ_WIDTH + width, bottom];
        let now = [good[2] + 24.0, top, good[2] + 24.0 + width, bottom];
        let diff_left = now[2] + BAR_WIDTH + FREQ_WIDTH + 8.0;
        let diff = [diff_left, top, diff_left + width, bottom];
        let [low, high] = self.range;
        // Vector files merge equal neighbours: coarser steps keep them small.
        let grain = if page.is_vector() { 40.0 } else { 1000.0 };
        let coarse = |x: f64| (x * grain).round() / grain;
        let level = |db: f64| colour::level(coarse((db - low) / (high - low)));
        let change = |db: f64| colour::change(coarse(db / self.limit));
        let panels: [(Area, &StrokeMap, &str); 3] = [
            (good, &self.maps.good, "Good runs"),
            (now, &self.maps.now, "Now"),
            (diff, &self.maps.difference, "Difference: now − good"),
        ];
        for (i, (area, map, name)) in panels.into_iter().enumerate() {
            if i < 2 {
                map_cells(page, area, map, level)?;
            } else {
                map_cells(page, area, map, change)?;
                let axis = axis_of(map, area);
                let change = self.change();
                signs(page, area, map, self.limit, |x, y| {
                    change.is_none_or(|(arc, band)| clear_of_outline(area, &axis, arc, band, x, y))
                })?;
            }
            let title_y = top - self.events_height() - 12.0;
            page.text(area[0], title_y, name, Lettering::new(29.0).bold())?;
            if self.maps.angle == Angle::Absolute && map.level_db.ncols() > 1 {
                valve_events(page, area)?;
            }
            angle_axis(page, area, map.level_db.ncols(), self.maps.angle)?;
        }
        freq_axis(page, good, &axis_of(&self.maps.good, good))?;
        freq_axis(page, diff, &axis_of(&self.maps.difference, diff))?;
        colour_bar(page, now, self.range, level_unit(self.scale), false, level)?;
        colour_bar(page, diff, [-self.limit, self.limit], "quieter  ←  change, dB  →  louder", true, change)?;
        if let Some((arc, band)) = self.change() {
            outline(page, diff, &axis_of(&self.maps.difference, diff), arc, band)?;
        }
        let mut y = bottom + ANGLE_AXIS_HEIGHT + 40.0;
        self.key(page, y)?;
        y += 24.0;
        for (i, line) in self.next.iter().enumerate() {
            y += 40.0;
            if i == 0 {
                page.text(MARGIN, y, self.next_label, Lettering::new(NEXT_EM).bold())?;
            }
            let indent = if self.next_label.is_empty() { 0.0 } else { NEXT_INDENT };
            page.text(MARGIN + indent, y, line, Lettering::new(NEXT_EM))?;
        }
        Ok(())
    }
}

struct LookPicture<'a> {
    spectrogram: Option<&'a Spectrogram>,
    map: Option<(&'a StrokeMap, Angle)>,
    head: Head,
    scale: Scale,
}

/// Height of the spectrogram's panel.
const SPECTROGRAM_HEIGHT: f64 = 430.0;

impl<'a> LookPicture<'a> {
    fn new(
        spectrogram: Option<&'a Spectrogram>, map: Option<(&'a StrokeMap, Angle)>, headline: &str, lines: &[String],
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
        &self, page: &mut Canvas<B>, s: &Spectrogram, area: Area,
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
        cells(page, &super::heat::column_edges(across, area), &ys, |row, column| grid[row * across + column])?;
        super::heat::border(page, area)?;
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

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a page is some thousands high")]
fn whole(x: f64) -> u32 {
    x.ceil() as u32
}

#[cfg(test)]
#[path = "picture_tests.rs"]
mod tests;
