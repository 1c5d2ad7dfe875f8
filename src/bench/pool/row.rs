//! What pooling needs of a record, as one short line.

use crate::gases::Verdict;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// Mark of every row.
pub const ROW_FORMAT: &str = "glowtell-row";
/// Version of the layout of rows.
pub const ROW_VERSION: u32 = 1;

/// Mark of a record.
const RECORD_FORMAT: &str = "glowtell-record";

/// A line of a species in one recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RowLine {
    /// Spectroscopic name.
    pub species: String,
    /// Tabulated wavelength, nm (air).
    pub table_nm: f64,
    /// Measured less tabulated, nm.
    pub off_nm: f64,
}

/// A number with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RowNumber {
    /// Value.
    pub value: f64,
    /// Standard uncertainty, where it is known.
    pub u: Option<f64>,
}

/// One record in short. JSON Lines of it are read in place of records, with the same outcome.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Always [`ROW_FORMAT`].
    pub format: String,
    /// Always [`ROW_VERSION`] for this layout.
    pub row_version: u32,
    /// Layout of the record that it was made from.
    pub schema_version: u32,
    /// Program that wrote the record.
    pub program_version: String,
    /// SHA-256 of the record as it was read, lower-case hexadecimal: two records of one recording are told
    /// apart, and ordered, by it.
    pub digest: String,
    /// SHA-256 of the recording; `None` where there was none.
    pub input: Option<String>,
    /// Name of the item.
    pub item: String,
    /// True for a light, false for a tube.
    pub light: bool,
    /// What sort of thing it is, as the user told, in lower case and single blanks; empty where not told.
    pub kind: String,
    /// Name of the instrument; empty where not told.
    pub instrument: String,
    /// True where there was no answer.
    pub failed: bool,
    /// Gases and their verdicts.
    pub gases: BTreeMap<String, Verdict>,
    /// Lines on a calibrated axis.
    pub lines: Vec<RowLine>,
    /// Numbers of circuit and source.
    pub numbers: BTreeMap<String, RowNumber>,
    /// `yes`, `no`, `not-tried`; empty where not told.
    pub ultraviolet: String,
}

/// What is read of a record; everything else is passed over.
#[derive(Debug, Deserialize)]
struct Slim {
    #[serde(default)]
    format: String,
    #[serde(default)]
    schema_version: u32,
    #[serde(default)]
    program_version: String,
    #[serde(default)]
    item: String,
    #[serde(default)]
    status: Option<String>,
    #[serde(default)]
    input: Option<SlimInput>,
    #[serde(default)]
    known: BTreeMap<String, String>,
    #[serde(default)]
    circuit: Option<BTreeMap<String, serde_json::Value>>,
    #[serde(default)]
    instrument: Option<SlimInstrument>,
    #[serde(default)]
    peaks: Option<SlimPeaks>,
    #[serde(default)]
    gases: Option<SlimGases>,
    #[serde(default)]
    source: Option<SlimSource>,
}

#[derive(Debug, Deserialize)]
struct SlimInput {
    #[serde(default)]
    sha256: Option<String>,
}

#[derive(Debug, Deserialize)]
struct SlimInstrument {
    #[serde(default)]
    name: String,
}

#[derive(Debug, Deserialize)]
struct SlimPeaks {
    #[serde(default)]
    list: Vec<SlimPeak>,
}

#[derive(Debug, Deserialize)]
struct SlimPeak {
    centre: SlimMeasured,
}

#[derive(Debug, Deserialize)]
struct SlimMeasured {
    value: Option<f64>,
    u: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct SlimGases {
    #[serde(default)]
    gases: Vec<SlimGas>,
    #[serde(default)]
    species: Vec<SlimSpecies>,
    #[serde(default)]
    assignments: Vec<SlimAssignment>,
}

#[derive(Debug, Deserialize)]
struct SlimGas {
    gas: String,
    verdict: Verdict,
}

#[derive(Debug, Deserialize)]
struct SlimSpecies {
    species: String,
    verdict: Verdict,
}

#[derive(Debug, Deserialize)]
struct SlimAssignment {
    peak: usize,
    #[serde(default)]
    candidates: Vec<(String, Option<f64>)>,
}

#[derive(Debug, Deserialize)]
struct SlimSource {
    #[serde(default)]
    emissions: Vec<SlimEmission>,
}

#[derive(Debug, Deserialize)]
struct SlimEmission {
    #[serde(default)]
    share: Option<f64>,
    #[serde(default)]
    peak_nm: Option<SlimMeasured>,
    #[serde(default)]
    fwhm_nm: Option<SlimMeasured>,
}

/// Why a document does not enter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unread {
    /// No JSON, or a record that lacks what it must have.
    Damaged,
    /// A record of a version before those that are read.
    Older,
    /// A record of a version that this program does not know.
    Newer,
    /// JSON, but no record: a summary, a comparison …
    NoRecord,
}

/// Lower case, single blanks.
fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase()
}

/// A row from the text of a record or of a row; versions `oldest` to `newest` of records are read.
///
/// # Errors
/// [`Unread`].
pub fn row_of(text: &[u8], oldest: u32, newest: u32) -> Result<Row, Unread> {
    let slim: Slim = match serde_json::from_slice(text) {
        Ok(slim) => slim,
        Err(e) if e.is_data() => return short_row(text),
        Err(_) => return Err(Unread::Damaged),
    };
    if slim.format != RECORD_FORMAT {
        return short_row(text);
    }
    if slim.schema_version < oldest {
        return Err(Unread::Older);
    }
    if slim.schema_version > newest {
        return Err(Unread::Newer);
    }
    Ok(from_record(slim, text))
}

/// A row from the text of a row; what is neither row nor record is told apart from one that is damaged.
fn short_row(text: &[u8]) -> Result<Row, Unread> {
    /// What every document of this program begins with, in any order of its parts.
    #[derive(Deserialize)]
    struct Head {
        #[serde(default)]
        format: String,
        #[serde(default)]
        row_version: u32,
    }
    match serde_json::from_slice::<Head>(text) {
        Ok(h) if h.format == ROW_FORMAT && h.row_version > ROW_VERSION => Err(Unread::Newer),
        Ok(h) if h.format == ROW_FORMAT && h.row_version < ROW_VERSION => Err(Unread::Older),
        Ok(h) if h.format == ROW_FORMAT => {
            serde_json::from_slice(text).map_err(|_| Unread::Damaged)
        }
        Ok(h) if h.format == RECORD_FORMAT => Err(Unread::Damaged),
        Ok(_) => Err(Unread::NoRecord),
        // A list, or no JSON at all.
        Err(e) if e.is_data() => Err(Unread::NoRecord),
        Err(_) => Err(Unread::Damaged),
    }
}

fn from_record(slim: Slim, text: &[u8]) -> Row {
    let mut numbers = BTreeMap::new();
    let mut ultraviolet = String::new();
    for (name, value) in slim.circuit.unwrap_or_default() {
        if name == "responds_to_ultraviolet" {
            ultraviolet = value.as_str().unwrap_or_default().into();
        } else if let Some(v) = value.get("value").and_then(serde_json::Value::as_f64) {
            let u = value.get("u").and_then(serde_json::Value::as_f64);
            numbers.insert(name, RowNumber { value: v, u });
        }
    }
    let main = slim.source.as_ref().and_then(|s| {
        let share = |e: &&SlimEmission| e.share.unwrap_or(0.0);
        s.emissions.iter().max_by(|a, b| share(a).total_cmp(&share(b)))
    });
    for (name, m) in [
        ("peak_nm", main.and_then(|e| e.peak_nm.as_ref())),
        ("fwhm_nm", main.and_then(|e| e.fwhm_nm.as_ref())),
    ] {
        if let Some(value) = m.and_then(|m| m.value) {
            numbers.insert(name.into(), RowNumber { value, u: m.and_then(|m| m.u) });
        }
    }
    let on_an_axis = slim.instrument.is_some();
    let gases = slim.gases.as_ref();
    let shown = |species: &str| {
        let all = gases.map_or(&[][..], |g| &g.species);
        all.iter()
            .any(|s| s.species == species && matches!(s.verdict, Verdict::Seen | Verdict::Likely))
    };
    let peaks = slim.peaks.as_ref().map_or(&[][..], |p| &p.list);
    let lines = gases
        .iter()
        .filter(|_| on_an_axis)
        .flat_map(|g| &g.assignments)
        // A line that two species may have given tells of neither.
        .filter(|a| a.candidates.len() == 1)
        .filter_map(|a| {
            let (species, nm) = &a.candidates[0];
            let (table_nm, at) = ((*nm)?, peaks.get(a.peak)?.centre.value?);
            shown(species).then(|| RowLine {
                species: species.clone(),
                table_nm,
                off_nm: at - table_nm,
            })
        })
        .collect();
    let digest = Sha256::digest(text).iter().map(|b| format!("{b:02x}")).collect();
    Row {
        format: ROW_FORMAT.into(),
        row_version: ROW_VERSION,
        schema_version: slim.schema_version,
        program_version: slim.program_version,
        digest,
        input: slim.input.and_then(|i| i.sha256),
        item: slim.item,
        light: slim.source.is_some(),
        kind: plain(slim.known.get("type").map_or("", String::as_str)),
        instrument: slim.instrument.map(|i| i.name).unwrap_or_default(),
        failed: slim.status.as_deref() == Some("failed"),
        gases: gases.iter().flat_map(|g| &g.gases).map(|g| (g.gas.clone(), g.verdict)).collect(),
        lines,
        numbers,
        ultraviolet,
    }
}
