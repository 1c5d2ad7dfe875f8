//! Tables that several sections show.

use super::write::{Column, Table, number, words};
use crate::AxisKind;
use crate::gases::{GasReport, LineEvidence, Verdict};
use crate::report::cells;
use crate::report::format::{self, NONE};
use crate::report::terminal::share_words;
use crate::signal::PeakList;
use crate::source::{Comparison, SourceReport};

/// Verdicts by gas.
pub fn verdicts(report: &GasReport) -> Table {
    let rows = report.gases.iter().map(|g| {
        vec![
            g.gas.clone(),
            g.verdict.word().into(),
            match g.verdict {
                Verdict::OutOfReach => NONE.into(),
                _ => format::probability(g.probability),
            },
            format::share(g.share),
            cells::evidence(report, g),
        ]
    });
    let columns = [
        words("gas"),
        words("verdict"),
        number("probability"),
        number("share of the light"),
        words("strongest lines, or limit; nm (air)"),
    ];
    Table::new("Verdicts", &columns, rows)
}

/// The lines of one species, those for it and those that are missing.
pub fn lines_of(caption: String, lines: &[LineEvidence]) -> Table {
    let rows = lines.iter().map(|l| {
        vec![
            format::nm(l.wavelength_nm),
            l.offset_nm.map_or(NONE.into(), |o| format::decimals(o, 2)),
            format::two_digits(l.expected),
            format::two_digits(l.observed),
            format::decimals(l.decibans, 1),
            if l.shared_with.is_empty() { NONE.into() } else { l.shared_with.join(", ") },
        ]
    });
    let columns = [
        number("line, nm (air)"),
        number("peak minus line, nm"),
        number("expected height"),
        number("found, or would have shown from"),
        number("evidence, decibans"),
        words("also explained by"),
    ];
    Table::new(caption, &columns, rows)
}

/// All peaks of a recording.
pub fn peaks(list: &PeakList, gases: Option<&GasReport>) -> Table {
    let columns: [Column; 5] = match list.axis {
        AxisKind::Nm => [
            number("centre, nm (air)"),
            number("height, counts"),
            number("FWHM, nm"),
            number("height over noise"),
            words("taken for"),
        ],
        AxisKind::Pixel => [
            number("centre, pixel"),
            number("height, counts"),
            number("FWHM, pixel"),
            number("height over noise"),
            words("taken for"),
        ],
    };
    let rows = list.peaks.iter().enumerate().map(|(i, p)| {
        vec![
            format::measured(p.centre),
            p.height.map_or(NONE.into(), format::measured),
            format::measured(p.fwhm),
            format::decimals(p.significance, i32::from(p.significance < 100.0)),
            taken_for(list, i, gases),
        ]
    });
    Table::new("All lines of the recording", &columns, rows)
}

fn taken_for(list: &PeakList, i: usize, gases: Option<&GasReport>) -> String {
    let p = &list.peaks[i];
    let ghost = gases.and_then(|g| g.ghosts.iter().find(|g| g.peak == i)).map(|g| g.what.clone());
    let claim = gases.and_then(|g| g.assignments.iter().find(|a| a.peak == i)?.label.clone());
    let nobody = if gases.is_some() { "claimed by nobody" } else { "" };
    let mut text = ghost.or(claim).unwrap_or(nobody.into());
    for word in p.clipped.then_some("clipped").into_iter().chain(list.odd_width(p)) {
        text = if text.is_empty() { word.into() } else { format!("{text}; {word}") };
    }
    text
}

/// Labels of lights and what became of them.
pub fn claims<'a>(
    caption: &str,
    lights: impl Iterator<Item = (&'a str, &'a SourceReport)>,
) -> Table {
    let rows = lights.flat_map(|(who, s)| {
        s.claims.iter().map(move |c| {
            let remarks = c.remarks.join(" ");
            let why = if remarks.is_empty() {
                c.reason.clone()
            } else {
                format!("{}. {remarks}", c.reason)
            };
            vec![who.to_string(), c.text.clone(), c.outcome.words().into(), why]
        })
    });
    let columns = [words("light"), words("label"), words("outcome"), words("why")];
    Table::new(caption, &columns, rows)
}

/// What a light emits.
pub fn emissions(s: &SourceReport) -> Table {
    let rows = s.emissions.iter().map(cells::emission);
    let columns = [
        words("emission"),
        number("peak, nm (air)"),
        number("centroid, nm"),
        number("FWHM, nm"),
        number("share of the light"),
        words("taken for"),
    ];
    Table::new("What it emits", &columns, rows)
}

/// Shares of the regions of ISO 21348.
pub fn regions(s: &SourceReport) -> Table {
    let share = match &s.response {
        None => "share of the counts",
        Some(_) => "share of the light",
    };
    let rows = s.regions.iter().map(|r| {
        let [a, b] = r.region.edges_nm();
        let unseen = if r.unseen.is_empty() { NONE.into() } else { r.unseen.clone() };
        vec![r.region.word().into(), format!("{a:.0}–{b:.0}"), share_words(r), unseen]
    });
    let columns =
        [words("region"), words("nm"), number(share), words("not seen by this recording")];
    Table::new("Regions of ISO 21348 (the visible from 400 nm)", &columns, rows)
}

/// Lights against the first.
pub fn comparison(c: &Comparison) -> Table {
    let rows = c.ratios.iter().map(|r| {
        let regions: Vec<String> = r
            .regions
            .iter()
            .map(|(region, m)| format!("{} {}", region.word(), format::measured(*m)))
            .collect();
        let regions = match &r.left_out {
            Some(why) => why.clone(),
            None if regions.is_empty() => NONE.into(),
            None => regions.join("; "),
        };
        vec![r.name.clone(), cells::or_none(r.whole), regions]
    });
    let columns = [words("light"), number("all light"), words("by region, or why left out")];
    Table::new(format!("Lights against {}, which is 1", c.reference), &columns, rows)
}
