//! What can be said of the page's files without a browser.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/page/assets");

/// Not kept on the phone: the worker, which the browser keeps itself; the first page, kept under its short address; what the PNG icons were
/// drawn from.
const NOT_KEPT: [&str; 3] = ["sw.js", "index.html", "icon.svg"];

fn files() -> Vec<(String, Vec<u8>)> {
    fn walk(dir: &Path, out: &mut Vec<PathBuf>) {
        for entry in std::fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { walk(&path, out) } else { out.push(path) }
        }
    }
    let mut paths = Vec::new();
    walk(Path::new(FOLDER), &mut paths);
    paths.sort();
    paths
        .into_iter()
        .map(|p| (p.strip_prefix(FOLDER).unwrap().to_str().unwrap().to_owned(), std::fs::read(&p).unwrap()))
        .collect()
}

fn text_files(endings: &[&str]) -> Vec<(String, String)> {
    files()
        .into_iter()
        .filter(|(name, _)| endings.iter().any(|e| name.ends_with(e)))
        .map(|(name, bytes)| (name, String::from_utf8(bytes).unwrap()))
        .collect()
}

/// What stands between `before` and the next `end`, wherever `before` occurs.
fn between<'a>(text: &'a str, before: &str, end: char) -> Vec<&'a str> {
    text.split(before).skip(1).filter_map(|rest| rest.split_once(end).map(|(word, _)| word)).collect()
}

/// The keys of texts.js.
fn keys() -> BTreeSet<String> {
    let (_, texts) = text_files(&["texts.js"]).remove(0);
    texts
        .lines()
        .filter_map(|l| l.strip_prefix("  ")?.split_once(": "))
        .map(|(key, _)| key.trim_matches('\'').to_owned())
        .filter(|k| k.chars().all(|c| c.is_ascii_alphanumeric() || ".-".contains(c)))
        .collect()
}

pub(super) fn all_texts_stand_in_one_file() {
    let keys = keys();
    assert!(keys.len() > 300, "{} keys were read; the reading of texts.js is wrong", keys.len());
    let mut used = 0;
    for (name, text) in text_files(&[".js", ".html"]).iter().filter(|(n, _)| n != "texts.js") {
        let direct = between(text, " t('", '\'').into_iter().chain(between(text, "(t('", '\''));
        for key in direct.chain(between(text, "data-t=\"", '"')).chain(between(text, "data-t-label=\"", '"')) {
            assert!(keys.contains(key), "{name} uses the text {key}, which texts.js lacks");
            used += 1;
        }
        // A key put together: `state.${...}` needs at least one key of that stem.
        for stem in between(text, " t(`", '$').into_iter().chain(between(text, "(t(`", '$')) {
            assert!(
                keys.iter().any(|k| k.starts_with(stem)),
                "{name} uses texts {stem}..., of which texts.js has none"
            );
            used += 1;
        }
        // Words between tags or as a text of an element would escape the translation.
        for literal in between(text, "{}, '", '\'') {
            assert!(!literal.contains(' ') || literal.trim().len() < 2, "{name} has words of its own: {literal:?}");
        }
    }
    assert!(used > 300, "only {used} uses were found; the search is wrong");
}

pub(super) fn the_page_weighs_less_than_300_kb() {
    let total: usize = files().iter().map(|(_, bytes)| bytes.len()).sum();
    assert!(total < 300_000, "{total} bytes");
    assert!(total > 50_000, "{total} bytes: are the files there?");
}

pub(super) fn no_file_names_another_host() {
    for (name, text) in text_files(&[".js", ".html", ".css", ".webmanifest"]) {
        for scheme in ["http://", "https://", "url(", "@import", "//cdn"] {
            for rest in text.split(scheme).skip(1) {
                // The name of the language of pictures is no address that anything is fetched from.
                assert!(
                    rest.starts_with("www.w3.org/2000/svg"),
                    "{name}: {scheme}{}",
                    rest.chars().take(40).collect::<String>()
                );
            }
        }
        for word in ["<script>", " style=\"", "onclick=", "eval(", "innerHTML", "new Function"] {
            assert!(!text.contains(word), "{name} has {word}");
        }
    }
}

pub(super) fn every_file_is_kept_for_use_without_a_connection() {
    let (_, worker) = text_files(&["sw.js"]).remove(0);
    for (name, _) in files() {
        if !NOT_KEPT.contains(&name.as_str()) {
            assert!(worker.contains(&format!("'/{name}'")), "sw.js lacks {name}");
        }
    }
}
