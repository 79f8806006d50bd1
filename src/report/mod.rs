//! Verdicts in, what a person reads, sees and hears out: words, tables, pictures, a sound.
//!
//! Everything here takes values and returns text or bytes; the few functions that write a file write it beside its
//! place and rename it, so that a reader never meets half a file.
//!
//! | module | makes |
//! | --- | --- |
//! | [`words`] | the sentences that text, pictures and note share |
//! | [`text`] | what `compare` prints for a person |
//! | [`ground`] | what it prints about the good clips |
//! | [`json`] | the same for other programs |
//! | [`view`] | levels, maps and angles of one clip |
//! | [`photo`] | a photo made small for a note |
//! | [`picture`] | stroke maps and spectrograms, PNG and SVG |
//! | [`trend`] | departure and excess of a pump's modules over time, PNG and SVG |
//! | [`note_picture`] | stroke maps as a note has them: low, large letters |
//! | [`hear`] | the sound in which a change can be heard |

mod along;
mod axis;
pub(crate) mod canvas;
pub mod colour;
pub mod ground;
mod head;
pub mod hear;
mod heat;
pub mod json;
mod look;
pub mod note_picture;
pub mod photo;
pub mod picture;
mod spectrogram;
pub mod text;
pub mod trend;
pub mod trend_table;
pub mod view;
pub mod words;

use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Why a report, picture or sound could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// There is nothing to show.
    #[error("{what}: empty, there is nothing to show")]
    Empty {
        /// What was empty.
        what: &'static str,
    },
    /// Sizes that must agree do not.
    #[error("{what}: {got} found, {want} needed")]
    Shape {
        /// What has the wrong size or order.
        what: &'static str,
        /// What was found.
        got: String,
        /// What would do.
        want: String,
    },
    /// The file name's ending is neither of the two picture formats.
    #[error("{}: the name of a picture must end in .png or .svg", path.display())]
    Ending {
        /// The file asked for.
        path: PathBuf,
    },
    /// The file could not be written.
    #[error("{}: can't write the file; check that its folder exists, has room and may be written to", path.display())]
    Write {
        /// The file asked for.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// The drawing library gave up.
    #[error("the picture can't be drawn: {text}")]
    Draw {
        /// What the library said.
        text: String,
    },
    /// The sound could not be made.
    #[error("the sound can't be made: {text}")]
    Sound {
        /// What went wrong.
        text: String,
    },
    /// Too little sound for what was asked.
    #[error("{what}: {got}, need {want}; give a longer clip")]
    TooShort {
        /// Which recording.
        what: &'static str,
        /// What was found.
        got: String,
        /// What would do.
        want: String,
    },
}

/// Writes `bytes` beside `path` and renames the result into place.
///
/// # Errors
/// [`ReportError::Write`] with the system's reason.
pub fn write_file(path: &Path, bytes: &[u8]) -> Result<(), ReportError> {
    let failed = |source| ReportError::Write { path: path.to_owned(), source };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".seatsong-");
    // A temporary file is private by default; what replaces a report must be as readable as any other new file.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder).map_err(failed)?;
    file.write_all(bytes).map_err(failed)?;
    file.persist(path).map_err(|e| failed(e.error))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_folder_is_named_in_the_error() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("no/such/place.html");
        let err = write_file(&path, b"x").unwrap_err();
        assert!(err.to_string().contains("place.html"), "{err}");
        assert!(std::error::Error::source(&err).is_some());
    }

    #[test]
    fn a_written_file_replaces_the_old_one_and_leaves_nothing_beside_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("note.html");
        write_file(&path, b"old and longer").unwrap();
        write_file(&path, b"new").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }
}
