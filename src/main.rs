//! The `seatsong` program: parses, runs, prints the error chain, returns the exit code.

use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    match seatsong::run(std::env::args_os()) {
        Ok(code) => code,
        Err(err) => {
            // A reader that went away (`| head`) is a normal end, not a failure of the work.
            if seatsong::is_broken_pipe(&err) {
                return ExitCode::SUCCESS;
            }
            let _ = writeln!(std::io::stderr(), "seatsong: {err:#}");
            ExitCode::from(1)
        }
    }
}
