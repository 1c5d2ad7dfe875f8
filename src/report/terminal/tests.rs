//! What is printed, as a reader gets it.

use super::*;
use crate::report::made_up;
use crate::report::record::{Record, SummaryRow};
use crate::{AxisKind, Error};

fn fits(text: &str, width: usize) {
    for line in text.lines() {
        assert!(line.chars().count() <= width, "{} columns: {line}", line.chars().count());
    }
}

fn neon() -> (crate::Spectrum, crate::signal::PeakList) {
    let s = made_up::recording(AxisKind::Nm, 380.0, 1000.0, 300, &made_up::NEON);
    let l = made_up::list(&s, &made_up::NEON);
    (s, l)
}

#[test]
fn gases_in_a_hundred_columns() {
    let (_, l) = neon();
    let text = gases(&made_up::report(&l), &l, &Style::default());
    fits(&text, 100);
    let row = |name: &str| text.lines().find(|l| l.starts_with(name)).unwrap().to_string();
    let ne = row("Ne ");
    assert!(ne.contains("seen") && ne.contains("> 99.9 %") && ne.contains("585.25"), "{ne}");
    assert!(row("Ar ").contains("would show from 0.83 % of the strongest line, at 667.73"));
    assert!(row("He ").contains("< 0.1 %"));
    assert!(!text.contains("100 %") && !text.contains('\u{1b}'));
    let text = text + &cautions(&crate::report::cautions::TUBES, &Style::default());
    fits(&text, 100);
    let flat: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in [
        "not of the filling",
        "second order of Hg I 365.02",
        "high voltage:",
        "a licensed practitioner",
        "621.73, 703.24",
    ] {
        assert!(flat.contains(wanted), "no {wanted:?} in {text}");
    }
}

#[test]
fn without_notes_the_answers_stay() {
    let (_, l) = neon();
    let r = made_up::report(&l);
    let quiet = Style { notes: false, ..Style::default() };
    let text = gases(&r, &l, &quiet);
    assert!(text.contains("seen") && !text.contains("Notes") && !text.contains("common shift"));
    assert!(!peaks(&l, &quiet).contains("Notes"));
    assert_eq!(notes("Notes", ["one"], &quiet), "");
    assert_eq!(notes("Notes", [], &Style::default()), "");
    assert_eq!(notes("Notes", ["one"], &Style::default()), "\nNotes\n  - one\n");
}

#[test]
fn colour_changes_nothing_but_the_colour() {
    let (_, l) = neon();
    let r = made_up::report(&l);
    let plain = gases(&r, &l, &Style { width: 100, colour: false, notes: true });
    let mut bare = gases(&r, &l, &Style { width: 100, colour: true, notes: true });
    assert_eq!(bare.matches("\u{1b}[0m").count(), r.gases.len());
    for code in ["1;32", "32", "33", "2;3", "2", "0"] {
        bare = bare.replace(&format!("\u{1b}[{code}m"), "");
    }
    assert_eq!(plain, bare);
}

#[test]
fn peaks_with_flags_and_what_they_are() {
    let (_, mut l) = neon();
    made_up::clipped(&mut l);
    l.peaks[1].group_size = 3;
    l.peaks[2].line_like = false;
    l.peaks[3].centre.u = f64::NAN;
    let text = peaks_with(&l, Some(&made_up::report(&l)), &Style::default());
    fits(&text, 100);
    let row = |n: usize| {
        text.lines().find(|l| l.trim_start().starts_with(&format!("{n} "))).unwrap().to_string()
    };
    assert!(row(1).contains("585.250 ± 0.020") && row(1).ends_with("Ne I 585.25"), "{}", row(1));
    assert!(row(2).contains("blend 3") && row(3).contains("broad"));
    l.peaks[2].fwhm.value *= 0.5;
    assert!(peaks(&l, &Style::default()).contains("narrow"));
    assert!(row(10).contains("clipped") && row(10).contains('–'));
    assert!(row(7).ends_with('?') && row(11).contains("second order of Hg I"));
    assert!(text.contains("centre, nm (air)"));
    let bare = peaks(&l, &Style { width: 60, colour: false, notes: true });
    assert!(!bare.contains("taken for"));
    let pixels = made_up::recording(AxisKind::Pixel, 0.0, 499.0, 500, &[]);
    let none = peaks(&made_up::list(&pixels, &[]), &Style::default());
    assert!(none.starts_with("No peaks."));
}

#[test]
fn a_profile_tells_where_the_axis_can_be_trusted() {
    let text = profile(&made_up::profile(), &Style::default());
    fits(&text, 100);
    assert!(text.contains("Hg 546.07") && text.contains("0.030 ± 0.020"));
    assert!(text.contains("Eu 611.6") && text.contains("differs from lamp to lamp"));
    let far = text.lines().find(|l| l.trim_start().starts_with("811 ")).unwrap();
    assert!(far.ends_with("beyond the anchors"), "{far}");
    assert!(!text.lines().any(|l| l.trim_start().starts_with("912 ")), "out of its range");
}

#[test]
fn a_profile_tells_how_it_was_found() {
    let mut p = made_up::profile();
    p.lamps.push(crate::calibrate::LampUsed {
        lamp: crate::calibrate::Lamp::Discharge(vec!["Ne".into()]),
        recording: "glow.csv".into(),
        sha256: None,
    });
    let share = |name: &str, weight: f64| crate::calibrate::ModelShare {
        name: name.into(),
        effective_parameters: 3.4,
        rms_nm: 0.02,
        left_out_rms_nm: 0.04,
        weight,
    };
    p.models = vec![share("grating", 0.7), share("cubic", 0.298), share("quartic", 0.002)];
    let text = profile(&p, &Style::default());
    fits(&text, 100);
    let flat: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in [
        "Recognised: fluorescent lamp in lamp.csv, neon lamp in glow.csv.",
        "grating 70 % 3.4 0.020 0.040",
        "Hardly any share: quartic.",
        // 300 and 898.4 nm are the ends of the invented axis; 1.4 nm at 500, 0.001 more each nm.
        "1.400 ± 0.050 nm at 500 nm (air); 1.2 nm at 299 and 1.8 nm at 898.",
        "Extrapolated, beyond the outermost lines: 299 to 405 nm",
        "579 to 898 nm",
    ] {
        assert!(flat.contains(wanted), "no {wanted:?} in {text}");
    }
}

#[test]
fn lines_left_out_stay_few() {
    let mut p = made_up::profile();
    let mut line = |nm: f64, reason: &str| {
        p.left_out.push(crate::calibrate::LeftOut {
            feature: format!("Xy {nm:.0}"),
            wavelength_nm: nm,
            reason: reason.into(),
        });
    };
    for k in 0..30 {
        line(400.0 + f64::from(k), &format!("too crowded: by {k}"));
    }
    line(500.0, "4.1 standard deviations off the axis of the others");
    line(1013.0, "out of the axis");
    let text = profile(&p, &Style::default());
    fits(&text, 100);
    assert!(text.contains("Xy 500: 4.1 standard"), "{text}");
    assert!(!text.contains("Xy 1013") && text.contains("and 21 more; --json"), "{text}");
    assert_eq!(text.matches("too crowded").count(), 1, "{text}");
}

#[test]
fn a_drawer_with_a_failure() {
    let (s, l) = neon();
    let good = Record::answered("glow lamp, pink", "", &s, None, &l, Some(&made_up::report(&l)));
    let why = Error::input("drawer/two.csv", Some(3), "has no numbers", "export it again");
    let bad = Record::failed("two\u{1b}[31m", "", &why);
    let rows: Vec<SummaryRow> = vec![(&good).into(), (&bad).into()];
    let text = summary(&rows, &Style::default());
    fits(&text, 100);
    assert!(text.contains("glow lamp, pink") && text.contains("failed, see below"));
    assert!(text.contains("has no numbers"));
    assert!(!text.contains('\u{1b}'));
    assert!(summary(&[], &Style::default()).contains("No items"));
}

#[test]
fn long_words_and_narrow_terminals_stay_inside() {
    let (s, l) = neon();
    let mut r = Record::answered("x".repeat(70), "", &s, None, &l, None);
    r.notes.push("a remark that is rather long and has to be broken over several lines".into());
    fits(&summary(&[(&r).into()], &Style { width: 60, colour: false, notes: true }), 76);
    fits(&gases(&made_up::report(&l), &l, &Style { width: 70, colour: false, notes: true }), 70);
}

#[test]
fn what_many_share_is_said_once() {
    let said = shared([("A1", "clipped"), ("A2", "faint"), ("A3", "clipped")]);
    assert_eq!(said, ["A1, A3: clipped", "A2: faint"]);
    let (_, l) = neon();
    let mut r = made_up::report(&l);
    r.notes.push(crate::gases::SHARES_NOTE.into());
    let text = gases(&r, &l, &Style::default());
    assert_eq!(text.to_lowercase().matches("shares are shares").count(), 1, "{text}");
}
