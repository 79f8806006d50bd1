//! What a note is made of, whatever it is set in.

use crate::score::State;

/// A stretch of text.
#[derive(Debug, Clone, PartialEq)]
pub enum Span {
    /// Plain.
    Text(String),
    /// Strong.
    Strong(String),
    /// A verdict.
    Badge(State),
    /// A word that wants attention, such as `OUTSIDE`.
    Flag(String),
}

impl Span {
    /// Plain text.
    pub fn text(text: impl Into<String>) -> Self {
        Self::Text(text.into())
    }

    /// Strong text.
    pub fn strong(text: impl Into<String>) -> Self {
        Self::Strong(text.into())
    }

    /// A word that wants attention.
    pub fn flag(text: impl Into<String>) -> Self {
        Self::Flag(text.into())
    }

    /// Without its looks.
    #[must_use]
    pub fn plain(&self) -> String {
        match self {
            Self::Text(text) | Self::Strong(text) => text.clone(),
            Self::Flag(text) => format!("[{text}]"),
            Self::Badge(state) => crate::report::words::state(*state).to_uppercase(),
        }
    }
}

/// Which way a column is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Text.
    Left,
    /// Numbers.
    Right,
}

/// One column of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its head.
    pub head: &'static str,
    /// Which way it is set.
    pub align: Align,
    /// Share of the width on paper.
    pub share: f64,
}

/// One block of a note.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A heading: 1 for the note, 2 for a pump, 3 within it.
    Heading(u8, String),
    /// A new pump: a new page on paper where little is left.
    Pump,
    /// A paragraph.
    Para(Vec<Span>),
    /// A remark in small letters.
    Small(String),
    /// A caution.
    Caution(String),
    /// What comes first, framed; in order.
    First {
        /// Its heading.
        title: String,
        /// The steps; empty when there is none.
        steps: Vec<String>,
    },
    /// A list.
    List(Vec<Vec<Span>>),
    /// A table.
    Table {
        /// What it shows, for those who can't see it.
        caption: String,
        /// Its columns.
        columns: Vec<Column>,
        /// Cells, row by row.
        rows: Vec<Vec<Vec<Span>>>,
    },
    /// Small curves.
    Trends(Vec<super::Trend>),
    /// A picture.
    Picture {
        /// The bytes of a PNG.
        png: Vec<u8>,
        /// What a reader who can't see it needs.
        alt: String,
        /// What stands below.
        caption: String,
    },
    /// A sound.
    Sound {
        /// The bytes of a WAV.
        wav: Vec<u8>,
        /// What is heard.
        label: String,
    },
    /// Signatures: what for, and whose.
    Signatures(Vec<(&'static str, Option<String>)>),
}
