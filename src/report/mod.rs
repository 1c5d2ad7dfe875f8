//! One result as a terminal table, a JSON record, CSV, SVG plots and an HTML page.
//!
//! Nothing is computed here that a reader could take for a measurement: these modules choose
//! words, digits and places on paper.

pub mod cautions;
mod cells;
pub mod circuit;
pub mod columns;
pub mod csv;
mod csv_source;
pub mod exchange;
pub mod files;
pub mod fits;
pub mod format;
pub mod html;
pub mod jcamp;
mod medium;
pub mod record;
pub mod svg;
pub mod terminal;

pub use medium::Medium;

#[cfg(test)]
pub(crate) mod made_up;
