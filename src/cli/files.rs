//! Names as typed to files: a file, a folder of recordings, or a glob.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};

/// Endings of what a folder's recordings may be called.
const ENDINGS: [&str; 16] = [
    "wav", "wave", "flac", "mp3", "m4a", "mp4", "aac", "ogg", "oga", "aif", "aiff", "aifc", "csv", "tsv", "w64", "bwf",
];

/// A file and how it was named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Named {
    /// As typed, or the typed folder with the file's name.
    pub file: String,
    /// Where it is.
    pub path: PathBuf,
    /// Whether its own name was typed, not a folder or a glob.
    pub explicit: bool,
}

impl Named {
    fn new(path: PathBuf, explicit: bool) -> Self {
        Self { file: path.to_string_lossy().into_owned(), path, explicit }
    }
}

/// Expands folders and globs, each sorted by name, in the order typed. A file named twice counts once; how many names were
/// dropped for it comes second.
pub(crate) fn expand(typed: &[PathBuf]) -> anyhow::Result<(Vec<Named>, usize)> {
    let mut out = Vec::new();
    for name in typed {
        if name.is_dir() {
            out.extend(folder(name)?);
        } else if !name.exists() && is_glob(name) {
            out.extend(glob(name)?);
        } else {
            out.push(Named::new(name.clone(), true));
        }
    }
    let mut seen = HashSet::new();
    let n_named = out.len();
    out.retain(|n| seen.insert(identity(&n.path)));
    let dropped = n_named - out.len();
    Ok((out, dropped))
}

/// Expands globs only: a folder stays a name that can't be read, which is reported as such.
pub(crate) fn expand_globs(typed: &[PathBuf]) -> Vec<Named> {
    let mut out = Vec::new();
    for name in typed {
        let found = if !name.exists() && is_glob(name) { glob(name).unwrap_or_default() } else { Vec::new() };
        if found.is_empty() {
            out.push(Named::new(name.clone(), true));
        } else {
            out.extend(found);
        }
    }
    out
}

/// What two names of one file have in common.
pub(crate) fn identity(path: &Path) -> PathBuf {
    path.canonicalize().unwrap_or_else(|_| path.to_owned())
}

fn is_glob(name: &Path) -> bool {
    name.to_string_lossy().contains(['*', '?', '['])
}

fn is_recording(path: &Path) -> bool {
    let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    !hidden && path.is_file() && ending.is_some_and(|e| ENDINGS.contains(&e.as_str())) && !super::list::is_list(path)
}

fn folder(name: &Path) -> anyhow::Result<Vec<Named>> {
    let reading = || format!("{}: the folder can't be read; check that you may read it", name.display());
    let mut found = Vec::new();
    for entry in std::fs::read_dir(name).with_context(reading)? {
        let path = name.join(entry.with_context(reading)?.file_name());
        if is_recording(&path) {
            found.push(Named::new(path, false));
        }
    }
    if found.is_empty() {
        bail!("{}: no recordings in this folder (folders within it are not searched)", name.display());
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(found)
}

fn glob(name: &Path) -> anyhow::Result<Vec<Named>> {
    let pattern = name.to_string_lossy();
    let paths = glob::glob(&pattern).with_context(|| format!("{pattern}: not a pattern of file names"))?;
    let mut found: Vec<Named> =
        paths.filter_map(Result::ok).filter(|p| p.is_file()).map(|p| Named::new(p, false)).collect();
    if found.is_empty() {
        bail!("{pattern}: no file has such a name; check the folder and the ending");
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(found)
}
