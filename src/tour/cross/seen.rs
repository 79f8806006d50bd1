//! What was seen in the liner-wash returns and in the oil, and what it says together with the verdicts.

use super::{Basis, Remark, Weight};
use crate::score::{ClipVerdict, Half, Pattern, State};

/// What was seen in the liner-wash returns and in the oil.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Seen {
    /// Mud in the liner-wash returns.
    pub mud_in_wash: bool,
    /// Oil in the liner-wash tank.
    pub oil_in_wash: bool,
    /// Water in the oil, or milky oil.
    pub water_in_oil: bool,
    /// Metal in the oil.
    pub metal_in_oil: bool,
}

impl Seen {
    /// What words written beside a check of the liner wash say.
    #[must_use]
    pub fn in_wash(text: &str) -> Self {
        Self {
            mud_in_wash: has_word(text, &["mud", "muddy"]),
            oil_in_wash: has_word(text, &["oil", "oily"]),
            ..Self::default()
        }
    }

    /// What words written beside a check of the oil say.
    #[must_use]
    pub fn in_oil(text: &str) -> Self {
        Self {
            water_in_oil: has_word(text, &["water", "milk", "milky", "emulsion"]),
            metal_in_oil: has_word(text, &["metal", "chips", "swarf", "shiny"]),
            ..Self::default()
        }
    }
}

/// Whether one of `words` stands in the text without a "no" just before it.
fn has_word(text: &str, words: &[&str]) -> bool {
    let low = text.to_lowercase();
    let all: Vec<&str> = low.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    all.iter()
        .enumerate()
        .any(|(k, word)| words.contains(word) && !(k > 0 && matches!(all[k - 1], "no" | "not" | "without")))
}

/// What the returns, the oil and the verdicts of the modules say together.
#[must_use]
pub fn returns(seen: Seen, verdicts: &[ClipVerdict]) -> Vec<Remark> {
    let hissing = verdicts
        .iter()
        .filter(|v| matches!(v.verdict, State::Departed | State::Drifting))
        .filter(|v| v.pattern == Pattern::Hiss && matches!(v.half, Half::Discharge | Half::Both))
        .filter_map(|v| v.module);
    returns_with(seen, &hissing.collect::<Vec<u32>>())
}

/// As [`returns`], with the modules that hiss in the discharge half.
#[must_use]
pub fn returns_with(seen: Seen, hissing: &[u32]) -> Vec<Remark> {
    let mut out = Vec::new();
    if seen.mud_in_wash {
        let hissing: Vec<String> = hissing.iter().map(|m| format!("module {m}")).collect();
        let text = if hissing.is_empty() {
            "mud in the liner-wash returns: a piston or liner passes; find which by its returns, and listen there"
                .to_owned()
        } else {
            let which = if hissing.len() == 1 {
                "that piston and liner"
            } else {
                "a piston and liner there; the returns tell which"
            };
            format!(
                "mud in the liner-wash returns and a hiss in the discharge half of {}: both point at {which}",
                hissing.join(" and ")
            )
        };
        out.push(Remark::new("piston-liner", Weight::Tell, Basis::RuleOfThumb, text));
    }
    let mut seal = |yes: bool, text: &str| {
        if yes {
            out.push(Remark::new("seals", Weight::Tell, Basis::RuleOfThumb, text.to_owned()));
        }
    };
    seal(
        seen.oil_in_wash,
        "oil in the liner-wash tank points at the oil stop-head or the wiper seal on a rod: report it",
    );
    seal(
        seen.water_in_oil,
        "water in the power-end oil points at the seals between liner wash and power end, or at condensation: report it, take an oil sample",
    );
    seal(
        seen.metal_in_oil,
        "metal in the power-end oil points at a bearing or gear: report it, take an oil sample, look at the filter",
    );
    out
}
