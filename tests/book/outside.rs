//! Books from somebody else whose names and links lead out of them: nothing is read or written there, and each is told.

use std::path::{Path, PathBuf};

use rusqlite::params;
use seatsong::inside::book::Book;
use sha2::{Digest as _, Sha256};

use crate::helper::{Ran, seatsong, with_pump, with_rounds};

fn sum(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

fn sql(book: &Path, sql: &str, values: impl rusqlite::Params) {
    assert_eq!(rusqlite::Connection::open(book.join("book.db")).unwrap().execute(sql, values).unwrap(), 1, "{sql}");
}

/// A folder with our book in `home/`, and beside it the other one in `theirs/`: a triplex in each, and in theirs a round with two clips. Below
/// both a file that is nobody's business: `../.bashrc` as either book would say.
fn two_books() -> (tempfile::TempDir, PathBuf, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let (home, theirs) = (dir.path().join("home"), dir.path().join("theirs/book"));
    for place in [&home, &dir.path().join("theirs")] {
        std::fs::create_dir(place).unwrap();
        seatsong(place, &["book", "new"]).ended(0);
        seatsong(place, &["pump", "add", "MP-1", "--stroke", "12in"]).ended(0);
        std::fs::write(place.join(".bashrc"), "as it was").unwrap();
        for m in 1..=2 {
            std::fs::write(place.join(format!("m{m}.wav")), format!("recording {m}")).unwrap();
        }
    }
    seatsong(&dir.path().join("theirs"), &["import", "m1.wav", "m2.wav"]).ended(0);
    (dir, home, theirs)
}

/// Brings their book into ours.
fn merged(home: &Path) -> Ran {
    seatsong(home, &["book", "merge", "../theirs/book"])
}

fn untouched(home: &Path) {
    assert_eq!(std::fs::read_to_string(home.join(".bashrc")).unwrap(), "as it was");
    seatsong(home, &["book", "check"]).ended(0);
}

#[test]
fn a_clip_of_a_merged_book_replaces_no_file_outside() {
    let (dir, home, theirs) = two_books();
    let bytes = std::fs::read(dir.path().join("theirs/m2.wav")).unwrap();
    std::fs::write(dir.path().join("theirs/.bashrc"), &bytes).unwrap();
    sql(&theirs, "UPDATE clip SET file = '../.bashrc' WHERE sha256 = ?1", [sum(&bytes)]);
    merged(&home)
        .ended(1)
        .says("a clip was not taken over: \"../.bashrc\" is no name of a file within the book")
        .tells("1 clips");
    untouched(&home);
    seatsong(&dir.path().join("theirs"), &["book", "check"]).ended(1).tells("\"../.bashrc\" is no name of a file");
}

#[test]
fn a_photo_of_a_merged_book_replaces_no_file_outside() {
    let (dir, home, theirs) = two_books();
    let photo = dir.path().join("theirs/a.jpg");
    std::fs::write(&photo, "a photo").unwrap();
    Book::open(&theirs).unwrap().add_photo(&photo).unwrap();
    std::fs::rename(&photo, dir.path().join("theirs/.bashrc")).unwrap();
    for name in ["../.bashrc", "photos/../../.bashrc", &dir.path().join("theirs/.bashrc").to_string_lossy()] {
        sql(&theirs, "UPDATE photo SET file = ?1", [name]);
        merged(&home).ended(1).says("a photo was not taken over").says("is no name of a file within the book");
        untouched(&home);
    }
    seatsong(&dir.path().join("theirs"), &["book", "check"]).ended(1).tells("is no name of a file");
}

#[test]
fn opening_another_book_moves_nothing_out_of_it() {
    let (dir, home, theirs) = two_books();
    let clip = std::fs::read(dir.path().join("theirs/m1.wav")).unwrap();
    let name: String = rusqlite::Connection::open(theirs.join("book.db"))
        .unwrap()
        .query_row("SELECT file FROM clip WHERE sha256 = ?1", [sum(&clip)], |r| r.get(0))
        .unwrap();
    // As a pulled plug leaves it: entered, and not named yet.
    std::fs::rename(theirs.join(name), theirs.join(format!("incoming/{}.tmpX.wav", sum(&clip)))).unwrap();
    sql(&theirs, "UPDATE clip SET file = '../.bashrc' WHERE sha256 = ?1", [sum(&clip)]);
    merged(&home).ended(1).says("../.bashrc");
    assert_eq!(std::fs::read_to_string(dir.path().join("theirs/.bashrc")).unwrap(), "as it was");
    untouched(&home);
}

#[cfg(unix)]
#[test]
fn a_link_in_another_book_brings_no_file_of_ours_into_the_book() {
    use std::os::unix::fs::symlink;
    let (dir, home, theirs) = two_books();
    let secret = dir.path().join("home/secret.txt");
    std::fs::write(&secret, "private").unwrap();
    let clip = std::fs::read(dir.path().join("theirs/m1.wav")).unwrap();
    let conn = rusqlite::Connection::open(theirs.join("book.db")).unwrap();
    let name: String = conn.query_row("SELECT file FROM clip WHERE sha256 = ?1", [sum(&clip)], |r| r.get(0)).unwrap();
    std::fs::remove_file(theirs.join(&name)).unwrap();
    symlink(&secret, theirs.join(&name)).unwrap();
    sql(&theirs, "UPDATE clip SET sha256 = ?1 WHERE sha256 = ?2", [sum(b"private"), sum(&clip)]);
    symlink(&secret, theirs.join("checks.toml")).unwrap();
    merged(&home).ended(1).says("a link stands in its way").says("the check sheet was not taken over").tells("1 clips");
    untouched(&home);
    assert!(!home.join("book/checks.toml").exists());
    // A folder that is a link is not searched, and what lies behind it is not put in order.
    let album = dir.path().join("home/album");
    std::fs::create_dir(&album).unwrap();
    std::fs::write(album.join("a.jpg"), "mine").unwrap();
    symlink(&album, theirs.join("clips/more")).unwrap();
    symlink(&album, theirs.join("photos")).unwrap();
    let at_theirs = |args: &[&str]| seatsong(&dir.path().join("theirs"), args);
    at_theirs(&["book", "check"]).ended(1).tells("clips/more is not in the book").tells("\"photos\" is no name");
    at_theirs(&["book", "mend"]).ended(1).tells("clips/more: put aside");
    assert_eq!(std::fs::read_to_string(album.join("a.jpg")).unwrap(), "mine");
    assert_eq!(std::fs::read_to_string(&secret).unwrap(), "private");
    // Nothing is taken from, or put into, a folder that is a link.
    std::fs::remove_dir_all(theirs.join("incoming")).unwrap();
    symlink(&album, theirs.join("incoming")).unwrap();
    at_theirs(&["round", "list"]).ended(1).says("\"incoming\" is no name of a file within the book");
    assert_eq!(std::fs::read_dir(&album).unwrap().count(), 1);
}

/// A made-up picture as a PNG.
fn picture(path: &Path) {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 90, 60);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header().unwrap().write_image_data(&vec![90; 90 * 60 * 3]).unwrap();
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn a_picture_outside_the_book_comes_into_no_note() {
    let dir = with_pump();
    let run = |args: &[&str]| seatsong(dir.path(), args).ended(0);
    let book = dir.path().join("book");
    picture(&dir.path().join("seat.png"));
    let sheet = "[tour]\nzone = \"UTC\"\nchanges = [\"06:00\", \"18:00\"]\n\n[[check]]\nid = \"screen\"\ntext = \"Suction screen\"\n\
         per = \"pump\"\nevery = \"each tour\"\nask = [{ name = \"photo\", kind = \"photo\" }]\n";
    std::fs::write(book.join("checks.toml"), sheet).unwrap();
    run(&["part", "change", "2", "seat", "discharge", "--at", "2024-05-01 09:00"]);
    let change = [
        "part",
        "change",
        "2",
        "seat",
        "discharge",
        "--why",
        "washed",
        "--photo",
        "seat.png",
        "--at",
        "2024-05-04 09:00",
    ];
    run(&change);
    run(&["reading", "add", "screen", "photo=seat.png", "--at", "2024-05-04 09:10"]);
    let note = |out: &str| {
        run(&["handover", "--at", "2024-05-04 17:50", "--out", out]);
        ["html", "txt"].map(|e| std::fs::read_to_string(dir.path().join(out).join(format!("handover.{e}"))).unwrap())
    };
    assert_eq!(note("own")[0].matches("data:image/jpeg;base64,").count(), 2, "photos of the book are shown");
    let private = dir.path().join("private.png");
    picture(&private);
    for (n, name) in [private.to_str().unwrap(), "photos/../../private.png", "../private.png"].into_iter().enumerate() {
        sql(&book, "UPDATE part SET photo = ?1 WHERE why = 'washed'", [name]);
        sql(&book, "UPDATE answer SET words = ?1 WHERE kind = 'photo'", [name]);
        let [html, txt] = note(&format!("out-{n}"));
        assert_eq!(html.matches("data:image").count(), 0, "{name}");
        let flat = txt.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(flat.matches("not shown: its name leads out of the book").count(), 2, "{name}\n{txt}");
        let checked = run(&["book", "check"]);
        assert!(checked.out.contains("lies outside the book") && checked.out.contains("private.png"), "{checked}");
    }
    // Merged, the entries come and the names do not.
    std::fs::create_dir(dir.path().join("home")).unwrap();
    let home = dir.path().join("home");
    seatsong(&home, &["book", "new"]).ended(0);
    seatsong(&home, &["book", "merge", "../book"]).ended(1).says("without its photo \"../private.png\"");
    let ours = Book::open(&home.join("book")).unwrap();
    let count = |sql: &str| ours.connection().query_row(sql, [], |r| r.get::<_, i64>(0)).unwrap();
    assert_eq!((count("SELECT count(*) FROM part"), count("SELECT count(*) FROM answer")), (2, 1));
    assert_eq!(
        count("SELECT count(*) FROM part WHERE photo <> ''") + count("SELECT count(*) FROM answer WHERE words <> ''"),
        0
    );
}

#[test]
fn a_clip_with_such_a_name_is_unjudged_and_the_others_of_its_round_are_not() {
    let dir = with_rounds();
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3", "4", "5", "6"]).ended(0);
    let book = dir.path().join("book");
    let place = Book::open(&book).unwrap();
    let clips = place.clips(7).unwrap();
    let clip = clips.iter().find(|c| c.module == 1).unwrap();
    let outside = dir.path().join("a song.wav");
    std::fs::rename(place.clip_path(clip).unwrap(), &outside).unwrap();
    drop(place);
    sql(&book, "UPDATE clip SET file = ?1 WHERE id = ?2", params!["../a song.wav", clip.id]);
    let all = seatsong(dir.path(), &["verdict", "7", "--json"]).ended(0).json();
    let of = |m: u64| all["clips"].as_array().unwrap().iter().find(|c| c["module"] == m).unwrap().clone();
    assert_eq!((&of(1)["verdict"], &of(2)["verdict"]), (&"unjudged".into(), &"departed".into()), "{all:#}");
    assert!(of(1)["reason"].as_str().unwrap().contains("is no name of a file within the book"), "{}", of(1));
    let mut place = Book::open(&book).unwrap();
    let (round, clip) = (place.round(7).unwrap(), place.clip(clip.id).unwrap());
    assert!(place.clip_path(&clip).is_err());
    assert!(place.hearing(&round, &clip).is_err());
    // It is not packed, and not brought back to where it would lead.
    let packed =
        seatsong(dir.path(), &["book", "pack", "rig.pack"]).ended(0).says("../a song.wav: the book has lost this clip");
    assert!(packed.out.contains("21 files"), "{packed}");
    let bytes = std::fs::read(&outside).unwrap();
    std::fs::remove_file(&outside).unwrap();
    std::fs::write(book.join("clips/stray.wav"), &bytes).unwrap();
    std::fs::write(dir.path().join("m1.wav"), &bytes).unwrap();
    seatsong(dir.path(), &["book", "mend"])
        .ended(1)
        .tells("clips/stray.wav: put aside")
        .tells("\"../a song.wav\" is no name");
    seatsong(dir.path(), &["import", "m1.wav"]).ended(1).says("\"../a song.wav\" is no name of a file");
    assert!(!outside.exists());
}

#[test]
fn an_upload_with_such_a_name_reads_and_removes_nothing_outside() {
    let (dir, _home, theirs) = two_books();
    let precious = dir.path().join("theirs/precious.part");
    std::fs::write(&precious, "as it was").unwrap();
    std::fs::create_dir(theirs.join("incoming/upload-")).unwrap();
    let id = "/../../../precious";
    let id = format!("{}{id}", "/.".repeat((32 - id.len()) / 2));
    sql(
        &theirs,
        "INSERT INTO upload (id, key, round_id, spot_id, bytes, sha256, taken_at, taken_ms, begun_at, touched_ms)
         VALUES (?1, 'key-0001', 1, 1, 9, ?2, '2026-11-01T06:00:00Z', 0, '2026-11-01T06:00:00Z', 0)",
        params![id, "0".repeat(64)],
    );
    assert!(theirs.join(format!("incoming/upload-{id}.part")).exists(), "it would be found");
    let mut book = Book::open(&theirs).unwrap();
    assert!(book.upload(&id).unwrap_err().to_string().contains("is no name of a file within the book"));
    assert!(
        book.finish_upload(&id).is_err() && book.discard_old_uploads(&seatsong::inside::book::Stamp::now()).is_ok()
    );
    assert_eq!(std::fs::read_to_string(&precious).unwrap(), "as it was");
}
