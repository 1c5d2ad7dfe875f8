//! Tables for spreadsheets: comma-separated, UTF-8, one head line, units in the head.

pub use super::csv_source::{comparison, response, sources};

use super::Medium;
use super::format::{exact as exact_text, significant};
use super::record::{DIGITS, Record, SummaryRow};
use crate::bench::TubeComparison;
use crate::gases::GasReport;
use crate::signal::PeakList;
use crate::{Axis, AxisKind, Error, Mask, Measured, Result, Spectrum};

/// A number for a cell; empty where there is none.
pub(super) fn cell(x: f64) -> String {
    if x.is_finite() { exact_text(significant(x, DIGITS)) } else { String::new() }
}

pub(super) fn optional(x: Option<f64>) -> String {
    x.map(cell).unwrap_or_default()
}

pub(super) fn pair(m: Option<Measured>) -> [String; 2] {
    [optional(m.map(|m| m.value)), optional(m.map(|m| m.u))]
}

pub(super) fn written(head: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Result<String> {
    let failed = |e: &dyn std::fmt::Display| {
        Error::usage(format!("the table cannot be written ({e})"), "report this as a defect")
    };
    let mut out = ::csv::Writer::from_writer(Vec::new());
    out.write_record(head).map_err(|e| failed(&e))?;
    for row in rows {
        out.write_record(&row).map_err(|e| failed(&e))?;
    }
    let bytes = out.into_inner().map_err(|e| failed(&e))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}

/// One row a peak. Places and widths are in nm (air) or pixels, as the head says; uncertainties
/// are standard uncertainties. `taken_for` is empty without `gases` and for peaks nobody claims.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn peaks(list: &PeakList, gases: Option<&GasReport>) -> Result<String> {
    peaks_in(list, gases, Medium::Air)
}

/// [`peaks`] with the wavelengths in `medium`, as the head says.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn peaks_in(list: &PeakList, gases: Option<&GasReport>, medium: Medium) -> Result<String> {
    let list = &medium.of_peaks(list);
    let centre = match medium {
        Medium::Air => "centre_nm_air",
        Medium::Vacuum => "centre_nm_vacuum",
    };
    let head = match list.axis {
        AxisKind::Nm => [centre, "centre_u_nm", "fwhm_nm", "fwhm_u_nm", "area_counts_nm"],
        AxisKind::Pixel => ["centre_px", "centre_u_px", "fwhm_px", "fwhm_u_px", "area_counts_px"],
    };
    let head = [
        "number",
        head[0],
        head[1],
        "height_counts",
        "height_u_counts",
        head[2],
        head[3],
        head[4],
        "area_u",
        "significance",
        "group",
        "group_size",
        "clipped",
        "line_like",
        "taken_for",
        "ghost",
    ];
    let rows = list.peaks.iter().enumerate().map(|(i, p)| {
        let label = gases
            .and_then(|g| g.assignments.iter().find(|a| a.peak == i))
            .and_then(|a| a.label.clone())
            .unwrap_or_default();
        let ghost = gases.and_then(|g| g.ghosts.iter().find(|g| g.peak == i));
        let mut row = vec![(i + 1).to_string()];
        row.extend(pair(Some(p.centre)));
        row.extend(pair(p.height));
        row.extend(pair(Some(p.fwhm)));
        row.extend(pair(p.area));
        row.extend([
            cell(p.significance),
            p.group.to_string(),
            p.group_size.to_string(),
            p.clipped.to_string(),
            p.line_like.to_string(),
            label,
            ghost.map(|g| g.what.clone()).unwrap_or_default(),
        ]);
        row
    });
    written(&head, rows)
}

/// The recording point by point: place, its standard uncertainty where the axis has been
/// calibrated, intensity, its standard uncertainty where it was measured, flags (`good`, or of
/// `saturated`, `dead`, `outside` those that apply, joined by `+`). A point without a value has an
/// empty cell. Read back, it is the same recording.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn recording(s: &Spectrum) -> Result<String> {
    recording_with(s, &cell)
}

/// [`recording`] with no more digits than a page needs: three decimals of the place, two digits of its
/// uncertainty, six of the intensity.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn short_recording(s: &Spectrum) -> Result<String> {
    /// Parts of a nm or pixel that are kept: a hundredth of a cheap instrument's step.
    const SHORT_PLACES: f64 = 1e3;
    const INTENSITY_DIGITS: usize = 6;
    const U_DIGITS: usize = 2;
    let mut short = Spectrum::new(
        Axis::new(s.axis().kind(), s.x().to_vec())?,
        s.counts().iter().map(|c| significant(*c, INTENSITY_DIGITS)).collect(),
    )?;
    let rounded: Vec<f64> =
        s.x().iter().map(|x| (x * SHORT_PLACES).round() / SHORT_PLACES).collect();
    // Points closer than that keep all digits.
    if let Ok(axis) = Axis::new(s.axis().kind(), rounded) {
        short = Spectrum::new(axis, short.counts().to_vec())?;
    }
    let two = |u: &[f64]| u.iter().map(|u| significant(*u, U_DIGITS)).collect::<Vec<f64>>();
    if let Some(u) = s.axis_u() {
        short = short.with_axis_u(two(u))?;
    }
    if let Some(u) = s.sigma() {
        short = short.with_sigma(two(u))?;
    }
    for (i, m) in s.mask().iter().enumerate() {
        short.flag(i, *m);
    }
    recording(&short)
}

/// [`recording`] with all digits that a number has, and facts and notes above it behind `#`.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn exact(s: &Spectrum) -> Result<String> {
    let mut out = String::new();
    let p = &s.provenance;
    let facts =
        p.metadata.iter().map(|(k, v)| if k.is_empty() { v.clone() } else { format!("{k}: {v}") });
    for line in facts.chain(p.notes.iter().cloned()) {
        // Quotes would be taken for those around cells.
        let line = line.replace(['\n', '\r'], " ").replace('"', "'");
        out += &format!("# {line}\n");
    }
    let all = |x: f64| if x.is_finite() { exact_text(x) } else { String::new() };
    Ok(out + &recording_with(s, &all)?)
}

fn recording_with(s: &Spectrum, cell: &dyn Fn(f64) -> String) -> Result<String> {
    let optional = |x: Option<f64>| x.map(cell).unwrap_or_default();
    let place = match s.axis().kind() {
        AxisKind::Nm => "wavelength_nm_air",
        AxisKind::Pixel => "pixel",
    };
    let mut head = vec![place];
    head.extend(s.axis_u().map(|_| "u_nm"));
    head.push("intensity");
    head.extend(s.sigma().map(|_| "u_intensity"));
    head.push("flags");
    let rows = s.x().iter().zip(s.counts()).zip(s.mask()).enumerate().map(|(i, ((x, c), m))| {
        let mut row = vec![cell(*x)];
        row.extend(s.axis_u().map(|u| optional(u.get(i).copied())));
        row.push(if m.has(Mask::DEAD) { String::new() } else { cell(*c) });
        row.extend(s.sigma().map(|u| optional(u.get(i).copied())));
        // Never empty: rows that end in a blank cell are read as shorter than the head.
        row.push(m.words());
        row
    });
    written(&head, rows)
}

/// One row an item of a drawer; several gases or remarks of one item are joined by `; `.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn summary(rows: &[SummaryRow]) -> Result<String> {
    let head = [
        "item",
        "file",
        "failed",
        "seen",
        "likely",
        "undecided",
        "axis",
        "remarks",
        "source",
        "claims",
    ];
    let rows = rows.iter().map(|r| {
        vec![
            r.item.clone(),
            r.file.clone(),
            r.failed.to_string(),
            r.seen.join("; "),
            r.likely.join("; "),
            r.undecided.to_string(),
            r.axis.clone(),
            r.remarks.join("; "),
            r.source.clone(),
            r.claims.join("; "),
        ]
    });
    written(&head, rows)
}

/// One row a pair of tubes.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn pairs(c: &TubeComparison) -> Result<String> {
    let head = [
        "first",
        "second",
        "answer",
        "differs_in",
        "smallest_adjusted_p",
        "lines_in_common",
        "scatter_ln",
        "light_not_shared",
        "light_not_shared_by_noise",
        "axis_ahead_nm",
        "open",
    ];
    let rows = c.pairs.iter().map(|p| {
        let name = |i: usize| c.tubes.get(i).cloned().unwrap_or_default();
        let gases: Vec<&str> = p.differences.iter().map(|d| d.gas.as_str()).collect();
        vec![
            name(p.first),
            name(p.second),
            p.verdict.words().to_string(),
            gases.join("; "),
            cell(p.differences.first().map_or(f64::NAN, |d| d.adjusted_p)),
            p.ratios.lines.to_string(),
            cell(p.ratios.scatter.unwrap_or(f64::NAN)),
            cell(p.distance.map_or(f64::NAN, |d| d.share)),
            cell(p.distance.map_or(f64::NAN, |d| d.by_noise)),
            cell(p.shift_nm),
            p.open.join("; "),
        ]
    });
    written(&head, rows)
}

/// One row an item and gas, for pivot tables; items without an answer have one row with their
/// error.
///
/// # Errors
/// [`Error::Usage`] where the table cannot be written (a defect of the program).
pub fn verdicts(records: &[Record]) -> Result<String> {
    let head = [
        "item",
        "file",
        "gas",
        "verdict",
        "probability",
        "share_of_light",
        "species",
        "limit_line_nm_air",
        "limit_relative_to_strongest",
        "limit_counts",
        "reason",
        "error",
    ];
    let rows = records.iter().flat_map(|r| {
        let file = r.input.as_ref().and_then(|i| i.file.clone()).unwrap_or_default();
        let start = [r.item.clone(), file];
        let Some(gases) = &r.gases else {
            let mut row = start.to_vec();
            row.resize(head.len() - 1, String::new());
            row.push(r.error.clone().unwrap_or_default());
            return vec![row];
        };
        gases
            .gases
            .iter()
            .map(|g| {
                let limit = g.limit;
                let mut row = start.to_vec();
                row.extend([
                    g.gas.clone(),
                    g.verdict.word().to_string(),
                    optional(g.probability),
                    optional(g.share),
                    g.species.join("; "),
                    optional(limit.and_then(|l| l.line_nm)),
                    optional(limit.and_then(|l| l.relative_to_strongest)),
                    optional(limit.and_then(|l| l.counts)),
                    g.reason.clone(),
                    String::new(),
                ]);
                row
            })
            .collect()
    });
    written(&head, rows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::made_up::{NEON, clipped, list, recording as made_up, report};

    fn read(text: &str) -> (Vec<String>, Vec<Vec<String>>) {
        let mut reader = ::csv::Reader::from_reader(text.as_bytes());
        let head = reader.headers().unwrap().iter().map(String::from).collect();
        let rows = reader.records().map(|r| r.unwrap().iter().map(String::from).collect());
        (head, rows.collect())
    }

    #[test]
    fn a_short_recording_keeps_places_flags_and_counts() {
        let x = vec![500.123_456, 500.523_456, 500.923_456];
        let axis = Axis::new(AxisKind::Nm, x).unwrap();
        let mut s = Spectrum::new(axis, vec![1_234.567_89, f64::NAN, 3.0]).unwrap();
        s = s.with_axis_u(vec![0.012_345; 3]).unwrap();
        s.flag(2, Mask::SATURATED);
        assert_eq!(
            short_recording(&s).unwrap(),
            "wavelength_nm_air,u_nm,intensity,flags\n500.123,0.012,1234.57,good\n\
             500.523,0.012,,dead\n500.923,0.012,3,saturated\n"
        );
        // Points that rounding would join keep all digits.
        let close = Axis::new(AxisKind::Nm, vec![500.000_1, 500.000_2]).unwrap();
        let s = Spectrum::new(close, vec![1.0, 2.0]).unwrap();
        assert!(short_recording(&s).unwrap().contains("500.0002,2,good"));
    }

    #[test]
    fn peaks_come_back() {
        let s = made_up(AxisKind::Nm, 380.0, 1000.0, 300, &NEON);
        let mut l = list(&s, &NEON);
        clipped(&mut l);
        l.peaks[1].fwhm = Measured::new(f64::NAN, f64::INFINITY);
        let (head, rows) = read(&peaks(&l, Some(&report(&l))).unwrap());
        let at = |name: &str| head.iter().position(|h| h == name).unwrap();
        assert_eq!(rows.len(), NEON.len());
        assert_eq!(rows[0][at("centre_nm_air")], "585.25");
        assert_eq!(rows[0][at("taken_for")], "Ne I 585.25");
        assert_eq!(rows[9][at("clipped")], "true");
        assert_eq!(rows[9][at("height_counts")], "");
        assert_eq!(rows[1][at("fwhm_nm")], "");
        assert_eq!(rows[6][at("taken_for")], "");
        assert_eq!(rows[10][at("ghost")], "second order of Hg I 365.02");
        let p = list(&made_up(AxisKind::Pixel, 0.0, 500.0, 501, &[]), &[]);
        let (head, rows) = read(&peaks(&p, None).unwrap());
        assert!(head.contains(&"centre_px".to_string()) && rows.is_empty());
    }

    #[test]
    fn a_recording_comes_back() {
        let mut s = recording_of(AxisKind::Nm);
        let n = s.len();
        s.flag(7, Mask::SATURATED);
        s.flag(9, Mask::DEAD);
        let s = s.with_axis_u(vec![0.05; n]).unwrap().with_sigma(vec![12.0; n]).unwrap();
        let text = recording(&s).unwrap();
        let (head, rows) = read(&text);
        assert_eq!(head, ["wavelength_nm_air", "u_nm", "intensity", "u_intensity", "flags"]);
        assert_eq!((rows[7][4].as_str(), rows[9][2].as_str()), ("saturated", ""));
        let path = std::path::Path::new("corrected.csv");
        let back = crate::import::read_bytes(text.as_bytes(), path, &Default::default()).unwrap();
        assert_eq!((back.axis().kind(), back.len()), (AxisKind::Nm, n));
        for i in [0, 7, n - 1] {
            assert!((back.x()[i] - s.x()[i]).abs() < 1e-5, "{i}");
            assert!((back.counts()[i] - s.counts()[i]).abs() < 1e-3, "{i}");
        }
        assert_eq!((back.mask(), back.axis_u(), back.sigma()), (s.mask(), s.axis_u(), s.sigma()));
        // A word that is no flag is told, and the flags are left out; so is a gap in the axis' u.
        let odd = text.replacen("saturated", "odd", 1);
        let back = crate::import::read_bytes(odd.as_bytes(), path, &Default::default()).unwrap();
        let told = |s: &Spectrum, what: &str| s.provenance.notes.iter().any(|n| n.contains(what));
        assert!(told(&back, "Line 9: `odd` is no flag") && back.mask()[7].is_good());
        let gap = text.replacen(",0.05,", ",,", 1);
        let back = crate::import::read_bytes(gap.as_bytes(), path, &Default::default()).unwrap();
        assert!(told(&back, "have gaps") && back.axis_u().is_none());
        // Nanometres say nothing of an axis that counts pixels.
        let rows = (0..20).map(|i| format!("{i},0.05,{}\n", i % 7)).collect::<String>();
        let pixels = format!("pixel,u_nm,intensity\n{rows}");
        let back = crate::import::read_bytes(pixels.as_bytes(), path, &Default::default()).unwrap();
        assert!(told(&back, "is no wavelength") && back.axis_u().is_none());
        let plain = recording(&recording_of(AxisKind::Pixel)).unwrap();
        assert!(plain.starts_with("pixel,intensity,flags\n"), "{plain:.60}");
    }

    fn recording_of(kind: AxisKind) -> Spectrum {
        made_up(kind, 380.0, 1000.0, 300, &NEON)
    }

    #[test]
    fn items_and_their_gases() {
        let s = made_up(AxisKind::Nm, 380.0, 1000.0, 300, &NEON);
        let l = list(&s, &NEON);
        let good = Record::answered("tube, \"one\"", "", &s, None, &l, Some(&report(&l)));
        let bad = Record::failed("two", "", &Error::usage("nothing works", "try again"));
        let (head, rows) = read(&summary(&[(&good).into(), (&bad).into()]).unwrap());
        assert_eq!(head[0], "item");
        assert_eq!(rows[0][0], "tube, \"one\"");
        assert_eq!((rows[0][3].as_str(), rows[1][2].as_str()), ("Ne", "true"));
        let (head, rows) = read(&verdicts(&[good, bad]).unwrap());
        assert_eq!(rows.len(), 7);
        let at = |name: &str| head.iter().position(|h| h == name).unwrap();
        assert_eq!(rows[3][at("gas")], "Ar");
        assert_eq!(rows[3][at("limit_relative_to_strongest")], "0.0083");
        assert_eq!(rows[6][at("error")], "nothing works; try again");
    }
}
