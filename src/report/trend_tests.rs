use super::*;
use crate::score::made_up::healthy;
use crate::score::trend::{PartMark, TrendInput, TrendRound, TrendSettings, trend};

/// A made-up series: six rounds a day, excess two dB for each departure above the middle.
fn module(number: u32, series: &[f64], marks: &[(usize, &str)]) -> Trend {
    let at = |i: usize| 1_700_000_000 + 14_400 * i64::try_from(i).unwrap();
    let rounds = series.iter().enumerate().map(|(i, d)| TrendRound {
        time_s: at(i),
        strokes: None,
        departure: Some(*d),
        excess_db: Some(2.0 * (d - 0.4)),
        hiss_sd: None,
        good: i < 8,
    });
    let marks =
        marks.iter().map(|(i, text)| PartMark { time_s: at(*i), strokes: None, text: (*text).to_owned() }).collect();
    let input = TrendInput { module: Some(number), rounds: rounds.collect(), marks, look_at: None };
    trend(&input, &TrendSettings::default())
}

fn creeping() -> Vec<f64> {
    let mut d = healthy(150, 3);
    for (i, v) in d.iter_mut().enumerate() {
        *v = 0.2 + 0.6 * *v + 0.045 * (i as f64 / 6.0 - 15.0).max(0.0);
    }
    d
}

fn jump() -> Vec<f64> {
    let mut d = healthy(150, 9);
    d[130..].iter_mut().for_each(|v| *v += 1.4);
    d
}

fn samples() -> Vec<(&'static str, Vec<Trend>)> {
    let part: Vec<f64> = jump().into_iter().chain(healthy(50, 77)).collect();
    vec![
        ("pump", vec![module(1, &healthy(150, 1), &[]), module(2, &creeping(), &[]), module(3, &jump(), &[])]),
        ("few", vec![module(1, &healthy(4, 1), &[]), module(2, &healthy(1, 2), &[])]),
        ("part", vec![module(1, &part, &[(60, "liner and piston"), (148, "suction valve and seat"), (199, "gasket")])]),
        ("years", vec![module(1, &healthy(20_000, 5), &[(9000, "module")])]),
    ]
}

#[test]
fn pictures_of_every_kind_of_series_are_drawn() {
    // SEATSONG_LOOK=folder keeps them to look at.
    let keep = std::env::var_os("SEATSONG_LOOK");
    for (name, trends) in samples() {
        let dir = tempfile::tempdir().unwrap();
        let folder = keep.as_ref().map_or(dir.path(), |k| Path::new(k));
        for ending in ["png", "svg"] {
            let path = folder.join(format!("trend-{name}.{ending}"));
            trend_picture(&path, &trends, "Rig Heron, pump 1, 12 March, 06:00", TrendView::default()).unwrap();
            assert!(std::fs::metadata(&path).unwrap().len() > 3000, "{name}");
        }
    }
}

#[test]
fn words_stay_on_the_page_and_marks_are_named() {
    for (name, trends) in samples() {
        let picture = TrendPicture::new(&trends, "Rig Heron", TrendView::default()).unwrap();
        let svg = canvas::svg(&picture).unwrap();
        let texts: Vec<&str> = svg.split("<text").skip(1).collect();
        assert!(texts.len() > 8, "{name}");
        for text in texts {
            let number = |key: &str| -> f64 {
                let from = text.split(&format!("{key}=\"")).nth(1).unwrap();
                from.split('"').next().unwrap().parse().unwrap()
            };
            let words = text.split('>').nth(1).unwrap().split('<').next().unwrap().trim().replace("&apos;", "'");
            let bold = text.contains("bold");
            let look = Lettering::new(number("font-size"));
            let width = canvas::text_width(&words, if bold { look.bold() } else { look }).unwrap();
            let x = number(" x");
            let [left, right] = if text.contains("text-anchor=\"end\"") {
                [x - width, x]
            } else if text.contains("text-anchor=\"middle\"") {
                [x - width / 2.0, x + width / 2.0]
            } else {
                [x, x + width]
            };
            assert!(left >= 0.0 && right <= f64::from(WIDTH), "{name}: {words:?} from {left} to {right}");
        }
        if name == "part" {
            assert!(svg.contains("new: suction") && svg.contains("new: gasket"));
        }
    }
}

#[test]
fn a_drift_line_is_drawn_only_when_a_drift_is_announced() {
    let drawn = |t: Trend| {
        let trends = [t];
        canvas::svg(&TrendPicture::new(&trends, "", TrendView::default()).unwrap()).unwrap().contains("<polyline")
    };
    assert!(drawn(module(2, &creeping(), &[])));
    assert!(!drawn(module(1, &healthy(150, 1), &[])));
}

#[test]
fn nothing_to_show_is_an_error() {
    for trends in [vec![], vec![module(1, &[], &[])]] {
        let none = TrendPicture::new(&trends, "", TrendView::default());
        assert!(matches!(none, Err(ReportError::Empty { .. })));
    }
}

#[test]
fn over_strokes_the_marks_and_the_line_stand_where_the_strokes_are() {
    // 16,000 strokes a round but for a stop: half of the days have none.
    let mut t = module(2, &creeping(), &[(40, "seat")]);
    let over_strokes = TrendView { along: Along::Strokes, days: None };
    let none = TrendPicture::new(std::slice::from_ref(&t), "", over_strokes);
    assert!(matches!(none, Err(ReportError::Empty { what }) if what.contains("running hours")));
    let n = t.points.len();
    for (i, p) in t.points.iter_mut().enumerate() {
        p.strokes = Some(16_000.0 * i.min(n / 2) as f64);
    }
    t.marks[0].strokes = Some(16_000.0 * 40.0);
    let trends = [t];
    let picture = TrendPicture::new(&trends, "", over_strokes).unwrap();
    let svg = canvas::svg(&picture).unwrap();
    assert!(svg.contains("million strokes") && svg.contains("new: seat"), "names of the axis and of the mark");
    let share = |k: usize| {
        let x = |k: usize| picture.x_of(&trends[0].points[k]).unwrap();
        (x(k) - x(0)) / (x(n - 1) - x(0))
    };
    assert!((share(40) - 40.0 / (n / 2) as f64).abs() < 1e-9, "{}", share(40));
    assert!((share(n / 2) - 1.0).abs() < 1e-9, "no strokes, no way along the axis");
}
