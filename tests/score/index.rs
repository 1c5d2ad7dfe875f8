//! A folder of measured spectra with known content, as its `INDEX.csv` describes it.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// What the numbers on a file's own axis are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Own {
    Nm,
    Pixel,
}

/// What is known of a file's axis.
#[derive(Debug, Clone, PartialEq)]
pub enum Truth {
    None,
    /// Pixel positions of identified lines with their wavelengths in nm.
    Lines(Vec<(f64, f64)>),
    /// The same light on a pixel axis: the recording without its truth, and the truth.
    PerPixel {
        recording: Vec<u8>,
        name: PathBuf,
        nm: Vec<(f64, f64)>,
    },
}

impl Truth {
    /// Pairs of pixel and wavelength in nm.
    pub fn pairs(&self) -> &[(f64, f64)] {
        match self {
            Truth::None => &[],
            Truth::Lines(pairs) | Truth::PerPixel { nm: pairs, .. } => pairs,
        }
    }
}

/// One file of the folder.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    pub file: String,
    pub kind: String,
    /// Gases that are there with certainty, the main one first.
    pub present: Vec<String>,
    /// Gases that may be there as well.
    pub may_contain: Vec<String>,
    pub own: Own,
    /// How much too high the file's own axis reads, as the list says it.
    pub axis_bias: String,
    /// The file of the same instrument that gives the axis.
    pub calibrate_with: Option<String>,
    pub truth: Truth,
    pub fwhm_nm: Option<f64>,
    pub peak_nm: Option<f64>,
    /// Where it is from, in words.
    pub source: String,
}

/// Ions and molecules count under their gas.
pub fn gas_of(species: &str) -> &str {
    match species {
        "N" | "N2+" => "N2",
        "OH" | "H2" => "H",
        "O2" | "O2+" => "O",
        // `Ne II`, `Hg I`
        other => other.split_whitespace().next().unwrap_or(other),
    }
}

fn gases(field: &str) -> Vec<String> {
    let mut list: Vec<String> = Vec::new();
    for gas in field.split_whitespace().map(gas_of) {
        if !list.iter().any(|g| g == gas) {
            list.push(gas.to_string());
        }
    }
    list
}

/// Entries of the folder's `INDEX.csv` in its order.
pub fn read(folder: &Path) -> Result<Vec<Entry>, String> {
    let path = folder.join("INDEX.csv");
    rows(&path)?.iter().map(|row| entry(folder, row)).collect()
}

fn entry(folder: &Path, row: &HashMap<String, String>) -> Result<Entry, String> {
    let field = |name: &str| {
        row.get(name).cloned().ok_or_else(|| format!("INDEX.csv has no column `{name}`"))
    };
    let number = |name: &str| -> Result<Option<f64>, String> {
        match field(name)?.as_str() {
            "" => Ok(None),
            text => text.parse().map(Some).map_err(|_| format!("{name} `{text}` is no number")),
        }
    };
    let file = field("file")?;
    let own = match field("axis")?.as_str() {
        "nm" => Own::Nm,
        "pixel" => Own::Pixel,
        other => return Err(format!("{file}: axis `{other}` is neither nm nor pixel")),
    };
    let truth_path = folder.join(field("truth_file")?);
    let truth = match field("truth_kind")?.as_str() {
        "" | "none" => Truth::None,
        "lines" => Truth::Lines(pairs(&truth_path, "pixel", "wavelength_air_nm")?),
        "per-pixel" => Truth::PerPixel {
            recording: without_truth(&truth_path)?,
            nm: pairs(&truth_path, "pixel", "truth_nm")?,
            name: truth_path,
        },
        other => return Err(format!("{file}: truth_kind `{other}` is not known")),
    };
    Ok(Entry {
        kind: field("kind")?,
        present: gases(&field("present")?),
        may_contain: gases(&field("may_contain")?),
        own,
        axis_bias: field("axis_bias_nm")?,
        calibrate_with: Some(field("calibrate_with")?).filter(|f| !f.is_empty()),
        truth,
        fwhm_nm: number("fwhm_nm")?,
        peak_nm: number("peak_nm")?,
        source: field("source")?,
        file,
    })
}

/// Rows of a CSV file with a head, each as name and field.
fn rows(path: &Path) -> Result<Vec<HashMap<String, String>>, String> {
    let said = |e: csv::Error| format!("{}: {e}", path.display());
    let mut reader = csv::Reader::from_path(path).map_err(said)?;
    reader.deserialize().collect::<Result<_, _>>().map_err(said)
}

/// Two numeric columns of a CSV file.
fn pairs(path: &Path, x: &str, y: &str) -> Result<Vec<(f64, f64)>, String> {
    rows(path)?
        .iter()
        .map(|row| {
            let number = |name: &str| {
                row.get(name)
                    .and_then(|t| t.parse().ok())
                    .ok_or_else(|| format!("{}: no number in column `{name}`", path.display()))
            };
            Ok((number(x)?, number(y)?))
        })
        .collect()
}

/// Pixel and intensity alone, as an instrument would have written them.
fn without_truth(path: &Path) -> Result<Vec<u8>, String> {
    let mut text = String::from("pixel,intensity\n");
    for row in rows(path)? {
        let get = |name: &str| {
            row.get(name).ok_or_else(|| format!("{}: no column `{name}`", path.display()))
        };
        text.push_str(&format!("{},{}\n", get("pixel")?, get("intensity")?));
    }
    Ok(text.into_bytes())
}
