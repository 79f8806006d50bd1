//! What a person reads about the good clips that a verdict stands on.

use super::text::{TextSettings, wrap};
use super::words;
use crate::score::{Angle, BaselineInfo, OddGood, SkippedGood};

/// A paragraph a baseline, then the good clips that do not fit or were left out. Each line ends with a line break.
#[must_use]
pub fn ground(baselines: &[BaselineInfo], odd: &[OddGood], skipped: &[SkippedGood], settings: TextSettings) -> String {
    let width = settings.width.clamp(72, 120);
    let mut out = String::new();
    let rounds = one_round(baselines);
    if let Some(line) = &rounds {
        put(&mut out, line, width);
    }
    for b in baselines {
        if rounds.is_none() {
            put(&mut out, &baseline(b), width);
        }
        // Odd clips have lines of their own below.
        for finding in b.quality.iter().filter(|f| f.code.as_str() != "odd-good") {
            put(&mut out, &format!("  {}: {}", finding.code.as_str(), finding.text), width);
        }
    }
    if baselines.iter().any(|b| b.angle == Angle::Relative) {
        let hint = "Angles count from an arbitrary point: with a pulse channel in one good clip (--pulse), or taps in two that \
                    agree (--taps), the half of the stroke gets its name.";
        put(&mut out, hint, width);
    }
    for o in odd {
        let times = words::times_limit(o.departure);
        let todo =
            if o.left_out { "it was left out (--skip-odd)" } else { "listen to it; --skip-odd judges without it" };
        put(&mut out, &format!("Odd good clip: {} is {times} from the other good ones: {todo}.", o.file), width);
    }
    for s in skipped {
        put(&mut out, &format!("Good clip left out: {}: {}", s.file, s.why), width);
    }
    out
}

/// One line for the modules of a pump that were all recorded alike, or `None`.
fn one_round(baselines: &[BaselineInfo]) -> Option<String> {
    let (first, rest) = baselines.split_first()?;
    let rate_hz = first.sample_rate_hz;
    let alike = |b: &BaselineInfo| {
        b.clips == first.clips
            && b.rounds == first.rounds
            && b.angle == first.angle
            && b.sample_rate_hz.total_cmp(&rate_hz).is_eq()
    };
    // Findings are told of their own module.
    if rest.is_empty() || !rest.iter().all(alike) || baselines.iter().any(|b| !b.quality.is_empty()) {
        return None;
    }
    let modules: Vec<String> = baselines.iter().map(|b| b.module.map(|m| m.to_string())).collect::<Option<_>>()?;
    let low = baselines.iter().map(|b| b.spm[0]).fold(f64::INFINITY, f64::min);
    let high = baselines.iter().map(|b| b.spm[1]).fold(0.0, f64::max);
    let whole = BaselineInfo { module: None, spm: [low, high], ..first.clone() };
    Some(said(&whole, &format!(" of modules {}", modules.join(", ")), " each"))
}

fn baseline(b: &BaselineInfo) -> String {
    said(b, &b.module.map(|m| format!(" of module {m}")).unwrap_or_default(), "")
}

fn said(b: &BaselineInfo, whose: &str, each: &str) -> String {
    let [low, high] = b.spm;
    // Machines without strokes have no speed.
    let speed = if high > 0.0 { format!(", {low:.1} to {high:.1} SPM") } else { String::new() };
    let angle = match b.angle {
        Angle::Absolute => "crank angle known",
        Angle::Relative => "crank angle not known",
    };
    let rounds = match (b.rounds, b.rounds_known) {
        (n, true) if n == b.clips => each.to_owned(),
        (n, false) if n == b.clips => format!("{each}, every file taken as a round of its own"),
        (1, true) => format!("{each} of 1 round"),
        (n, true) => format!("{each} of {n} rounds"),
        (n, false) => format!("{each} of {n} rounds, a file without one taken as a round of its own"),
    };
    format!("Good runs{whose}: {} clips{rounds}{speed}, {} kHz, {angle}.", b.clips, b.sample_rate_hz / 1000.0)
}

fn put(out: &mut String, text: &str, width: usize) {
    let indent = text.len() - text.trim_start().len();
    for (i, line) in wrap(text.trim_start(), width - indent - 2).iter().enumerate() {
        out.extend(std::iter::repeat_n(' ', indent + if i == 0 { 0 } else { 2 }));
        out.push_str(line);
        out.push('\n');
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{Code, Finding};

    #[test]
    fn the_words_about_good_clips() {
        let one = BaselineInfo {
            module: Some(2),
            clips: 4,
            rounds: 4,
            rounds_known: true,
            spm: [66.04, 74.1],
            sample_rate_hz: 44_100.0,
            angle: Angle::Relative,
            quality: vec![Finding::warn(Code::FewGood, "4 good clips, 8 make the limit firmer.")],
        };
        let three: Vec<BaselineInfo> = (1..=3)
            .map(|m| BaselineInfo { module: Some(m), quality: Vec::new(), angle: Angle::Absolute, ..one.clone() })
            .collect();
        let odd = OddGood { file: "wed.wav".into(), module: Some(2), departure: 2.3, left_out: false };
        let bad = SkippedGood { file: "thu.wav".into(), why: "is empty".into() };
        let text = ground(&[one], &[odd], &[bad], TextSettings { width: 80, colour: false });
        let alike = ground(&three, &[], &[], TextSettings { width: 80, colour: false });
        insta::assert_snapshot!(format!("{text}---\n{alike}"));
    }
}
