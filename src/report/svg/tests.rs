//! The finished picture, taken apart again by a small parser of its own.

use super::*;
use crate::report::made_up::{NEON, clipped, list, profile, recording, report, verification};
use crate::{Axis, signal::PeakList};
use proptest::prelude::*;

/// One element: name, attributes, text that follows the tag.
#[derive(Debug)]
struct Element {
    name: String,
    attributes: Vec<(String, String)>,
    text: String,
}

impl Element {
    fn get(&self, key: &str) -> Option<&str> {
        self.attributes.iter().find(|a| a.0 == key).map(|a| a.1.as_str())
    }

    fn number(&self, key: &str) -> f64 {
        self.get(key).unwrap().parse().unwrap()
    }
}

/// Reads the elements and checks that all are closed in order and that nothing is left raw.
fn parse(svg: &str) -> Vec<Element> {
    let (mut open, mut out): (Vec<String>, Vec<Element>) = (Vec::new(), Vec::new());
    let mut rest = svg;
    while let Some(at) = rest.find('<') {
        let end = at + rest[at..].find('>').expect("a tag that never ends");
        let tag = &rest[at + 1..end];
        let next = rest[end + 1..].find('<').map_or(rest.len(), |n| end + 1 + n);
        let text = rest[end + 1..next].trim().to_string();
        assert!(!text.contains('>'), "raw > in {text}");
        rest = &rest[next..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name), "closed out of order");
            continue;
        }
        let (name, mut attrs) = tag.split_once(char::is_whitespace).unwrap_or((tag, ""));
        let mut attributes = Vec::new();
        while let Some(eq) = attrs.find("=\"") {
            let close = eq + 2 + attrs[eq + 2..].find('"').expect("an attribute that never ends");
            attributes.push((attrs[..eq].trim().to_string(), attrs[eq + 2..close].to_string()));
            attrs = &attrs[close + 1..];
        }
        if !tag.ends_with('/') {
            open.push(name.to_string());
        }
        out.push(Element { name: name.trim_end_matches('/').into(), attributes, text });
    }
    assert!(open.is_empty(), "never closed: {open:?}");
    out
}

/// Left, top, right, bottom of the peak labels.
fn label_boxes(elements: &[Element]) -> Vec<[f64; 4]> {
    let labels = elements.iter().filter(|e| e.get("class") == Some("peak-label"));
    labels
        .map(|e| {
            let (x, y, size) = (e.number("x"), e.number("y"), e.number("font-size"));
            assert!(e.get("transform").unwrap().starts_with("rotate(-90"));
            let length = text::width(&e.text.replace("&lt;", "<").replace("&amp;", "&"), size);
            // Turned upwards: the baseline is the right side of the middle by 0.35 em.
            let middle = x - 0.35 * size;
            [middle - 0.5 * size, y - length, middle + 0.5 * size, y]
        })
        .collect()
}

/// The curve of the plotting library in px: the longest of its polylines.
fn highest_point_of_the_curve(elements: &[Element]) -> f64 {
    let points = |e: &Element| e.get("points").unwrap_or_default().to_string();
    let curve = elements
        .iter()
        .filter(|e| e.name == "polyline" && e.get("opacity").is_some())
        .max_by_key(|e| points(e).len())
        .unwrap();
    points(curve)
        .split_whitespace()
        .map(|p| p.split_once(',').unwrap().1.parse::<f64>().unwrap() / 10.0)
        .fold(f64::INFINITY, f64::min)
}

fn check_labels(svg: &str, style: &PlotStyle, right_margin: f64) {
    let elements = parse(svg);
    let boxes = label_boxes(&elements);
    let curve_top = highest_point_of_the_curve(&elements);
    for (i, a) in boxes.iter().enumerate() {
        assert!(a[0] >= EDGE + frame::Y_AXIS_ROOM - 0.2, "left of the frame: {a:?}");
        assert!(a[2] <= style.width_px - right_margin + 0.2, "right of the frame: {a:?}");
        assert!(a[1] >= TITLE_ROOM - 0.2, "above the frame: {a:?}");
        assert!(a[3] < curve_top, "in the curve, which reaches {curve_top}: {a:?}");
        for b in &boxes[..i] {
            let apart = a[0] >= b[2] - 0.01 || b[0] >= a[2] - 0.01;
            assert!(apart || a[1] >= b[3] || b[1] >= a[3], "{a:?} over {b:?}");
        }
    }
}

fn neon() -> (Spectrum, PeakList) {
    let s = recording(AxisKind::Nm, 380.0, 1000.0, 2048, &NEON);
    let l = list(&s, &NEON);
    (s, l)
}

#[test]
fn says_what_a_reader_needs() {
    let (mut s, mut l) = neon();
    clipped(&mut l);
    s.provenance.name = "tube <3> & \"co\"".into();
    let style = PlotStyle { footer: vec!["club spectrometer".into()], ..PlotStyle::default() };
    let svg = spectrum_plot(&s, &l, Some(&report(&l)), &style).unwrap();
    let elements = parse(&svg);
    let root = &elements[0];
    assert_eq!(root.get("role"), Some("img"));
    assert_eq!(root.get("viewBox"), Some("0 0 1200 640"));
    assert_eq!(elements[1].name, "title");
    assert_eq!(elements[1].text, "tube &lt;3&gt; &amp; &quot;co&quot;");
    assert_eq!(elements[2].name, "desc");
    assert!(elements[2].text.contains("14 peaks"));
    let texts: Vec<&str> =
        elements.iter().filter(|e| e.name == "text").map(|e| e.text.as_str()).collect();
    for wanted in [
        "wavelength / nm (air)",
        "counts",
        "Ne I 585.25",
        "? 621.73",
        "ghost 650.65",
        "claimed by nobody",
        "ghost or stray light",
        "clipped: higher than shown",
        "seen &gt; 99.9 %",
        "likely 93 %",
        "club spectrometer",
    ] {
        assert!(texts.contains(&wanted), "no text {wanted:?} in {texts:?}");
    }
    let foot = texts.iter().find(|t| t.contains("glowtell")).unwrap();
    assert!(foot.contains("axis ± 0.21 nm") && foot.contains("line width"), "{foot}");
    assert!(!svg.contains("100 %"));
    let groups = elements.iter().filter(|e| e.get("class").is_some_and(|c| c.starts_with("peak")));
    assert_eq!(groups.filter(|e| e.name == "g").count(), 14);
}

#[test]
fn no_print_is_smaller_than_eleven_px() {
    let (s, l) = neon();
    let r = report(&l);
    let svgs = [
        spectrum_plot(&s, &l, Some(&r), &PlotStyle::default()).unwrap(),
        calibration_plot(&profile(), &PlotStyle::default()).unwrap(),
        verification_plot(&verification(), &lamp(AxisKind::Nm), &PlotStyle::default()).unwrap(),
    ];
    for svg in svgs {
        for e in parse(&svg).iter().filter(|e| e.name == "text") {
            let size = e.number("font-size");
            // What the plotting library writes is shrunk by ten.
            let px = if e.get("dy").is_some() { size / 10.0 } else { size };
            assert!(px >= 10.99, "{px} px: {}", e.text);
        }
    }
}

#[test]
fn same_input_same_bytes() {
    let (s, l) = neon();
    let r = report(&l);
    for theme in [Theme::Light, Theme::Dark] {
        let style = PlotStyle { theme, ..PlotStyle::default() };
        let draw = || spectrum_plot(&s, &l, Some(&r), &style).unwrap();
        assert_eq!(draw(), draw());
    }
}

#[test]
fn little_and_odd_input_is_drawn() {
    let style = PlotStyle::default();
    let none = PeakList { peaks: vec![], baseline: vec![], ..list(&neon().0, &[]) };
    // Nothing, one point, all dead, gaps, one value everywhere.
    let nan = f64::NAN;
    for counts in [vec![], vec![5.0], vec![nan; 4], vec![1.0, nan, 3.0, nan], vec![7.0; 9]] {
        let s = Spectrum::new(Axis::pixels(counts.len()), counts).unwrap();
        let svg = spectrum_plot(&s, &none, None, &style).unwrap();
        assert!(parse(&svg).iter().any(|e| e.text == "pixel"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
    // A peak list full of holes.
    let (s, mut l) = neon();
    l.peaks[0].centre.value = nan;
    l.peaks[1].height = Some(crate::Measured::new(nan, nan));
    l.peaks[2].fwhm = crate::Measured::new(nan, 0.0);
    l.baseline[3] = nan;
    let svg = spectrum_plot(&s, &l, Some(&report(&l)), &style).unwrap();
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
    check_labels(&svg, &style, panel::WIDTH + EDGE);
}

#[test]
fn numbers_at_the_ends_of_the_scale_are_drawn() {
    let none = PeakList { peaks: vec![], baseline: vec![], ..list(&neon().0, &[]) };
    for counts in [[1e308, -1e308, 1e308], [1e-308, 0.0, 2e-308], [-5.0, -5.0, -5.0], [1e9; 3]] {
        for x in [[0.0, 1.0, 2.0], [-1e308, 0.0, 1e308], [1e16, 1e16 + 2.0, 1e16 + 4.0]] {
            for scale in [Scale::Linear, Scale::SquareRoot] {
                let axis = Axis::new(AxisKind::Nm, x.to_vec()).unwrap();
                let s = Spectrum::new(axis, counts.to_vec()).unwrap();
                let style = PlotStyle { scale, ..PlotStyle::default() };
                let svg = spectrum_plot(&s, &none, None, &style).unwrap();
                parse(&svg);
                assert!(!svg.contains("NaN") && !svg.contains("inf"), "{counts:?} {x:?}");
            }
        }
    }
}

#[test]
fn large_counts_are_written_short() {
    let (_, l) = neon();
    let lines: Vec<(f64, f64)> = NEON.iter().map(|(c, h)| (*c, h * 120.0)).collect();
    let s = recording(AxisKind::Nm, 380.0, 1000.0, 2048, &lines);
    let svg = spectrum_plot(&s, &l, None, &PlotStyle::default()).unwrap();
    let texts: Vec<String> = parse(&svg).into_iter().map(|e| e.text).collect();
    assert!(texts.iter().any(|t| t == "counts / 10⁶") && texts.iter().any(|t| t == "1.5"));
}

#[test]
fn gaps_part_the_curve() {
    let mut counts = vec![10.0; 50];
    counts[25] = f64::NAN;
    let s = Spectrum::new(Axis::pixels(50), counts).unwrap();
    let l = PeakList { peaks: vec![], baseline: vec![], ..list(&s, &[]) };
    let svg = spectrum_plot(&s, &l, None, &PlotStyle::default()).unwrap();
    let tones = parse(&svg).iter().filter(|e| e.name == "polygon").count();
    assert_eq!(tones, 2);
}

#[test]
fn a_stretch_is_cut_and_labels_outside_are_skipped() {
    let (s, l) = neon();
    let style = PlotStyle { range: Some((600.0, 645.0)), ..PlotStyle::default() };
    let svg = spectrum_plot(&s, &l, None, &style).unwrap();
    assert!(svg.contains(">640.22<") && !svg.contains(">585.25<") && !svg.contains(">703.24<"));
    let upside_down = PlotStyle { range: Some((645.0, 600.0)), ..PlotStyle::default() };
    assert!(spectrum_plot(&s, &l, None, &upside_down).is_err());
    let tiny = PlotStyle { width_px: 10.0, ..PlotStyle::default() };
    assert!(spectrum_plot(&s, &l, None, &tiny).is_err());
}

#[test]
fn dropped_labels_are_counted() {
    let lines: Vec<(f64, f64)> = (0..120)
        .map(|i| (400.0 + 4.5 * f64::from(i), 500.0 + f64::from(i * 37 % 101) * 90.0))
        .collect();
    let s = recording(AxisKind::Nm, 380.0, 1000.0, 3648, &lines);
    let l = list(&s, &lines);
    let svg = spectrum_plot(&s, &l, None, &PlotStyle::default()).unwrap();
    let elements = parse(&svg);
    let labels = label_boxes(&elements).len();
    let note = format!("+ {} fainter lines not labelled", 120 - labels);
    assert!(labels > 50 && labels < 120);
    assert!(elements.iter().any(|e| e.text == note), "no {note:?}");
    check_labels(&svg, &PlotStyle::default(), RIGHT_EDGE);
}

#[test]
fn square_root_scale_lifts_weak_lines() {
    let (s, l) = neon();
    let ticks = |scale| {
        let style = PlotStyle { scale, ..PlotStyle::default() };
        parse(&spectrum_plot(&s, &l, None, &style).unwrap())
            .into_iter()
            .filter(|e| e.name == "text" && e.text == "10000")
            .map(|e| e.number("y") / 10.0)
            .next()
            .unwrap()
    };
    assert!(ticks(Scale::SquareRoot) < ticks(Scale::Linear) - 50.0);
}

#[test]
fn the_calibration_shows_all_anchors_and_what_was_left_out() {
    let svg = calibration_plot(&profile(), &PlotStyle::default()).unwrap();
    let elements = parse(&svg);
    let class = |c: &str| elements.iter().filter(|e| e.get("class") == Some(c)).count();
    assert_eq!((class("anchor"), class("left-out"), class("band")), (5, 1, 1));
    assert!(elements.iter().any(|e| e.text == "Hg 546.07"));
    assert_eq!(svg, calibration_plot(&profile(), &PlotStyle::default()).unwrap());
    assert!(elements.iter().any(|e| e.text == "Eu 611.6"));
    assert!(elements.iter().any(|e| e.text.starts_with("axis ± nm (k = 2): 0.087 at 365*")));
    let mut bare = profile();
    bare.anchors.clear();
    bare.left_out.clear();
    bare.anchored_nm = [f64::NAN, f64::NAN];
    bare.axis_model.coefficients = vec![f64::NAN; 3];
    let svg = calibration_plot(&bare, &PlotStyle::default()).unwrap();
    assert!(!parse(&svg).is_empty() && !svg.contains("\"NaN") && !svg.contains(",NaN"));
}

/// A recording with the lines of the made-up profile, on pixels or on nm.
fn lamp(kind: AxisKind) -> Spectrum {
    let p = profile();
    match kind {
        AxisKind::Pixel => {
            let lines: Vec<(f64, f64)> = p.anchors.iter().map(|a| (a.at, 9000.0)).collect();
            recording(kind, 0.0, 1499.0, 1500, &lines)
        }
        AxisKind::Nm => {
            let lines: Vec<(f64, f64)> =
                p.anchors.iter().map(|a| (a.wavelength_nm + 0.8, 9000.0)).collect();
            recording(kind, 300.0, 900.0, 1500, &lines)
        }
    }
}

/// Every text that is ours lies on the paper, and no two upright ones cross.
fn check_page(svg: &str) {
    let elements = parse(svg);
    let (w, h) = (elements[0].number("width"), elements[0].number("height"));
    let mut boxes: Vec<([f64; 4], String)> = Vec::new();
    for e in elements.iter().filter(|e| e.name == "text" && e.get("dy").is_none()) {
        let (x, y, size) = (e.number("x"), e.number("y"), e.number("font-size"));
        let marks =
            [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#39;", "'"), ("&amp;", "&")];
        let plain = marks.iter().fold(e.text.clone(), |t, (from, to)| t.replace(from, to));
        let bold = e.get("font-weight").is_some();
        let long = text::width(&plain, if bold { text::bold(size) } else { size });
        let b = match e.get("transform") {
            // Turned upwards: the baseline is the right side of the middle by 0.35 em.
            Some(_) => [x - 0.85 * size, y - long, x + 0.15 * size, y],
            None => [x, y - size, x + long, y + 0.3 * size],
        };
        assert!(b[0] >= 0.0 && b[1] >= 0.0 && b[2] <= w && b[3] <= h, "{b:?}: {plain}");
        boxes.push((b, plain));
    }
    for (i, (a, one)) in boxes.iter().enumerate() {
        for (b, other) in &boxes[..i] {
            // Half a px of the boxes is air.
            let apart = a[0] >= b[2] - 0.5 || b[0] >= a[2] - 0.5;
            assert!(apart || a[1] >= b[3] - 0.5 || b[1] >= a[3] - 0.5, "{one} over {other}");
        }
    }
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn the_lamp_stands_above_its_residuals() {
    let p = profile();
    for width_px in [480.0, 1200.0] {
        let style = PlotStyle { width_px, ..PlotStyle::default() };
        let svg = lamp_plot(&p, &lamp(AxisKind::Pixel), &style).unwrap();
        check_page(&svg);
        let elements = parse(&svg);
        let class = |c: &str| elements.iter().filter(|e| e.get("class") == Some(c)).count();
        assert_eq!((class("anchor"), class("point"), class("band")), (5, 5, 1));
        assert_eq!(class("left-out"), 1);
        assert_eq!(svg, lamp_plot(&p, &lamp(AxisKind::Pixel), &style).unwrap());
        assert!(svg.contains("error bar k = 2"));
    }
    assert!(lamp_plot(&p, &lamp(AxisKind::Nm), &PlotStyle::default()).is_err());
}

#[test]
fn a_judged_axis_on_one_page() {
    let (mut v, lamp) = (verification(), lamp(AxisKind::Nm));
    for width_px in [480.0, 700.0, 1200.0] {
        for theme in [Theme::Light, Theme::Dark] {
            let style = PlotStyle { width_px, theme, ..PlotStyle::default() };
            let svg = verification_plot(&v, &lamp, &style).unwrap();
            check_page(&svg);
            assert_eq!(svg, verification_plot(&v, &lamp, &style).unwrap());
            assert!(svg.contains("does not hold"));
            // On the narrowest page the key has no room for all signs.
            assert!(width_px < 700.0 || svg.contains(">tolerance<"));
        }
    }
    v.tolerance = None;
    v.sheet.resolution = None;
    v.curve.clear();
    check_page(&verification_plot(&v, &lamp, &PlotStyle::default()).unwrap());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn labels_keep_clear_of_each_other_the_curve_and_the_frame(
        mut lines in prop::collection::vec((380.0f64..1000.0, 50.0f64..30_000.0), 0..140),
        width in 480.0f64..1600.0,
        height in 360.0f64..900.0,
        with_report in any::<bool>(),
        root in any::<bool>(),
    ) {
        lines.sort_by(|a, b| a.0.total_cmp(&b.0));
        let s = recording(AxisKind::Nm, 380.0, 1000.0, 1024, &lines);
        let l = list(&s, &lines);
        let r = report(&l);
        let style = PlotStyle {
            width_px: width,
            height_px: height,
            scale: if root { Scale::SquareRoot } else { Scale::Linear },
            ..PlotStyle::default()
        };
        let svg = spectrum_plot(&s, &l, with_report.then_some(&r), &style).unwrap();
        let panel = with_report && width >= panel::FROM_WIDTH;
        check_labels(&svg, &style, if panel { panel::WIDTH + EDGE } else { RIGHT_EDGE });
    }
}
