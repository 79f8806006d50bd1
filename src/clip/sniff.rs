//! What kind of recording a file is: by its content first, by its name only where the content leaves it open.

use std::io::Read as _;
use std::path::Path;

/// Kinds of recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// RIFF/WAVE, RF64/BW64 or W64.
    Wav,
    /// FLAC.
    Flac,
    /// MPEG layer 3.
    Mp3,
    /// AAC in ADTS frames.
    Adts,
    /// MP4 container.
    M4a,
    /// Ogg container.
    Ogg,
    /// AIFF or AIFF-C.
    Aiff,
    /// Text: a table of numbers.
    Table,
}

impl Kind {
    /// Name for messages and for [`Clip::format`](super::Clip::format).
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Wav => "WAV",
            Self::Flac => "FLAC",
            Self::Mp3 => "MP3",
            Self::Adts => "AAC",
            Self::M4a => "M4A",
            Self::Ogg => "Ogg",
            Self::Aiff => "AIFF",
            Self::Table => "CSV",
        }
    }

    /// The kind that a file name promises.
    pub(super) fn from_extension(path: &Path) -> Option<Self> {
        let ext = path.extension()?.to_str()?.to_ascii_lowercase();
        Some(match ext.as_str() {
            "wav" | "wave" | "bwf" | "rf64" | "w64" => Self::Wav,
            "flac" | "fla" => Self::Flac,
            "mp3" => Self::Mp3,
            "aac" | "adts" => Self::Adts,
            "m4a" | "mp4" | "m4b" | "3gp" | "mov" => Self::M4a,
            "ogg" | "oga" => Self::Ogg,
            "aif" | "aiff" | "aifc" => Self::Aiff,
            "csv" | "tsv" | "txt" | "asc" | "dat" | "tab" => Self::Table,
            _ => return None,
        })
    }
}

/// The first 16 bytes of a Wave64 file: the GUID of its outer chunk.
pub(super) const W64_RIFF: [u8; 16] =
    [b'r', b'i', b'f', b'f', 0x2e, 0x91, 0xcf, 0x11, 0xa5, 0xd6, 0x28, 0xdb, 0x04, 0xc1, 0x00, 0x00];

/// Tells the kind from the first bytes of a file (some kilobytes are enough).
///
/// # Errors
/// What was seen instead, in words.
pub(super) fn sniff(head: &[u8], path: &Path) -> Result<Kind, String> {
    let at = |offset: usize, tag: &[u8]| head.get(offset..offset + tag.len()) == Some(tag);
    if at(0, b"RIFF") || at(0, b"RF64") || at(0, b"BW64") {
        // A file cut within its first bytes is still a WAV; the header reader says what is missing.
        return if head.len() < 12 || at(8, b"WAVE") {
            Ok(Kind::Wav)
        } else {
            Err("a RIFF file without sound, such as a film or a picture".into())
        };
    }
    if at(0, b"RIFX") {
        return Err("a big-endian WAV (RIFX); convert it to an ordinary WAV".into());
    }
    if at(0, &W64_RIFF) {
        return Ok(Kind::Wav);
    }
    if at(0, b"fLaC") {
        return Ok(Kind::Flac);
    }
    if at(0, b"OggS") {
        return Ok(Kind::Ogg);
    }
    if at(0, b"FORM") && (at(8, b"AIFF") || at(8, b"AIFC")) {
        return Ok(Kind::Aiff);
    }
    if at(4, b"ftyp") {
        return Ok(Kind::M4a);
    }
    if at(0, b"ID3") {
        // Tags of this kind sit before MP3 most of the time; the name decides between the others.
        return Ok(match Kind::from_extension(path) {
            Some(kind @ (Kind::Adts | Kind::Flac | Kind::Aiff)) => kind,
            _ => Kind::Mp3,
        });
    }
    if let [0xff, second, ..] = head {
        if second & 0xf6 == 0xf0 {
            return Ok(Kind::Adts);
        }
        if second & 0xe6 == 0xe2 && second & 0x18 != 0x08 {
            return Ok(Kind::Mp3);
        }
    }
    if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
        return Err("text in UTF-16; save the table as CSV in UTF-8".into());
    }
    if looks_like_text(head) {
        return Ok(Kind::Table);
    }
    // A stream cut out of the middle starts between two frames; only the name can vouch for it.
    match Kind::from_extension(path) {
        Some(kind @ (Kind::Mp3 | Kind::Adts)) if head.len() > 4 => Ok(kind),
        _ if head.iter().all(|&b| b == 0) => Err("nothing but zero bytes; the copy failed".into()),
        _ => Err("unknown content".into()),
    }
}

/// Tells from the first bytes of a file (a dozen do) whether it is a sound recording; tables of numbers are none.
///
/// # Returns
/// The usual ending of such a file's name.
///
/// # Errors
/// What it is instead, in words.
pub fn recording_kind_of(head: &[u8]) -> Result<&'static str, String> {
    Ok(match sniff(head, Path::new(""))? {
        Kind::Wav => "wav",
        Kind::Flac => "flac",
        Kind::Mp3 => "mp3",
        Kind::Adts => "aac",
        Kind::M4a => "m4a",
        Kind::Ogg => "ogg",
        Kind::Aiff => "aiff",
        Kind::Table => return Err("text".into()),
    })
}

/// As [`recording_kind_of`], for a file.
///
/// # Errors
/// Outside: the file can't be read. Inside: it is no recording, in words.
pub fn recording_kind(path: &Path) -> std::io::Result<Result<&'static str, String>> {
    let mut head = Vec::new();
    std::fs::File::open(path)?.take(HEAD_LEN).read_to_end(&mut head)?;
    Ok(recording_kind_of(&head))
}

/// Bytes of a file that tell its kind.
const HEAD_LEN: u64 = 4096;

/// Whether the bytes can be the beginning of a text file in ASCII, UTF-8 or an 8-bit code page.
fn looks_like_text(head: &[u8]) -> bool {
    let odd = head.iter().filter(|&&b| b < 0x20 && !matches!(b, b'\t' | b'\r' | b'\n' | 0x0c)).count();
    let high = head.iter().filter(|&&b| b >= 0x7f).count();
    odd == 0 && high * 5 <= head.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kind(head: &[u8], name: &str) -> Result<Kind, String> {
        sniff(head, Path::new(name))
    }

    #[test]
    fn content_decides_before_the_name() {
        assert_eq!(kind(b"RIFF\0\0\0\0WAVEfmt ", "a.mp3"), Ok(Kind::Wav));
        assert_eq!(kind(b"fLaC\0\0\0\x22", "a.wav"), Ok(Kind::Flac));
        assert_eq!(kind(b"\0\0\0\x20ftypM4A ", "a.wav"), Ok(Kind::M4a));
        assert_eq!(kind(b"\xff\xfb\x90\x00", "a"), Ok(Kind::Mp3));
        assert_eq!(kind(b"\xff\xf1\x50\x80", "a"), Ok(Kind::Adts));
        assert_eq!(kind(b"time;x\n0;1\n", "a.wav"), Ok(Kind::Table));
    }

    #[test]
    fn a_recording_is_told_from_all_else_by_its_content_alone() {
        assert_eq!(recording_kind_of(b"RIFF\0\0\0\0WAVEfmt "), Ok("wav"));
        assert_eq!(recording_kind_of(b"\0\0\0\x20ftypM4A "), Ok("m4a"));
        for other in [
            b"<html><script>".as_slice(),
            b"%PDF-1.7\n\xe2\xe3",
            b"\x7fELF\x02\x01\x01\0",
            b"PK\x03\x04\0\0",
            b"0;1\n",
            b"",
        ] {
            assert!(recording_kind_of(other).is_err(), "{other:?}");
        }
    }

    #[test]
    fn what_is_no_recording_is_told_in_words() {
        assert!(kind(b"\x89PNG\r\n\x1a\n\0\0", "a.wav").is_err());
        assert!(kind(b"RIFF\0\0\0\0AVI LIST", "a.avi").is_err());
        assert!(kind(b"\xff\xfet\0i\0", "a.csv").unwrap_err().contains("UTF-16"));
        assert!(kind(&[0; 64], "a.wav").unwrap_err().contains("zero"));
    }
}
