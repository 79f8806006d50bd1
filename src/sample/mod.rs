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
pub use room::{Recorded, Room, RoomSettings};
pub use scenario::{DEMO, MadeClip, Pump, Role, Scenario};
pub use spec::{ClipSpec, Fault};
pub use voice::ValveEvent;
pub use wav::write_wav;

#[cfg(test)]
mod tests;
