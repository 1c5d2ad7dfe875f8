use super::super::{ImportSettings, read_bytes};
use crate::reference::air_to_vacuum_nm;
use crate::{AxisKind, Spectrum};
use proptest::prelude::*;
use std::path::Path;

// Files of tests/files written by astropy 8.0.2 (`io.fits`, `table`), and wavelengths that its
// `wcs` reads from their headers.
const AWAV: &[u8] = include_bytes!("../../../tests/files/awav.fits");
const WAVE_LOG: &[u8] = include_bytes!("../../../tests/files/wave-log.fits");
const ROWS: &[u8] = include_bytes!("../../../tests/files/rows.fits");
const TABLE: &[u8] = include_bytes!("../../../tests/files/table.fits");
const COUNTS: [f64; 10] = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0, 5.0, 3.0];

fn with(bytes: &[u8], settings: &ImportSettings) -> crate::Result<Spectrum> {
    read_bytes(bytes, Path::new("a.fits"), settings)
}

fn read(bytes: &[u8]) -> Spectrum {
    with(bytes, &ImportSettings::default()).unwrap_or_else(|e| panic!("{e}"))
}

fn refused(bytes: &[u8]) -> String {
    with(bytes, &ImportSettings::default()).unwrap_err().to_string()
}

fn near(s: &Spectrum, expected: impl Fn(usize) -> f64) {
    for (i, x) in s.x().iter().enumerate() {
        assert!((x - expected(i)).abs() < 1e-9, "{i}: {x} for {}", expected(i));
    }
}

/// The file with a card's text replaced by one of the same length.
fn patched(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    assert_eq!(from.len(), to.len());
    let at = bytes.windows(from.len()).position(|w| w == from.as_bytes()).expect(from);
    let mut out = bytes.to_vec();
    out[at..at + to.len()].copy_from_slice(to.as_bytes());
    out
}

#[test]
fn an_image_on_wavelengths_in_air() {
    let s = read(AWAV);
    near(&s, |i| 400.0 + 0.5 * i as f64);
    assert_eq!(s.counts(), COUNTS);
    assert_eq!(s.axis().kind(), AxisKind::Nm);
    let recorded = s.provenance.metadata.iter().find(|(k, _)| k == "recorded").unwrap();
    assert_eq!(recorded.1, "2024-05-01T12:30:05");
    assert!(!s.provenance.notes.iter().any(|n| n.contains("does not say")));
}

#[test]
fn a_logarithmic_axis_in_vacuum() {
    // Vacuum wavelengths in m as the other library gives them.
    let vacuum_m = [
        4.996001599573418e-07,
        4.998000399946672e-07,
        5e-07,
        5.002000400053339e-07,
        5.004001600426752e-07,
        5.006003601440432e-07,
        5.008006403414698e-07,
        5.010010006670001e-07,
        5.012014411526915e-07,
        5.014019618306146e-07,
    ];
    let s = read(WAVE_LOG);
    for (x, m) in s.x().iter().zip(vacuum_m) {
        assert!((air_to_vacuum_nm(*x) - m * 1e9).abs() < 1e-6, "{x} {m}");
    }
    assert_eq!(s.counts()[5], 900.0);
}

#[test]
fn rows_are_asked_for() {
    let e = refused(ROWS);
    assert!(e.contains("3 rows of 10") && e.contains("--rows"), "{e}");
    let rows = |a, b| with(ROWS, &ImportSettings { rows: Some([a, b]), ..Default::default() });
    assert_eq!(rows(2, 2).unwrap().counts()[5], 18.0);
    assert_eq!(rows(1, 3).unwrap().counts()[5], 54.0);
    near(&rows(1, 1).unwrap(), |i| 400.0 + i as f64);
    assert!(rows(0, 1).is_err() && rows(3, 4).is_err() && rows(3, 2).is_err());
}

#[test]
fn a_table_of_columns() {
    let s = read(TABLE);
    near(&s, |i| 400.0 + i as f64);
    assert_eq!((s.counts(), s.unit.as_str()), (&COUNTS[..], "counts"));
    assert!((s.sigma().unwrap()[2] - 2.0).abs() < 1e-12);
    let settings = ImportSettings { columns: Some("nm=3,counts=2".into()), ..Default::default() };
    assert!(with(TABLE, &settings).is_err(), "the uncertainties neither rise nor fall");
}

#[test]
fn lies_of_the_header_are_refused() {
    let long = patched(AWAV, "NAXIS1  =                   10", "NAXIS1  =           4294967295");
    assert!(refused(&long).contains("claims more data"));
    let long = patched(AWAV, "NAXIS1  =                   10", "NAXIS1  =  9223372036854775807");
    assert!(refused(&long).contains("claims more data"));
    let long = patched(TABLE, "NAXIS2  =                   10", "NAXIS2  =           4294967295");
    assert!(refused(&long).contains("claims more data"));
    assert!(refused(&AWAV[..400]).contains("END"));
    assert!(refused(&AWAV[..2900]).contains("claims more data"));
    let endless = AWAV[..80].repeat(40_000);
    assert!(refused(&endless).contains("END") || refused(&endless).contains("no end"));
    let velo = patched(AWAV, "'AWAV    '", "'VELO    '");
    assert!(refused(&velo).contains("velocity"));
    let gri = patched(WAVE_LOG, "'WAVE-LOG'", "'WAVE-GRI'");
    assert!(refused(&gri).contains("algorithm GRI"));
    let unit = patched(AWAV, "'nm      '", "'furlong '");
    assert!(refused(&unit).contains("furlong"));
}

proptest! {
    #[test]
    fn no_damage_makes_it_panic(
        which in 0usize..4,
        hits in prop::collection::vec((0usize..8640, any::<u8>()), 0..40),
        cut in 0usize..9000,
    ) {
        let mut bytes = [AWAV, WAVE_LOG, ROWS, TABLE][which].to_vec();
        for (at, b) in hits {
            if let Some(x) = bytes.get_mut(at) {
                *x = b;
            }
        }
        bytes.truncate(cut);
        let rows = ImportSettings { rows: Some([1, 2]), ..Default::default() };
        let _ = with(&bytes, &rows);
        let _ = with(&bytes, &ImportSettings::default());
    }
}
