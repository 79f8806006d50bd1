//! The command line: what was typed, one file a command. No arithmetic here.

pub mod sample;

use std::ffi::OsString;
use std::process::ExitCode;

/// Parses the arguments, runs the command, returns the exit status (0 done, 1 the work failed, 2 wrong usage).
///
/// # Errors
/// Whatever the command could not do, with its chain of causes.
pub fn run<I: IntoIterator<Item = OsString>>(args: I) -> anyhow::Result<ExitCode> {
    let _ = args;
    Ok(ExitCode::SUCCESS)
}

/// Whether the chain of causes ends in a closed output pipe.
#[must_use]
pub fn is_broken_pipe(err: &anyhow::Error) -> bool {
    err.chain()
        .any(|cause| cause.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe))
}
