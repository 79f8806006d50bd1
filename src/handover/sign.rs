//! A signed note is frozen: its fingerprint goes into the book, and later corrections are amendments that show.

use super::html::escape;
use crate::book::{Amendment, NoteRow, Taken, fingerprint};
use crate::tour::TourPlan;

/// Who signed a note, and what came after.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signed {
    /// Fingerprint that was signed.
    pub sha256: String,
    /// Who handed over, and when.
    pub giver: String,
    /// Who took over.
    pub taken: Option<Taken>,
    /// Later corrections, oldest first.
    pub amendments: Vec<Amendment>,
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

/// Both signatures and the corrections of a note of the book, with times on the rig's clock.
#[must_use]
pub fn signed(note: &NoteRow, plan: &TourPlan) -> Signed {
    let local = |rfc: &str| rfc.parse().map_or_else(|_| rfc.to_owned(), |t| plan.date_time(t));
    Signed {
        sha256: note.sha256.clone(),
        giver: format!("{}, {}", note.giver, local(&note.given_at)),
        taken: note.taken.as_ref().map(|t| Taken { when: local(&t.when), ..t.clone() }),
        amendments: note.amendments.iter().map(|a| Amendment { when: local(&a.when), ..a.clone() }).collect(),
    }
}

const START: &str = "<div class=\"amended\">\n";
const END: &str = "</div><!-- end of amendments -->\n";
const ANCHOR: &str = "<main>\n";

/// The signed note with both signatures and its amendments in a box at the top; the signed bytes can be got back with [`signed_part`].
///
/// # Errors
/// [`SignError`] when `note` is not the one of that fingerprint, when something else was taken over, or an amendment is blank.
pub fn shown(note: &str, signed: &Signed) -> Result<String, SignError> {
    let got = fingerprint(note.as_bytes());
    for want in [Some(&signed.sha256), signed.taken.as_ref().map(|t| &t.sha256)].into_iter().flatten() {
        if got != *want {
            return Err(SignError::Differs { got, want: want.clone() });
        }
    }
    if signed.amendments.iter().any(|a| a.text.trim().is_empty() || a.by.trim().is_empty()) {
        return Err(SignError::Blank);
    }
    let at = note.find(ANCHOR).ok_or(SignError::NotANote)? + ANCHOR.len();
    let taken = match &signed.taken {
        None => "<strong>not signed</strong>".to_owned(),
        Some(t) if t.remark.is_empty() => escape(&format!("{}, {}", t.by, t.when)),
        Some(t) => escape(&format!("{}, {}: {}", t.by, t.when, t.remark)),
    };
    let mut out = format!(
        "<h2>Signed</h2>\n<dl class=\"signatures\">\n<div><dt>Handed over by</dt><dd>{}</dd></div>\n\
<div><dt>Taken over by</dt><dd>{taken}</dd></div>\n</dl>\n<p class=\"small\">The note below is as it was signed; its SHA-256 \
fingerprint is <code>{}</code>.</p>\n",
        escape(&signed.giver),
        signed.sha256
    );
    if !signed.amendments.is_empty() {
        out += "<h2>Amended after it was signed</h2>\n<ol>\n";
        for Amendment { when, by, text } in &signed.amendments {
            out += &format!("<li><strong>{}, {}:</strong> {}</li>\n", escape(when), escape(by), escape(text));
        }
        out += "</ol>\n";
    }
    let (head, tail) = note.split_at(at);
    Ok(format!("{head}{START}{out}{END}{tail}"))
}

/// The note as it was signed, without amendments.
#[cfg(not(product))]
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

    fn signed(texts: &[&str]) -> Signed {
        let amendments = texts.iter().map(|text| Amendment {
            when: "4 May 2031, 19:10".into(),
            by: "toolpusher".into(),
            text: (*text).into(),
        });
        Signed {
            sha256: fingerprint(NOTE.as_bytes()),
            giver: "derrickman, 4 May 2031, 17:55".into(),
            taken: None,
            amendments: amendments.collect(),
        }
    }

    #[test]
    fn both_signatures_and_amendments_show_and_leave_the_signed_note_whole() {
        let mut what = signed(&["Relief set at <3900> psi", "Second"]);
        let out = shown(NOTE, &what).unwrap();
        for part in ["Amended after it was signed", "&lt;3900&gt;", &what.sha256, "derrickman, 4 May", "not signed"] {
            assert!(out.contains(part), "{part}");
        }
        assert_eq!(signed_part(&out), NOTE);
        assert_eq!(fingerprint(signed_part(&out).as_bytes()), what.sha256);
        let taken = |sha256: &str| Taken {
            by: "relief derrickman".into(),
            when: "4 May 2031, 18:05".into(),
            sha256: sha256.into(),
            remark: "listened at module 2 & 3".into(),
        };
        what.taken = Some(taken(&what.sha256));
        let out = shown(NOTE, &what).unwrap();
        assert!(out.contains("relief derrickman, 4 May 2031, 18:05: listened at module 2 &amp; 3"), "{out}");
        assert!(!out.contains("not signed"));
        assert_eq!(signed_part(&out), NOTE);
        what.taken = Some(taken(&"0".repeat(64)));
        assert!(matches!(shown(NOTE, &what), Err(SignError::Differs { .. })), "another note was taken over");
        assert_eq!(signed_part(NOTE), NOTE);
    }

    #[test]
    fn a_note_that_was_touched_is_not_shown_as_signed() {
        let touched = NOTE.replace("Note", "Nose");
        assert!(matches!(shown(&touched, &signed(&["x"])), Err(SignError::Differs { .. })));
        assert_eq!(shown(NOTE, &signed(&[" "])), Err(SignError::Blank));
        let other = "<html></html>";
        let what = Signed { sha256: fingerprint(other.as_bytes()), ..signed(&["x"]) };
        assert_eq!(shown(other, &what), Err(SignError::NotANote));
    }
}
