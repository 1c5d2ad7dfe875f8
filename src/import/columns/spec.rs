//! The column choice of a user, `1,3` or `axis=1,counts=3+4`.

use super::{AxisUnit, Headings, Plan, listed, named};
use crate::{Error, Result};
use std::path::Path;

/// Keys that name the axis, with the unit they give it.
const AXIS_KEYS: [(&str, Option<AxisUnit>); 5] = [
    ("axis", None),
    ("pixel", Some(AxisUnit::Pixel)),
    ("nm", Some(AxisUnit::Nm)),
    ("um", Some(AxisUnit::Micrometre)),
    ("angstrom", Some(AxisUnit::Angstrom)),
];

/// Reads a column choice.
pub(super) fn read(
    spec: &str,
    width: usize,
    headings: Option<&Headings>,
    path: &Path,
) -> Result<Plan> {
    let bad = |what: String| {
        Error::usage(
            format!("columns `{spec}`: {what}"),
            "write for instance `1,2`, or `axis=1,counts=3+4,sigma=5`",
        )
    };
    let column = |name: &str| -> Result<usize> {
        let name = name.trim();
        if let Ok(n) = name.parse::<usize>() {
            return match n {
                1.. if n <= width => Ok(n - 1),
                _ => Err(Error::input(
                    path,
                    None,
                    format!("column {n} was asked for, but the table has {width}"),
                    "name a column that exists",
                )),
            };
        }
        by_name(name, headings, path)
    };
    let several = |text: &str| text.split('+').map(column).collect::<Result<Vec<usize>>>();
    let (mut axis, mut unit, mut counts, mut sigma) = (None, None, Vec::new(), None);
    let parts: Vec<&str> = spec.split(',').map(str::trim).collect();
    for (i, part) in parts.iter().enumerate() {
        let (key, value) = match part.split_once('=') {
            Some((key, value)) => (key.trim().to_lowercase(), value),
            None if i == 0 => ("axis".to_string(), *part),
            None if i == 1 => ("counts".to_string(), *part),
            None => return Err(bad(format!("it is not clear what `{part}` is for"))),
        };
        if value.trim().is_empty() {
            return Err(bad(format!("nothing is said for `{key}`")));
        }
        if let Some((_, u)) = AXIS_KEYS.iter().find(|(k, _)| *k == key) {
            if axis.replace(column(value)?).is_some() {
                return Err(bad("the axis is given twice".into()));
            }
            unit = *u;
        } else if key == "counts" {
            if !counts.is_empty() {
                return Err(bad("the counts are given twice".into()));
            }
            counts = several(value)?;
        } else if key == "sigma" {
            sigma = Some(column(value)?);
        } else {
            return Err(bad(format!("`{key}` is not known")));
        }
    }
    let axis = axis.ok_or_else(|| bad("the axis is missing".into()))?;
    if counts.is_empty() {
        return Err(bad("the counts are missing".into()));
    }
    let mut all = counts.clone();
    all.push(axis);
    all.extend(sigma);
    all.sort_unstable();
    if all.windows(2).any(|w| w[0] == w[1]) {
        return Err(bad("a column is used twice".into()));
    }
    if sigma.is_some() && counts.len() > 1 {
        return Err(bad("repeats bring their own uncertainty, so sigma cannot be given".into()));
    }
    if unit.is_none()
        && let Some(h) = headings
        && let super::Role::Axis { unit: u, .. } = super::role(&h.texts[axis])
    {
        unit = u;
    }
    let notes = vec![format!(
        "Axis from {}, counts from {}{} (as asked).",
        named(axis, headings),
        listed(&counts, headings),
        sigma.map_or_else(String::new, |s| format!(", uncertainties from {}", named(s, headings)))
    )];
    Ok(Plan {
        axis,
        unit,
        counts_unit: headings
            .and_then(|h| super::headings::bracketed(&h.texts[counts[0]]))
            .map(str::to_string),
        counts,
        sigma,
        axis_u: None,
        flags: None,
        heading_lines: headings.map_or_else(Vec::new, |h| h.lines.clone()),
        notes,
    })
}

/// The column with a heading, or with a part of a heading that no other has.
fn by_name(name: &str, headings: Option<&Headings>, path: &Path) -> Result<usize> {
    let Some(h) = headings else {
        return Err(Error::input(
            path,
            None,
            format!("column `{name}` was asked for, but the table has no headings"),
            "name columns by number",
        ));
    };
    let wanted = name.to_lowercase();
    let lower: Vec<String> = h.texts.iter().map(|t| t.to_lowercase()).collect();
    let whole: Vec<usize> = (0..lower.len()).filter(|i| lower[*i] == wanted).collect();
    let part: Vec<usize> = (0..lower.len()).filter(|i| lower[*i].contains(&wanted)).collect();
    match (&whole[..], &part[..]) {
        ([one], _) | ([], [one]) => Ok(*one),
        ([], []) => Err(Error::input(
            path,
            h.lines.first().copied(),
            format!("no column is headed `{name}` (there are: {})", h.texts.join(", ")),
            "name a column that exists",
        )),
        (many @ [_, ..], _) | ([], many) => Err(Error::input(
            path,
            h.lines.first().copied(),
            format!("`{name}` fits {}", listed(many, Some(h))),
            "name the column by its number",
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headings() -> Headings {
        Headings {
            texts: ["Wavelength (nm)", "Dark", "Scan 1", "Scan 2", "Error"]
                .map(String::from)
                .to_vec(),
            lines: vec![3],
        }
    }

    fn plan(spec: &str) -> Result<Plan> {
        read(spec, 5, Some(&headings()), Path::new("a.csv"))
    }

    #[test]
    fn numbers_and_names() {
        let p = plan("1,3").unwrap();
        assert_eq!((p.axis, p.counts, p.unit), (0, vec![2], Some(AxisUnit::Nm)));
        let p = plan("axis=wavelength, counts=scan 1+scan 2").unwrap();
        assert_eq!((p.axis, p.counts), (0, vec![2, 3]));
        let p = plan("counts=3,sigma=5,pixel=2").unwrap();
        assert_eq!((p.axis, p.sigma, p.unit), (1, Some(4), Some(AxisUnit::Pixel)));
    }

    #[test]
    fn mistakes_get_their_sentence() {
        for (spec, part) in [
            ("1", "counts are missing"),
            ("counts=2", "axis is missing"),
            ("1,9", "the table has 5"),
            ("0,1", "the table has 5"),
            ("1,1", "used twice"),
            ("1,2,3", "not clear what `3`"),
            ("1,scan", "fits"),
            ("1,neon", "no column is headed"),
            ("1,3+4,sigma=5", "own uncertainty"),
            ("1,colour=3", "not known"),
            ("1,counts=", "nothing is said"),
            ("", "nothing is said"),
        ] {
            let text = plan(spec).unwrap_err().to_string();
            assert!(text.contains(part), "{spec}: {text}");
        }
    }
}
