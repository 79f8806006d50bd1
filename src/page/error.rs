//! Why there is no page.

use std::path::PathBuf;

use crate::book::BookError;

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PageError {
    /// The book.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The port.
    #[error("port {port} can't be used; give another with --port, or --port 0 for a free one")]
    Port {
        /// Which.
        port: u16,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// A file of the page's folder.
    #[error("{path}: can't be read or written")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The certificate.
    #[error("the certificate can't be made or used: {why}; --new-certificate makes a new one")]
    Certificate {
        /// Why.
        why: String,
    },
    /// No random numbers, no secrets.
    #[error("the system gives no random numbers: {why}")]
    Random {
        /// Why.
        why: String,
    },
    /// The server itself.
    #[error("the server can't run")]
    Serve(#[source] std::io::Error),
}
