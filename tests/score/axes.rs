//! Every lamp's axis, from each start: bare pixels, pixels with a hint that is 3 nm off, an axis in
//! nm that is right, and one that reads 3 nm too high.

use crate::index::{Entry, Own, Truth};
use glowtell::calibrate::{CalibrateSettings, Profile, calibrate};
use glowtell::import::{ImportSettings, read_bytes, read_file};
use glowtell::reference::Tables;
use glowtell::signal::{PeakSettings, find_peaks};
use glowtell::{Axis, AxisKind, Result, Spectrum};
use std::fmt::Write;
use std::path::Path;

/// How wrong a start is made, nm.
const WRONG_BY_NM: f64 = 3.0;
/// Standard uncertainty of the wavelengths that those who measured name, nm: the list says of the
/// arcs that they are good to about 0.05 nm, which is taken for twice that.
const TRUTH_U_NM: f64 = 0.025;
/// Two corrections of one file from different starts are alike within this share of a line width.
const ALIKE_WIDTHS: f64 = 0.25;
/// Kinds of files that are lamps or tubes with lines.
const LAMPS: [&str; 6] = ["cfl", "hg", "gas tube", "mixed arc", "uv lamp", "lamp"];

/// One start of one file.
pub struct Row {
    file: String,
    start: &'static str,
    /// Lamps found; rms and worst error against the truth inside the anchors, nm; share of places
    /// within k = 2; or why it is refused.
    found: std::result::Result<(String, Option<[f64; 3]>), String>,
    /// Mean correction of an nm axis between the anchors, nm.
    correction: Option<f64>,
}

fn solve(own: &Spectrum, tables: &Tables, about: Option<[f64; 2]>) -> Result<Profile> {
    let peaks = find_peaks(own, &PeakSettings::default())?;
    let settings = CalibrateSettings { lamp: None, about_nm: about, ..Default::default() };
    calibrate(own, &peaks, tables, &settings)
}

fn judged(p: &Profile, pairs: &[(f64, f64)]) -> Option<[f64; 3]> {
    let [lo, hi] = p.anchored_nm;
    let errors: Vec<(f64, f64)> = pairs
        .iter()
        .map(|(x, nm)| (p.wavelength(*x), nm))
        .filter(|(m, _)| (lo..=hi).contains(&m.value))
        .map(|(m, nm)| ((m.value - nm).abs(), m.u))
        .collect();
    let n = errors.len() as f64;
    (n > 0.0).then(|| {
        [
            (errors.iter().map(|e| e.0 * e.0).sum::<f64>() / n).sqrt(),
            errors.iter().map(|e| e.0).fold(0.0, f64::max),
            errors.iter().filter(|e| e.0 <= 2.0 * e.1.hypot(TRUTH_U_NM)).count() as f64 / n,
        ]
    })
}

fn row(
    e: &Entry,
    start: &'static str,
    solved: Result<Profile>,
    pairs: Option<&[(f64, f64)]>,
) -> Row {
    let correction = match &solved {
        Ok(p) if p.own_axis == AxisKind::Nm => {
            let sum: f64 = p.anchors.iter().map(|a| p.wavelength(a.at).value - a.at).sum();
            Some(sum / p.anchors.len().max(1) as f64)
        }
        _ => None,
    };
    let found = solved.map_err(|e| e.to_string()).map(|p| {
        let lamps: Vec<String> = p.lamps.iter().map(|l| l.lamp.to_string()).collect();
        (lamps.join(" "), pairs.and_then(|t| judged(&p, t)))
    });
    Row { file: e.file.clone(), start, found, correction }
}

/// The recording on an axis in nm, from the wavelength of each of its points.
fn on_nm(own: &Spectrum, nm: &[f64]) -> Result<Spectrum> {
    let mut pairs: Vec<(f64, f64)> = nm.iter().copied().zip(own.counts().iter().copied()).collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (x, y) = pairs.into_iter().unzip();
    Spectrum::new(Axis::new(AxisKind::Nm, x)?, y)
}

/// All starts of a file; none for lights without lines.
pub fn rows(folder: &Path, e: &Entry, tables: &Tables) -> Vec<Row> {
    if !LAMPS.contains(&e.kind.as_str()) {
        return Vec::new();
    }
    let import = ImportSettings::default();
    let mut out = Vec::new();
    match (&e.truth, e.own) {
        (Truth::PerPixel { recording, name, nm }, _) => {
            let Ok(own) = read_bytes(recording, name, &import) else { return out };
            let ends = [nm[0].1, nm[nm.len() - 1].1];
            let hint = ends.map(|e| e + WRONG_BY_NM);
            out.push(row(e, "pixels", solve(&own, tables, None), Some(nm)));
            out.push(row(e, "pixels, hint", solve(&own, tables, Some(hint)), Some(nm)));
            for (start, off) in [("nm", 0.0), ("nm 3 off", WRONG_BY_NM)] {
                let read: Vec<f64> = nm.iter().map(|(_, nm)| nm + off).collect();
                let pairs: Vec<(f64, f64)> = nm.iter().map(|(_, nm)| (nm + off, *nm)).collect();
                let solved = on_nm(&own, &read).and_then(|s| solve(&s, tables, None));
                out.push(row(e, start, solved, Some(&pairs)));
            }
        }
        (truth, Own::Pixel) => {
            let Ok(own) = read_file(&folder.join(&e.file), &import) else { return out };
            let pairs = truth.pairs();
            out.push(row(e, "pixels", solve(&own, tables, None), Some(pairs)));
        }
        (_, Own::Nm) => {
            let Ok(own) = read_file(&folder.join(&e.file), &import) else { return out };
            for (start, off) in [("nm", 0.0), ("nm 3 off", WRONG_BY_NM)] {
                let read: Vec<f64> = own.x().iter().map(|nm| nm + off).collect();
                let solved = on_nm(&own, &read).and_then(|s| solve(&s, tables, None));
                out.push(row(e, start, solved, None));
            }
        }
    }
    out
}

/// The table, and how the starts went together.
pub fn print(entries: &[Entry], rows: &[Row]) -> String {
    let mut t = String::from(
        "\naxes from each start (lamp by itself): lamp, rms and worst error inside the anchors, nm, \
         share within k = 2 (with the truth's own uncertainty); mean correction of an nm axis, nm\n",
    );
    let wide = rows.iter().map(|r| r.file.len()).max().unwrap_or(0);
    let (mut solved, mut refused, mut wrong, mut unlike) = (0, 0, 0, 0);
    let mut before: Option<(&str, f64)> = None;
    for r in rows {
        let _ = write!(t, "{:<wide$} {:<13}", r.file, r.start);
        let fwhm = entries.iter().find(|e| e.file == r.file).and_then(|e| e.fwhm_nm);
        match &r.found {
            Err(why) => {
                refused += 1;
                let short: String = why.chars().take(110).collect();
                let _ = writeln!(t, " refused: {short}");
                continue;
            }
            Ok((lamp, judged)) => {
                let _ = write!(t, " {lamp:<12}");
                match judged {
                    Some([rms, worst, share]) => {
                        let ok = fwhm.is_some_and(|f| *rms <= 0.5 * f);
                        if ok {
                            solved += 1
                        } else {
                            wrong += 1
                        }
                        let _ = write!(t, " {rms:.3} {worst:.3} {:3.0} %", 100.0 * share);
                    }
                    None => {
                        let _ = write!(t, " no truth");
                    }
                }
            }
        }
        if let Some(c) = r.correction {
            let _ = write!(t, " {c:+.3}");
            if r.start == "nm" {
                before = Some((&r.file, c));
            } else if let Some((_, first)) = before.filter(|(f, _)| *f == r.file)
                && (c + WRONG_BY_NM - first).abs() > ALIKE_WIDTHS * fwhm.unwrap_or(1.0)
            {
                unlike += 1;
                let _ = write!(t, " (unlike the first)");
            }
        }
        let _ = writeln!(t);
    }
    let _ = writeln!(
        t,
        "starts against a truth solved={solved} refused={refused} (all starts) wrong={wrong}; \
         starts of one file that disagree={unlike}"
    );
    t
}
