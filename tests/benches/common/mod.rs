//! What both benchmarks measure: clips of the sample room, and the floor that their times are set against.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use seatsong::inside::clip::Clip;
use seatsong::inside::dsp::frames::FramePlan;
use seatsong::inside::sample::{Condition, Recorded, Room, RoomSettings};

/// Seed of the room.
const ROOM: u64 = 77;

/// The 30 s clip of module 2 on walk `walk` under a condition.
pub(crate) fn recorded(condition: Condition, walk: u64) -> Recorded {
    let room = Room::new(ROOM, &RoomSettings::drawn(ROOM)).expect("a drawn room can be made");
    room.record(&condition.round(walk, &room).clip(2)).expect("a drawn clip can be made")
}

/// The same as a clip in memory.
pub(crate) fn clip(condition: Condition) -> Clip {
    let made = recorded(condition, 1);
    Clip::in_memory(made.samples, made.sample_rate_hz, None)
}

/// The bare real FFTs of a clip's frames: each frame is copied to where the FFT wants it, and nothing else is done.
pub(crate) struct Floor {
    fft: Arc<dyn RealToComplex<f32>>,
    starts: Vec<usize>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Floor {
    /// Plans the frames of a clip.
    pub(crate) fn new(plan: &FramePlan, n_samples: usize) -> Self {
        // At 48 kHz a frame is as long as its FFT.
        let fft = RealFftPlanner::new().plan_fft_forward(plan.frame_len());
        Self {
            starts: (0..plan.n_frames(n_samples)).map(|f| plan.frame_start(f)).collect(),
            input: fft.make_input_vec(),
            spectrum: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
        }
    }

    /// All frames; returns a value of the last spectrum, so that nothing is optimised away.
    pub(crate) fn run(&mut self, samples: &[f32], frame_len: usize) -> f32 {
        for &start in &self.starts {
            self.input[..frame_len].copy_from_slice(&samples[start..start + frame_len]);
            self.fft
                .process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.scratch)
                .expect("buffers come from this very plan");
            std::hint::black_box(&mut self.spectrum);
        }
        self.spectrum[1].re
    }
}
