//! What a reader who sees little, or nothing, needs of the page: checked on the page itself, without a browser.

use super::tests::{bad, full, photos};
use super::*;
use crate::report::colour::badge_colours;
use crate::score::State;

fn pages() -> Vec<(&'static str, String)> {
    let mut quiet = full();
    quiet.pumps.remove(0);
    let mut heard = full();
    heard.pumps[0].modules[1].sound = Some(b"RIFF".to_vec());
    heard.pumps[0].photos[0].jpeg = Some(vec![0xff, 0xd8]);
    let mut seen = bad(1, 3, 12);
    seen.pumps[0].photos = photos(0, 2);
    assert!(html(&seen).contains("<h2>Photos</h2>"), "on a page of their own");
    vec![
        ("seen", html(&seen)),
        ("full", html(&full())),
        ("quiet", html(&quiet)),
        ("bad", html(&bad(2, 3, 30))),
        ("heard", html(&heard)),
    ]
}

/// Every start tag of a page with its attributes.
fn tags(page: &str) -> Vec<&str> {
    let body = &page[page.find("<body>").unwrap()..];
    body.split('<').skip(1).filter_map(|t| t.split('>').next()).filter(|t| !t.starts_with(['/', '!'])).collect()
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split(&format!(" {name}=\"")).nth(1)?.split('"').next()
}

fn is(tag: &str, name: &str) -> bool {
    tag.split_whitespace().next() == Some(name)
}

#[test]
fn the_page_is_whole_by_itself() {
    for (name, page) in pages() {
        for forbidden in
            ["http:", "https:", "<script", "<link", "url(", "@import", "javascript:", "<Plover>", "<iframe"]
        {
            assert!(!page.contains(forbidden), "{name}: {forbidden}");
        }
        assert!(page.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"));
        assert!(page.contains("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">"));
        assert!(page.contains("<title>Pump handover: "));
    }
}

#[test]
fn elements_are_closed_in_their_order() {
    for (name, page) in pages() {
        let mut open: Vec<&str> = Vec::new();
        for tag in page[page.find("<body>").unwrap()..].split('<').skip(1).filter_map(|t| t.split('>').next()) {
            let word = tag.trim_start_matches('/').split_whitespace().next().unwrap().trim_end_matches('/');
            if matches!(word, "img" | "br" | "meta" | "path" | "circle" | "polyline" | "!--") {
                continue;
            }
            if tag.starts_with('/') {
                if word == "html" {
                    continue;
                }
                assert_eq!(open.pop(), Some(word), "{name}: {tag}");
            } else {
                open.push(word);
            }
        }
        assert!(open.is_empty(), "{name}: {open:?}");
    }
}

#[test]
fn every_picture_is_told_in_words() {
    for (name, page) in pages() {
        let mut seen = 0;
        for tag in tags(&page) {
            let words = if is(tag, "img") {
                attribute(tag, "alt")
            } else if is(tag, "svg") || is(tag, "audio") {
                attribute(tag, "aria-label")
            } else {
                continue;
            };
            seen += 1;
            assert!(words.is_some_and(|w| w.trim().len() > 8), "{name}: {}", &tag[..tag.len().min(80)]);
        }
        assert!(seen > 0 || name == "quiet", "{name}");
    }
}

#[test]
fn headings_follow_each_other_and_tables_have_heads() {
    for (name, page) in pages() {
        let levels: Vec<u32> =
            tags(&page).iter().filter_map(|t| t.strip_prefix('h')?.split_whitespace().next()?.parse().ok()).collect();
        assert_eq!(levels[0], 1, "{name}");
        assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1, "{name}");
        assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{name}: {levels:?}");
        for table in page.split("<table").skip(1) {
            let table = &table[..table.find("</table>").unwrap()];
            assert!(table.contains("<caption>") && table.contains("<th scope=\"col\""), "{name}");
            let rows = table.matches("<tr role=\"row\"").count() - 1;
            assert_eq!(table.matches("<th scope=\"row\"").count(), rows, "{name}");
        }
    }
}

#[test]
fn the_page_has_its_landmarks_and_nothing_outside_them() {
    for (name, page) in pages() {
        let tags = tags(&page);
        for landmark in ["main", "footer"] {
            assert_eq!(tags.iter().filter(|t| is(t, landmark)).count(), 1, "{name}: {landmark}");
        }
        let between = |from: &str, to: &str| {
            let at = page.find(from).unwrap() + from.len();
            page[at..at + page[at..].find(to).unwrap()].trim().to_owned()
        };
        assert_eq!(between("<body>", "<main>"), "", "{name}");
        assert_eq!(between("</main>", "<footer>"), "", "{name}");
        // What scrolls can be reached by keys and has a name (WCAG 2.1.1, 4.1.2).
        for tag in tags.iter().filter(|t| attribute(t, "class") == Some("scroll")) {
            assert_eq!(attribute(tag, "tabindex"), Some("0"));
            assert!(attribute(tag, "aria-label").is_some() && attribute(tag, "role") == Some("group"));
        }
        let ids: Vec<&str> = tags.iter().filter_map(|t| attribute(t, "id")).collect();
        assert!(ids.is_empty(), "{name}: no id can occur twice");
    }
}

/// Relative luminance of `#rrggbb` or `#rgb`: WCAG 2.2, definition "relative luminance".
fn luminance(colour: &str) -> f64 {
    let digits: Vec<u32> = colour.trim_start_matches('#').chars().map(|c| c.to_digit(16).unwrap()).collect();
    let channel = |k: usize| {
        let value = if digits.len() == 3 { digits[k] * 17 } else { digits[2 * k] * 16 + digits[2 * k + 1] };
        let s = f64::from(value) / 255.0;
        if s <= 0.04045 { s / 12.92 } else { ((s + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * channel(0) + 0.7152 * channel(1) + 0.0722 * channel(2)
}

/// WCAG 2.2, definition "contrast ratio".
fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// The value of a property in the rules of one selector of the style sheet.
fn colour_of<'a>(css: &'a str, selector: &str, property: &str) -> Option<&'a str> {
    css.split('}')
        .filter_map(|rule| rule.rsplit_once('{'))
        .filter(|(selectors, _)| selectors.trim().split(',').any(|s| s.trim() == selector))
        .flat_map(|(_, body)| body.split(';'))
        .find_map(|d| d.trim().strip_prefix(property)?.trim_start().strip_prefix(':').map(str::trim))
}

#[test]
fn the_formula_is_that_of_the_guideline() {
    // WCAG 2.2: black on white is 21:1; #767676 on white is the lightest grey that reaches 4.5:1 (G18, from memory).
    assert!((contrast("#000", "#ffffff") - 21.0).abs() < 1e-9);
    assert!(contrast("#767676", "#fff") >= 4.5 && contrast("#777777", "#fff") < 4.5);
}

#[test]
fn every_pair_of_colours_of_the_style_sheet_can_be_read() {
    let css = include_str!("handover.css");
    let colour = |selector: &str, property: &str| {
        colour_of(css, selector, property).unwrap_or_else(|| panic!("{selector} has no {property}"))
    };
    let (ink, ground) = (colour("body", "color"), colour("body", "background"));
    let mut pairs = vec![(ink, ground), (colour(".small", "color"), ground)];
    for boxed in [".caution", ".amended"] {
        // The small remark stands in them too.
        pairs.extend([(ink, colour(boxed, "background")), (colour(".small", "color"), colour(boxed, "background"))]);
    }
    pairs.push((colour(".flag", "color"), colour(".flag", "background")));
    pairs.push((colour("td[data-head]::before", "color"), ground));
    for state in [State::Steady, State::Drifting, State::Departed, State::Unjudged] {
        pairs.push(badge_colours(state));
    }
    for (a, b) in pairs {
        // WCAG 2.2, 1.4.3 (AA): 4.5:1 for text of any size.
        assert!(contrast(a, b) >= 4.5, "{a} on {b}: {:.2}", contrast(a, b));
    }
    // 1.4.11: 3:1 for lines that carry meaning.
    for line in [colour("polyline", "stroke"), colour(".limit", "stroke"), colour(".ground", "stroke")] {
        assert!(contrast(line, ground) >= 3.0, "{line}: {:.2}", contrast(line, ground));
    }
    // No colour comes in by another way than those above: named colours and functions would pass unseen.
    for rule in css.split([';', '{', '}']) {
        if let Some((property, value)) = rule.split_once(':')
            && ["color", "background", "stroke"].contains(&property.trim())
        {
            assert!(value.trim().starts_with('#'), "{rule}");
        }
    }
}

#[test]
fn letters_on_paper_are_nine_points_or_more() {
    let css = include_str!("handover.css");
    let print = &css[css.find("@media print").unwrap()..];
    let sizes: Vec<&str> = print.split("font-size:").skip(1).map(|s| s.split([';', '}']).next().unwrap()).collect();
    assert!(sizes.len() >= 5, "{sizes:?}");
    for size in sizes {
        let points = size.strip_suffix("pt").map(|p| p.parse::<f64>().unwrap());
        assert!(points.is_some_and(|p| p >= 9.0) || size == "1em", "{size}");
    }
    for (name, note) in [("full", full()), ("bad", bad(1, 3, 30))] {
        for size in super::pdf::letter_sizes(&note).unwrap() {
            assert!(size >= 9.0, "{name}: {size} pt");
        }
    }
}
