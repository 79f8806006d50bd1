//! stroke
