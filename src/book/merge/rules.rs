//! What is done with the rows of each table when two books become one.

use rusqlite::Connection;

use super::rows::{Fate, Row};
use super::{MergeReport, clash};
use crate::book::BookError;

/// A table and how it is carried over. Tables stand after those that they point at.
#[derive(Debug)]
pub(super) struct Rule {
    /// The table.
    pub(super) table: &'static str,
    /// How.
    pub(super) how: How,
}

/// How a table is carried over.
#[derive(Debug)]
pub(super) enum How {
    /// Row by row.
    Rows(Rows),
    /// Recordings: their bytes first.
    Recordings,
    /// Photos: their bytes first.
    Photos,
    /// Not at all, and why.
    #[cfg_attr(not(test), expect(dead_code, reason = "the reason is for the reader, and a test asks for it"))]
    Stays(&'static str),
}

/// How rows are carried over.
#[derive(Debug)]
pub(super) struct Rows {
    /// Columns by which a row is the same in both books, after numbers were translated.
    pub(super) key: &'static [&'static str],
    /// Columns that hold the number of a row of another table.
    pub(super) refs: &'static [(&'static str, &'static str)],
    /// What a row that is here takes from there.
    pub(super) fill: Fill,
    /// Looks at a row that is not here by its key, before it is entered.
    pub(super) look: Option<Look>,
    /// Where new rows are counted.
    pub(super) count: fn(&mut MergeReport) -> &mut usize,
}

/// What becomes of a row that is not known by its key.
pub(super) type Look = fn(&Connection, &mut Row) -> Result<Fate, BookError>;

/// What a row that both books have takes from the other one.
#[derive(Debug)]
pub(super) enum Fill {
    /// Nothing: such rows are never changed.
    Nothing,
    /// Each of these columns, where it is empty here: what is said here wins.
    Each(&'static [&'static str]),
    /// All of these columns, if the first is empty here: closed, dropped or taken out in either book is that in both.
    Together(&'static [&'static str]),
}

/// A table whose rows have a key that is the same in every book, and are never changed.
const fn keyed(table: &'static str, refs: &'static [(&'static str, &'static str)]) -> Rule {
    Rule { table, how: How::Rows(Rows { key: &["uuid"], refs, fill: Fill::Nothing, look: None, count: tour }) }
}

/// A table whose rows are known by these columns, never changed, and told of only in sum.
const fn plain(
    table: &'static str,
    key: &'static [&'static str],
    refs: &'static [(&'static str, &'static str)],
) -> Rule {
    Rule { table, how: How::Rows(Rows { key, refs, fill: Fill::Nothing, look: None, count: more }) }
}

fn more(r: &mut MergeReport) -> &mut usize {
    &mut r.more
}

fn tour(r: &mut MergeReport) -> &mut usize {
    &mut r.tour
}

const PUMP: &[(&str, &str)] = &[("pump_id", "pump")];

/// The rules.
pub(super) const RULES: &[Rule] = &[
    Rule { table: "book", how: How::Stays("each book has its own key") },
    Rule {
        table: "pump",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: &[],
            fill: Fill::Each(&["rod_m", "gear_ratio", "rod_load_n", "liner_m"]),
            look: Some(clash::pump),
            count: |r| &mut r.pumps,
        }),
    },
    Rule {
        table: "liner",
        how: How::Rows(Rows {
            key: &["pump_id", "bore_m"],
            refs: PUMP,
            fill: Fill::Nothing,
            look: Some(clash::liner),
            count: more,
        }),
    },
    Rule {
        table: "spot",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: PUMP,
            fill: Fill::Each(&["note"]),
            look: Some(clash::spot),
            count: more,
        }),
    },
    Rule {
        table: "restart",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: PUMP,
            fill: Fill::Nothing,
            look: None,
            count: |r| &mut r.baseline,
        }),
    },
    Rule {
        table: "round",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: PUMP,
            fill: Fill::Each(&["closed_at", "spm", "pressure_pa", "mud_kg_m3", "liner_m", "crew", "remarks"]),
            look: None,
            count: |r| &mut r.rounds,
        }),
    },
    Rule { table: "import_begun", how: How::Stays("what an interrupted import here is still to bring in") },
    Rule { table: "clip", how: How::Recordings },
    plain("capture", &["clip_id"], &[("clip_id", "clip")]),
    plain("clip_taps", &["clip_id"], &[("clip_id", "clip")]),
    Rule { table: "page_answer", how: How::Stays("answers to phones that entered something here") },
    Rule {
        table: "upload",
        how: How::Stays("recordings on their way from a phone to this book; whole ones are clips"),
    },
    plain("analysis", &["clip_id", "method"], &[("clip_id", "clip")]),
    Rule {
        table: "to_analyse",
        how: How::Stays("a list of what is to be computed here; a command that misses a map enters it anew"),
    },
    Rule {
        table: "good",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: &[("round_id", "round"), ("pump_id", "pump")],
            fill: Fill::Together(&["dropped_at", "dropped_why"]),
            look: Some(clash::good),
            count: |r| &mut r.baseline,
        }),
    },
    Rule {
        table: "verdict",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: &[("round_id", "round")],
            fill: Fill::Nothing,
            look: Some(clash::verdict),
            count: |r| &mut r.verdicts,
        }),
    },
    Rule {
        table: "verdict_clip",
        how: How::Rows(Rows {
            key: &["verdict_id", "clip_id"],
            refs: &[("verdict_id", "verdict"), ("clip_id", "clip"), ("pump_id", "pump")],
            fill: Fill::Nothing,
            look: Some(clash::verdict_clip),
            count: more,
        }),
    },
    Rule { table: "photo", how: How::Photos },
    keyed("check_entry", PUMP),
    plain("answer", &["check_entry_id", "ask"], &[("check_entry_id", "check_entry")]),
    Rule {
        table: "concern",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: PUMP,
            fill: Fill::Together(&["closed_ms", "closed_at", "closed_by", "closed_why"]),
            look: None,
            count: tour,
        }),
    },
    Rule {
        table: "part",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: PUMP,
            fill: Fill::Together(&["out_ms", "out_at", "why", "condition", "photo"]),
            look: Some(clash::part),
            count: tour,
        }),
    },
    Rule {
        table: "run_log",
        how: How::Rows(Rows {
            key: &["uuid"],
            refs: PUMP,
            fill: Fill::Nothing,
            look: Some(clash::run_log),
            count: tour,
        }),
    },
    keyed("job", PUMP),
    Rule {
        table: "job_entry",
        how: How::Rows(Rows {
            key: &["job_id", "document", "entered_at"],
            refs: &[("job_id", "job")],
            fill: Fill::Nothing,
            look: Some(clash::job_entry),
            count: tour,
        }),
    },
    Rule {
        table: "note",
        how: How::Rows(Rows { key: &["uuid"], refs: &[], fill: Fill::Nothing, look: Some(clash::note), count: tour }),
    },
    Rule {
        table: "amendment",
        how: How::Rows(Rows {
            key: &["note_id", "at_ms", "by_position", "words"],
            refs: &[("note_id", "note")],
            fill: Fill::Nothing,
            look: None,
            count: tour,
        }),
    },
    Rule {
        table: "takeover",
        how: How::Rows(Rows {
            key: &["note_id"],
            refs: &[("note_id", "note")],
            fill: Fill::Nothing,
            look: None,
            count: tour,
        }),
    },
    plain("watch_line", &["spot_id", "at_ms"], &[("spot_id", "spot")]),
    plain("watch_event", &["uuid"], &[("pump_id", "pump"), ("spot_id", "spot")]),
    plain("watch_round", &["round_id"], &[("round_id", "round")]),
];
