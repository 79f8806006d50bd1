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
    /// What only the screen has room for.
    Screen(String),
    /// What stands in its place on paper.
    Paper(String),
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
            Self::Text(text) | Self::Strong(text) | Self::Screen(text) => text.clone(),
            Self::Paper(_) => String::new(),
            Self::Flag(text) => format!("[{text}]"),
            Self::Badge(state) => crate::report::words::state(*state).to_uppercase(),
        }
    }
}

/// Where a thing of the note stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum On {
    /// Screen and paper.
    #[default]
    Both,
    /// Screen and text only: paper has no room for it.
    Screen,
    /// Paper only: it tells what of the screen is not there.
    Paper,
}

/// An item of a list or a row of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Item<T> {
    /// Where it stands.
    pub on: On,
    /// Whether it matters more than its neighbours: kept longest where room is short.
    pub first: bool,
    /// What it is.
    pub what: T,
}

impl<T> Item<T> {
    /// One of several.
    pub fn plain(what: T) -> Self {
        Self { on: On::Both, first: false, what }
    }

    /// One that matters.
    pub fn pressing(what: T) -> Self {
        Self { first: true, ..Self::plain(what) }
    }
}

/// A row of a table: its cells.
pub type Row = Vec<Vec<Span>>;

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
        steps: Vec<Item<Vec<Span>>>,
    },
    /// A list.
    List {
        /// Its items.
        items: Vec<Item<Vec<Span>>>,
        /// What the items are and where the book has them, for those that paper has no room for.
        of: &'static str,
    },
    /// Blocks that do not stand everywhere.
    Only(On, Vec<Block>),
    /// A table.
    Table {
        /// What it shows, for those who can't see it.
        caption: String,
        /// Its columns.
        columns: Vec<Column>,
        /// Its rows.
        rows: Vec<Item<Row>>,
        /// What the rows are and where the book has them.
        of: &'static str,
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
        /// The bytes of a WAV, where one was asked for.
        wav: Option<Vec<u8>>,
        /// What is heard.
        label: String,
        /// The command that plays it, for paper and text.
        command: String,
    },
    /// Photos, some of them perhaps for the screen only.
    Photos(Vec<Item<super::Photo>>),
    /// Signatures: what for, and whose.
    Signatures(Vec<(&'static str, Option<String>)>),
}
