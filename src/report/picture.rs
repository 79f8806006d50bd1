//! Pictures of a change and of a clip, as PNG or SVG.
//!
//! Every picture is [`WIDTH`] units wide and as high as its words need. Darker is more in all of them; see
//! [`super::colour`] for why, and for what makes them readable in grey.

use std::path::Path;

use plotters::prelude::DrawingBackend;

use super::ReportError;
use super::axis::{change_limit, level_range, level_unit};
use super::canvas::{self, BLACK, Canvas, Lettering, Picture};
use super::colour;
pub use super::head::WIDTH;
use super::head::{Head, MARGIN, whole};
use super::heat::{
    ANGLE_AXIS_HEIGHT, Area, BAR_WIDTH, EVENTS_HEIGHT, FREQ_WIDTH, MAP_HEIGHT, SIGN_DB, SMALL_EM, angle_axis, axis_of,
    check_map, clear_of_outline, colour_bar, freq_axis, hatch, map_cells, outline, sign, signs, valve_events,
};
use super::look::LookPicture;
pub use super::spectrogram::{Spectrogram, spectrogram_of};
use super::words;
use crate::clip::Scale;
use crate::map::StrokeMap;
use crate::score::{Angle, ChangeMaps, ClipVerdict, State};

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
    path: &Path,
    maps: &ChangeMaps,
    verdict: &ClipVerdict,
    title: &str,
    scale: Scale,
) -> Result<(), ReportError> {
    write(path, &ChangePicture::new(maps, verdict, title, scale)?)
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
    path: &Path,
    spectrogram: &Spectrogram,
    map: Option<(&StrokeMap, Angle)>,
    headline: &str,
    lines: &[String],
) -> Result<(), ReportError> {
    write(path, &LookPicture::new(Some(spectrogram), map, headline, lines, spectrogram.scale)?)
}

pub(super) fn write(path: &Path, picture: &impl Picture) -> Result<(), ReportError> {
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    let bytes = match ending.as_deref() {
        Some("png") => canvas::png(picture)?,
        Some("svg") => canvas::svg(picture)?.into_bytes(),
        _ => return Err(ReportError::Ending { path: path.to_owned() }),
    };
    super::write_file(path, &bytes)
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

    /// The panels of good, now and difference.
    fn areas(&self) -> [Area; 3] {
        let width = (f64::from(WIDTH) - 2.0 * FREQ_WIDTH - 2.0 * BAR_WIDTH - 24.0 - 16.0) / 3.0;
        let (top, bottom) = (self.panels_top(), self.panels_top() + MAP_HEIGHT);
        let now_left = FREQ_WIDTH + width + 24.0;
        let difference_left = now_left + width + BAR_WIDTH + FREQ_WIDTH + 8.0;
        [FREQ_WIDTH, now_left, difference_left].map(|left| [left, top, left + width, bottom])
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
            hatch(page, [at, y - 19.0, at + 32.0, y + 2.0])?;
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
        (WIDTH, whole(self.panels_top() + MAP_HEIGHT + ANGLE_AXIS_HEIGHT + 76.0 + next + 12.0))
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        self.head.draw(page)?;
        let [good, now, diff] = self.areas();
        let [_, top, _, bottom] = diff;
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

#[cfg(test)]
#[path = "picture_tests.rs"]
mod tests;
