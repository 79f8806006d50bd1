//! `seatsong export`: the book as tables for other programs.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use serde_json::json;

use super::Io;
use super::book::BookArg;
use crate::book::{MakeSink, TABLES, csv_sink, parquet_sink};

/// Write all tables of the book, and its stroke maps, as CSV or Parquet files
///
/// Columns and units are described in notebooks-free-docs/export.md; all values are SI, angles in degrees, levels in dB.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong export tables/ --format parquet --maps")]
pub struct ExportArgs {
    /// Folder to write to; made if missing, files of the same name are replaced
    dir: PathBuf,
    /// Kind of file
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// Stroke maps too: some 4,600 rows a clip
    #[arg(long)]
    maps: bool,
    /// Print JSON instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// Kind of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
enum Format {
    /// Comma-separated text
    #[default]
    Csv,
    /// Apache Parquet
    Parquet,
}

/// Runs the command.
///
/// # Errors
/// No book, a folder that can't be written.
pub fn run(args: &ExportArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let book = args.place.open()?;
    let (ending, make): (&str, MakeSink<'_>) = match args.format {
        Format::Csv => ("csv", &csv_sink),
        Format::Parquet => ("parquet", &parquet_sink),
    };
    let bar = io.progress(TABLES.len() + usize::from(args.maps), "tables");
    let done = book.export(&args.dir, ending, args.maps, make, &|| bar.inc(1));
    bar.finish_and_clear();
    let done = done?;
    if args.json {
        io.json(&json!({"schema": "seatsong.export/1", "tables": done}))?;
    } else {
        for t in &done {
            writeln!(io.out, "{}: {} rows", t.file.display(), t.rows)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}
