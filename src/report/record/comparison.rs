//! Tubes against each other as one JSON document.

use super::{CautionRecord, InputRecord, SCHEMA_VERSION, to_json};
use crate::Result;
use crate::bench::{Examination, TubeComparison};
use crate::report::cautions;
use serde::Serialize;

/// Mark of every document of a comparison.
pub const COMPARISON_FORMAT: &str = "glowtell-comparison";

/// A comparison with the recordings that it rests on. The list may grow.
#[derive(Debug, Clone, Serialize)]
pub struct ComparisonRecord<'a> {
    /// Always [`COMPARISON_FORMAT`].
    pub format: &'static str,
    /// Always [`SCHEMA_VERSION`] for this layout.
    pub schema_version: u32,
    /// Version of the program that wrote it.
    pub program_version: &'static str,
    /// SHA-256 of the line tables that were used, lower-case hexadecimal.
    pub tables_digest: String,
    /// The recordings, in the order of the comparison.
    pub inputs: Vec<InputRecord>,
    /// The comparison; wavelengths in nm (air), uncertainties k = 1.
    pub comparison: &'a TubeComparison,
    /// Cautions for people, not for the data.
    pub cautions: Vec<CautionRecord>,
}

impl<'a> ComparisonRecord<'a> {
    /// The document of a comparison of `tubes`.
    pub fn new(
        comparison: &'a TubeComparison,
        tubes: &[(&str, &Examination)],
        tables_digest: String,
    ) -> Self {
        ComparisonRecord {
            format: COMPARISON_FORMAT,
            schema_version: SCHEMA_VERSION,
            program_version: crate::VERSION,
            tables_digest,
            inputs: tubes.iter().map(|(_, e)| (&e.spectrum).into()).collect(),
            comparison,
            cautions: cautions::TUBES.iter().map(Into::into).collect(),
        }
    }

    /// As JSON text, indented, with a line end; see [`to_json`].
    ///
    /// # Errors
    /// [`crate::Error::Usage`] where a value has no JSON form (a defect of the program).
    pub fn to_json(&self) -> Result<String> {
        to_json(self)
    }
}
