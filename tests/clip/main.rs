//! Reading recordings: every form, every fault, bad input.
#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the numbers are made to fit")]

mod bad_input;
mod formats;
mod fuzz_seeds;
mod helper;
mod long;
mod quality;
mod rooms;
mod tables;
