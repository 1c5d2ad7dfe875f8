//! How an axis was set: lamps, lines, models, and where it can be trusted.

use super::grid::{Column, grid};
use super::{Style, paragraph, section, shared};
use crate::calibrate::{LeftOut, Profile};
use crate::report::cells;
use crate::report::format::{self, NONE};
use crate::report::record::axis_samples;
use crate::{AxisKind, Measured};

/// Lines left out that are named; the record has all.
const LEFT_OUT: usize = 12;
/// Share from which a model of the axis is worth a row.
const WORTH_A_ROW: f64 = 0.005;

/// A profile: the lamps, the lines that carry the axis and those that do not, the models that were
/// weighed, and how well the axis is known where.
pub fn profile(profile: &Profile, style: &Style) -> String {
    let width = style.columns();
    let head = format!(
        "Axis of {}: {} from {} to {} nm (air), rms {} nm, {}.",
        profile.instrument,
        format::counted(profile.anchors.len(), "anchor", "anchors"),
        format::nm(profile.anchored_nm[0]),
        format::nm(profile.anchored_nm[1]),
        format::two_digits(profile.rms_nm),
        format::counted(profile.degrees_of_freedom, "degree of freedom", "degrees of freedom"),
    );
    let mut out = paragraph("", &head, width);
    let lamps: Vec<String> =
        profile.lamps.iter().map(|l| format!("{} in {}", l.lamp.words(), l.recording)).collect();
    if !lamps.is_empty() {
        out.push_str(&paragraph("", &format!("Recognised: {}.", lamps.join(", ")), width));
    }
    out.push('\n');
    out.push_str(&anchors(profile, width));
    let left = left_out(profile);
    section(&mut out, "Left out, nm (air)", left.iter().map(String::as_str), width);
    out.push_str(&models(profile, width));
    out.push_str(&samples(profile, width));
    let mut facts: Vec<String> = beyond(profile).into_iter().chain(line_width(profile)).collect();
    facts.extend(profile.notes.iter().cloned());
    out.push_str(&super::notes("Notes", facts.iter().map(String::as_str), style));
    out.push_str("\n± and u are standard uncertainties, k = 1.\n");
    out
}

fn anchors(profile: &Profile, width: usize) -> String {
    let own = match profile.own_axis {
        AxisKind::Pixel => "at, pixel",
        AxisKind::Nm => "at, own nm",
    };
    let columns = [
        ("anchor", Column::Word),
        ("nm (air)", Column::Number),
        (own, Column::Number),
        ("residual, nm", Column::Number),
    ];
    let rows = profile
        .anchors
        .iter()
        .map(|a| {
            vec![
                a.feature.clone(),
                format::decimals(a.wavelength_nm, 3),
                format::decimals(a.at, 2),
                format::measured(Measured::new(a.residual_nm, a.u_nm)),
            ]
        })
        .collect();
    grid(&columns, rows, width)
}

/// First and last wavelength of the axis with their uncertainties, ascending.
fn ends(profile: &Profile) -> [Measured; 2] {
    let [a, b] = profile.own_range.map(|x| profile.wavelength(x));
    if a.value <= b.value { [a, b] } else { [b, a] }
}

/// The lines that do not carry the axis, those of one reason together: those within the axis, and
/// of these at first what was seen and contradicts the others.
fn left_out(profile: &Profile) -> Vec<String> {
    let [low, high] = ends(profile).map(|m| m.value);
    let mut inside: Vec<&LeftOut> =
        profile.left_out.iter().filter(|l| (low..=high).contains(&l.wavelength_nm)).collect();
    // Reasons of its own first: they are about this line in this recording.
    let alike = |l: &LeftOut| {
        profile.left_out.iter().filter(|o| short(&o.reason) == short(&l.reason)).count()
    };
    inside.sort_by_key(|l| alike(l));
    let named = &inside[..inside.len().min(LEFT_OUT)];
    let mut out = shared(named.iter().map(|l| (l.feature.as_str(), short(&l.reason))));
    let more = profile.left_out.len() - named.len();
    if more > 0 {
        out.push(format!("and {more} more; --json lists them"));
    }
    out
}

/// A reason without its details, by which lines are put together.
fn short(reason: &str) -> &str {
    reason.split_once(": ").map_or(reason, |(kind, _)| kind)
}

/// The models of the axis with their shares; nothing where none were weighed.
fn models(profile: &Profile, width: usize) -> String {
    let columns = [
        ("model of the axis", Column::Word),
        ("share", Column::Number),
        ("parameters", Column::Number),
        ("rms, nm", Column::Number),
        ("rms of lines foretold, nm", Column::Number),
    ];
    let worth = profile.models.iter().filter(|m| m.weight >= WORTH_A_ROW);
    let rows: Vec<Vec<String>> = worth.map(cells::model).collect();
    if rows.is_empty() {
        return String::new();
    }
    let rest: Vec<&str> =
        profile.models.iter().filter(|m| m.weight < WORTH_A_ROW).map(|m| m.name.as_str()).collect();
    let mut out = format!("\n{}", grid(&columns, rows, width));
    if !rest.is_empty() {
        out.push_str(&paragraph("", &format!("Hardly any share: {}.", rest.join(", ")), width));
    }
    out
}

fn samples(profile: &Profile, width: usize) -> String {
    let samples = axis_samples(profile);
    if samples.is_empty() {
        return String::new();
    }
    let columns = [
        ("axis at, nm (air)", Column::Number),
        ("u, nm", Column::Number),
        ("k = 2, nm", Column::Number),
        ("", Column::Text),
    ];
    let rows = samples
        .iter()
        .map(|s| {
            let u = |k: f64| s.u_nm.map_or(NONE.into(), |u| format::two_digits(k * u));
            let word = if s.extrapolated { "beyond the anchors" } else { "" };
            vec![format::decimals(s.wavelength_nm, 0), u(1.0), u(2.0), word.into()]
        })
        .collect();
    format!("\n{}", grid(&columns, rows, width))
}

/// Where no line carries the axis, and how well it is known at its ends.
fn beyond(profile: &Profile) -> Option<String> {
    let [low, high] = ends(profile);
    let [first, last] = profile.anchored_nm;
    let stretch = |from: f64, to: f64, end: Measured| {
        let places = |nm: f64| format::decimals(nm, 0);
        format!(
            "{} to {} nm (± {} nm at the end)",
            places(from),
            places(to),
            format::two_digits(end.u)
        )
    };
    let mut parts = Vec::new();
    if low.value < first {
        parts.push(stretch(low.value, first, low));
    }
    if high.value > last {
        parts.push(stretch(last, high.value, high));
    }
    (!parts.is_empty())
        .then(|| format!("Extrapolated, beyond the outermost lines: {}.", parts.join(", ")))
}

/// Width of a line in the middle and, where it changes, at both ends.
fn line_width(profile: &Profile) -> Option<String> {
    let lw = profile.line_width_nm.as_ref()?;
    let value = format::measured(Measured::new(lw.value, lw.u));
    let at = format::decimals(lw.at, 0);
    let along = if lw.slope == 0.0 {
        "no change along the axis shows".to_string()
    } else {
        let end = |m: Measured| {
            format!(
                "{} nm at {}",
                format::two_digits(lw.fwhm(m.value)),
                format::decimals(m.value, 0)
            )
        };
        let [low, high] = ends(profile);
        format!("{} and {}", end(low), end(high))
    };
    Some(format!("Width of an unresolved line (FWHM): {value} nm at {at} nm (air); {along}."))
}
