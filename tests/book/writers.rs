use std::process::Stdio;

use seatsong::inside::book::{Book, NewRound, RoundChange};

use crate::helper::{Dice, command, files, with_pump};

#[test]
fn two_writers_with_a_thousand_entries_lose_none() {
    const EACH: usize = 500;
    let dir = with_pump();
    let place = dir.path().join("book");
    let write = |who: &'static str| {
        let place = place.clone();
        std::thread::spawn(move || {
            // Its own connection, as another program has.
            let mut book = Book::open(&place).unwrap();
            let pump = book.pump("MP-1").unwrap();
            for k in 0..EACH {
                let remarks = Some(format!("{who} {k}"));
                let point = RoundChange { remarks, spm: Some(72.0), ..RoundChange::default() };
                book.start_round(&pump, &NewRound { at: None, point }).unwrap();
                // A program does other things between two entries.
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
        })
    };
    let threads = [write("one"), write("two")];
    for t in threads {
        t.join().unwrap();
    }
    let book = Book::open(&place).unwrap();
    let mut rows = book.connection().prepare("SELECT remarks FROM round ORDER BY id").unwrap();
    let found: Vec<String> = rows.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
    assert_eq!(found.len(), 2 * EACH);
    for who in ["one", "two"] {
        let own: Vec<&String> = found.iter().filter(|f| f.starts_with(who)).collect();
        let want: Vec<String> = (0..EACH).map(|k| format!("{who} {k}")).collect();
        assert!(own.iter().zip(&want).all(|(a, b)| *a == b), "{who}: in order and all there");
    }
    let turns = found.windows(2).filter(|w| w[0][..3] != w[1][..3]).count();
    assert!(turns > 10, "the two were not at work at the same time: {turns} turns");
}

#[test]
fn two_programs_that_import_the_same_folder_bring_each_recording_in_once() {
    let dir = with_pump();
    files(&dir.path().join("usb"), 30, 40_000, &mut Dice(9));
    let children: Vec<_> = (0..2)
        .map(|_| command(dir.path(), &["import", "usb"]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap())
        .collect();
    for mut child in children {
        assert!(child.wait().unwrap().success());
    }
    let book = Book::open(&dir.path().join("book")).unwrap();
    let report = book.check(&|| ()).unwrap();
    assert_eq!((report.faults.as_slice(), report.clips), (&[][..], 30));
    assert_eq!(report.notes, Vec::<String>::new());
}
