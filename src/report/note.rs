//! The one-page HTML note: modules ranked, verdicts in words, pictures embedded, cautions in view.
//!
//! One file that asks nothing of a network and runs no script; it reads on a phone, in a screen reader and on A4 paper.

use std::fmt::Write as _;

use base64::prelude::{BASE64_STANDARD, Engine as _};

use super::words;
use crate::clip::Effect;
use crate::score::{ClipVerdict, State};

/// What the note tells.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Note {
    /// Name of the rig.
    pub rig: String,
    /// When the round was taken, as it is to be read: `4 May 2031, 06:10`.
    pub when: String,
    /// The pumps in their own order.
    pub pumps: Vec<NotePump>,
    /// Remarks for the whole note, shown near its top: `All clips are made up`.
    pub remarks: Vec<String>,
}

/// One pump of the note.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NotePump {
    /// `Pump 1`.
    pub name: String,
    /// Strokes a minute, console reading or measured.
    pub spm: Option<f64>,
    /// Discharge pressure with its unit: `210 bar`.
    pub pressure: Option<String>,
    /// Further lines of its state, name and value: liner, mud, good rounds known.
    pub facts: Vec<(String, String)>,
    /// The clips of the round; the note ranks them.
    pub clips: Vec<NoteClip>,
    /// Remarks of whoever took the round.
    pub remarks: Vec<String>,
}

/// One clip and its picture.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteClip {
    /// What was found.
    pub verdict: ClipVerdict,
    /// The bytes of a PNG that shows it.
    pub picture: Option<Vec<u8>>,
}

/// Background and ink of a verdict's badge; every pair has a contrast above 4.5 (WCAG AA, tested).
pub(crate) fn badge_colours(state: State) -> (&'static str, &'static str) {
    match state {
        State::Departed => ("#8c2d04", "#ffffff"),
        State::Drifting => ("#ffcf70", "#1a1a1a"),
        State::Unjudged => ("#44475a", "#ffffff"),
        State::Steady => ("#d9efe0", "#0b3d1e"),
    }
}

/// The note as one HTML document.
#[must_use]
pub fn html(note: &Note) -> String {
    let mut out = String::new();
    let title = format!("Pump sound note: {}", note.rig);
    let _ = write!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n<style>\n{}</style>\n</head>\n\
<body>\n<header>\n<h1>{}</h1>\n<p class=\"when\">{}</p>\n</header>\n<main>\n",
        escape(&format!("{title}, {}", note.when)),
        include_str!("note.css"),
        escape(&title),
        escape(&note.when)
    );
    lead(&mut out, note);
    for remark in &note.remarks {
        let _ = writeln!(out, "<p>{}</p>", escape(remark));
    }
    let _ = writeln!(out, "<p class=\"caution\"><strong>Caution.</strong> {}</p>", escape(words::CAUTION_LINE));
    ranking(&mut out, note);
    for pump in &note.pumps {
        pump_section(&mut out, pump, ranked(note).first().map(|(_, clip)| *clip));
    }
    recordings(&mut out, note);
    how_sure(&mut out, note);
    out.push_str("<section class=\"cautions\">\n<h2>Cautions</h2>\n<ul>\n");
    for caution in words::CAUTIONS {
        let _ = writeln!(out, "<li>{}</li>", escape(caution));
    }
    out.push_str("</ul>\n</section>\n</main>\n");
    let _ = write!(
        out,
        "<footer>\n<p class=\"when\">Made by seatsong {} from sound alone.</p>\n</footer>\n</body>\n</html>\n",
        env!("CARGO_PKG_VERSION")
    );
    out
}

/// Text made safe for HTML text and double-quoted attributes.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // Control characters have no place in HTML.
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Every clip with its pump, worst first.
fn ranked(note: &Note) -> Vec<(&NotePump, &NoteClip)> {
    let mut all: Vec<(&NotePump, &NoteClip)> =
        note.pumps.iter().flat_map(|p| p.clips.iter().map(move |c| (p, c))).collect();
    all.sort_by(|a, b| {
        let (ra, rb) = (words::rank(&a.1.verdict), words::rank(&b.1.verdict));
        rb.0.cmp(&ra.0).then(rb.1.total_cmp(&ra.1))
    });
    all
}

fn badge(state: State) -> String {
    let (back, ink) = badge_colours(state);
    let sign = match state {
        State::Departed => "!! ",
        State::Drifting => "! ",
        State::Unjudged => "? ",
        State::Steady => "",
    };
    format!("<span class=\"badge\" style=\"background:{back};color:{ink}\">{sign}{}</span>", words::state(state))
}

fn lead(out: &mut String, note: &Note) {
    let all = ranked(note);
    let of = |state: State| all.iter().filter(|(_, c)| c.verdict.verdict == state).count();
    let (steady, unjudged) = (of(State::Steady), of(State::Unjudged));
    out.push_str("<section class=\"lead\">\n");
    match all.first() {
        None => out.push_str("<h2>No clips in this note</h2>\n"),
        Some((pump, clip)) if matches!(clip.verdict.verdict, State::Departed | State::Drifting) => {
            let v = &clip.verdict;
            let verb = if v.verdict == State::Departed { "Look at" } else { "Listen again at" };
            let _ = writeln!(
                out,
                "<h2>{verb} {}, {}</h2>\n<p>{} {}.{}</p>",
                escape(&pump.name),
                escape(&lower_module(v)),
                badge(v.verdict),
                escape(&words::capital(&words::change(v))),
                escape(&words::how_far(v).map_or(String::new(), |far| format!(" {far}.")))
            );
            // What it means is told with the pump; here only what to do.
            if let (_, Some(next)) = words::reading_parts(v) {
                let _ = writeln!(out, "<p><strong>Next:</strong> {}</p>", escape(&words::capital(next)));
            }
        }
        Some(_) if steady == 0 => out.push_str("<h2>No clip could be judged</h2>\n"),
        Some(_) => {
            let who = if steady == 1 { "1 module sounds like its" } else { "modules sound like their" };
            let count = if steady == 1 { String::new() } else { format!("{steady} ") };
            let all_of = if unjudged == 0 && steady > 1 { "All " } else { "" };
            let _ = writeln!(out, "<h2>{all_of}{count}{who} good runs</h2>");
        }
    }
    let mut rest = Vec::new();
    for (state, what) in [
        (State::Departed, "departed"),
        (State::Drifting, "drifting"),
        (State::Unjudged, "could not be judged"),
        (State::Steady, "steady"),
    ] {
        let n = of(state);
        if n > 0 {
            rest.push(format!("{n} {what}"));
        }
    }
    if all.len() > 1 {
        let _ = writeln!(out, "<p>Of {} clips: {}.</p>", all.len(), rest.join(", "));
    }
    out.push_str("</section>\n");
}

/// `module 2`, or the file's name.
fn lower_module(v: &ClipVerdict) -> String {
    v.module.map_or_else(|| words::who(v), |m| format!("module {m}"))
}

fn ranking(out: &mut String, note: &Note) {
    let all = ranked(note);
    if all.is_empty() {
        return;
    }
    out.push_str(
        "<section>\n<h2>All modules, worst first</h2>\n<table role=\"table\">\n<thead><tr role=\"row\">\
<th scope=\"col\">Module</th><th scope=\"col\">Verdict</th><th scope=\"col\" class=\"n\">× limit</th>\
<th scope=\"col\">What changed</th><th scope=\"col\" class=\"wide\">By chance</th>\
</tr></thead>\n<tbody>\n",
    );
    for (pump, clip) in all {
        let v = &clip.verdict;
        let what = match v.verdict {
            State::Steady => "nothing".to_owned(),
            State::Unjudged => v.reason.clone().unwrap_or_else(|| "no reason was given".into()),
            _ => words::change(v),
        };
        let chance = if v.verdict == State::Steady { None } else { v.false_alarm };
        let _ = writeln!(
            out,
            "<tr role=\"row\"><th scope=\"row\" role=\"rowheader\">{}, {}</th><td role=\"cell\">{}</td>\
<td role=\"cell\" class=\"n\">{}</td><td role=\"cell\" class=\"what\">{}</td><td role=\"cell\" class=\"wide\">{}</td></tr>",
            escape(&pump.name),
            escape(&lower_module(v)),
            badge(v.verdict),
            v.departure.map_or(String::new(), |d| format!("{d:.1}")),
            escape(&what),
            chance.map_or("–".into(), |p| words::chance(p).replace(" healthy clips", ""))
        );
    }
    out.push_str("</tbody>\n</table>\n</section>\n");
}

/// One pump; `lead` is the clip that the top of the note has told of already.
fn pump_section(out: &mut String, pump: &NotePump, lead: Option<&NoteClip>) {
    let _ = writeln!(out, "<section>\n<h2>{}</h2>", escape(&pump.name));
    let mut facts: Vec<(String, String)> = Vec::new();
    if let Some(spm) = pump.spm {
        facts.push(("Speed".into(), format!("{spm:.1} SPM")));
    }
    if let Some(pressure) = &pump.pressure {
        facts.push(("Pressure".into(), pressure.clone()));
    }
    facts.extend(pump.facts.iter().cloned());
    list(out, &facts);
    for remark in &pump.remarks {
        let _ = writeln!(out, "<p>{}</p>", escape(remark));
    }
    let verdicts: Vec<ClipVerdict> = pump.clips.iter().map(|c| c.verdict.clone()).collect();
    let mut steady = Vec::new();
    for i in words::worst_first(&verdicts) {
        let clip = &pump.clips[i];
        if clip.verdict.verdict == State::Steady && clip.picture.is_none() {
            let far = clip.verdict.departure.map_or(String::new(), |d| format!(" ({d:.1} of the limit)"));
            steady.push(format!("{}{far}", lower_module(&clip.verdict)));
        } else {
            clip_article(out, clip, lead.is_some_and(|lead| std::ptr::eq(lead, clip)));
        }
    }
    if !steady.is_empty() {
        let _ = writeln!(out, "<p>{} {}.</p>", badge(State::Steady), escape(&words::capital(&steady.join(", "))));
    }
    out.push_str("</section>\n");
}

fn list(out: &mut String, facts: &[(String, String)]) {
    if facts.is_empty() {
        return;
    }
    out.push_str("<dl>\n");
    for (name, value) in facts {
        let _ = writeln!(out, "<div><dt>{}</dt><dd>{}</dd></div>", escape(name), escape(value));
    }
    out.push_str("</dl>\n");
}

fn clip_article(out: &mut String, clip: &NoteClip, is_lead: bool) {
    let v = &clip.verdict;
    let _ = writeln!(out, "<article>\n<h3>{} {}</h3>", escape(&words::who(v)), badge(v.verdict));
    if v.verdict == State::Unjudged {
        let reason = v.reason.as_deref().unwrap_or("no reason was given");
        let _ = writeln!(out, "<p>No verdict: {}</p>", escape(reason));
    }
    let (meaning, next) = words::reading_parts(v);
    if !meaning.is_empty() {
        let _ = writeln!(out, "<p>{}</p>", escape(meaning));
    }
    if let Some(next) = next {
        // On paper the lead stands on the same page: once is enough there.
        let class = if is_lead { " class=\"again\"" } else { "" };
        let _ = writeln!(out, "<p{class}><strong>Next:</strong> {}</p>", escape(&words::capital(next)));
    }
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut fact = |name: &str, value: String| facts.push((name.into(), value));
    if let Some(far) = words::how_far(v) {
        fact("How far", far);
    }
    if matches!(v.verdict, State::Drifting | State::Departed) {
        fact("Half, pattern", format!("{}, {}", words::half(v.half), words::pattern(v.pattern)));
        let place = [v.excess_db.map(words::louder), v.band_hz.map(words::band), v.arc_deg.map(words::arc)];
        let place: Vec<String> = place.into_iter().flatten().collect();
        if !place.is_empty() {
            fact("Change", place.join(", "));
        }
    }
    let mut clip_facts = vec![v.file.clone()];
    clip_facts.extend(v.spm.map(|spm| format!("{spm:.1} SPM")));
    clip_facts.extend(v.strokes.map(|n| format!("{n} strokes")));
    clip_facts.extend(v.lock.map(|lock| format!("lock {lock:.2}")));
    clip_facts.extend(v.level_db.map(|db| format!("{} on the whole", words::louder(db))));
    fact("Clip", clip_facts.join(", "));
    list(out, &facts);
    if let Some(png) = &clip.picture {
        let _ = writeln!(
            out,
            "<figure>\n<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"picture\">\
<img alt=\"{}\" src=\"data:image/png;base64,{}\"></div>\n<figcaption>Crank angle across, frequency up. \
Darker is louder; in the difference + is louder, − quieter, and the box is where it changed.<span class=\"swipe\"> Swipe for the good runs and now.</span></figcaption>\n</figure>",
            escape(&alt_text(v)),
            BASE64_STANDARD.encode(png),
        );
    }
    out.push_str("</article>\n");
}

/// What a reader who can't see the picture needs of it.
fn alt_text(v: &ClipVerdict) -> String {
    let mut text = format!("Three stroke maps: good runs, now, difference. {}.", words::headline(v));
    if let (Some(band), Some(arc)) = (v.band_hz, v.arc_deg) {
        text += &format!(" Outlined in the difference: {}, {}.", words::band(band), words::arc(arc));
    }
    text
}

fn recordings(out: &mut String, note: &Note) {
    let all = ranked(note);
    let findings: Vec<String> = all
        .iter()
        .flat_map(|(pump, clip)| {
            clip.verdict.quality.iter().map(move |f| {
                let effect = if f.effect == Effect::Refuse { ", no verdict" } else { "" };
                let who = lower_module(&clip.verdict);
                format!("{}, {who} ({}{effect}): {}", pump.name, f.code.as_str(), f.text)
            })
        })
        .collect();
    if findings.is_empty() {
        return;
    }
    out.push_str("<section>\n<h2>About the recordings</h2>\n<ul>\n");
    for finding in findings {
        let _ = writeln!(out, "<li>{}</li>", escape(&finding));
    }
    out.push_str("</ul>\n</section>\n");
}

fn how_sure(out: &mut String, note: &Note) {
    let judged = note.pumps.iter().flat_map(|p| &p.clips).filter(|c| c.verdict.verdict != State::Unjudged).count();
    out.push_str("<section>\n<h2>How sure is it?</h2>\n<p>");
    let mut text = String::from(
        "The limit (1.0) is set from this pump's own good runs so that one healthy clip in a hundred passes it by chance. ",
    );
    if judged > 1 {
        // Chance of at least one in `judged` independent clips at one in a hundred each.
        let some = 100.0 * (1.0 - 0.99_f64.powi(i32::try_from(judged).unwrap_or(i32::MAX)));
        let _ = write!(text, "Of a hundred notes on {judged} healthy clips, about {some:.0} hold a false alarm. ");
    }
    text.push_str(
        "Drifting means: record once more before doing anything. Departed means: look. Steady means: like its good runs, \
not cleared; what was already wrong in the good runs, or makes no sound, is not heard. With few good runs the limit is \
shakier. Half and pattern point at usual causes, and the same sound can have another one.",
    );
    out.push_str(&escape(&text));
    out.push_str("</p>\n</section>\n");
}

#[cfg(test)]
#[path = "note_tests.rs"]
mod tests;
