//! `seatsong listen`: the band of a change through headphones, live.

use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Context as _, anyhow};
use clap::Args;
use serde_json::json;

use super::book::BookArg;
use super::hear::{Span, arc, band};
use super::options::PumpArgs;
use super::{Io, Usage};
use crate::capture::listen::{ListenSettings, Listener, USUAL_CEILING_DBFS};
use crate::capture::{self, Got, Source, Wish};
use crate::report::words;
use crate::units::number;

/// Hear the band of a change through headphones, live
///
/// The band comes from --band, or from the last verdict of --module that found a change. With a pulse channel what lies outside the changed part
/// of the turn is turned down. The level never passes a ceiling. Ctrl-C ends it.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong listen --band 3200-11000
  seatsong listen --module 2 --channel 2 --pulse 4

Never take hearing protection off to listen: beside a running pump use only ear-defender headsets with limited level, as the site allows.
The ceiling here limits the signal; how loud that is depends on the headset. Start with its volume at the lowest. You hear less of what
is around you: keep clear of rods, belts and the relief line, and let someone know.")]
pub struct ListenArgs {
    /// Band in Hz, such as 3200-11000 [default: that of the last change of --module]
    #[arg(long, value_name = "LO-HI", value_parser = band, required_unless_present = "module")]
    band: Option<Span>,
    /// Part of the module's own turn in degrees, such as 20-185 or 340-40; needs --pulse [default: that of the last change]
    #[arg(long, value_name = "FROM-TO", value_parser = arc)]
    arc: Option<Span>,
    /// Module that is listened to
    #[arg(long, value_name = "N")]
    module: Option<u32>,
    /// Pump in the book [default: the only one]
    #[arg(long, value_name = "NAME")]
    pump: Option<String>,
    /// Channel of the sound, counted from 1
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..))]
    channel: u16,
    /// Channel with one pulse a turn at the start of module 1's discharge stroke
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pulse: Option<u16>,
    /// Gain in dB [default: such that the band lies 12 dB below the ceiling]
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = number::typed)]
    gain: Option<f64>,
    /// Ceiling that nothing passes, in dB re full scale, -60 to -10
    #[arg(long, value_name = "DB", allow_hyphen_values = true, default_value_t = USUAL_CEILING_DBFS, value_parser = number::typed)]
    ceiling: f64,
    /// Sound input, see `seatsong devices` [default: the system's]; wav:FILE plays a file in its place
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Samples a second [default: 48000, or the next that the device has]
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(8000..=384_000))]
    rate: Option<u32>,
    /// Headphones, see `seatsong devices` [default: the system's]
    #[arg(long, value_name = "NAME", conflicts_with = "out")]
    speaker: Option<String>,
    /// Write what would be heard to a WAV file instead
    #[arg(long, value_name = "OUT.wav")]
    out: Option<PathBuf>,
    /// Print what was heard as JSON (schema seatsong.listen/1) at the end
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    shape: PumpArgs,
    #[command(flatten)]
    place: BookArg,
}

/// Time without a look at the sign to end.
const PATIENCE: Duration = Duration::from_millis(50);

/// Runs the command.
///
/// # Errors
/// No device, no headphones, no change in the book, an output that can't be written.
pub fn run(args: &ListenArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    if args.pulse == Some(args.channel) {
        return Err(Usage("--pulse names the channel of the sound; give another".into()).into());
    }
    let settings = settings(args)?;
    let wish = Wish { rate_hz: args.rate, channels: None, least_channels: args.channel.max(args.pulse.unwrap_or(1)) };
    let mut source = capture::open(args.device.as_deref(), &wish)?;
    let format = source.format();
    let mut listener = Listener::new(&settings, f64::from(format.rate_hz))?;
    let mut sink = Sink::open(args, format.rate_hz)?;
    let stop = Arc::new(AtomicBool::new(false));
    let sign = Arc::clone(&stop);
    ctrlc::set_handler(move || sign.store(true, Ordering::Relaxed)).context("cannot watch for the signal to end")?;
    let place = match (settings.arc_deg, args.pulse) {
        (Some(a), Some(_)) => format!(", {}", words::arc(a)),
        (Some(_), None) => ", all round the turn (no pulse channel tells the angle)".to_owned(),
        (None, _) => ", all round the turn".to_owned(),
    };
    io.say(&format!(
        "{}{place}; nothing passes {} dB re full scale. Hearing protection stays on: ear-defender headsets with limited level only, as the site allows. \
         Start with the volume at the lowest; Ctrl-C ends",
        words::band(settings.band_hz),
        settings.ceiling_dbfs
    ))?;
    let lost = pass_on(&mut *source, &mut listener, &mut sink, args, &stop)?;
    let holes = sink.close()?;
    if args.json {
        io.json(&json!({
            "schema": "seatsong.listen/1", "band_hz": settings.band_hz, "arc_deg": settings.arc_deg, "module": settings.module,
            "sample_rate_hz": format.rate_hz, "peak_dbfs": (listener.peak_dbfs() * 10.0).round() / 10.0,
            "angle_known_share": (listener.gated_share() * 1000.0).round() / 1000.0, "lost_frames": lost, "silent_samples": holes,
            "out": args.out.as_ref().map(|p| p.display().to_string()),
        }))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Band, arc and module as asked for, or as the book's last change has them.
fn settings(args: &ListenArgs) -> anyhow::Result<ListenSettings> {
    let mut order = args.shape.order()?;
    let (mut band_hz, mut arc_deg) = (args.band.map(|s| s.0), args.arc.map(|s| s.0));
    if let (None, Some(module)) = (band_hz, args.module) {
        let book = args.place.open()?;
        let pump = book.pump_or_only(args.pump.as_deref())?;
        let change = book.last_change(&pump, module)?.ok_or_else(|| {
            anyhow!(
                "no verdict of module {module} of {} has found a change yet; give the band with --band",
                pump.data.name
            )
        })?;
        order = pump.data.order;
        band_hz = Some(change.band_hz);
        arc_deg = arc_deg.or(change.arc_deg);
    }
    if let Some(m) = args.module.filter(|m| !order.contains(m)) {
        return Err(Usage(format!("--module {m} is not one of the pump's {order:?}; give --modules or --order")).into());
    }
    Ok(ListenSettings {
        band_hz: band_hz.ok_or_else(|| anyhow!("give the band with --band, or a module with --module"))?,
        arc_deg,
        order,
        module: args.module,
        gain_db: args.gain,
        ceiling_dbfs: args.ceiling,
    })
}

/// Sound from the source to the ear until an end is seen; the frames that were lost on the way.
fn pass_on(
    source: &mut dyn Source,
    listener: &mut Listener,
    sink: &mut Sink,
    args: &ListenArgs,
    stop: &AtomicBool,
) -> anyhow::Result<u64> {
    let channels = usize::from(source.format().channels);
    let (mut block, mut heard, mut lost) = (Vec::new(), Vec::new(), 0);
    while !stop.load(Ordering::Relaxed) {
        block.clear();
        heard.clear();
        match source.read(&mut block, PATIENCE)? {
            Got::Frames { lost_before, .. } => lost += lost_before,
            Got::Nothing => continue,
            Got::End => break,
        }
        heard.extend(block.chunks_exact(channels).map(|frame| {
            let at = |channel: u16| frame.get(usize::from(channel) - 1).copied();
            listener.step(at(args.channel).unwrap_or(0.0), args.pulse.and_then(at))
        }));
        sink.play(&heard)?;
    }
    Ok(lost)
}

/// Where the sound goes.
enum Sink {
    #[cfg(feature = "capture")]
    Speaker(capture::Speaker),
    File(Box<Written>),
}

/// A WAV file being written under a temporary name.
struct Written {
    writer: hound::WavWriter<BufWriter<std::fs::File>>,
    temporary: tempfile::TempPath,
    path: PathBuf,
}

/// Full scale of 24 bits.
const FULL_SCALE: f64 = 8_388_607.0;

impl Sink {
    fn open(args: &ListenArgs, rate_hz: u32) -> anyhow::Result<Self> {
        if let Some(path) = &args.out {
            return Ok(Self::File(Box::new(Written::new(path, rate_hz)?)));
        }
        #[cfg(feature = "capture")]
        return Ok(Self::Speaker(capture::Speaker::open(args.speaker.as_deref(), rate_hz)?));
        #[cfg(not(feature = "capture"))]
        Err(capture::CaptureError::NotBuilt.into())
    }

    fn play(&mut self, samples: &[f32]) -> anyhow::Result<()> {
        match self {
            #[cfg(feature = "capture")]
            Self::Speaker(speaker) => {
                speaker.play(samples);
                if let Some(why) = speaker.gone() {
                    return Err(anyhow!("the headphones are gone ({why}); look at their plug"));
                }
            }
            Self::File(file) => {
                for x in samples {
                    #[expect(clippy::cast_possible_truncation, reason = "24 bits")]
                    let x = (f64::from(x.clamp(-1.0, 1.0)) * FULL_SCALE).round() as i32;
                    file.writer.write_sample(x).with_context(|| format!("{}: cannot write", file.path.display()))?;
                }
            }
        }
        Ok(())
    }

    /// Ends it; samples of silence that were played because nothing had come.
    fn close(self) -> anyhow::Result<u64> {
        match self {
            #[cfg(feature = "capture")]
            Self::Speaker(speaker) => Ok(speaker.holes()),
            Self::File(file) => {
                let Written { writer, temporary, path } = *file;
                let failed = || format!("{}: cannot write", path.display());
                writer.finalize().with_context(failed)?;
                std::fs::File::open(&temporary).and_then(|f| f.sync_all()).with_context(failed)?;
                temporary.persist(&path).with_context(failed)?;
                Ok(0)
            }
        }
    }
}

impl Written {
    fn new(path: &Path, rate_hz: u32) -> anyhow::Result<Self> {
        let failed = || format!("{}: cannot write", path.display());
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut builder = tempfile::Builder::new();
        #[cfg(unix)]
        builder.permissions(permissions());
        let (file, temporary) = builder.tempfile_in(folder).with_context(failed)?.into_parts();
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: rate_hz,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let writer = hound::WavWriter::new(BufWriter::new(file), spec).with_context(failed)?;
        Ok(Self { writer, temporary, path: path.to_path_buf() })
    }
}

/// A temporary file is for its owner alone; a sound is for everyone who may read the folder.
#[cfg(unix)]
fn permissions() -> std::fs::Permissions {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::Permissions::from_mode(0o644)
}
