//! Mends the sizes in the head of a cut-off AIFF file, which its decoder would refuse.

use std::io::{self, Read, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

use super::source::read_full;

/// A source some bytes of which are replaced.
struct Mended {
    inner: Box<dyn MediaSource>,
    at: u64,
    /// Where, and what stands there instead.
    patches: Vec<(u64, [u8; 4])>,
}

impl Read for Mended {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buf)?;
        for (start, bytes) in &self.patches {
            for (at, &byte) in (*start..).zip(bytes) {
                let place = at.checked_sub(self.at).and_then(|p| usize::try_from(p).ok());
                if let Some(slot) = place.and_then(|p| buf[..n].get_mut(p)) {
                    *slot = byte;
                }
            }
        }
        self.at += n as u64;
        Ok(n)
    }
}

impl Seek for Mended {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = self.inner.seek(to)?;
        Ok(self.at)
    }
}

impl MediaSource for Mended {
    fn is_seekable(&self) -> bool {
        self.inner.is_seekable()
    }

    fn byte_len(&self) -> Option<u64> {
        self.inner.byte_len()
    }
}

/// Mends the sizes of an AIFF file whose sound data end early, or whose sizes were never filled in.
///
/// Returns the source, at its start, and whether it had to be mended. Other damage is left for the decoder to tell.
pub(super) fn aiff(mut input: Box<dyn MediaSource>) -> io::Result<(Box<dyn MediaSource>, bool)> {
    let n_bytes = input.byte_len().unwrap_or(0);
    let mut head = vec![0; 1 << 16];
    input.seek(SeekFrom::Start(0))?;
    let n_head = read_full(&mut *input, &mut head)?;
    input.seek(SeekFrom::Start(0))?;
    let word = |at: usize| head[..n_head].get(at..at + 4).and_then(|b| b.try_into().ok()).map(u32::from_be_bytes);
    let mut at = 12;
    let mut frame_bytes = 1;
    while let (Some(id), Some(len)) = (head[..n_head].get(at..at + 4), word(at + 4)) {
        if id == b"COMM" {
            // Channels, then frames in 4 bytes, then bits.
            let channels = word(at + 8).map_or(1, |w| w >> 16);
            let bits = word(at + 12).map_or(8, |w| w & 0xffff);
            frame_bytes = (u64::from(channels) * u64::from(bits.div_ceil(8))).max(1);
        }
        if id == b"SSND" {
            let there = n_bytes.saturating_sub(at as u64 + 8);
            if u64::from(len) <= there && len > 8 || there <= 8 {
                return Ok((input, false));
            }
            // 8 bytes of offset and block size stand before the samples.
            let usable = 8 + (there - 8) / frame_bytes * frame_bytes;
            let (Ok(ssnd), Ok(form)) = (u32::try_from(usable), u32::try_from(at as u64 + usable)) else {
                return Ok((input, false));
            };
            let patches = vec![(4, form.to_be_bytes()), (at as u64 + 4, ssnd.to_be_bytes())];
            return Ok((Box::new(Mended { inner: input, at: 0, patches }), true));
        }
        let step = 8 + u64::from(len) + u64::from(len % 2);
        at = usize::try_from(at as u64 + step).unwrap_or(usize::MAX).min(usize::MAX - 64);
    }
    Ok((input, false))
}
