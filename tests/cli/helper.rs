use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use seatsong::inside::sample::Scenario;

#[path = "../common/odd.rs"]
pub(crate) mod odd;
#[path = "../common/ran.rs"]
mod ran;

pub(crate) use ran::{Ran, command, seatsong};

/// One pump, three modules, six good rounds (the third with pulses), a healthy round to be judged, and one round today:
/// module 2's discharge valve washes.
const ROOM: &str = r#"
rig = "Invented rig Test Plover"
seed = 5
[recording]
condition = "calm"
duration_s = 12.0
sample_rate_hz = 16000.0
[[pump]]
name = "pump"
seed = 77
nominal_spm = 88.0
nominal_pressure = 200.0
[[pump.round]]
[[pump.round]]
[[pump.round]]
pulse = [1, 2, 3]
[[pump.round]]
[[pump.round]]
[[pump.round]]
[[pump.round]]
name = "well"
modules = [1]
role = "now"
[[pump.round]]
name = "today"
role = "now"
fault = { kind = "discharge-valve", level_db = 3.0 }
fault_module = 2
"#;

/// The room's clips, made once a run.
pub(crate) fn room() -> &'static Path {
    static ROOM_DIR: OnceLock<PathBuf> = OnceLock::new();
    ROOM_DIR.get_or_init(|| {
        let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join("cli-room");
        let _ = std::fs::remove_dir_all(&dir);
        Scenario::parse(ROOM, Path::new("test room")).unwrap().make(&dir, &|| ()).unwrap();
        dir.join("pump")
    })
}

/// Good clips of a module, oldest first, as options `--good A --good B ...`.
pub(crate) fn good(module: u32) -> Vec<String> {
    (1..=6).flat_map(|r| ["--good".to_owned(), format!("round-{r:02}/m{module}.wav")]).collect()
}

/// A folder of its own that goes away with the test.
pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }

    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        let path = self.0.path().join(name);
        std::fs::write(&path, content).unwrap();
        path.to_str().unwrap().to_owned()
    }
}

/// Options from parts.
pub(crate) fn args<'a>(parts: &[&'a [String]], rest: &[&'a str]) -> Vec<&'a str> {
    parts.iter().flat_map(|p| p.iter().map(String::as_str)).chain(rest.iter().copied()).collect()
}

/// `compare` in the room with these options behind.
pub(crate) fn compare(goods: &[String], rest: &[&str]) -> Ran {
    let mut all = vec!["compare"];
    all.extend(args(&[goods], rest));
    seatsong(room(), &all)
}
