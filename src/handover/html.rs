//! The note as one HTML file: no network, no script; for a phone, a screen reader and A4 paper.

use std::fmt::Write as _;

use base64::prelude::{BASE64_STANDARD, Engine as _};

use super::block::{Align, Block, Column, Item, On, Row, Span};
use super::paper::{PHOTO_WORDS, Sheet, caption, sheets};
use super::{Handover, Photo, Trend};
use crate::report::colour::badge_colours;
use crate::report::words;
use crate::score::State;

/// The note as one HTML document.
#[must_use]
pub fn html(note: &Handover) -> String {
    let title = escape(&format!("Pump handover: {}, {}", note.rig, note.tour));
    let sheets = sheets(note);
    let mut out = String::new();
    let _ = write!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n<style>\n{}{}</style>\n</head>\n\
<body>\n<main>\n",
        include_str!("handover.css"),
        page_rules(note, &sheets)
    );
    for (k, sheet) in sheets.iter().enumerate() {
        let _ = writeln!(out, "<div class=\"sheet s{k}\">");
        let mut open = false;
        for block in &sheet.blocks {
            // A pump's blocks stand in one section; what follows the last pump does not belong to it.
            if matches!(block, Block::Pump) || (open && matches!(block, Block::Heading(2, t) if t == "Sign-off")) {
                if open {
                    out.push_str("</section>\n");
                }
                open = matches!(block, Block::Pump);
                if open {
                    out.push_str("<section class=\"pump\">\n");
                }
            }
            put(&mut out, block);
        }
        if open {
            out.push_str("</section>\n");
        }
        out.push_str("</div>\n");
    }
    let _ = write!(
        out,
        "</main>\n<footer>\n<p>Made by seatsong {}.</p>\n</footer>\n</body>\n</html>\n",
        env!("CARGO_PKG_VERSION")
    );
    out
}

/// Text made safe for HTML text and double-quoted attributes.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // Control characters have no place in HTML.
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Head and foot of every printed page: pump, page, note. Browsers that do not know margin boxes leave them out.
fn page_rules(note: &Handover, sheets: &[Sheet]) -> String {
    let mut out = String::new();
    let foot = css_string(&format!("Pump handover: {}; {}", note.rig, note.tour));
    for (k, sheet) in sheets.iter().enumerate() {
        let name = css_string(&sheet.name);
        let comma = if sheet.name.is_empty() { "" } else { ", " };
        let _ = writeln!(
            out,
            "@page s{k}{{@top-right{{content:\"{name}{comma}page \" counter(page) \" of \" counter(pages)}}@bottom-left{{content:\"{foot}\"}}}}"
        );
        // What stands before the sheets (amendments) prints with the first.
        let who = if k == 0 { "main,.s0".to_owned() } else { format!(".s{k}") };
        let _ = writeln!(out, "@media print{{{who}{{page:s{k}}}}}");
    }
    out
}

/// Text that may stand between the quotes of a CSS string within a `style` element.
fn css_string(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars().take(110) {
        match c {
            // Quotes, backslashes and anything that could end the element, as code points.
            '"' | '\\' | '<' | '>' | '&' => {
                let _ = write!(out, "\\{:x} ", u32::from(c));
            }
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// The class by which the style sheet knows where a thing stands.
fn on_class(on: On) -> &'static str {
    match on {
        On::Both => "",
        On::Screen => " class=\"over\"",
        On::Paper => " class=\"paper\"",
    }
}

fn put(out: &mut String, block: &Block) {
    match block {
        Block::Pump => {}
        Block::Heading(level, text) => {
            let _ = writeln!(out, "<h{level}>{}</h{level}>", escape(text));
        }
        Block::Para(spans) => {
            let _ = writeln!(out, "<p>{}</p>", inline(spans));
        }
        Block::Small(text) => {
            let _ = writeln!(out, "<p class=\"small\">{}</p>", escape(text));
        }
        Block::Caution(text) => {
            let _ = writeln!(out, "<p class=\"caution\"><strong>Caution.</strong> {}</p>", escape(text));
        }
        Block::First { title, steps } => {
            let _ = writeln!(out, "<div class=\"first\">\n<h2>{}</h2>", escape(title));
            if !steps.is_empty() {
                out.push_str("<ol>\n");
                for step in steps {
                    let _ = writeln!(out, "<li{}>{}</li>", on_class(step.on), inline(&step.what));
                }
                out.push_str("</ol>\n");
            }
            out.push_str("</div>\n");
        }
        Block::List { items, .. } => {
            out.push_str("<ul>\n");
            for item in items {
                let _ = writeln!(out, "<li{}>{}</li>", on_class(item.on), inline(&item.what));
            }
            out.push_str("</ul>\n");
        }
        Block::Only(on, blocks) => {
            let _ = writeln!(out, "<div{}>", on_class(*on));
            blocks.iter().for_each(|b| put(out, b));
            out.push_str("</div>\n");
        }
        Block::Table { caption, columns, rows, .. } => table(out, caption, columns, rows),
        Block::Trends(trends) => {
            out.push_str("<div class=\"trends\">\n");
            for t in trends {
                trend(out, t);
            }
            out.push_str("</div>\n");
        }
        Block::Picture { png, alt, caption } => {
            let _ = writeln!(
                out,
                "<figure>\n<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"picture\"><img alt=\"{}\" \
src=\"data:image/png;base64,{}\"></div>\n<figcaption>{}</figcaption>\n</figure>",
                escape(alt),
                BASE64_STANDARD.encode(png),
                escape(caption)
            );
        }
        Block::Sound { wav, label, command } => {
            if let Some(wav) = wav {
                let _ = writeln!(
                    out,
                    "<figure class=\"sound\">\n<figcaption>{0}</figcaption>\n<audio controls preload=\"none\" aria-label=\"{0}\" \
src=\"data:audio/wav;base64,{1}\"></audio>\n</figure>",
                    escape(label),
                    BASE64_STANDARD.encode(wav)
                );
            }
            let class = if wav.is_some() { "small paper" } else { "small" };
            let _ = writeln!(out, "<p class=\"{class}\">To hear it: <code>{}</code></p>", escape(command));
        }
        Block::Photos(photos) => {
            out.push_str("<div class=\"photos\">\n");
            for photo in photos {
                put_photo(out, photo);
            }
            out.push_str("</div>\n");
        }
        Block::Signatures(all) => {
            out.push_str("<dl class=\"signatures\">\n");
            for (what, who) in all {
                let who = who.as_deref().map_or("<strong>not signed</strong>".to_owned(), escape);
                let _ = writeln!(out, "<div><dt>{}</dt><dd>{who}</dd></div>", escape(what));
            }
            out.push_str("</dl>\n");
        }
    }
}

fn put_photo(out: &mut String, Item { on, what: photo, .. }: &Item<Photo>) {
    let _ = writeln!(out, "<figure{}>", on_class(*on));
    if let Some(jpeg) = &photo.jpeg {
        let (alt, data) = (escape(&format!("Photo: {}", photo.what)), BASE64_STANDARD.encode(jpeg));
        let _ = writeln!(out, "<img alt=\"{alt}\" src=\"data:image/jpeg;base64,{data}\">");
    }
    let _ = writeln!(out, "<figcaption>{}</figcaption>\n</figure>", inline(&caption(photo, PHOTO_WORDS)));
}

fn inline(spans: &[Span]) -> String {
    spans
        .iter()
        .map(|span| match span {
            Span::Text(text) => escape(text),
            Span::Strong(text) => format!("<strong>{}</strong>", escape(text)),
            Span::Screen(text) => format!("<span class=\"over\">{}</span>", escape(text)),
            Span::Paper(text) => format!("<span class=\"paper\">{}</span>", escape(text)),
            Span::Flag(text) => format!("<span class=\"flag\">{}</span>", escape(text)),
            Span::Badge(state) => badge(*state),
        })
        .collect()
}

fn badge(state: State) -> String {
    let (back, ink) = badge_colours(state);
    format!("<span class=\"badge\" style=\"background:{back};color:{ink}\">{}</span>", words::state(state))
}

/// A table whose rows become cards on a phone: each cell then carries its column's head.
fn table(out: &mut String, caption: &str, columns: &[Column], rows: &[Item<Row>]) {
    let _ = write!(out, "<table role=\"table\">\n<caption>{}</caption>\n<thead><tr role=\"row\">", escape(caption));
    for column in columns {
        let class = if column.align == Align::Right { " class=\"n\"" } else { "" };
        let _ = write!(out, "<th scope=\"col\"{class}>{}</th>", escape(column.head));
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in rows {
        let _ = write!(out, "<tr role=\"row\"{}>", on_class(row.on));
        for (k, (cell, column)) in row.what.iter().zip(columns).enumerate() {
            let class = if column.align == Align::Right { " class=\"n\"" } else { "" };
            if k == 0 {
                let _ = write!(out, "<th scope=\"row\" role=\"rowheader\">{}</th>", inline(cell));
            } else {
                let head = escape(column.head);
                let _ = write!(out, "<td role=\"cell\"{class} data-head=\"{head}\">{}</td>", inline(cell));
            }
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody>\n</table>\n");
}

/// Width and height of a trend's drawing.
const TREND: [f64; 2] = [300.0, 72.0];

/// Points of a trend within a box of `size` (y downwards), and the height of its limit; `None` for fewer than two points.
pub(super) fn trend_path(t: &Trend, size: [f64; 2]) -> Option<(Vec<[f64; 2]>, Option<f64>)> {
    let points: Vec<[f64; 2]> = t.points.iter().copied().filter(|p| p.iter().all(|x| x.is_finite())).collect();
    let (first, last) = (points.first()?[0], points.last()?[0]);
    if points.len() < 2 || last <= first {
        return None;
    }
    let values = || points.iter().map(|p| p[1]).chain(t.limit);
    let (low, high) = values().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), y| (l.min(y), h.max(y)));
    let pad = if high > low { 0.08 * (high - low) } else { 1.0 };
    let y_of = |y: f64| size[1] * (1.0 - (y - low + pad) / (high - low + 2.0 * pad));
    let path = points.iter().map(|p| [size[0] * (p[0] - first) / (last - first), y_of(p[1])]).collect();
    Some((path, t.limit.map(y_of)))
}

fn trend(out: &mut String, t: &Trend) {
    let [w, h] = TREND;
    let [from, to] = &t.ends;
    let [first, last] = &t.times;
    let said = escape(&format!("{}: from {from} ({first}) to {to} ({last})", t.name));
    let _ = writeln!(
        out,
        "<figure class=\"trend\">\n<figcaption><strong>{}</strong><br>{} ({}) to {} ({})</figcaption>",
        escape(&t.name),
        escape(from),
        escape(first),
        escape(to),
        escape(last)
    );
    if let Some((path, limit)) = trend_path(t, [w, h]) {
        let points: Vec<String> = path.iter().map(|[x, y]| format!("{x:.1},{y:.1}")).collect();
        let _ = writeln!(out, "<svg viewBox=\"-4 -4 {} {}\" role=\"img\" aria-label=\"{said}\">", w + 8.0, h + 8.0);
        let _ = writeln!(out, "<path d=\"M0 {h}H{w}\" class=\"ground\"/>");
        if let Some(y) = limit {
            let _ = writeln!(out, "<path d=\"M0 {y:.1}H{w}\" class=\"limit\"/>");
        }
        let _ = writeln!(out, "<polyline points=\"{}\"/>", points.join(" "));
        if let Some([x, y]) = path.last() {
            let _ = writeln!(out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>");
        }
        out.push_str("</svg>\n");
    }
    out.push_str("</figure>\n");
}
