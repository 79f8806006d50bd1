//! `seatsong watch`: fixed sensors, for days.

use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::Context as _;
use clap::Args;
use serde_json::json;

use super::Io;
use super::book::BookArg;
use super::options::console_spm;
use crate::book::Stamp;
use crate::capture::{self, PRETEND, Wish};
use crate::units::Pascal;
use crate::watch::{AlarmRule, Clock, Pace, Told, WatchPlan, Webhook, Wiring, watch};

/// Watch fixed sensors for days: a verdict every so many strokes, an alarm after k of n, all of it in the book
///
/// Each sensor is compared with the accepted rounds of its spot; nothing is accepted as good by the watch itself. It keeps a round of clips an
/// hour and around each alarm; accept some of the hourly ones as good with `seatsong baseline accept`. Ctrl-C ends it.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong watch --map 1=m1,2=m2,3=m3,4=pulse --pressure 2600psi
  seatsong watch --map 1=m1,2=m2,3=m3 --alarm 3/5 --json --webhook https://alarms.rig.example/seatsong

A verdict is advice: opening a pump needs the site's permit to work, isolation, lock-out and bled pressure. Fit and wire sensors only
while the pump is isolated.")]
pub struct WatchArgs {
    /// Which channel hears what: m1 is module 1, pulse one pulse a turn; 5=MP-2/m1 names another pump, 1=m1:guide a spot of its own
    #[arg(long, value_name = "MAP", value_parser = wiring)]
    map: Wiring,
    /// Sound input, see `seatsong devices` [default: the system's]; wav:FILE plays a file in its place
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Samples a second [default: 48000, or the next that the device has]
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(8000..=384_000))]
    rate: Option<u32>,
    /// Strokes a verdict
    #[arg(long, value_name = "N", default_value_t = 40, value_parser = clap::value_parser!(u32).range(10..=100))]
    strokes: u32,
    /// Alarm when K of the last N verdicts lie outside the limit; it is over when N in a row lie within
    #[arg(long, value_name = "K/N", default_value = "5/8", value_parser = AlarmRule::from_str)]
    alarm: AlarmRule,
    /// Discharge pressure with its unit, if it stays, such as 2600psi or 179bar [default: not known]
    #[arg(long, value_name = "P", value_parser = Pascal::from_str)]
    pressure: Option<Pascal>,
    /// Strokes a minute on the console, if they stay; at any other speed there is no verdict [default: as heard]
    #[arg(long, value_name = "N", value_parser = console_spm)]
    spm: Option<f64>,
    /// Most megabytes that the clips of the watch may have: then the oldest hourly ones go, never those around alarms or accepted ones
    #[arg(long, value_name = "MB", default_value_t = 4000, value_parser = clap::value_parser!(u32).range(1..))]
    keep_mb: u32,
    /// Post alarms and gaps to this web address as JSON
    #[arg(long, value_name = "URL")]
    webhook: Option<String>,
    /// PEM file of the certificates to trust for an https:// webhook [default: the system's]
    #[arg(long, value_name = "FILE", requires = "webhook")]
    webhook_ca: Option<PathBuf>,
    /// Pump of the channels that name none [default: the only one]
    #[arg(long, value_name = "NAME")]
    pump: Option<String>,
    /// Print one JSON document a line (schemas seatsong.watch-line/1, seatsong.watch-event/1, seatsong.watch-summary/1)
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

fn wiring(text: &str) -> Result<Wiring, String> {
    text.parse().map_err(|e: crate::watch::WiringError| e.to_string())
}

/// Pause after the device was not there; it grows up to a minute.
const FIRST_PAUSE: Duration = Duration::from_secs(1);

/// Runs the command.
///
/// # Errors
/// No book, a pump or spot that is not in it, no device at the start, a webhook that is no address.
pub fn run(args: &WatchArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let book = args.place.open()?;
    let groups = args.map.groups(&book, args.pump.as_deref())?;
    let hook = args.webhook.as_deref().map(|url| Webhook::new(url, args.webhook_ca.as_deref())).transpose()?;
    let played = args.device.as_deref().is_some_and(|d| d.starts_with(PRETEND));
    let plan = WatchPlan {
        groups,
        strokes: args.strokes,
        rule: args.alarm,
        pressure_pa: args.pressure.map(|p| p.0),
        console_spm: args.spm,
        keep_bytes: i64::from(args.keep_mb) * 1_000_000,
        clock: if played { Clock::Sound(Stamp::now()) } else { Clock::Wall },
        pace: if played { Pace::Waiting } else { Pace::Live },
        first_pause: FIRST_PAUSE,
    };
    let wish = Wish { rate_hz: args.rate, channels: None, least_channels: args.map.channels() };
    let stop = Arc::new(AtomicBool::new(false));
    let sign = Arc::clone(&stop);
    ctrlc::set_handler(move || sign.store(true, Ordering::Relaxed)).context("cannot watch for the signal to end")?;
    let (as_json, out) = (args.json, &mut *io.out);
    let mut tell = |told: &Told| -> std::io::Result<()> {
        if as_json {
            for document in told.json() {
                writeln!(out, "{document}")?;
            }
        } else {
            writeln!(out, "{}", told.words())?;
        }
        // Whoever reads a pipe must not wait for the buffer to fill.
        out.flush()
    };
    let mut open = || capture::open(args.device.as_deref(), &wish);
    let summary = watch(&plan, book, &mut open, hook.as_ref(), &mut tell, &stop)?;
    if args.json {
        let mut document = json!({"schema": "seatsong.watch-summary/1"});
        if let (Some(to), Ok(serde_json::Value::Object(from))) =
            (document.as_object_mut(), serde_json::to_value(summary))
        {
            to.extend(from);
        }
        writeln!(io.out, "{document}")?;
    }
    io.say(&summary.words())?;
    Ok(ExitCode::SUCCESS)
}
