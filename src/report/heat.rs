//! Parts of a picture that show a grid of levels: cells, hatching, colour bar, outlines, marks, angle and frequency axes.

use plotters::prelude::DrawingBackend;

use super::ReportError;
use super::axis::{FreqAxis, even_ticks};
use super::canvas::{At, BLACK, Canvas, GREY, Lettering, WHITE};
use super::colour::{self, Rgb};
use crate::map::StrokeMap;
use crate::score::Angle;

/// Lettering of axes and keys.
pub(super) const SMALL_EM: f64 = 23.0;
/// Height of a stroke map's panel.
pub(super) const MAP_HEIGHT: f64 = 470.0;
/// Room that the angle axis takes below a panel.
pub(super) const ANGLE_AXIS_HEIGHT: f64 = 116.0;
/// Room that the labels of the valve events take above a panel.
pub(super) const EVENTS_HEIGHT: f64 = 66.0;
/// Room that a colour bar with labels and unit takes right of a panel.
pub(super) const BAR_WIDTH: f64 = 130.0;
/// Room that frequency labels take left of a panel.
pub(super) const FREQ_WIDTH: f64 = 104.0;

/// `[left, top, right, bottom]` in picture units.
pub(super) type Area = [f64; 4];

/// Checks that a map can be drawn.
///
/// # Errors
/// [`ReportError::Empty`] or [`ReportError::Shape`].
pub(super) fn check_map(map: &StrokeMap, what: &'static str) -> Result<(), ReportError> {
    let (rows, columns) = map.level_db.dim();
    if rows == 0 || columns == 0 {
        return Err(ReportError::Empty { what });
    }
    if map.edges_hz.len() != rows + 1 {
        return Err(ReportError::Shape {
            what,
            got: format!("{} band edges for {rows} bands", map.edges_hz.len()),
            want: format!("{}", rows + 1),
        });
    }
    let ascending = map.edges_hz.windows(2).all(|w| w[0] < w[1]);
    if !ascending || map.edges_hz.iter().any(|e| !e.is_finite() || *e < 0.0) {
        return Err(ReportError::Shape {
            what,
            got: "band edges that do not rise".into(),
            want: "finite edges in Hz, each above the one before".into(),
        });
    }
    Ok(())
}

/// The frequency axis of a map over a panel.
pub(super) fn axis_of(map: &StrokeMap, area: Area) -> FreqAxis {
    let high = map.edges_hz[map.edges_hz.len() - 1];
    // A first edge of 0 Hz has no place on a log axis: give that band two octaves.
    let low = if map.edges_hz[0] > 0.0 { map.edges_hz[0] } else { map.edges_hz[1] / 4.0 };
    FreqAxis::new(low, high, area[1], area[3])
}

/// Draws the cells of a grid: `xs` and `ys` are the column and row edges, `ys` falling or rising; `None` is hatched.
pub(super) fn cells<B: DrawingBackend>(
    page: &mut Canvas<B>,
    xs: &[f64],
    ys: &[f64],
    colour_at: impl Fn(usize, usize) -> Option<Rgb>,
) -> Result<(), ReportError> {
    let columns = xs.len().saturating_sub(1);
    let mut rows: Vec<usize> = (0..ys.len().saturating_sub(1)).collect();
    rows.sort_by(|a, b| ys[*a].min(ys[*a + 1]).total_cmp(&ys[*b].min(ys[*b + 1])));
    let bottom = ys.iter().copied().fold(f64::MIN, f64::max);
    // Vector cells overlap their right and lower neighbours by a unit, or viewers show hairlines between them.
    let lap = if page.is_vector() { 1.0 } else { 0.0 };
    for row in rows {
        let (y0, y1) = (ys[row].min(ys[row + 1]), ys[row].max(ys[row + 1]));
        let mut start = 0;
        while start < columns {
            let colour = colour_at(row, start);
            let mut end = start + 1;
            while end < columns && colour_at(row, end) == colour {
                end += 1;
            }
            let area = [xs[start], y0, (xs[end] + lap).min(xs[columns]), (y1 + lap).min(bottom)];
            match colour {
                Some(colour) => page.rect(area, colour)?,
                None => hatch(page, area)?,
            }
            start = end;
        }
    }
    Ok(())
}

/// Fills an area with grey and diagonals that join those of neighbouring areas: no data.
pub(super) fn hatch<B: DrawingBackend>(page: &mut Canvas<B>, area: Area) -> Result<(), ReportError> {
    let [x0, y0, x1, y1] = area;
    page.rect(area, colour::NO_DATA)?;
    let pitch = 12.0;
    let mut sum = ((x0 + y0) / pitch).ceil() * pitch;
    while sum < x1 + y1 {
        let from_x = (sum - y1).max(x0);
        let to_x = (sum - y0).min(x1);
        if to_x > from_x {
            page.line([from_x, sum - from_x], [to_x, sum - to_x], 1.5, [140, 140, 140])?;
        }
        sum += pitch;
    }
    Ok(())
}

/// Column edges of a map over a panel.
pub(super) fn column_edges(columns: usize, area: Area) -> Vec<f64> {
    (0..=columns).map(|k| area[0] + (area[2] - area[0]) * k as f64 / columns as f64).collect()
}

/// A stroke map over its panel, with a frame.
pub(super) fn map_cells<B: DrawingBackend>(
    page: &mut Canvas<B>,
    area: Area,
    map: &StrokeMap,
    colour_of: impl Fn(f64) -> Rgb,
) -> Result<(), ReportError> {
    let axis = axis_of(map, area);
    let ys: Vec<f64> = map.edges_hz.iter().map(|f| axis.y(*f)).collect();
    cells(page, &column_edges(map.level_db.ncols(), area), &ys, |row, column| {
        let value = map.level_db[[row, column]];
        value.is_finite().then(|| colour_of(f64::from(value)))
    })?;
    border(page, area)
}

/// A thin dark frame just outside an area.
pub(super) fn border<B: DrawingBackend>(page: &mut Canvas<B>, [x0, y0, x1, y1]: Area) -> Result<(), ReportError> {
    page.frame([x0 - 1.5, y0 - 1.5, x1 + 1.5, y1 + 1.5], 1.5, GREY)
}

/// Frequency ticks and labels left of a panel.
pub(super) fn freq_axis<B: DrawingBackend>(
    page: &mut Canvas<B>,
    area: Area,
    axis: &FreqAxis,
) -> Result<(), ReportError> {
    for (freq_hz, label) in axis.ticks() {
        let y = axis.y(freq_hz);
        page.rect([area[0] - 9.0, y - 1.0, area[0], y + 1.0], GREY)?;
        let baseline = (y + SMALL_EM * 0.36).clamp(area[1] + SMALL_EM * 0.7, area[3]);
        page.text(area[0] - 14.0, baseline, &label, Lettering::new(SMALL_EM).at(At::End))?;
    }
    Ok(())
}

/// Angle ticks, halves and axis name below a panel; without angles (one column) only a remark.
pub(super) fn angle_axis<B: DrawingBackend>(
    page: &mut Canvas<B>,
    area: Area,
    columns: usize,
    angle: Angle,
) -> Result<(), ReportError> {
    let [x0, y0, x1, y1] = area;
    let middle = Lettering::new(SMALL_EM).at(At::Middle);
    if columns == 1 {
        return page.text((x0 + x1) / 2.0, y1 + 36.0, "no stroke: all round the turn", middle);
    }
    let x_at = |deg: f64| x0 + (x1 - x0) * deg / 360.0;
    for deg in [0.0, 90.0, 180.0, 270.0, 360.0] {
        page.rect([x_at(deg) - 1.0, y1, x_at(deg) + 1.0, y1 + 9.0], GREY)?;
        // The outer labels stay within the panel: the next one begins close by.
        let at = if deg < 1.0 {
            At::Start
        } else if deg > 359.0 {
            At::End
        } else {
            At::Middle
        };
        let nudge = if at == At::Middle { 4.0 } else { 0.0 };
        page.text(x_at(deg) + nudge, y1 + 34.0, &format!("{deg:.0}°"), middle.at(at))?;
    }
    match angle {
        Angle::Absolute => {
            // Where the halves meet: black and white in turn, so that it shows on any colour and covers little.
            let (mut y, mut ink) = (y0, BLACK);
            while y < y1 {
                page.rect([x_at(180.0) - 1.0, y, x_at(180.0) + 1.0, (y + 9.0).min(y1)], ink)?;
                y += 9.0;
                ink = if ink == BLACK { WHITE } else { BLACK };
            }
            for (from, to, name) in [(0.0, 180.0, "discharge half"), (180.0, 360.0, "suction half")] {
                let (a, b) = (x_at(from) + 5.0, x_at(to) - 5.0);
                page.rect([a, y1 + 48.0, b, y1 + 51.0], BLACK)?;
                page.rect([a, y1 + 43.0, a + 3.0, y1 + 56.0], BLACK)?;
                page.rect([b - 3.0, y1 + 43.0, b, y1 + 56.0], BLACK)?;
                page.text((a + b) / 2.0, y1 + 79.0, name, Lettering::new(22.0).at(At::Middle).bold())?;
            }
            page.text((x0 + x1) / 2.0, y1 + 108.0, "crank angle of this module", middle.colour(GREY))
        }
        Angle::Relative => page.text((x0 + x1) / 2.0, y1 + 72.0, "angle relative: origin unknown", middle),
    }
}

/// Triangles and labels above a panel where valves are expected to open and shut.
pub(super) fn valve_events<B: DrawingBackend>(page: &mut Canvas<B>, area: Area) -> Result<(), ReportError> {
    let [x0, y0, x1, _] = area;
    for (deg, first, second) in
        [(0.0, "suction shuts,", "discharge opens"), (180.0, "discharge shuts,", "suction opens")]
    {
        let x = x0 + (x1 - x0) * deg / 360.0;
        page.polygon(&[[x - 8.0, y0 - 16.0], [x + 8.0, y0 - 16.0], [x, y0 - 2.0]], BLACK)?;
        let look = Lettering::new(19.0);
        page.text(x + 11.0, y0 - 34.0, first, look)?;
        page.text(x + 11.0, y0 - 10.0, second, look)?;
    }
    Ok(())
}

/// The pieces of an arc in 0..=360: two when it passes 360. Flags: open at the left, open at the right.
pub(super) fn arc_pieces(arc_deg: [f64; 2]) -> Vec<([f64; 2], bool, bool)> {
    if (arc_deg[1] - arc_deg[0]).abs() >= 360.0 {
        return vec![([0.0, 360.0], false, false)];
    }
    let wrap = |a: f64| if (0.0..=360.0).contains(&a) { a } else { a.rem_euclid(360.0) };
    let (start, end) = (wrap(arc_deg[0]), wrap(arc_deg[1]));
    if start < end {
        return vec![([start, end], false, false)];
    }
    [([start, 360.0], false, true), ([0.0, end], true, false)].into_iter().filter(|p| p.0[0] < p.0[1]).collect()
}

/// Whether a sign at `x`, `y` keeps clear of the lines that [`outline`] draws.
pub(super) fn clear_of_outline(
    area: Area,
    axis: &FreqAxis,
    arc_deg: [f64; 2],
    band_hz: [f64; 2],
    x: f64,
    y: f64,
) -> bool {
    let room = 13.0;
    let (top, bottom) = (axis.y(band_hz[1]), axis.y(band_hz[0]));
    !arc_pieces(arc_deg).into_iter().any(|([from, to], open_left, open_right)| {
        let x_at = |deg: f64| area[0] + (area[2] - area[0]) * deg / 360.0;
        let beside = |line: f64, at: f64| (at - line).abs() < room;
        let along_x = x > x_at(from) - room && x < x_at(to) + room;
        let along_y = y > top - room && y < bottom + room;
        (along_x && (beside(top, y) || beside(bottom, y)))
            || (along_y && ((!open_left && beside(x_at(from), x)) || (!open_right && beside(x_at(to), x))))
    })
}

/// Outlines arc and band of a change; a side where the arc goes on past 360 degrees stays open.
pub(super) fn outline<B: DrawingBackend>(
    page: &mut Canvas<B>,
    area: Area,
    axis: &FreqAxis,
    arc_deg: [f64; 2],
    band_hz: [f64; 2],
) -> Result<(), ReportError> {
    let (top, bottom) = (axis.y(band_hz[1]), axis.y(band_hz[0]));
    for ([from, to], open_left, open_right) in arc_pieces(arc_deg) {
        let x_at = |deg: f64| area[0] + (area[2] - area[0]) * deg / 360.0;
        let (left, right) = (x_at(from), x_at(to));
        // White under black shows on any colour.
        for (grow, colour) in [(5.0, WHITE), (2.5, BLACK)] {
            let thick = 2.0 * grow;
            let (l, t, r, b) = (left - grow, top - grow, right + grow, bottom + grow);
            page.rect([l, t, r, t + thick], colour)?;
            page.rect([l, b - thick, r, b], colour)?;
            if !open_left {
                page.rect([l, t, l + thick, b], colour)?;
            }
            if !open_right {
                page.rect([r - thick, t, r, b], colour)?;
            }
        }
    }
    Ok(())
}

/// A `+` (louder) or `-` (quieter) that also shows in grey.
pub(super) fn sign<B: DrawingBackend>(
    page: &mut Canvas<B>,
    x: f64,
    y: f64,
    louder: bool,
    colour: Rgb,
) -> Result<(), ReportError> {
    page.rect([x - 7.0, y - 1.5, x + 7.0, y + 1.5], colour)?;
    if louder {
        page.rect([x - 1.5, y - 7.0, x + 1.5, y + 7.0], colour)?;
    }
    Ok(())
}

/// Changes at least this large get a sign, in dB: what a practised ear just hears, and beyond the scatter of most cells.
pub(super) const SIGN_DB: f64 = 2.5;

/// Prints signs over those parts of a difference map whose mean change is at least [`SIGN_DB`], where the page is `free`.
pub(super) fn signs<B: DrawingBackend>(
    page: &mut Canvas<B>,
    area: Area,
    map: &StrokeMap,
    limit_db: f64,
    free: impl Fn(f64, f64) -> bool,
) -> Result<(), ReportError> {
    let axis = axis_of(map, area);
    let (rows, columns) = map.level_db.dim();
    let pitch = 26.0;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a panel is some hundreds wide")]
    let count = |length: f64| ((length / pitch).floor() as usize).max(1);
    let (across, down) = (count(area[2] - area[0]), count(area[3] - area[1]));
    let (width, height) = ((area[2] - area[0]) / across as f64, (area[3] - area[1]) / down as f64);
    for j in 0..down {
        let (y0, y1) = (area[1] + j as f64 * height, area[1] + (j + 1) as f64 * height);
        let (low_hz, high_hz) = (axis.freq_hz(y1), axis.freq_hz(y0));
        let in_rows = (0..rows).filter(|r| map.edges_hz[*r] < high_hz && map.edges_hz[*r + 1] > low_hz);
        let in_rows: Vec<usize> = in_rows.collect();
        for i in 0..across {
            let (mut sum, mut n, mut weight) = (0.0, 0_usize, 0.0);
            let (first, last) = (i * columns / across, ((i + 1) * columns / across).max(i * columns / across + 1));
            for column in first..last.min(columns) {
                for row in &in_rows {
                    n += 1;
                    let value = map.level_db[[*row, column]];
                    if value.is_finite() {
                        sum += f64::from(value);
                        weight += 1.0;
                    }
                }
            }
            // A block that is half hatched says nothing.
            if n == 0 || weight * 2.0 < n as f64 || (sum / weight).abs() < SIGN_DB {
                continue;
            }
            let mean = sum / weight;
            let (x, y) = (area[0] + (i as f64 + 0.5) * width, (y0 + y1) / 2.0);
            if !free(x, y) {
                continue;
            }
            let ink = if colour::wants_black(colour::change(mean / limit_db)) { BLACK } else { WHITE };
            sign(page, x, y, mean > 0.0, ink)?;
        }
    }
    Ok(())
}

/// A colour bar with ticks and unit right of the panel whose area is given.
pub(super) fn colour_bar<B: DrawingBackend>(
    page: &mut Canvas<B>,
    panel: Area,
    [low, high]: [f64; 2],
    unit: &str,
    signed: bool,
    colour_of: impl Fn(f64) -> Rgb,
) -> Result<(), ReportError> {
    let [_, y0, panel_right, y1] = panel;
    let (x0, x1) = (panel_right + 18.0, panel_right + 42.0);
    let y_at = |v: f64| y1 - (v - low) / (high - low) * (y1 - y0);
    let steps = 64;
    let ys: Vec<f64> = (0..=steps).map(|k| y0 + (y1 - y0) * f64::from(k) / f64::from(steps)).collect();
    cells(page, &[x0, x1], &ys, |row, _| {
        let y = (ys[row] + ys[row + 1]) / 2.0;
        Some(colour_of(low + (y1 - y) / (y1 - y0) * (high - low)))
    })?;
    border(page, [x0, y0, x1, y1])?;
    for tick in even_ticks(low, high, 8) {
        let y = y_at(tick);
        page.rect([x1, y - 1.0, x1 + 8.0, y + 1.0], GREY)?;
        let text = if tick.abs() < 1e-9 {
            "0".to_owned()
        } else if tick < 0.0 {
            format!("−{:.0}", -tick)
        } else if signed {
            format!("+{tick:.0}")
        } else {
            format!("{tick:.0}")
        };
        let baseline = (y + SMALL_EM * 0.36).clamp(y0 + SMALL_EM * 0.7, y1);
        page.text(x1 + 12.0, baseline, &text, Lettering::new(SMALL_EM))?;
    }
    page.text_up(x1 + 84.0, (y0 + y1) / 2.0, unit, Lettering::new(SMALL_EM).at(At::Middle))
}
