//! The taps file: times at which a person tapped as the rod passed an end.
//!
//! Goes in: text, one time in seconds a line. Comes out: the times, ascending.

use std::io::Read;
use std::path::Path;

use super::ClipError;
use super::source::Origin;
use crate::units::number;

/// More than a year of taps at 160 strokes/min; a longer file is not a taps file.
const MAX_BYTES: u64 = 1 << 30;

/// Reads a taps file.
///
/// One time in seconds a line, with a decimal point; `#` starts a comment; blank lines are skipped. Times count from the
/// start of the recording.
///
/// # Returns
/// Times in seconds, shape `(n_taps,)`, finite, not negative, ascending.
///
/// # Errors
/// [`ClipError::Taps`] with the line that is wrong, and the errors of opening.
pub fn read(path: &Path) -> Result<Vec<f64>, ClipError> {
    let origin = Origin::File(path);
    let mut bytes = Vec::new();
    origin.open()?.take(MAX_BYTES).read_to_end(&mut bytes).map_err(|source| origin.read_error(source))?;
    parse_named(&bytes, path)
}

/// Reads the content of a taps file, as [`read`].
///
/// # Errors
/// [`ClipError::Taps`].
#[cfg(not(product))]
pub fn parse(bytes: &[u8]) -> Result<Vec<f64>, ClipError> {
    parse_named(bytes, Path::new("taps"))
}

fn parse_named(bytes: &[u8], path: &Path) -> Result<Vec<f64>, ClipError> {
    let wrong = |line: usize, what: String| ClipError::Taps { path: path.to_path_buf(), line, what };
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut times: Vec<f64> = Vec::new();
    let mut n_lines = 0;
    for (index, line) in bytes.split(|&b| b == b'\n').enumerate() {
        n_lines = index + 1;
        let line = line.split(|&b| b == b'#').next().unwrap_or_default();
        let text = String::from_utf8_lossy(line);
        let text = text.trim();
        if text.is_empty() {
            continue;
        }
        let time = number::in_file(text).map_err(|err| wrong(n_lines, err.to_string()))?;
        if time < 0.0 {
            return Err(wrong(n_lines, format!("{time} s is not a time from the start of the recording on")));
        }
        if let Some(&last) = times.last()
            && time < last
        {
            return Err(wrong(n_lines, format!("{time} s comes before the {last} s of an earlier line")));
        }
        times.push(time);
    }
    if times.is_empty() {
        return Err(wrong(n_lines.max(1), "there is no time in the whole file".into()));
    }
    Ok(times)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_comments_and_blank_lines_are_read() {
        let text = b"\xef\xbb\xbf# taps of the round\r\n0.5\r\n\r\n1.250 # a bit late\n1.25\n 2e0 \n";
        assert_eq!(parse(text).unwrap(), [0.5, 1.25, 1.25, 2.0]);
    }

    #[test]
    fn what_is_wrong_is_told_with_its_line() {
        for (text, line) in [
            (&b"1\n\nx\n"[..], 3),
            (b"1\n0.5\n", 2),
            (b"-1\n", 1),
            (b"1\nnan\n", 2),
            (b"inf", 1),
            (b"1;2\n", 1),
            (b"0.5\n1,25\n", 2),
            (b"# nothing\n", 2),
            (b"", 1),
            (b"\xff\xfe\n", 1),
        ] {
            match parse(text) {
                Err(ClipError::Taps { line: told, .. }) => assert_eq!(told, line, "{text:?}"),
                other => panic!("{text:?} gave {other:?}"),
            }
        }
        let text = parse(b"3\n2\n").unwrap_err().to_string();
        assert_eq!(
            text,
            "taps: line 2: 2 s comes before the 3 s of an earlier line; write one time in seconds a line, in ascending order"
        );
    }
}
