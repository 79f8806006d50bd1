use std::collections::HashSet;
use std::path::Path;

use crate::helper::{seatsong, with_rounds};

#[test]
fn a_book_goes_to_town_and_comes_back() {
    let dir = with_rounds();
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3", "4", "5", "6"]).ended(0);
    let here = seatsong(dir.path(), &["verdict", "--json"]).ended(0).out;
    seatsong(dir.path(), &["book", "pack", "rig.pack"]).ended(0).tells("22 files");
    seatsong(dir.path(), &["book", "pack", "rig.pack"]).ended(1).says("is there already");
    seatsong(dir.path(), &["book", "unpack", "rig.pack", "town"]).ended(0);
    assert_eq!(seatsong(dir.path(), &["verdict", "--json", "--book", "town"]).ended(0).out, here);
    seatsong(dir.path(), &["round", "start", "--book", "town", "--remarks", "from town"]).ended(0);
    let merged = seatsong(dir.path(), &["book", "merge", "town", "--json"]).ended(0).json();
    assert_eq!(
        (&merged["new"]["rounds"], &merged["new"]["clips"], &merged["new"]["both"]),
        (&1.into(), &0.into(), &21.into())
    );
    seatsong(dir.path(), &["book", "check"]).ended(0);
    seatsong(dir.path(), &["book", "merge", "book"]).ended(1).says("one and the same");
}

#[test]
fn tables_hold_every_row_and_their_columns_are_described() {
    let dir = with_rounds();
    seatsong(dir.path(), &["baseline", "accept", "1", "2", "3"]).ended(0);
    seatsong(dir.path(), &["verdict"]).ended(0);
    for format in ["csv", "parquet"] {
        let done = seatsong(dir.path(), &["export", "tables", "--format", format, "--maps", "--json"]).ended(0).json();
        let rows = |name: &str| {
            let all = done["tables"].as_array().unwrap();
            all.iter().find(|t| t["table"] == name).unwrap()["rows"].as_u64().unwrap()
        };
        assert_eq!((rows("pumps"), rows("spots"), rows("rounds"), rows("clips")), (1, 3, 7, 21));
        assert_eq!((rows("good"), rows("verdicts"), rows("restarts")), (9, 3, 0));
        // 12 clips were analysed: those of the three accepted rounds and of the newest one.
        assert!(rows("maps") > 12 * 144 * 10, "{}", rows("maps"));
    }
    let text = std::fs::read_to_string(dir.path().join("tables/rounds.csv")).unwrap();
    assert!(text.lines().nth(1).unwrap().contains("2026-11-01T06:00:00+00:00") && text.contains("20000000"), "{text}");
    let docs =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("notebooks-free-docs/export.md")).unwrap();
    let described: HashSet<&str> = docs.split('`').collect();
    for table in seatsong::inside::book::TABLES.iter().chain([&seatsong::inside::book::MAPS]) {
        for (column, _) in table.columns {
            assert!(
                described.contains(column),
                "{}.{column} is not described in notebooks-free-docs/export.md",
                table.name
            );
        }
    }
}
