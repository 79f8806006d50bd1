//! A trend in plain words: what it does, how soon, what to look at. Never what is broken.

use super::{Crossing, DAY_S, DEPARTED, LIMIT, Trend, TrendPoint, TrendState, Witness, line};

/// What to look at when nobody said anything better.
const LOOK_AT: &str = "the liner-wash returns for mud, and the gauge against its last readings at the same strokes";

/// The sentence of a trend.
///
/// # Arguments
/// - `t`: all but its sentence; `now`: the rounds since the last change of part.
/// - `look_at`: what to look at, without a full stop.
#[must_use]
pub fn sentence(t: &Trend, now: &[TrendPoint], look_at: Option<&str>) -> String {
    let who = t.module.map_or_else(|| "This module".to_owned(), |m| format!("Module {m}"));
    let since = if t.marks.is_empty() { "so far" } else { "since the last change of part" };
    let look = look_at.map(|s| s.trim().trim_end_matches('.')).filter(|s| !s.is_empty()).unwrap_or(LOOK_AT);
    let last = now.last();
    let up_for = match (t.since_s, last) {
        (Some(from), Some(p)) => how_long((p.time_s - from) as f64 / DAY_S),
        _ => String::new(),
    };
    match t.state {
        TrendState::Few => {
            let n = t.rounds;
            let rounds = if n == 1 { "1 round".to_owned() } else { format!("{n} rounds") };
            format!("{who}: {rounds} {since}, too few to tell a drift. Record at every round.")
        }
        TrendState::Steady => {
            let past = last.map(|p| p.departure).filter(|d| *d > LIMIT).map_or_else(String::new, |d| {
                format!(" Its last round is past the limit ({d:.1}): go by that verdict and record again.")
            });
            format!("{who} shows no drift in {} rounds {since}.{past}", t.rounds)
        }
        TrendState::Raised if t.by == Some(Witness::Hiss) => {
            let level = line::level(now);
            let where_to = if level > LIMIT {
                format!("past the limit ({level:.1})")
            } else {
                format!("still within the limit ({level:.1})")
            };
            format!(
                "{who} has hissed more than before for {up_for}, in every round a little: {where_to}, and how fast it grows can't be told \
                 yet. Record at every round and look at {look}."
            )
        }
        TrendState::Raised => format!(
            "{who} has been higher than before for {up_for}; how fast it grows can't be told yet. Record at every round and look at {look}."
        ),
        TrendState::Beyond => format!(
            "{who} has been up for {up_for} and is now beyond twice the limit ({:.1}). Look at {look}.",
            line::level(now)
        ),
        TrendState::Creeping => {
            let pace = match (&t.to_limit, &t.to_departed) {
                (Some(c), _) => format!("at this pace it reaches the limit ({LIMIT:.0}) {}{}", when(c), strokes(c)),
                (None, Some(c)) => {
                    format!(
                        "it is past the limit, and at this pace reaches twice the limit ({DEPARTED:.0}) {}{}",
                        when(c),
                        strokes(c)
                    )
                }
                (None, None) => "it is past twice the limit".to_owned(),
            };
            format!("{who} has crept up for {up_for}; {pace}. Look at {look}.")
        }
    }
}

/// Says of modules that crept up after a louder one of the same pump that they may only be hearing it.
///
/// A leak is heard at the next modules as well, some decibels down, so their drift is announced later and is weaker.
pub fn point_to_the_first(trends: &mut [Trend]) {
    let of = |t: &Trend| {
        let segment: Vec<TrendPoint> = t.points.iter().rev().take(t.rounds).rev().copied().collect();
        Some((t.module?, t.since_s?, line::loudness(&segment)?))
    };
    let announced: Vec<(u32, i64, f64)> = trends.iter().filter_map(of).collect();
    for t in trends {
        let Some((module, since, loud)) = of(t) else { continue };
        let before = |o: &&(u32, i64, f64)| o.0 != module && o.1 < since && o.2 > loud;
        if let Some((first, ..)) = announced.iter().filter(before).max_by(|a, b| a.2.total_cmp(&b.2)) {
            t.sentence.push_str(&format!(
                " Module {first} crept up first and is further up: this is probably heard from there."
            ));
        }
    }
}

/// `in 5 to 14 days`, `in 5 days or later`, `within 3 days`, `within a day`.
fn when(c: &Crossing) -> String {
    // Rounded outwards: the interval in words is never narrower than the computed one.
    match c.days {
        [Some(soon), _, Some(late)] if late <= 1.0 && soon <= 1.0 => "within a day".to_owned(),
        [Some(soon), _, Some(late)] if soon < 1.0 => format!("within {}", days(late.ceil())),
        [Some(soon), _, Some(late)] => {
            let (soon, late) = (soon.floor(), late.ceil());
            if late - soon < 0.5 { format!("in {}", days(late)) } else { format!("in {soon:.0} to {}", days(late)) }
        }
        [Some(soon), _, None] if soon < 1.0 => "soon or much later: too few days to say".to_owned(),
        [Some(soon), _, None] => format!("in {} or later", days(soon.floor())),
        _ => "much later than can be told from so few days".to_owned(),
    }
}

/// ` (0.4 to 1.2 million strokes)`, where strokes are counted and both ends are known.
fn strokes(c: &Crossing) -> String {
    match c.strokes {
        Some([Some(soon), _, Some(late)]) => {
            // Outwards here too.
            let (soon, late) = ((soon / 1e5).floor() / 10.0, (late / 1e5).ceil() / 10.0);
            format!(" ({soon:.1} to {late:.1} million strokes)")
        }
        _ => String::new(),
    }
}

fn days(n: f64) -> String {
    if (n - 1.0).abs() < 0.5 { "1 day".to_owned() } else { format!("{n:.0} days") }
}

fn how_long(d: f64) -> String {
    if d < 1.0 { "less than a day".to_owned() } else { days(d.round()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_modules_point_to_the_one_that_was_first() {
        use crate::score::trend::{TrendInput, TrendRound, TrendSettings, trend};
        let of = |module: u32, begins: usize, slope: f64| {
            let rounds = (0..140_usize)
                .map(|i| {
                    let wobble = ((i * 7919 + module as usize * 31) % 101) as f64 / 101.0 - 0.5;
                    let hiss = wobble + slope * i.saturating_sub(begins) as f64;
                    #[expect(clippy::cast_possible_wrap, reason = "some rounds")]
                    let time_s = 1_900_000_000 + 14_400 * i as i64;
                    TrendRound {
                        time_s,
                        strokes: None,
                        departure: Some(0.5),
                        excess_db: None,
                        hiss_sd: Some(hiss),
                        good: false,
                    }
                })
                .collect();
            trend(&TrendInput { module: Some(module), rounds, ..TrendInput::default() }, &TrendSettings::default())
        };
        let mut trends = [of(1, 500, 0.0), of(2, 60, 0.1), of(3, 90, 0.05)];
        point_to_the_first(&mut trends);
        assert!(
            trends[2]
                .sentence
                .ends_with("Module 2 crept up first and is further up: this is probably heard from there."),
            "{}",
            trends[2].sentence
        );
        assert!(!trends[1].sentence.contains("heard from") && !trends[0].sentence.contains("heard from"));
    }

    #[test]
    fn strokes_are_rounded_outwards_and_told_where_they_are_counted() {
        let said = |counted| strokes(&Crossing { departure: 1.0, days: [None; 3], strokes: counted });
        assert_eq!(said(Some([Some(449_000.0), None, Some(1_110_000.0)])), " (0.4 to 1.2 million strokes)");
        assert_eq!((said(None), said(Some([Some(1.0), None, None]))), (String::new(), String::new()));
    }

    #[test]
    fn times_are_rounded_outwards() {
        let said = |soon, late| when(&Crossing { departure: 1.0, days: [soon, soon, late], strokes: None });
        assert_eq!(said(Some(5.7), Some(13.2)), "in 5 to 14 days");
        assert_eq!(said(Some(0.2), Some(2.2)), "within 3 days");
        assert_eq!(said(Some(0.2), Some(0.9)), "within a day");
        assert_eq!(said(Some(5.2), None), "in 5 days or later");
        assert_eq!(said(Some(3.0), Some(3.0)), "in 3 days");
        assert_eq!(said(Some(0.1), None), "soon or much later: too few days to say");
        assert_eq!(said(None, None), "much later than can be told from so few days");
    }
}
