//! The note as plain text for an e-mail or to be read out on a radio: ASCII, short lines.

use super::block::{Block, On, Span};
use super::paper::caption;
use super::{Handover, content};
use crate::report::text::wrap;

/// Columns of a line: what an e-mail shows unbroken.
const WIDTH: usize = 72;

/// The note as text, ASCII throughout; signs outside it are spelt or replaced by `?`.
#[must_use]
pub fn text(note: &Handover) -> String {
    let mut out: Vec<String> = Vec::new();
    for block in content(note) {
        put(&block, &mut out);
    }
    let mut text = out.join("\n");
    text.push('\n');
    ascii(&text)
}

fn put(block: &Block, out: &mut Vec<String>) {
    let para = |out: &mut Vec<String>, text: &str, first: &str, rest: &str| {
        for (i, line) in wrap(&ascii(text), WIDTH - first.len()).into_iter().enumerate() {
            out.push(format!("{}{line}", if i == 0 { first } else { rest }));
        }
    };
    match block {
        Block::Heading(1, text) => {
            para(out, &text.to_uppercase(), "", "");
        }
        Block::Heading(2, text) => {
            out.push(String::new());
            para(out, &format!("== {} ==", text.to_uppercase()), "", "");
        }
        Block::Heading(_, text) => para(out, &format!("-- {text}"), "", ""),
        Block::Para(spans) => para(out, &plain(spans), "", ""),
        Block::Small(text) | Block::Caution(text) => para(out, text, "", ""),
        Block::First { title, steps } => {
            out.push(String::new());
            out.push(if steps.is_empty() { format!("{title}.") } else { format!("{}:", title.to_uppercase()) });
            for (k, step) in steps.iter().enumerate() {
                para(out, &plain(&step.what), &format!("{}. ", k + 1), "   ");
            }
            out.push(String::new());
        }
        Block::List { items, .. } => {
            for item in items {
                para(out, &plain(&item.what), "- ", "  ");
            }
        }
        Block::Table { columns, rows, .. } => {
            for row in rows {
                let mut cells = row.what.iter().zip(columns).map(|(cell, column)| (column.head, plain(cell)));
                let head = cells.next().map_or(String::new(), |(_, cell)| cell);
                let rest: Vec<String> = cells
                    .filter(|(_, cell)| cell != "–" && cell != "nothing")
                    .map(
                        |(name, cell)| {
                            if name == "Verdict" { cell } else { format!("{}: {cell}", name.to_lowercase()) }
                        },
                    )
                    .collect();
                para(out, &format!("{head}: {}", rest.join("; ")), "- ", "  ");
            }
        }
        Block::Trends(trends) => {
            for t in trends {
                let [from, to] = &t.ends;
                let [first, last] = &t.times;
                para(out, &format!("{}: {from} ({first}) to {to} ({last})", t.name), "- ", "  ");
            }
        }
        Block::Signatures(all) => {
            for (what, who) in all {
                out.push(format!("{what}: {}", who.as_deref().unwrap_or("NOT SIGNED")));
            }
        }
        Block::Only(On::Paper, _) => {}
        Block::Only(_, blocks) => blocks.iter().for_each(|b| put(b, out)),
        Block::Sound { command, .. } => para(out, &format!("To hear it: {command}"), "", "  "),
        Block::Photos(photos) => {
            for photo in photos {
                para(out, &plain(&caption(&photo.what, usize::MAX)), "- ", "  ");
            }
        }
        // Seen only; what it shows is told in words beside it.
        Block::Picture { .. } | Block::Pump => {}
    }
}

fn plain(spans: &[Span]) -> String {
    spans.iter().map(Span::plain).collect()
}

fn ascii(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\n' | ' '..='~' => out.push(c),
            '\u{a0}' => out.push(' '),
            '–' | '—' | '−' => out.push('-'),
            '×' => out.push('x'),
            '°' => out.push_str(if out.ends_with(' ') { "deg " } else { " deg" }),
            '…' => out.push_str("..."),
            '·' => out.push('*'),
            '§' => out.push_str("sec."),
            '“' | '”' => out.push('"'),
            '‘' | '’' => out.push('\''),
            _ => out.push('?'),
        }
    }
    out
}
