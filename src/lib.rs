//! From a sound clip at a mud pump's fluid-end module to a verdict against that module's own good runs.
//!
//! A sound flows through the folders of `src/` in this order, and each uses only those above it; a test holds it:
//!
//! | folder | does |
//! | --- | --- |
//! | [`units`] | quantities, decibels, angles; the one reader of numbers |
//! | [`robust`] | medians and spreads that a few wild values do not move, distribution tails |
//! | [`dsp`] | frequency bands, short-time levels, the window, filters, small linear algebra |
//! | [`pump`] | pump data and arithmetic, the firing order: numbers alone, so that scoring can use it |
//! | [`sample`] | the made-up pump room: knows nothing of how clips are judged, so that the tests of every stage can use it |
//! | [`clip`] | read any recording into samples with units, calibrate, judge quality; a recording while it grows |
//! | [`stroke`] | stroke rate, phase along the clip, marks |
//! | [`map`] | band levels over crank angle |
//! | [`baseline`] | known-good maps to a model with its nuisance directions and spread |
//! | [`score`] | departure, limit, place, pattern, reading, which module; trend |
//! | [`tour`] | the check sheet, what is due, readings, parts, work, as functions over values |
//! | [`report`] | pictures, sounds and words of a verdict |
//! | [`book`] | the folder that keeps it all: pumps, rounds, clips, baselines, verdicts, entries of the tour |
//! | [`capture`] | live sound: devices (feature `capture`), recording with a meter, taps, listening |
//! | [`watch`] | fixed sensors, watched for days |
//! | [`handover`] | the note of a tour: gathered from the book, as HTML, PDF and text, signed |
//! | [`page`] | the web page for phones |
//! | [`cli`] | one file a command |

#![allow(rustdoc::private_intra_doc_links, reason = "the documentation is built with what is private")]

mod baseline;
mod book;
mod capture;
mod cli;
mod clip;
mod dsp;
mod handover;
mod map;
mod page;
mod pump;
mod report;
mod robust;
mod sample;
mod score;
mod stroke;
mod tour;
mod units;
mod watch;

#[cfg(not(product))]
#[doc(hidden)]
pub mod inside;

pub use cli::{is_broken_pipe, run};
#[cfg(not(product))]
pub use clip::{Clip, ClipError, ReadSettings, read};
#[cfg(not(product))]
pub use map::{AnalyseSettings, Analysis, analyse};
#[cfg(not(product))]
pub use score::{Angle, ClipVerdict, Half, Item, JudgeError, JudgeSettings, Outcome, Pattern, State, judge_all};
