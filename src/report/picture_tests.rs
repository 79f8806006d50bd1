use super::*;
use crate::report::made_up;

fn png_size(png: &[u8]) -> (u32, u32) {
    let word = |at: usize| u32::from_be_bytes([png[at], png[at + 1], png[at + 2], png[at + 3]]);
    assert_eq!(&png[1..4], b"PNG");
    (word(16), word(20))
}

/// Takes the data away from a row upwards, as a clip of a lower sample rate would lack it.
fn lose_rows(maps: &mut ChangeMaps, from: usize) {
    for map in [&mut maps.now, &mut maps.difference] {
        map.level_db.slice_axis_mut(ndarray::Axis(0), (from..).into()).fill(f32::NAN);
    }
}

/// Writes every picture to `$SEATSONG_LOOK` for a person to look at: `cargo test --lib look_at -- --ignored`.
#[test]
#[ignore = "for a person to look at"]
fn look_at_every_picture() {
    let dir = std::path::PathBuf::from(std::env::var("SEATSONG_LOOK").unwrap_or("/tmp/report_look".into()));
    std::fs::create_dir_all(&dir).unwrap();
    for ending in ["png", "svg"] {
        let at = |name: &str| dir.join(format!("{name}.{ending}"));
        let title = "Rig Example 7 · pump 1 · 4 May 2031, 06:10";
        let v = made_up::departed(2);
        let hiss = made_up::maps(6.1, [190.0, 350.0], Angle::Absolute);
        change_map(&at("hiss"), &hiss, &v, title, Scale::FullScale).unwrap();
        let mut wrapped = made_up::maps(-5.0, [320.0, 60.0], Angle::Relative);
        lose_rows(&mut wrapped, 28);
        let mut v = made_up::drifting(3);
        v.arc_deg = Some([320.0, 60.0]);
        v.band_hz = Some([3000.0, 12_000.0]);
        change_map(&at("wrapped"), &wrapped, &v, title, Scale::Pascal).unwrap();
        let calm = made_up::maps(0.0, [0.0, 0.0], Angle::Absolute);
        change_map(&at("steady"), &calm, &made_up::steady(1), title, Scale::MetrePerSecond2).unwrap();
        let s = sound();
        look_picture(
            &at("look"),
            &s,
            Some((&hiss.good, Angle::Absolute)),
            "clip-07.wav: 71.9 SPM, lock 0.93, clean",
            &["48 kHz, WAV 24-bit integer, 12.0 s; loudest sample -6.1 dB re full scale; 14 strokes.".into()],
        )
        .unwrap();
        spectrogram(&at("spectrogram"), &s, "clip-07.wav").unwrap();
        stroke_map(&at("map"), &hiss.now, Angle::Relative, "clip-07.wav", Scale::FullScale).unwrap();
    }
}

/// Twelve seconds at 72 SPM: two knocks a stroke over noise.
fn sound() -> Spectrogram {
    let rate = 48_000.0;
    let mut state = 1_u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state) / f64::from(u32::MAX) - 0.5
    };
    let period = 60.0 / 72.0;
    let mut low = 0.0;
    let samples: Vec<f32> = (0..12 * 48_000)
        .map(|i| {
            let t = f64::from(i) / rate;
            low += 0.05 * (noise() - low);
            let knock = |at: f64, hz: f64| {
                let since = (t - at * period).rem_euclid(period);
                (-since * 60.0).exp() * (std::f64::consts::TAU * hz * since).sin()
            };
            (0.1 * low + 0.2 * knock(0.02, 900.0) + 0.25 * knock(0.52, 2300.0) + 0.004 * noise()) as f32
        })
        .collect();
    let mut s = spectrogram_of(&samples, rate, Scale::FullScale, 1300).unwrap();
    s.stroke_times_s = (0..14).map(|k| f64::from(k) * period).collect();
    s
}
