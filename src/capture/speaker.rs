//! Sound out: a ring that the system's thread empties.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, SampleFormat, SizedSample, StreamConfig, SupportedStreamConfigRange};
use rtrb::{Consumer, Producer, RingBuffer};

use super::CaptureError;
use super::listing::{id_of, name_of, no_list};

/// Sound that may wait, in s: what is heard belongs to what is seen.
const WAITING_S: f64 = 0.25;

/// Headphones or a loudspeaker.
pub struct Speaker {
    put: Producer<f32>,
    gone: Arc<Mutex<Option<String>>>,
    holes: Arc<AtomicU64>,
    /// Held so that it runs.
    _stream: cpal::Stream,
}

impl std::fmt::Debug for Speaker {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Speaker").field("holes", &self.holes).finish_non_exhaustive()
    }
}

impl Speaker {
    /// Opens the system's own output, or one by its id or a part of its name, at a rate in Hz.
    ///
    /// # Errors
    /// [`CaptureError`] if there is none, it can't play at this rate, or the system refuses.
    pub fn open(name: Option<&str>, rate_hz: u32) -> Result<Self, CaptureError> {
        let host = cpal::default_host();
        let none = |what: String| CaptureError::NoDevice { what };
        let device = match name {
            None => {
                host.default_output_device().ok_or_else(|| none("there is no sound output on this computer".into()))?
            }
            Some(wanted) => {
                let holds = |text: String| text.to_lowercase().contains(&wanted.to_lowercase());
                let mut all = host.output_devices().map_err(no_list)?;
                all.find(|d| holds(id_of(d)) || holds(name_of(d)))
                    .ok_or_else(|| none(format!("no sound output is called \"{wanted}\"")))?
            }
        };
        let shown = name_of(&device);
        let refused = |what: String| CaptureError::NotOpened { device: shown.clone(), what };
        let offered: Vec<SupportedStreamConfigRange> =
            device.supported_output_configs().map_err(|e| refused(e.to_string()))?.collect();
        let (channels, coding) = choose(&offered, rate_hz).ok_or_else(|| {
            refused(format!("it can't play sound of {rate_hz} Hz, as the input has; choose another --rate"))
        })?;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a quarter of a second of samples")]
        let (put, take) = RingBuffer::new((WAITING_S * f64::from(rate_hz)) as usize);
        let (gone, holes) = (Arc::new(Mutex::new(None)), Arc::new(AtomicU64::new(0)));
        let config = StreamConfig { channels, sample_rate: rate_hz, buffer_size: cpal::BufferSize::Default };
        let told = (&gone, &holes);
        let stream = match coding {
            SampleFormat::F32 => run::<f32>(&device, config, take, told),
            SampleFormat::I32 => run::<i32>(&device, config, take, told),
            _ => run::<i16>(&device, config, take, told),
        };
        let stream = stream.map_err(|e| refused(e.to_string()))?;
        stream.play().map_err(|e| refused(e.to_string()))?;
        Ok(Self { put, gone, holes, _stream: stream })
    }

    /// Plays samples, the same in every channel. What comes too fast is left out: nothing may be heard late.
    pub fn play(&mut self, samples: &[f32]) {
        let fit = samples.len().min(self.put.slots());
        if let Ok(chunk) = self.put.write_chunk_uninit(fit) {
            chunk.fill_from_iter(samples.iter().copied());
        }
    }

    /// Why nothing is heard any more, if so.
    #[must_use]
    pub fn gone(&self) -> Option<String> {
        self.gone.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Samples of silence that were played because nothing had come.
    #[must_use]
    pub fn holes(&self) -> u64 {
        self.holes.load(Ordering::Relaxed)
    }
}

/// Channels and format at a rate: few channels, float first.
fn choose(offered: &[SupportedStreamConfigRange], rate_hz: u32) -> Option<(u16, SampleFormat)> {
    let worth = |f: SampleFormat| match f {
        SampleFormat::F32 => Some(3),
        SampleFormat::I32 => Some(2),
        SampleFormat::I16 => Some(1),
        _ => None,
    };
    offered
        .iter()
        .filter(|c| (c.min_sample_rate()..=c.max_sample_rate()).contains(&rate_hz))
        .filter_map(|c| {
            // Two ears; one channel may come out on one side only.
            let ears = if c.channels() == 2 { 2 } else { u8::from(c.channels() > 2) };
            Some(((ears, worth(c.sample_format())?, u16::MAX - c.channels()), c.channels(), c.sample_format()))
        })
        .max_by_key(|c| c.0)
        .map(|(_, channels, format)| (channels, format))
}

type Told<'a> = (&'a Arc<Mutex<Option<String>>>, &'a Arc<AtomicU64>);

fn run<T: SizedSample + FromSample<f32>>(
    device: &cpal::Device,
    config: StreamConfig,
    mut take: Consumer<f32>,
    (gone, holes): Told<'_>,
) -> Result<cpal::Stream, cpal::Error> {
    let (gone, holes) = (Arc::clone(gone), Arc::clone(holes));
    let channels = usize::from(config.channels.max(1));
    device.build_output_stream::<T, _, _>(
        config,
        move |data: &mut [T], _| {
            let mut missing = 0;
            for frame in data.chunks_mut(channels) {
                let x = take.pop().unwrap_or_else(|_| {
                    missing += 1;
                    0.0
                });
                frame.fill(T::from_sample_(x));
            }
            holes.fetch_add(missing, Ordering::Relaxed);
        },
        move |err| {
            if matches!(
                err.kind(),
                ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated | ErrorKind::HostUnavailable
            ) {
                *gone.lock().unwrap_or_else(PoisonError::into_inner) = Some(err.to_string());
            }
        },
        None,
    )
}

#[cfg(test)]
mod tests {
    use cpal::SupportedBufferSize;

    use super::*;

    #[test]
    fn two_ears_and_float_are_preferred() {
        let mode = |channels, low, high, format| {
            SupportedStreamConfigRange::new(channels, low, high, SupportedBufferSize::Unknown, format)
        };
        let all = [
            mode(1, 8000, 192_000, SampleFormat::F32),
            mode(2, 44_100, 48_000, SampleFormat::I16),
            mode(2, 44_100, 48_000, SampleFormat::F32),
            mode(8, 44_100, 48_000, SampleFormat::F32),
        ];
        assert_eq!(choose(&all, 48_000), Some((2, SampleFormat::F32)));
        assert_eq!(choose(&all, 96_000), Some((1, SampleFormat::F32)));
        assert_eq!(choose(&all, 384_000), None);
    }
}
