//! How much of everything one client, and all together, may take.

use std::time::Duration;

/// Limits of the server; [`Limits::default`] is what the command uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Bytes of a request that is no piece of a recording.
    pub json_bytes: usize,
    /// Bytes of a piece of a recording.
    pub piece_bytes: usize,
    /// Bytes of a recording: ten minutes at 48 kHz in two channels of 24 bits are 173 million.
    pub clip_bytes: i64,
    /// Bytes of a photo: the page makes them far smaller where the browser can read them.
    pub photo_bytes: usize,
    /// Recordings on their way in at once.
    pub uploads: i64,
    /// Bytes that these will have.
    pub upload_bytes: i64,
    /// Pieces being received at once; more wait.
    pub pieces_at_once: usize,
    /// Connections at once.
    pub connections: usize,
    /// Phones that listen for events at once.
    pub listeners: usize,
    /// Time for the head of a request.
    pub head_time: Duration,
    /// Longest pause within the body of a request.
    pub body_pause: Duration,
    /// Time for the whole body of a request: a piece at 16 kB/s.
    pub body_time: Duration,
    /// Wrong pairing codes from one address within [`Limits::pair_window`].
    pub wrong_codes: usize,
    /// Wrong pairing codes from all addresses together.
    pub wrong_codes_in_all: usize,
    /// Time over which wrong codes are counted.
    pub pair_window: Duration,
    /// How long a pairing code lives.
    pub code_life: Duration,
    /// How long a paired phone stays paired: a hitch on and a hitch off.
    pub session_life: Duration,
    /// How long a request for a verdict waits before it is told how far the work is.
    pub verdict_wait: Duration,
}

const MINUTE: u64 = 60;
const DAY: u64 = 24 * 60 * MINUTE;

impl Default for Limits {
    fn default() -> Self {
        Self {
            json_bytes: 64 << 10,
            piece_bytes: 1 << 20,
            clip_bytes: 256 << 20,
            photo_bytes: 8 << 20,
            uploads: 512,
            upload_bytes: 4 << 30,
            pieces_at_once: 24,
            connections: 512,
            listeners: 64,
            head_time: Duration::from_secs(10),
            body_pause: Duration::from_secs(10),
            body_time: Duration::from_secs(66),
            wrong_codes: 5,
            wrong_codes_in_all: 30,
            pair_window: Duration::from_secs(15 * MINUTE),
            code_life: Duration::from_secs(15 * MINUTE),
            session_life: Duration::from_secs(56 * DAY),
            verdict_wait: Duration::from_millis(1500),
        }
    }
}
