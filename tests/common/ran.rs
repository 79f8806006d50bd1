//! A run of the program that has ended: what the test programs `cli` and `book` share.

use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;

/// A run that has ended.
pub(crate) struct Ran {
    pub(crate) status: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
    what: String,
}

impl Ran {
    /// Of a program that has ended.
    pub(crate) fn of(output: std::process::Output, args: &[&str], dir: &Path) -> Self {
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        Self {
            status: output.status.code(),
            out: text(output.stdout),
            err: text(output.stderr),
            what: format!("seatsong {}\nin {}", args.join(" "), dir.display()),
        }
    }

    /// The same, if it ended with this status; else everything about the run.
    pub(crate) fn ended(self, status: i32) -> Self {
        assert!(self.status == Some(status), "wanted status {status}\n{self}");
        self
    }

    /// Standard output as JSON.
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}\n{self}"))
    }

    /// The same, if standard error says this.
    pub(crate) fn says(self, text: &str) -> Self {
        assert!(self.err.contains(text), "wanted on stderr: {text}\n{self}");
        self
    }

    /// The same, if standard output says this.
    pub(crate) fn tells(self, text: &str) -> Self {
        assert!(self.out.contains(text), "wanted on stdout: {text}\n{self}");
        self
    }
}

impl std::fmt::Display for Ran {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}\nstatus {:?}\n--- stdout\n{}\n--- stderr\n{}", self.what, self.status, self.out, self.err)
    }
}

/// The program in a folder, its surroundings cleared of what would change its output.
pub(crate) fn command(dir: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_seatsong"));
    command.args(args).current_dir(dir).stdin(Stdio::null());
    for name in ["COLUMNS", "NO_COLOR", "CLICOLOR_FORCE", "FORCE_COLOR", "SEATSONG_BOOK"] {
        command.env_remove(name);
    }
    command.env("TZ", "UTC");
    command
}

/// Runs the program in a folder.
pub(crate) fn seatsong(dir: &Path, args: &[&str]) -> Ran {
    Ran::of(command(dir, args).output().unwrap(), args, dir)
}
