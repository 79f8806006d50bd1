//! The disk is full.

use std::path::{Path, PathBuf};
use std::process::Command;

use seatsong::inside::book::Book;

use crate::helper::{Dice, files, seatsong};

/// A small disk of its own, gone with the test.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// `None` where mounting is not allowed.
    fn new(at: &Path, size: &str) -> Option<Self> {
        std::fs::create_dir_all(at).unwrap();
        let options = format!("size={size}");
        let done = Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs"]).arg(at).output();
        done.is_ok_and(|o| o.status.success()).then(|| Self(at.to_path_buf()))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).output();
    }
}

/// Imports until something does not fit, then until the disk takes nothing at all; nothing told is lost.
fn fill(dir: &Path, source: &Path, room: &dyn Fn()) {
    let mut told = Vec::new();
    let mut failed = 0;
    let mut dice = Dice(4);
    for k in 0..60 {
        let folder = source.join(format!("walk-{k}"));
        files(&folder, 3, 150_000 >> (k / 4).min(12), &mut dice);
        let ran = seatsong(dir, &["import", folder.to_str().unwrap()]);
        told.extend(
            ran.out.lines().filter(|l| l.contains(", module ")).map(|l| l.rsplit(", ").next().unwrap().to_owned()),
        );
        match ran.status {
            Some(0) => {}
            Some(1) => {
                failed += 1;
                assert!(ran.err.contains("the disk is full") || ran.err.contains("I/O"), "{ran}");
            }
            _ => panic!("{ran}"),
        }
    }
    assert!(failed > 3 && told.len() > 5, "{failed} failed, {} told", told.len());
    // Room again, and all is there.
    room();
    let book = Book::open(&dir.join("book")).unwrap();
    let report = book.check(&|| ()).unwrap();
    assert_eq!(report.faults, []);
    for file in &told {
        assert!(book.dir().join(file).is_file(), "{file} was told and is gone");
    }
    drop(book);
    // What did not fit comes in now.
    let folder = source.join("walk-59");
    seatsong(dir, &["import", folder.to_str().unwrap()]).ended(0);
}

#[test]
fn a_full_disk_is_told_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let disk = dir.path().join("disk");
    let source = dir.path().join("source");
    let Some(mounted) = SmallDisk::new(&disk, "4m") else {
        // Not root: the limit on the size of a file stands in, see the test below, which runs everywhere.
        return a_limit_on_file_size_is_told_and_loses_nothing();
    };
    let ballast = disk.join("ballast");
    std::fs::write(&ballast, vec![1; 1_500_000]).unwrap();
    seatsong(&disk, &["book", "new"]).ended(0);
    seatsong(&disk, &["pump", "add", "MP-1", "--stroke", "12in"]).ended(0);
    fill(&disk, &source, &|| std::fs::remove_file(&ballast).unwrap());
    drop(mounted);
}

#[test]
fn a_limit_on_file_size_is_told_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let source = dir.path().join("source");
    seatsong(dir.path(), &["book", "new"]).ended(0);
    seatsong(dir.path(), &["pump", "add", "MP-1", "--stroke", "12in"]).ended(0);
    let big = files(&source.join("big"), 3, 400_000, &mut Dice(5));
    let small = files(&source.join("small"), 3, 20_000, &mut Dice(6));
    // `ulimit -f` counts blocks of 512 bytes or of 1 KiB by shell: 200 to 400 kB, below the big ones and above the database.
    let import = |folder: &Path| {
        let script =
            format!("trap '' XFSZ; ulimit -f 390; exec {} import {}", env!("CARGO_BIN_EXE_seatsong"), folder.display());
        Command::new("sh").args(["-c", &script]).current_dir(dir.path()).env_remove("SEATSONG_BOOK").output().unwrap()
    };
    let failed = import(&source.join("big"));
    let words = String::from_utf8_lossy(&failed.stderr).into_owned();
    assert_eq!(failed.status.code(), Some(1), "{words}");
    assert!(words.contains("the disk is full; make room and do it again"), "{words}");
    let done = import(&source.join("small"));
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    let book = Book::open(&dir.path().join("book")).unwrap();
    let report = book.check(&|| ()).unwrap();
    assert_eq!((report.faults.as_slice(), report.clips, report.notes.len()), (&[][..], 3, 0));
    assert!(big.iter().chain(&small).all(|p| p.is_file()), "the originals stay");
    drop(book);
    seatsong(dir.path(), &["import", "source/big"]).ended(0);
}
