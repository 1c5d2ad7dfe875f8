//! The JSON record of one item: data, settings, instrument, answers, doubts.
//!
//! A record is one JSON object whose `format` is [`FORMAT`] and whose `schema_version` is
//! [`SCHEMA_VERSION`]. Every field is documented at the types of this module under the name that
//! it has in JSON. **The list may grow**: a reader must pass over fields that it does not know.
//! A field is never renamed and never changes its meaning or unit within one schema version.
//! Numbers that do not exist (not measured, not finite) are `null`; all others are rounded to
//! [`DIGITS`] significant digits in one place ([`to_json`]), so that the same input gives the same
//! bytes on every machine.

mod answers;
mod comparison;
mod json;
mod peaks;
mod share;
mod verification;

pub use answers::{
    AssignmentRecord, EvidenceRecord, GasRecord, GasesRecord, GhostRecord, LimitRecord,
    SpeciesRecord,
};
pub use comparison::{COMPARISON_FORMAT, ComparisonRecord};
pub use json::{DIGITS, to_json};
pub use peaks::{LineWidthRecord, MeasuredRecord, PeakRecord, PeaksRecord, PointsRecord};
pub use share::without_folders;
pub use verification::{VERIFICATION_FORMAT, VerificationRecord};

use crate::bench::Circuit;
use crate::calibrate::{LampUsed, Profile};
use crate::gases::{GasReport, Verdict};
use crate::report::cautions::{self, Caution};
use crate::signal::PeakList;
use crate::source::{ClaimResult, SourceReport};
use crate::{AxisKind, Error, Result, Spectrum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// Mark of every record.
pub const FORMAT: &str = "glowtell-record";
/// Version of the layout.
pub const SCHEMA_VERSION: u32 = 3;
/// Oldest version that is still read; what it lacks is taken as not told.
pub const OLDEST_VERSION: u32 = 2;

/// How it went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// There is an answer.
    Answered,
    /// There is none; `error` says why.
    Failed,
}

/// Everything about one item. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Always [`FORMAT`].
    pub format: String,
    /// Always [`SCHEMA_VERSION`] for this layout.
    pub schema_version: u32,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// SHA-256 of the line tables that were used, lower-case hexadecimal; empty where none were.
    pub tables_digest: String,
    /// Name of the item: a tube, a lamp.
    pub item: String,
    /// How it went.
    pub status: Status,
    /// Why there is no answer, in one sentence.
    pub error: Option<String>,
    /// The recording.
    pub input: Option<InputRecord>,
    /// What the user knows about the item, in the user's words: type, maker, supply …
    pub known: BTreeMap<String, String>,
    /// Voltages and currents of a tube's circuit, each as `{"value", "u"}`, where the sheet tells what
    /// they follow from. Its fields are documented at [`Circuit`].
    #[serde(default)]
    pub circuit: Option<Circuit>,
    /// The instrument.
    pub instrument: Option<InstrumentRecord>,
    /// Settings of each step by its name (`peaks`, `gases`, …), as they were used.
    pub settings: BTreeMap<String, serde_json::Value>,
    /// The peaks.
    pub peaks: Option<PeaksRecord>,
    /// What glows.
    pub gases: Option<GasesRecord>,
    /// What a light source emits, and what its labels are worth; `null` for tubes. Its fields are
    /// documented at [`SourceReport`].
    pub source: Option<SourceReport>,
    /// The verdicts in short.
    pub summary: VerdictSummary,
    /// What was done on the way and what to beware of, one sentence each.
    pub notes: Vec<String>,
    /// Cautions for people, not for the data.
    pub cautions: Vec<CautionRecord>,
    /// The recording itself, where it was asked for.
    pub points: Option<PointsRecord>,
}

/// The recording that an answer rests on. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InputRecord {
    /// Short name.
    pub name: String,
    /// File it came from, as given.
    pub file: Option<String>,
    /// SHA-256 of the file's bytes.
    pub sha256: Option<String>,
    /// Number of points.
    pub points: usize,
    /// `nm` (air) or `pixel`.
    pub axis: AxisKind,
    /// Lowest value of the axis, nm or pixels.
    pub axis_from: Option<f64>,
    /// Highest value of the axis, nm or pixels.
    pub axis_to: Option<f64>,
    /// Standard uncertainty of the axis at its best and worst point, nm; `null` where it has not
    /// been calibrated.
    pub axis_u_nm: Option<[f64; 2]>,
    /// Unit of the counts.
    pub unit: String,
    /// True where the file listed the axis from high to low.
    pub reversed: bool,
    /// Header lines of the file, key and value, in file order.
    pub metadata: Vec<(String, String)>,
    /// What was guessed or done while reading, one sentence each.
    pub notes: Vec<String>,
}

/// The instrument's profile in short. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InstrumentRecord {
    /// Name of the instrument.
    pub name: String,
    /// The lamps that set its axis.
    pub lamps: Vec<LampUsed>,
    /// Wavelengths between which lamp lines carry the axis, nm (air).
    pub anchored_nm: [Option<f64>; 2],
    /// Number of lamp lines that carry the fit.
    pub anchors: usize,
    /// Root mean square of their residuals, nm.
    pub rms_nm: Option<f64>,
    /// Degrees of freedom of the fit.
    pub degrees_of_freedom: usize,
    /// Standard uncertainty of the axis, nm, at sample wavelengths, nm (air).
    pub axis_u_nm: Vec<AxisSample>,
}

/// Uncertainty of the axis at one wavelength.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AxisSample {
    /// Wavelength, nm (air).
    pub wavelength_nm: f64,
    /// Standard uncertainty, nm.
    pub u_nm: Option<f64>,
    /// True outside the outermost anchors.
    pub extrapolated: bool,
}

/// Gases by verdict. The list may grow.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct VerdictSummary {
    /// Probability of at least 99 %.
    pub seen: Vec<String>,
    /// Probability of at least 90 %.
    pub likely: Vec<String>,
    /// Neither shown nor excluded.
    pub undecided: Vec<String>,
    /// Probability of at most 2 %.
    pub not_seen: Vec<String>,
    /// Not to be shown by this recording.
    pub out_of_reach: Vec<String>,
}

/// A caution, see [`cautions`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CautionRecord {
    /// What it is about.
    pub topic: String,
    /// The caution.
    pub text: String,
    /// Who says so.
    pub source: String,
}

/// One line of the list of a whole drawer; the list of fields may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SummaryRow {
    /// Name of the item.
    pub item: String,
    /// File it was read from.
    pub file: String,
    /// Gases that are seen.
    pub seen: Vec<String>,
    /// Gases that are likely.
    pub likely: Vec<String>,
    /// Number of gases that are undecided.
    pub undecided: usize,
    /// How well the axis is known, in words.
    pub axis: String,
    /// For a light: what sort of source it is, in words; empty for tubes.
    #[serde(default)]
    pub source: String,
    /// For a light: its labels, each with what became of it.
    #[serde(default)]
    pub claims: Vec<String>,
    /// Remarks, one sentence each; the error of an item that failed is the first.
    pub remarks: Vec<String>,
    /// True where there is no answer.
    pub failed: bool,
}

/// A finite number or nothing.
pub(crate) fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

impl Record {
    /// A record without any content yet.
    pub fn new(item: impl Into<String>, tables_digest: impl Into<String>) -> Self {
        Record {
            format: FORMAT.into(),
            schema_version: SCHEMA_VERSION,
            program_version: crate::VERSION.into(),
            tables_digest: tables_digest.into(),
            item: item.into(),
            status: Status::Answered,
            error: None,
            input: None,
            known: BTreeMap::new(),
            circuit: None,
            instrument: None,
            settings: BTreeMap::new(),
            peaks: None,
            gases: None,
            source: None,
            summary: VerdictSummary::default(),
            notes: Vec::new(),
            cautions: Vec::new(),
            points: None,
        }
    }

    /// The record of an item that has no answer.
    pub fn failed(item: impl Into<String>, tables_digest: impl Into<String>, why: &Error) -> Self {
        let mut r = Record::new(item, tables_digest);
        r.status = Status::Failed;
        r.error = Some(why.to_string());
        r
    }

    /// The record of an answer; the caller adds `known`, `settings`, `notes`, `points`.
    pub fn answered(
        item: impl Into<String>,
        tables_digest: impl Into<String>,
        spectrum: &Spectrum,
        profile: Option<&Profile>,
        peaks: &PeakList,
        gases: Option<&GasReport>,
    ) -> Self {
        let mut r = Record::new(item, tables_digest);
        r.input = Some(spectrum.into());
        r.instrument = profile.map(Into::into);
        r.peaks = Some(peaks.into());
        r.gases = gases.map(Into::into);
        r.summary = gases.map(Into::into).unwrap_or_default();
        if gases.is_some() {
            r.cautions = cautions::TUBES.iter().map(Into::into).collect();
        }
        r
    }

    /// The JSON Schema (draft 2020-12) of records of this version, as JSON text with a line end; made from the
    /// types, whose descriptions it holds.
    ///
    /// # Errors
    /// [`Error::Usage`] where it has no JSON form (a defect of the program).
    pub fn schema() -> Result<String> {
        to_json(&schemars::schema_for!(Record))
    }

    /// The record as JSON text, indented, with a line end; see [`to_json`].
    ///
    /// # Errors
    /// [`Error::Usage`] where a value has no JSON form (a defect of the program).
    pub fn to_json(&self) -> Result<String> {
        to_json(self)
    }

    /// A record from its JSON text; `path` is for messages.
    ///
    /// # Errors
    /// [`Error::Input`] where the text is no record of this schema version.
    pub fn from_json(text: &str, path: &Path) -> Result<Self> {
        /// Read first, so that a foreign or newer file gets the right message.
        #[derive(Deserialize)]
        struct Head {
            #[serde(default)]
            format: String,
            #[serde(default)]
            schema_version: u32,
        }
        let broken = |e: serde_json::Error| {
            Error::input(
                path,
                Some(e.line()),
                format!("is no record of this program ({e})"),
                "write it again with this version",
            )
        };
        let head: Head = serde_json::from_str(text).map_err(broken)?;
        let readable = (OLDEST_VERSION..=SCHEMA_VERSION).contains(&head.schema_version);
        if head.format != FORMAT || !readable {
            return Err(Error::input(
                path,
                None,
                format!("has format '{}', schema version {}", head.format, head.schema_version),
                format!(
                    "this program reads {FORMAT}, schema versions {OLDEST_VERSION} to {SCHEMA_VERSION}"
                ),
            ));
        }
        serde_json::from_str(text).map_err(broken)
    }
}

impl From<&Spectrum> for InputRecord {
    fn from(s: &Spectrum) -> Self {
        let (from, to) = s.axis().range();
        let u = s.axis_u().filter(|u| !u.is_empty()).map(|u| {
            [u.iter().copied().fold(f64::INFINITY, f64::min), u.iter().copied().fold(0.0, f64::max)]
        });
        let p = &s.provenance;
        InputRecord {
            name: p.name.clone(),
            file: p.path.as_ref().map(|f| f.display().to_string()),
            sha256: p.sha256.clone(),
            points: s.len(),
            axis: s.axis().kind(),
            axis_from: (!s.is_empty()).then_some(from),
            axis_to: (!s.is_empty()).then_some(to),
            axis_u_nm: u,
            unit: s.unit.clone(),
            reversed: p.reversed,
            metadata: p.metadata.clone(),
            notes: p.notes.clone(),
        }
    }
}

/// Wavelengths at which the uncertainty of an axis is told, nm (air): mercury 365.0 to 579.1,
/// europium 611 and lines of neon, argon that tubes show.
pub const SAMPLE_NM: [f64; 9] = [365.0, 405.0, 436.0, 546.0, 579.0, 611.0, 703.0, 811.0, 912.0];

/// Uncertainty of a profile's axis at those of [`SAMPLE_NM`] that it covers.
pub fn axis_samples(profile: &Profile) -> Vec<AxisSample> {
    /// Points of the own axis that are searched.
    const POINTS: usize = 2001;
    let [a, b] = profile.own_range;
    let axis: Vec<_> = (0..POINTS)
        .map(|i| profile.wavelength(a + (b - a) * i as f64 / (POINTS - 1) as f64))
        .filter(|m| m.value.is_finite())
        .collect();
    let low = axis.iter().map(|m| m.value).fold(f64::INFINITY, f64::min);
    let high = axis.iter().map(|m| m.value).fold(f64::NEG_INFINITY, f64::max);
    SAMPLE_NM
        .iter()
        .filter(|nm| (low..=high).contains(*nm))
        .filter_map(|nm| {
            let near =
                axis.iter().min_by(|p, q| (p.value - nm).abs().total_cmp(&(q.value - nm).abs()))?;
            let [from, to] = profile.anchored_nm;
            Some(AxisSample {
                wavelength_nm: *nm,
                u_nm: finite(near.u),
                extrapolated: !(from..=to).contains(nm),
            })
        })
        .collect()
}

impl From<&Profile> for InstrumentRecord {
    fn from(p: &Profile) -> Self {
        InstrumentRecord {
            name: p.instrument.clone(),
            lamps: p.lamps.clone(),
            anchored_nm: p.anchored_nm.map(finite),
            anchors: p.anchors.len(),
            rms_nm: finite(p.rms_nm),
            degrees_of_freedom: p.degrees_of_freedom,
            axis_u_nm: axis_samples(p),
        }
    }
}

impl From<&GasReport> for VerdictSummary {
    fn from(r: &GasReport) -> Self {
        let of =
            |v: Verdict| r.gases.iter().filter(|g| g.verdict == v).map(|g| g.gas.clone()).collect();
        VerdictSummary {
            seen: of(Verdict::Seen),
            likely: of(Verdict::Likely),
            undecided: of(Verdict::Undecided),
            not_seen: of(Verdict::NotSeen),
            out_of_reach: of(Verdict::OutOfReach),
        }
    }
}

impl From<&Caution> for CautionRecord {
    fn from(c: &Caution) -> Self {
        CautionRecord { topic: c.topic.into(), text: c.text.into(), source: c.source.into() }
    }
}

/// A label and what became of it.
fn claim_words(c: &ClaimResult) -> String {
    format!("{}: {}", c.text, c.outcome.words())
}

impl From<&Record> for SummaryRow {
    fn from(r: &Record) -> Self {
        let axis = match &r.input {
            None => crate::report::format::NONE.to_string(),
            Some(i) if i.axis == AxisKind::Pixel => "pixels".into(),
            Some(i) => match (i.axis_u_nm, r.gases.as_ref().and_then(|g| g.axis_u_nm)) {
                (_, Some(u)) => format!("± {} nm", crate::report::format::two_digits(u)),
                (Some([best, _]), None) => {
                    format!("± {} nm at best", crate::report::format::two_digits(best))
                }
                (None, None) => "nm, not calibrated".into(),
            },
        };
        let gas_notes = r.gases.iter().flat_map(|g| &g.notes);
        SummaryRow {
            item: r.item.clone(),
            file: r.input.as_ref().and_then(|i| i.file.clone()).unwrap_or_default(),
            seen: r.summary.seen.clone(),
            likely: r.summary.likely.clone(),
            undecided: r.summary.undecided.len(),
            axis,
            source: r
                .source
                .as_ref()
                .map_or(String::new(), |s| format!("{} ({})", s.kind.kind.words(), s.kind.word)),
            claims: r.source.iter().flat_map(|s| &s.claims).map(claim_words).collect(),
            remarks: r.error.iter().chain(&r.notes).chain(gas_notes).cloned().collect(),
            failed: r.status == Status::Failed,
        }
    }
}

#[cfg(test)]
mod tests;
