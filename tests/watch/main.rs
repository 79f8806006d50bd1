//! The watch: healthy hours, a leak that begins, lost devices, full disks, pulled plugs.
#![expect(clippy::unwrap_used, reason = "helpers of tests")]

mod alarms;
mod child;
mod ears;
mod helper;
mod losses;
mod room;

#[expect(dead_code, reason = "shared with other test programs")]
#[path = "../common/ran.rs"]
mod ran;

#[path = "../common/copy.rs"]
mod copy;
#[path = "../common/server.rs"]
mod server;
