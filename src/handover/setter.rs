//! Sets text, boxes, curves and pictures on A4 pages: a list of things to draw, page by page, before any PDF is written.

use std::collections::HashMap;

use super::block::Span;
use crate::report::canvas::{Lettering, text_width};
use crate::report::colour::{Rgb, badge_colours};
use crate::report::{ReportError, words};

/// A4 in points.
pub(super) const PAGE: [f64; 2] = [595.28, 841.89];
/// Margin on all sides, in points: 11 mm, what office printers can print.
pub(super) const MARGIN: f64 = 31.2;
/// Room for the page number below.
const FOOT: f64 = 14.0;
const LEADING: f64 = 1.26;

pub(super) const INK: Rgb = [26, 26, 26];
pub(super) const GREY: Rgb = [68, 68, 68];
pub(super) const RULE: Rgb = [118, 118, 118];

/// One thing on a page; points, y downwards.
#[derive(Debug, Clone)]
pub(super) enum Draw {
    /// Text on its base line.
    Text { at: [f64; 2], size: f64, bold: bool, colour: Rgb, text: String },
    /// A filled box.
    Fill { at: [f64; 2], size: [f64; 2], colour: Rgb },
    /// A line through points.
    Line { points: Vec<[f64; 2]>, thick: f64, colour: Rgb, dashed: bool },
    /// A picture, by its number.
    Image { picture: usize, at: [f64; 2], size: [f64; 2] },
}

/// A piece of a line.
#[derive(Debug, Clone)]
struct Piece {
    x: f64,
    width: f64,
    text: String,
    bold: bool,
    ink: Rgb,
    back: Option<Rgb>,
}

/// How text is set.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    pub(super) size: f64,
    pub(super) bold: bool,
    pub(super) colour: Rgb,
}

/// Lines of text, ready to be put somewhere.
#[derive(Debug, Clone, Default)]
pub(super) struct Lines {
    lines: Vec<Vec<Piece>>,
    size: f64,
}

impl Lines {
    pub(super) fn height(&self) -> f64 {
        self.lines.len() as f64 * self.size * LEADING
    }
}

/// Pages being set.
#[derive(Debug, Default)]
pub(super) struct Setter {
    pub(super) pages: Vec<Vec<Draw>>,
    pub(super) y: f64,
    /// Whether the pages are only counted: pictures then need no more than their size.
    pub(super) trial: bool,
    widths: HashMap<(String, bool), f64>,
}

impl Setter {
    pub(super) fn new() -> Self {
        Self { pages: vec![Vec::new()], y: MARGIN, trial: false, widths: HashMap::new() }
    }

    /// Begins anew; the widths of words stay known.
    pub(super) fn clear(&mut self) {
        self.pages = vec![Vec::new()];
        self.y = MARGIN;
    }

    pub(super) fn width() -> f64 {
        PAGE[0] - 2.0 * MARGIN
    }

    /// Height left on this page.
    pub(super) fn left(&self) -> f64 {
        PAGE[1] - MARGIN - FOOT - self.y
    }

    pub(super) fn new_page(&mut self) {
        self.pages.push(Vec::new());
        self.y = MARGIN;
    }

    /// Starts a new page when `height` does not fit on this one; what is higher than a page starts one and runs out of it.
    pub(super) fn need(&mut self, height: f64) {
        if height > self.left() && self.y > MARGIN {
            self.new_page();
        }
    }

    pub(super) fn gap(&mut self, height: f64) {
        if self.y > MARGIN {
            self.y += height;
        }
    }

    pub(super) fn draw(&mut self, thing: Draw) {
        if let Some(page) = self.pages.last_mut() {
            page.push(thing);
        }
    }

    /// Width of a text in points.
    fn measure(&mut self, text: &str, look: Look) -> Result<f64, ReportError> {
        const EM: f64 = 20.0;
        let key = (text.to_owned(), look.bold);
        if let Some(width) = self.widths.get(&key) {
            return Ok(width * look.size);
        }
        let lettering = if look.bold { Lettering::new(EM).bold() } else { Lettering::new(EM) };
        let width = text_width(text, lettering)? / EM;
        self.widths.insert(key, width);
        Ok(width * look.size)
    }

    /// Breaks spans into lines no wider than `width`; a word wider than that is cut.
    pub(super) fn flow(&mut self, spans: &[Span], look: Look, width: f64) -> Result<Lines, ReportError> {
        let space = self.measure("n n", look)? - 2.0 * self.measure("n", look)?;
        let mut lines: Vec<Vec<Piece>> = vec![Vec::new()];
        let mut x = 0.0;
        // Whether a blank stood before the next word.
        let mut blank = false;
        for span in spans {
            let (text, bold, ink, back) = match span {
                Span::Text(text) => (text.clone(), look.bold, look.colour, None),
                Span::Strong(text) => (text.clone(), true, look.colour, None),
                Span::Flag(text) => (text.clone(), true, [255, 255, 255], Some(INK)),
                Span::Screen(_) => continue,
                Span::Paper(text) => (text.clone(), true, look.colour, None),
                Span::Badge(state) => {
                    let (back, ink) = badge_colours(*state);
                    (words::state(*state).to_owned(), true, hex(ink), Some(hex(back)))
                }
            };
            let mut rest = text.as_str();
            while !rest.is_empty() {
                let trimmed = rest.trim_start_matches([' ', '\n', '\t']);
                blank |= trimmed.len() < rest.len();
                // A flag is one piece, spaces and all.
                let end = if back.is_some() {
                    trimmed.len()
                } else {
                    trimmed.find([' ', '\n', '\t']).unwrap_or(trimmed.len())
                };
                let (word, after) = trimmed.split_at(end);
                rest = after;
                if word.is_empty() {
                    continue;
                }
                for part in self.fitting(word, Look { bold, ..look }, width)? {
                    let pad = if back.is_some() { 0.25 * look.size } else { 0.0 };
                    let wide = self.measure(&part, Look { bold, ..look })? + 2.0 * pad;
                    let before = if blank && x > 0.0 { space } else { 0.0 };
                    if x > 0.0 && x + before + wide > width {
                        lines.push(Vec::new());
                        x = 0.0;
                    } else {
                        x += before;
                    }
                    if let Some(line) = lines.last_mut() {
                        line.push(Piece { x: x + pad, width: wide, text: part, bold, ink, back });
                    }
                    x += wide;
                    blank = false;
                }
            }
        }
        Ok(Lines { lines, size: look.size })
    }

    /// A word, cut into parts that fit.
    fn fitting(&mut self, word: &str, look: Look, width: f64) -> Result<Vec<String>, ReportError> {
        if self.measure(word, look)? <= width {
            return Ok(vec![word.to_owned()]);
        }
        let mut parts = vec![String::new()];
        for c in word.chars() {
            let last = parts.last().cloned().unwrap_or_default();
            let longer = format!("{last}{c}");
            if !last.is_empty() && self.measure(&longer, look)? > width {
                parts.push(c.to_string());
            } else if let Some(part) = parts.last_mut() {
                *part = longer;
            }
        }
        Ok(parts)
    }

    /// Puts lines with their left edge at `x` from `y` on; `right` sets them against `x + width`.
    pub(super) fn put(&mut self, lines: &Lines, x: f64, y: f64, right: Option<f64>) {
        for (k, line) in lines.lines.iter().enumerate() {
            let top = y + k as f64 * lines.size * LEADING;
            let end = line.last().map_or(0.0, |p| p.x + p.width);
            let shift = right.map_or(0.0, |width| width - end);
            for piece in line {
                if let Some(colour) = piece.back {
                    let pad = 0.25 * lines.size;
                    self.draw(Draw::Fill {
                        at: [x + shift + piece.x - pad, top + 0.06 * lines.size],
                        size: [piece.width, 1.2 * lines.size],
                        colour,
                    });
                }
                self.draw(Draw::Text {
                    at: [x + shift + piece.x, top + lines.size],
                    size: lines.size,
                    bold: piece.bold,
                    colour: piece.ink,
                    text: piece.text.clone(),
                });
            }
        }
    }

    /// Puts a paragraph at the margin (moved in by `indent`), line by line over pages.
    pub(super) fn paragraph(&mut self, spans: &[Span], look: Look, indent: f64) -> Result<(), ReportError> {
        let lines = self.flow(spans, look, Self::width() - indent)?;
        for line in lines.lines {
            let one = Lines { lines: vec![line], size: look.size };
            self.need(one.height());
            self.put(&one, MARGIN + indent, self.y, None);
            self.y += one.height();
        }
        Ok(())
    }
}

/// `#8c2d04` as a colour; black for anything else.
fn hex(text: &str) -> Rgb {
    let part = |at: usize| text.get(at..at + 2).and_then(|d| u8::from_str_radix(d, 16).ok()).unwrap_or(0);
    [part(1), part(3), part(5)]
}
