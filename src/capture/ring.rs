//! Between a device's own thread and the one that writes to the disk: a ring that never blocks and counts what does not fit.

use rtrb::{Consumer, Producer, RingBuffer};

/// Gaps that may wait in the ring; more of them at once are counted together.
const WAITING_GAPS: usize = 256;

/// A place in the stream at which frames are missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Gap {
    /// Frames put into the ring before it.
    at: u64,
    /// Frames missing there.
    lost: u64,
}

/// The device's end: copies, counts, returns.
#[derive(Debug)]
pub(super) struct Filler {
    samples: Producer<f32>,
    gaps: Producer<Gap>,
    channels: usize,
    put: u64,
    lost: u64,
}

/// The reader's end.
#[derive(Debug)]
pub(super) struct Drainer {
    samples: Consumer<f32>,
    gaps: Consumer<Gap>,
    channels: usize,
    taken: u64,
}

/// A ring for `frames` frames.
pub(super) fn ring(channels: u16, frames: usize) -> (Filler, Drainer) {
    let channels = usize::from(channels.max(1));
    let (put, take) = RingBuffer::new(frames.max(1) * channels);
    let (put_gap, take_gap) = RingBuffer::new(WAITING_GAPS);
    (
        Filler { samples: put, gaps: put_gap, channels, put: 0, lost: 0 },
        Drainer { samples: take, gaps: take_gap, channels, taken: 0 },
    )
}

impl Filler {
    /// Counts frames that never reached this program.
    pub(super) fn lose(&mut self, frames: u64) {
        self.lost += frames;
    }

    /// Puts interleaved frames in; what does not fit is counted as lost.
    pub(super) fn put(&mut self, n_samples: usize, samples: impl Iterator<Item = f32>) {
        let frames = n_samples / self.channels;
        // A gap is told before what follows it, else its place is lost.
        if self.lost > 0 && self.samples.slots() >= self.channels {
            let gap = Gap { at: self.put, lost: self.lost };
            if self.gaps.push(gap).is_err() {
                self.lost += frames as u64;
                return;
            }
            self.lost = 0;
        }
        let fit = frames.min(self.samples.slots() / self.channels);
        if let Ok(chunk) = self.samples.write_chunk_uninit(fit * self.channels) {
            let put = chunk.fill_from_iter(samples) / self.channels;
            self.put += put as u64;
            self.lost += (frames - put) as u64;
        } else {
            self.lost += frames as u64;
        }
    }
}

impl Drainer {
    /// Appends at most `most` frames, up to the next gap; frames, and frames missing just before them.
    pub(super) fn take(&mut self, into: &mut Vec<f32>, most: usize) -> (usize, u64) {
        // Samples first: a gap that is not seen yet lies behind all samples that are.
        let there = self.samples.slots() / self.channels;
        let mut lost = 0;
        let mut until = most.min(there);
        while let Ok(&gap) = self.gaps.peek() {
            let ahead = usize::try_from(gap.at - self.taken).unwrap_or(usize::MAX);
            if ahead > 0 {
                until = until.min(ahead);
                break;
            }
            if there == 0 {
                return (0, 0);
            }
            lost += gap.lost;
            if self.gaps.pop().is_err() {
                break;
            }
        }
        let Ok(chunk) = self.samples.read_chunk(until * self.channels) else { return (0, lost) };
        let (a, b) = chunk.as_slices();
        into.extend_from_slice(a);
        into.extend_from_slice(b);
        chunk.commit_all();
        self.taken += until as u64;
        (until, lost)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(filler: &mut Filler, from: u64, n: u64) {
        // Frame k holds k and -k, so that every sample tells its place.
        #[expect(clippy::cast_precision_loss, reason = "small numbers")]
        let samples = (from..from + n).flat_map(|k| [k as f32, -(k as f32)]);
        filler.put(2 * usize::try_from(n).unwrap(), samples);
    }

    #[test]
    fn what_does_not_fit_is_counted_at_its_place() {
        let (mut filler, mut drainer) = ring(2, 10);
        put(&mut filler, 0, 8);
        put(&mut filler, 8, 5); // two fit
        put(&mut filler, 13, 4); // none
        let mut got = Vec::new();
        assert_eq!(drainer.take(&mut got, 100), (10, 0));
        put(&mut filler, 17, 3);
        assert_eq!(drainer.take(&mut got, 100), (3, 7), "13 to 17 and three of the block before");
        assert_eq!(got[18..24], [9.0, -9.0, 17.0, -17.0, 18.0, -18.0]);
        filler.lose(480);
        put(&mut filler, 500, 1);
        assert_eq!(drainer.take(&mut got, 100), (1, 480));
        assert_eq!(drainer.take(&mut got, 100), (0, 0));
    }

    #[test]
    fn two_threads_lose_nothing_uncounted() {
        let (mut filler, mut drainer) = ring(2, 500);
        let total = 200_000_u64;
        let thread = std::thread::spawn(move || {
            let mut at = 0;
            while at < total {
                let n = (1 + at % 97).min(total - at);
                put(&mut filler, at, n);
                at += n;
                if at % 5 == 0 {
                    std::thread::sleep(std::time::Duration::from_micros(30));
                }
            }
            // Room for the last gap to be told: the reader empties the ring meanwhile.
            std::thread::sleep(std::time::Duration::from_millis(50));
            put(&mut filler, total, 1);
        });
        let (mut at, mut gaps) = (0_u64, 0);
        let mut block = Vec::new();
        while at <= total {
            block.clear();
            let (frames, lost) = drainer.take(&mut block, 64);
            at += lost;
            gaps += u64::from(lost > 0);
            for k in 0..frames {
                #[expect(clippy::cast_precision_loss, reason = "below 2^24: exact")]
                let want = at as f32;
                assert!((block[2 * k] - want).abs() < 0.5, "frame {at} is {}", block[2 * k]);
                at += 1;
            }
            if at.is_multiple_of(7) {
                std::thread::sleep(std::time::Duration::from_micros(200));
            }
        }
        thread.join().unwrap();
        assert!(gaps > 0, "the reader was never too slow, so nothing was shown");
    }
}
