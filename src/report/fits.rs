//! A recording as FITS (Standard 4.0, 2018): a binary table with a row a point.
//!
//! Columns: `WAVELENGTH` in nm in air (or `PIXEL`), `U_WAVELENGTH` where the axis has been
//! calibrated, `INTENSITY`, `U_INTENSITY` where it was measured, `FLAGS` (the sum of 1 saturated,
//! 2 dead, 4 outside). All numbers are 64-bit floating point and come back bit by bit.

use super::jcamp::flags;
use crate::{AxisKind, Mask, Spectrum};

/// Bytes of a block.
const BLOCK: usize = 2880;
/// Characters of a card.
const CARD: usize = 80;
/// Longest text value of a card, quotes doubled.
const LONGEST_TEXT: usize = 66;

/// The recording as the bytes of a file. Headers hold ASCII only: other letters become `?`.
pub fn recording(s: &Spectrum) -> Vec<u8> {
    let p = &s.provenance;
    let mut head = Header::default();
    head.bare("SIMPLE", "T");
    head.bare("BITPIX", "8");
    head.bare("NAXIS", "0");
    head.bare("EXTEND", "T");
    if !p.name.is_empty() {
        head.text("OBJECT", &p.name);
    }
    if let Some((_, when)) = p.metadata.iter().find(|(k, _)| k == "recorded") {
        head.text("DATE-OBS", when);
    }
    head.text("CREATOR", &format!("glowtell {}", crate::VERSION));
    for (key, value) in p.metadata.iter().filter(|(k, _)| k != "recorded") {
        head.remark(
            "COMMENT",
            &if key.is_empty() { value.clone() } else { format!("{key}: {value}") },
        );
    }
    for note in &p.notes {
        head.remark("HISTORY", note);
    }
    let mut out = head.finish();

    let place = match s.axis().kind() {
        AxisKind::Nm => ("WAVELENGTH", "nm"),
        AxisKind::Pixel => ("PIXEL", "pixel"),
    };
    let there = |i: usize| !s.mask()[i].has(Mask::DEAD);
    let counts: Vec<f64> =
        (0..s.len()).map(|i| if there(i) { s.counts()[i] } else { f64::NAN }).collect();
    let mut columns: Vec<(&str, &str, &[f64])> = vec![(place.0, place.1, s.x())];
    columns.extend(s.axis_u().map(|u| ("U_WAVELENGTH", "nm", u)));
    let unit = if s.unit == "counts" { "count" } else { &s.unit };
    columns.push(("INTENSITY", unit, &counts));
    columns.extend(s.sigma().map(|u| ("U_INTENSITY", unit, u)));
    let with_flags = s.mask().iter().any(|m| !m.is_good());
    let mut head = Header::default();
    let row = 8 * columns.len() + usize::from(with_flags);
    head.text("XTENSION", "BINTABLE");
    head.bare("BITPIX", "8");
    head.bare("NAXIS", "2");
    head.bare("NAXIS1", &row.to_string());
    head.bare("NAXIS2", &s.len().to_string());
    head.bare("PCOUNT", "0");
    head.bare("GCOUNT", "1");
    head.bare("TFIELDS", &(columns.len() + usize::from(with_flags)).to_string());
    for (i, (name, unit, _)) in columns.iter().enumerate() {
        head.text(&format!("TTYPE{}", i + 1), name);
        head.text(&format!("TFORM{}", i + 1), "D");
        head.text(&format!("TUNIT{}", i + 1), unit);
    }
    if with_flags {
        head.text(&format!("TTYPE{}", columns.len() + 1), "FLAGS");
        head.text(&format!("TFORM{}", columns.len() + 1), "B");
    }
    head.text("EXTNAME", "SPECTRUM");
    if s.axis().kind() == AxisKind::Nm {
        head.text("AIRORVAC", "air");
    }
    out.extend(head.finish());
    for i in 0..s.len() {
        for (_, _, values) in &columns {
            out.extend(values[i].to_be_bytes());
        }
        if with_flags {
            out.push(flags(s.mask()[i]));
        }
    }
    out.resize(out.len().div_ceil(BLOCK) * BLOCK, 0);
    out
}

/// True where a header can hold the text as it is.
pub fn holds(text: &str) -> bool {
    text.bytes().all(|b| (0x20..0x7f).contains(&b))
}

#[derive(Default)]
struct Header(Vec<u8>);

impl Header {
    fn card(&mut self, text: &str) {
        let ascii = text.chars().map(|c| if (' '..='~').contains(&c) { c as u8 } else { b'?' });
        let mut card: Vec<u8> = ascii.take(CARD).collect();
        card.resize(CARD, b' ');
        self.0.extend(card);
    }

    fn bare(&mut self, key: &str, value: &str) {
        self.card(&format!("{key:<8}= {value:>20}"));
    }

    fn text(&mut self, key: &str, value: &str) {
        let mut quoted = String::new();
        for c in value.chars() {
            let piece = if c == '\'' { "''".to_string() } else { c.to_string() };
            if quoted.chars().count() + piece.len() > LONGEST_TEXT {
                break;
            }
            quoted += &piece;
        }
        self.card(&format!("{key:<8}= '{quoted:<8}'"));
    }

    fn remark(&mut self, key: &str, text: &str) {
        let chars: Vec<char> = text.chars().collect();
        for piece in chars.chunks(CARD - 8) {
            self.card(&format!("{key:<8}{}", piece.iter().collect::<String>()));
        }
    }

    fn finish(mut self) -> Vec<u8> {
        self.card("END");
        self.0.resize(self.0.len().div_ceil(BLOCK) * BLOCK, b' ');
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use crate::import::{ImportSettings, read_bytes};
    use proptest::prelude::*;
    use std::path::Path;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn a_recording_comes_back_bit_by_bit(
            points in prop::collection::vec((1e-3f64..5.0, -1e6f64..1e9, 0u8..8, 0.0f64..1e5), 8..60),
            nm: bool, measured: bool, name in ".{0,90}",
        ) {
            let mut at = 250.0;
            let x: Vec<f64> = points.iter().map(|p| { at += p.0; at }).collect();
            let y: Vec<f64> = points.iter().map(|p| p.1).collect();
            let n = x.len();
            let kind = if nm { AxisKind::Nm } else { AxisKind::Pixel };
            let mut s = Spectrum::new(Axis::new(kind, x).unwrap(), y).unwrap();
            s.provenance.name = name.clone();
            s.provenance.metadata.push((name.clone(), name));
            for (i, p) in points.iter().enumerate() {
                if p.2 & 2 == 0 {
                    s.flag(i, crate::import::mask_of(u32::from(p.2)));
                }
            }
            if measured {
                s = s.with_sigma(points.iter().map(|p| p.3).collect()).unwrap();
                s = s.with_axis_u(vec![0.037; n]).unwrap();
            }
            let bytes = recording(&s);
            prop_assert_eq!(bytes.len() % BLOCK, 0);
            let b = read_bytes(&bytes, Path::new("a.fits"), &ImportSettings::default())
                .map_err(|e| TestCaseError::fail(e.to_string()))?;
            prop_assert_eq!(b.axis(), s.axis());
            prop_assert_eq!(b.counts(), s.counts());
            prop_assert_eq!(b.mask(), s.mask());
            prop_assert_eq!(b.sigma(), s.sigma());
            if nm {
                prop_assert_eq!(b.axis_u(), s.axis_u());
            }
            prop_assert_eq!(&b.unit, &s.unit);
        }
    }
}
