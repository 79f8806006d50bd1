use std::io::Write as _;

use super::super::NewRound;
use super::super::pumps::tests::triplex;
use super::*;

/// A sound that is none, but begins like one.
fn bytes() -> Vec<u8> {
    let mut out = b"RIFF\x00\x10\x00\x00WAVEfmt ".to_vec();
    out.extend((0..5000_u32).flat_map(|k| (k % 251).to_le_bytes()));
    out
}

struct Set {
    dir: tempfile::TempDir,
    book: Book,
    round: RoundRow,
    spot: SpotRow,
    sum: String,
}

fn set(content: &[u8]) -> Set {
    let dir = tempfile::tempdir().unwrap();
    let mut book = Book::create(dir.path()).unwrap();
    let pump = book.add_pump(&triplex("MP-1")).unwrap();
    let round = book.start_round(&pump, &NewRound::default()).unwrap();
    let spot = book.spot(&pump, 2, None).unwrap();
    let path = dir.path().join("sum");
    std::fs::write(&path, content).unwrap();
    let sum = sum_of(&path).unwrap();
    Set { dir, book, round, spot, sum }
}

impl Set {
    fn begin(&mut self, key: &str, n_bytes: usize) -> Result<UploadRow, BookError> {
        let id = format!("{:032x}", 7 + key.len());
        let new = NewUpload {
            key,
            round: &self.round,
            spot: &self.spot,
            bytes: i64::try_from(n_bytes).unwrap(),
            sha256: &self.sum,
            taken_at: &Stamp::now(),
            taps_s: Some(&[0.5, 1.25]),
        };
        self.book.begin_upload(&id, &new)
    }

    fn write(&self, upload: &UploadRow, piece: &[u8]) {
        let path = self.book.upload_path(upload).unwrap();
        let mut to = std::fs::OpenOptions::new().append(true).create(true).open(path).unwrap();
        to.write_all(piece).unwrap();
    }
}

#[test]
fn a_recording_in_two_pieces_over_a_restart_comes_in_whole_with_its_taps() {
    let content = bytes();
    let mut s = set(&content);
    let upload = s.begin("phone-key-1", content.len()).unwrap();
    assert_eq!(upload.have, 0);
    s.write(&upload, &content[..1850]);
    assert_eq!(s.book.finish_upload(&upload.id).unwrap(), Finished::Short);
    s.book = Book::open(s.dir.path()).unwrap();
    let again = s.begin("phone-key-1", content.len()).unwrap();
    assert_eq!((again.id.as_str(), again.have), (upload.id.as_str(), 1850));
    assert!(s.begin("phone-key-1", 77).is_err(), "the key belongs to another recording");
    s.write(&upload, &content[1850..]);
    let Finished::Clip(clip, false) = s.book.finish_upload(&upload.id).unwrap() else { panic!() };
    assert_eq!((clip.module, clip.sha256.as_str(), clip.original.as_str()), (2, s.sum.as_str(), "page-m2.wav"));
    assert!(clip.file.ends_with(".wav"), "{clip:?}");
    assert_eq!(s.book.taps(clip.id).unwrap(), Some(vec![0.5, 1.25]));
    assert_eq!(s.book.finish_upload(&upload.id).unwrap(), Finished::Clip(clip.clone(), false), "asked again");
    assert_eq!(std::fs::read(s.book.clip_path(&clip).unwrap()).unwrap(), content);
    assert_eq!(std::fs::read_dir(s.dir.path().join(INCOMING)).unwrap().count(), 0);
    assert_eq!(s.book.uploads_waiting().unwrap(), (0, 0));
    assert_eq!(s.book.upload(&upload.id).unwrap().have, upload.bytes);
}

#[test]
fn bytes_that_differ_start_over_and_what_is_no_recording_is_discarded() {
    let content = bytes();
    let mut s = set(&content);
    let upload = s.begin("phone-key-1", content.len()).unwrap();
    let mut wrong = content.clone();
    wrong[900] ^= 1;
    s.write(&upload, &wrong);
    assert_eq!(s.book.finish_upload(&upload.id).unwrap(), Finished::Differs);
    assert_eq!(s.book.upload(&upload.id).unwrap().have, 0);
    s.write(&upload, &content);
    assert!(matches!(s.book.finish_upload(&upload.id).unwrap(), Finished::Clip(_, false)));

    let page = b"<html><body>not a sound at all</body></html>";
    let mut s = set(page);
    let upload = s.begin("phone-key-2", page.len()).unwrap();
    s.write(&upload, page);
    assert!(matches!(s.book.finish_upload(&upload.id).unwrap(), Finished::NoRecording(_)));
    assert!(s.book.upload(&upload.id).is_err() && s.book.clips(s.round.id).unwrap().is_empty());
}

#[test]
fn an_upload_that_nobody_goes_on_with_is_discarded_after_its_days_and_mending_leaves_it_until_then() {
    let content = bytes();
    let mut s = set(&content);
    let upload = s.begin("phone-key-1", content.len()).unwrap();
    s.write(&upload, &content[..100]);
    let path = s.book.upload_path(&upload).unwrap();
    let old = std::time::SystemTime::now() - std::time::Duration::from_secs(3600);
    std::fs::File::options().write(true).open(&path).unwrap().set_modified(old).unwrap();
    assert!(s.book.mend(&|| ()).unwrap().quarantined.is_empty());
    let in_days = |d: i64| Stamp::of_ms(Stamp::now().ms + d * DAY_MS).unwrap();
    assert_eq!(s.book.discard_old_uploads(&in_days(UPLOAD_LIFE_DAYS - 1)).unwrap(), 0);
    assert!(path.exists());
    assert_eq!(s.book.discard_old_uploads(&in_days(UPLOAD_LIFE_DAYS + 1)).unwrap(), 1);
    assert!(!path.exists() && s.book.upload(&upload.id).is_err());
}

#[test]
fn what_no_phone_sends_is_refused() {
    let mut s = set(&bytes());
    s.sum = "../../../etc/passwd".repeat(4)[..64].to_owned();
    assert!(s.begin("phone-key-1", 100).is_err(), "a checksum that is none");
    s.sum = "0".repeat(64);
    assert!(s.begin("no/key/at/all", 100).is_err());
    assert!(s.begin("phone-key-1", 0).is_err());
    assert!(s.book.upload("../../book.db").is_err());
    let new = NewUpload {
        key: "phone-key-3",
        round: &s.round,
        spot: &s.spot,
        bytes: 100,
        sha256: &s.sum,
        taken_at: &Stamp::now(),
        taps_s: Some(&[2.0, 1.0]),
    };
    assert!(s.book.begin_upload(&"0".repeat(32), &new).is_err(), "taps that go back");
}

#[test]
fn a_closed_round_takes_no_recording_from_a_phone() {
    let content = bytes();
    let mut s = set(&content);
    let begun = s.begin("phone-key-1", content.len()).unwrap();
    s.write(&begun, &content);
    s.book.change_round(s.round.id, &super::super::RoundChange::default(), true).unwrap();
    // One that was on its way when the round was closed, and one that comes later.
    for err in [s.book.finish_upload(&begun.id).unwrap_err(), s.begin("phone-key-22", content.len()).unwrap_err()] {
        assert!(err.to_string().contains("was closed at"), "{err}");
    }
    assert_eq!(s.book.clips(s.round.id).unwrap(), []);
    // Brought in otherwise, the phone may let it go.
    let pump = s.book.pump("MP-1").unwrap();
    let other = s.book.start_round(&pump, &NewRound::default()).unwrap();
    let (path, at) = (s.dir.path().join("sum"), Stamp::now());
    s.book.add_clip(&other, &s.spot, &NewClip { path: &path, taken_at: &at, pulse: None }).unwrap();
    let again = s.begin("phone-key-22", content.len()).unwrap();
    s.write(&again, &content);
    assert!(matches!(s.book.finish_upload(&again.id).unwrap(), Finished::Clip(clip, true) if clip.round == other.id));
}
