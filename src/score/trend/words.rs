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
            let where_to = if level > LIMIT { format!("past the limit ({level:.1})") } else { format!("still within the limit ({level:.1})") };
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
                (Some(c), _) => format!("at this pace it reaches the limit ({LIMIT:.0}) {}", when(c)),
                (None, Some(c)) => {
                    format!(
                        "it is past the limit, and at this pace reaches twice the limit ({DEPARTED:.0}) {}",
                        when(c)
                    )
                }
                (None, None) => "it is past twice the limit".to_owned(),
            };
            format!("{who} has crept up for {up_for}; {pace}. Look at {look}.")
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
