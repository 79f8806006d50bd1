//! The seeds of the fuzz targets run here too, whole, cut and damaged.

use std::path::{Component, Path};

use proptest::prelude::*;
use seatsong::inside::book::sound_name;
use seatsong::inside::clip::{ReadSettings, parse_csv_bytes, parse_wav_bytes, read, taps};

fn seeds(kind: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/fuzz").join(kind);
    let mut paths: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    assert!(paths.len() >= 3, "{kind}: the seeds are missing");
    paths.iter().map(|path| std::fs::read(path).unwrap()).collect()
}

/// What the fuzz targets do with their input.
fn feed(kind: &str, bytes: &[u8]) {
    match kind {
        "wav" => {
            if let Ok(clip) = parse_wav_bytes(bytes) {
                assert!(clip.samples.iter().all(|x| x.is_finite()) && clip.sample_rate_hz > 0.0);
            }
        }
        "csv" => {
            for rate_hz in [None, Some(1000.0)] {
                if let Ok(clip) = parse_csv_bytes(bytes, &ReadSettings { rate_hz, ..ReadSettings::default() }) {
                    assert!(clip.samples.iter().all(|x| x.is_finite()) && clip.sample_rate_hz > 0.0);
                }
            }
        }
        "name" => {
            let name = String::from_utf8_lossy(bytes);
            if sound_name("clips", &name).is_ok() {
                assert!(
                    name.starts_with("clips/") && !name.contains([':', '\\']) && !name.chars().any(char::is_control)
                );
                assert!(name.split('/').all(|part| !part.trim_end_matches(['.', ' ']).is_empty()));
                assert!(Path::new(&*name).components().all(|part| matches!(part, Component::Normal(_))));
            }
        }
        _ => {
            if let Ok(times) = taps::parse(bytes) {
                assert!(times.windows(2).all(|w| w[0] <= w[1]) && times.iter().all(|t| t.is_finite() && *t >= 0.0));
            }
        }
    }
}

#[test]
fn every_seed_is_read_without_panic_whole_and_cut() {
    for kind in ["wav", "csv", "taps", "name"] {
        for seed in seeds(kind) {
            feed(kind, &seed);
            for cut in (0..seed.len()).step_by((seed.len() / 60).max(1)) {
                feed(kind, &seed[..cut]);
            }
        }
    }
}

fn damaged(mut bytes: Vec<u8>, changes: &[(prop::sample::Index, u8)], cut: prop::sample::Index) -> Vec<u8> {
    for (at, value) in changes {
        if !bytes.is_empty() {
            let i = at.index(bytes.len());
            bytes[i] = *value;
        }
    }
    let len = if bytes.is_empty() { 0 } else { bytes.len() - cut.index(bytes.len()) / 3 };
    bytes.truncate(len);
    bytes
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn damaged_seeds_never_panic(
        kind in prop::sample::select(vec!["wav", "csv", "taps", "name"]), which in any::<prop::sample::Index>(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..12),
        cut in any::<prop::sample::Index>(),
    ) {
        let seeds = seeds(kind);
        feed(kind, &damaged(seeds[which.index(seeds.len())].clone(), &changes, cut));
    }

    #[test]
    fn damaged_compressed_files_never_panic(
        which in any::<prop::sample::Index>(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
        cut in any::<prop::sample::Index>(),
    ) {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/formats");
        let names = ["tone-1khz-48k-mono.flac", "tone-1khz-48k-mono.mp3", "tone-1khz-48k-mono.aac",
            "tone-1khz-44k-mono.m4a", "tone-1khz-48k-mono.ogg", "tone-1khz-24bit-16k-mono.aiff"];
        let name = names[which.index(names.len())];
        let bytes = damaged(std::fs::read(folder.join(name)).unwrap(), &changes, cut);
        let scratch = tempfile::tempdir().unwrap();
        let path = scratch.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        if let Ok(clip) = read(&path, &ReadSettings::default()) {
            prop_assert!(clip.samples.iter().all(|x| x.is_finite()));
        }
    }
}
