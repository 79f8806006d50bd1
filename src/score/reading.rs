//! Plain words for what was found: what it usually means and what to look at next. Never "the valve is broken".

use crate::score::{Angle, Half, Heard, Pattern, State};

/// What a reading is made from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Finds {
    /// The verdict.
    pub state: State,
    /// Shape of the change.
    pub pattern: Pattern,
    /// Half of the turn; only probable where angles are relative.
    pub half: Half,
    /// Whether angles are the module's own.
    pub angle: Angle,
    /// Start of the change in degrees of the angle that the half goes by.
    pub start_deg: f64,
    /// The module whose change is heard here, if it is not this one.
    pub heard_from: Option<Heard>,
}

const LISTEN_AGAIN: &str = "record again in an hour, or sooner if it grows";

/// Meaning and next step: `"<meaning>. Next: <what to look at>."`
#[must_use]
pub(super) fn reading(f: &Finds) -> String {
    if let Some(Heard { module, all }) = f.heard_from {
        let own = if all {
            "this module itself shows nothing of its own"
        } else {
            "what is left is weaker and may be heard from there as well"
        };
        return format!(
            "Probably heard from module {module}: what is new here fits that module's change, through the block; {own}. \
             Next: look at module {module} first, then record here again."
        );
    }
    if f.state == State::Steady {
        return "Sounds like its own good runs. Next: nothing out of turn; record again at the next round.".into();
    }
    // The taps of one clip propose a half; only a second clip's, or pulses, make it sure.
    let likely = f.angle == Angle::Relative && f.half != Half::Unknown;
    let probably = if likely { ", probably" } else { "" };
    let (meaning, next) = match (f.pattern, f.half) {
        (Pattern::Hiss, Half::Discharge) => (
            format!("Hiss{probably} in the discharge half: usually a suction valve or seat that leaks, or a piston and liner that wash"),
            "look for mud in this liner's wash returns (mud points at piston and liner), then plan to look at the suction valve and seat".to_string(),
        ),
        (Pattern::Hiss, Half::Suction) => (
            format!("Hiss{probably} in the suction half: usually a discharge valve or seat that leaks"),
            "compare the pump gauge with its last readings at the same strokes; plan to look at the discharge valve and seat".to_string(),
        ),
        (Pattern::Hiss, _) => (
            "Hiss in part of the turn: usually a valve, seat, piston or liner that leaks".to_string(),
            "check the liner-wash returns for mud and the pump gauge against its last readings".to_string(),
        ),
        (Pattern::Knock, Half::Discharge) if f.start_deg < 90.0 => (
            format!("A knock{probably} early in the discharge half: usually air or gas in the mud, a starved suction, or a loose piston nut or rod clamp"),
            "check the suction screen and the charge pressure, and look at the rod clamps".to_string(),
        ),
        (Pattern::Knock, _) => (
            "A new knock at one place of the turn: something loose, or a valve that closes hard".to_string(),
            "look at rod clamps, caps and retainers from a safe place; valve springs at the next opening".to_string(),
        ),
        (Pattern::Shifted, _) => (
            "A valve acts at another place of the turn than before: usually a weak or broken spring or a worn guide; air in the suction does it too".to_string(),
            "check the suction side first; look at this module's valve springs at the next opening".to_string(),
        ),
        (Pattern::Missing, _) => (
            "A knock of the healthy pump is gone: a valve that sticks or is held open by junk".to_string(),
            "check the suction screen, then plan to look at this module's valves".to_string(),
        ),
        (Pattern::Tone, _) => (
            "A new steady tone, the same all round the turn: drive, gear or another machine rather than a valve".to_string(),
            "listen at the other modules and at the power end; check oil and filter pressures".to_string(),
        ),
        (Pattern::AllRound, _) => (
            "Louder all round the turn: a gasket, cap or seat taper, an outside leak, a relief valve that passes; or the recording (another place or microphone)".to_string(),
            "walk round it for drips and a warm relief line, then record again at the paint mark".to_string(),
        ),
        (Pattern::Unclear, _) => (
            "Different from its good runs in a way that fits none of the usual patterns".to_string(),
            "record again at the paint mark; if it stays, compare with the other modules".to_string(),
        ),
    };
    let mut out = format!("{meaning}. Next: {next}");
    if f.state == State::Drifting {
        out.push_str("; ");
        out.push_str(LISTEN_AGAIN);
    }
    if likely {
        out.push_str("; the half stands on the taps of one clip: tap another clip of this spot to make sure");
    } else if f.angle == Angle::Relative {
        out.push_str("; the half of the turn is unknown: a clip with a pulse channel or two with taps would tell it");
    }
    out.push('.');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_heard_from_another_module_points_there() {
        for all in [true, false] {
            let text = reading(&Finds {
                state: if all { State::Steady } else { State::Drifting },
                pattern: Pattern::Hiss,
                half: Half::Both,
                angle: Angle::Absolute,
                start_deg: 30.0,
                heard_from: Some(Heard { module: 3, all }),
            });
            assert!(text.starts_with("Probably heard from module 3: "), "{text}");
            assert!(text.contains("Next: look at module 3 first"), "{text}");
            assert_eq!(text.contains("nothing of its own"), all);
        }
    }

    #[test]
    fn a_half_that_one_tapped_clip_proposes_is_called_probable() {
        for (pattern, half) in
            [(Pattern::Hiss, Half::Discharge), (Pattern::Hiss, Half::Suction), (Pattern::Knock, Half::Discharge)]
        {
            let finds =
                |angle| Finds { state: State::Departed, pattern, half, angle, start_deg: 30.0, heard_from: None };
            let (likely, sure) = (reading(&finds(Angle::Relative)), reading(&finds(Angle::Absolute)));
            assert!(likely.contains(", probably ") && likely.contains("tap another clip"), "{likely}");
            assert!(!sure.contains("probably") && !sure.contains("tap "), "{sure}");
        }
    }

    #[test]
    fn every_reading_says_what_is_next_and_clears_or_condemns_nothing() {
        for state in [State::Steady, State::Drifting, State::Departed] {
            for pattern in [
                Pattern::Hiss,
                Pattern::Knock,
                Pattern::Shifted,
                Pattern::Missing,
                Pattern::Tone,
                Pattern::AllRound,
                Pattern::Unclear,
            ] {
                for half in [Half::Discharge, Half::Suction, Half::Both, Half::Unknown] {
                    let text = reading(&Finds {
                        state,
                        pattern,
                        half,
                        angle: Angle::Absolute,
                        start_deg: 30.0,
                        heard_from: None,
                    });
                    assert!(text.contains("Next: ") && text.ends_with('.'));
                    for word in ["broken valve", "is broken", "safe to", "must be replaced"] {
                        assert!(!text.contains(word), "{text}");
                    }
                }
            }
        }
    }
}
