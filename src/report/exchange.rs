//! One recording in the file format that is asked for, and what that format cannot hold.

use super::{csv, fits, jcamp};
use crate::{Error, Result, Spectrum};
use std::path::Path;

/// A format that recordings are written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Comma-separated values with a head line; facts above it behind `#`.
    Text,
    /// JCAMP-DX 5.01.
    JcampDx,
    /// FITS, one binary table.
    Fits,
}

/// Endings of file names with the format they stand for.
const ENDINGS: [(&str, Kind); 9] = [
    ("csv", Kind::Text),
    ("txt", Kind::Text),
    ("dat", Kind::Text),
    ("jdx", Kind::JcampDx),
    ("dx", Kind::JcampDx),
    ("jcamp", Kind::JcampDx),
    ("fits", Kind::Fits),
    ("fit", Kind::Fits),
    ("fts", Kind::Fits),
];

impl Kind {
    /// The format that a file's name asks for by its ending.
    ///
    /// # Errors
    /// [`Error::Usage`] for another ending, naming those that are known.
    pub fn of(path: &Path) -> Result<Self> {
        let ending =
            path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        ENDINGS.iter().find(|(e, _)| *e == ending).map(|(_, k)| *k).ok_or_else(|| {
            let known: Vec<&str> = ENDINGS.iter().map(|(e, _)| *e).collect();
            Error::usage(
                format!("{}: the ending tells no format", path.display()),
                format!("end the name in one of {}", known.join(", ")),
            )
        })
    }
}

/// The bytes of the file, and a sentence on each thing that it cannot hold or holds only for human
/// readers.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn encode(s: &Spectrum, kind: Kind) -> Result<(Vec<u8>, Vec<String>)> {
    let mut lost = Vec::new();
    let p = &s.provenance;
    let facts = p.metadata.iter().filter(|(k, _)| k != "recorded").count() + p.notes.len();
    let bytes = match kind {
        Kind::Text => csv::exact(s)?.into_bytes(),
        Kind::JcampDx => {
            if facts > 0 {
                lost.push(format!(
                    "JCAMP-DX: {facts} facts and notes without a label of the format are comments."
                ));
            }
            if !p.name.is_ascii() || p.metadata.iter().any(|(k, v)| !k.is_ascii() || !v.is_ascii())
            {
                lost.push("JCAMP-DX: letters beyond ASCII are written as UTF-8.".into());
            }
            jcamp::recording(s).into_bytes()
        }
        Kind::Fits => {
            let pairs = p.metadata.iter().flat_map(|(k, v)| [k, v]);
            let all = pairs.chain(&p.notes).chain([&p.name, &s.unit]);
            let bad = all.filter(|t| !fits::holds(t)).count();
            if bad > 0 {
                lost.push(format!("FITS: {bad} texts have letters beyond ASCII, written as `?`."));
            }
            if facts > 0 {
                lost.push(format!(
                    "FITS: {facts} facts and notes without a keyword of the format are COMMENT and \
                     HISTORY cards."
                ));
            }
            fits::recording(s)
        }
    };
    Ok((bytes, lost))
}

/// Peaks as comma-separated values: place as the head says, height.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn peak_rows(peaks: &[(f64, f64)]) -> String {
    let mut out = String::from("place,height\n");
    for (x, y) in peaks {
        out += &format!("{x},{}\n", if y.is_finite() { y.to_string() } else { String::new() });
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::import::{ImportSettings, read_bytes};
    use crate::{Axis, AxisKind, Mask};

    #[test]
    fn every_format_to_every_other_and_back() {
        let x: Vec<f64> =
            (0..40).map(|i| 400.0 + 0.1 * f64::from(i) + 1e-7 * f64::from(i * i)).collect();
        let y = (0..40).map(|i| f64::from(i * i % 17) / 3.0).collect();
        let mut s = Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap();
        s = s.with_sigma(vec![1.0 / 3.0; 40]).unwrap().with_axis_u(vec![0.01; 40]).unwrap();
        s.flag(5, Mask::SATURATED);
        s.provenance.metadata.push(("Integration time (ms)".into(), "100".into()));
        s.provenance.metadata.push(("Größe".into(), "µ".into()));
        let kinds = [(Kind::Text, "a.csv"), (Kind::JcampDx, "a.jdx"), (Kind::Fits, "a.fits")];
        for (from, name) in kinds {
            let (bytes, _) = encode(&s, from).unwrap();
            let once = read_bytes(&bytes, Path::new(name), &ImportSettings::default()).unwrap();
            for (to, name) in kinds {
                let (bytes, _) = encode(&once, to).unwrap();
                let twice = read_bytes(&bytes, Path::new(name), &ImportSettings::default())
                    .unwrap_or_else(|e| panic!("{e}\n{}", String::from_utf8_lossy(&bytes)));
                assert_eq!((twice.x(), twice.counts()), (s.x(), s.counts()), "{from:?} {to:?}");
                assert_eq!(twice.sigma(), s.sigma(), "{from:?} {to:?}");
                assert_eq!((twice.mask(), twice.axis_u()), (s.mask(), s.axis_u()));
            }
        }
        let (_, lost) = encode(&s, Kind::Fits).unwrap();
        assert!(lost.iter().any(|l| l.contains("beyond ASCII")), "{lost:?}");
        assert!(Kind::of(Path::new("a.JDX")).is_ok() && Kind::of(Path::new("a.xlsx")).is_err());
    }
}
