//! From a sound clip at a mud pump's fluid-end module to a verdict against that module's own good runs.
//!
//! A sound flows through the folders of `src/` in this order, and each uses only those above it; a test holds it:
//!
//! | folder | does |
//! | --- | --- |
//! | [`units`] | quantities, decibels, angles; the one reader of numbers |
//! | [`robust`] | medians and spreads that a few wild values do not move, distribution tails |
//! | [`spectrum`] | windows, densities, weightings |
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

pub mod baseline;
pub mod book;
pub mod capture;
pub mod cli;
pub mod clip;
pub mod dsp;
pub mod handover;
pub mod map;
pub mod page;
pub mod pump;
pub mod report;
pub mod robust;
pub mod sample;
pub mod score;
pub mod spectrum;
pub mod stroke;
pub mod tour;
pub mod units;
pub mod watch;
