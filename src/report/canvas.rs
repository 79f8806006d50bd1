//! A page in picture units that draws alike into PNG and SVG: rectangles, lines, triangles and text by its baseline.
//!
//! plotters' two backends place text differently and one of them only on whole pixels. Here a text is placed by its
//! baseline and its size is the em, and PNGs are drawn at twice the size and averaged down, which makes small lettering even.

use std::sync::OnceLock;

use plotters::prelude::{BitMapBackend, DrawingBackend, FontTransform, RGBColor, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color as _, FontDesc, FontFamily, FontStyle, TextStyle};

use super::ReportError;
use super::colour::Rgb;

/// Name the font is registered under; written as is into SVG, so it is a CSS family list with a fallback.
const FAMILY: &str = "DejaVu Sans, sans-serif";
/// Height of DejaVu Sans (ascent - descent) in em: (1901 + 483) / 2048, read from its `hhea` table.
const HEIGHT_EM: f64 = 2384.0 / 2048.0;
/// plotters divides the size by this number before it writes an SVG `font-size`.
const SVG_SIZE_EM: f64 = 1.24;
/// PNGs are drawn this much larger and averaged down.
const FINE: u32 = 2;

pub(super) const BLACK: Rgb = [0, 0, 0];
pub(super) const WHITE: Rgb = [255, 255, 255];
pub(super) const GREY: Rgb = [85, 85, 85];

/// Where the given point lies along a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum At {
    Start,
    Middle,
    End,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// How a text looks: em size in picture units, weight, colour and the point it hangs on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lettering {
    pub(super) em: f64,
    pub(super) weight: Weight,
    pub(super) colour: Rgb,
    pub(super) at: At,
}

impl Lettering {
    pub(crate) fn new(em: f64) -> Self {
        Self { em, weight: Weight::Regular, colour: BLACK, at: At::Start }
    }
    pub(crate) fn bold(self) -> Self {
        Self { weight: Weight::Bold, ..self }
    }
    pub(super) fn at(self, at: At) -> Self {
        Self { at, ..self }
    }
    pub(super) fn colour(self, colour: Rgb) -> Self {
        Self { colour, ..self }
    }
}

/// Something that can be drawn on a page of a known size.
pub(super) trait Picture {
    /// Width and height in picture units (= PNG pixels).
    fn size(&self) -> (u32, u32);
    /// Draws everything; the page is already white.
    fn draw<B: DrawingBackend>(&self, page: &mut Canvas<B>) -> Result<(), ReportError>;
}

/// A page being drawn.
pub(super) struct Canvas<B> {
    backend: B,
    scale: f64,
    vector: bool,
}

/// The PNG of a picture.
///
/// # Errors
/// [`ReportError::Draw`] if the drawing or the encoder fails.
pub(super) fn png(picture: &impl Picture) -> Result<Vec<u8>, ReportError> {
    register_fonts()?;
    let (width, height) = picture.size();
    let (fine_width, fine_height) = (width * FINE, height * FINE);
    let mut fine = vec![255_u8; fine_width as usize * fine_height as usize * 3];
    {
        let backend = BitMapBackend::with_buffer(&mut fine, (fine_width, fine_height));
        let mut page = Canvas { backend, scale: f64::from(FINE), vector: false };
        picture.draw(&mut page)?;
        page.backend.present().map_err(draw_error)?;
    }
    encode_png(&average_down(&fine, width as usize, height as usize), width, height)
}

/// The SVG of a picture.
///
/// # Errors
/// [`ReportError::Draw`] if the drawing fails.
pub(super) fn svg(picture: &impl Picture) -> Result<String, ReportError> {
    register_fonts()?;
    let size = picture.size();
    let mut out = String::new();
    {
        let mut page = Canvas { backend: SVGBackend::with_string(&mut out, size), scale: 1.0, vector: true };
        page.rect([0.0, 0.0, f64::from(size.0), f64::from(size.1)], WHITE)?;
        picture.draw(&mut page)?;
        page.backend.present().map_err(draw_error)?;
    }
    Ok(out)
}

fn average_down(fine: &[u8], width: usize, height: usize) -> Vec<u8> {
    let f = FINE as usize;
    let mut out = Vec::with_capacity(width * height * 3);
    for y in 0..height {
        for x in 0..width {
            for c in 0..3 {
                let mut sum = 0_u32;
                for dy in 0..f {
                    for dx in 0..f {
                        sum += u32::from(fine[((y * f + dy) * width * f + x * f + dx) * 3 + c]);
                    }
                }
                let mean = (sum + FINE * FINE / 2) / (FINE * FINE);
                out.push(u8::try_from(mean).unwrap_or(u8::MAX));
            }
        }
    }
    out
}

fn encode_png(rgb: &[u8], width: u32, height: u32) -> Result<Vec<u8>, ReportError> {
    let failed = |e: png::EncodingError| ReportError::Draw { text: format!("PNG encoder: {e}") };
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Best);
    encoder.set_adaptive_filter(png::AdaptiveFilterType::Adaptive);
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(rgb).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(out)
}

/// Hands the fonts that the `dejavu` crate carries to plotters, once.
fn register_fonts() -> Result<(), ReportError> {
    static DONE: OnceLock<bool> = OnceLock::new();
    let ok = *DONE.get_or_init(|| {
        plotters::style::register_font(FAMILY, FontStyle::Normal, dejavu::sans::regular()).is_ok()
            && plotters::style::register_font(FAMILY, FontStyle::Bold, dejavu::sans::bold()).is_ok()
    });
    if ok { Ok(()) } else { Err(ReportError::Draw { text: "the built-in font can't be read".into() }) }
}

fn draw_error<E: std::fmt::Display>(err: E) -> ReportError {
    ReportError::Draw { text: err.to_string() }
}

/// Width of a text in picture units.
///
/// # Errors
/// [`ReportError::Draw`] if the font can't be used.
pub(crate) fn text_width(text: &str, look: Lettering) -> Result<f64, ReportError> {
    register_fonts()?;
    // plotters gives whole pixels: measure large.
    let large = 16.0;
    let font = FontDesc::new(FontFamily::Name(FAMILY), look.em * HEIGHT_EM * large, style_of(look.weight));
    let (width, _) = font.box_size(text).map_err(draw_error)?;
    Ok(f64::from(width) / large)
}

/// Breaks a text at spaces, not at no-break spaces, so that no line is wider than `width`; a word wider than that is cut.
///
/// # Errors
/// [`ReportError::Draw`] if the font can't be used.
pub(super) fn wrap(text: &str, look: Lettering, width: f64) -> Result<Vec<String>, ReportError> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_ascii_whitespace() {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if text_width(&longer, look)? <= width {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if text_width(&line, look)? > width && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(c);
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    Ok(lines)
}

fn style_of(weight: Weight) -> FontStyle {
    match weight {
        Weight::Regular => FontStyle::Normal,
        Weight::Bold => FontStyle::Bold,
    }
}

fn rgb(c: Rgb) -> RGBColor {
    RGBColor(c[0], c[1], c[2])
}

impl<B: DrawingBackend> Canvas<B> {
    /// Whether this page is vector graphics, where thousands of cells make a heavy file.
    pub(super) fn is_vector(&self) -> bool {
        self.vector
    }

    #[expect(clippy::cast_possible_truncation, reason = "picture coordinates are some thousands")]
    fn px(&self, x: f64) -> i32 {
        (x * self.scale).round() as i32
    }

    /// Fills `[left, top, right, bottom]`.
    pub(super) fn rect(&mut self, [x0, y0, x1, y1]: [f64; 4], colour: Rgb) -> Result<(), ReportError> {
        let (a, b) = ((self.px(x0), self.px(y0)), (self.px(x1), self.px(y1)));
        if b.0 <= a.0 || b.1 <= a.1 {
            return Ok(());
        }
        self.backend.draw_rect(a, b, &rgb(colour), true).map_err(draw_error)
    }

    /// Outlines `[left, top, right, bottom]` with a line of `thick` inside the edge.
    pub(super) fn frame(&mut self, [x0, y0, x1, y1]: [f64; 4], thick: f64, colour: Rgb) -> Result<(), ReportError> {
        self.rect([x0, y0, x1, y0 + thick], colour)?;
        self.rect([x0, y1 - thick, x1, y1], colour)?;
        self.rect([x0, y0, x0 + thick, y1], colour)?;
        self.rect([x1 - thick, y0, x1, y1], colour)
    }

    /// A straight line of any direction.
    pub(super) fn line(&mut self, from: [f64; 2], to: [f64; 2], thick: f64, colour: Rgb) -> Result<(), ReportError> {
        let width = u32::try_from(self.px(thick)).unwrap_or(1).max(1);
        let path = [(self.px(from[0]), self.px(from[1])), (self.px(to[0]), self.px(to[1]))];
        self.backend.draw_path(path, &rgb(colour).stroke_width(width)).map_err(draw_error)
    }

    /// Fills a polygon.
    pub(super) fn polygon(&mut self, corners: &[[f64; 2]], colour: Rgb) -> Result<(), ReportError> {
        let path: Vec<_> = corners.iter().map(|c| (self.px(c[0]), self.px(c[1]))).collect();
        self.backend.fill_polygon(path, &rgb(colour)).map_err(draw_error)
    }

    /// A text whose baseline runs through `y`.
    pub(super) fn text(&mut self, x: f64, y: f64, text: &str, look: Lettering) -> Result<(), ReportError> {
        let at = (self.px(x), self.px(y - self.drop(look.em)));
        self.put_text(at, text, look, FontTransform::None)
    }

    /// A text that reads upwards; its baseline is the vertical through `x`.
    pub(super) fn text_up(&mut self, x: f64, y: f64, text: &str, look: Lettering) -> Result<(), ReportError> {
        let at = (self.px(x - self.drop(look.em)), self.px(y));
        self.put_text(at, text, look, FontTransform::Rotate270)
    }

    /// How far below its reference point a backend puts the baseline of a text that hangs by its top.
    fn drop(&self, em: f64) -> f64 {
        // SVG: `dy="0.76em"`. Bitmap: half the size, as plotters' ab_glyph backend has it.
        if self.vector { 0.76 * em } else { 0.5 * HEIGHT_EM * em }
    }

    fn put_text(
        &mut self,
        at: (i32, i32),
        text: &str,
        look: Lettering,
        turn: FontTransform,
    ) -> Result<(), ReportError> {
        let size = look.em * self.scale * if self.vector { SVG_SIZE_EM } else { HEIGHT_EM };
        let font = FontDesc::new(FontFamily::Name(FAMILY), size, style_of(look.weight)).transform(turn);
        let h_pos = match look.at {
            At::Start => HPos::Left,
            At::Middle => HPos::Center,
            At::End => HPos::Right,
        };
        let colour = rgb(look.colour);
        let style = TextStyle::from(font).color(&colour).pos(Pos::new(h_pos, VPos::Top));
        self.backend.draw_text(text, &style, at).map_err(draw_error)
    }
}
