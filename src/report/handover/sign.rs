//! A signed note is frozen: its fingerprint goes into the book, and later corrections are amendments that show.

use sha2::{Digest as _, Sha256};

use crate::report::note::escape;

/// A correction to a note that was signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amendment {
    /// When, on the rig's clock.
    pub when: String,
    /// By which position.
    pub by: String,
    /// What is corrected.
    pub text: String,
}

/// Why a note can't be amended.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum SignError {
    /// The note is not the one that was signed.
    #[error(
        "the note is not the one that was signed: its fingerprint is {got}, the signed one's {want}; take the file from the book"
    )]
    Differs {
        /// Fingerprint of the bytes given.
        got: String,
        /// Fingerprint that was signed.
        want: String,
    },
    /// Not a note of ours.
    #[error("the file is no handover note: it has no <main> part to put amendments in")]
    NotANote,
    /// A blank amendment.
    #[error("the amendment is empty; write what is corrected, and by which position")]
    Blank,
}

/// SHA-256 of the bytes, in small hex digits (FIPS 180-4).
#[must_use]
pub fn fingerprint(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

const START: &str = "<div class=\"amended\">\n";
const END: &str = "</div><!-- end of amendments -->\n";
const ANCHOR: &str = "<main>\n";

/// The signed note with its amendments in a box at the top; the signed bytes can be got back with [`signed_part`].
///
/// # Errors
/// [`SignError`] when `signed` is not the note of that fingerprint, or an amendment is blank.
pub fn amended(signed: &str, want: &str, amendments: &[Amendment]) -> Result<String, SignError> {
    let got = fingerprint(signed.as_bytes());
    if got != want {
        return Err(SignError::Differs { got, want: want.to_owned() });
    }
    if amendments.iter().any(|a| a.text.trim().is_empty() || a.by.trim().is_empty()) {
        return Err(SignError::Blank);
    }
    if amendments.is_empty() {
        return Ok(signed.to_owned());
    }
    let at = signed.find(ANCHOR).ok_or(SignError::NotANote)? + ANCHOR.len();
    let mut items = String::new();
    for Amendment { when, by, text } in amendments {
        items += &format!("<li><strong>{}, {}:</strong> {}</li>\n", escape(when), escape(by), escape(text));
    }
    let (head, tail) = signed.split_at(at);
    Ok(format!(
        "{head}{START}<h2>Amended after it was signed</h2>\n<ol>\n{items}</ol>\n<p class=\"small\">The note below is as it was signed, \
fingerprint {}.</p>\n{END}{tail}",
        &want[..16.min(want.len())]
    ))
}

/// The note as it was signed, without amendments.
#[must_use]
pub fn signed_part(note: &str) -> String {
    let anchored = format!("{ANCHOR}{START}");
    match (note.find(&anchored), note.find(END)) {
        (Some(start), Some(end)) if start < end => {
            format!("{}{}", &note[..start + ANCHOR.len()], &note[end + END.len()..])
        }
        _ => note.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOTE: &str = "<html><body>\n<main>\n<h1>Note</h1>\n</main></body></html>\n";

    fn amendment(text: &str) -> Amendment {
        Amendment { when: "4 May 2031, 19:10".into(), by: "toolpusher".into(), text: text.into() }
    }

    #[test]
    fn fingerprints_are_those_of_the_standard() {
        // FIPS 180-4 example "abc", and the empty message.
        assert_eq!(fingerprint(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(fingerprint(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    }

    #[test]
    fn an_amendment_shows_and_leaves_the_signed_note_whole() {
        let print = fingerprint(NOTE.as_bytes());
        let out = amended(NOTE, &print, &[amendment("Relief set at <3900> psi"), amendment("Second")]).unwrap();
        assert!(
            out.contains("Amended after it was signed") && out.contains("&lt;3900&gt;") && out.contains(&print[..16])
        );
        assert_eq!(signed_part(&out), NOTE);
        assert_eq!(fingerprint(signed_part(&out).as_bytes()), print);
        assert_eq!(amended(NOTE, &print, &[]).unwrap(), NOTE);
        assert_eq!(signed_part(NOTE), NOTE);
    }

    #[test]
    fn a_note_that_was_touched_is_not_amended() {
        let print = fingerprint(NOTE.as_bytes());
        let touched = NOTE.replace("Note", "Nose");
        assert!(matches!(amended(&touched, &print, &[amendment("x")]), Err(SignError::Differs { .. })));
        assert_eq!(amended(NOTE, &print, &[amendment(" ")]), Err(SignError::Blank));
        let other = "<html></html>";
        assert_eq!(amended(other, &fingerprint(other.as_bytes()), &[amendment("x")]), Err(SignError::NotANote));
    }
}
