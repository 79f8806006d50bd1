//! The made-up pump of `curlew.toml`: its clips, and how its rounds come into a book. For the test programs `book` and `page`.

use std::path::{Path, PathBuf};

use seatsong::inside::sample::Scenario;

use super::ran::seatsong;

/// One pump, six good rounds (the third with pulses), then one in which module 2's discharge valve washes.
const ROOM: &str = include_str!("curlew.toml");

/// A new folder of this name, with the room's clips in it: `pump/round-01/m1.wav` and so on.
pub(crate) fn made(name: &str) -> PathBuf {
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&dir);
    Scenario::parse(ROOM, Path::new("test room")).unwrap().make(&dir, &|| ()).unwrap();
    dir
}

/// Brings a round of the room's clips into the book of a folder, as walked at a time of November 2026.
pub(crate) fn bring_in(dir: &Path, clips: &Path, r: u32) {
    let (name, day) = if r == 7 { ("today".to_owned(), 13) } else { (format!("round-{r:02}"), r) };
    let folder = clips.join(name).to_str().unwrap().to_owned();
    let at = format!("2026-11-{day:02}T06:00Z");
    let mut args = vec!["import", &folder, "--at", &at, "--pressure", "200bar", "--map", "m{module}*.wav"];
    if r == 3 {
        args.extend(["--pulse", "2"]);
    }
    seatsong(dir, &args).ended(0);
}
