//! Photos given with checks and parts: kept in the book byte for byte, shown small in the note, carried by a pack.

use std::path::Path;

use super::{run, words};

/// A made-up photo of 900 x 600 pixels as a PNG.
fn photo(path: &Path, shade: u8) {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 900, 600);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header().unwrap().write_image_data(&vec![shade; 900 * 600 * 3]).unwrap();
    std::fs::write(path, bytes).unwrap();
}

const SHEET: &str = "[tour]\nzone = \"UTC\"\nchanges = [\"06:00\", \"18:00\"]\n
[[check]]\nid = \"screen\"\ntext = \"Suction screen\"\nper = \"pump\"\nevery = \"each tour\"\n
ask = [{ name = \"look\", kind = \"ok\" }, { name = \"photo\", kind = \"photo\" }]\n";

#[test]
fn photos_are_kept_shown_small_and_never_lost() {
    let temporary = tempfile::tempdir().unwrap();
    let dir = temporary.path();
    let (book, seat, screen) = (dir.join("book"), dir.join("seat.png"), dir.join("screen.png"));
    photo(&seat, 90);
    photo(&screen, 160);
    let heic = dir.join("clamp.heic");
    std::fs::write(&heic, b"a kind of photo that is not read").unwrap();
    for line in ["book new", "pump add MP-1 --stroke 12in"] {
        assert!(run(&book, line).status.success(), "{line}");
    }
    std::fs::write(book.join("checks.toml"), SHEET).unwrap();
    let at = "--at '2024-05-04 09:00'";
    let ok = |line: &str| {
        let ran = run(&book, line);
        assert!(ran.status.success(), "{line}: {}", String::from_utf8_lossy(&ran.stderr));
    };
    ok("part change 2 seat discharge --at '2024-05-01 09:00'");
    ok(&format!(
        "part change 2 seat discharge --why washed --condition 'cut at 4 o clock' --photo {} {at}",
        seat.display()
    ));
    ok(&format!("reading add screen look=ok photo={} {at}", screen.display()));
    ok(&format!("part change 1 rod-clamp --at '2024-05-01 09:00' --photo {}", heic.display()));
    ok(&format!("part change 1 rod-clamp --why worn --photo {} --at '2024-05-04 09:30'", heic.display()));
    let gone = run(&book, &format!("reading add screen look=ok photo={} {at}", dir.join("none.jpg").display()));
    assert!(!gone.status.success() && String::from_utf8_lossy(&gone.stderr).contains("none.jpg"), "{gone:?}");

    // The originals may go now.
    let original = std::fs::read(&seat).unwrap();
    for path in [&seat, &screen, &heic] {
        std::fs::remove_file(path).unwrap();
    }
    let out = dir.join("out");
    ok(&format!("handover --at '2024-05-04 17:50' --out {}", out.display()));
    let page = std::fs::read_to_string(out.join("handover.html")).unwrap();
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), 2, "two are shown");
    assert!(page.contains("cut at 4 o clock") && page.contains("not shown here"), "the third is told of");
    let paper = out.join("handover.pdf");
    let bytes = std::fs::read(&paper).unwrap();
    assert_eq!(bytes.windows(10).filter(|w| *w == b"/DCTDecode").count(), 2, "the same two on paper");
    assert_eq!(super::pages_of(&paper), 1, "a quiet tour has room for them");
    assert!(page.len() < 200_000, "{} bytes", page.len());
    assert!(std::fs::read_to_string(out.join("handover.txt")).unwrap().contains("photos/"));

    let kept: Vec<std::path::PathBuf> = walk(&book.join("photos"));
    assert_eq!(kept.len(), 3);
    assert!(kept.iter().any(|p| std::fs::read(p).unwrap() == original), "byte for byte");
    assert!(run(&book, "book check").status.success());
    let (pack, other) = (dir.join("rig.pack"), dir.join("other"));
    ok(&format!("book pack {}", pack.display()));
    ok(&format!("book unpack {} {}", pack.display(), other.display()));
    assert_eq!(walk(&other.join("photos")).len(), 3, "a pack carries them");
    std::fs::remove_file(&walk(&other.join("photos"))[0]).unwrap();
    let missing = run(&other, "book check");
    let said = format!("{}{}", String::from_utf8_lossy(&missing.stdout), String::from_utf8_lossy(&missing.stderr));
    assert!(said.contains("photos/") && said.contains("is missing"), "{said}");
    assert_eq!(words("a 'b c'").len(), 2);
}

fn walk(dir: &Path) -> Vec<std::path::PathBuf> {
    let mut out = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { out.extend(walk(&path)) } else { out.push(path) }
    }
    out.sort();
    out
}
