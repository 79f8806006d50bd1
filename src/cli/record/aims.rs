//! Which channel goes to which spot of which round.

use std::str::FromStr;

use super::RecordArgs;
use crate::book::{Book, NewRound, PumpRow, RoundRow, SpotRow};
use crate::cli::Usage;

/// One clip to be recorded.
#[derive(Debug, Clone)]
pub(super) struct Aim {
    pub(super) spot: SpotRow,
    /// Channel with the sound, counted from 1.
    pub(super) sound: u16,
    /// Channel with the pulses, counted from 1.
    pub(super) pulse: Option<u16>,
}

/// One item of `--map`: `1=m1` or `4=pulse`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    channel: u16,
    /// Module; `None` for the pulse.
    module: Option<u32>,
}

impl FromStr for Place {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("\"{text}\" says no channel and spot; write 1=m1,2=m2,3=m3,4=pulse");
        let (channel, to) = text.trim().split_once('=').ok_or_else(wrong)?;
        let channel = channel.trim().parse().ok().filter(|c| (1..=64).contains(c)).ok_or_else(wrong)?;
        let to = to.trim().to_ascii_lowercase();
        let module = match to.as_str() {
            "pulse" => None,
            other => Some(other.strip_prefix('m').unwrap_or(other).parse().map_err(|_| wrong())?),
        };
        Ok(Self { channel, module })
    }
}

/// Channels with their modules, and the pulse channel.
type Mapped = (Vec<(u16, u32)>, Option<u16>);

/// What `--map` says.
fn mapped(map: &[Place]) -> Result<Mapped, Usage> {
    let sounds: Vec<(u16, u32)> = map.iter().filter_map(|p| p.module.map(|m| (p.channel, m))).collect();
    let pulses: Vec<u16> = map.iter().filter(|p| p.module.is_none()).map(|p| p.channel).collect();
    let twice = |n: usize, all: usize| n < all;
    let distinct = |mut v: Vec<u32>| {
        v.sort_unstable();
        v.dedup();
        v.len()
    };
    if twice(distinct(map.iter().map(|p| p.channel.into()).collect()), map.len()) {
        return Err(Usage("--map names a channel twice".into()));
    }
    if twice(distinct(sounds.iter().map(|s| s.1).collect()), sounds.len()) || pulses.len() > 1 {
        return Err(Usage("--map gives a spot or the pulse two channels; each has one".into()));
    }
    if sounds.is_empty() {
        return Err(Usage("--map names no spot; write 1=m1,2=m2,3=m3,4=pulse".into()));
    }
    Ok((sounds, pulses.first().copied()))
}

impl Aim {
    /// What was asked for, in the order of the walk.
    pub(super) fn all(args: &RecordArgs, book: &Book) -> anyhow::Result<Vec<Self>> {
        let (sounds, pulse) = match (&args.module, args.map.is_empty(), args.spots.is_empty()) {
            (Some(m), ..) => (vec![(args.channel, *m)], args.pulse),
            (None, false, _) => mapped(&args.map)?,
            (None, true, false) => (args.spots.iter().map(|m| (args.channel, *m)).collect(), args.pulse),
            (None, true, true) => {
                let what = "say what is recorded: --module N, --spots 1,2,3, --map 1=m1,2=m2, or --out FILE.wav";
                return Err(Usage(what.into()).into());
            }
        };
        if sounds.iter().any(|s| Some(s.0) == pulse) {
            return Err(Usage("the pulse has a channel of its own; --pulse and --channel name the same".into()).into());
        }
        let pump = pump(args, book)?;
        sounds
            .into_iter()
            .map(|(sound, module)| Ok(Self { spot: book.spot(&pump, module, args.spot.as_deref())?, sound, pulse }))
            .collect()
    }
}

/// Whether `--round` names a round by its number.
fn numbered(args: &RecordArgs) -> Option<&str> {
    args.round.as_deref().filter(|r| !r.eq_ignore_ascii_case("open") && !r.eq_ignore_ascii_case("new"))
}

fn pump(args: &RecordArgs, book: &Book) -> anyhow::Result<PumpRow> {
    let named = args.pump.as_deref().map(|n| book.pump(n)).transpose()?;
    match numbered(args) {
        Some(text) => Ok(book.pump_by_id(book.round_named(text, named.as_ref())?.pump_id)?),
        None => Ok(book.pump_or_only(args.pump.as_deref())?),
    }
}

/// The round: the one named, the open one, or a new one.
pub(super) fn round(args: &RecordArgs, book: &mut Book) -> anyhow::Result<(PumpRow, RoundRow)> {
    let pump = pump(args, book)?;
    let new = args.round.as_deref().is_some_and(|r| r.eq_ignore_ascii_case("new"));
    let open = args.round.as_deref().is_some_and(|r| r.eq_ignore_ascii_case("open"));
    let found = match numbered(args) {
        Some(text) => Some(book.round_named(text, Some(&pump))?),
        None if new => None,
        None => book.open_round(&pump)?,
    };
    let round = match found {
        Some(round) => book.change_round(round.id, &args.point.change(), false)?,
        None if open => anyhow::bail!("pump {} has no open round; `seatsong round start` starts one", pump.data.name),
        None => book.start_round(&pump, &NewRound { at: None, point: args.point.change() })?,
    };
    Ok((pump, round))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(text: &str) -> Vec<Place> {
        text.split(',').map(|p| p.parse().unwrap()).collect()
    }

    #[test]
    fn a_map_gives_each_channel_one_place() {
        assert_eq!(mapped(&places("1=m1,2=M2,3=3,4=pulse")).unwrap(), (vec![(1, 1), (2, 2), (3, 3)], Some(4)));
        for bad in ["1=m1,1=m2", "1=m1,2=m1", "1=pulse,2=pulse,3=m1", "4=pulse"] {
            assert!(mapped(&places(bad)).is_err(), "{bad}");
        }
        for bad in ["m1=1", "0=m1", "1=", "1", "65=m1", "x=m1"] {
            assert!(bad.parse::<Place>().is_err(), "{bad}");
        }
    }
}
