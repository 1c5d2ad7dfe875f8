//! An axis, judged, in tables and sentences.

use super::grid::{Column, grid};
use super::{Style, paragraph, section};
use crate::Measured;
use crate::calibrate::{Drift, Repeatability, SecondOrder, Support, Top, Verification};
use crate::report::format::{self, NONE};

/// With its sign, as errors are written.
fn signed(m: Measured) -> String {
    let text = format::measured(m);
    let zero =
        !text.split(' ').next().unwrap_or_default().contains(|c: char| ('1'..='9').contains(&c));
    if m.value > 0.0 && !zero { format!("+{text}") } else { text }
}

/// Whose axis, by which lamp, how far off: one sentence.
pub fn head_words(v: &Verification) -> String {
    let whose = match &v.profile {
        Some(name) => format!("The axis of the profile of {name}"),
        None => "The file's own axis".to_string(),
    };
    format!(
        "{whose}, judged by {} of {} from {} to {} nm, reads {} nm on average (read minus true; rms \
         {} nm, worst {} nm at {}).",
        format::counted(v.lines.len(), "line", "lines"),
        v.lamp,
        format::nm(v.anchored_nm[0]),
        format::nm(v.anchored_nm[1]),
        signed(v.error.offset_nm),
        format::two_digits(v.rms_nm),
        signed(v.worst.error_nm),
        v.worst.feature
    )
}

/// The tolerance and its answer in one sentence; empty where none was asked about.
pub fn claim_words(v: &Verification) -> String {
    v.tolerance.as_ref().map_or(String::new(), |t| {
        format!(
            "Within {} nm from {} to {} nm (air): {}; {}.",
            format::plain(t.within_nm),
            format::nm(t.over_nm[0]),
            format::nm(t.over_nm[1]),
            t.claim.word(),
            t.reason
        )
    })
}

/// The figures of the instrument: name and words.
pub fn figures(v: &Verification) -> Vec<(String, String)> {
    let s = &v.sheet;
    let none = |why: &str| format!("{NONE} ({why})");
    let mut out = Vec::new();
    let mut say = |name: &str, text: String| out.push((name.to_string(), text));
    say(
        "line width (FWHM)",
        match &s.resolution {
            Some(r) => {
                let slope = r.slope_nm_per_100nm.map_or(String::new(), |b| {
                    format!(", {} nm per 100 nm along the axis", signed(b))
                });
                format!(
                    "{} nm at {} nm{slope}, from {}",
                    format::measured(r.fwhm_nm),
                    format::decimals(r.at_nm, 0),
                    format::counted(r.lines.len(), "isolated line", "isolated lines")
                )
            }
            None => none("no line is isolated"),
        },
    );
    say(
        "noise",
        match (s.noise, s.noise_point_to_point) {
            (Some(n), Some(p)) => format!(
                "{} counts rms about the baseline in {} line-free points, {} from point to point",
                format::two_digits(n),
                s.free_points,
                format::two_digits(p)
            ),
            _ => none("too few line-free points"),
        },
    );
    say(
        "dynamic range",
        match (s.dynamic_range, s.span) {
            (Some(d), Some(span)) => {
                let top = match s.top {
                    Top::FullScale => "full scale, found from flat tops, over the noise",
                    Top::HighestPoint => {
                        "highest point of this recording over the noise; full scale may be higher"
                    }
                };
                format!(
                    "{} to 1: {} counts above the darkest level ({top})",
                    format::plain(format::significant(d, 2)),
                    format::plain(format::significant(span, 3))
                )
            }
            _ => none("noise not known"),
        },
    );
    say(
        "stray light",
        match s.stray_light_below {
            Some(share) => format!(
                "at most {} of the strongest line, by the darkest level between lines (dark reading \
                 and the lamp's continuum are in it; void where more than the dark was taken off)",
                format::limit(share)
            ),
            None => none("no line-free level"),
        },
    );
    for g in &s.second_order {
        say(&format!("second order of {}", format::nm(g.of_nm)), ghost(g));
    }
    out
}

fn ghost(g: &SecondOrder) -> String {
    let remark = |t: &str| if t.is_empty() { String::new() } else { format!("; {t}") };
    match (g.ratio, g.limit) {
        (Some(r), _) => format!(
            "{}{} % of the line, at {} nm{}",
            if g.remark.is_empty() { "" } else { "at most " },
            format::measured(Measured::new(100.0 * r.value, 100.0 * r.u)),
            format::nm(g.at_nm),
            remark(&g.remark)
        ),
        (None, Some(l)) => format!(
            "not seen at {} nm, would show from {} of the line{}",
            format::nm(g.at_nm),
            format::limit(l),
            remark(&g.remark)
        ),
        (None, None) => format!("{NONE} ({})", g.remark),
    }
}

/// A verification: lines, stretches, tolerance, drift, repeats, instrument, correction.
pub fn verification(v: &Verification, style: &Style) -> String {
    let width = style.columns();
    let mut out = paragraph("", &head_words(v), width);
    if v.tolerance.is_some() {
        out.push('\n');
        out.push_str(&paragraph("", &claim_words(v), width));
        out.push_str(&paragraph(
            "",
            "Decided with a guard band of U = 2u on either side of the tolerance (JCGM 106:2012, \
             8.3).",
            width,
        ));
    }
    out.push('\n');
    let columns = [
        ("line", Column::Word),
        ("nm (air)", Column::Number),
        ("read at, nm", Column::Number),
        ("error, nm", Column::Number),
    ];
    let rows = v
        .lines
        .iter()
        .map(|l| {
            vec![
                l.feature.clone(),
                format::decimals(l.wavelength_nm, 3),
                format::decimals(l.read_nm, 2),
                signed(l.error_nm),
            ]
        })
        .collect();
    out.push_str(&grid(&columns, rows, width));
    out.push('\n');
    let columns =
        [("error over the axis", Column::Word), ("value", Column::Number), ("unit", Column::Text)];
    let e = &v.error;
    let rows = vec![
        vec!["offset (mean)".into(), signed(e.offset_nm), "nm".into()],
        vec!["tilt".into(), signed(e.tilt_nm_per_100nm), "nm per 100 nm".into()],
        vec!["curvature".into(), signed(e.curvature_nm_per_100nm2), "nm per (100 nm)²".into()],
    ];
    out.push_str(&grid(&columns, rows, width));
    out.push('\n');
    out.push_str(&stretches(v, width));
    out.push_str(&drift(&v.drift, width));
    if let Some(r) = &v.repeatability {
        out.push_str(&repeats(r, width));
    }
    let facts: Vec<String> = figures(v).iter().map(|(n, t)| format!("{n}: {t}")).collect();
    section(&mut out, "The instrument", facts.iter().map(String::as_str), width);
    let mend =
        correction_words(v) + ". With --out FILE the whole correction is written as a profile.";
    section(&mut out, "What would mend the axis", [mend.as_str()], width);
    out.push_str(&super::notes("Notes", v.notes.iter().map(String::as_str), style));
    out.push_str("\n± is the standard uncertainty, k = 1.\n");
    out
}

/// The correction as a series that can be copied.
pub fn correction_words(v: &Verification) -> String {
    /// Decimals of the factors: a thousandth of a nm at the ends of any axis.
    const PLACES: i32 = 4;
    let [a, b, c] = v.error.powers();
    let term = |x: f64| {
        let sign = if x < 0.0 { "+" } else { "-" };
        format!("{sign} {}", format::decimals(x.abs(), PLACES))
    };
    format!(
        "true = read {} {} z {} z², z = (read - {})/100, between the outermost lines; what it \
         leaves of the lines' errors is {} nm rms",
        term(a),
        term(b),
        term(c),
        format::decimals(v.error.centre_nm, 2),
        format::two_digits(v.error.left_rms_nm)
    )
}

fn stretches(v: &Verification, width: usize) -> String {
    let columns = [
        ("stretch, nm", Column::Word),
        ("lines", Column::Number),
        ("error, nm", Column::Number),
        ("good to, nm", Column::Number),
        ("known", Column::Text),
    ];
    let rows = v
        .stretches
        .iter()
        .map(|s| {
            let lines =
                if s.support == Support::Beyond { NONE.into() } else { s.lines.to_string() };
            vec![
                format!("{} to {}", format::decimals(s.from_nm, 1), format::decimals(s.to_nm, 1)),
                lines,
                signed(s.error_nm),
                format::two_digits(s.good_to_nm),
                s.support.words().into(),
            ]
        })
        .collect();
    let said = "Stretches are on the axis as it reads; error and `good to` are those of the worst \
                place in each: good to = |error| + 2u.";
    grid(&columns, rows, width) + &paragraph("", said, width)
}

fn drift(all: &[Drift], width: usize) -> String {
    let mut out = String::new();
    let said: Vec<String> = all.iter().map(drift_words).collect();
    section(&mut out, "Drift", said.iter().map(String::as_str), width);
    out
}

/// One movement in one sentence.
pub fn drift_words(d: &Drift) -> String {
    match (d.shift_nm, d.k, d.significant) {
        (Some(shift), Some(k), Some(yes)) => {
            let tilt = d
                .tilt_nm_per_100nm
                .map_or(String::new(), |t| format!(", tilt {} nm per 100 nm", signed(t)));
            let word = if yes { "it has moved" } else { "no movement shows" };
            format!(
                "since {}: {} nm over {}{tilt}; {word} (limit {} × u)",
                d.since,
                signed(shift),
                format::counted(d.lines, "line", "lines"),
                format::decimals(k, 1)
            )
        }
        _ => format!(
            "since {}: cannot be told, {} in common",
            d.since,
            format::counted(d.lines, "line", "lines")
        ),
    }
}

fn repeats(r: &Repeatability, width: usize) -> String {
    let columns = [
        ("line", Column::Word),
        ("mean place, nm", Column::Number),
        ("sd, nm", Column::Number),
        ("max − min, nm", Column::Number),
    ];
    let rows = r
        .lines
        .iter()
        .map(|l| {
            vec![
                l.feature.clone(),
                format::decimals(l.mean_nm, 3),
                format::two_digits(l.sd_nm),
                format::two_digits(l.spread_nm),
            ]
        })
        .collect();
    let said = repeats_words(r);
    format!("\nRepeatability\n{}", grid(&columns, rows, width)) + &paragraph("", &said, width)
}

/// Scatter and movement of the repeats in sentences.
pub fn repeats_words(r: &Repeatability) -> String {
    let shifts: Vec<String> = r.shifts_nm.iter().map(|s| format!("{s:+.3}")).collect();
    let scatter = r.scatter_nm.map_or("not known with one line".into(), |s| {
        format!("{} nm ({} degrees of freedom)", format::two_digits(s), r.scatter_dof)
    });
    format!(
        "{} recordings: a line's place has a standard deviation of {} nm ({} degrees of freedom, \
         type A). Of it, all lines together move by {} nm (standard deviation; max − min {} nm; one \
         by one {} nm); what is left is {scatter}.",
        r.recordings,
        format::two_digits(r.sd_nm),
        r.dof,
        format::two_digits(r.shift_sd_nm),
        format::two_digits(r.shift_spread_nm),
        shifts.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::made_up;

    #[test]
    fn a_judged_axis_in_a_hundred_columns() {
        let v = made_up::verification();
        let text = verification(&v, &Style::default());
        for line in text.lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
        let flat: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for part in [
            "does not hold",
            "JCGM 106:2012",
            "good to = |error| + 2u",
            "not anchored: beyond the outermost line",
            "it has moved",
            "type A",
            "second order of 365.02",
            "true = read - 0.7",
        ] {
            assert!(flat.contains(part), "no {part:?} in {text}");
        }
    }
}
