//! The server of the listening page: the job done by its addresses, and everything that must not be possible.
#![expect(clippy::unwrap_used, reason = "helpers of tests")]

mod binary;
mod forge;
mod helper;
mod hours;
mod pairing;
mod photos;
mod rough;
mod round;
mod tour;
mod uploads;
