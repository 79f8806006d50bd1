//! The steps of work on a fluid end: their names, questions and words.

use serde::{Deserialize, Serialize};

use super::WorkError;

/// What has to be confirmed before a fluid end is opened, in the order in which it is asked; and before it is handed back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// Procedure and risk assessment read again by those who do the work.
    RiskReview,
    /// Permit to work, with its number.
    Permit,
    /// The driller was told.
    DrillerTold,
    /// The supervisor was told.
    SupervisorTold,
    /// Whoever runs the pump's drive was told.
    DriverTold,
    /// Mechanical isolation, in the isolation log.
    MechanicalIsolation,
    /// Electrical isolation, in the isolation log.
    ElectricalIsolation,
    /// Locks and tags on; how many; start tried from the driller's position.
    Locks,
    /// High-pressure valves shut, bleeder open, pressure seen at zero.
    Bled,
    /// Work done, tools and people clear, caps and covers on.
    Clear,
    /// Locks off; how many.
    LocksOff,
    /// Isolation lifted and the permit handed back.
    PermitBack,
    /// Driller told that the pump is handed back; pump primed before it runs.
    HandedBack,
}

impl Step {
    /// Asked before opening.
    pub const BEFORE: [Self; 9] = [
        Self::RiskReview,
        Self::Permit,
        Self::DrillerTold,
        Self::SupervisorTold,
        Self::DriverTold,
        Self::MechanicalIsolation,
        Self::ElectricalIsolation,
        Self::Locks,
        Self::Bled,
    ];
    /// Asked before the job is closed.
    pub const AFTER: [Self; 4] = [Self::Clear, Self::LocksOff, Self::PermitBack, Self::HandedBack];

    /// `locks`: as typed and stored.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::RiskReview => "risk-review",
            Self::Permit => "permit",
            Self::DrillerTold => "driller-told",
            Self::SupervisorTold => "supervisor-told",
            Self::DriverTold => "driver-told",
            Self::MechanicalIsolation => "mechanical-isolation",
            Self::ElectricalIsolation => "electrical-isolation",
            Self::Locks => "locks",
            Self::Bled => "bled",
            Self::Clear => "clear",
            Self::LocksOff => "locks-off",
            Self::PermitBack => "permit-back",
            Self::HandedBack => "handed-back",
        }
    }

    /// The question.
    #[must_use]
    pub fn question(self) -> &'static str {
        match self {
            Self::RiskReview => "Have those who do the work read the procedure and the risk assessment again?",
            Self::Permit => "What is the number of the permit to work, signed by those who do the work?",
            Self::DrillerTold => "Has the driller been told?",
            Self::SupervisorTold => "Has the supervisor been told?",
            Self::DriverTold => "Has whoever runs the pump's drive been told?",
            Self::MechanicalIsolation => "Is the mechanical isolation in the isolation log, and under which number?",
            Self::ElectricalIsolation => "Is the electrical isolation in the isolation log, and under which number?",
            Self::Locks => "How many locks are on, and was a start tried from the driller's position?",
            Self::Bled => "High-pressure valves shut, bleeder open: which pressure does the gauge show?",
            Self::Clear => "Work done, tools and people clear, caps and covers on?",
            Self::LocksOff => "How many locks were taken off, each by its owner?",
            Self::PermitBack => "Isolation lifted in the log and the permit handed back?",
            Self::HandedBack => "Driller told that the pump is handed back, and that it is primed before it runs?",
        }
    }

    /// What the site still has to confirm, for a list.
    #[must_use]
    pub fn open_words(self) -> &'static str {
        match self {
            Self::RiskReview => "procedure and risk assessment read again",
            Self::Permit => "permit to work, with its number",
            Self::DrillerTold => "driller told",
            Self::SupervisorTold => "supervisor told",
            Self::DriverTold => "whoever runs the pump's drive told",
            Self::MechanicalIsolation => "mechanical isolation in the isolation log",
            Self::ElectricalIsolation => "electrical isolation in the isolation log",
            Self::Locks => "two locks or more on, start tried from the driller's position",
            Self::Bled => "valves shut, bleeder open, pressure seen at zero",
            Self::Clear => "tools and people clear, caps and covers on",
            Self::LocksOff => "all locks off, each by its owner",
            Self::PermitBack => "isolation lifted, permit handed back",
            Self::HandedBack => "driller told, pump primed before it runs",
        }
    }

    /// Reads a step as typed.
    ///
    /// # Errors
    /// [`WorkError::NoSuchStep`] with the steps there are.
    pub fn parse(text: &str) -> Result<Self, WorkError> {
        let wanted = text.trim().to_ascii_lowercase();
        let mut all = Self::BEFORE.iter().chain(&Self::AFTER);
        all.find(|step| step.as_str() == wanted).copied().ok_or_else(|| WorkError::NoSuchStep { text: text.to_owned() })
    }

    pub(super) fn is_before(self) -> bool {
        Self::BEFORE.contains(&self)
    }
}
