//! JCAMP-DX, recordings and tables of peaks.
#![no_main]

use glowtell::import::{ImportSettings, read_bytes};
use std::path::Path;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("fuzzed");
    let settings = ImportSettings { max_points: 100_000, ..ImportSettings::default() };
    for settings in [
        ImportSettings { rows: Some([1, 2]), block: Some(1), ..settings.clone() },
        settings,
    ] {
        if let Ok(s) = read_bytes(bytes, path, &settings) {
            assert!(s.x().windows(2).all(|w| w[0] < w[1]));
            assert!(s.counts().iter().all(|c| c.is_finite()));
            // What is written comes back.
            let text = glowtell::report::jcamp::recording(&s);
            let again = read_bytes(text.as_bytes(), path, &ImportSettings::default());
            assert_eq!(again.expect("own files are read").counts(), s.counts());
        }
    }
    let _ = glowtell::import::peak_table(bytes, path, &ImportSettings::default());
});
