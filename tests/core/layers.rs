//! The folders of `src/` use only those above them in the list of `lib.rs`: the list is read there, so that it stands once.

use std::path::Path;

/// The folders in the order of the crate's documentation, lowest first.
fn order(lib: &str) -> Vec<&str> {
    lib.lines().filter(|l| l.starts_with("//! | [`")).filter_map(|l| l.split('`').nth(1)).collect()
}

/// Code without its comments: a comment may speak of anything.
fn code(text: &str) -> String {
    let line =
        |l: &str| if l.trim_start().starts_with("//") { String::new() } else { l.split(" // ").take(1).collect() };
    text.lines().map(|l| line(l) + "\n").collect()
}

fn is_name(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// First names of a path or of a group of paths: `a` and `b` for `{a::x, b::{y, z}}`.
fn first_names(path: &str) -> Vec<String> {
    let Some(group) = path.strip_prefix('{') else {
        return vec![path.chars().take_while(|c| is_name(*c)).collect()];
    };
    let (mut depth, mut parts) = (0, vec![String::new()]);
    for c in group.chars() {
        match c {
            '}' if depth == 0 => break,
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => parts.push(String::new()),
            _ => {}
        }
        if let Some(last) = parts.last_mut().filter(|_| c != ',' || depth > 0) {
            last.push(c);
        }
    }
    parts
        .iter()
        .map(|p| p.trim().chars().take_while(|c| is_name(*c)).collect())
        .filter(|p: &String| !p.is_empty())
        .collect()
}

/// What code takes from the crate's root: `crate::x`.
fn from_root(code: &str) -> Vec<String> {
    let at_word = |at: usize| !code[..at].ends_with(|c| is_name(c) || c == '$');
    let all = code.match_indices("crate::").filter(|(at, _)| at_word(*at));
    all.flat_map(|(at, word)| first_names(&code[at + word.len()..])).collect()
}

/// What code takes from `climb` modules above: those of `names` behind so many `super::`.
fn from_above(code: &str, climb: usize, names: &[&str]) -> Vec<String> {
    let climb = "super::".repeat(climb);
    let all = code.match_indices(&climb).map(|(at, _)| code[at..].trim_start_matches("super::"));
    all.flat_map(first_names).filter(|n| names.contains(&n.as_str())).collect()
}

/// Why `folder` may not take `other`, if it may not.
fn against(order: &[&str], folder: &str, other: &str) -> Option<String> {
    let place = |name: &str| order.iter().position(|o| *o == name);
    match (place(folder), place(other)) {
        (Some(own), Some(its)) if its <= own => None,
        (Some(_), Some(_)) => Some(format!("{folder} uses {other}, which comes after it")),
        (None, _) => Some(format!("{folder} is not in the list of src/lib.rs")),
        (_, None) => Some(format!("{folder} uses crate::{other}, which is no folder of the list of src/lib.rs")),
    }
}

fn walk(dir: &Path, each: &mut impl FnMut(&Path)) {
    let mut entries: Vec<_> = std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            walk(&path, each);
        } else if path.extension().is_some_and(|e| e == "rs") {
            each(&path);
        }
    }
}

#[test]
fn each_folder_uses_only_those_before_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let lib = std::fs::read_to_string(src.join("lib.rs")).unwrap();
    let order = order(&lib);
    let mut seen = std::collections::BTreeSet::new();
    let mut wrong = Vec::new();
    walk(&src, &mut |path| {
        let below = path.strip_prefix(&src).unwrap().with_extension("");
        let parts: Vec<&str> = below.iter().filter_map(|p| p.to_str()).filter(|p| *p != "mod").collect();
        if ["lib", "main", "inside"].contains(&parts[0]) {
            return;
        }
        seen.insert(parts[0].to_owned());
        let code = code(&std::fs::read_to_string(path).unwrap());
        for other in from_root(&code).into_iter().chain(from_above(&code, parts.len(), &order)) {
            let why = against(&order, parts[0], &other);
            wrong.extend(why.map(|why| format!("src/{}.rs: {why}", below.display())));
        }
    });
    assert_eq!(wrong, Vec::<String>::new());
    let listed: std::collections::BTreeSet<String> = order.iter().map(|o| (*o).to_owned()).collect();
    assert_eq!(listed.len(), order.len(), "a folder stands twice in the list of src/lib.rs");
    assert_eq!(seen, listed, "the folders of src/ and the list of src/lib.rs");
}

/// A file of the page can be read without those that use it.
#[test]
fn the_files_of_the_page_have_no_circle() {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page");
    let mut files: Vec<(String, String)> = Vec::new();
    walk(&page, &mut |path| {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        files.extend((name != "mod").then(|| (name, code(&std::fs::read_to_string(path).unwrap()))));
    });
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    let mut left: Vec<(&str, Vec<String>)> =
        files.iter().map(|(name, code)| (name.as_str(), from_above(code, 1, &names))).collect();
    // What uses nothing that is left is read and laid aside, until nothing is left.
    loop {
        let open: Vec<&str> = left.iter().map(|(name, _)| *name).collect();
        let before = left.len();
        left.retain(|(name, uses)| uses.iter().any(|u| u != name && open.contains(&u.as_str())));
        if left.len() == before {
            break;
        }
    }
    assert!(names.len() > 20 && left.is_empty(), "of {} files these are in a circle: {left:?}", names.len());
}

/// The finder finds what it is for, in every way in which it can be written.
#[test]
fn a_use_against_the_order_is_found() {
    let order = ["units", "clip", "book"];
    let root = |text: &str| from_root(&code(text)).join(" ");
    assert_eq!(root("use crate::book::Book;\nlet x = crate::units::x();\n"), "book units");
    assert_eq!(root("use crate::{\n    clip::{self, a},\n    book,\n    units::{b, c},\n};\n"), "clip book units");
    assert_eq!(root("// crate::a\n/// [`crate::b`]\nlet a = 1; // crate::c\n$crate::x; other_crate::y;\n"), "");
    let above = |text: &str, climb| from_above(text, climb, &order).join(" ");
    assert_eq!((above("use super::super::book;", 2), above("use super::book;", 2)), ("book".into(), String::new()));
    assert_eq!(above("use super::{units, book::x, other};", 1), "units book");
    assert_eq!(against(&order, "book", "clip"), None);
    for (folder, other, part) in
        [("clip", "book", "after it"), ("clip", "Baseline", "no folder"), ("x", "clip", "not in the list")]
    {
        assert!(against(&order, folder, other).unwrap().contains(part), "{folder} {other}");
    }
}
