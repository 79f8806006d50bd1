//! Named findings about the quality of a clip.

use serde::{Serialize, Serializer};

/// What a finding does to the verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Effect {
    /// The verdict stands; the reader should know.
    Warn,
    /// The clip can't carry a verdict: it comes back `unjudged`.
    Refuse,
}

/// The kinds of finding. [`Code::as_str`] is the contract name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Code {
    /// Samples at the end of the scale.
    Clipped,
    /// Nothing but (near) silence.
    Silent,
    /// Stretches of exact zeros or repeats inside a live signal.
    Dropouts,
    /// Fewer strokes than a verdict needs (10) or should have (30).
    TooShort,
    /// An automatic gain rides the level.
    GainRiding,
    /// Wind or handling rumble.
    Rumble,
    /// No stroke rhythm: lock too low.
    NoRhythm,
    /// Speed changed by more than 5 % within the clip.
    RateJump,
    /// The asked channel is missing, dead or looks like a pulse.
    WrongChannel,
    /// The file ends before its header says.
    CutOff,
    /// Not-a-number or infinite samples were replaced.
    NotFinite,
    /// Only part of the clip was used.
    PartUsed,
    /// The file name's ending is not what the content is.
    WrongExtension,
    /// The spacing of the time column is uneven.
    TimeJitter,
    /// The sample rate or codec leaves out bands that the baseline has.
    NarrowBand,
    /// Speed or pressure lies outside what the good clips span.
    OutsideSpan,
    /// The good clips are few.
    FewGood,
    /// The rhythm found does not agree with the console reading.
    RateMismatch,
    /// A second rhythm was found and taken out.
    SecondRhythm,
    /// A good clip does not fit the other good ones.
    OddGood,
    /// The angle could not be tied to the baseline's with certainty.
    AngleUnsure,
    /// The good clips are of too few rounds to tell how far rounds lie apart.
    Provisional,
    /// Taps lie at another angle than the good runs or the other taps: they were not used.
    TapsOff,
}

impl Code {
    /// The name used in JSON and text.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Clipped => "clipped",
            Self::Silent => "silent",
            Self::Dropouts => "dropouts",
            Self::TooShort => "too-short",
            Self::GainRiding => "gain-riding",
            Self::Rumble => "rumble",
            Self::NoRhythm => "no-rhythm",
            Self::RateJump => "rate-jump",
            Self::WrongChannel => "wrong-channel",
            Self::CutOff => "cut-off",
            Self::NotFinite => "not-finite",
            Self::PartUsed => "part-used",
            Self::WrongExtension => "wrong-extension",
            Self::TimeJitter => "time-jitter",
            Self::NarrowBand => "narrow-band",
            Self::OutsideSpan => "outside-span",
            Self::FewGood => "few-good",
            Self::RateMismatch => "rate-mismatch",
            Self::SecondRhythm => "second-rhythm",
            Self::OddGood => "odd-good",
            Self::AngleUnsure => "angle-unsure",
            Self::Provisional => "provisional",
            Self::TapsOff => "taps-off",
        }
    }
}

impl Serialize for Code {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

/// One named finding: what it is, what it does to the verdict, and a sentence that says what to do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Kind.
    pub code: Code,
    /// What it does to the verdict.
    pub effect: Effect,
    /// A sentence for a person: what was found and what to do.
    pub text: String,
}

impl Finding {
    /// A finding that leaves the verdict standing.
    #[must_use]
    pub fn warn(code: Code, text: impl Into<String>) -> Self {
        Self { code, effect: Effect::Warn, text: text.into() }
    }

    /// A finding that makes the clip `unjudged`.
    #[must_use]
    pub fn refuse(code: Code, text: impl Into<String>) -> Self {
        Self { code, effect: Effect::Refuse, text: text.into() }
    }
}
