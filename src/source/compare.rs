//! Several sources side by side: how much of each part of the spectrum, against the first.

use super::measure::SourceReport;
use super::region::Region;
use crate::Measured;
use serde::{Deserialize, Serialize};

/// One source that stands for comparison.
#[derive(Debug, Clone, Copy)]
pub struct Compared<'a> {
    /// What it is called.
    pub name: &'a str,
    /// What was measured.
    pub report: &'a SourceReport,
    /// Exposure, ms, where it is known.
    pub exposure_ms: Option<f64>,
    /// Distance from the source, mm, where it is known.
    pub distance_mm: Option<f64>,
}

/// One source beside the first that can be compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ratio {
    /// Which source.
    pub name: String,
    /// Why it is left out; `None` where it is compared.
    pub left_out: Option<String>,
    /// Light of each region over that of the reference, where both are seen and the reference
    /// stands clear of its uncertainty.
    pub regions: Vec<(Region, Measured)>,
    /// The same for all recorded light.
    pub whole: Option<Measured>,
    /// Factor by which the ratios would change if both stood at the same distance (inverse
    /// square); `None` where a distance is not known. It is not applied.
    pub at_same_distance: Option<f64>,
}

/// Several sources against one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The one that the others are held against.
    pub reference: String,
    /// The sources in their order.
    pub ratios: Vec<Ratio>,
    /// What the comparison rests on, one sentence each.
    pub notes: Vec<String>,
}

/// What inverse square asks for, said wherever it is offered.
pub const INVERSE_SQUARE: &str = "the factor for equal distance is offered, not applied: light falls \
     with the square of the distance only where the source is small beside it (a fifth of the \
     distance at most) and nothing reflects or focuses";
/// Least ratio of a reference's light to its uncertainty.
const CLEAR: f64 = 3.0;

/// Compares sources that were recorded with the same instrument and geometry. Exposures are divided
/// out where all are known; where none is, they are taken as the same, and a note says so.
/// Clipped recordings, and those of an exposure that is not known beside others that are, are left
/// out with the reason. `None` with fewer than two that can be compared.
pub fn compare(sources: &[Compared<'_>]) -> Option<Comparison> {
    let known = sources.iter().filter(|s| s.exposure_ms.is_some()).count();
    let mut notes = Vec::new();
    if known == 0 {
        notes.push("no exposure is told: all recordings are taken as equally long".into());
    } else {
        notes.push("light is divided by the exposure that is told for each".into());
    }
    let why = |s: &Compared<'_>| -> Option<String> {
        if s.report.clipped > 0 {
            return Some("clipped".into());
        }
        if s.report.emissions.is_empty() {
            return Some("no light".into());
        }
        if known > 0 && s.exposure_ms.is_none() {
            return Some("exposure not told".into());
        }
        None
    };
    let usable: Vec<&Compared<'_>> = sources.iter().filter(|s| why(s).is_none()).collect();
    let reference = *usable.first()?;
    let alike = |s: &&Compared<'_>| s.report.response == reference.report.response;
    if usable.len() < 2 || !usable.iter().all(alike) {
        return None;
    }
    let light = |s: &Compared<'_>, region: Region| -> Option<Measured> {
        let l = s.report.regions.iter().find(|r| r.region == region)?.light?;
        let t = s.exposure_ms.unwrap_or(1.0);
        Some(Measured::new(l.value / t, l.u / t))
    };
    let over = |a: Measured, b: Measured| {
        let ratio = a.value / b.value;
        let u = (a.u / b.value).hypot(ratio * b.u / b.value);
        (b.value > CLEAR * b.u).then(|| Measured::new(ratio, u))
    };
    let whole = |s: &Compared<'_>| {
        let parts: Vec<Measured> = Region::ALL.iter().filter_map(|r| light(s, *r)).collect();
        // The dark level is wrong in all parts at once: plain sum of the uncertainties.
        Measured::new(parts.iter().map(|m| m.value).sum(), parts.iter().map(|m| m.u).sum())
    };
    let ratios = sources
        .iter()
        .map(|s| {
            let left_out = why(s);
            if left_out.is_some() {
                return Ratio {
                    name: s.name.into(),
                    left_out,
                    regions: Vec::new(),
                    whole: None,
                    at_same_distance: None,
                };
            }
            let regions = Region::ALL
                .into_iter()
                .filter_map(|r| Some((r, over(light(s, r)?, light(reference, r)?)?)))
                .collect();
            let far = s.distance_mm.zip(reference.distance_mm);
            Ratio {
                name: s.name.into(),
                left_out,
                regions,
                whole: over(whole(s), whole(reference)),
                at_same_distance: far.map(|(a, b)| (a / b).powi(2)),
            }
        })
        .collect::<Vec<_>>();
    if ratios.iter().any(|r| r.at_same_distance.is_some_and(|f| (f - 1.0).abs() > 1e-9)) {
        notes.push(INVERSE_SQUARE.into());
    }
    notes.push(
        "the uncertainties hold scatter, dark level and axis; how well lamp, fibre and distance \
         repeat is not in them"
            .into(),
    );
    Some(Comparison { reference: reference.name.into(), ratios, notes })
}
