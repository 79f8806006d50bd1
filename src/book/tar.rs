//! Just enough of the ustar interchange format (IEEE Std 1003.1, "pax") to write and read one file of named files.
//!
//! So that what is carried to town can be opened there without this program.

use std::io::{Read, Write};

/// Bytes of a block.
pub(super) const BLOCK: u64 = 512;
/// Largest size that the header's eleven octal digits can say.
const MOST_BYTES: u64 = 0o777_7777_7777;

/// A file's place in the whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub name: String,
    pub bytes: u64,
}

fn put(header: &mut [u8; 512], at: usize, text: &[u8]) {
    header[at..at + text.len()].copy_from_slice(text);
}

fn sum(header: &[u8; 512]) -> u64 {
    // The checksum's own field counts as blanks.
    header.iter().enumerate().map(|(i, &b)| if (148..156).contains(&i) { 32 } else { u64::from(b) }).sum()
}

/// The header of a file; `None` if its name or size does not fit the format.
pub(super) fn header(entry: &Entry) -> Option<[u8; 512]> {
    let mut h = [0; 512];
    if entry.name.is_empty() || entry.name.len() > 100 || entry.bytes > MOST_BYTES {
        return None;
    }
    put(&mut h, 0, entry.name.as_bytes());
    put(&mut h, 100, b"0000644\0");
    put(&mut h, 108, b"0000000\0");
    put(&mut h, 116, b"0000000\0");
    put(&mut h, 124, format!("{:011o}\0", entry.bytes).as_bytes());
    // The same book packed twice is the same file: no time of the day.
    put(&mut h, 136, b"00000000000\0");
    h[156] = b'0';
    put(&mut h, 257, b"ustar\x0000");
    let check = format!("{:06o}\0 ", sum(&h));
    put(&mut h, 148, check.as_bytes());
    Some(h)
}

/// Bytes behind a file up to the next block.
pub(super) fn padding(bytes: u64) -> u64 {
    (BLOCK - bytes % BLOCK) % BLOCK
}

/// Writes the zeros behind a file.
pub(super) fn pad(to: &mut impl Write, bytes: u64) -> std::io::Result<()> {
    let zeros = [0; 512];
    to.write_all(&zeros[..usize::try_from(padding(bytes)).unwrap_or(0)])
}

/// Writes the end of the whole: two blocks of zeros.
pub(super) fn finish(to: &mut impl Write) -> std::io::Result<()> {
    to.write_all(&[0; 1024])
}

/// Reads a header. `None` at the end, and where no header stands.
pub(super) fn next(from: &mut impl Read) -> std::io::Result<Option<Entry>> {
    let mut h = [0; 512];
    let mut have = 0;
    while have < h.len() {
        match from.read(&mut h[have..])? {
            0 => return Ok(None),
            n => have += n,
        }
    }
    let text = |at: usize, n: usize| {
        let field = &h[at..at + n];
        let end = field.iter().position(|b| *b == 0 || *b == b' ').unwrap_or(n);
        std::str::from_utf8(&field[..end]).ok().map(str::to_owned)
    };
    let octal = |at: usize, n: usize| text(at, n).and_then(|t| u64::from_str_radix(&t, 8).ok());
    if &h[257..262] != b"ustar" || octal(148, 8) != Some(sum(&h)) {
        return Ok(None);
    }
    let name_end = h[..100].iter().position(|b| *b == 0).unwrap_or(100);
    let name = std::str::from_utf8(&h[..name_end]).ok().map(str::to_owned);
    Ok(name.zip(octal(124, 12)).map(|(name, bytes)| Entry { name, bytes }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again() {
        let mut out = Vec::new();
        for (name, bytes) in [("manifest.json", 3_u64), ("clips/2026-11/a b.wav", 512), ("x", 0)] {
            out.extend(header(&Entry { name: name.into(), bytes }).unwrap());
            out.extend(vec![7; usize::try_from(bytes).unwrap()]);
            pad(&mut out, bytes).unwrap();
        }
        finish(&mut out).unwrap();
        assert_eq!(out.len() % 512, 0);
        let mut from = out.as_slice();
        for (name, bytes) in [("manifest.json", 3_u64), ("clips/2026-11/a b.wav", 512), ("x", 0)] {
            assert_eq!(next(&mut from).unwrap(), Some(Entry { name: name.into(), bytes }));
            from = &from[usize::try_from(bytes + padding(bytes)).unwrap()..];
        }
        assert_eq!(next(&mut from).unwrap(), None);
        assert_eq!(next(&mut &out[..100]).unwrap(), None, "cut short");
    }

    #[test]
    fn names_and_sizes_that_do_not_fit_are_refused() {
        assert!(header(&Entry { name: "x".repeat(101), bytes: 0 }).is_none());
        assert!(header(&Entry { name: String::new(), bytes: 0 }).is_none());
        assert!(header(&Entry { name: "x".into(), bytes: 1 << 33 }).is_none());
    }
}
