//! The instrument: its axis, the lamp that set it, line width, and where it can be trusted.

use super::write::{Html, Table, number, words};
use super::{Page, data, figure, section};
use crate::calibrate::Profile;
use crate::report::cells;
use crate::report::csv;
use crate::report::format::{self, NONE};
use crate::report::record::axis_samples;
use crate::report::svg::{calibration_plot, lamp_plot, spectrum_plot};
use crate::{AxisKind, Measured, Result};

/// The section.
pub fn write(h: &mut Html, page: &Page<'_>) -> Result<()> {
    let i = &page.result.instrument;
    section(h, "instrument", "Instrument");
    match &i.profile {
        Some(p) => {
            h.facts(&facts(p));
            let style = page.plot_style(&format!("axis of {}", i.name));
            let svg = match i.lamps.first() {
                Some(lamp) => lamp_plot(p, &lamp.read, &style)?,
                None => calibration_plot(p, &style)?,
            };
            figure(h, &svg, &format!("How the axis of {} was set", i.name), false);
            h.table(&worth(p));
            h.details(&format!("The {} that carry the axis", lines(p)), anchors(p));
            h.details(&format!("{} left out, with the reason", p.left_out.len()), left_out(p));
            h.details("Models of the axis that were weighed", models(p));
            let mut notes = Html::default();
            notes.list(p.notes.iter().map(String::as_str));
            h.details(&format::counted(p.notes.len(), "note", "notes"), notes);
        }
        None => h.paragraph(
            "There is no profile: the axes are those of the files, and nothing is known of their \
             uncertainty. Record a lamp with the same instrument and name it in the sheet.",
        ),
    }
    for (k, lamp) in i.lamps.iter().enumerate() {
        let name = match i.lamps.len() {
            1 => "lamp".to_string(),
            _ => format!("lamp {}", k + 1),
        };
        h.open("article", &[("aria-label", &name)]);
        let svg = spectrum_plot(&lamp.spectrum, &lamp.peaks, None, &page.plot_style(&name))?;
        figure(h, &svg, &format!("Recording of the {name}"), true);
        let file = data::Download {
            name: format!("lamp_{}.csv", k + 1),
            what: format!("the recording of the {name} on its axis"),
            content: csv::short_recording(&lamp.spectrum)?,
        };
        data::links(h, &format!("Files of the {name}"), &[(&file, "recording")]);
        h.close("article");
    }
    h.close("section");
    Ok(())
}

fn lines(p: &Profile) -> String {
    format::counted(p.anchors.len(), "line", "lines")
}

fn facts(p: &Profile) -> Vec<(String, String)> {
    let [a, b] = p.own_range.map(|x| p.wavelength(x));
    let [low, high] = if a.value <= b.value { [a, b] } else { [b, a] };
    let mut facts = vec![
        ("instrument", p.instrument.clone()),
        ("points", p.points.to_string()),
        (
            "own axis",
            match p.own_axis {
                AxisKind::Nm => "nm, corrected here".into(),
                AxisKind::Pixel => "pixels".into(),
            },
        ),
        (
            "range, nm (air)",
            format!("{} to {}", format::decimals(low.value, 1), format::decimals(high.value, 1)),
        ),
        (
            "uncertainty at the ends, nm",
            format!("{} and {}", format::two_digits(low.u), format::two_digits(high.u)),
        ),
        (
            "carried by lines from, nm (air)",
            format!("{} to {}", format::nm(p.anchored_nm[0]), format::nm(p.anchored_nm[1])),
        ),
        ("rms of the lines, nm", format::two_digits(p.rms_nm)),
    ];
    for l in &p.lamps {
        facts.push(("lamp", format!("{} in {}", l.lamp.words(), l.recording)));
    }
    if let Some(lw) = &p.line_width_nm {
        let width = format::measured(Measured::new(lw.value, lw.u));
        facts.push((
            "width of a line (FWHM), nm",
            format!(
                "{width} at {}; {} at {} and {} at {}",
                format::decimals(lw.at, 0),
                format::two_digits(lw.fwhm(low.value)),
                format::decimals(low.value, 0),
                format::two_digits(lw.fwhm(high.value)),
                format::decimals(high.value, 0)
            ),
        ));
    }
    facts.into_iter().map(|(k, v)| (k.to_string(), v)).collect()
}

/// What the axis is worth where.
fn worth(p: &Profile) -> Table {
    let rows = axis_samples(p).into_iter().map(|s| {
        let u = |k: f64| s.u_nm.map_or(NONE.into(), |u| format::two_digits(k * u));
        let known = if s.extrapolated { "beyond the lines" } else { "between the lines" };
        vec![format::decimals(s.wavelength_nm, 0), u(1.0), u(2.0), known.into()]
    });
    let columns =
        [number("at, nm (air)"), number("u, nm"), number("k = 2, nm"), words("known how")];
    Table::new("What the axis is worth", &columns, rows)
}

fn anchors(p: &Profile) -> Html {
    let own = match p.own_axis {
        AxisKind::Nm => number("at, own nm"),
        AxisKind::Pixel => number("at, pixel"),
    };
    let rows = p.anchors.iter().map(|a| {
        vec![
            a.feature.clone(),
            format::decimals(a.wavelength_nm, 3),
            format::decimals(a.at, 2),
            format::measured(Measured::new(a.residual_nm, a.u_nm)),
        ]
    });
    let columns = [words("line"), number("nm (air)"), own, number("fitted minus tabulated, nm")];
    let mut h = Html::default();
    h.table(&Table::new("Lines that carry the axis", &columns, rows));
    h
}

fn left_out(p: &Profile) -> Html {
    let rows = p
        .left_out
        .iter()
        .map(|l| vec![l.feature.clone(), format::decimals(l.wavelength_nm, 3), l.reason.clone()]);
    let columns = [words("line"), number("nm (air)"), words("why")];
    let mut h = Html::default();
    h.table(&Table::new("Lines left out", &columns, rows));
    h
}

fn models(p: &Profile) -> Html {
    let rows = p.models.iter().map(cells::model);
    let columns = [
        words("model"),
        number("share"),
        number("parameters"),
        number("rms, nm"),
        number("rms of lines foretold, nm"),
    ];
    let mut h = Html::default();
    h.table(&Table::new("Models of the axis", &columns, rows));
    h
}
