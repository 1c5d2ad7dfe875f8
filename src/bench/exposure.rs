//! How long a recording was exposed, as its file or its sheet tells.

use crate::Spectrum;

/// Words in a metadata key that mean the exposure, in lower case without signs.
const KEYS: [&str; 8] = [
    "integrationtime",
    "exposure",
    "exptime",
    "integrationszeit",
    "belichtung",
    "tempsdintegration",
    "inttime",
    "tempodiintegrazione",
];
/// Exposures are the same when they differ by less than this share; programs round to whole ms.
const SAME_SHARE: f64 = 0.01;

/// Exposure in ms, where the metadata tell it. What a sheet told stands at the end of the metadata
/// and goes before what the file says.
pub fn exposure_ms(s: &Spectrum) -> Option<f64> {
    s.provenance.metadata.iter().rev().find_map(|(key, value)| {
        let squeezed: String =
            key.to_lowercase().chars().filter(|c| c.is_alphanumeric() || *c == 'µ').collect();
        if !KEYS.iter().any(|k| squeezed.contains(k)) {
            return None;
        }
        let value = value.trim();
        let end = value
            .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | 'e' | 'E' | '-' | '+')))
            .unwrap_or(value.len());
        let number: f64 = value[..end].replace(',', ".").parse().ok()?;
        let unit_of = |t: &str| -> Option<f64> {
            Some(match t.trim().to_lowercase().as_str() {
                "ms" | "msec" | "milliseconds" => 1.0,
                "us" | "µs" | "usec" | "μs" | "microseconds" => 1e-3,
                "s" | "sec" | "seconds" | "sek" => 1e3,
                _ => return None,
            })
        };
        // The unit stands behind the number, or at the end of the key.
        let in_key = key
            .split(|c: char| !(c.is_alphanumeric() || matches!(c, 'µ' | 'μ')))
            .rfind(|w| !w.is_empty())
            .and_then(unit_of);
        // Seconds where nothing tells: so FITS has it for EXPTIME.
        let fits = (key.eq_ignore_ascii_case("exptime") || key.eq_ignore_ascii_case("exposure"))
            .then_some(1e3);
        let factor = unit_of(&value[end..]).or(in_key).or(fits)?;
        (number.is_finite() && number > 0.0).then_some(number * factor)
    })
}

/// True where two exposures are the same within rounding.
pub(super) fn same(a_ms: f64, b_ms: f64) -> bool {
    (a_ms - b_ms).abs() <= SAME_SHARE * a_ms.max(b_ms)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;

    #[test]
    fn exposures_are_read_with_their_unit() {
        let of = |key: &str, value: &str| {
            let mut s = Spectrum::new(Axis::pixels(2), vec![1.0, 2.0]).unwrap();
            s.provenance.metadata.push((key.into(), value.into()));
            exposure_ms(&s)
        };
        assert_eq!(of("Integration time (ms)", "12.5"), Some(12.5));
        assert_eq!(of("Integration Time", "100 ms"), Some(100.0));
        assert_eq!(of("Integration Time (usec)", "2000"), Some(2.0));
        assert_eq!(of("exposure-ms", "40"), Some(40.0));
        assert_eq!(of("Exposure", "0,5 s"), Some(500.0));
        assert_eq!(of("EXPTIME", "1.5"), Some(1500.0));
        assert_eq!(of("Integrationszeit", "7"), None);
        assert_eq!(of("Gain", "7 ms"), None);
        assert_eq!(of("Exposure mode", "auto"), None);
    }
}
