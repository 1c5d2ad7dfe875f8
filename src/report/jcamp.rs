//! A recording as JCAMP-DX 5.01 (P. Lampen et al., Pure Appl. Chem. 71, 1549 (1999)).
//!
//! The axis is written point by point (`##XYPOINTS=`), since a calibrated axis is not even. Numbers
//! are written with all their digits and come back as they were. What the format has no label for
//! stands under labels of our own: `##$X UNCERTAINTY=`, `##$Y UNCERTAINTY=`, `##$FLAGS=` (the sum
//! of 1 saturated, 2 dead, 4 outside) and `##$MEDIUM=`.

use super::format::exact;
use crate::{AxisKind, Mask, Spectrum};
use std::fmt::Write as _;

/// Longest line, characters (McDonald and Wilks 1988).
const LONGEST_LINE: usize = 80;

/// The recording as text. Labels of `provenance.metadata` that a file of this format may have are
/// written as comments, so that nothing of them is lost to a reader.
pub fn recording(s: &Spectrum) -> String {
    let p = &s.provenance;
    let mut out = String::new();
    let mut label = |name: &str, value: &str| {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "##{name}= {}", one_line(value));
    };
    label("TITLE", if p.name.is_empty() { "recording" } else { &p.name });
    label("JCAMP-DX", &format!("5.01 $$ glowtell {}", crate::VERSION));
    label("DATA TYPE", "UV/VIS SPECTRUM");
    label("DATA CLASS", "XYPOINTS");
    label("ORIGIN", "not told");
    label("OWNER", "not told");
    if let Some(when) = longdate(p) {
        label("LONGDATE", &when);
    }
    match s.axis().kind() {
        AxisKind::Nm => {
            label("XUNITS", "NANOMETERS");
            label("$MEDIUM", "AIR");
        }
        AxisKind::Pixel => label("XUNITS", "PIXELS"),
    }
    label("YUNITS", &s.unit.to_uppercase());
    label("XFACTOR", "1");
    label("YFACTOR", "1");
    let (first, last) = s.axis().range();
    label("FIRSTX", &exact(first));
    label("LASTX", &exact(last));
    // A dead point's count is 0 where the file it came from had none.
    let is_there = |i: usize| !s.mask()[i].has(Mask::DEAD) || s.counts()[i] != 0.0;
    let there = || (0..s.len()).filter(|i| is_there(*i)).map(|i| s.counts()[i]);
    if let Some(y) = s.counts().first().filter(|_| is_there(0)) {
        label("FIRSTY", &exact(*y));
    }
    label("MINX", &exact(first));
    label("MAXX", &exact(last));
    label("MINY", &exact(there().fold(f64::INFINITY, f64::min)));
    label("MAXY", &exact(there().fold(f64::NEG_INFINITY, f64::max)));
    label("NPOINTS", &s.len().to_string());
    for (key, value) in p.metadata.iter().filter(|(k, _)| k != "recorded") {
        comment(&mut out, if key.is_empty() { value.clone() } else { format!("{key}: {value}") });
    }
    for note in &p.notes {
        comment(&mut out, note.clone());
    }
    if let Some(u) = s.axis_u() {
        list(&mut out, "$X UNCERTAINTY", u.iter().map(|v| exact(*v)));
    }
    if let Some(u) = s.sigma() {
        list(&mut out, "$Y UNCERTAINTY", u.iter().map(|v| exact(*v)));
    }
    if s.mask().iter().any(|m| !m.is_good()) {
        list(&mut out, "$FLAGS", s.mask().iter().map(|m| flags(*m).to_string()));
    }
    let pairs = s.x().iter().zip(s.counts()).enumerate().map(|(i, (x, y))| {
        format!("{},{}", exact(*x), if is_there(i) { exact(*y) } else { "?".into() })
    });
    list(&mut out, "XYPOINTS= (XY..XY)", pairs);
    out += "##END=\n";
    out
}

/// The sum of 1 saturated, 2 dead, 4 outside.
pub(super) fn flags(m: Mask) -> u8 {
    [(Mask::SATURATED, 1), (Mask::DEAD, 2), (Mask::OUTSIDE, 4)]
        .iter()
        .map(|(flag, bit)| if m.has(*flag) { *bit } else { 0 })
        .sum()
}

/// Words below a label, as many on a line as there is room for. A dead point flagged as saturated
/// too keeps both.
fn list(out: &mut String, name: &str, words: impl Iterator<Item = String>) {
    let _ = writeln!(out, "##{name}{}", if name.contains('=') { "" } else { "=" });
    let mut width = 0;
    for w in words {
        if width > 0 && width + 1 + w.len() > LONGEST_LINE {
            out.push('\n');
            width = 0;
        }
        if width > 0 {
            out.push(' ');
            width += 1;
        }
        out.push_str(&w);
        width += w.len();
    }
    out.push('\n');
}

/// `$$` lines; a long text goes on in the next.
fn comment(out: &mut String, text: String) {
    let text = one_line(&text);
    let chars: Vec<char> = text.chars().collect();
    for piece in chars.chunks(LONGEST_LINE - 3) {
        let piece: String = piece.iter().collect();
        let _ = writeln!(out, "$$ {piece}");
    }
}

/// Without line ends, and without signs that would begin a comment or a label.
fn one_line(text: &str) -> String {
    let text = text.replace(['\n', '\r'], " ").replace("##", "# #");
    // The version label carries a comment on purpose.
    match text.strip_prefix("5.01 $$ ") {
        Some(rest) => format!("5.01 $$ {}", rest.replace("$$", "$ $")),
        None => text.replace("$$", "$ $"),
    }
}

/// `YYYY/MM/DD HH:MM:SS +UUUU` of a time of recording in ISO 8601.
fn longdate(p: &crate::Provenance) -> Option<String> {
    let (_, iso) = p.metadata.iter().find(|(k, _)| k == "recorded")?;
    let (day, time) = iso.split_once('T').map_or((iso.as_str(), None), |(d, t)| (d, Some(t)));
    let mut out = day.replace('-', "/");
    if let Some(time) = time {
        let zone = time.find(['+', '-', 'Z']).unwrap_or(time.len());
        let (clock, zone) = time.split_at(zone);
        out += &format!(" {clock}");
        match zone {
            "" => {}
            "Z" => out += " +0000",
            z => out += &format!(" {}", z.replace(':', "")),
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use crate::import::{ImportSettings, read_bytes};
    use proptest::prelude::*;
    use std::path::Path;

    fn back(text: &str) -> Spectrum {
        read_bytes(text.as_bytes(), Path::new("a.jdx"), &ImportSettings::default())
            .unwrap_or_else(|e| panic!("{e}\n{text}"))
    }

    #[test]
    fn lines_are_short_and_labels_cannot_be_forged() {
        let mut s =
            Spectrum::new(Axis::pixels(9), (0..9).map(|i| f64::from(i) * 1e-9).collect()).unwrap();
        s.provenance.name = "a\n##END=\n$$ b".into();
        s.provenance.metadata.push(("##END".into(), "x".repeat(300)));
        s.provenance.metadata.push(("recorded".into(), "2024-05-01T12:30:05.25+02:00".into()));
        let text = recording(&s);
        assert!(text.lines().all(|l| l.len() <= LONGEST_LINE), "{text}");
        assert!(text.contains("##LONGDATE= 2024/05/01 12:30:05.25 +0200"));
        let b = back(&text);
        assert_eq!(b.counts(), s.counts());
        let recorded = b.provenance.metadata.iter().find(|(k, _)| k == "recorded").unwrap();
        assert_eq!(recorded.1, "2024-05-01T12:30:05.25+02:00");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn a_recording_comes_back_bit_by_bit(
            points in prop::collection::vec((1e-3f64..5.0, -1e6f64..1e9, 0u8..8, 0.0f64..1e5), 8..60),
            nm: bool, measured: bool,
        ) {
            let mut at = 250.0;
            let x: Vec<f64> = points.iter().map(|p| { at += p.0; at }).collect();
            let y: Vec<f64> = points.iter().map(|p| p.1).collect();
            let n = x.len();
            let kind = if nm { AxisKind::Nm } else { AxisKind::Pixel };
            let mut s = Spectrum::new(Axis::new(kind, x).unwrap(), y).unwrap();
            for (i, p) in points.iter().enumerate() {
                if p.2 & 2 == 0 {
                    s.flag(i, crate::import::mask_of(u32::from(p.2)));
                }
            }
            if measured {
                s = s.with_sigma(points.iter().map(|p| p.3).collect()).unwrap();
                s = s.with_axis_u(vec![0.037; n]).unwrap();
            }
            let b = back(&recording(&s));
            prop_assert_eq!(b.axis(), s.axis());
            prop_assert_eq!(b.counts(), s.counts());
            prop_assert_eq!(b.mask(), s.mask());
            prop_assert_eq!(b.sigma(), s.sigma());
            prop_assert_eq!(b.axis_u(), s.axis_u());
            prop_assert_eq!(&b.unit, &s.unit);
        }
    }
}
