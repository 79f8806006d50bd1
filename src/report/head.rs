//! The page of every picture: its size and the words on top.

use plotters::prelude::DrawingBackend;

use super::ReportError;
use super::canvas::{self, Canvas, GREY, Lettering};

/// Width of every picture in pixels.
pub const WIDTH: u32 = 1600;
/// Margin at the edges of the page.
pub(super) const MARGIN: f64 = 32.0;

/// Words above the panels: grey title, bold headline, plain lines.
pub(super) struct Head {
    title: Vec<String>,
    headline: Vec<String>,
    lines: Vec<String>,
}

impl Head {
    const HEADLINE: f64 = 40.0;
    const LINE: f64 = 27.0;

    pub(super) fn new(title: Option<&str>, headline: &str, lines: &[String]) -> Result<Self, ReportError> {
        let width = f64::from(WIDTH) - 2.0 * MARGIN;
        let mut wrapped = Vec::new();
        for line in lines {
            wrapped.extend(canvas::wrap(line, Lettering::new(Self::LINE), width)?);
        }
        Ok(Self {
            title: canvas::wrap(title.unwrap_or(""), Lettering::new(Self::LINE), width)?,
            headline: canvas::wrap(headline, Lettering::new(Self::HEADLINE).bold(), width)?,
            lines: wrapped,
        })
    }

    pub(super) fn height(&self) -> f64 {
        MARGIN + 40.0 * self.title.len() as f64 + 54.0 * self.headline.len() as f64 + 38.0 * self.lines.len() as f64
    }

    pub(super) fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError> {
        let mut y = MARGIN;
        for title in &self.title {
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

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a page is some thousands high")]
/// A height in whole pixels.
pub(super) fn whole(x: f64) -> u32 {
    x.ceil() as u32
}
