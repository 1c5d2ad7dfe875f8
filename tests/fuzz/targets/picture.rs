//! PNG and JPEG pictures.
#![no_main]

use glowtell::import::{ImportSettings, read_bytes};
use std::path::Path;

/// Larger pictures take too long to try many; their size is checked before they are unpacked.
const MOST_BYTES: usize = 20_000;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    if bytes.len() > MOST_BYTES {
        return;
    }
    let path = Path::new("fuzzed");
    for rows in [None, Some([1, 8])] {
        let settings = ImportSettings { rows, ..ImportSettings::default() };
        if let Ok(s) = read_bytes(bytes, path, &settings) {
            assert!(s.x().windows(2).all(|w| w[0] < w[1]));
            assert!(s.counts().iter().all(|c| c.is_finite()));
        }
    }
});
