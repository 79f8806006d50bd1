//! A folder with all that is in it, copied: books that are made once and used by many tests.

use std::path::Path;

pub(crate) fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let into = to.join(path.file_name().unwrap());
        if path.is_dir() { copy(&path, &into) } else { std::fs::copy(&path, &into).map(|_| ()).unwrap() }
    }
}
