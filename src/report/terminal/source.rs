//! What a light source emits, in tables and sentences.

use super::grid::{Column, grid};
use super::{Style, paragraph, section};
use crate::report::cells;
use crate::report::format::{self, NONE};
use crate::source::{
    CathodeReach, Claim, ClaimResult, Comparison, Emission, RELATIVE_ONLY, Reach, Region,
    RegionShare, STRAY_BEWARE, SURFACE_MATTERS, Shape, SourceReport,
};
use crate::{Measured, reference::Glass};

/// Emissions with less of the light are counted, not listed, beyond [`LISTED`].
const LISTED: usize = 14;

/// Everything about one source.
pub fn source(r: &SourceReport, style: &Style) -> String {
    let width = style.columns();
    let mut out = paragraph("", &kind_words(r), width);
    if !r.claims.is_empty() {
        out.push('\n');
        out += &claims(r.claims.iter().map(|c| (None, c)), style);
    }
    if !r.emissions.is_empty() {
        out.push('\n');
        out += &emissions(r, width);
    }
    out.push('\n');
    out += &regions(r, width);
    if let Some(t) = &r.thermal {
        let text = format!(
            "Black body of the same form: {} K, departure {} rms ({}).",
            format::measured(t.temperature_k),
            format::limit(t.departure),
            t.assumed
        );
        out += &format!("\n{}", paragraph("", &text, width));
    }
    if let Some(c) = &r.colour {
        let near = match c.correlated_k {
            Some(k) => format!("correlated colour temperature {} K", format::decimals(k, -1)),
            None => "too far from a black body for a colour temperature".into(),
        };
        let text = format!(
            "Colour (CIE 1931): x {}, y {}; {near}, distance from the black body (u, v) {}.",
            format::decimals(c.xy[0], 4),
            format::decimals(c.xy[1], 4),
            format::decimals(c.duv, 4)
        );
        out += &format!("\n{}", paragraph("", &text, width));
    }
    out += &format!("\n{}", paragraph("", &hazard_words(r), width));
    if !r.energies.is_empty() {
        out += &format!("\n{}", paragraph("", &energy_words(r), width));
    }
    out += &super::notes("Notes", notes_of(r), style);
    out
}

/// What sort it is, how sure that is, and why.
pub fn kind_words(r: &SourceReport) -> String {
    let k = &r.kind;
    let rivals: Vec<String> = k
        .candidates
        .iter()
        .skip(1)
        .take(2)
        .filter(|c| c.1 >= 0.05)
        .map(|c| format!("{} {}", c.0.words(), format::probability(c.1)))
        .collect();
    let rivals =
        if rivals.is_empty() { String::new() } else { format!("; or {}", rivals.join(", ")) };
    format!(
        "Source: {}, {} ({}){rivals}. Why: {}.",
        k.kind.words(),
        k.word,
        format::probability(k.probability),
        k.reason
    )
}

/// Notes of the measurement itself and of its main band.
fn notes_of(r: &SourceReport) -> impl Iterator<Item = &str> {
    // What is said of a band means nothing where lines are the light.
    let is_band = r.main_emission().is_some_and(|m| m.shape != Shape::Line);
    let of_band = r.band.iter().filter(move |_| is_band).flat_map(|b| &b.notes).map(String::as_str);
    r.notes.iter().map(String::as_str).chain(of_band)
}

fn emissions(r: &SourceReport, width: usize) -> String {
    let columns = [
        ("emission", Column::Word),
        ("peak, nm (air)", Column::Number),
        ("centroid", Column::Number),
        ("FWHM, nm", Column::Number),
        ("light", Column::Number),
        ("taken for", Column::Text),
    ];
    // The strongest ones, in the order of their places.
    let mut strongest: Vec<&Emission> = r.emissions.iter().collect();
    strongest.sort_by(|a, b| b.share.total_cmp(&a.share));
    let least = strongest.get(LISTED - 1).map_or(0.0, |e| e.share);
    let shown = r.emissions.iter().filter(|e| e.share >= least);
    let rows: Vec<Vec<String>> = shown.map(cells::emission).collect();
    let left = r.emissions.len() - rows.len();
    let mut out = grid(&columns, rows, width);
    if left > 0 {
        out += &format!(
            "{} weaker than {} of the light.\n",
            format::counted(left, "line", "lines"),
            format::share(least)
        );
    }
    out
}

fn regions(r: &SourceReport, width: usize) -> String {
    let of = match &r.response {
        None => "share of the counts",
        Some(_) => "share of the light",
    };
    let columns = [
        ("ISO 21348", Column::Word),
        ("nm", Column::Word),
        (of, Column::Number),
        ("not seen by this recording", Column::Text),
    ];
    let rows = r
        .regions
        .iter()
        .map(|s| {
            let [a, b] = s.region.edges_nm();
            vec![
                s.region.word().to_string(),
                format!("{a:.0}–{b:.0}"),
                share_words(s),
                if s.unseen.is_empty() { NONE.into() } else { s.unseen.clone() },
            ]
        })
        .collect();
    grid(&columns, rows, width)
        + "The visible begins at 400 nm here, so that all light counts once (ISO 21348: 380 nm).\n"
}

/// A share with its uncertainty, in per cent; what does not stand clear of its uncertainty as the
/// limit below which it is.
pub fn share_words(s: &RegionShare) -> String {
    /// More than two places of a per cent mean nothing here.
    const LEAST: f64 = 0.01;
    match s.share {
        None => NONE.into(),
        Some(m) if m.value < 2.0 * m.u || 100.0 * m.value < LEAST => {
            let most = 100.0 * (m.value.max(0.0) + 2.0 * m.u);
            format!("< {} %", format::two_digits(most.max(LEAST)))
        }
        Some(m) => {
            let percent = Measured::new(100.0 * m.value, (100.0 * m.u).max(LEAST));
            format!("{} %", format::measured(percent))
        }
    }
}

fn hazard_words(r: &SourceReport) -> String {
    let show = |m: Option<Measured>| match m {
        Some(m) if m.value < 2.0 * m.u => format!("< {:.1e}", m.value.max(0.0) + 2.0 * m.u),
        Some(m) => format!("{:.2e} ± {:.0e}", m.value, m.u),
        None => NONE.into(),
    };
    format!(
        "Weighted shares between {} and {} nm: actinic ultraviolet S(λ) {} (ICNIRP 2004), blue light \
         B(λ) {} (ICNIRP 2013); {RELATIVE_ONLY}; {STRAY_BEWARE}.",
        format::decimals(r.range_nm[0], 0),
        format::decimals(r.range_nm[1], 0),
        show(r.hazard.actinic),
        show(r.hazard.blue_light)
    )
}

fn energy_words(r: &SourceReport) -> String {
    /// Energies that are named.
    const NAMED: usize = 6;
    let all: Vec<String> = r
        .energies
        .iter()
        .take(NAMED)
        .map(|e| {
            format!(
                "{} {} nm {} eV",
                e.what,
                format::decimals(e.nm, 1),
                format::decimals(e.ev.value, 3)
            )
        })
        .collect();
    format!("Photon energy (hc from CODATA): {}.", all.join(", "))
}

/// Labels and what became of them; `who` where several sources are listed.
pub fn claims<'a>(
    list: impl Iterator<Item = (Option<&'a str>, &'a ClaimResult)>,
    style: &Style,
) -> String {
    let width = style.columns();
    let list: Vec<_> = list.collect();
    let named = list.iter().any(|(who, _)| who.is_some());
    let mut columns =
        vec![("claim", Column::Word), ("outcome", Column::Word), ("why", Column::Text)];
    if named {
        columns.insert(0, ("light", Column::Word));
    }
    let rows = list
        .iter()
        .map(|(who, c)| {
            let mut row = vec![claim_text(c), c.outcome.words().to_string(), c.reason.clone()];
            if named {
                row.insert(0, who.unwrap_or_default().to_string());
            }
            row
        })
        .collect();
    let mut out = grid(&columns, rows, width);
    let labelled: Vec<(String, &str)> = list
        .iter()
        .flat_map(|(who, c)| c.remarks.iter().map(move |r| (who, c, r.as_str())))
        .map(|(who, c, r)| match who {
            Some(who) => (format!("{who} ({})", c.text), r),
            None => (c.text.clone(), r),
        })
        .collect();
    let remarks = super::shared(labelled.iter().map(|(who, r)| (who.as_str(), *r)));
    section(&mut out, "Beside the labels", remarks.iter().map(String::as_str), width);
    out
}

/// A label, with the tolerance that was taken where it gives none.
fn claim_text(c: &ClaimResult) -> String {
    match &c.claim {
        Claim::Wavelength { tolerance_nm, tolerance_given: false, .. } => {
            format!("{} (± {tolerance_nm} taken)", c.text)
        }
        _ => c.text.clone(),
    }
}

/// Which cathodes this light may free electrons from, through which envelope. `from_nm` is where
/// the recording begins.
pub fn electrodes(list: &[CathodeReach], glasses: &[Glass], from_nm: f64, style: &Style) -> String {
    let width = style.columns();
    // A mercury lamp whose resonance line lies below the recording.
    let lamp = list.iter().any(|c| !c.expected_254.is_empty());
    let mut columns = vec![
        ("cathode", Column::Text),
        ("work function, eV", Column::Number),
        ("threshold, nm (vacuum)", Column::Number),
        ("bare", Column::Word),
    ];
    if lamp {
        columns.push(("254 nm would be", Column::Word));
    }
    let span = |[a, b]: [f64; 2], places: i32| match (a - b).abs() < 1e-9 {
        true => format::decimals(a, places),
        false => format!("{}–{}", format::decimals(a, places), format::decimals(b, places)),
    };
    let rows = list
        .iter()
        .map(|c| {
            let bare = c.through.first().map_or(NONE, |t| t.1.word());
            let [far, near] = c.threshold_nm;
            let mut row = vec![
                c.material.clone(),
                span(c.work_function_ev, 2),
                span([near, far], 0),
                bare.to_string(),
            ];
            if lamp {
                row.push(c.expected_254.first().map_or(NONE, |t| t.1.word()).into());
            }
            row
        })
        .collect();
    let mut out = String::from("Photon energy against work functions\n");
    out += &grid(&columns, rows, width);
    let envelopes: Vec<String> =
        list.first().map_or(Vec::new(), |c| c.through.iter().map(|t| t.0.clone()).collect());
    let named = |i: usize, what: Reach, by: fn(&CathodeReach) -> &[(String, Reach)]| {
        let all: Vec<&str> = list
            .iter()
            .filter(|c| by(c).get(i).is_some_and(|t| t.1 == what))
            .map(|c| c.material.split(',').next().unwrap_or_default())
            .collect();
        if all.is_empty() { NONE.to_string() } else { all.join(", ") }
    };
    let of = |i: usize, what: Reach| named(i, what, |c| &c.through);
    let untold = |i: usize| of(i, Reach::CannotTell) != NONE;
    let some_untold = (0..envelopes.len()).any(untold);
    let mut columns = vec![
        ("envelope", Column::Text),
        ("passes from, nm", Column::Word),
        ("frees electrons from", Column::Text),
        ("depends on the surface", Column::Text),
    ];
    if lamp {
        columns.push(("254 nm would free from", Column::Text));
    }
    let rows = envelopes
        .iter()
        .enumerate()
        .map(|(i, name)| {
            let edge = glasses.iter().find(|g| g.material == *name).map_or(NONE.into(), |g| {
                format!("{:.0}–{:.0}", g.opaque_below_nm, g.clear_above_nm)
            });
            let mut row = if of(i, Reach::Blocked) != NONE && !untold(i) {
                vec![name.clone(), edge, "nothing: no recorded light passes".into(), NONE.into()]
            } else {
                vec![name.clone(), edge, of(i, Reach::Enough), of(i, Reach::Depends)]
            };
            if untold(i) && row[2] == NONE {
                row[2] = format!("cannot be told (below {from_nm:.0} nm)");
            } else if untold(i) {
                row[2] += &format!("; the others cannot be told (below {from_nm:.0} nm)");
            }
            if lamp {
                row.push(match named(i, Reach::Enough, |c| &c.expected_254) {
                    none if none == NONE
                        && named(i, Reach::Blocked, |c| &c.expected_254) != NONE =>
                    {
                        "nothing: blocked".into()
                    }
                    all => all,
                });
            }
            row
        })
        .collect();
    out.push('\n');
    out += &grid(&columns, rows, width);
    if some_untold {
        let what = format!(
            "Cannot be told: the recording begins at {from_nm:.0} nm and shows nothing of shorter \
             light, present or absent; such light might free electrons."
        );
        out += &paragraph("", &what, width);
    }
    if lamp {
        let what = "A mercury lamp was recognised: 254 nm is to be expected unless the lamp's glass \
                    or a phosphor takes it. The last column says what it would do.";
        out += &paragraph("", what, width);
    }
    out += &paragraph("", &format!("Note: {SURFACE_MATTERS}."), width);
    let mut sources: Vec<&str> = list.iter().map(|c| c.source.as_str()).collect();
    sources.extend(glasses.iter().map(|g| g.source.as_str()));
    sources.dedup();
    let mut seen = std::collections::HashSet::new();
    sources.retain(|s| seen.insert(*s));
    let spelled: Vec<String> = sources
        .iter()
        .map(|s| match *s {
            "michaelson" => {
                "H. B. Michaelson, J. Appl. Phys. 48 (1977) 4729, and the CRC Handbook \
                             (values from memory)"
                    .to_string()
            }
            s => s.to_string(),
        })
        .collect();
    out += &paragraph("", &format!("Sources: {}.", spelled.join("; ")), width);
    out
}

/// Several sources against one.
pub fn comparison(c: &Comparison, style: &Style) -> String {
    let width = style.columns();
    let regions: Vec<Region> = Region::ALL
        .into_iter()
        .filter(|r| c.ratios.iter().any(|x| x.regions.iter().any(|y| y.0 == *r)))
        .collect();
    let mut columns = vec![("light", Column::Word)];
    columns.extend(regions.iter().map(|r| (r.word(), Column::Number)));
    columns.push(("all", Column::Number));
    let distances = c.ratios.iter().any(|r| r.at_same_distance.is_some());
    if distances {
        columns.push(("(× distance²)", Column::Number));
    }
    let compared = c.ratios.iter().filter(|r| r.left_out.is_none());
    let rows = compared
        .map(|r| {
            let reference = r.name == c.reference;
            let show = |m: Option<Measured>| match m {
                Some(_) if reference => "1".to_string(),
                Some(m) => ratio(m),
                None => NONE.into(),
            };
            let mut row = vec![r.name.clone()];
            for region in &regions {
                row.push(show(r.regions.iter().find(|x| x.0 == *region).map(|x| x.1)));
            }
            row.push(show(r.whole));
            if distances {
                row.push(r.at_same_distance.map_or(NONE.into(), format::two_digits));
            }
            row
        })
        .collect();
    let head = format!("Light over that of {}, region by region", c.reference);
    let mut out = paragraph("", &head, width);
    out += &grid(&columns, rows, width);
    let left_out: Vec<String> = c
        .ratios
        .iter()
        .filter_map(|r| Some(format!("{}: left out, {}", r.name, r.left_out.as_ref()?)))
        .collect();
    section(&mut out, "Not compared", left_out.iter().map(String::as_str), width);
    out += &super::notes("Comparison", c.notes.iter().map(String::as_str), style);
    out
}

/// A ratio with three digits and its relative uncertainty; as a limit where it is not clear of
/// zero.
fn ratio(m: Measured) -> String {
    /// Smaller ratios are written with a power of ten, so that the columns stay narrow.
    const SMALL: f64 = 1e-3;
    let short = |x: f64| match x < SMALL {
        true => format!("{x:.1e}"),
        false => format::plain(format::significant(x, 3)),
    };
    if m.value <= 0.0 && m.u <= 0.0 {
        return "0".into();
    }
    if m.value < 2.0 * m.u {
        return format!("< {}", short(m.value.max(0.0) + 2.0 * m.u));
    }
    format!("{} ± {} %", short(m.value), format::two_digits(100.0 * m.u / m.value))
}

/// Many sources, one row each.
pub fn sources(list: &[(&str, &SourceReport)], style: &Style) -> String {
    let columns = [
        ("light", Column::Word),
        ("source", Column::Text),
        ("sure", Column::Number),
        ("peak, nm (air)", Column::Number),
        ("FWHM, nm", Column::Number),
        ("UV", Column::Number),
        ("visible", Column::Number),
    ];
    let rows = list
        .iter()
        .map(|(name, r)| {
            let main = r.main_emission();
            let ultraviolet: f64 = r
                .regions
                .iter()
                .filter(|s| s.region.is_ultraviolet())
                .filter_map(|s| s.share)
                .map(|s| s.value.max(0.0))
                .sum();
            vec![
                name.to_string(),
                r.kind.kind.words().split(" (").next().unwrap_or_default().to_string(),
                format::probability(r.kind.probability),
                main.map_or(NONE.into(), |m| match m.rises_to_end {
                    true => NONE.into(),
                    false => format::measured(m.peak_nm),
                }),
                main.and_then(|m| m.fwhm_nm).map_or(NONE.into(), format::measured),
                format::share(ultraviolet),
                r.share(Region::Visible).map_or(NONE.into(), |s| format::share(s.value)),
            ]
        })
        .collect();
    let mut out = grid(&columns, rows, style.columns());
    let claims_of: Vec<_> =
        list.iter().flat_map(|(n, r)| r.claims.iter().map(move |c| (Some(*n), c))).collect();
    if !claims_of.is_empty() {
        out.push('\n');
        out += &claims(claims_of.into_iter(), style);
    }
    let all = list.iter().flat_map(|(n, r)| notes_of(r).map(move |t| (*n, t)));
    out += &super::notes_by("Notes on the lights", all, style);
    out
}
