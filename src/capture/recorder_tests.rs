use super::*;
use crate::capture::fake::{Event, Fake, Pace};
use crate::clip::growing::log::told;
use crate::clip::{self, Code, ReadSettings};
use crate::sample::{ClipSpec, Room, RoomSettings};

const RATE_HZ: u32 = 16_000;

/// A made-up pump at 72 strokes a minute, with its pulses.
fn pump(duration_s: f64) -> (Vec<f32>, Vec<f32>) {
    let room = Room::new(5, &RoomSettings::drawn(5)).unwrap();
    let spec = ClipSpec { duration_s, sample_rate_hz: f64::from(RATE_HZ), seed: 3, spm: 72.0, ..ClipSpec::default() };
    let made = room.record(&ClipSpec { pulse: true, ..spec }).unwrap();
    (made.samples, made.pulse.unwrap())
}

fn mono(samples: Vec<f32>) -> Fake {
    Fake::new(samples, Format { rate_hz: RATE_HZ, channels: 1 })
}

fn plan(dir: &Path, sounds: &[u16], pulse: Option<u16>) -> Plan {
    let track = |c: &u16| Track { path: dir.join(format!("c{c}.wav")), sound: *c, pulse };
    Plan {
        tracks: sounds.iter().map(track).collect(),
        depth: Depth::Float32,
        strokes: None,
        limit: Duration::from_secs(600),
        hint_spm: None,
        device: "fake".into(),
        taken_at: "2026-11-25T06:00:00Z".into(),
    }
}

fn run(source: &mut Fake, plan: &Plan) -> Recorded {
    record(source, plan, &mut |_| Vec::new()).unwrap()
}

/// The samples of a file as they are stored.
fn content(path: &Path) -> Vec<f32> {
    hound::WavReader::open(path).unwrap().samples::<f32>().collect::<Result<_, _>>().unwrap()
}

#[test]
fn a_recording_is_sample_exact_and_ends_with_its_source() {
    let dir = tempfile::tempdir().unwrap();
    let (samples, _) = pump(5.0);
    let plan = plan(dir.path(), &[1], None);
    let done = run(&mut mono(samples.clone()), &plan);
    assert_eq!((done.ended, done.frames, done.live.lost_frames), (Ended::End, samples.len() as u64, 0));
    assert_eq!(content(&plan.tracks[0].path), samples);
    assert_eq!(told(&plan.tracks[0].path).ended, Ended::End);
    assert!(matches!(record(&mut mono(samples), &plan, &mut |_| Vec::new()), Err(RecordError::Create { .. })));
}

#[test]
fn it_stops_by_itself_when_enough_good_strokes_are_in() {
    let dir = tempfile::tempdir().unwrap();
    let (samples, _) = pump(60.0);
    let plan = Plan { strokes: Some(20), ..plan(dir.path(), &[1], None) };
    let done = run(&mut mono(samples), &plan);
    assert_eq!(done.ended, Ended::Strokes);
    // 20 strokes are 16.7 s; looks come every 2 s and may be 4 s behind where nothing is waited for.
    let length_s = done.frames as f64 / f64::from(RATE_HZ);
    assert!((16.0..=24.0).contains(&length_s), "{length_s}");
    assert!((done.live.tracks[0].spm.unwrap() - 72.0).abs() < 1.5);
}

#[test]
fn lost_frames_and_overruns_are_counted_filled_with_silence_and_written_down() {
    let dir = tempfile::tempdir().unwrap();
    let (samples, _) = pump(8.0);
    let plan = plan(dir.path(), &[1], None);
    let mut source = mono(samples.clone()).with(32_000, Event::Lose(4_800)).with(80_000, Event::Overrun(1_600));
    let done = run(&mut source, &plan);
    assert_eq!((done.live.lost_frames, done.live.gaps, done.live.trouble.overruns), (6_400, 2, 1));
    assert_eq!(done.frames, samples.len() as u64, "the clock holds");
    let back = content(&plan.tracks[0].path);
    assert_eq!(back[..32_000], samples[..32_000]);
    assert!(back[32_000..36_800].iter().all(|x| x.abs() < 1e-9));
    assert_eq!(back[36_800..80_000], samples[36_800..80_000]);
    assert_eq!(back[81_600..], samples[81_600..]);
    let told = told(&plan.tracks[0].path);
    assert_eq!((told.lost_frames, told.overruns, told.gaps.len()), (6_400, 1, 2));
    assert!((told.gaps[0].at_s - 2.0).abs() < 1e-9);
    // Whoever reads the file without the lines beside it is told too.
    let clip = clip::read(&plan.tracks[0].path, &ReadSettings::default()).unwrap();
    assert!(clip.findings.iter().any(|f| f.code == Code::Dropouts), "{:?}", clip.findings);
}

#[test]
fn a_device_that_goes_or_changes_ends_the_recording_and_keeps_it() {
    for (event, want) in
        [(Event::Gone, Ended::Gone), (Event::Change(Format { rate_hz: 44_100, channels: 2 }), Ended::Changed)]
    {
        let dir = tempfile::tempdir().unwrap();
        let plan = plan(dir.path(), &[1], None);
        let samples = vec![0.25; 80_000];
        let done = run(&mut mono(samples).with(48_000, event), &plan);
        assert_eq!((done.ended, done.frames), (want, 48_000));
        assert!(done.ended.short() && done.why.is_some());
        assert_eq!(content(&plan.tracks[0].path).len(), 48_000);
        assert_eq!(told(&plan.tracks[0].path).ended, want);
    }
}

#[test]
fn sixteen_channels_become_one_file_each_on_one_clock() {
    let dir = tempfile::tempdir().unwrap();
    let n = 40_000_u32;
    #[expect(clippy::cast_precision_loss, reason = "below 2^24: exact")]
    let samples: Vec<f32> = (0..n).flat_map(|k| (0..16_u32).map(move |c| (16 * k + c) as f32 / 1e6)).collect();
    let sounds: Vec<u16> = (1..=15).collect();
    let plan = plan(dir.path(), &sounds, Some(16));
    let done = run(&mut Fake::new(samples, Format { rate_hz: RATE_HZ, channels: 16 }), &plan);
    assert_eq!(done.frames, u64::from(n));
    for (c, track) in plan.tracks.iter().enumerate() {
        let back = content(&track.path);
        assert_eq!(back.len(), 2 * n as usize);
        for k in [0, 1, 999, 39_999] {
            #[expect(clippy::cast_precision_loss, reason = "below 2^24: exact")]
            let want = [(16 * k + c) as f32 / 1e6, (16 * k + 15) as f32 / 1e6];
            assert_eq!(back[2 * k..2 * k + 2], want, "channel {c}, frame {k}");
        }
    }
    let missing = Plan { tracks: vec![Track { path: dir.path().join("x"), sound: 17, pulse: None }], ..plan };
    let mut source = Fake::new(vec![0.0; 16], Format { rate_hz: RATE_HZ, channels: 16 });
    assert!(matches!(
        record(&mut source, &missing, &mut |_| Vec::new()),
        Err(RecordError::NoChannel { wanted: 17, there: 16 })
    ));
}

#[test]
fn a_key_or_the_limit_stops_it() {
    let dir = tempfile::tempdir().unwrap();
    let limited = Plan { limit: Duration::from_secs(2), ..plan(dir.path(), &[1], None) };
    let done = run(&mut mono(vec![0.1; 160_000]), &limited);
    assert_eq!(done.ended, Ended::Limit);
    assert!((32_000..34_000).contains(&done.frames), "{}", done.frames);
    let dir = tempfile::tempdir().unwrap();
    let mut shown = 0;
    let mut face = |live: Option<&Live>| {
        shown += usize::from(live.is_some());
        if live.is_some_and(|l| l.length_s > 1.0) { vec![Order::Stop] } else { Vec::new() }
    };
    let mut source = mono(vec![0.1; 160_000]).paced(Pace::Times(4.0));
    let done = record(&mut source, &plan(dir.path(), &[1], None), &mut face).unwrap();
    assert_eq!(done.ended, Ended::Key);
    assert!(shown >= 2, "{shown}");
}

#[test]
fn the_pulse_channel_gives_the_strokes_and_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let (samples, pulses) = pump(20.0);
    let both: Vec<f32> = pulses.iter().zip(&samples).flat_map(|(p, s)| [*p, *s]).collect();
    let plan = plan(dir.path(), &[2], Some(1));
    let done = run(&mut Fake::new(both, Format { rate_hz: RATE_HZ, channels: 2 }), &plan);
    let live = done.live.tracks[0];
    assert!(live.pulses.is_some_and(|n| (20..=25).contains(&n)), "{live:?}");
    let clip = clip::read(&plan.tracks[0].path, &ReadSettings { pulse: Some(2), ..ReadSettings::default() }).unwrap();
    let analysis = crate::map::analyse(&clip, &crate::map::AnalyseSettings::default());
    assert!(analysis.takes[0].mark.is_some(), "{:?}", analysis.findings);
}

#[test]
fn taps_get_the_time_of_the_recording_and_the_angle_of_the_pulses() {
    let dir = tempfile::tempdir().unwrap();
    let (samples, pulses) = pump(20.0);
    let marks = crate::stroke::pulse_marks(&pulses, f64::from(RATE_HZ));
    let plan = plan(dir.path(), &[1], None);
    // Eight times as fast as it sounds would put the taps of a real clock eight times as far apart: so at real time, and short.
    let mut source = mono(samples).paced(Pace::Times(1.0));
    let start = Instant::now();
    let mut next = 0;
    let done = record(&mut source, &plan, &mut |_| {
        let mut out = Vec::new();
        while next < marks.len() && start.elapsed().as_secs_f64() >= marks[next] {
            out.push(Order::Tap(start + Duration::from_secs_f64(marks[next])));
            next += 1;
        }
        out
    })
    .unwrap();
    assert_eq!(done.taps_s.len(), next);
    assert!(next >= 20);
    // The clock here started a little before the source: that much is the same for all.
    let mut late: Vec<f64> = done.taps_s.iter().zip(&marks).map(|(tap, mark)| mark - tap).collect();
    late.sort_by(f64::total_cmp);
    let all = late[late.len() / 2];
    assert!((0.0..0.5).contains(&all) && late.iter().all(|l| (l - all).abs() < 0.03), "{late:?}");
    assert!(done.live.tap_angle.is_some_and(|a| a.known()), "{:?}", done.live);
    let kept = told(&plan.tracks[0].path).taps_s;
    assert!(kept.len() == next && kept.iter().zip(&done.taps_s).all(|(a, b)| (a - b).abs() < 1e-9), "{kept:?}");
    let file = taps_beside(&plan.tracks[0].path);
    write_taps(&file, &done.taps_s).unwrap();
    assert_eq!(clip::taps::read(&file).unwrap().len(), next);
}
