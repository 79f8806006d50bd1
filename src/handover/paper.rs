//! What of a note stands on paper: at most two pages a pump. What has no room is counted there, with where the book has it; the screen and
//! the text keep all of it.
//!
//! The pages are set on trial with more and more left out until they are few enough. What is pressing stays longest: flagged items and rows
//! go last, and cautions, sign-off and the three lines of a pump never. Photos take no room from words: where they do not fit beside
//! them, they stand on one page more at the end.

use super::block::{Block, Item, On, Row, Span};
use super::pdf::room_left;
use super::setter::Setter;
use super::{Handover, Photo, content};

/// Most pages a pump, what stands before the first and after the last one included.
pub(super) const PAGES_A_PUMP: usize = 2;

/// Points that must be left on the last page: a browser's page breaks fall a little elsewhere than ours.
const SLACK: f64 = 28.0;

/// What is let on paper.
#[derive(Debug, Clone, Copy)]
struct Room {
    /// First steps.
    steps: usize,
    /// Letters of a first step.
    step: usize,
    /// Items of a list, paragraphs about modules.
    items: usize,
    /// Letters of an item.
    letters: usize,
    /// Rows of a table.
    rows: usize,
    /// Letters of a cell.
    cell: usize,
    /// Pictures of a pump.
    pictures: usize,
    /// Curves of a pump.
    curves: usize,
    /// Jobs of a pump.
    jobs: usize,
}

/// From all to the least: pictures go before words, and words are cut last. The last fits whatever was entered.
const ROOMS: [Room; 10] = [
    Room { steps: 8, step: 420, items: 12, letters: 420, rows: 20, cell: 120, pictures: 3, curves: 6, jobs: 4 },
    Room { steps: 8, step: 420, items: 12, letters: 420, rows: 20, cell: 120, pictures: 2, curves: 3, jobs: 4 },
    Room { steps: 8, step: 420, items: 10, letters: 420, rows: 20, cell: 120, pictures: 1, curves: 3, jobs: 4 },
    Room { steps: 8, step: 420, items: 10, letters: 420, rows: 16, cell: 120, pictures: 1, curves: 0, jobs: 4 },
    Room { steps: 8, step: 420, items: 8, letters: 420, rows: 12, cell: 100, pictures: 1, curves: 0, jobs: 3 },
    Room { steps: 7, step: 320, items: 6, letters: 320, rows: 10, cell: 90, pictures: 1, curves: 0, jobs: 2 },
    Room { steps: 6, step: 320, items: 5, letters: 220, rows: 8, cell: 80, pictures: 0, curves: 0, jobs: 2 },
    Room { steps: 5, step: 240, items: 4, letters: 160, rows: 7, cell: 60, pictures: 0, curves: 0, jobs: 1 },
    Room { steps: 3, step: 160, items: 2, letters: 110, rows: 5, cell: 50, pictures: 0, curves: 0, jobs: 1 },
    Room { steps: 2, step: 120, items: 1, letters: 80, rows: 3, cell: 40, pictures: 0, curves: 0, jobs: 1 },
];

/// One part of the note that begins a new page: what stands before the first pump and the pump, or a pump; the last with the sign-off.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sheet {
    /// Its pump.
    pub(super) name: String,
    /// Its blocks, marked by where they stand.
    pub(super) blocks: Vec<Block>,
}

/// The note in sheets of at most [`PAGES_A_PUMP`] pages.
pub(super) fn sheets(note: &Handover) -> Vec<Sheet> {
    let mut parts: Vec<Vec<Block>> = vec![Vec::new()];
    let mut pumps = 0;
    for block in content(note) {
        if matches!(block, Block::Pump) {
            pumps += 1;
            if pumps > 1 {
                parts.push(Vec::new());
            }
        }
        if let Some(part) = parts.last_mut() {
            part.push(block);
        }
    }
    let name = |k: usize| note.pumps.get(k).map_or_else(String::new, |p| p.name.clone());
    let mut trial = Setter::new();
    let mut out = Vec::new();
    let mut later = Vec::new();
    for (k, part) in parts.iter().enumerate() {
        let (blocks, photos) = fitted(part, &mut trial);
        if !photos.is_empty() {
            later.push((name(k), photos));
        }
        out.push(Sheet { name: name(k), blocks });
    }
    if !later.is_empty() {
        out.push(Sheet { name: "Photos".into(), blocks: photo_page(&later, &mut trial) });
    }
    out
}

/// Whether blocks take at most so many pages, with room for a browser's own page breaks; nothing where they can't be set.
fn few_pages(blocks: &[Block], most: usize, trial: &mut Setter) -> Option<bool> {
    let (pages, left) = room_left(trial, blocks).ok()?;
    Some(pages < most || (pages == most && left >= SLACK))
}

/// The blocks of a sheet as paper has room for them, and those of its photos that have none beside them.
fn fitted(blocks: &[Block], trial: &mut Setter) -> (Vec<Block>, Vec<Item<Photo>>) {
    let mut photos = Vec::new();
    let mut without = Vec::new();
    for block in blocks {
        let Block::Photos(all) = block else {
            without.push(block.clone());
            continue;
        };
        let n = format!("{} {} of this tour", all.len(), if all.len() == 1 { "photo" } else { "photos" });
        if all.iter().any(|p| p.what.jpeg.is_some()) {
            without.push(Block::Small(format!("{n}: at the end of this note.")));
            photos.clone_from(all);
        } else {
            // None that can be shown: no page for that.
            let place = "in the note on the screen, and whole in the book's folder photos";
            without.push(Block::Only(On::Screen, vec![block.clone()]));
            without.push(Block::Only(On::Paper, vec![Block::Small(format!("{n}: {place}."))]));
        }
    }
    let mut last = Vec::new();
    for room in ROOMS {
        last = fit(&without, &room);
        // What can't be set can't be counted either; whoever writes the PDF is told why.
        if few_pages(&last, PAGES_A_PUMP, trial).unwrap_or(true) {
            let with = fit(blocks, &room);
            if !photos.is_empty() && few_pages(&with, PAGES_A_PUMP, trial).unwrap_or(true) {
                return (with, Vec::new());
            }
            break;
        }
    }
    (last, photos)
}

/// Photos that have no room beside their pumps' words: one page of them, the rest counted.
pub(super) fn photo_page(pumps: &[(String, Vec<Item<Photo>>)], trial: &mut Setter) -> Vec<Block> {
    let all: usize = pumps.iter().map(|(_, photos)| photos.len()).sum();
    let with = |most: usize| {
        let mut out = vec![Block::Heading(2, "Photos".into())];
        let mut left = most;
        for (name, photos) in pumps {
            let on = |k: usize| if k < left { On::Both } else { On::Screen };
            let marked = photos.iter().enumerate().map(|(k, p)| Item { on: on(k), ..p.clone() }).collect();
            let blocks = vec![Block::Heading(3, name.clone()), Block::Photos(marked)];
            // A heading without a photo heads nothing.
            if left > 0 {
                out.extend(blocks);
            } else {
                out.push(Block::Only(On::Screen, blocks));
            }
            left = left.saturating_sub(photos.len());
        }
        if most < all {
            let words =
                more_words(all - most, "photos: in the note on the screen, and whole in the book's folder photos");
            out.push(Block::Only(On::Paper, vec![Block::Para(vec![Span::strong(words)])]));
        }
        out
    };
    let few = (1..=all).rev().map(with).find(|blocks| few_pages(blocks, 1, trial).unwrap_or(true));
    few.unwrap_or_else(|| with(0))
}

/// Letters on paper of what a photo shows.
pub(super) const PHOTO_WORDS: usize = 110;

/// What stands below a photo: what it shows, on paper in at most so many letters, and where in the book the whole photo lies.
pub(super) fn caption(photo: &Photo, most: usize) -> Vec<Span> {
    let mut out = clipped(&[Span::text(&photo.what)], most);
    if photo.file.is_empty() {
        return out;
    }
    out.push(Span::text("; whole photo in the book: "));
    // Eight of its sixty-four digits find it.
    let short = match photo.file.rsplit_once('/') {
        Some((folder, name)) if name.len() > 20 && name.is_ascii() => format!("{folder}/{}…", &name[..8]),
        _ => photo.file.clone(),
    };
    if most == usize::MAX || short == photo.file {
        out.push(Span::text(&photo.file));
    } else {
        out.extend([Span::Screen(photo.file.clone()), Span::Paper(short)]);
    }
    out
}

/// Where [`fit`] stands within a sheet.
#[derive(Default)]
struct Walk {
    out: Vec<Block>,
    /// Pictures on paper, and those that are not.
    pictures: [usize; 2],
    /// Paragraphs about modules on paper, and those that are not.
    paras: [usize; 2],
    /// Jobs on paper, and those that are not.
    jobs: [usize; 2],
    in_modules: bool,
    /// Whether what comes belongs to something that has no room.
    hidden: bool,
}

impl Walk {
    /// A heading ends what stood before it: what had no room there is counted now.
    fn heading(&mut self, level: u8, text: &str, room: &Room) {
        let work = level == 3 && text.starts_with("Work: ");
        if std::mem::take(&mut self.in_modules) {
            self.count(|w| &mut w.paras, "modules in words: seatsong verdict last");
        }
        if !work {
            self.count(|w| &mut w.jobs, "jobs: seatsong work list");
        }
        // The pictures of a pump are told of once, where its readings begin.
        if level == 2 || text == "Readings" {
            self.count(|w| &mut w.pictures, "pictures: in the note on the screen");
        }
        self.in_modules = text.starts_with("Modules, worst first");
        self.hidden = work && self.jobs[0] >= room.jobs;
        if work {
            self.jobs[usize::from(self.hidden)] += 1;
        }
    }

    fn count(&mut self, which: impl Fn(&mut Self) -> &mut [usize; 2], of: &str) {
        let [_, left_out] = std::mem::take(which(self));
        if left_out > 0 {
            let words = vec![Span::strong(more_words(left_out, of))];
            self.out.push(Block::Only(On::Paper, vec![Block::Para(words)]));
        }
    }

    fn screen(&mut self, block: &Block) {
        self.out.push(Block::Only(On::Screen, vec![block.clone()]));
    }
}

fn fit(blocks: &[Block], room: &Room) -> Vec<Block> {
    let mut walk = Walk::default();
    for block in blocks {
        match block {
            Block::Heading(level, text) => walk.heading(*level, text, room),
            Block::Para(_) if walk.in_modules => {
                walk.hidden = walk.paras[0] >= room.items.max(2);
                let which = usize::from(walk.hidden);
                walk.paras[which] += 1;
            }
            Block::Picture { .. } => {
                let which = usize::from(walk.hidden || walk.pictures[0] >= room.pictures);
                walk.pictures[which] += 1;
                if which == 1 {
                    walk.screen(block);
                    continue;
                }
            }
            _ => {}
        }
        if walk.hidden {
            walk.screen(block);
            continue;
        }
        match block {
            Block::Para(spans) => walk.out.push(Block::Para(clipped(spans, room.letters))),
            Block::First { title, steps } => {
                let steps = chosen(steps, room.steps, |s| clipped(s, room.step), "steps: with the pumps below");
                walk.out.push(Block::First { title: title.clone(), steps });
            }
            // Cautions and the three lines that tell how a pump stands are never left out.
            Block::List { items, of } if matches!(*of, "cautions" | "lines") => {
                let cut = |i: &Item<Vec<Span>>| Item { what: clipped(&i.what, room.step), ..i.clone() };
                walk.out.push(Block::List { items: items.iter().map(cut).collect(), of });
            }
            Block::List { items, of } => {
                let items = chosen(items, room.items, |s| clipped(s, room.letters), of);
                walk.out.push(Block::List { items, of });
            }
            Block::Table { caption, columns, rows, of } => {
                let cut = |row: &Row| row.iter().map(|cell| clipped(cell, room.cell)).collect();
                let (rows, left_out) = kept(rows, room.rows, cut);
                let (caption, columns) = (caption.clone(), columns.clone());
                walk.out.push(Block::Table { caption, columns, rows, of });
                if left_out > 0 {
                    let words = vec![Span::strong(more_words(left_out, of))];
                    walk.out.push(Block::Only(On::Paper, vec![Block::Para(words)]));
                }
            }
            Block::Trends(curves) if curves.len() > room.curves => {
                walk.screen(block);
                let words = vec![Span::strong(more_words(curves.len(), "curves: in the note on the screen"))];
                walk.out.push(Block::Only(On::Paper, vec![Block::Para(words)]));
            }
            other => walk.out.push(other.clone()),
        }
    }
    walk.heading(2, "", room);
    walk.out
}

/// The words for what has no room; `of` holds what it is and where it is found.
fn more_words(n: usize, of: &str) -> String {
    match of.split_once(": ") {
        Some((what, command)) if command.starts_with("seatsong") => {
            format!("And {n} more in the book: {what} ({command}).")
        }
        Some((what, place)) => format!("More {what}, {place}: {n}."),
        None => format!("And {n} more {of}, in the book."),
    }
}

/// At most so many items on paper, the pressing ones first, in their own order; the others are for the screen.
fn kept<T>(items: &[Item<T>], most: usize, cut: impl Fn(&T) -> T) -> (Vec<Item<T>>, usize) {
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by_key(|k| !items[*k].first);
    let stays: Vec<usize> = order.into_iter().take(most).collect();
    let marked = items
        .iter()
        .enumerate()
        .map(|(k, item)| {
            let on = if stays.contains(&k) { item.on } else { On::Screen };
            Item { on, first: item.first, what: cut(&item.what) }
        })
        .collect();
    (marked, items.len().saturating_sub(most))
}

fn chosen(
    items: &[Item<Vec<Span>>],
    most: usize,
    cut: impl Fn(&Vec<Span>) -> Vec<Span>,
    of: &str,
) -> Vec<Item<Vec<Span>>> {
    let (mut out, left_out) = kept(items, most, cut);
    if left_out > 0 {
        let on = On::Paper;
        out.push(Item { on, first: true, what: vec![Span::strong(more_words(left_out, of))] });
    }
    out
}

/// Words that stand where an item was cut on paper.
const CUT: &str = "… (more in the book)";

/// Spans of at most so many letters on paper; the screen has the rest.
fn clipped(spans: &[Span], most: usize) -> Vec<Span> {
    let total: usize = spans.iter().map(|s| s.plain().chars().count()).sum();
    // Cutting a word or two gains nothing.
    if total <= most.saturating_add(CUT.chars().count()) {
        return spans.to_vec();
    }
    let mut left = most;
    let mut out = Vec::new();
    for span in spans {
        let text = match span {
            Span::Text(text) | Span::Strong(text) => text,
            other => {
                out.push(other.clone());
                continue;
            }
        };
        let n = text.chars().count();
        if n <= left {
            left -= n;
            out.push(span.clone());
            continue;
        }
        let at = text.char_indices().nth(left).map_or(text.len(), |(at, _)| at);
        // At a space, where one is near.
        let at = text[..at].rfind(' ').filter(|space| at - space < 20).unwrap_or(at);
        let (head, tail) = text.split_at(at);
        if !head.is_empty() {
            out.push(if matches!(span, Span::Strong(_)) { Span::strong(head) } else { Span::text(head) });
        }
        if left > 0 {
            out.push(Span::Paper(CUT.to_owned()));
        }
        out.push(Span::Screen(tail.to_owned()));
        left = 0;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on_paper(spans: &[Span]) -> String {
        spans
            .iter()
            .map(|s| match s {
                Span::Screen(_) => String::new(),
                Span::Paper(text) => text.clone(),
                other => other.plain(),
            })
            .collect()
    }

    #[test]
    fn what_is_cut_on_paper_is_whole_on_the_screen() {
        let long = format!("{} end", "word ".repeat(100));
        let spans = [Span::strong("No. 3 "), Span::text(&long), Span::text(" (since 2 May)")];
        let cut = clipped(&spans, 60);
        let screen: String = cut.iter().map(Span::plain).collect();
        assert_eq!(screen, format!("No. 3 {long} (since 2 May)"));
        let paper = on_paper(&cut);
        assert!(paper.ends_with(CUT) && paper.chars().count() <= 60 + CUT.chars().count(), "{paper}");
        assert_eq!(clipped(&[Span::text("short")], 60), [Span::text("short")]);
        let one_word = clipped(&[Span::text("ä".repeat(500))], 60);
        assert_eq!(on_paper(&one_word), format!("{}{CUT}", "ä".repeat(60)));
    }

    #[test]
    fn what_is_pressing_stays_and_the_rest_is_counted() {
        let items: Vec<Item<Vec<Span>>> =
            (0..10).map(|k| Item { first: k == 8, ..Item::plain(vec![Span::text(format!("item {k}"))]) }).collect();
        let out = chosen(&items, 3, Clone::clone, "open concerns: seatsong concern list");
        let paper: Vec<String> = out.iter().filter(|i| i.on != On::Screen).map(|i| on_paper(&i.what)).collect();
        assert_eq!(
            paper,
            ["item 0", "item 1", "item 8", "And 7 more in the book: open concerns (seatsong concern list)."]
        );
        assert_eq!(out.iter().filter(|i| i.on != On::Paper).count(), 10);
        assert!(chosen(&items, 10, Clone::clone, "x").iter().all(|i| i.on == On::Both));
    }
}
