//! The note as a PDF, set here and written by `krilla`; the font travels with the program (crate `dejavu`).

use krilla::Document;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke, StrokeDash};
use krilla::text::{Font, TextDirection};

use super::block::{Align, Block, Column, Item, On, Row, Span};
use super::html::trend_path;
use super::paper::{PHOTO_WORDS, caption, sheets};
use super::setter::{Draw, GREY, INK, Look, MARGIN, PAGE, RULE, Setter};
use super::{Handover, Photo, Trend};
use crate::report::ReportError;
use crate::report::colour::Rgb;

/// Letters that are read at arm's length by lamp light: nothing on the page is smaller than nine points.
const BODY: f64 = 9.2;
const PLAIN: Look = Look { size: BODY, bold: false, colour: INK };
const SMALL: Look = Look { size: 9.0, bold: false, colour: GREY };
/// Highest picture: two of them and the words still fit on a page.
const PICTURE: f64 = 150.0;
/// Highest photo: four rows of three fill a page with their words.
const PHOTO: f64 = 96.0;

/// The note as the bytes of a PDF; the same note gives the same bytes.
///
/// # Errors
/// [`ReportError::Draw`] when a font or a picture can't be used.
pub fn pdf(note: &Handover) -> Result<Vec<u8>, ReportError> {
    let mut pages = Vec::new();
    let mut pictures = Vec::new();
    for sheet in sheets(note) {
        let mut setter = Setter::new();
        set_all(&mut setter, &mut pictures, &sheet.blocks)?;
        pages.extend(setter.pages.into_iter().map(|page| (sheet.name.clone(), page)));
    }
    write(&pages, &pictures, &format!("Pump handover: {}", note.rig), &note.tour)
}

/// How many pages blocks take, and how many points are left on the last one.
pub(super) fn room_left(trial: &mut Setter, blocks: &[Block]) -> Result<(usize, f64), ReportError> {
    trial.clear();
    trial.trial = true;
    set_all(trial, &mut Vec::new(), blocks)?;
    Ok((trial.pages.len(), trial.left()))
}

/// Sizes of all letters of a note's pages, in points.
#[cfg(test)]
pub(super) fn letter_sizes(note: &Handover) -> Result<Vec<f64>, ReportError> {
    let mut out = Vec::new();
    for sheet in sheets(note) {
        let mut setter = Setter::new();
        set_all(&mut setter, &mut Vec::new(), &sheet.blocks)?;
        out.extend(setter.pages.iter().flatten().filter_map(|d| match d {
            Draw::Text { size, .. } => Some(*size),
            _ => None,
        }));
    }
    Ok(out)
}

fn set_all(s: &mut Setter, pictures: &mut Vec<Image>, blocks: &[Block]) -> Result<(), ReportError> {
    blocks.iter().try_for_each(|block| set(s, pictures, block))
}

/// What of items stands on paper.
fn on_paper<T>(items: &[Item<T>]) -> impl Iterator<Item = &T> {
    items.iter().filter(|i| i.on != On::Screen).map(|i| &i.what)
}

fn set(s: &mut Setter, pictures: &mut Vec<Image>, block: &Block) -> Result<(), ReportError> {
    match block {
        Block::Pump => {}
        Block::Heading(level, text) => {
            let size = match level {
                1 => 14.0,
                2 => 11.0,
                _ => 9.2,
            };
            s.gap(if *level == 3 { 5.0 } else { 9.0 });
            // A heading at the foot of a page heads nothing.
            s.need(size * 1.4 + 3.0 * BODY);
            s.paragraph(&[Span::strong(text)], Look { size, bold: true, colour: INK }, 0.0)?;
            if *level == 2 {
                let y = s.y + 1.0;
                rule(s, y, 1.0, INK);
                s.y += 4.0;
            }
        }
        Block::Para(spans) => {
            s.gap(2.0);
            s.paragraph(spans, PLAIN, 0.0)?;
        }
        Block::Small(text) => {
            s.gap(2.0);
            s.paragraph(&[Span::text(text)], SMALL, 0.0)?;
        }
        Block::Caution(text) => boxed(s, &[vec![Span::strong("Caution. "), Span::text(text)]], Some([255, 243, 196]))?,
        Block::First { title, steps } => {
            let mut all = vec![vec![Span::strong(title)]];
            all.extend(
                on_paper(steps)
                    .enumerate()
                    .map(|(k, step)| [vec![Span::strong(format!("{}. ", k + 1))], step.clone()].concat()),
            );
            boxed(s, &all, None)?;
        }
        Block::Only(On::Screen, _) => {}
        Block::Only(_, blocks) => set_all(s, pictures, blocks)?,
        Block::List { items, .. } => {
            for item in on_paper(items) {
                s.gap(1.5);
                s.need(BODY * 1.4);
                let (x, y) = (MARGIN, s.y);
                let dot = s.flow(&[Span::text("•")], PLAIN, 20.0)?;
                s.put(&dot, x, y, None);
                s.paragraph(item, PLAIN, 10.0)?;
            }
        }
        Block::Table { columns, rows, .. } => table(s, columns, &on_paper(rows).collect::<Vec<_>>())?,
        Block::Trends(trends) => {
            for three in trends.chunks(3) {
                trend_row(s, three)?;
            }
        }
        Block::Picture { png, caption, .. } => picture(s, pictures, png, caption)?,
        // Paper does not sound: it says how to hear it.
        Block::Sound { command, .. } => s.paragraph(&[Span::text(format!("To hear it: {command}"))], SMALL, 0.0)?,
        Block::Photos(photos) => {
            for three in on_paper(photos).collect::<Vec<_>>().chunks(3) {
                photo_row(s, pictures, three)?;
            }
        }
        Block::Signatures(all) => signatures(s, all)?,
    }
    Ok(())
}

fn rule(s: &mut Setter, y: f64, thick: f64, colour: Rgb) {
    let points = vec![[MARGIN, y], [MARGIN + Setter::width(), y]];
    s.draw(Draw::Line { points, thick, colour, dashed: false });
}

/// Paragraphs in a frame, or on a ground with a bar at its left.
fn boxed(s: &mut Setter, paragraphs: &[Vec<Span>], ground: Option<Rgb>) -> Result<(), ReportError> {
    const PAD: f64 = 6.0;
    let width = Setter::width() - 2.0 * PAD - 4.0;
    let set = paragraphs.iter().map(|p| s.flow(p, PLAIN, width)).collect::<Result<Vec<_>, _>>()?;
    let height = set.iter().map(|l| l.height() + 2.0).sum::<f64>() + 2.0 * PAD - 2.0;
    s.gap(5.0);
    s.need(height);
    let (top, left, right) = (s.y, MARGIN, MARGIN + Setter::width());
    if let Some(colour) = ground {
        s.draw(Draw::Fill { at: [left, top], size: [Setter::width(), height], colour });
        s.draw(Draw::Fill { at: [left, top], size: [4.0, height], colour: INK });
    } else {
        let points = vec![[left, top], [right, top], [right, top + height], [left, top + height], [left, top]];
        s.draw(Draw::Line { points, thick: 2.0, colour: INK, dashed: false });
    }
    let mut y = top + PAD;
    for lines in &set {
        s.put(lines, left + PAD + 4.0, y, None);
        y += lines.height() + 2.0;
    }
    s.y = top + height + 4.0;
    Ok(())
}

fn table(s: &mut Setter, columns: &[Column], rows: &[&Row]) -> Result<(), ReportError> {
    const PAD: f64 = 6.0;
    let heads: Vec<Vec<Span>> = columns.iter().map(|c| vec![Span::text(c.head)]).collect();
    let mut head_wanted = true;
    let mut k = 0;
    while k < rows.len() {
        // The head stands again on every page, and never alone.
        let cells = if head_wanted { &heads } else { rows[k] };
        let look = if head_wanted { SMALL } else { PLAIN };
        let mut set = Vec::new();
        for (cell, column) in cells.iter().zip(columns) {
            set.push(s.flow(cell, look, column.share * Setter::width() - PAD)?);
        }
        let height = set.iter().map(super::setter::Lines::height).fold(0.0, f64::max) + 3.0;
        let below = if head_wanted { 3.0 * BODY } else { 0.0 };
        if height + below > s.left() && s.y > MARGIN {
            s.new_page();
            head_wanted = true;
            continue;
        }
        let (mut x, y) = (MARGIN, s.y);
        for (lines, column) in set.iter().zip(columns) {
            let width = column.share * Setter::width() - PAD;
            s.put(lines, x, y + 1.0, (column.align == Align::Right).then_some(width));
            x += width + PAD;
        }
        s.y += height;
        rule(s, y + height, 0.5, RULE);
        if head_wanted {
            head_wanted = false;
        } else {
            k += 1;
        }
    }
    s.y += 2.0;
    Ok(())
}

fn trend_row(s: &mut Setter, trends: &[Trend]) -> Result<(), ReportError> {
    const GAP: f64 = 14.0;
    const HEIGHT: f64 = 38.0;
    let width = (Setter::width() - 2.0 * GAP) / 3.0;
    let mut said = Vec::new();
    for t in trends {
        let [from, to] = &t.ends;
        let [first, last] = &t.times;
        let name = s.flow(&[Span::strong(&t.name)], Look { size: 9.0, ..PLAIN }, width)?;
        let span = s.flow(&[Span::text(format!("{from} ({first}) to {to} ({last})"))], SMALL, width)?;
        said.push((name, span));
    }
    let words = said.iter().map(|(a, b)| a.height() + b.height()).fold(0.0, f64::max) + 3.0;
    s.gap(3.0);
    s.need(words + HEIGHT + 6.0);
    let top = s.y;
    for (k, (t, (name, span))) in trends.iter().zip(&said).enumerate() {
        let x = MARGIN + k as f64 * (width + GAP);
        s.put(name, x, top, None);
        s.put(span, x, top + name.height(), None);
        let y = top + words;
        let Some((path, limit)) = trend_path(t, [width - 6.0, HEIGHT]) else { continue };
        let line = |points, thick, colour, dashed| Draw::Line { points, thick, colour, dashed };
        s.draw(line(vec![[x, y + HEIGHT], [x + width, y + HEIGHT]], 0.5, RULE, false));
        if let Some(at) = limit {
            s.draw(line(vec![[x, y + at], [x + width, y + at]], 1.0, [140, 45, 4], true));
        }
        let points: Vec<[f64; 2]> = path.iter().map(|[px, py]| [x + px, y + py]).collect();
        if let Some([px, py]) = points.last().copied() {
            s.draw(Draw::Fill { at: [px - 2.0, py - 2.0], size: [4.0, 4.0], colour: INK });
        }
        s.draw(line(points, 1.2, INK, false));
    }
    s.y = top + words + HEIGHT + 6.0;
    Ok(())
}

fn picture(s: &mut Setter, pictures: &mut Vec<Image>, bytes: &[u8], caption: &str) -> Result<(), ReportError> {
    let bad = |text: String| ReportError::Draw { text: format!("a picture of the note can't be read: {text}") };
    let reader = png::Decoder::new(bytes).read_info().map_err(|e| bad(e.to_string()))?;
    let (w, h) = (f64::from(reader.info().width.max(1)), f64::from(reader.info().height.max(1)));
    let scale = (Setter::width() / w).min(PICTURE / h);
    let size = [w * scale, h * scale];
    let words = s.flow(&[Span::text(caption)], SMALL, Setter::width())?;
    s.gap(3.0);
    s.need(size[1] + words.height() + 4.0);
    let at = [MARGIN + 0.5 * (Setter::width() - size[0]), s.y];
    s.draw(Draw::Image { picture: pictures.len(), at, size });
    if !s.trial {
        pictures.push(Image::from_png(bytes.to_vec().into(), true).map_err(bad)?);
    }
    s.put(&words, MARGIN, at[1] + size[1] + 2.0, None);
    s.y += size[1] + words.height() + 4.0;
    Ok(())
}

fn photo_row(s: &mut Setter, pictures: &mut Vec<Image>, photos: &[&Photo]) -> Result<(), ReportError> {
    const GAP: f64 = 14.0;
    let width = (Setter::width() - 2.0 * GAP) / 3.0;
    let mut cells = Vec::new();
    for photo in photos {
        // A photo that can't be set leaves its words: a note must not fail for it.
        let image = photo.jpeg.as_ref().and_then(|bytes| Image::from_jpeg(bytes.clone().into(), true).ok());
        let size = image.as_ref().map_or([0.0; 2], |i| {
            let (w, h) = (f64::from(i.size().0.max(1)), f64::from(i.size().1.max(1)));
            let scale = (width / w).min(PHOTO / h);
            [w * scale, h * scale]
        });
        let plain = |span: Span| if let Span::Paper(text) = span { Span::Text(text) } else { span };
        let words: Vec<Span> = caption(photo, PHOTO_WORDS).into_iter().map(plain).collect();
        cells.push((image, size, s.flow(&words, SMALL, width)?));
    }
    let height = cells.iter().map(|(_, size, words)| size[1] + words.height()).fold(0.0, f64::max) + 4.0;
    s.gap(3.0);
    s.need(height);
    let top = s.y;
    for (k, (image, size, words)) in cells.into_iter().enumerate() {
        let x = MARGIN + k as f64 * (width + GAP);
        if let Some(image) = image {
            s.draw(Draw::Image { picture: pictures.len(), at: [x, top], size });
            if !s.trial {
                pictures.push(image);
            }
        }
        s.put(&words, x, top + size[1] + 2.0, None);
    }
    s.y = top + height;
    Ok(())
}

fn signatures(s: &mut Setter, all: &[(&'static str, Option<String>)]) -> Result<(), ReportError> {
    const HEIGHT: f64 = 46.0;
    s.need(HEIGHT);
    let width = Setter::width() / all.len().max(1) as f64;
    let top = s.y + 2.0;
    for (k, (what, who)) in all.iter().enumerate() {
        let x = MARGIN + k as f64 * width;
        let label = s.flow(&[Span::text(*what)], SMALL, width - 14.0)?;
        s.put(&label, x, top, None);
        let name = s.flow(&[Span::strong(who.as_deref().unwrap_or("not signed"))], PLAIN, width - 14.0)?;
        s.put(&name, x, top + label.height(), None);
        let y = top + HEIGHT - 6.0;
        s.draw(Draw::Line { points: vec![[x, y], [x + width - 14.0, y]], thick: 0.7, colour: INK, dashed: false });
    }
    s.y = top + HEIGHT;
    Ok(())
}

/// In the margins: the pump and the page above, the note below, so that a loose page is known.
fn head_and_foot(s: &mut Setter, [title, tour, pump]: [&str; 3], [k, n]: [usize; 2]) -> Result<(), ReportError> {
    let short: String = pump.chars().take(60).collect();
    let comma = if short.is_empty() { "" } else { ", " };
    let head = s.flow(&[Span::strong(format!("{short}{comma}page {k} of {n}"))], SMALL, Setter::width())?;
    s.put(&head, MARGIN, 14.0, Some(Setter::width()));
    let note: String = format!("{title}; {tour}").chars().take(110).collect();
    let foot = s.flow(&[Span::text(note)], SMALL, 2.0 * Setter::width())?;
    s.put(&foot, MARGIN, PAGE[1] - MARGIN - 4.0, None);
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "points on a page")]
fn pt(x: f64) -> f32 {
    x as f32
}

fn fill(colour: Rgb) -> Fill {
    let [r, g, b] = colour;
    Fill {
        paint: rgb::Color::new(r, g, b).into(),
        opacity: NormalizedF32::ONE,
        rule: krilla::paint::FillRule::default(),
    }
}

fn failed(what: &str) -> ReportError {
    ReportError::Draw { text: format!("{what} can't be set on the page") }
}

fn write(pages: &[(String, Vec<Draw>)], pictures: &[Image], title: &str, tour: &str) -> Result<Vec<u8>, ReportError> {
    let font = |data: &'static [u8]| Font::new(data.into(), 0).ok_or_else(|| failed("the built-in font"));
    let fonts = [font(dejavu::sans::regular())?, font(dejavu::sans::bold())?];
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new()
            .title(format!("{title}, {tour}"))
            .language("en".to_owned())
            .creator(format!("seatsong {}", env!("CARGO_PKG_VERSION"))),
    );
    for (k, (name, things)) in pages.iter().enumerate() {
        let settings = PageSettings::from_wh(pt(PAGE[0]), pt(PAGE[1])).ok_or_else(|| failed("the page"))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        let mut edges = Setter::new();
        head_and_foot(&mut edges, [title, tour, name], [k + 1, pages.len()])?;
        for thing in things.iter().chain(edges.pages.iter().flatten()) {
            match thing {
                Draw::Text { at, size, bold, colour, text } => {
                    surface.set_fill(Some(fill(*colour)));
                    surface.set_stroke(None);
                    let font = fonts[usize::from(*bold)].clone();
                    let start = Point::from_xy(pt(at[0]), pt(at[1]));
                    surface.draw_text(start, font, pt(*size), text, false, TextDirection::Auto);
                }
                Draw::Fill { at, size, colour } => {
                    let rect = Rect::from_xywh(pt(at[0]), pt(at[1]), pt(size[0]), pt(size[1]))
                        .ok_or_else(|| failed("a box"))?;
                    let mut path = PathBuilder::new();
                    path.push_rect(rect);
                    surface.set_fill(Some(fill(*colour)));
                    surface.set_stroke(None);
                    surface.draw_path(&path.finish().ok_or_else(|| failed("a box"))?);
                }
                Draw::Line { points, thick, colour, dashed } => {
                    let mut path = PathBuilder::new();
                    for (i, [x, y]) in points.iter().enumerate() {
                        if i == 0 { path.move_to(pt(*x), pt(*y)) } else { path.line_to(pt(*x), pt(*y)) }
                    }
                    let dash = dashed.then(|| StrokeDash { array: vec![5.0, 3.0], offset: 0.0 });
                    surface.set_fill(None);
                    let stroke = Stroke { paint: fill(*colour).paint, width: pt(*thick), dash, ..Stroke::default() };
                    surface.set_stroke(Some(stroke));
                    surface.draw_path(&path.finish().ok_or_else(|| failed("a line"))?);
                }
                Draw::Image { picture, at, size } => {
                    let image = pictures.get(*picture).ok_or_else(|| failed("a picture"))?;
                    let size = Size::from_wh(pt(size[0]), pt(size[1])).ok_or_else(|| failed("a picture"))?;
                    surface.push_transform(&Transform::from_translate(pt(at[0]), pt(at[1])));
                    surface.draw_image(image.clone(), size);
                    surface.pop();
                }
            }
        }
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|err| ReportError::Draw { text: format!("the PDF can't be written: {err:?}") })
}
