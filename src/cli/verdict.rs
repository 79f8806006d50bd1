//! `seatsong verdict`: all modules of a round, ranked.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use super::book::{BookArg, go_on};
use super::options::picture_path;
use super::{Io, round};
use crate::book::{Change, RoundVerdict, Since};
use crate::clip::Scale;
use crate::report::{ground, picture, text, view, words};
use crate::score::{Angle, OddOnes};

/// Judge all modules of a round together against their accepted rounds, worst first
///
/// Modules without three accepted rounds are unjudged; they are compared with each other, which says less.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong verdict
  seatsong verdict 12 --json

A verdict is advice: opening a pump needs the site's permit to work, isolation, lock-out and bled pressure.")]
pub struct VerdictArgs {
    /// Number of the round, or last
    #[arg(default_value = "last")]
    round: String,
    /// Pump whose last round is meant [default: of all]
    #[arg(long, value_name = "NAME")]
    pump: Option<String>,
    /// Draw good, now and difference of the worst module
    #[arg(long, value_name = "OUT.png|.svg", value_parser = picture_path)]
    picture: Option<PathBuf>,
    /// Print JSON (schema seatsong.verdict/1) instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// Runs the command.
///
/// # Errors
/// No book, no such round, a round without clips, a picture that can't be written.
pub fn run(args: &VerdictArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let pump = args.pump.as_deref().map(|n| book.pump(n)).transpose()?;
    let row = book.round_named(&args.round, pump.as_ref())?;
    let bar = io.progress(book.n_to_analyse(&row)?, "stroke maps");
    let verdict = book.judge_round(&row, &|| bar.inc(1));
    bar.finish_and_clear();
    let verdict = verdict?;
    if args.json {
        io.json(&verdict.document())?;
    } else {
        tell(&verdict, io)?;
    }
    if let Some(path) = &args.picture {
        let drawable = |k: &usize| verdict.maps[*k].is_some();
        match words::worst_first(&verdict.clips).into_iter().find(drawable) {
            Some(k) => {
                if let Some(maps) = &verdict.maps[k] {
                    let (clip, scale) = (&verdict.clips[k], Scale::FullScale);
                    picture::change_map(path, &view::in_scale(maps, scale), clip, &clip.file, scale)?;
                    io.say(&format!("{}: picture of {}", path.display(), clip.file))?;
                }
            }
            None => io.say("no picture: no clip could be judged by its stroke")?,
        }
    }
    go_on(&mut book, io)?;
    Ok(ExitCode::SUCCESS)
}

/// Prints a verdict for a person.
pub(super) fn tell(v: &RoundVerdict, io: &mut Io<'_>) -> anyhow::Result<()> {
    writeln!(io.out, "{}\n", round::head(&v.round, &v.pump))?;
    write!(io.out, "{}", text::verdicts(&v.clips, io.text))?;
    if !v.changes.is_empty() {
        writeln!(io.out, "\nChange of departure (limit 1.0):")?;
        let mut modules: Vec<u32> = v.changes.iter().map(|c| c.module).collect();
        modules.dedup();
        for module in modules {
            let parts: Vec<String> = v.changes.iter().filter(|c| c.module == module).map(change).collect();
            writeln!(io.out, "  module {module}: {}", parts.join("; "))?;
        }
    }
    if let Some(odd) = &v.odd {
        writeln!(io.out)?;
        for line in odd_words(odd) {
            writeln!(io.out, "{line}")?;
        }
    }
    if let Some(why) = &v.odd_reason {
        writeln!(io.out, "\nModules were not compared with each other: {why}.")?;
    }
    let ground = ground::ground(&v.baselines, &v.odd_good, &v.skipped, io.text);
    if !ground.is_empty() {
        write!(io.out, "\n{ground}")?;
    }
    Ok(())
}

fn change(c: &Change) -> String {
    let since = match c.since {
        Since::LastRound => "since the round before",
        Since::Week => "since a week ago",
        Since::New => "since new",
    };
    let by = match (c.change, c.departure) {
        (Some(change), _) => format!("{change:+.2}"),
        (None, Some(then)) => format!("was {then:.2}"),
        (None, None) => format!("was {}", c.verdict),
    };
    format!("{by} {since} (round {})", c.round)
}

fn odd_words(odd: &OddOnes) -> Vec<String> {
    let mut out = vec![
        "Modules against each other (weaker: healthy modules differ too, and nothing here says by how much):"
            .to_owned(),
    ];
    for (k, m) in odd.ranking.iter().enumerate() {
        let place = if k == 0 { "stands out most" } else { "then" };
        let angle = match odd.angle {
            Angle::Absolute => words::arc(m.arc_deg),
            Angle::Relative => "at an angle that has no name without a crank mark".to_owned(),
        };
        out.push(format!(
            "  module {} {place}: {:.1} dB more than the others, {}, {angle}",
            m.module,
            m.excess_db,
            words::band(m.band_hz)
        ));
    }
    out.push(format!("  the first leads the second by {:.1} dB; listen to both before you trust it", odd.lead_db));
    out
}
