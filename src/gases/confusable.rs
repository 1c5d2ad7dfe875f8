//! Which lines of one species another would hide, at an instrument's line width.

use super::pattern::{Feature, all_features, single};
use crate::reference::Species;
use crate::signal::LineWidth;
use serde::Serialize;

/// Share of a species' strongest line, at any level population that is tried, from which a line is
/// worth looking for …
const LOOKED_FOR: f64 = 0.02;
/// … and from which one of the other species may hide it.
const HIDES: f64 = 0.01;
/// Distance in line widths within which one line hides another.
const HIDES_WITHIN_FWHM: f64 = 1.0;

/// A line of one species held against another species.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Meeting {
    /// Its wavelength, nm (air).
    pub nm: f64,
    /// Strength over its species' strongest in range, 0 to 1.
    pub strength: f64,
    /// The strongest line of the other species that hides it: nm (air), strength.
    pub hidden_by: Option<(f64, f64)>,
}

/// Lines of `of` in range, ascending, each with what of `against` would hide it on an instrument
/// of this line width. Those that nothing hides can tell the two apart.
pub fn confusable(
    of: &Species,
    against: &Species,
    range: (f64, f64),
    width: &LineWidth,
) -> Vec<Meeting> {
    let features = |s: &Species| all_features(&single(s, width), range, width);
    let best = |f: &Feature| f.weight.iter().copied().fold(0.0, f64::max);
    let others = features(against);
    features(of)
        .iter()
        .filter(|f| best(f) >= LOOKED_FOR)
        .map(|f| {
            let reach = HIDES_WITHIN_FWHM * width.fwhm(f.nm);
            let hidden_by = others
                .iter()
                .filter(|o| (o.nm - f.nm).abs() < reach && best(o) >= HIDES)
                .max_by(|a, b| best(a).total_cmp(&best(b)))
                .map(|o| (o.label_nm, best(o)));
            Meeting { nm: f.label_nm, strength: best(f), hidden_by }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reference::Tables;

    /// The lines that decide between helium and neon, by their distances in the tables of NIST:
    /// 587.56 lies 0.6 nm from Ne 588.19, 667.82 on Ne 667.83, 706.52 0.6 nm from Ne 705.91.
    #[test]
    fn helium_hides_behind_neon_where_the_tables_say_so() {
        let t = Tables::bundled().unwrap();
        let (he, ne) = (t.get("He I").unwrap(), t.get("Ne I").unwrap());
        let hidden = |fwhm: f64, nm: f64| {
            confusable(he, ne, (300.0, 1000.0), &LineWidth::constant(fwhm, 0.1))
                .iter()
                .find(|m| (m.nm - nm).abs() < 0.1)
                .unwrap_or_else(|| panic!("{nm} at {fwhm}"))
                .hidden_by
                .is_some()
        };
        for nm in [587.56, 667.82, 706.52] {
            assert!(hidden(1.5, nm), "{nm}");
        }
        for nm in [388.86, 728.13] {
            assert!(!hidden(1.5, nm), "{nm}");
        }
        // Ne 587.28, a faint line, lies 0.28 nm away.
        assert!(!hidden(0.2, 587.56) && hidden(0.2, 667.82));
    }
}
