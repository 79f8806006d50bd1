use std::path::{Path, PathBuf};
use std::sync::OnceLock;

#[path = "../common/curlew.rs"]
mod curlew;
#[path = "../common/odd.rs"]
pub(crate) mod odd;
#[path = "../common/ran.rs"]
mod ran;

pub(crate) use curlew::bring_in;
pub(crate) use ran::{Ran, command, seatsong};

/// The room's clips, made once a run: `round-01/m1.wav` and so on.
pub(crate) fn room() -> &'static Path {
    static ROOM_DIR: OnceLock<PathBuf> = OnceLock::new();
    ROOM_DIR.get_or_init(|| curlew::made("book-room").join("pump"))
}

/// A folder with a book in it that has one triplex.
pub(crate) fn with_pump() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    seatsong(dir.path(), &["book", "new"]).ended(0);
    seatsong(dir.path(), &["pump", "add", "MP-1", "--stroke", "12in", "--units", "si"]).ended(0);
    dir
}

/// Brings the room's rounds in: six good ones a day apart, and today's a week later. Round 7 is today's.
pub(crate) fn with_rounds() -> tempfile::TempDir {
    let dir = with_pump();
    (1..=7).for_each(|r| bring_in(dir.path(), room(), r));
    dir
}

/// Numbers that look random and are the same in every run (Knuth's MMIX constants).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    /// The next number, `0.0 <= x < 1.0`.
    pub(crate) fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Files that no other has the bytes of, `m1-x.wav` and so on; the book keeps any bytes.
pub(crate) fn files(folder: &Path, n: usize, bytes: usize, dice: &mut Dice) -> Vec<PathBuf> {
    std::fs::create_dir_all(folder).unwrap();
    (0..n)
        .map(|k| {
            let path = folder.join(format!("m{}-{k}.wav", 1 + k % 3));
            let content: Vec<u8> = (0..bytes / 8).flat_map(|_| dice.roll().to_le_bytes()).collect();
            std::fs::write(&path, content).unwrap();
            path
        })
        .collect()
}
