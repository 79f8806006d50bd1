//! The trend picture: a block a module with its sentence, departure, excess and drift chart over time or strokes, PNG and SVG.
//!
//! Dots, lines, dashes and hatches differ in shape as well as in colour, so a grey print says the same.

use std::path::Path;

use plotters::prelude::DrawingBackend;

use super::ReportError;
pub use super::along::Along;
use super::axis::even_ticks;
use super::canvas::{self, At, BLACK, Canvas, GREY, Lettering, Picture, WHITE};
use super::colour::Rgb;
use super::head::{MARGIN, WIDTH, whole};
use super::heat::{Area, border};
use super::picture;
use crate::robust::quantile_sorted;
use crate::score::trend::{DAY_S, DEPARTED, LIMIT, PartMark, Trend, TrendPoint, TrendState};

/// Blue and vermilion of Okabe and Ito's palette for all kinds of colour vision: apart in hue and in lightness.
const DOT: Rgb = [60, 125, 190];
const DRIFT: Rgb = [213, 94, 0];
/// The drift line: darker than the dots that it runs through, also in grey.
const LINE: Rgb = [110, 25, 0];
const PALE: Rgb = [222, 222, 222];

const LEFT: f64 = 150.0;
const RIGHT: f64 = 330.0;
const TITLE_EM: f64 = 30.0;
const SENTENCE_EM: f64 = 32.0;
const SENTENCE_STEP: f64 = 44.0;
/// Nine points where the picture fills the width of an A4 page.
const LABEL_EM: f64 = 27.2;
const MARKS_HEIGHT: f64 = 46.0;
const DEPARTURE_HEIGHT: f64 = 270.0;
const EXCESS_HEIGHT: f64 = 130.0;
const CHART_HEIGHT: f64 = 84.0;
const GAP: f64 = 18.0;
/// Rounds beyond which dots would hide each other: then each strip of the panel shows its middle and its 80 %.
const MOST_DOTS: usize = 360;
/// Days shown at least, so that a first day does not look like a long time.
const LEAST_DAYS: f64 = 3.0;
/// The same in strokes: three days at 70 a minute.
const LEAST_MILLION_STROKES: f64 = 0.3;
/// Width of such a strip.
const STRIP: f64 = 7.0;

/// How a trend is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TrendView {
    /// Over what.
    pub along: Along,
    /// How many days back; `None` shows every round.
    pub days: Option<f64>,
}

/// Writes the trend picture of a pump's modules.
///
/// # Arguments
/// - `path`: ends in `.png` or `.svg`.
/// - `trends`: one a module, drawn from top to bottom.
/// - `title`: a line on top: rig, pump, when.
///
/// # Errors
/// [`ReportError::Ending`], [`ReportError::Empty`], [`ReportError::Draw`], [`ReportError::Write`].
pub fn trend_picture(path: &Path, trends: &[Trend], title: &str, view: TrendView) -> Result<(), ReportError> {
    picture::write(path, &TrendPicture::new(trends, title, view)?)
}

/// The departure of one module over time for a note: low, without the sentence, which stands in the note's own words.
///
/// # Arguments
/// - `days_shown`: how far back; `None` shows every round.
///
/// # Errors
/// As [`trend_picture`], without those of files.
pub fn note_trend_png(trend: &Trend, days_shown: Option<f64>) -> Result<Vec<u8>, ReportError> {
    canvas::png(&NoteTrend(TrendPicture::new(
        std::slice::from_ref(trend),
        "",
        TrendView { days: days_shown, ..TrendView::default() },
    )?))
}

/// [`TrendPicture`] of one module, its departure only.
struct NoteTrend<'a>(TrendPicture<'a>);

impl NoteTrend<'_> {
    const TOP: f64 = 12.0 + MARKS_HEIGHT;
    const HEIGHT: f64 = 150.0;
}

impl Picture for NoteTrend<'_> {
    fn size(&self) -> (u32, u32) {
        (WIDTH, whole(Self::TOP + Self::HEIGHT + 52.0))
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        let Some(block) = self.0.blocks.first() else { return Ok(()) };
        let area = [LEFT, Self::TOP, f64::from(WIDTH) - RIGHT, Self::TOP + Self::HEIGHT];
        self.0.marks(page, block, [area; 3])?;
        self.0.departure(page, block, area)?;
        self.0.time_axis(page, area)?;
        let x = area[2] + 22.0;
        let who = block.trend.module.map_or_else(|| "module".to_owned(), |m| format!("module {m}"));
        page.text(x, area[1] + 32.0, &who, Lettering::new(36.0).bold())?;
        let last = block.trend.points.last().map_or_else(|| "–".to_owned(), |p| format!("{:.1}", p.departure));
        page.text(x, area[1] + 104.0, &last, Lettering::new(72.0).bold())?;
        page.text(x, area[1] + 142.0, "last departure", Lettering::new(LABEL_EM))
    }
}

struct Block<'a> {
    trend: &'a Trend,
    sentence: Vec<String>,
    shown: Vec<TrendPoint>,
    top_departure: f64,
    excess: [f64; 2],
}

struct TrendPicture<'a> {
    title: Vec<String>,
    blocks: Vec<Block<'a>>,
    along: Along,
    /// Last round of all modules: days since 1970, or million strokes.
    last: f64,
    /// Days or million strokes shown before and after it.
    span: [f64; 2],
}

impl<'a> TrendPicture<'a> {
    fn new(trends: &'a [Trend], title: &str, view: TrendView) -> Result<Self, ReportError> {
        let along = view.along;
        let last_s = trends.iter().flat_map(|t| t.points.iter().map(|p| p.time_s)).max().unwrap_or(0);
        let in_view =
            |p: &TrendPoint| view.days.filter(|d| *d > 0.0).is_none_or(|d| (last_s - p.time_s) as f64 / DAY_S <= d);
        let shown_of = |t: &Trend| -> Vec<TrendPoint> {
            t.points.iter().filter(|p| in_view(p) && along.of(p).is_some()).copied().collect()
        };
        let places = || trends.iter().flat_map(shown_of).filter_map(|p| along.of(&p));
        let last = places().fold(f64::NEG_INFINITY, f64::max);
        if !last.is_finite() {
            let what = match along {
                Along::Time => "judged rounds of the trend",
                Along::Strokes => {
                    "judged rounds with strokes: enter running hours (seatsong part hours) and the rounds' speeds"
                }
            };
            return Err(ReportError::Empty { what });
        }
        let least = if along == Along::Time { LEAST_DAYS } else { LEAST_MILLION_STROKES };
        let seen = last - places().fold(f64::INFINITY, f64::min);
        let all = trends.iter().flat_map(|t| &t.points).filter_map(|p| along.of(p)).fold(f64::INFINITY, f64::min);
        // Days asked for are shown as asked; of strokes what lies within them.
        let back = match (along, view.days.filter(|d| *d > 0.0)) {
            (Along::Time, Some(days)) => days.min(last - all),
            _ => seen,
        }
        .max(least);
        let ahead = trends
            .iter()
            .filter_map(|t| along.ahead(t.to_limit.as_ref().or(t.to_departed.as_ref())?))
            .fold(0.0_f64, |m, d| m.max(1.15 * d))
            .min(0.4 * back);
        let width = f64::from(WIDTH) - 2.0 * MARGIN;
        let mut blocks = Vec::new();
        for trend in trends {
            let shown = shown_of(trend);
            let largest = shown.iter().fold(0.0_f64, |m, p| m.max(p.departure));
            let excess = shown.iter().filter_map(|p| p.excess_db);
            let (low, high) = excess.fold((0.0_f64, 3.0_f64), |(l, h), e| (l.min(e), h.max(e)));
            blocks.push(Block {
                trend,
                sentence: canvas::wrap(&trend.sentence, sentence_look(trend), width)?,
                shown,
                // A wild round must not flatten the rest; it is drawn at the edge as a triangle.
                top_departure: (largest * 1.08).clamp(2.3, 6.0),
                excess: [low.max(-30.0), high.min(30.0)],
            });
        }
        let title = canvas::wrap(title, Lettering::new(TITLE_EM), width)?;
        Ok(Self { title, blocks, along, last, span: [back, ahead] })
    }

    fn x(&self, place: f64) -> f64 {
        let [back, ahead] = self.span;
        let right = f64::from(WIDTH) - RIGHT - 14.0;
        LEFT + 14.0 + (place - self.last + back) / (back + ahead) * (right - LEFT - 14.0)
    }

    fn x_of(&self, p: &TrendPoint) -> Option<f64> {
        self.along.of(p).map(|place| self.x(place))
    }

    fn areas(&self, top: f64) -> [Area; 3] {
        let right = f64::from(WIDTH) - RIGHT;
        let excess_top = top + DEPARTURE_HEIGHT + GAP;
        let chart_top = excess_top + EXCESS_HEIGHT + GAP;
        [
            [LEFT, top, right, top + DEPARTURE_HEIGHT],
            [LEFT, excess_top, right, excess_top + EXCESS_HEIGHT],
            [LEFT, chart_top, right, chart_top + CHART_HEIGHT],
        ]
    }

    fn block_height(block: &Block<'_>) -> f64 {
        let panels = DEPARTURE_HEIGHT + EXCESS_HEIGHT + CHART_HEIGHT + 2.0 * GAP;
        SENTENCE_STEP * block.sentence.len() as f64 + 14.0 + MARKS_HEIGHT + panels + 100.0
    }

    fn block<B: DrawingBackend>(&self, page: &mut Canvas<B>, block: &Block<'_>, top: f64) -> Result<(), ReportError> {
        let mut y = top;
        for line in &block.sentence {
            page.text(MARGIN, y + 32.0, line, sentence_look(block.trend))?;
            y += SENTENCE_STEP;
        }
        y += 14.0 + MARKS_HEIGHT;
        let [departure, excess, chart] = self.areas(y);
        self.marks(page, block, [departure, excess, chart])?;
        self.departure(page, block, departure)?;
        self.excess(page, block, excess)?;
        self.chart(page, block, chart)?;
        self.time_axis(page, chart)?;
        self.values(page, block, [departure, excess, chart])
    }

    fn departure<B: DrawingBackend>(
        &self,
        page: &mut Canvas<B>,
        block: &Block<'_>,
        area: Area,
    ) -> Result<(), ReportError> {
        let y = |v: f64| area[3] - v.clamp(0.0, block.top_departure) / block.top_departure * (area[3] - area[1]);
        for (value, name) in [(0.0, "0"), (LIMIT, "limit 1"), (DEPARTED, "2")] {
            page.text(LEFT - 14.0, y(value) + 9.0, name, Lettering::new(LABEL_EM).at(At::End))?;
        }
        page.rect([area[0], y(LIMIT) - 1.5, area[2], y(LIMIT) + 1.5], BLACK)?;
        dashes(page, [area[0], area[2]], y(DEPARTED), BLACK)?;
        self.series(page, block, |p| Some(p.departure), y, area)?;
        let begun = block.trend.points.iter().find(|p| Some(p.time_s) == block.trend.since_s);
        let line = block.trend.pace.as_ref().filter(|p| p.per_day.low > 0.0).and_then(|p| self.along.line(p));
        let ends = begun.zip(block.trend.points.last()).and_then(|(a, b)| self.along.of(a).zip(self.along.of(b)));
        if let (Some(line), Some((from, to))) = (line, ends) {
            let from = from.max(self.last - self.span[0]);
            stroke(page, [self.x(from), y(line(from))], [self.x(to), y(line(to))])?;
            if block.trend.state == TrendState::Creeping && self.span[1] > 0.0 {
                // Ahead: short pieces, as it is not measured.
                let end = self.last + self.span[1];
                let steps = 16;
                for i in (0..steps).step_by(2) {
                    let at = |k: i32| to + (end - to) * f64::from(k) / f64::from(steps);
                    if line(at(i + 1)) <= block.top_departure {
                        let [a, b] = [i, i + 1].map(|k| [self.x(at(k)), y(line(at(k)))]);
                        stroke(page, a, b)?;
                    }
                }
            }
        }
        border(page, area)
    }

    fn excess<B: DrawingBackend>(
        &self,
        page: &mut Canvas<B>,
        block: &Block<'_>,
        area: Area,
    ) -> Result<(), ReportError> {
        let [low, high] = block.excess;
        let y = |v: f64| area[3] - 8.0 - (v.clamp(low, high) - low) / (high - low) * (area[3] - area[1] - 16.0);
        for tick in even_ticks(low, high, 4) {
            page.rect([area[0], y(tick) - 0.75, area[2], y(tick) + 0.75], PALE)?;
            let baseline = (y(tick) + 9.0).clamp(area[1] + 20.0, area[3] + 2.0);
            page.text(LEFT - 14.0, baseline, &format!("{tick:.0} dB"), Lettering::new(LABEL_EM).at(At::End))?;
        }
        self.series(page, block, |p| p.excess_db, y, area)?;
        border(page, area)
    }

    fn chart<B: DrawingBackend>(&self, page: &mut Canvas<B>, block: &Block<'_>, area: Area) -> Result<(), ReportError> {
        let most = 1.6;
        let y = |v: f64| area[3] - v.clamp(0.0, most) / most * (area[3] - area[1]);
        let half = if block.shown.len() > MOST_DOTS { 1.0 } else { 4.0 };
        for p in &block.shown {
            let Some(x) = self.x_of(p) else { continue };
            let colour = if p.chart > 1.0 { DRIFT } else { [150, 150, 150] };
            page.rect([x - half, y(p.chart), x + half, area[3]], colour)?;
        }
        dashes(page, [area[0], area[2]], y(1.0), BLACK)?;
        page.text(LEFT - 14.0, y(1.0) + 9.0, "drift", Lettering::new(LABEL_EM).at(At::End))?;
        border(page, area)
    }

    /// Dots of rounds, or strips when there are many; known-good rounds are rings.
    fn series<B: DrawingBackend>(
        &self,
        page: &mut Canvas<B>,
        block: &Block<'_>,
        value: impl Fn(&TrendPoint) -> Option<f64>,
        y: impl Fn(f64) -> f64,
        area: Area,
    ) -> Result<(), ReportError> {
        let dots: Vec<(f64, f64, bool)> =
            block.shown.iter().filter_map(|p| Some((self.x_of(p)?, value(p)?, p.good))).collect();
        if dots.len() > MOST_DOTS {
            #[expect(clippy::cast_possible_truncation, reason = "a panel is some hundreds wide")]
            let strip = |x: f64| ((x - LEFT) / STRIP) as i64;
            for group in dots.chunk_by(|a, b| strip(a.0) == strip(b.0)) {
                let mut sorted: Vec<f64> = group.iter().map(|d| d.1).collect();
                sorted.sort_unstable_by(f64::total_cmp);
                let at = |p: f64| quantile_sorted(&sorted, p).map_or(area[3], &y);
                let x = LEFT + (strip(group[0].0) as f64 + 0.5) * STRIP;
                page.rect([x - 2.0, at(0.9), x + 2.0, at(0.1).max(at(0.9) + 1.0)], [150, 180, 210])?;
                disc(page, [x, at(0.5)], 3.5, DOT)?;
            }
            return Ok(());
        }
        let size = if dots.len() > 150 { 5.0 } else { 7.0 };
        for (x, v, good) in dots {
            let at = [x, y(v)];
            if at[1] <= area[1] + 0.5 {
                // Beyond the panel: a triangle at its edge.
                let [x, y] = at;
                page.polygon(&[[x - 10.0, y + 20.0], [x + 10.0, y + 20.0], [x, y + 3.0]], DOT)?;
                continue;
            }
            disc(page, at, size, DOT)?;
            if good {
                disc(page, at, size - 2.5, WHITE)?;
            }
        }
        Ok(())
    }

    fn marks<B: DrawingBackend>(
        &self,
        page: &mut Canvas<B>,
        block: &Block<'_>,
        [top, _, bottom]: [Area; 3],
    ) -> Result<(), ReportError> {
        let look = Lettering::new(LABEL_EM).bold();
        let shown = || {
            let place = |m: &PartMark| self.along.place(m.time_s, m.strokes).map(|p| self.x(p));
            let xs = block.trend.marks.iter().filter_map(move |m| Some((place(m)?, m)));
            xs.filter(|(x, _)| (LEFT..=top[2]).contains(x))
        };
        let mut free_from = MARGIN;
        for (x, mark) in shown() {
            let mut y = top[1];
            while y < bottom[3] {
                page.rect([x - 1.5, y, x + 1.5, (y + 9.0).min(bottom[3])], BLACK)?;
                y += 15.0;
            }
            page.polygon(&[[x - 10.0, top[1] - 19.0], [x + 10.0, top[1] - 19.0], [x, top[1] - 2.0]], BLACK)?;
            let text = format!("new: {}", mark.text);
            let Some(text) = canvas::wrap(&text, look, 420.0)?.into_iter().next() else { continue };
            let width = canvas::text_width(&text, look)?;
            // Right of its triangle, else left of it, else cut short: over another mark it would be read as that one's.
            let free = |left: &f64| {
                let right = left + width;
                *left >= free_from
                    && right <= f64::from(WIDTH) - MARGIN
                    && shown().all(|(other, _)| other + 14.0 < *left || other - 14.0 > right)
            };
            let place = [x + 16.0, x - 16.0 - width].into_iter().find(free);
            let next = shown().map(|m| m.0).find(|other| *other > x).unwrap_or(f64::from(WIDTH) - MARGIN + 14.0);
            let (left, text) = match place {
                Some(left) => (left, text),
                None => (x + 16.0, shortened(text, look, next - x - 34.0)?),
            };
            page.text(left, top[1] - 8.0, &text, look)?;
            free_from = left + canvas::text_width(&text, look)? + 30.0;
        }
        Ok(())
    }

    fn time_axis<B: DrawingBackend>(&self, page: &mut Canvas<B>, area: Area) -> Result<(), ReportError> {
        let [back, ahead] = self.span;
        // Days, weeks or years, whatever gives few and round numbers.
        let (unit, name) = if self.along == Along::Strokes {
            (1.0, "million strokes")
        } else if back > 1000.0 {
            (365.25, "years from the last")
        } else if back > 70.0 {
            (7.0, "weeks from the last")
        } else {
            (1.0, "days from last round")
        };
        for tick in even_ticks(-back / unit, ahead / unit, 9) {
            let x = self.x(self.last + tick * unit);
            page.rect([x - 1.0, area[3], x + 1.0, area[3] + 9.0], GREY)?;
            let text = if tick.abs() < 1e-9 {
                "0".to_owned()
            } else if tick.fract().abs() < 1e-9 {
                format!("{tick:+.0}").replace('-', "−")
            } else {
                format!("{tick:+.1}").replace('-', "−")
            };
            page.text(x, area[3] + 37.0, &text, Lettering::new(LABEL_EM).at(At::Middle))?;
        }
        page.text(f64::from(WIDTH) - RIGHT + 18.0, area[3] + 37.0, name, Lettering::new(LABEL_EM))
    }

    /// The last values, large, right of the panels.
    fn values<B: DrawingBackend>(
        &self,
        page: &mut Canvas<B>,
        block: &Block<'_>,
        [departure, excess, chart]: [Area; 3],
    ) -> Result<(), ReportError> {
        let x = departure[2] + 22.0;
        let small = Lettering::new(LABEL_EM);
        let who = block.trend.module.map_or_else(|| "module".to_owned(), |m| format!("module {m}"));
        page.text(x, departure[1] + 32.0, &who, Lettering::new(36.0).bold())?;
        let Some(last) = block.trend.points.last() else {
            return page.text(x, departure[1] + 80.0, "no judged round", small);
        };
        page.text(x, departure[1] + 142.0, &format!("{:.1}", last.departure), Lettering::new(104.0).bold())?;
        page.text(x, departure[1] + 184.0, "last departure", small)?;
        let state = match block.trend.state {
            TrendState::Few => "too few rounds",
            TrendState::Steady => "no drift",
            TrendState::Creeping => "creeping up",
            TrendState::Raised => "higher than before",
            TrendState::Beyond => "beyond twice the limit",
        };
        page.text(x, departure[1] + 232.0, state, Lettering::new(LABEL_EM).bold())?;
        let text = last.excess_db.map_or_else(|| "–".to_owned(), |e| format!("{e:.1} dB").replace('-', "−"));
        page.text(x, excess[1] + 56.0, &text, Lettering::new(48.0).bold())?;
        page.text(x, excess[1] + 96.0, "last excess", small)?;
        page.text(x, chart[1] + 36.0, "slow drift is told", small)?;
        page.text(x, chart[1] + 70.0, "above the line", small)
    }
}

/// What fits into `room` of a text, with an ellipsis; nothing if that is less than two letters.
fn shortened(text: String, look: Lettering, room: f64) -> Result<String, ReportError> {
    let mut cut = text;
    while cut.chars().count() > 2 {
        let with_dots = format!("{}…", cut.trim_end());
        if canvas::text_width(&with_dots, look)? <= room {
            return Ok(with_dots);
        }
        cut.pop();
    }
    Ok(String::new())
}

/// Bold where somebody has to do something.
fn sentence_look(trend: &Trend) -> Lettering {
    let look = Lettering::new(SENTENCE_EM);
    if matches!(trend.state, TrendState::Steady | TrendState::Few) { look } else { look.bold() }
}

fn disc<B: DrawingBackend>(page: &mut Canvas<B>, [x, y]: [f64; 2], r: f64, colour: Rgb) -> Result<(), ReportError> {
    let corners: Vec<[f64; 2]> = (0..14)
        .map(|k| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 14.0).sin_cos();
            [x + r * cos, y + r * sin]
        })
        .collect();
    page.polygon(&corners, colour)
}

/// A piece of a drift line, with a white edge against dots and limit.
fn stroke<B: DrawingBackend>(page: &mut Canvas<B>, from: [f64; 2], to: [f64; 2]) -> Result<(), ReportError> {
    page.line(from, to, 8.0, WHITE)?;
    page.line(from, to, 5.0, LINE)
}

fn dashes<B: DrawingBackend>(page: &mut Canvas<B>, x: [f64; 2], y: f64, colour: Rgb) -> Result<(), ReportError> {
    let mut at = x[0];
    while at < x[1] {
        page.rect([at, y - 1.5, (at + 16.0).min(x[1]), y + 1.5], colour)?;
        at += 28.0;
    }
    Ok(())
}

impl Picture for TrendPicture<'_> {
    fn size(&self) -> (u32, u32) {
        let blocks: f64 = self.blocks.iter().map(Self::block_height).sum();
        (WIDTH, whole(MARGIN + 44.0 * self.title.len() as f64 + blocks))
    }

    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        let mut y = MARGIN;
        for line in &self.title {
            page.text(MARGIN, y + 26.0, line, Lettering::new(TITLE_EM).colour(GREY))?;
            y += 44.0;
        }
        for block in &self.blocks {
            self.block(page, block, y)?;
            y += Self::block_height(block);
        }
        Ok(())
    }
}

#[cfg(test)]
#[path = "trend_tests.rs"]
mod tests;
