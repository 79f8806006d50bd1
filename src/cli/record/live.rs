//! What is seen while recording: one line that is written over, or plain lines on a terminal that can't, or nothing.

use std::io::Write;
use std::time::{Duration, Instant};

use crate::capture::recorder::Live;
use crate::stroke::KNOWN_DEG;

/// Time between two lines on a terminal that can't write over one.
const PLAIN_EVERY: Duration = Duration::from_secs(5);
/// Columns of a terminal that does not say.
const USUAL_WIDTH: usize = 80;
/// Marks of the level bar: one is 3 dB, the full bar is 0 dB.
const BAR: usize = 16;
/// dB a mark.
const BAR_STEP_DB: f64 = 3.0;

/// How the figures are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Style {
    /// Not at all: nobody watches, or the output is for a program.
    Silent,
    /// One line, written over.
    Rewrite,
    /// A new line now and then.
    Plain,
}

/// Shows the figures.
#[derive(Debug)]
pub(super) struct View<'a> {
    pub(super) style: Style,
    /// Names of the tracks.
    pub(super) names: &'a [String],
    /// Strokes after which it stops.
    pub(super) wanted: Option<u32>,
    last: Option<Instant>,
    width: usize,
}

impl Style {
    /// What this terminal can do.
    pub(super) fn of(watched: bool, json: bool) -> Self {
        match std::env::var("TERM") {
            _ if json || !watched => Self::Silent,
            Ok(term) if term != "dumb" && !term.is_empty() => Self::Rewrite,
            _ if cfg!(windows) => Self::Rewrite,
            _ => Self::Plain,
        }
    }
}

impl<'a> View<'a> {
    pub(super) fn new(style: Style, names: &'a [String], wanted: Option<u32>) -> Self {
        // A terminal that does not know its width says 0.
        let width = crossterm::terminal::size().map_or(0, |(w, _)| usize::from(w));
        let width = if width == 0 { USUAL_WIDTH } else { width.max(2) };
        Self { style, names, wanted, last: None, width }
    }

    /// Shows the figures, where it is time.
    pub(super) fn show(&mut self, live: &Live, err: &mut dyn Write) -> std::io::Result<()> {
        match self.style {
            Style::Silent => return Ok(()),
            Style::Rewrite => {
                let line: String = line(live, self.names, self.wanted).chars().take(self.width - 1).collect();
                // Return, the line, and nothing of an older, longer one behind it.
                write!(err, "\r{line}\x1b[K")?;
            }
            Style::Plain => {
                if self.last.is_some_and(|l| l.elapsed() < PLAIN_EVERY) {
                    return Ok(());
                }
                self.last = Some(Instant::now());
                // A raw terminal does not return by itself.
                write!(err, "{}\r\n", line(live, self.names, self.wanted))?;
            }
        }
        err.flush()
    }

    /// Leaves the line.
    pub(super) fn end(&self, err: &mut dyn Write) -> std::io::Result<()> {
        if self.style == Style::Rewrite { writeln!(err) } else { Ok(()) }
    }
}

fn clock(seconds: f64) -> String {
    let s = seconds.ceil().max(0.0);
    format!("{:.0}:{:02.0}", (s / 60.0).floor(), s % 60.0)
}

/// `[######....|...]`: the level, and the held peak as a stroke.
fn bar(level_db: f64, peak_db: f64) -> String {
    let reached = |mark: usize, db: f64| db > BAR_STEP_DB * (mark as f64 - BAR as f64);
    let marks: String = (0..BAR)
        .map(|m| match () {
            () if reached(m, peak_db) && !reached(m + 1, peak_db) => '|',
            () if reached(m, level_db) => '#',
            () => '.',
        })
        .collect();
    format!("[{marks}]")
}

/// Everything in one line, what matters most first: a narrow screen cuts the rest off.
fn line(live: &Live, names: &[String], wanted: Option<u32>) -> String {
    let mut parts = Vec::new();
    let loud: Vec<&str> =
        live.tracks.iter().zip(names).filter(|(t, _)| t.clipping).map(|(_, name)| name.as_str()).collect();
    if !loud.is_empty() {
        let who = if live.tracks.len() > 1 { format!(" ({})", loud.join(" ")) } else { String::new() };
        parts.push(format!("TOO LOUD{who}: turn the gain down"));
    }
    if live.gaps > 0 {
        parts.push(format!("SOUND LOST {}x", live.gaps));
    }
    if live.taps > 0 {
        let angle = match live.tap_angle {
            Some(a) if a.known() => format!("+-{:.0} deg: enough", a.within_deg),
            Some(a) => format!("+-{:.0} deg, {KNOWN_DEG:.0} wanted: keep tapping", a.within_deg),
            None => "keep tapping".into(),
        };
        parts.push(format!("{} tap{}, {angle}", live.taps, if live.taps == 1 { "" } else { "s" }));
    }
    let left = clock(live.left_s);
    parts.push(match wanted {
        Some(n) => format!("{:.0} of {n} strokes, {left} left", live.strokes.floor()),
        None => format!("{:.0} strokes, {left} left", live.strokes.floor()),
    });
    if let [one] = live.tracks.as_slice() {
        parts.push(format!("{} {:.0} dB", bar(one.level_db, one.peak_db), one.level_db.max(-99.0)));
        parts.push(match one.spm {
            Some(spm) => format!("{spm:.1} SPM lock {:.2}", one.lock),
            None => "no stroke yet".into(),
        });
        parts.push(format!("above 2 kHz {:.0}", one.band_db.max(-99.0)));
        parts.extend(one.pulses.map(|n| format!("{n} pulses")));
    } else {
        let each = live.tracks.iter().zip(names).map(|(t, name)| {
            let spm = t.spm.map_or_else(|| "no stroke".into(), |s| format!("{s:.1} SPM"));
            format!("{name} {:.0} dB {spm}", t.level_db.max(-99.0))
        });
        parts.push(each.collect::<Vec<_>>().join(", "));
    }
    parts.push(format!("{:.1} s", live.length_s));
    parts.join("  ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{TrackLive, Trouble};
    use crate::stroke::TapAngle;

    fn track(spm: Option<f64>) -> TrackLive {
        TrackLive {
            level_db: -18.2,
            peak_db: -5.5,
            band_db: -31.0,
            clipping: false,
            clipped_blocks: 0,
            spm,
            lock: 0.93,
            strokes: 14.6,
            pulses: None,
        }
    }

    fn live(tracks: Vec<TrackLive>) -> Live {
        Live {
            length_s: 12.34,
            tracks,
            lost_frames: 0,
            gaps: 0,
            trouble: Trouble::default(),
            taps: 0,
            tap_angle: None,
            strokes: 14.6,
            left_s: 61.2,
        }
    }

    #[test]
    fn one_line_says_what_matters_and_what_is_wrong_comes_first() {
        let names = ["m2".to_owned(), "m3".to_owned()];
        assert_eq!(
            line(&live(vec![track(Some(72.1))]), &names[..1], Some(40)),
            "14 of 40 strokes, 1:02 left  [##########....|.] -18 dB  72.1 SPM lock 0.93  above 2 kHz -31  12.3 s"
        );
        let mut two = live(vec![track(Some(72.1)), TrackLive { clipping: true, ..track(None) }]);
        two.gaps = 2;
        assert_eq!(
            line(&two, &names, None),
            "TOO LOUD (m3): turn the gain down  SOUND LOST 2x  14 strokes, 1:02 left  m2 -18 dB 72.1 SPM, m3 -18 dB no stroke  12.3 s"
        );
        let mut tapped = live(vec![track(None)]);
        tapped.taps = 12;
        assert!(line(&tapped, &names, None).starts_with("12 taps, keep tapping  14"));
        tapped.tap_angle = Some(TapAngle { zero_turns: 0.1, within_deg: 11.2, scatter_deg: 20.0, used: 12 });
        assert!(line(&tapped, &names, None).starts_with("12 taps, +-11 deg, 8 wanted: keep tapping  14"));
        tapped.tap_angle = Some(TapAngle { zero_turns: 0.1, within_deg: 6.8, scatter_deg: 14.0, used: 20 });
        assert!(line(&tapped, &names, None).starts_with("12 taps, +-7 deg: enough  14"));
    }

    #[test]
    fn a_plain_view_writes_lines_and_a_silent_one_nothing() {
        let names = ["m1".to_owned()];
        let now = live(vec![track(Some(60.0))]);
        let mut out = Vec::new();
        let mut view = View::new(Style::Plain, &names, Some(40));
        view.show(&now, &mut out).unwrap();
        view.show(&now, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text.lines().count(), 1, "{text}");
        assert!(!text.contains('\x1b'), "{text}");
        let mut out = Vec::new();
        View::new(Style::Silent, &names, None).show(&now, &mut out).unwrap();
        assert!(out.is_empty());
        assert_eq!(Style::of(true, true), Style::Silent);
        assert_eq!(Style::of(false, false), Style::Silent);
    }
}
