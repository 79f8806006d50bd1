//! The sentences that terminal text, pictures and the note share, so that all three say the same thing.

use crate::score::{ClipVerdict, Half, Pattern, State};

/// Advice on safety that stands under every verdict, one sentence an item.
pub const CAUTIONS: [&str; 5] = [
    "Wear hearing protection at a running pump; keep recordings short and never take protection off to listen.",
    "Keep clear of rods, belts and the relief line; never lean over a cap or touch a running fluid end to place a sensor.",
    "A verdict is advice, not a clearance: it points at where to look and can be wrong.",
    "Opening a pump needs the site's permit to work, isolation, lock-out and bled pressure by the people licensed for it.",
    "Limits come from the maker's data plate and the site, never from this note.",
];

/// One line of the same for the terminal.
pub const CAUTION_LINE: &str = "Advice only. Hearing protection; keep clear of rods, belts and the relief line. Opening a \
pump needs permit to work, isolation, lock-out and bled pressure by the people licensed for it.";

/// `Steady`, `Drifting`, ...: the verdict as the JSON contract has it.
#[must_use]
pub fn state(state: State) -> &'static str {
    match state {
        State::Steady => "steady",
        State::Drifting => "drifting",
        State::Departed => "departed",
        State::Unjudged => "unjudged",
    }
}

/// The pattern as the JSON contract has it.
#[must_use]
pub fn pattern(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::Hiss => "hiss",
        Pattern::Knock => "knock",
        Pattern::Shifted => "shifted",
        Pattern::Missing => "missing",
        Pattern::Tone => "tone",
        Pattern::AllRound => "all-round",
        Pattern::Unclear => "unclear",
    }
}

/// The half as the JSON contract has it.
fn half(half: Half) -> &'static str {
    match half {
        Half::Discharge => "discharge",
        Half::Suction => "suction",
        Half::Both => "both",
        Half::Unknown => "unknown",
    }
}

/// How bad a verdict is, for sorting worst first: departed, drifting, unjudged, steady; then by departure.
///
/// An unjudged clip stands above the steady ones: nobody knows whether it is well.
#[must_use]
pub fn rank(v: &ClipVerdict) -> (u8, f64) {
    let class = match v.verdict {
        State::Departed => 3,
        State::Drifting => 2,
        State::Unjudged => 1,
        State::Steady => 0,
    };
    (class, v.departure.filter(|d| !d.is_nan()).unwrap_or(f64::NEG_INFINITY))
}

/// Indices of the clips, worst first; equal ones stay in order.
#[must_use]
pub fn worst_first(clips: &[ClipVerdict]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..clips.len()).collect();
    order.sort_by(|a, b| {
        let (ra, rb) = (rank(&clips[*a]), rank(&clips[*b]));
        rb.0.cmp(&ra.0).then(rb.1.total_cmp(&ra.1))
    });
    order
}

/// `Module 2`, or the file's name where the module is not known.
#[must_use]
pub fn who(v: &ClipVerdict) -> String {
    match v.module {
        Some(module) => format!("Module {module}"),
        None => v.file.rsplit(['/', '\\']).next().unwrap_or(&v.file).to_owned(),
    }
}

/// `hiss in the suction half`.
#[must_use]
pub fn what(v: &ClipVerdict) -> String {
    let shape = match v.pattern {
        Pattern::Hiss => "hiss",
        Pattern::Knock => "knock",
        Pattern::Shifted => "a healthy event comes early or late",
        Pattern::Missing => "a healthy event is gone",
        Pattern::Tone => "a tone stands out",
        Pattern::AllRound => return "changed all round the turn".into(),
        Pattern::Unclear => "changed, in no clear pattern",
    };
    let joint = match (v.probable_half, v.pattern) {
        (Some(_), _) => ", probably ",
        (None, Pattern::Hiss | Pattern::Knock | Pattern::Tone) => " ",
        _ => ", ",
    };
    match v.probable_half.unwrap_or(v.half) {
        Half::Discharge => format!("{shape}{joint}in the discharge half"),
        Half::Suction => format!("{shape}{joint}in the suction half"),
        Half::Both => format!("{shape}{joint}in both halves"),
        Half::Unknown => shape.into(),
    }
}

/// The half as a fact: `suction`, or `probably suction` where the taps of one clip propose it.
#[must_use]
pub fn half_known(v: &ClipVerdict) -> String {
    match v.probable_half {
        Some(probable) => format!("probably {}", half(probable)),
        None => half(v.half).into(),
    }
}

/// `+6.1 dB`, with a true minus sign when quieter. Number and unit are held together by a no-break space.
#[must_use]
pub fn decibels(db: f64) -> String {
    let rounded = (db * 10.0).round() / 10.0;
    if rounded < 0.0 { format!("−{:.1}\u{a0}dB", -rounded) } else { format!("+{:.1}\u{a0}dB", rounded.abs()) }
}

/// `6.1 dB louder`.
#[must_use]
pub fn louder(db: f64) -> String {
    format!("{:.1}\u{a0}dB {}", db.abs(), if db < 0.0 { "quieter" } else { "louder" })
}

/// `3.2–11 kHz`, `300–900 Hz`, `800 Hz–2.4 kHz`.
#[must_use]
pub fn band(band_hz: [f64; 2]) -> String {
    let [low, high] = band_hz;
    match (low >= 1000.0, high >= 1000.0) {
        (true, true) => format!("{}–{}\u{a0}kHz", kilo(low), kilo(high)),
        (false, true) => format!("{low:.0}\u{a0}Hz–{}\u{a0}kHz", kilo(high)),
        _ => format!("{low:.0}–{high:.0}\u{a0}Hz"),
    }
}

/// A frequency in kHz to two figures, one decimal below 10.
#[must_use]
pub fn kilo(freq_hz: f64) -> String {
    let khz = freq_hz / 1000.0;
    if khz >= 9.95 { format!("{khz:.0}") } else { format!("{}", (khz * 10.0).round() / 10.0) }
}

/// `185° to 355°`.
#[must_use]
pub fn arc(arc_deg: [f64; 2]) -> String {
    format!("{:.0}° to {:.0}°", arc_deg[0], arc_deg[1])
}

/// A whole number with commas: `5,000`.
#[must_use]
pub fn thousands(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// The chance of a false alarm as a count of healthy clips: `1 in 5,000 healthy clips`.
#[must_use]
pub fn chance(false_alarm: f64) -> String {
    if !false_alarm.is_finite() || false_alarm < 0.0 {
        return "chance not known".into();
    }
    if false_alarm < 1e-6 {
        return "fewer than 1 in 1,000,000 healthy clips".into();
    }
    if false_alarm > 0.4 {
        return "as many healthy clips do".into();
    }
    let n = 1.0 / false_alarm;
    // One figure is all that such a chance is good for; two below 20.
    let round_to = if n < 20.0 { 1.0 } else { 10_f64.powf(n.log10().floor()) };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 2 and 1e6")]
    let n = ((n / round_to).round() * round_to) as u64;
    format!("1 in {} healthy clips", thousands(n))
}

/// [`chance`] as a sentence without a full stop: `1 in 5,000 healthy clips departs this far`.
#[must_use]
pub fn chance_sentence(false_alarm: f64) -> String {
    let chance = chance(false_alarm);
    if chance.starts_with("fewer") {
        format!("{chance} depart this far")
    } else if chance.starts_with('1') {
        format!("{chance} departs this far")
    } else {
        chance
    }
}

/// `3.4 times the limit`.
#[must_use]
pub fn times_limit(departure: f64) -> String {
    if departure < 10.0 { format!("{departure:.1} times the limit") } else { format!("{departure:.0} times the limit") }
}

/// What changed, how much and where: `hiss in the suction half, 6.1 dB louder, 3.2–11 kHz`.
#[must_use]
pub fn change(v: &ClipVerdict) -> String {
    let parts = [Some(what(v)), v.excess_db.map(louder), v.band_hz.map(band)];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// How far and how sure: `3.4 times the limit: 1 in 5,000 healthy clips departs this far`; `None` without a departure.
#[must_use]
pub fn how_far(v: &ClipVerdict) -> Option<String> {
    let far = times_limit(v.departure?);
    Some(v.false_alarm.map_or(far.clone(), |p| format!("{far}: {}", chance_sentence(p))))
}

/// The verdict in one line: `Module 2: departed — hiss in the suction half, +6.1 dB, 3.2–11 kHz`.
#[must_use]
pub fn headline(v: &ClipVerdict) -> String {
    format!("{}: {}", who(v), verdict_phrase(v))
}

/// [`headline`] without the name in front.
#[must_use]
pub fn verdict_phrase(v: &ClipVerdict) -> String {
    match v.verdict {
        State::Unjudged => {
            let reason = v.reason.as_deref().filter(|r| !r.trim().is_empty()).unwrap_or("no reason was given");
            format!("unjudged — {}", reason.trim())
        }
        State::Steady => match v.departure {
            Some(d) => format!("steady — like its good runs ({d:.1} of the limit)"),
            None => "steady — like its good runs".into(),
        },
        State::Drifting | State::Departed => {
            let mut out = format!("{} — {}", state(v.verdict), what(v));
            if let Some(db) = v.excess_db {
                out += &format!(", {}", decibels(db));
            }
            if let Some(hz) = v.band_hz {
                out += &format!(", {}", band(hz));
            }
            out
        }
    }
}

/// The reading in two: what it means, and what to look at next (the part after "next:", if it has one).
#[must_use]
pub fn reading_parts(v: &ClipVerdict) -> (&str, Option<&str>) {
    let reading = v.reading.trim();
    // Lower-casing ASCII keeps every byte in its place, so the position holds in the original.
    match reading.to_ascii_lowercase().find("next:") {
        Some(at) => {
            let next = reading[at + "next:".len()..].trim();
            (reading[..at].trim(), (!next.is_empty()).then_some(next))
        }
        None => (reading, None),
    }
}

/// The text with its first letter made a capital.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::made_up;

    #[test]
    fn headline_says_who_how_bad_what_where() {
        assert_eq!(
            headline(&made_up::departed(2)).replace('\u{a0}', " "),
            "Module 2: departed — hiss in the suction half, +6.1 dB, 3.2–11 kHz"
        );
        assert_eq!(headline(&made_up::steady(1)), "Module 1: steady — like its good runs (0.4 of the limit)");
        assert!(headline(&made_up::unjudged(3)).starts_with("Module 3: unjudged — only 6 strokes"));
        let mut nameless = made_up::departed(2);
        nameless.module = None;
        assert!(headline(&nameless).starts_with("m2-now.wav: departed"));
    }

    #[test]
    fn chances_in_words() {
        for (p, want) in [
            (0.0002, "1 in 5,000 healthy clips"),
            (0.01, "1 in 100 healthy clips"),
            (0.0131, "1 in 80 healthy clips"),
            (0.2, "1 in 5 healthy clips"),
            (0.9, "as many healthy clips do"),
            (0.0, "fewer than 1 in 1,000,000 healthy clips"),
            (f64::NAN, "chance not known"),
        ] {
            assert_eq!(chance(p), want, "{p}");
        }
    }

    #[test]
    fn bands_and_decibels() {
        assert_eq!(band([3200.0, 11_000.0]), "3.2–11\u{a0}kHz");
        assert_eq!(band([300.0, 900.0]), "300–900\u{a0}Hz");
        assert_eq!(band([800.0, 2400.0]), "800\u{a0}Hz–2.4\u{a0}kHz");
        assert_eq!(decibels(-2.04), "−2.0\u{a0}dB");
        assert_eq!(decibels(-0.01), "+0.0\u{a0}dB");
    }

    #[test]
    fn next_step_is_the_part_after_next() {
        let mut v = made_up::departed(2);
        v.reading = "Usually the valve. Next: dry spots.".into();
        assert_eq!(reading_parts(&v), ("Usually the valve.", Some("dry spots.")));
        v.reading = "Look round it.".into();
        assert_eq!(reading_parts(&v), ("Look round it.", None));
        v.reading = "Ölig. NEXT:".into();
        assert_eq!(reading_parts(&v), ("Ölig.", None));
    }

    #[test]
    fn unjudged_stands_between_drifting_and_steady() {
        let clips = [made_up::steady(1), made_up::unjudged(2), made_up::departed(3), made_up::drifting(4)];
        assert_eq!(worst_first(&clips), [2, 3, 1, 0]);
    }
}
