//! `seatsong record` from outside: into the book and into files, through ALSA, and with the plug pulled.

#![expect(clippy::unwrap_used, reason = "helpers of tests")]

#[cfg(all(target_os = "linux", feature = "capture"))]
mod alsa;
mod growing;
#[path = "../book/helper.rs"]
#[allow(dead_code, unused_imports, reason = "shared with the tests of the book")]
mod helper;
mod kill;
mod record;
