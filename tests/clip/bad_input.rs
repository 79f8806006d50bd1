use std::process::Command;

use seatsong::inside::clip::{ClipError, Code, Effect, ReadSettings, read, taps};

use crate::helper::{Folder, RATE_HZ, pump};

#[test]
fn what_is_no_recording_is_refused_with_its_name_and_what_to_do() {
    let folder = Folder::new();
    let refuse = |name: &str, content: &[u8], says: &str| {
        let path = folder.write(name, content);
        let message = read(&path, &ReadSettings::default()).unwrap_err().to_string();
        assert!(message.starts_with(path.to_str().unwrap()), "{message}");
        assert!(message.contains(says), "{message}");
        assert!(!message.ends_with('.'), "{message}");
    };
    refuse("picture.wav", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "not a recording");
    refuse("empty.wav", b"", "0 bytes");
    refuse("zeros.wav", &[0; 9000], "zero bytes");
    refuse("notes.txt", b"Changed the suction valve at 3 pm.\nAll well.\n", "no table of numbers");
    refuse("film.avi", b"RIFF\x10\0\0\0AVI LIST\0\0\0\0", "without sound");
    refuse("utf16.csv", b"\xff\xfet\0i\0m\0e\0", "UTF-16");
    refuse("riff.wav", b"RIFF", "broken WAV header");
    refuse("junk.mp3", &[0x55; 9000], "");
    refuse("tags.mp3", b"ID3\x03\0\0\0\0\0\0nothing behind it", "");
    refuse("head.flac", b"fLaC\0\0\0\x22\x10\0\x10\0", "");
    refuse("head.m4a", b"\0\0\0\x20ftypM4A \0\0\0\0", "");
    refuse("head.ogg", b"OggS\0\x02", "");
    refuse("head.aiff", b"FORM\0\0\0\x10AIFFCOMM", "");
}

#[test]
fn what_is_no_file_is_refused_and_a_pipe_is_not_waited_for() {
    let folder = Folder::new();
    let say = |name: &str| read(&folder.path(name), &ReadSettings::default()).unwrap_err();
    assert!(matches!(say("nowhere.wav"), ClipError::Open { .. }));
    std::fs::create_dir(folder.path("folder.wav")).unwrap();
    assert!(say("folder.wav").to_string().contains("is a folder"));
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(folder.path("gone.wav"), folder.path("link.wav")).unwrap();
        assert!(matches!(say("link.wav"), ClipError::Open { .. }));
        let made = Command::new("mkfifo").arg(folder.path("pipe.wav")).status().unwrap();
        assert!(made.success());
        assert!(say("pipe.wav").to_string().contains("pipe"));
    }
    assert!(matches!(taps::read(&folder.path("folder.wav")), Err(ClipError::NotAFile { .. })));
}

#[test]
fn channels_that_are_not_there_are_refused() {
    let folder = Folder::new();
    let path = folder.wav("stereo.wav", RATE_HZ, &[pump(3.0, 1), pump(3.0, 2)]);
    let settings = |channel, pulse| ReadSettings { channel, pulse, ..ReadSettings::default() };
    for channel in [0, 3, 99] {
        let err = read(&path, &settings(Some(channel), None)).unwrap_err();
        assert!(matches!(err, ClipError::NoSuchChannel { channels: 2, .. }), "{err}");
    }
    assert!(matches!(read(&path, &settings(Some(2), Some(2))), Err(ClipError::PulseIsChannel { .. })));
    // A file without the pulse channel simply carries no mark.
    let clip = read(&path, &settings(Some(1), Some(3))).unwrap();
    assert!(clip.pulse.is_none() && clip.findings.is_empty());
    let mono = folder.wav("mono.wav", RATE_HZ, &[pump(3.0, 1)]);
    assert!(matches!(read(&mono, &settings(None, Some(1))), Err(ClipError::OnlyPulse { .. })));
    assert!(read(&mono, &settings(None, Some(2))).unwrap().pulse.is_none());
}

#[test]
fn settings_out_of_range_are_refused() {
    let folder = Folder::new();
    let path = folder.wav("clip.wav", RATE_HZ, &[pump(3.0, 1)]);
    for max_kept_s in [f64::NAN, -1.0, 0.0, f64::INFINITY] {
        let settings = ReadSettings { max_kept_s, ..ReadSettings::default() };
        assert!(matches!(read(&path, &settings), Err(ClipError::Setting { .. })));
    }
}

#[test]
fn one_sample_is_refused_as_too_short() {
    let folder = Folder::new();
    let path = folder.wav("one.wav", RATE_HZ, &[vec![0.5]]);
    let clip = read(&path, &ReadSettings::default()).unwrap();
    assert_eq!(clip.samples.len(), 1);
    assert!(clip.findings.iter().any(|f| f.code == Code::TooShort && f.effect == Effect::Refuse));
}
