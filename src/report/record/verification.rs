//! A verification as one JSON document.

use super::{CautionRecord, InputRecord, SCHEMA_VERSION, to_json};
use crate::calibrate::{Verification, VerifySettings};
use crate::report::cautions;
use crate::{Result, Spectrum};
use serde::Serialize;

/// Mark of every document of a verification.
pub const VERIFICATION_FORMAT: &str = "glowtell-verification";

/// An axis, judged, with the recording that judged it. The list may grow.
#[derive(Debug, Clone, Serialize)]
pub struct VerificationRecord<'a> {
    /// Always [`VERIFICATION_FORMAT`].
    pub format: &'static str,
    /// Always [`SCHEMA_VERSION`] for this layout.
    pub schema_version: u32,
    /// Version of the program that wrote it.
    pub program_version: &'static str,
    /// SHA-256 of the line tables that were used, lower-case hexadecimal.
    pub tables_digest: String,
    /// The recording.
    pub input: InputRecord,
    /// Settings as they were used.
    pub settings: &'a VerifySettings,
    /// How an error is counted and a stretch is judged.
    pub meaning: &'static str,
    /// The judgement; wavelengths and errors in nm (air), uncertainties k = 1.
    pub verification: &'a Verification,
    /// Cautions for people, not for the data.
    pub cautions: Vec<CautionRecord>,
}

impl<'a> VerificationRecord<'a> {
    /// The document of a verification with `lamp`.
    pub fn new(
        verification: &'a Verification,
        lamp: &Spectrum,
        settings: &'a VerifySettings,
        tables_digest: String,
    ) -> Self {
        VerificationRecord {
            format: VERIFICATION_FORMAT,
            schema_version: SCHEMA_VERSION,
            program_version: crate::VERSION,
            tables_digest,
            input: lamp.into(),
            settings,
            meaning: "errors are read minus true; good to: |error| + 2u; tolerance: guard band of \
                      2u on either side (JCGM 106:2012, 8.3)",
            verification,
            cautions: cautions::CALIBRATION_LAMP.iter().map(Into::into).collect(),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::AxisKind;
    use crate::report::made_up;

    #[test]
    fn a_reader_finds_what_it_needs() {
        let v = made_up::verification();
        let lamp = made_up::recording(AxisKind::Nm, 300.0, 900.0, 300, &[]);
        let settings = VerifySettings { within_nm: Some(0.5), ..Default::default() };
        let text = VerificationRecord::new(&v, &lamp, &settings, "0".into()).to_json().unwrap();
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(json["format"], VERIFICATION_FORMAT);
        let judged = &json["verification"];
        assert_eq!(judged["tolerance"]["claim"], "does not hold");
        assert_eq!(judged["error"]["offset_nm"]["value"], 0.8);
        assert_eq!(judged["stretches"][0]["support"], "beyond");
        assert_eq!(judged["sheet"]["top"], "highest-point");
        assert_eq!(json["settings"]["within-nm"], 0.5);
    }
}
