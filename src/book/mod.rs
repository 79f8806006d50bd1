//! The book: one folder that keeps everything the tool knows of a rig's pumps, as long as the pumps live.
//!
//! ```text
//! book.db        the database: pumps, spots, rounds, clips by checksum, accepted rounds, stroke maps, verdicts
//! clips/         the recordings, byte for byte as they came, named by round and spot
//! photos/        photos of checks and parts, byte for byte, named by their checksum
//! incoming/      recordings on their way in; `rec-...` are being recorded, or were cut off and are taken in by the next opening
//! quarantine/    what `mend` put aside; nothing is ever deleted, but hourly clips that a watch kept by itself
//! ```
//! What is acknowledged is on the disk: rows are committed with `synchronous=FULL`, a recording is written under a temporary name, synced,
//! entered in the database and only then given its final name. A power cut between two of these steps leaves a row whose file lies in
//! `incoming/`, where it is found by its checksum, or an unfinished copy that nothing depends on.

mod baseline;
mod blob;
mod cache;
mod check;
mod clips;
mod documents;
mod due;
mod entries;
mod error;
mod export;
mod hear;
mod history;
mod imports;
mod jobs;
mod judge;
mod list;
mod merge;
mod migrations;
mod name;
mod once;
mod pack;
mod parquet;
mod parts;
mod pattern;
mod photos;
mod pumps;
mod recording;
mod refresh;
mod remarks;
mod rounds;
mod series;
mod store;
mod tar;
mod time;
mod tour;
mod uploads;
mod watch;

pub(crate) use baseline::in_site_unit;
pub use baseline::{Proposal, Standing};
pub use blob::encode;
pub use cache::METHOD;
pub(crate) use cache::unreadable;
pub use check::CheckReport;
pub use clips::{Added, ClipRow, NewClip};
pub use documents::{concern_document, due_document, job_document, part_document};
pub use entries::{CheckWish, EntryError, check_named, tour_named, work_answer};
pub use error::BookError;
pub(crate) use error::refused;
pub use export::{MAPS, MakeSink, TABLES, csv_sink};
pub use hear::Hearing;
pub use history::OperatingPoint;
pub use imports::{Import, ImportFile};
pub use jobs::{Amendment, JobRow, NoteRow, Taken, fingerprint};
pub use judge::{Change, RoundVerdict, Since};
pub use list::{Overview, RoundLine};
pub use merge::MergeReport;
pub use migrations::SCHEMA;
pub use name::{NameFault, sound_name};
pub use pack::{PackReport, unpack};
pub use parquet::parquet_sink;
pub use parts::{PartChange, PartRow};
pub use pattern::NamePattern;
pub use photos::PhotoRow;
pub use pumps::{NewPump, PumpChange, PumpRow, SpotRow};
pub use recording::{CaptureRow, Recovered};
pub use rounds::{NewRound, RoundChange, RoundRow};
pub use store::Book;
pub use time::Stamp;
pub use tour::{CheckRow, ConcernRow, NewCheck, SHEET};
pub(crate) use tour::{instant, just_after};
pub use uploads::{Finished, NewUpload, UploadRow};
pub use watch::{GoodsBySpot, Kept, WatchEntry, WatchLine};
