use std::f64::consts::PI;

use seatsong::inside::clip::{Clip, ClipError, Code, CsvUnit, Effect, ReadSettings, Scale, parse_csv_bytes};

use crate::helper::{found, noise};

const G: f64 = 9.806_65;

/// A value in g, at row `i` of a 2 kHz table.
fn value(i: usize) -> f64 {
    0.5 * (2.0 * PI * 50.0 * i as f64 / 2000.0).sin() + 0.1 * f64::from(noise(1, i)) + 1.0
}

const ROWS: usize = 8000;

fn table(header: &str, row: impl Fn(usize) -> String) -> String {
    let rows: Vec<String> = (0..ROWS).map(row).collect();
    format!("{header}{}\n", rows.join("\n"))
}

fn clip_of(text: &str) -> Clip {
    parse_csv_bytes(text.as_bytes(), &ReadSettings::default()).unwrap()
}

fn assert_values(clip: &Clip, unit: f64, step: f64) {
    assert_eq!(clip.samples.len(), ROWS);
    assert_eq!(clip.scale, Scale::MetrePerSecond2);
    for (i, &x) in clip.samples.iter().enumerate() {
        assert!((f64::from(x) - value(i) * unit).abs() < step * unit + 1.0e-5, "row {i}: {x}");
    }
}

fn time(i: usize) -> f64 {
    i as f64 / 2000.0
}

#[test]
fn every_separator_with_and_without_header_is_read() {
    for header in [true, false] {
        for separator in [",", ";", "\t", " "] {
            let head = if header { format!("time{separator}acc\n") } else { String::new() };
            let text = table(&head, |i| format!("{:.5}{separator}{:.5}", time(i), value(i)));
            let clip = clip_of(&text);
            assert!((clip.sample_rate_hz - 2000.0).abs() < 1.0e-6, "`{separator}`: {}", clip.sample_rate_hz);
            assert_values(&clip, G, 1.0e-5);
            assert!(clip.findings.is_empty(), "{:?}", clip.findings);
            assert_eq!((clip.channels, clip.format.as_str()), (1, "CSV"));
        }
    }
}

/// In a file nobody can be asked whether 1,250 is a thousand or one and a quarter.
#[test]
fn decimal_commas_are_refused_with_their_line_wherever_they_stand() {
    let refused = |text: &str| match parse_csv_bytes(text.as_bytes(), &ReadSettings::default()) {
        Err(err @ ClipError::Table { line, .. }) => {
            let told = err.to_string();
            assert!(told.contains("has a comma") && told.contains("decimal point"), "{told}");
            line
        }
        other => panic!("{other:?}"),
    };
    let comma = |x: f64| format!("{x:.5}").replace('.', ",");
    for (separator, quote) in [(";", ""), ("\t", ""), (" ", ""), (",", "\"")] {
        let cell = |x: f64| format!("{quote}{}{quote}", comma(x));
        let row = |i: usize| format!("{}{separator}{}", cell(time(i)), cell(value(i)));
        assert_eq!(refused(&table("", row)), 1, "`{separator}`");
        assert_eq!(refused(&table(&format!("# logger\ntime{separator}acc\n"), row)), 3, "`{separator}`");
    }
    // One column; and one cell far behind the beginning, in the values and in the times.
    assert_eq!(refused(&table("", |i| comma(value(i) - 1.0))), 1);
    for late in [(true, false), (false, true)] {
        let text = table("time;acc\n", |i| {
            let cell =
                |x: f64, comma: bool| if comma { format!("{x:.5}").replace('.', ",") } else { format!("{x:.5}") };
            format!("{};{}", cell(time(i), i == 7900 && late.0), cell(value(i), i == 7900 && late.1))
        });
        assert_eq!(refused(&text), 7902);
    }
}

#[test]
fn byte_order_mark_comments_crlf_and_spreadsheet_lines_do_not_matter() {
    let text = table("\u{feff}# logger 7\r\nsep=;\r\n\r\nTime [s];Acc X [g]\r\n", |i| {
        format!("{:.5};{:.5}\r", time(i), value(i)) + if i % 1000 == 10 { "\n# still here" } else { "" }
    });
    let clip = clip_of(&text);
    assert_values(&clip, G, 1.0e-5);
    assert!(clip.findings.is_empty(), "{:?}", clip.findings);
}

#[test]
fn one_column_needs_a_rate() {
    let text = table("", |i| format!("{:.4}", value(i) - 1.0));
    let settings = ReadSettings { rate_hz: Some(2000.0), ..ReadSettings::default() };
    let clip = parse_csv_bytes(text.as_bytes(), &settings).unwrap();
    assert_eq!((clip.channels, clip.samples.len()), (1, ROWS));
    assert!((f64::from(clip.samples[33]) - (value(33) - 1.0) * G).abs() < 1.0e-3 * G);
    let err = parse_csv_bytes(text.as_bytes(), &ReadSettings::default()).unwrap_err();
    assert!(matches!(err, ClipError::NoRate { .. }), "{err}");
}

#[test]
fn the_unit_comes_from_the_header_or_the_setting() {
    let row = |i: usize| format!("{:.5},{:.5}", time(i), value(i));
    assert_values(&clip_of(&table("t,x (m/s2)\n", row)), 1.0, 1.0e-5);
    assert_values(&clip_of(&table("t,x (m/s\u{b2})\n", row)), 1.0, 1.0e-5);
    assert_values(&clip_of(&table("t,x\ns,g\n", row)), G, 1.0e-5);
    let settings = ReadSettings { csv_unit: CsvUnit::MetrePerSecond2, ..ReadSettings::default() };
    assert_values(&parse_csv_bytes(table("t,x\n", row).as_bytes(), &settings).unwrap(), 1.0, 1.0e-5);
}

#[test]
fn times_in_milliseconds_microseconds_and_of_day_are_read() {
    for (head, factor) in [("time (ms),x\n", 1.0e3), ("t_us,x\n", 1.0e6)] {
        let clip = clip_of(&table(head, |i| format!("{:.4},{:.5}", time(i) * factor, value(i))));
        assert!((clip.sample_rate_hz - 2000.0).abs() < 1.0e-6, "{head}: {}", clip.sample_rate_hz);
    }
    let day = table("timestamp,x\n", |i| {
        let ms = i as u64 / 2;
        let half = if i % 2 == 0 { "000" } else { "500" };
        format!("2026-03-01T23:59:{:02}.{:03}{half}Z,{:.5}", 55 + ms / 1000, ms % 1000, value(i))
    });
    let clip = clip_of(&day);
    assert!((clip.sample_rate_hz - 2000.0).abs() < 0.01, "{}", clip.sample_rate_hz);
    assert_values(&clip, G, 1.0e-5);
    // Milliseconds that nobody named: the rate given tells.
    let text = table("", |i| format!("{:.1},{:.5}", time(i) * 1.0e3, value(i)));
    let err = parse_csv_bytes(text.as_bytes(), &ReadSettings::default()).unwrap_err();
    assert!(matches!(err, ClipError::RateOutOfRange { .. }), "{err}");
    let settings = ReadSettings { rate_hz: Some(2000.0), ..ReadSettings::default() };
    let clip = parse_csv_bytes(text.as_bytes(), &settings).unwrap();
    assert!((clip.sample_rate_hz - 2000.0).abs() < 1.0e-6);
    assert!(clip.findings.is_empty(), "{:?}", clip.findings);
}

#[test]
fn several_columns_are_channels_and_a_line_count_is_not() {
    let text = table("n,time,x,y,z\n", |i| {
        format!("{i},{:.5},{:.5},{:.5},{:.5}", time(i), value(i), 2.0 * value(i), -value(i))
    });
    for (channel, factor) in [(1, 1.0), (2, 2.0), (3, -1.0)] {
        let settings = ReadSettings { channel: Some(channel), ..ReadSettings::default() };
        let clip = parse_csv_bytes(text.as_bytes(), &settings).unwrap();
        assert_eq!(clip.channels, 3);
        assert!((f64::from(clip.samples[9]) - factor * value(9) * G).abs() < 1.0e-3);
    }
}

#[test]
fn an_uneven_clock_warns_and_a_useless_one_is_refused() {
    let with = |wobble: f64| {
        table("time,x\n", |i| format!("{:.7},{:.5}", time(i) + wobble / 2000.0 * (i as f64 * 1.7).sin(), value(i)))
    };
    assert_eq!(found(&clip_of(&with(0.2))), [(Code::TimeJitter, Effect::Warn)]);
    let text = with(0.9);
    let err = parse_csv_bytes(text.as_bytes(), &ReadSettings::default()).unwrap_err();
    assert!(matches!(err, ClipError::TimeColumn { .. }), "{err}");
    assert!(err.to_string().contains("--rate"));
    let settings = ReadSettings { rate_hz: Some(2000.0), ..ReadSettings::default() };
    let clip = parse_csv_bytes(text.as_bytes(), &settings).unwrap();
    assert_eq!(found(&clip), [(Code::TimeJitter, Effect::Warn)]);
    assert!((clip.sample_rate_hz - 2000.0).abs() < 1.0e-9);
}

#[test]
fn missing_rows_cells_and_a_cut_end_are_told() {
    let gap = table("time,x\n", |i| format!("{:.5},{:.5}", time(i) + if i > 4000 { 0.75 } else { 0.0 }, value(i)));
    assert_eq!(found(&clip_of(&gap)), [(Code::Dropouts, Effect::Warn)]);
    // The same, with dates: however long ago the calendar began, a step is a step.
    let of_day = |us: usize| format!("2026-03-01T06:00:{:02}.{:06}Z", us / 1_000_000, us % 1_000_000);
    let gap =
        table("time,x\n", |i| format!("{},{:.5}", of_day(500 * i + if i > 4000 { 750_000 } else { 0 }), value(i)));
    let clip = clip_of(&gap);
    assert_eq!(found(&clip), [(Code::Dropouts, Effect::Warn)]);
    assert!((clip.sample_rate_hz - 2000.0).abs() < 1.0e-3, "{}", clip.sample_rate_hz);
    let hole = table("time,x\n", |i| {
        if i == 500 { format!("{:.5},", time(i)) } else { format!("{:.5},{:.5}", time(i), value(i)) }
    });
    assert_eq!(found(&clip_of(&hole)), [(Code::NotFinite, Effect::Warn)]);
    let whole = table("time,x\n", |i| format!("{:.5},{:.5}", time(i), value(i)));
    let at = whole.rfind(',').unwrap();
    let clip = clip_of(&whole[..at]);
    assert_eq!(found(&clip), [(Code::CutOff, Effect::Warn)]);
    assert_eq!(clip.samples.len(), ROWS - 1);
}

#[test]
fn an_overloaded_accelerometer_is_clipped() {
    let text = table("time,x\n", |i| format!("{:.5},{:.3}", time(i), (20.0 * (value(i) - 1.0)).clamp(-8.0, 8.0)));
    assert_eq!(found(&clip_of(&text)), [(Code::Clipped, Effect::Refuse)]);
}
