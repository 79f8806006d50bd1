//! A made-up pump room: seeds and wishes in, clips that are hard to tell apart out.
//!
//! A [`Room`] holds what lasts (resonances of valves, cross-talk, reverberation, noise), a [`ClipSpec`] says what one
//! recording is like, [`Room::record`] makes it. The same seeds give the same samples on every machine. Nothing here
//! knows how clips are judged.

mod condition;
mod noise;
mod post;
mod room;
mod scenario;
mod sound;
mod spec;
mod track;
mod voice;
mod wav;

pub use condition::{Condition, RoundSpec};
pub use room::{NOMINAL_LEVEL_DB, Recorded, Room, RoomSettings};
pub use scenario::{ClipWish, DEMO, MadeClip, PlannedClip, Pump, Recording, Role, Round, Scenario};
pub use spec::{ClipSpec, Fault, Neighbour, SampleError};
pub use voice::ValveEvent;
pub use wav::write_wav;

#[cfg(test)]
mod tests;
