//! What `compare` and `verdict` print for a person: the worst module first in words, then a table, then remarks.

use std::fmt::Write as _;

use super::words;
use crate::clip::{Code, Effect};
use crate::score::{ClipVerdict, State};

/// How to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TextSettings {
    /// Columns of the terminal; 72 to 120 are used.
    pub width: usize,
    /// Whether the verdict words get ANSI colours. They never carry anything that the words do not.
    pub colour: bool,
}

impl Default for TextSettings {
    fn default() -> Self {
        Self { width: 96, colour: false }
    }
}

/// Modules told in words before the table takes over.
const MOST_IN_WORDS: usize = 4;
/// Steady rows shown before they are summed up in one line.
const MOST_STEADY_ROWS: usize = 24;
/// Remarks about recordings shown before they are summed up.
const MOST_REMARKS: usize = 12;

/// The whole report for a list of clips. Ends with a line break.
///
/// # Arguments
/// - `clips`: in any order; the report sorts them worst first. One to many hundreds.
///
/// # Returns
/// Plain text, no line wider than the settings say except for file names and long words.
#[must_use]
pub fn verdicts(clips: &[ClipVerdict], settings: TextSettings) -> String {
    let page = Page { width: settings.width.clamp(72, 120), colour: settings.colour };
    if clips.is_empty() {
        return "No clips were judged: nothing was given with --now.\n".into();
    }
    let order = words::worst_first(clips);
    let mut out = String::new();
    page.in_words(&mut out, clips, &order);
    page.provisional(&mut out, clips, &order);
    out.push('\n');
    page.table(&mut out, clips, &order);
    page.remarks(&mut out, clips, &order);
    out.push('\n');
    page.put(&mut out, "Caution: ", words::CAUTION_LINE);
    out
}

#[derive(Clone, Copy)]
struct Page {
    width: usize,
    colour: bool,
}

impl Page {
    /// A paragraph after `lead`; further lines are indented as wide as it, or by 4 where it is empty.
    fn put(self, out: &mut String, lead: &str, text: &str) {
        let indent = if lead.is_empty() { 4 } else { lead.chars().count() };
        for (i, line) in wrap(&text.replace('\u{a0}', " "), self.width - indent).iter().enumerate() {
            if i == 0 {
                out.push_str(lead);
            } else {
                out.extend(std::iter::repeat_n(' ', indent));
            }
            out.push_str(line);
            out.push('\n');
        }
    }

    fn paint(self, state: State, text: &str) -> String {
        if !self.colour {
            return text.to_owned();
        }
        // Bold red, yellow, cyan, green: the reader's terminal picks the shades.
        let code = match state {
            State::Departed => "1;31",
            State::Drifting => "1;33",
            State::Unjudged => "1;36",
            State::Steady => "32",
        };
        format!("\u{1b}[{code}m{text}\u{1b}[0m")
    }

    fn in_words(self, out: &mut String, clips: &[ClipVerdict], order: &[usize]) {
        // One paragraph a module: its worst clip speaks for it.
        let mut told: Vec<String> = Vec::new();
        let mut more = 0_usize;
        for v in order.iter().map(|i| &clips[*i]).filter(|v| v.verdict != State::Steady) {
            let who = words::who(v);
            if told.contains(&who) {
                continue;
            }
            if told.len() == MOST_IN_WORDS {
                more += 1;
                continue;
            }
            self.one_in_words(out, v, &who);
            told.push(who);
        }
        if more > 0 {
            let _ = writeln!(out, "{more} more clips of other modules are not steady; see the table.");
        }
        let steady = clips.iter().filter(|v| v.verdict == State::Steady).count();
        let line = match (told.is_empty(), steady) {
            (_, 0) => return,
            (true, 1) => format!("{} sounds like its good runs.", words::who(&clips[order[0]])),
            (true, n) => format!("All {n} clips sound like their good runs."),
            (false, 1) => "The other clip sounds like its good runs.".into(),
            (false, n) => format!("{n} clips sound like their good runs."),
        };
        let _ = writeln!(out, "{line}");
    }

    /// What verdicts from few rounds are worth, once for all of them.
    fn provisional(self, out: &mut String, clips: &[ClipVerdict], order: &[usize]) {
        let mut told: Vec<&str> = Vec::new();
        for finding in order.iter().flat_map(|i| &clips[*i].quality).filter(|f| f.code == Code::Provisional) {
            if !told.contains(&finding.text.as_str()) {
                self.put(out, "Provisional: ", &format!("{}.", finding.text));
                told.push(&finding.text);
            }
        }
    }

    fn one_in_words(self, out: &mut String, v: &ClipVerdict, who: &str) {
        let name = words::state(v.verdict).to_uppercase();
        let said = match v.verdict {
            State::Unjudged => v.reason.clone().unwrap_or_else(|| "no reason was given".into()),
            _ => words::change(v),
        };
        let mut text = String::new();
        self.put(&mut text, "", &format!("{who} {name}: {said}"));
        // Painted after wrapping, so that the codes do not count as columns.
        out.push_str(&text.replacen(&name, &self.paint(v.verdict, &name), 1));
        if v.verdict == State::Unjudged {
            return;
        }
        if let Some(far) = words::how_far(v) {
            self.put(out, "    ", &format!("{far}."));
        }
        let (meaning, next) = words::reading_parts(v);
        if !meaning.is_empty() {
            self.put(out, "    ", meaning);
        }
        if let Some(next) = next {
            self.put(out, "    Next: ", &words::capital(next));
        }
    }

    fn table(self, out: &mut String, clips: &[ClipVerdict], order: &[usize]) {
        let wide = self.width >= 92;
        let mut columns = vec![
            Column::new("module", false, |v| v.module.map_or("-".into(), |m| m.to_string())),
            Column::new("verdict", true, |v| format!("{} {}", mark(v.verdict), words::state(v.verdict))),
            Column::new("x limit", false, |v| number(v.departure, 2)),
            Column::new("dB", false, |v| v.excess_db.map_or("-".into(), |d| format!("{d:+.1}"))),
            Column::new("kHz", false, |v| {
                v.band_hz.map_or("-".into(), |b| format!("{}-{}", words::kilo(b[0]), words::kilo(b[1])))
            }),
            Column::new("half", true, |v| dash_unknown(&words::half_known(v), v)),
            Column::new("pattern", true, |v| dash_unknown(words::pattern(v.pattern), v)),
        ];
        if wide {
            columns.push(Column::new("SPM", false, |v| number(v.spm, 1)));
            columns.push(Column::new("lock", false, |v| number(v.lock, 2)));
        }
        let steady = clips.iter().filter(|v| v.verdict == State::Steady).count();
        let shown: Vec<&ClipVerdict> = order
            .iter()
            .map(|i| &clips[*i])
            .filter(|v| v.verdict != State::Steady || steady <= MOST_STEADY_ROWS)
            .collect();
        let cells: Vec<Vec<String>> = shown.iter().map(|v| columns.iter().map(|c| (c.get)(v)).collect()).collect();
        for (i, column) in columns.iter_mut().enumerate() {
            column.width = cells.iter().map(|r| r[i].chars().count()).max().unwrap_or(0).max(column.name.len());
        }
        let used: usize = columns.iter().map(|c| c.width + 2).sum();
        let file_width = self.width.saturating_sub(used).max(8);

        let mut head = String::new();
        for column in &columns {
            head += &column.pad(column.name);
        }
        let _ = writeln!(out, "{head}file");
        for (row, v) in cells.iter().zip(&shown) {
            let mut line = String::new();
            for (column, cell) in columns.iter().zip(row) {
                let padded = column.pad(cell);
                line += &if column.name == "verdict" { self.paint(v.verdict, &padded) } else { padded };
            }
            line += &tail(&v.file, file_width);
            let _ = writeln!(out, "{}", line.trim_end());
        }
        if steady > MOST_STEADY_ROWS {
            let worst = clips.iter().filter(|v| v.verdict == State::Steady).filter_map(|v| v.departure);
            let worst = worst.fold(f64::NEG_INFINITY, f64::max);
            let at_most = if worst.is_finite() { format!(" (at most {worst:.2} of the limit)") } else { String::new() };
            let _ = writeln!(out, "and {steady} steady clips{at_most}; --json lists them all.");
        }
        self.put(out, "x limit: ", "one healthy clip in a hundred passes 1.00; above 2 is departed.");
    }

    fn remarks<'a>(self, out: &mut String, clips: &'a [ClipVerdict], order: &[usize]) {
        // That verdicts are provisional was told above, once.
        let findings =
            |v: &'a ClipVerdict| v.quality.iter().filter(|f| f.code != Code::Provisional).map(move |f| (v, f));
        let all: Vec<(&ClipVerdict, &crate::clip::Finding)> = order.iter().flat_map(|i| findings(&clips[*i])).collect();
        if all.is_empty() {
            return;
        }
        out.push_str("\nAbout the recordings:\n");
        for (v, finding) in all.iter().take(MOST_REMARKS) {
            let effect = if finding.effect == Effect::Refuse { "refused, " } else { "" };
            self.put(
                out,
                "  ",
                &format!("{} ({effect}{}): {}", tail(&v.file, 40), finding.code.as_str(), finding.text),
            );
        }
        if all.len() > MOST_REMARKS {
            let _ = writeln!(out, "  and {} more; --json lists them all.", all.len() - MOST_REMARKS);
        }
    }
}

struct Column {
    name: &'static str,
    left: bool,
    get: fn(&ClipVerdict) -> String,
    width: usize,
}

impl Column {
    fn new(name: &'static str, left: bool, get: fn(&ClipVerdict) -> String) -> Self {
        Self { name, left, get, width: 0 }
    }

    /// The cell in its width and the gap to the next column.
    fn pad(&self, cell: &str) -> String {
        let width = self.width;
        if self.left { format!("{cell:<width$}  ") } else { format!("{cell:>width$}  ") }
    }
}

/// A sign before the verdict for eyes that run down a column.
fn mark(state: State) -> &'static str {
    match state {
        State::Departed => "!!",
        State::Drifting => "! ",
        State::Unjudged => "? ",
        State::Steady => "  ",
    }
}

fn number(x: Option<f64>, digits: usize) -> String {
    x.filter(|x| x.is_finite()).map_or("-".into(), |x| format!("{x:.digits$}"))
}

/// A dash where half or pattern say nothing because nothing departed.
fn dash_unknown(word: &str, v: &ClipVerdict) -> String {
    if matches!(v.verdict, State::Steady | State::Unjudged) { "-".into() } else { word.to_owned() }
}

/// The last `width` characters of a path, with `...` where it was cut.
fn tail(file: &str, width: usize) -> String {
    let n = file.chars().count();
    if n <= width { file.to_owned() } else { format!("...{}", file.chars().skip(n + 3 - width).collect::<String>()) }
}

/// Breaks a text at spaces into lines of at most `width` characters; a longer word stands alone.
#[must_use]
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut len = 0;
    for word in text.split_whitespace() {
        let n = word.chars().count();
        if len > 0 && len + 1 + n > width {
            lines.push(std::mem::take(&mut line));
            len = 0;
        }
        if len > 0 {
            line.push(' ');
            len += 1;
        }
        line.push_str(word);
        len += n;
    }
    if len > 0 {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::Finding;
    use crate::score::made_up;

    fn plain(width: usize) -> TextSettings {
        TextSettings { width, colour: false }
    }

    fn a_round() -> Vec<ClipVerdict> {
        let mut departed = made_up::departed(2);
        departed.quality.push(Finding::warn(Code::TooShort, "22 strokes; 30 or more make the verdict firmer."));
        vec![made_up::steady(1), departed, made_up::unjudged(3), made_up::drifting(4)]
    }

    #[test]
    fn a_round_with_every_verdict() {
        insta::assert_snapshot!(verdicts(&a_round(), plain(96)));
    }

    #[test]
    fn one_steady_clip_at_72_columns() {
        insta::assert_snapshot!(verdicts(&[made_up::steady(1)], plain(72)));
    }

    #[test]
    fn no_line_is_wider_than_asked() {
        for width in [72, 80, 96, 100, 120] {
            for line in verdicts(&a_round(), plain(width)).lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
        }
    }

    #[test]
    fn colours_add_nothing_but_codes() {
        let plain_text = verdicts(&a_round(), plain(96));
        let coloured = verdicts(&a_round(), TextSettings { width: 96, colour: true });
        assert!(!plain_text.contains('\u{1b}') && coloured.contains('\u{1b}'));
        let mut stripped = String::new();
        let mut rest = coloured.as_str();
        while let Some(at) = rest.find('\u{1b}') {
            stripped.push_str(&rest[..at]);
            rest = &rest[at + rest[at..].find('m').unwrap() + 1..];
        }
        stripped.push_str(rest);
        let trimmed = |s: &str| s.lines().map(str::trim_end).collect::<Vec<_>>().join("\n");
        assert_eq!(trimmed(&stripped), trimmed(&plain_text));
    }

    #[test]
    fn the_worst_comes_first_and_the_reason_of_an_unjudged_clip_is_told() {
        let text = verdicts(&a_round(), plain(96));
        assert!(text.starts_with("Module 2 DEPARTED: hiss in the suction half, 6.1 dB louder"), "{text}");
        assert!(text.contains("Module 3 UNJUDGED: only 6 strokes"), "{text}");
        assert!(text.contains("too-short"), "{text}");
    }

    #[test]
    fn that_verdicts_are_provisional_is_told_once() {
        let clips: Vec<ClipVerdict> = (1..=3)
            .map(|m| {
                let mut v = made_up::steady(m);
                v.quality.push(Finding::warn(Code::Provisional, "the good clips are all of one round"));
                v
            })
            .collect();
        let text = verdicts(&clips, plain(96));
        assert_eq!(text.matches("all of one round").count(), 1, "{text}");
        assert!(text.contains("Provisional: the good clips"), "{text}");
    }

    #[test]
    fn five_hundred_clips_fit_on_a_page() {
        let mut clips: Vec<ClipVerdict> = (0..500).map(|k| made_up::steady(k % 3 + 1)).collect();
        clips[321] = made_up::departed(2);
        let text = verdicts(&clips, plain(96));
        assert!(text.lines().count() < 30, "{text}");
        assert!(text.contains("499 steady clips"), "{text}");
    }

    #[test]
    fn no_clips_is_said_not_shown_as_an_empty_table() {
        assert!(verdicts(&[], plain(80)).contains("No clips"));
    }
}
