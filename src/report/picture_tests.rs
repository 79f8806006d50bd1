#![expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "made-up signals and pixel positions")]

use ndarray::Array2;

use super::*;
use crate::report::colour::lightness;
use crate::score::made_up;

/// A decoded picture.
struct Pixels {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

impl Pixels {
    fn of(bytes: &[u8]) -> Self {
        let mut reader = png::Decoder::new(bytes).read_info().unwrap();
        let mut rgb = vec![0; reader.output_buffer_size()];
        let info = reader.next_frame(&mut rgb).unwrap();
        Self { width: info.width as usize, height: info.height as usize, rgb }
    }

    /// L* of the pixel there.
    fn lightness(&self, x: f64, y: f64) -> f64 {
        let at = (y as usize * self.width + x as usize) * 3;
        lightness([self.rgb[at], self.rgb[at + 1], self.rgb[at + 2]])
    }
}

fn departed_over(arc_deg: [f64; 2]) -> ClipVerdict {
    ClipVerdict { arc_deg: Some(arc_deg), ..made_up::departed(2) }
}

fn small_map() -> StrokeMap {
    StrokeMap {
        level_db: Array2::from_shape_fn(
            (3, 4),
            |(i, k)| if (i, k) == (2, 3) { f32::NAN } else { -50.0 + 7.0 * (i + k) as f32 },
        ),
        edges_hz: vec![100.0, 500.0, 2000.0, 8000.0],
    }
}

#[test]
fn a_picture_is_wide_enough_for_paper() {
    let maps = made_up::maps(6.1, [190.0, 350.0], Angle::Absolute);
    let v = made_up::departed(2);
    let png = || canvas::png(&ChangePicture::new(&maps, &v, "title", Scale::FullScale).unwrap()).unwrap();
    let pixels = Pixels::of(&png());
    assert!(pixels.width >= 1200 && pixels.height >= 700, "{} x {}", pixels.width, pixels.height);
    assert_eq!(png(), png());
    let s = sound();
    let look = LookPicture::new(Some(&s), Some((&maps.good, Angle::Absolute)), "clip", &[], s.scale).unwrap();
    assert!(Pixels::of(&canvas::png(&look).unwrap()).width >= 1200);
}

/// Whether a black line (the outline) crosses the middle of the band near an angle of the difference panel.
fn line_at(picture: &ChangePicture<'_>, pixels: &Pixels, deg: f64) -> bool {
    let area = picture.areas()[2];
    let band = picture.verdict.band_hz.unwrap();
    let y = axis_of(&picture.maps.difference, area).y((band[0] * band[1]).sqrt());
    let x = area[0] + (area[2] - area[0]) * deg / 360.0;
    (-3..=3).any(|dx| pixels.lightness(x + f64::from(dx), y) < 5.0)
}

#[test]
fn an_arc_that_passes_360_gets_two_open_boxes() {
    let maps = made_up::maps(0.0, [0.0, 0.0], Angle::Relative);
    for (arc, lines, none) in [
        ([320.0, 60.0], vec![60.0, 320.0], vec![1.0, 190.0, 359.0]),
        ([190.0, 350.0], vec![190.0, 350.0], vec![1.0, 60.0, 270.0]),
    ] {
        let v = departed_over(arc);
        let picture = ChangePicture::new(&maps, &v, "", Scale::FullScale).unwrap();
        let pixels = Pixels::of(&canvas::png(&picture).unwrap());
        for deg in lines {
            assert!(line_at(&picture, &pixels, deg), "no line at {deg} for {arc:?}");
        }
        for deg in none {
            assert!(!line_at(&picture, &pixels, deg), "a line at {deg} for {arc:?}");
        }
    }
}

#[test]
fn louder_and_quieter_differ_in_grey() {
    let arc = [190.0, 350.0];
    let v = departed_over(arc);
    let render = |db: f32| {
        let maps = made_up::maps(db, arc, Angle::Absolute);
        let picture = ChangePicture::new(&maps, &v, "", Scale::FullScale).unwrap();
        (picture.areas()[2], Pixels::of(&canvas::png(&picture).unwrap()))
    };
    let ((area, up), (_, down)) = (render(6.0), render(-6.0));
    let mut differ = 0;
    for y in (area[1] as usize)..(area[3] as usize) {
        for x in (area[0] as usize)..(area[2] as usize) {
            if (up.lightness(x as f64, y as f64) - down.lightness(x as f64, y as f64)).abs() > 25.0 {
                differ += 1;
            }
        }
    }
    // The upright of every + that a - lacks: 12 by 3 pixels less the bar.
    assert!(differ > 15 * 20, "only {differ} pixels tell louder from quieter in grey");
}

fn svg_of(maps: &ChangeMaps, v: &ClipVerdict) -> String {
    canvas::svg(&ChangePicture::new(maps, v, "title", Scale::FullScale).unwrap()).unwrap()
}

#[test]
fn halves_and_valves_are_named_only_where_the_angle_is_absolute() {
    let v = made_up::departed(2);
    let absolute = svg_of(&made_up::maps(6.0, [190.0, 350.0], Angle::Absolute), &v);
    for text in
        ["discharge half", "suction half", "suction opens", "discharge shuts", "dB re full scale", "where it changed"]
    {
        assert!(absolute.contains(text), "{text}");
    }
    assert!(!absolute.contains("no data"));
    let relative = svg_of(&made_up::maps(6.0, [190.0, 350.0], Angle::Relative), &v);
    assert!(relative.contains("angle relative: origin unknown"));
    assert!(!relative.contains("discharge half") && !relative.contains("opens"));
}

#[test]
fn a_steady_clip_gets_no_outline() {
    let maps = made_up::maps(0.0, [0.0, 0.0], Angle::Absolute);
    assert!(!svg_of(&maps, &made_up::steady(1)).contains("where it changed"));
    assert!(!svg_of(&maps, &made_up::unjudged(1)).contains("where it changed"));
}

#[test]
fn cells_without_data_are_hatched_and_said() {
    let mut maps = made_up::maps(6.0, [190.0, 350.0], Angle::Absolute);
    lose_rows(&mut maps, 28);
    assert!(svg_of(&maps, &made_up::departed(2)).contains("no data"));
    lose_rows(&mut maps, 0);
    maps.good.level_db.fill(f32::INFINITY);
    assert!(svg_of(&maps, &made_up::departed(2)).contains("no data"));
}

#[test]
fn odd_maps_are_drawn_or_refused_but_never_panic() {
    let draw = |map: &StrokeMap| {
        canvas::png(&LookPicture::new(None, Some((map, Angle::Absolute)), "map", &[], Scale::FullScale)?)
    };
    let mut map = small_map();
    draw(&map).unwrap();
    map.edges_hz[0] = 0.0;
    draw(&map).unwrap();
    map.edges_hz[2] = 400.0;
    assert!(matches!(draw(&map), Err(ReportError::Shape { .. })));
    map.edges_hz.pop();
    assert!(matches!(draw(&map), Err(ReportError::Shape { .. })));
    let one_column = StrokeMap { level_db: Array2::zeros((3, 1)), ..small_map() };
    draw(&one_column).unwrap();
    let empty = StrokeMap { level_db: Array2::zeros((0, 0)), edges_hz: vec![] };
    assert!(matches!(draw(&empty), Err(ReportError::Empty { .. })));
    let mut v = made_up::departed(2);
    let maps = made_up::maps(6.0, [190.0, 350.0], Angle::Absolute);
    for (band, arc) in [
        (Some([1.0, 1e6]), Some([0.0, 360.0])),
        (Some([f64::NAN, 5.0]), Some([0.0, 10.0])),
        (Some([9000.0, 3000.0]), Some([-30.0, 725.0])),
        (Some([3000.0, 9000.0]), None),
        (None, Some([f64::INFINITY, 0.0])),
    ] {
        (v.band_hz, v.arc_deg) = (band, arc);
        assert!(!svg_of(&maps, &v).is_empty());
    }
    v.reading = "w".repeat(400);
    v.file = String::new();
    v.module = None;
    assert!(!svg_of(&maps, &v).is_empty());
}

#[test]
fn an_empty_spectrogram_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let draw = |s: &Spectrogram| look_picture(&dir.path().join("a.png"), s, None, "x", &[]);
    let mut s = sound();
    s.times_s.clear();
    assert!(matches!(draw(&s), Err(ReportError::Empty { .. })));
    let mut s = sound();
    s.freqs_hz.pop();
    assert!(matches!(draw(&s), Err(ReportError::Shape { .. })));
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[test]
fn only_png_and_svg_endings_are_taken() {
    let dir = tempfile::tempdir().unwrap();
    let s = sound();
    let draw = |name: &str| look_picture(&dir.path().join(name), &s, None, "m", &[]);
    for name in ["map.jpg", "map", "png"] {
        let err = draw(name).unwrap_err();
        assert!(matches!(err, ReportError::Ending { .. }) && err.to_string().contains(name), "{err}");
    }
    draw("MAP.PNG").unwrap();
}

#[test]
fn a_small_map_as_svg() {
    let map = small_map();
    let picture = LookPicture::new(None, Some((&map, Angle::Absolute)), "small", &[], Scale::Pascal).unwrap();
    insta::assert_snapshot!(canvas::svg(&picture).unwrap());
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
        look_picture(&at("spectrogram"), &s, None, "clip-07.wav", &[]).unwrap();
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
