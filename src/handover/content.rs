//! From what a tour hands over to the blocks of its note, the most pressing first.

use super::block::{Align, Block, Column, Item, Row, Span};
use super::{Handover, ModulePart, PumpPart};
use crate::report::words;
use crate::score::State;
use crate::tour::cross::Weight;

/// Most steps named at the top: more is no order of importance any longer.
const MOST_STEPS: usize = 7;

/// Most pictures of modules: the worst are what a reader looks at.
const MOST_PICTURES: usize = 2;

/// Letters of a job's name in its heading.
const LONGEST_NAME: usize = 80;

/// What comes first, most pressing first: what the supervisor is to be told, modules that departed, readings outside their limits, work that
/// is open, missed checks, modules that drift.
#[must_use]
pub fn first_steps(note: &Handover) -> Vec<String> {
    let mut out = Vec::new();
    for pump in &note.pumps {
        let tell = pump.remarks.iter().filter(|r| r.weight == Weight::Tell);
        out.extend(tell.map(|r| format!("{}: tell the supervisor: {}.", pump.name, r.words())));
    }
    module_steps(note, State::Departed, "Look at", &mut out);
    for pump in &note.pumps {
        for r in pump.readings.iter().filter(|r| r.outside == Some(true)) {
            let now = r.now.as_deref().unwrap_or("not read");
            out.push(format!("{}: {} is outside its limits: {now}; {}.", pump.name, r.name, r.limit));
        }
        for job in pump.work.iter().filter(|w| !w.unconfirmed.is_empty()) {
            let open = job.unconfirmed.join("; ");
            out.push(format!(
                "{}: work {} on {}: the site still has to confirm {open}.",
                pump.name, job.stage, job.name
            ));
        }
    }
    module_steps(note, State::Drifting, "Listen again at", &mut out);
    for pump in note.pumps.iter().filter(|p| !p.checks.missed.is_empty()) {
        out.push(format!("{}: missed checks: {}.", pump.name, pump.checks.missed.join("; ")));
    }
    out
}

fn module_steps(note: &Handover, state: State, verb: &str, out: &mut Vec<String>) {
    for pump in &note.pumps {
        let of_state: Vec<&ModulePart> = ranked(pump).into_iter().filter(|m| m.verdict.verdict == state).collect();
        let Some((worst, others)) = of_state.split_first() else { continue };
        let who = |m: &ModulePart| words::who(&m.verdict).to_lowercase();
        let next = words::reading_parts(&worst.verdict).1.map_or(String::new(), |n| format!(" {}", words::capital(n)));
        // The next modules are heard through the block: one place to start is what a tired reader needs.
        let also = if others.is_empty() {
            String::new()
        } else {
            let names: Vec<String> = others.iter().map(|m| who(m)).collect();
            format!(" Then {}, also {}.", names.join(" and "), words::state(state))
        };
        out.push(format!("{verb} {}, {}: {}.{next}{also}", pump.name, who(worst), words::what(&worst.verdict)));
    }
}

/// The modules of a pump, worst first.
fn ranked(pump: &PumpPart) -> Vec<&ModulePart> {
    let mut all: Vec<&ModulePart> = pump.modules.iter().collect();
    all.sort_by(|a, b| {
        let (ra, rb) = (words::rank(&a.verdict), words::rank(&b.verdict));
        rb.0.cmp(&ra.0).then(rb.1.total_cmp(&ra.1))
    });
    all
}

/// The blocks of a note.
#[must_use]
pub fn content(note: &Handover) -> Vec<Block> {
    let mut out = vec![
        Block::Heading(1, format!("Pump handover: {}", note.rig)),
        Block::Small(format!("Tour {}. Note made {}.", note.tour, note.made)),
    ];
    out.extend(note.remarks.iter().map(|r| Block::Para(vec![Span::text(r)])));
    let mut steps = first_steps(note);
    let more = steps.len().saturating_sub(MOST_STEPS);
    steps.truncate(MOST_STEPS);
    if more > 0 {
        steps.push(format!("And {more} more, with the pumps below."));
    }
    let steps: Vec<Item<Vec<Span>>> = steps.into_iter().map(|s| Item::plain(vec![Span::text(s)])).collect();
    let title = if steps.is_empty() { "Nothing is out of turn".to_owned() } else { "First".to_owned() };
    out.push(Block::First { title, steps });
    out.push(Block::Caution(words::CAUTION_LINE.to_owned()));
    concerns(note, &mut out);
    for pump in &note.pumps {
        pump_blocks(pump, &mut out);
    }
    out.push(Block::Heading(2, "Sign-off".into()));
    out.push(Block::Signatures(vec![
        ("Handed over by", note.sign_off.giver.clone()),
        ("Taken over by", note.sign_off.receiver.clone()),
    ]));
    if note.sign_off.giver.is_some() && note.sign_off.receiver.is_none() {
        out.push(Block::Small("Frozen when it was handed over: who takes over stands in the box at its top.".into()));
    }
    out.push(Block::Heading(2, "Cautions".into()));
    out.push(plain_list(words::CAUTIONS.iter().map(|c| vec![Span::text(*c)]).collect(), "cautions"));
    out.push(Block::Small(
        "Drifting: record once more before doing anything. Departed: look. Steady: like its good runs, not cleared. Where \"rule of \
thumb\" stands, no maker's or site's figure was entered; theirs wins."
            .into(),
    ));
    out
}

fn concerns(note: &Handover, out: &mut Vec<Block>) {
    out.push(Block::Heading(2, "Open concerns".into()));
    if note.concerns.is_empty() {
        out.push(Block::Para(vec![Span::text("None.")]));
        return;
    }
    let item = |c: &super::Concern| {
        let pump = c.pump.as_ref().map_or(String::new(), |p| format!("{p}: "));
        vec![Span::strong(format!("No. {} ", c.number)), Span::text(format!("{pump}{} (since {})", c.text, c.since))]
    };
    out.push(plain_list(note.concerns.iter().map(item).collect(), "open concerns: seatsong concern list"));
}

fn plain_list(items: Vec<Vec<Span>>, of: &'static str) -> Block {
    Block::List { items: items.into_iter().map(Item::plain).collect(), of }
}

fn pump_blocks(pump: &PumpPart, out: &mut Vec<Block>) {
    out.push(Block::Pump);
    out.push(Block::Heading(2, pump.name.clone()));
    let lines = vec![
        vec![Span::strong("Runs: "), Span::text(&pump.running)],
        [vec![Span::strong("Sounds: ")], sound_line(pump)].concat(),
        vec![Span::strong("Tour: "), Span::text(tour_line(pump))],
    ];
    // The three lines that a reader sees first are the last to go.
    out.push(Block::List { items: lines.into_iter().map(Item::pressing).collect(), of: "lines" });
    modules(pump, out);
    drifts(pump, out);
    readings(pump, out);
    if !pump.trends.is_empty() {
        out.push(Block::Heading(3, "Readings over time".into()));
        out.push(Block::Trends(pump.trends.clone()));
    }
    checks(pump, out);
    if !pump.parts.is_empty() {
        out.push(Block::Heading(3, "Parts".into()));
        out.push(plain_list(pump.parts.iter().map(|p| vec![Span::text(p)]).collect(), "parts: seatsong part list"));
    }
    work(pump, out);
    photos(pump, out);
}

/// How the modules go over the rounds: the sentence of each that is not steady, and the picture of the worst.
fn drifts(pump: &PumpPart, out: &mut Vec<Block>) {
    if pump.drifts.is_empty() {
        return;
    }
    out.push(Block::Heading(3, "Modules over time".into()));
    out.push(plain_list(
        pump.drifts.iter().map(|d| vec![Span::text(&d.sentence)]).collect(),
        "modules over time: seatsong trend",
    ));
    for d in &pump.drifts {
        if let Some(png) = &d.picture {
            out.push(Block::Picture {
                png: png.clone(),
                alt: format!("Departure over time. {}", d.sentence),
                caption: "Dots: rounds, rings: accepted good ones. Solid line: limit; dashed: twice the limit.".into(),
            });
        }
    }
}

fn photos(pump: &PumpPart, out: &mut Vec<Block>) {
    if pump.photos.is_empty() {
        return;
    }
    out.push(Block::Heading(3, "Photos".into()));
    out.push(Block::Photos(pump.photos.iter().cloned().map(Item::plain).collect()));
}

fn work(pump: &PumpPart, out: &mut Vec<Block>) {
    // What is not over stands first: it is the last that paper leaves out.
    let (over, open): (Vec<_>, Vec<_>) =
        pump.work.iter().partition(|w| w.unconfirmed.is_empty() && matches!(w.stage.as_str(), "closed" | "called off"));
    for job in open.into_iter().chain(over) {
        let short: String = job.name.chars().take(LONGEST_NAME).collect();
        let dots = if short.len() < job.name.len() { "…" } else { "" };
        out.push(Block::Heading(3, format!("Work: {short}{dots} ({})", job.stage)));
        if !dots.is_empty() {
            out.push(Block::Para(vec![Span::text(&job.name)]));
        }
        if !job.unconfirmed.is_empty() {
            out.push(Block::Para(vec![
                Span::flag("NOT CONFIRMED"),
                Span::text(format!(" The site still has to confirm: {}.", job.unconfirmed.join("; "))),
            ]));
        }
        if job.stage == "closed" && job.unconfirmed.is_empty() {
            // What is over takes a paragraph, what is open a line a step. What was found and done stands first: paper may cut the rest.
            let (report, before) = job.lines.split_last().map_or(("", &[][..]), |(l, b)| (l.as_str(), b));
            let mut para = vec![Span::strong(format!("{report}."))];
            if !before.is_empty() {
                para.push(Span::text(format!(" Before: {}.", before.join("; "))));
            }
            out.push(Block::Para(para));
        } else {
            let items = job.lines.iter().map(|l| {
                let line = vec![Span::text(l)];
                if l.contains("NOT CONFIRMED") { Item::pressing(line) } else { Item::plain(line) }
            });
            out.push(Block::List { items: items.collect(), of: "entries of this job: seatsong work list" });
        }
    }
}

fn sound_line(pump: &PumpPart) -> Vec<Span> {
    let ranked = ranked(pump);
    let Some(worst) = ranked.first() else { return vec![Span::text("no clips in this tour")] };
    let v = &worst.verdict;
    let of = |state: State| ranked.iter().filter(|m| m.verdict.verdict == state).count();
    let mut out = match v.verdict {
        State::Steady => vec![Span::text("like its good runs")],
        State::Unjudged => vec![Span::text(format!("{} could not be judged", words::who(v)))],
        _ => {
            let since = worst.since.as_ref().map_or(String::new(), |s| format!(", since {s}"));
            vec![
                Span::text(format!("{} ", words::who(v))),
                Span::Badge(v.verdict),
                Span::text(format!(": {}{since}", words::change(v))),
            ]
        }
    };
    let counts: Vec<String> = [
        (State::Departed, "departed"),
        (State::Drifting, "drifting"),
        (State::Unjudged, "not judged"),
        (State::Steady, "steady"),
    ]
    .iter()
    .filter(|(s, _)| of(*s) > 0)
    .map(|(s, word)| format!("{} {word}", of(*s)))
    .collect();
    out.push(Span::text(format!(" ({})", counts.join(", "))));
    out
}

fn tour_line(pump: &PumpPart) -> String {
    let c = &pump.checks;
    let mut out = format!("{} checks made, {} missed, {} left out", c.done, c.n_missed, c.skipped.len());
    let outside = pump.readings.iter().filter(|r| r.outside == Some(true)).count();
    if outside > 0 {
        out += &format!("; {outside} {} outside the limits", if outside == 1 { "reading" } else { "readings" });
    }
    let open: Vec<&str> = pump.work.iter().filter(|w| w.stage != "closed").map(|w| w.name.as_str()).collect();
    if !open.is_empty() {
        out += &format!("; work open: {}", open.join(", "));
    }
    out
}

fn column(head: &'static str, align: Align, share: f64) -> Column {
    Column { head, align, share }
}

fn modules(pump: &PumpPart, out: &mut Vec<Block>) {
    if pump.modules.is_empty() {
        return;
    }
    out.push(Block::Heading(3, "Modules, worst first".into()));
    let row = |m: &&ModulePart| -> Row {
        let v = &m.verdict;
        let what = match v.verdict {
            State::Steady => "nothing".to_owned(),
            State::Unjudged => v.reason.clone().unwrap_or_else(|| "no reason was given".into()),
            _ => words::change(v),
        };
        vec![
            vec![Span::strong(words::who(v))],
            vec![Span::Badge(v.verdict)],
            vec![Span::text(v.departure.map_or_else(|| "–".into(), |d| format!("{d:.1}")))],
            vec![Span::text(what)],
            vec![Span::text(m.since.clone().unwrap_or_else(|| "–".into()))],
            vec![Span::text(&m.taken)],
        ]
    };
    let ranked = ranked(pump);
    out.push(Block::Table {
        caption: format!("Modules of {}, worst first", pump.name),
        columns: vec![
            column("Module", Align::Left, 0.12),
            column("Verdict", Align::Left, 0.13),
            column("× limit", Align::Right, 0.08),
            column("What changed", Align::Left, 0.41),
            column("Since", Align::Left, 0.16),
            column("Heard", Align::Left, 0.10),
        ],
        rows: ranked
            .iter()
            .map(|m| Item { first: m.verdict.verdict == State::Departed, ..Item::plain(row(m)) })
            .collect(),
        of: "modules: seatsong verdict last",
    });
    for (k, m) in ranked.iter().filter(|m| matches!(m.verdict.verdict, State::Departed | State::Drifting)).enumerate() {
        let v = &m.verdict;
        let (meaning, next) = words::reading_parts(v);
        let mut para = vec![Span::strong(format!("{}: ", words::who(v))), Span::text(meaning)];
        if let Some(next) = next {
            para.extend([Span::strong(" Next: "), Span::text(words::capital(next))]);
        }
        if let Some(p) = v.false_alarm {
            para.push(Span::text(format!(" {}.", words::capital(&words::chance_sentence(p)))));
        }
        out.push(Block::Para(para));
        if let Some(png) = m.picture.as_ref().filter(|_| k < MOST_PICTURES) {
            let alt = format!("Stroke maps: good runs, now, difference. {}", words::headline(v));
            let caption = format!(
                "{}: crank angle across, frequency up, darker is louder. In the difference + is louder, − quieter; the box is where it changed.",
                words::who(v)
            );
            out.push(Block::Picture { png: png.clone(), alt, caption });
        }
        if let Some(command) = &m.hear {
            out.push(Block::Sound {
                wav: m.sound.clone(),
                label: format!("{}: a good run after one low beep, now after two high ones, in turn", words::who(v)),
                command: command.clone(),
            });
        }
    }
}

fn readings(pump: &PumpPart, out: &mut Vec<Block>) {
    if pump.readings.is_empty() && pump.remarks.is_empty() {
        return;
    }
    out.push(Block::Heading(3, "Readings".into()));
    let row = |r: &super::Reading| -> Item<Row> {
        let mut now = vec![Span::text(r.now.clone().unwrap_or_else(|| "not read in this tour".into()))];
        if r.outside == Some(true) {
            now.push(Span::text(" "));
            now.push(Span::flag("OUTSIDE"));
        }
        let cells = vec![
            vec![Span::strong(&r.name)],
            now,
            vec![Span::text(r.before.clone().unwrap_or_else(|| "–".into()))],
            vec![Span::text(&r.limit)],
        ];
        Item { first: r.outside == Some(true), ..Item::plain(cells) }
    };
    // A table of nothing but gaps buries what was read; what was read before still counts.
    let any = pump.readings.iter().any(|r| r.now.is_some());
    let shown: Vec<&super::Reading> = pump.readings.iter().filter(|r| any || r.before.is_some()).collect();
    if !any {
        out.push(Block::Para(vec![Span::text("No readings were entered in this tour.")]));
    }
    if !shown.is_empty() {
        out.push(Block::Table {
            caption: format!("Readings of {}", pump.name),
            columns: vec![
                column("Reading", Align::Left, 0.27),
                column("Now", Align::Left, 0.26),
                column("Before", Align::Left, 0.19),
                column("Limit", Align::Left, 0.28),
            ],
            rows: shown.into_iter().map(row).collect(),
            of: "readings: seatsong reading list",
        });
    }
    let said: Vec<Item<Vec<Span>>> = pump
        .remarks
        .iter()
        .filter(|r| r.weight != Weight::Missing)
        .map(|r| {
            let flag = match r.weight {
                Weight::Tell => Some("TELL"),
                Weight::Look => Some("LOOK"),
                _ => None,
            };
            let mut spans: Vec<Span> = flag.map(|f| vec![Span::flag(f), Span::text(" ")]).unwrap_or_default();
            spans.push(Span::text(words::capital(&r.words())));
            Item { first: flag.is_some(), ..Item::plain(spans) }
        })
        .collect();
    if !said.is_empty() {
        out.push(Block::List { items: said, of: "remarks on readings: in the note on the screen" });
    }
}

fn checks(pump: &PumpPart, out: &mut Vec<Block>) {
    let c = &pump.checks;
    out.push(Block::Heading(3, "Checks".into()));
    let mut items = vec![Item::plain(vec![Span::text(format!("{} made", c.done))])];
    items
        .extend(c.attention.iter().map(|a| Item::pressing(vec![Span::flag("ATTENTION"), Span::text(format!(" {a}"))])));
    if !c.missed.is_empty() {
        items.push(Item::pressing(vec![Span::flag("MISSED"), Span::text(format!(" {}", c.missed.join("; ")))]));
    }
    if !c.never.is_empty() {
        items.push(Item::plain(vec![Span::strong("No entry yet: "), Span::text(c.never.join("; "))]));
    }
    items.extend(
        c.skipped
            .iter()
            .map(|(what, why)| Item::plain(vec![Span::strong("Left out: "), Span::text(format!("{what}: {why}"))])),
    );
    out.push(Block::List { items, of: "entries of the check sheet: seatsong reading list" });
}
