//! pump
