//! A sound device as a source: its own thread only fills a ring.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, I24, SampleFormat, SizedSample, StreamConfig, SupportedStreamConfigRange, U24};

use super::listing::{id_of, inputs, modes, name_of, no_list};
use super::ring::{Drainer, Filler, ring};
use super::{CaptureError, Format, Got, Source, SourceError, Trouble, Wish};

/// The rate that most recordings have.
const USUAL_RATE_HZ: u32 = 48_000;
/// Below this a recording lacks bands that the stroke map has.
const LEAST_RATE_HZ: u32 = 44_100;
/// Sound that waits for a slow disk before it is lost, in seconds.
const WAITING_S: f64 = 10.0;
/// Most samples that wait: 64 MB, however many channels.
const MOST_WAITING: usize = 16_000_000;
/// Pause while there is nothing.
const PAUSE: Duration = Duration::from_millis(3);
/// A device that gives nothing for so long is gone, whatever the system says.
const SILENCE: Duration = Duration::from_secs(5);

/// What the device's threads tell the reader.
#[derive(Debug, Default)]
struct Told {
    overruns: AtomicU64,
    errors: AtomicU64,
    last: Mutex<Option<String>>,
    gone: Mutex<Option<String>>,
}

impl Told {
    fn complain(&self, err: &cpal::Error) {
        let set = |slot: &Mutex<Option<String>>| {
            *slot.lock().unwrap_or_else(PoisonError::into_inner) = Some(err.to_string());
        };
        set(&self.last);
        match err.kind() {
            ErrorKind::Xrun => self.overruns.fetch_add(1, Ordering::Relaxed),
            // Real time is a wish of the library: it says nothing about the sound.
            ErrorKind::RealtimeDenied => 0,
            ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated | ErrorKind::HostUnavailable => {
                set(&self.gone);
                self.errors.fetch_add(1, Ordering::Relaxed)
            }
            _ => self.errors.fetch_add(1, Ordering::Relaxed),
        };
    }
}

/// An open device.
struct Device {
    format: Format,
    drainer: Drainer,
    told: Arc<Told>,
    last_sound: Instant,
    /// Held so that it runs.
    stream: Option<cpal::Stream>,
}

impl Drop for Device {
    fn drop(&mut self) {
        // A driver that hangs would hold whoever waits for its thread: nobody does.
        if let Some(stream) = self.stream.take() {
            std::thread::spawn(move || drop(stream));
        }
    }
}

/// Opens a device, see [`open`](super::open()).
pub(super) fn open(name: Option<&str>, wish: &Wish) -> Result<Box<dyn Source + Send>, CaptureError> {
    let host = cpal::default_host();
    let Some(name) = name else {
        let device = host.default_input_device().ok_or_else(none_at_all)?;
        let any = || inputs().is_ok_and(|all| all.iter().any(|d| !d.configs.is_empty()));
        return start(&device, wish).map_err(|e| match e {
            // The system's own choice that leads nowhere, where nothing else does either: there is no device.
            CaptureError::NotOpened { .. } if !any() => none_at_all(),
            other => other,
        });
    };
    let mut fitting: Vec<(u8, cpal::Device)> = host
        .input_devices()
        .map_err(no_list)?
        .filter_map(|d| rank(name, &name_of(&d), &id_of(&d)).map(|rank| (rank, d)))
        .collect();
    fitting.sort_by_key(|f| f.0);
    let mut why = None;
    for (_, device) in &fitting {
        match start(device, wish) {
            Ok(source) => return Ok(source),
            // The first is the one that was meant most.
            Err(e) => why = why.or(Some(e)),
        }
    }
    Err(why.unwrap_or_else(|| CaptureError::NoDevice { what: format!("no sound input is called \"{name}\"") }))
}

fn none_at_all() -> CaptureError {
    CaptureError::NoDevice { what: "there is no sound input on this computer".into() }
}

/// How well a device fits a name: its id first, then hardware without the system's conversions, then whatever bears the name.
fn rank(wanted: &str, name: &str, id: &str) -> Option<u8> {
    let holds = |text: &str| text.to_lowercase().contains(&wanted.to_lowercase());
    if id.eq_ignore_ascii_case(wanted) {
        Some(0)
    } else if !holds(name) && !holds(id) {
        None
    } else if id.starts_with("hw:") {
        Some(1)
    } else {
        Some(2)
    }
}

fn start(device: &cpal::Device, wish: &Wish) -> Result<Box<dyn Source + Send>, CaptureError> {
    let name = name_of(device);
    let refused = |e: cpal::Error| CaptureError::NotOpened { device: name.clone(), what: e.to_string() };
    let offered: Vec<SupportedStreamConfigRange> = device.supported_input_configs().map_err(refused)?.collect();
    let (format, coding) = choose(&offered, wish).ok_or_else(|| no_mode(&name, &offered, wish))?;
    let most = MOST_WAITING / usize::from(format.channels);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a rate times a few seconds")]
    let room = ((WAITING_S * f64::from(format.rate_hz)) as usize).min(most);
    let (filler, drainer) = ring(format.channels, room);
    let told = Arc::new(Told::default());
    let stream = build(device, format, coding, filler, &told).map_err(refused)?;
    stream.play().map_err(refused)?;
    Ok(Box::new(Device { format, drainer, told, last_sound: Instant::now(), stream: Some(stream) }))
}

fn no_mode(name: &str, offered: &[SupportedStreamConfigRange], wish: &Wish) -> CaptureError {
    let mut what = Vec::new();
    what.extend(wish.rate_hz.map(|r| format!("{r} Hz")));
    what.extend(wish.channels.map(|c| format!("{c} channel(s)")));
    if wish.least_channels > 1 {
        what.push(format!("channel {}", wish.least_channels));
    }
    let offers: Vec<String> = modes(offered).iter().map(ToString::to_string).collect();
    CaptureError::NoMode {
        device: name.to_owned(),
        what: if what.is_empty() { "sound".into() } else { what.join(", ") },
        offers: if offers.is_empty() { "nothing".into() } else { offers.join("; ") },
    }
}

/// Worth of a sample format: float first, because it needs no conversion here, then by width.
fn worth(format: SampleFormat) -> Option<u8> {
    match format {
        SampleFormat::F32 => Some(8),
        SampleFormat::I32 => Some(7),
        SampleFormat::I24 => Some(6),
        SampleFormat::F64 => Some(5),
        SampleFormat::U32 | SampleFormat::U24 => Some(4),
        SampleFormat::I16 => Some(3),
        SampleFormat::U16 => Some(2),
        SampleFormat::I8 | SampleFormat::U8 => Some(1),
        _ => None,
    }
}

/// The rate of a range that is taken unless one is asked for, and how welcome it is.
fn rate_within(low: u32, high: u32) -> (u8, u32) {
    if (low..=high).contains(&USUAL_RATE_HZ) {
        (3, USUAL_RATE_HZ)
    } else if low > USUAL_RATE_HZ {
        (2, low)
    } else {
        // The range ends below: its top is the best it has.
        (u8::from(high >= LEAST_RATE_HZ), high)
    }
}

/// The plainest mode of the highest quality: the usual rate, no more channels than needed, float or the widest integer.
fn choose(offered: &[SupportedStreamConfigRange], wish: &Wish) -> Option<(Format, SampleFormat)> {
    offered
        .iter()
        .filter_map(|c| {
            let channels = c.channels();
            let fits = match wish.channels {
                Some(n) => n == channels,
                None => channels >= wish.least_channels.max(1),
            };
            let (low, high) = (c.min_sample_rate(), c.max_sample_rate());
            let (welcome, rate_hz) = match wish.rate_hz {
                Some(r) if (low..=high).contains(&r) => (3, r),
                Some(_) => return None,
                None => rate_within(low, high),
            };
            let worth = worth(c.sample_format())?;
            let plain = (welcome, u16::MAX - channels, worth, u32::MAX - rate_hz);
            fits.then_some((plain, Format { rate_hz, channels }, c.sample_format()))
        })
        .max_by_key(|c| c.0)
        .map(|(_, format, coding)| (format, coding))
}

fn build(
    device: &cpal::Device,
    format: Format,
    coding: SampleFormat,
    filler: Filler,
    told: &Arc<Told>,
) -> Result<cpal::Stream, cpal::Error> {
    match coding {
        SampleFormat::F32 => run::<f32>(device, format, filler, told),
        SampleFormat::F64 => run::<f64>(device, format, filler, told),
        SampleFormat::I32 => run::<i32>(device, format, filler, told),
        SampleFormat::I24 => run::<I24>(device, format, filler, told),
        SampleFormat::U32 => run::<u32>(device, format, filler, told),
        SampleFormat::U24 => run::<U24>(device, format, filler, told),
        SampleFormat::I16 => run::<i16>(device, format, filler, told),
        SampleFormat::U16 => run::<u16>(device, format, filler, told),
        SampleFormat::I8 => run::<i8>(device, format, filler, told),
        _ => run::<u8>(device, format, filler, told),
    }
}

fn run<T: SizedSample>(
    device: &cpal::Device,
    format: Format,
    mut filler: Filler,
    told: &Arc<Told>,
) -> Result<cpal::Stream, cpal::Error>
where
    f32: FromSample<T>,
{
    let config =
        StreamConfig { channels: format.channels, sample_rate: format.rate_hz, buffer_size: cpal::BufferSize::Default };
    let (hears, complains) = (Arc::clone(told), Arc::clone(told));
    let mut overruns = 0;
    let mut expected = None;
    device.build_input_stream::<T, _, _>(
        config,
        move |data: &[T], info| {
            let now = info.timestamp().capture;
            let seen = hears.overruns.load(Ordering::Relaxed);
            if seen != overruns {
                overruns = seen;
                // The system says that sound was lost, and its clock says how much; at least one frame.
                let gap = expected.and_then(|e| now.checked_duration_since(e)).unwrap_or_default();
                filler.lose(frames_in(gap, format.rate_hz).max(1));
            }
            let frames = data.len() / usize::from(format.channels);
            let length = Duration::from_secs_f64(frames as f64 / f64::from(format.rate_hz));
            expected = now.checked_add(length);
            filler.put(data.len(), data.iter().map(|&s| f32::from_sample_(s)));
        },
        move |err| complains.complain(&err),
        None,
    )
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time times a rate, not negative")]
fn frames_in(time: Duration, rate_hz: u32) -> u64 {
    (time.as_secs_f64() * f64::from(rate_hz)).round() as u64
}

impl Source for Device {
    fn format(&self) -> Format {
        self.format
    }

    fn read(&mut self, into: &mut Vec<f32>, patience: Duration) -> Result<Got, SourceError> {
        let from = Instant::now();
        // A second at a time: whoever writes has other things to do in between.
        let most = usize::try_from(self.format.rate_hz).unwrap_or(usize::MAX);
        loop {
            let (frames, lost_before) = self.drainer.take(into, most);
            if frames > 0 {
                self.last_sound = Instant::now();
                return Ok(Got::Frames { frames, lost_before });
            }
            if let Some(what) = self.told.gone.lock().unwrap_or_else(PoisonError::into_inner).clone() {
                return Err(SourceError::Gone { what });
            }
            if self.last_sound.elapsed() > SILENCE {
                return Err(SourceError::Gone { what: format!("no sound has come for {} s", SILENCE.as_secs()) });
            }
            if from.elapsed() >= patience {
                return Ok(Got::Nothing);
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn trouble(&self) -> Trouble {
        Trouble {
            overruns: self.told.overruns.load(Ordering::Relaxed),
            errors: self.told.errors.load(Ordering::Relaxed),
            last: self.told.last.lock().unwrap_or_else(PoisonError::into_inner).clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use cpal::SupportedBufferSize;

    use super::*;

    fn mode(channels: u16, rates: (u32, u32), format: SampleFormat) -> SupportedStreamConfigRange {
        SupportedStreamConfigRange::new(channels, rates.0, rates.1, SupportedBufferSize::Unknown, format)
    }

    #[test]
    fn the_plainest_mode_of_the_highest_quality_is_taken() {
        let all = [
            mode(1, (8_000, 16_000), SampleFormat::F32),
            mode(2, (44_100, 192_000), SampleFormat::I16),
            mode(2, (44_100, 192_000), SampleFormat::I32),
            mode(8, (44_100, 192_000), SampleFormat::F32),
        ];
        let wish = Wish::default();
        assert_eq!(choose(&all, &wish), Some((Format { rate_hz: 48_000, channels: 2 }, SampleFormat::I32)));
        let wish = Wish { least_channels: 4, ..wish };
        assert_eq!(choose(&all, &wish), Some((Format { rate_hz: 48_000, channels: 8 }, SampleFormat::F32)));
        let wish = Wish { rate_hz: Some(96_000), channels: Some(2), least_channels: 1 };
        assert_eq!(choose(&all, &wish), Some((Format { rate_hz: 96_000, channels: 2 }, SampleFormat::I32)));
        assert_eq!(choose(&all, &Wish { channels: Some(3), ..Wish::default() }), None);
        // Nothing at 44.1 kHz or above: the best there is.
        assert_eq!(choose(&all[..1], &Wish::default()).map(|c| c.0.rate_hz), Some(16_000));
        // One that only runs faster is not slowed down by the system.
        let fast = [mode(1, (96_000, 96_000), SampleFormat::I24), mode(1, (32_000, 32_000), SampleFormat::F32)];
        assert_eq!(choose(&fast, &Wish::default()).map(|c| c.0.rate_hz), Some(96_000));
    }

    #[test]
    fn hardware_without_conversions_comes_before_the_rest_of_its_name() {
        let order: Vec<Option<u8>> = [
            rank("usb", "USB Audio Device, USB Audio", "plughw:CARD=Device,DEV=0"),
            rank("usb", "USB Audio Device, USB Audio", "hw:CARD=Device,DEV=0"),
            rank("hw:card=Device,dev=0", "USB Audio Device, USB Audio", "hw:CARD=Device,DEV=0"),
            rank("usb", "HDA Intel PCH", "hw:CARD=PCH,DEV=0"),
        ]
        .to_vec();
        assert_eq!(order, [Some(2), Some(1), Some(0), None]);
    }
}
