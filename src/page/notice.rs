//! What whoever runs the server is told of.

use std::net::IpAddr;
use std::sync::mpsc::Sender;

/// The codes that work now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Codes {
    /// For the crew: everything.
    pub crew: String,
    /// For reading only.
    pub reader: String,
    /// Seconds for which they work.
    pub life_s: u64,
}

impl Codes {
    /// `ABCDE-FGHJK`, to be read aloud.
    #[must_use]
    pub fn spoken(code: &str) -> String {
        let (a, b) = code.split_at_checked(code.len() / 2).unwrap_or((code, ""));
        format!("{a}-{b}")
    }
}

/// What whoever runs the server should know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// New pairing codes.
    Codes(Codes),
    /// A phone was paired.
    Paired {
        /// With the crew's code; else for reading.
        crew: bool,
        /// From which address.
        from: IpAddr,
    },
    /// Something went wrong; no secrets in it.
    Trouble(String),
    /// It has ended.
    Ended,
}

/// Tells whoever runs the server.
#[derive(Debug, Clone)]
pub(super) struct Notices(pub(super) Sender<Notice>);

impl Notices {
    pub(super) fn tell(&self, notice: Notice) {
        // Nobody listens any more once the server ends.
        let _ = self.0.send(notice);
    }
}
