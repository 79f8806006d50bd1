//! Names of files within a book: whatever is taken for one stays below its folder on every system.
#![no_main]

use std::path::{Component, Path};

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let name = String::from_utf8_lossy(bytes);
    if seatsong::inside::book::sound_name("clips", &name).is_ok() {
        assert!(name.starts_with("clips/") && !name.contains([':', '\\']) && !name.chars().any(char::is_control));
        assert!(name.split('/').all(|part| !part.trim_end_matches(['.', ' ']).is_empty()));
        assert!(Path::new(&*name).components().all(|part| matches!(part, Component::Normal(_))));
    }
});
