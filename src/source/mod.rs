//! TBD
