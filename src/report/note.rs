//! note
