//! The maps of a change drawn for a note: as wide as an A4 page, low, and lettered for arm's length.
//!
//! A note's own words say what [`super::picture::change_map`] says in its headline and key, so here are three maps side by side and
//! nothing else. On A4 between margins of 11 mm the picture is 188 mm wide, a third of a point a unit: `EM` is above nine points there.

use plotters::prelude::DrawingBackend;

use super::ReportError;
use super::axis::{FreqAxis, change_limit, even_ticks, level_range};
use super::canvas::{self, At, BLACK, Canvas, GREY, Lettering, Picture, WHITE};
use super::colour;
use super::head::{WIDTH, whole};
use super::heat::{Area, axis_of, border, cells, check_map, clear_of_outline, map_cells, outline, signs};
use crate::map::StrokeMap;
use crate::score::{Angle, ChangeMaps, ClipVerdict, State};

/// Smallest lettering: 9.3 points on A4.
pub(super) const EM: f64 = 28.0;
const TITLE_EM: f64 = 30.0;
const TOP: f64 = 50.0;
const HEIGHT: f64 = 236.0;
const FREQ: f64 = 116.0;
const GAP: f64 = 22.0;
const BAR: f64 = 132.0;
const BELOW: f64 = 84.0;

/// The three maps (good runs, now, difference) as the bytes of a PNG.
///
/// # Errors
/// [`ReportError::Empty`], [`ReportError::Shape`] for maps that can't be drawn, [`ReportError::Draw`].
pub fn note_png(maps: &ChangeMaps, verdict: &ClipVerdict) -> Result<Vec<u8>, ReportError> {
    canvas::png(&NotePicture::new(maps, verdict)?)
}

struct NotePicture<'a> {
    maps: &'a ChangeMaps,
    verdict: &'a ClipVerdict,
    range: [f64; 2],
    limit: f64,
}

impl<'a> NotePicture<'a> {
    fn new(maps: &'a ChangeMaps, verdict: &'a ClipVerdict) -> Result<Self, ReportError> {
        check_map(&maps.good, "map of the good runs")?;
        check_map(&maps.now, "map of the clip")?;
        check_map(&maps.difference, "difference map")?;
        let levels = maps.good.level_db.iter().chain(maps.now.level_db.iter()).copied();
        Ok(Self {
            maps,
            verdict,
            range: level_range(levels).unwrap_or([-60.0, 0.0]),
            limit: change_limit(maps.difference.level_db.iter().copied()),
        })
    }

    fn areas() -> [Area; 3] {
        let width = (f64::from(WIDTH) - FREQ - 2.0 * GAP - BAR) / 3.0;
        [0.0, 1.0, 2.0].map(|k| {
            let left = FREQ + k * (width + GAP);
            [left, TOP, left + width, TOP + HEIGHT]
        })
    }

    fn change(&self) -> Option<([f64; 2], [f64; 2])> {
        let judged = matches!(self.verdict.verdict, State::Drifting | State::Departed);
        let band = self.verdict.band_hz.filter(|b| judged && b.iter().all(|f| f.is_finite()))?;
        let arc = self.verdict.arc_deg.filter(|a| a.iter().all(|d| d.is_finite())).unwrap_or([0.0, 360.0]);
        Some((arc, band))
    }

    fn angles<B: DrawingBackend>(&self, page: &mut Canvas<B>, area: Area, columns: usize) -> Result<(), ReportError> {
        let [x0, _, x1, y1] = area;
        let look = Lettering::new(EM).at(At::Middle);
        if columns == 1 {
            return page.text((x0 + x1) / 2.0, y1 + 36.0, "all round the turn", look);
        }
        let x_at = |deg: f64| x0 + (x1 - x0) * deg / 360.0;
        for (deg, at) in
            [(0.0, At::Start), (90.0, At::Middle), (180.0, At::Middle), (270.0, At::Middle), (360.0, At::End)]
        {
            page.rect([x_at(deg) - 1.0, y1, x_at(deg) + 1.0, y1 + 9.0], GREY)?;
            page.text(x_at(deg), y1 + 36.0, &format!("{deg:.0}°"), look.at(at))?;
        }
        if self.maps.angle == Angle::Relative {
            return page.text((x0 + x1) / 2.0, y1 + 74.0, "origin not known", look);
        }
        let (mut y, mut ink) = (area[1], BLACK);
        while y < y1 {
            page.rect([x_at(180.0) - 1.0, y, x_at(180.0) + 1.0, (y + 9.0).min(y1)], ink)?;
            y += 9.0;
            ink = if ink == BLACK { WHITE } else { BLACK };
        }
        for (from, to, name) in [(0.0, 180.0, "discharge"), (180.0, 360.0, "suction")] {
            let (a, b) = (x_at(from) + 4.0, x_at(to) - 4.0);
            page.rect([a, y1 + 44.0, b, y1 + 47.0], BLACK)?;
            page.text((a + b) / 2.0, y1 + 74.0, name, look.bold())?;
        }
        Ok(())
    }

    /// Louder and quieter beside the difference.
    fn bar<B: DrawingBackend>(&self, page: &mut Canvas<B>, area: Area) -> Result<(), ReportError> {
        let [_, y0, panel_right, y1] = area;
        let (x0, x1) = (panel_right + 16.0, panel_right + 40.0);
        let limit = self.limit;
        let ys: Vec<f64> = (0..=48).map(|k| y0 + (y1 - y0) * f64::from(k) / 48.0).collect();
        cells(page, &[x0, x1], &ys, |row, _| {
            let y = (ys[row] + ys[row + 1]) / 2.0;
            Some(colour::change(1.0 - 2.0 * (y - y0) / (y1 - y0)))
        })?;
        border(page, [x0, y0, x1, y1])?;
        for tick in even_ticks(-limit, limit, 4) {
            let y = y1 - (tick + limit) / (2.0 * limit) * (y1 - y0);
            let text = if tick.abs() < 1e-9 { "0".to_owned() } else { format!("{tick:+.0}").replace('-', "−") };
            let baseline = (y + EM * 0.36).clamp(y0 + EM * 0.75, y1);
            page.text(x1 + 12.0, baseline, &text, Lettering::new(EM))?;
        }
        page.text(x0, y1 + 36.0, "dB", Lettering::new(EM))
    }
}

fn frequencies<B: DrawingBackend>(page: &mut Canvas<B>, area: Area, axis: &FreqAxis) -> Result<(), ReportError> {
    let mut last = f64::INFINITY;
    for (freq_hz, label) in axis.ticks() {
        let y = axis.y(freq_hz);
        page.rect([area[0] - 9.0, y - 1.0, area[0], y + 1.0], GREY)?;
        let baseline = (y + EM * 0.36).clamp(area[1] + EM * 0.75, area[3]);
        // Ticks are close where the page is low: a label that would touch the one below it is left out.
        if last - baseline >= EM {
            page.text(area[0] - 14.0, baseline, &label, Lettering::new(EM).at(At::End))?;
            last = baseline;
        }
    }
    Ok(())
}

impl Picture for NotePicture<'_> {
    fn size(&self) -> (u32, u32) {
        (WIDTH, whole(TOP + HEIGHT + BELOW))
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        let areas = Self::areas();
        let [low, high] = self.range;
        let level = |db: f64| colour::level((db - low) / (high - low));
        let change = |db: f64| colour::change(db / self.limit);
        let panels: [(&StrokeMap, &str); 3] =
            [(&self.maps.good, "Good runs"), (&self.maps.now, "Now"), (&self.maps.difference, "Difference")];
        for (k, (area, (map, name))) in areas.into_iter().zip(panels).enumerate() {
            page.text(area[0], TOP - 16.0, name, Lettering::new(TITLE_EM).bold())?;
            if k < 2 {
                map_cells(page, area, map, level)?;
            } else {
                map_cells(page, area, map, change)?;
                let (axis, change) = (axis_of(map, area), self.change());
                signs(page, area, map, self.limit, |x, y| {
                    change.is_none_or(|(arc, band)| clear_of_outline(area, &axis, arc, band, x, y))
                })?;
            }
            self.angles(page, area, map.level_db.ncols())?;
        }
        frequencies(page, areas[0], &axis_of(&self.maps.good, areas[0]))?;
        self.bar(page, areas[2])?;
        if let Some((arc, band)) = self.change() {
            outline(page, areas[2], &axis_of(&self.maps.difference, areas[2]), arc, band)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::made_up;

    /// Sizes and places of all texts of a picture's SVG.
    fn texts(picture: &NotePicture<'_>) -> Vec<(f64, f64, String)> {
        let svg = canvas::svg(picture).unwrap();
        svg.split("<text")
            .skip(1)
            .map(|text| {
                let number = |key: &str| -> f64 {
                    text.split(&format!(" {key}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap()
                };
                let words = text.split('>').nth(1).unwrap().split('<').next().unwrap().trim().to_owned();
                (number("font-size"), number("x"), words)
            })
            .collect()
    }

    #[test]
    fn every_letter_is_nine_points_on_paper() {
        // A4 is 210 mm wide, the margins are 11 mm, a point is 25.4/72 mm.
        let points_a_unit = (210.0 - 2.0 * 11.0) / 25.4 * 72.0 / f64::from(WIDTH);
        for angle in [Angle::Absolute, Angle::Relative] {
            let maps = made_up::maps(6.0, [190.0, 350.0], angle);
            let verdict = made_up::departed(2);
            let picture = NotePicture::new(&maps, &verdict).unwrap();
            let all = texts(&picture);
            assert!(all.len() > 12);
            for (size, _, words) in all {
                assert!(size * points_a_unit >= 9.0, "{words}: {} pt", size * points_a_unit);
            }
            assert!(f64::from(picture.size().1) * points_a_unit < 150.0, "two of them and the words fit on a page");
        }
    }

    #[test]
    fn words_stay_within_their_panels() {
        let maps = made_up::maps(6.0, [190.0, 350.0], Angle::Absolute);
        let verdict = made_up::departed(2);
        for (size, x, words) in texts(&NotePicture::new(&maps, &verdict).unwrap()) {
            let wide = canvas::text_width(&words, Lettering::new(size).bold()).unwrap();
            assert!(x - wide >= -1.0 || x + wide <= f64::from(WIDTH) + 1.0, "{words}");
            if ["discharge", "suction"].contains(&words.as_str()) {
                let area = NotePicture::areas()[0];
                assert!(wide < 0.5 * (area[2] - area[0]) - 4.0, "{words} is {wide} wide");
            }
        }
    }

    #[test]
    fn maps_that_can_not_be_drawn_are_told() {
        let mut maps = made_up::maps(6.0, [190.0, 350.0], Angle::Absolute);
        maps.now.edges_hz.pop();
        assert!(matches!(note_png(&maps, &made_up::departed(2)), Err(ReportError::Shape { .. })));
    }
}
