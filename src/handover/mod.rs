//! The handover note: what the relief reads in a minute, as HTML for a phone and for paper, as PDF, and as plain text for a radio.
//!
//! [`Handover`] holds what is told, already in the site's units; `content` turns it into blocks once, and [`html()`], [`pdf()`] and [`text()`]
//! only set them, so that all three say the same. Paper has room for two pages a pump: `paper` says what stands there and counts what
//! does not; the screen and the text have all of it. [`sign`] freezes a note by its fingerprint and shows later amendments.

mod block;
mod content;
mod gather;
mod html;
mod paper;
mod pdf;
mod setter;
pub mod sign;
mod text;

pub use content::{content, first_steps};
pub use gather::{add_sounds, gather};
pub use html::html;
pub use pdf::pdf;
pub use text::text;

use crate::score::ClipVerdict;
use crate::tour::cross::Remark;

/// All that one tour hands to the next.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Handover {
    /// Name of the rig.
    pub rig: String,
    /// The tour: `4 May 2031, 06:00 to 18:00`.
    pub tour: String,
    /// When the note was made.
    pub made: String,
    /// Remarks for the whole note.
    pub remarks: Vec<String>,
    /// The pumps in walking order.
    pub pumps: Vec<PumpPart>,
    /// Concerns that nobody has closed, oldest first.
    pub concerns: Vec<Concern>,
    /// Who handed over and who took over.
    pub sign_off: SignOff,
}

/// One pump of the note.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PumpPart {
    /// `Pump 1`.
    pub name: String,
    /// How it runs: `Running, 72 SPM, 212 bar, 6 in liners`.
    pub running: String,
    /// Its modules; the note ranks them.
    pub modules: Vec<ModulePart>,
    /// How its modules go over the rounds, those that are not steady, worst first.
    pub drifts: Vec<Drift>,
    /// Readings over time.
    pub trends: Vec<Trend>,
    /// Readings in the order of the sheet.
    pub readings: Vec<Reading>,
    /// What the readings say together.
    pub remarks: Vec<Remark>,
    /// The check sheet.
    pub checks: Checks,
    /// Parts changed, and parts that last too short: a sentence each.
    pub parts: Vec<String>,
    /// Work on this pump.
    pub work: Vec<Work>,
    /// Photos of this tour.
    pub photos: Vec<Photo>,
}

/// One module of the note.
#[derive(Debug, Clone, PartialEq)]
pub struct ModulePart {
    /// Its last verdict.
    pub verdict: ClipVerdict,
    /// When that clip was taken: `15:20`.
    pub taken: String,
    /// Since when it is not steady: `4 May, 14:10`.
    pub since: Option<String>,
    /// The bytes of a PNG: spectrogram or stroke maps of what changed.
    pub picture: Option<Vec<u8>>,
    /// A short WAV in which the change can be heard.
    pub sound: Option<Vec<u8>>,
    /// The command that plays it, where there is a change to be heard.
    pub hear: Option<String>,
}

/// How a module goes over the rounds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Drift {
    /// The sentence of the trend.
    pub sentence: String,
    /// The bytes of a PNG of it.
    pub picture: Option<Vec<u8>>,
}

/// A photo of the tour.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Photo {
    /// Of what, when and by whom: `module 2 discharge seat, washed (cut at 4 o'clock), 09:40`.
    pub what: String,
    /// Where the whole photo lies within the book; empty for one that does not.
    pub file: String,
    /// The bytes of a small JPEG; `None` where it can't be shown.
    pub jpeg: Option<Vec<u8>>,
}

/// A figure over time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trend {
    /// `Discharge pressure at 72 SPM`.
    pub name: String,
    /// Hours (any origin, ascending) and values.
    pub points: Vec<[f64; 2]>,
    /// Limit that somebody has entered, in the unit of the values.
    pub limit: Option<f64>,
    /// First and last value as text: `212 bar`, `205 bar`.
    pub ends: [String; 2],
    /// First and last time as text.
    pub times: [String; 2],
}

/// One reading of the note.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Reading {
    /// `Oil pressure before the filter`.
    pub name: String,
    /// `3.2 bar, 15:10`; `None` when it was not read in this tour.
    pub now: Option<String>,
    /// The one before it.
    pub before: Option<String>,
    /// `not above 6 bar (plate)`, or `no limit entered`.
    pub limit: String,
    /// Whether it lies outside its limits; `None` when none is entered.
    pub outside: Option<bool>,
}

/// The check sheet of one pump in this tour.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Checks {
    /// How many were made.
    pub done: u32,
    /// How many were missed, each module's its own.
    pub n_missed: u32,
    /// What was missed, in words, with how often; the modules of one check in one line.
    pub missed: Vec<String>,
    /// Rarer checks of which there is no entry at all yet.
    pub never: Vec<String>,
    /// What was left out, and why.
    pub skipped: Vec<(String, String)>,
    /// What wanted attention, in the words of whoever saw it.
    pub attention: Vec<String>,
}

/// One job of the note.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Work {
    /// `Module 2, discharge seat`.
    pub name: String,
    /// `open`, `closed`.
    pub stage: String,
    /// Its entries, a line each.
    pub lines: Vec<String>,
    /// What the site still has to confirm.
    pub unconfirmed: Vec<String>,
}

/// A concern that stays in every note until somebody closes it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Concern {
    /// Number by which it is closed.
    pub number: u32,
    /// The pump, if it belongs to one.
    pub pump: Option<String>,
    /// What it is.
    pub text: String,
    /// Since when: `2 May`.
    pub since: String,
}

/// Signatures by position.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SignOff {
    /// Who hands over: `derrickman, 4 May 2031, 18:02`.
    pub giver: Option<String>,
    /// Who takes over.
    pub receiver: Option<String>,
}

#[cfg(test)]
mod access_tests;
#[cfg(test)]
#[path = "handover_tests.rs"]
mod tests;
