//! The book as a person uses it, and under what a rig does to a computer: pulled plugs, full disks, two programs at once, ten years.
#![expect(clippy::unwrap_used, reason = "helpers of tests")]

mod carry;
mod flow;
mod full;
mod helper;
mod import;
mod kill;
mod odd;
mod outside;
mod plan;
mod refuse;
mod taps;
mod ten_years;
mod writers;
