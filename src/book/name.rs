//! Names of files within the book: what one may be, and the one way from a stored name to a path.
//!
//! A book may come from anybody. Each of its names is held against this where it is used, and a link in the way of one leads nowhere.

use std::path::{Path, PathBuf};

use super::{Book, BookError};

/// Why a name is none of a file within the book.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NameFault {
    /// Another folder, a way from the root, the folder itself.
    #[error("it is not below its own folder")]
    Elsewhere,
    /// A part that leads up, or is another one on another system.
    #[error("a part of it is empty or ends in a dot or a blank")]
    Part,
    /// A letter that is none of a name everywhere.
    #[error("it has a colon, a backslash or a control character")]
    Letter,
    /// A link where the file or a folder above it should be.
    #[error("a link stands in its way; put the files themselves there")]
    Link,
}

/// Whether a name is one of a file below a folder of a book: plain parts with `/` between them, the first of them that folder.
///
/// The same on every system, since a book is carried from one to another: where Windows is, `:` begins another disk or stream, `\` parts a
/// name, and dots and blanks at an end are taken off.
///
/// # Errors
/// What is wrong with it.
///
/// ```
/// use seatsong::inside::book::{NameFault, sound_name};
/// assert_eq!(sound_name("clips", "clips/2026-11/m2-main-1.wav"), Ok(()));
/// assert_eq!(sound_name("clips", "clips/../../.bashrc"), Err(NameFault::Part));
/// assert_eq!(sound_name("clips", "/etc/passwd"), Err(NameFault::Elsewhere));
/// ```
pub fn sound_name(folder: &str, name: &str) -> Result<(), NameFault> {
    let below = name.strip_prefix(folder).and_then(|rest| rest.strip_prefix('/')).ok_or(NameFault::Elsewhere)?;
    if below.contains(|c: char| c.is_control() || matches!(c, ':' | '\\')) {
        return Err(NameFault::Letter);
    }
    // Ways up end in a dot.
    if below.split('/').any(|part| part.is_empty() || part.ends_with(['.', ' '])) {
        return Err(NameFault::Part);
    }
    Ok(())
}

/// Where a file with a stored name lies below a folder of the book in `dir`, or is to lie.
///
/// # Errors
/// [`BookError::Outside`] for a name that is none, and where a link stands in its way.
pub(super) fn inside(dir: &Path, folder: &str, name: &str) -> Result<PathBuf, BookError> {
    sound_name(folder, name).map_err(|why| BookError::Outside { name: name.to_owned(), why })?;
    without_links(dir, name)
}

/// The path of a plain name below the book's folder, which itself may be a link: whoever opened it named it.
fn without_links(dir: &Path, name: &str) -> Result<PathBuf, BookError> {
    let mut path = dir.to_path_buf();
    for part in name.split('/') {
        path.push(part);
        if path.is_symlink() {
            return Err(BookError::Outside { name: name.to_owned(), why: NameFault::Link });
        }
    }
    Ok(path)
}

/// Whether a path found in a folder is a file itself: no link to one, no pipe, no device.
pub(super) fn is_plain_file(path: &Path) -> bool {
    path.symlink_metadata().is_ok_and(|m| m.is_file())
}

impl Book {
    /// Where a file with a stored name lies below a folder of the book, or is to lie.
    ///
    /// # Errors
    /// [`BookError::Outside`] for a name that is none, and where a link stands in its way.
    pub(super) fn inside(&self, folder: &str, name: &str) -> Result<PathBuf, BookError> {
        inside(&self.dir, folder, name)
    }

    /// A folder or file that the program itself names, right below the book's folder.
    ///
    /// # Errors
    /// [`BookError::Outside`] if it is a link.
    pub(super) fn own(&self, name: &str) -> Result<PathBuf, BookError> {
        without_links(&self.dir, name)
    }
}

#[cfg(test)]
mod tests {
    use std::path::Component;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn names_that_lead_out_of_the_book_are_none() {
        for name in ["", "clips", "book.db", "x.wav", "/clips/x", "photos/x.jpg", "clipsx/y", "Clips/x", "C:/x"] {
            assert_eq!(sound_name("clips", name), Err(NameFault::Elsewhere), "{name:?}");
        }
        for name in
            ["clips/", "clips/..", "clips/../x", "clips/./x", "clips//x", "clips/x/", "clips/.. /x", "clips/a./x"]
        {
            assert_eq!(sound_name("clips", name), Err(NameFault::Part), "{name:?}");
        }
        for name in ["clips/C:x", "clips/a\\..\\x", "clips/a\nb", "clips/\u{1b}[2J", "clips/\0", "clips/\u{9b}x"] {
            assert_eq!(sound_name("clips", name), Err(NameFault::Letter), "{name:?}");
        }
        for name in
            ["clips/x", "clips/2026-11/20261125-063000-1f2e3d4c/m2-main-1.wav", "clips/.x", "clips/Ölpumpe 2/a b.wav"]
        {
            assert_eq!(sound_name("clips", name), Ok(()), "{name:?}");
        }
    }

    /// What a name is made of where somebody tries to lead out, and what it is made of else.
    fn names() -> impl Strategy<Value = String> {
        let piece = prop::sample::select(vec![
            "clips", "photos", "..", ".", "/", "//", "\\", ":", "C:", " ", "a", "b.wav", "~", "\0", "\n", "ö", "/etc",
            "2026-11/",
        ]);
        prop_oneof![
            prop::collection::vec(piece, 0..9).prop_map(|p| p.concat()),
            ".{0,20}",
            ".{0,20}".prop_map(|s| format!("clips/{s}")),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4000))]

        #[test]
        fn a_sound_name_stays_below_its_folder_however_it_is_read(name in names()) {
            if sound_name("clips", &name).is_ok() {
                let parts: Vec<Component<'_>> = Path::new(&name).components().collect();
                prop_assert!(parts.len() > 1 && parts.iter().all(|p| matches!(p, Component::Normal(_))));
                prop_assert_eq!(parts.len(), name.split('/').count(), "no part is left out or joined");
                prop_assert_eq!(parts[0].as_os_str(), "clips");
                // As Windows reads it, too.
                for part in name.split(['/', '\\']) {
                    let bare = part.trim_end_matches(['.', ' ']);
                    prop_assert!(!bare.is_empty() && bare == part && !part.contains(':'), "{:?}", name);
                }
                prop_assert_eq!(inside(Path::new("book"), "clips", &name).unwrap(), Path::new("book").join(&name));
            } else {
                let refused = matches!(inside(Path::new("book"), "clips", &name), Err(BookError::Outside { .. }));
                prop_assert!(refused);
            }
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_link_on_the_way_leads_nowhere() {
        let dir = tempfile::tempdir().unwrap();
        let (book, other) = (dir.path().join("book"), dir.path().join("other"));
        std::fs::create_dir_all(book.join("clips/a")).unwrap();
        std::fs::create_dir(&other).unwrap();
        std::fs::write(other.join("x.wav"), "private").unwrap();
        assert_eq!(inside(&book, "clips", "clips/a/x.wav").unwrap(), book.join("clips/a/x.wav"));
        let link = |to: &Path, at: &str| std::os::unix::fs::symlink(to, book.join(at)).unwrap();
        link(&other.join("x.wav"), "clips/a/x.wav");
        link(&other, "clips/b");
        link(&other, "photos");
        link(&other.join("nothing"), "clips/a/new.wav");
        for (folder, name) in [
            ("clips", "clips/a/x.wav"),
            ("clips", "clips/b/x.wav"),
            ("photos", "photos/x.wav"),
            ("clips", "clips/a/new.wav"),
        ] {
            let err = inside(&book, folder, name).unwrap_err();
            assert!(matches!(err, BookError::Outside { why: NameFault::Link, .. }), "{name}: {err}");
        }
        // The book as a whole may be named by a link.
        std::os::unix::fs::symlink(&book, dir.path().join("rig")).unwrap();
        assert!(inside(&dir.path().join("rig"), "clips", "clips/a/y.wav").is_ok());
    }
}
