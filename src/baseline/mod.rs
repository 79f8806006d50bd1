//! baseline
