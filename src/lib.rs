//! From a sound clip at a mud pump's fluid-end module to a verdict against that module's own good runs.
//!
//! A sound flows through the modules in this order, and each uses only those before it:
//!
//! | module | does |
//! | --- | --- |
//! | [`clip`] | read any recording into samples with units, calibrate, judge quality |
//! | [`stroke`] | stroke rate, phase along the clip, marks |
//! | [`map`] | short-time spectra, bands, stroke map |
//! | [`capture`] | live sound: devices (feature `capture`), recording with a meter, taps, listening |
//! | [`baseline`] | known-good maps to a model with its nuisance directions and spread |
//! | [`pump`] | pump data and arithmetic |
//! | [`score`] | departure, place, pattern, reading, which module |
//! | [`book`] | the folder that keeps it all: pumps, rounds, clips, baselines, verdicts |
//! | [`sample`] | the made-up pump room that makes demo and trial clips |
//! | [`report`] | pictures and the note |
//! | [`tour`] | the check sheet, what is due, readings, parts, work |
//! | [`watch`] | fixed sensors for days |
//! | [`handover`] | the note of a tour: gathered from the book, HTML, PDF, text, signed |
//! | [`page`] | the web page for phones |
//! | [`cli`] | one file a command |
//!
//! Small shared ground: [`units`], [`robust`], [`spectrum`], [`dsp`].

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
