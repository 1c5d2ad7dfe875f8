//! Light sources as tables for spreadsheets.

use super::csv::{cell, optional, pair, written};
use crate::source::{Comparison, LAMP_FROM_NM, Response, SourceReport, lamp_response_u};
use crate::{Measured, Result};

/// One row a light and finding. `what` says which: `kind`, `emission`, `region`, `weighted` or
/// `claim`; cells that mean nothing to it are empty. Wavelengths are in nm (air), shares from 0
/// to 1, uncertainties are standard uncertainties.
///
/// # Errors
/// [`crate::Error::Usage`] where the table cannot be written (a defect of the program).
pub fn sources(list: &[(&str, &SourceReport)]) -> Result<String> {
    let head = [
        "light",
        "what",
        "name",
        "answer",
        "probability",
        "peak_nm_air",
        "peak_u_nm",
        "centroid_nm_air",
        "centroid_u_nm",
        "fwhm_nm",
        "fwhm_u_nm",
        "from_nm",
        "to_nm",
        "share",
        "share_u",
        "reason",
    ];
    let rows = list.iter().flat_map(|(name, r)| rows_of(name, r));
    written(&head, rows)
}

/// A row of the table of lights, empty but for what is set.
#[derive(Default)]
struct Row {
    what: &'static str,
    name: String,
    answer: String,
    probability: Option<f64>,
    peak: Option<Measured>,
    centroid: Option<Measured>,
    fwhm: Option<Measured>,
    span: Option<[f64; 2]>,
    share: Option<f64>,
    share_u: Option<f64>,
    reason: String,
}

impl Row {
    fn cells(self, light: &str) -> Vec<String> {
        let mut out = vec![light.to_string(), self.what.into(), self.name, self.answer];
        out.push(optional(self.probability));
        out.extend(pair(self.peak));
        out.extend(pair(self.centroid));
        out.extend(pair(self.fwhm));
        out.extend([optional(self.span.map(|s| s[0])), optional(self.span.map(|s| s[1]))]);
        out.extend([optional(self.share), optional(self.share_u), self.reason]);
        out
    }
}

fn rows_of(name: &str, r: &SourceReport) -> Vec<Vec<String>> {
    let mut out = vec![Row {
        what: "kind",
        name: r.kind.kind.words().into(),
        answer: r.kind.word.clone(),
        probability: Some(r.kind.probability),
        reason: r.kind.reason.clone(),
        ..Row::default()
    }];
    out.extend(r.emissions.iter().map(|e| Row {
        what: "emission",
        name: e.taken_for.clone(),
        answer: if e.ghost { "image" } else { e.shape.word() }.into(),
        peak: (!e.rises_to_end).then_some(e.peak_nm),
        centroid: Some(e.centroid_nm),
        fwhm: e.fwhm_nm,
        span: Some(e.limits_nm),
        share: Some(e.share),
        ..Row::default()
    }));
    out.extend(r.regions.iter().map(|s| Row {
        what: "region",
        name: s.region.word().into(),
        span: s.seen_nm,
        share: s.share.map(|m| m.value),
        share_u: s.share.map(|m| m.u),
        reason: match s.unseen.as_str() {
            "" => String::new(),
            unseen => format!("not seen: {unseen}"),
        },
        ..Row::default()
    }));
    let weighted = [("actinic S", r.hazard.actinic), ("blue light B", r.hazard.blue_light)];
    out.extend(weighted.into_iter().map(|(name, m)| Row {
        what: "weighted",
        name: name.into(),
        span: Some(r.hazard.range_nm),
        share: m.map(|m| m.value),
        share_u: m.map(|m| m.u),
        reason: "relative only".into(),
        ..Row::default()
    }));
    out.extend(r.claims.iter().map(|c| Row {
        what: "claim",
        name: c.text.clone(),
        answer: c.outcome.words().into(),
        probability: c.probability,
        span: Some(c.claim.window_nm()),
        reason: c.reason.clone(),
        ..Row::default()
    }));
    out.into_iter().map(|row| row.cells(name)).collect()
}

/// One row a light: its light over that of the reference, region by region.
///
/// # Errors
/// [`crate::Error::Usage`] where the table cannot be written (a defect of the program).
pub fn comparison(c: &Comparison) -> Result<String> {
    let head = ["light", "over", "region", "ratio", "ratio_u", "at_equal_distance", "left_out"];
    let rows = c.ratios.iter().flat_map(|r| {
        let row = |region: &str, m: Option<Measured>| {
            let mut row = vec![r.name.clone(), c.reference.clone(), region.to_string()];
            row.extend(pair(m));
            row.push(optional(r.at_same_distance));
            row.push(r.left_out.clone().unwrap_or_default());
            row
        };
        let mut out: Vec<Vec<String>> =
            r.regions.iter().map(|(region, m)| row(region.word(), Some(*m))).collect();
        out.push(row("all", r.whole));
        out
    });
    written(&head, rows)
}

/// A response curve that was made from a lamp of the given colour temperature, K: place, response,
/// its standard uncertainty beside that at [`LAMP_FROM_NM`]'s far end. Read back, it is the same
/// curve.
///
/// # Errors
/// [`crate::Error::Usage`] where the table cannot be written (a defect of the program).
pub fn response(r: &Response, colour_temperature_k: Measured) -> Result<String> {
    /// Where the relative uncertainty is reckoned from, nm: the middle of the visible.
    const FROM_NM: f64 = 560.0;
    let rows = r.nm.iter().zip(&r.values).map(|(nm, v)| {
        let u = v * lamp_response_u(*nm, FROM_NM, colour_temperature_k);
        vec![cell(*nm), cell(*v), cell(u)]
    });
    debug_assert!(r.nm.iter().all(|nm| *nm >= LAMP_FROM_NM));
    written(&["wavelength_nm_air", "response", "u_response"], rows)
}
