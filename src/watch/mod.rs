//! Fixed sensors, watched for days: windows of so many strokes, a verdict each, an alarm after `k` of `n`, in the book as it goes.
//!
//! Three threads: this one takes the sound and cuts windows, one hears them and writes the book, one delivers to a webhook. Memory holds at
//! most one window being cut and one being heard a pump, and one waiting.

mod cutter;
mod ear;
mod keeper;
mod rule;
mod told;
mod webhook;
mod wiring;

pub use cutter::{Cutter, Window, wav24};
pub use rule::{AlarmRule, AlarmState, FalseAlarms, Turn};
pub use told::{Event, Heard, Kind, Line, Told};
pub use webhook::Webhook;
pub use wiring::{Group, Wiring, WiringError};

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, channel, sync_channel};
use std::time::{Duration, Instant};

use crate::book::{Book, BookError, Stamp};
use crate::capture::{CaptureError, Format, Got, Source, SourceError};
use keeper::{Job, Keeper, Report};
use webhook::Outbox;

/// What is watched and how.
#[derive(Debug, Clone)]
pub struct WatchPlan {
    /// Pumps with their channels.
    pub groups: Vec<Group>,
    /// Strokes a window.
    pub strokes: u32,
    /// When an alarm is raised.
    pub rule: AlarmRule,
    /// Discharge pressure in Pa, if it is known and stays.
    pub pressure_pa: Option<f64>,
    /// Console reading in strokes a minute, if the pumps run at one speed.
    pub console_spm: Option<f64>,
    /// Bytes that the clips of the watch may have on the disk.
    pub keep_bytes: i64,
    /// Where the time of a window comes from.
    pub clock: Clock,
    /// Whether sound that can't be heard in time is passed over, or waits.
    pub pace: Pace,
    /// Pause after the device was not there; it doubles with each try, up to 60 times.
    pub first_pause: Duration,
}

/// Where the time of a window comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Clock {
    /// This computer's clock.
    Wall,
    /// The sound itself, from a moment on: for recordings that are played faster.
    Sound(Stamp),
}

/// What is done with sound that comes faster than it can be heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// A device does not wait: windows are left out, and counted.
    Live,
    /// A recording waits.
    Waiting,
}

/// Why a watch could not begin or go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WatchError {
    /// The device can't be opened at the start.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// The device has too few channels.
    #[error("the device has {has} channel(s), the map names channel {needs}; correct --map, or take another device")]
    Channels {
        /// Channels of the device.
        has: u16,
        /// Highest channel of the map.
        needs: u16,
    },
    /// The book can't be used at the start.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The thread that hears has failed.
    #[error("the part that hears the windows has failed; start the watch again, and run `seatsong book check`")]
    Deaf,
    /// Nobody reads what is told.
    #[error("cannot write what was heard")]
    Output(#[source] std::io::Error),
}

/// What a watch did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct Summary {
    /// Windows of a pump that were heard.
    pub windows: u64,
    /// Lines that carry a verdict.
    pub judged: u64,
    /// Alarms raised.
    pub alarms: u64,
    /// Times that the device was gone.
    pub gaps: u64,
    /// Windows left out because the computer was too slow.
    pub left_out: u64,
    /// Frames that the device lost.
    pub lost_frames: u64,
}

impl Summary {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        format!(
            "watch ended: {} window(s), {} verdict(s), {} alarm(s), {} gap(s), {} window(s) left out, {} frame(s) lost",
            self.windows, self.judged, self.alarms, self.gaps, self.left_out, self.lost_frames
        )
    }
}

/// Opens the source anew, each time it is called.
pub type Opener<'a> = dyn FnMut() -> Result<Box<dyn Source + Send>, CaptureError> + 'a;

/// Longest time without a look at the stop sign.
const PATIENCE: Duration = Duration::from_millis(100);
/// Lost frames are told at most so often.
const LOST_PAUSE: Duration = Duration::from_secs(60);
/// The pause between tries grows up to so many times the first.
const LONGEST_PAUSE: u32 = 60;

/// Watches until `stop` is set or the source is at its end.
///
/// # Arguments
/// - `open`: opens the source; called again, with growing pauses, after the device was lost.
/// - `tell`: is given everything that is heard and happens, in order.
///
/// # Errors
/// [`WatchError`]: only what keeps the watch from beginning, and an output that can't be written. What goes wrong later is told and entered.
pub fn watch(
    plan: &WatchPlan,
    book: Book,
    open: &mut Opener<'_>,
    hook: Option<&Webhook>,
    tell: &mut dyn FnMut(&Told) -> std::io::Result<()>,
    stop: &AtomicBool,
) -> Result<Summary, WatchError> {
    let source = open()?;
    check_channels(plan, source.format())?;
    let mut keeper = Keeper::new(plan, book)?;
    let (report, reports) = channel();
    let (give, jobs) = sync_channel(plan.groups.len());
    let ending = AtomicBool::new(false);
    std::thread::scope(|threads| {
        let (outbox, hook_report) = match hook {
            Some(hook) => {
                let (outbox, messages) = webhook::outbox();
                let (report, ending) = (report.clone(), &ending);
                threads.spawn(move || {
                    webhook::deliver_all(hook, &messages, ending, &|why| {
                        let event = Event::new(&Stamp::now(), Kind::WebhookFailed, why);
                        // Nobody hears it once the watch has ended.
                        let _ = report.send(Report::Told(Told::Event(Box::new(event))));
                    });
                });
                (outbox, true)
            }
            None => (Outbox::none(), false),
        };
        let worker_report = report.clone();
        drop(report);
        let worker = threads.spawn(move || keeper.work(&jobs, &worker_report));
        let mut ears = Ears {
            plan,
            cutters: Vec::new(),
            give: Some(give),
            reports,
            outbox: Some(outbox),
            tell,
            position: 0,
            summary: Summary::default(),
            rate_hz: 1,
            waited: Duration::ZERO,
            lost_untold: 0,
            lost_told: None,
        };
        let done = ears.run(source, open, stop);
        let finished = ears.finish(hook_report, &ending, &|| worker.is_finished());
        done.and(finished)
    })
}

fn check_channels(plan: &WatchPlan, format: Format) -> Result<(), WatchError> {
    let needs = plan.groups.iter().flat_map(|g| g.sensors.iter().map(|s| s.channel).chain(g.pulse)).max().unwrap_or(0);
    let needs = u16::try_from(needs + 1).unwrap_or(u16::MAX);
    if needs > format.channels { Err(WatchError::Channels { has: format.channels, needs }) } else { Ok(()) }
}

/// The thread that takes the sound.
struct Ears<'a, 'b> {
    plan: &'a WatchPlan,
    cutters: Vec<Cutter>,
    give: Option<SyncSender<Job>>,
    reports: Receiver<Report>,
    outbox: Option<Outbox>,
    tell: &'b mut dyn FnMut(&Told) -> std::io::Result<()>,
    /// Frames since the start.
    position: u64,
    summary: Summary,
    rate_hz: u32,
    /// Time spent without a device.
    waited: Duration,
    /// Lost frames that were not told yet, and when some were told last.
    lost_untold: u64,
    lost_told: Option<Instant>,
}

impl Ears<'_, '_> {
    fn run(
        &mut self,
        first: Box<dyn Source + Send>,
        open: &mut Opener<'_>,
        stop: &AtomicBool,
    ) -> Result<(), WatchError> {
        let mut source = first;
        self.begin(source.format());
        self.happened(Kind::Started, String::new());
        let mut block = Vec::new();
        while !stop.load(Ordering::Relaxed) {
            block.clear();
            match source.read(&mut block, PATIENCE) {
                Ok(Got::Frames { frames, lost_before }) => self.sound(&block, frames, lost_before)?,
                Ok(Got::Nothing) => {}
                Ok(Got::End) => break,
                Err(why) => {
                    // The device is let go before it is opened again.
                    drop(source);
                    match self.reopen(&why, open, stop)? {
                        Some(again) => source = again,
                        None => break,
                    }
                }
            }
            self.listen()?;
        }
        Ok(())
    }

    /// Empty windows for a source of this format.
    fn begin(&mut self, format: Format) {
        self.rate_hz = format.rate_hz;
        self.cutters = self.plan.groups.iter().map(|g| Cutter::new(g, format.rate_hz)).collect();
    }

    /// This moment, as the plan's clock has it.
    fn now(&self) -> Stamp {
        match &self.plan.clock {
            Clock::Wall => Stamp::now(),
            Clock::Sound(start) => {
                let ms = self.position.saturating_mul(1000) / u64::from(self.rate_hz.max(1));
                let waited = u64::try_from(self.waited.as_millis()).unwrap_or(0);
                let ms = start.ms.saturating_add(i64::try_from(ms + waited).unwrap_or(i64::MAX));
                Stamp::of_ms(ms).unwrap_or_else(|| start.clone())
            }
        }
    }

    fn sound(&mut self, block: &[f32], frames: usize, lost_before: u64) -> Result<(), WatchError> {
        self.position += frames as u64 + lost_before;
        self.summary.lost_frames += lost_before;
        self.lost_untold += lost_before;
        if self.lost_told.is_none_or(|then| then.elapsed() >= LOST_PAUSE) {
            self.tell_lost();
        }
        let channels = block.len() / frames.max(1);
        for k in 0..self.cutters.len() {
            let missed = self.cutters[k].missed;
            self.cutters[k].push(block, channels, lost_before);
            if self.cutters[k].missed > missed {
                self.summary.left_out += 1;
                let name = &self.plan.groups[k].pump.data.name;
                self.happened(
                    Kind::Behind,
                    format!(
                        "a window of pump {name} was left out: this computer is too slow for so many channels, or busy"
                    ),
                );
            }
            if self.cutters[k].ready() {
                self.hand_over(k)?;
            }
        }
        Ok(())
    }

    fn hand_over(&mut self, k: usize) -> Result<(), WatchError> {
        let end_ms = self.now().ms;
        let window = self.cutters[k].take(k, end_ms);
        let Some(give) = &self.give else { return Ok(()) };
        match self.plan.pace {
            Pace::Live => match give.try_send(Job::Window(window)) {
                // It goes back and grows until there is room, or it is too long.
                Err(TrySendError::Full(Job::Window(window))) => self.cutters[k].put_back(window),
                Err(_) => return Err(WatchError::Deaf),
                Ok(()) => self.summary.windows += 1,
            },
            Pace::Waiting => {
                give.send(Job::Window(window)).map_err(|_| WatchError::Deaf)?;
                self.summary.windows += 1;
                // The speed sets the length of the next window: a recording gives the same windows each time.
                loop {
                    let report = self.reports.recv().map_err(|_| WatchError::Deaf)?;
                    let heard = matches!(report, Report::Speed(group, _) if group == k);
                    self.take(report)?;
                    if heard {
                        break;
                    }
                }
            }
        }
        Ok(())
    }

    /// Tells of lost frames, all since the last time together: a bad cable must not fill the book.
    fn tell_lost(&mut self) {
        let lost = std::mem::take(&mut self.lost_untold);
        if lost > 0 {
            self.lost_told = Some(Instant::now());
            self.happened(Kind::Lost, format!("{lost} frame(s) were lost between the device and this program"));
        }
    }

    /// Has something entered and told, in its place among the windows.
    fn happened(&self, kind: Kind, text: String) {
        if let Some(give) = &self.give {
            // A worker that has failed is seen with the next window.
            let _ = give.send(Job::Happened(self.now(), kind, text));
        }
    }

    /// Waits for the device; `None` when the watch is to end.
    fn reopen(
        &mut self,
        why: &SourceError,
        open: &mut Opener<'_>,
        stop: &AtomicBool,
    ) -> Result<Option<Box<dyn Source + Send>>, WatchError> {
        let gone = Instant::now();
        self.summary.gaps += 1;
        self.happened(Kind::Gap, format!("{why}; waiting for it"));
        let before = self.waited;
        let mut pause = self.plan.first_pause;
        loop {
            let until = Instant::now() + pause;
            while Instant::now() < until {
                if stop.load(Ordering::Relaxed) {
                    return Ok(None);
                }
                self.listen()?;
                std::thread::sleep(PATIENCE.min(pause));
            }
            self.waited = before + gone.elapsed();
            // Until the device is whole again: fewer channels than before are as good as none.
            if let Ok(source) = open()
                && check_channels(self.plan, source.format()).is_ok()
            {
                self.begin(source.format());
                self.happened(
                    Kind::Back,
                    format!("the sound device is back after {:.0} s", gone.elapsed().as_secs_f64()),
                );
                return Ok(Some(source));
            }
            pause = (2 * pause).min(LONGEST_PAUSE * self.plan.first_pause);
        }
    }

    /// Tells what the worker has reported.
    fn listen(&mut self) -> Result<(), WatchError> {
        while let Ok(report) = self.reports.try_recv() {
            self.take(report)?;
        }
        Ok(())
    }

    fn take(&mut self, report: Report) -> Result<(), WatchError> {
        let told = match report {
            Report::Speed(group, spm) => {
                if let Some(cutter) = self.cutters.get_mut(group) {
                    cutter.wish(self.plan.strokes, spm);
                }
                return Ok(());
            }
            Report::Told(told) => told,
        };
        match &told {
            Told::Window(lines) => {
                self.summary.judged += lines.iter().filter(|l| l.departure.is_some()).count() as u64;
            }
            Told::Event(event) => {
                self.summary.alarms += u64::from(event.event == Kind::Alarm);
                if event.event.goes_out()
                    && let Some(outbox) = &self.outbox
                    && let Err(why) = outbox.put(event.json())
                {
                    let failed = Told::Event(Box::new(Event::new(&self.now(), Kind::WebhookFailed, why)));
                    (self.tell)(&failed).map_err(WatchError::Output)?;
                }
            }
        }
        (self.tell)(&told).map_err(WatchError::Output)
    }

    /// Lets the worker finish what it has, and tells it.
    fn finish(
        &mut self,
        hook: bool,
        ending: &AtomicBool,
        worker_is_done: &dyn Fn() -> bool,
    ) -> Result<Summary, WatchError> {
        self.tell_lost();
        self.happened(Kind::Ended, "the watch has ended".to_owned());
        self.give = None;
        let mut result = Ok(());
        let mut hook = hook;
        loop {
            // The worker and the webhook hold the other ends; when both are gone there is no more.
            match self.reports.recv_timeout(PATIENCE) {
                Ok(report) if result.is_ok() => result = self.take(report),
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) => {
                    if hook && worker_is_done() {
                        hook = false;
                        // One more try for what waits, no pauses.
                        ending.store(true, Ordering::Relaxed);
                        self.outbox = None;
                    }
                }
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
        result.map(|()| self.summary)
    }
}
