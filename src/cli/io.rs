//! Where a command writes and what it knows of the reader's screen.

use std::io::{IsTerminal as _, Write};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::report::text::TextSettings;

/// Data goes to `out`, talk to `err`.
pub struct Io<'a> {
    /// Standard output: data.
    pub out: &'a mut dyn Write,
    /// Standard error: talk.
    pub err: &'a mut dyn Write,
    /// How to print for a person.
    pub text: TextSettings,
    /// Whether a person watches standard error.
    pub watched: bool,
}

impl std::fmt::Debug for Io<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Io").field("text", &self.text).field("watched", &self.watched).finish_non_exhaustive()
    }
}

/// Columns where nothing is known of the reader's screen, such as in a file.
const USUAL_WIDTH: usize = 96;
/// Columns of a terminal that does not say.
const TERMINAL_WIDTH: usize = 80;

impl<'a> Io<'a> {
    /// The process's own streams; colour only on a terminal and never against `NO_COLOR`.
    pub fn of_process(out: &'a mut dyn Write, err: &'a mut dyn Write) -> Self {
        let terminal = std::io::stdout().is_terminal();
        let set = |name: &str| std::env::var_os(name).is_some_and(|v| !v.is_empty());
        let colour = terminal && !set("NO_COLOR") && std::env::var_os("TERM").is_none_or(|t| t != "dumb");
        let columns = std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok());
        let width = columns.unwrap_or(if terminal { TERMINAL_WIDTH } else { USUAL_WIDTH });
        Self { out, err, text: TextSettings { width, colour }, watched: std::io::stderr().is_terminal() }
    }

    /// A bar on standard error while a person watches it, and nothing otherwise.
    #[must_use]
    pub fn progress(&self, steps: usize, what: &'static str) -> ProgressBar {
        let target = if self.watched { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(Some(steps as u64), target).with_message(what);
        if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len}") {
            bar.set_style(style);
        }
        bar
    }

    /// A remark for the person who runs the command.
    ///
    /// # Errors
    /// If standard error can't be written.
    pub fn say(&mut self, text: &str) -> std::io::Result<()> {
        writeln!(self.err, "seatsong: {text}")
    }

    /// A JSON document, indented, with a line break behind it.
    ///
    /// # Errors
    /// If standard output can't be written.
    pub fn json(&mut self, value: &serde_json::Value) -> anyhow::Result<()> {
        let text = serde_json::to_string_pretty(value)?;
        writeln!(self.out, "{text}")?;
        Ok(())
    }
}
