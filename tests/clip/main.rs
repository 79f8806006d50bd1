//! Reading recordings: every form, every fault, bad input.
#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod bad_input;
mod formats;
mod fuzz_seeds;
mod helper;
mod long;
mod quality;
mod tables;
