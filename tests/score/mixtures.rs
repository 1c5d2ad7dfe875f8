//! Two measured tubes of one instrument added up: the hard pair with real lines.

use crate::index::{Entry, Own};
use crate::judge::{self, Mark, Said};
use crate::work::Lab;
use glowtell::gases::Verdict;
use glowtell::import::{ImportSettings, read_file};
use glowtell::{Mask, Result, Spectrum};
use std::fmt::Write;
use std::path::Path;

/// Light of the second tube over that of the first.
const RATIOS: [f64; 5] = [1.0, 0.3, 0.1, 0.03, 0.01];
/// Line widths of recordings of one instrument differ by less than this share.
const SAME_WIDTH: f64 = 0.1;
/// Points that share the highest count from which it is the end of the converter or of the plot.
const CLIPPED_POINTS: usize = 3;

/// Pairs of tubes with different gases that one source recorded over wavelength with one line width.
fn pairs(entries: &[Entry]) -> Vec<(&Entry, &Entry)> {
    let tubes = || entries.iter().filter(|e| e.kind == "gas tube" && e.own == Own::Nm);
    let one_bench = |a: &Entry, b: &Entry| match (a.fwhm_nm, b.fwhm_nm) {
        (Some(x), Some(y)) => a.source == b.source && (x / y).ln().abs() < SAME_WIDTH,
        _ => false,
    };
    tubes()
        .flat_map(|a| tubes().map(move |b| (a, b)))
        .filter(|(a, b)| a.present.first() != b.present.first() && one_bench(a, b))
        .collect()
}

/// A recording with its clipped points flagged: in the sum they would be lines of a wrong height.
fn read(folder: &Path, e: &Entry) -> Result<Spectrum> {
    let mut s = read_file(&folder.join(&e.file), &ImportSettings::default())?;
    let top = s.counts().iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let at_top: Vec<usize> = (0..s.len()).filter(|i| s.counts()[*i] >= top).collect();
    if at_top.len() >= CLIPPED_POINTS {
        at_top.into_iter().for_each(|i| s.flag(i, Mask::SATURATED));
    }
    Ok(s)
}

/// Light above the median point.
fn light(counts: &[f64]) -> f64 {
    let mut sorted = counts.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted[sorted.len() / 2];
    counts.iter().map(|c| (c - middle).max(0.0)).sum()
}

/// The first recording plus the second one, on the points of the first that both have.
fn sum(first: &Spectrum, second: &Spectrum, ratio: f64) -> Result<Spectrum> {
    let scale = ratio * light(first.counts()) / light(second.counts());
    let (x, y) = (second.x(), second.counts());
    let (mut nm, mut counts, mut flags) = (Vec::new(), Vec::new(), Vec::new());
    for (i, at) in first.x().iter().enumerate() {
        let k = x.partition_point(|v| v <= at);
        if k == 0 || k == x.len() {
            continue;
        }
        let part = (at - x[k - 1]) / (x[k] - x[k - 1]);
        nm.push(*at);
        counts.push(first.counts()[i] + scale * ((1.0 - part) * y[k - 1] + part * y[k]));
        let mut mask = first.mask()[i];
        mask.set(second.mask()[k - 1]);
        mask.set(second.mask()[k]);
        flags.push(mask);
    }
    let axis = glowtell::Axis::new(first.axis().kind(), nm)?;
    let mut s = Spectrum::new(axis, counts)?;
    flags.into_iter().enumerate().for_each(|(i, m)| s.flag(i, m));
    Ok(s)
}

/// What is said of the second gas at each ratio, and how often a gas was `seen` that neither tube
/// has.
pub fn rows(folder: &Path, entries: &[Entry], lab: &Lab) -> (usize, String) {
    let mut text = String::from(
        "two tubes of one instrument added, light of the second over that of the first; what is said \
         of the second gas\n",
    );
    let _ = write!(text, "{:<60}", "");
    RATIOS.iter().for_each(|r| {
        let _ = write!(text, " {r:>12}");
    });
    text.push('\n');
    let mut false_seen = 0;
    for (a, b) in pairs(entries) {
        let (Some(main), Some(second)) = (a.present.first(), b.present.first()) else { continue };
        let both = Entry {
            present: vec![main.clone(), second.clone()],
            may_contain: a.may_contain.iter().chain(&b.may_contain).cloned().collect(),
            ..a.clone()
        };
        let _ = write!(text, "{:<60}", format!("{second} ({}) in {main} ({})", b.file, a.file));
        for ratio in RATIOS {
            let recorded = read(folder, a)
                .and_then(|first| sum(&first, &read(folder, b)?, ratio))
                .map_err(|e| e.to_string());
            let said: std::result::Result<Vec<Said>, String> =
                recorded.and_then(|s| lab.gases(s, None));
            let judged = judge::gases(&both, &said);
            false_seen += judged.iter().filter(|j| j.mark == Mark::FalseSeen).count();
            let word = judged.get(1).map_or(Verdict::Undecided, |j| j.verdict).word();
            let _ = write!(text, " {word:>12}");
        }
        text.push('\n');
    }
    let _ = writeln!(text, "false seen in these sums: {false_seen}");
    (false_seen, text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use glowtell::{Axis, AxisKind};

    #[test]
    fn a_sum_has_the_light_that_it_should() {
        let line = |from: f64, step: f64, at: f64| {
            let x: Vec<f64> = (0..400).map(|i| from + step * f64::from(i)).collect();
            let y = x.iter().map(|x| 10.0 + 1e3 * (-((x - at) / 2.0).powi(2)).exp()).collect();
            Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap()
        };
        let (mut a, b) = (line(500.0, 0.5, 600.0), line(450.0, 0.4, 560.0));
        a.flag(200, Mask::SATURATED);
        let s = sum(&a, &b, 0.1).unwrap();
        // The second ends at 609.6 nm.
        assert!(s.x()[0] == 500.0 && s.x()[s.len() - 1] == 609.5);
        assert!(s.mask()[200] == a.mask()[200] && s.mask()[100].is_good());
        let rise = s.counts()[120] - a.counts()[120];
        // The second's grid is finer: the same line has a quarter more points.
        assert!((rise / 1010.0 - 0.1 / 1.25).abs() < 1e-3, "{rise}");
    }
}
