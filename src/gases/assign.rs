//! What each peak is taken for.

use super::bands::Shape;
use super::evidence::{Scene, SeenPeak, Showing, look};
use super::pattern::{Feature, POPULATIONS, Pattern, all_features};
use super::verdict::Judged;
use super::{Assignment, GasReport, Ghost, Verdict};
use crate::reference::{SpeciesKind, Tables};
use crate::signal::{LineWidth, PeakList};

/// Scatter of a faint line's place in line widths, the reach in standard deviations, and the factor
/// by which it may stand above what is expected, to be taken for one more line of a species that
/// is there.
const FAINT_PLACE_FWHM: f64 = 0.12;
/// See [`FAINT_PLACE_FWHM`].
const FAINT_REACH_SIGMA: f64 = 2.5;
/// See [`FAINT_PLACE_FWHM`]; the cube of the scatter that the weighing allows.
const FAINT_FACTOR: f64 = 27.0;
/// Share of a peak's height from which a band's shape accounts for it.
const CLAIMS_SHARE: f64 = 0.5;

/// The phosphor's peaks of a fluorescent lamp as something that explains peaks.
pub fn phosphor_pattern(tables: &Tables, range: (f64, f64), width: &LineWidth) -> Pattern {
    let features: Vec<Feature> = tables
        .lamp()
        .iter()
        .filter(|f| f.is_phosphor && f.u_nm < 3.0)
        .filter(|f| (range.0..=range.1).contains(&f.wavelength_nm))
        .map(|f| {
            // Main groups stand out by about ten (common practice, no published source).
            let main = ["Tb3+ 5D4-7F6", "Tb3+ 5D4-7F5 a", "Eu3+ 5D0-7F2 main"];
            let w = if main.contains(&f.name.as_str()) { 1.0 } else { 0.12 };
            Feature {
                nm: f.wavelength_nm,
                u_nm: f.u_nm.hypot(0.1 * width.fwhm(f.wavelength_nm)),
                weight: [w; POPULATIONS],
                label_nm: f.wavelength_nm,
                band: true,
                v: None,
                glass: false,
            }
        })
        .collect();
    Pattern {
        name: "phosphor".into(),
        gas: "phosphor".into(),
        kind: SpeciesKind::Molecule,
        features,
        strongest_in_range: 1.0,
    }
}

/// What each peak is taken for.
pub fn assign(
    singles: &[Vec<Feature>],
    range: (f64, f64),
    patterns: &[Pattern],
    (judged, shapes): (&[Judged], &[Option<Shape>]),
    report: &GasReport,
    scene: &Scene,
    peaks: &PeakList,
) -> Vec<Assignment> {
    let mut out: Vec<Vec<(f64, String, f64)>> = vec![Vec::new(); peaks.peaks.len()];
    let mut faint = out.clone();
    let is_shown = |p: &Pattern| {
        report
            .species
            .iter()
            .find(|s| s.species == p.name)
            .is_some_and(|s| matches!(s.verdict, Verdict::Seen | Verdict::Likely))
    };
    let shown: Vec<(&[Feature], &Pattern, &Judged)> = singles
        .iter()
        .zip(patterns)
        .zip(judged)
        .filter(|((_, p), _)| is_shown(p))
        .map(|((s, p), j)| (s.as_slice(), p, j))
        .collect();
    for (p, s) in patterns.iter().zip(shapes).filter(|(p, _)| is_shown(p)) {
        for (k, (nm, light)) in s.iter().flat_map(|s| s.on_peaks()).enumerate() {
            if light > CLAIMS_SHARE {
                out[k].push((light * scene.peaks[k].height, p.name.clone(), nm));
            }
        }
    }
    for (_, p, j) in &shown {
        for (f, w) in p.features.iter().zip(&j.evidence.showing) {
            if let Showing::Peak { index, place } = w {
                let expected = j.evidence.amplitude * f.weight[j.evidence.population];
                let height = scene.peaks[*index].height;
                // A line that is expected far below the peak is not what the peak is.
                if expected > 0.02 * height {
                    let score = expected.min(height) * place;
                    out[*index].push((score, p.name.clone(), f.label_nm));
                }
            }
        }
    }
    // Faint lines beyond those that were weighed belong to the species as well.
    for (single, p, j) in shown {
        let expected = |f: &Feature| j.evidence.amplitude * f.weight[j.evidence.population];
        for f in all_features(single, range, &scene.width) {
            for (k, q) in scene.peaks.iter().enumerate() {
                let sd = q.u_nm.hypot(f.u_nm).hypot(FAINT_PLACE_FWHM * scene.width.fwhm(f.nm));
                let place = (q.nm - f.nm) / sd;
                if out[k].is_empty()
                    && place.abs() < FAINT_REACH_SIGMA
                    && expected(&f) * FAINT_FACTOR > q.height
                {
                    faint[k].push((
                        expected(&f) * (-0.5 * place * place).exp(),
                        p.name.clone(),
                        f.label_nm,
                    ));
                }
            }
        }
    }
    for (o, f) in out.iter_mut().zip(faint) {
        o.extend(f);
    }
    out.into_iter()
        .enumerate()
        .map(|(peak, mut c)| {
            c.sort_by(|a, b| b.0.total_cmp(&a.0));
            Assignment {
                peak,
                label: c.first().map(|(_, s, nm)| format!("{s} {nm:.2}")),
                candidates: c.into_iter().map(|(_, s, nm)| (s, nm)).collect(),
            }
        })
        .collect()
}

/// Names what is no line of the tube.
pub fn ghosts(
    seen: &[SeenPeak],
    assignments: &[Assignment],
    phosphor: &Pattern,
    scene: &Scene,
) -> Vec<Ghost> {
    // Phosphor only where its two main groups stand there, besides mercury.
    let look = look(&phosphor.features, scene);
    let main = phosphor
        .features
        .iter()
        .zip(&look)
        .filter(|(f, w)| f.weight[0] >= 1.0 && matches!(w, Showing::Peak { .. }))
        .count();
    let mercury =
        assignments.iter().any(|a| a.candidates.first().is_some_and(|(s, _)| s == "Hg I"));
    let mut out = Vec::new();
    for (k, p) in seen.iter().enumerate() {
        if !assignments[k].candidates.is_empty() {
            continue;
        }
        if p.ghost {
            out.push(Ghost {
                peak: k,
                what: format!("second-order image of the light at {:.1} nm", 0.5 * p.nm),
            });
        } else if main >= 2 && mercury {
            let hit = phosphor
                .features
                .iter()
                .zip(&look)
                .find(|(_, w)| matches!(w, Showing::Peak { index, .. } if *index == k));
            if let Some((f, _)) = hit {
                out.push(Ghost {
                    peak: k,
                    what: format!("phosphor of a fluorescent lamp ({:.1} nm)", f.label_nm),
                });
            }
        }
    }
    out
}
